"""Write simulated data: ``python -m tests.simulate demo --out data/demo``."""

from pathlib import Path

import click

from reliability.errors import BenchoddsError
from tests.simulate.demo import write_demo


@click.command()
@click.argument("what", type=click.Choice(["demo"]))
@click.option(
    "--out", type=click.Path(file_okay=False, path_type=Path), required=True, help="Folder to write."
)
def main(what: str, out: Path) -> None:
    """Write the demo ledger, the offers beside it and a page on what is true of them."""
    try:
        write_demo(out)
    except BenchoddsError as error:
        raise click.ClickException(str(error)) from None
    click.echo(f"The demo is in {out}.")


if __name__ == "__main__":
    main()
