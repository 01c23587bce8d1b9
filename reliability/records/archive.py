"""Archives: findings as Parquet files that many benches put together, read back piece by piece."""

import hashlib
import os
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
from sqlalchemy import Connection, func, select

from reliability.errors import InvalidInput, reason
from reliability.records import package
from reliability.records.database import SQL_TABLES
from reliability.records.files import fresh_file
from reliability.records.package import DESCRIPTOR
from reliability.records.tables import TABLES, Column, Table

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

    from reliability.records.ledger import Ledger

# What an archive holds: findings with what the lives of parts need of their jobs, and nothing else.


NAME = "bench-archive"
#: Raised by one whenever archives written before could no longer be read.
VERSION = 1
DESCRIPTION = (
    "Findings of one bench with what the lives of parts need of their jobs: no money, no remarks, nothing "
    "that was imported from elsewhere. One folder for each year of intake; rows of one job stand together. "
    "A row without a component stands for a job that a component ended which nobody wrote a finding of."
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


def descriptor_text(parts: Sequence[Mapping[str, Any]], counts: Mapping[str, int]) -> bytes:
    """Write the `datapackage.json` of an archive."""
    schema = {"fields": [_field(column) for column in ARCHIVED]}
    return package.descriptor_text(
        profile="data-package",
        name=NAME,
        version=str(VERSION),
        title="Findings of a repair bench",
        description=DESCRIPTION,
        counts=dict(counts),
        resources=[
            {"name": str(part["path"]).split("/")[0].replace("=", "-").replace("_", "-"), **part,
             "format": "parquet", "mediatype": "application/vnd.apache.parquet", "schema": schema}
            for part in parts
        ],
    )  # fmt: skip


def _field(column: Column) -> dict[str, Any]:
    """Describe a column as it lies in Parquet: typed, and required only where every row fills it."""
    field = package.field_of(column)
    constraints = field.pop("constraints", {})
    constraints = {name: constraints[name] for name in ("enum", "minimum", "maximum") if name in constraints}
    constraints |= {"required": True} if column.name in FILLED else {}
    if column.kind == "date":
        field |= {"type": "date", "description": f"{column.meaning} (a month alone stands for its 16th)"}
    return field | ({"constraints": constraints} if constraints else {})


# Archives: the findings of a ledger as Parquet files that many benches can put together.

_FETCHED = 20_000


@dataclass(frozen=True)
class ArchiveSummary:
    """What went into an archive."""

    jobs: int  # of this bench
    findings: int
    imported_jobs: int  # left out, because another source has written them down


def write_archive(ledger: "Ledger", path: str | Path) -> ArchiveSummary:
    """Write the findings of a ledger to a folder of Parquet files, one for each year of intake.

    A reader sees the old archive or the new one, never a mixture: files bear the digest of their
    content, and which of them count is said by the descriptor, which is replaced last. Equal ledgers
    give equal bytes.
    """
    folder = Path(path)
    duckdb, connection = _engine("Archives are Parquet files, and they are written by duckdb")
    _refuse_other_content(folder)
    with ledger.reading() as reading:
        is_imported = SQL_TABLES["jobs"].c.origin.is_not(None)
        imported = reading.execute(select(func.count()).where(is_imported)).scalar_one()
        _fill(connection, reading)
    found = connection.execute("SELECT DISTINCT year(taken_in) FROM findings ORDER BY 1").fetchall()
    years = [year for (year,) in found]
    if not years:
        raise InvalidInput(f"{ledger.name} holds no finding of its own yet; no archive was written.")
    told = connection.execute("SELECT count(DISTINCT job), count(component) FROM findings").fetchone() or ()
    counts = dict(zip(("jobs", "findings"), told, strict=True))
    connection.execute("SET preserve_insertion_order = true")  # else a file's groups come as they are done
    try:
        try:
            parts = [_write_year(connection, folder, year) for year in years]
            with fresh_file(folder / DESCRIPTOR) as draft:
                draft.stream.write(descriptor_text(parts, counts))
        finally:
            _sweep(folder)
    except (OSError, duckdb.Error) as error:
        why = reason(error) if isinstance(error, OSError) else str(error).splitlines()[0]
        raise InvalidInput(f"{folder} cannot be written: {why}.") from None
    return ArchiveSummary(**counts, imported_jobs=imported)


def is_archive(folder: Path) -> bool:
    """Whether a folder holds an archive, of any version."""
    return package.package_name(folder) == NAME


def _refuse_other_content(folder: Path) -> None:
    if folder.exists() and not folder.is_dir():
        raise InvalidInput(f"{folder} is a file; an archive needs a folder. Nothing was written.")
    if not folder.parent.is_dir():
        raise InvalidInput(f"The folder {folder.parent} does not exist. Nothing was written.")
    held = [item.name for item in folder.iterdir()] if folder.is_dir() else []
    # A first archive that was cut off has left nothing but this.
    is_interrupted = all(name.startswith(("taken_in_year=", f".{DESCRIPTOR}.")) for name in held)
    if held and not (is_archive(folder) or is_interrupted):
        raise InvalidInput(
            f"{folder} holds files that are no archive; name another folder. Nothing was written."
        )


def _write_year(connection: "DuckDBPyConnection", folder: Path, year: int) -> dict[str, Any]:
    """Write the findings of one year of intake to a file; give its place, its size and its digest."""
    place = folder / f"taken_in_year={year}"
    place.mkdir(parents=True, exist_ok=True)
    draft = place / ".findings.parquet.new"
    rows = f"SELECT * FROM findings WHERE year(taken_in) = {year:d} ORDER BY {', '.join(_ORDER)}"
    connection.execute(f"COPY ({rows}) TO {_quoted(draft)} (FORMAT parquet, COMPRESSION zstd)")
    with draft.open("rb") as content:
        digest = hashlib.file_digest(content, "sha256").hexdigest()
        os.fsync(content.fileno())
    final = place / f"findings-{digest[:16]}.parquet"
    draft.replace(final)
    path = final.relative_to(folder).as_posix()
    return {"path": path, "bytes": final.stat().st_size, "hash": f"sha256:{digest}"}


def _sweep(folder: Path) -> None:
    """Remove files that do not count, whether of an earlier archive or of one that failed."""
    resources = package.described_in(folder)["resources"] if is_archive(folder) else ()
    counted = {folder / resource["path"] for resource in resources}
    for place in folder.glob("taken_in_year=*"):
        for file in place.iterdir():
            if file not in counted:
                file.unlink(missing_ok=True)
        if not any(place.iterdir()):
            place.rmdir()
    if folder.is_dir() and not any(folder.iterdir()):
        folder.rmdir()


# Archives read back, and a ledger's findings: both as the table `findings` of an engine in memory.


def open_archives(folders: Iterable[str | Path]) -> "DuckDBPyConnection":
    """Open archives as one table, after checking that all is there."""
    duckdb, connection = _engine()
    seen: dict[str, Path] = {}
    files: list[str] = []
    for folder in (Path(name).resolve() for name in folders):
        for resource in _resources(folder):
            file = folder / resource["path"]
            before = seen.setdefault(resource["hash"], file)
            if before != file or str(file) in files:
                raise InvalidInput(f"{file} holds the same findings as {before}; give each archive once.")
            found = file.stat().st_size if file.is_file() else None
            if found != resource["bytes"]:
                told = "is missing"
                if found is not None:
                    told = f"has {found} bytes where {resource['bytes']} were written"
                raise InvalidInput(f"{file} {told}; copy the archive again.")
            files.append(str(file))
            try:
                _refuse_bad_cells(connection, file)
            except duckdb.Error as error:
                raise InvalidInput(f"{file} cannot be read: {str(error).splitlines()[0]}") from None
    _view(connection, files)
    return connection


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
    joined = jobs.join(families, families.c.family == jobs.c.family).outerjoin(
        findings, findings.c.job == jobs.c.job
    )
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
        raise InvalidInput(
            f"{what}, which is not installed. Install the extra `scale`: pip install 'benchodds[scale]'."
        ) from None
    settings = {"memory_limit": "800MB", "temp_directory": tempfile.gettempdir(), "threads": "2"}
    connection = duckdb.connect(config=settings)
    connection.execute("SET enable_progress_bar = false; SET preserve_insertion_order = false")
    return duckdb, connection


def _quoted(file: str | Path) -> str:
    return "'" + str(file).replace("'", "''") + "'"


def _view(connection: "DuckDBPyConnection", files: Iterable[str | Path]) -> None:
    connection.execute(
        f"CREATE OR REPLACE VIEW findings AS SELECT {', '.join(ARCHIVED.names)} "
        f"FROM read_parquet([{', '.join(map(_quoted, files))}], hive_partitioning = false)"
    )


def _refuse_bad_cells(connection: "DuckDBPyConnection", file: Path) -> None:
    described = connection.execute("SELECT name FROM parquet_schema($1)", [str(file)]).fetchall()
    if missing := set(ARCHIVED.names) - {row[0] for row in described}:
        raise InvalidInput(f"{file} lacks the columns {', '.join(sorted(missing))}.")
    _view(connection, [file])
    for column in ARCHIVED:
        listed = ", ".join(map(repr, column.allowed)) or "NULL"
        strange = f"min({column.name}) FILTER ({column.name} NOT IN ({listed}))"
        query = f"SELECT count(*) - count({column.name}), {strange} FROM findings"
        n_empty, word = connection.execute(query).fetchone() or ()
        if n_empty and column.name in FILLED:
            told = f"{n_empty} cells are empty; every one is needed."
        elif word is not None:
            told = f"{word!r} is not one of {', '.join(column.allowed)}."
        else:
            continue
        raise InvalidInput(f"{file}, column {column.name}: {told}")


def _resources(folder: Path) -> list[Mapping[str, Any]]:
    if not is_archive(folder):
        what = "no archive" if folder.is_dir() else "not there" if not folder.exists() else "a file"
        raise InvalidInput(f"{folder} is {what}; name a folder that `benchodds archive` wrote.")
    content = package.described_in(folder)
    if content["version"] != str(VERSION):
        raise InvalidInput(
            f"{folder} is an archive of version {content['version']}; this program reads version {VERSION}. "
            "Write it anew from its ledger."
        )
    return list(content["resources"])
