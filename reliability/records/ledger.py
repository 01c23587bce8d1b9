"""The ledger: jobs and reference rows in a database that keeps every version of them."""

import datetime
import json
import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from hashlib import sha256
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import local
from typing import TYPE_CHECKING, Any, Self

from sqlalchemy import Column, Connection, Engine, delete, func, insert, select, update
from sqlalchemy.engine import URL

from reliability.errors import (
    Fault,
    InvalidInput,
    LedgerError,
    Refused,
    UnknownName,
    counted,
    nearest,
    refuse,
    unknown,
)
from reliability.records import checks, database
from reliability.records.checks import PARTS_OF_A_JOB, JobDocument, Known, Taken
from reliability.records.database import HISTORY, NUMBERING, SQL_TABLES, VERSION
from reliability.records.tables import SETTINGS, TABLES, USUAL_NAMES, Table
from reliability.records.values import (
    Value,
    clean_text,
    number_after,
    read_value,
    split_number,
    stated_exponent,
)

if TYPE_CHECKING:
    from reliability.records.audit import Problem

# What can be read from an open ledger.

#: By how much the clocks of machines that share a ledger may differ.
CLOCKS_APART = datetime.timedelta(minutes=10)
#: So many numbers left out at once are worth a word.
MANY_LEFT_OUT = 20


def faults_in(connection: Connection, jobs: Iterable[str]) -> Iterator[Fault]:
    """Check jobs whose rows were written one by one: the rules between the rows of each."""
    for job in sorted(jobs):
        document: Any = database.fetch_document(connection, job)
        for fault in checks.clean_document(document, exponent=database.exponent_in(connection))[1]:
            yield Fault(f"job {job}, {fault.place}", fault.column, fault.message)


# Checked writes, each within a transaction that the caller holds.

Row = Mapping[str, Any]


def write_job(
    connection: Connection, document: JobDocument, new_components: Collection[str], reason: str, *,
    old: JobDocument | None = None, faults: Collection[Fault | str] = (), new_model: bool = False,
) -> Row:  # fmt: skip
    """Check a whole job and write it as the next version of `old`, or as a new one; give its row of jobs.

    A new one without a number gets the next one. The name on its front panel is kept as a model of its family
    if that is asked for and it is new.
    """
    job = document.get("job", {})
    document = {**document, "job": {**job, "job": job.get("job") or database.next_number(connection)}}
    components = _components_in(connection) | set(map(clean_text, new_components))
    is_its = SQL_TABLES["models"].c.model == clean_text(str(document["job"].get("model")))
    models: Any = {row["model"]: row["family"] for row in database.fetch_rows(connection, "models", is_its)}
    known = Known(database.referred_in(connection, ("families", "lots")), components, models)
    exponent = database.exponent_in(connection)
    clean, more = checks.clean_document(document, exponent=exponent, known=known)
    number = str(clean["job"]["job"])
    if clean["job"]["origin"] and not job.get("job"):
        such = "a job of elsewhere (origin) keeps its number; none is given out for it"
        more.append(Fault("job", "job", such))
    if old is None and database.fetch_rows(connection, "jobs", SQL_TABLES["jobs"].c.job == number):
        more.append(Fault("job", "job", f"there is a job {number} already"))
    if old is not None and clean["job"]["outcome"] == "open" != old["job"]["outcome"]:
        kept = database.fetch_rows(connection, "shelf", SQL_TABLES["shelf"].c.job == number)
        more += [Fault("job", "outcome", f"part {row['part']} on the shelf was kept of it: it cannot be open")
                 for row in kept]  # fmt: skip
    for part in PARTS_OF_A_JOB:
        clean[part].sort(key=partial(database.sort_key, TABLES[part]))
    content = database.document_content(clean)
    if old is not None and not (faults or more) and content == database.document_content(old):
        more.append(Fault("job", "", f"job {number} says so already"))
    refuse([*faults, *more])
    row: Row = clean["job"]
    if old is not None:
        database.remove_parts(connection, number)
    elif not row["origin"] and (parts := split_number(number)):
        database.note_number(connection, parts)
    for name, rows in (("jobs", [row]), *((part, clean[part]) for part in PARTS_OF_A_JOB)):
        before = old["job"] if old and name == "jobs" else None
        write_rows(connection, name, [(before, each) for each in rows], exponent, reason)
    database.keep_versions(connection, "jobs", [(number, content)], reason)
    if new_model and row["model"] not in (None, *models):
        named = {"model": row["model"], "family": row["family"]}
        refuse(put_rows(connection, "models", [named], f"on the front panel of job {number}"))
    database.show_with(connection, f"show {number} --history")
    return row


def _components_in(connection: Connection) -> set[str]:
    return database.names_in(connection, "component") | USUAL_NAMES["component"]


def add_new(connection: Connection, table: str, rows: Iterable[Row], reason: str) -> list[Fault]:
    """Insert families or lots that a job brings with it; one that is known must not be described anew."""
    (column,), hint = TABLES[table].key, "; leave its price out" if table == "lots" else ""
    known, rows = database.names_in(connection, column), list(rows)
    twice = [row for row in rows if clean_text(str(row.get(column))) in known]
    faults = [Fault(f"new {column}", column, f"{row[column]!r} is in the ledger already{hint}")
              for row in twice]  # fmt: skip
    found = put_rows(connection, table, [row for row in rows if row not in twice], reason)
    return faults + [replace(each, place=f"new {column}") for each in found]


def put_rows(connection: Connection, table: str, rows: Iterable[Row], reason: str) -> list[Fault]:
    """Insert reference rows or write their next versions; on any fault write none and return them all."""
    if not (rows := list(rows)):
        return []
    olds = [_find(connection, table, row) for row in rows]
    exponent = stated_exponent(rows if table == "settings" else (), database.exponent_in(connection))
    known = Known(database.referred_in(connection, TABLES[table].references.values()))
    merged = [{**(old or {}), **row} for old, row in zip(olds, rows, strict=True)]
    lines = [checks.Line(f"{table}, row {place}", row) for place, row in enumerate(merged, 1)]
    cleaned, faults = checks.check_rows({table: lines}, exponent, known)
    clean = cleaned[table]
    for row in clean if table == "settings" and not faults else ():
        if such := database.other_currency(connection, row):
            faults.append(Fault("settings", "value", such))
    changed = [(old, row) for old, row in zip(olds, clean, strict=True) if row != old]
    write_rows(connection, table, [] if faults else changed, exponent, reason)
    return faults


def _find(connection: Connection, table: str, row: Row) -> database.Row | None:
    if (key := checks.read_key(TABLES[table], row)) is None:
        return None
    is_it = database.key_test(table, dict(zip(TABLES[table].key, key, strict=True)))
    return next(iter(database.fetch_rows(connection, table, is_it)), None)


def write_rows(
    connection: Connection, name: str, rows: Sequence[tuple[Row | None, database.Row]], exponent: int,
    reason: str,
) -> None:  # fmt: skip
    """Write clean rows, each the next version of the old one beside it, or new where that is None."""
    table, sql = TABLES[name], SQL_TABLES[name]
    amounts = [column.name for column in table if column.kind == "money"]
    stored: list[dict[str, Any]] = [dict(row) for _, row in rows]
    for row in stored:  # amounts are kept in minor units
        row |= {each: int(row[each].scaleb(exponent)) for each in amounts if row[each] is not None}
    if new := [row for (old, _), row in zip(rows, stored, strict=True) if old is None]:
        connection.execute(insert(sql), new)
    for (old, clean), row in zip(rows, stored, strict=True):
        if old is not None:
            connection.execute(update(sql).where(database.key_test(name, clean)), row)
    if "job" not in table.key:  # a job is kept in the history as a whole, once all of it is there
        database.keep_rows(connection, name, [row for _, row in rows], reason)


def _count(connection: Connection, column: Column[Any], value: object) -> int:
    return connection.execute(select(func.count()).where(column == value)).scalar_one()


def take_out(connection: Connection, table: str, rows: Collection[database.Row], reason: str) -> None:
    """Take rows out that nothing refers to, a job with all that belongs to it; their versions are kept."""
    for row in rows:
        if table == "jobs":
            database.remove_parts(connection, str(row["job"]))
        connection.execute(delete(SQL_TABLES[table]).where(database.key_test(table, row)))
    database.keep_rows(connection, table, rows, reason, gone=True)


# The ledger: jobs and reference rows in a database that keeps every version of them.

#: Tables that `put` writes; jobs and what belongs to them go in as whole documents.
REFERENCE_TABLES = tuple(name for name, table in TABLES.items() if "job" not in table.key)


def open_ledger(url: str | Path, *, create: bool = False) -> "Ledger":
    """Open a ledger.

    Parameters
    ----------
    url : str or Path
        A file, or a SQLAlchemy URL of SQLite or PostgreSQL.
    create : bool
        Whether to make it where there is none.

    Returns
    -------
    Ledger
        To be closed by the caller; it is a context manager too.

    Raises
    ------
    LedgerError
        If there is none, it cannot be opened, or is not a ledger that this version reads.
    """
    parsed = database.parse_url(url)
    notes: list[str] = []
    return Ledger(database.open_engine(parsed, create=create, notes=notes), parsed, notes)


@contextmanager
def trial_ledger() -> Iterator["Ledger"]:
    """Give an empty ledger that is thrown away: what fails on it leaves none behind."""
    with TemporaryDirectory() as folder, open_ledger(f"{folder}/trial.db", create=True) as ledger:
        yield ledger


class Ledger:
    """An open ledger, as `open_ledger` gives it; any number of readers and writers may share it.

    Every method is one transaction, or part of the one that `writing` has opened.

    Attributes
    ----------
    notes : tuple of str
        What the user should know of how it was opened.
    """

    def __init__(self, engine: Engine, url: URL, notes: Collection[str] = ()) -> None:
        self._engine, self._url, self.notes = engine, url, tuple(notes)
        self._own = local()  # the writing transaction of each thread

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    @property
    def name(self) -> str:
        """Where the ledger is, without any password."""
        return database.shown_url(self._url)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Open a transaction that sees one state of the ledger."""
        if (turn := getattr(self._own, "turn", None)) is not None:
            yield turn
            return
        with database.worded(self._url, done=""), database.transaction(self._engine) as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Open a transaction that shuts other writers out; it writes all or nothing. One in it joins it."""
        if (turn := getattr(self._own, "turn", None)) is not None:
            yield turn
            return
        with database.worded(self._url), database.transaction(self._engine, write=True) as connection:
            self._own.turn = connection
            try:
                yield connection
            finally:
                self._own.turn = None

    @property
    def holds_demo(self) -> bool:
        """Whether it began with the demo: it is one to try the commands on."""
        with self.reading() as connection:
            return database.holds_demo(connection)

    @property
    def is_empty(self) -> bool:
        """Whether nothing was ever written to it."""
        with self.reading() as connection:
            return connection.execute(select(HISTORY.c.entry).limit(1)).first() is None

    def job(self, job: str) -> JobDocument:
        """Read a whole job, or say that there is none."""
        with self.reading() as connection:
            found = database.fetch_document(connection, clean_text(str(job)))
            if found is not None:
                return found
            jobs = list(connection.execute(select(SQL_TABLES["jobs"].c.job)).scalars())
        if self.was_withdrawn(str(job)):
            raise UnknownName(
                f"Job {job} was withdrawn; its versions are kept: benchodds show {job} --history"
            )
        held = f"it holds {counted(len(jobs), 'job')}.{nearest(str(job), jobs)}"
        raise UnknownName(f"The ledger holds no job {job!r}; {held}")

    def was_withdrawn(self, job: str) -> bool:
        """Tell whether a number was given out, and its job withdrawn."""
        with self.reading() as connection:
            return clean_text(job) in database.withdrawn_numbers(connection)

    def history(self, key: str, table: str = "jobs") -> list[dict[str, Any]]:
        """Read every version of a job or of a reference row, oldest first."""
        with self.reading() as connection, database.tolerant(connection):
            found = database.versions(connection, table, clean_text(key))
        if not found and table == "jobs":
            self.job(key)
        versions = []
        for row in found:
            said = {"version": row.version, "written_at": row.written_at, "reason": row.reason}
            try:
                versions.append({**said, "content": database.read_entry(row), "damage": None})
            except LedgerError as error:
                versions.append({**said, "content": None, "damage": str(error)})
        return versions

    def changed_since(self, day: datetime.date) -> bool:
        """Tell whether anything that was written by the end of a day was written again later."""
        from reliability.records.frames import UNDATED, told_then  # as in `check`

        with self.reading() as connection:
            told = told_then(connection, day)
        return any(name in ("jobs", *UNDATED) or row for name, rows in told.items() for row in rows.values())

    def clock_doubt(self) -> str | None:
        """Say so where this machine's clock is behind the last entry of the history."""
        with self.reading() as connection:
            last = connection.execute(select(func.max(HISTORY.c.written_at))).scalar()
        now = datetime.datetime.now(datetime.UTC)
        try:
            behind = datetime.datetime.fromisoformat(str(last)) - now if last else None
        except ValueError:  # `check` names an entry that is damaged
            return None
        if behind is None or behind < CLOCKS_APART:
            return None
        return (f"the clock of this machine says {now:%Y-%m-%d %H:%M} UTC, but the ledger was last written "
                f"at {last}: set the clock, for the ledger tells by it what was known on a day")  # fmt: skip

    def number_doubt(self, job: str) -> str | None:
        """Say so where a number that the bench gives a new job does not go on from its others."""
        number = split_number(job)
        with self.reading() as connection:
            taken = {row.prefix: row for row in connection.execute(select(NUMBERING))}
        if number is None or not taken:
            return None
        alike = {re.sub("[0-9]", "0", prefix) for prefix in taken}
        if number.prefix not in taken and re.sub("[0-9]", "0", number.prefix) in alike:
            return None  # the next year, or the next day
        if number.prefix not in taken:
            last = max(taken.values(), key=lambda row: row.turn)
            return (f"no other job's number is written as {job} is (the last one given out is "
                    f"{number_after(last.prefix, last.last - 1, last.width)}): if it is another bench's "
                    "number, take the job out again; the next intake goes on from it")  # fmt: skip
        left = number.digits - taken[number.prefix].last - 1
        if left < MANY_LEFT_OUT:
            return None
        return f"{left} numbers before it were not given out; they count as jobs that nobody wrote up"

    def rows(self, table: str, **cells: object) -> list[dict[str, Value]]:
        """Read the current rows of a table, or those with such cells, by key (jobs by day of intake)."""
        if table not in TABLES:
            raise unknown("The ledger has no table", table, TABLES)
        such = [SQL_TABLES[table].c[name] == value for name, value in cells.items()]
        with self.reading() as connection:
            return database.fetch_rows(connection, table, *such)

    def names(self, column: str) -> list[str]:
        """List known names of one kind, sorted; components and signs include the usual ones."""
        if column not in database.NAMES:
            raise unknown("The ledger keeps no names of", column, database.NAMES)
        with self.reading() as connection:
            found = database.names_in(connection, column)
        return sorted(found | (USUAL_NAMES[column] if column in ("component", "sign") else set()))

    def shelf(self) -> dict[int, dict[str, Value]]:
        """Read every part that was ever on the shelf, by number."""
        return {int(str(row["part"])): row for row in self.rows("shelf")}

    def _part(self, part: int) -> database.Row:
        if part not in (shelf := self.shelf()):
            raise UnknownName(f"There is no part {part}; {len(shelf)} parts were ever on the shelf.")
        return shelf[part]

    def setting(self, name: str) -> Value:
        """Read a setting or its default: text, Decimal for money, float, int, or None."""
        if name not in SETTINGS:
            raise unknown("There is no setting", name, SETTINGS)
        with self.reading() as connection:
            exponent = database.exponent_in(connection)
            text = database.settings_in(connection).get(name, SETTINGS[name].default)
        return None if text is None else read_value(SETTINGS[name], text, exponent)

    def backup(self, path: str | Path) -> None:
        """Write a consistent copy to a new file, also while others write; the copy is checked."""
        with database.worded(self._url, " There is no backup."), self._engine.connect() as connection:
            database.copy_to(connection, Path(path))

    def check(self, *, today: datetime.date | None = None) -> "list[Problem]":
        """Verify the ledger and name what is doubtful in it; `audit.check_ledger` says how."""
        # Writing down a job starts faster without the audit.
        from reliability.records.audit import check_ledger

        return check_ledger(self, today=today)

    def intake(self, document: JobDocument, **brought: Any) -> str:
        """Take a unit in: give it the next number and write it as open, with what `add` takes beside it."""
        job = {**document.get("job", {}), "job": None, "outcome": "open"}
        return self.add({**document, "job": job}, reason="taken in", **brought)

    def add(
        self, document: JobDocument, *, new_families: Iterable[Row] = (),
        new_components: Collection[str] = (), new_model: bool = False, new_lots: Iterable[Row] = (),
        reason: str = "added", kept: Sequence[Row] = (), taken: Sequence[Taken] = (),
        faults: Iterable[Fault | str] = (),
    ) -> str:  # fmt: skip
        """Append a job, or finish the open job that the document names; `faults` were found in it before."""
        number = document.get("job", {}).get("job")
        with self.writing() as connection:
            old = database.fetch_document(connection, clean_text(number)) if isinstance(number, str) else None
            found: list[Fault | str] = [*faults, *add_new(connection, "families", new_families, reason)]
            found += add_new(connection, "lots", new_lots, reason)
            if old is not None and (outcome := old["job"]["outcome"]) != "open":
                such = f"job {old['job']['job']} is finished already ({outcome}); amend corrects it"
                refuse([*found, Fault("job", "job", such)])
            merged, more = checks.lay_parts(document, taken, self.shelf(), number)
            merged = checks.merge_document(old, merged, emptying=False) if old else merged
            found += more + self._kept_faults(connection, kept, new_components)
            if kept and merged["job"].get("outcome") in (None, "open"):
                found.append(Fault("kept", "", "parts are kept of a unit that is no longer open"))
            job = write_job(connection, merged, new_components, reason, old=old, faults=found,
                            new_model=new_model)  # fmt: skip
            rows = [{"family": job["family"], "job": job["job"], "kept_on": job["closed"], **row}
                    for row in kept]  # fmt: skip
            self._keep(connection, rows)
            used = {"used_in": job["job"], "gone_on": job["closed"]}
            refuse(put_rows(connection, "shelf", [{"part": each.part, **used} for each in taken], "used"))
        return str(job["job"])

    def keep_part(self, row: Row, *, new_components: Collection[str] = ()) -> int:
        """Put a part on the shelf (a row of shelf without its number); give the number."""
        with self.writing() as connection:
            if row.get("job") is not None:
                job = self.job(row["job"])["job"]
                row = {**row, "family": row.get("family") or job["family"]}
            names = f" {row['component']!r}"  # one part: its flag needs no name
            refuse([replace(each, message=each.message.removesuffix(names))
                    for each in self._kept_faults(connection, [row], new_components)])  # fmt: skip
            return self._keep(connection, [row])

    def _kept_faults(
        self, connection: Connection, kept: Sequence[Row], new_components: Collection[str]
    ) -> list[Fault]:
        known = _components_in(connection) | set(map(clean_text, new_components)) if kept else set[str]()
        return checks.kept_faults(kept, known, database.exponent_in(connection))

    def _keep(self, connection: Connection, rows: Sequence[Row]) -> int:
        """Put parts on the shelf under the next numbers; give the first."""
        first = max(self.shelf(), default=0) + 1
        numbered = [{"part": number, **row} for number, row in enumerate(rows, first)]
        refuse(put_rows(connection, "shelf", numbered, "kept"))
        return first

    def use_part(self, part: int, job: str, on: object, *, position: str = "", found: str = "failed") -> None:
        """Fit a part from the shelf in a job: its finding says replaced, salvaged, at the part's worth."""
        with self.writing() as connection:
            component, old = str(self._part(part)["component"]), self.job(job)
            if self._part(part)["job"] == old["job"]["job"]:
                raise InvalidInput(f"Part {part} was kept of job {job} itself. Nothing was written.")
            new = {"component": component, "position": position, "found": found}
            row: dict[str, Any] = next((dict(each) for each in old["findings"] if (each["component"],
                                        each["position"]) == (component, position)), new)  # fmt: skip
            row |= dict.fromkeys(("action", "part_source", "part_cost"))
            taken = [Taken(part, component, position)]
            laid, faults = checks.lay_parts({"findings": [row]}, taken, self.shelf(), None)
            refuse(faults)
            self.amend(job, laid, reason=f"part {part} of the shelf fitted")
            gone = {"part": part, "used_in": old["job"]["job"], "gone_on": on}
            refuse(put_rows(connection, "shelf", [gone], "used"))

    def drop_part(self, part: int, on: object) -> None:
        """Throw a part out that lies on the shelf."""
        with self.writing() as connection:
            if (gone_on := self._part(part)["gone_on"]) is not None:
                raise InvalidInput(f"Part {part} lies no more on the shelf: it went on {gone_on}.")
            refuse(put_rows(connection, "shelf", [{"part": part, "gone_on": on}], "thrown out"))

    def amend(
        self, job: str, changes: Mapping[str, Any], *, reason: str, new_components: Collection[str] = ()
    ) -> int:
        """Write a new version of a job; the old one is kept."""
        if not reason.strip():
            raise InvalidInput("An amendment needs a reason; it is kept in the history. Nothing was written.")
        with self.writing() as connection:
            old = self.job(job)
            named = changes.get("job", {}).get("job", old["job"]["job"])
            if named != old["job"]["job"]:
                told = f"A job keeps its number: {job} cannot become {named!r}"
                raise InvalidInput(f"{told}. Nothing was written.")
            merged = checks.merge_document(old, changes, emptying=True)
            written = write_job(connection, merged, new_components, reason, old=old)
            return len(database.versions(connection, "jobs", str(written["job"])))

    def sold(self, job: str, price: object, on: object) -> Row:
        """Record the sale of a unit; give its row of jobs."""
        with self.writing():
            before = self.job(job)["job"]
            if before["outcome"] == "open":
                raise InvalidInput(f"Job {job} is still open: first say how it ended (`benchodds blank "
                                   f"{before['family']!r} --job {before['job']}` prints its sheet, in which "
                                   "the sale may stand too), then add it.")  # fmt: skip
            if before["sold_for"] is not None or before["sold_on"] is not None:
                then = f"{before['sold_for'] or 'price not known'}, {before['sold_on'] or 'day not known'}"
                raise InvalidInput(f"Job {job} was sold already ({then}); amend corrects it.")
            self.amend(job, {"job": {"sold_for": price, "sold_on": on}}, reason="sold")
            return self.job(job)["job"]

    def followup(self, job: str, row: Row, *, new_components: Collection[str] = ()) -> None:
        """Record what became of a repaired unit (a row of followups without the job)."""
        self.amend(job, {"followups": [dict(row)]}, reason="followed up", new_components=new_components)

    def withdraw(self, job: str, *, reason: str) -> None:
        """Take a job out that never was one; its versions stay, its number is not used again."""
        if not reason.strip():
            raise InvalidInput("A withdrawal needs a reason; it is kept in the history. Nothing was written.")
        with self.writing() as connection:
            row = self.job(job)["job"]
            # What refers to it lets go of it: its parts lie on the shelf as if of no job.
            for table, column, more in (
                ("sightings", "job", ()), ("shelf", "job", ()), ("shelf", "used_in", ("gone_on",))
            ):  # fmt: skip
                key, emptied = TABLES[table].key[0], dict.fromkeys((column, *more))
                rows = database.fetch_rows(connection, table, SQL_TABLES[table].c[column] == row["job"])
                refuse(put_rows(connection, table, [{key: each[key], **emptied} for each in rows], reason))
            take_out(connection, "jobs", [row], reason)

    def put(self, table: str, rows: Iterable[Row], *, reason: str) -> None:
        """Insert reference rows, or write new versions of them."""
        if table not in REFERENCE_TABLES:
            raise unknown("put writes no table", table, REFERENCE_TABLES)
        with self.writing() as connection:
            refuse(put_rows(connection, table, rows, reason))

    def correct(
        self, table: str, row: Row, *, reason: str = "", remove: bool = False
    ) -> tuple[database.Row | None, database.Row | None]:
        """Add one reference row, write its next version, or take it out; every version is kept."""
        if table not in REFERENCE_TABLES:
            raise unknown("correct writes no table", table, REFERENCE_TABLES)
        with self.writing() as connection:
            old = _find(connection, table, row)
            if remove:
                if old is None:
                    raise InvalidInput(f"There is no such row in {table}. Nothing was written.")
                if table == "sightings" and old["job"] is not None:
                    told = f"{old['sighting']!r} was taken in as job {old['job']}: it was seen, and stays."
                    raise InvalidInput(f"{told} Nothing was written.")
                if table == "sightings":  # what it showed goes with it
                    of_it = SQL_TABLES["sighting_signs"].c["sighting"] == old["sighting"]
                    signs = database.fetch_rows(connection, "sighting_signs", of_it)
                    take_out(connection, "sighting_signs", signs, "written down by mistake")
                for column in database.references_to(table):
                    named = old.get(column.name)
                    if count := _count(connection, column, named):
                        told = f"{counted(count, 'row')} of {column.table.name} refer to {column.name} "
                        told += f"{named!r}: it cannot be taken out. Nothing was written."
                        raise InvalidInput(told)
                take_out(connection, table, [old], reason or "taken out")
                return old, None
            said = reason.strip() or ("added" if old is None else "corrected")
            refuse(put_rows(connection, table, [row], said))
            new = _find(connection, table, row)
            if new == old:
                raise InvalidInput(f"The ledger says so already ({table}). Nothing was written.")
        return old, new

    def rename(
        self, what: str, old: str, new: str, *, merge: bool = False, reason: str = ""
    ) -> tuple[dict[str, int], list[str]]:
        """Rename a family, model, kind, component or sign; every row that changes gets its next version.

        Where two rows of reference fall together, the one of the new name stands; what the other says
        besides is dropped, and given by table beside the count of rows. Two findings or signs of one job that
        fall together must say the same.
        """
        if what not in RENAMED:
            raise unknown("Renamed are", what, RENAMED)
        names = {what, "ended_by"} if what == "component" else {what}
        columns = [(table, each.name) for table in TABLES.values() for each in table if each.name in names]
        try:
            new = str(read_value(columns[0][0][columns[0][1]], clean_text(new) or None))
        except Refused as error:
            raise InvalidInput(f"The new name {error.message}. Nothing was written.") from None
        old = clean_text(old)
        told = f"{what} {old!r} {'merged into' if merge else 'renamed'} {new!r}"
        told = f"{told}: {reason.strip()}" if reason.strip() else told
        with self.writing() as connection:
            _refuse_renaming(connection, what, old, new, columns, merge)
            return _rename_rows(connection, old, new, columns, told)


# Renaming a family, model, kind, component or sign everywhere, or merging it into one that exists.

RENAMED = ("family", "model", "kind", "component", "sign")


def _refuse_renaming(
    connection: Connection, what: str, old: str, new: str, columns: Sequence[tuple[Table, str]], merge: bool
) -> None:
    """Refuse to rename what is not there, to merge by mistake, or what is not of one kind or family."""
    counts = {old: 0, new: 0}
    for table, column in columns:
        for name in counts:
            counts[name] += _count(connection, SQL_TABLES[table.name].c[column], name)
    such, rows = "", counted(counts[new], "row")
    if not counts[old]:
        raise unknown(f"The ledger holds no {what}", old, database.names_in(connection, what))
    if old == new:
        such = f"The {what} is called {new!r} already."
    elif counts[new] and not merge:
        such = f"There is a {what} {new!r} already, in {rows}; --merge puts the two together."
    elif merge and not counts[new]:
        such = f"There is no {what} {new!r} to merge into; leave out --merge to rename."
    elif what in ("family", "model"):
        table_of_it, shared = ("families", "kind") if what == "family" else ("models", "family")
        is_one = SQL_TABLES[table_of_it].c[what].in_([old, new])
        found = {row[what]: row[shared] for row in database.fetch_rows(connection, table_of_it, is_one)}
        if len(set(found.values())) > 1:
            such = f"{old!r} is of {shared} {found[old]!r}, {new!r} of {found[new]!r}: they are merged only "
            such += "once they agree; correct one of them first."
    if such:
        raise InvalidInput(f"{such} Nothing was written.")


def _rename_rows(
    connection: Connection, old: str, new: str, columns: Sequence[tuple[Table, str]], reason: str
) -> tuple[dict[str, int], list[str]]:
    """Rename in every table; the old family goes last, once nothing refers to it."""
    faults: list[Fault] = []
    touched: set[str] = set()
    removed: list[tuple[str, database.Row]] = []
    done: dict[str, int] = {}
    dropped: list[str] = []
    exponent = database.exponent_in(connection)
    for table, column in columns:
        name, is_key = table.name, column in table.key
        for row in database.fetch_rows(connection, name, SQL_TABLES[name].c[column] == old):
            done[name] = done.get(name, 0) + 1
            changed = {**row, column: new}
            held = _find(connection, name, changed) if is_key else None
            if "job" in table.key:  # a row of the new name has to say the same
                touched.add(str(row["job"]))
                sql = SQL_TABLES[name]
                query = update(sql).values({column: new}) if held is None else delete(sql)
                connection.execute(query.where(database.key_test(name, row)))
                differs = ", ".join(f"{cell} {row[cell]} and {value}" for cell, value in (held or {}).items()
                                    if value != changed[cell])  # fmt: skip
                such = f"holds {old!r} and {new!r}, which say different things ({differs}); amend the job "
                such += "first, so that one of them is left"
                faults += [Fault(f"job {row['job']}", column, such)] if differs else []
            elif held is None:
                write_rows(connection, name, [(None if is_key else row, changed)], exponent, reason)
            elif more := {cell: value for cell, value in changed.items() if value not in (None, held[cell])}:
                dropped.append(f"{name}, " + ", ".join(f"{cell} {value}" for cell, value in more.items()))
            removed += [(name, row)] if is_key and "job" not in table.key else []
    for name, row in reversed(removed):
        take_out(connection, name, [row], reason)
    database.keep_jobs(connection, touched, reason)
    refuse(faults)
    return done, dropped


# Whether a ledger is still the one that something was worked out from.


def ledger_mark(ledger: "Ledger") -> str:
    """Give a mark that changes with every write, without reading the records.

    Every write adds to the history, and nothing is ever taken out of it: its length and its last
    entry tell one state of a ledger from every other.
    """
    columns = HISTORY.c
    last = select(columns.entry, columns.key, columns.written_at).order_by(columns.entry.desc()).limit(1)
    with ledger.reading() as connection:
        made = connection.execute(select(VERSION.c.version, VERSION.c.made_at)).one()
        count = connection.execute(select(func.count(columns.entry))).scalar_one()
        newest = connection.execute(last).first()
    state = [ledger.name, *made, count, *(newest or ())]
    return sha256(json.dumps(state).encode()).hexdigest()
