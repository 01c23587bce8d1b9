"""CSV files of one table: strict reading, and writing that survives a spreadsheet.

RFC 4180 in UTF-8. A byte-order mark, LF in place of CRLF, padded cells, any column order and
quoted line breaks are accepted; rows without any content are skipped. A text that a spreadsheet
would take for a formula is written with an apostrophe in front and read without it.
"""

import csv
import datetime
import io
import math
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, NamedTuple

from reliability.records.checks import Complaint, rule_complaints
from reliability.records.files import fresh_file
from reliability.records.tables import Column, Table
from reliability.records.values import (
    Fault,
    Refused,
    Value,
    clean_text,
    nearest,
    read_value,
    shown,
    write_value,
)

#: A sign that begins a formula, full-width too; what cannot be seen may stand before it.
_FORMULA = re.compile(r"['\s\u200b-\u200f\u202a-\u202e\u2060-\u2064\ufeff]*[=+\-@＝＋－＠]")
_CACHED_CELLS = 20_000
#: How bytes that are not UTF-8 reach us: kept apart, so that the cell they stand in can be named.
_UNDECODABLE = re.compile("[\udc80-\udcff]")
#: How files begin that are no CSV in UTF-8, and what they are.
_OTHER_FILES = (
    (b"\xff\xfe", "is written in UTF-16; save it as UTF-8"),
    (b"\xfe\xff", "is written in UTF-16; save it as UTF-8"),
    (b"PK\x03\x04", "is a spreadsheet or an archive; save the sheet as CSV in UTF-8"),
    (b"\xd0\xcf\x11\xe0", "is a spreadsheet of an old form; save the sheet as CSV in UTF-8"),
)
MOST_COLUMNS = 200
NUMERIC = ("year", "count", "money", "hours", "number")
OPEN_TEXT = ("text",)


@dataclass(frozen=True)
class Layout:
    """How a CSV file differs from the documented one.

    Parameters
    ----------
    delimiter : str
        What stands between cells.
    decimal_comma : bool
        Whether numbers are written with a comma; then a point in a number is refused.
    """

    delimiter: str = ","
    decimal_comma: bool = False


class Line(NamedTuple):
    """One row of a file: its first line, what it says, and what is wrong with it."""

    number: int
    row: dict[str, Value]
    complaints: list[Complaint]


def neutralised(text: str) -> str:
    """Put an apostrophe before a text that a spreadsheet would take for a formula."""
    return "'" + text if _FORMULA.match(text) else text


def restored(text: str) -> str:
    """Take that apostrophe away again."""
    return text[1:] if text.startswith("'") and _FORMULA.match(text[1:]) else text


def cell_reader(column: Column, exponent: int, layout: Layout) -> Callable[[str], Value]:
    """Build the reader of one column's cells; cells that repeat are read once."""
    seen: dict[str, Value] = {}
    numeric, text_like = column.kind in NUMERIC, column.kind in OPEN_TEXT

    def read(cell: str) -> Value:
        if cell in seen:
            return seen[cell]
        text = clean_text(cell)
        if not text.isascii():
            refuse_undecodable(text)
        if text_like:
            text = restored(text)
        elif numeric and layout.decimal_comma:
            if "." in text:
                raise Refused(f"{text!r} has a point, but numbers were announced with a decimal comma")
            text = text.replace(",", ".", 1)
        value = read_value(column, text, exponent)
        if len(seen) < _CACHED_CELLS:
            seen[cell] = value
        return value

    return read


def raw_rows(path: Path, delimiter: str, faults: list[Fault]) -> Iterator[tuple[int, list[str]]]:
    """Read the header and then every row with any content, as they stand in a file.

    Parameters
    ----------
    path : Path
        The file.
    delimiter : str
        What stands between cells.
    faults : list of Fault
        What is wrong with the file itself is added here; the rest of it is not read then. A byte that
        is not UTF-8 is none of that: `refuse_undecodable` finds it in its cell.

    Yields
    ------
    (int, list of str)
        The first line of the row, counted from 1, and its cells.
    """
    try:
        with path.open("rb") as raw:
            start = raw.read(4)
        if others := [message for sign, message in _OTHER_FILES if start.startswith(sign)]:
            faults.append(Fault(f"{path.name}, line 1", "", others[0]))
            return
        with path.open(encoding="utf-8-sig", errors="surrogateescape", newline="") as stream:
            yield from _rows(path, csv.reader(stream, delimiter=delimiter, strict=True), faults)
    except OSError as error:
        faults.append(Fault(path.name, "", f"cannot be read: {error.strerror}"))


def _rows(path: Path, reader: Any, faults: list[Fault]) -> Iterator[tuple[int, list[str]]]:
    last = 0
    try:
        for cells in reader:
            first, last = last + 1, reader.line_num
            if first == 1:
                _check_header(path, cells, faults)
                yield first, cells
            elif any(cells) and "".join(cells).strip():
                yield first, cells
    except csv.Error as error:
        message = f"is not CSV: {error}; the rest of the file was not read"
        faults.append(Fault(f"{path.name}, line {reader.line_num}", "", message))


def _check_header(path: Path, header: Sequence[str], faults: list[Fault]) -> None:
    for number, cell in enumerate(header, 1):
        try:
            refuse_undecodable(cell)
        except Refused as error:
            faults.append(Fault(f"{path.name}, line 1", "", f"the {number}. header {error.message}"))


class CsvTable:
    """One CSV file, read row by row; faults of the file itself are gathered on the way.

    Parameters
    ----------
    path : Path
        The file.
    table : Table
        What its rows are.
    exponent : int
        Decimals of the currency.
    layout : Layout, optional
        How the file is written.
    partial : bool
        Whether the file may lack columns but those of the key: then a row holds what the file has, and the
        rules within it are for whoever lays it over the rest.

    Attributes
    ----------
    faults : list of Fault
        Faults of the header, the encoding and the CSV form, complete once all lines were read.
    """

    is_derived = False
    n_left_out = 0

    def __init__(
        self,
        path: Path,
        table: Table,
        exponent: int,
        layout: Layout | None = None,
        *,
        partial: bool = False,
    ) -> None:
        self.path, self.table, self.exponent, self.partial = path, table, exponent, partial
        self.layout = layout or Layout()
        self.faults: list[Fault] = []

    def fault(self, line: int, column: str, message: str) -> Fault:
        """Word a fault at a place in this file."""
        return Fault(f"{self.path.name}, line {line}", column, message)

    def lines(self) -> Iterator[Line]:
        """Read every row that can be told apart, clean or with its complaints."""
        rows = raw_rows(self.path, self.layout.delimiter, self.faults)
        header = next(rows, (1, []))[1]
        if self.faults:
            return
        names = self._columns(header)
        readers = [cell_reader(self.table[name], self.exponent, self.layout) for name in names]
        if not self.faults:
            yield from (self._line(number, names, readers, cells) for number, cells in rows)

    def _line(
        self,
        number: int,
        names: Sequence[str],
        readers: Sequence[Callable[[str], Value]],
        cells: Sequence[str],
    ) -> Line:
        if len(cells) != len(names):
            message = f"has {len(cells)} cells, but the header has {len(names)}"
            return Line(number, {}, [("", message)])
        row: dict[str, Value] = {
            column.name: column.default
            for column in self.table.columns
            if column.name in self.table.key or not self.partial
        }
        complaints: list[Complaint] = []
        for name, read, cell in zip(names, readers, cells, strict=True):
            try:
                row[name] = read(cell)
            except Refused as error:
                complaints.append((name, error.message))
        if not self.partial:
            complaints += rule_complaints(self.table, row, complaints, self.exponent)
        return Line(number, row, complaints)

    def _columns(self, header: Sequence[str]) -> list[str]:
        """Match the header with the columns of the table; complain of what is odd."""
        header = [clean_text(cell) for cell in header]
        if len(header) > MOST_COLUMNS:
            message = f"the header has {len(header)} cells; no table has more than {MOST_COLUMNS} columns"
            self.faults.append(self.fault(1, "", message))
            return []
        names = header
        complaints: list[Complaint] = []
        if len(names) == 1 and self.layout.delimiter == "," and re.search("[;\t]", names[0]):
            sign = "tabs" if "\t" in names[0] else "semicolons"
            complaints.append(
                ("", f"the header is separated by {sign}; name the delimiter, or save with commas")
            )
            names = []
        for name in dict.fromkeys(names):
            if name not in self.table.names:
                listed = ", ".join(self.table.names)
                hint = nearest(name, self.table.names)
                place = name if name.isprintable() else shown(name)
                complaints.append((place, f"{self.table.name} has no such column; it has {listed}.{hint}"))
            elif names.count(name) > 1:
                complaints.append((name, "stands in the header more than once"))
        needed = [column for column in self.table if column.name in self.table.key or not self.partial]
        missing = [column.name for column in needed if column.required and column.name not in names]
        if missing and not complaints:
            complaints.append(("", f"the header lacks {', '.join(missing)}, which every row needs"))
        self.faults += [self.fault(1, *complaint) for complaint in complaints]
        return names if not complaints else []


def refuse_undecodable(text: str) -> None:
    """Refuse a text that holds bytes which were not UTF-8.

    Raises
    ------
    Refused
        With the first such byte and what stands before it.
    """
    if found := _UNDECODABLE.search(text):
        byte, before = ord(found[0]) - 0xDC00, text[: found.start()][-20:]
        raise Refused(f"is not UTF-8 (byte 0x{byte:02X} after {before!r}); save the file as UTF-8")


def write_rows(stream: IO[bytes], header: Iterable[str], rows: Iterable[Iterable[Any]]) -> None:
    """Write rows of plain values as RFC 4180 says: the only way in which tables are written.

    Parameters
    ----------
    stream : binary file
        Left open.
    header : iterable of str
        Names of the columns.
    rows : iterable of iterables
        Text, numbers, Decimal, dates; None and NaN are empty cells. No text in them can pass for a formula.
    """
    text = io.TextIOWrapper(stream, encoding="utf-8", newline="", write_through=True)
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(header)
    for row in rows:
        writer.writerow([_written(value) for value in row])
    text.detach()


def _written(value: Any) -> str:
    if value is None or value != value:
        return ""
    if isinstance(value, str):
        return neutralised(value)
    if isinstance(value, datetime.datetime):
        value = value.date()
    if isinstance(value, float):
        return write_value(float(value)) if math.isfinite(value) else str(float(value))
    return str(value)


def write_table(path: Path, header: Iterable[str], rows: Iterable[Iterable[Any]]) -> None:
    """Write a table to a file of its own; it is replaced in one step."""
    with fresh_file(path) as draft:
        write_rows(draft.stream, header, rows)
