"""What was looked at: bought units taken in, the others kept with their asking and why they were left."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from reliability.records import database
from reliability.records.ledger import add_families, add_lots, append_job, keep_model, put_rows
from reliability.records.tables import TABLES
from reliability.records.values import Fault, refuse

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from reliability.records.ledger import Ledger

Row = Mapping[str, Any]
WHAT_IT_IS = ("family", "model", "kind")
NEW, HELD, CHANGED = "new", "held", "changed"


@dataclass(frozen=True)
class Recorded:
    """What became of one row of an offers file.

    Attributes
    ----------
    sighting, offer : str
        Its name in the ledger and in the file.
    job : str or None
        The job that it became.
    left_because : str or None
    state : str
        `NEW`, `CHANGED` or `HELD` (the ledger said so already).
    taken_in : bool
        Whether the job is new.
    """

    sighting: str
    offer: str
    job: str | None
    left_because: str | None
    state: str
    taken_in: bool


def record_sightings(
    ledger: "Ledger", seen: Sequence[tuple[Row, Mapping[str, str]]], *, place: str | None = None
) -> list[Recorded]:
    """Write what was looked at, and take in what was bought; all in one transaction.

    Parameters
    ----------
    ledger : Ledger
        Open for writing.
    seen : sequence of (mapping, mapping)
        A row of an offers file, plain values, with `verdict` and `ceiling` as they were told; and its signs.
        `seen_on` is given. A row whose day, place and offer the ledger knows is that same unit, of which more
        is known now: what was told of it then stays.
    place : str, optional
        Where all of them were seen.

    Returns
    -------
    list of Recorded
        In the order of the rows.

    Raises
    ------
    InvalidInput
        With every fault; nothing is written then.
    """
    with ledger.writing() as connection:
        return _Recording(connection, place).record(seen)


class _Recording:
    """One file under way."""

    def __init__(self, connection: "Connection", place: str | None) -> None:
        self.connection, self.place = connection, place
        self.exponent = database.exponent_in(connection)
        self.held = {row["sighting"]: row for row in self._rows("sightings")}
        self.models = {row["model"]: row["family"] for row in self._rows("models")}
        self.families = database.names_in(connection, "family")
        self.faults: list[Fault | str] = []

    def _rows(self, table: str) -> list[dict[str, Any]]:
        return database.fetch_rows(self.connection, table, self.exponent)

    def record(self, seen: Sequence[tuple[Row, Mapping[str, str]]]) -> list[Recorded]:
        lots = self._lots([row for row, _ in seen])
        written, rows, signs = [], [], []
        for row, its_signs in seen:
            name = self._named(row, row["offer"])
            old = self.held.get(name)
            if old is not None and any(row[what] != old[what] for what in WHAT_IT_IS):
                known_as = old["family"] or old["model"] or old["kind"]
                self.faults.append(f"Offer {row['offer']}: the ledger holds a {known_as} as {name!r}; give "
                                   "this unit another name, or say where it was seen: --place")  # fmt: skip
                continue
            job, is_new = self._job(row, its_signs, old, lots.get(row["lot"] or ""))
            kept = {column: row.get(column) for column in TABLES["sightings"].names if column in row}
            if old is not None:
                kept |= {"verdict": old["verdict"], "ceiling": old["ceiling"]}
                kept["left_because"] = row["left_because"] or (None if job else old["left_because"])
            kept |= {"sighting": name, "place": self.place, "job": job}
            rows.append(kept)
            signs += [{"sighting": name, "sign": sign, "seen": seen} for sign, seen in its_signs.items()]
            same = old is not None and all(old[column] == kept[column] for column in ("job", "left_because"))
            state = NEW if old is None else HELD if same else CHANGED
            written.append(Recorded(name, row["offer"], job, kept["left_because"], state, is_new))
        refuse(self.faults)
        for table, found in (("sightings", rows), ("sighting_signs", signs)):
            refuse(put_rows(self.connection, table, found, self.exponent, "looked at"))
        return written

    def _named(self, row: Row, label: str) -> str:
        return " ".join(filter(None, (row["seen_on"], self.place, label)))

    def _job(
        self, row: Row, signs: Mapping[str, str], old: Row | None, lot: str | None
    ) -> tuple[str | None, bool]:
        """Find the job that a bought unit is, or take it in; say whether it is new."""
        bought = row["bought"]
        if old is not None and old["job"] is not None:
            if bought not in (None, "yes", old["job"]):
                self.faults.append(f"Offer {row['offer']}: it was taken in as job {old['job']}, but its "
                                   f"bought says {bought!r}; correct one of them")  # fmt: skip
            return old["job"], False
        if bought in (None, "no"):
            return None, False
        if bought != "yes":
            return bought, False  # that there is such a job is checked with the row
        family = row["family"] or self.models.get(row["model"])
        if family is None:
            self.faults.append(f"Offer {row['offer']}: it was bought, so its family has to be named")
            return None, False
        new = []
        if family not in self.families:
            new = [{"family": family, "kind": row["kind"], "working_price": row["working_price"]}]
            new[0]["priced_on"] = row["seen_on"] if row["working_price"] is not None else None
            self.families.add(family)
        found = add_families(self.connection, new, self.exponent, "described at a sale")
        job = {name: row[name] for name in ("model", "built_from", "built_to")}
        job |= {"family": family, "taken_in": row["seen_on"], "outcome": "open", "lot": lot}
        job["bought_for"] = None if lot else row["asked"]
        if self.faults or found:
            self.faults += [Fault(f"offer {row['offer']}", each.column, each.message) for each in found]
            return None, False
        document = {"job": job, "signs": [{"sign": sign, "seen": seen} for sign, seen in signs.items()]}
        written = append_job(self.connection, document, (), "taken in")
        keep_model(self.connection, written["job"], self.exponent)
        return str(written["job"]["job"]), True

    def _lots(self, rows: Sequence[Row]) -> dict[str, str]:
        """Write the lots that were bought whole; give their names in the ledger by those in the file."""
        of_lot: dict[str, list[Row]] = {}
        for row in rows:
            if row["lot"] is not None:
                of_lot.setdefault(row["lot"], []).append(row)
        known, names, new = database.names_in(self.connection, "lot"), {}, []
        for lot, units in of_lot.items():
            bought = [row for row in units if row["bought"] == "yes"]
            price = next((row["lot_asked"] for row in units if row["lot_asked"] is not None), None)
            if bought and len(bought) == len(units) and price is not None:
                names[lot] = self._named(units[0], lot)
                day = {"lot": names[lot], "price": price, "bought_on": units[0]["seen_on"]}
                new += [day] if names[lot] not in known else []
            elif any(row["asked"] is None for row in bought):
                left = ", ".join(row["offer"] for row in units if row not in bought)
                such = (
                    f"it was bought for one price, but {left} is not marked bought; mark all its units, or "
                )
                such = (
                    such + "say what each cost: asked"
                    if left
                    else "it was bought: say what it cost, lot_asked"
                )
                self.faults.append(f"Lot {lot}: {such}")
        self.faults += add_lots(self.connection, new, self.exponent)
        return names
