"""CSV files and folders of them with a `datapackage.json`, in and out of a ledger; rows of any source in."""

import csv
import datetime
import io
import json
import math
import os
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, NamedTuple

from sqlalchemy import Connection, select

from reliability.errors import Fault, InvalidInput, nearest, question, reason, refuse, shown, unknown
from reliability.records import database
from reliability.records.checks import PARTS_OF_A_JOB, Complaint, Known, Line, check_rows, read_key
from reliability.records.database import HISTORY
from reliability.records.files import fresh_file, read_at_most, write_files
from reliability.records.ledger import Ledger, faults_in, take_out, write_rows
from reliability.records.tables import KINDS, NUMERIC, TABLES, USUAL_NAMES, Table
from reliability.records.values import (
    Number,
    Value,
    clean_text,
    number_fault,
    split_number,
    stated_exponent,
    undecodable,
    write_value,
)

if TYPE_CHECKING:
    from reliability.records.frames import Records

# One CSV file, strictly read, and written so that it survives a spreadsheet. RFC 4180 in UTF-8. A byte-order
# mark, LF in place of CRLF, padded cells, any column order and quoted line breaks are accepted; rows without
# any content are skipped. A text that a spreadsheet would take for a formula is written with an apostrophe in
# front and read without it.

#: A sign that begins a formula, full-width too; what cannot be seen may stand before it.
_FORMULA = re.compile(r"['\s\u200b-\u200f\u202a-\u202e\u2060-\u2064\ufeff]*[=+\-@＝＋－＠]")
#: How files begin that are no CSV in UTF-8, and what they are.
_OTHER_FILES = (
    (b"\xff\xfe", "is written in UTF-16; save it as UTF-8"),
    (b"\xfe\xff", "is written in UTF-16; save it as UTF-8"),
    (b"PK\x03\x04", "is a spreadsheet or an archive; save the sheet as CSV in UTF-8"),
    (b"\xd0\xcf\x11\xe0", "is a spreadsheet of an old form; save the sheet as CSV in UTF-8"),
)
MOST_COLUMNS, MOST_RESOURCES = 200, 100
MOST_OF_A_LINE, MOST_OF_A_CELL = 1_000_000, 131_072


@dataclass(frozen=True)
class Layout:
    """How a CSV file differs from the documented one."""

    delimiter: str = ","
    decimal_comma: bool = False  # then a point in a number is refused


AS_DOCUMENTED = Layout()


def neutralised(text: str) -> str:
    """Put an apostrophe before a text that a spreadsheet would take for a formula."""
    return "'" + text if _FORMULA.match(text) else text


def restored(text: str) -> str:
    """Take that apostrophe away again."""
    return text[1:] if text.startswith("'") and _FORMULA.match(text[1:]) else text


def raw_rows(path: Path, delimiter: str, faults: list[Fault]) -> Iterator[tuple[int, list[str]]]:
    """Read the header and then every row with any content, as they stand in a file."""
    last, lines = 0, f"{path.name}, line"
    try:
        with path.open("rb") as raw:
            start = raw.read(4)
        if others := [message for sign, message in _OTHER_FILES if start.startswith(sign)]:
            faults.append(Fault(f"{lines} 1", "", others[0]))
            return
        with path.open(encoding="utf-8-sig", errors="surrogateescape", newline="") as stream:
            reader = csv.reader(_whole_lines(stream), delimiter=delimiter, strict=True)
            for cells in reader:
                first, last = last + 1, reader.line_num
                for number, cell in enumerate(cells[: MOST_COLUMNS + 1] if first == 1 else (), 1):
                    if said := undecodable(cell):
                        faults.append(Fault(f"{lines} 1", "", f"the {number}. header {said}"))
                if first == 1 or "".join(cells).strip():
                    yield first, cells
    except OSError as error:
        faults.append(Fault(path.name, "", f"cannot be read: {error.strerror}"))
    except csv.Error as error:
        line = reader.line_num + isinstance(error, LongLine)
        faults.append(Fault(f"{lines} {line}", "", f"is not CSV: {error}; the rest of the file was not read"))


class LongLine(csv.Error):
    """The line after the last one that was read is longer than any that a table has."""


def _whole_lines(stream: IO[str]) -> Iterator[str]:
    """Read a stream line by line for `csv`, but for a line or a cell that no table has."""
    csv.field_size_limit(MOST_OF_A_CELL)  # others in the process may have set it
    while line := stream.readline(MOST_OF_A_LINE):
        if len(line) == MOST_OF_A_LINE:
            raise LongLine(f"it has more than {MOST_OF_A_LINE:,} characters")
        yield line


class Source(NamedTuple):
    """Rows of one table, as they were made out of a file."""

    table: Table
    lines: Iterable[Line]
    exponent: int = 2  # decimals of the currency
    n_read: int | None = None  # rows of the file that it stands for; None: each of its own


def csv_lines(
    path: Path, table: Table, layout: Layout = AS_DOCUMENTED, *, partial: bool = False
) -> Iterator[Line]:
    """Read the rows of one CSV file, and what is wrong with the file itself.

    A partial one may lack columns but those of the key, and is laid over what the ledger holds.
    """
    faults: list[Fault] = []
    rows = raw_rows(path, layout.delimiter, faults)
    names = [clean_text(cell) for cell in next(rows, (1, []))[1]]
    if not faults:
        complaints = _misfits(names, table, layout, partial)
        faults += [Fault(f"{path.name}, line 1", *complaint) for complaint in complaints]
    kinds = {column.name: column.kind for column in table}
    for number, cells in rows if not faults else ():
        place, row = f"{path.name}, line {number}", dict(zip(names, cells, strict=False))
        if len(cells) != len(names):
            yield Line(place, {}, [("", other_width(cells, names))])
            continue
        points: list[Complaint] = []
        for name, cell in row.items() if layout.decimal_comma else ():
            if kinds[name] in NUMERIC:
                row[name] = cell.replace(",", ".", 1)
                such = f"{cell.strip()!r} has a point, but numbers were announced with a decimal comma"
                points += [(name, such)] if "." in cell else []
        for name, cell in row.items() if "'" in "".join(cells) else ():
            if kinds[name] == "text":
                row[name] = restored(clean_text(cell))
        yield Line(place, row, points)
    yield from (Line(each.place, None, [(each.column, each.message)]) for each in faults)


def _misfits(names: Sequence[str], table: Table, layout: Layout, partial: bool) -> list[Complaint]:
    """Match a header with the columns of its table; complain of what is odd."""
    known = table.names
    if len(names) > MOST_COLUMNS:
        return [("", f"the header has {len(names)} cells; no table has more than {MOST_COLUMNS} columns")]
    if len(names) == 1 and layout.delimiter == "," and re.search("[;\t]", names[0]):
        sign = "tabs" if "\t" in names[0] else "semicolons"
        how = "say --semicolons, or " if sign == "semicolons" and table.name in TABLES else ""
        return [("", f"the header is separated by {sign}; {how}save with commas")]
    complaints: list[Complaint] = []
    for name in dict.fromkeys(names):
        told = name if name.isprintable() else shown(name)
        if name not in known:
            such = f"{table.name} has no such column; it has {', '.join(known)}.{nearest(name, known)}"
            complaints.append((told, such))
        elif names.count(name) > 1:
            complaints.append((told, "stands in the header more than once"))
    missing = [column.name for column in table if column.required and column.name not in names
               and (column.name in table.key or not partial)]  # fmt: skip
    if missing and not complaints:
        return [("", f"the header lacks {', '.join(missing)}, which every row needs")]
    return complaints


def other_width(cells: Sequence[str], names: Collection[str]) -> str:
    """Word that a row is longer or shorter than the header."""
    return f"has {len(cells)} cells, but the header has {len(names)}"


def write_csv(stream: IO[bytes], header: Iterable[str], rows: Iterable[Iterable[Any]]) -> None:
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
    if isinstance(value, float):
        return write_value(float(value)) if math.isfinite(value) else str(float(value))
    return str(value.date() if isinstance(value, datetime.datetime) else value)


def write_table(path: Path, header: Iterable[str], rows: Iterable[Iterable[Any]]) -> None:
    """Write a table to a file of its own; it is replaced in one step."""
    with fresh_file(path) as draft:
        write_csv(draft.stream, header, rows)


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
BESIDE = ("offers.csv", "verdicts.csv", HISTORY_FILE)

_TYPES = {**dict.fromkeys(("year", "count"), "integer"),
          **dict.fromkeys(("money", "hours", "number"), "number")}  # fmt: skip
DATE_PATTERN = "[0-9]{4}-(0[1-9]|1[0-2])(-[0-3][0-9])?"


def schema_of(table: Table) -> dict[str, Any]:
    """Describe a table as a Table Schema, each column as a field of it."""
    fields: list[dict[str, Any]] = []
    for column in table:
        described = {"name": column.name, "type": _TYPES.get(column.kind, "string"),
                     "description": f"{column.meaning} ({KINDS[column.kind]})"}  # fmt: skip
        constraints = {
            "required": column.required or None,
            "enum": list(column.allowed) or None,
            "pattern": DATE_PATTERN if column.kind == "date" else None,
            "minimum": column.minimum,
            "maximum": column.maximum,
        }
        stated = {name: each for name, each in constraints.items() if each is not None}
        fields.append(described | ({"constraints": stated} if stated else {}))
    schema: dict[str, Any] = {"fields": fields, "missingValues": [""]}
    if all(table[name].required or table[name].default is not None for name in table.key):
        schema["primaryKey"] = list(table.key)
    if table.references:
        schema["foreignKeys"] = [
            {"fields": [column], "reference": {"resource": other, "fields": list(TABLES[other].key)}}
            for column, other in table.references.items()
        ]
    return schema


class Folder(NamedTuple):
    """What a folder of CSV files holds: the file of each table, what its descriptor says, what is wrong."""

    files: dict[str, Path]
    described: dict[str, Any]
    withdrawn: tuple[str, ...]  # numbers of jobs that were withdrawn: given out, and so in no table
    faults: list[Fault]


def described_in(folder: Path, faults: list[Fault] | None = None) -> dict[str, Any]:
    """Read the descriptor of a folder; empty if there is none that can be read, and why in `faults`."""
    try:
        content = json.loads(read_at_most(folder / DESCRIPTOR, MOST_BYTES).decode("utf-8-sig"))
        said = "" if isinstance(content, dict) else "is not a data package: it is no object in JSON"
    except (OSError, ValueError) as error:
        said = f"cannot be read: {reason(error) if isinstance(error, OSError) else error}"
    except RecursionError:
        said = "cannot be read: it is nested too deep"
    if said and faults is not None:
        faults.append(Fault(DESCRIPTOR, "", said))
    return {} if said else content


def write_folder(folder: Path, files: Mapping[str, Callable[[IO[bytes]], object]], *, private: bool) -> None:
    """Write a package into a new folder, or an empty one."""
    try:
        if folder.is_symlink():
            raise InvalidInput(f"{folder} is a link; name the folder that it leads to. Nothing was written.")
        if folder.exists() and not folder.is_dir():
            raise InvalidInput(f"{folder} is a file; an export needs a folder. Nothing was written.")
        if folder.is_dir() and any(folder.iterdir()):
            raise InvalidInput(f"{folder} is not empty; name a new folder. Nothing was written.")
        if folder.is_dir() and folder.samefile(Path.cwd()):  # it would be gone from under whoever works in it
            raise InvalidInput(f"{folder} is the folder you are in; name a new one. Nothing was written.")
        write_files(folder, files, private=private)
    except OSError as error:
        # An empty one gives way to the new one, which goes only where its owner may write beside it.
        is_held = isinstance(error, PermissionError) and os.path.isdir(folder)
        told = "; name a new folder in it" if is_held else ""
        raise InvalidInput(f"{folder} cannot be written: {reason(error)}{told}") from None


def look_into(folder: Path) -> Folder:
    """Find the file of each table in a folder, and read its descriptor."""
    file_names = ", ".join(f"{name}.csv" for name in TABLES)
    if not folder.is_dir():
        what = "a file" if folder.exists() else "not there"
        raise InvalidInput(f"{folder} is {what}; name a folder that holds {file_names}")
    is_described, named, faults = (folder / DESCRIPTOR).exists(), dict[str, Path](), []
    for file in sorted(folder.iterdir()):
        is_csv, is_table, odd = file.suffix.lower() == ".csv", file.stem in TABLES, ""
        if is_csv and is_table:
            named[file.stem] = file
        elif is_table and file.is_file():
            odd = f"is no CSV file; save it as {file.stem}.csv"
        elif is_csv and file.name not in BESIDE and file.name[0] != "." and not is_described:
            odd = f"is no table; there are {', '.join(TABLES)}.{nearest(file.stem, TABLES)}"
        faults += [Fault(file.name, "", odd)] if odd else []
    away = "is a link that leaves the folder; put a copy of what it leads to in its place"
    links = [file for file in (*named.values(), folder / DESCRIPTOR)
             if not file.resolve().is_relative_to(folder.resolve())]  # fmt: skip
    faults += [Fault(file.name, "", away) for file in links]
    is_read, told = is_described and folder / DESCRIPTOR not in links, list[Fault]()
    described = described_in(folder, told) if is_read else {}
    if is_read and not told:
        told = [Fault(DESCRIPTOR, "", odd) for odd in _odd_in(described, named)]
    faults += told
    if not named and not faults:
        raise InvalidInput(f"{folder} holds no table; it may hold {file_names}")
    withdrawn = () if told else tuple(described.get(WITHDRAWN, ()))
    return Folder({name: named[name] for name in TABLES if name in named}, described, withdrawn, faults)


def _odd_in(described: Mapping[str, Any], named: Collection[str]) -> list[str]:
    """Word where a descriptor does not fit the tables in its folder."""
    resources, withdrawn = described.get("resources"), described.get(WITHDRAWN, [])
    if not isinstance(resources, list) or not all(isinstance(each, dict) for each in resources):
        return ["is not a data package: an object in JSON with a list of resources"]
    if len(resources) > MOST_RESOURCES:
        return [f"lists {len(resources)} resources; there are {len(TABLES)} tables"]
    where = "where no table lies: each is the file of its name in the folder"
    told = []
    for name, path in ((each.get("name"), each.get("path")) for each in resources):
        if path not in [f"{each}.csv" for each in named] or path != f"{name}.csv":
            hint = nearest(str(name), TABLES) if name not in [*TABLES] else ""
            told.append(f"resource {shown(name)} has the path {shown(path)}, {where}.{hint}")
    if not isinstance(withdrawn, list) or not all(isinstance(number, str) for number in withdrawn):
        return [*told, f"{WITHDRAWN} is not a list of job numbers, each in quotation marks"]
    return told + [f"{WITHDRAWN}: {fault}" for fault in map(number_fault, withdrawn) if fault]


# The ledger as a folder of CSV files, in and out.

Rows = dict[str, list[dict[str, Value]]]


def _exponent_of(files: Mapping[str, Path], layout: Layout = AS_DOCUMENTED, otherwise: int = 2) -> int:
    """Tell how many decimals amounts have, by the currency that a package states, if it states one."""
    table = TABLES["settings"]
    lines = csv_lines(files[table.name], table, layout) if table.name in files else ()
    return stated_exponent((line.row or {} for line in lines), otherwise)


def read_package(path: str | Path) -> Rows:
    """Read a folder of CSV files and check every row of it."""
    return _read(look_into(Path(path)))


def _read(folder: Folder) -> Rows:
    lines = {name: csv_lines(file, TABLES[name]) for name, file in folder.files.items()}
    rows, faults = check_rows(lines, _exponent_of(folder.files))
    refuse([*folder.faults, *faults], "Nothing was read.")
    return _in_order(rows)


def _in_order(rows: Mapping[str, list[dict[str, Value]]]) -> Rows:
    """Sort rows as a ledger gives them: what is worked out from them is then the same to the last digit."""
    return {name: sorted(found, key=partial(database.sort_key, TABLES[name])) for name, found in rows.items()}


def load_package_records(path: str | Path) -> "Records":
    """Read a folder of CSV files straight into data frames, without a ledger."""
    # pandas is loaded only by those who want frames: `import` and `export` start without it.
    from reliability.records.frames import records_from_rows

    folder = look_into(Path(path))
    return replace(records_from_rows(_read(folder)), withdrawn=folder.withdrawn)


def check_tables(rows: Mapping[str, Sequence[Mapping[str, Any]]], done: str) -> Rows:
    """Check rows of plain values against every rule, as if they were a package."""
    for name in rows:
        if name not in TABLES:
            raise unknown("There is no table", name, TABLES)
    lines = {name: [Line(f"{name}, row {number}", row) for number, row in enumerate(given, 1)]
             for name, given in rows.items()}  # fmt: skip
    checked, faults = check_rows(lines, stated_exponent(rows.get("settings", ())))
    refuse(faults, done)
    return _in_order(checked)


def export_package(ledger: Ledger, path: str | Path, *, history: bool = False) -> int:
    """Write the current state of a ledger as a folder of CSV files with a `datapackage.json`.

    Importing the folder gives an equal ledger, and exporting that the same bytes.
    """
    with ledger.reading() as connection:
        rows = {name: database.fetch_rows(connection, name) for name in TABLES}
        files = files_of(rows, database.withdrawn_numbers(connection), demo=database.holds_demo(connection))

        def write_history(stream: IO[bytes]) -> None:
            query = select(HISTORY).order_by(HISTORY.c.entry).execution_options(yield_per=1_000)
            write_csv(stream, HISTORY.columns.keys(), connection.execute(query))

        files |= {HISTORY_FILE: write_history} if history else {}
        write_folder(Path(path), files, private=True)
    return len(rows["jobs"])


def files_of(
    rows: Mapping[str, Sequence[Mapping[str, Value]]], withdrawn: Sequence[str] = (), *, demo: bool
) -> dict[str, Callable[[IO[bytes]], object]]:
    """Give what writes each file of a package: its tables, and a descriptor of them."""

    def write_table(name: str, stream: IO[bytes]) -> None:
        columns = TABLES[name].names
        write_csv(stream, columns, ([row[column] for column in columns] for row in rows[name]))

    csv_file = {"format": "csv", "mediatype": "text/csv", "encoding": "utf-8"}
    described = {
        "profile": "tabular-data-package",
        "name": PACKAGE,
        "title": "Ledger of a repair bench",
        "description": "An empty cell means not known. A text that begins with = + - or @ is written with an "
        "apostrophe in front, so that no spreadsheet takes it for a formula.",
        "resources": [
            {"profile": "tabular-data-resource", "name": name, "path": f"{name}.csv",
             "description": table.meaning, **csv_file, "schema": schema_of(table)}
            for name, table in TABLES.items()
        ],
        **({WITHDRAWN: list(withdrawn)} if withdrawn else {}),
        **({DEMO: True} if demo else {}),
    }  # fmt: skip
    content = (json.dumps(described, indent=2, ensure_ascii=False) + "\n").encode()
    return {**{f"{name}.csv": partial(write_table, name) for name in TABLES},
            DESCRIPTOR: lambda stream: stream.write(content)}  # fmt: skip


# Rows of any source into a ledger: one transaction, every fault listed, nothing written on any fault.


@dataclass(frozen=True)
class ImportSummary:
    """What an import did."""

    written: dict[str, int]  # rows by table that are new
    equal: dict[str, int]  # rows that the ledger held already just so
    new_names: dict[str, tuple[str, ...]]  # components, signs, kinds, makers and origins never seen before
    #: Rows that no table has a place for, counted by why: every row that was read is here or above.
    left_out: dict[str, int] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()  # what else the reader should know, such as rows like each other
    changes: tuple[str, ...] = ()  # every row that was corrected, and how


#: Kinds of name of which an import tells the new ones, those first about which it asks.
KINDS_OF_NAME = ("kind", "component", "sign", "maker", "origin")
ASKED = KINDS_OF_NAME[:3]
#: Where each of them stands, by table and column.
_NAMED = {name: {column: kind for kind in KINDS_OF_NAME
                 for table, column in database.NAMES[kind] if table == name} for name in TABLES}  # fmt: skip


def import_sources(
    ledger: Ledger, sources: Callable[[Connection], Sequence[Source]], reason: str, *, dry_run: bool,
    faults: Iterable[Fault] = (), withdrawn: Sequence[str] = (), correct: bool = False,
    new_names: Collection[str] | None = None,
) -> ImportSummary:  # fmt: skip
    """Write rows of any source into a ledger in one transaction."""
    with ledger.writing() as connection:
        run = _Import(connection, reason, faults, correct, new_names)
        for source in sources(connection):
            run.read(source)
        run.finish(withdrawn)
        if dry_run:
            connection.rollback()
    names = {kind: tuple(sorted(found)) for kind, found in sorted(run.new_names.items())}
    return ImportSummary(dict(run.written), dict(run.equal), names, changes=tuple(run.changes))


class _Import:
    """One import under way."""

    def __init__(
        self, connection: Connection, reason: str, faults: Iterable[Fault], correct: bool,
        meant: Collection[str] | None,
    ) -> None:  # fmt: skip
        self.connection, self.reason, self.correct, self.meant = connection, reason, correct, meant
        self.faults, self.at_fault, self.n_read = list(faults), set[str](), 0
        self.written, self.equal = Counter[str](), Counter[str]()
        self.changes: list[str] = []
        self.touched = set[str]()
        self.numbers: dict[str, tuple[str, Number]] = {}
        self.new_names: dict[str, set[str]] = defaultdict(set)
        rows = database.referred_in(connection, ("families", "lots", "jobs", "sightings"))
        self.known = Known(rows)
        self.names = {kind: database.names_in(connection, kind) for kind in KINDS_OF_NAME}
        for what in ("component", "sign"):
            self.names[what] |= USUAL_NAMES[what]

    def read(self, source: Source) -> None:
        """Check every row of a file; write what is new or differs as long as there is no fault."""
        table = source.table
        held: dict[Any, database.Row] = {
            _key(table, row): row for row in database.fetch_rows(self.connection, table.name)
        }
        waiting: list[tuple[database.Row | None, dict[str, Value]]] = []
        for line in source.lines:
            self.n_read += source.n_read is None and line.row is not None
            if self.correct and line.row:  # a correction is laid over the row that the ledger holds
                line = line._replace(row={**held.get(read_key(table, line.row), {}), **line.row})
            row, faults = self.known.read(table, line, source.exponent)
            old = None if faults else held.get(_key(table, row))
            faults = faults or [Fault(line.place, *each) for each in self._complaints(table.name, row, old)]
            self.faults += faults
            if faults and line.row is not None:
                self.at_fault.add(line.place)
            elif old == row:
                self.equal[table.name] += 1
            elif not self.faults:
                waiting.append((old, row))
                if len(waiting) == database.CHUNK:
                    self._write(source, waiting)
                    waiting.clear()
        self.n_read += source.n_read or 0
        if not self.faults:
            self._write(source, waiting)

    def _complaints(self, name: str, row: Mapping[str, Any], old: database.Row | None) -> list[Complaint]:
        """Find what a row that is right in itself has against the ledger, or leaves in doubt."""
        found: list[Complaint] = []
        if old is not None and not self.correct:
            for column in (name for name, value in row.items() if value != old[name]):
                values = (old[column], row[column])
                said = ["nothing" if each is None else repr(str(each)) for each in values]
                told = f"the ledger says {said[0]}, the file {said[1]}; correct one of them"
                found.append((column, told))
        elif name == "settings" and (such := database.other_currency(self.connection, row)):
            found.append(("value", such))
        for column, what in _NAMED[name].items():
            if row[column] is not None and (new := str(row[column])) not in self.names[what]:
                # Once about each name that is new and perhaps a slip of the pen.
                meant = self.meant if what in ASKED else None
                if asked := question(what, new, self.names[what] | USUAL_NAMES.get(what, set()), meant):
                    found.append((column, asked))
                self.names[what].add(new)
                self.new_names[what].add(new)
        return found

    def _write(self, source: Source, rows: Sequence[tuple[database.Row | None, dict[str, Value]]]) -> None:
        """Write rows that are new, and the next version of those that differ from an old one."""
        table = source.table
        write_rows(self.connection, table.name, rows, source.exponent, self.reason)
        self.written += Counter(table.name for old, _ in rows if old is None)
        for old, row in rows:
            if old is not None:
                named = ", ".join(f"{part} {row[part]}" for part in table.key if row[part] not in (None, ""))
                told = [f"{name} {write_value(old[name]) or '(empty)'} -> {write_value(value) or '(empty)'}"
                        for name, value in row.items() if value != old[name]]  # fmt: skip
                self.changes.append(f"{table.name}, {named}: {', '.join(told)}")
            if table.name == "jobs" and not row["origin"]:
                self._number(str(row["job"]), str(row["taken_in"]))
        self.touched.update(str(row["job"]) for _, row in rows if "job" in table.key)

    def _number(self, job: str, taken_in: str) -> None:
        """Take note of a number that is given out: of its prefix the latest day, the highest number."""
        if number := split_number(job):
            latest, highest = self.numbers.get(number.prefix, ("", number))
            self.numbers[number.prefix] = (max(latest, taken_in), max(highest, number))

    def finish(self, withdrawn: Sequence[str]) -> None:
        """Test what needs all rows, then number and keep the versions of the jobs."""
        jobs, told = self.known.rows["jobs"], "withdraw it, or take the number out"
        self.faults += [Fault(DESCRIPTOR, "", f"{WITHDRAWN}: there is a job {number}; {told}")
                        for number in withdrawn if number in jobs]  # fmt: skip
        if self.correct and not self.faults:
            self.faults += faults_in(self.connection, self.touched)
        n_read, n_clean = self.n_read, self.n_read - len(self.at_fault)
        rows = "1 row was" if n_read == 1 else f"{n_read} rows were"
        account = f": {rows} read, {n_clean} of them without a fault." if self.at_fault else "."
        refuse(self.faults, f"Nothing was imported{account}")
        for job in withdrawn:
            self._number(job, "")
        for _, number in sorted(self.numbers.values()):
            database.note_number(self.connection, number)
        database.keep_jobs(self.connection, self.touched, self.reason)
        # Numbers that were given out and withdrawn stand in the history too, where it does not know them yet.
        query = select(HISTORY.c.key).where(HISTORY.c.what == "jobs", HISTORY.c.key.in_(withdrawn))
        known = set(self.connection.execute(query).scalars())
        gone = ((job, None) for job in withdrawn if job not in known)
        database.keep_versions(self.connection, "jobs", gone, self.reason)
        database.show_with(self.connection, "import … --dry-run, of the same, tells what is not there")


def _key(table: Table, row: Mapping[str, Value]) -> tuple[Value, ...]:
    return tuple(row[part] for part in table.key)


# Folders and files of CSV into a ledger.

_UNKNOWN_FAMILY = "column family: no family "
_FAMILIES_FIRST = (
    "Families that are new are described first: put them into a families.csv with the columns family and "
    "kind, and import that."
)
_BY_PLAN = (
    "A sheet with headers of its own comes in by a reading plan: `benchodds import {} --draft plan.toml` "
    "proposes one."
)


def import_package(
    path: str | Path, ledger: Ledger, *, layout: Layout = AS_DOCUMENTED, reason: str = "imported",
    dry_run: bool = False, correct: bool = False, new_names: Collection[str] | None = None,
    files: Mapping[str, Path] | None = None,
) -> ImportSummary:  # fmt: skip
    """Import a folder of CSV files into a ledger, or the files that are named by their tables.

    Rows that the ledger holds already are passed over if they are equal, and are faults if they
    differ: a correction is an amendment, not an import.
    """
    faults: list[Fault] = []
    withdrawn: Sequence[str] = ()
    if files is None:
        files, told, withdrawn, faults = look_into(Path(path))
        reason = database.DEMO_REASON if told.get(DEMO) is True else reason
        if told.get("name") == PACKAGE and not ledger.names("family"):
            new_names = None

    def tables(connection: Connection) -> list[Source]:
        exponent = _exponent_of(files, layout, database.exponent_in(connection))
        return [Source(TABLES[name], csv_lines(file, TABLES[name], layout, partial=correct), exponent)
                for name, file in files.items()]  # fmt: skip

    return import_sources(ledger, tables, reason, dry_run=dry_run, faults=faults, withdrawn=withdrawn,
                          correct=correct, new_names=new_names)  # fmt: skip


def import_table(path: str | Path, table: str, ledger: Ledger, **how: Any) -> ImportSummary:
    """Import one CSV file with the columns of a table, as `import_package` does with a folder."""
    if table not in TABLES:
        raise unknown("There is no table", table, TABLES)
    if not Path(path).exists():
        raise InvalidInput(f"There is no file {path}. Nothing was imported.")
    try:
        return import_package(path, ledger, files={table: Path(path)}, **how)
    except InvalidInput as error:
        hints = [_FAMILIES_FIRST] if any(_UNKNOWN_FAMILY in fault for fault in error.faults) else []
        if any(fault.startswith(f"{Path(path).name}, line 1") for fault in error.faults):
            hints = [_BY_PLAN.format(Path(path).name)]
        raise InvalidInput(error.message, [*error.faults, *hints]) from None


# A whole import out again.

#: Tables with versions of their own, those that name others first.
_FROM_THE_LAST = [name for name in reversed(TABLES) if name not in ("settings", *PARTS_OF_A_JOB)]


def take_back_import(ledger: Ledger, reason: str, *, dry_run: bool = False) -> dict[str, int]:
    """Take out everything that was written for one reason, as an import does; its versions are kept."""
    with ledger.writing() as connection:
        written = _written_for(connection, reason)
        gone: dict[str, int] = {}
        for name in (name for name in _FROM_THE_LAST if name in written):
            table = TABLES[name]
            rows = [row for row in database.fetch_rows(connection, name)
                    if database.key_text(table, row) in written[name]]  # fmt: skip
            # What others name stays; what is part of a job goes with it.
            others = [column for column in database.references_to(name)
                      if name != "jobs" or TABLES[column.table.name].key[0] != "job"]  # fmt: skip
            in_use = {key for column in others for key in connection.execute(select(column)).scalars() if key}
            if name == "jobs":
                refuse([f"job {row['job']} is named on the shelf or by a sighting that came in otherwise"
                        for row in rows if row["job"] in in_use], "Nothing was taken back.")  # fmt: skip
            rows = [row for row in rows if row[table.key[0]] not in in_use]
            take_out(connection, name, rows, f"taken back: {reason}")
            gone |= {name: len(rows)} if rows else {}
        if not gone:
            raise InvalidInput(f"Nothing in the ledger was {reason}. Nothing was taken back.")
        database.show_with(connection, "import … --take-back, of the same, tells whether it is there still")
        if dry_run:
            connection.rollback()
    return gone


def _written_for(connection: Connection, reason: str) -> dict[str, set[str]]:
    """Find the keys of what was written for a reason; refuse what was changed since."""
    entries = HISTORY.c
    query = select(entries.what, entries.key, entries.reason, entries.content.is_(None))
    reasons: dict[tuple[str, str], set[str]] = {}
    for what, key, why, is_gone in connection.execute(query.order_by(entries.entry)):
        reasons[what, key] = set() if is_gone else reasons.get((what, key), set()) | {why}
    written: dict[str, set[str]] = defaultdict(set)
    changed = []
    for (what, key), why in reasons.items():
        if reason in why and what != "settings":
            written[what].add(key)
            if others := ", ".join(sorted(why - {reason})):
                changed.append(f"{what} {key} was changed since: {others}")
    refuse(changed, "Nothing was taken back.")
    return written
