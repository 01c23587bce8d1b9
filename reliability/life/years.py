"""Does the production year matter? A slope, or one year from which on lives changed; for many families."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.optimize import isotonic_regression
from scipy.special import expit, logit, xlogy
from scipy.stats import chi2

from reliability.errors import InvalidInput
from reliability.life.curves import fit_curve
from reliability.life.lives import BoolArray, FloatArray, IntArray, LifeRecords
from reliability.life.weibull import weibull_fits

# ---- Records whose year of production is known, as the cohort analyses need them


# Above this, age and year of production say the same, and no method can tell which of them matters.
TOO_CORRELATED = 0.95
CONFOUNDED = "cannot tell ageing from vintage"


@dataclass(frozen=True, eq=False)
class DatedRecords:
    """Records of one stratum with a known year.

    Attributes
    ----------
    lower, upper, count : ndarray of float64, shape (n,)
        As in `LifeRecords`.
    year : ndarray of float64, shape (n,)
        Year of production or fitting.
    age_years : ndarray of float64, shape (n,)
        Age at inspection.
    rows : ndarray of int64, shape (n,)
        Their positions among the records that were given.
    n_left_out : float
        Weighed number of records whose year is not known.
    correlation : float
        Of age at inspection and year; NaN if all ages or all years are equal.
    """

    lower: FloatArray
    upper: FloatArray
    count: FloatArray
    year: FloatArray
    age_years: FloatArray
    rows: IntArray
    n_left_out: float
    correlation: float

    @property
    def failed(self) -> BoolArray:
        """Whether each part had failed when it was inspected; ndarray of bool, shape (n,)."""
        return np.isfinite(self.upper)

    @property
    def confounded(self) -> bool:
        """Whether age and year move together so closely that neither can be held fixed."""
        return bool(abs(self.correlation) > TOO_CORRELATED)

    @property
    def note(self) -> str:
        """What a reader must know of these records; empty if nothing."""
        said = []
        if self.confounded:
            said.append(
                f"age and production year move together (correlation {self.correlation:.2f}): "
                "what looks like ageing may be vintage, and the other way round"
            )
        if self.n_left_out:
            said.append(f"{self.n_left_out:g} records without a known year are left out")
        return "; ".join(said)


def dated_records(records: LifeRecords, year: ArrayLike, age_years: ArrayLike | None = None) -> DatedRecords:
    """Keep the records whose year is known.

    Parameters
    ----------
    records : LifeRecords
        One stratum. Records with alternatives have no known year and are left out.
    year : array_like of float, shape (n_rows,)
        Year of each row; NaN if not known.
    age_years : array_like of float, shape (n_rows,), optional
        Age at inspection. Without it, the upper bound of a failed part and the lower one of a sound
        part.

    Returns
    -------
    DatedRecords

    Raises
    ------
    InvalidInput
        If there are several strata, a length does not match, or an age is not a number above 0.
    """
    if records.strata.size > 1:
        raise InvalidInput(
            f"Cohorts are compared within one stratum; these records hold {records.strata.size}."
        )
    years = _column("year", year, len(records))
    sound = np.isinf(records.upper)
    ages = np.where(sound, records.lower, records.upper)
    if age_years is not None:
        ages = _column("age_years", age_years, len(records))
    keep = ~records.is_alternative & ~np.isnan(years) & ~((records.lower == 0) & sound)
    if not np.all(ages[keep] > 0):
        raise InvalidInput(f"`age_years` must be above 0 in every record; got {ages[keep].min():g}.")
    distinct = np.unique(records.record[~keep], return_index=True)[1]
    left_out = float(records.count[~keep][distinct].sum())
    weight = records.count[keep]
    return DatedRecords(
        lower=records.lower[keep],
        upper=records.upper[keep],
        count=weight,
        year=years[keep],
        age_years=ages[keep],
        rows=np.flatnonzero(keep),
        n_left_out=left_out,
        correlation=_correlation(ages[keep], years[keep], weight),
    )


def _column(name: str, values: ArrayLike, size: int) -> FloatArray:
    column = np.asarray(values, dtype=np.float64)
    if column.shape != (size,):
        raise InvalidInput(
            f"`{name}` needs one number for each of the {size} rows; its shape is {column.shape}."
        )
    return column


def _correlation(x: FloatArray, y: FloatArray, weight: FloatArray) -> float:
    if x.size < 2:
        return np.nan
    covariance = np.cov(np.vstack((x, y)), aweights=weight, ddof=0)
    spread = np.sqrt(covariance[0, 0] * covariance[1, 1])
    return float(covariance[0, 1] / spread) if spread > 1e-12 else np.nan


# ---- Do later production years last longer? The year effect as a slope of the log scale


# Slopes beyond this (lives longer by a factor of 22,000 per decade) count as infinite.
STEEPEST = 10.0
# Slopes whose log-likelihoods differ by less than this are equally likely; a peak that told its slope within
# 5,000 would be narrower than a plateau.
_LEVEL = 1e-9
_PLATEAU = 0.5
_GRID = 61
_REFINED = 25
_ROUNDS = 3


@dataclass(frozen=True)
class YearSlope:
    """How the scale of a Weibull life changes with the year of production, at one common shape.

    Attributes
    ----------
    status : str
        "ok"; "one year only"; "cannot tell ageing from vintage"; "no bound" (no slope is most likely:
        age may play no part beside the year, or all slopes of a wide range are); "one age fits all" (at
        some slope one age agrees with every record); or why there is no Weibull fit at any slope: "no
        records", "no failures", "all failed", "not found".
    slope : float
        Rise of the log scale per decade of production; NaN unless "ok". 0.1 means that lives are
        about 10 % longer for units made ten years later.
    low, high : float
        Profile-likelihood interval; infinite where the records set no bound.
    level : float
        Probability that the interval promises.
    p_value : float
        Likelihood-ratio test of no slope.
    shape, scale_years : float
        At the slope; the scale is that of the reference year.
    reference_year : float
        Mean year of the records.
    correlation : float
        Of age at inspection and year of production.
    n_records : float
        Weighed number of records that were used.
    note : str
        What the reader must know.
    """

    status: str
    slope: float
    low: float
    high: float
    level: float
    p_value: float
    shape: float
    scale_years: float
    reference_year: float
    correlation: float
    n_records: float
    note: str

    @property
    def usable(self) -> bool:
        """Whether there is a slope."""
        return self.status == "ok"


def year_slope(
    records: LifeRecords, year: ArrayLike, *, age_years: ArrayLike | None = None, level: float = 0.90
) -> YearSlope:
    r"""Estimate how the Weibull scale changes with the year of production.

    Parameters
    ----------
    records : LifeRecords
        One stratum. Records whose year is one of several are left out and counted in the note.
    year : array_like of float, shape (n_rows,)
        Year of production (or fitting) of each row.
    age_years : array_like of float, shape (n_rows,), optional
        Age at inspection, for the correlation with the year only.
    level : float
        Probability that the interval promises.

    Returns
    -------
    YearSlope

    Raises
    ------
    InvalidInput
        If there are several strata, a length does not match, or `level` is not between 0 and 1.

    Notes
    -----
    The log scale is :math:`\log s_0 + b (year - year_0) / 10`, which multiplies the time of each life by
    :math:`e^{-b (year - year_0) / 10}`. For each slope :math:`b` the rest is a plain Weibull fit, and the
    profile has one hill: the likelihood is concave in :math:`(k, k \log s_0, k b)`, of which a slope is a
    ray. So slopes on a grid, refined where it matters, give estimate and interval.
    """
    if not 0 < level < 1:
        raise InvalidInput(f"`level` must lie between 0 and 1; got {level!r}.")
    dated = dated_records(records, year, age_years)
    if dated.year.size == 0:
        return _no_slope("no records", dated, level)
    if np.ptp(dated.year) == 0:
        return _no_slope("one year only", dated, level)
    if dated.confounded:
        return _no_slope(CONFOUNDED, dated, level)
    profile = _Profile(dated)
    grid = np.sort(np.append(np.tan(np.linspace(-1, 1, _GRID - 1) * np.arctan(STEEPEST)), 0.0))
    profile.add(grid)
    allowed = float(chi2.ppf(level, 1)) / 2
    for _ in range(_ROUNDS):
        if profile.status == "ok":
            profile.add(profile.gaps(allowed))
    if profile.status != "ok":
        return _no_slope(profile.status, dated, level)
    return _slope_found(dated, profile, allowed, level)


class _Profile:
    """Log-likelihood at given slopes, each maximised over shape and scale."""

    def __init__(self, dated: DatedRecords) -> None:
        self.dated = dated
        self.reference = float(np.average(dated.year, weights=dated.count))
        self.decades = (dated.year - self.reference) / 10
        self.slope = np.empty(0)
        self.value = np.empty(0)
        self.shape = np.empty(0)
        self.scale = np.empty(0)
        self.status = "ok"

    def add(self, slopes: FloatArray) -> None:
        """Evaluate more slopes, all in one fit."""
        dated, size = self.dated, self.decades.size
        factor = np.exp(-slopes[:, None] * self.decades)
        fit = weibull_fits(
            LifeRecords(
                (factor * dated.lower).ravel(),
                (factor * dated.upper).ravel(),
                count=np.tile(dated.count, slopes.size),
                stratum=np.repeat(np.arange(slopes.size), size),
            )
        )
        value = np.where(fit.usable, fit.log_likelihood, np.nan)
        # Where no curve is most likely the supremum is known: without ageing every part has failed with
        # one probability; if one age explains all, with certainty.
        value = np.where(fit.status == "no ageing visible", self._without_ageing(), value)
        value = np.where(fit.status == "one age fits all", 0.0, value)
        if np.isnan(value).any():
            self.status = str(fit.status[np.isnan(value)][0])
        elif np.any(fit.status == "one age fits all"):
            self.status = "one age fits all"
        exact = dated.lower == dated.upper
        value = value - slopes * float(dated.count[exact] @ self.decades[exact])
        order = np.argsort(np.append(self.slope, slopes), kind="stable")
        for name, new in (("slope", slopes), ("value", value), ("shape", fit.shape), ("scale", fit.scale)):
            setattr(self, name, np.append(getattr(self, name), new)[order])

    def _without_ageing(self) -> float:
        failed = float(self.dated.count[self.dated.failed].sum())
        total = float(self.dated.count.sum())
        rest = total - failed
        return float(failed * np.log(failed / total) + rest * np.log(rest / total)) if failed * rest else 0.0

    def gaps(self, allowed: float) -> FloatArray:
        """Slopes between those that bracket the maximum and the two ends of the interval."""
        best = int(np.argmax(self.value))
        inside = np.flatnonzero(self.value >= self.value[best] - allowed)
        last = self.slope.size - 1
        pairs = {(max(i - 1, 0), min(i + 1, last)) for i in (best, int(inside[0]), int(inside[-1]))}
        between = [np.linspace(self.slope[i], self.slope[j], _REFINED)[1:-1] for i, j in sorted(pairs)]
        return np.setdiff1d(np.concatenate(between), self.slope)


def _slope_found(dated: DatedRecords, profile: _Profile, allowed: float, level: float) -> YearSlope:
    best = int(np.argmax(profile.value))
    inside = profile.slope[profile.value >= profile.value[best] - allowed]
    ends = [inside[0], inside[-1]]
    low, high = (np.copysign(np.inf, end) if abs(end) >= STEEPEST * 0.999 else float(end) for end in ends)
    level_with = profile.value >= profile.value[best] - _LEVEL
    near = profile.slope[level_with]
    flat = (
        np.isnan(profile.shape[level_with]).any()
        or np.abs(near).max() >= STEEPEST * 0.999
        or np.ptp(near) > _PLATEAU
    )
    at_zero = profile.value[np.argmin(np.abs(profile.slope))]
    return YearSlope(
        status="no bound" if flat else "ok",
        slope=np.nan if flat else float(profile.slope[best]),
        low=low,
        high=high,
        level=level,
        p_value=float(chi2.sf(2 * (profile.value[best] - at_zero), 1)),
        shape=np.nan if flat else float(profile.shape[best]),
        scale_years=np.nan if flat else float(profile.scale[best]),
        reference_year=profile.reference,
        correlation=dated.correlation,
        n_records=float(dated.count.sum()),
        note=dated.note,
    )


def _no_slope(status: str, dated: DatedRecords, level: float) -> YearSlope:
    return YearSlope(
        status=status,
        slope=np.nan,
        low=np.nan,
        high=np.nan,
        level=level,
        p_value=np.nan,
        shape=np.nan,
        scale_years=np.nan,
        reference_year=float(np.average(dated.year, weights=dated.count)) if dated.year.size else np.nan,
        correlation=dated.correlation,
        n_records=float(dated.count.sum()),
        note=dated.note,
    )


# ---- Parts gathered by age, and the isotonic curve of the share found failed


@dataclass(frozen=True, eq=False)
class Group:
    """Some of the parts, gathered by age.

    Attributes
    ----------
    rows : ndarray of int64, shape (n,)
        Positions of the parts, in order of age.
    start : ndarray of int64, shape (n_ages,)
        First of the rows at each distinct age.
    inspected : ndarray of float64, shape (n_ages,)
        Parts at each distinct age.
    place : ndarray of int64, shape (n,)
        Distinct age of each of the rows.
    """

    rows: IntArray
    start: IntArray
    inspected: FloatArray
    place: IntArray

    @classmethod
    def of(cls, age: FloatArray, rows: IntArray) -> "Group":
        """Gather the parts at some positions; ages are in ascending order."""
        _, start, place, number = np.unique(
            age[rows], return_index=True, return_inverse=True, return_counts=True
        )
        return cls(rows, start, number.astype(np.float64), place)

    def failed(self, outcomes: BoolArray) -> FloatArray:
        """Failed parts at each distinct age; ndarray of float64, shape (n_sets, n_ages)."""
        return np.add.reduceat(outcomes[:, self.rows].astype(np.float64), self.start, axis=1)

    def share(self, failed: FloatArray) -> FloatArray:
        """Isotonic curve for each set of outcomes; ndarray of float64, shape (n_sets, n_ages)."""
        # Lifted by 2 each, the sets follow one another in one rising line, and one regression does all.
        lift = 2.0 * np.arange(len(failed))[:, None]
        line = (failed / self.inspected + lift).ravel()
        fitted = isotonic_regression(line, weights=np.tile(self.inspected, len(failed))).x
        return np.clip(fitted.reshape(failed.shape) - lift, 0.0, 1.0)

    def log_likelihood(self, failed: FloatArray, share: FloatArray) -> FloatArray:
        """Log-likelihood of each set of outcomes; ndarray of float64, shape (n_sets,)."""
        return np.sum(xlogy(failed, share) + xlogy(self.inspected - failed, 1 - share), axis=1)


# ---- Chance of having failed by an age where the production year does not matter


_STEPS = 15
_LONGEST_STEP = 1.0


@dataclass(frozen=True, eq=False)
class Null:
    r"""One curve for all production years, estimated from any set of outcomes.

    Attributes
    ----------
    everyone : Group
        All parts, gathered by age.
    log_age : ndarray of float64, shape (n_ages,)
        Of each distinct age, less the mean, in standard deviations.
    smoothing : ndarray of float64, shape (n_ages, n_ages)
        Weights of each age in the average for each age; rows add up to 1.

    Notes
    -----
    The curve begins as a logistic one in log age that does not fall, fitted with Firth's penalty [1]_, so
    that few or perfectly sorted outcomes still give a finite slope. What the isotonic curve of the same
    outcomes says beyond it is averaged over ages nearby and added, a parametric start in the sense of [2]_.
    The isotonic curve alone makes steps of noise where lives do not age; smoothed alone it is too flat
    where all fail within few years.

    References
    ----------
    .. [1] D. Firth, "Bias reduction of maximum likelihood estimates", Biometrika 80 (1993) 27-38.
    .. [2] N. L. Hjort and I. K. Glad, "Nonparametric density estimation with a parametric start", Ann.
       Stat. 23 (1995) 882-904.
    """

    everyone: Group
    log_age: FloatArray
    smoothing: FloatArray

    @classmethod
    def of(cls, everyone: Group, log_age: FloatArray) -> "Null":
        """Lay out the ages; `log_age` is that of each part, shape (n,)."""
        spread = max(float(np.std(log_age)), 1e-9)
        at = (log_age[everyone.rows[everyone.start]] - log_age.mean()) / spread
        # A standard deviation over the fifth root of the number: the usual width for a smooth curve.
        width = log_age.size**-0.2
        weight = np.exp(-0.5 * ((at[:, None] - at) / width) ** 2) * everyone.inspected
        return cls(everyone, at, weight / weight.sum(axis=1, keepdims=True))

    def chance(self, outcomes: BoolArray) -> FloatArray:
        """Give the probability of each part for each set of outcomes.

        Parameters
        ----------
        outcomes : ndarray of bool, shape (n_sets, n)

        Returns
        -------
        ndarray of float64, shape (n_sets, n)
        """
        failed = self.everyone.failed(outcomes)
        start = self._logistic(failed)
        beyond = (self.everyone.share(failed) - start) @ self.smoothing.T
        return np.clip(start + beyond, 0.0, 1.0)[:, self.everyone.place]

    def _logistic(self, failed: FloatArray) -> FloatArray:
        """Logistic curve at each age for each set, shape (n_sets, n_ages); level where it would fall."""
        n, x = self.everyone.inspected, self.log_age
        level = (failed.sum(axis=1) + 0.5) / (n.sum() + 1)
        intercept, slope = logit(level), np.zeros(len(failed))
        for _ in range(_STEPS):
            share = expit(intercept[:, None] + slope[:, None] * x)
            weight = n * share * (1 - share)
            total, cross, square = weight.sum(axis=1), weight @ x, weight @ x**2
            size = np.maximum(total * square - cross**2, 1e-9)
            leverage = weight * (square[:, None] - 2 * cross[:, None] * x + total[:, None] * x**2)
            residual = failed - n * share + leverage / size[:, None] * (0.5 - share)
            pull, tilt = residual.sum(axis=1), residual @ x
            step = np.stack((square * pull - cross * tilt, total * tilt - cross * pull)) / size
            step /= np.maximum(1.0, np.abs(step).max(axis=0) / _LONGEST_STEP)
            intercept, slope = intercept + step[0], slope + step[1]
        share = expit(intercept[:, None] + slope[:, None] * x)
        return np.where(slope[:, None] < 0, level[:, None], share)


# ---- Statistics of a search over production years, and their distribution where nothing changed


MIN_RECORDS = 10  # below that no data reach a small p-value
MIN_SIDE = 3
MIN_SIDE_SHARE = 0.1
_TRIAL_RUNS = 200
_CHUNK = 100
_LARGEST_CHUNK = 800
_ENOUGH = 30
_LEAST_VARIANCE = 1e-3
_SURELY_LARGE = 0.25  # a p-value above this is not worth a second round
_TIE = 1 - 1e-9


@dataclass(frozen=True, eq=False)
class Search:
    """A search over candidate years.

    Attributes
    ----------
    failed : ndarray of bool, shape (n,)
        What was seen, in order of age.
    null : Null
        Where nothing changed.
    unit : ndarray of int64, shape (n,)
        Parts of one unit share a number, 0, 1, …
    candidates : ndarray of float64, shape (n_candidates,)
        First years of the later cohort.
    everyone : Group
    cohorts : tuple of (Group, Group), one per candidate
        The earlier and the later cohort.
    beside_age : ndarray of float64, shape (n, n_candidates)
        Indicator of the later cohort, less its regression on log age.
    """

    failed: BoolArray
    null: Null
    unit: IntArray
    candidates: FloatArray
    everyone: Group
    cohorts: tuple[tuple[Group, Group], ...]
    beside_age: FloatArray

    def run(self, n_bootstrap: int, seed: int) -> tuple[float, float]:
        """Find the best candidate and how often chance finds as much.

        Parameters
        ----------
        n_bootstrap : int
            Largest number of simulated searches.
        seed : int

        Returns
        -------
        year, p_value : float
        """
        rng = np.random.default_rng(seed)
        chance = self.null.chance(self.failed[None, :])
        usual = np.quantile(self._largest(self._draw(rng, chance, _TRIAL_RUNS)), 0.95, axis=0)
        usual = np.maximum(usual, 1e-9)  # a statistic that is always 0 never decides
        seen = (self.statistics(self.failed[None, :])[0] / usual).max(axis=1)
        best = float(self.candidates[int(np.argmax(seen))])
        drawn, found = self._until_enough(rng, chance, usual, float(seen.max()), n_bootstrap)
        reached = int(np.sum(found >= seen.max() * _TIE))
        p_value = (reached + 1) / (found.size + 1)
        if p_value > _SURELY_LARGE:
            return best, p_value
        again = np.sort(np.append(self._second_round(rng, drawn, usual), seen.max()))[::-1]
        return best, float((np.sum(found >= again[reached] * _TIE) + 1) / (found.size + 1))

    def _until_enough(
        self, rng: np.random.Generator, chance: FloatArray, usual: FloatArray, seen: float, most: int
    ) -> tuple[BoolArray, FloatArray]:
        """Simulate until enough searches found as much; their outcomes and what they found."""
        drawn: list[BoolArray] = []
        found: list[FloatArray] = []
        done = reached = 0
        while done < most and reached < _ENOUGH:
            size = min(max(_CHUNK, done), _LARGEST_CHUNK, most - done)
            drawn.append(self._draw(rng, chance, size))
            found.append((self._largest(drawn[-1]) / usual).max(axis=1))
            reached += int(np.sum(found[-1] >= seen * _TIE))
            done += size
        return np.concatenate(drawn), np.concatenate(found)

    def _second_round(self, rng: np.random.Generator, drawn: BoolArray, usual: FloatArray) -> FloatArray:
        """Find as much as there is in one simulation of each simulated search, where nothing changed."""
        found = []
        for begin in range(0, len(drawn), _LARGEST_CHUNK):
            some = drawn[begin : begin + _LARGEST_CHUNK]
            again = self._draw(rng, self.null.chance(some), len(some))
            found.append((self._largest(again) / usual).max(axis=1))
        return np.concatenate(found)

    def statistics(self, outcomes: BoolArray) -> FloatArray:
        """Score and gain in log-likelihood for each candidate.

        Parameters
        ----------
        outcomes : ndarray of bool, shape (n_sets, n)

        Returns
        -------
        ndarray of float64, shape (n_sets, n_candidates, 2)
        """
        failed = self.everyone.failed(outcomes)
        pooled = self.everyone.share(failed)
        share = pooled[:, self.everyone.place]
        score = (outcomes - share) @ self.beside_age
        variance = (share * (1 - share)) @ self.beside_age**2
        ratio = np.divide(score**2, variance, out=np.zeros_like(score), where=variance > _LEAST_VARIANCE)
        together = self.everyone.log_likelihood(failed, pooled)
        apart = np.column_stack([sum(self._own(side, outcomes) for side in pair) for pair in self.cohorts])
        return np.stack((ratio, apart - together[:, None]), axis=2)

    @staticmethod
    def _own(side: Group, outcomes: BoolArray) -> FloatArray:
        failed = side.failed(outcomes)
        return side.log_likelihood(failed, side.share(failed))

    def _largest(self, outcomes: BoolArray) -> FloatArray:
        return self.statistics(outcomes).max(axis=1)

    def _draw(self, rng: np.random.Generator, chance: FloatArray, size: int) -> BoolArray:
        # One number for all parts of a unit: they fail together, the worst that clusters can do.
        return rng.random((size, int(self.unit.max()) + 1))[:, self.unit] < chance


def prepare_search(dated: DatedRecords, unit: IntArray | None = None) -> Search | None:
    """Lay the records out for a search.

    Parameters
    ----------
    dated : DatedRecords
    unit : ndarray of int64, shape (n,), optional
        Parts of one unit share a number; without it every part is a unit of its own.

    Returns
    -------
    Search or None
        None if there are fewer than 10 parts, 3 failed, 3 sound, or no candidate with 3 parts and a
        tenth of them on either side.

    Raises
    ------
    InvalidInput
        If a count is not whole.
    """
    if not np.all(dated.count == np.round(dated.count)):
        raise InvalidInput("The search for a change needs whole counts; weighed records have none.")
    each = np.repeat(np.arange(dated.year.size), dated.count.astype(np.int64))
    # By age and year, so that the order of the records decides nothing.
    each = each[np.lexsort((dated.year[each], dated.age_years[each]))]
    age, year, failed = dated.age_years[each], dated.year[each], dated.failed[each]
    if age.size < MIN_RECORDS or min(failed.sum(), (~failed).sum()) < MIN_SIDE:
        return None
    candidates = np.unique(year)[1:]
    later = year[:, None] >= candidates
    smaller = np.minimum(later.sum(axis=0), (~later).sum(axis=0))
    enough = smaller >= max(MIN_SIDE, MIN_SIDE_SHARE * age.size)
    if not enough.any():
        return None
    later = later[:, enough]
    log_age, everyone = np.log(age), Group.of(age, np.arange(age.size))
    terms = np.linalg.qr(np.column_stack((np.ones(age.size), log_age - log_age.mean())))[0]
    return Search(
        failed=failed,
        null=Null.of(everyone, log_age),
        unit=np.arange(each.size) if unit is None else np.unique(unit[each], return_inverse=True)[1],
        candidates=candidates[enough],
        everyone=everyone,
        cohorts=tuple(
            (Group.of(age, np.flatnonzero(~side)), Group.of(age, np.flatnonzero(side))) for side in later.T
        ),
        beside_age=later - terms @ (terms.T @ later),
    )


# ---- Search for the one production year from which on lives are different


FEW = 6
"""With fewer failed or sound parts the possible outcomes are so few that 5 % is rarely reached."""


@dataclass(frozen=True)
class ChangeYear:
    """Best candidate for a change between two production years, and what speaks for it.

    Attributes
    ----------
    status : str
        "ok"; "too few records"; "cannot tell ageing from vintage". Only "ok" has a p-value.
    year : float
        First year of the later cohort, where the two cohorts differ most at equal age.
    p_value : float
        How often the search finds at least as much where there is no change.
    reference_age_years : float
        Age at which both cohorts are described: the median of the ages seen in both, NaN if none.
    before, after : tuple of float
        Share failed by that age in each cohort by itself: estimate, low, high (90 %); NaN without
        a common age, or where no description was asked for.
    correlation : float
        Of age at inspection and year of production.
    n_records : float
        Weighed number of records that were used.
    note : str
        What the reader must know.
    """

    status: str
    year: float
    p_value: float
    reference_age_years: float
    before: tuple[float, float, float]
    after: tuple[float, float, float]
    correlation: float
    n_records: float
    note: str


def change_year(
    records: LifeRecords,
    year: ArrayLike,
    *,
    age_years: ArrayLike | None = None,
    unit: ArrayLike | None = None,
    n_bootstrap: int = 4999,
    seed: int = 0,
    describe: bool = True,
) -> ChangeYear:
    r"""Search all production years for the one from which on parts fail earlier or later.

    Parameters
    ----------
    records : LifeRecords
        One stratum. Records whose year is one of several are left out and counted in the note.
    year : array_like of float, shape (n_rows,)
        Year of production (or fitting) of each row.
    age_years : array_like of float, shape (n_rows,), optional
        Age at inspection. Needed only where days of failure are known: the search asks whether a
        part had failed by the time it was inspected. Without it, the upper bound of a failed part
        counts as that time.
    unit : array_like of int, shape (n_rows,), optional
        Rows of one unit (left and right part) share a number; they are taken to fail together.
    n_bootstrap : int
        Largest number of simulated searches.
    seed : int
        Start of the random numbers; each search begins anew, so that its answer does not depend on
        others.
    describe : bool
        False leaves `before` and `after` NaN: their bands take longer than many a search.

    Returns
    -------
    ChangeYear

    Raises
    ------
    InvalidInput
        If there are several strata, a length does not match, a count is not whole, or `n_bootstrap`
        is below 1.

    Notes
    -----
    Two statistics look at each candidate, and the larger one, each relative to its own 95 % point where
    nothing changed, counts. (1) The score for a shift of the log-odds at equal age,
    :math:`(\sum z (d - F))^2 / \sum z^2 F (1 - F)`, with :math:`F` the pooled isotonic curve, :math:`d`
    failed or not, and :math:`z` the indicator of the later cohort with its regression on log age taken
    out: it finds cohorts that last longer. (2) The gain in log-likelihood if each cohort has an isotonic
    curve of its own: it finds cohorts that fail earlier, which shows as young parts failing more often
    than old ones. The largest over all candidates is compared with its distribution where each part
    fails by its age with one probability for all years: a logistic curve corrected by the smoothed
    isotonic one [1]_, see `Null`. Nothing says that lives are Weibull. That curve is itself an estimate,
    and with few parts it matters which: so each simulated search is simulated once more from the curve
    that would have been estimated from it, and the p-value is read where these reach as often as
    simulated ones reach what was seen (a fast double bootstrap [2]_). DEVELOPERS.md says how often
    a change is found where there is none. Simulation stops early once enough simulated searches have
    found as much [3]_: such a p-value is large.

    References
    ----------
    .. [1] P. Groeneboom, G. Jongbloed and B. I. Witte, "Maximum smoothed likelihood estimation and
       smoothed maximum likelihood estimation in the current status model", Ann. Stat. 38 (2010)
       352-387.
    .. [2] R. Davidson and J. G. MacKinnon, "Improving the reliability of bootstrap tests with the fast
       double bootstrap", Comput. Stat. Data Anal. 51 (2007) 3259-3281.
    .. [3] J. Besag and P. Clifford, "Sequential Monte Carlo p-values", Biometrika 78 (1991) 301-304.
    """
    if n_bootstrap < 1:
        raise InvalidInput(f"`n_bootstrap` must be at least 1; got {n_bootstrap!r}.")
    dated = dated_records(records, year, age_years)
    if dated.confounded:
        return _no_change(CONFOUNDED, dated)
    if unit is not None and np.shape(unit) != (len(records),):
        raise InvalidInput(
            f"`unit` needs one number for each of the {len(records)} rows; its shape is {np.shape(unit)}."
        )
    search = prepare_search(dated, None if unit is None else np.asarray(unit)[dated.rows])
    if search is None:
        return _no_change("too few records", dated)
    best, p_value = search.run(n_bootstrap, seed)
    return _change_found(dated, best, p_value, describe)


def _no_change(status: str, dated: DatedRecords) -> ChangeYear:
    nothing = (np.nan, np.nan, np.nan)
    return ChangeYear(
        status=status,
        year=np.nan,
        p_value=np.nan,
        reference_age_years=np.nan,
        before=nothing,
        after=nothing,
        correlation=dated.correlation,
        n_records=float(dated.count.sum()),
        note=dated.note,
    )


def _change_found(dated: DatedRecords, best: float, p_value: float, describe: bool) -> ChangeYear:
    later = dated.year >= best
    low = max(dated.age_years[later].min(), dated.age_years[~later].min())
    high = min(dated.age_years[later].max(), dated.age_years[~later].max())
    common = dated.age_years[(dated.age_years >= low) & (dated.age_years <= high)]
    reference = float(np.median(common)) if common.size else np.nan
    described = reference if describe else np.nan
    notes = [dated.note, _few(dated), "" if common.size else "the two cohorts were never seen at one age"]
    return ChangeYear(
        status="ok",
        year=best,
        p_value=p_value,
        reference_age_years=reference,
        before=_share_at(dated, ~later, described),
        after=_share_at(dated, later, described),
        correlation=dated.correlation,
        n_records=float(dated.count.sum()),
        note="; ".join(filter(None, notes)),
    )


def _few(dated: DatedRecords) -> str:
    """Say that the search had hardly a chance; empty if it had one."""
    counts = {
        "had failed": float(dated.count[dated.failed].sum()),
        "still worked": float(dated.count[~dated.failed].sum()),
    }
    state, number = min(counts.items(), key=lambda item: item[1])
    return f"only {number:g} {state}: a change would have to be extreme to show" if number < FEW else ""


def _share_at(dated: DatedRecords, chosen: BoolArray, age_years: float) -> tuple[float, float, float]:
    if np.isnan(age_years):
        return np.nan, np.nan, np.nan
    records = LifeRecords(dated.lower[chosen], dated.upper[chosen], count=dated.count[chosen])
    estimate, low, high = fit_curve(records).at(age_years)
    return float(estimate[0]), float(low[0]), float(high[0])


# ---- Production year: whether it matters as a trend, and whether something changed in one year
# Within one family age and production year move together, because all units are inspected within a few
# calendar years. Every answer here carries their correlation, and where it is above 0.95 no answer is
# given.


def find_changes(
    records: LifeRecords,
    year: ArrayLike,
    labels: pd.DataFrame,
    *,
    age_years: ArrayLike | None = None,
    unit: ArrayLike | None = None,
    n_bootstrap: int = 4999,
    seed: int = 0,
    describe: bool = True,
) -> pd.DataFrame:
    """Search every stratum for a change of production year, with the false discoveries controlled.

    Parameters
    ----------
    records : LifeRecords
        Any number of strata.
    year : array_like of float, shape (n_rows,)
        Year of production (or fitting) of each row.
    labels : DataFrame
        Column stratum, and what the strata are called; one row per stratum.
    age_years, unit : array_like, shape (n_rows,), optional
        As for `change_year`.
    n_bootstrap, seed, describe
        As for `change_year`.

    Returns
    -------
    DataFrame
        The rows of `labels` in their order, with status, change_year, p_value, q_value (share of false
        discoveries expected if this and all smaller p-values are called changes), reference_age_years,
        failed_before, failed_before_low, failed_before_high, failed_after, failed_after_low,
        failed_after_high, correlation, n_records, note.

    Raises
    ------
    InvalidInput
        If the labels do not name each stratum of the records exactly once, or as for `change_year`.
    """
    columns = _columns(records, year=year, age_years=age_years, unit=unit)
    rows = []
    for lives, at in _strata(records, labels):
        part = {name: values[at] for name, values in columns.items()}
        found = change_year(lives, n_bootstrap=n_bootstrap, seed=seed, describe=describe, **part)
        row = {
            "status": found.status,
            "change_year": found.year,
            "p_value": found.p_value,
            "q_value": np.nan,
            "reference_age_years": found.reference_age_years,
        }
        for side, values in (("before", found.before), ("after", found.after)):
            for suffix, value in zip(("", "_low", "_high"), values, strict=True):
                row[f"failed_{side}{suffix}"] = value
        row |= {"correlation": found.correlation, "n_records": found.n_records, "note": found.note}
        rows.append(row)
    table = _beside(labels, rows)
    table["q_value"] = false_discovery_rate(table["p_value"].to_numpy(dtype=np.float64))
    return table


def find_slopes(
    records: LifeRecords,
    year: ArrayLike,
    labels: pd.DataFrame,
    *,
    age_years: ArrayLike | None = None,
    level: float = 0.90,
) -> pd.DataFrame:
    """Estimate the year effect of every stratum.

    Parameters
    ----------
    records, year, labels, age_years
        As for `find_changes`.
    level : float
        Probability that each interval promises.

    Returns
    -------
    DataFrame
        The rows of `labels` in their order, with status, slope, low, high, p_value, q_value,
        shape, scale_years, reference_year, correlation, n_records, note as in `YearSlope`.

    Raises
    ------
    InvalidInput
        If the labels do not name each stratum of the records exactly once, or as for `year_slope`.
    """
    columns = _columns(records, year=year, age_years=age_years)
    names = (
        "status", "slope", "low", "high", "p_value", "shape", "scale_years", "reference_year",
        "correlation", "n_records", "note",
    )  # fmt: skip
    rows = []
    for lives, at in _strata(records, labels):
        part = {name: values[at] for name, values in columns.items()}
        found = year_slope(lives, level=level, **part)
        rows.append({name: getattr(found, name) for name in names})
    table = _beside(labels, rows)
    q_value = false_discovery_rate(table["p_value"].to_numpy(dtype=np.float64))
    table.insert(table.columns.get_loc("p_value") + 1, "q_value", q_value)
    return table


def false_discovery_rate(p_value: ArrayLike) -> FloatArray:
    """Adjust p-values of many searches for the false discoveries among them.

    Parameters
    ----------
    p_value : array_like, shape (n,)
        NaN for a search that gave no answer; it counts for nothing.

    Returns
    -------
    ndarray of float64, shape (n,)
        Calling everything at or below `q` a discovery, a share of at most `q` of them is false in
        the long run.

    References
    ----------
    .. [1] Y. Benjamini and Y. Hochberg, "Controlling the false discovery rate", J. R. Stat. Soc. B 57
       (1995) 289-300.
    """
    p = np.asarray(p_value, dtype=np.float64)
    answered = np.flatnonzero(~np.isnan(p))
    order = answered[np.argsort(-p[answered], kind="stable")]
    rank = np.arange(order.size, 0, -1)
    q = np.full(p.shape, np.nan)
    q[order] = np.minimum.accumulate(p[order] * order.size / rank)
    return q


def _columns(records: LifeRecords, **given: ArrayLike | None) -> dict[str, Any]:
    """Columns that were given, checked for their length before they are cut into strata."""
    columns = {name: np.asarray(values) for name, values in given.items() if values is not None}
    for name, values in columns.items():
        if values.shape != (len(records),):
            raise InvalidInput(
                f"`{name}` needs one number for each of the {len(records)} rows; its shape is {values.shape}."
            )
    return columns


def _strata(records: LifeRecords, labels: pd.DataFrame) -> Iterator[tuple[LifeRecords, IntArray]]:
    """Give the records of each stratum and their positions, in the order of the labels."""
    if "stratum" not in labels.columns or sorted(labels["stratum"]) != records.strata.tolist():
        named = sorted(labels["stratum"]) if "stratum" in labels.columns else "no column stratum"
        raise InvalidInput(
            f"`labels` must name each stratum of the records once; it has {named}, "
            f"the records have {records.strata.tolist()}."
        )
    order = np.argsort(records.stratum, kind="stable")
    begin = np.searchsorted(records.stratum[order], labels["stratum"], side="left")
    end = np.searchsorted(records.stratum[order], labels["stratum"], side="right")
    for first, last in zip(begin, end, strict=True):
        at = order[first:last]
        lives = LifeRecords(
            records.lower[at],
            records.upper[at],
            count=records.count[at],
            record=records.record[at],
            weight=records.weight[at],
        )
        yield lives, at


def _beside(labels: pd.DataFrame, rows: list[dict[str, Any]]) -> pd.DataFrame:
    return pd.concat([labels.reset_index(drop=True), pd.DataFrame(rows)], axis=1)
