"""Distribution of lives known to lie in intervals, and likelihood-ratio limits for it."""

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logit
from scipy.stats import chi2

from reliability.life.findings import BoolArray, FloatArray, IntArray
from reliability.life.lives import LifeRecords

# ---- Likelihood of probability masses on cells of age, and its maximum


# Gap in log-likelihood, per record, below which a maximum counts as found.
TOLERANCE = 1e-11
MAX_ROUNDS = 300
_CHUNK = 2_000_000
_RIDGE = 1e-13
_PENALTY = 10.0


@dataclass(frozen=True, eq=False)
class CellLikelihood:
    """Records that each say: the life ended in one of these runs of cells.

    Attributes
    ----------
    first, last : ndarray of int64, shape (n_rows,)
        Run of cells of each row, ``last`` not included.
    weight : ndarray of float64, shape (n_rows,)
        What the masses of the run are multiplied with.
    start : ndarray of int64, shape (n_records,)
        First row of each record; the rows of a record are added up.
    count : ndarray of float64, shape (n_records,)
        How many such records there are.
    n_cells : int
    """

    first: IntArray
    last: IntArray
    weight: FloatArray
    start: IntArray
    count: FloatArray
    n_cells: int

    def of_records(self, mass: FloatArray) -> FloatArray:
        """Likelihood of each record; ndarray of float64, shape (n_records,)."""
        total = np.concatenate(([0.0], np.cumsum(mass)))
        return np.add.reduceat(self.weight * (total[self.last] - total[self.first]), self.start)

    def log(self, mass: FloatArray) -> float:
        """Log-likelihood; minus infinity where a record is impossible."""
        likelihood = self.of_records(mass)
        if np.any(likelihood <= 0):
            return -np.inf
        return float(self.count @ np.log(likelihood))

    def gradient(self, mass: FloatArray) -> FloatArray:
        """Differentiate the log-likelihood by each mass; ndarray of float64, shape (n_cells,)."""
        length = np.diff(np.append(self.start, self.first.size))
        value = np.repeat(self.count / self.of_records(mass), length) * self.weight
        size = self.n_cells + 1
        step = np.bincount(self.first, value, size) - np.bincount(self.last, value, size)
        return np.cumsum(step)[:-1]

    def gram(self, cells: IntArray, each: FloatArray) -> FloatArray:
        """Second derivatives by the masses of some cells (ascending), their sign turned.

        `each` is the likelihood of each record, as `of_records` gives it.
        """
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
    """Masses that maximise a likelihood.

    Attributes
    ----------
    mass : ndarray of float64, shape (n_cells,)
    log_likelihood : float
    multiplier : ndarray of float64, shape (n_groups,)
        Rise in log-likelihood per unit of mass granted to each group of cells.
    gap : float
        The log-likelihood is at most this far below its supremum.
    """

    mass: FloatArray
    log_likelihood: float
    multiplier: FloatArray
    gap: float


def maximise(
    likelihood: CellLikelihood,
    group: IntArray | None = None,
    total: FloatArray | None = None,
    start: FloatArray | None = None,
    tolerance: float = TOLERANCE,
) -> Maximum:
    r"""Maximise the likelihood over masses, with a fixed total in each group of cells.

    Few cells carry mass at the maximum. Each round takes a self-consistency step (expectation and
    maximisation), then one Newton step on the cells that carry mass and, between any two of them, the one
    that wants it most: the second-order expansion of the log-likelihood is a least-squares problem under
    non-negativity [1]_. It ends where the optimality conditions hold: no cell has a larger derivative
    than the multiplier of its group.

    Parameters
    ----------
    likelihood : CellLikelihood
    group : ndarray of int64, shape (n_cells,), optional
        Group of each cell, 0, 1, …; without it all cells are one group with total 1.
    total : ndarray of float64, shape (n_groups,), optional
        Mass of each group.
    start : ndarray of float64, shape (n_cells,), optional
        Where to begin.
    tolerance : float
        Gap in log-likelihood, per record, below which the maximum counts as found.

    Returns
    -------
    Maximum

    References
    ----------
    .. [1] Y. Wang, "On fast computation of the non-parametric maximum likelihood estimate of a mixing
       distribution", J. R. Stat. Soc. B 69 (2007) 185-198.
    """
    group = np.zeros(likelihood.n_cells, dtype=np.int64) if group is None else group
    total = np.ones(1) if total is None else total
    mass = np.zeros(likelihood.n_cells) if start is None else _scaled(start, group, total)
    if np.any(likelihood.of_records(mass) <= 0) or np.any(_totals(mass, group, total) < 0.5 * total):
        mass = 0.9 * mass + 0.1 * _cover(likelihood, total[group] > 0)
        mass = _scaled(mass + 1e-3 * _middles(group, total), group, total)
    tolerance = tolerance * float(likelihood.count.sum())
    best = _checked(likelihood, mass, group, total)
    for _ in range(MAX_ROUNDS):
        if best.gap <= tolerance:
            break
        mass = _scaled(best.mass * likelihood.gradient(best.mass), group, total)
        new = _checked(likelihood, _newton(likelihood, mass, group, total), group, total)
        if new.log_likelihood <= best.log_likelihood and new.gap >= best.gap:
            break
        best = new
    return best


def _scaled(mass: FloatArray, group: IntArray, total: FloatArray) -> FloatArray:
    """Masses in their old proportions with the wanted total in each group."""
    have = _totals(mass, group, total)
    factor = np.divide(total, have, out=np.zeros_like(total), where=have > 0)
    return mass * factor[group]


def _totals(mass: FloatArray, group: IntArray, total: FloatArray) -> FloatArray:
    return np.bincount(group, mass, total.size).astype(np.float64)


def _cover(likelihood: CellLikelihood, allowed: BoolArray) -> FloatArray:
    """Equal masses on few cells, such that every record that can happen on the cells allowed does."""
    cells = np.flatnonzero(allowed)
    first, last = np.searchsorted(cells, likelihood.first), np.searchsorted(cells, likelihood.last)
    record = np.repeat(np.arange(likelihood.start.size), np.diff(likelihood.start, append=first.size))
    rows = np.flatnonzero(first < last)
    rows = rows[np.append(True, np.diff(record[rows]) != 0)[: rows.size]]  # one alternative will do
    mass = np.zeros(likelihood.n_cells)
    hit = -1
    for row in rows[np.argsort(last[rows], kind="stable")]:
        if first[row] > hit:
            hit = last[row] - 1
            mass[cells[hit]] = 1.0
    return mass / max(mass.sum(), 1.0)


def _middles(group: IntArray, total: FloatArray) -> FloatArray:
    """Mass on one cell of each group that must have some."""
    mass = np.zeros(group.size)
    for number in np.flatnonzero(total > 0):
        inside = np.flatnonzero(group == number)
        mass[inside[inside.size // 2]] = 1.0
    return mass


def _checked(likelihood: CellLikelihood, mass: FloatArray, group: IntArray, total: FloatArray) -> Maximum:
    """Attach the multipliers and the distance from the optimality conditions."""
    gradient = likelihood.gradient(mass)
    value = np.bincount(group, mass * gradient, total.size)
    multiplier = np.divide(value, total, out=np.zeros_like(total), where=total > 0)
    best = np.full(total.size, -np.inf)
    np.maximum.at(best, group, gradient)
    # Concavity: no masses with these totals gain more than the first-order rise.
    gap = float(np.sum(np.where(total > 0, total * (best - multiplier), 0.0)))
    return Maximum(mass, likelihood.log(mass), multiplier, gap)


def _newton(likelihood: CellLikelihood, mass: FloatArray, group: IntArray, total: FloatArray) -> FloatArray:
    """One Newton step with a line search; the masses never get less likely."""
    gradient = likelihood.gradient(mass)
    multiplier = _checked(likelihood, mass, group, total).multiplier
    carries = mass > 1e-6 / mass.size * total[group]
    wanting = _wanting(gradient - np.where(total > 0, multiplier, np.inf)[group], carries)
    cells = np.flatnonzero(carries | wanting)
    own, scale = np.eye(total.size)[:, group[cells]], total[group[cells]]
    # In shares of each group's total, which are kept by multipliers and a penalty on what those leave.
    heavy = _PENALTY * likelihood.count.sum()
    curve = likelihood.gram(cells, likelihood.of_records(mass)) * np.outer(scale, scale) + heavy * own.T @ own
    curve[np.diag_indices_from(curve)] *= 1 + _RIDGE
    rise = scale * (2 * gradient - multiplier[group])[cells] + heavy
    for is_quick in (True, False):
        aim = np.zeros_like(mass)
        aim[cells] = scale * _nonnegative(curve, rise, mass[cells] / scale, is_quick)
        aim = _scaled(aim, group, total)
        if np.all(_totals(aim, group, total) >= 0.5 * total):
            new = _search(likelihood, mass, aim - mass, float(gradient @ (aim - mass)), 3 if is_quick else 30)
            if new is not mass:
                return new
    return mass


def _wanting(over: FloatArray, carries: BoolArray) -> BoolArray:
    """Between any two cells that carry mass, the one whose derivative is most over the multiplier."""
    over = np.where(carries, -np.inf, over)
    begin = np.append(0, np.flatnonzero(carries) + 1)
    begin = begin[begin < over.size]
    length = np.diff(begin, append=over.size)
    highest = np.repeat(np.maximum.reduceat(over, begin), length)
    return (over == highest) & (over > 0)


def _nonnegative(curve: FloatArray, rise: FloatArray, start: FloatArray, is_quick: bool) -> FloatArray:
    """Go down a parabola from a place without negative numbers; what would become one stays at 0.

    Quick: all that would become negative are dropped at once, and the place may be no lower. Otherwise only
    the first to get there are.
    """
    x, free = start.copy(), np.arange(start.size)
    while free.size:
        aim = np.linalg.solve(curve[np.ix_(free, free)], rise[free])
        falls = aim <= 0
        if not falls.any():
            x[free] = aim
            break
        part = 0.0 if is_quick else np.min(x[free][falls] / (x[free] - aim)[falls])
        x[free] = np.maximum(x[free] + part * (aim - x[free]), 0.0)
        gone = falls & (is_quick | (x[free] <= 1e-15))
        x[free[gone]] = 0.0
        free = free[~gone]
    return x


def _search(
    likelihood: CellLikelihood, mass: FloatArray, step: FloatArray, rise: float, tries: int
) -> FloatArray:
    """Shorten the step until the log-likelihood rises; the old masses themselves if it never does."""
    now = likelihood.log(mass)
    if rise <= 0:
        return mass
    length = 1.0
    for _ in range(tries):
        new = np.maximum(mass + length * step, 0.0)
        if likelihood.log(new) >= now + 1e-3 * length * rise:
            return new
        length /= 2
    return mass


# ---- Nonparametric distribution of lives known to lie in intervals (lower, upper]


@dataclass(frozen=True, eq=False)
class Masses:
    """Nonparametric maximum-likelihood distribution.

    Attributes
    ----------
    records : LifeRecords
        What it was made from.
    left, right : ndarray of float64, shape (n_cells,)
        Cells (left, right] that can carry mass, in years; equal ends are a single age.
    likelihood : CellLikelihood
        The records, in terms of these cells.
    maximum : Maximum
        The masses, their log-likelihood and how well the optimality conditions hold.
    """

    records: LifeRecords
    left: FloatArray
    right: FloatArray
    likelihood: CellLikelihood
    maximum: Maximum

    @property
    def mass(self) -> FloatArray:
        """Probability of each cell; ndarray of float64, shape (n_cells,)."""
        return self.maximum.mass


def turnbull(records: LifeRecords) -> Masses:
    """Maximise the likelihood of all records over every distribution of lives.

    Only the innermost intervals can carry mass: where a lower end is directly followed by an upper
    one [1]_. For a record with weighted alternatives its likelihood is the weighted sum over them; the
    innermost intervals of all alternatives suffice, because moving mass into one takes it out of no
    alternative. The likelihood stays concave in the masses, so there is one maximum.

    Parameters
    ----------
    records : LifeRecords
        One stratum. Exact lives are intervals of no width.

    Returns
    -------
    Masses

    References
    ----------
    .. [1] B. W. Turnbull, "The empirical distribution function with arbitrarily grouped, censored and
       truncated data", J. R. Stat. Soc. B 38 (1976) 290-295.
    """
    left, right, likelihood = cells_of(records)
    return Masses(records, left, right, likelihood, maximise(likelihood))


def cells_of(
    records: LifeRecords, split_years: float | None = None
) -> tuple[FloatArray, FloatArray, CellLikelihood]:
    """Innermost intervals of the records, and the likelihood in terms of them.

    Parameters
    ----------
    records : LifeRecords
        One stratum.
    split_years : float, optional
        An age that no cell may straddle. Then both sides of it have a cell, as is needed where the
        share failed by that age is held at some value.

    Returns
    -------
    left, right : ndarray of float64, shape (n_cells,)
        Cells (left, right] in years, ascending.
    likelihood : CellLikelihood
    """
    extra = np.empty(0) if split_years is None else np.array([0.0, split_years, np.inf])
    ages, place = np.unique(np.concatenate((records.lower, records.upper, extra)), return_inverse=True)
    # At each age the order is: an exact life begins, an interval ends (end included), an interval
    # begins (end left out). Threefold places on the line keep the three apart.
    n = len(records)
    low = 3 * place[:n] + np.where(records.lower == records.upper, 0, 2)
    high = 3 * place[n : 2 * n] + 1
    split = 3 * place[2 * n :]
    cell_low, cell_high = innermost(
        np.concatenate((low, split[:2] + 2)), np.concatenate((high, split[1:] + 1))
    )
    likelihood = cell_likelihood(
        np.searchsorted(cell_low, low, side="left"),
        np.searchsorted(cell_high, high, side="right"),
        records.weight,
        records.record,
        records.count,
        n_cells=cell_low.size,
    )
    return ages[cell_low // 3], ages[cell_high // 3], likelihood


def innermost(low: IntArray, high: IntArray) -> tuple[IntArray, IntArray]:
    """Pairs of a lower end and the next upper end with no other lower end between them.

    Parameters
    ----------
    low, high : ndarray of int64, shape (n,)
        Places of lower and upper ends on one line; no lower end shares a place with an upper one.

    Returns
    -------
    low, high : ndarray of int64, shape (n_cells,)
        Sorted; the cells do not overlap.
    """
    low, high = np.unique(low), np.unique(high)
    following = np.searchsorted(high, low)
    has_end = following < high.size
    low, next_high = low[has_end], high[following[has_end]]
    next_low = np.append(low[1:], np.iinfo(np.int64).max)
    keep = next_low > next_high
    return low[keep], next_high[keep]


def cell_likelihood(
    first: IntArray,
    last: IntArray,
    weight: FloatArray,
    record: IntArray,
    count: FloatArray,
    *,
    n_cells: int,
) -> CellLikelihood:
    """Gather records that say the same of the cells, and sort their rows together."""
    order = np.lexsort((last, first, record))
    first, last, record = first[order], last[order], record[order]
    weight, count = weight[order], count[order]
    start = np.flatnonzero(np.append(True, record[1:] != record[:-1]))
    length = np.diff(np.append(start, record.size))
    single = length == 1
    at = start[single]
    pairs, inverse = np.unique(
        np.column_stack((first[at], last[at], weight[at])), axis=0, return_inverse=True
    )
    gathered = np.bincount(inverse.ravel(), count[at], len(pairs))
    mixed = np.repeat(~single, length)
    mixed_length = length[~single]
    return CellLikelihood(
        first=np.concatenate((pairs[:, 0].astype(np.int64), first[mixed])),
        last=np.concatenate((pairs[:, 1].astype(np.int64), last[mixed])),
        weight=np.concatenate((pairs[:, 2], weight[mixed])),
        start=np.concatenate(
            (np.arange(len(pairs)), len(pairs) + np.cumsum(mixed_length) - mixed_length)
        ).astype(np.int64),
        count=np.concatenate((gathered, count[start[~single]])),
        n_cells=n_cells,
    )


# ---- Likelihood-ratio limits for the share failed by an age, from intervals of any kind


_STEPS = 40
_CLOSE = 1e-4  # in likelihood ratio: far below what a band can be read to
_PRECISION = 1e-8
_EDGE = 1e-9


def share_limits(masses: Masses, age_years: float, level: float) -> tuple[float, float]:
    """Limits for the share failed by an age.

    The share is held at a value while all masses adapt; the values whose likelihood ratio stays below
    the chi-square quantile make the interval. Between inspections the true law has smaller quantiles,
    so the interval errs on the wide side there.

    Parameters
    ----------
    masses : Masses
        The fitted distribution.
    age_years : float
        Above 0 and finite.
    level : float
        Between 0 and 1.

    Returns
    -------
    low, high : float
        0 or 1 where no share on that side is ruled out.
    """
    profile = _Profile(masses, age_years, float(chi2.ppf(level, 1)))
    return profile.limit(0.0), profile.limit(1.0)


class _Profile:
    """Likelihood ratio as a function of the share failed by one age."""

    def __init__(self, masses: Masses, age_years: float, allowed: float) -> None:
        _, right, self.likelihood = cells_of(masses.records, age_years)
        start = np.zeros(right.size)
        start[np.searchsorted(right, masses.right)] = masses.mass
        self.free = maximise(self.likelihood, start=start)
        self.allowed = allowed
        self.group = (right > age_years).astype(np.int64)
        self.best = float(self.free.mass[self.group == 0].sum())

    def fit(self, share: float, start: FloatArray) -> tuple[Maximum, float]:
        """Maximum with this share, and its likelihood ratio less what is allowed."""
        total = np.array([share, 1.0 - share])
        found = maximise(self.likelihood, self.group, total, start, _PRECISION)
        return found, 2 * (self.free.log_likelihood - found.log_likelihood) - self.allowed

    def limit(self, end: float) -> float:
        """Share towards `end` at which the likelihood ratio reaches what is allowed."""
        sign = 1.0 if end else -1.0
        if abs(self.best - end) <= _EDGE:
            return end
        if self._possible_without(1 if end else 0) and self.fit(end, self.free.mass)[1] <= 0:
            return end
        # The ratio is convex in the share: Newton from outside comes monotonically closer, on the
        # log-odds scale with the square root of the ratio it is nearly straight.
        inside, outside = logit(np.clip(self.best, _EDGE, 1 - _EDGE)), logit(abs(end - _EDGE))
        share, start = self._first_guess(sign), self.free.mass
        for _ in range(_STEPS):
            found, over = self.fit(share, start)
            if abs(over) < _CLOSE:
                return share
            start, place = found.mass, logit(share)
            inside, outside = (place, outside) if over < 0 else (inside, place)
            slope = -2 * (found.multiplier[0] - found.multiplier[1]) * share * (1 - share)
            root = np.sqrt(max(over + self.allowed, _CLOSE))
            step = (np.sqrt(self.allowed) - root) * 2 * root / slope if slope * sign > 0 else np.inf
            place = place + step
            if not min(inside, outside) < place < max(inside, outside):
                place = (inside + outside) / 2
            share = float(expit(place))
            if abs(outside - inside) < 1e-9:
                break
        return share

    def _possible_without(self, group: int) -> bool:
        """Tell whether every record can have happened with no mass in a group of cells."""
        rest = (self.group != group) / self.group.size
        return bool(np.all(self.likelihood.of_records(rest) > _EDGE))

    def _first_guess(self, sign: float) -> float:
        n = float(self.likelihood.count.sum())
        centre = (self.best * n + 0.5) / (n + 1)
        wide = np.sqrt(2 * self.allowed / (n * centre * (1 - centre)))
        return float(expit(logit(centre) + sign * min(wide, 4.0)))
