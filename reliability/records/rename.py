"""Renaming a family, model, kind, component or sign everywhere, or merging it into one that exists."""

from collections.abc import Iterator, Mapping
from typing import Any

from sqlalchemy import Connection, delete, func, insert, select, update

from reliability.errors import InvalidInput, unknown
from reliability.records import database
from reliability.records.checks import PARTS_OF_A_JOB, Known, clean_document
from reliability.records.database import SQL_TABLES
from reliability.records.tables import TABLES, Table
from reliability.records.values import Fault, Refused, Value, clean_text, read_value, refuse

RENAMED = ("family", "model", "kind", "component", "sign")
_OF_A_JOB = ("jobs", *PARTS_OF_A_JOB)
#: Cells of a family that say something only together.
_PRICE = ("working_price", "priced_on", "price_spread")


def rename_in(
    connection: Connection, what: str, old: str, new: str, *, merge: bool = False, reason: str = ""
) -> dict[str, int]:
    """Rename within a transaction that the caller holds; every row that changes gets its next version.

    Where two rows of reference fall together, the one of the new name stands; of a family, the years span
    both, and what its row leaves open is taken from the other. Two findings or signs of one job that fall
    together must say the same.

    Parameters
    ----------
    connection : Connection
    what : {"family", "model", "kind", "component", "sign"}
    old, new : str
    merge : bool
        Whether the new name is one that is there already; told, so that no slip of the pen merges.
    reason : str
        Kept in the history.

    Returns
    -------
    dict of str to int
        Rows by table that bear the new name in place of the old one, or were merged.

    Raises
    ------
    InvalidInput
        If a name is not there, is there already, or what is merged contradicts itself.
    """
    if what not in RENAMED:
        raise unknown("Renamed are", what, RENAMED)
    columns = [(TABLES[table], column) for table, column in _columns(what)]
    new = _readable(columns[0][0], columns[0][1], new)
    counts = {name: sum(_count(connection, table, column, name) for table, column in columns)
              for name in (old, new)}  # fmt: skip
    if not counts[old]:
        raise unknown(f"The ledger holds no {what}", old, database.names_in(connection, what))
    if old == new:
        raise InvalidInput(f"The {what} is called {new!r} already. Nothing was written.")
    if counts[new] and not merge:
        rows = "1 row" if counts[new] == 1 else f"{counts[new]} rows"
        raise InvalidInput(
            f"There is a {what} {new!r} already, in {rows}; --merge puts the two together. "
            "Nothing was written."
        )
    if merge and not counts[new]:
        raise InvalidInput(
            f"There is no {what} {new!r} to merge into; leave out --merge to rename. Nothing was written."
        )
    told = f"{what} {old!r} {'merged into' if merge else 'renamed'} {new!r}"
    told = f"{told}: {reason.strip()}" if reason.strip() else told
    return _Renaming(connection, what, old, new, told).run(columns)


def _columns(what: str) -> list[tuple[str, str]]:
    """Where a kind of name stands, in the order of the tables."""
    names = {what, "ended_by"} if what == "component" else {what}
    return [
        (table.name, column.name) for table in TABLES.values() for column in table if column.name in names
    ]


def _readable(table: Table, column: str, name: str) -> str:
    try:
        return str(read_value(table[column], clean_text(name) or None))
    except Refused as error:
        raise InvalidInput(f"The new name {error.message}. Nothing was written.") from None


def _count(connection: Connection, table: Table, column: str, name: str) -> int:
    sql = SQL_TABLES[table.name]
    query = select(func.count()).select_from(sql).where(sql.c[column] == name)
    return int(connection.execute(query).scalar_one())


class _Renaming:
    """One renaming under way."""

    def __init__(self, connection: Connection, what: str, old: str, new: str, reason: str) -> None:
        self.connection, self.what, self.old, self.new, self.reason = connection, what, old, new, reason
        self.exponent = database.exponent_in(connection)
        self.faults: list[Fault] = []
        self.touched: set[str] = set()

    def run(self, columns: list[tuple[Table, str]]) -> dict[str, int]:
        """Rename in every table; the old family goes last, once nothing refers to it."""
        self._refuse_unlike()
        done: dict[str, int] = {}
        removed: list[tuple[Table, database.Row]] = []
        for table, column in columns:
            rows = self._rows(table, column)
            if rows:
                done[table.name] = done.get(table.name, 0) + len(rows)
            for row in rows:
                if table.name in _OF_A_JOB:
                    self._of_a_job(table, column, row)
                elif (gone := self._reference(table, column, row)) is not None:
                    removed.append((table, gone))
        for table, row in reversed(removed):
            test = database.key_test(table.name, row)
            self.connection.execute(delete(SQL_TABLES[table.name]).where(test))
            key = database.key_text(table, row)
            database.keep_version(self.connection, table.name, key, self.reason, None)
        database.keep_jobs(self.connection, self.touched, self.exponent, self.reason)
        refuse(self.faults + list(self._broken_jobs()))
        return done

    def _rows(self, table: Table, column: str) -> list[database.Row]:
        test = SQL_TABLES[table.name].c[column] == self.old
        return database.fetch_rows(self.connection, table.name, self.exponent, test)

    def _refuse_unlike(self) -> None:
        """Refuse to merge families of two kinds, or a model into one of another family."""
        table, shared = {"family": ("families", "kind"), "model": ("models", "family")}.get(
            self.what, ("", "")
        )
        if not table:
            return
        sql = SQL_TABLES[table].c
        query = select(sql[self.what], sql[shared]).where(sql[self.what].in_([self.old, self.new]))
        found = {name: said for name, said in self.connection.execute(query)}
        if len(set(found.values())) > 1:
            raise InvalidInput(
                f"{self.old!r} is of {shared} {found[self.old]!r}, {self.new!r} of {found[self.new]!r}: they "
                "are merged only once they agree; correct one of them first. Nothing was written."
            )

    def _of_a_job(self, table: Table, column: str, row: database.Row) -> None:
        sql, changed = SQL_TABLES[table.name], {**row, column: self.new}
        self.touched.add(str(row["job"]))
        before = self._held(table, changed) if column in table.key else None
        test = database.key_test(table.name, row)
        if before is None:
            self.connection.execute(update(sql).where(test).values({column: self.new}))
        elif before == changed:
            self.connection.execute(delete(sql).where(test))
        else:
            differs = ", ".join(f"{name} {row[name]} and {value}" for name, value in before.items()
                                if value != changed[name])  # fmt: skip
            message = (
                f"holds {self.old!r} and {self.new!r}, which say different things ({differs}); amend the job "
                "first, so that one of them is left"
            )
            self.faults.append(Fault(f"job {row['job']}", column, message))

    def _held(self, table: Table, row: Mapping[str, Value]) -> database.Row | None:
        test = database.key_test(table.name, row)
        found = database.fetch_rows(self.connection, table.name, self.exponent, test)
        return found[0] if found else None

    def _reference(self, table: Table, column: str, row: database.Row) -> database.Row | None:
        """Write the row under its new name; give it back where it is to be taken out under the old one."""
        sql, changed = SQL_TABLES[table.name], {**row, column: self.new}
        if column not in table.key:
            test = database.key_test(table.name, row)
            self.connection.execute(update(sql).where(test).values({column: self.new}))
            self._keep(table, changed)
            return None
        before = self._held(table, changed)
        if before is None:
            self.connection.execute(insert(sql), database.to_sql(table, changed, self.exponent))
            self._keep(table, changed)
        elif table.name == "families" and (filled := _filled(before, changed)) != before:
            values = database.to_sql(table, filled, self.exponent)
            test = database.key_test(table.name, filled)
            self.connection.execute(update(sql).where(test).values(values))
            self._keep(table, filled)
        return row

    def _keep(self, table: Table, row: Mapping[str, Value]) -> None:
        content = database.to_json(database.content_of(row))
        key = database.key_text(table, row)
        database.keep_version(self.connection, table.name, key, self.reason, content)

    def _broken_jobs(self) -> Iterator[Fault]:
        """Test every job that was touched against the rules that hold between its rows."""
        known = Known()
        for job in sorted(self.touched):
            document: Any = database.fetch_document(self.connection, job, self.exponent)
            _, faults = clean_document(document, exponent=self.exponent, known=known)
            yield from (Fault(f"job {job}, {each.place}", each.column, each.message) for each in faults)


def _filled(row: database.Row, other: Mapping[str, Value]) -> database.Row:
    """Join two rows of one family: the years span both, and what the first leaves open is of the other."""
    priced = row["working_price"] is not None
    filled = {
        name: other[name] if value is None and not (priced and name in _PRICE) else value
        for name, value in row.items()
    }
    for name, widest in (("first_year", min), ("last_year", max)):
        if row[name] is not None and other[name] is not None:
            filled[name] = widest(row[name], other[name])  # type: ignore[type-var]
    return filled
