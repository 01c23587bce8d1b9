"""What can go wrong in a way that the user can mend.

Every error carries one clear message: where, which rule, what was found, what to do.
The command line prints it and ends with exit code 1; nothing has been written by then.
"""

import errno
from collections.abc import Iterable, Sequence
from concurrent.futures import BrokenExecutor
from difflib import get_close_matches

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
    names = sorted(set(known))
    near = get_close_matches(got[:200], names[:500], n=1, cutoff=0.6)
    hint = f" Did you mean {near[0]!r}?" if near else ""
    listed = ", ".join(names) if names else "none yet"
    return UnknownName(f"{what} {got!r}; known: {listed}.{hint}")
