"""Rows written as a package, and the number that comes next: what only tests and simulations ask for."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from reliability.records import database
from reliability.records.ledger import Ledger
from reliability.records.package import check_tables, files_of, write_folder


def next_number(ledger: Ledger) -> str:
    """Tell the number that the next intake will get, if nobody else is quicker."""
    with ledger.reading() as connection:
        return database.next_number(connection)


def write_package(
    rows: Mapping[str, Sequence[Mapping[str, Any]]], path: str | Path, *, demo: bool = False
) -> None:
    """Write rows of plain values as a folder of CSV files with a `datapackage.json`."""
    write_folder(Path(path), files_of(check_tables(rows, "Nothing was written."), demo=demo), private=True)
