"""`add`: finished jobs go into the ledger."""

import sys
from typing import TYPE_CHECKING, Any

import click

from reliability.commands.shared import Bench, example, say, today

if TYPE_CHECKING:
    from reliability.records.sheet import JobSheet


@click.command(
    short_help="Append finished jobs, or finish open ones.",
    epilog=example(
        "benchodds add deck.toml", "benchodds add --ask", 'benchodds blank "Tarnwick T2" > deck.toml'
    ),
)
@click.argument(
    "sheets",
    nargs=-1,
    type=click.Path(exists=True, dir_okay=False, allow_dash=True),
    metavar="SHEET.toml ...",
)
@click.option("--ask", is_flag=True, help="Ask for everything, step by step; Ctrl-C leaves nothing behind.")
@click.option(
    "--new-component",
    "new_components",
    multiple=True,
    metavar="NAME",
    help="A component that the ledger has never seen, and that is no slip of the pen; repeatable.",
)
@click.pass_obj
def add(bench: Bench, sheets: tuple[str, ...], ask: bool, new_components: tuple[str, ...]) -> None:
    """Append finished jobs, or finish the open ones that the sheets name.

    All sheets are checked first: if any has a fault, all faults are listed and none is written.
    A dash reads one sheet from standard input. `benchodds blank FAMILY` prints a sheet to fill in.
    """
    if ask == bool(sheets) or (ask and new_components):
        raise click.UsageError("Name the sheets to add, or write --ask alone.")
    if ask:
        from reliability.commands.asking import ask_for_job

        ask_for_job(bench, today())
        return
    from reliability.records.write_up import check_sheets, write_up

    read, unreadable = _read(sheets)
    given: dict[str, Any] = {"today": today(), "new_components": new_components, "unreadable": unreadable}
    if bench.is_missing:
        check_sheets(None, read, **given)  # a fault leaves no empty ledger behind
    with bench.ledger(create=True) as ledger:
        for written in write_up(ledger, read, **given):
            say(written, written.outcome)


def _read(paths: tuple[str, ...]) -> tuple[list["JobSheet"], list[str]]:
    """Read every sheet that can be read; say what is wrong with the others."""
    from reliability.errors import InvalidInput
    from reliability.records.sheet import decode_sheet, load_sheet

    read: list[JobSheet] = []
    unreadable: list[str] = []
    for path in paths:
        try:
            if path == "-":
                read.append(decode_sheet(sys.stdin.buffer.read(), "standard input"))
            else:
                read.append(load_sheet(path))
        except InvalidInput as error:
            unreadable.append(str(error))
    return read, unreadable
