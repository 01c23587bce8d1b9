"""Curves without a model: Kaplan-Meier, isotonic and Turnbull estimates with bands; comebacks after sales."""

import datetime
import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.linalg import solve_triangular
from scipy.optimize import brentq, isotonic_regression, nnls
from scipy.special import chdtri, expit, logit, ndtri, xlogy

from reliability.errors import InvalidInput
from reliability.life.lives import BoolArray, FloatArray, IntArray, LifeRecords, run_starts

# ---- Likelihood of probability masses on cells of age, and its maximum

# Gap in log-likelihood, per record, below which a maximum counts as found.
TOLERANCE = 1e-11
MAX_ROUNDS = 300
_CHUNK = 2_000_000
_RIDGE = 1e-11
_PENALTY = 10.0


@dataclass(frozen=True, eq=False)
class CellLikelihood:
    """Records that each say: the life ended in one of these runs of cells."""

    first: IntArray  # (n_rows,): run of cells of each row,
    last: IntArray  # (n_rows,): not included
    weight: FloatArray  # (n_rows,): what the masses of the run are multiplied with
    start: IntArray  # (n_records,): first row of each record, whose rows are added up
    count: FloatArray  # (n_records,)
    n_cells: int

    def of_records(self, mass: FloatArray) -> FloatArray:
        """Likelihood of each record; (n_records,)."""
        total = np.concatenate(([0.0], np.cumsum(mass)))
        return np.add.reduceat(self.weight * (total[self.last] - total[self.first]), self.start)

    def log(self, mass: FloatArray) -> float:
        """Log-likelihood; minus infinity where a record is impossible."""
        likelihood = self.of_records(mass)
        if np.any(likelihood <= 0):
            return -np.inf
        return float(self.count @ np.log(likelihood))

    def gradient(self, mass: FloatArray) -> FloatArray:
        """Differentiate the log-likelihood by each mass; (n_cells,)."""
        length = np.diff(np.append(self.start, self.first.size))
        value = np.repeat(self.count / self.of_records(mass), length) * self.weight
        size = self.n_cells + 1
        step = np.bincount(self.first, value, size) - np.bincount(self.last, value, size)
        return np.cumsum(step)[:-1]

    def gram(self, cells: IntArray, each: FloatArray) -> FloatArray:
        """Second derivatives by the masses of some cells (ascending), sign turned; `each` of a record."""
        worth = self.count / each**2
        begin, end = np.searchsorted(cells, self.first), np.searchsorted(cells, self.last)
        n_single = int(np.searchsorted(np.diff(self.start, append=self.first.size) > 1, True))
        # A record of one row counts for all pairs of cells in its run: sums over a table of the runs do.
        size = cells.size + 1
        place = begin[:n_single] * size + end[:n_single]
        runs = np.bincount(place, worth[:n_single] * self.weight[:n_single] ** 2, size**2).reshape(size, size)
        upper = np.triu(np.cumsum(np.cumsum(runs, axis=0)[:, ::-1], axis=1)[:-1, -2::-1])
        gram = (upper + np.triu(upper, 1).T).astype(np.float64)
        step = max(1, int(_CHUNK // (size * max(1, self.first.size // max(1, self.start.size)))))
        for first in range(n_single, self.start.size, step):
            columns = self._columns(begin, end, size, first, min(first + step, self.start.size))
            gram += columns.T @ (worth[first : first + step, None] * columns)
        return gram

    def _columns(self, begin: IntArray, end: IntArray, size: int, first: int, last: int) -> FloatArray:
        """Likelihood of records `first` to `last` per unit of mass on each of the cells."""
        bounds = np.append(self.start, self.first.size)
        rows = slice(bounds[first], bounds[last])
        record = np.repeat(np.arange(last - first) * size, np.diff(bounds[first : last + 1]))
        length = (last - first) * size
        rise = np.bincount(record + begin[rows], self.weight[rows], length)
        fall = np.bincount(record + end[rows], self.weight[rows], length)
        columns: FloatArray = np.cumsum((rise - fall).reshape(-1, size), axis=1)[:, :-1]
        return columns


@dataclass(frozen=True, eq=False)
class Maximum:
    """Masses that maximise a likelihood."""

    mass: FloatArray  # (n_cells,); they add up to 1
    log_likelihood: float
    gap: float  # the log-likelihood is at most this far below its supremum


def maximise(
    likelihood: CellLikelihood, start: FloatArray | None = None, tolerance: float = TOLERANCE
) -> Maximum:
    """Maximise the likelihood over all masses that add up to 1."""
    # Few cells carry mass at the maximum. Each round takes a self-consistency step (expectation and
    # maximisation), then one Newton step on the cells that carry mass and, between any two of them, the one
    # that wants it most: the second-order expansion of the log-likelihood is a least-squares problem under
    # non-negativity (Y. Wang, "On fast computation of the non-parametric maximum likelihood estimate of a
    # mixing distribution", J. R. Stat. Soc. B 69 (2007) 185-198). It ends where the optimality conditions
    # hold: no cell has a larger derivative than the number of records.
    mass = np.zeros(likelihood.n_cells) if start is None else start
    if np.any(likelihood.of_records(mass) <= 0):
        mass = 0.9 * mass + 0.1 * _cover(likelihood)
        mass = mass / mass.sum()
    tolerance = tolerance * float(likelihood.count.sum())
    best = _checked(likelihood, mass)
    for _ in range(MAX_ROUNDS):
        if best.gap <= tolerance:
            break
        mass = best.mass * likelihood.gradient(best.mass)
        new = _checked(likelihood, _newton(likelihood, mass / mass.sum()))
        if new.log_likelihood <= best.log_likelihood and new.gap >= best.gap:
            break
        best = new
    return best


def _cover(likelihood: CellLikelihood) -> FloatArray:
    """Equal masses on few cells, such that every record has some of them."""
    rows = np.flatnonzero(likelihood.first < likelihood.last)
    rows = rows[np.unique(np.searchsorted(likelihood.start, rows, side="right"), return_index=True)[1]]
    mass = np.zeros(likelihood.n_cells)  # above: one alternative of each record will do
    hit = -1
    for row in rows[np.argsort(likelihood.last[rows], kind="stable")]:
        if likelihood.first[row] > hit:
            hit = likelihood.last[row] - 1
            mass[hit] = 1.0
    return mass / mass.sum()


def _checked(likelihood: CellLikelihood, mass: FloatArray) -> Maximum:
    """Attach the distance from the optimality conditions."""
    # Concavity: no masses gain more than the first-order rise.
    gap = float(likelihood.gradient(mass).max() - likelihood.count.sum())
    return Maximum(mass, likelihood.log(mass), gap)


def _newton(likelihood: CellLikelihood, mass: FloatArray) -> FloatArray:
    """One Newton step with a line search; the masses never get less likely."""
    gradient, n = likelihood.gradient(mass), likelihood.count.sum()
    carries = mass > 1e-6 / mass.size
    cells = np.flatnonzero(carries | _wanting(gradient - n, carries))
    # The total is kept by a multiplier, n, and a penalty on what that leaves.
    heavy = _PENALTY * n
    curve = likelihood.gram(cells, likelihood.of_records(mass)) + heavy
    curve[np.diag_indices_from(curve)] *= 1 + _RIDGE
    root = np.linalg.cholesky(curve)
    aim, rise = np.zeros_like(mass), 2 * gradient[cells] - n + heavy
    aim[cells] = nnls(root.T, solve_triangular(root, rise, lower=True), maxiter=30 * cells.size)[0]
    step = aim / aim.sum() - mass
    return _search(likelihood, mass, step, float(gradient @ step))


def _wanting(over: FloatArray, carries: BoolArray) -> BoolArray:
    """Between any two cells that carry mass, the one whose derivative is most over the multiplier."""
    over = np.where(carries, -np.inf, over)
    begin = np.append(0, np.flatnonzero(carries) + 1)
    begin = begin[begin < over.size]
    length = np.diff(begin, append=over.size)
    highest = np.repeat(np.maximum.reduceat(over, begin), length)
    return (over == highest) & (over > 0)


def _search(likelihood: CellLikelihood, mass: FloatArray, step: FloatArray, rise: float) -> FloatArray:
    """Shorten the step until the log-likelihood rises; the old masses themselves if it never does."""
    now = likelihood.log(mass)
    if rise <= 0:
        return mass
    length = 1.0
    for _ in range(30):
        new = np.maximum(mass + length * step, 0.0)
        if likelihood.log(new) >= now + 1e-3 * length * rise:
            return new
        length /= 2
    return mass


# ---- Nonparametric distribution of lives known to lie in intervals (lower, upper]


@dataclass(frozen=True, eq=False)
class Masses:
    """Nonparametric maximum-likelihood distribution: masses on cells (left, right], or at single ages."""

    records: LifeRecords
    left: FloatArray  # (n_cells,), years
    right: FloatArray  # (n_cells,), years
    likelihood: CellLikelihood
    maximum: Maximum

    @property
    def mass(self) -> FloatArray:
        """Probability of each cell; (n_cells,)."""
        return self.maximum.mass


def turnbull(records: LifeRecords) -> Masses:
    """Maximise the likelihood of all records over every distribution of lives."""
    # For a record with weighted alternatives its likelihood is the weighted sum over them; the innermost
    # intervals of all alternatives suffice, because moving mass into one takes it out of no alternative. The
    # likelihood stays concave in the masses, so there is one maximum.
    left, right, likelihood = cells_of(records)
    return Masses(records, left, right, likelihood, maximise(likelihood))


def cells_of(
    records: LifeRecords, split_years: float | None = None
) -> tuple[FloatArray, FloatArray, CellLikelihood]:
    """Find the ends of the cells that can carry mass, ascending, and the likelihood in terms of them.

    These are the innermost intervals: where a lower end is directly followed by an upper one [1]_. None
    straddles `split_years`, and both sides of it have a cell, as is needed where the share failed by that age
    is held at some value.

    References
    ----------
    .. [1] B. W. Turnbull, "The empirical distribution function with arbitrarily grouped, censored and
       truncated data", J. R. Stat. Soc. B 38 (1976) 290-295.
    """
    extra = np.empty(0) if split_years is None else np.array([0.0, split_years, np.inf])
    ages, place = np.unique(np.concatenate((records.lower, records.upper, extra)), return_inverse=True)
    # At each age the order is: an exact life begins, an interval ends (end included), an interval
    # begins (end left out). Threefold places on the line keep the three apart.
    n = len(records)
    begin = 3 * place[:n] + np.where(records.lower == records.upper, 0, 2)
    end = 3 * place[n : 2 * n] + 1
    split = 3 * place[2 * n :]
    low = np.unique(np.concatenate((begin, split[:2] + 2)))
    high = np.unique(np.concatenate((end, split[1:] + 1)))
    following = np.searchsorted(high, low)
    low, following = low[following < high.size], following[following < high.size]
    keep = np.append(low[1:], np.iinfo(np.int64).max) > high[following]
    low, high = low[keep], high[following[keep]]
    first, last = np.searchsorted(low, begin, side="left"), np.searchsorted(high, end, side="right")
    return ages[low // 3], ages[high // 3], _cell_likelihood(first, last, records, low.size)


def _cell_likelihood(first: IntArray, last: IntArray, records: LifeRecords, n_cells: int) -> CellLikelihood:
    """Gather records that say the same of the cells, and sort their rows together."""
    order = np.lexsort((last, first, records.record))
    first, last, record = first[order], last[order], records.record[order]
    weight, count = records.weight[order], records.count[order]
    start = run_starts(record)
    length = np.diff(np.append(start, record.size))
    single = length == 1
    at = start[single]
    alone = np.column_stack((first[at], last[at], weight[at]))
    pairs, inverse = np.unique(alone, axis=0, return_inverse=True)
    gathered = np.bincount(inverse.ravel(), count[at], len(pairs))
    mixed = np.repeat(~single, length)
    mixed_start = len(pairs) + np.cumsum(length[~single]) - length[~single]
    return CellLikelihood(
        first=np.concatenate((pairs[:, 0].astype(np.int64), first[mixed])),
        last=np.concatenate((pairs[:, 1].astype(np.int64), last[mixed])),
        weight=np.concatenate((pairs[:, 2], weight[mixed])),
        start=np.concatenate((np.arange(len(pairs)), mixed_start)).astype(np.int64),
        count=np.concatenate((gathered, count[start[~single]])),
        n_cells=n_cells,
    )


# ---- Likelihood-ratio limits for the share failed by an age, from intervals of any kind

_STEPS = 40
# In the root of the ratio, and in log odds; the error of the Newton step from there is of second order.
_CLOSE, _NEAR = 1e-3, 0.1
_LONGEST = 2.0  # change in one step, as a factor's logarithm
_PRECISION = 1e-8
_EDGE = 1e-8


def share_limits(masses: Masses, age_years: float, level: float) -> tuple[float, float]:
    """Limits for the share failed by an age above 0."""
    # The share is held at a value while all masses adapt; the values whose likelihood ratio stays below the
    # chi-square quantile make the interval. Between inspections the true law has smaller quantiles, so it
    # errs on the wide side there.
    _, right, likelihood = cells_of(masses.records, age_years)
    start = np.zeros(right.size)
    start[np.searchsorted(right, masses.right)] = masses.mass
    free, by_age = maximise(likelihood, start), int(np.searchsorted(right, age_years, side="right"))
    allowed = float(chdtri(1, 1 - level))
    later, sooner = (_most(likelihood, free, run, allowed) for run in ((by_age, right.size), (0, by_age)))
    return 1 - later, sooner


def _most(likelihood: CellLikelihood, free: Maximum, run: tuple[int, int], allowed: float) -> float:
    """Largest share of a run of cells at which the likelihood ratio does not pass what is allowed."""
    best = float(free.mass[slice(*run)].sum())
    if best >= 1 - _EDGE:
        return 1.0
    # Can every record have happened with all mass in the run?
    first, last = (np.clip(ends, *run) - run[0] for ends in (likelihood.first, likelihood.last))
    inside = replace(likelihood, first=first, last=last, n_cells=run[1] - run[0])
    if np.all(inside.of_records(np.full(inside.n_cells, 1 / likelihood.n_cells)) > 0):
        all_inside = maximise(inside, free.mass[slice(*run)] / max(best, _EDGE), _PRECISION)
        if 2 * (free.log_likelihood - all_inside.log_likelihood) <= allowed:
            return 1.0
    # More records that say no more than "in this run" raise its share and leave the likeliest masses for that
    # share: with `extra` of them, the log-likelihood of the true ones falls by extra / share per unit of it.
    columns = {"first": run[0], "last": run[1], "weight": 1.0}
    more: dict[str, Any] = {
        name: np.append(value, getattr(likelihood, name)) for name, value in columns.items()
    }
    more["start"] = np.append(0, likelihood.start + 1)
    n, target, mass = float(likelihood.count.sum()), np.sqrt(allowed), free.mass
    centre = (best * n + 0.5) / (n + 1)
    low, high = (best, 0.0), (1.0, allowed)  # shares on either side, and their likelihood ratios
    # With this many the rest has no share any more; to begin with, as for inspections at one age.
    few, many, log_before, before = -np.inf, np.log(n / _EDGE), 0.0, 0.0
    log_extra = min(np.log(target) + 0.5 * (np.log(n) + logit(centre)), many - _LONGEST)
    for _ in range(_STEPS):
        count = np.append(np.exp(log_extra), likelihood.count)
        mass = maximise(replace(likelihood, **more, count=count), mass, _PRECISION).mass
        share = min(float(mass[slice(*run)].sum()), 1 - _EDGE)
        root = np.sqrt(max(2 * (free.log_likelihood - likelihood.log(mass)), 1e-4))
        if root < target and share == 1 - _EDGE:
            return 1.0
        step = (target - root) * root / (count[0] * (1 - share))  # the root is nearly straight in log odds
        if abs(root - target) < _CLOSE and abs(step) < _NEAR:
            return float(expit(logit(share) + step))
        if root < target:
            few, low = log_extra, (share, root**2)
        else:
            many, high = log_extra, (share, root**2)
        if many - few < 1e-6:
            break
        slope = (root - before) / (log_extra - log_before) if before else root
        log_before, before = log_extra, root
        log_extra += np.clip((target - root) / max(slope, 1e-9), -_LONGEST, _LONGEST)
        if not few < log_extra < many:
            log_extra = 0.5 * (few + many)
    # Where the ratio is straight in the share, one number of records goes with many shares.
    return float(np.interp(allowed, (low[1], high[1]), (low[0], high[0])))


# ---- Current status: each part was looked at once and was found failed or sound


def _status_limits(
    inspected: FloatArray, failed: FloatArray, share: FloatArray, at: IntArray, *, allowed: float
) -> list[FloatArray]:
    """Lowest and highest share at some (n_at,) of the ages (n_ages,) that their likelihood ratio allows.

    Under the restriction that the share at one age is `t`, the younger ages get their own monotone fit cut
    off above at `t` and the older ones theirs cut off below. Twice the loss in log-likelihood is compared
    with the chi-square quantile. That law is right where every age holds many inspections; where inspections
    are spread over age the limit law has smaller quantiles (1.62 in place of 2.71 at 90 %, 2.27 in place of
    3.84 at 95 %) [1]_, and between the two lies a whole family of laws [2]_. In simulations with 10 to 200
    inspections the smaller quantiles covered 79 to 93 % where 90 % was promised (as little as 75 % with few
    distinct ages), the chi-square ones 90 to 98 %: the band errs on the wide side.

    `share_limits` gives the same limits a hundred times slower.

    References
    ----------
    .. [1] M. Banerjee and J. A. Wellner, "Likelihood ratio tests for monotone functions", Ann. Stat.
       29 (2001) 1699-1731.
    .. [2] R. Tang, M. Banerjee and M. R. Kosorok, "Likelihood based inference for current status data
       on a grid", Ann. Stat. 40 (2012) 45-72.
    """
    j = np.arange(failed.size)
    own = np.full((at.size, failed.size), -np.inf)
    for row, k in enumerate(at):
        for side in (slice(0, k), slice(k + 1, None)):
            if failed[side].size:
                ratio = failed[side] / inspected[side]
                own[row, side] = isotonic_regression(ratio, weights=inspected[side]).x

    def log_likelihood(shares: FloatArray) -> FloatArray:
        return np.sum(xlogy(failed, shares) + xlogy(inspected - failed, 1 - shares), axis=-1)

    def is_allowed(value: FloatArray) -> BoolArray:
        held = value[:, None]
        held = np.where(j < at[:, None], np.minimum(own, held), np.maximum(own, held))
        return np.asarray(2 * (log_likelihood(share) - log_likelihood(held)) <= allowed)

    limits = []
    for end in (0.0, 1.0):
        inside, outside = share[at], np.full(at.size, end)
        reached = is_allowed(outside)
        for _ in range(45):
            middle = (inside + outside) / 2
            fits = is_allowed(middle)
            inside, outside = np.where(fits, middle, inside), np.where(fits, outside, middle)
        limits.append(np.where(reached, end, inside))
    return limits


# ---- Exact and right-censored lives: the product-limit curve and its band


def _product_limit(records: LifeRecords) -> pd.DataFrame:
    """Kaplan-Meier curve at each distinct time; events come before censorings at ties."""
    from lifelines import KaplanMeierFitter  # half a second that most commands need not pay

    # The library switches numpy's warnings off for good, and doubts weights that are not whole; its
    # own standard errors cut such weights down, so Greenwood's are made here from its event table.
    with np.errstate(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=".*your weights are not integers")
        fitted = KaplanMeierFitter().fit(records.lower, np.isfinite(records.upper), weights=records.count)
    table = fitted.event_table[["at_risk", "observed"]].astype(float).set_axis(["at_risk", "events"], axis=1)
    table["surviving"] = fitted.survival_function_.to_numpy()[:, 0]
    table = table[np.isin(table.index.to_numpy(), records.lower)]  # the library adds a row at time 0
    relative = np.sqrt((table["events"] / (table["at_risk"] * (table["at_risk"] - table["events"]))).cumsum())
    return table.assign(standard_error=(table["surviving"] * relative).where(table["surviving"] > 0))


def _failed_band(
    at_risk: FloatArray, events: FloatArray, surviving: FloatArray, error: FloatArray, level: float
) -> tuple[FloatArray, FloatArray]:
    """Pointwise band for the share failed at the times of a Kaplan-Meier curve."""
    # On the log(-log) scale of the surviving share where it lies strictly between 0 and 1. Before the first
    # event and after the last survivor that scale has no answer; there the likelihood ratio gives the limit
    # that remains (D. R. Thomas and G. L. Grunkemeier, "Confidence interval estimation of survival
    # probabilities for censored data", J. Am. Stat. Assoc. 70 (1975) 865-871).
    with np.errstate(divide="ignore", invalid="ignore"):
        half = ndtri((1 + level) / 2) * error / (surviving * np.log(surviving))
        low, high = 1 - surviving ** np.exp(half), 1 - surviving ** np.exp(-half)
    allowed = float(chdtri(1, 1 - level)) / 2
    untouched, gone = surviving >= 1, surviving <= 0
    # All at risk at the end of this time survived it: (1 - failed) ** at_risk is the likelihood.
    low[untouched] = 0.0
    high[untouched] = -np.expm1(-allowed / at_risk[untouched])
    if gone.any():
        last = int(np.argmax(gone)) + 1
        low[gone], high[gone] = _low_when_gone(at_risk[:last], events[:last], allowed), 1.0
    return low, high


def _low_when_gone(at_risk: FloatArray, events: FloatArray, allowed: float) -> float:
    """Lowest share failed that is still allowed where the estimate says that all have failed."""
    rest = at_risk - events

    def loss(log_extra: float) -> float:
        extra = np.exp(log_extra)  # units without event that are imagined to have been at risk as well
        of_rest = np.divide(extra, rest, out=np.zeros_like(rest), where=rest > 0)
        return float((xlogy(at_risk, 1 + extra / at_risk) - xlogy(rest, 1 + of_rest)).sum()) - allowed

    extra = np.exp(brentq(loss, -40.0, 40.0, xtol=1e-12))
    return float(1 - np.prod(1 - events / (at_risk + extra)))


# ---- One nonparametric curve of the share failed by each age, whatever is known of the lives

# A gap in log-likelihood that no figure could show; above it the masses are not shown at all.
_CONVERGED = 1e-5
# A band is worked out at so many ages at most, in between it is as wide as at the next ones.
_MOST_STATUS_AGES, _MOST_AGES = 256, 32

_BEGIN = {"age_years": 0.0, "age_from_years": 0.0, "failed": 0.0, "low": 0.0, "high": 0.0}
_REST = ("standard_error", "at_risk", "events")


@dataclass(frozen=True, eq=False)
class Curve:
    """Share failed by each age, without assuming a form.

    Attributes
    ----------
    method : str
        "Kaplan-Meier", "isotonic" or "Turnbull".
    status : str
        "ok"; "no failures" or "all failed", where only one side of the band says anything; "no
        records"; "not converged", then without numbers.
    level : float
        Probability that the band promises at each age.
    age_years : ndarray of float64, shape (n_ages,), as all that follow
        Ages at which the curve is determined, ascending from 0.
    age_from_years : ndarray
        The rise to `failed` happens after this age and by `age_years`; equal for exact lives.
    failed : ndarray
        Share failed by each age.
    low, high : ndarray
        Pointwise band. Kaplan-Meier: Greenwood's error on the log(-log) scale, by likelihood ratio before
        the first failure and after the last survivor. Else the likelihood ratio against the chi-square
        quantile, which is on the wide side between inspections.
    standard_error : ndarray
        Greenwood's for Kaplan-Meier, else NaN.
    at_risk, events : ndarray
        Kaplan-Meier: under observation before each age, and failures at it. Isotonic: inspected at
        each age, and found failed. Turnbull: NaN.
    n_records : float
        Weighed number of records that say anything.
    """

    method: str
    status: str
    level: float
    age_years: FloatArray
    age_from_years: FloatArray
    failed: FloatArray
    low: FloatArray
    high: FloatArray
    standard_error: FloatArray
    at_risk: FloatArray
    events: FloatArray
    n_records: float

    @property
    def usable(self) -> bool:
        """Whether both failures and survivors were seen and the curve was found."""
        return self.status == "ok"

    def at(self, age_years: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Share failed by given ages.

        Between two ages of the curve the share already reached is returned, with a band that holds
        wherever in between the curve rises. Beyond the last age nothing is known but that the
        share does not fall: NaN, up to 1.

        Parameters
        ----------
        age_years : array_like, shape (n,)
            Ages in years, >= 0.

        Returns
        -------
        estimate, low, high : ndarray of float64, shape (n,)
        """
        age = np.atleast_1d(np.asarray(age_years, dtype=np.float64))
        if not np.all(age >= 0):
            raise InvalidInput(f"Ages must be numbers >= 0; got {age[~(age >= 0)][0]:g}.")
        if self.age_years.size == 0:
            nothing = np.full(age.shape, np.nan)
            return nothing, nothing.copy(), nothing.copy()
        at = np.searchsorted(self.age_years, age, side="right") - 1
        beyond = age > self.age_years[-1]
        after = at if self.method == "Kaplan-Meier" else np.searchsorted(self.age_years, age, side="left")
        high = np.append(self.high, 1.0)[np.where(beyond, self.age_years.size, after)]
        unknown = beyond & (self.failed[-1] < 1)
        return np.where(unknown, np.nan, self.failed[at]), self.low[at], high

    def life(self, share: float) -> tuple[float, float, float]:
        """Age by which a share has failed: 0.10 for the age that one in ten does not reach.

        Returns
        -------
        estimate, low, high : float
            The first age at which the curve reaches the share (NaN if it never does), and where its
            upper and lower limits reach it (the latter infinite if it never does).
        """
        if not 0 < share < 1:
            raise InvalidInput(f"`share` must lie between 0 and 1; got {share!r}.")
        nearly = share - 1e-12  # sums of masses reach a half only up to rounding
        return (
            _first(self.age_years, self.failed >= nearly, np.nan),
            _first(self.age_from_years, self.high >= nearly, np.nan),
            _first(self.age_years, self.low >= nearly, np.inf),
        )

    def table(self) -> pd.DataFrame:
        """One row per age: age_years, age_from_years, failed, low, high, standard_error, at_risk, events."""
        return pd.DataFrame({name: getattr(self, name) for name in (*_BEGIN, *_REST)})


def fit_curve(records: LifeRecords, *, level: float = 0.90, has_band: bool = True) -> Curve:
    """Fit the nonparametric maximum-likelihood curve that suits what is known of one stratum.

    Exact and right-censored lives get the Kaplan-Meier curve; parts that were each inspected once the
    weighted isotonic regression; everything else, mixtures over years included, Turnbull's curve. The band
    takes most of the time.
    """
    if not 0 < level < 1:
        raise InvalidInput(f"`level` must lie between 0 and 1; got {level!r}.")
    empty = (records.lower == 0) & np.isinf(records.upper)
    told = np.isin(records.record, records.record[~empty])
    if not told.any():
        return _curve(records, level, {}, method="Turnbull", status="no records")
    records = records.subset(told)
    exact, right = records.lower == records.upper, np.isinf(records.upper)
    left = (records.lower == 0) & ~right
    fit = _turnbull_curve
    if not records.is_alternative.any():
        if np.all(left | right):
            fit = _isotonic_curve
        elif np.all(exact | right):
            fit = _kaplan_meier_curve
    return fit(records, level, has_band=has_band)


def _band(size: int, most: int, limits: Callable[[IntArray], ArrayLike]) -> dict[str, FloatArray]:
    """Band at all ages from the limits at some: at least that of a younger one, at most that of an older."""
    at, place = np.unique(np.linspace(0, size - 1, min(size, most)).round().astype(np.int64)), np.arange(size)
    low, high = np.asarray(limits(at))
    return {
        "low": np.append(0.0, low)[np.searchsorted(at, place, side="right")],
        "high": np.append(high, 1.0)[np.searchsorted(at, place, side="left")],
    }


def _curve(
    records: LifeRecords, level: float, columns: dict[str, FloatArray], *, method: str, status: str = "ok"
) -> Curve:
    """Complete the columns by the beginning of life and by NaN where a method has no such number."""
    if np.all(np.isinf(records.upper)) and columns:
        status = "no failures"
    elif np.all((records.lower == 0) & np.isfinite(records.upper)) and columns:
        status = "all failed"
    size = columns["age_years"].size if columns else -1
    arrays = {}
    for name in (*_BEGIN, *_REST):
        values = columns.get(name, np.full(max(size, 0), np.nan))
        arrays[name] = np.append(_BEGIN.get(name, np.nan), values) if size >= 0 else np.empty(0)
    first = np.unique(records.record, return_index=True)[1]
    number = float(records.count[first].sum()) if columns else 0.0
    return Curve(method=method, status=status, level=level, n_records=number, **arrays)


def _kaplan_meier_curve(records: LifeRecords, level: float, *, has_band: bool) -> Curve:
    table = _product_limit(records)
    ages, (at_risk, events, surviving, error) = table.index.to_numpy(float), table.to_numpy().T
    columns = {"age_years": ages, "age_from_years": ages, "failed": 1 - surviving}
    columns |= {"standard_error": error, "at_risk": at_risk, "events": events}
    if has_band:
        columns["low"], columns["high"] = _failed_band(at_risk, events, surviving, error, level)
    curve = _curve(records, level, columns, method="Kaplan-Meier")
    # Until the first age nobody has failed, but somebody might have.
    curve.high[0] = -np.expm1(-chdtri(1, 1 - level) / 2 / curve.n_records)
    return curve


def _isotonic_curve(records: LifeRecords, level: float, *, has_band: bool) -> Curve:
    is_failed = np.isfinite(records.upper)
    ages, place = np.unique(np.where(is_failed, records.upper, records.lower), return_inverse=True)
    counts = (records.count, records.count * is_failed)
    inspected, failed = (np.bincount(place, each, ages.size).astype(np.float64) for each in counts)
    # The maximum-likelihood estimate (M. Ayer et al., "An empirical distribution function for sampling with
    # incomplete information", Ann. Math. Stat. 26 (1955) 641-647); cut for rounding only.
    share = np.clip(isotonic_regression(failed / inspected, weights=inspected).x, 0.0, 1.0)
    columns = {"age_years": ages, "age_from_years": np.append(0.0, ages[:-1]), "failed": share}
    columns |= {"at_risk": inspected, "events": failed}
    if has_band:
        limits = partial(_status_limits, inspected, failed, share, allowed=float(chdtri(1, 1 - level)))
        columns |= _band(ages.size, _MOST_STATUS_AGES, limits)
    return _curve(records, level, columns, method="isotonic")


def _turnbull_curve(records: LifeRecords, level: float, *, has_band: bool) -> Curve:
    masses = turnbull(records)
    if masses.maximum.gap > _CONVERGED * masses.likelihood.count.sum():
        return _curve(records, level, {}, method="Turnbull", status="not converged")
    # The ages at which the masses determine the share failed: the ends of cells, and the last survivor's.
    carries = (masses.mass > 1e-9) & np.isfinite(masses.right)
    ages, begins, failed = masses.right[carries], masses.left[carries], np.cumsum(masses.mass[carries])
    last = float(records.lower.max())
    if ages.size == 0 or last > ages[-1]:
        ages, begins = np.append(ages, last), np.append(begins, last)
        failed = np.append(failed, failed[-1] if failed.size else 0.0)
    if not np.isinf(masses.right[masses.mass > 1e-9]).any():
        failed[-1] = 1.0  # up to rounding
    columns = {"age_years": ages, "age_from_years": begins, "failed": np.minimum(failed, 1.0)}

    def limits(at: IntArray) -> FloatArray:
        return np.transpose([share_limits(masses, age, level) for age in ages[at]])

    if has_band:
        columns |= _band(ages.size, _MOST_AGES, limits)
    return _curve(records, level, columns, method="Turnbull")


def _first(ages: FloatArray, reached: BoolArray, otherwise: float) -> float:
    return float(ages[np.argmax(reached)]) if reached.any() else otherwise


# ---- Comebacks: how long repaired units keep working after they are sold

DAYS_PER_YEAR = 365.25
SECONDS_PER_DAY = 86_400
# A unit that fails on the day of its sale worked for some of it: the shortest time told apart.
SHORTEST_DAYS = 0.5
NOT_KNOWN = "not known"
JOB_COLUMNS = ("job", "family", "outcome", "closed", "sold_on", "origin")
FOLLOWUP_COLUMNS = ("job", "checked_on", "working", "failed_on", "component")


@dataclass(frozen=True, eq=False)
class Comebacks:
    """What is known of repaired units after their sale."""

    # One row per unit that was ever checked: job, family, lower_days, upper_days (the first comeback lies in
    # this interval; infinite: none yet; equal: the day is known), component (what failed; "not known"; empty
    # for none).
    table: pd.DataFrame
    # Repaired jobs that say nothing, by reason. Silence is not "working": a job without a check is one.
    left_out: pd.Series
    curve: Curve  # share that has come back by each time, in years

    def within(self, days: ArrayLike, *, level: float = 0.90) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Probability (n,) that a repaired unit comes back within some days (n,), and its limits.

        The limits are of the likelihood ratio; the estimate is NaN beyond the last check.
        """
        wanted = np.atleast_1d(np.asarray(days, dtype=np.float64))
        if not np.all((wanted > 0) & np.isfinite(wanted)):
            raise InvalidInput(f"`days` must be finite and above 0; got {wanted.tolist()}.")
        if not 0 < level < 1:
            raise InvalidInput(f"`level` must lie between 0 and 1; got {level!r}.")
        if self.table.empty:
            return np.full(wanted.size, np.nan), np.zeros(wanted.size), np.ones(wanted.size)
        estimate = self.curve.at(wanted / DAYS_PER_YEAR)[0]
        masses = turnbull(_records(self.table))
        low, high = np.array([share_limits(masses, day / DAYS_PER_YEAR, level) for day in wanted]).T
        return estimate, low, high


def comebacks(
    jobs: pd.DataFrame, followups: pd.DataFrame, as_of: datetime.date, *, level: float = 0.90
) -> Comebacks:
    """Gather the time from sale (else from the end of the job) to the first comeback.

    Notes
    -----
    A buyer whose unit fails is more likely to be heard of than one whose unit works. Where checks are
    made only when somebody complains, the share that comes back is overstated.
    """
    repaired = jobs[jobs["outcome"].eq("repaired")]
    begin = repaired["sold_on"].fillna(repaired["closed"])
    own, dated = repaired["origin"].isna(), begin.notna()
    counts = {
        "imported from another source": int((~own).sum()),
        "neither sold nor closed on a known day": int((own & ~dated).sum()),
    }
    repaired = repaired.assign(begin=begin)[own & dated].reset_index(drop=True)
    checks = followups.loc[followups["checked_on"].le(pd.Timestamp(as_of)), list(FOLLOWUP_COLUMNS)]
    checks = checks.merge(repaired[["job", "begin"]], on="job")
    since = (checks[day] - checks["begin"] for day in ("checked_on", "failed_on"))
    checked, failed = (time.dt.total_seconds() / SECONDS_PER_DAY for time in since)
    checks = checks.assign(checked=checked, failed=failed, broken=checks["working"].eq("no"))
    checks = checks.sort_values(["job", "checked"], kind="stable")
    table = _first_comebacks(repaired, checks)
    in_time = int(repaired["job"].isin(checks["job"]).sum())
    counts["never checked"] = len(repaired) - in_time
    counts["checked only before or on the day of the sale"] = in_time - len(table)
    lives = LifeRecords(0.0, np.inf) if table.empty else _records(table)
    return Comebacks(table, pd.Series(counts, name="jobs", dtype=np.int64), fit_curve(lives, level=level))


def _first_comebacks(repaired: pd.DataFrame, checks: pd.DataFrame) -> pd.DataFrame:
    """Interval of the first comeback for each unit that was checked after its sale."""
    # What was seen before the sale, or failed before it, is no comeback.
    later = checks[checks["checked"].ge(0) & ~checks["failed"].lt(0)]
    broken = later[later["broken"]].drop_duplicates("job").set_index("job")
    checked_at = broken["checked"].reindex(later["job"]).to_numpy()
    worked = later[~later["broken"] & ~(later["checked"].to_numpy() > checked_at)]
    last_working = worked.groupby("job")["checked"].max()
    table = repaired.loc[repaired["job"].isin(later["job"]), ["job", "family"]].reset_index(drop=True)
    seen = table["job"]
    known_day = broken["failed"].reindex(seen).to_numpy()
    upper = broken["checked"].reindex(seen).to_numpy()
    upper = np.where(np.isnan(known_day), upper, known_day)
    upper = np.where(np.isnan(upper), np.inf, np.maximum(upper, SHORTEST_DAYS))
    lower = last_working.reindex(seen).fillna(0.0).to_numpy()
    lower = np.where(np.isnan(known_day), np.minimum(lower, upper), upper)
    came_back = np.isfinite(upper)
    component = broken["component"].reindex(seen).fillna(NOT_KNOWN).to_numpy(object)
    table["lower_days"], table["upper_days"] = lower, upper
    table["component"] = np.where(came_back, component, None)
    # Seen working on the day of the sale and never again: nothing is known of the time after it.
    return table[came_back | (lower > 0)].reset_index(drop=True)


def _records(table: pd.DataFrame) -> LifeRecords:
    return LifeRecords(table["lower_days"] / DAYS_PER_YEAR, table["upper_days"] / DAYS_PER_YEAR)
