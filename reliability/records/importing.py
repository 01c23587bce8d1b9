"""Rows of any source into a ledger: one transaction, every fault listed, nothing written on any fault."""

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from sqlalchemy import Connection, insert

from reliability.errors import InvalidInput, unknown
from reliability.records import database
from reliability.records.checks import Complaint, Known
from reliability.records.csv_files import CsvTable, Layout, Line
from reliability.records.database import SQL_TABLES, keep_jobs, keep_rows, show_with
from reliability.records.package import (
    PackageCheck,
    currency_in,
    find_files,
    note_withdrawals,
    withdrawal_faults,
    withdrawn_in,
)
from reliability.records.tables import TABLES, USUAL_COMPONENTS, USUAL_SIGNS, Table
from reliability.records.values import EXPONENTS, Fault, Number, Value, refuse, split_number

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger

# What an import did, for whoever started it.


@dataclass(frozen=True)
class ImportSummary:
    """What an import did.

    Attributes
    ----------
    written, equal : dict of str to int
        Rows by table that are new, and rows that the ledger held already just so.
    new_names : dict of str to tuple of str
        Components, signs, kinds, makers and origins that the ledger had never seen.
    left_out : dict of str to int
        Rows of the file that no table has a place for, counted by why. Every row that was read is
        among these, or in `written` or `equal`.
    remarks : tuple of str
        What else the reader should know, such as rows that look like each other.
    """

    written: dict[str, int]
    equal: dict[str, int]
    new_names: dict[str, tuple[str, ...]]
    left_out: dict[str, int] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()


# Rows of any source into a ledger: one transaction, every fault listed, nothing written on any fault.


CHUNK = 10_000
_NAMED = {
    "families": {"kind": "kind", "maker": "maker"},
    "jobs": {"ended_by": "component", "origin": "origin"},
    "findings": {"component": "component"},
    "signs": {"sign": "sign"},
    "sighting_signs": {"sign": "sign"},
    "shelf": {"component": "component"},
    "followups": {"component": "component"},
    "parts": {"component": "component"},
    "hearsay": {"component": "component", "kind": "kind"},
}


class Source(Protocol):
    """Rows of one table, as they come out of a file.

    Attributes
    ----------
    path : Path
        The file.
    table : Table
        What the rows are.
    faults : list of Fault
        Faults of the file itself, complete once all lines were read.
    is_derived : bool
        Whether the rows were worked out from those of another table, and are not counted again.
    n_left_out : int
        Rows of the file that were read and have no place in the table.
    """

    path: Path
    table: Table
    faults: list[Fault]
    is_derived: bool
    n_left_out: int

    def lines(self) -> Iterator[Line]:
        """Give every row, clean or with its complaints."""

    def fault(self, line: int, column: str, message: str) -> Fault:
        """Word a fault at a place in the file."""


def import_sources(
    ledger: "Ledger",
    sources: Callable[[Connection], tuple[int, Sequence[Source]]],
    faults: Sequence[Fault],
    reason: str,
    dry_run: bool,
    withdrawn: Sequence[str] = (),
) -> ImportSummary:
    """Write rows of any source into a ledger in one transaction.

    Parameters
    ----------
    ledger : Ledger
        Where the rows go.
    sources : callable
        Takes the connection, gives the decimals of the currency and the sources, in the order of `TABLES`.
    faults : sequence of Fault
        Those that were found already.
    reason : str
        Kept in the history.
    dry_run : bool
        Check everything, write nothing.
    withdrawn : sequence of str
        Numbers that were given out to jobs which were withdrawn since.

    Returns
    -------
    ImportSummary
        Rows written and passed over, and the names that are new.

    Raises
    ------
    InvalidInput
        With every fault; nothing is imported then.
    """
    with ledger.writing() as connection:
        exponent, opened = sources(connection)
        run = _Import(connection, exponent, reason, list(faults), withdrawn)
        for source in opened:
            run.read(source)
        run.finish()
        refuse(run.faults, run.account())
        if dry_run:
            connection.rollback()
    return run.summary()


@dataclass
class _Import:
    """One import under way."""

    connection: Connection
    exponent: int
    reason: str
    faults: list[Fault]
    withdrawn: Sequence[str] = ()
    n_read: int = 0
    job_file: str = ""
    at_fault: set[tuple[str, int]] = field(default_factory=set)
    written: Counter[str] = field(default_factory=Counter)
    equal: Counter[str] = field(default_factory=Counter)
    touched: set[str] = field(default_factory=set)
    numbers: dict[str, tuple[str, Number]] = field(default_factory=dict)
    new_names: dict[str, set[str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.check = PackageCheck(
            Known(
                families=database.names_in(self.connection, "family"),
                jobs=database.facts_of_jobs(self.connection),
                others=database.named_rows(self.connection),
            )
        )
        for job, component, states in database.ended_jobs(self.connection):
            self.check.remember_end(job, component, states)
        self.names = {kind: database.names_in(self.connection, kind)
                      for kind in ("component", "sign", "kind", "maker", "origin")}  # fmt: skip
        self.names["component"] |= {name for usual in USUAL_COMPONENTS.values() for name in usual}
        self.names["sign"] |= set(USUAL_SIGNS)

    def read(self, source: Source) -> None:
        """Check every row of a file; write the new ones as long as there is no fault."""
        name = source.table.name
        held = {self._key(name, row): row
                for row in database.fetch_rows(self.connection, name, self.exponent)}  # fmt: skip
        waiting: list[dict[str, Value]] = []
        for line in source.lines():
            self.n_read += not source.is_derived
            complaints = self._complaints(name, line, held)
            self.faults += [source.fault(line.number, *complaint) for complaint in complaints]
            if complaints:
                self.at_fault.add((source.path.name, line.number))
                waiting.clear()
            elif self._key(name, line.row) in held:
                self.equal[name] += 1
            elif not self.faults:
                waiting.append(line.row)
                if len(waiting) == CHUNK:
                    self._write(name, waiting)
        self.faults += source.faults
        self.n_read += source.n_left_out
        if name == "jobs":
            self.job_file = source.path.name
        if not self.faults:
            self._write(name, waiting)

    def _key(self, name: str, row: Mapping[str, Value]) -> tuple[Value, ...]:
        return tuple(row[part] for part in TABLES[name].key)

    def _complaints(
        self, name: str, line: Line, held: Mapping[tuple[Value, ...], database.Row]
    ) -> list[Complaint]:
        if line.complaints:
            self.check.remember(name, line.row, readable=False)
            return line.complaints
        found = self.check.complaints(name, line.row, line.number)
        old = held.get(self._key(name, line.row))
        if old is not None:
            found += _differences(old, line.row)
        elif name == "settings" and line.row["setting"] == "currency":
            found += self._currency(str(line.row["value"]))
        return found

    def _currency(self, currency: str) -> list[Complaint]:
        now = database.currency_of(self.connection)
        if currency == now or not database.holds_amounts(self.connection):
            return []
        return [("value", f"the ledger holds amounts in {now}; {currency} needs another ledger")]

    def _write(self, name: str, rows: list[dict[str, Value]]) -> None:
        if not rows:
            return
        table = TABLES[name]
        self.connection.execute(
            insert(SQL_TABLES[name]), [database.to_sql(table, row, self.exponent) for row in rows]
        )
        self.written[name] += len(rows)
        for row in rows:
            self._note(name, row)
        if "job" in table.key:
            self.touched.update(str(row["job"]) for row in rows)
        else:
            keep_rows(self.connection, table, rows, self.reason)
        rows.clear()

    def _note(self, name: str, row: Mapping[str, Value]) -> None:
        for column, kind in _NAMED.get(name, {}).items():
            value = row[column]
            if value is not None and value not in self.names[kind]:
                self.names[kind].add(str(value))
                self.new_names.setdefault(kind, set()).add(str(value))
        if name == "jobs" and not row["origin"] and (number := split_number(str(row["job"]))):
            latest, highest = self.numbers.get(number.prefix, ("", number))
            self.numbers[number.prefix] = (max(latest, str(row["taken_in"])), max(highest, number))

    def finish(self) -> None:
        """Test what needs all rows, then number and keep the versions of the jobs."""
        for job, line, complaint in self.check.ended_by_sound():
            place = f"{self.job_file}, line {line}" if line else f"job {job}"
            self.faults.append(Fault(place, *complaint))
            self.at_fault.add((self.job_file, line))
        self.faults += withdrawal_faults(self.withdrawn, self.check.known.jobs or ())
        if self.faults:
            return
        for number in filter(None, map(split_number, self.withdrawn)):
            latest, highest = self.numbers.get(number.prefix, ("", number))
            self.numbers[number.prefix] = (latest, max(highest, number))
        for _, number in sorted(self.numbers.values()):
            database.note_number(self.connection, number)
        keep_jobs(self.connection, self.touched, self.exponent, self.reason)
        note_withdrawals(self.connection, self.withdrawn, self.reason)
        show_with(self.connection, "import … --dry-run, of the same, tells what is not there")

    def account(self) -> str:
        """Say what became of the rows that were read, where any of them has a fault."""
        if not self.at_fault:
            return "Nothing was imported."
        rows = "1 row was" if self.n_read == 1 else f"{self.n_read} rows were"
        return (
            f"Nothing was imported: {rows} read, {self.n_read - len(self.at_fault)} of them without a fault."
        )

    def summary(self) -> ImportSummary:
        """Tell what was done."""
        names = {kind: tuple(sorted(found)) for kind, found in sorted(self.new_names.items())}
        return ImportSummary(dict(self.written), dict(self.equal), names)


def _differences(old: Mapping[str, Value], new: Mapping[str, Value]) -> list[Complaint]:
    return [
        (
            column,
            f"the ledger says {_or_empty(old[column])}, the file {_or_empty(value)}; correct one of them",
        )
        for column, value in new.items()
        if value != old[column]
    ]


def _or_empty(value: Any) -> str:
    return "nothing" if value is None else repr(str(value))


# A package into a ledger: one transaction, every fault listed, nothing written on any fault.


_UNKNOWN_FAMILY = "column family: no family "
_FAMILIES_FIRST = (
    "Families that are new are described first: put them into a families.csv with the columns family and "
    "kind, and import that."
)


def import_package(
    path: str | Path,
    ledger: "Ledger",
    *,
    layout: Layout | None = None,
    reason: str = "imported",
    dry_run: bool = False,
) -> ImportSummary:
    """Import a folder of CSV files into a ledger.

    Rows that the ledger holds already are passed over if they are equal, and are faults if they
    differ: a correction is an amendment, not an import.

    Parameters
    ----------
    path : str or Path
        The folder, with or without a `datapackage.json`.
    ledger : Ledger
        Where the rows go.
    layout : Layout, optional
        How the files differ from the documented form.
    reason : str
        Kept in the history.
    dry_run : bool
        Check everything, write nothing.

    Returns
    -------
    ImportSummary
        Rows written and passed over, and the names that are new.

    Raises
    ------
    InvalidInput
        With every fault of every file; nothing is imported then.
    """
    files, faults = find_files(Path(path))
    withdrawn, more = withdrawn_in(Path(path))
    return _import_files(files, faults + more, ledger, layout, reason, dry_run, withdrawn)


def import_table(
    path: str | Path,
    table: str,
    ledger: "Ledger",
    *,
    layout: Layout | None = None,
    reason: str = "imported",
    dry_run: bool = False,
) -> ImportSummary:
    """Import one CSV file, such as a spreadsheet's, as the rows of one table.

    Parameters
    ----------
    path : str or Path
        The file, whatever its name.
    table : str
        What its rows are.
    ledger : Ledger
        Where the rows go.
    layout : Layout, optional
        Its delimiter, its decimal comma, and its headers where they are not the columns' names.
    reason : str
        Kept in the history.
    dry_run : bool
        Check everything, write nothing.

    Returns
    -------
    ImportSummary
        As `import_package` gives it.

    Raises
    ------
    InvalidInput
        With every fault of the file; nothing is imported then.
    """
    if table not in TABLES:
        raise unknown("There is no table", table, TABLES)
    if not Path(path).exists():
        raise InvalidInput(f"There is no file {path}. Nothing was imported.")
    try:
        return _import_files({table: Path(path)}, [], ledger, layout, reason, dry_run)
    except InvalidInput as error:
        if not any(_UNKNOWN_FAMILY in fault for fault in error.faults):
            raise
        raise InvalidInput(error.message, [*error.faults, _FAMILIES_FIRST]) from None


def _import_files(
    files: Mapping[str, Path],
    faults: list[Fault],
    ledger: "Ledger",
    layout: Layout | None,
    reason: str,
    dry_run: bool,
    withdrawn: Sequence[str] = (),
) -> ImportSummary:
    def tables(connection: Connection) -> tuple[int, list[CsvTable]]:
        stated = currency_in(files, layout) or database.currency_of(connection)
        exponent = EXPONENTS[stated]
        return exponent, [CsvTable(file, TABLES[name], exponent, layout) for name, file in files.items()]

    return import_sources(ledger, tables, faults, reason, dry_run, withdrawn)
