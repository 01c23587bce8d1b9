"""`report`: regenerate the pages."""

import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from reliability.commands.executors import cluster_option, executor_for
from reliability.commands.shared import DAY, Bench, counted, example, full_day, note

if TYPE_CHECKING:
    from reliability.records.frames import Records
    from reliability.report.run import PagesMade


@click.command(
    short_help="Regenerate the pages whose content changed.",
    epilog=example("benchodds report --all", 'benchodds report --family "Tarnwick T2" --pdf'),
)
@click.option("--family", "families", multiple=True, help="Only the page of this family, and the first page; "
              "repeatable.")  # fmt: skip
@click.option("--all", "every", is_flag=True, help="Every page; so it is without --family, too.")
@click.option("--pdf", is_flag=True, help="Print the pages to PDF as well; needs Chromium.")
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("reports"),
    show_default=True,
    help="Folder of the pages.",
)
@click.option(
    "--as-of",
    type=DAY,
    callback=full_day,
    help="The day the pages speak for; the last one on record otherwise.",
)
@cluster_option()
@click.pass_context
def report(ctx: click.Context, families: tuple[str, ...], every: bool, **given: Any) -> None:
    """Regenerate the pages whose content changed; the others are left untouched.

    Where there is no ledger of your own yet, the pages are made from the demo and say so.
    """
    if every and families:
        raise click.UsageError("--all makes every page, --family some of them; write one or the other.")
    from reliability.report.run import NOTEBOOKS, PAGE_NOTEBOOKS, make_pages

    out, as_of = given["out"], given["as_of"]
    records, demo = own_or_demo(ctx, "the pages are made from the demo, and say DEMO", as_of)
    with executor_for(
        given["cluster"],
        1,
        files=[NOTEBOOKS / each for each in PAGE_NOTEBOOKS],
        folder=out,
        left="Each page is whole, the old one or the new one",
    ) as executor:
        made = make_pages(
            records,
            out,
            families=families or None,
            demo=demo,
            pdf=given["pdf"],
            as_of=as_of,
            executor=executor,
        )
    for remark in made.remarks:
        note(remark)
    click.echo(_summary(made, out, as_of))


def own_or_demo(
    ctx: click.Context, remark: str, as_of: datetime.date | None = None
) -> tuple["Records", bool]:
    """Read the ledger; the demo where none was named and none has a job yet.

    Parameters
    ----------
    ctx : click.Context
    remark : str
        Told where it is the demo, after the reason.
    as_of : date, optional
        The day that the ledger is taken back to.

    Returns
    -------
    records : Records
    demo : bool
    """
    from reliability.records.frames import read_records

    bench: Bench = ctx.obj
    named = ctx.find_root().get_parameter_source("ledger") is not ParameterSource.DEFAULT
    if not (bench.is_missing and not named):
        with bench.ledger() as ledger:
            records = read_records(ledger, as_of=as_of)
        if named or not records.jobs.empty:
            return records, False
    from reliability.records.package import load_package_records
    from reliability.report.opening import DEMO

    reason = "does not exist" if bench.is_missing else "holds no job"
    note(f"{bench.url} {reason}: {remark}")
    return load_package_records(DEMO), True


def _summary(made: "PagesMade", out: Path, as_of: datetime.date | None) -> str:
    parts = [f"{counted(len(made.made), 'page')} made", f"{len(made.kept)} unchanged"]
    if made.removed:
        parts.append(f"{len(made.removed)} removed")
    if made.printed:
        parts.append(f"{len(made.printed)} printed")
    day = f" as of {as_of}" if as_of else ""
    return f"{', '.join(parts)}{day}: {out / 'index.html'}"
