"""One cell, from text or a plain value and back to text; currencies; job numbers."""

import datetime
import re
import tomllib
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from decimal import Decimal
from functools import cache, lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

from reliability.errors import InvalidInput, Refused, nearest, shown, unknown
from reliability.records.tables import Column

# Currencies and the number of decimals that each has (ISO 4217, list one).

# Codes of list one by exponent; funds, precious metals and test codes are left out. BGN and HRK
# were withdrawn when their countries took the euro; older ledgers may still be kept in them.
_BY_EXPONENT = {
    0: "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX VND VUV XAF XOF XPF",
    2: "AED AFN ALL AMD ANG AOA ARS AUD AWG AZN BAM BBD BDT BGN BMD BND BOB BRL BSD BTN BWP BYN BZD CAD CDF "
    "CHF CNY COP CRC CUP CVE CZK DKK DOP DZD EGP ERN ETB EUR FJD FKP GBP GEL GHS GIP GMD GTQ GYD HKD HNL HRK "
    "HTG HUF IDR ILS INR IRR JMD KES KGS KHR KPW KYD KZT LAK LBP LKR LRD LSL MAD MDL MGA MKD MMK MNT MOP MRU "
    "MUR MVR MWK MXN MYR MZN NAD NGN NIO NOK NPR NZD PAB PEN PGK PHP PKR PLN QAR RON RSD RUB SAR SBD SCR SDG "
    "SEK SGD SHP SLE SOS SRD SSP STN SVC SYP SZL THB TJS TMT TOP TRY TTD TWD TZS UAH USD UYU UZS VED VES WST "
    "XCD XCG YER ZAR ZMW ZWG",
    3: "BHD IQD JOD KWD LYD OMR TND",
}

#: Decimals of each currency.
EXPONENTS = {code: exponent for exponent, codes in _BY_EXPONENT.items() for code in codes.split()}


def exponent_of(currency: str) -> int:
    """Tell how many decimals a currency has."""
    if currency not in EXPONENTS:
        raise unknown("ISO 4217 lists no currency", currency, EXPONENTS)
    return EXPONENTS[currency]


def stated_exponent(settings: Iterable[Mapping[str, Any]], otherwise: int = 2) -> int:
    """Tell how many decimals the currency has that rows of settings state, if they state one."""
    stated = {clean_text(str(row.get("setting"))): clean_text(str(row.get("value"))) for row in settings}
    return EXPONENTS.get(stated.get("currency", ""), otherwise)


# One cell: from text or a plain value to what is meant, and back to text.

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
#: How bytes that are not UTF-8 reach us: kept apart, so that the cell they stand in can be named.
_UNDECODABLE = re.compile("[\udc80-\udcff]")
SPREADSHEET_ERRORS = frozenset("#NAME? #REF! #VALUE! #N/A #DIV/0! #NULL! #NUM! #SPILL! #CALC!".split())


def read_value(column: Column, value: object, exponent: int = 2) -> Value:
    """Read one value as its column says.

    Text for text, choices and dates, int for years and counts, float for hours and numbers, Decimal with
    exactly `exponent` decimals for money; None, or the column's default, where the cell is empty.
    """
    if isinstance(value, str):
        value = clean_text(value)
        if said := undecodable(value):
            raise Refused(said)
    if value is None or value == "":
        if column.required:
            raise Refused("is empty, but every row needs it")
        return column.default
    if isinstance(value, int) and value.bit_length() > MOST_BITS:
        raise Refused(f"a whole number of {value.bit_length()} bits is more than a ledger can hold")
    return _READERS[column.kind](column, value, exponent)


#: Reads a text as that does, but one that repeats only once.
read_text = lru_cache(50_000)(read_value)


def undecodable(text: str) -> str:
    """Word that a text holds bytes which were not UTF-8; empty if it holds none."""
    if text.isascii() or not (found := _UNDECODABLE.search(text)):
        return ""
    byte, before = ord(found[0]) - 0xDC00, text[: found.start()][-20:]
    return f"is not UTF-8 (byte 0x{byte:02X} after {before!r}); save the file as UTF-8"


def clean_text(text: str) -> str:
    r"""Trim, join line breaks to ``\n`` and compose accents (Unicode NFC); nothing else is changed."""
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    return (text if text.isascii() else unicodedata.normalize("NFC", text)).strip()


def folded(text: str) -> str:
    """Give letters and digits of a text without accents, lower case, words divided by one space."""
    plain = unicodedata.normalize("NFKD", text.casefold().replace("ø", "o").replace("æ", "ae"))
    bare = "".join(sign for sign in plain if not unicodedata.combining(sign))
    return " ".join(re.findall(r"[^\W_]+", bare))


@cache
def words() -> dict[str, Any]:
    """Read the list of words that people write: each group of it, a folded phrase to its meaning."""
    content = tomllib.loads(Path(__file__).with_name("words.toml").read_text(encoding="utf-8"))
    marks = content.pop("marks")
    headers = {f"headers.{kind}": _meanings(group) for kind, group in content.pop("headers").items()}
    months = {name: number for number, line in enumerate(marks["months"], 1) for name in line.split()}
    groups = {name: _meanings(group) for name, group in content.items()}
    return {**groups, **headers, **marks, "months": months}


def _meanings(group: Mapping[str, str]) -> dict[str, str]:
    return {("=" if phrase[0] == "=" else "") + folded(phrase): meaning for meaning, phrases in group.items()
            for phrase in (meaning, *phrases.split("|")) if folded(phrase)}  # fmt: skip


def _text(column: Column, value: object, _exponent: int) -> str:
    if not isinstance(value, str):
        raise Refused(f"{value!r} is not a text; put it in quotation marks")
    if value in SPREADSHEET_ERRORS:
        told = f"{value!r} is the error of a spreadsheet formula"
        raise Refused(f"{told}; mend it there or leave the cell empty")
    longest = LONGEST_TEXT if column.multiline else LONGEST_LINE
    if len(value) > longest:
        raise Refused(f"{shown(value)} has {len(value)} characters; at most {longest} are allowed")
    allowed, lines = ("\n\t", "several lines") if column.multiline else ("", "one line")
    for character in "" if value.isprintable() else value:
        if character not in allowed and unicodedata.category(character) in ("Cc", "Cs", "Zl", "Zp"):
            such = f"U+{ord(character):04X}, which a text of {lines} may not"
            raise Refused(f"{shown(value)} holds the character {such}")
    return value


def _choice(column: Column, value: object, _exponent: int) -> str:
    if isinstance(value, bool) and {"yes", "no"} <= set(column.allowed):
        return "yes" if value else "no"
    if not isinstance(value, str) or value not in column.allowed:
        hint = nearest(value, column.allowed) if isinstance(value, str) else ""
        raise Refused(f"{shown(value)} is not one of {', '.join(column.allowed)}.{hint}")
    return value


def _year(column: Column, value: object, _exponent: int) -> int:
    text = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
    if isinstance(text, str) and _YEAR.fullmatch(text) and _within(column, int(text)):
        return int(text)
    told = f"{shown(value)} is not a four-digit year from {column.minimum:g} to {column.maximum:g}"
    raise Refused(f"{told}; leave it empty if it is not known")


def _date(_column: Column, value: object, _exponent: int) -> str:
    if isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
        value = value.isoformat()
    if isinstance(value, str) and _DATE.fullmatch(value) and 1800 <= int(value[:4]) <= 2100:
        try:
            datetime.date.fromisoformat(value if len(value) == 10 else value + "-01")
        except ValueError:
            raise Refused(f"{shown(value)} is not a day of the calendar") from None
        return value
    told = f"{shown(value)} is not a date such as 2026-05-17, or 2026-05 where only the month is known"
    raise Refused(f"{told} (years 1800 to 2100)")


def _quantity(column: Column, value: object, exponent: int) -> Value:
    """Read a number: an amount with the decimals of the currency, whole pieces, hours or a share."""
    is_money, is_whole = column.kind == "money", column.kind == "count"
    decimals = f"at most {exponent} decimals" if exponent else "no decimals"
    what = "a whole number" if is_whole else "a number written as a plain decimal"
    what = f"an amount written as a plain decimal with {decimals}" if is_money else what
    refused = Refused(f"{shown(value)} is not {what}")
    if isinstance(value, str):
        # The smallest double takes 326 characters as a plain decimal.
        if not (_WHOLE if is_whole else _DECIMAL).fullmatch(value) or len(value) >= MOST_PLACES:
            comma = re.fullmatch(r"[0-9]+,[0-9]+", value)
            percent = re.fullmatch(r"([0-9]{1,3}) ?%", value) if column.maximum == 1 else None
            meant = value.replace(",", ".") if comma else f"{int(percent[1]) / 100:g}" if percent else ""
            raise Refused(f"{refused.message}; write {meant}") if meant else refused
        number = Decimal(value)
    elif isinstance(value, int | float | Decimal) and not isinstance(value, bool):
        number = Decimal(repr(float(value))) if isinstance(value, float) else Decimal(value)
        if not number.is_finite() or abs(number.adjusted()) > MOST_PLACES:
            raise refused
    else:
        raise refused
    if is_money and not abs(number) < Decimal(MOST_MINOR_UNITS).scaleb(-exponent):
        raise Refused(f"{shown(value)} is more than a ledger can hold")
    read: Any = int(number) if is_whole else float(number)
    if is_money:
        read = number.quantize(Decimal(1).scaleb(-exponent))
    if (is_money or is_whole) and read != number:
        raise refused
    if not _within(column, read):
        raise Refused(f"{shown(value)} is not {bounds(column)}")
    return abs(read) if read == 0 else read  # there is no -0


def _within(column: Column, number: float | Decimal) -> bool:
    is_under = column.maximum is None or number <= column.maximum
    is_over = column.minimum is None or number >= column.minimum
    return is_under and is_over and (column.above is None or number > column.above)


def bounds(column: Column) -> str:
    """Word the bounds of a number, such as ``at least 0 and at most 1``."""
    parts = (("above", column.above), ("at least", column.minimum), ("at most", column.maximum))
    return " and ".join(f"{word} {bound:.12g}" for word, bound in parts if bound is not None)


_READERS: dict[str, Callable[[Column, Any, int], Value]] = {
    "text": _text, "choice": _choice, "year": _year, "date": _date,
    **dict.fromkeys(("money", "hours", "number", "count"), _quantity),
}  # fmt: skip


def write_value(value: Value) -> str:
    """Write a value as the text of a cell; reading it gives the same value back."""
    if value is None:
        return ""
    if isinstance(value, float):
        return format(Decimal(repr(float(value))), "f").removesuffix(".0")
    return str(value)


def read_setting(column: Column, value: object, exponent: int = 2) -> str:
    """Check the value of a setting and write it as its table stores it."""
    read = read_value(column, value, exponent)
    if column.name == "currency":
        try:
            exponent_of(str(read))
        except InvalidInput as error:
            raise Refused(error.message) from None
    return write_value(read)


# Numbers of jobs: an optional prefix, then digits; given out in sequence, never twice.

_YEAR_OF_A_NUMBER = r"(?:19[5-9]|20[0-9])[0-9]"
_NUMBER = re.compile(rf"(.*?)({_YEAR_OF_A_NUMBER}(?=[0-9]{{2,11}}$))?([0-9]{{1,15}})", re.DOTALL)

MOST_GAPS = 0.5
"""Gaps beside one written job, above which they are not counted unless a setting says so."""


class Number(NamedTuple):
    """A job number in its parts."""

    prefix: str
    digits: int
    width: int


def split_number(job: str) -> Number | None:
    """Take a job number apart; None if it does not end in digits."""
    match = _NUMBER.fullmatch(job)
    return Number(match[1] + (match[2] or ""), int(match[3]), len(match[3])) if match else None


def number_fault(job: str) -> str | None:
    """Say what is wrong with the number of one of the bench's own jobs, or nothing."""
    if split_number(job) is None:
        return f"{job!r} is not a job number: an optional prefix, then 1 to 15 digits, such as 42 or B-0042"
    return None


def number_after(prefix: str, last: int, width: int) -> str:
    """Word the number that follows, padded with zeros as the last one was."""
    return f"{prefix}{last + 1:0{width}d}"


def do_gaps_count(n_missing: int, n_written: int, stated: str | None) -> bool:
    """Tell whether missing numbers count as jobs that nobody wrote up, beside so many finished ones.

    Where the setting `count_gaps` is empty, as many count as `MOST_GAPS` allows: numbers may run on for
    another reason, and more of them are no evidence of so many failures.
    """
    return n_missing <= MOST_GAPS * n_written if stated is None else stated == "yes"


class Gap(NamedTuple):
    """Numbers in sequence that belong to no job: the first and the last of them, and how many they are."""

    prefix: str
    first: str
    last: str
    size: int


def missing_numbers(jobs: Iterable[str]) -> list[Gap]:
    """Find what lies between the lowest and the highest number of a prefix and is not there."""
    widths: dict[str, dict[int, int]] = {}
    for number in filter(None, map(split_number, jobs)):
        widths.setdefault(number.prefix, {})[number.digits] = number.width
    return [
        Gap(prefix, number_after(prefix, before, taken[before]),
            number_after(prefix, after - 2, taken[before]), after - before - 1)
        for prefix, taken in sorted(widths.items())
        for before, after in pairwise(sorted(taken))
        if after - before > 1
    ]  # fmt: skip
