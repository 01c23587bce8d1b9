"""One cell: from text or a plain value to what is meant, and back to text.

Nothing is guessed: a cell that is not written as its column says is refused, with what was
found and what is allowed. An empty cell is None, "not known".
"""

import datetime
import re
import unicodedata
from collections.abc import Callable
from decimal import Decimal
from typing import Any

from reliability.records.columns import Column
from reliability.records.currencies import currency_fault
from reliability.records.faults import Refused, nearest

Value = str | int | float | Decimal | None

LONGEST_LINE, LONGEST_TEXT = 200, 20_000
#: Largest amount in minor units: every whole number up to here is exact as a double too.
MOST_MINOR_UNITS = 10**15

#: Places before or behind the point: the smallest double has some 324.
MOST_PLACES = 400
#: Whole numbers beyond this cannot even be worded in a message; none of ours comes near.
MOST_BITS = 1_000

_DECIMAL = re.compile(r"-?[0-9]+(\.[0-9]+)?")
_WHOLE = re.compile(r"-?[0-9]+")
_YEAR = re.compile(r"[0-9]{4}")
_DATE = re.compile(r"[0-9]{4}-[0-9]{2}(-[0-9]{2})?")
SPREADSHEET_ERRORS = frozenset(
    ("#NAME?", "#REF!", "#VALUE!", "#N/A", "#DIV/0!", "#NULL!", "#NUM!", "#SPILL!", "#CALC!")
)


def read_value(column: Column, value: object, exponent: int = 2) -> Value:
    """Read one value as its column says.

    Parameters
    ----------
    column : Column
        What the cell may hold.
    value : str, int, float, Decimal, datetime.date, bool or None
        The cell. A text is read as in a CSV file; a bool only where yes and no are allowed.
    exponent : int
        Decimals of the ledger's currency.

    Returns
    -------
    str, int, float, Decimal or None
        Text for text, choices and dates, int for years and counts, float for hours and numbers,
        Decimal with exactly `exponent` decimals for money. None, or the column's default, where
        the cell is empty.

    Raises
    ------
    Refused
        With what was found and what is allowed.
    """
    if isinstance(value, str):
        value = clean_text(value)
    if value is None or value == "":
        if column.required:
            raise Refused("is empty, but every row needs it")
        return column.default
    if isinstance(value, int) and value.bit_length() > MOST_BITS:
        raise Refused(f"a whole number of {value.bit_length()} bits is more than a ledger can hold")
    return _READERS[column.kind](column, value, exponent)


def clean_text(text: str) -> str:
    r"""Trim, join line breaks to ``\n`` and compose accents (Unicode NFC); nothing else is changed."""
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    return (text if text.isascii() else unicodedata.normalize("NFC", text)).strip()


def _text(column: Column, value: object, _exponent: int) -> str:
    if not isinstance(value, str):
        raise Refused(f"{value!r} is not a text; put it in quotation marks")
    if value in SPREADSHEET_ERRORS:
        raise Refused(
            f"{value!r} is the error of a spreadsheet formula; mend it there or leave the cell empty"
        )
    longest = LONGEST_TEXT if column.multiline else LONGEST_LINE
    if len(value) > longest:
        raise Refused(f"{shown(value)} has {len(value)} characters; at most {longest} are allowed")
    if not value.isprintable():
        _refuse_control_characters(value, column.multiline)
    return value


def _refuse_control_characters(text: str, multiline: bool) -> None:
    allowed = "\n\t" if multiline else ""
    for character in text:
        if character not in allowed and unicodedata.category(character) in ("Cc", "Cs", "Zl", "Zp"):
            where = "a text of several lines" if multiline else "a text of one line"
            raise Refused(f"{shown(text)} holds the character U+{ord(character):04X}, which {where} may not")


def _choice(column: Column, value: object, _exponent: int) -> str:
    if isinstance(value, bool) and {"yes", "no"} <= set(column.allowed):
        return "yes" if value else "no"
    if not isinstance(value, str) or value not in column.allowed:
        hint = nearest(value, column.allowed) if isinstance(value, str) else ""
        raise Refused(f"{shown(value)} is not one of {', '.join(column.allowed)}.{hint}")
    return value


def _year(column: Column, value: object, _exponent: int) -> int:
    text = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
    if isinstance(text, str) and _YEAR.fullmatch(text):
        year = int(text)
        if _within(column, year):
            return year
    raise Refused(
        f"{shown(value)} is not a four-digit year from {column.minimum:g} to {column.maximum:g}; "
        "leave it empty if it is not known"
    )


def _date(_column: Column, value: object, _exponent: int) -> str:
    if isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
        value = value.isoformat()
    if isinstance(value, str) and _DATE.fullmatch(value) and 1800 <= int(value[:4]) <= 2100:
        try:
            datetime.date.fromisoformat(value if len(value) == 10 else value + "-01")
        except ValueError:
            raise Refused(f"{shown(value)} is not a day of the calendar") from None
        return value
    raise Refused(
        f"{shown(value)} is not a date such as 2026-05-17, or 2026-05 where only the month is known"
        " (years 1800 to 2100)"
    )


def _decimal(value: object, pattern: re.Pattern[str], what: str) -> Decimal:
    if isinstance(value, str):
        # The smallest double takes 326 characters as a plain decimal.
        if pattern.fullmatch(value) and len(value) < 400:
            return Decimal(value)
        hint = f"; write {value.replace(',', '.')}" if re.fullmatch(r"[0-9]+,[0-9]+", value) else ""
        raise Refused(f"{shown(value)} is not {what}{hint}")
    if isinstance(value, int | float | Decimal) and not isinstance(value, bool):
        amount = Decimal(repr(value)) if isinstance(value, float) else Decimal(value)
        if amount.is_finite() and abs(amount.adjusted()) <= MOST_PLACES:
            return amount
    raise Refused(f"{shown(value)} is not {what}")


def _money(column: Column, value: object, exponent: int) -> Decimal:
    decimals = f"at most {exponent} decimals" if exponent else "no decimals"
    what = f"an amount written as a plain decimal with {decimals}"
    amount = _decimal(value, _DECIMAL, what)
    if not abs(amount) < Decimal(MOST_MINOR_UNITS).scaleb(-exponent):
        raise Refused(f"{shown(value)} is more than a ledger can hold")
    exact = amount.quantize(Decimal(1).scaleb(-exponent))
    if exact != amount:
        raise Refused(f"{shown(value)} is not {what}")
    _refuse_outside(column, exact, value)
    return abs(exact) if exact == 0 else exact


def _number(column: Column, value: object, _exponent: int) -> float:
    number = float(_decimal(value, _DECIMAL, "a number written as a plain decimal"))
    _refuse_outside(column, number, value)
    return abs(number) if number == 0 else number


def _count(column: Column, value: object, _exponent: int) -> int:
    amount = _decimal(value, _WHOLE, "a whole number")
    if amount != amount.to_integral_value():
        raise Refused(f"{shown(value)} is not a whole number")
    _refuse_outside(column, amount, value)
    return int(amount)


def _within(column: Column, number: float | Decimal) -> bool:
    return (
        (column.minimum is None or number >= column.minimum)
        and (column.maximum is None or number <= column.maximum)
        and (column.above is None or number > column.above)
    )


def bounds(column: Column) -> str:
    """Word the bounds of a number, such as ``at least 0 and at most 1``."""
    parts = (("above", column.above), ("at least", column.minimum), ("at most", column.maximum))
    return " and ".join(f"{word} {bound:.12g}" for word, bound in parts if bound is not None)


def _refuse_outside(column: Column, number: float | Decimal, value: object) -> None:
    if not _within(column, number):
        raise Refused(f"{shown(value)} is not {bounds(column)}")


def shown(value: object) -> str:
    """Word a value for a message, cut short in the middle where it is long."""
    text = str(value) if isinstance(value, Decimal) else repr(value)
    return text if len(text) <= 60 else text[:40] + "…" + text[-10:]


_READERS: dict[str, Callable[[Column, Any, int], Value]] = {
    "text": _text,
    "choice": _choice,
    "year": _year,
    "date": _date,
    "money": _money,
    "hours": _number,
    "number": _number,
    "count": _count,
}


def write_value(value: Value) -> str:
    """Write a value as the text of a cell; reading it gives the same value back."""
    if value is None:
        return ""
    if isinstance(value, float):
        text = format(Decimal(repr(value)), "f")
        return text.removesuffix(".0")
    return str(value)


def read_setting(column: Column, value: object, exponent: int = 2) -> str:
    """Check the value of a setting and write it as its table stores it.

    Raises
    ------
    Refused
        If the setting does not allow the value.
    """
    read = read_value(column, value, exponent)
    if column.name == "currency" and (fault := currency_fault(str(read))):
        raise Refused(fault)
    return write_value(read)
