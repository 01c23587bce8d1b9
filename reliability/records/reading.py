"""What can be read from an open ledger."""

import datetime
import re
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Connection, Engine, func, select
from sqlalchemy.engine import URL

from reliability.errors import LedgerError, UnknownName, unknown
from reliability.records import store
from reliability.records.checks import PARTS_OF_A_JOB, JobDocument
from reliability.records.faults import nearest
from reliability.records.numbering import number_after, split_number
from reliability.records.opening import shown_url, tolerant, transaction, worded
from reliability.records.problems import Problem
from reliability.records.schema import HISTORY, NUMBERING, SQL_TABLES
from reliability.records.tables import SETTINGS, TABLES, USUAL_COMPONENTS, USUAL_SIGNS
from reliability.records.values import Value, clean_text, read_value

#: By how much the clocks of machines that share a ledger may differ.
CLOCKS_APART = datetime.timedelta(minutes=10)
#: So many numbers left out at once are worth a word.
MANY_LEFT_OUT = 20


class LedgerReader:
    """An open ledger as far as it is only read.

    Parameters
    ----------
    engine : Engine
        As `open_ledger` prepares it.
    url : URL
        Where it is, for messages.
    notes : collection of str
        What the user should know of how it was opened.
    """

    def __init__(self, engine: Engine, url: URL, notes: Collection[str] = ()) -> None:
        self._engine = engine
        self._url = url
        self.notes = tuple(notes)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    @property
    def name(self) -> str:
        """Where the ledger is, without any password."""
        return shown_url(self._url)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Open a transaction that sees one state of the ledger."""
        with worded(self._url, done=""), transaction(self._engine) as connection:
            yield connection

    def next_job_number(self) -> str:
        """Tell the number that the next intake will get, if nobody else is quicker."""
        with self.reading() as connection:
            return store.next_number(connection)

    def job(self, job: str) -> JobDocument:
        """Read a whole job.

        Raises
        ------
        UnknownName
            If there is none of that number.
        """
        with self.reading() as connection:
            return document_in(connection, job, store.exponent_in(connection))

    def history(self, job: str) -> list[dict[str, Any]]:
        """Read every version of a job, oldest first: version, written_at, reason, content, damage.

        `content` is a JobDocument, or None where the job was withdrawn; `damage` says what keeps a
        version from being read, and is None where nothing does.
        """
        with self.reading() as connection, tolerant(connection):
            found = store.versions(connection, "jobs", clean_text(job))
            if not found:
                document_in(connection, job, 0)
            exponent = store.exponent_in(connection)
        versions = []
        for row in found:
            content = damage = None
            try:
                content = None if row.content is None else document_in_entry(row, exponent)
            except LedgerError as error:
                damage = str(error)
            versions.append({"version": row.version, "written_at": row.written_at, "reason": row.reason,
                             "content": content, "damage": damage})  # fmt: skip
        return versions

    def changed_since(self, day: datetime.date) -> bool:
        """Tell whether any job that was written by the end of a day was written again later."""
        from reliability.records.written_by import changed_since  # as in `check`

        with self.reading() as connection:
            return bool(changed_since(connection, day))

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
        return (
            f"the clock of this machine says {now:%Y-%m-%d %H:%M} UTC, but the ledger was last written at "
            f"{last}: set the clock, for the ledger tells by it what was known on a day"
        )

    def number_doubt(self, job: str) -> str | None:
        """Say so where a number that the bench gives a new job does not go on from its others."""
        number = split_number(job)
        with self.reading() as connection:
            taken = {row.prefix: row for row in connection.execute(select(NUMBERING))}
        if number is None or not taken:
            return None
        alike = {_without_digits(prefix) for prefix in taken}
        if number.prefix not in taken and _without_digits(number.prefix) in alike:
            return None  # the next year, or the next day
        if number.prefix not in taken:
            last = max(taken.values(), key=lambda row: row.turn)
            return (
                f"no other job's number is written as {job} is (the last one given out is "
                f"{number_after(last.prefix, last.last - 1, last.width)}): if it is another bench's number, "
                "take the job out again; the next intake goes on from it"
            )
        left = number.digits - taken[number.prefix].last - 1
        if left < MANY_LEFT_OUT:
            return None
        return f"{left} numbers before it were not given out; they count as jobs that nobody wrote up"

    def rows(self, table: str) -> list[dict[str, Value]]:
        """Read the current rows of a table, sorted by key (jobs by the day they came in first)."""
        if table not in TABLES:
            raise unknown("The ledger has no table", table, TABLES)
        with self.reading() as connection:
            return store.fetch_rows(connection, table, store.exponent_in(connection))

    def names(self, column: str) -> list[str]:
        """List known names of one kind, sorted; components and signs include the usual ones."""
        if column not in store.NAMES:
            raise unknown("The ledger keeps no names of", column, store.NAMES)
        with self.reading() as connection:
            found = store.names_in(connection, column)
        usual: Collection[str] = ()
        if column == "component":
            usual = {name for names in USUAL_COMPONENTS.values() for name in names}
        elif column == "sign":
            usual = USUAL_SIGNS
        return sorted(found | set(usual))

    def setting(self, name: str) -> Value:
        """Read a setting or its default: text, Decimal for money, float, int, or None."""
        if name not in SETTINGS:
            raise unknown("There is no setting", name, SETTINGS)
        with self.reading() as connection:
            exponent = store.exponent_in(connection)
            settings = SQL_TABLES["settings"]
            query = select(settings.c.value).where(settings.c.setting == name)
            text = connection.execute(query).scalar()
        text = SETTINGS[name].default if text is None else text
        return None if text is None else read_value(SETTINGS[name], text, exponent)

    def backup(self, path: str | Path) -> None:
        """Write a consistent copy to a new file, also while others write; the copy is checked.

        Raises
        ------
        LedgerError
            If the file exists, cannot be written, or the copy fails its check.
        """
        from reliability.records.backup import copy_to  # as in `check`

        with worded(self._url, " There is no backup."), self._engine.connect() as connection:
            copy_to(connection, Path(path))

    def check(self, *, today: datetime.date | None = None) -> list[Problem]:
        """Verify the ledger and name what is doubtful in it; `audit.check_ledger` says how."""
        # Writing down a job starts faster without the audit.
        from reliability.records.audit import check_ledger

        return check_ledger(self, today=today)


def _without_digits(prefix: str) -> str:
    return re.sub("[0-9]", "0", prefix)


def document_in(connection: Connection, job: str, exponent: int) -> JobDocument:
    """Read a whole job, or say that there is none."""
    found = store.fetch_document(connection, clean_text(str(job)), exponent)
    if found is not None:
        return found
    jobs = SQL_TABLES["jobs"].c.job
    count = connection.execute(select(func.count(jobs))).scalar_one()
    near = nearest(str(job), connection.execute(select(jobs)).scalars()) if count else ""
    raise UnknownName(f"The ledger holds no job {job!r}; it holds {count} jobs.{near}")


def document_in_entry(entry: Any, exponent: int) -> JobDocument:
    """Read a job as an entry of the history kept it.

    Raises
    ------
    LedgerError
        If the entry is damaged.
    """
    content = store.read_content(entry)
    try:
        return _document_of(content, exponent)
    except (AttributeError, KeyError, TypeError, ValueError, ArithmeticError):
        raise LedgerError(f"{store.entry_name(entry)} is damaged; restore it from a backup.") from None


def _document_of(content: Mapping[str, Any], exponent: int) -> JobDocument:
    document: JobDocument = {"job": store.from_json(TABLES["jobs"], content["job"], exponent)}
    for part in PARTS_OF_A_JOB:
        rows = [store.from_json(TABLES[part], {"job": "0", **row}, exponent) for row in content[part]]
        document[part] = [{name: value for name, value in row.items() if name != "job"} for row in rows]
    return document
