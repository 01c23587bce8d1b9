"""Checked writes, each within a transaction that the caller holds."""

from collections.abc import Collection, Iterable, Mapping
from typing import Any

from sqlalchemy import Connection, insert, select, update

from reliability.records import store
from reliability.records.checks import PARTS_OF_A_JOB, JobDocument, clean_document, clean_rows
from reliability.records.currencies import EXPONENTS
from reliability.records.faults import Fault, Refused, refuse
from reliability.records.schema import SQL_TABLES
from reliability.records.tables import TABLES, USUAL_COMPONENTS
from reliability.records.ties import Known
from reliability.records.values import Value, clean_text, read_value

Row = Mapping[str, Any]


def append_job(
    connection: Connection,
    document: JobDocument,
    new_components: Collection[str],
    reason: str,
    faults: Iterable[Fault] = (),
) -> JobDocument:
    """Write a new job under its own number, or under the next one if it has none; give what was written."""
    exponent = store.exponent_in(connection)
    number = document.get("job", {}).get("job") or store.next_number(connection)
    numbered = {**document, "job": {**document.get("job", {}), "job": number}}
    return write_job(connection, numbered, exponent, new_components, reason, faults=faults)


def write_job(
    connection: Connection,
    document: JobDocument,
    exponent: int,
    new_components: Collection[str],
    reason: str,
    *,
    old: JobDocument | None = None,
    faults: Iterable[Fault] = (),
) -> JobDocument:
    """Check a whole job and write it as the next version of `old`, or as a new one; give what was written.

    Raises
    ------
    InvalidInput
        With every fault, or if nothing would change.
    """
    known = _known_to(connection, document, new_components)
    clean, more = clean_document(document, exponent=exponent, known=known)
    number = str(clean["job"]["job"])
    if old is None and store.fetch_rows(connection, "jobs", exponent, SQL_TABLES["jobs"].c.job == number):
        more.append(Fault("job", "job", f"there is a job {number} already"))
    if old is not None and store.document_content(clean) == store.document_content(old):
        more.append(Fault("job", "", f"job {number} says so already"))
    refuse([*faults, *more])
    for part in PARTS_OF_A_JOB:
        clean[part].sort(key=lambda row, table=TABLES[part]: store.sort_key(table, row))
    store.replace_document(connection, clean, exponent, new=old is None)
    store.keep_version(connection, "jobs", number, reason, store.document_content(clean))
    return clean


def keep_model(connection: Connection, job: Row, exponent: int) -> None:
    """Keep the name on a front panel as a model of the job's family, if it is new."""
    if job["model"] and job["model"] not in store.names_of_models(connection):
        row = {"model": job["model"], "family": job["family"]}
        refuse(put_rows(connection, "models", [row], exponent, f"on the front panel of job {job['job']}"))


def _known_to(connection: Connection, document: JobDocument, new_components: Collection[str]) -> Known:
    job = document.get("job", {})
    models = SQL_TABLES["models"]
    query = select(models.c.model, models.c.family).where(models.c.model == _trimmed(job.get("model")))
    usual = {name for names in USUAL_COMPONENTS.values() for name in names}
    named = {
        _trimmed(row.get("component"))
        for part in ("findings", "followups")
        for row in document.get(part) or ()
    }
    named |= {_trimmed(job.get("ended_by"))}
    seen = {name for name in named - {""} if name in usual or store.ever_seen(connection, name)}
    components = usual | seen | {_trimmed(name) for name in new_components}
    if named - {""} - components:
        components |= store.names_in(connection, "component")
    return Known(
        families=store.names_in(connection, "family"),
        components=components,
        models={model: family for model, family in connection.execute(query)},
    )


def _trimmed(value: object) -> str:
    return clean_text(value) if isinstance(value, str) else ""


def add_families(connection: Connection, rows: Iterable[Row], exponent: int, reason: str) -> list[Fault]:
    """Insert families that a job brings with it; one that is known must not be described anew."""
    known = store.names_in(connection, "family")
    rows = list(rows)
    twice = [row["family"] for row in rows if _trimmed(row.get("family")) in known]
    faults = [Fault("new family", "family", f"{name!r} is in the ledger already") for name in twice]
    return faults + put_rows(connection, "families", [row for row in rows if row.get("family") not in twice],
                             exponent, reason)  # fmt: skip


def put_rows(
    connection: Connection, table: str, rows: Iterable[Row], exponent: int, reason: str
) -> list[Fault]:
    """Insert reference rows or write their next versions; on any fault write none and return them all."""
    rows = list(rows)
    olds = [_find(connection, table, row, exponent) for row in rows]
    if table == "settings":
        exponent = _exponent_after(rows, exponent)
    merged = [{**(old or {}), **row} for old, row in zip(olds, rows, strict=True)]
    known = Known(families=store.names_in(connection, "family"))
    clean, faults = clean_rows(table, merged, exponent=exponent, known=known)
    if table == "settings" and not faults:
        faults = _currency_faults(connection, clean)
    if faults:
        return faults
    for old, row in zip(olds, clean, strict=True):
        if row != old:
            _write_row(connection, table, row, exponent, reason, new=old is None)
    return []


def _find(connection: Connection, table: str, row: Row, exponent: int) -> store.Row | None:
    described = TABLES[table]
    try:
        key = {name: read_value(described[name], row.get(name), exponent) for name in described.key}
    except Refused:
        return None
    found = store.fetch_rows(connection, table, exponent, store.key_test(table, key))
    return found[0] if found else None


def _write_row(
    connection: Connection, table: str, row: dict[str, Value], exponent: int, reason: str, *, new: bool
) -> None:
    described = TABLES[table]
    values = store.to_sql(described, row, exponent)
    if new:
        connection.execute(insert(SQL_TABLES[table]), values)
    else:
        connection.execute(update(SQL_TABLES[table]).where(store.key_test(table, row)).values(values))
    content = store.to_json(store.content_of(row))
    store.keep_version(connection, table, store.key_text(described, row), reason, content)


def _exponent_after(rows: Iterable[Row], exponent: int) -> int:
    for row in rows:
        if row.get("setting") == "currency":
            return EXPONENTS.get(str(row.get("value")), exponent)
    return exponent


def _currency_faults(connection: Connection, rows: Iterable[Row]) -> list[Fault]:
    now = store.currency_of(connection)
    changed = [row["value"] for row in rows if row["setting"] == "currency" and row["value"] != now]
    if changed and store.holds_amounts(connection):
        return [Fault("settings", "value", f"the currency cannot change from {now} to {changed[0]}: "
                      "the ledger holds amounts already; start another ledger")]  # fmt: skip
    return []
