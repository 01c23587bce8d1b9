"""Numbers of jobs: an optional prefix, then digits; given out in sequence, never twice."""

import re
from typing import NamedTuple

_NUMBER = re.compile(r"(.*?)([0-9]{1,15})", re.DOTALL)


class Number(NamedTuple):
    """A job number in its parts."""

    prefix: str
    digits: int
    width: int


def split_number(job: str) -> Number | None:
    """Take a job number apart; None if it does not end in digits.

    Parameters
    ----------
    job : str
        Such as ``"B-0042"``.

    Returns
    -------
    Number or None
        ``Number("B-", 42, 4)``.
    """
    match = _NUMBER.fullmatch(job)
    return Number(match[1], int(match[2]), len(match[2])) if match else None


def number_fault(job: str) -> str | None:
    """Say what is wrong with the number of one of the bench's own jobs, or nothing."""
    if split_number(job) is None:
        return f"{job!r} is not a job number: an optional prefix, then 1 to 15 digits, such as 42 or B-0042"
    return None


def number_after(prefix: str, last: int, width: int) -> str:
    """Word the number that follows, padded with zeros as the last one was."""
    return f"{prefix}{last + 1:0{width}d}"
