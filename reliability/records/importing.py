"""Rows of any source into a ledger: one transaction, every fault listed, nothing written on any fault."""

from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, select

from reliability.errors import Fault, InvalidInput, question, refuse, unknown
from reliability.records import database, package
from reliability.records.checks import PARTS_OF_A_JOB, Complaint, Known, read_key
from reliability.records.database import HISTORY
from reliability.records.ledger import Ledger, faults_in, take_out, write_rows
from reliability.records.package import AS_DOCUMENTED, DESCRIPTOR, Layout, Source, csv_lines
from reliability.records.tables import TABLES, USUAL_NAMES, Table
from reliability.records.values import EXPONENTS, Number, Value, split_number, write_value

# What an import did, for whoever started it.


@dataclass(frozen=True)
class ImportSummary:
    """What an import did."""

    written: dict[str, int]  # rows by table that are new
    equal: dict[str, int]  # rows that the ledger held already just so
    new_names: dict[str, tuple[str, ...]]  # components, signs, kinds, makers and origins never seen before
    #: Rows that no table has a place for, counted by why: every row that was read is here or above.
    left_out: dict[str, int] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()  # what else the reader should know, such as rows like each other
    changes: tuple[str, ...] = ()  # every row that was corrected, and how


# Rows of any source into a ledger: one transaction, every fault listed, nothing written on any fault.

CHUNK = 10_000
#: Kinds of name of which an import tells the new ones, those first about which it asks.
KINDS_OF_NAME = ("kind", "component", "sign", "maker", "origin")
ASKED = KINDS_OF_NAME[:3]
#: Where each of them stands, by table and column.
_NAMED = {name: {column: kind for kind in KINDS_OF_NAME
                 for table, column in database.NAMES[kind] if table == name} for name in TABLES}  # fmt: skip


def import_sources(
    ledger: Ledger, sources: Callable[[Connection], Sequence[Source]], reason: str, *, dry_run: bool,
    faults: Iterable[Fault] = (), withdrawn: Sequence[str] = (), correct: bool = False,
    new_names: Collection[str] | None = None,
) -> ImportSummary:  # fmt: skip
    """Write rows of any source into a ledger in one transaction."""
    with ledger.writing() as connection:
        run = _Import(connection, reason, faults, correct, new_names)
        for source in sources(connection):
            run.read(source)
        run.finish(withdrawn)
        if dry_run:
            connection.rollback()
    names = {kind: tuple(sorted(found)) for kind, found in sorted(run.new_names.items())}
    return ImportSummary(dict(run.written), dict(run.equal), names, changes=tuple(run.changes))


class _Import:
    """One import under way."""

    def __init__(
        self, connection: Connection, reason: str, faults: Iterable[Fault], correct: bool,
        meant: Collection[str] | None,
    ) -> None:  # fmt: skip
        self.connection, self.reason, self.correct, self.meant = connection, reason, correct, meant
        self.faults, self.at_fault, self.n_read = list(faults), set[str](), 0
        self.written, self.equal = Counter[str](), Counter[str]()
        self.changes: list[str] = []
        self.touched, self.corrected = set[str](), set[str]()
        self.numbers: dict[str, tuple[str, Number]] = {}
        self.asked: set[tuple[str, str]] = set()
        self.new_names: dict[str, set[str]] = defaultdict(set)
        rows = database.referred_in(connection, ("families", "lots", "jobs", "sightings"))
        self.known = Known(rows)
        self.names = {kind: database.names_in(connection, kind) for kind in KINDS_OF_NAME}
        for what in ("component", "sign"):
            self.names[what] |= USUAL_NAMES[what]

    def read(self, source: Source) -> None:
        """Check every row of a file; write what is new or differs as long as there is no fault."""
        table = source.table
        held: dict[Any, database.Row] = {
            _key(table, row): row for row in database.fetch_rows(self.connection, table.name)
        }
        waiting: list[tuple[database.Row | None, dict[str, Value]]] = []
        for line in source.lines:
            self.n_read += source.n_read is None and line.row is not None
            if self.correct and line.row:  # a correction is laid over the row that the ledger holds
                line = line._replace(row={**held.get(read_key(table, line.row), {}), **line.row})
            row, faults = self.known.read(table, line, source.exponent)
            old = None if faults else held.get(_key(table, row))
            faults = faults or [Fault(line.place, *each) for each in self._complaints(table.name, row, old)]
            self.faults += faults
            if faults and line.row is not None:
                self.at_fault.add(line.place)
            elif old == row:
                self.equal[table.name] += 1
            elif not self.faults:
                waiting.append((old, row))
                if len(waiting) == CHUNK:
                    self._write(source, waiting)
                    waiting.clear()
        self.n_read += source.n_read or 0
        if not self.faults:
            self._write(source, waiting)

    def _complaints(self, name: str, row: Mapping[str, Any], old: database.Row | None) -> list[Complaint]:
        """Find what a row that is right in itself has against the ledger, or leaves in doubt."""
        found: list[Complaint] = []
        if old is not None and not self.correct:
            for column in (name for name, value in row.items() if value != old[name]):
                values = (old[column], row[column])
                said = ["nothing" if each is None else repr(str(each)) for each in values]
                told = f"the ledger says {said[0]}, the file {said[1]}; correct one of them"
                found.append((column, told))
        elif name == "settings" and row["setting"] == "currency":
            now, currency = database.currency_of(self.connection), row["value"]
            if currency != now and database.holds_amounts(self.connection):
                told = f"the ledger holds amounts in {now}; {currency} needs another ledger"
                found.append(("value", told))
        # Once about each name that is new and perhaps a slip of the pen.
        for column, what in _NAMED[name].items() if self.meant is not None else ():
            value = row[column]
            if value is not None and what in ASKED and (what, str(value)) not in self.asked:
                self.asked.add((what, str(value)))
                known = self.names[what] | USUAL_NAMES[what]
                if asked := question(what, str(value), known, self.meant):
                    found.append((column, asked))
        return found

    def _write(self, source: Source, rows: Sequence[tuple[database.Row | None, dict[str, Value]]]) -> None:
        """Write rows that are new, and the next version of those that differ from an old one."""
        table = source.table
        write_rows(self.connection, table.name, rows, source.exponent, self.reason)
        self.written += Counter(table.name for old, _ in rows if old is None)
        for old, row in rows:
            if old is not None:
                named = ", ".join(f"{part} {row[part]}" for part in table.key if row[part] not in (None, ""))
                told = [f"{name} {write_value(old[name]) or '(empty)'} -> {write_value(value) or '(empty)'}"
                        for name, value in row.items() if value != old[name]]  # fmt: skip
                self.changes.append(f"{table.name}, {named}: {', '.join(told)}")
                self.corrected.update([str(row["job"])] if "job" in table.key else ())
            for column, kind in _NAMED[table.name].items():
                if row[column] is not None and row[column] not in self.names[kind]:
                    self.names[kind].add(str(row[column]))
                    self.new_names[kind].add(str(row[column]))
            if table.name == "jobs" and not row["origin"]:
                self._number(str(row["job"]), str(row["taken_in"]))
        self.touched.update(str(row["job"]) for _, row in rows if "job" in table.key)

    def _number(self, job: str, taken_in: str) -> None:
        """Take note of a number that is given out: of its prefix the latest day, the highest number."""
        if number := split_number(job):
            latest, highest = self.numbers.get(number.prefix, ("", number))
            self.numbers[number.prefix] = (max(latest, taken_in), max(highest, number))

    def finish(self, withdrawn: Sequence[str]) -> None:
        """Test what needs all rows, then number and keep the versions of the jobs."""
        jobs, told = self.known.rows["jobs"], "withdraw it, or take the number out"
        self.faults += [Fault(DESCRIPTOR, "", f"{package.WITHDRAWN}: there is a job {number}; {told}")
                        for number in withdrawn if number in jobs]  # fmt: skip
        if not self.faults:
            self.faults += faults_in(self.connection, self.corrected)
        n_read, n_clean = self.n_read, self.n_read - len(self.at_fault)
        rows = "1 row was" if n_read == 1 else f"{n_read} rows were"
        account = f": {rows} read, {n_clean} of them without a fault." if self.at_fault else "."
        refuse(self.faults, f"Nothing was imported{account}")
        for job in withdrawn:
            self._number(job, "")
        for _, number in sorted(self.numbers.values()):
            database.note_number(self.connection, number)
        database.keep_jobs(self.connection, self.touched, self.reason)
        # Numbers that were given out and withdrawn stand in the history too, where it does not know them yet.
        query = select(HISTORY.c.key).where(HISTORY.c.what == "jobs", HISTORY.c.key.in_(withdrawn))
        known = set(self.connection.execute(query).scalars())
        gone = ((job, None) for job in withdrawn if job not in known)
        database.keep_versions(self.connection, "jobs", gone, self.reason)
        database.show_with(self.connection, "import … --dry-run, of the same, tells what is not there")


def _key(table: Table, row: Mapping[str, Value]) -> tuple[Value, ...]:
    return tuple(row[part] for part in table.key)


# Folders and files of CSV into a ledger.

_UNKNOWN_FAMILY = "column family: no family "
_FAMILIES_FIRST = (
    "Families that are new are described first: put them into a families.csv with the columns family and "
    "kind, and import that."
)
_BY_PLAN = (
    "A sheet with headers of its own comes in by a reading plan: `benchodds import {} --draft plan.toml` "
    "proposes one."
)


def import_package(
    path: str | Path, ledger: Ledger, *, layout: Layout = AS_DOCUMENTED, reason: str = "imported",
    dry_run: bool = False, correct: bool = False, new_names: Collection[str] | None = None,
    files: Mapping[str, Path] | None = None,
) -> ImportSummary:  # fmt: skip
    """Import a folder of CSV files into a ledger, or the files that are named by their tables.

    Rows that the ledger holds already are passed over if they are equal, and are faults if they
    differ: a correction is an amendment, not an import.
    """
    faults: list[Fault] = []
    withdrawn: Sequence[str] = ()
    if files is None:
        files, told, withdrawn, faults = package.look_into(Path(path))
        reason = database.DEMO_REASON if told.get(package.DEMO) is True else reason
        if told.get("name") == package.PACKAGE and not ledger.names("family"):
            new_names = None

    def tables(connection: Connection) -> list[Source]:
        exponent = EXPONENTS[package.currency_in(files, layout) or database.currency_of(connection)]
        return [Source(TABLES[name], csv_lines(file, TABLES[name], layout, partial=correct), exponent)
                for name, file in files.items()]  # fmt: skip

    return import_sources(ledger, tables, reason, dry_run=dry_run, faults=faults, withdrawn=withdrawn,
                          correct=correct, new_names=new_names)  # fmt: skip


def import_table(path: str | Path, table: str, ledger: Ledger, **how: Any) -> ImportSummary:
    """Import one CSV file with the columns of a table, as `import_package` does with a folder."""
    if table not in TABLES:
        raise unknown("There is no table", table, TABLES)
    if not Path(path).exists():
        raise InvalidInput(f"There is no file {path}. Nothing was imported.")
    try:
        return import_package(path, ledger, files={table: Path(path)}, **how)
    except InvalidInput as error:
        hints = [_FAMILIES_FIRST] if any(_UNKNOWN_FAMILY in fault for fault in error.faults) else []
        if any(fault.startswith(f"{Path(path).name}, line 1") for fault in error.faults):
            hints = [_BY_PLAN.format(Path(path).name)]
        raise InvalidInput(error.message, [*error.faults, *hints]) from None


# A whole import out again.

#: Tables with versions of their own, those that name others first.
_FROM_THE_LAST = [name for name in reversed(TABLES) if name not in ("settings", *PARTS_OF_A_JOB)]


def take_back_import(ledger: Ledger, reason: str, *, dry_run: bool = False) -> dict[str, int]:
    """Take out everything that was written for one reason, as an import does; its versions are kept."""
    with ledger.writing() as connection:
        written = _written_for(connection, reason)
        gone: dict[str, int] = {}
        for name in (name for name in _FROM_THE_LAST if name in written):
            table = TABLES[name]
            rows = [row for row in database.fetch_rows(connection, name)
                    if database.key_text(table, row) in written[name]]  # fmt: skip
            # What others name stays; what is part of a job goes with it.
            others = [column for column in database.references_to(name)
                      if name != "jobs" or TABLES[column.table.name].key[0] != "job"]  # fmt: skip
            in_use = {key for column in others for key in connection.execute(select(column)).scalars() if key}
            if name == "jobs":
                refuse([f"job {row['job']} is named on the shelf or by a sighting that came in otherwise"
                        for row in rows if row["job"] in in_use], "Nothing was taken back.")  # fmt: skip
            rows = [row for row in rows if row[table.key[0]] not in in_use]
            take_out(connection, name, rows, f"taken back: {reason}")
            gone |= {name: len(rows)} if rows else {}
        if not gone:
            raise InvalidInput(f"Nothing in the ledger was {reason}. Nothing was taken back.")
        database.show_with(connection, "import … --take-back, of the same, tells whether it is there still")
        if dry_run:
            connection.rollback()
    return gone


def _written_for(connection: Connection, reason: str) -> dict[str, set[str]]:
    """Find the keys of what was written for a reason; refuse what was changed since."""
    entries = HISTORY.c
    query = select(entries.what, entries.key, entries.reason, entries.content.is_(None))
    reasons: dict[tuple[str, str], set[str]] = {}
    for what, key, why, is_gone in connection.execute(query.order_by(entries.entry)):
        reasons[what, key] = set() if is_gone else reasons.get((what, key), set()) | {why}
    written: dict[str, set[str]] = defaultdict(set)
    changed = []
    for (what, key), why in reasons.items():
        if reason in why and what != "settings":
            written[what].add(key)
            if others := ", ".join(sorted(why - {reason})):
                changed.append(f"{what} {key} was changed since: {others}")
    refuse(changed, "Nothing was taken back.")
    return written
