"""Archives: findings as Parquet files that many benches put together, read back piece by piece."""

import datetime
import hashlib
import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from sqlalchemy import (
    ColumnElement,
    Connection,
    FromClause,
    Integer,
    Select,
    and_,
    case,
    cast,
    exists,
    func,
    null,
    or_,
    select,
)

from reliability.errors import InvalidInput, reason
from reliability.records.database import SQL_TABLES
from reliability.records.frames import column_array
from reliability.records.package import DESCRIPTOR, field_of, read_json
from reliability.records.tables import TABLES, Column, Table

if TYPE_CHECKING:
    from reliability.records.ledger import LedgerReader

# What an archive holds: findings with what the lives of parts need of their jobs, and nothing else.


NAME = "bench-archive"
#: Raised by one whenever archives written before could no longer be read.
VERSION = 1
DESCRIPTION = (
    "Findings of one bench with what the lives of parts need of their jobs: no money, no remarks, nothing "
    "that was imported from elsewhere. One folder for each year of intake; rows of one job stand together. "
    "A row without a component stands for a job that a component ended which nobody wrote a finding of."
)


def _from(table: str, *names: str) -> list[Column]:
    return [TABLES[table][name] for name in names]


#: One row of an archive; the columns are those of the documented tables, by the same names.
ARCHIVED = Table(
    "findings",
    DESCRIPTION,
    (
        *_from("jobs", "job", "family"),
        *_from("families", "kind", "first_year", "last_year"),
        *_from("jobs", "built_from", "built_to", "taken_in", "ended_by", "ended_why"),
        *_from("findings", "component", "position", "found", "original", "fitted_from", "fitted_to", "arose",
               "failed_from", "failed_to"),
    ),
    ("job", "component", "position", "arose"),
    {},
)  # fmt: skip
#: Columns that are filled in every row, also in one without a component.
FILLED = ("job", "family", "kind", "taken_in")


def descriptor_text(parts: Sequence[Mapping[str, Any]], counts: Mapping[str, int]) -> str:
    """Write the `datapackage.json` of an archive in one fixed form.

    Parameters
    ----------
    parts : sequence of mapping
        path, bytes and hash of each Parquet file.
    counts : mapping of str to int
        How many jobs and findings they hold together.
    """
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
    constraints = {
        k: v for k, v in field.pop("constraints", {}).items() if k in ("enum", "minimum", "maximum")
    }
    if column.name in FILLED:
        constraints["required"] = True
    if column.kind == "date":
        field["type"] = "date"
        field["description"] = f"{column.meaning} (a month alone stands for its 16th)"
    return {**field, **({"constraints": constraints} if constraints else {})}


def load_pyarrow() -> tuple[Any, Any]:
    """Load the library that reads and writes Parquet.

    Returns
    -------
    pyarrow, pyarrow.parquet : module

    Raises
    ------
    InvalidInput
        If it is not installed.
    """
    try:
        return import_module("pyarrow"), import_module("pyarrow.parquet")
    except ModuleNotFoundError:
        raise InvalidInput(
            "Archives are Parquet files, and pyarrow, which reads and writes them, is not installed. "
            "Install the extra `archive`: pip install 'benchodds[archive]'."
        ) from None


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
    """What went into an archive.

    Attributes
    ----------
    jobs, findings : int
        Of this bench.
    imported_jobs : int
        Jobs that were left out, because another source has written them down.
    """

    jobs: int
    findings: int
    imported_jobs: int


def write_archive(ledger: "LedgerReader", path: str | Path) -> ArchiveSummary:
    """Write the findings of a ledger to a folder of Parquet files, one for each year of intake.

    A reader sees the old archive or the new one, never a mixture: files bear the digest of their
    content, and which of them count is said by the descriptor, which is replaced last. Equal ledgers
    give equal bytes.

    Parameters
    ----------
    ledger : LedgerReader
        An open ledger.
    path : str or Path
        The folder; made if it is not there, and renewed if it holds an earlier archive.

    Returns
    -------
    ArchiveSummary

    Raises
    ------
    InvalidInput
        If pyarrow is missing, the folder holds something else or cannot be written, or the ledger has
        no finding of its own.
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
    try:
        content = read_json(folder / DESCRIPTOR)
    except (OSError, ValueError):
        return False
    return isinstance(content, dict) and content.get("name") == NAME


def _refuse_other_content(folder: Path) -> None:
    if folder.exists() and not folder.is_dir():
        raise InvalidInput(f"{folder} is a file; an archive needs a folder. Nothing was written.")
    if not folder.parent.is_dir():
        raise InvalidInput(f"The folder {folder.parent} does not exist. Nothing was written.")
    if folder.is_dir() and any(folder.iterdir()) and not (is_archive(folder) or _is_interrupted(folder)):
        raise InvalidInput(
            f"{folder} holds files that are no archive; name another folder. Nothing was written."
        )


def _is_interrupted(folder: Path) -> bool:
    """Whether all that lies there is what a first archive left that was cut off."""
    return all(item.name.startswith("taken_in_year=") for item in folder.iterdir())


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
    if not is_archive(folder):
        return set()
    content = read_json(folder / DESCRIPTOR)
    return {folder / resource["path"] for resource in content["resources"]}


def _day(value: str | None) -> datetime.date | None:
    if value is None:
        return None
    year, month, *day = map(int, value.split("-"))
    return datetime.date(year, month, day[0] if day else _MIDDLE_OF_A_MONTH)


# Archives read back: checked once, then piece by piece.


_TEXTS = [column.name for column in ARCHIVED if column.kind in ("text", "choice")]


@dataclass(frozen=True)
class ArchivePart:
    """A piece of an archive that is read at once; it holds whole jobs only.

    Attributes
    ----------
    file : Path
        A Parquet file of the archive.
    group : int
        Which of its row groups.
    n_rows : int
        How many rows that has.
    """

    file: Path
    group: int
    n_rows: int

    def read(self) -> pd.DataFrame:
        """Read the piece.

        Returns
        -------
        DataFrame, n_rows rows
            The columns of an archive: texts as categories, years as float64 with NaN, days as
            datetime64.

        Raises
        ------
        InvalidInput
            If the file cannot be read, or a cell breaks the description of its column.
        """
        pa, pq = load_pyarrow()
        try:
            with pq.ParquetFile(self.file, read_dictionary=_TEXTS) as file:
                table = file.read_row_group(self.group, columns=list(ARCHIVED.names), use_threads=False)
        except (OSError, pa.ArrowException) as error:
            raise InvalidInput(f"{self.file} cannot be read: {error}") from None
        self._refuse_bad_cells(table)
        frame: pd.DataFrame = table.to_pandas(date_as_object=False, use_threads=False)
        return frame

    def _refuse_bad_cells(self, table: Any) -> None:
        for name in FILLED:
            if empty := table[name].null_count:
                raise InvalidInput(
                    f"{self.file}, column {name}: {empty} cells are empty; every one is needed."
                )
        for column in ARCHIVED:
            if column.allowed:
                words = {word for chunk in table[column.name].chunks for word in chunk.dictionary.to_pylist()}
                if strange := sorted(words - set(column.allowed)):
                    raise InvalidInput(
                        f"{self.file}, column {column.name}: {strange[0]!r} is not one of "
                        f"{', '.join(column.allowed)}."
                    )


def open_archives(folders: Iterable[str | Path]) -> list[ArchivePart]:
    """Find the pieces of archives, after checking that all is there.

    Parameters
    ----------
    folders : iterable of str or Path
        Folders that `write_archive` wrote.

    Returns
    -------
    list of ArchivePart
        In the order of the folders and of their years of intake.

    Raises
    ------
    InvalidInput
        If pyarrow is missing, a folder is no archive or of another version, a file is missing or cut
        short, or two folders hold the same file (its findings would count twice).
    """
    _, pq = load_pyarrow()
    seen: dict[str, Path] = {}
    parts: list[ArchivePart] = []
    for folder in (Path(name).resolve() for name in folders):
        for resource in _resources(folder):
            file = folder / resource["path"]
            before = seen.setdefault(resource["hash"], file)
            if before != file or any(part.file == file for part in parts):
                raise InvalidInput(f"{file} holds the same findings as {before}; give each archive once.")
            parts += _groups(pq, file, resource["bytes"])
    return parts


def _resources(folder: Path) -> list[Mapping[str, Any]]:
    if not is_archive(folder):
        what = "no archive" if folder.is_dir() else "not there" if not folder.exists() else "a file"
        raise InvalidInput(f"{folder} is {what}; name a folder that `benchodds archive` wrote.")
    content = read_json(folder / DESCRIPTOR)
    if content["version"] != str(VERSION):
        raise InvalidInput(
            f"{folder} is an archive of version {content['version']}; this program reads version {VERSION}. "
            "Write it anew from its ledger."
        )
    return list(content["resources"])


def _groups(pq: Any, file: Path, size: int) -> list[ArchivePart]:
    found = file.stat().st_size if file.is_file() else None
    if found != size:
        told = "is missing" if found is None else f"has {found} bytes where {size} were written"
        raise InvalidInput(f"{file} {told}; copy the archive again.")
    with pq.ParquetFile(file) as opened:
        if missing := set(ARCHIVED.names) - set(opened.schema_arrow.names):
            raise InvalidInput(f"{file} lacks the columns {', '.join(sorted(missing))}.")
        sizes = [opened.metadata.row_group(g).num_rows for g in range(opened.num_row_groups)]
    return [ArchivePart(file, group, n_rows) for group, n_rows in enumerate(sizes)]


# Findings of a ledger with the counting left to its database: equal ones come as one row with their number.


#: Sorts of jobs (family, years, twelfth of a year of intake) to one job, at most, for grouping to pay.
MOST_SORTS = 0.5
_ROWS_AT_ONCE = 200_000
_DAYS_BEFORE = (0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334)
_OF_FINDING = ("component", "found", "original", "fitted_from", "fitted_to", "arose")
_OF_JOB = ("family", "built_from", "built_to")
_OF_FAMILY = ("kind", "first_year", "last_year")


def counted_findings(ledger: "LedgerReader") -> Iterator[pd.DataFrame]:
    """Read what a ledger's own findings say of lives, counted by its database.

    Parameters
    ----------
    ledger : LedgerReader
        An open ledger.

    Yields
    ------
    DataFrame
        The columns of an archive and `count`. Rows without a job are groups: their `taken_in` is the first
        day of those that give the same age. Where hardly two jobs are alike nothing is grouped, for that
        would cost more than it saves. All are one state of the ledger, in one transaction.
    """
    with ledger.reading() as connection:
        if not _pays(connection):
            yield from _frames(connection, archived_query(), has_jobs=True)
            return
        yield from _frames(connection, _grouped(), has_jobs=False)
        yield from _frames(connection, _others(), has_jobs=True)
        yield from _frames(connection, _implied(), has_jobs=False)


def _frames(connection: Connection, query: Select[Any], *, has_jobs: bool) -> Iterator[pd.DataFrame]:
    """Read a query in batches, none of which ends within a job."""
    rows = connection.execute(query.execution_options(yield_per=_FETCHED))
    names = list(rows.keys())
    batches = whole_jobs(rows, _ROWS_AT_ONCE) if has_jobs else rows.partitions(_ROWS_AT_ONCE)
    for some in batches:
        yield _frame(names, some)


def _pays(connection: Connection) -> bool:
    """Whether jobs are so much alike that grouping their findings saves more than it costs."""
    jobs = SQL_TABLES["jobs"]
    year, twelfth = _moment(jobs.c.taken_in)
    own = jobs.c.origin.is_(None)
    sorts = select(*(jobs.c[name] for name in _OF_JOB), year.label("year"), twelfth.label("twelfth"))
    n_sorts, n_jobs = (
        connection.execute(select(func.count()).select_from(source)).scalar_one()
        for source in (sorts.where(own).distinct().subquery(), select(jobs.c.job).where(own).subquery())
    )
    return bool(n_sorts <= MOST_SORTS * n_jobs)


def _is_plain(finding: FromClause) -> ColumnElement[bool]:
    """Whether a finding says all by itself; its job must be joined."""
    jobs, other = SQL_TABLES["jobs"], SQL_TABLES["findings"].alias("another")
    is_another = or_(other.c.position != finding.c.position, other.c.arose != finding.c.arose)
    alone = ~exists().where(
        other.c.job == finding.c.job, other.c.component == finding.c.component, is_another
    )
    agrees = or_(
        jobs.c.ended_by.is_(None), jobs.c.ended_by != finding.c.component, finding.c.found == "failed"
    )
    return and_(alone, agrees, finding.c.failed_from.is_(None), finding.c.failed_to.is_(None))


def _grouped() -> Select[Any]:
    jobs, findings, families = (SQL_TABLES[name] for name in ("jobs", "findings", "families"))
    year, twelfth = _moment(jobs.c.taken_in)
    each = (
        select(
            *(jobs.c[name] for name in _OF_JOB),
            *(findings.c[name] for name in _OF_FINDING),
            jobs.c.taken_in,
            year.label("year"),
            twelfth.label("twelfth"),
        )
        .select_from(findings.join(jobs, jobs.c.job == findings.c.job))
        .where(jobs.c.origin.is_(None), _is_plain(findings))
        .subquery()
    )
    same = [each.c[name] for name in (*_OF_JOB, *_OF_FINDING)]
    groups = (
        select(*same, func.min(each.c.taken_in).label("taken_in"), func.count().label("count"))
        .group_by(*same, each.c.year, each.c.twelfth)
        .subquery()
    )
    return select(*groups.c, *(families.c[name] for name in _OF_FAMILY)).join(
        families, families.c.family == groups.c.family
    )


def _others() -> Select[Any]:
    """Select findings that are not plain, whole components of a job together."""
    jobs, findings = SQL_TABLES["jobs"], SQL_TABLES["findings"]
    end = findings.alias("ending")
    # Only with the findings of that very component does the end of the job say something here.
    is_here = exists().where(end.c.job == jobs.c.job, end.c.component == jobs.c.ended_by, ~_is_plain(end))
    ended_by = case((is_here, jobs.c.ended_by), else_=null()).label("ended_by")
    query = archived_query().where(findings.c.job.is_not(None), ~_is_plain(findings))
    columns = [ended_by if column.name == "ended_by" else column for column in query.selected_columns]
    return query.with_only_columns(*columns)


def _implied() -> Select[Any]:
    """Select jobs that a component ended of which there is no finding."""
    jobs, findings, families = (SQL_TABLES[name] for name in ("jobs", "findings", "families"))
    end = findings.alias("ending")
    found = exists().where(end.c.job == jobs.c.job, end.c.component == jobs.c.ended_by)
    names = ("job", *_OF_JOB, "taken_in", "ended_by", "ended_why")
    columns = [*(jobs.c[name] for name in names), *(families.c[name] for name in _OF_FAMILY)]
    return (
        select(*columns)
        .join(families, families.c.family == jobs.c.family)
        .where(jobs.c.origin.is_(None), jobs.c.ended_by.is_not(None), ~found)
    )


def _moment(day: ColumnElement[str]) -> tuple[ColumnElement[int], ColumnElement[int]]:
    """Calendar year, and how many twelfths of it have passed, rounded as ages are; a month is its 16th."""
    year, month = (cast(func.substr(day, *place), Integer) for place in ((1, 4), (6, 2)))
    in_month = case((func.length(day) == 7, _MIDDLE_OF_A_MONTH), else_=cast(func.substr(day, 9, 2), Integer))
    is_leap = or_(and_(year % 4 == 0, year % 100 != 0), year % 400 == 0)
    leap = case((is_leap, 1), else_=0)
    before = case({i: days for i, days in enumerate(_DAYS_BEFORE, 1)}, value=month)
    passed = before + in_month - 1 + case((month > 2, leap), else_=0)
    length = leap + 365
    return year, (passed * 24 + length) // (length * 2)


def _frame(names: list[str], rows: Any) -> pd.DataFrame:
    found = dict(zip(names, zip(*rows, strict=True), strict=True))
    nothing = (None,) * len(rows)
    arrays = {column.name: column_array(column, found.get(column.name, nothing)) for column in ARCHIVED}
    return pd.DataFrame({**arrays, "count": np.array(found.get("count", (1,) * len(rows)), dtype=np.int64)})
