"""The ledger as a folder of CSV files, in and out."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from sqlalchemy import select

from reliability.errors import InvalidInput, reason, unknown
from reliability.records import store
from reliability.records.checks import clean_rows
from reliability.records.csv_files import CsvTable, Layout, write_rows
from reliability.records.currencies import EXPONENTS
from reliability.records.descriptor import (
    DESCRIPTOR,
    HISTORY_FILE,
    PACKAGE,
    descriptor_text,
    find_files,
    refuse_foreign_folder,
)
from reliability.records.faults import Fault, refuse
from reliability.records.files import unfinished, write_files
from reliability.records.import_summary import ImportSummary
from reliability.records.importing import import_package, import_table
from reliability.records.package_check import PackageCheck, exponent_in
from reliability.records.schema import HISTORY
from reliability.records.tables import SETTINGS, TABLES
from reliability.records.values import Value
from reliability.records.withdrawals import withdrawn_in

if TYPE_CHECKING:
    from reliability.records.frames import Records
    from reliability.records.reading import LedgerReader

__all__ = [
    "ImportSummary",
    "Layout",
    "export_package",
    "import_package",
    "import_table",
    "load_package_records",
    "read_package",
    "write_package",
]

Rows = dict[str, list[dict[str, Value]]]


def read_package(path: str | Path, *, layout: Layout | None = None) -> Rows:
    """Read a folder of CSV files and check every row of it.

    Parameters
    ----------
    path : str or Path
        The folder, with or without a `datapackage.json`.
    layout : Layout, optional
        How the files differ from the documented form.

    Returns
    -------
    dict of str to list of dict
        Rows by table, every table and every column present: text, int, float, Decimal for
        money, None where empty; sorted as they are exported.

    Raises
    ------
    InvalidInput
        With every fault of every file.
    """
    files, faults = find_files(Path(path))
    exponent = exponent_in(files, layout)
    check = PackageCheck()
    rows: Rows = {name: [] for name in TABLES}
    for name, file in files.items():
        source = CsvTable(file, TABLES[name], exponent, layout)
        for line in source.lines():
            if line.complaints:
                check.remember(name, line.row, readable=False)
            complaints = line.complaints or check.complaints(name, line.row, line.number)
            faults += [source.fault(line.number, *complaint) for complaint in complaints]
            rows[name].append(line.row)
        faults += source.faults
    faults += [Fault(f"{files['jobs'].name}, line {line}", *complaint)
               for _, line, complaint in check.ended_by_sound()]  # fmt: skip
    refuse(faults, "Nothing was read.")
    return {name: _sorted(name, found) for name, found in rows.items()}


def _sorted(name: str, rows: Iterable[dict[str, Value]]) -> list[dict[str, Value]]:
    return sorted(rows, key=lambda row: store.sort_key(TABLES[name], row))


def load_package_records(path: str | Path) -> "Records":
    """Read a folder of CSV files straight into data frames, without a ledger.

    Raises
    ------
    InvalidInput
        With every fault of every file.
    """
    # pandas is loaded only by those who want frames: `import` and `export` start without it.
    from reliability.records.frames import records_from_rows

    withdrawn, faults = withdrawn_in(Path(path))
    refuse(faults, "Nothing was read.")
    return replace(records_from_rows(read_package(path)), withdrawn=withdrawn)


def write_package(rows: Mapping[str, Sequence[Mapping[str, Any]]], path: str | Path) -> None:
    """Write rows of plain values as a folder of CSV files with a `datapackage.json`.

    Parameters
    ----------
    rows : mapping of str to sequence of mapping
        Rows by table; a missing table is written empty.
    path : str or Path
        The folder; made if it is not there, and replaced if it holds an earlier package.

    Raises
    ------
    InvalidInput
        With every fault of the rows, or if the folder holds something else.
    """
    _refuse_unknown_tables(rows)
    settings = {row.get("setting"): row.get("value") for row in rows.get("settings", ())}
    exponent = EXPONENTS.get(str(settings.get("currency", SETTINGS["currency"].default)), 2)
    check = PackageCheck()
    cleaned: Rows = {}
    faults: list[Fault] = []
    for name in TABLES:
        cleaned[name], more = clean_rows(name, rows.get(name, ()), exponent=exponent)
        faults += more
    if not faults:
        faults = _faults_between(check, cleaned)
    refuse(faults)
    _write_folder({name: _sorted(name, found) for name, found in cleaned.items()}, Path(path))


def _refuse_unknown_tables(rows: Mapping[str, object]) -> None:
    for name in rows:
        if name not in TABLES:
            raise unknown("There is no table", name, TABLES)


def _faults_between(check: PackageCheck, rows: Rows) -> list[Fault]:
    faults = [
        Fault(f"{name}, row {number}", *complaint)
        for name, found in rows.items()
        for number, row in enumerate(found, 1)
        for complaint in check.complaints(name, row, number)
    ]
    return faults + [
        Fault(f"jobs, row {number}", *complaint) for _, number, complaint in check.ended_by_sound()
    ]


def export_package(ledger: "LedgerReader", path: str | Path, *, history: bool = False) -> int:
    """Write the current state of a ledger as a folder of CSV files with a `datapackage.json`.

    Importing the folder gives an equal ledger, and exporting that the same bytes. An export that is cut
    off leaves all of an earlier one or all of the new one.

    Parameters
    ----------
    ledger : LedgerReader
        An open ledger.
    path : str or Path
        The folder; made if it is not there, and replaced if it holds an earlier export.
    history : bool
        Write every version of everything too, to a `history.csv` beside the tables. It is for
        reading: an import passes it over.

    Returns
    -------
    int
        How many jobs it holds.

    Raises
    ------
    InvalidInput
        If the folder holds something that is not an earlier export, or cannot be written.
    """
    folder = Path(path)
    with ledger.reading() as connection:
        exponent = store.exponent_in(connection)
        rows = {name: store.fetch_rows(connection, name, exponent) for name in TABLES}

        def write_history(stream: IO[bytes]) -> None:
            query = select(HISTORY).order_by(HISTORY.c.entry)
            columns = [column.name for column in HISTORY.columns]
            versions = connection.execute(query.execution_options(yield_per=1_000))
            write_rows(stream, columns, versions)

        more = {HISTORY_FILE: write_history if history else None}
        _write_folder(rows, folder, store.withdrawn_numbers(connection), more)
    return len(rows["jobs"])


def _write_folder(
    rows: Mapping[str, Iterable[Mapping[str, Value]]],
    folder: Path,
    withdrawn: Sequence[str] = (),
    more: Mapping[str, Callable[[IO[bytes]], object] | None] | None = None,
) -> None:
    def writer(name: str) -> Callable[[IO[bytes]], object]:
        columns = TABLES[name].names
        return lambda stream: write_rows(
            stream, columns, ([row[column] for column in columns] for row in rows[name])
        )

    described = descriptor_text(withdrawn).encode()
    files: dict[str, Callable[[IO[bytes]], object] | None] = {f"{name}.csv": writer(name) for name in TABLES}
    files[DESCRIPTOR] = lambda stream: stream.write(described)
    try:
        refuse_foreign_folder(folder, PACKAGE)
        write_files(folder, {**files, **(more or {})}, private=True)
    except OSError as error:
        raise InvalidInput(f"{folder} cannot be written: {reason(error)}{unfinished(folder)}") from None
