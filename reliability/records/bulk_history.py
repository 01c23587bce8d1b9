"""First versions of many rows at once, without a Python object per row more than needed."""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from operator import itemgetter
from typing import Any

from sqlalchemy import Connection, func, select

from reliability.records import store
from reliability.records.checks import PARTS_OF_A_JOB
from reliability.records.columns import Table
from reliability.records.opening import utc_now
from reliability.records.schema import HISTORY, SQL_TABLES
from reliability.records.tables import TABLES
from reliability.records.values import Value

CHUNK = 5_000
Content = dict[str, Any]


def keep_rows(connection: Connection, table: Table, rows: Iterable[Mapping[str, Value]], reason: str) -> None:
    """Add the first version of new reference rows to the history."""
    now = utc_now()
    versions = [
        {"what": table.name, "key": store.key_text(table, row), "version": 1, "written_at": now,
         "reason": reason, "content": store.to_json(store.content_of(row))}
        for row in rows
    ]  # fmt: skip
    store.keep_versions(connection, versions)


def keep_jobs(connection: Connection, touched: Collection[str], exponent: int, reason: str) -> None:
    """Add a version of every touched job, with all that belongs to it, to the history."""
    if not touched:
        return
    query = select(HISTORY.c.key, func.max(HISTORY.c.version)).where(HISTORY.c.what == "jobs")
    last = {key: version for key, version in connection.execute(query.group_by(HISTORY.c.key))}
    now, versions = utc_now(), []
    for job, document in documents(connection, exponent):
        if job in touched:
            versions.append({"what": "jobs", "key": job, "version": last.get(job, 0) + 1, "written_at": now,
                             "reason": reason, "content": store.to_json(document)})  # fmt: skip
        if len(versions) == CHUNK:
            store.keep_versions(connection, versions)
            versions = []
    if versions:
        store.keep_versions(connection, versions)


def documents(connection: Connection, exponent: int) -> Iterator[tuple[str, Content]]:
    """Read every job with all that belongs to it, as the history writes it.

    The tables are read side by side in the order of their jobs, so memory does not grow with them.
    """
    parts = {part: _by_job(connection, part, exponent) for part in PARTS_OF_A_JOB}
    waiting = {part: next(groups, None) for part, groups in parts.items()}
    for job, (content,) in _by_job(connection, "jobs", exponent):
        document: Content = {"job": {"job": job, **content}}
        for part, groups in parts.items():
            group = waiting[part]
            if group is not None and group[0] == job:
                document[part] = group[1]
                waiting[part] = next(groups, None)
            else:
                document[part] = []
        yield job, document


def _by_job(connection: Connection, name: str, exponent: int) -> Iterator[tuple[str, list[Content]]]:
    """Read a table job by job, each row as the history writes it, without the job."""
    table, sql = TABLES[name], SQL_TABLES[name]
    order = [sql.c[part] for part in table.key]
    found = connection.execute(select(sql).order_by(*order).execution_options(yield_per=CHUNK))
    writers = _writers(table, exponent)
    for job, rows in groupby(found, key=itemgetter(0)):
        yield job, [_content(writers, row) for row in rows]


def _writers(table: Table, exponent: int) -> list[tuple[int, str, Callable[[Any], Any] | None]]:
    def amount(minor: int) -> str:
        digits = f"{minor:0{exponent + 1}d}"
        return f"{digits[:-exponent]}.{digits[-exponent:]}" if exponent else digits

    return [
        (position, column.name, amount if column.kind == "money" else None)
        for position, column in enumerate(table.columns)
        if column.name != "job"
    ]


def _content(writers: Sequence[tuple[int, str, Callable[[Any], Any] | None]], row: Sequence[Any]) -> Content:
    return {
        name: row[position] if write is None else write(row[position])
        for position, name, write in writers
        if row[position] is not None
    }
