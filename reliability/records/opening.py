"""Finding, making and opening the database of a ledger, and wording what the database refuses."""

import datetime
import logging
import os
import re
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import (
    Column,
    Connection,
    Engine,
    RootTransaction,
    Table,
    create_engine,
    event,
    insert,
    inspect,
    select,
    update,
)
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.schema import CreateColumn

from reliability.errors import LedgerError, reason
from reliability.records.files import make_private
from reliability.records.schema import HISTORY, METADATA, SCHEMA_VERSION, VERSION, chained

BUSY_SECONDS = 30
#: The first with STRICT tables.
OLDEST_SQLITE = (3, 37, 0)
#: Less room than this on a disk that refuses, and it is called full.
_FULL_BELOW_BYTES = 1_000_000
_SECRETS = ("password", "passfile", "sslpassword")
#: Beside an open connection: the command that shows what it writes, and the file that it opened.
_LOOK, _FILE = "benchodds_look", "benchodds_file"

# What fails while a connection is given up would be printed with a traceback; we word what matters of it.
logging.getLogger("sqlalchemy").addHandler(logging.NullHandler())


class _OutcomeUnknown(LedgerError):
    """The end of a transaction failed: what it wrote is there, or not."""


def utc_now() -> str:
    """Time of writing, UTC, to the millisecond."""
    now = datetime.datetime.now(datetime.UTC)
    return now.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def parse_url(url: str | Path) -> URL:
    """Read a path or a database URL.

    Raises
    ------
    LedgerError
        If it is neither a file nor a database that a ledger can live in.
    """
    if isinstance(url, Path) or "://" not in url:
        return URL.create("sqlite", database=str(url))
    try:
        parsed = make_url(re.sub(r"^postgres(ql)?://", "postgresql+psycopg://", url))
    except (ArgumentError, ValueError):
        # The text itself may hold a password, so it is not repeated.
        raise LedgerError(
            "The ledger's URL cannot be read; write a file path, or sqlite:///FILE, or "
            "postgresql+psycopg://USER@HOST/DATABASE"
        ) from None
    if parsed.get_backend_name() not in ("sqlite", "postgresql"):
        raise LedgerError(f"A ledger lives in SQLite or PostgreSQL, not in {parsed.get_backend_name()!r}")
    if parsed.get_backend_name() == "sqlite" and parsed.database in (None, "", ":memory:"):
        raise LedgerError("A ledger is a file: name one, such as sqlite:///data/bench.db")
    if parsed.get_backend_name() == "postgresql" and "@" in f"{parsed.host}{parsed.database}":
        # What stands before it may be the end of a password, so nothing of it is repeated.
        raise LedgerError(
            "The ledger's URL has an @ in its host or database; in a user name or a password write @ as "
            "%40, / as %2F and : as %3A"
        )
    return parsed


def shown_url(url: URL) -> str:
    """Word a URL for messages: the path of a file, or the URL without any password."""
    if url.get_backend_name() == "sqlite":
        return str(url.database)
    return url.difference_update_query(_SECRETS).render_as_string(hide_password=True)


@contextmanager
def worded(url: URL, done: str = " Nothing was written.") -> Iterator[None]:
    """Turn what the database refuses into one clear message, without a password and without its own words.

    Parameters
    ----------
    url : URL
        Where the ledger is.
    done : str
        What is true of the ledger then. Of a transaction that only reads, nothing is said.

    Raises
    ------
    LedgerError
        In place of any error of the database or its driver.
    """
    try:
        yield
    except (SQLAlchemyError, sqlite3.Error, UnicodeError) as error:
        # A damaged file can give texts, of rows or of its errors, that are not UTF-8.
        raise _outcome_unknown(error) or LedgerError(f"{_refusal(error, url)}{done}") from None


def _outcome_unknown(error: BaseException) -> LedgerError | None:
    """Find what is said of a failed end of a transaction, where cleaning up after it failed too."""
    before = error.__context__
    while before is not None and not isinstance(before, _OutcomeUnknown):
        before = before.__context__
    return before


# fmt: off
#: What a code or a message of the database holds, as a regular expression, and what we say of it.
_ADVICE = (
    ("authentication failed", "does not let this user in: the user or the password is wrong"),
    ("no pg_hba.conf entry", "does not let this user in from here: its server's settings say who may come"),
    ("no password supplied", "asks for a password: write it in the URL, or in the file .pgpass"),
    ("terminating connection|closed the connection|connection is lost|57P01|08006|connection is closed|"
     "consuming input failed", "has cut the connection; try again once its server is back"),
    ("onnection refused|timeout expired|onnection timeout|could not receive data",
     "cannot be reached: no server answers there; is it running?"),
    ("resolve host|could not translate host|Name or service",
     "cannot be reached: there is no host of that name"),
    ('database ".*" does not exist|3D000', "does not exist there; its server makes one with: createdb"),
    ("57P03|starting up", "is starting up; try again in a moment"),
    ("53300|too many c", "has no room for one more connection; try again later"),
    ("53100", "cannot be written: the disk of its server is full"),
    ("42501", "does not let this user do that: whoever owns it has to grant reading and writing"),
    ("25006", "cannot be written: its server only lets it be read"),
    ("55P03|lock timeout|SQLITE_BUSY|database is locked",
     f"is being written by somebody else and was not free within {BUSY_SECONDS} s; try again. Where nobody "
     "writes, a lock was left behind on a network drive: copy the ledger to a disk of this machine"),
    ("40001|40P01", "was changed by somebody else at the same moment; try again"),
    ("SQLITE_PROTOCOL|locking protocol|IOERR_(RD)?LOCK|IOERR_UNLOCK",
     "cannot be locked: its disk, perhaps a network drive, keeps no locks, or one was left behind there; "
     "copy the ledger to a disk of this machine"),
    ("SQLITE_READONLY|readonly database", "cannot be written: the file or its folder is read-only"),
    ("SQLITE_CANTOPEN|unable to open",
     "cannot be opened: the file or its folder cannot be read and written"),
    ("SQLITE_FULL|disk is full", "cannot be written: the disk is full"),
    ("SQLITE_NOTADB|not a database", "is not a ledger, or is damaged; restore it from a backup"),
    ("SQLITE_CORRUPT|malformed|decode to UTF-8|codec can't|no such (table|column)|42P01|42703",
     "is damaged, or its disk reports errors; restore it from a backup"),
    ("SQLITE_IOERR|disk I/O error|58030", "cannot be read or written: the disk reports an error"),
    ("SQLITE_NOMEM|53200", "needs more memory than there is"),
    ("SQLITE_CONSTRAINT|SQLITE_MISMATCH|23...|22...",
     "does not take this: a rule of its tables is broken; `benchodds check` says whether it is whole"),
)
# fmt: on


def _refusal(error: Exception, url: URL) -> str:
    """Word an error: what is wrong in our words, and its code, for whoever looks after the database."""
    cause: Any = error.orig if isinstance(error, DBAPIError) and error.orig else error
    # Messages of a server come in its language; codes do not.
    code = getattr(cause, "sqlite_errorname", None) or getattr(cause, "sqlstate", None)
    shown, told = shown_url(url), f" ({code})" if code else ""
    if url.get_backend_name() == "sqlite" and _is_full(url, f"{code}"):
        return f"The ledger {shown} cannot be written: the disk is full{told}."
    for sign, advice in _ADVICE:
        if re.search(sign, f"{code} {cause}"):
            return f"The ledger {shown} {advice}{told}."
    return f"The ledger {shown} cannot do this: its database refuses ({code or type(cause).__name__})."


def _is_full(url: URL, code: str) -> bool:
    """Whether a disk that reports an error is full: SQLite calls only some of that so."""
    if not re.match("SQLITE_(IOERR|CANTOPEN)", code):
        return False
    try:
        return shutil.disk_usage(Path(str(url.database)).parent).free < _FULL_BELOW_BYTES
    except OSError:
        return False


def make_engine(url: URL, *, only_read: bool = False) -> Engine:
    """Build the engine; connections wait for each other, for so long, and keep what they acknowledge."""
    options: dict[str, Any] = {}
    if url.get_backend_name() == "postgresql":
        # One state of the ledger per transaction, as SQLite gives by itself.
        options["isolation_level"] = "REPEATABLE READ"
        # A server that was restarted in between is no reason to fail.
        options["pool_pre_ping"] = True
        asked = {"connect_timeout": BUSY_SECONDS, "tcp_user_timeout": 1000 * BUSY_SECONDS}
        options["connect_args"] = {name: value for name, value in asked.items() if name not in url.query}
    elif only_read:
        options["creator"] = _reader_of(Path(str(url.database)))
    try:
        engine = create_engine(url, **options)
    except (NoSuchModuleError, ModuleNotFoundError) as error:
        raise LedgerError(
            f"The driver for {shown_url(url)} is not installed ({error}); "
            "pip install 'benchodds[postgresql]' brings it"
        ) from None
    if engine.dialect.name == "sqlite":
        _refuse_old_sqlite()
        event.listen(engine, "connect", _prepare)
        # As it was found: a program may go on in another folder.
        file = Path(str(url.database)).absolute()
        event.listen(
            engine, "connect", lambda _, record: record.info.update({_FILE: (file, _identity(file))})
        )
        event.listen(engine, "begin", _begin)
    else:
        event.listen(engine, "connect", _limit_waiting)
    return engine


def _reader_of(file: Path) -> Callable[[], sqlite3.Connection]:
    # On such media there is no room for the log, and nobody else who writes.
    place = f"{file.resolve().as_uri()}?mode=ro&immutable=1"
    return lambda: sqlite3.connect(place, uri=True, check_same_thread=False)


def _refuse_old_sqlite() -> None:
    if sqlite3.sqlite_version_info < OLDEST_SQLITE:
        oldest = ".".join(map(str, OLDEST_SQLITE))
        raise LedgerError(
            f"This Python brings SQLite {sqlite3.sqlite_version}; a ledger needs {oldest} or newer: "
            "use a newer Python"
        )


def _prepare(connection: Any, _record: object) -> None:
    # Transactions are opened by `_begin`; the driver would open them too late.
    connection.isolation_level = None
    connection.execute(f"PRAGMA busy_timeout = {BUSY_SECONDS * 1000}")
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA synchronous = FULL")


def _limit_waiting(connection: Any, _record: object) -> None:
    connection.execute(f"SET lock_timeout = '{BUSY_SECONDS}s'")
    connection.commit()


def _begin(connection: Connection) -> None:
    # A writer takes the lock before it reads, so two can never be given the same number.
    writes = connection.get_execution_options().get("benchodds_writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _identity(file: Path) -> tuple[int, int] | None:
    """Tell one file from another that came to stand at its place."""
    try:
        found = file.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


@contextmanager
def transaction(engine: Engine, *, write: bool = False) -> Iterator[Connection]:
    """Open one transaction; a writing one shuts other writers out until it ends."""
    with engine.connect() as bare:
        connection = bare.execution_options(benchodds_writes=write)
        with connection.begin() as turn:
            if is_replaced(connection):
                raise LedgerError(
                    f"The ledger {shown_url(engine.url)} was replaced or taken away while it was open. "
                    "Nothing was written; open it again."
                )
            show_with(connection, "check")
            if write and engine.dialect.name == "postgresql":
                connection.exec_driver_sql("LOCK TABLE schema_version IN EXCLUSIVE MODE")
            yield connection
            if not turn.is_active:  # a dry run has taken everything back by now
                return
            if write:
                _commit(connection, turn)
            else:
                turn.commit()


# fmt: off
#: What SQLite finds in a damaged file, as a regular expression, and what we say of it.
_DAMAGES = (
    (r"^(?:non-)?[A-Z]+ value in (\w+)\.(\w+)$", r"table \1, column \2: a value is of another kind"),
    (r"^row \d+ missing from index ([a-z]+)\w*$", r"a row is missing in what finds the rows of \1"),
    (r"^(wrong # of entries|non-unique entry) in index ([a-z]+)\w*$",
     r"what finds the rows of \2 does not fit them"),
    (r"^CHECK constraint failed in (\w+)$", r"table \1: a rule of its own is broken"),
)
# fmt: on


def worded_damage(found: str) -> str:
    """Word a line of what SQLite says when it checks its own file."""
    for sign, words in _DAMAGES:
        if re.match(sign, found):
            return re.sub(sign, words, found)
    return "some of its pages cannot be read, or its disk reports errors"


@contextmanager
def tolerant(connection: Connection) -> Iterator[None]:
    """Read texts that are not UTF-8 too, odd bytes as lone surrogates, so that damage can be named."""
    if connection.dialect.name != "sqlite":  # a server keeps no such text
        yield
        return
    driver: Any = connection.connection.driver_connection
    driver.text_factory = lambda raw: raw.decode("utf-8", "surrogateescape")
    try:
        yield
    finally:
        driver.text_factory = str


def show_with(connection: Connection, command: str) -> None:
    """Note the command that shows what a transaction writes, for the case that its end fails."""
    connection.info[_LOOK] = command


def is_replaced(connection: Connection) -> bool:
    """Whether another file stands where the ledger was when it was opened."""
    if connection.dialect.name != "sqlite":
        return False
    file, identity = connection.info[_FILE]
    return bool(identity != _identity(file))


def _commit(connection: Connection, turn: RootTransaction) -> None:
    """End a transaction that wrote.

    Raises
    ------
    LedgerError
        If it fails: then only looking tells whether the transaction was kept.
    """
    url, look = connection.engine.url, connection.info[_LOOK]
    try:
        turn.commit()
    except DBAPIError as error:
        such = _refusal(error, url)
        connection.invalidate(error)  # the transaction may still be open in it, and would hold the lock
    else:
        if not is_replaced(connection):
            return
        such = f"The ledger {shown_url(url)} was replaced or taken away while it was being written."
    raise _OutcomeUnknown(
        f"{such} That was at the very end, so it is not known whether what was to be written is there: it is "
        f"either all there or not at all. Look before you try again: benchodds {look}"
    ) from None


def open_engine(url: URL, *, create: bool, notes: list[str] | None = None) -> Engine:
    """Open the database of a ledger, make it first if asked to, and bring an older one up to date.

    Parameters
    ----------
    url : URL
        Where it is.
    create : bool
        Whether to make it where there is none.
    notes : list of str, optional
        What the user should know of how it was opened is added here.

    Raises
    ------
    LedgerError
        If there is none and none is to be made, or if it is not a ledger that this version reads.
    """
    shown, said = shown_url(url), [] if notes is None else notes
    only_read = False
    if url.get_backend_name() == "sqlite":
        file = Path(str(url.database))
        try:
            only_read = _find_file(file, shown, create=create)
        except OSError as error:
            raise LedgerError(f"The ledger {shown} cannot be opened: {reason(error)}.") from None
    if only_read:
        said.append(f"{shown} cannot be written here: it is read as it stands, and nothing can be added")
    engine = make_engine(url, only_read=only_read)
    try:
        with worded(url):
            _check_version(engine, shown, said, create=create, only_read=only_read)
    except BaseException:
        engine.dispose()
        raise
    return engine


def _find_file(file: Path, shown: str, *, create: bool) -> bool:
    """Find the file of a ledger, or make it; say whether it can only be read."""
    if file.exists():
        return _can_only_be_read(file, shown)
    if file.is_symlink():
        raise LedgerError(f"The ledger {shown} is a link to something that is not there; mend the link")
    if not create:
        raise LedgerError(
            f"There is no ledger {shown}. `benchodds intake`, `add` and `import` make one; "
            "name another with --ledger or BENCHODDS_LEDGER"
        )
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LedgerError(f"The folder for the ledger {file} cannot be made: {reason(error)}") from None
    try:
        handle = os.open(file, os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0), 0o600)
    except FileExistsError:  # somebody else makes it at the same moment
        return False
    try:
        make_private(file.parent, handle)
    finally:
        os.close(handle)
    return False


def _can_only_be_read(file: Path, shown: str) -> bool:
    if os.access(file, os.W_OK) and os.access(file.parent, os.W_OK):
        return False
    log = file.with_name(file.name + "-wal")
    if log.exists() and log.stat().st_size:
        raise LedgerError(
            f"The ledger {shown} cannot be written here, and its last changes still lie in {log.name}: copy "
            "both files to a folder that you may write in, and open the ledger there"
        )
    return file.stat().st_size > 0


def _check_version(engine: Engine, shown: str, notes: list[str], *, create: bool, only_read: bool) -> None:
    with transaction(engine) as connection:
        if engine.dialect.name == "postgresql":
            _refuse_other_encodings(connection, shown)
        tables = inspect(connection).get_table_names()
    if VERSION.name not in tables:
        if tables:
            raise LedgerError(f"{shown} is a database, but not a ledger (it has no table {VERSION.name})")
        if not create:
            raise LedgerError(f"{shown} is empty. `benchodds intake`, `add` and `import` make a ledger of it")
    if engine.dialect.name == "sqlite" and not only_read:
        _keep_log(engine)
    if VERSION.name not in tables:
        _create(engine)
    with transaction(engine) as connection:
        version = _version_in(connection, shown)
    if version < SCHEMA_VERSION and only_read:
        raise LedgerError(
            f"The ledger {shown} was written by an older version of benchodds (schema {version}) and has to "
            "be brought up to date, but it cannot be written here: copy it to a folder that you may write in"
        )
    if version < SCHEMA_VERSION:
        _bring_up_to_date(engine, shown)
        notes.append(f"{shown} was brought up to date from schema {version} to {SCHEMA_VERSION}; older "
                     "versions of benchodds cannot open it any more")  # fmt: skip


def _refuse_other_encodings(connection: Connection, shown: str) -> None:
    encoding = connection.exec_driver_sql("SHOW server_encoding").scalar_one()
    if encoding != "UTF8":
        raise LedgerError(
            f"The database {shown} keeps its texts in {encoding}, and a ledger needs UTF8: make another one "
            "with createdb --encoding UTF8 --template template0"
        )


def _version_in(connection: Connection, shown: str) -> int:
    found = connection.execute(select(VERSION.c.version)).scalars().all()
    if len(found) != 1 or found[0] < 1:
        rows = "no row" if not found else f"the rows {', '.join(map(str, sorted(found)))}"
        raise LedgerError(
            f"The ledger {shown} does not say which version it has: its table {VERSION.name} holds {rows} "
            f"where one number from 1 to {SCHEMA_VERSION} belongs. It is damaged; restore it from a backup"
        )
    if found[0] > SCHEMA_VERSION:
        raise LedgerError(
            f"The ledger {shown} was written by a newer version of benchodds (schema {found[0]}; this one "
            f"reads up to {SCHEMA_VERSION}): update benchodds. Nothing was written."
        )
    return int(found[0])


def _keep_log(engine: Engine) -> None:
    """Let writers and readers work side by side; a copy made by other means may have lost that."""
    with engine.connect() as connection:
        cursor = connection.connection.cursor()
        if cursor.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
            cursor.execute("PRAGMA journal_mode = WAL")


def _create(engine: Engine) -> None:
    options: dict[str, Any] = {"benchodds_writes": True}
    if engine.dialect.name == "postgresql":
        # Whoever waits for the lock has to see what its holder made meanwhile.
        options["isolation_level"] = "READ COMMITTED"
    with engine.connect() as bare, bare.execution_options(**options).begin():
        if engine.dialect.name == "postgresql":
            bare.exec_driver_sql("SELECT pg_advisory_xact_lock(hashtext('benchodds makes a ledger'))")
        # Somebody else may have made it while this one waited for the lock.
        if VERSION.name not in inspect(bare).get_table_names():
            METADATA.create_all(bare, checkfirst=False)
            bare.execute(insert(VERSION).values(version=SCHEMA_VERSION, made_at=utc_now()))


def _bring_up_to_date(engine: Engine, shown: str) -> None:
    """Take an older ledger through every version since, in one transaction."""
    with transaction(engine, write=True) as connection:
        # Somebody else may have done it while this one waited for the lock.
        for version in range(_version_in(connection, shown), SCHEMA_VERSION):
            MIGRATIONS[version](connection)
            connection.execute(update(VERSION).values(version=version + 1))


def _add_column(connection: Connection, table: Table, column: Column[Any]) -> None:
    described = CreateColumn(column).compile(dialect=connection.dialect)
    connection.exec_driver_sql(f"ALTER TABLE {table.name} ADD COLUMN {described}")


def _chain_history(connection: Connection) -> None:
    """Give every entry of the history a digest over itself and the entry before."""
    _add_column(connection, HISTORY, HISTORY.c.digest)
    found = connection.execute(select(HISTORY).order_by(HISTORY.c.entry)).all()
    for entry in chained((row._asdict() for row in found), ""):
        this = HISTORY.c.entry == entry["entry"]
        connection.execute(update(HISTORY).where(this).values(digest=entry["digest"]))


#: What brings a ledger of a version to the next one.
MIGRATIONS: dict[int, Callable[[Connection], None]] = {1: _chain_history}
