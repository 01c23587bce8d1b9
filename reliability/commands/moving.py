"""`import` and `export`: a folder of CSV files into the ledger, and out of it."""

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import click

from reliability.commands.shared import Bench, counted, example

if TYPE_CHECKING:
    from reliability.records.exchange import ImportSummary


@click.command(
    name="import",
    short_help="Import a folder of CSV files.",
    epilog=example("benchodds import data/demo", "benchodds import from-my-spreadsheet --dry-run"),
)
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--dry-run", is_flag=True, help="Check everything, write nothing.")
@click.option("--semicolons", is_flag=True, help="Cells are divided by semicolons.")
@click.option("--decimal-comma", is_flag=True, help="Numbers are written with a decimal comma.")
@click.pass_obj
def import_folder(bench: Bench, path: Path, dry_run: bool, semicolons: bool, decimal_comma: bool) -> None:
    """Import PATH: a folder of CSV files named after the tables, with or without datapackage.json.

    Every fault of every file is listed, and then nothing is imported. Rows that the ledger holds
    already are passed over.
    """
    from reliability.records.exchange import Layout, import_package
    from reliability.records.ledger import open_ledger

    layout = Layout(delimiter=";" if semicolons else ",", decimal_comma=decimal_comma)
    if bench.is_missing:
        # Tried on a ledger that is thrown away: a fault leaves no empty ledger behind.
        with tempfile.TemporaryDirectory() as folder, open_ledger(f"{folder}/trial.db", create=True) as trial:
            summary = import_package(path, trial, layout=layout, dry_run=True)
        if dry_run:
            _tell(summary, "would be imported")
            return
    with bench.ledger(create=not dry_run) as ledger:
        summary = import_package(path, ledger, layout=layout, dry_run=dry_run)
    _tell(summary, "would be imported" if dry_run else "imported")


def _tell(summary: "ImportSummary", done: str) -> None:
    rows = [f"{count} {table}" for table, count in summary.written.items() if count]
    click.echo(f"{', '.join(rows) or 'Nothing new'} {done}")
    held = sum(summary.equal.values())
    if held:
        click.echo(f"  {counted(held, 'row')} in the ledger already")
    for kind, names in summary.new_names.items():
        if names:
            click.echo(f"  new {kind}: {', '.join(names)}")


@click.command(
    name="export",
    short_help="Export the ledger as CSV files.",
    epilog=example("benchodds export my-ledger-as-csv"),
)
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--history", is_flag=True, help="Write every version of everything too, to history.csv.")
@click.pass_obj
def export_folder(bench: Bench, folder: Path, history: bool) -> None:
    """Export the ledger to FOLDER: a CSV file for each table, and a datapackage.json.

    Importing the folder gives an equal ledger. With --history, history.csv lies beside the tables; it
    is for reading, an import passes it over.
    """
    from reliability.records.exchange import export_package

    with bench.ledger() as ledger:
        export_package(ledger, folder, history=history)
        count = len(ledger.rows("jobs"))
    click.echo(f"{counted(count, 'job')}, with all that is known of them: {folder}")
