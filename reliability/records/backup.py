"""A consistent copy of a ledger while others write to it."""

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from sqlalchemy import Connection

from reliability.errors import LedgerError


def copy_to(connection: Connection, path: Path) -> None:
    """Write the state that a transaction sees to a new file, checked and safely on disk.

    Parameters
    ----------
    connection : Connection
        Outside any transaction of its own.
    path : Path
        A file that does not exist yet.

    Raises
    ------
    LedgerError
        If the file exists, cannot be written, or the copy fails its check.
    """
    if connection.dialect.name != "sqlite":
        raise LedgerError("A ledger in PostgreSQL is copied with pg_dump, or with `benchodds export`")
    if path.exists():
        raise LedgerError(f"{path} exists already; a backup never replaces a file. Name another one.")
    if not path.parent.is_dir():
        raise LedgerError(f"There is no folder {path.parent} to put the backup into.")
    fresh = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        connection.connection.cursor().execute("VACUUM INTO ?", (str(fresh),))
        _verify(fresh)
        _place(fresh, path)
    except FileExistsError:
        raise LedgerError(
            f"{path} exists already; a backup never replaces a file. Name another one."
        ) from None
    except (sqlite3.Error, OSError) as error:
        raise LedgerError(f"The backup {path} cannot be written: {error}. There is no backup.") from None
    finally:
        fresh.unlink(missing_ok=True)


def _verify(copy: Path) -> None:
    with closing(sqlite3.connect(copy)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        found = [row[0] for row in connection.execute("PRAGMA integrity_check")]
    if found != ["ok"]:
        raise LedgerError(
            f"The ledger is damaged, and so would be its copy ({found[0]}). There is no backup."
        )


def _place(fresh: Path, path: Path) -> None:
    # Taking the name first keeps a file that somebody else made meanwhile from being replaced.
    path.open("x").close()
    try:
        os.replace(fresh, path)
    except OSError:
        path.unlink()
        raise
    _settle(path)


def _settle(path: Path) -> None:
    """Wait until the file and its name are on the disk."""
    with path.open("rb+") as stream:
        os.fsync(stream.fileno())
    if os.name == "posix":  # elsewhere a folder cannot be opened
        handle = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
