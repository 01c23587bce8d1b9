"""What several commands need: the ledger, and the ways of writing a year, a sign, a day, an amount."""

import datetime
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from reliability.errors import InvalidInput, LedgerError, reason
from reliability.records.sheet import read_window
from reliability.records.tables import Column
from reliability.records.values import Refused, clean_text, read_value

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger
    from reliability.records.write_up import Written


@dataclass(frozen=True)
class Bench:
    """What the command line knows before a command runs.

    Parameters
    ----------
    url : str
        The ledger: a file, or a database URL.
    """

    url: str

    @property
    def is_missing(self) -> bool:
        """Whether the ledger is a file that is still to be made."""
        try:
            return "://" not in self.url and not Path(self.url).exists()
        except OSError as error:
            raise LedgerError(f"The ledger {self.url[:100]} cannot be opened: {reason(error)}.") from None

    @contextmanager
    def ledger(self, *, create: bool = False) -> Iterator["Ledger"]:
        """Open the ledger; say so where one is made."""
        from reliability.records.ledger import open_ledger

        is_new = create and self.is_missing
        with open_ledger(self.url, create=create) as ledger:
            if is_new:
                from reliability.records.files import who_reads

                click.echo(f"A new ledger was made: {ledger.name} ({who_reads(Path(ledger.name))})")
            for each in ledger.notes:
                note(each)
            yield ledger


class Name(click.types.StringParamType):
    """A text: an accent that stands by itself is joined to its letter, as in the ledger."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Read the text."""
        text: str = clean_text(super().convert(value, param, ctx))
        if not text.isascii() and (strange := re.search("[\ud800-\udfff]", text)):
            self.fail(
                f"{text[: strange.start()]!r} is followed by a byte that is no letter in UTF-8", param, ctx
            )
        if "\0" in text:
            self.fail("a text cannot hold the character U+0000", param, ctx)
        return text


class Cell(click.ParamType):
    """A value that is written as in a job sheet.

    Parameters
    ----------
    column : Column
        What it may be; its name is shown in the help.
    """

    def __init__(self, column: Column) -> None:
        self.name = column.name
        self._column = column

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Read the value as its column says."""
        try:
            # Three decimals: only the ledger knows how many its currency has, and it says so.
            return read_value(self._column, value, exponent=3)
        except Refused as error:
            self.fail(error.message, param, ctx)


class Window(click.ParamType):
    """A year, or the first and last of several: ``1979`` or ``1978-1981``."""

    name = "year"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, int]:
        """Read the years, both included."""
        try:
            return read_window(value)
        except Refused as error:
            self.fail(error.message, param, ctx)


class Sign(click.ParamType):
    """A sign and whether it was seen: ``rust=yes``."""

    name = "sign=yes|no"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, str]:
        """Read the sign and the answer."""
        sign, _, seen = map(clean_text, value.partition("="))
        if not sign or seen not in ("yes", "no"):
            self.fail(f"{value!r} is not written as rust=yes or rust=no; leave out what nobody looked for",
                      param, ctx)  # fmt: skip
        return sign, seen


class NewFile(click.Path):
    """A file to be written, in a folder that is there: asked before anything is worked out for it."""

    def __init__(self) -> None:
        super().__init__(dir_okay=False, writable=True, path_type=Path)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Read the path."""
        path = Path(str(super().convert(value, param, ctx)))
        if not path.parent.is_dir():
            self.fail(f"the folder {str(path.parent)!r} does not exist", param, ctx)
        return path


MONEY = Cell(Column("amount", "money", "an amount", minimum=0))
HOURS = Cell(Column("hours", "hours", "bench time", minimum=0))
NAME = Name()
DAY = Cell(Column("date", "date", "a day, or a month where the day is not known"))
WINDOW = Window()
SIGN = Sign()
NEW_FILE = NewFile()


def today() -> datetime.date:
    """Give the day on which the command runs."""
    return datetime.date.today()


def sign_rows(signs: Iterable[tuple[str, str]]) -> list[dict[str, str]]:
    """Turn what was given as ``--sign rust=yes`` into rows of signs."""
    return [{"sign": sign, "seen": seen} for sign, seen in signs]


def say(written: "Written", what: str) -> None:
    """Print what went into the ledger: one line, then what was assumed or is new."""
    click.echo(f"Job {written.job}: {written.family}, {what}")
    for note in written.notes:
        click.echo(f"  {note}")


def counted(number: int, noun: str) -> str:
    """Word a number of things."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def example(*lines: str) -> str:
    r"""Word the examples at the foot of a command's help, one to a line; ``\b`` keeps click from wrapping."""
    return "\b\nFor example:\n" + "\n".join(f"  {line}" for line in lines)


def full_day(
    _ctx: click.Context | None, _param: click.Parameter | None, value: str | None
) -> datetime.date | None:
    """Turn a day, or a month that stands for its middle, into a date."""
    if value is None:
        return None
    return datetime.date.fromisoformat(value if len(value) == 10 else f"{value}-16")


def note(message: str) -> None:
    """Tell something on the side, on standard error."""
    click.echo(message, err=True)


@contextmanager
def written_to(path: Path) -> Iterator[None]:
    """Turn what the system refuses while a file is written into one clear message.

    Raises
    ------
    InvalidInput
        In place of an OSError.
    """
    try:
        yield
    except OSError as error:
        raise InvalidInput(f"{path} cannot be written: {reason(error)}.") from None
