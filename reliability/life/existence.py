"""Which strata have a finite most likely Weibull life, and what the others do tell.

A stratum of single lives has one if and only if

1. no single age lies in all of its closed intervals (else an ever steeper curve at that age fits ever
   better or equally well), and
2. some life has two known ends, or the count-weighted mean log age of the failed is above that of the
   sound (else an ever flatter curve does). The second half is the slope of the log-likelihood at shape 0.

Both follow from the concavity of the log-likelihood; compare M. J. Silvapulle and J. Burridge (1986),
"Existence of maximum likelihood estimates in regression models for grouped and ungrouped data",
Journal of the Royal Statistical Society B 48, 100-106. Where records have alternatives the likelihood
is not concave, and the maximum that was found has to beat the best of the steep and of the flat curves.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import xlog1py, xlogy

from reliability.life.collapse import Collapsed, Rows
from reliability.life.life_records import BoolArray, FloatArray, IntArray

OK = "ok"
NO_RECORDS = "no records"
NO_FAILURES = "no failures"
ALL_FAILED = "all failed"
ONE_AGE = "one age fits all"
NO_AGEING = "no ageing visible"
NOT_FOUND = "not found"

# Means of ages between 0 and 1 agree to about 1e-15; a difference below this is rounding.
_SAME_MEAN = 1e-13
# Sums and differences of months, in years, agree to about 1e-15; no record tells a millisecond.
_SAME_AGE = 1e-12
_PAIRS_AT_ONCE = 4_000_000


@dataclass(frozen=True, eq=False)
class Knowledge:
    """What can be said of each stratum before anything is fitted; arrays of shape (n_strata,).

    Attributes
    ----------
    status : ndarray of object
        "ok" also where a mixture still has to beat `steep_limit` and `flat_limit`.
    n_failed, n_sound : ndarray
        Counts of lives with a known end and without one.
    bracket_low, bracket_high : ndarray
        Ages in years; see `WeibullFit`. NaN without records.
    has_mixture : ndarray of bool
    """

    status: NDArray[np.object_]
    n_failed: FloatArray
    n_sound: FloatArray
    bracket_low: FloatArray
    bracket_high: FloatArray
    has_mixture: BoolArray


def examine(data: Collapsed) -> Knowledge:
    """Judge every stratum by the rules above.

    Parameters
    ----------
    data : Collapsed

    Returns
    -------
    Knowledge
    """
    n_strata = data.strata.size
    failed, sound = np.zeros(n_strata), np.zeros(n_strata)
    last_worked, first_ended = np.zeros(n_strata), np.full(n_strata, np.inf)
    has_mixture = np.zeros(n_strata, dtype=bool)
    has_mixture[data.mixed.stratum] = True
    for rows in (data.single, data.mixed):
        worth, ended = rows.count * rows.weight, np.isfinite(rows.upper)
        failed += _sum(worth * ended, rows.stratum, n_strata)
        sound += _sum(worth * ~ended, rows.stratum, n_strata)
        if len(rows):
            stratum = rows.stratum[rows.start]
            np.maximum.at(last_worked, stratum, np.minimum.reduceat(rows.lower, rows.start))
            np.minimum.at(first_ended, stratum, np.maximum.reduceat(rows.upper, rows.start))
    status = np.full(n_strata, OK, dtype=object)
    status[~_shows_ageing(data.single, n_strata) & ~has_mixture] = NO_AGEING
    status[(last_worked <= first_ended * (1 + _SAME_AGE)) & ~has_mixture] = ONE_AGE
    status[(sound == 0) & (last_worked == 0)] = ALL_FAILED
    status[failed == 0] = NO_FAILURES
    none = failed + sound == 0
    status[none] = NO_RECORDS
    low, high = np.minimum(last_worked, first_ended), np.maximum(last_worked, first_ended)
    low[none] = high[none] = np.nan
    return Knowledge(status, failed, sound, low, high, has_mixture)


def _sum(values: FloatArray | BoolArray, stratum: IntArray, n_strata: int) -> FloatArray:
    return np.asarray(np.bincount(stratum, values, minlength=n_strata), dtype=np.float64)


def _shows_ageing(rows: Rows, n_strata: int) -> BoolArray:
    """Rule 2, for single lives; the log ages are taken from the stratum's first row."""
    shows = np.zeros(n_strata, dtype=bool)
    ended = np.isfinite(rows.upper)
    shows[rows.stratum[ended & (rows.lower > 0)]] = True
    age = np.where(ended, rows.upper, rows.lower)
    first, last = np.full(n_strata, np.inf), np.zeros(n_strata)
    np.minimum.at(first, rows.stratum, age)
    np.maximum.at(last, rows.stratum, age)
    start = first[rows.stratum]
    with np.errstate(divide="ignore", invalid="ignore"):  # strata with one age or one kind of record
        place = np.log1p((age - start) / start) / np.log1p((last - first) / first)[rows.stratum]
        mean_failed = _mean(place, rows.count * ended, rows.stratum, n_strata)
        mean_sound = _mean(place, rows.count * ~ended, rows.stratum, n_strata)
        shows |= mean_failed - mean_sound > _SAME_MEAN
    return shows


def _mean(values: FloatArray, count: FloatArray, stratum: IntArray, n_strata: int) -> FloatArray:
    return np.asarray(_sum(values * count, stratum, n_strata) / _sum(count, stratum, n_strata))


@dataclass(frozen=True, eq=False)
class _Alternatives:
    """Rows of all records of some strata, single or not, in the order of (stratum, record)."""

    stratum: IntArray
    record: IntArray
    lower: FloatArray
    upper: FloatArray
    weight: FloatArray
    count: FloatArray  # by record
    record_stratum: IntArray


def _alternatives(data: Collapsed) -> _Alternatives:
    single, mixed = data.single, data.mixed
    stratum = np.concatenate((single.stratum, mixed.stratum))
    length = np.diff(np.append(mixed.start, len(mixed)))
    record = np.concatenate((np.arange(len(single)), len(single) + np.repeat(np.arange(length.size), length)))
    order = np.lexsort((record, stratum))
    columns = {
        name: np.concatenate((getattr(single, name), getattr(mixed, name)))[order]
        for name in ("lower", "upper", "weight")
    }
    _, start, renumbered = np.unique(stratum[order] * record.size + record[order], True, True)
    count = np.concatenate((single.count, mixed.count))[order][start]
    return _Alternatives(
        stratum=stratum[order],
        record=renumbered,
        count=count,
        record_stratum=stratum[order][start],
        **columns,
    )


def flat_limit(
    data: Collapsed, lowest: FloatArray | float = 0.0, highest: FloatArray | float = 1.0
) -> FloatArray:
    """Log-likelihood of the best curve that does not depend on age (shape towards 0).

    Parameters
    ----------
    data : Collapsed
    lowest, highest : float or ndarray, shape (n_strata,)
        Range of the share failed that is searched.

    Returns
    -------
    ndarray, shape (n_strata,)
        ``-inf`` where some life has two known ends in all of its alternatives.
    """
    n_strata = data.strata.size
    low, high = (np.broadcast_to(end, n_strata).astype(float) for end in (lowest, highest))
    worked, ended = data.single.lower > 0, np.isfinite(data.single.upper)
    failed, sound = (
        _sum(data.single.count * part, data.single.stratum, n_strata) for part in (ended, ~ended)
    )
    share = np.clip(failed / np.maximum(failed + sound, 1e-300), low, high)
    value = xlogy(failed, share) + xlog1py(sound, -share)
    value[data.single.stratum[worked & ended]] = -np.inf
    mixed = np.zeros(n_strata, dtype=bool)
    mixed[data.mixed.stratum] = True
    if mixed.any():
        rows = _alternatives(data.take(mixed))
        worked, ended = rows.lower > 0, np.isfinite(rows.upper)
        right, left, free = worked & ~ended, ~worked & ended, ~worked & ~ended
        n_records = rows.count.size
        fixed = _sum(rows.weight * (right | free), rows.record, n_records)
        rising = _sum(rows.weight * (left * 1.0 - right), rows.record, n_records)
        own = (rows.record_stratum, int(mixed.sum()), low[mixed], high[mixed])
        value[mixed] = best_share(fixed, rising, rows.count, *own)
    return np.asarray(value, dtype=np.float64)


def steep_limit(data: Collapsed, at_age: FloatArray | None = None, share: float = 0.0) -> FloatArray:
    """Log-likelihood of the best curve that jumps at one age (shape towards infinity).

    Parameters
    ----------
    data : Collapsed
    at_age : ndarray, shape (n_strata,), optional
        Only curves with the share failed by this age are looked at.
    share : float
        0 or 1.

    Returns
    -------
    ndarray, shape (n_strata,)
        ``inf`` where a witnessed life lies at an age that all other records allow; ``-inf`` where
        no age is allowed by all records.
    """
    rows = _alternatives(data)
    age, stratum = _candidates(rows, data.strata.size)
    lowest, highest = np.zeros(age.size), np.ones(age.size)
    if at_age is not None:
        side = age / at_age[stratum] - 1.0
        same = np.abs(side) < 1e-12
        allowed = same | ((side > 0) if share == 0 else (side < 0))
        lowest[same] = highest[same] = share
        age, stratum, lowest, highest = age[allowed], stratum[allowed], lowest[allowed], highest[allowed]
    best = np.full(data.strata.size, -np.inf)
    if not age.size:
        return best
    n_rows = np.bincount(rows.stratum, minlength=data.strata.size)
    first_row = np.cumsum(n_rows) - n_rows
    ends = np.cumsum(n_rows[stratum])
    cuts = np.searchsorted(ends, np.arange(_PAIRS_AT_ONCE, ends[-1], _PAIRS_AT_ONCE))
    for part in np.split(np.arange(age.size), cuts):
        own = stratum[part]
        value = _jump(rows, age[part], first_row[own], n_rows[own], lowest[part], highest[part])
        np.maximum.at(best, stratum[part], value)
    return best


def _candidates(rows: _Alternatives, n_strata: int) -> tuple[FloatArray, IntArray]:
    """Ages at which a jump could agree with every record of its stratum, and those strata."""
    record_low = np.full(rows.count.size, np.inf)
    record_high = np.zeros(rows.count.size)
    np.minimum.at(record_low, rows.record, rows.lower)
    np.maximum.at(record_high, rows.record, rows.upper)
    low, high = np.zeros(n_strata), np.full(n_strata, np.inf)
    np.maximum.at(low, rows.record_stratum, record_low)
    np.minimum.at(high, rows.record_stratum, record_high)
    age, stratum = np.concatenate((rows.lower, rows.upper)), np.tile(rows.stratum, 2)
    inside = (age > 0) & np.isfinite(age) & (age >= low[stratum]) & (age <= high[stratum])
    age, stratum = age[inside], stratum[inside]
    order = np.lexsort((age, stratum))
    age, stratum = age[order], stratum[order]
    fresh = np.append(True, (np.diff(age) != 0) | (np.diff(stratum) != 0))[: age.size]
    return age[fresh], stratum[fresh]


def _jump(
    rows: _Alternatives,
    age: FloatArray,
    first_row: IntArray,
    n_rows: IntArray,
    lowest: FloatArray,
    highest: FloatArray,
) -> FloatArray:
    """Best log-likelihood of a jump at each age, over the share that has failed right at it."""
    candidate = np.repeat(np.arange(age.size), n_rows)
    row = np.arange(candidate.size) - np.repeat(np.cumsum(n_rows) - n_rows - first_row, n_rows)
    at, lower, upper, weight = age[candidate], rows.lower[row], rows.upper[row], rows.weight[row]
    exact = lower == upper
    inside = (lower < at) & (at < upper)
    key, pair = np.unique(candidate * rows.count.size + rows.record[row], return_inverse=True)
    record, group = key % rows.count.size, key // rows.count.size
    fixed = _sum(weight * (inside | ((lower == at) & ~exact)), pair, key.size)
    rising = _sum(weight * ((upper == at) * 1.0 - (lower == at)) * ~exact, pair, key.size)
    value = best_share(fixed, rising, rows.count[record], group, age.size, lowest, highest)
    # Density at a witnessed life grows without end, as long as nobody contradicts that age.
    touched = _sum((lower <= at) & (at <= upper), pair, key.size) > 0
    agreed = _sum(~touched, group, age.size) == 0
    witnessed = _sum(exact & (lower == at), candidate, age.size) > 0
    return np.where(agreed & witnessed, np.inf, value)


def best_share(
    fixed: FloatArray,
    rising: FloatArray,
    count: FloatArray,
    group: IntArray,
    n_groups: int,
    lowest: FloatArray | float = 0.0,
    highest: FloatArray | float = 1.0,
) -> FloatArray:
    """Largest value over p of the sum over a group of ``count * log(fixed + rising * p)``.

    Parameters
    ----------
    fixed, rising, count, group : ndarray, shape (n_terms,)
    n_groups : int
    lowest, highest : float or ndarray, shape (n_groups,)
        Range of p, within [0, 1].

    Returns
    -------
    ndarray, shape (n_groups,)
    """
    low, high = (np.broadcast_to(end, n_groups).astype(float) for end in (lowest, highest))
    ends = low, high
    with np.errstate(divide="ignore", invalid="ignore"):  # a term of 0 counts as minus infinity
        for _ in range(60):
            middle = 0.5 * (low + high)
            climbs = _sum(count * rising / (fixed + rising * middle[group]), group, n_groups) > 0
            low, high = np.where(climbs, middle, low), np.where(climbs, high, middle)
        best = np.full(n_groups, -np.inf)
        for share in (*ends, 0.5 * (low + high)):
            inside = np.maximum(fixed + rising * share[group], 0.0)
            np.maximum(best, _sum(count * np.log(inside), group, n_groups), out=best)
    return best
