"""Questions at the terminal: numbered choices, every answer checked at once."""

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import click

from reliability.records.tables import Column
from reliability.records.values import Refused, clean_text, nearest, read_value, some

_NARROW = 30


def confirm(question: str, *, default: bool) -> bool:
    """Ask for yes or no."""
    return click.confirm(question, default=default)


def ask_cell(
    question: str, column: Column | Callable[[str], Any], *, default: str = "", allowed: Sequence[str] = ()
) -> Any:
    """Ask for one value.

    Parameters
    ----------
    question : str
        What is asked.
    column : Column or callable
        How the answer is read; it refuses one that breaks a rule, and the question comes again.
    default : str
        What Enter stands for; empty: not known.
    allowed : sequence of str
        The closed list of words, offered by number; a column brings its own.
    """
    read = partial(read_value, column) if isinstance(column, Column) else column
    allowed = column.allowed if isinstance(column, Column) else allowed
    _offer(allowed)
    return _prompt(question, lambda answer: read(_picked(answer, allowed)), default)


def ask_one(question: str, choices: Sequence[str], *, default: str) -> str:
    """Ask for one of a closed list."""
    _offer(choices)

    def read(answer: str) -> str:
        picked = _picked(answer, choices)
        if picked not in choices:
            raise Refused(f"{picked!r} is not one of {', '.join(choices)}.{nearest(picked, choices)}")
        return picked

    answer: str = _prompt(question, read, default)
    return answer


def ask_name(question: str, known: Sequence[str], what: str, *, new_is_fine: bool = False) -> str:
    """Ask for a name out of an open list; a new one has to be confirmed, unless any is fine."""
    _offer(known)
    while True:
        name: str = _prompt(question, lambda answer: _named(_picked(answer, known)))
        if name in known or new_is_fine:
            return name
        if confirm(f"No {what} {name!r} is known.{nearest(name, known)} Is it new?", default=False):
            return name


def ask_names(
    question: str,
    offered: Sequence[str],
    *,
    known: Sequence[str] | None = None,
    new: Callable[[str], bool] | None = None,
    rest: bool = False,
) -> list[str]:
    """Ask for any number of names, with commas between.

    Parameters
    ----------
    question : str
        What is asked.
    offered : sequence of str
        Names that have a number.
    known : sequence of str, optional
        Names that may be written out; those offered otherwise.
    new : callable, optional
        Asked whether a name that is not known may be used. Without it any name may.
    rest : bool
        Whether the answer ``rest`` stands for all that are offered.
    """
    _offer(offered)
    known = offered if known is None else known

    def read(answer: str) -> list[str]:
        if rest and answer == "rest":
            return list(offered)
        parts = [clean_text(part) for part in answer.split(",")]
        names = list(dict.fromkeys(_picked(part, offered) for part in parts if part))
        for name in names:
            if new is not None and name not in known and not new(name):
                raise Refused(f"{name!r} was not taken; known: {some(known)}")
        return names

    answer: list[str] = _prompt(question, read)
    return answer


def _named(name: str) -> str:
    if not name:
        raise Refused("an answer is needed here")
    return name


def _picked(answer: str, choices: Sequence[str]) -> str:
    """Turn a number into what stands beside it; a name stays as it is."""
    if answer in choices or not answer.isdecimal():
        return answer
    if 1 <= int(answer) <= len(choices):
        return choices[int(answer) - 1]
    return answer


def _offer(choices: Sequence[str]) -> None:
    if choices:
        numbered = [f"{number} {choice}" for number, choice in enumerate(choices, 1)]
        separator = "\n  " if max(map(len, choices)) > _NARROW else "   "
        click.echo(("\n  " if separator.startswith("\n") else "  ") + separator.join(numbered))


def _prompt(question: str, read: Callable[[str], Any], default: str = "") -> Any:
    def checked(answer: str) -> Any:
        try:
            return read(clean_text(answer))
        except Refused as error:
            raise click.UsageError(error.message) from None

    return click.prompt(question, default=default, show_default=bool(default), value_proc=checked)
