"""Open repair data into a ledger: what volunteers at repair events wrote down, beside the bench's own jobs.

Every row becomes a job with an `origin`, so that it is never counted as one of the bench. What the words
become is in `open_repair_words`, makers in `open_repair_makers`, years in `open_repair_years`. The free text
of a row tells how it ended; it is compared to find doubles, and never kept.
"""

import datetime
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, select

from reliability.records import store
from reliability.records.checks import clean_row
from reliability.records.columns import Table
from reliability.records.csv_files import Layout, Line
from reliability.records.faults import Fault, nearest, some
from reliability.records.import_run import Source, import_sources
from reliability.records.import_summary import ImportSummary
from reliability.records.open_repair_file import RepairFile, RepairRow, find_repair_files
from reliability.records.open_repair_makers import Makers
from reliability.records.open_repair_words import (
    MISCELLANEOUS,
    OUTCOMES,
    STATUSES,
    UNKNOWN,
    category_name,
    ended_why,
    is_nothing,
    status_name,
)
from reliability.records.open_repair_years import built_window
from reliability.records.schema import SQL_TABLES
from reliability.records.tables import TABLES, USUAL_COMPONENTS
from reliability.records.ties import Complaint
from reliability.records.values import Value

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger

#: So many rows of one group without a single failure: the failures were not written down. At six repairs
#: in ten such a run of luck has a chance of 1 in 165.
FEWEST_FOR_ROSY = 10
NO_MAKER = "maker unknown"
_AN_ID_OF_A_PROVIDER = re.compile(r"[a-z]{2,}[-_].+")
_CLOCK = re.compile(r"(?<=\d)[ T]\d{2}:\d{2}(:\d{2})?$")
_MOST_TOLD = 8


def import_open_repair(
    path: str | Path,
    ledger: "Ledger",
    *,
    layout: Layout | None = None,
    reason: str = "imported as open repair data",
    dry_run: bool = False,
) -> ImportSummary:
    """Import files of the Open Repair Data Standard, versions 0.1 to 0.3.

    Parameters
    ----------
    path : str or Path
        A CSV file, or a folder of them.
    ledger : Ledger
        Where the jobs go.
    layout : Layout, optional
        Delimiter and decimal comma of the files.
    reason : str
        Kept in the history.
    dry_run : bool
        Check everything, write nothing.

    Returns
    -------
    ImportSummary
        Rows written, passed over and left out by why, and in its remarks doubles, groups that wrote
        down only successes, and guesses that were not believed.

    Raises
    ------
    InvalidInput
        With every fault of every file; nothing is imported then.
    """
    files = [RepairFile(file, layout or Layout()) for file in find_repair_files(Path(path))]
    told: list[_Told] = []

    def sources(connection: Connection) -> tuple[int, list[Source]]:
        told.append(_Told(connection, files))
        return store.exponent_in(connection), told[0].sources()

    summary = import_sources(ledger, sources, [], reason, dry_run)
    return replace(summary, left_out=dict(told[0].left_out), remarks=tuple(told[0].remarks()))


@dataclass
class _Rows:
    """Rows of one table that were made out of a file."""

    path: Path
    table: Table
    is_derived: bool
    n_left_out: int = 0
    faults: list[Fault] = field(default_factory=list)
    made: list[tuple[int, dict[str, Value], list[Complaint]]] = field(default_factory=list)

    def lines(self) -> Iterator[Line]:
        for number, row, complaints in self.made:
            clean, more = clean_row(self.table, row)
            yield Line(number, clean, complaints or more)

    def fault(self, line: int, column: str, message: str) -> Fault:
        return Fault(f"{self.path.name}, line {line}", column, message)


class _Told:
    """What files say, read as jobs and families beside what the ledger holds."""

    def __init__(self, connection: Connection, files: Iterable[RepairFile]) -> None:
        self.files = list(files)
        self.left_out: Counter[str] = Counter()
        self._notes: defaultdict[str, list[str]] = defaultdict(list)
        self._groups: defaultdict[str, Counter[str]] = defaultdict(Counter)
        self._numbers: Counter[str] = Counter()
        self._digests: dict[bytes, str] = {}
        self._families: dict[str, tuple[int, dict[str, Value]]] = {}
        jobs, families = SQL_TABLES["jobs"].c, SQL_TABLES["families"].c
        own = select(jobs.job).where(jobs.origin.is_(None))
        self._own_numbers = set(connection.execute(own).scalars())
        held = connection.execute(select(families.family, families.kind))
        self._kinds = {family: kind for family, kind in held}
        brands = Counter(row["brand"] for file in self.files for row in file.rows)
        self._makers = Makers(brands, store.names_in(connection, "maker"))

    def sources(self) -> list[Source]:
        """Read every row; give the families first, then the jobs file by file."""
        jobs = [self._jobs(file) for file in self.files]
        families = _Rows(self.files[0].path, TABLES["families"], is_derived=True)
        families.made = [(line, row, []) for line, row in self._families.values()]
        return [families, *jobs]

    def _jobs(self, file: RepairFile) -> _Rows:
        found = _Rows(file.path, TABLES["jobs"], is_derived=False, faults=file.faults)
        if file.not_read:
            self._notes["columns that no version of the standard has, and that were not read"] += (
                file.not_read
            )
        kinds_are_told = file.kinds_are_told
        for row in file.rows:
            status = status_name(row["repair_status"])
            date = _CLOCK.sub("", row["event_date"])
            if status == UNKNOWN:
                self.left_out["repair status Unknown"] += 1
            elif is_nothing(date) or date == "0000-00-00":
                self.left_out["no event date"] += 1
            else:
                found.made.append(self._job(row, status, date, file, kinds_are_told))
        found.n_left_out = len(file.rows) - len(found.made)
        found.made += [(line, {}, [complaint]) for line, complaint in file.unreadable]
        found.made.sort(key=lambda made: made[0])
        return found

    def _job(
        self, row: RepairRow, status: str | None, date: str, file: RepairFile, kinds_are_told: bool
    ) -> tuple[int, dict[str, Value], list[Complaint]]:
        complaints: list[Complaint] = []
        if status is None:
            found, words = row["repair_status"], ", ".join(STATUSES)
            complaints.append(
                ("repair_status", f"{found!r} is not one of {words}.{nearest(found, STATUSES)}")
            )
        if not _is_date(date):
            complaints.append(("event_date", f"{row['event_date']!r} is not a date such as 2021-05-17"))
        if is_nothing(row["id"]):
            complaints.append(("id", "is empty, but every row needs it"))
        origin = row["data_provider"] or file.path.stem
        number = self._number(row, origin)
        job: dict[str, Value] = {"job": number, "origin": origin, "taken_in": date, "closed": date}
        if complaints:
            return row.line, job, complaints
        outcome = OUTCOMES[str(status)]
        self._remember(row, number, outcome, origin)
        job |= {
            "outcome": outcome,
            "family": self._family(row, kinds_are_told),
            "ended_why": self._ended_why(row, outcome),
            "remarks": f"group {row['group_identifier']}" if row["group_identifier"] else None,
        }
        return row.line, job | self._built(row, date, file.layout), []

    def _number(self, row: RepairRow, origin: str) -> str:
        """Give a job number that no job of the bench has, and no other row of these files."""
        number = row["id"]
        if not _AN_ID_OF_A_PROVIDER.fullmatch(number) or number in self._own_numbers:
            letters = "".join(re.findall("[a-z]+", origin.casefold()))
            number = f"{letters or 'source'}_{number}"
        self._numbers[number] += 1
        if self._numbers[number] == 1:
            return number
        self._notes["ids given more than once, each row kept"].append(f"{row['id']} (line {row.line})")
        return f"{number} ({self._numbers[number]})"

    def _remember(self, row: RepairRow, number: str, outcome: str, origin: str) -> None:
        first = self._digests.setdefault(row.digest, number)
        if first != number:
            self._notes["rows that say the same as another but for the id, each kept"].append(
                f"{number} = {first}"
            )
        if group := row["group_identifier"]:
            self._groups[f"{group} ({origin})"][outcome] += 1

    def _family(self, row: RepairRow, kinds_are_told: bool) -> str:
        kind = self._kind(row, kinds_are_told)
        maker = self._makers.of(row["brand"])
        family = f"{maker} {kind}" if maker else f"{kind}, {NO_MAKER}"
        if self._kinds.get(family, kind) != kind:
            family += " (open repair data)"
        if family not in self._kinds:
            self._kinds[family] = kind
            self._families[family] = (row.line, {"family": family, "kind": kind, "maker": maker})
        return family

    def _kind(self, row: RepairRow, kinds_are_told: bool) -> str:
        partners = row["partner_product_category"]
        if partners and (kinds_are_told or partners.casefold() in USUAL_COMPONENTS):
            return partners if kinds_are_told else partners.casefold()
        for cell in (row["product_category"], row["product_category_id"], partners):
            if not is_nothing(cell):
                return category_name(cell)
        self._notes[f"rows without a category, taken as {MISCELLANEOUS}"].append(f"line {row.line}")
        return MISCELLANEOUS

    def _ended_why(self, row: RepairRow, outcome: str) -> str | None:
        barrier = row["repair_barrier_if_end_of_life"]
        if is_nothing(barrier):
            return None
        why = ended_why(barrier)
        if why is None:
            self._notes["barriers that no version of the standard has, not taken over"].append(
                f"{barrier!r} (line {row.line})"
            )
        elif outcome == "repaired":
            self._notes["barriers beside a repair, not taken over"].append(f"line {row.line}")
            return None
        return why

    def _built(self, row: RepairRow, date: str, layout: Layout) -> dict[str, Value]:
        year, age = (
            "" if is_nothing(cell) else cell.replace(",", ".") if layout.decimal_comma else cell
            for cell in (row["year_of_manufacture"], row["product_age"])
        )
        window, doubt = built_window(year, age, date)
        if doubt:
            cells = " and ".join(repr(cell) for cell in (year, age) if cell)
            self._notes[f"years or ages not believed, {doubt}"].append(f"{cells} (line {row.line})")
        if window is None:
            return {}
        return {"built_from": window[0], "built_to": window[1], "year_basis": "guess"}

    def remarks(self) -> Iterator[str]:
        """Word what the reader should know, each kind of thing with its count and the first of its rows."""
        for what, where in sorted(self._notes.items()):
            shown = ", ".join(where[:_MOST_TOLD])
            rest = f" and {len(where) - _MOST_TOLD} more" if len(where) > _MOST_TOLD else ""
            yield f"{what}: {len(where)} ({shown}{rest})"
        rosy = [name for name, outcomes in self._groups.items()
                if outcomes["repaired"] == outcomes.total() >= FEWEST_FOR_ROSY]  # fmt: skip
        if rosy:
            yield (f"groups whose every row is Fixed, in {FEWEST_FOR_ROSY} rows or more; did they write down "
                   f"the others? {some(rosy)}")  # fmt: skip


def _is_date(text: str) -> bool:
    try:
        datetime.date.fromisoformat(text if len(text) == 10 else f"{text}-01")
    except ValueError:
        return False
    return re.fullmatch(r"[0-9]{4}-[0-9]{2}(-[0-9]{2})?", text) is not None
