"""`lives`: how long components last."""

import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from reliability.commands.executors import cluster_option
from reliability.commands.shared import DAY, NEW_FILE, Bench, example, full_day, note, written_to

if TYPE_CHECKING:
    import pandas as pd


@click.command(
    short_help="How long components last, family by family.",
    epilog=example(
        'benchodds lives --family "Tarnwick T2"',
        "benchodds lives --component belt --out belts.csv",
        "benchodds lives --archive ours --archive theirs --processes 4",
    ),
)
@click.option("--family", "families", multiple=True, help="Only this family; repeatable.")
@click.option("--component", "components", multiple=True, help="Only this component; repeatable.")
@click.option(
    "--event",
    type=click.Choice(("failed", "needs work")),
    default="failed",
    show_default=True,
    help="What ends a life; a worn part needs work.",
)
@click.option(
    "--cohort",
    type=click.IntRange(1, 50),
    help="Tell production years apart, in cohorts of so many years.",
)
@click.option(
    "--archive",
    "archives",
    type=click.Path(path_type=Path),
    multiple=True,
    help="Of these archives instead of the ledger; repeatable.",
)
@click.option(
    "--counted", is_flag=True, help="Of a large ledger: counted by its database, without prices and odds."
)
@click.option("--no-intervals", is_flag=True, help="If counted: no intervals of a family's own lives.")
@click.option("--processes", type=click.IntRange(1), default=1, help="If counted: how many are at work.")
@cluster_option("If counted: ")
@click.option("--out", type=NEW_FILE, help="File for the table, as CSV.")
@click.option("--as-of", type=DAY, callback=full_day, help="What happened later is ignored.")
@click.pass_obj
def lives(
    bench: Bench,
    families: tuple[str, ...],
    components: tuple[str, ...],
    event: str,
    cohort: int | None,
    archives: tuple[Path, ...],
    counted: bool,
    no_intervals: bool,
    processes: int,
    cluster: str | None,
    out: Path | None,
    as_of: datetime.date | None,
) -> None:
    """Tell how long each component lasts in each family that this bench has records of.

    Where a family's own records cannot give a life, the column says why; the share failed by
    today's age is told from all families together. With --archive or --counted, today is the last
    day on which any unit was taken in, and a usual unit is one of the family's mean production year.
    """
    from reliability.commands.telling import lives_text, write_table
    from reliability.errors import unknown

    if archives or counted:
        from reliability.commands.archived import counted_lives

        if cohort is not None or as_of is not None or (archives and counted):
            raise click.UsageError("--cohort, --as-of, --counted and --archive do not go together.")
        table = counted_lives(
            bench,
            archives,
            event=event,
            components=components,
            intervals=not no_intervals,
            cluster=cluster,
            processes=processes,
        )
    else:
        if no_intervals or cluster is not None or processes > 1:
            raise click.UsageError(
                "--no-intervals, --processes and --cluster go with --archive or --counted."
            )
        table = _lives_of_ledger(bench, event, cohort, as_of)
    for column, wanted in (("family", families), ("component", components)):
        for name in wanted:
            if name not in set(table[column]):
                raise unknown(f"No records of {column}", name, table[column])
        if wanted:
            table = table[table[column].isin(wanted)]
    if out is None:
        click.echo(lives_text(table))
        return
    with written_to(out):
        write_table(table, out)
    click.echo(f"{len(table)} {'life' if len(table) == 1 else 'lives'}: {out}")


def _lives_of_ledger(
    bench: Bench, event: str, cohort: int | None, as_of: datetime.date | None
) -> "pd.DataFrame":
    from reliability.records.frames import read_records
    from reliability.report.lives_table import lives_table
    from reliability.worth.appraiser import appraiser_of

    with bench.ledger() as ledger:
        appraiser = appraiser_of(ledger, as_of=as_of, warn=note)
        records = read_records(ledger, as_of=as_of)
    return lives_table(records, appraiser, event=event, cohort_years=cohort)
