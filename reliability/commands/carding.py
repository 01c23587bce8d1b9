"""`card`: the pocket card for the phone."""

import datetime
from pathlib import Path

import click

from reliability.commands.pages import own_or_demo
from reliability.commands.shared import DAY, Bench, counted, example, full_day, note, written_to

MOST_BYTES = 300_000
"""A card that is larger is slow to open on an old phone (common practice, no source)."""


@click.command(
    short_help="The pocket card: verdicts on a phone without signal.",
    epilog=example("benchodds card", "benchodds card --out sale.html --as-of 2026-11-25"),
)
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path("reports/card.html"),
    show_default=True,
    help="File of the card.",
)
@click.option(
    "--as-of",
    type=DAY,
    callback=full_day,
    help="Day of the sale; the last one on record otherwise. What happened later is ignored.",
)
@click.pass_context
def card(ctx: click.Context, out: Path, as_of: datetime.date | None) -> None:
    """Write the pocket card: one file that judges units at a sale as `judge` does, without signal.

    Send it to the phone and open it in a browser: type part of a name, the year, the price and
    what can be seen. What was looked at is saved as an offers.csv for `judge`. Printed, it is the list of
    what to take, up to which price, and what to skip. Without a ledger of your own it is made
    from the demo and says so.
    """
    from reliability.records.frames import known_by
    from reliability.report.pocket_card import write_card
    from reliability.worth.appraiser import appraiser_of, fit_appraiser, last_day

    bench: Bench = ctx.obj
    records, demo = own_or_demo(ctx, "the card is made from the demo, and says DEMO", as_of)
    records = known_by(records, as_of) if as_of is not None else records
    if demo:
        last = last_day(records)
        appraiser = fit_appraiser(records, min(last, as_of) if as_of else last)
    else:
        with bench.ledger() as ledger:
            appraiser = appraiser_of(ledger, as_of=as_of, warn=note)
    with written_to(out):
        size = write_card(appraiser, records, out, as_of=as_of, demo=demo)
    if size > MOST_BYTES:
        note(f"{out} is large for a phone: {size / 1000:.0f} kB.")
    families = "1 family" if len(appraiser.families) == 1 else f"{len(appraiser.families)} families"
    jobs = counted(appraiser.tally.jobs_finished, "finished job")
    click.echo(f"Card of {families}, {jobs} up to {appraiser.as_of}, {size / 1000:.0f} kB: {out}")
