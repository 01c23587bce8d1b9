"""`show` and `blank`: look at a job; print an empty sheet."""

import click

from reliability.commands.shared import Bench, example
from reliability.errors import InvalidInput


@click.command(epilog=example("benchodds show 17", "benchodds show 17 --history"))
@click.argument("job")
@click.option("--history", is_flag=True, help="Every version, with when and why it was written.")
@click.pass_obj
def show(bench: Bench, job: str, history: bool) -> None:
    """Show what the ledger holds of JOB."""
    from reliability.commands.wording import job_lines, version_lines

    with bench.ledger() as ledger:
        currency = str(ledger.setting("currency"))
        lines = version_lines(ledger.history(job)) if history else job_lines(ledger.job(job), currency)
    # A damaged text may hold what is no letter.
    click.echo("\n".join(lines).encode("utf-8", "backslashreplace").decode())


@click.command(
    short_help="Print an empty job sheet.",
    epilog=example('benchodds blank "Tarnwick T2" > deck.toml', 'benchodds blank "Tarnwick T2" --job 17'),
)
@click.argument("family")
@click.option("--job", help="The open job that the sheet is to finish.")
@click.pass_obj
def blank(bench: Bench, family: str, job: str | None) -> None:
    """Print an empty job sheet for FAMILY, with the usual components of its kind.

    Where one unit of the family is open, the sheet carries its number.
    """
    from reliability.records.sheet import blank_sheet
    from reliability.records.tables import usual_components
    from reliability.records.values import nearest, some
    from reliability.records.write_up import open_jobs

    with bench.ledger() as ledger:
        kinds = {str(row["family"]): str(row["kind"]) for row in ledger.rows("families")}
        if family not in kinds:
            raise InvalidInput(f"The ledger holds no family {family!r}; it holds {some(kinds)}."
                               f"{nearest(family, kinds)}")  # fmt: skip
        waiting = [str(row["job"]) for row in open_jobs(ledger, family)]
        signs = ledger.names("sign")
    if job is not None and job not in waiting:
        raise InvalidInput(f"Job {job} is no open job of {family!r}; open: {some(waiting)}.")
    if job is None and len(waiting) == 1:
        job = waiting[0]
    sheet = blank_sheet(
        family, kinds[family], usual_components(kinds[family]), signs, job=job, still_open=waiting
    )
    click.echo(sheet, nl=False)
