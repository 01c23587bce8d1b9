"""Archives: findings as one Parquet file; those of many benches are put together and read back."""

import tempfile
from collections.abc import Iterable, Sequence
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
from sqlalchemy import Connection, func, select

from reliability.errors import InvalidInput, reason
from reliability.records.database import SQL_TABLES
from reliability.records.files import fresh_file
from reliability.records.tables import TABLES, Table, quoted

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

    from reliability.records.ledger import Ledger

# What an archive holds: findings with what the lives of parts need of their jobs, and nothing else.

#: Name of the file in the folder that an archive is written to.
FILE = "findings.parquet"
#: What the file says of itself in its footer, beside `content`: a digest of its rows in whatever order.
NAME = "bench-archive"
#: Raised by one whenever archives written before could no longer be read.
VERSION = "2"
DESCRIPTION = (
    "Findings of one bench with what the lives of parts need of their jobs: no money, no remarks, nothing "
    "that was imported from elsewhere. Rows of one job stand together. A row without a component stands for "
    "a job that a component ended which nobody wrote a finding of. A month alone stands for its 16th."
)


#: Where the columns of an archive come from: documented tables, by the same names.
_SOURCES = (
    ("jobs", "job family"), ("families", "kind first_year last_year"),
    ("jobs", "built_from built_to taken_in ended_by ended_why"),
    ("findings", "component position found original fitted_from fitted_to arose failed_from failed_to"),
)  # fmt: skip
_COLUMNS = [(table, name) for table, names in _SOURCES for name in names.split()]
#: One row of an archive.
ARCHIVED = Table("findings", DESCRIPTION, tuple(TABLES[table][name] for table, name in _COLUMNS),
                 ("job", "component", "position", "arose"), {})  # fmt: skip
#: Columns that are filled in every row, also in one without a component.
FILLED = ("job", "family", "kind", "taken_in")
#: Rows of one job stand together, and those of one component in it too.
_ORDER = ("taken_in", "job", "component", "position", "arose")


# The findings of a ledger as a Parquet file that many benches can put together.

_FETCHED = 20_000


def write_archive(ledger: "Ledger", path: str | Path) -> tuple[int, int, int]:
    """Write the findings of a ledger to a Parquet file in a folder; equal ledgers give equal bytes.

    Jobs and findings are counted, and jobs that were left out, because another source has written them down.
    """
    folder = Path(path)
    duckdb, connection = _engine("Archives are Parquet files, and they are written by duckdb")
    if folder.exists() and not folder.is_dir():
        raise InvalidInput(f"{folder} is a file; an archive needs a folder. Nothing was written.")
    if not folder.parent.is_dir():
        raise InvalidInput(f"The folder {folder.parent} does not exist. Nothing was written.")
    file = folder / FILE
    try:
        is_foreign = file.exists() and _stamp(connection, file).get("name") != NAME
    except duckdb.Error:
        is_foreign = True
    if is_foreign:
        raise InvalidInput(f"{file} is no archive of ours; name another folder. Nothing was written.")
    with ledger.reading() as reading:
        is_imported = SQL_TABLES["jobs"].c.origin.is_not(None)
        imported = reading.execute(select(func.count()).where(is_imported)).scalar_one()
        _fill(connection, reading)
    # No two rows are the same, so none takes another out of the digest.
    sums = "count(DISTINCT job), count(component), hex(bit_xor(md5_number(findings::VARCHAR)))"
    jobs, findings, content = connection.execute(f"SELECT {sums} FROM findings").fetchone() or ()
    if not jobs:
        raise InvalidInput(f"{ledger.name} holds no finding of its own yet; no archive was written.")
    stamp = {"name": NAME, "version": VERSION, "content": content, "description": DESCRIPTION}
    told = ", ".join(f"{name}: {quoted([value])}" for name, value in stamp.items())
    how = f"FORMAT parquet, COMPRESSION zstd, USE_TMP_FILE false, KV_METADATA {{{told}}}"
    connection.execute("SET preserve_insertion_order = true")  # else row groups come as they are done
    try:
        folder.mkdir(exist_ok=True)
        with fresh_file(file) as draft:
            rows = f"SELECT * FROM findings ORDER BY {', '.join(_ORDER)}"
            connection.execute(f"COPY ({rows}) TO {quoted([draft.path])} ({how})")
    except (OSError, duckdb.Error) as error:
        with suppress(OSError):  # it holds other files
            folder.rmdir()
        why = reason(error) if isinstance(error, OSError) else str(error).splitlines()[0]
        raise InvalidInput(f"{folder} cannot be written: {why}.") from None
    return jobs, findings, imported


# Archives read back, and a ledger's findings: both as the table `findings` of an engine in memory.


def archives_in(places: Iterable[str | Path]) -> list[Path]:
    """Find the archives at some places, each a file or a folder of files."""
    files: list[Path] = []
    for place in map(Path, places):
        found = sorted(place.glob("*.parquet")) if place.is_dir() else [place] if place.exists() else []
        if not found:
            what = "holds no archive" if place.is_dir() else "is not there"
            told = f"{place} {what}; name a file that `benchodds archive` wrote, or a folder of such."
            raise InvalidInput(told)
        files += found
    return files


def open_archives(places: Iterable[str | Path]) -> "DuckDBPyConnection":
    """Open archives as one table, after checking each."""
    duckdb, connection = _engine()
    seen: dict[str, Path] = {}
    files = archives_in(places)
    for file in files:
        try:
            stamp = _stamp(connection, file)
            if stamp.get("name") != NAME:
                raise InvalidInput(f"{file} is not what `benchodds archive` writes.")
            if stamp.get("version") != VERSION:
                told = f"{file} is an archive of version {stamp.get('version')}; this program reads version "
                raise InvalidInput(f"{told}{VERSION}. Write it anew from its ledger.")
            before = seen.setdefault(stamp.get("content", ""), file)
            if before is not file:
                raise InvalidInput(f"{file} holds the same findings as {before}; give each archive once.")
            _refuse_bad_cells(connection, file)
        except duckdb.Error as error:
            raise InvalidInput(f"{file} cannot be read: {str(error).splitlines()[0]}") from None
    _view(connection, files)
    return connection


def _stamp(connection: "DuckDBPyConnection", file: Path) -> dict[str, str]:
    """Read what a Parquet file says of itself."""
    pairs = connection.execute("SELECT key, value FROM parquet_kv_metadata($1)", [str(file)]).fetchall()
    return {key.decode(errors="replace"): (value or b"").decode(errors="replace") for key, value in pairs}


def ledger_findings(ledger: "Ledger") -> "DuckDBPyConnection":
    """Give a ledger's own findings as a table in memory."""
    _, connection = _engine()
    with ledger.reading() as reading:
        _fill(connection, reading)
    return connection


def _fill(connection: "DuckDBPyConnection", reading: Connection) -> None:
    """Copy the findings of a ledger into a table in memory, the rows of its own jobs only."""
    types = {"date": "DATE", "year": "SMALLINT"}
    columns = ", ".join(f"{column.name} {types.get(column.kind, 'VARCHAR')}" for column in ARCHIVED)
    connection.execute(f"CREATE TABLE findings ({columns})")
    jobs, findings, families = (SQL_TABLES[name] for name in ("jobs", "findings", "families"))
    joined = jobs.join(families).outerjoin(findings)
    is_told = findings.c.job.is_not(None) | jobs.c.ended_by.is_not(None)
    query = select(*(SQL_TABLES[table].c[name] for table, name in _COLUMNS)).select_from(joined)
    query = query.where(jobs.c.origin.is_(None), is_told).execution_options(yield_per=_FETCHED)
    whole_days = [f"CAST(left(CAST({column.name} AS VARCHAR) || '-16', 10) AS DATE)"
                  if column.kind == "date" else column.name for column in ARCHIVED]  # fmt: skip
    years = {column.name: "Int16" for column in ARCHIVED if column.kind == "year"}
    for some in reading.execute(query).partitions(_FETCHED):
        batch = pd.DataFrame(some, columns=list(ARCHIVED.names), dtype=object).astype(years)
        connection.register("batch", batch)
        connection.execute(f"INSERT INTO findings SELECT {', '.join(whole_days)} FROM batch")


def _engine(what: str = "Findings by the million are counted by duckdb") -> tuple[Any, "DuckDBPyConnection"]:
    """Open a database in memory; `what` asks for it."""
    try:
        duckdb = import_module("duckdb")
    except ModuleNotFoundError:
        raise InvalidInput(f"{what}, which is not installed. Install the extra `scale`: pip install "
                           "'benchodds[scale]'.") from None  # fmt: skip
    settings = {"memory_limit": "800MB", "temp_directory": tempfile.gettempdir(), "threads": "2"}
    connection = duckdb.connect(config=settings)
    connection.execute("SET enable_progress_bar = false; SET preserve_insertion_order = false")
    return duckdb, connection


def _view(connection: "DuckDBPyConnection", files: Sequence[Path]) -> None:
    # Each bench numbers its jobs by itself.
    job = "concat(file_index, ' ', job) AS job" if len(files) > 1 else "job"
    connection.execute(
        f"CREATE OR REPLACE VIEW findings AS SELECT {', '.join((job, *ARCHIVED.names[1:]))} "
        f"FROM read_parquet([{quoted(files)}], hive_partitioning = false)"
    )


def _refuse_bad_cells(connection: "DuckDBPyConnection", file: Path) -> None:
    described = connection.execute("SELECT name FROM parquet_schema($1)", [str(file)]).fetchall()
    if missing := set(ARCHIVED.names) - {row[0] for row in described}:
        raise InvalidInput(f"{file} lacks the columns {', '.join(sorted(missing))}.")
    _view(connection, [file])
    for column in ARCHIVED:
        listed = ", ".join(map(repr, column.allowed))
        # Whether cells are empty stands in the file's statistics: only words have to be read.
        strange = f"min({column.name}) FILTER ({column.name} NOT IN ({listed}))" if listed else "NULL"
        query = f"SELECT count(*) - count({column.name}), {strange} FROM findings"
        n_empty, word = connection.execute(query).fetchone() or ()
        if n_empty and column.name in FILLED:
            told = f"{n_empty} cells are empty; every one is needed."
        elif word is not None:
            told = f"{word!r} is not one of {', '.join(column.allowed)}."
        else:
            continue
        raise InvalidInput(f"{file}, column {column.name}: {told}")
