"""A package into a ledger: one transaction, every fault listed, nothing written on any fault."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection

from reliability.errors import InvalidInput, unknown
from reliability.records import store
from reliability.records.csv_files import CsvTable, Layout
from reliability.records.currencies import EXPONENTS
from reliability.records.descriptor import find_files
from reliability.records.faults import Fault
from reliability.records.import_run import import_sources
from reliability.records.import_summary import ImportSummary
from reliability.records.package_check import currency_in
from reliability.records.tables import TABLES
from reliability.records.withdrawals import withdrawn_in

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger

_UNKNOWN_FAMILY = "column family: no family "
_FAMILIES_FIRST = (
    "Families that are new are described first: put them into a families.csv with the columns family and "
    "kind, and import that."
)


def import_package(
    path: str | Path,
    ledger: "Ledger",
    *,
    layout: Layout | None = None,
    reason: str = "imported",
    dry_run: bool = False,
) -> ImportSummary:
    """Import a folder of CSV files into a ledger.

    Rows that the ledger holds already are passed over if they are equal, and are faults if they
    differ: a correction is an amendment, not an import.

    Parameters
    ----------
    path : str or Path
        The folder, with or without a `datapackage.json`.
    ledger : Ledger
        Where the rows go.
    layout : Layout, optional
        How the files differ from the documented form.
    reason : str
        Kept in the history.
    dry_run : bool
        Check everything, write nothing.

    Returns
    -------
    ImportSummary
        Rows written and passed over, and the names that are new.

    Raises
    ------
    InvalidInput
        With every fault of every file; nothing is imported then.
    """
    files, faults = find_files(Path(path))
    withdrawn, more = withdrawn_in(Path(path))
    return _import_files(files, faults + more, ledger, layout, reason, dry_run, withdrawn)


def import_table(
    path: str | Path,
    table: str,
    ledger: "Ledger",
    *,
    layout: Layout | None = None,
    reason: str = "imported",
    dry_run: bool = False,
) -> ImportSummary:
    """Import one CSV file, such as a spreadsheet's, as the rows of one table.

    Parameters
    ----------
    path : str or Path
        The file, whatever its name.
    table : str
        What its rows are.
    ledger : Ledger
        Where the rows go.
    layout : Layout, optional
        Its delimiter, its decimal comma, and its headers where they are not the columns' names.
    reason : str
        Kept in the history.
    dry_run : bool
        Check everything, write nothing.

    Returns
    -------
    ImportSummary
        As `import_package` gives it.

    Raises
    ------
    InvalidInput
        With every fault of the file; nothing is imported then.
    """
    if table not in TABLES:
        raise unknown("There is no table", table, TABLES)
    if not Path(path).exists():
        raise InvalidInput(f"There is no file {path}. Nothing was imported.")
    try:
        return _import_files({table: Path(path)}, [], ledger, layout, reason, dry_run)
    except InvalidInput as error:
        if not any(_UNKNOWN_FAMILY in fault for fault in error.faults):
            raise
        raise InvalidInput(error.message, [*error.faults, _FAMILIES_FIRST]) from None


def _import_files(
    files: Mapping[str, Path],
    faults: list[Fault],
    ledger: "Ledger",
    layout: Layout | None,
    reason: str,
    dry_run: bool,
    withdrawn: Sequence[str] = (),
) -> ImportSummary:
    def tables(connection: Connection) -> tuple[int, list[CsvTable]]:
        stated = currency_in(files, layout) or store.currency_of(connection)
        exponent = EXPONENTS[stated]
        return exponent, [CsvTable(file, TABLES[name], exponent, layout) for name, file in files.items()]

    return import_sources(ledger, tables, faults, reason, dry_run, withdrawn)
