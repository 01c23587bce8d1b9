"""`archive`: the findings of the ledger as Parquet files, for many benches together."""

from pathlib import Path

import click

from reliability.commands.shared import Bench, counted, example


@click.command(
    short_help="Write the findings as a Parquet archive.",
    epilog=example("benchodds archive for-the-others", "benchodds lives --archive for-the-others"),
)
@click.argument("folder", type=click.Path(path_type=Path))
@click.pass_obj
def archive(bench: Bench, folder: Path) -> None:
    """Write to FOLDER what the lives of parts need: findings, years, days, families; no money, no remarks.

    Archives of many benches can be read together by ``lives --archive``. Jobs that were imported from
    elsewhere are left out, so that nothing counts twice. Needs pyarrow (the extra `archive`).
    """
    from reliability.records.archive import write_archive

    with bench.ledger() as ledger:
        written = write_archive(ledger, folder)
    click.echo(f"{counted(written.findings, 'finding')} in {counted(written.jobs, 'job')}: {folder}")
    if written.imported_jobs:
        click.echo(f"  {counted(written.imported_jobs, 'imported job')} left out")
