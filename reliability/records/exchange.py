"""The ledger as a folder of CSV files, in and out."""

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import select

from reliability.errors import InvalidInput, unknown
from reliability.records import store
from reliability.records.checks import clean_rows
from reliability.records.csv_files import CsvTable, Layout, write_csv, write_rows
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


def export_package(ledger: "LedgerReader", path: str | Path, *, history: bool = False) -> None:
    """Write the current state of a ledger as a folder of CSV files with a `datapackage.json`.

    Importing the folder gives an equal ledger, and exporting that the same bytes.

    Parameters
    ----------
    ledger : LedgerReader
        An open ledger.
    path : str or Path
        The folder; made if it is not there, and replaced if it holds an earlier export.
    history : bool
        Write every version of everything too, to a `history.csv` beside the tables. It is for
        reading: an import passes it over.

    Raises
    ------
    InvalidInput
        If the folder holds something that is not an earlier export, or cannot be written.
    """
    folder = Path(path)
    with ledger.reading() as connection:
        exponent = store.exponent_in(connection)
        rows = {name: store.fetch_rows(connection, name, exponent) for name in TABLES}
        _write_folder(rows, folder, store.withdrawn_numbers(connection))
        (folder / HISTORY_FILE).unlink(missing_ok=True)
        if history:
            query = select(HISTORY).order_by(HISTORY.c.entry)
            columns = [column.name for column in HISTORY.columns]
            versions = connection.execute(query.execution_options(yield_per=1_000))
            write_rows(folder / HISTORY_FILE, columns, versions)


def _write_folder(
    rows: Mapping[str, Iterable[Mapping[str, Value]]], folder: Path, withdrawn: Sequence[str] = ()
) -> None:
    refuse_foreign_folder(folder, PACKAGE)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, table in TABLES.items():
            fresh = folder / f".{name}.csv.new"
            write_csv(fresh, table, rows[name])
            os.replace(fresh, folder / f"{name}.csv")
        fresh = folder / f".{DESCRIPTOR}.new"
        fresh.write_text(descriptor_text(withdrawn), encoding="utf-8", newline="\n")
        os.replace(fresh, folder / DESCRIPTOR)
    except OSError as error:
        raise InvalidInput(f"{folder} cannot be written: {error.strerror}") from None
