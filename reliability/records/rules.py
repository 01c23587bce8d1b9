"""Rules between the columns of one row, each stated once for Python, SQL and the reader.

A rule is built by one of the functions below. It is tested on a row as plain values before
anything is written, stands in the database as a CHECK with a readable name, and its sentence
is what the user and the documentation see.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

Row = Mapping[str, Any]


@dataclass(frozen=True)
class Rule:
    """One statement that must hold within every row of a table.

    Parameters
    ----------
    name : str
        Short name; with the table's name in front it names the CHECK in the database.
    column : str
        The column beside which a fault is shown.
    columns : tuple of str
        The columns that it looks at.
    statement : str
        The rule as a sentence.
    holds : callable
        Takes a row of plain values, tells whether the rule holds. An empty cell is None.
    sql : str
        The same test in SQL that SQLite and PostgreSQL both read; true or NULL where it holds.
    """

    name: str
    column: str
    columns: tuple[str, ...]
    statement: str
    holds: Callable[[Row], bool]
    sql: str


def date_not_before(later: str, earlier: str) -> bool:
    """Tell whether one ISO date can be on or after another; a month alone may be any day of it."""
    return later[: len(earlier)] >= earlier[: len(later)]


def years_in_order(first: str, last: str) -> Rule:
    """State that of two years the second is not below the first."""

    def holds(row: Row) -> bool:
        return row[first] is None or row[last] is None or row[first] <= row[last]

    return Rule(
        f"{first}_to_{last}", last, (first, last), f"{last} is not below {first}", holds, f"{first} <= {last}"
    )


def dates_in_order(first: str, last: str) -> Rule:
    """State that of two dates the second is not before the first."""

    def holds(row: Row) -> bool:
        return row[first] is None or row[last] is None or date_not_before(row[last], row[first])

    sql = f"substr({last}, 1, length({first})) >= substr({first}, 1, length({last}))"
    return Rule(f"{first}_to_{last}", last, (first, last), f"{last} is on or after {first}", holds, sql)


def year_by_date(year: str, date: str) -> Rule:
    """State that a year cannot lie after the year of a date."""

    def holds(row: Row) -> bool:
        return row[year] is None or row[date] is None or row[year] <= int(row[date][:4])

    sql = f"{year} <= CAST(substr({date}, 1, 4) AS INTEGER)"
    return Rule(
        f"{year}_by_{date}", year, (year, date), f"{year} is not after the year of {date}", holds, sql
    )


def needs(column: str, *others: str) -> Rule:
    """State that a column says something only beside at least one of the others."""

    def holds(row: Row) -> bool:
        return row[column] is None or any(row[other] is not None for other in others)

    given = " OR ".join(f"{other} IS NOT NULL" for other in others)
    statement = f"{column} is given only beside {' or '.join(others)}"
    sql = f"{column} IS NULL OR {given}"
    return Rule(f"{column}_needs_{others[0]}", column, (column, *others), statement, holds, sql)


def _quoted(values: tuple[str, ...]) -> str:
    return ", ".join("'" + value.replace("'", "''") + "'" for value in values)


def only_where(column: str, other: str, *values: str) -> Rule:
    """State that a column may be filled only where another one holds one of the values."""

    def holds(row: Row) -> bool:
        return row[column] is None or row[other] in values

    statement = f"{column} is given only where {other} is {' or '.join(values)}"
    sql = f"{column} IS NULL OR coalesce({other}, '') IN ({_quoted(values)})"
    return Rule(f"{column}_only_where_{other}", column, (column, other), statement, holds, sql)


def never_where(column: str, other: str, *values: str) -> Rule:
    """State that a column must be empty where another one holds one of the values."""

    def holds(row: Row) -> bool:
        return row[column] is None or row[other] not in values

    statement = f"{column} is empty where {other} is {' or '.join(values)}"
    sql = f"{column} IS NULL OR coalesce({other}, '') NOT IN ({_quoted(values)})"
    return Rule(f"{column}_never_where_{other}", column, (column, other), statement, holds, sql)


def if_then(column: str, value: str, other: str, wanted: str, meaning: str) -> Rule:
    """State that a value of one column fixes the value of another."""

    def holds(row: Row) -> bool:
        return row[column] != value or row[other] == wanted

    statement = f"where {column} is {value}, {other} is {wanted} ({meaning})"
    sql = f"coalesce({column}, '') <> '{value}' OR coalesce({other}, '') = '{wanted}'"
    return Rule(f"{column}_fixes_{other}", other, (column, other), statement, holds, sql)


def empty_exactly_where(column: str, other: str, value: str) -> Rule:
    """State that a column is empty where another one holds the value, and nowhere else."""

    def holds(row: Row) -> bool:
        return (row[column] is None) == (row[other] == value)

    statement = f"{column} is empty where {other} is {value}, and only there"
    sql = f"({column} IS NULL) = ({other} = '{value}')"
    return Rule(f"{column}_empty_where_{value}", column, (column, other), statement, holds, sql)


def exactly_one(first: str, second: str) -> Rule:
    """State that of two columns one is filled and the other empty."""

    def holds(row: Row) -> bool:
        return (row[first] is None) != (row[second] is None)

    statement = f"exactly one of {first} and {second} is given"
    sql = f"({first} IS NULL) <> ({second} IS NULL)"
    return Rule(f"either_{first}_or_{second}", first, (first, second), statement, holds, sql)


def together(first: str, second: str) -> Rule:
    """State that two columns are both filled or both empty."""

    def holds(row: Row) -> bool:
        return (row[first] is None) == (row[second] is None)

    statement = f"{first} and {second} are given together or not at all"
    sql = f"({first} IS NULL) = ({second} IS NULL)"
    return Rule(f"{first}_with_{second}", first, (first, second), statement, holds, sql)
