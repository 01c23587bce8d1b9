"""`import` and `export`: CSV files into the ledger, and out of it."""

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from reliability.commands.shared import Bench, counted, example
from reliability.records.tables import TABLES
from reliability.records.values import some

if TYPE_CHECKING:
    from reliability.records.importing import ImportSummary
    from reliability.records.ledger import Ledger


class Pairing(click.ParamType):
    """A column and the header under which a spreadsheet keeps it: ``taken_in=Bought on``."""

    name = "column=header"

    def convert(
        self, value: str | tuple[str, str], param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, str]:
        """Read the column and the header."""
        if isinstance(value, tuple):
            return value
        column, equals, header = (part.strip() for part in value.partition("="))
        if not (column and equals and header):
            self.fail(f'{value!r} is not written as COLUMN=HEADER, such as taken_in="Bought on"', param, ctx)
        return column, header


@click.command(
    name="import",
    short_help="Import CSV files: a folder, or one sheet.",
    epilog=example(
        "benchodds import data/demo",
        "benchodds import from-my-spreadsheet --dry-run",
        'benchodds import jobs-2025.csv --map job=No --map taken_in="Bought on" --semicolons',
        "benchodds import repair-events.csv --standard open-repair",
    ),
)
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--dry-run", is_flag=True, help="Check everything, write nothing.")
@click.option("--map", "pairs", type=Pairing(), multiple=True,
              help="One file: the header of a column where it is not its name; repeatable.")  # fmt: skip
@click.option("--standard", type=click.Choice(["open-repair"]),
              help="PATH holds open repair data, versions 0.1 to 0.3.")  # fmt: skip
@click.option("--semicolons", is_flag=True, help="Cells are divided by semicolons.")
@click.option("--decimal-comma", is_flag=True, help="Numbers are written with a decimal comma.")
@click.pass_obj
def import_folder(
    bench: Bench,
    path: Path,
    dry_run: bool,
    pairs: tuple[tuple[str, str], ...],
    standard: str | None,
    semicolons: bool,
    decimal_comma: bool,
) -> None:
    """Import PATH: a folder of CSV files named after the tables, with or without datapackage.json.

    PATH may also be one CSV file, such as a spreadsheet's. A file that is named after a table holds
    that table; any other holds jobs, whose families the ledger must know.

    With --standard open-repair, PATH is a CSV file of the Open Repair Data Standard or a folder of them.
    Their jobs bear an origin and are never counted as this bench's own.

    Every fault of every file is listed, and then nothing is imported. Rows that the ledger holds
    already are passed over.
    """
    from reliability.records.csv_files import Layout
    from reliability.records.importing import import_package, import_table
    from reliability.records.open_repair import import_open_repair

    layout = Layout(";" if semicolons else ",", decimal_comma, _headers(pairs) or None)
    if pairs and path.is_dir():
        raise click.UsageError(f"--map names the headers of one file, but {path} is a folder.")
    if pairs and standard:
        raise click.UsageError(
            "--map is for spreadsheets; open repair data have the headers of their standard."
        )

    def bring_in(ledger: "Ledger", dry: bool) -> "ImportSummary":
        if standard:
            return import_open_repair(path, ledger, layout=layout, dry_run=dry)
        if path.is_dir() or not (pairs or path.is_file()):
            return import_package(path, ledger, layout=layout, dry_run=dry)
        table = path.stem if path.stem in TABLES else "jobs"
        return import_table(path, table, ledger, layout=layout, dry_run=dry)

    summary = _run(bench, bring_in, dry_run)
    _tell(summary, "would be imported" if dry_run else "imported")


def _headers(pairs: tuple[tuple[str, str], ...]) -> dict[str, str]:
    names = dict(pairs)
    if twice := [column for column in names if sum(column == other for other, _ in pairs) > 1]:
        raise click.UsageError(f"--map names {', '.join(twice)} more than once.")
    return names


def _run(bench: Bench, bring_in: "Callable[[Ledger, bool], ImportSummary]", dry_run: bool) -> "ImportSummary":
    from reliability.records.ledger import open_ledger

    if bench.is_missing:
        # Tried on a ledger that is thrown away: a fault leaves no empty ledger behind.
        with tempfile.TemporaryDirectory() as folder, open_ledger(f"{folder}/trial.db", create=True) as trial:
            summary = bring_in(trial, True)
        if dry_run:
            return summary
    with bench.ledger(create=not dry_run) as ledger:
        return bring_in(ledger, dry_run)


def _tell(summary: "ImportSummary", done: str) -> None:
    rows = [f"{count} {table}" for table, count in summary.written.items() if count]
    click.echo(f"{', '.join(rows) or 'Nothing new'} {done}")
    held = sum(summary.equal.values())
    if held:
        click.echo(f"  {counted(held, 'row')} in the ledger already")
    for why, count in summary.left_out.items():
        click.echo(f"  {counted(count, 'row')} left out: {why}")
    for kind, names in summary.new_names.items():
        if names:
            click.echo(f"  new {kind}: {some(names)}")
    for remark in summary.remarks:
        click.echo(f"  {remark}")


@click.command(
    name="export",
    short_help="Export the ledger as CSV files.",
    epilog=example(
        "benchodds export my-ledger-as-csv",
        'benchodds export to-share --standard open-repair --provider "Corner bench" --country BEL',
    ),
)
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--history", is_flag=True, help="Write every version of everything too, to history.csv.")
@click.option("--standard", type=click.Choice(["open-repair"]),
              help="Write finished jobs as open repair data, version 0.3, without money.")  # fmt: skip
@click.option("--provider", help="Open repair data: the name that they are published under.")
@click.option("--country", help="Open repair data: three-letter code of the country.")
@click.pass_obj
def export_folder(
    bench: Bench, folder: Path, history: bool, standard: str | None, provider: str | None, country: str | None
) -> None:
    """Export the ledger to FOLDER: a CSV file for each table, and a datapackage.json.

    Importing the folder gives an equal ledger. With --history, history.csv lies beside the tables; it
    is for reading, an import passes it over.
    """
    if standard:
        if history:
            raise click.UsageError("Open repair data have no history; leave out --history.")
        _share(bench, folder, provider, country)
        return
    if provider or country:
        raise click.UsageError("--provider and --country belong to --standard open-repair.")
    from reliability.records.package import export_package

    with bench.ledger() as ledger:
        count = export_package(ledger, folder, history=history)
    click.echo(f"{counted(count, 'job')}, with all that is known of them: {folder}")


def _share(bench: Bench, folder: Path, provider: str | None, country: str | None) -> None:
    from reliability.records.open_repair import DEFAULT_PROVIDER, export_open_repair

    with bench.ledger() as ledger:
        done = export_open_repair(
            ledger, folder, provider=provider or DEFAULT_PROVIDER, country=country or ""
        )
    open_ones = f", {done.still_open} still open and left out" if done.still_open else ""
    click.echo(f"{counted(done.written, 'job')} as open repair data{open_ones}: {folder}")
