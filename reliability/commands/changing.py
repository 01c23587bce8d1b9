"""`amend`, `sold`, `followup`: what becomes known of a job after it was written down."""

from decimal import Decimal
from typing import Any

import click

from reliability.commands.shared import DAY, HOURS, MONEY, SIGN, Bench, example, today


@click.command(
    short_help="Correct a job; every version is kept.",
    epilog=example(
        'benchodds amend 17 --set outcome=donor --set ended_by=gear --why "gear broke after all"',
        'benchodds amend 17 --set belt.found=failed --set "head:left.found=worn" --why "looked again"',
    ),
)
@click.argument("job")
@click.argument("sheet", required=False, type=click.Path(exists=True, dir_okay=False))
@click.option(
    "--set", "settings", multiple=True, metavar="NAME=VALUE",
    help="A column of the job, or COMPONENT.COLUMN or COMPONENT:POSITION.COLUMN of a finding; "
    "nothing after the = empties it. Repeatable.",
)  # fmt: skip
@click.option("-s", "--sign", "signs", type=SIGN, multiple=True, help="A sign, such as rust=no; repeatable.")
@click.option("--drop", "drops", multiple=True, metavar="COMPONENT[:POSITION]", help="Take a finding out.")
@click.option("--drop-sign", "drop_signs", multiple=True, metavar="SIGN", help="Take a sign out.")
@click.option("--withdraw", is_flag=True, help="Take the whole job out; its versions are kept.")
@click.option("--new-component", "new_components", multiple=True, metavar="NAME",
              help="A component that the ledger has never seen.")  # fmt: skip
@click.option("--why", required=True, metavar="REASON", help="Kept beside the old version.")
@click.pass_obj
def amend(bench: Bench, job: str, sheet: str | None, withdraw: bool, why: str, **given: Any) -> None:
    """Correct a job. The version before is kept, with the time and the reason.

    Only what is named changes; SHEET is a job sheet that holds the corrections.
    """
    from reliability.records.sheet import Amendment

    amendment = Amendment.of(given["settings"], given["signs"], given["drops"], given["drop_signs"], sheet)
    if withdraw != amendment.is_empty:
        raise click.UsageError("Say what changes: --set, --sign, --drop, --drop-sign or a sheet; "
                               "or --withdraw alone.")  # fmt: skip
    with bench.ledger() as ledger:
        if withdraw:
            ledger.withdraw(job, reason=why)
            click.echo(f"Job {job} was withdrawn; its versions stay: benchodds show {job} --history")
            return
        old = ledger.job(job)
        kinds = {row["family"]: str(row["kind"]) for row in ledger.rows("families")}
        changes = amendment.changes(old, kinds.get(old["job"]["family"], ""))
        version = ledger.amend(job, changes, reason=why, new_components=given["new_components"])
    click.echo(f"Job {job}: version {version} was written ({why})")


@click.command(epilog=example("benchodds sold 17 160", "benchodds sold 17 160 --on 2026-05-17"))
@click.argument("job")
@click.argument("price", type=MONEY)
@click.option("--on", "day", type=DAY, help="Day or month of the sale; today otherwise.")
@click.pass_obj
def sold(bench: Bench, job: str, price: Decimal, day: str | None) -> None:
    """Record that the unit of JOB was sold, for PRICE."""
    day = day or today().isoformat()
    with bench.ledger() as ledger:
        # What is to be told is read before: once the sale is written, nothing can fail any more.
        currency = ledger.setting("currency")
        row = ledger.sold(job, price, day)
    click.echo(f"Job {job}: {row['family']}, sold for {row['sold_for']} {currency} on {day}")


@click.command(
    short_help="Record a check after the sale.",
    epilog=example(
        "benchodds followup 17 --working yes",
        "benchodds followup 17 --working no --component belt --failed-on 2026-05-17 --hours 0.5",
    ),
)
@click.argument("job")
@click.option("--working", type=click.Choice(("yes", "no")), required=True, help="Whether the unit worked.")
@click.option("--on", "checked_on", type=DAY, help="Day or month of the check; today otherwise.")
@click.option("--failed-on", type=DAY, help="When it failed, if the day is known.")
@click.option("--component", metavar="NAME", help="What failed.")
@click.option("--hours", type=HOURS, help="Bench time that it took.")
@click.option("--cost", type=MONEY, help="What it cost beside time.")
@click.option("--new-component", "new_components", multiple=True, metavar="NAME",
              help="A component that the ledger has never seen.")  # fmt: skip
@click.pass_obj
def followup(bench: Bench, job: str, new_components: tuple[str, ...], **given: Any) -> None:
    """Record what became of a repaired unit: it was seen, or asked about."""
    row = {**given, "checked_on": given["checked_on"] or today().isoformat()}
    with bench.ledger() as ledger:
        family = ledger.job(job)["job"]["family"]
        ledger.followup(job, row, new_components=new_components)
    state = "working" if given["working"] == "yes" else "not working"
    click.echo(f"Job {job}: {family}, {state} on {row['checked_on']}")
