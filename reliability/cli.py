"""The command `benchodds`: parse the line, call the room that does the work, print its answer.

Commands live in `reliability.commands` and are imported when they are called, so that writing
down a job does not wait for anything numerical.
"""

import errno
import os
from importlib import import_module
from typing import IO, Any

import click

from reliability import __version__
from reliability.commands.shared import NAME, Bench, example
from reliability.errors import BenchoddsError, reason

DEFAULT_LEDGER = "data/bench.db"

# Command -> its function in reliability.commands. The order is that of the help page: the way of
# a unit over the bench, then what is learned from it.
COMMANDS = {
    "intake": "taking_in.intake",
    "blank": "showing.blank",
    "add": "adding.add",
    "amend": "changing.amend",
    "sold": "changing.sold",
    "followup": "changing.followup",
    "show": "showing.show",
    "import": "moving.import_folder",
    "export": "moving.export_folder",
    "archive": "archiving.archive",
    "check": "keeping.check",
    "backup": "keeping.backup",
    "judge": "judging.judge",
    "ranking": "judging.ranking",
    "lives": "lasting.lives",
    "plan": "planning.plan",
    "stock": "planning.stock",
    "report": "pages.report",
    "card": "carding.card",
}


class Refusal(click.ClickException):
    """A fault that the user can mend, shown as it is; ends with exit code 1."""

    exit_code = 1

    def show(self, file: IO[Any] | None = None) -> None:
        """Print the message and its faults to standard error."""
        click.echo(self.message, file=file, err=True)


class LazyGroup(click.Group):
    """A group that imports a command when it is named, and shows our errors as plain messages."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Give the commands in the order of the work, not of the alphabet."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command."""
        if cmd_name not in COMMANDS:
            return None
        module, function = COMMANDS[cmd_name].split(".")
        command: click.Command = getattr(import_module(f"reliability.commands.{module}"), function)
        for parameter in command.params:
            if type(parameter.type) is click.types.StringParamType:
                parameter.type = NAME
        return command

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command; an error of ours becomes its message and exit code 1."""
        try:
            return super().invoke(ctx)
        except BenchoddsError as error:
            raise Refusal(str(error)) from error
        except OSError as error:
            if error.errno == errno.EPIPE:  # whoever read what is printed has gone
                raise
            place = f"{error.filename} " if error.filename else "A file "
            raise Refusal(
                f"{place}cannot be read or written: {reason(error)}. What was told before that is done; look "
                "with `benchodds check` and `show` before you try again."
            ) from error


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=example(
        'benchodds intake "Tarnwick T2" --price 25 --year 1979    # a unit comes in and gets its number',
        "benchodds add deck.toml                                  # it leaves the bench",
        "benchodds COMMAND --help                                 # each command explains itself",
    ),
)
@click.option(
    "--ledger",
    metavar="URL",
    envvar="BENCHODDS_LEDGER",
    default=DEFAULT_LEDGER,
    show_default=True,
    show_envvar=True,
    help="The ledger: a file, or the URL of a shared database.",
)
@click.version_option(__version__, prog_name="benchodds")
@click.pass_context
def main(ctx: click.Context, ledger: str) -> None:
    """Turn a repair bench's finished jobs into odds: what to buy, at what price, what to leave."""
    # Our matrices are small: more threads of the linear algebra library would only wait for each other.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    ctx.obj = Bench(ledger)


if __name__ == "__main__":
    main()
