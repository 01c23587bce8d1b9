"""Numbers of jobs: an optional prefix, then digits; given out in sequence, never twice.

Digits that begin with a year from 1950 to 2099 and go on for two places or more, such as 20240001, carry
that year as the end of their prefix: the next year begins anew, and what lies between is no gap. A bench
that counts without years does not come that far.
"""

import re
from collections.abc import Iterable
from itertools import pairwise
from typing import NamedTuple

_NUMBER = re.compile(r"(.*?)((?:19[5-9]|20[0-9])[0-9](?=[0-9]{2,11}$))?([0-9]{1,15})", re.DOTALL)


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
        ``Number("B-", 42, 4)``; of ``"20240017"`` it is ``Number("2024", 17, 4)``.
    """
    match = _NUMBER.fullmatch(job)
    return Number(match[1] + (match[2] or ""), int(match[3]), len(match[3])) if match else None


def number_fault(job: str) -> str | None:
    """Say what is wrong with the number of one of the bench's own jobs, or nothing."""
    if split_number(job) is None:
        return f"{job!r} is not a job number: an optional prefix, then 1 to 15 digits, such as 42 or B-0042"
    return None


def number_after(prefix: str, last: int, width: int) -> str:
    """Word the number that follows, padded with zeros as the last one was."""
    return f"{prefix}{last + 1:0{width}d}"


class Gap(NamedTuple):
    """Numbers in sequence that belong to no job: the first and the last of them, and how many they are."""

    prefix: str
    first: str
    last: str
    size: int


def missing_numbers(jobs: Iterable[str]) -> list[Gap]:
    """Find what lies between the lowest and the highest number of a prefix and is not there.

    Parameters
    ----------
    jobs : iterable of str
        Every number of the bench's own jobs, those that were withdrawn too. What is no number is
        passed over.

    Returns
    -------
    list of Gap
        Sorted by prefix and number.
    """
    widths: dict[str, dict[int, int]] = {}
    for number in filter(None, map(split_number, jobs)):
        widths.setdefault(number.prefix, {})[number.digits] = number.width
    return [
        Gap(prefix, number_after(prefix, before, taken[before]),
            number_after(prefix, after - 2, taken[before]), after - before - 1)
        for prefix, taken in sorted(widths.items())
        for before, after in pairwise(sorted(taken))
        if after - before > 1
    ]  # fmt: skip
