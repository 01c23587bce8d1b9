"""`intake`: a unit comes to the bench and gets its number."""

from typing import Any

import click

from reliability.commands.shared import DAY, MONEY, SIGN, WINDOW, Bench, example, say, sign_rows, today
from reliability.records.tables import YEAR_BASES


@click.command(
    epilog=example(
        'benchodds intake "Tarnwick T2" --price 25 --year 1979 --sign rust=yes',
        'benchodds intake "Dallow 80" -p 40 -y 1978-1981 -s "no power=yes" --new-family --kind receiver',
    )
)
@click.argument("family")
@click.option("-p", "--price", type=MONEY, help="What the unit cost.")
@click.option("-m", "--model", help="Name on the front panel.")
@click.option(
    "-y", "--year", "--built", "year", type=WINDOW, help="Year of production, or a window such as 1978-1981."
)
@click.option("--year-basis", type=click.Choice(YEAR_BASES), help="Where the year comes from.")
@click.option(
    "-s",
    "--sign",
    "signs",
    type=SIGN,
    multiple=True,
    help="What could be seen, such as rust=yes; repeatable.",
)
@click.option("--lot", help="Units bought together for one price share a lot.")
@click.option("--on", "taken_in", type=DAY, help="When the unit came; today otherwise.")
@click.option("--remarks", help="Anything else.")
@click.option("--new-family", is_flag=True, help="The ledger does not know FAMILY yet; needs --kind.")
@click.option("--kind", help="Kind of a new family: tape deck, turntable, receiver ...")
@click.option("--maker", help="Maker of a new family.")
@click.option("--working-price", type=MONEY, help="What you think a serviced unit of a new family fetches.")
@click.pass_obj
def intake(bench: Bench, family: str, signs: tuple[tuple[str, str], ...], **given: Any) -> None:
    """Take a unit in: get the number to write on its label.

    Only FAMILY is needed. Tell what was seen before any tool was picked up.
    """
    from reliability.records.write_up import check_unit, take_in

    described = _family_row(family, given)
    job = {name: given[name] for name in ("model", "lot", "year_basis", "remarks")}
    job |= {"family": family, "bought_for": given["price"]}
    job["taken_in"] = given["taken_in"] or today().isoformat()
    job["built_from"], job["built_to"] = given["year"] or (None, None)
    document = {"job": job, "signs": sign_rows(signs)}
    if bench.is_missing:
        check_unit(None, document, described)  # a fault leaves no empty ledger behind
    with bench.ledger(create=True) as ledger:
        say(take_in(ledger, document, new_family=described), f"taken in {job['taken_in']}")


def _family_row(family: str, given: dict[str, Any]) -> dict[str, Any] | None:
    row = {name: given[name] for name in ("kind", "maker", "working_price")}
    if not given["new_family"]:
        if any(value is not None for value in row.values()):
            raise click.UsageError("--kind, --maker and --working-price describe a --new-family.")
        return None
    if row["kind"] is None:
        raise click.UsageError('--new-family needs --kind, such as --kind "tape deck".')
    priced_on = None if row["working_price"] is None else today().isoformat()
    return {"family": family, **row, "priced_on": priced_on}
