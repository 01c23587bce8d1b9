"""Archives: findings as Parquet files that many benches put together, read back piece by piece."""

import datetime
import hashlib
import json
import os
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
from sqlalchemy import Select, and_, func, select

from reliability.errors import InvalidInput, reason
from reliability.records.database import SQL_TABLES
from reliability.records.package import DESCRIPTOR, described_in, field_of, package_name
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


#: One row of an archive; the columns are those of the documented tables, by the same names.
ARCHIVED = Table(
    "findings",
    DESCRIPTION,
    tuple(
        TABLES[table][name]
            for table, names in (
                ("jobs", "job family"), ("families", "kind first_year last_year"),
                ("jobs", "built_from built_to taken_in ended_by ended_why"),
                ("findings", "component position found original fitted_from fitted_to arose"),
                ("findings", "failed_from failed_to"),
            )
            for name in names.split()
    ),
    ("job", "component", "position", "arose"),
    {},
)  # fmt: skip
#: Columns that are filled in every row, also in one without a component.
FILLED = ("job", "family", "kind", "taken_in")


def descriptor_text(parts: Sequence[Mapping[str, Any]], counts: Mapping[str, int]) -> str:
    """Write the `datapackage.json` of an archive in one fixed form."""
    fields = [_field(column) for column in ARCHIVED]
    content = {
        "profile": "data-package",
        "name": NAME,
        "version": str(VERSION),
        "title": "Findings of a repair bench",
        "description": DESCRIPTION,
        "counts": dict(counts),
        "resources": [
            {
                "name": str(part["path"]).split("/")[0].replace("=", "-").replace("_", "-"),
                **part,
                "format": "parquet",
                "mediatype": "application/vnd.apache.parquet",
                "schema": {"fields": fields},
            }
            for part in parts
        ],
    }
    return json.dumps(content, indent=2, ensure_ascii=False) + "\n"


def _field(column: Column) -> dict[str, Any]:
    """Describe a column as it lies in Parquet: typed, and required only where every row fills it."""
    field = field_of(column)
    kept = {"required": True} if column.name in FILLED else {}
    said = field.pop("constraints", {}).items()
    constraints = {k: v for k, v in said if k in ("enum", "minimum", "maximum")} | kept
    if column.kind == "date":
        field["type"] = "date"
        field["description"] = f"{column.meaning} (a month alone stands for its 16th)"
    return {**field, **({"constraints": constraints} if constraints else {})}


def library(name: str, what: str) -> Any:
    """Load a library of the extra that archives need; where it is missing, say what for."""
    try:
        return import_module(name)
    except ModuleNotFoundError:
        raise InvalidInput(
            f"{what}, which is not installed. Install the extra `scale`: pip install 'benchodds[scale]'."
        ) from None


def load_pyarrow() -> tuple[Any, Any]:
    """Load the library that writes Parquet."""
    what = "Archives are Parquet files, and they are written by pyarrow"
    return library("pyarrow", what), library("pyarrow.parquet", what)


def arrow_type(pa: Any, column: Column) -> Any:
    """Give the type of a column in Parquet."""
    if column.kind == "year":
        return pa.int16()
    return pa.date32() if column.kind == "date" else pa.dictionary(pa.int32(), pa.string())


# Archives: the findings of a ledger as Parquet files that many benches can put together.


#: Rows that are read into memory at once; a group ends where a job does.
ROWS_PER_GROUP = 500_000
_FETCHED = 20_000
_MIDDLE_OF_A_MONTH = 16
_JOB, _TAKEN_IN, _COMPONENT = (ARCHIVED.names.index(name) for name in ("job", "taken_in", "component"))


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
    pa, pq = load_pyarrow()
    folder = Path(path)
    _refuse_other_content(folder)
    writer = _Writer(pa, pq, folder)
    with ledger.reading() as connection:
        jobs = SQL_TABLES["jobs"]
        imported = connection.execute(
            select(func.count()).select_from(jobs).where(jobs.c.origin.is_not(None))
        ).scalar_one()
        rows = connection.execute(archived_query().execution_options(yield_per=_FETCHED))
        try:
            try:
                writer.write(rows)
                if not writer.parts:
                    raise InvalidInput(
                        f"{ledger.name} holds no finding of its own yet; no archive was written."
                    )
                writer.commit()
            finally:
                writer.sweep()
        except OSError as error:
            raise InvalidInput(f"{folder} cannot be written: {reason(error)}.") from None
    return ArchiveSummary(writer.jobs, writer.findings, imported)


def archived_query() -> Select[Any]:
    """Select what an archive holds, rows of one job together and those of one component in it too."""
    jobs, findings, families = (SQL_TABLES[name] for name in ("jobs", "findings", "families"))
    home = {"jobs": jobs, "findings": findings, "families": families}
    of_family = ("kind", "first_year", "last_year")
    columns = [
        home["families" if name in of_family else "jobs" if name in jobs.c else "findings"].c[name]
        for name in ARCHIVED.names
    ]
    told = and_(jobs.c.origin.is_(None), findings.c.job.is_not(None) | jobs.c.ended_by.is_not(None))
    order = (jobs.c.taken_in, jobs.c.job, findings.c.component, findings.c.position, findings.c.arose)
    joined = jobs.join(families, families.c.family == jobs.c.family).outerjoin(
        findings, findings.c.job == jobs.c.job
    )
    return select(*columns).select_from(joined).where(told).order_by(*order)


def whole_jobs(rows: Iterable[Sequence[Any]], least: int) -> Iterator[list[Sequence[Any]]]:
    """Gather rows of `archived_query` into lists of at least so many, none of which ends within a job."""
    group: list[Sequence[Any]] = []
    for _, of_job in groupby(rows, key=itemgetter(_JOB)):
        group.extend(of_job)
        if len(group) >= least:
            yield group
            group = []
    if group:
        yield group


def is_archive(folder: Path) -> bool:
    """Whether a folder holds an archive, of any version."""
    return package_name(folder) == NAME


def _refuse_other_content(folder: Path) -> None:
    if folder.exists() and not folder.is_dir():
        raise InvalidInput(f"{folder} is a file; an archive needs a folder. Nothing was written.")
    if not folder.parent.is_dir():
        raise InvalidInput(f"The folder {folder.parent} does not exist. Nothing was written.")
    held = [item.name for item in folder.iterdir()] if folder.is_dir() else []
    # A first archive that was cut off has left nothing but this.
    is_interrupted = all(name.startswith("taken_in_year=") for name in held)
    if held and not (is_archive(folder) or is_interrupted):
        raise InvalidInput(
            f"{folder} holds files that are no archive; name another folder. Nothing was written."
        )


class _Writer:
    """The files of one archive, written beside those of the last one."""

    def __init__(self, pa: Any, pq: Any, folder: Path) -> None:
        self.pa, self.pq, self.folder = pa, pq, folder
        self.schema = pa.schema([(column.name, arrow_type(pa, column)) for column in ARCHIVED],
                                metadata={"benchodds_archive": str(VERSION)})  # fmt: skip
        self.parts: list[dict[str, Any]] = []
        self.jobs = self.findings = 0

    def write(self, rows: Iterator[Sequence[Any]]) -> None:
        """Write one file for each year of intake; the rows come sorted by day."""
        for year, of_year in groupby(rows, key=lambda row: row[_TAKEN_IN][:4]):
            place = self.folder / f"taken_in_year={year}"
            place.mkdir(parents=True, exist_ok=True)
            draft = place / ".findings.parquet.new"
            with self.pq.ParquetWriter(
                draft, self.schema, compression="zstd", dictionary_pagesize_limit=16 * 1024**2
            ) as file:
                for group in whole_jobs(of_year, ROWS_PER_GROUP):
                    file.write_table(self._table(group), row_group_size=len(group))
            with draft.open("rb") as content:
                digest = hashlib.file_digest(content, "sha256").hexdigest()
                os.fsync(content.fileno())
            final = place / f"findings-{digest[:16]}.parquet"
            draft.replace(final)
            self.parts.append(
                {
                    "path": final.relative_to(self.folder).as_posix(),
                    "bytes": final.stat().st_size,
                    "hash": f"sha256:{digest}",
                }
            )

    def _table(self, group: list[Sequence[Any]]) -> Any:
        columns = list(zip(*group, strict=True))
        self.jobs += len(set(columns[_JOB]))
        self.findings += sum(name is not None for name in columns[_COMPONENT])
        arrays = []
        for column, values in zip(ARCHIVED, columns, strict=True):
            if column.kind == "date":
                arrays.append(self.pa.array([_day(value) for value in values], self.pa.date32()))
            elif column.kind == "year":
                arrays.append(self.pa.array(values, self.pa.int16()))
            else:
                arrays.append(self.pa.array(values, self.pa.string()).dictionary_encode())
        return self.pa.Table.from_arrays(arrays, schema=self.schema)

    def commit(self) -> None:
        """Let the new files count."""
        counts = {"jobs": self.jobs, "findings": self.findings}
        draft = self.folder / f".{DESCRIPTOR}.new"
        with draft.open("w", encoding="utf-8", newline="\n") as file:
            file.write(descriptor_text(self.parts, counts))
            file.flush()
            os.fsync(file.fileno())
        draft.replace(self.folder / DESCRIPTOR)

    def sweep(self) -> None:
        """Remove files that do not count, whether of an earlier archive or of one that failed."""
        if not self.folder.is_dir():
            return
        counted = _listed_paths(self.folder)
        for file in (*self.folder.glob("taken_in_year=*/*"), self.folder / f".{DESCRIPTOR}.new"):
            if file not in counted:
                file.unlink(missing_ok=True)
        for place in self.folder.glob("taken_in_year=*"):
            if not any(place.iterdir()):
                place.rmdir()
        if not any(self.folder.iterdir()):
            self.folder.rmdir()


def _listed_paths(folder: Path) -> set[Path]:
    resources = described_in(folder)["resources"] if is_archive(folder) else ()
    return {folder / resource["path"] for resource in resources}


def _day(value: str | None) -> datetime.date | None:
    if value is None:
        return None
    year, month, *day = map(int, value.split("-"))
    return datetime.date(year, month, day[0] if day else _MIDDLE_OF_A_MONTH)


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
    types = {"date": "DATE", "year": "SMALLINT"}
    columns = ", ".join(f"{column.name} {types.get(column.kind, 'VARCHAR')}" for column in ARCHIVED)
    connection.execute(f"CREATE TABLE findings ({columns})")
    with ledger.reading() as reading:
        rows = reading.execute(archived_query().execution_options(yield_per=_FETCHED))
        for some in rows.partitions(_FETCHED):
            batch = pd.DataFrame(some, columns=list(ARCHIVED.names), dtype=object)
            for column in ARCHIVED:
                if column.kind == "date":
                    batch[column.name] = [_day(value) for value in batch[column.name]]
                elif column.kind == "year":
                    batch[column.name] = pd.array(batch[column.name], dtype="Int16")
            connection.register("batch", batch)
            connection.execute(f"INSERT INTO findings SELECT {', '.join(ARCHIVED.names)} FROM batch")
    return connection


def _engine() -> tuple[Any, "DuckDBPyConnection"]:
    duckdb = library("duckdb", "Findings by the million are counted by duckdb")
    settings = {"memory_limit": "800MB", "temp_directory": tempfile.gettempdir(), "threads": "2"}
    connection = duckdb.connect(config=settings)
    connection.execute("SET enable_progress_bar = false; SET preserve_insertion_order = false")
    return duckdb, connection


def _view(connection: "DuckDBPyConnection", files: Sequence[str]) -> None:
    listed = ", ".join("'" + file.replace("'", "''") + "'" for file in files)
    connection.execute(
        f"CREATE OR REPLACE VIEW findings AS SELECT {', '.join(ARCHIVED.names)} "
        f"FROM read_parquet([{listed}], hive_partitioning = false)"
    )


def _refuse_bad_cells(connection: "DuckDBPyConnection", file: Path) -> None:
    described = connection.execute("SELECT name FROM parquet_schema($1)", [str(file)]).fetchall()
    if missing := set(ARCHIVED.names) - {row[0] for row in described}:
        raise InvalidInput(f"{file} lacks the columns {', '.join(sorted(missing))}.")
    _view(connection, [str(file)])
    checked = [column for column in ARCHIVED if column.name in FILLED or column.allowed]
    empty = [f"count(*) - count({column.name})" for column in checked]
    strange = [
        f"min({c.name}) FILTER ({c.name} NOT IN ({', '.join(repr(word) for word in c.allowed)}))"
        if c.allowed
        else "NULL"
        for c in checked
    ]
    told = connection.execute(f"SELECT {', '.join([*empty, *strange])} FROM findings").fetchone() or ()
    for column, number, word in zip(checked, told, told[len(checked) :], strict=False):
        if number and column.name in FILLED:
            raise InvalidInput(
                f"{file}, column {column.name}: {number} cells are empty; every one is needed."
            )
        if word is not None:
            raise InvalidInput(
                f"{file}, column {column.name}: {word!r} is not one of {', '.join(column.allowed)}."
            )


def _resources(folder: Path) -> list[Mapping[str, Any]]:
    if not is_archive(folder):
        what = "no archive" if folder.is_dir() else "not there" if not folder.exists() else "a file"
        raise InvalidInput(f"{folder} is {what}; name a folder that `benchodds archive` wrote.")
    content = described_in(folder)
    if content["version"] != str(VERSION):
        raise InvalidInput(
            f"{folder} is an archive of version {content['version']}; this program reads version {VERSION}. "
            "Write it anew from its ledger."
        )
    return list(content["resources"])
