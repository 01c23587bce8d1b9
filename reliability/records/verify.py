"""Whether a ledger is what it should be: the file, the rules, the history, the numbers."""

import datetime
from collections.abc import Iterable, Iterator
from itertools import groupby
from typing import Any

from sqlalchemy import Connection, select
from sqlalchemy.exc import DatabaseError

from reliability.errors import LedgerError
from reliability.records import store
from reliability.records.bulk_history import documents
from reliability.records.checks import clean_row
from reliability.records.numbering import number_after, split_number
from reliability.records.opening import worded_damage
from reliability.records.package_check import PackageCheck
from reliability.records.problems import Problem, broken, doubtful
from reliability.records.schema import HISTORY, NUMBERING, SQL_TABLES, chained
from reliability.records.tables import TABLES
from reliability.records.values import Value

Rows = dict[str, list[dict[str, Value]]]


def file_problems(connection: Connection) -> list[Problem]:
    """Let the database check its own file and every reference between tables."""
    if connection.dialect.name != "sqlite":
        return []
    try:
        found = connection.exec_driver_sql("PRAGMA integrity_check").scalars().all()
    except DatabaseError:
        return [broken("damaged file", "it cannot even be checked; restore a backup")]
    # A broken CHECK is no damage to the file: the rules name the row and the column.
    damages = [line for line in found if line != "ok" and not line.startswith(("CHECK", "NULL value"))]
    if damages:
        told = dict.fromkeys(map(worded_damage, damages))
        return [broken("damaged file", f"{each}; restore a backup") for each in told]
    dangling = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
    return [broken("reference to nothing", f"the row refers to {row[2]} that does not exist",
                   f"{row[0]}, row {row[1]}") for row in dangling]  # fmt: skip


def rule_problems(rows: Rows, exponent: int) -> list[Problem]:
    """Test every row against every documented rule, as an import would."""
    check = PackageCheck()
    found: list[Problem] = []
    for name, table in TABLES.items():
        for number, row in enumerate(rows[name], 1):
            clean, complaints = clean_row(table, row, exponent)
            if complaints:
                check.remember(name, row, readable=False)
            complaints = complaints or check.complaints(name, clean, number)
            where = _named(name, row)
            found += [
                broken("rule broken", f"column {column}: {message}", where) for column, message in complaints
            ]
    found += [broken("rule broken", f"column {column}: {message}", f"job {job}")
              for job, _, (column, message) in check.ended_by_sound()]  # fmt: skip
    return found


def _named(name: str, row: dict[str, Value]) -> str:
    key = TABLES[name].key
    shown = ", ".join(f"{part} {row[part]}" for part in key if row[part])
    return shown if key[0] == "job" else f"{name}, {shown}"


def history_problems(connection: Connection, rows: Rows, exponent: int) -> list[Problem]:
    """Test the chain of digests, and compare the newest version of everything with the current tables."""
    newest: dict[tuple[str, str], Any] = {}
    found: list[Problem] = []
    ordered = connection.execute(
        select(HISTORY)
        .order_by(HISTORY.c.what, HISTORY.c.key, HISTORY.c.version)
        .execution_options(yield_per=5_000)
    )
    for (what, key), versions in groupby(ordered, key=lambda row: (row.what, row.key)):
        entries = list(versions)
        newest[what, key] = entries[-1]
        found += [_unreadable(entry) for entry in entries if entry.content and not _is_readable(entry)]
        numbers = tuple(entry.version for entry in entries)
        if numbers != tuple(range(1, len(numbers) + 1)):
            found.append(
                broken("history incomplete", f"versions {numbers} are not counted from 1", f"{what} {key}")
            )
    for what, key, content in _current(connection, rows, exponent):
        kept = newest.pop((what, key), None)
        if kept is None or kept.content is None:
            found.append(broken("history incomplete", "no version of it was kept", f"{what} {key}"))
        elif _is_readable(kept) and store.read_content(kept) != content:
            found.append(broken("history differs", "the newest version kept is not what the tables say",
                                f"{what} {key}"))  # fmt: skip
    found += [broken("row missing", "the history holds it, the tables do not", f"{what} {key}")
              for (what, key), entry in newest.items() if entry.content is not None]  # fmt: skip
    return found + chain_problems(connection)


def _is_readable(entry: Any) -> bool:
    try:
        store.read_content(entry)
    except LedgerError:
        return False
    return True


def _unreadable(entry: Any) -> Problem:
    message = (
        f"entry {entry.entry}, version {entry.version}, cannot be read; restore a backup, or look this "
        "version up in one"
    )
    return broken("history damaged", message, f"{entry.what} {entry.key}")


def chain_problems(connection: Connection) -> list[Problem]:
    """Test that every entry of the history is what was written: its digest covers it and the one before."""
    found: list[Problem] = []
    before = ""
    query = select(HISTORY).order_by(HISTORY.c.entry).execution_options(yield_per=5_000)
    for row in connection.execute(query):
        entry = row._asdict()
        (proved,) = chained([entry], before)
        before = entry["digest"]
        if proved["digest"] != before:
            message = (
                f"entry {entry['entry']}, version {entry['version']}, is not what was written, or the entry "
                "before it was changed or taken out; compare it with a backup"
            )
            found.append(broken("history changed", message, f"{entry['what']} {entry['key']}"))
    return found


def clock_problems(connection: Connection, apart: datetime.timedelta) -> list[Problem]:
    """Name entries of the history that were written before the entry before them, by their clock."""
    latest, at = "", 0
    back: list[tuple[Any, str, int]] = []
    query = select(HISTORY).order_by(HISTORY.c.entry).execution_options(yield_per=5_000)
    for entry in connection.execute(query):
        if latest and _time(entry.written_at) < _time(latest) - apart:
            back.append((entry, latest, at))
        if entry.written_at > latest:
            latest, at = entry.written_at, entry.entry
    if not back:
        return []
    entry, before, earlier = back[0]
    told = f"entry {entry.entry} says {entry.written_at}, but entry {earlier} before it {before}"
    more = f", and {len(back) - 1} more" if len(back) > 1 else ""
    return [doubtful("clock set back", f"{told}{more}; what was known on a day (--as-of) may be told wrongly",
                     f"{entry.what} {entry.key}")]  # fmt: skip


def _time(text: str) -> datetime.datetime:
    return datetime.datetime.fromisoformat(text)


def _current(connection: Connection, rows: Rows, exponent: int) -> Iterator[tuple[str, str, Any]]:
    for job, document in documents(connection, exponent):
        yield "jobs", job, document
    for name, table in TABLES.items():
        if "job" not in table.names:
            yield from ((name, store.key_text(table, row), store.content_of(row)) for row in rows[name])


def number_problems(connection: Connection, jobs: Iterable[dict[str, Value]]) -> list[Problem]:
    """Test that no number can be given out twice."""
    last: dict[str, int] = {}
    for row in connection.execute(select(NUMBERING)):
        # Worded and taken apart again: how a number is taken apart may have changed since it was noted.
        number = split_number(number_after(row.prefix, row.last - 1, row.width))
        if number is not None:
            last[number.prefix] = max(number.digits, last.get(number.prefix, -1))
    found: list[Problem] = []
    seen: dict[tuple[str, int], str] = {}
    for job in jobs:
        number = split_number(str(job["job"]))
        if job["origin"] or number is None:
            continue
        if number.digits > last.get(number.prefix, -1):
            found.append(
                broken("number not counted", "intake could give this number out again", f"job {job['job']}")
            )
        first = seen.setdefault((number.prefix, number.digits), str(job["job"]))
        if first != job["job"]:
            found.append(broken("number used twice", "only the zeros in front differ",
                                f"job {first}", f"job {job['job']}"))  # fmt: skip
    return found


def all_rows(connection: Connection, exponent: int) -> Rows:
    """Read every current row."""
    return {name: store.fetch_rows(connection, name, exponent) for name in SQL_TABLES}
