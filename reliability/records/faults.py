"""What is wrong with a row, and where."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from heapq import nsmallest

from reliability.errors import InvalidInput

#: Among more names, or for a longer one, no near miss is looked for.
MOST_COMPARED, LONGEST_COMPARED = 500, 200


@dataclass(frozen=True)
class Fault:
    """One thing that breaks one rule.

    Parameters
    ----------
    place : str
        File and line, or the part of a job.
    column : str
        The column, empty where the whole row is meant.
    message : str
        What was found and what is allowed.
    """

    place: str
    column: str
    message: str

    def __str__(self) -> str:
        where = f"{self.place}, column {self.column}" if self.column else self.place
        return f"{where}: {self.message}"


class Refused(InvalidInput):
    """One value that breaks the rule of its column."""


class FaultsFound(InvalidInput):
    """Input with faults that still know their place, so that a form can show each beside its field.

    Parameters
    ----------
    message : str
        What to tell the user.
    found : sequence of Fault or str
        What is wrong; a text where no single cell is.
    """

    def __init__(self, message: str, found: Sequence[Fault | str]) -> None:
        super().__init__(message, [str(each) for each in found])
        self.found = tuple(found)


def nearest(got: str, known: Iterable[str]) -> str:
    """Word a suggestion of the nearest known name, with a space before it; empty if none is near."""
    names = known if isinstance(known, Collection) else list(known)
    if len(names) > MOST_COMPARED or len(got) > LONGEST_COMPARED:
        return ""  # comparing each with each would take minutes where many lines are at fault
    by_folded = {name.casefold(): name for name in names}
    near = get_close_matches(got.casefold(), by_folded, n=1, cutoff=0.6)
    return f" Did you mean {by_folded[near[0]]!r}?" if near else ""


def some(names: Iterable[str], most: int = 30) -> str:
    """List names in order, cut short where there are very many."""
    listed = set(names)
    if not listed:
        return "none yet"
    rest = len(listed) - most
    return ", ".join(nsmallest(most, listed)) + (f" and {rest} more" if rest > 0 else "")


def refuse(faults: Sequence[Fault | str], done: str = "Nothing was written.") -> None:
    """Raise one error with every fault, if there is any.

    Raises
    ------
    FaultsFound
        With one line per fault.
    """
    if faults:
        count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        raise FaultsFound(f"{count} found. {done}", faults)
