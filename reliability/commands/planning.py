"""`plan` and `stock`: what to look at next, and which parts to have at hand."""

import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from reliability.commands.shared import (
    DAY,
    NEW_FILE,
    SIGN,
    WINDOW,
    Bench,
    example,
    full_day,
    note,
    written_to,
)
from reliability.records.values import clean_text

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger
    from reliability.worth.appraiser import Appraiser
    from reliability.worth.plan import Plan


class Found(click.ParamType):
    """A component and what was found: ``belt=failed``."""

    name = "component=state"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, str]:
        """Read the component and the state."""
        component, _, state = map(clean_text, value.partition("="))
        if not component or not state:
            self.fail(f"{value!r} is not written as belt=failed", param, ctx)
        return component, state


@click.command(
    short_help="What to look at next on a unit, and when to stop.",
    epilog=example(
        "benchodds plan 17",
        'benchodds plan --family "Tarnwick T2" --built 1979 --sign rust=yes --found belt=failed',
    ),
)
@click.argument("job", required=False)
@click.option("--family", help="In place of a job: the family of the unit.")
@click.option("--built", "--year", "built", type=WINDOW, help="Year of production, or a window.")
@click.option("-s", "--sign", "signs", type=SIGN, multiple=True, help="A sign, such as rust=yes; repeatable.")
@click.option(
    "--found", type=Found(), multiple=True, help="What was found so far, such as belt=failed; repeatable."
)
@click.option("--out", type=NEW_FILE, help="File for the moves, as CSV.")
@click.pass_obj
def plan(bench: Bench, job: str | None, family: str | None, out: Path | None, **unit: Any) -> None:
    """Plan the work on a unit: what to look at first, and when to stop.

    JOB is an open job; what the ledger holds of its findings and signs is used. What was paid and
    the hours already spent never count: only what is still to come.
    """
    if (job is None) == (family is None):
        raise click.UsageError("Name an open job, or a family by --family; not both.")
    if job is not None and any(value not in (None, ()) for value in unit.values()):
        raise click.UsageError("--built, --sign and --found describe a unit of --family; a job has its own.")
    from reliability.commands.telling import plan_lines, write_table
    from reliability.worth.appraiser import appraiser_of

    with bench.ledger() as ledger:
        appraiser = appraiser_of(ledger, warn=note)
        planned = _plan(ledger, appraiser, job, family, unit)
    click.echo("\n".join(plan_lines(planned)))
    if out is not None:
        with written_to(out):
            write_table(planned.table, out)


def _plan(
    ledger: "Ledger", appraiser: "Appraiser", job: str | None, family: str | None, unit: dict[str, Any]
) -> "Plan":
    from reliability.worth.plan import plan_job, plan_unit

    if job is not None:
        return plan_job(appraiser, ledger.job(job))
    first, last = unit["built"] or (None, None)
    return plan_unit(
        appraiser,
        family=str(family),
        built_from=first,
        built_to=last,
        signs=dict(unit["signs"]),
        found=dict(unit["found"]),
        seen_on=datetime.date.today(),
    )


@click.command(
    short_help="Parts that the next year is likely to need.",
    epilog=example("benchodds stock", "benchodds stock --out order.csv"),
)
@click.option("--out", type=NEW_FILE, help="File for the table, as CSV.")
@click.option("--as-of", type=DAY, callback=full_day, help="What happened later is ignored.")
@click.pass_obj
def stock(bench: Bench, out: Path | None, as_of: datetime.date | None) -> None:
    """List the parts that the jobs of the next year are likely to need, in packs.

    Units are taken to come in as they have so far. What lies in your drawer already is not known.
    """
    from reliability.commands.telling import stock_text, write_table
    from reliability.records.frames import read_records
    from reliability.worth.appraiser import appraiser_of
    from reliability.worth.stock import stock as parts_needed

    with bench.ledger() as ledger:
        appraiser = appraiser_of(ledger, as_of=as_of, warn=note)
        records = read_records(ledger, as_of=as_of)
    table = parts_needed(appraiser, records)
    if out is None:
        click.echo(stock_text(table, appraiser.currency))
        return
    with written_to(out):
        write_table(table, out)
    click.echo(f"{len(table)} {'part' if len(table) == 1 else 'parts'}: {out}")
