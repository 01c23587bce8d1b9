"""The year in which a unit was built, out of what its owner guesses: a year, an age, or both.

The guesses are round numbers more often than not, and the older the unit, the rounder. How far the true
year may lie off is common practice, no source.
"""

import math
import re

Window = tuple[int, int]

#: An owner who says more than this has typed a placeholder, or means something else.
MOST_AGE_YEARS = 100
#: Years that stand for "no idea" in many a form.
PLACEHOLDERS = frozenset((0, 1, 1111, 1234, 1900, 1901, 9999))
_YEAR = re.compile(r"[0-9]{1,4}(?:\.0+)?")
_AGE = re.compile(r"[0-9]{1,4}(?:\.[0-9]+)?")


def built_window(year: str, age: str, date: str) -> tuple[Window | None, str | None]:
    """Turn a year of manufacture, an age or both into a window of years.

    Parameters
    ----------
    year, age : str
        The cells; empty where nothing is known. An age is in years, with a decimal point if any.
    date : str
        ISO date of the event; a month alone will do.

    Returns
    -------
    (int, int) or None
        First and last year, both included, neither after the event. A unit may be off by a year to
        both sides, and by one more for every full ten years of its age; a unit said to be of the
        year of the event is taken at its word.
    str or None
        Why a guess was not believed, if so.
    """
    by_year, doubt = _by_year(year, int(date[:4])) if year else (None, None)
    if doubt:
        return None, doubt
    by_age, doubt = _by_age(age, date) if age else (None, None)
    if doubt:
        return None, doubt
    if by_year is None or by_age is None:
        return by_year or by_age, None
    if max(by_year[0], by_age[0]) > min(by_year[1], by_age[1]):
        return None, "year and age contradict each other"
    return by_year, None  # most providers work the age out from the year: it says nothing more


def _by_year(text: str, event: int) -> tuple[Window | None, str | None]:
    if not _YEAR.fullmatch(text):
        return None, "not a year"
    year = int(float(text))
    if year in PLACEHOLDERS:
        return None, "a placeholder for a year"
    if year > event:
        return None, "a year after the event"
    return _around(year, event - year, event, at_least=int(year < event))


def _by_age(text: str, date: str) -> tuple[Window | None, str | None]:
    if not _AGE.fullmatch(text):
        return None, "not an age"
    event = int(date[:4])
    years = float(text)
    months = int(date[5:7]) - 0.5
    return _around(math.floor(event + months / 12 - years), years, event, at_least=1)


def _around(year: int, age_years: float, event: int, at_least: int) -> tuple[Window | None, str | None]:
    if age_years > MOST_AGE_YEARS:
        return None, f"an age above {MOST_AGE_YEARS} years"
    off = at_least + int(age_years) // 10
    return (year - off, min(year + off, event)), None
