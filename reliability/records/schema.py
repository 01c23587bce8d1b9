"""The database tables, built from the description of the tables.

SQLite gets STRICT tables; PostgreSQL takes the same statements. Every rule within a row stands
as a CHECK whose name says which rule it is.
"""

import json
from collections.abc import Iterable, Iterator, Mapping
from hashlib import sha256
from typing import Any

from sqlalchemy import (
    REAL,
    BigInteger,
    CheckConstraint,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    Text,
    UniqueConstraint,
    func,
)
from sqlalchemy.types import TypeEngine

from reliability.records import columns as described
from reliability.records.tables import TABLES

#: Raised by one whenever a ledger written before could no longer be read.
SCHEMA_VERSION = 2

METADATA = MetaData()

# A server sorts as its locale says; SQLite and Python sort by code point, and so must a shared ledger.
_TEXT: TypeEngine[Any] = Text().with_variant(Text(collation="C"), "postgresql")
# STRICT tables know neither FLOAT nor BIGINT; SQLite's INTEGER has 64 bits anyway.
_REAL: TypeEngine[Any] = Double().with_variant(REAL(), "sqlite")
_BIG: TypeEngine[Any] = BigInteger().with_variant(Integer(), "sqlite")
_TYPES: dict[str, TypeEngine[Any]] = {
    "text": _TEXT,
    "choice": _TEXT,
    "date": _TEXT,
    "year": Integer(),
    "count": Integer(),
    "money": _BIG,
    "hours": _REAL,
    "number": _REAL,
}


def _column(table: described.Table, column: described.Column) -> Column:
    keys = []
    if column.name in table.references:
        keys.append(ForeignKey(f"{table.references[column.name]}.{column.name}"))
    kept = column.required or column.default is not None
    return Column(column.name, _TYPES[column.kind], *keys, nullable=not kept)


def _bounds(column: described.Column) -> list[str]:
    name, tests = column.name, []
    if column.minimum is not None:
        tests.append(f"{name} >= {column.minimum:.12g}")
    if column.maximum is not None:
        tests.append(f"{name} <= {column.maximum:.12g}")
    if column.above is not None:
        tests.append(f"{name} > {column.above:.12g}")
    return tests


def _column_checks(table: described.Table, column: described.Column) -> list[CheckConstraint]:
    name, checks = column.name, []
    if column.required and column.kind == "text":
        checks.append(CheckConstraint(f"length({name}) > 0", name=f"{table.name}_{name}_not_empty"))
    if column.allowed:
        words = ", ".join(f"'{word}'" for word in column.allowed)
        checks.append(CheckConstraint(f"{name} IN ({words})", name=f"{table.name}_{name}_allowed"))
    if column.kind == "date":
        like = f"({name} LIKE '____-__-__' OR {name} LIKE '____-__')"
        checks.append(CheckConstraint(like, name=f"{table.name}_{name}_is_a_date"))
    if tests := _bounds(column):
        checks.append(CheckConstraint(" AND ".join(tests), name=f"{table.name}_{name}_in_bounds"))
    return checks


def _build(table: described.Table) -> Table:
    checks = [check for column in table.columns for check in _column_checks(table, column)]
    checks += [CheckConstraint(rule.sql, name=f"{table.name}_{rule.name}".replace(" ", "_"))
               for rule in table.rules]  # fmt: skip
    certain = all(table[name].required or table[name].default is not None for name in table.key)
    key = [PrimaryKeyConstraint(*table.key)] if certain else []
    built = Table(table.name, METADATA, *(_column(table, column) for column in table.columns), *key, *checks,
                  sqlite_strict=True)  # fmt: skip
    if not certain:
        # An empty cell differs from every other one in SQL, so a plain key would let doubles in.
        parts = [
            func.coalesce(built.c[name], -1 if table[name].kind == "number" else "") for name in table.key
        ]
        Index(f"{table.name}_key", *parts, unique=True)
    return built


#: The documented tables in the database, by name.
SQL_TABLES: dict[str, Table] = {name: _build(table) for name, table in TABLES.items()}

# "Was this component ever seen?" is asked whenever a job is added.
Index("findings_component", SQL_TABLES["findings"].c.component)

#: Every version of everything that was ever written; a digest over each entry and the digest before it.
HISTORY = Table(
    "history",
    METADATA,
    Column("entry", Integer, primary_key=True, autoincrement=True),
    Column("what", _TEXT, nullable=False),
    Column("key", _TEXT, nullable=False),
    Column("version", Integer, nullable=False),
    Column("written_at", _TEXT, nullable=False),
    Column("reason", _TEXT, nullable=False),
    Column("content", _TEXT),
    Column("digest", _TEXT, nullable=False, server_default=""),
    UniqueConstraint("what", "key", "version"),
    CheckConstraint("version >= 1", name="history_version_in_bounds"),
    sqlite_strict=True,
)

_DIGESTED = ("what", "key", "version", "written_at", "reason", "content")


def chained(entries: Iterable[Mapping[str, Any]], before: str) -> Iterator[dict[str, Any]]:
    """Give entries of the history, in their order, the digests that prove them.

    Parameters
    ----------
    entries : iterable of mapping
        Columns of the history.
    before : str
        Digest of the entry before the first; empty where there is none.

    Yields
    ------
    dict
        The entry with its digest.
    """
    for entry in entries:
        text = json.dumps([before, *(entry[name] for name in _DIGESTED)])
        before = sha256(text.encode()).hexdigest()
        yield {**entry, "digest": before}


#: The highest job number given out under each prefix; the newest prefix has the highest turn.
NUMBERING = Table(
    "numbering",
    METADATA,
    Column("prefix", _TEXT, primary_key=True),
    Column("last", _BIG, nullable=False),
    Column("width", Integer, nullable=False),
    Column("turn", Integer, nullable=False),
    sqlite_strict=True,
)

#: One row: which version of this schema the ledger has.
VERSION = Table(
    "schema_version",
    METADATA,
    Column("version", Integer, primary_key=True, autoincrement=False),
    Column("made_at", _TEXT, nullable=False),
    sqlite_strict=True,
)
