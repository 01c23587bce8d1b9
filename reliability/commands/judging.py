"""`judge` and `ranking`: what to take, at what price, and what to leave."""

import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from reliability.commands.shared import (
    DAY,
    MONEY,
    NEW_FILE,
    SIGN,
    WINDOW,
    Bench,
    example,
    full_day,
    note,
    written_to,
)

if TYPE_CHECKING:
    import pandas as pd

    from reliability.worth.appraiser import Appraiser

AS_OF = "Day of the sale where an offer names none; today otherwise. What happened later is ignored."


@click.command(
    short_help="Take, haggle, try one or skip: verdicts on units on offer.",
    epilog=example(
        "benchodds judge offers.csv --out verdicts.csv",
        'benchodds judge --family "Tarnwick T2" --built 1978-1981 --asked 25 --sign rust=yes',
    ),
)
@click.argument("offers", required=False, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--out", type=NEW_FILE, help="File for the verdicts, as CSV.")
@click.option("--family", help="One unit: its family.")
@click.option("--model", help="One unit: the name on its front panel.")
@click.option("--kind", help="One unit: its kind, for a family that the ledger does not know.")
@click.option(
    "--working-price", type=MONEY, help="One unit: what it fetches once serviced, where that is unknown."
)
@click.option("--built", "--year", "built", type=WINDOW, help="One unit: year of production, or a window.")
@click.option("--asked", "--price", "asked", type=MONEY, help="One unit: the price asked.")
@click.option(
    "-s", "--sign", "signs", type=SIGN, multiple=True, help="One unit: a sign, rust=yes; repeatable."
)
@click.option("--as-of", type=DAY, callback=full_day, help=AS_OF)
@click.pass_obj
def judge(
    bench: Bench, offers: Path | None, out: Path | None, as_of: datetime.date | None, **unit: Any
) -> None:
    """Judge the units of OFFERS, a CSV file, or one unit that the options describe.

    The verdict is take, haggle, try one or skip; the ceiling is the highest price at which it is
    take. Without a price asked, only the chance of a repair and the ceiling are told.
    """
    described = any(value not in (None, ()) for value in unit.values())
    if (offers is None) != described:
        raise click.UsageError(
            "Name a file of offers, or describe one unit by --family or --model; not both."
        )
    if described and not (unit["family"] or unit["model"] or unit["kind"]):
        raise click.UsageError("A unit needs --family, --model or --kind.")
    from reliability.worth.judging import judge as judge_offers
    from reliability.worth.judging import offers_from, read_offers, write_verdicts

    table = read_offers(offers) if offers is not None else offers_from([_offer(unit)])
    appraiser = _appraiser(bench, as_of)
    verdicts = judge_offers(table, appraiser, as_of=as_of or datetime.date.today())
    if out is not None:
        with written_to(out):
            write_verdicts(verdicts, out)
        click.echo(f"{_summary(verdicts)}: {out}")
    elif described:
        from reliability.commands.telling import verdict_lines

        click.echo("\n".join(verdict_lines(verdicts.iloc[0], unit["asked"], appraiser.currency)))
    else:
        from reliability.commands.telling import verdict_table

        click.echo(verdict_table(verdicts))
        click.echo(_summary(verdicts))


def _offer(unit: dict[str, Any]) -> dict[str, Any]:
    named = ("family", "model", "kind", "working_price", "asked")
    first, last = unit["built"] or (None, None)
    label = unit["family"] or unit["model"] or unit["kind"]
    row = {"offer": label, "built_from": first, "built_to": last, **{name: unit[name] for name in named}}
    return row | dict(unit["signs"])


def _summary(verdicts: "pd.DataFrame") -> str:
    counts = verdicts["verdict"].fillna("without a price").value_counts()
    order = ("take", "haggle", "try one", "skip", "without a price")
    said = [f"{counts[each]} {each}" for each in order if each in counts]
    return f"{len(verdicts)} judged ({', '.join(said)})" if said else "0 judged"


def _appraiser(bench: Bench, as_of: datetime.date | None) -> "Appraiser":
    from reliability.worth.appraiser import appraiser_of

    with bench.ledger() as ledger:
        return appraiser_of(ledger, as_of=as_of, warn=note)


@click.command(
    short_help="Which families to take, to haggle over, to skip.",
    epilog=example("benchodds ranking", "benchodds ranking --out ranking.csv"),
)
@click.option("--out", type=NEW_FILE, help="File for the table, as CSV.")
@click.option("--as-of", type=DAY, callback=full_day, help=AS_OF)
@click.pass_obj
def ranking(bench: Bench, out: Path | None, as_of: datetime.date | None) -> None:
    """Rank the families: which to take, to haggle over, to skip, at the price usually asked.

    A family without a usual price has a ceiling, but no verdict.
    """
    from reliability.commands.telling import ranking_table, write_table
    from reliability.records.frames import read_records
    from reliability.worth.review import ranking as rank

    appraiser = _appraiser(bench, as_of)
    with bench.ledger() as ledger:
        records = read_records(ledger, as_of=as_of)
    table = rank(appraiser, records, as_of=as_of or datetime.date.today())
    if out is None:
        click.echo(ranking_table(table, appraiser.currency))
    else:
        with written_to(out):
            write_table(table, out)
        click.echo(f"{len(table)} families: {out}")
