"""`check` and `backup`: whether the ledger is whole, and a copy of it."""

from pathlib import Path

import click

from reliability.commands.shared import Bench, counted, example


@click.command(epilog=example("benchodds check"))
@click.pass_context
def check(ctx: click.Context) -> None:
    """Verify the ledger, and name what is doubtful in it.

    Ends with 1 if a rule is broken; rows that are allowed but doubtful are only named.
    """
    bench: Bench = ctx.obj
    with bench.ledger() as ledger:
        problems = ledger.check()
        count = len(ledger.rows("jobs"))
    broken = [problem for problem in problems if problem.grave]
    doubtful = [problem for problem in problems if not problem.grave]
    for heading, found in (("Broken", broken), ("Worth a second look", doubtful)):
        if found:
            click.echo(f"{heading}:")
            for problem in found:
                click.echo(f"  {problem}")
    click.echo(f"{counted(count, 'job')}: {len(broken)} broken, {len(doubtful)} worth a second look")
    if broken:
        ctx.exit(1)


@click.command(
    short_help="Write a consistent copy of the ledger.", epilog=example("benchodds backup bench-copy.db")
)
@click.argument("file", type=click.Path(path_type=Path))
@click.pass_obj
def backup(bench: Bench, file: Path) -> None:
    """Write a consistent copy of the ledger to FILE, also while others write to it."""
    with bench.ledger() as ledger:
        ledger.backup(file)
    click.echo(f"Copied to {file}")
