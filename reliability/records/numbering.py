"""Numbers of jobs: an optional prefix, then digits; given out in sequence, never twice.

Digits that begin with a year from 1950 to 2099 and go on for two places or more, such as 20240001, carry
that year as the end of their prefix: the next year begins anew, and what lies between is no gap. A bench
that counts without years does not come that far.

Numbers that are days, such as 20240301 or 240301, or begin with one, such as 2024030102, are no count of
jobs: they begin anew every day.
"""

import datetime
import re
from collections.abc import Iterable, Mapping
from itertools import pairwise
from typing import NamedTuple

_YEAR = r"(?:19[5-9]|20[0-9])[0-9]"
_NUMBER = re.compile(rf"(.*?)({_YEAR}(?=[0-9]{{2,11}}$))?([0-9]{{1,15}})", re.DOTALL)
_BEFORE_DIGITS = re.compile(r"^.*[^0-9]", re.DOTALL)
_NO_SEPARATORS = str.maketrans("", "", "-./_ ")
DAY_LENGTH = 8

MOST_GAPS = 0.5
"""Gaps beside one written job, above which they are not counted unless a setting says so."""


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


def do_gaps_count(n_missing: int, n_written: int, stated: str | None) -> bool:
    """Tell whether missing numbers count as jobs that nobody wrote up.

    Parameters
    ----------
    n_missing, n_written : int
        Missing numbers, and finished jobs of the bench.
    stated : {"yes", "no"} or None
        The setting `count_gaps`. Where it is not set, so many gaps as `MOST_GAPS` allows count: numbers may
        run on for another reason, and more of them are no evidence of so many failures.
    """
    return n_missing <= MOST_GAPS * n_written if stated is None else stated == "yes"


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
    for prefix in _of_days(widths):
        for day, of_day in _day_by_day(prefix, widths.pop(prefix)).items():
            widths.setdefault(day, {}).update(of_day)
    return [
        Gap(prefix, number_after(prefix, before, taken[before]),
            number_after(prefix, after - 2, taken[before]), after - before - 1)
        for prefix, taken in sorted(widths.items())
        for before, after in pairwise(sorted(taken))
        if after - before > 1
    ]  # fmt: skip


def _of_days(widths: Mapping[str, Mapping[int, int]]) -> list[str]:
    """Find the prefixes whose numbers are days, not a count.

    Prefixes that differ in digits only, as those of several years do, are looked at together: all their
    numbers must read as days, and more must be missing than there is.
    """
    alike: dict[str, list[str]] = {}
    for prefix in widths:
        alike.setdefault(re.sub("[0-9]", "0", prefix), []).append(prefix)
    return [
        prefix
        for prefixes in alike.values()
        if sum(max(widths[p]) - min(widths[p]) + 1 - 2 * len(widths[p]) for p in prefixes) > 0
        and all(_is_day(p, number, width) for p in prefixes for number, width in widths[p].items())
        for prefix in prefixes
    ]


def _day_begun(prefix: str) -> str:
    """Digits of a day that stand in the prefix, its century too; separators are passed over."""
    digits = _BEFORE_DIGITS.sub("", prefix.translate(_NO_SEPARATORS))
    return digits if re.match(_YEAR, digits) else "20" + digits


def _is_day(prefix: str, number: int, width: int) -> bool:
    """Say whether a number goes on, behind its prefix, as year, month and day do."""
    begun = _day_begun(prefix)
    day = (begun + f"{number:0{width}d}")[:DAY_LENGTH]
    if len(begun) not in (2, 4, 6) or len(day) < DAY_LENGTH:
        return False
    try:
        datetime.date(int(day[:4]), int(day[4:6]), int(day[6:]))
    except ValueError:
        return False
    return True


def _day_by_day(prefix: str, taken: Mapping[int, int]) -> dict[str, dict[int, int]]:
    """Count anew behind every day; a day without a further digit counts nothing."""
    length = DAY_LENGTH - len(_day_begun(prefix))
    days: dict[str, dict[int, int]] = {}
    for number, width in taken.items():
        text = f"{number:0{width}d}"
        if text[length:]:
            days.setdefault(prefix + text[:length], {})[int(text[length:])] = width - length
    return days
