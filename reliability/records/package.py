"""The ledger as a folder of CSV files with its `datapackage.json`, in and out."""

import csv
import datetime
import io
import json
import math
import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path, PurePosixPath
from typing import IO, TYPE_CHECKING, Any, NamedTuple

from sqlalchemy import Connection, select

from reliability.errors import InvalidInput, reason, unknown
from reliability.records import database
from reliability.records.checks import (
    Complaint,
    PackageCheck,
    clean_rows,
    rule_complaints,
)
from reliability.records.database import HISTORY
from reliability.records.files import finish, fresh_file, is_left_over, read_at_most, unfinished, write_files
from reliability.records.tables import KINDS, SETTINGS, TABLES, Column, Table
from reliability.records.values import (
    EXPONENTS,
    Fault,
    Refused,
    Value,
    clean_text,
    nearest,
    number_fault,
    read_value,
    refuse,
    shown,
    write_value,
)

if TYPE_CHECKING:
    from reliability.records.frames import Records
    from reliability.records.ledger import Ledger

# One CSV file, strictly read, and written so that it survives a spreadsheet. RFC 4180 in UTF-8. A byte-order
# mark, LF in place of CRLF, padded cells, any column order and quoted line breaks are accepted; rows without
# any content are skipped. A text that a spreadsheet would take for a formula is written with an apostrophe in
# front and read without it.


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
MOST_OF_A_LINE, MOST_OF_A_CELL = 1_000_000, 131_072
NUMERIC = ("year", "count", "money", "hours", "number")


@dataclass(frozen=True)
class Layout:
    """How a CSV file differs from the documented one."""

    delimiter: str = ","
    decimal_comma: bool = False  # then a point in a number is refused


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

    def read(cell: str) -> Value:
        if cell in seen:
            return seen[cell]
        text = clean_text(cell)
        if not text.isascii():
            refuse_undecodable(text)
        if column.kind == "text":
            text = restored(text)
        elif layout.decimal_comma and column.kind in NUMERIC:
            if "." in text:
                raise Refused(f"{text!r} has a point, but numbers were announced with a decimal comma")
            text = text.replace(",", ".", 1)
        value = read_value(column, text, exponent)
        if len(seen) < _CACHED_CELLS:
            seen[cell] = value
        return value

    return read


def raw_rows(path: Path, delimiter: str, faults: list[Fault]) -> Iterator[tuple[int, list[str]]]:
    """Read the header and then every row with any content, as they stand in a file."""
    try:
        with path.open("rb") as raw:
            start = raw.read(4)
        if others := [message for sign, message in _OTHER_FILES if start.startswith(sign)]:
            faults.append(Fault(f"{path.name}, line 1", "", others[0]))
            return
        with path.open(encoding="utf-8-sig", errors="surrogateescape", newline="") as stream:
            yield from _rows(path, csv.reader(whole_lines(stream), delimiter=delimiter, strict=True), faults)
    except OSError as error:
        faults.append(Fault(path.name, "", f"cannot be read: {error.strerror}"))


class LongLine(csv.Error):
    """The line after the last one that was read is longer than any that a table has."""


def whole_lines(stream: IO[str]) -> Iterator[str]:
    """Read a stream line by line for `csv`, but for a line or a cell that no table has."""
    csv.field_size_limit(MOST_OF_A_CELL)  # others in the process may have set it
    while line := stream.readline(MOST_OF_A_LINE):
        if len(line) == MOST_OF_A_LINE:
            raise LongLine(f"it has more than {MOST_OF_A_LINE:,} characters")
        yield line


def _rows(path: Path, reader: Any, faults: list[Fault]) -> Iterator[tuple[int, list[str]]]:
    last = 0
    try:
        for cells in reader:
            first, last = last + 1, reader.line_num
            if first == 1:
                for number, cell in enumerate(cells[: MOST_COLUMNS + 1], 1):
                    try:
                        refuse_undecodable(cell)
                    except Refused as error:
                        faults.append(
                            Fault(f"{path.name}, line 1", "", f"the {number}. header {error.message}")
                        )
                yield first, cells
            elif any(cells) and "".join(cells).strip():
                yield first, cells
    except csv.Error as error:
        message = f"is not CSV: {error}; the rest of the file was not read"
        line = reader.line_num + isinstance(error, LongLine)
        faults.append(Fault(f"{path.name}, line {line}", "", message))


class CsvTable:
    """One CSV file, read row by row; faults of the file itself are complete once all lines were read.

    A partial one may lack columns but those of the key: then a row holds what the file has, and the rules
    within it are for whoever lays it over the rest.
    """

    is_derived = False
    n_left_out = 0

    def __init__(
        self, path: Path, table: Table, exponent: int, layout: Layout | None = None, *, partial: bool = False
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
        self, number: int, names: list[str], readers: list[Callable[[str], Value]], cells: list[str]
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
        if len(header) > MOST_COLUMNS:
            message = f"the header has {len(header)} cells; no table has more than {MOST_COLUMNS} columns"
            self.faults.append(self.fault(1, "", message))
            return []
        names = [clean_text(cell) for cell in header]
        complaints: list[Complaint] = []
        if len(names) == 1 and self.layout.delimiter == "," and re.search("[;\t]", names[0]):
            sign = "tabs" if "\t" in names[0] else "semicolons"
            such = f"the header is separated by {sign}; name the delimiter, or save with commas"
            complaints, names = [("", such)], []
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
    """Refuse a text that holds bytes which were not UTF-8."""
    if found := _UNDECODABLE.search(text):
        byte, before = ord(found[0]) - 0xDC00, text[: found.start()][-20:]
        raise Refused(f"is not UTF-8 (byte 0x{byte:02X} after {before!r}); save the file as UTF-8")


def write_rows(stream: IO[bytes], header: Iterable[str], rows: Iterable[Iterable[Any]]) -> None:
    """Write rows of plain values as RFC 4180 says: the only way in which tables are written."""
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


# The `datapackage.json` of an exported folder, and which files a folder holds.


DESCRIPTOR = "datapackage.json"
#: Longer than any descriptor that we would write a hundred times over.
MOST_BYTES = 5_000_000
HISTORY_FILE = "history.csv"
#: Name of the package that a ledger is exported as.
PACKAGE = "bench-ledger"
#: Property of the descriptor: numbers given out to jobs that were withdrawn.
WITHDRAWN = "withdrawnJobs"
#: Property of the descriptor: the rows are invented, to try the commands on.
DEMO = "demo"
#: Documented files that may lie beside the tables without being one.
MOST_RESOURCES = 100
LONGEST_PATH = 250
BESIDE = ("offers.csv", "verdicts.csv", HISTORY_FILE)

_TYPES = {
    "text": "string",
    "choice": "string",
    "date": "string",
    "year": "integer",
    "count": "integer",
    "money": "number",
    "hours": "number",
    "number": "number",
}
DATE_PATTERN = "[0-9]{4}-(0[1-9]|1[0-2])(-[0-3][0-9])?"


def field_of(column: Column) -> dict[str, Any]:
    """Describe a column as a field of a Table Schema."""
    constraints: dict[str, Any] = {"required": True} if column.required else {}
    constraints |= {"enum": list(column.allowed)} if column.allowed else {}
    constraints |= {"pattern": DATE_PATTERN} if column.kind == "date" else {}
    bounds = (("minimum", column.minimum), ("maximum", column.maximum))
    constraints |= {name: bound for name, bound in bounds if bound is not None}
    return {
        "name": column.name,
        "type": _TYPES[column.kind],
        "description": f"{column.meaning} ({KINDS[column.kind]})",
        **({"constraints": constraints} if constraints else {}),
    }


def schema_of(table: Table) -> dict[str, Any]:
    """Describe a table as a Table Schema."""
    schema: dict[str, Any] = {"fields": [field_of(column) for column in table], "missingValues": [""]}
    if all(table[name].required or table[name].default is not None for name in table.key):
        schema["primaryKey"] = list(table.key)
    if table.references:
        schema["foreignKeys"] = [
            {"fields": [column], "reference": {"resource": other, "fields": list(TABLES[other].key)}}
            for column, other in table.references.items()
        ]
    return schema


def descriptor_text(withdrawn: Sequence[str] = (), *, demo: bool = False) -> str:
    """Describe a folder that holds every table; name the jobs that were withdrawn, and the demo as such."""
    described = {
        "profile": "tabular-data-package",
        "name": PACKAGE,
        "title": "Ledger of a repair bench",
        "description": "An empty cell means not known. A text that begins with = + - or @ is written with an "
        "apostrophe in front, so that no spreadsheet takes it for a formula.",
        "resources": [
            {
                "profile": "tabular-data-resource",
                "name": table.name,
                "path": f"{table.name}.csv",
                "description": table.meaning,
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "schema": schema_of(table),
            }
            for table in TABLES.values()
        ],
        **({WITHDRAWN: list(withdrawn)} if withdrawn else {}),
        **({DEMO: True} if demo else {}),
    }
    return json.dumps(described, indent=2, ensure_ascii=False) + "\n"


def read_json(file: Path) -> Any:
    """Read a JSON file of ours or of somebody else's."""
    try:
        return json.loads(read_at_most(file, MOST_BYTES).decode("utf-8-sig"))
    except RecursionError:
        raise ValueError("is nested too deep") from None


def described_in(folder: Path) -> dict[str, Any]:
    """Read the descriptor of a folder; empty if there is none that can be read."""
    try:
        content = read_json(folder / DESCRIPTOR)
    except (OSError, ValueError):
        return {}
    return content if isinstance(content, dict) else {}


def package_name(folder: Path) -> str | None:
    """Tell the name of the package in a folder; None if there is none that can be read."""
    name = described_in(folder).get("name")
    return None if name is None else str(name)


def is_demo(folder: Path) -> bool:
    """Tell whether a folder holds the demo, or a copy of it."""
    return described_in(folder).get(DEMO) is True


def refuse_foreign_folder(folder: Path, name: str) -> None:
    """Let an export go into a new folder, an empty one, or one that holds an earlier export of its kind."""
    if folder.is_symlink():
        raise InvalidInput(f"{folder} is a link; name the folder that it leads to. Nothing was written.")
    if folder.exists() and not folder.is_dir():
        raise InvalidInput(f"{folder} is a file; an export needs a folder. Nothing was written.")
    if not folder.is_dir() or all(is_left_over(item) for item in folder.iterdir()):
        return
    finish(folder)
    if (found := package_name(folder)) == name:
        return
    what = f"the package {found!r}" if found else "files that no export wrote"
    raise InvalidInput(f"{folder} holds {what}; name another folder. Nothing was written.")


def find_files(folder: Path) -> tuple[dict[str, Path], list[Fault]]:
    """Find the file of each table in a folder."""
    file_names = ", ".join(f"{name}.csv" for name in TABLES)
    if not folder.is_dir():
        what = "a file" if folder.exists() else "not there"
        raise InvalidInput(f"{folder} is {what}; name a folder that holds {file_names}")
    try:
        finish(folder)
    except OSError as error:
        raise InvalidInput(
            f"An export into {folder} was cut off and cannot be finished there ({reason(error)}): export "
            "again, or copy the folder to where you may write. Nothing was read."
        ) from None
    listed = folder / DESCRIPTOR
    named, faults = _listed(listed) if listed.exists() else ({}, [])
    for file in sorted(folder.iterdir()):
        is_named_so = file.suffix.lower() == ".csv" or (file.is_file() and file.stem in TABLES)
        if file in named.values() or file.name in BESIDE or file.name[0] == "." or not is_named_so:
            continue
        if file.suffix.lower() != ".csv":
            faults.append(Fault(file.name, "", f"is no CSV file; save it as {file.stem}.csv"))
        elif listed.exists():
            if file.stem in TABLES:
                faults.append(Fault(file.name, "", f"lies in the folder, but {DESCRIPTOR} does not list it"))
        elif file.stem in TABLES:
            named[file.stem] = file
        else:
            hint = nearest(file.stem, TABLES)
            faults.append(Fault(file.name, "", f"is no table; there are {', '.join(TABLES)}.{hint}"))
    if not named and not faults:
        raise InvalidInput(f"{folder} holds no table; it may hold {file_names}")
    away = "is a link that leaves the folder; put a copy of what it leads to in its place"
    faults += [Fault(file.name, "", away) for file in named.values() if _leaves(file, folder)]
    return {name: named[name] for name in TABLES if name in named}, faults


def _leaves(file: Path, folder: Path) -> bool:
    """Whether a file of a folder lies elsewhere, by a link on the way to it."""
    return not file.resolve().is_relative_to(folder.resolve())


def _listed(descriptor: Path) -> tuple[dict[str, Path], list[Fault]]:
    if _leaves(descriptor, descriptor.parent):
        return {}, [Fault(descriptor.name, "", "is a link that leaves the folder")]
    try:
        content = read_json(descriptor)
        resources = content["resources"]
        pairs = [(resource["name"], resource) for resource in resources[:MOST_RESOURCES]]
    except OSError as error:
        return {}, [Fault(descriptor.name, "", f"cannot be read: {reason(error)}")]
    except (ValueError, KeyError, TypeError) as error:
        problem = f"lacks {error}" if isinstance(error, KeyError) else f"is not a data package: {error}"
        return {}, [Fault(descriptor.name, "", problem)]
    if len(resources) > MOST_RESOURCES:
        return {}, [
            Fault(descriptor.name, "", f"lists {len(resources)} resources; there are {len(TABLES)} tables")
        ]
    files: dict[str, Path] = {}
    faults: list[Fault] = []
    for name, resource in pairs:
        message = _resource_fault(name, resource, descriptor.parent)
        if message is None and name in files:
            message = "is listed twice"
        if message is None:
            files[name] = descriptor.parent / resource["path"]
        else:
            faults.append(Fault(descriptor.name, "", f"resource {name!r} {message}"))
    return files, faults


def _resource_fault(name: object, resource: Mapping[str, Any], folder: Path) -> str | None:
    if not isinstance(resource, Mapping):
        return "is no description of a file"
    path = resource.get("path")
    if not isinstance(name, str) or name not in TABLES:
        return f"is no table; there are {', '.join(TABLES)}.{nearest(str(name), TABLES)}"
    if not isinstance(path, str):
        return "needs one file as its path"
    if not path.isprintable() or len(path) > LONGEST_PATH:
        return f"has a path of more than {LONGEST_PATH} letters, or with signs that none has"
    parts = PurePosixPath(path)
    if parts.is_absolute() or ".." in parts.parts or "://" in path or "\\" in path:
        return f"has the path {path!r}, which leaves the folder"
    if str(resource.get("encoding", "utf-8")).lower() not in ("utf-8", "utf8", "utf-8-sig"):
        return f"is said to be in {resource['encoding']}; save it as UTF-8"
    if not (folder / path).is_file():
        return f"names the file {path}, which is not there"
    return None


# Withdrawn jobs in a package: given out, no jobs, and so in no table of it. Its descriptor names them.


def withdrawn_in(folder: Path) -> tuple[tuple[str, ...], list[Fault]]:
    """Read the numbers of withdrawn jobs from the descriptor of a package."""
    numbers = described_in(folder).get(WITHDRAWN, [])
    if not isinstance(numbers, list) or not all(isinstance(number, str) for number in numbers):
        return (), [
            Fault(DESCRIPTOR, "", f"{WITHDRAWN} is not a list of job numbers, each in quotation marks")
        ]
    faults = [Fault(DESCRIPTOR, "", f"{WITHDRAWN}: {fault}") for fault in map(number_fault, numbers) if fault]
    return tuple(numbers), faults


def withdrawal_faults(numbers: Sequence[str], jobs: Collection[str]) -> list[Fault]:
    """Complain of withdrawn numbers that belong to a job after all."""
    return [
        Fault(DESCRIPTOR, "", f"{WITHDRAWN}: there is a job {number}; withdraw it, or take the number out")
        for number in numbers
        if number in jobs
    ]


def note_withdrawals(connection: Connection, numbers: Sequence[str], reason: str) -> None:
    """Keep in the history that numbers were given out and withdrawn, where it does not know them yet."""
    entries = HISTORY.c
    query = select(entries.key).where(entries.what == "jobs", entries.key.in_(numbers))
    known = set(connection.execute(query).scalars())
    for number in numbers:
        if number not in known:
            database.keep_version(connection, "jobs", number, reason, None)


# The ledger as a folder of CSV files, in and out.


Row = Mapping[str, Value]


def currency_in(files: Mapping[str, Path], layout: Layout | None = None) -> str | None:
    """Read the currency that a package states; None if it states none that exists."""
    if "settings" not in files:
        return None
    for line in CsvTable(files["settings"], TABLES["settings"], 2, layout).lines():
        if line.row.get("setting") == "currency" and line.row["value"] in EXPONENTS:
            return str(line.row["value"])
    return None


Rows = dict[str, list[dict[str, Value]]]


def read_package(path: str | Path, *, layout: Layout | None = None) -> Rows:
    """Read a folder of CSV files and check every row of it."""
    files, faults = find_files(Path(path))
    exponent = EXPONENTS[currency_in(files, layout) or str(SETTINGS["currency"].default)]
    check = PackageCheck()
    rows: Rows = {name: [] for name in TABLES}
    for name, file in files.items():
        source = CsvTable(file, TABLES[name], exponent, layout)
        for line in source.lines():
            complaints = check.complaints(name, line.row, line.number, line.complaints)
            faults += [source.fault(line.number, *complaint) for complaint in complaints]
            rows[name].append(line.row)
        faults += source.faults
    faults += [Fault(f"{files['jobs'].name}, line {line}", *complaint)
               for _, line, complaint in check.ended_by_sound()]  # fmt: skip
    refuse(faults, "Nothing was read.")
    return _sorted(rows)


def _sorted(rows: Rows) -> Rows:
    return {name: sorted(found, key=partial(database.sort_key, TABLES[name])) for name, found in rows.items()}


def load_package_records(path: str | Path) -> "Records":
    """Read a folder of CSV files straight into data frames, without a ledger."""
    # pandas is loaded only by those who want frames: `import` and `export` start without it.
    from reliability.records.frames import records_from_rows

    withdrawn, faults = withdrawn_in(Path(path))
    refuse(faults, "Nothing was read.")
    return replace(records_from_rows(read_package(path)), withdrawn=withdrawn)


def write_package(
    rows: Mapping[str, Sequence[Mapping[str, Any]]], path: str | Path, *, demo: bool = False
) -> None:
    """Write rows of plain values as a folder of CSV files with a `datapackage.json`."""
    _write_folder(check_tables(rows), Path(path), demo=demo)


def check_tables(rows: Mapping[str, Sequence[Mapping[str, Any]]], done: str = "Nothing was written.") -> Rows:
    """Check rows of plain values against every rule, as if they were a package."""
    for name in rows:
        if name not in TABLES:
            raise unknown("There is no table", name, TABLES)
    settings = {row.get("setting"): row.get("value") for row in rows.get("settings", ())}
    exponent = EXPONENTS.get(str(settings.get("currency", SETTINGS["currency"].default)), 2)
    check = PackageCheck(word="row")
    cleaned: Rows = {}
    faults: list[Fault] = []
    for name in TABLES:
        cleaned[name], more = clean_rows(name, rows.get(name, ()), check, exponent)
        faults += more
    faults += [Fault(f"jobs, row {row}", *complaint) for _, row, complaint in check.ended_by_sound()]
    refuse(faults, done)
    return _sorted(cleaned)


def export_package(ledger: "Ledger", path: str | Path, *, history: bool = False) -> int:
    """Write the current state of a ledger as a folder of CSV files with a `datapackage.json`.

    Importing the folder gives an equal ledger, and exporting that the same bytes. An export that is cut
    off leaves all of an earlier one or all of the new one.
    """
    folder = Path(path)
    with ledger.reading() as connection:
        rows = {name: database.fetch_rows(connection, name) for name in TABLES}

        def write_history(stream: IO[bytes]) -> None:
            query = select(HISTORY).order_by(HISTORY.c.entry)
            columns = [column.name for column in HISTORY.columns]
            versions = connection.execute(query.execution_options(yield_per=1_000))
            write_rows(stream, columns, versions)

        more = {HISTORY_FILE: write_history if history else None}
        demo = database.holds_demo(connection)
        _write_folder(rows, folder, database.withdrawn_numbers(connection), more, demo=demo)
    return len(rows["jobs"])


def _write_folder(
    rows: Mapping[str, Iterable[Mapping[str, Value]]],
    folder: Path,
    withdrawn: Sequence[str] = (),
    more: Mapping[str, Callable[[IO[bytes]], object] | None] | None = None,
    *,
    demo: bool = False,
) -> None:
    def writer(name: str) -> Callable[[IO[bytes]], object]:
        columns = TABLES[name].names
        return lambda stream: write_rows(
            stream, columns, ([row[column] for column in columns] for row in rows[name])
        )

    described = descriptor_text(withdrawn, demo=demo).encode()
    files: dict[str, Callable[[IO[bytes]], object] | None] = {f"{name}.csv": writer(name) for name in TABLES}
    files[DESCRIPTOR] = lambda stream: stream.write(described)
    try:
        refuse_foreign_folder(folder, PACKAGE)
        write_files(folder, {**files, **(more or {})}, private=True)
    except OSError as error:
        raise InvalidInput(f"{folder} cannot be written: {reason(error)}{unfinished(folder)}") from None
