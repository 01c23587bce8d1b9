"""What can go wrong in a way that the user can mend, and where it stands.

Every error carries one clear message: where, which rule, what was found, what to do.
The command line prints it and ends with exit code 1; nothing has been written by then.
"""

import errno
import re
from collections.abc import Collection, Iterable, Sequence
from concurrent.futures import BrokenExecutor
from dataclasses import dataclass
from decimal import Decimal
from difflib import get_close_matches
from heapq import nsmallest

#: What is said of processes that ended in the middle of their work.
ENDED = "ended from outside, perhaps for want of memory"
#: What the system says of a file, where its own words would puzzle.
_REASONS = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "your share of the disk is used up",
    errno.EIO: "the disk reports an error",
    errno.EROFS: "the disk can only be read",
    errno.ENAMETOOLONG: "its name is too long",
}


class BenchoddsError(Exception):
    """Base of all errors that a user of the package can mend."""


class InvalidInput(BenchoddsError, ValueError):
    """A value, a file or an argument breaks a stated rule.

    Parameters
    ----------
    message : str
        What to tell the user.
    faults : sequence of str, optional
        One line per fault where several were found at once; they follow the message.
    """

    def __init__(self, message: str, faults: Sequence[str] = ()) -> None:
        self.message = message
        self.faults = tuple(faults)
        super().__init__("\n".join((message, *self.faults)))


class UnknownName(InvalidInput):
    """A family, component, column or option that does not exist here."""


class LedgerError(BenchoddsError):
    """The ledger could not be opened, read or written."""


class ReportError(BenchoddsError):
    """At least one page of a report could not be made."""


def is_end_of_process(error: BaseException) -> bool:
    """Whether an error, of an executor of processes or of a cluster, says that the process is no more."""
    # A cluster's own word for it can only be imported where its library is there.
    return isinstance(error, BrokenExecutor) or type(error).__name__ == "KilledWorker"


def reason(error: OSError) -> str:
    """Word why the system refuses a file: without its name, and without a stop at the end."""
    return _REASONS.get(error.errno or 0) or error.strerror or str(error)


def unknown(what: str, got: str, known: Iterable[str]) -> UnknownName:
    """Build the error for a name that is not known, "The ledger holds no family", with the nearest one."""
    names = set(known)
    return UnknownName(f"{what} {got!r}; known: {some(names)}.{nearest(got, names)}")


# ---- What is wrong with a row, and where; what a name that nobody knows may have been meant to be

#: Among more names, or for a longer one, no near miss is looked for.
MOST_COMPARED, LONGEST_COMPARED = 500, 200


@dataclass(frozen=True)
class Fault:
    """One thing that breaks one rule."""

    place: str  # file and line, or the part of a job
    column: str  # empty where the whole row is meant
    message: str  # what was found and what is allowed

    def __str__(self) -> str:
        where = f"{self.place}, column {self.column}" if self.column else self.place
        return f"{where}: {self.message}"


class Refused(InvalidInput):
    """One value that breaks the rule of its column."""


class FaultsFound(InvalidInput):
    """Input with faults that still know their place, so that a form can show each beside its field."""

    def __init__(self, message: str, found: Sequence[Fault | str]) -> None:
        super().__init__(message, [str(each) for each in found])
        self.found = tuple(found)


def nearest(got: str, known: Iterable[str]) -> str:
    """Word a suggestion of the nearest known name, with a space before it; empty if none is near."""
    names = known if isinstance(known, Collection) else list(known)
    if len(names) > MOST_COMPARED or len(got) > LONGEST_COMPARED:
        return ""  # comparing each with each would take minutes where many lines are at fault
    by_folded = {name.casefold(): name for name in map(str, names)}  # a damaged ledger may hold a number
    near = get_close_matches(got.casefold(), by_folded, n=1, cutoff=0.6)
    return f" Did you mean {by_folded[near[0]]!r}?" if near else ""


def question(what: str, name: str, known: Collection[str], meant: Collection[str] | None) -> str:
    """Ask about a kind, or another name like a known one, that is new and not meant to be; else empty.

    With None nobody can be asked.
    """
    if meant is None or name in known or name in meant or not (what == "kind" or near_twin(name, known)):
        return ""
    return unseen(what, name, known)


#: How a question about a name ends; its answer is the name itself.
IF_NEW = "If it is new, say so: --new"


def unseen(what: str, name: str, known: Collection[str], flag: str = "") -> str:
    """Word the question whether a name that the ledger has never seen is new."""
    twin = near_twin(name, known)
    meant = f" Did you mean {twin!r}?" if twin else nearest(name, known)
    told = f"{what} {name!r} was never seen here; known: {some(known)}.{meant}"
    return f"{told} {IF_NEW}{flag} {name!r}"


#: Names at least so alike (ratio of `difflib`) are often the same thing, misspelt.
LIKENESS = 0.85
#: A name cut short is known by so many letters.
SHORTEST_CUT = 3


def near_twin(name: str, known: Collection[str]) -> str | None:
    """Find the known name that another one is likely to mean."""
    if len(known) > MOST_COMPARED or len(name) > LONGEST_COMPARED:
        return None
    digits = re.findall("[0-9]+", name)
    others = [each for each in known if each != name and re.findall("[0-9]+", each) == digits]
    bare = {re.sub(r"[\W_]", "", each.casefold()): each for each in others}
    own = re.sub(r"[\W_]", "", name.casefold())
    if near := get_close_matches(own, bare, n=1, cutoff=LIKENESS):
        return bare[near[0]]
    if swapped := [each for squeezed, each in bare.items() if sorted(squeezed) == sorted(own)]:
        return swapped[0]
    stem = own.removesuffix("s")
    begun = sorted(each for squeezed, each in bare.items() if squeezed.startswith(stem))
    return begun[0] if len(stem) >= SHORTEST_CUT and len(begun) == 1 else None


def some(names: Iterable[str], most: int = 30) -> str:
    """List names in order, cut short where there are very many."""
    listed = set(names)
    if not listed:
        return "none yet"
    rest = len(listed) - most
    return ", ".join(nsmallest(most, listed)) + (f" and {rest} more" if rest > 0 else "")


def counted(number: int, noun: str, several: str = "") -> str:
    """Word a number of things."""
    return f"{number} {noun}" if number == 1 else f"{number} {several or f'{noun}s'}"


def refuse(faults: Sequence[Fault | str], done: str = "Nothing was written.") -> None:
    """Raise one error with every fault, if there is any."""
    if faults:
        raise FaultsFound(f"{counted(len(faults), 'fault')} found. {done}", faults)


def shown(value: object) -> str:
    """Word a value for a message, cut short in the middle where it is long."""
    text = str(value) if isinstance(value, Decimal) else repr(value)
    return text if len(text) <= 60 else text[:40] + "…" + text[-10:]
