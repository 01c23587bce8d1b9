"""Finding, making and opening the database of a ledger, and wording what the database refuses."""

import datetime
import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, RootTransaction, create_engine, event, insert, inspect, select
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError

from reliability.errors import LedgerError
from reliability.records.schema import METADATA, SCHEMA_VERSION, VERSION

BUSY_SECONDS = 30
#: The first with STRICT tables.
OLDEST_SQLITE = (3, 37, 0)
_SECRETS = ("password", "passfile", "sslpassword")


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
        parsed = make_url(url)
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
    return parsed


def shown_url(url: URL) -> str:
    """Word a URL for messages: the path of a file, or the URL without any password."""
    if url.get_backend_name() == "sqlite":
        return str(url.database)
    return url.difference_update_query(_SECRETS).render_as_string(hide_password=True)


def _secrets(url: URL) -> list[str]:
    held = [str(url.password or ""), *(str(url.query.get(name, "")) for name in _SECRETS)]
    return [secret for secret in held if secret]


@contextmanager
def worded(url: URL) -> Iterator[None]:
    """Turn what the database refuses into one clear message without a password.

    Raises
    ------
    LedgerError
        In place of any error of the database or its driver.
    """
    try:
        yield
    except (SQLAlchemyError, sqlite3.Error) as error:
        cause = error.orig if isinstance(error, DBAPIError) and error.orig else error
        text = " ".join(str(cause).split())
        for secret in _secrets(url):
            text = text.replace(secret, "***")
        raise LedgerError(f"{_advice(text, shown_url(url))} Nothing was written.") from None


#: What a message of the database holds, as a regular expression, and what we say of it.
_ADVICE = (
    ("authentication failed", "does not let this user in: the user or the password is wrong"),
    ("no password supplied", "asks for a password: write it in the URL, or in the file .pgpass"),
    ("terminating connection", "has cut the connection; try again once its server is back"),
    ("closed the connection", "has cut the connection; try again once its server is back"),
    ("connection is lost", "has cut the connection; try again once its server is back"),
    ("onnection refused", "cannot be reached: no server answers there; is it running?"),
    ("connection timeout", "cannot be reached: no server answers there; is it running?"),
    ('database ".*" does not exist', "does not exist there; its server makes one with: createdb"),
    ("database is locked", "is being written by somebody else and was not free within "
     f"{BUSY_SECONDS} s; try again"),
    ("readonly database", "cannot be written: the file or its folder is read-only"),
    ("unable to open", "cannot be opened: the file or its folder cannot be read and written"),
    ("disk is full", "cannot be written: the disk is full"),
    ("not a database", "is not a ledger, or is damaged; restore it from a backup"),
    ("malformed", "is damaged; restore it from a backup"),
    ("disk I/O error", "cannot be read or written: the disk reports an error"),
)  # fmt: skip


def _advice(text: str, shown: str) -> str:
    for sign, advice in _ADVICE:
        if re.search(sign, text):
            return f"The ledger {shown} {advice} ({text})."
    return f"The ledger {shown} refuses: {text}."


def make_engine(url: URL) -> Engine:
    """Build the engine; SQLite connections wait for each other and keep what they acknowledge."""
    options: dict[str, Any] = {}
    if url.get_backend_name() == "postgresql":
        # One state of the ledger per transaction, as SQLite gives by itself.
        options["isolation_level"] = "REPEATABLE READ"
        # A server that was restarted in between is no reason to fail.
        options["pool_pre_ping"] = True
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
        event.listen(engine, "begin", _begin)
    return engine


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


def _begin(connection: Connection) -> None:
    # A writer takes the lock before it reads, so two can never be given the same number.
    writes = connection.get_execution_options().get("benchodds_writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@contextmanager
def transaction(engine: Engine, *, write: bool = False) -> Iterator[Connection]:
    """Open one transaction; a writing one shuts other writers out until it ends."""
    with engine.connect() as bare:
        connection = bare.execution_options(benchodds_writes=write)
        with connection.begin() as turn:
            if write and engine.dialect.name == "postgresql":
                connection.exec_driver_sql("LOCK TABLE schema_version IN EXCLUSIVE MODE")
            yield connection
            if turn.is_active:  # a dry run has taken everything back by now
                _commit(turn, shown_url(engine.url))


def _commit(turn: RootTransaction, shown: str) -> None:
    """End a transaction; only the server knows how it ended if the connection is lost just then.

    Raises
    ------
    LedgerError
        If it cannot be known whether the transaction was kept.
    """
    try:
        turn.commit()
    except DBAPIError as error:
        if not error.connection_invalidated:
            raise
        raise LedgerError(
            f"The ledger {shown} has cut the connection at the very end: what was to be written is either "
            "all there or not at all. Look before you try again, with `benchodds show` or `check`."
        ) from None


def open_engine(url: URL, *, create: bool) -> Engine:
    """Open the database of a ledger, and make it first if asked to.

    Raises
    ------
    LedgerError
        If there is none and none is to be made, or if it is not a ledger of this version.
    """
    shown = shown_url(url)
    file = Path(str(url.database)) if url.get_backend_name() == "sqlite" else None
    if file is not None and not file.exists():
        if not create:
            raise LedgerError(
                f"There is no ledger {shown}. `benchodds intake`, `add` and `import` make one; "
                "name another with --ledger or BENCHODDS_LEDGER"
            )
        _make_folder(file)
    engine = make_engine(url)
    try:
        with worded(url):
            _check_version(engine, shown, create=create)
    except BaseException:
        engine.dispose()
        raise
    return engine


def _make_folder(file: Path) -> None:
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LedgerError(f"The folder for the ledger {file} cannot be made: {error.strerror}") from None


def _check_version(engine: Engine, shown: str, *, create: bool) -> None:
    with transaction(engine) as connection:
        tables = inspect(connection).get_table_names()
    if VERSION.name not in tables:
        if tables:
            raise LedgerError(f"{shown} is a database, but not a ledger (it has no table {VERSION.name})")
        if not create:
            raise LedgerError(f"{shown} is empty. `benchodds intake`, `add` and `import` make a ledger of it")
    if engine.dialect.name == "sqlite":
        _keep_log(engine)
    if VERSION.name not in tables:
        _create(engine)
    with transaction(engine) as connection:
        version = connection.execute(select(VERSION.c.version)).scalar_one()
    if version > SCHEMA_VERSION:
        raise LedgerError(
            f"The ledger {shown} was written by a newer version of benchodds (schema {version}; this one "
            f"reads up to {SCHEMA_VERSION}): update benchodds. Nothing was written."
        )


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
