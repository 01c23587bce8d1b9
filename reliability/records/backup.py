"""A consistent copy of a ledger while others write to it."""

import sqlite3
from contextlib import closing
from pathlib import Path

from sqlalchemy import Connection

from reliability.errors import LedgerError, reason
from reliability.records.files import fresh_file
from reliability.records.opening import worded_damage


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
    taken = LedgerError(f"{path} exists already; a backup never replaces a file. Name another one.")
    try:
        if path.is_symlink() or path.exists():
            raise taken
        if not path.parent.is_dir():
            raise LedgerError(f"There is no folder {path.parent} to put the backup into.")
        with fresh_file(path, private=True, replace=False) as draft:
            connection.connection.cursor().execute("VACUUM INTO ?", (str(draft.path),))
            _verify(draft.path)
    except FileExistsError:
        raise taken from None
    except OSError as error:
        raise LedgerError(
            f"The backup {path} cannot be written: {reason(error)}. There is no backup."
        ) from None


def _verify(copy: Path) -> None:
    with closing(sqlite3.connect(copy)) as connection:
        found = [row[0] for row in connection.execute("PRAGMA integrity_check")]
    if found != ["ok"]:
        damage = worded_damage(found[0])
        raise LedgerError(f"The ledger is damaged, and so would be its copy ({damage}). There is no backup.")
