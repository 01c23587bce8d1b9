"""The Weibull likelihood of many strata at once: its terms, whether a maximum exists, and the way to it."""

from dataclasses import dataclass
from typing import Any, Protocol, Self

import numpy as np
from numpy.typing import NDArray
from scipy.special import xlog1py, xlogy

from reliability.life.lives import BoolArray, Collapsed, FloatArray, IntArray

# ---- Log-likelihood of partly known Weibull lives, with its slope and curvature, all strata at once
# With ``z = slope * x + level`` the Weibull share failed is ``1 - exp(-exp(z))``, where ``x`` is log
# age, shifted and stretched so that the ages of a stratum run from 0 to 1. Left-censored, right-censored,
# interval-censored and exact lives are all concave in (slope, level) [1]_, [2]_; that is why the fit works
# in these two and not in shape and scale. A mixture over alternatives is not concave.
#
# References
# ----------
# .. [1] J. Burridge (1981), "A note on maximum likelihood estimation for regression models using
#    grouped data", Journal of the Royal Statistical Society B 43, 41-45.
# .. [2] J. F. Lawless (2003), *Statistical Models and Methods for Lifetime Data*, 2nd ed., Wiley.

# From here on exp(z) goes on as its own parabola: it cannot overflow, and Newton's method comes back from
# any distance in one step. No maximum lies out there: a life would have to weigh less than exp(-30).
_Z_LIMIT = 30.0


@dataclass(frozen=True, eq=False)
class Curvature:
    """Value, slope and negative second derivative of the log-likelihood, one entry per stratum."""

    value: FloatArray  # (n_strata,)
    slope: FloatArray  # (n_strata, 2): first derivatives by (slope, level)
    # (n_strata, 3): by (slope, slope), (slope, level), (level, level); and the same as if each record's true
    # alternative were known, never negative definite.
    information: FloatArray
    complete: FloatArray

    def take(self, keep: BoolArray) -> "Curvature":
        """Keep some strata, by a mask."""
        return Curvature(self.value[keep], self.slope[keep], self.information[keep], self.complete[keep])

    def where(self, other_is_meant: BoolArray, other: "Curvature") -> "Curvature":
        """Entries of the other one where the mask is true, else of this one."""
        column = other_is_meant[:, None]
        names = ("slope", "information", "complete")
        rest = (np.where(column, getattr(other, name), getattr(self, name)) for name in names)
        return Curvature(np.where(other_is_meant, other.value, self.value), *rest)


def _hazard(z: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Cumulative hazard exp(z) and its first two derivatives."""
    core, far = np.exp(np.minimum(z, _Z_LIMIT)), np.maximum(z - _Z_LIMIT, 0.0)
    return core * (1.0 + far * (1.0 + 0.5 * far)), core * (1.0 + far), core


def _left_part(z: FloatArray, hazard: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Parts of log(1 - exp(-h)), h = exp(z): its value, its derivative g by z, and h - (1 - g)."""
    # g = h / expm1(h), and minus the second derivative is g times the bracket, which for small h is
    # h / 2 + h^2 / 12: the difference as written would lose all its digits. Far in the young tail, where h
    # underflows, the value is z.
    tiny = z < -30.0
    safe = np.where(tiny, 1.0, hazard)
    odds = 1.0 / np.expm1(safe)  # survivors per failed one
    first = np.where(tiny, 1.0 - 0.5 * hazard, safe * odds)
    bracket = np.where(hazard < 1e-3, hazard * (0.5 + hazard / 12.0), first + hazard - 1.0)
    return np.where(tiny, z - 0.5 * hazard, -np.log1p(odds)), first, bracket


class _Terms:
    """Formulas for rows, sorted into the kinds of censoring."""

    def __init__(self, rows: Collapsed, first_age: FloatArray, spread: FloatArray) -> None:
        origin, stretch = first_age[rows.stratum], spread[rows.stratum]
        with np.errstate(divide="ignore", invalid="ignore"):  # bounds 0 and inf are not used below
            low_x = np.log1p((rows.lower - origin) / origin) / stretch
            high_x = np.log1p((rows.upper - origin) / origin) / stretch
        worked, ended = rows.lower > 0, np.isfinite(rows.upper)
        exact = rows.lower == rows.upper
        self.left = np.flatnonzero(~worked & ended)
        self.right = np.flatnonzero(worked & ~ended)
        self.exact = np.flatnonzero(exact)
        self.between = np.flatnonzero(worked & ended & ~exact)
        self.x = np.where(ended, high_x, np.where(worked, low_x, 0.0))
        lower, upper = rows.lower[self.between], rows.upper[self.between]
        # Half the width straight from the bounds: the difference of two logs would lose narrow ones.
        self.half = 0.5 * np.log1p((upper - lower) / lower) / stretch[self.between]
        self.x[self.between] = low_x[self.between] + self.half
        self.log_density = -np.log(rows.upper[self.exact] * stretch[self.exact])

    def evaluate(self, slope: FloatArray, level: FloatArray, *, only_value: bool = False) -> FloatArray:
        """Value, 2 first and 3 negative second derivatives per row, or these undone; shape (6, n_rows)."""
        x = self.x
        z = slope * x + level
        hazard, by_1, by_2 = _hazard(z)
        out, steep = np.zeros((6, x.size)), slope[self.exact]
        value, by_z, by_z2 = out[0], out[2], out[5]
        value[self.right] = -hazard[self.right]
        value[self.left], first, bracket = _left_part(z[self.left], hazard[self.left])
        value[self.exact] = z[self.exact] - hazard[self.exact] + self.log_density + np.log(steep)
        if self.between.size:
            self._between(slope[self.between], z[self.between], out)
        if only_value:
            return out
        by_z[self.right], by_z2[self.right] = -by_1[self.right], by_2[self.right]
        by_z[self.left], by_z2[self.left] = first, first * bracket
        by_z[self.exact], by_z2[self.exact] = 1.0 - by_1[self.exact], by_2[self.exact]
        # By the chain rule, z = slope * x + level.
        out[1] += by_z * x
        out[4] += by_z2 * x
        out[3] += (out[4] + (out[4] - by_z2 * x)) * x
        out[1, self.exact] += 1.0 / steep
        out[3, self.exact] += steep**-2.0
        return out

    def _between(self, slope: FloatArray, middle: FloatArray, out: FloatArray) -> None:
        """Lives between two ages, by the z of the middle and the half width in z."""
        # Written so that an interval however narrow keeps its digits and tends to the exact life.
        i, half = self.between, self.half
        wide = slope * half
        low, low_1, low_2 = _hazard(middle - wide)
        high = _hazard(middle + wide)[0]
        log_width = middle + wide + np.log(-np.expm1(-2.0 * wide))
        first_value, first, bracket = _left_part(log_width, _hazard(log_width)[0])
        total = high + low
        ratio = first / np.tanh(wide)  # total / expm1(high - low), with neither of them underflowing
        out[0, i] = first_value - low
        out[2, i] = first - low_1
        out[5, i] = first * bracket + low_2
        out[1, i] = (ratio + low_1) * half
        out[4, i] = (ratio * bracket - low_2) * half
        out[3, i] = (ratio * (total + ratio) + low_2 - first) * half**2


class Likelihood:
    """Log-likelihood of every stratum of collapsed records at its own (slope, level).

    Its arrays have the shape (n_strata,): `first_age`, the youngest finite age in years, and `spread`, the
    log of the oldest over the youngest; `steep`, where the slope has to stay above 0 (some life has two known
    ends); `unit`, what differences of log-likelihood are measured by: the number of lives, 1 at most.
    """

    def __init__(self, data: Collapsed, known: tuple[Any, ...] | None = None) -> None:
        self.data, self.n_strata = data, data.strata.size
        self.first_age, self.spread, self.steep, self.unit = known or _by_strata(data)
        self._terms = _Terms(data, self.first_age, self.spread)
        self.x = self._terms.x  # (n_rows,): the standardised log age that stands for each row
        self._stratum, self._count = data.stratum[data.start], data.count[data.start]
        # Records with alternatives: which, their rows, and where each begins among these.
        self._mixed, length = np.flatnonzero(data.length > 1), data.length
        self._rows = np.flatnonzero(np.repeat(length > 1, length))
        length = length[self._mixed]
        self._start, self._record = np.cumsum(length) - length, np.repeat(np.arange(length.size), length)
        self._log_weight = np.log(data.weight[self._rows])

    def take(self, keep: BoolArray | IntArray) -> "Likelihood":
        """Keep some strata, by a mask or by their positions."""
        known = tuple(each[keep] for each in (self.first_age, self.spread, self.steep, self.unit))
        return Likelihood(self.data.take(keep), known)

    def evaluate(self, slope: FloatArray, level: FloatArray) -> Curvature:
        """Evaluate all strata."""
        data = self.data
        with np.errstate(over="ignore", under="ignore", divide="ignore", invalid="ignore"):
            terms = self._terms.evaluate(slope[data.stratum], level[data.stratum])
            if not self._mixed.size:
                sums = self._by_stratum(terms)
                return Curvature(sums[0], sums[1:3].T, sums[3:].T, sums[3:].T)
            found = np.take(terms, data.start, axis=1)
            known = found[3:].copy()
            found[:, self._mixed], known[:, self._mixed] = self._mixture(np.take(terms, self._rows, axis=1))
            sums = self._by_stratum(found)
            return Curvature(sums[0], sums[1:3].T, sums[3:].T, self._by_stratum(known).T)

    def values(self, slope: FloatArray, level: FloatArray) -> FloatArray:
        """Only the value of each stratum, as in `evaluate`; shape (n_strata,)."""
        data = self.data
        with np.errstate(over="ignore", under="ignore", divide="ignore", invalid="ignore"):
            value = self._terms.evaluate(slope[data.stratum], level[data.stratum], only_value=True)[0]
            found = value[data.start]
            if self._mixed.size:
                found[self._mixed] = self._added_up(value[self._rows])[0]
        return self._by_stratum(found[None])[0]

    def _by_stratum(self, values: FloatArray) -> FloatArray:
        """Add up each row of values of records (k, n_records)."""
        return np.vstack([_sum(row, self._stratum, self.n_strata) for row in values * self._count])

    def jumps(self, place: FloatArray | None = None, share: float = 0.0) -> FloatArray:
        """Value of the best jump, if a place is given with this share failed there; -inf for single lives."""
        # There jumps could be worth anything only if there were no maximum.
        value, mixed, age = np.full(self.n_strata, -np.inf), self.data.has_mixture, None
        if mixed.any():
            if place is not None:
                with np.errstate(over="ignore"):  # an age beyond all numbers is beyond all jumps
                    age = self.first_age[mixed] * np.exp(place[mixed] * self.spread[mixed])
            value[mixed] = steep_limit(self.data.take(mixed), age, share)
        return value

    def _added_up(self, value: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Log-likelihood of each record with alternatives, and the posterior share of each of them."""
        joint = value + self._log_weight
        top = np.maximum.reduceat(joint, self._start)
        share = np.exp(joint - top[self._record])
        total = np.add.reduceat(share, self._start)
        return top + np.log(total), share / total[self._record]

    def _mixture(self, terms: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Terms of records with alternatives; also their information if the true ones were known."""
        value, share = self._added_up(terms[0])
        first = np.add.reduceat(share * terms[1:3], self._start, axis=1)
        known = np.add.reduceat(share * terms[3:], self._start, axis=1)
        # Not knowing which alternative is true takes away the spread of the alternatives' slopes.
        apart = terms[1:3] - np.take(first, self._record, axis=1)
        lost = np.add.reduceat(share * apart[[0, 0, 1]] * apart[[0, 1, 1]], self._start, axis=1)
        return np.vstack((value, first, known - lost)), known


def _by_strata(rows: Collapsed) -> tuple[FloatArray, FloatArray, BoolArray, FloatArray]:
    """First ages, spreads, steep ones and units of `Likelihood`; 1 where there is no age to measure."""
    n = rows.strata.size
    first, last, steep = np.full(n, np.inf), np.zeros(n), np.zeros(n, dtype=bool)
    steep[rows.stratum[(rows.lower > 0) & np.isfinite(rows.upper)]] = True
    lives = _sum(rows.count * rows.weight, rows.stratum, n)
    for bound in (rows.lower, rows.upper):
        known = (bound > 0) & np.isfinite(bound)
        np.minimum.at(first, rows.stratum[known], bound[known])
        np.maximum.at(last, rows.stratum[known], bound[known])
    first = np.where(np.isfinite(first), first, 1.0)
    spread = np.log1p((np.maximum(last, first) - first) / first)
    return first, np.where(spread > 0, spread, 1.0), steep, np.minimum(lives, 1.0)


# ---- Which strata have a finite most likely Weibull life, and what the others do tell
# A stratum of single lives has one if and only if
#
# 1. no single age lies in all of its closed intervals (else an ever steeper curve at that age fits ever
#    better or equally well), and
# 2. some life has two known ends, or the count-weighted mean log age of the failed is above that of the
#    sound (else an ever flatter curve does). The second half is the slope of the log-likelihood at shape 0.
#
# Both follow from the concavity of the log-likelihood; compare M. J. Silvapulle and J. Burridge (1986),
# "Existence of maximum likelihood estimates in regression models for grouped and ungrouped data",
# Journal of the Royal Statistical Society B 48, 100-106. Where records have alternatives the likelihood
# is not concave, and the maximum that was found has to beat the best of the steep and of the flat curves.

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


def examine(data: Collapsed) -> dict[str, NDArray[Any]]:
    """Judge every stratum by the rules above: fields of `WeibullFit` that are known before any fit.

    The status is "ok" also where a mixture still has to beat `steep_limit` and `flat_limit`.
    """
    n_strata, stratum = data.strata.size, data.stratum[data.start]
    worth, ended = data.count * data.weight, np.isfinite(data.upper)
    failed, sound = (_sum(worth * of, data.stratum, n_strata) for of in (ended, ~ended))
    last_worked, first_ended = np.zeros(n_strata), np.full(n_strata, np.inf)
    if len(data):
        np.maximum.at(last_worked, stratum, np.minimum.reduceat(data.lower, data.start))
        np.minimum.at(first_ended, stratum, np.maximum.reduceat(data.upper, data.start))
    status = np.full(n_strata, OK, dtype=object)
    status[~_shows_ageing(data) & ~data.has_mixture] = NO_AGEING
    status[(last_worked <= first_ended * (1 + _SAME_AGE)) & ~data.has_mixture] = ONE_AGE
    status[(sound == 0) & (last_worked == 0)] = ALL_FAILED
    status[failed == 0] = NO_FAILURES
    none = failed + sound == 0
    status[none] = NO_RECORDS
    low, high = np.minimum(last_worked, first_ended), np.maximum(last_worked, first_ended)
    low[none] = high[none] = np.nan
    known = {"status": status, "n_failed": failed, "n_sound": sound}
    return {**known, "bracket_low": low, "bracket_high": high}


def _sum(values: FloatArray | BoolArray, stratum: IntArray, n_strata: int) -> FloatArray:
    return np.asarray(np.bincount(stratum, values, minlength=n_strata), dtype=np.float64)


def _shows_ageing(rows: Collapsed) -> BoolArray:
    """Rule 2, for single lives; the log ages are taken from the stratum's first row."""
    n_strata = rows.strata.size
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


def flat_limit(
    data: Collapsed, lowest: FloatArray | float = 0.0, highest: FloatArray | float = 1.0
) -> FloatArray:
    """Log-likelihood of the best curve that does not depend on age (shape towards 0)."""
    n_strata = data.strata.size
    low, high = (np.broadcast_to(end, n_strata).astype(float) for end in (lowest, highest))
    worked, ended = data.lower > 0, np.isfinite(data.upper)
    failed, sound = (_sum(data.count * of, data.stratum, n_strata) for of in (ended, ~ended))
    share = np.clip(failed / np.maximum(failed + sound, 1e-300), low, high)
    value = xlogy(failed, share) + xlog1py(sound, -share)
    value[data.stratum[worked & ended]] = -np.inf
    mixed = data.has_mixture
    if mixed.any():
        rows = data.take(mixed)
        count, stratum = rows.count[rows.start], rows.stratum[rows.start]
        worked, ended = rows.lower > 0, np.isfinite(rows.upper)
        right, left, free = worked & ~ended, ~worked & ended, ~worked & ~ended
        fixed = _sum(rows.weight * (right | free), rows.record, count.size)
        rising = _sum(rows.weight * (left * 1.0 - right), rows.record, count.size)
        value[mixed] = best_share(fixed, rising, count, stratum, low[mixed], high[mixed])
    return np.asarray(value, dtype=np.float64)


def steep_limit(data: Collapsed, at_age: FloatArray | None = None, share: float = 0.0) -> FloatArray:
    """Log-likelihood of the best curve that jumps at one age (shape towards infinity)."""
    age, stratum = _candidates(data)
    bounds = np.repeat([[0.0], [1.0]], age.size, axis=1)
    if at_age is not None:
        side = age / at_age[stratum] - 1.0
        same = np.abs(side) < 1e-12
        allowed = same | ((side > 0) if share == 0 else (side < 0))
        bounds[:, same] = share
        age, stratum, bounds = age[allowed], stratum[allowed], bounds[:, allowed]
    best = np.full(data.strata.size, -np.inf)
    if not age.size:
        return best
    n_rows = np.bincount(data.stratum, minlength=data.strata.size)
    first_row = np.cumsum(n_rows) - n_rows
    ends = np.cumsum(n_rows[stratum])
    cuts = np.searchsorted(ends, np.arange(_PAIRS_AT_ONCE, ends[-1], _PAIRS_AT_ONCE))
    for part in np.split(np.arange(age.size), cuts):
        own = stratum[part]
        np.maximum.at(best, own, _jump(data, age[part], first_row[own], n_rows[own], bounds[:, part]))
    return best


def _candidates(rows: Collapsed) -> tuple[FloatArray, IntArray]:
    """Ages at which a jump could agree with every record of its stratum, and those strata."""
    low, high = np.zeros(rows.strata.size), np.full(rows.strata.size, np.inf)
    np.maximum.at(low, rows.stratum[rows.start], np.minimum.reduceat(rows.lower, rows.start))
    np.minimum.at(high, rows.stratum[rows.start], np.maximum.reduceat(rows.upper, rows.start))
    age, stratum = np.concatenate((rows.lower, rows.upper)), np.tile(rows.stratum, 2)
    inside = (age > 0) & np.isfinite(age) & (age >= low[stratum]) & (age <= high[stratum])
    age, stratum = age[inside], stratum[inside]
    order = np.lexsort((age, stratum))
    age, stratum = age[order], stratum[order]
    fresh = np.append(True, (np.diff(age) != 0) | (np.diff(stratum) != 0))[: age.size]
    return age[fresh], stratum[fresh]


def _jump(
    rows: Collapsed, age: FloatArray, first_row: IntArray, n_rows: IntArray, bounds: FloatArray
) -> FloatArray:
    """Best log-likelihood of a jump at each age, over the share that has failed right at it."""
    candidate = np.repeat(np.arange(age.size), n_rows)
    row = np.arange(candidate.size) - np.repeat(np.cumsum(n_rows) - n_rows - first_row, n_rows)
    at, lower, upper, weight = age[candidate], rows.lower[row], rows.upper[row], rows.weight[row]
    exact = lower == upper
    inside = (lower < at) & (at < upper)
    key, pair = np.unique(candidate * rows.start.size + rows.record[row], return_inverse=True)
    group, record = np.divmod(key, rows.start.size)
    fixed = _sum(weight * (inside | ((lower == at) & ~exact)), pair, key.size)
    rising = _sum(weight * ((upper == at) * 1.0 - (lower == at)) * ~exact, pair, key.size)
    value = best_share(fixed, rising, rows.count[rows.start][record], group, *bounds)
    # Density at a witnessed life grows without end, as long as nobody contradicts that age.
    touched = _sum((lower <= at) & (at <= upper), pair, key.size) > 0
    agreed = _sum(~touched, group, age.size) == 0
    witnessed = _sum(exact & (lower == at), candidate, age.size) > 0
    return np.where(agreed & witnessed, np.inf, value)


def best_share(
    fixed: FloatArray, rising: FloatArray, count: FloatArray, group: IntArray, *ends: FloatArray
) -> FloatArray:
    """Largest value, over p between two ends, of a group's sum of ``count * log(fixed + rising * p)``."""
    (low, high), n_groups = ends, ends[0].size
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


# ---- Damped Newton ascent to the maximum of many two-parameter log-likelihoods at once

# A step that promises less than this much log-likelihood (times the `unit`) ends the ascent; the error of a
# Newton step is of second order, so what is left after it is far below the rounding of the sums.
_GAIN_LEFT = 1e-11
_MOST_ROUNDS = 400
# Strata that have arrived are dropped when no more than this share is left: that costs as much as a round.
FEW = 0.7


class _Surface(Protocol):
    """One function of two coordinates per stratum, to be climbed."""

    @property
    def steep(self) -> BoolArray: ...  # strata whose first coordinate has to stay above 0

    @property
    def unit(self) -> FloatArray: ...  # what differences of the function are measured by, at most 1

    def evaluate(self, first: FloatArray, second: FloatArray, /) -> Curvature: ...

    def take(self, keep: BoolArray, /) -> Self: ...


@dataclass(frozen=True, eq=False)
class Peak:
    """Where the ascent ended; every array has shape (n_strata,) but `information`, (n_strata, 3)."""

    slope: FloatArray
    level: FloatArray
    value: FloatArray
    information: FloatArray
    converged: BoolArray

    def take(self, keep: BoolArray | IntArray) -> "Peak":
        """Keep some strata, by a mask or by their positions."""
        return Peak(*(getattr(self, name)[keep] for name in Peak.__dataclass_fields__))

    def variance(self, by_slope: FloatArray | float, by_level: FloatArray | float) -> FloatArray:
        """Estimate the variance of a number with these derivatives."""
        ss, sl, ll = self.information.T
        spread = ll * by_slope**2 - 2 * sl * by_slope * by_level + ss * by_level**2
        return np.asarray(spread / (ss * ll - sl**2))


def climb(surface: _Surface, slope: FloatArray, level: FloatArray) -> Peak:
    """Go uphill from (slope, level) in every stratum until nothing is left to gain.

    Each round tries one step in every stratum; a step that loses ground is cut to a quarter in the next
    round. Strata do not influence each other.
    """
    who, n = np.arange(slope.size), slope.size
    here = np.column_stack((slope, level)).astype(float)
    nowhere, flat, none = np.full(n, -np.inf), np.zeros((n, 3)), np.zeros(n, dtype=bool)
    peak = Peak(here[:, 0].copy(), here[:, 1].copy(), nowhere, flat, none)
    if not n:
        return peak
    now = surface.evaluate(*here.T)
    step, gain = newton_step(now, _lowest(here[:, 0], surface.steep))
    step, factor, going = _within_reach(here, step), np.ones(n), np.ones(n, dtype=bool)
    for _ in range(_MOST_ROUNDS):
        arrived = going & (gain < _GAIN_LEFT * surface.unit)
        if arrived.any():
            done = who[arrived]
            peak.slope[done], peak.level[done] = (here + factor[:, None] * step)[arrived].T
            peak.value[done], peak.information[done] = now.value[arrived], now.information[arrived]
            peak.converged[done] = True
        going &= ~arrived & (factor > 1e-14)
        if not going.any():
            break
        if going.sum() < FEW * going.size:
            who, here, step, gain, factor = who[going], here[going], step[going], gain[going], factor[going]
            surface, now, going = surface.take(going), now.take(going), going[going]
        there = here + step * factor[:, None]
        then = surface.evaluate(*there.T)
        with np.errstate(invalid="ignore"):  # a step out of range gives NaN and is not taken
            slack = 1e-13 * (surface.unit + np.abs(now.value))
            hoped = factor * (step * now.slope).sum(axis=1)
            better = then.value >= now.value + 1e-4 * hoped - slack
        here = np.where(better[:, None], there, here)
        now = now.where(better, then)
        new_step, new_gain = newton_step(now, _lowest(here[:, 0], surface.steep))
        step = np.where(better[:, None], _within_reach(here, new_step), step)
        gain = np.where(better, new_gain, gain)
        factor = np.where(better, 1.0, 0.25 * factor)
    return peak


def newton_step(at: Curvature, lowest: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Newton step of every stratum and the gain that it promises."""
    # To the top of a parabola, under the condition that the first coordinate changes by `lowest` or more.
    # Where the curvature points the wrong way (only mixtures), that of the completed records takes its
    # place: an ascent direction always.
    bent = _determinant(at.information) > 1e-13 * at.information[:, 0] * at.information[:, 2]
    curve = np.where((bent & (at.information[:, 0] > 0))[:, None], at.information, at.complete)
    # A ridge of relative size 1e-13 leaves steps alone but keeps a flat direction from dividing by 0.
    ss, sl, ll = curve[:, 0] * (1 + 1e-13) + 1e-120, curve[:, 1], curve[:, 2] * (1 + 1e-13) + 1e-120
    g0, g1 = at.slope.T
    first = np.maximum((ll * g0 - sl * g1) / (ss * ll - sl**2), lowest)
    second = (g1 - sl * first) / ll
    gain = first * (g0 - 0.5 * ss * first - sl * second) + second * (g1 - 0.5 * ll * second)
    return np.column_stack((first, second)), gain


def _determinant(information: FloatArray) -> FloatArray:
    return np.asarray(information[:, 0] * information[:, 2] - information[:, 1] ** 2)


def _lowest(first: FloatArray, steep: BoolArray) -> FloatArray:
    """Change that leaves a coordinate that must stay above 0 at a tenth of its size."""
    return np.where(steep, -0.9 * first, -np.inf)


def _within_reach(here: FloatArray, step: FloatArray) -> FloatArray:
    """Cut a step to some ten times the distance already covered: on a plateau it would be far too long."""
    reach = 10.0 * (1.0 + np.abs(here).max(axis=1))
    size = np.abs(step).max(axis=1)
    return step * np.where(size > reach, reach / np.maximum(size, reach), 1.0)[:, None]


# ---- Climbs from several places, for likelihoods that may have several maxima (records with alternatives)

# Slopes of curves, at how many places on the axis of x where 63 % have failed (0 youngest bound, 1 oldest),
# and in strata of how many records at most. The steeper the curve, the closer together the places where it
# may find a hill of its own; among many records, which contradict one another there, it finds none.
_STARTS = ((0.7, 15, np.inf), (4.0, 29, np.inf), (20.0, 57, 12), (60.0, 113, 12), (150.0, 225, 12))
_STRATA_AT_ONCE = 2000


def best_of_many(likelihood: Likelihood, usual: Peak) -> Peak:
    """Find the highest maximum with a slope above 0, also from the best place on each of some slopes."""
    best = usual.take(np.arange(usual.slope.size))
    best.value[~(usual.converged & (usual.slope > 0))] = -np.inf
    data = likelihood.data
    n_records = np.bincount(data.stratum[data.start], minlength=best.slope.size)
    for steepness, n_places, most in _STARTS:
        wanted = np.flatnonzero(n_records <= most)
        for part in np.split(wanted, range(_STRATA_AT_ONCE, wanted.size, _STRATA_AT_ONCE)):
            some, slope = likelihood.take(part), np.full(part.size, steepness)
            middles = np.linspace(-0.1, 1.3, n_places)
            values = np.array([some.values(slope, -slope * middle) for middle in middles])
            top = np.argmax(np.where(np.isnan(values), -np.inf, values), axis=0)
            peak = climb(some, slope, -slope * middles[top])
            higher = peak.converged & (peak.slope > 0) & (peak.value > best.value[part])
            put(best, part[higher], peak.take(higher))
    best.converged[:] = np.isfinite(best.value)
    return best


def put(into: Peak, where: BoolArray | IntArray, peak: Peak) -> None:
    """Write the peaks of some strata, by a mask or by their positions, into those of all."""
    for name in Peak.__dataclass_fields__:
        getattr(into, name)[where] = getattr(peak, name)


# ---- From what is known of each stratum to its maximum, and the status that says whether there is one

_USUAL_START = 3.0
# A maximum that beats a limiting curve by less than this does not beat it.
_BEATS_BY = 1e-9
# A scale beyond exp(690) years is no number any more: the curve is flat over every age there is.
_LOG_SCALE_LIMIT = 690.0


def find_peaks(data: Collapsed) -> tuple[dict[str, NDArray[Any]], Peak, Likelihood]:
    """Tell what is known of all strata, and the maximum and the likelihood of those that have one ("ok")."""
    known = examine(data)
    status = known["status"]
    steep = np.full(status.size, -np.inf)
    mixed = (status == OK) & data.has_mixture
    if mixed.any():
        steep[mixed] = steep_limit(data.take(mixed))
        status[np.isposinf(steep)] = ONE_AGE  # no use to climb a hill without a top
    candidate = status == OK
    likelihood = Likelihood(data.take(candidate))
    n, rows = likelihood.n_strata, likelihood.data
    worth = rows.count * rows.weight
    failed = _sum(worth * np.isfinite(rows.upper), rows.stratum, n)
    hazard = _sum(worth * np.exp(_USUAL_START * likelihood.x), rows.stratum, n)
    # All begin with one slope, and the level at which their hazards add up to the number of failed.
    peak = climb(likelihood, np.full(n, _USUAL_START), np.log(failed / hazard))
    mixed = data.has_mixture[candidate]
    outcome = np.where(peak.converged, OK, NOT_FOUND).astype(object)
    if mixed.any():
        part = likelihood.take(mixed)
        best = best_of_many(part, peak.take(mixed))
        put(peak, mixed, best)
        # A maximum has to beat both limits, and one that is beaten is no maximum.
        flat, jump = flat_limit(part.data), steep[candidate][mixed]
        value = np.where(best.converged, best.value, -np.inf)
        beaten = value <= np.maximum(jump, flat) + _BEATS_BY * part.unit
        judged = np.where(best.converged, OK, NOT_FOUND).astype(object)
        judged[beaten & (flat > -np.inf)] = NO_AGEING
        judged[beaten & (jump >= flat) & (jump > -np.inf)] = ONE_AGE
        outcome[mixed] = judged
    with np.errstate(all="ignore"):  # of those without a maximum anything may come
        log_scale = np.log(likelihood.first_age) - peak.level * likelihood.spread / peak.slope
        outcome[(outcome == OK) & ~(np.abs(log_scale) < _LOG_SCALE_LIMIT)] = NO_AGEING
    status[candidate] = outcome
    ok = outcome == OK
    return known, peak.take(ok), likelihood if ok.all() else likelihood.take(ok)
