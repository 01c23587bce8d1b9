"""Archives: the findings of a ledger as Parquet files that many benches can put together."""

import datetime
import hashlib
import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Select, and_, func, select

from reliability.errors import InvalidInput, reason
from reliability.records.archive_table import (
    ARCHIVED,
    NAME,
    VERSION,
    arrow_type,
    descriptor_text,
    load_pyarrow,
)
from reliability.records.descriptor import DESCRIPTOR, read_json
from reliability.records.schema import SQL_TABLES

if TYPE_CHECKING:
    from reliability.records.reading import LedgerReader

__all__ = ["ArchiveSummary", "archived_query", "whole_jobs", "write_archive"]

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
