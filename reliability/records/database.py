"""The database of a ledger: its schema and versions, opening it, rows in and out, a consistent copy."""

import datetime
import json
import logging
import os
import re
import shutil
import sqlite3
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from decimal import Decimal
from functools import partial
from hashlib import sha256
from itertools import islice
from pathlib import Path
from typing import Any
from weakref import WeakSet

import sqlalchemy as sa
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.schema import AddConstraint, CreateColumn

from reliability.errors import LedgerError, reason
from reliability.records import tables
from reliability.records.checks import PARTS_OF_A_JOB, JobDocument, JobFacts
from reliability.records.files import fresh_file, make_private
from reliability.records.tables import SETTINGS, TABLES, Table, quoted
from reliability.records.values import Number, Value, exponent_of, number_after, read_value

# The database tables, built from the description of the tables.

#: Raised by one whenever a ledger written before could no longer be read.
SCHEMA_VERSION = 3

METADATA = sa.MetaData()

# A server sorts as its locale says; SQLite and Python sort by code point, and so must a shared ledger.
_TEXT: sa.types.TypeEngine[Any] = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
# STRICT tables know neither FLOAT nor BIGINT; SQLite's INTEGER has 64 bits anyway.
_REAL: sa.types.TypeEngine[Any] = sa.Double().with_variant(sa.REAL(), "sqlite")
_BIG: sa.types.TypeEngine[Any] = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_TYPES: dict[str, sa.types.TypeEngine[Any]] = {
    **dict.fromkeys(("text", "choice", "date"), _TEXT), **dict.fromkeys(("year", "count"), sa.Integer()),
    **dict.fromkeys(("hours", "number"), _REAL), "money": _BIG,
}  # fmt: skip


def _build(table: tables.Table) -> sa.Table:
    """Build a table of the database, with what every row must hold as named CHECKs."""
    columns, tests = [], {}
    for column in table:
        name, keys = column.name, []
        if other := table.references.get(name):
            keys.append(sa.ForeignKey(f"{other}.{TABLES[other].key[0]}"))
        is_open = not column.required and column.default is None
        columns.append(sa.Column(name, _TYPES[column.kind], *keys, nullable=is_open, autoincrement=False))
        if column.required and column.kind == "text":
            tests[f"{name}_not_empty"] = f"length({name}) > 0"
        if column.allowed:
            tests[f"{name}_allowed"] = f"{name} IN ({quoted(column.allowed)})"
        if column.kind == "date":
            tests[f"{name}_is_a_date"] = f"({name} LIKE '____-__-__' OR {name} LIKE '____-__')"
        bounds = ((">=", column.minimum), ("<=", column.maximum), (">", column.above))
        if given := [f"{name} {sign} {bound:.12g}" for sign, bound in bounds if bound is not None]:
            tests[f"{name}_in_bounds"] = " AND ".join(given)
    tests |= {rule.name.replace(" ", "_"): rule.sql for rule in table.rules}
    checks = (sa.CheckConstraint(test, name=f"{table.name}_{name}") for name, test in tests.items())
    is_certain = all(table[name].required or table[name].default is not None for name in table.key)
    key = [sa.PrimaryKeyConstraint(*table.key)] if is_certain else []
    built = sa.Table(table.name, METADATA, *columns, *key, *checks, sqlite_strict=True)
    if not is_certain:
        # An empty cell differs from every other one in SQL, so a plain key would let doubles in.
        parts = [sa.func.coalesce(built.c[name], -1 if table[name].kind == "number" else "")
                 for name in table.key]  # fmt: skip
        sa.Index(f"{table.name}_key", *parts, unique=True)
    return built


#: The documented tables in the database, by name.
SQL_TABLES: dict[str, sa.Table] = {name: _build(table) for name, table in TABLES.items()}

# "Was this component ever seen?" is asked whenever a job is added.
sa.Index("findings_component", SQL_TABLES["findings"].c.component)

#: Every version of everything that was ever written; a digest over each entry and the digest before it.
HISTORY = sa.Table(
    "history",
    METADATA,
    sa.Column("entry", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("what", _TEXT, nullable=False),
    sa.Column("key", _TEXT, nullable=False),
    sa.Column("version", sa.Integer, nullable=False),
    sa.Column("written_at", _TEXT, nullable=False),
    sa.Column("reason", _TEXT, nullable=False),
    sa.Column("content", _TEXT),
    sa.Column("digest", _TEXT, nullable=False, server_default=""),
    sa.UniqueConstraint("what", "key", "version"),
    sa.CheckConstraint("version >= 1", name="history_version_in_bounds"),
    sqlite_strict=True,
)

_DIGESTED = ("what", "key", "version", "written_at", "reason", "content")


def chained(entries: Iterable[Mapping[str, Any]], before: str) -> Iterator[dict[str, Any]]:
    """Give entries of the history, in their order, the digests that prove them."""
    for entry in entries:
        text = json.dumps([before, *(entry[name] for name in _DIGESTED)])
        before = sha256(text.encode()).hexdigest()
        yield {**entry, "digest": before}


#: The highest job number given out under each prefix; the newest prefix has the highest turn.
NUMBERING = sa.Table(
    "numbering", METADATA,
    sa.Column("prefix", _TEXT, primary_key=True), sa.Column("last", _BIG, nullable=False),
    sa.Column("width", sa.Integer, nullable=False), sa.Column("turn", sa.Integer, nullable=False),
    sqlite_strict=True,
)  # fmt: skip

#: One row: which version of this schema the ledger has.
VERSION = sa.Table(
    "schema_version", METADATA,
    sa.Column("version", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("made_at", _TEXT, nullable=False), sqlite_strict=True,
)  # fmt: skip


# Finding, making and opening the database of a ledger, and wording what the database refuses.

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
    """Read a path or a database URL."""
    if isinstance(url, Path) or "://" not in url:
        return URL.create("sqlite", database=str(url))
    try:
        parsed = make_url(re.sub(r"^postgres(ql)?://", "postgresql+psycopg://", url))
    except (ArgumentError, ValueError):
        # The text itself may hold a password, so it is not repeated.
        raise LedgerError("The ledger's URL cannot be read; write a file path, or sqlite:///FILE, or "
                          "postgresql+psycopg://USER@HOST/DATABASE") from None  # fmt: skip
    if parsed.get_backend_name() not in ("sqlite", "postgresql"):
        raise LedgerError(f"A ledger lives in SQLite or PostgreSQL, not in {parsed.get_backend_name()!r}")
    if parsed.get_backend_name() == "sqlite" and parsed.database in (None, "", ":memory:"):
        raise LedgerError("A ledger is a file: name one, such as sqlite:///data/bench.db")
    if parsed.get_backend_name() == "postgresql" and "@" in f"{parsed.host}{parsed.database}":
        # What stands before it may be the end of a password, so nothing of it is repeated.
        raise LedgerError("The ledger's URL has an @ in its host or database; in a user name or a password "
                          "write @ as %40, / as %2F and : as %3A")  # fmt: skip
    return parsed


def shown_url(url: URL) -> str:
    """Word a URL for messages: the path of a file, or the URL without any password."""
    if url.get_backend_name() == "sqlite":
        return str(url.database)
    return url.difference_update_query(_SECRETS).render_as_string(hide_password=True)


@contextmanager
def worded(url: URL, done: str = " Nothing was written.") -> Iterator[None]:
    """Turn what the database refuses into one clear message, without a password and without its own words."""
    try:
        yield
    except (SQLAlchemyError, sqlite3.Error, UnicodeError) as error:
        # A damaged file can give texts, of rows or of its errors, that are not UTF-8.
        before = error.__context__  # the end of a transaction failed, and then cleaning up after it
        while before is not None and not isinstance(before, _OutcomeUnknown):
            before = before.__context__
        raise before or LedgerError(f"{_refusal(error, url)}{done}") from None


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
    if url.get_backend_name() == "sqlite" and re.match("SQLITE_(IOERR|CANTOPEN)", f"{code}"):
        with suppress(OSError):  # SQLite calls only some disks full that are
            if shutil.disk_usage(Path(str(url.database)).parent).free < _FULL_BELOW_BYTES:
                return f"The ledger {shown} cannot be written: the disk is full{told}."
    for sign, advice in _ADVICE:
        if re.search(sign, f"{code} {cause}"):
            return f"The ledger {shown} {advice}{told}."
    return f"The ledger {shown} cannot do this: its database refuses ({code or type(cause).__name__})."


class _FileConnection(sqlite3.Connection):
    """A connection whose end lets its file go: a cursor that an error still holds would keep it open."""

    def __init__(self, *given: Any, **more: Any) -> None:
        super().__init__(*given, **more)
        self._cursors: WeakSet[sqlite3.Cursor] = WeakSet()

    def cursor(self, *given: Any) -> Any:
        made = super().cursor(*given)
        self._cursors.add(made)
        return made

    def close(self) -> None:
        for each in list(self._cursors):
            each.close()
        super().close()


def make_engine(url: URL, *, only_read: bool = False) -> sa.Engine:
    """Build the engine; connections wait for each other, for so long, and keep what they acknowledge."""
    options: dict[str, Any] = {}
    if url.get_backend_name() == "postgresql":
        # One state of the ledger per transaction, as SQLite gives by itself; and a server that was restarted
        # in between is no reason to fail.
        options |= {"isolation_level": "REPEATABLE READ", "pool_pre_ping": True}
        asked = {"connect_timeout": BUSY_SECONDS, "tcp_user_timeout": 1000 * BUSY_SECONDS}
        options["connect_args"] = {name: value for name, value in asked.items() if name not in url.query}
    else:
        options["connect_args"] = {"factory": _FileConnection}
    if only_read:
        # On such media there is no room for the log, and nobody else who writes.
        place = f"{Path(str(url.database)).resolve().as_uri()}?mode=ro&immutable=1"
        how = {"uri": True, "check_same_thread": False, "factory": _FileConnection}
        options["creator"] = partial(sqlite3.connect, place, **how)
    try:
        engine = sa.create_engine(url, **options)
    except (NoSuchModuleError, ModuleNotFoundError) as error:
        raise LedgerError(f"The driver for {shown_url(url)} is not installed ({error}); pip install "
                          "'benchodds[postgresql]' brings it") from None  # fmt: skip
    file = Path(str(url.database)).absolute()  # a program may go on in another folder

    def prepare(connection: Any, record: Any) -> None:
        if engine.dialect.name != "sqlite":
            connection.execute(f"SET lock_timeout = '{BUSY_SECONDS}s'")
            connection.commit()
            return
        # Transactions are opened by `begin`; the driver would open them too late.
        connection.isolation_level = None
        for asked in (f"busy_timeout = {BUSY_SECONDS * 1000}", "foreign_keys = ON", "synchronous = FULL"):
            connection.execute(f"PRAGMA {asked}")
        record.info[_FILE] = (file, _identity(file))

    def begin(connection: sa.Connection) -> None:
        # A writer takes the lock before it reads, so two can never be given the same number.
        writes = connection.get_execution_options().get("benchodds_writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    sa.event.listen(engine, "connect", prepare)
    if engine.dialect.name == "sqlite":
        if sqlite3.sqlite_version_info < OLDEST_SQLITE:
            oldest = ".".join(map(str, OLDEST_SQLITE))
            raise LedgerError(f"This Python brings SQLite {sqlite3.sqlite_version}; a ledger needs {oldest} "
                              "or newer: use a newer Python")  # fmt: skip
        sa.event.listen(engine, "begin", begin)
    return engine


def _identity(file: Path) -> tuple[int, int] | None:
    """Tell one file from another that came to stand at its place."""
    try:
        found = file.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


@contextmanager
def transaction(engine: sa.Engine, *, write: bool = False) -> Iterator[sa.Connection]:
    """Open one transaction; a writing one shuts other writers out until it ends."""
    with engine.connect() as bare:
        connection = bare.execution_options(benchodds_writes=write)
        with connection.begin() as turn:
            if is_replaced(connection):
                raise LedgerError(f"The ledger {shown_url(engine.url)} was replaced or taken away while it "
                                  "was open. Nothing was written; open it again.")  # fmt: skip
            show_with(connection, "check")
            if write and engine.dialect.name == "postgresql":
                connection.exec_driver_sql("LOCK TABLE schema_version IN EXCLUSIVE MODE")
            yield connection
            if write and turn.is_active:  # a dry run has taken everything back by now
                _commit(connection, turn)


def worded_damage(found: Sequence[str]) -> str:
    """Word what SQLite says when it checks its own file: whatever it is, only a backup helps."""
    more = f" and {len(found) - 1} more" if found[1:] else ""
    return f"its own check says {' '.join(found[0].split())!r}{more}"


@contextmanager
def tolerant(connection: sa.Connection) -> Iterator[None]:
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


def show_with(connection: sa.Connection, command: str) -> None:
    """Note the command that shows what a transaction writes, for the case that its end fails."""
    connection.info[_LOOK] = command


def is_replaced(connection: sa.Connection) -> bool:
    """Whether another file stands where the ledger was when it was opened."""
    if connection.dialect.name != "sqlite":
        return False
    file, identity = connection.info[_FILE]
    return bool(identity != _identity(file))


def _commit(connection: sa.Connection, turn: sa.RootTransaction) -> None:
    """End a transaction that wrote."""
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
    raise _OutcomeUnknown(f"{such} That was at the very end, so it is not known whether what was to be "
                          "written is there: it is either all there or not at all. Look before you try "
                          f"again: benchodds {look}") from None  # fmt: skip


def open_engine(url: URL, *, create: bool, notes: list[str]) -> sa.Engine:
    """Open the database of a ledger, make it first if asked to, and bring an older one up to date."""
    shown, only_read = shown_url(url), False
    if url.get_backend_name() == "sqlite":
        try:
            only_read = _find_file(Path(str(url.database)), shown, create=create)
        except OSError as error:
            raise LedgerError(f"The ledger {shown} cannot be opened: {reason(error)}.") from None
    if only_read:
        notes.append(f"{shown} cannot be written here: it is read as it stands, and nothing can be added")
    engine = make_engine(url, only_read=only_read)
    try:
        with worded(url):
            _check_version(engine, shown, notes, create=create, only_read=only_read)
    except BaseException:
        engine.dispose()
        raise
    return engine


def _find_file(file: Path, shown: str, *, create: bool) -> bool:
    """Find the file of a ledger, or make it; say whether it can only be read."""
    if file.exists():
        log = file.with_name(file.name + "-wal")
        if os.access(file, os.W_OK) and os.access(file.parent, os.W_OK):
            return False
        if log.exists() and log.stat().st_size:
            raise LedgerError(f"The ledger {shown} cannot be written here, and its last changes still lie in "
                              f"{log.name}: copy both files to a folder that you may write in, and open the "
                              "ledger there")  # fmt: skip
        return file.stat().st_size > 0
    if file.is_symlink():
        raise LedgerError(f"The ledger {shown} is a link to something that is not there; mend the link")
    if not create:
        raise LedgerError(f"There is no ledger {shown}. `benchodds set`, `intake`, `add` and `import` make "
                          "one; name another with --ledger or BENCHODDS_LEDGER")  # fmt: skip
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


def _check_version(engine: sa.Engine, shown: str, notes: list[str], *, create: bool, only_read: bool) -> None:
    is_file = engine.dialect.name == "sqlite"
    with transaction(engine) as connection:
        encoding = "UTF8" if is_file else connection.exec_driver_sql("SHOW server_encoding").scalar_one()
        tables = sa.inspect(connection).get_table_names()
    if encoding != "UTF8":
        raise LedgerError(f"The database {shown} keeps its texts in {encoding}, and a ledger needs UTF8: "
                          "make another one with createdb --encoding UTF8 --template template0")  # fmt: skip
    if tables and VERSION.name not in tables:
        raise LedgerError(f"{shown} is a database, but not a ledger (it has no table {VERSION.name})")
    if not tables and not create:
        raise LedgerError(
            f"{shown} is empty. `benchodds set`, `intake`, `add` and `import` make a ledger of it"
        )
    if is_file and not only_read:
        # Writers and readers work side by side by it; a copy made by other means may have lost that.
        with engine.connect() as connection, closing(connection.connection.cursor()) as cursor:
            if cursor.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
                cursor.execute("PRAGMA journal_mode = WAL")
    if not tables:
        _create(engine)
    with transaction(engine) as connection:
        version = _version_in(connection, shown)
    if version < SCHEMA_VERSION and only_read:
        raise LedgerError(f"The ledger {shown} was written by an older version of benchodds (schema "
                          f"{version}) and has to be brought up to date, but it cannot be written here: copy "
                          "it to a folder that you may write in")  # fmt: skip
    if version < SCHEMA_VERSION:
        with transaction(engine, write=True) as connection:
            # Somebody else may have done it while this one waited for the lock.
            for each in range(_version_in(connection, shown), SCHEMA_VERSION):
                MIGRATIONS[each](connection)
                connection.execute(sa.update(VERSION).values(version=each + 1))
        notes.append(f"{shown} was brought up to date from schema {version} to {SCHEMA_VERSION}; older "
                     "versions of benchodds cannot open it any more")  # fmt: skip


def _version_in(connection: sa.Connection, shown: str) -> int:
    found = connection.execute(sa.select(VERSION.c.version)).scalars().all()
    if len(found) != 1 or found[0] < 1:
        rows = "no row" if not found else f"the rows {', '.join(map(str, sorted(found)))}"
        raise LedgerError(f"The ledger {shown} does not say which version it has: its table {VERSION.name} "
                          f"holds {rows} where one number from 1 to {SCHEMA_VERSION} belongs. It is damaged; "
                          "restore it from a backup")  # fmt: skip
    if found[0] > SCHEMA_VERSION:
        raise LedgerError(f"The ledger {shown} was written by a newer version of benchodds (schema "
                          f"{found[0]}; this one reads up to {SCHEMA_VERSION}): update benchodds. Nothing "
                          "was written.")  # fmt: skip
    return int(found[0])


def _create(engine: sa.Engine) -> None:
    options: dict[str, Any] = {"benchodds_writes": True}
    if engine.dialect.name == "postgresql":
        # Whoever waits for the lock has to see what its holder made meanwhile.
        options["isolation_level"] = "READ COMMITTED"
    with engine.connect() as bare, bare.execution_options(**options).begin():
        if engine.dialect.name == "postgresql":
            bare.exec_driver_sql("SELECT pg_advisory_xact_lock(hashtext('benchodds makes a ledger'))")
        # Somebody else may have made it while this one waited for the lock.
        if VERSION.name not in sa.inspect(bare).get_table_names():
            METADATA.create_all(bare, checkfirst=False)
            bare.execute(sa.insert(VERSION).values(version=SCHEMA_VERSION, made_at=utc_now()))


def _chain_history(connection: sa.Connection) -> None:
    """Give every entry of the history a digest over itself and the entry before."""
    column = CreateColumn(HISTORY.c.digest).compile(dialect=connection.dialect)
    connection.exec_driver_sql(f"ALTER TABLE history ADD COLUMN {column}")
    found = connection.execute(sa.select(HISTORY).order_by(HISTORY.c.entry)).all()
    for entry in chained((row._asdict() for row in found), ""):
        this = HISTORY.c.entry == entry["entry"]
        connection.execute(sa.update(HISTORY).where(this).values(digest=entry["digest"]))


def _add_lots_and_shelf(connection: sa.Connection) -> None:
    """Add the tables of what is bought together, looked at, kept and spent; give every lot its price.

    A lot's price is the sum of what its units cost. Where that is not known of every unit, there is no price
    to share: the lot's name moves to the remarks, and the amounts stay with their units.
    """
    added = ("lots", "sightings", "sighting_signs", "shelf", "spending")
    METADATA.create_all(connection, tables=[SQL_TABLES[name] for name in added], checkfirst=False)
    jobs = SQL_TABLES["jobs"].c
    of_lot: dict[str, list[Any]] = {}
    query = sa.select(jobs.job, jobs.lot, jobs.bought_for, jobs.remarks).where(jobs.lot.is_not(None))
    for row in connection.execute(query):
        of_lot.setdefault(row.lot, []).append(row)
    for lot, units in sorted(of_lot.items()):
        is_priced = all(row.bought_for is not None for row in units)
        if is_priced:
            price = sum(row.bought_for for row in units)
            connection.execute(sa.insert(SQL_TABLES["lots"]).values(lot=lot, price=price))
        for row in units:
            remarks = f"{row.remarks}\nlot: {lot}" if row.remarks else f"lot: {lot}"
            changed = {"bought_for": None} if is_priced else {"lot": None, "remarks": remarks}
            connection.execute(sa.update(SQL_TABLES["jobs"]).where(jobs.job == row.job).values(changed))
    why = "brought up to date: the units of a lot share its price"
    keep_rows(connection, "lots", fetch_rows(connection, "lots"), why)
    keep_jobs(connection, {row.job for units in of_lot.values() for row in units}, why)
    _renew_rules(connection, SQL_TABLES["jobs"], ("lot",), ("jobs_lot_or_bought_for",))


def _renew_rules(
    connection: sa.Connection, table: sa.Table, references: Collection[str], checks: Collection[str]
) -> None:
    """Give a table that was made before the rules that came since."""
    if connection.dialect.name == "postgresql":
        for rule in table.constraints:
            is_key = isinstance(rule, sa.ForeignKeyConstraint) and {*rule.column_keys} <= {*references}
            if is_key or rule.name in checks:
                connection.execute(AddConstraint(rule))
        return
    # SQLite adds no rule to a table: it is made anew, and what refers to it waits until the end.
    connection.exec_driver_sql("PRAGMA defer_foreign_keys = ON")
    connection.exec_driver_sql(f"CREATE TEMPORARY TABLE kept AS SELECT * FROM {table.name}")
    table.drop(connection)
    table.create(connection)
    connection.exec_driver_sql(f"INSERT INTO {table.name} SELECT * FROM kept")
    connection.exec_driver_sql("DROP TABLE kept")


#: What brings a ledger of a version to the next one.
MIGRATIONS: dict[int, Callable[[sa.Connection], None]] = {1: _chain_history, 2: _add_lots_and_shelf}


# Rows in and out of the database, within a transaction that the caller holds.

Row = dict[str, Value]
#: What the history keeps of a row or of a whole job.
Content = dict[str, Any]
#: Rows, versions, and jobs to be read for them, at a time.
CHUNK = 5_000

_IN_NO_TEXT = re.compile("[\0\ud800-\udfff]")

#: Where each kind of name is found.
NAMES: dict[str, tuple[tuple[str, str], ...]] = {
    "family": (("families", "family"),),
    "model": (("models", "model"), ("jobs", "model")),
    "component": (("jobs", "ended_by"), *((table.name, "component") for table in TABLES.values()
                                          if "component" in table.names)),
    "sign": (("signs", "sign"), ("sighting_signs", "sign")),
    "kind": (("families", "kind"), ("hearsay", "kind")),
    "maker": (("families", "maker"),),
    "lot": (("lots", "lot"),),
    "origin": (("jobs", "origin"),),
}  # fmt: skip


def settings_in(connection: sa.Connection) -> dict[str, str]:
    """Read the settings that are stated."""
    return {row.setting: row.value for row in connection.execute(sa.select(SQL_TABLES["settings"]))}


def currency_of(connection: sa.Connection) -> str:
    """Tell the currency of the ledger."""
    return str(settings_in(connection).get("currency") or SETTINGS["currency"].default)


def exponent_in(connection: sa.Connection) -> int:
    """Tell how many decimals the currency has."""
    return exponent_of(currency_of(connection))


def other_currency(connection: sa.Connection, setting: Mapping[str, Value]) -> str | None:
    """Say so where a setting is a currency other than that of the amounts which the ledger holds."""
    now, stated = currency_of(connection), settings_in(connection)
    if setting["setting"] != "currency" or setting["value"] == now:
        return None
    amounts = [SQL_TABLES[table.name].c[column.name] for table in TABLES.values() for column in table
               if column.kind == "money"]  # fmt: skip
    is_held = any(
        connection.execute(sa.select(each).where(each.is_not(None)).limit(1)).first() for each in amounts
    ) or any(Decimal(stated.get(each.name, 0)) for each in SETTINGS.values() if each.kind == "money")
    return f"the ledger holds amounts in {now}; {setting['value']} needs another ledger" if is_held else None


def fetch_rows(connection: sa.Connection, name: str, *where: sa.ColumnElement[bool]) -> list[Row]:
    """Read the rows of a table, all or those that pass tests, sorted as they are exported."""
    table, unit = TABLES[name], -exponent_in(connection)
    amounts = [column.name for column in table if column.kind == "money"]
    # All at once: a value that is none must not leave a cursor open.
    rows = [row._asdict() for row in connection.execute(sa.select(SQL_TABLES[name]).where(*where)).all()]
    try:
        for row in rows:
            if bytes in map(type, row.values()):
                raise TypeError("no column holds bytes")
            row |= {name: Decimal(row[name]).scaleb(unit) for name in amounts if row[name] is not None}
        return sorted(rows, key=partial(sort_key, table))
    except (TypeError, ValueError, ArithmeticError):
        raise LedgerError(f"The table {name} holds a value that nobody could have written: the ledger is "
                          "damaged; restore it from a backup.") from None  # fmt: skip


def sort_key(table: Table, row: Mapping[str, Value]) -> tuple[Any, ...]:
    """Order rows by key, jobs by the day they came in first; empty cells come first."""
    names = ("taken_in", *table.key) if table.name == "jobs" else table.key
    return tuple((row[name] is not None, row[name]) if row[name] is not None else (False,) for name in names)


def key_test(name: str, row: Mapping[str, Value]) -> sa.ColumnElement[bool]:
    """Build the test that finds the row with the same key."""
    sql, key = SQL_TABLES[name], TABLES[name].key
    return sa.and_(*(sql.c[part] == row[part] for part in key))  # None is asked for as IS NULL


def fetch_document(connection: sa.Connection, job: str) -> JobDocument | None:
    """Read a whole job, or None if there is none of that number."""
    if _IN_NO_TEXT.search(job):  # no database could even be asked
        return None
    return fetch_documents(connection, [job]).get(job)


def fetch_documents(connection: sa.Connection, jobs: Collection[str]) -> dict[str, JobDocument]:
    """Read whole jobs by number."""
    return documents_of({name: fetch_rows(connection, name, SQL_TABLES[name].c.job.in_(jobs))
                         for name in ("jobs", *PARTS_OF_A_JOB)})  # fmt: skip


def documents_of(rows: Mapping[str, Iterable[Row]]) -> dict[str, JobDocument]:
    """Put the rows of the tables together to whole jobs, by number."""
    documents: dict[str, JobDocument] = {
        str(row["job"]): {"job": row, **{part: [] for part in PARTS_OF_A_JOB}} for row in rows["jobs"]
    }
    for part in PARTS_OF_A_JOB:
        for row in rows[part]:
            if document := documents.get(str(row["job"])):  # in a damaged ledger it may be of none
                document[part].append({name: value for name, value in row.items() if name != "job"})
    return documents


def references_to(name: str) -> list[sa.Column[Any]]:
    """Find the columns that refer to rows of a table."""
    return [SQL_TABLES[table.name].c[column] for table in TABLES.values()
            for column, referred in table.references.items() if referred == name]  # fmt: skip


def remove_parts(connection: sa.Connection, job: str) -> None:
    """Take the findings, signs and follow-ups of a job out of the current tables."""
    for part in PARTS_OF_A_JOB:
        connection.execute(sa.delete(SQL_TABLES[part]).where(SQL_TABLES[part].c.job == job))


def next_number(connection: sa.Connection) -> str:
    """Word the next job number in sequence."""
    newest = sa.select(NUMBERING).order_by(NUMBERING.c.turn.desc()).limit(1)
    row = connection.execute(newest).first()
    return "1" if row is None else number_after(row.prefix, row.last, row.width)


def note_number(connection: sa.Connection, number: Number) -> None:
    """Remember a number that is now taken; it leads the sequence if it is the highest of its prefix."""
    last = connection.execute(sa.select(NUMBERING.c.last).where(NUMBERING.c.prefix == number.prefix)).scalar()
    if last is not None and last >= number.digits:
        return
    turn = connection.execute(sa.select(sa.func.coalesce(sa.func.max(NUMBERING.c.turn), 0) + 1)).scalar_one()
    values = {"last": number.digits, "width": number.width, "turn": turn}
    if last is None:
        connection.execute(sa.insert(NUMBERING).values(prefix=number.prefix, **values))
    else:
        connection.execute(sa.update(NUMBERING).where(NUMBERING.c.prefix == number.prefix).values(**values))


def names_in(connection: sa.Connection, column: str) -> set[str]:
    """Read every name that the ledger holds of one kind."""
    queries = [sa.select(SQL_TABLES[table].c[name]).distinct() for table, name in NAMES[column]]
    found = connection.execute(sa.union(*queries)).scalars()
    return {name for name in found if isinstance(name, str)}  # in a damaged ledger there may be others


def referred_in(connection: sa.Connection, names: Iterable[str]) -> dict[str, dict[str, Any]]:
    """Read the keys of tables that rows of others refer to; of jobs what such rows have to fit."""
    found: dict[str, dict[str, Any]] = {}
    for name in names:
        facts = JobFacts._fields if name == "jobs" else ()
        columns = [SQL_TABLES[name].c[column] for column in (*TABLES[name].key, *facts)]
        rows = connection.execute(sa.select(*columns))
        found[name] = {row[0]: JobFacts(*row[1:]) if facts else None for row in rows}
    return found


def key_text(table: Table, row: Mapping[str, Value]) -> str:
    """Word the key of a row for the history; a list in JSON where it has several columns."""
    values = [row[name] for name in table.key]
    return str(values[0]) if len(values) == 1 else json.dumps(values, ensure_ascii=False)


def content_of(row: Mapping[str, Value]) -> Content:
    """Keep what a row says, for the history: filled cells, amounts as text."""
    return {name: str(value) if isinstance(value, Decimal) else value
            for name, value in row.items() if value is not None}  # fmt: skip


def document_content(document: JobDocument) -> Content:
    """Keep what a whole job says, for the history."""
    content: Content = {"job": content_of(document["job"])}
    for part in PARTS_OF_A_JOB:
        content[part] = [content_of({k: v for k, v in row.items() if k != "job"}) for row in document[part]]
    return content


def keep_versions(
    connection: sa.Connection, what: str, found: Iterable[tuple[str, Content | None]], reason: str
) -> None:
    """Add to the history the next version of things that are told apart by their key; None: taken out."""
    entries, found = HISTORY.c, iter(found)
    while some := dict(islice(found, CHUNK)):
        query = sa.select(entries.key, sa.func.max(entries.version)).group_by(entries.key)
        query = query.where(entries.what == what, entries.key.in_(list(some)))
        last = {key: version for key, version in connection.execute(query)}
        newest = sa.select(entries.digest).order_by(entries.entry.desc()).limit(1)
        before, now = connection.execute(newest).scalar() or "", utc_now()
        rows = (
            {"what": what, "key": key, "version": last.get(key, 0) + 1, "written_at": now, "reason": reason,
             "content": None if content is None
             else json.dumps(content, ensure_ascii=False, separators=(",", ":"))}
            for key, content in some.items()
        )  # fmt: skip
        connection.execute(sa.insert(HISTORY), list(chained(rows, before)))


def keep_rows(
    connection: sa.Connection, name: str, rows: Iterable[Mapping[str, Value]], reason: str,
    *, gone: bool = False,
) -> None:  # fmt: skip
    """Add the next version of reference rows to the history."""
    found = ((key_text(TABLES[name], row), None if gone else content_of(row)) for row in rows)
    keep_versions(connection, name, found, reason)


def keep_jobs(connection: sa.Connection, touched: Collection[str], reason: str) -> None:
    """Add the next version of every touched job, as it stands now, to the history."""
    jobs = iter(sorted(touched))
    while some := list(islice(jobs, CHUNK)):
        documents = fetch_documents(connection, some)
        found = ((job, document_content(documents[job])) for job in some)
        keep_versions(connection, "jobs", found, reason)


def read_entry(entry: Any) -> Any:
    """Read a job, or a row of reference, as an entry of the history kept it; None if it was taken out."""

    def read(table: Table, content: Mapping[str, Any], without: str = "") -> Row:
        return {
            column.name: None if content.get(column.name) is None  # what is not kept is empty
            else Decimal(content[column.name]) if column.kind == "money"  # as it was written
            else read_value(column, content[column.name])
            for column in table if column.name != without
        }  # fmt: skip

    if entry.content is None:
        return None
    try:
        content = json.loads(entry.content)
        if entry.what != "jobs":
            return read(TABLES[entry.what], content)
        parts = {part: [read(TABLES[part], row, "job") for row in content[part]] for part in PARTS_OF_A_JOB}
        return {"job": read(TABLES["jobs"], content["job"]), **parts}
    except (AttributeError, KeyError, TypeError, ValueError, ArithmeticError, RecursionError):
        named = f"Entry {entry.entry} of the history ({entry.what} {entry.key}, version {entry.version})"
        raise LedgerError(f"{named} is damaged; restore it from a backup.") from None


def versions(connection: sa.Connection, what: str, key: str) -> Sequence[Any]:
    """Read every version of one thing, oldest first."""
    query = sa.select(HISTORY).where(HISTORY.c.what == what, HISTORY.c.key == key).order_by(HISTORY.c.version)
    return connection.execute(query).all()


#: Why the rows of the demo are in a ledger, in its history.
DEMO_REASON = "imported from the demo"


def holds_demo(connection: sa.Connection) -> bool:
    """Tell whether a ledger began with the demo."""
    first = sa.select(HISTORY.c.reason).order_by(HISTORY.c.entry).limit(1)
    return connection.execute(first).scalar() == DEMO_REASON


def withdrawn_numbers(connection: sa.Connection) -> tuple[str, ...]:
    """Read the numbers of the bench's own jobs that are withdrawn, sorted: given out, and no gap."""
    entries = HISTORY.c
    gone = sa.select(entries.key).where(entries.what == "jobs", entries.content.is_(None))
    query = sa.select(HISTORY).where(entries.what == "jobs", entries.key.in_(gone))
    last: dict[str, str | None] = {}
    origins: dict[str, Value] = {}
    for entry in connection.execute(query.order_by(entries.version)):
        last[entry.key] = entry.content
        if document := read_entry(entry):
            origins[entry.key] = document["job"]["origin"]
    return tuple(sorted(key for key, content in last.items() if content is None and not origins.get(key)))


# A consistent copy of a ledger while others write to it.


def copy_to(connection: sa.Connection, path: Path) -> None:
    """Write the state that a transaction sees to a new file, checked and safely on disk."""
    if connection.dialect.name != "sqlite":
        raise LedgerError("A ledger in PostgreSQL is copied with pg_dump, or with `benchodds export`")
    taken = LedgerError(f"{path} exists already; a backup never replaces a file. Name another one.")
    try:
        if path.is_symlink() or path.exists():
            raise taken
        if not path.parent.is_dir():
            raise LedgerError(f"There is no folder {path.parent} to put the backup into.")
        with fresh_file(path, private=True, replace=False) as draft:
            connection.connection.cursor().execute("VACUUM INTO ?", (str(draft.path),))
            with closing(sqlite3.connect(draft.path)) as copy:
                found = [row[0] for row in copy.execute("PRAGMA integrity_check")]
            if found != ["ok"]:
                told = f"The ledger is damaged, and so would be its copy ({worded_damage(found)})."
                raise LedgerError(f"{told} There is no backup.")
    except FileExistsError:
        raise taken from None
    except OSError as error:
        told = f"The backup {path} cannot be written: {reason(error)}. There is no backup."
        raise LedgerError(told) from None
