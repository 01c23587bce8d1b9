"""Names that the ledger knows, and a job checked beside them before anything is written."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from reliability.records.checks import JobDocument, clean_row, document_faults
from reliability.records.currencies import exponent_of
from reliability.records.faults import Fault, nearest
from reliability.records.tables import SETTINGS, TABLES, USUAL_COMPONENTS, USUAL_SIGNS

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger


@dataclass
class Names:
    """Names that the ledger knows while sheets are laid beside it."""

    families: dict[str, str]
    components: set[str]
    models: dict[str, str]
    signs: set[str]
    exponent: int

    @classmethod
    def of(cls, ledger: "Ledger | None") -> "Names":
        """Read them from a ledger; where there is none yet, only the usual names are known."""
        if ledger is None:
            usual = {name for names in USUAL_COMPONENTS.values() for name in names}
            exponent = exponent_of(str(SETTINGS["currency"].default))
            return cls({}, usual, {}, set(USUAL_SIGNS), exponent)
        return cls(
            families={str(row["family"]): str(row["kind"]) for row in ledger.rows("families")},
            components=set(ledger.names("component")),
            models={str(row["model"]): str(row["family"]) for row in ledger.rows("models")},
            signs=set(ledger.names("sign")),
            exponent=exponent_of(str(ledger.setting("currency"))),
        )

    def faults(self, document: JobDocument, how_to_add: str) -> list[Fault | str]:
        """Check a whole job against the rules and these names; say how an unknown family is added."""
        known: dict[str, Collection[str]] = {
            "family": self.families,
            "component": self.components,
            "model": self.models,
        }
        faults: list[Fault | str] = [*document_faults(document, known, exponent=self.exponent)]
        family = document["job"].get("family")
        if isinstance(family, str) and family not in self.families:
            faults.append(f"if {family!r} is a new family, describe it: {how_to_add}")
        return faults

    def new_family(self, row: Mapping[str, Any], place: str) -> list[Fault]:
        """Check the description of a family; a sound one is known from then on."""
        name = row.get("family")
        if isinstance(name, str) and name in self.families:
            return [Fault(place, "", f"the ledger knows {name!r} already; leave its description out")]
        clean, complaints = clean_row(TABLES["families"], row, self.exponent)
        if not complaints:
            self.families[str(clean["family"])] = str(clean["kind"])
        return [Fault(place, *complaint) for complaint in complaints if complaint[0] != "family"]

    def news(self, document: JobDocument) -> list[str]:
        """Tell which names of a job are new where any name may be, and learn them."""
        said: list[str] = []
        for row in document.get("signs") or ():
            if row["sign"] not in self.signs:
                said.append(f"sign {row['sign']!r} is new here.{nearest(row['sign'], self.signs)}")
                self.signs.add(row["sign"])
        model = document["job"].get("model")
        if model and model not in self.models:
            family = document["job"]["family"]
            said.append(f"model {model!r} is new here, of family {family!r}.{nearest(model, self.models)}")
            self.models[model] = family
        return said


def open_jobs(ledger: "Ledger", family: str | None = None) -> list[dict[str, Any]]:
    """List the jobs that are not finished, oldest first: job, family, model, taken_in.

    Parameters
    ----------
    ledger : Ledger
        Where they are.
    family : str, optional
        Only those of one family.
    """
    # Loaded here: names alone are needed before there is a database at all.
    from sqlalchemy import select

    from reliability.records.schema import SQL_TABLES

    columns = SQL_TABLES["jobs"].c
    query = select(columns.job, columns.family, columns.model, columns.taken_in)
    query = query.where(columns.outcome == "open").order_by(columns.taken_in, columns.job)
    if family is not None:
        query = query.where(columns.family == family)
    with ledger.reading() as connection:
        return [row._asdict() for row in connection.execute(query)]
