"""Ages by the documented rule, and windows of years as equally likely alternatives.

Everything that turns a date and a year into an age goes through here, so that a finding of the
ledger, a unit offered for sale and a page of the report agree on how old a part is.
"""

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from reliability.errors import InvalidInput, unknown

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

MONTHS = 12
JOB_COLUMNS = ("job", "family", "built_from", "built_to", "taken_in")
FAMILY_COLUMNS = ("family", "kind", "first_year", "last_year")


def decimal_year(dates: ArrayLike) -> FloatArray:
    """Date as a year with its fraction: 1 January 2026 is 2026.0, 2 July 2026 about 2026.5.

    Parameters
    ----------
    dates : array_like of datetime64, shape (n,)
        Dates; NaT is allowed.

    Returns
    -------
    ndarray of float64, shape (n,)
        Decimal years, NaN for NaT.
    """
    days = np.asarray(dates, dtype="datetime64[D]")
    years = days.astype("datetime64[Y]")
    start = years.astype("datetime64[D]")
    length = (years + 1).astype("datetime64[D]") - start
    with np.errstate(invalid="ignore"):  # NaT minus NaT, set to NaN below
        fraction = (days - start) / length
    whole = years.astype(np.int64) + 1970.0
    return np.where(np.isnat(days), np.nan, whole + fraction)


def to_months(years: ArrayLike) -> FloatArray:
    """Round to a twelfth of a year, halves up; ndarray of float64 in years, of the same shape."""
    return np.floor(np.asarray(years, dtype=np.float64) * MONTHS + 0.5) / MONTHS


def age_at(dates: ArrayLike, years: ArrayLike) -> FloatArray:
    """Age on a day of something made in a known year.

    Parameters
    ----------
    dates : array_like of datetime64, shape (n,)
        Days on which the age is wanted.
    years : array_like of float, shape (n,)
        Years of production or fitting. Their middle counts as the beginning of the life.

    Returns
    -------
    ndarray of float64, shape (n,)
        Age in years, a multiple of 1/12 and at least 1/12; NaN where date or year is not known.
    """
    return np.maximum(since_middle(decimal_year(dates), years), 1 / MONTHS)


def since_middle(moments: ArrayLike, years: ArrayLike) -> FloatArray:
    """Time from the middle of a year to a moment, to a twelfth of a year; may be negative.

    Parameters
    ----------
    moments : array_like of float, shape (n,)
        Decimal years.
    years : array_like of float, shape (n,)
        Years whose middle counts as the beginning.

    Returns
    -------
    ndarray of float64, shape (n,)
        Years, a multiple of 1/12; NaN where either is not known.
    """
    return to_months(np.asarray(moments, dtype=np.float64) - (np.asarray(years, dtype=np.float64) + 0.5))


def production_windows(jobs: pd.DataFrame, families: pd.DataFrame) -> tuple[FloatArray, FloatArray]:
    """First and last possible production year of each unit.

    An end that the job leaves empty is taken from the family's span; a last year after the unit
    was taken in is cut to that year.

    Parameters
    ----------
    jobs : DataFrame, n_jobs rows
        With the columns job, family, built_from, built_to, taken_in.
    families : DataFrame
        With the columns family, kind, first_year, last_year.

    Returns
    -------
    first, last : ndarray of float64, shape (n_jobs,)
        Both ends included; NaN where the year is not known. `first` above `last` means that the
        job contradicts the family's span or its own dates.

    Raises
    ------
    InvalidInput
        If a column is missing, a job has no date of intake, its family is not in `families`, or a job
        or family occurs twice.
    """
    require_columns("jobs", jobs, JOB_COLUMNS)
    require_unique("jobs", jobs["job"])
    row = family_rows(jobs, families)
    undated = jobs["taken_in"].isna().to_numpy()
    if undated.any():
        raise InvalidInput(
            f"Every job needs the date it was taken in; {undated.sum()} of {len(jobs)} have none "
            f"(first: job {jobs['job'].iloc[int(np.argmax(undated))]!r})."
        )
    return closed_windows(
        jobs["built_from"].to_numpy(dtype=np.float64),
        jobs["built_to"].to_numpy(dtype=np.float64),
        families["first_year"].to_numpy(dtype=np.float64)[row],
        families["last_year"].to_numpy(dtype=np.float64)[row],
        jobs["taken_in"].dt.year.to_numpy(dtype=np.float64),
    )


def closed_windows(
    built_from: FloatArray,
    built_to: FloatArray,
    first_year: FloatArray,
    last_year: FloatArray,
    taken_year: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Close windows of production years by the family's span and by the year of intake.

    Parameters
    ----------
    built_from, built_to : ndarray of float64, shape (n,)
        As the jobs have them; NaN where an end is not known.
    first_year, last_year : ndarray of float64, shape (n,)
        Span of each unit's family.
    taken_year : ndarray of float64, shape (n,)
        Calendar year in which the unit was taken in.

    Returns
    -------
    first, last : ndarray of float64, shape (n,)
        As in `production_windows`.
    """
    first = np.where(np.isnan(built_from), first_year, built_from)
    last = np.where(np.isnan(built_to), last_year, built_to)
    known = ~(np.isnan(first) | np.isnan(last))
    last = np.minimum(last, taken_year)
    return np.where(known, first, np.nan), np.where(known, last, np.nan)


def begin_windows(
    *,
    built_first: FloatArray,
    built_last: FloatArray,
    fitted_from: FloatArray,
    fitted_to: FloatArray,
    taken_year: FloatArray,
    fitted: BoolArray,
) -> tuple[FloatArray, FloatArray, dict[str, BoolArray]]:
    """Find the window of years in which each life began, and why it may be unusable.

    Parameters
    ----------
    built_first, built_last : ndarray of float64, shape (n,)
        As `production_windows` gives them.
    fitted_from, fitted_to : ndarray of float64, shape (n,)
        Of parts that are not original; NaN where an end is not known.
    taken_year : ndarray of float64, shape (n,)
        Calendar year in which the unit was taken in.
    fitted : ndarray of bool, shape (n,)
        Whether the part is not original.

    Returns
    -------
    first, last : ndarray of float64, shape (n,)
    reasons : dict of str to ndarray of bool
        Which cannot be used, by reason.
    """
    unknown_fit = fitted & np.isnan(fitted_from) & np.isnan(fitted_to)
    # One known end is closed by what bounds it anyway: the unit's first year, the year of intake.
    begin = np.where(np.isnan(fitted_from), built_first, np.fmax(fitted_from, built_first))
    end = np.where(np.isnan(fitted_to), taken_year, np.fmin(fitted_to, taken_year))
    first = np.where(fitted, begin, built_first)
    last = np.where(fitted, end, built_last)
    no_year = np.isnan(first) | np.isnan(last)
    crossed = first > last
    reasons = {
        "not original, year of fitting unknown": unknown_fit | (fitted & no_year),
        "no production year": ~fitted & no_year,
        "production year contradicts the family's span": ~fitted & crossed,
        "fitted before the unit was built or after it was taken in": fitted & crossed,
    }
    return first, last, reasons


def family_rows(jobs: pd.DataFrame, families: pd.DataFrame) -> IntArray:
    """Position of each job's family in `families`; ndarray of int64, shape (n_jobs,)."""
    require_columns("families", families, FAMILY_COLUMNS)
    require_unique("families", families["family"])
    row = pd.Index(families["family"]).get_indexer(pd.Index(jobs["family"]))
    if (row < 0).any():
        position = int(np.argmax(row < 0))
        job, family = jobs["job"].iloc[position], jobs["family"].iloc[position]
        raise unknown(f"Job {job!r} is of a family that is not listed:", family, families["family"])
    return row.astype(np.int64)


def spread_years(first: FloatArray, last: FloatArray) -> tuple[IntArray, FloatArray, FloatArray]:
    """Write every window of years out as one row per year.

    Parameters
    ----------
    first, last : ndarray of float64, shape (n,)
        Ends of each window, both included, ``first <= last``; NaN twice for an unknown year.

    Returns
    -------
    source : ndarray of int64, shape (n_rows,)
        Position of the window that the row came from.
    year : ndarray of float64, shape (n_rows,)
        The year; NaN (one row) where it is not known.
    weight : ndarray of float64, shape (n_rows,)
        Probability of that year, equal within a window.
    """
    n_years = np.where(np.isnan(first), 1, last - first + 1).astype(np.int64)
    source = np.repeat(np.arange(first.size, dtype=np.int64), n_years)
    start = np.cumsum(n_years) - n_years
    step = np.arange(source.size) - start[source]
    return source, first[source] + step, 1.0 / n_years[source]


def unit_ages(jobs: pd.DataFrame, families: pd.DataFrame) -> pd.DataFrame:
    """Possible production years of units, with their probability and the age at intake.

    Parameters
    ----------
    jobs : DataFrame
        With the columns job, family, built_from, built_to, taken_in.
    families : DataFrame
        With the columns family, kind, first_year, last_year.

    Returns
    -------
    DataFrame
        Columns job, year, weight, age_years; one row per job and possible year, in the order of
        `jobs`. A job whose year is not known, or contradicts the family's span, has one row with
        year and age NaN.

    Raises
    ------
    InvalidInput
        If a column is missing, a job has no date of intake, its family is not in `families`, or a job
        or family occurs twice.
    """
    first, last = production_windows(jobs, families)
    first = np.where(first > last, np.nan, first)
    source, year, weight = spread_years(first, last)
    taken_in = jobs["taken_in"].to_numpy()[source]
    return pd.DataFrame(
        {
            "job": jobs["job"].to_numpy()[source],
            "year": year,
            "weight": weight,
            "age_years": age_at(taken_in, year),
        }
    )


def require_columns(table: str, frame: pd.DataFrame, columns: tuple[str, ...]) -> None:
    """Refuse a frame that lacks a column that is about to be read."""
    missing = [name for name in columns if name not in frame.columns]
    if missing:
        raise InvalidInput(
            f"The table {table} lacks the columns {', '.join(missing)}; "
            f"it has {', '.join(map(str, frame.columns)) or 'none'}."
        )


def require_unique(table: str, keys: pd.Series) -> None:
    """Refuse a table in which a name that others refer to occurs twice."""
    twice = keys.duplicated()
    if twice.any():
        raise InvalidInput(f"The table {table} holds {keys.name} {keys[twice].iloc[0]!r} more than once.")
