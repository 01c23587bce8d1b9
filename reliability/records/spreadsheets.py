"""Sheets as people keep them: CSV of any encoding, XLSX, ODS, and dates, amounts, hours, years as written."""

import csv
import datetime
import html
import io
import re
import zipfile
import zlib
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import reduce
from itertools import islice, product
from pathlib import Path
from typing import Any, NamedTuple

from reliability.errors import InvalidInput, Refused, reason, shown
from reliability.records.files import read_at_most
from reliability.records.package import restored
from reliability.records.tables import Column
from reliability.records.values import clean_text, folded, words, write_value

Cell = str | int | float | datetime.date | datetime.timedelta | None

#: A sheet that somebody keeps by hand is far below these; a cell of a workbook has at most so many signs.
MOST_BYTES, MOST_UNPACKED = 20_000_000, 50_000_000
MOST_ROWS, MOST_COLUMNS, MOST_CELLS, MOST_CHARACTERS = 100_000, 1_000, 2_000_000, 32_767
_TOO_MUCH = "no sheet that somebody keeps by hand. Nothing was read."


@dataclass(frozen=True)
class Sheet:
    """One sheet of a file; of a CSV file its name is the file's, without its ending."""

    name: str
    rows: list[list[Cell]]  # all of one width; the first is row 1; None where a cell is empty
    #: Row and column of a cell that is one with others: its first row, how many rows, how many columns.
    merged: Mapping[tuple[int, int], tuple[int, int, int]] = field(default_factory=dict)
    is_hidden: bool = False


def text_of(cell: Cell) -> str:
    """Write a cell as a person would read it."""
    if isinstance(cell, float):
        return f"{cell:.10g}"
    return "" if cell is None else str(cell)


def key_of(cell: Cell) -> str:
    """Give what a cell says for comparison: without case, spaces as one."""
    return " ".join(text_of(cell).casefold().split())


def read_sheets(path: Path, form: "CsvForm | None" = None) -> list[Sheet]:
    """Read every sheet of a file."""
    content = _content(path)
    if is_workbook(path, content):
        return _workbook(path, content)
    form = form or csv_form(path)[0]
    try:
        text = content.decode(form.encoding)
    except (UnicodeDecodeError, LookupError) as error:
        raise InvalidInput(f"{path.name} is not written in {form.encoding}: {error}. Nothing was "
                           "read.") from None  # fmt: skip
    rows = _csv_rows(text, form)
    if rows is None:
        raise InvalidInput(f"{path.name} is not CSV divided by the {SEPARATORS[form.separator]}: a quotation "
                           "mark is not closed, or a cell has no end. Nothing was read.")  # fmt: skip
    width = max(map(len, rows), default=0)
    _refuse_size(path, len(rows), width, rows)
    return [Sheet(path.stem, [[*map(plain, cells), *[None] * (width - len(cells))] for cells in rows])]


def _content(path: Path) -> bytes:
    try:
        return read_at_most(path, MOST_BYTES)
    except OSError as error:
        raise InvalidInput(f"{path} cannot be read: {reason(error)}. Nothing was read.") from None
    except ValueError as error:
        raise InvalidInput(f"{path} {error}: {_TOO_MUCH}") from None


def _refuse_size(path: Path, height: int, width: int, rows: Iterable[Sequence[object]] = ()) -> None:
    """Refuse a sheet far beyond what anybody keeps, and a cell longer than a workbook's."""
    if height > MOST_ROWS or width > MOST_COLUMNS or height * width > MOST_CELLS:
        reach = f"reaches {height:,} rows down and {width:,} columns across"
        raise InvalidInput(f"{path.name} {reach} (a stray cell far off, perhaps): {_TOO_MUCH}")
    for number, row in enumerate(rows, 1):
        long = max((len(cell) for cell in row if isinstance(cell, str)), default=0)
        if long > MOST_CHARACTERS:
            raise InvalidInput(f"{path.name}, row {number}: a cell has {long:,} characters; at most "
                               f"{MOST_CHARACTERS:,} are read. Nothing was read.")  # fmt: skip


def plain(cell: Any) -> Cell:
    """Take a cell as its reader gives it."""
    if isinstance(cell, str):
        text = restored(clean_text(cell)).strip("\u200b\ufeff")
        return html.unescape(text) if "&" in text else text or None
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, datetime.datetime):
        return cell.date()
    if isinstance(cell, datetime.time):
        return datetime.timedelta(hours=cell.hour, minutes=cell.minute, seconds=cell.second)
    return int(cell) if isinstance(cell, float) and cell.is_integer() else cell


# CSV of any make.

SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_MARKS = ((b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"), (b"\xef\xbb\xbf", "utf-8-sig"), (b"", "utf-8"))
#: What a file that is no UTF-8 may be written in: by Windows, by old Macs, by DOS; the likelier first.
ENCODINGS = ("cp1252", "mac_roman", "cp850")
_LETTERS = frozenset("äöüÄÖÜßéèêëàâçñîïôœøåæØÅÆáíóúìòùõãÉÈ€£°½¼¾²µ«»–—‘’“”„…·×±´")
#: So much of a file tells how it is divided.
_LOOKED_AT = 200_000


class CsvForm(NamedTuple):
    """How a CSV file is written: encoding, what divides cells, whether quotation marks enclose them."""

    encoding: str
    separator: str
    quotes: bool


def csv_form(path: Path) -> tuple[CsvForm, list[str]]:
    """Find how a CSV file seems to be written, and the words by which its encoding can be told."""
    content = _content(path)
    encoding = next(name for mark, name in _MARKS if content.startswith(mark))
    try:
        text = content.decode(encoding, "strict" if encoding == "utf-8" else "replace")
        return _divided(text, encoding), []
    except UnicodeDecodeError:
        pass
    # Only lines that tell encodings apart, and no more of them than anybody reads.
    telling = b"\n".join(line for line in content.split(b"\n") if not line.isascii())[:_LOOKED_AT]
    read = {name: telling.decode(name, "replace") for name in ENCODINGS}
    name = min(ENCODINGS, key=lambda name: sum(not sign.isascii() and sign not in _LETTERS
                                               for sign in read[name]))  # fmt: skip
    told = [word for word in re.findall(r"(?:\w|[^\x00-\x7f])+", read[name]) if not word.isascii()]
    start = content[: _LOOKED_AT + 1].decode(name, "replace")
    return _divided(start, name), [word[:40] for word in dict.fromkeys(told)]


def _divided(text: str, encoding: str) -> CsvForm:
    """Choose separator and quotes: the most rows of one width, then the wider ones, then quotes."""
    start = text if len(text) <= _LOOKED_AT else text[: text.rfind("\n", 0, _LOOKED_AT) + 1]

    def score(form: CsvForm) -> tuple[float, int, bool]:
        widths = Counter(len(cells) for cells in _csv_rows(start, form, 2_000) or () if any(cells))
        count, width = max(((count, width) for width, count in widths.items() if width > 1), default=(0, 0))
        return round(count / max(widths.total(), 1), 2), width, form.quotes

    return max((CsvForm(encoding, *how) for how in product(SEPARATORS, (True, False))), key=score)


def _csv_rows(text: str, form: CsvForm, most: int = MOST_ROWS + 1) -> list[list[str]] | None:
    how: dict[str, Any] = {} if form.quotes else {"quoting": csv.QUOTE_NONE}
    stream = io.StringIO(text, newline="")
    try:
        return list(islice(csv.reader(stream, delimiter=form.separator, strict=True, **how), most))
    except csv.Error:
        return None


# Workbooks.

SUFFIXES = (".xlsx", ".xlsm", ".xls", ".ods")
#: What the archive of a damaged workbook, or of one with a password, ends in.
_TORN = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError)
#: Where a cell that holds something stands in the XML of a sheet.
_FILLED = re.compile(rb"""<(?:\w+:)?c\s(?:[^>]*\s)?r=["']([A-Z]{1,3})(\d{1,9})["'][^>]*(?<!/)>""")


def is_workbook(path: Path, content: bytes = b"") -> bool:
    """Tell whether a file is a workbook, by its ending or by how it begins."""
    content = content or _content(path)
    return path.suffix.lower() in SUFFIXES or content[:4] in (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")


def _workbook(path: Path, content: bytes) -> list[Sheet]:
    # Loaded here: a folder of CSV files does without it.
    from python_calamine import CalamineError, CalamineWorkbook, SheetTypeEnum, SheetVisibleEnum

    found = []
    try:
        if content.startswith(b"PK"):
            _look_into(path, content)
        with CalamineWorkbook.from_filelike(io.BytesIO(content)) as book:
            for told in book.sheets_metadata:
                if told.typ == SheetTypeEnum.WorkSheet:
                    read = book.get_sheet_by_name(told.name)
                    _refuse_size(path, read.total_height + 1, read.total_width + 1)
                    rows = [list(map(plain, row)) for row in read.to_python(skip_empty_area=False)]
                    _refuse_size(path, len(rows), 0, rows)
                    merged = _spread(rows, read.merged_cell_ranges or ())
                    found.append(Sheet(told.name, rows, merged, told.visible != SheetVisibleEnum.Visible))
    except (CalamineError, *_TORN) as error:
        raise InvalidInput(f"{path.name} cannot be read as a workbook: {error}. Nothing was read.") from None
    return found


def _look_into(path: Path, content: bytes) -> None:
    """Refuse a workbook that would fill the memory: its reader makes every cell up to the last."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        if sum(entry.file_size for entry in archive.infolist()) > MOST_UNPACKED:
            raise InvalidInput(f"{path.name} unpacks to more than {MOST_UNPACKED:,} bytes: {_TOO_MUCH}")
        for entry in archive.infolist():
            if entry.filename.endswith("workbook.bin"):
                raise InvalidInput(f"{path.name} is a binary workbook; save it as XLSX. Nothing was read.")
            unpacked = archive.read(entry)  # never more than the size that was added up
            if b"sheetData" in unpacked:
                places = _FILLED.findall(unpacked)
                columns = (reduce(lambda number, letter: 26 * number + letter - 64, letters, 0)
                           for letters, _ in places)  # fmt: skip
                height = max((int(row) for _, row in places), default=0)
                _refuse_size(path, height, max(columns, default=0))


def _spread(rows: list[list[Cell]], ranges: Iterable[Any]) -> dict[tuple[int, int], tuple[int, int, int]]:
    """Give a cell that reaches over several rows to each of them; tell where such cells are."""
    merged = {}
    for (top, left), (bottom, right) in ranges:
        for row in range(top, min(bottom + 1, len(rows))):
            for column in range(left, min(right + 1, len(rows[row]))):
                merged[row + 1, column] = (top + 1, bottom - top + 1, right - left + 1)
                rows[row][left] = rows[top][left]
    return merged


# The table in a sheet, apart from titles, repeated headers, headings and sums.

#: Columns that every row has beside its own.
SHEET, HEADING = "(sheet)", "(heading above)"


@dataclass(frozen=True)
class SheetRow:
    """One row of a table: where it stands, its filled cells, and which of them it shares with others."""

    sheet: str
    number: int
    cells: Mapping[str, Cell]
    merged: Mapping[str, tuple[int, int]]  # first row of such a cell, and how many rows it has

    def text(self, column: str) -> str:
        """Give what the row says in a column; empty where it says nothing."""
        return text_of(self.cells.get(column))

    @property
    def year(self) -> int | None:
        """The year that the sheet or the heading above is named after, if any."""
        found = re.search(r"(?:19|20)\d\d", f"{self.text(HEADING)} {self.text(SHEET)}")
        return int(found[0]) if found else None


def header_names(sheet: Sheet, header: Sequence[int]) -> list[str]:
    """Name every column of a table."""
    lines = [list(map(text_of, cells)) for row, cells in enumerate(sheet.rows, 1) if row in header]
    last = Counter(filter(None, lines[-1] if lines else ()))
    names: list[str] = []
    for column in range(len(sheet.rows[0]) if sheet.rows else 0):
        parts = [line[column] for line in lines]
        for at, line in enumerate(lines[:-1]):
            if not line[column] and (last[lines[-1][column]] > 1 or (header[at], column) in sheet.merged):
                parts[at] = next(filter(None, reversed(line[:column])), "")
        bare = name = " ".join(" ".join(dict.fromkeys(parts)).split()) or f"column {_letters(column)}"
        again = 1
        while name in names:
            again += 1
            name = f"{bare} ({again})"
        names.append(name)
    return names


def _letters(column: int) -> str:
    return (_letters(column // 26 - 1) if column >= 26 else "") + chr(ord("A") + column % 26)


def table_rows(
    sheet: Sheet, header: Sequence[int], ditto: Collection[str], leave_out: Collection[int] = ()
) -> tuple[list[SheetRow], list[tuple[int, str]]]:
    """Take the rows of the table out of a sheet; of the others give the number, and why they are none."""
    names = header_names(sheet, header)
    headers = [list(map(key_of, cells)) for number, cells in enumerate(sheet.rows, 1) if number in header]
    rows: list[SheetRow] = []
    passed: list[tuple[int, str]] = []
    above: dict[str, Cell] = {}
    heading: dict[str, Cell] = {}
    for number, cells in enumerate(sheet.rows, 1):
        filled = {column: cell for column, cell in enumerate(cells) if cell is not None}
        if not filled or min(header) <= number <= max(header):
            continue
        why = "above the header" if number < min(header) else "left out by the plan"
        if number > max(header) and number not in leave_out:
            why = _why_passed(sheet, number, filled, headers, names)
        if why == "a header":
            names = [text_of(cell) or f"column {_letters(at)}" for at, cell in enumerate(cells)]
        if why.startswith("a heading"):
            told = re.findall(r"[\w&/.-]*\w[\w&/.-]*", text_of(next(iter(filled.values()))))
            heading = {HEADING: " ".join(told)} if told else {}
        if why:
            passed.append((number, why))
            continue
        row = {names[column]: above.get(names[column]) if key_of(cell) in ditto else cell
               for column, cell in filled.items()}  # fmt: skip
        above |= row
        merged = {names[column]: sheet.merged[number, column][:2] for column in filled
                  if sheet.merged.get((number, column), (0, 1))[1] > 1}  # fmt: skip
        rows.append(SheetRow(sheet.name, number, {**row, SHEET: sheet.name, **heading}, merged))
    return rows, passed


def _why_passed(
    sheet: Sheet, number: int, filled: Mapping[int, Cell], headers: Sequence[Sequence[str]],
    names: Sequence[str],
) -> str:  # fmt: skip
    """Tell why a row is none of the table's; empty if it is one."""
    texts = {column: key_of(cell) for column, cell in filled.items()}
    for line in headers:
        same = sum(line[column : column + 1] == [text] for column, text in texts.items())
        if same >= max(2, 0.6 * len(texts)):
            return "the header again"
    if all(re.fullmatch(r"[-=_*.~#+–—]{2,}", text) for text in texts.values()):
        return "a line between rows"
    if is_header(filled.values(), names):
        return "a header"
    first = next((column for column, name in enumerate(names) if not name.startswith("column ")), 0)
    column = next(iter(filled))
    is_wide = sheet.merged.get((number, column), (0, 1, 1))[2] >= 3
    if len({id(cell) for cell in filled.values()}) == 1 and (column <= first or is_wide):
        return "a heading, or only its first cell is filled"
    others = [text_of(cell).strip() for cell in filled.values() if not number_readings(cell)]
    if not others:
        return "numbers only"
    begun = f"{folded(others[0])} ".startswith(tuple(f"{folded(word)} " for word in words()["sums"]))
    is_sum = begun or others[0] in ("Σ", "∑")
    return "sums" if is_sum and (len(others) == 1 or len(filled) <= 0.5 * len(names)) else ""


def is_header(cells: Iterable[Cell], names: Iterable[str] = ()) -> bool:
    """Tell whether the cells of a row name columns: words of headers, and neither numbers nor dates."""
    told = [cell for cell in cells if cell is not None]
    known = set(map(key_of, names))
    hits = sum(key_of(cell) in known or any(folded(text_of(cell)) in words()[f"headers.{kind}"]
               for kind in ("date", "number", "text")) for cell in told)  # fmt: skip
    return all(isinstance(cell, str) for cell in told) and hits >= max(3, 0.6 * len(told))


def again_rows(rows: Iterable[SheetRow]) -> list[tuple[SheetRow, SheetRow]]:
    """Find rows that say the same as one before them in the same sheet, in every cell."""
    first: dict[frozenset[tuple[str, str]], SheetRow] = {}
    told = [(row, frozenset((name, key_of(cell)) for name, cell in row.cells.items() if name != HEADING))
            for row in rows]  # fmt: skip
    return [(row, first[key]) for row, key in told if first.setdefault(key, row) is not row]


# Dates as written. A form fits a column if every value of it is a day then, and none lies in the future.

ORDERS = ("day month year", "month day year", "year month day")
_SIGN, _MONTH = r"(?P<sign>\s*[-./ ]\s*)", r"m(?P<m>\d+)"
#: How a date is written, a month that is named as m and its number; the order is empty where only one makes
#: sense. A day without a year is one of the year that the sheet, or the heading above, is named after.
_FORMS = [(order, re.compile(form)) for order, form in (
    ("", r"(?P<y>\d{4})(?P<m>\d\d)(?P<d>\d\d)"),
    ("", rf"(?P<y>\d{{4}}){_SIGN}(?P<m>\d\d?)(?P=sign)(?P<d>\d\d?)\.?"),
    ("", r"(?P<y>\d{4})[-./](?P<m>\d\d?)"), ("", r"(?P<m>\d\d?)[-./](?P<y>\d{4})"),
    (ORDERS[0], rf"(?P<d>\d\d?){_SIGN}(?P<m>\d\d?)(?P=sign)(?P<y>\d{{4}}|\d\d)\.?"),
    (ORDERS[1], rf"(?P<m>\d\d?){_SIGN}(?P<d>\d\d?)(?P=sign)(?P<y>\d{{4}}|\d\d)\.?"),
    (ORDERS[2], r"(?P<y>\d\d)(?P<sign>\s*[-/ ]\s*)(?P<m>\d\d?)(?P=sign)(?P<d>\d\d?)\.?"),
    (ORDERS[0], r"(?P<d>\d\d?)[-./](?P<m>\d\d?)\.?"), (ORDERS[1], r"(?P<m>\d\d?)[-./](?P<d>\d\d?)\.?"),
    ("", rf"(?P<d>\d\d?) {_MONTH} (?P<y>\d+)"), ("", rf"{_MONTH} (?P<d>\d\d?) (?P<y>\d+)"),
    ("", rf"(?P<y>\d{{3,}}) {_MONTH} (?P<d>\d\d?)"), ("", rf"(?P<y>\d{{4}}) {_MONTH}"),
    ("", rf"{_MONTH} (?P<y>\d{{4}})"), ("", rf"{_MONTH} y (?P<y>\d\d)"),
    ("", rf"(?P<d>\d\d?) {_MONTH}"), ("", rf"{_MONTH} (?P<d>\d\d?)"), ("", rf"{_MONTH} (?P<y>\d\d)"),
)]  # fmt: skip
_CLOCK = re.compile(r"[T ,]\s*\d{1,2}:\d{2}(:\d{2})?(\.\d+)?(\s*[ap]m|Z)?$", re.IGNORECASE)
_WEEKDAY = re.compile(r"^(?:mo|tu|we|th|fr|sa|su|di|mi|do|so)[a-z]*\.?,?\s+(?=\d)", re.IGNORECASE)
_FIRST_SERIAL = datetime.date(1899, 12, 30)


def read_date(cell: Cell, orders: Sequence[str], year: int | None = None) -> str:
    """Read a date as somebody wrote it."""
    readings = date_readings(cell, year)
    if len(set(readings.values())) == 1:
        return next(iter(readings.values()))
    for order in orders:
        if order in readings:
            return readings[order]
    told = f"may be {' or '.join(sorted(set(readings.values())))}; the plan does not say"
    raise Refused(f"{shown(text_of(cell))} {told if readings else 'is no date that can be read'}")


def date_readings(cell: Cell, year: int | None = None) -> dict[str, str]:
    """Give every way to read a date: by order, or under an empty one where only one makes sense."""
    if isinstance(cell, datetime.date):
        return {"": cell.isoformat()}
    if isinstance(cell, int | float) and 10_000 < cell < 80_000:
        return {"": (_FIRST_SERIAL + datetime.timedelta(days=int(cell))).isoformat()}
    text = _WEEKDAY.sub("", _CLOCK.sub("", text_of(cell).strip()))
    bare = re.sub(r"(?<=\d)(st|nd|rd|th)\b", "", re.sub(r"'(?=\d\d$)", " y ", text))
    parts, months = re.findall(r"\d+|[^\W\d]+", folded(bare)), words()["months"]
    if any(part in months for part in parts):
        text = " ".join(f"m{months[part]}" if part in months else part for part in parts)
    found: dict[str, str] = {}
    for order, form in _FORMS:
        if order not in found and (match := form.fullmatch(text)):
            told: dict[str, Any] = {"y": year, "d": None, **match.groupdict()}
            date = _day(told["y"], told["m"], told["d"]) if told["y"] else None
            found |= {order: date} if date else {}
    return found


def _day(year: int | str, month: int | str, day: str | None) -> str | None:
    """Give a date that exists and is not in the future; None if it does not."""
    today = datetime.date.today()
    full = int(year) + (0 if len(str(year)) > 2 else 2000 if int(year) <= today.year % 100 else 1900)
    try:
        date = datetime.date(full, int(month), int(day or 1))
    except ValueError:
        return None
    is_past = 1950 <= full and date <= today.replace(month=12, day=31)
    return (date.isoformat() if day else date.isoformat()[:7]) if is_past else None


# Numbers, hours and years of production as written.

#: What divides the decimals, by its name, and what then may divide the thousands.
MARKS = {"comma": (",", "."), "point": (".", ",")}
_CURRENCY = {
    "€": "EUR", "£": "GBP", "eur": "EUR", "euro": "EUR", "gbp": "GBP", "quid": "GBP", "usd": "USD",
    "chf": "CHF", "sek": "SEK", "nok": "NOK", "dkk": "DKK", "pln": "PLN", "zł": "PLN", "$": "?", "bucks": "?",
    "kr": "?", "fr": "?",
}  # fmt: skip
_AMOUNT = re.compile(
    r"([^\d.,'’+-]*)([+-]?)\s*([^\d.,'’]*)(\d(?:[\d.,'’\s]*\d)?)([.,]?\s*[-–—]{1,2})?\s*(\D*)"
)
#: Book-keepers write what goes out in brackets.
_BRACKETS = re.compile(r"\(([^()]*\d[^()]*)\)")


def currency_signs(cell: Cell) -> set[str]:
    """Give the currencies whose sign stands in a cell; "?" for one that several countries use."""
    found = re.findall(r"[€£$]|[a-zł]+", text_of(cell).casefold()) if isinstance(cell, str) else ()
    return {_CURRENCY[word] for word in found if word in _CURRENCY}


def number_readings(cell: Cell) -> dict[str, Decimal]:
    """Give every way to read a number: by its decimal mark."""
    if isinstance(cell, int | float):
        return dict.fromkeys(MARKS, Decimal(repr(round(cell, 6))))
    text = cell.strip() if isinstance(cell, str) else ""
    paid = _BRACKETS.fullmatch(text)
    match = _AMOUNT.fullmatch(paid[1] if paid else text)
    beside = folded(f"{match[1]} {match[3]} {match[6]}").split() if match else ()
    if not match or any(word not in (*_CURRENCY, "h", "hr", "hrs", "std") for word in beside):
        return {}
    digits = re.sub(r"(?<=\d)['’\s](?=\d{3})", "", match[4])
    found = {}
    for mark, (point, thousands) in MARKS.items():
        if re.fullmatch(rf"(\d+|[1-9]\d?\d?([{thousands}]\d{{3}})+)([{point}]\d+)?", digits):
            number = Decimal(match[2] + digits.replace(thousands, "").replace(point, "."))
            found[mark] = -number if paid else number
    return found


def read_number(cell: Cell, mark: str | None) -> Decimal:
    """Read a number as somebody wrote it."""
    found = number_readings(cell)
    if not found:
        raise Refused(f"{shown(text_of(cell))} is no number that can be read")
    if mark is None and len(set(found.values())) > 1:
        raise Refused(f"{shown(cell)} is read differently with a decimal comma and a point; say which")
    if mark is not None and mark not in found:
        raise Refused(f"{shown(cell)} is not written with the decimal {mark}")
    return found[mark] if mark else next(iter(found.values()))


def read_hours(cell: Cell, mark: str | None = "comma", unit: str | None = "hours") -> Decimal:
    """Read a span of time as hours: ``"1:30"``, ``"1h30"``, ``"90 min"``, or a number in `unit`."""
    if isinstance(cell, datetime.timedelta):
        return _hours(0, Decimal(cell.total_seconds()) / 60)
    text = text_of(cell).strip().casefold().lstrip("~")
    if clock := re.fullmatch(r"(\d{1,3}):(\d{2})(?::\d{2})?(?:\s*h)?", text):
        return _hours(int(clock[1]), int(clock[2]))
    said = re.fullmatch(r"(?:(\d+(?:[.,]\d+)?)\s*(?:h|hrs?|hours?|std|stunden?|uur|uren)\.?)?\s*"
                        r"(?:(\d+)\s*(?:m|min|mins|minutes?|minuten)?\.?)?", text)  # fmt: skip
    if said and (said[1] or (said[2] and not text.isdigit())):
        return _hours(Decimal((said[1] or "0").replace(",", ".")), int(said[2] or 0))
    number = read_number(cell, mark)
    if unit is None:
        raise Refused(f"{shown(text_of(cell))} may be hours or minutes; the plan does not say")
    return number if unit == "hours" else _hours(0, number)


def _hours(hours: Decimal | int, minutes: Decimal | int) -> Decimal:
    return round(Decimal(hours) + Decimal(minutes) / 60, 4).normalize()


def typed(column: Column, answer: str) -> str:
    """Turn an answer with a decimal comma, a day first or hours as 2h into the documented form."""
    if column.kind not in ("date", "hours", "money", "number") or not answer:
        return answer
    if column.kind == "date":  # with strokes it may be the month first
        readings = date_readings(answer) if "/" not in answer else {}
        return readings.get(ORDERS[0]) or readings.get("", answer)
    if column.kind == "hours":
        return write_value(float(read_hours(answer, None)))
    return str(read_number(answer, None))


_YEARS = re.compile(r"((?:19|20)\d\d)\s*(?:[-–/]|to|bis|tot)\s*((?:19|20)?\d\d)")
_DECADE = re.compile(r"(?:(\w+)[ -])?['’]?(?:19)?([3-9])0\s*'?(?:s|er|ies|e?r jahre|er jaren)")
#: Years of a decade by what stands before it.
_IN_A_DECADE = {"": (0, 9), **dict.fromkeys(("early", "anfang", "begin"), (0, 4)),
                **dict.fromkeys(("mid", "mitte", "midden"), (3, 7)),
                **dict.fromkeys(("late", "ende", "eind"), (5, 9))}  # fmt: skip


def read_built(cell: Cell) -> tuple[int, int, bool]:
    """Read a year of production: ``1979``, ``"1978-81"``, ``"70s"``, or a rough one: ``"ca. 1979"``."""
    if isinstance(cell, datetime.date):
        return cell.year, cell.year, False
    text = text_of(cell).strip().casefold()
    if match := _YEARS.fullmatch(text):
        last = int(match[2]) if len(match[2]) == 4 else int(match[1][:2] + match[2])
        if last >= int(match[1]):
            return int(match[1]), last, False
    if (match := _DECADE.fullmatch(text)) and (match[1] or "") in _IN_A_DECADE:
        first, last = (1900 + 10 * int(match[2]) + year for year in _IN_A_DECADE[match[1] or ""])
        return first, last, False
    if two := re.fullmatch(r"'?([3-9]\d)", text):
        return 1900 + int(two[1]), 1900 + int(two[1]), False
    bare = " ".join(word for word in folded(text).split() if word not in words()["rough"])
    if year := re.fullmatch(r"c?((?:18|19|20)\d\d)", bare):
        return int(year[1]), int(year[1]), year[1] != text
    raise Refused(f"{shown(text_of(cell))} is no year of production that can be read")
