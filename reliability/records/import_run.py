"""Rows of any source into a ledger: one transaction, every fault listed, nothing written on any fault."""

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from sqlalchemy import Connection, insert, select

from reliability.records import store
from reliability.records.bulk_history import keep_jobs, keep_rows
from reliability.records.columns import Table
from reliability.records.csv_files import Line
from reliability.records.faults import Fault, refuse
from reliability.records.import_summary import ImportSummary
from reliability.records.numbering import Number, split_number
from reliability.records.opening import show_with
from reliability.records.package_check import PackageCheck
from reliability.records.schema import SQL_TABLES
from reliability.records.tables import TABLES, USUAL_COMPONENTS, USUAL_SIGNS
from reliability.records.ties import Complaint, JobFacts, Known
from reliability.records.values import Value
from reliability.records.withdrawals import note_withdrawals, withdrawal_faults

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger

CHUNK = 10_000
_NAMED = {
    "families": {"kind": "kind", "maker": "maker"},
    "jobs": {"ended_by": "component", "origin": "origin"},
    "findings": {"component": "component"},
    "signs": {"sign": "sign"},
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
        jobs = SQL_TABLES["jobs"]
        facts = select(jobs.c.job, *(jobs.c[name] for name in JobFacts._fields))
        self.check = PackageCheck(
            Known(
                families=store.names_in(self.connection, "family"),
                jobs={row[0]: JobFacts(*row[1:]) for row in self.connection.execute(facts)},
            )
        )
        for job, component, states in store.ended_jobs(self.connection):
            self.check.remember_end(job, component, states)
        self.names = {kind: store.names_in(self.connection, kind)
                      for kind in ("component", "sign", "kind", "maker", "origin")}  # fmt: skip
        self.names["component"] |= {name for usual in USUAL_COMPONENTS.values() for name in usual}
        self.names["sign"] |= set(USUAL_SIGNS)

    def read(self, source: Source) -> None:
        """Check every row of a file; write the new ones as long as there is no fault."""
        name = source.table.name
        held = {self._key(name, row): row
                for row in store.fetch_rows(self.connection, name, self.exponent)}  # fmt: skip
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
        self, name: str, line: Line, held: Mapping[tuple[Value, ...], store.Row]
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
        now = store.currency_of(self.connection)
        if currency == now or not store.holds_amounts(self.connection):
            return []
        return [("value", f"the ledger holds amounts in {now}; {currency} needs another ledger")]

    def _write(self, name: str, rows: list[dict[str, Value]]) -> None:
        if not rows:
            return
        table = TABLES[name]
        self.connection.execute(
            insert(SQL_TABLES[name]), [store.to_sql(table, row, self.exponent) for row in rows]
        )
        self.written[name] += len(rows)
        for row in rows:
            self._note(name, row)
        if "job" in table.names:
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
            store.note_number(self.connection, number)
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
