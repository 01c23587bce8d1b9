"""Findings of a ledger with the counting left to its database: equal ones come as one row with their number.

What a finding says of a life depends on its day only by year and twelfth of a year (ages are told to a
month). So the database groups by those, and sends one row for each group; findings that need the rest of
their job to be understood (several of one component, known days of failure, a component that ended the job
against its finding) are sent as they are.
"""

from collections.abc import Iterator
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

from reliability.records.archive import archived_query, whole_jobs
from reliability.records.archive_table import ARCHIVED
from reliability.records.frames import column_array
from reliability.records.schema import SQL_TABLES

if TYPE_CHECKING:
    from reliability.records.reading import LedgerReader

__all__ = ["counted_findings"]

#: Sorts of jobs (family, years, twelfth of a year of intake) to one job, at most, for grouping to pay.
MOST_SORTS = 0.5
_ROWS_AT_ONCE = 200_000
_FETCHED = 20_000
_DAYS_BEFORE = (0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334)
_MIDDLE_OF_A_MONTH = 16
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
