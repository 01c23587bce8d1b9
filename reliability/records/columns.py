"""What a column and a table are, and how the tables' columns are written down."""

from collections.abc import Iterator
from dataclasses import dataclass

from reliability.records.rules import Rule

FIRST_YEAR, LAST_YEAR = 1800, 2100
MOST_HOURS = 10_000

#: Kinds of cell, and how each is written. `choice` is a text out of a closed list.
KINDS = {
    "text": "text, one line unless stated",
    "choice": "one of the listed words",
    "year": "four digits",
    "date": "2026-05-17, or 2026-05 where only the month is known",
    "money": "plain decimal in the ledger's currency, no more decimals than it has",
    "hours": "decimal hours",
    "number": "plain decimal",
    "count": "whole number",
}


@dataclass(frozen=True)
class Column:
    """One column of one table.

    Parameters
    ----------
    name : str
        The name in the database, in CSV files, in data frames and in job sheets.
    kind : str
        One of `KINDS`.
    meaning : str
        What a filled cell says.
    required : bool
        Whether a row may leave it empty.
    allowed : tuple of str
        The closed list of words, empty for open ones.
    minimum, maximum : float or None
        Bounds of a number, both included.
    above : float or None
        Bound of a number, not included.
    unit : str
        Unit of a number.
    default : str or None
        What an empty cell stands for, where that is not "not known". It is stored in its place.
    multiline : bool
        Whether a text may have several lines.
    """

    name: str
    kind: str
    meaning: str
    required: bool = False
    allowed: tuple[str, ...] = ()
    minimum: float | None = None
    maximum: float | None = None
    above: float | None = None
    unit: str = ""
    default: str | None = None
    multiline: bool = False


@dataclass(frozen=True)
class Table:
    """One table.

    Parameters
    ----------
    name, meaning : str
        Its name and what one row of it is.
    columns : tuple of Column
        In the order in which they are exported.
    key : tuple of str
        The columns that no two rows share together.
    references : dict of str to str
        Column to the table whose key of the same name it must hold.
    rules : tuple of Rule
        What must hold within a row.
    """

    name: str
    meaning: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    references: dict[str, str]
    rules: tuple[Rule, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the columns, in order."""
        return tuple(column.name for column in self.columns)

    def __getitem__(self, name: str) -> Column:
        return next(column for column in self.columns if column.name == name)

    def __iter__(self) -> Iterator[Column]:
        return iter(self.columns)


def text(name: str, meaning: str, *, default: str | None = None, multiline: bool = False) -> Column:
    """Describe open text."""
    return Column(name, "text", meaning, default=default, multiline=multiline)


def must(name: str, meaning: str) -> Column:
    """Describe a text that no row leaves empty."""
    return Column(name, "text", meaning, required=True)


def choice(
    name: str, allowed: tuple[str, ...], meaning: str, *, required: bool = False, default: str | None = None
) -> Column:
    """Describe one word out of a closed list."""
    return Column(name, "choice", meaning, required=required, allowed=allowed, default=default)


def year(name: str, meaning: str) -> Column:
    """Describe a four-digit year."""
    return Column(name, "year", meaning, minimum=FIRST_YEAR, maximum=LAST_YEAR)


def date(name: str, meaning: str, required: bool = False) -> Column:
    """Describe a calendar date or month."""
    return Column(name, "date", meaning, required=required)


def money(name: str, meaning: str) -> Column:
    """Describe an amount in the ledger's currency."""
    return Column(name, "money", meaning, minimum=0, unit="currency")


def hours(name: str, meaning: str) -> Column:
    """Describe bench time."""
    return Column(name, "hours", meaning, minimum=0, maximum=MOST_HOURS, unit="h")


def share(name: str, meaning: str) -> Column:
    """Describe a share between 0 and 1."""
    return Column(name, "number", meaning, minimum=0, maximum=1)


def pieces(name: str, meaning: str) -> Column:
    """Describe a number of pieces."""
    return Column(name, "count", meaning, minimum=1, maximum=100_000, unit="pieces")
