"""Rows in and out of the database, within a transaction that the caller holds."""

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any

from sqlalchemy import ColumnElement, Connection, and_, delete, func, insert, literal, select, union, update

from reliability.errors import LedgerError
from reliability.records.checks import PARTS_OF_A_JOB, JobDocument
from reliability.records.columns import Table
from reliability.records.currencies import exponent_of
from reliability.records.numbering import Number, number_after, split_number
from reliability.records.opening import show_with, utc_now
from reliability.records.schema import HISTORY, NUMBERING, SQL_TABLES, chained
from reliability.records.tables import SETTINGS, TABLES
from reliability.records.values import Value, read_value

Row = dict[str, Value]

_IN_NO_TEXT = re.compile("[\0\ud800-\udfff]")

#: Where each kind of name is found.
NAMES: dict[str, tuple[tuple[str, str], ...]] = {
    "family": (("families", "family"),),
    "model": (("models", "model"), ("jobs", "model")),
    "component": (
        ("findings", "component"),
        ("jobs", "ended_by"),
        ("followups", "component"),
        ("parts", "component"),
        ("hearsay", "component"),
    ),
    "sign": (("signs", "sign"),),
    "kind": (("families", "kind"), ("hearsay", "kind")),
    "maker": (("families", "maker"),),
    "lot": (("jobs", "lot"),),
    "origin": (("jobs", "origin"),),
}


def to_sql(table: Table, row: Mapping[str, Value], exponent: int) -> dict[str, Any]:
    """Turn a row of plain values into what the database stores: amounts become minor units."""
    stored = dict(row)
    for column in table.columns:
        if column.kind == "money" and stored.get(column.name) is not None:
            stored[column.name] = int(Decimal(stored[column.name]).scaleb(exponent))  # type: ignore[arg-type]
    return stored


def from_sql(table: Table, row: Mapping[str, Any], exponent: int) -> Row:
    """Turn a stored row into plain values: minor units become amounts."""
    plain = dict(row)
    if bytes in map(type, plain.values()):
        raise TypeError("no column holds bytes")
    for column in table.columns:
        if column.kind == "money" and plain[column.name] is not None:
            plain[column.name] = Decimal(plain[column.name]).scaleb(-exponent)
    return plain


def currency_of(connection: Connection) -> str:
    """Tell the currency of the ledger."""
    settings = SQL_TABLES["settings"]
    found = connection.execute(select(settings.c.value).where(settings.c.setting == "currency")).scalar()
    return str(found or SETTINGS["currency"].default)


def exponent_in(connection: Connection) -> int:
    """Tell how many decimals the currency of the ledger has."""
    return exponent_of(currency_of(connection))


def holds_amounts(connection: Connection) -> bool:
    """Tell whether any amount is stored."""
    for name, table in TABLES.items():
        sql = SQL_TABLES[name]
        filled = [sql.c[column.name].is_not(None) for column in table if column.kind == "money"]
        if any(connection.execute(select(literal(1)).where(test).limit(1)).first() for test in filled):
            return True
    settings = SQL_TABLES["settings"]
    priced = [name for name, column in SETTINGS.items() if column.kind == "money"]
    found = connection.execute(select(settings.c.value).where(settings.c.setting.in_(priced))).scalars()
    return any(Decimal(value) for value in found)


def fetch_rows(
    connection: Connection, name: str, exponent: int, where: ColumnElement[bool] | None = None
) -> list[Row]:
    """Read the rows of a table, sorted as they are exported."""
    table, sql = TABLES[name], SQL_TABLES[name]
    query = select(sql) if where is None else select(sql).where(where)
    try:
        rows = [from_sql(table, row._asdict(), exponent) for row in connection.execute(query)]
        return sorted(rows, key=lambda row: sort_key(table, row))
    except (TypeError, ValueError, ArithmeticError):
        raise LedgerError(
            f"The table {name} holds a value that nobody could have written: the ledger is damaged; restore "
            "it from a backup."
        ) from None


def sort_key(table: Table, row: Mapping[str, Value]) -> tuple[Any, ...]:
    """Order rows by key, jobs by the day they came in first; empty cells come first."""
    names = ("taken_in", *table.key) if table.name == "jobs" else table.key
    return tuple((row[name] is not None, row[name]) if row[name] is not None else (False,) for name in names)


def key_test(name: str, row: Mapping[str, Value]) -> ColumnElement[bool]:
    """Build the test that finds the row with the same key."""
    sql, key = SQL_TABLES[name], TABLES[name].key
    return and_(*(sql.c[part].is_(None) if row[part] is None else sql.c[part] == row[part] for part in key))


def fetch_document(connection: Connection, job: str, exponent: int) -> JobDocument | None:
    """Read a whole job, or None if there is none of that number."""
    if _IN_NO_TEXT.search(job):  # no database could even be asked
        return None
    rows = fetch_rows(connection, "jobs", exponent, SQL_TABLES["jobs"].c.job == job)
    if not rows:
        return None
    document: JobDocument = {"job": rows[0]}
    for part in PARTS_OF_A_JOB:
        found = fetch_rows(connection, part, exponent, SQL_TABLES[part].c.job == job)
        document[part] = [{name: value for name, value in row.items() if name != "job"} for row in found]
    return document


def replace_document(connection: Connection, document: JobDocument, exponent: int, *, new: bool) -> None:
    """Write a clean job and everything that belongs to it in place of what was there."""
    job = document["job"]["job"]
    values = to_sql(TABLES["jobs"], document["job"], exponent)
    sql = SQL_TABLES["jobs"]
    if new:
        connection.execute(insert(sql), values)
        if not document["job"]["origin"] and (number := split_number(job)):
            note_number(connection, number)
    else:
        remove_parts(connection, job)
        connection.execute(update(sql).where(sql.c.job == job).values(values))
    for part in PARTS_OF_A_JOB:
        rows = [to_sql(TABLES[part], {**row, "job": job}, exponent) for row in document[part]]
        if rows:
            connection.execute(insert(SQL_TABLES[part]), rows)


def remove_parts(connection: Connection, job: str) -> None:
    """Take the findings, signs and follow-ups of a job out of the current tables."""
    for part in PARTS_OF_A_JOB:
        connection.execute(delete(SQL_TABLES[part]).where(SQL_TABLES[part].c.job == job))


def next_number(connection: Connection) -> str:
    """Word the next job number in sequence."""
    newest = select(NUMBERING).order_by(NUMBERING.c.turn.desc()).limit(1)
    row = connection.execute(newest).first()
    return "1" if row is None else number_after(row.prefix, row.last, row.width)


def note_number(connection: Connection, number: Number) -> None:
    """Remember a number that is now taken; it leads the sequence if it is the highest of its prefix."""
    last = connection.execute(select(NUMBERING.c.last).where(NUMBERING.c.prefix == number.prefix)).scalar()
    if last is not None and last >= number.digits:
        return
    turn = connection.execute(select(func.coalesce(func.max(NUMBERING.c.turn), 0) + 1)).scalar_one()
    values = {"last": number.digits, "width": number.width, "turn": turn}
    if last is None:
        connection.execute(insert(NUMBERING).values(prefix=number.prefix, **values))
    else:
        connection.execute(update(NUMBERING).where(NUMBERING.c.prefix == number.prefix).values(**values))


def names_of_models(connection: Connection) -> set[str]:
    """Read the names that the table of models holds, which need not be all that jobs bear."""
    return set(connection.execute(select(SQL_TABLES["models"].c.model)).scalars())


def names_in(connection: Connection, column: str) -> set[str]:
    """Read every name that the ledger holds of one kind."""
    queries = [
        select(SQL_TABLES[table].c[name]).where(SQL_TABLES[table].c[name].is_not(None)).distinct()
        for table, name in NAMES[column]
    ]
    found = connection.execute(union(*queries) if len(queries) > 1 else queries[0]).scalars()
    return {name for name in found if isinstance(name, str)}  # in a damaged ledger there may be others


def ever_seen(connection: Connection, component: str) -> bool:
    """Tell whether a component is named anywhere in the ledger."""
    return any(
        connection.execute(
            select(literal(1)).where(SQL_TABLES[table].c[name] == component).limit(1)
        ).first()
        for table, name in NAMES["component"]
    )  # fmt: skip


def ended_jobs(connection: Connection) -> list[tuple[str, str, set[str]]]:
    """Read the jobs that a component ended, with that component and what was found of it."""
    jobs, findings = SQL_TABLES["jobs"].c, SQL_TABLES["findings"].c
    same = and_(findings.job == jobs.job, findings.component == jobs.ended_by)
    query = select(jobs.job, jobs.ended_by, findings.found).outerjoin(SQL_TABLES["findings"], same)
    found: dict[str, tuple[str, set[str]]] = {}
    for job, component, state in connection.execute(query.where(jobs.ended_by.is_not(None))):
        found.setdefault(job, (component, set()))[1].update({state} - {None})
    return [(job, component, states) for job, (component, states) in found.items()]


def key_text(table: Table, row: Mapping[str, Value]) -> str:
    """Word the key of a row for the history; a list in JSON where it has several columns."""
    values = [row[name] for name in table.key]
    return str(values[0]) if len(values) == 1 else json.dumps(values, ensure_ascii=False)


def content_of(row: Mapping[str, Value]) -> dict[str, Any]:
    """Keep what a row says, for the history: filled cells, amounts as text."""
    return {
        name: str(value) if isinstance(value, Decimal) else value
        for name, value in row.items()
        if value is not None
    }


def document_content(document: JobDocument) -> str:
    """Write a whole job as the history keeps it."""
    content: dict[str, Any] = {"job": content_of(document["job"])}
    for part in PARTS_OF_A_JOB:
        content[part] = [content_of({k: v for k, v in row.items() if k != "job"}) for row in document[part]]
    return to_json(content)


def to_json(content: Any) -> str:
    """Write JSON in one fixed form."""
    return json.dumps(content, ensure_ascii=False, separators=(",", ":"))


def from_json(table: Table, content: Mapping[str, Any], exponent: int) -> Row:
    """Read a row that the history kept; columns that it does not hold are empty."""
    return {
        column.name: None
        if content.get(column.name) is None
        else read_value(column, content[column.name], exponent)
        for column in table
    }  # fmt: skip


def keep_version(connection: Connection, what: str, key: str, reason: str, content: str | None) -> int:
    """Add one version to the history; tell which it is."""
    same = and_(HISTORY.c.what == what, HISTORY.c.key == key)
    query = select(func.coalesce(func.max(HISTORY.c.version), 0) + 1).where(same)
    version: int = connection.execute(query).scalar_one()
    keep_versions(connection, [{"what": what, "key": key, "version": version, "written_at": utc_now(),
                                "reason": reason, "content": content}])  # fmt: skip
    if what == "jobs":
        show_with(connection, f"show {key} --history")
    return version


def keep_versions(connection: Connection, entries: Iterable[Mapping[str, Any]]) -> None:
    """Add entries to the history, each with its digest."""
    last = select(HISTORY.c.digest).order_by(HISTORY.c.entry.desc()).limit(1)
    before = connection.execute(last).scalar() or ""
    connection.execute(insert(HISTORY), list(chained(entries, before)))


def read_content(entry: Any) -> Any:
    """Read what an entry of the history says.

    Raises
    ------
    LedgerError
        If it is damaged.
    """
    try:
        return json.loads(entry.content)
    except (ValueError, RecursionError):
        raise LedgerError(f"{entry_name(entry)} is damaged; restore it from a backup.") from None


def entry_name(entry: Any) -> str:
    """Word which entry of the history is meant."""
    return f"Entry {entry.entry} of the history ({entry.what} {entry.key}, version {entry.version})"


def versions(connection: Connection, what: str, key: str) -> Sequence[Any]:
    """Read every version of one thing, oldest first."""
    query = select(HISTORY).where(HISTORY.c.what == what, HISTORY.c.key == key).order_by(HISTORY.c.version)
    return connection.execute(query).all()


def withdrawn_numbers(connection: Connection) -> tuple[str, ...]:
    """Read the numbers of the bench's own jobs that are withdrawn, sorted: given out, and no gap."""
    entries = HISTORY.c
    gone = select(entries.key).where(entries.what == "jobs", entries.content.is_(None))
    query = select(HISTORY).where(entries.what == "jobs", entries.key.in_(gone))
    last: dict[str, str | None] = {}
    origins: dict[str, Any] = {}
    for entry in connection.execute(query.order_by(entries.version)):
        last[entry.key] = entry.content
        if entry.content is not None:
            origins[entry.key] = read_content(entry).get("job", {}).get("origin")
    return tuple(sorted(key for key, content in last.items() if content is None and not origins.get(key)))
