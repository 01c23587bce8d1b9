"""Likelihood of probability masses on cells of age, and its maximum."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls

from reliability.life.ages import BoolArray, FloatArray, IntArray

# Gap in log-likelihood, per record, below which a maximum counts as found.
TOLERANCE = 1e-11
MAX_ROUNDS = 300
_CHUNK = 20_000
_PENALTY = 1e4
_MANY_CELLS = 120


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

    def columns(self, cells: IntArray, begin: int, end: int) -> FloatArray:
        """Likelihood of records `begin` to `end` per unit of mass on each of the cells."""
        bounds = np.append(self.start, self.first.size)
        rows = slice(bounds[begin], bounds[end])
        inside = (self.first[rows, None] <= cells) & (cells < self.last[rows, None])
        return np.add.reduceat(inside * self.weight[rows, None], self.start[begin:end] - bounds[begin])


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

    Each round takes two self-consistency steps (expectation and maximisation), then one Newton step
    on the cells that carry mass or want it: the second-order expansion of the log-likelihood is a
    least-squares problem under non-negativity [1]_. It ends where the optimality conditions hold:
    no cell has a larger derivative than the multiplier of its group.

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
    even = _scaled(np.ones(likelihood.n_cells), group, total)
    mass = even if start is None else 0.99 * _scaled(start, group, total) + 0.01 * even
    tolerance = tolerance * float(likelihood.count.sum())
    best = _checked(likelihood, mass, group, total)
    for _ in range(MAX_ROUNDS):
        mass = best.mass
        for _ in range(2):
            mass = _scaled(mass * likelihood.gradient(mass), group, total)
        mass = _newton(likelihood, mass, group, total)
        new = _checked(likelihood, mass, group, total)
        stuck = new.log_likelihood <= best.log_likelihood and new.gap >= best.gap
        best = best if stuck else new
        if stuck or best.gap <= tolerance:
            break
    return best


def _scaled(mass: FloatArray, group: IntArray, total: FloatArray) -> FloatArray:
    """Masses in their old proportions with the wanted total in each group."""
    have = np.bincount(group, mass, total.size)
    factor = np.divide(total, have, out=np.zeros_like(total), where=have > 0)
    return mass * factor[group]


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
    carries = mass > 1e-6 / mass.size
    wants = _peaks(gradient) & (mass == 0)
    choices = [(carries | wants, 30)]
    if np.count_nonzero(carries) > _MANY_CELLS:  # the hills of the masses do, if a full step succeeds
        choices.insert(0, ((carries & _peaks(mass)) | wants, 1))
    for chosen, tries in choices:
        cells = np.flatnonzero(chosen & (total[group] > 0))
        aim = _aim(likelihood, mass, cells, group, total)
        new = _search(likelihood, mass, aim - mass, float(gradient @ (aim - mass)), tries)
        if new is not mass:
            return new
    return mass


def _aim(
    likelihood: CellLikelihood, mass: FloatArray, cells: IntArray, group: IntArray, total: FloatArray
) -> FloatArray:
    """Maximum of the second-order expansion over masses on some cells."""
    factor = _triangle(likelihood, mass, cells)
    heavy = _PENALTY * np.sqrt(likelihood.count.sum())
    rows = heavy * (group[cells] == np.arange(total.size)[:, None])
    system = np.vstack((factor[:, :-1], rows))
    aim = np.zeros_like(mass)
    try:
        aim[cells], _ = nnls(system, np.concatenate((factor[:, -1], heavy * total)), maxiter=30 * cells.size)
    except RuntimeError:  # it went in circles among cells that can hardly be told apart
        return mass
    aim = _scaled(aim, group, total)
    reached = np.bincount(group, aim, total.size) > total * (1 - 1e-9)
    return aim if np.all(reached | (total == 0)) else mass


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


def _peaks(values: FloatArray) -> BoolArray:
    """Cells where the values have a local maximum."""
    padded = np.concatenate(([-np.inf], values, [-np.inf]))
    return (padded[1:-1] >= padded[:-2]) & (padded[1:-1] >= padded[2:])


def _triangle(likelihood: CellLikelihood, mass: FloatArray, cells: IntArray) -> FloatArray:
    """Triangular factor of the weighted least-squares problem, built in chunks of records."""
    each = likelihood.of_records(mass)
    root = np.sqrt(likelihood.count)
    factor = np.empty((0, cells.size + 1))
    for begin in range(0, each.size, _CHUNK):
        end = min(begin + _CHUNK, each.size)
        part = likelihood.columns(cells, begin, end) * (root[begin:end] / each[begin:end])[:, None]
        block = np.column_stack((part, 2.0 * root[begin:end]))
        factor = np.asarray(np.linalg.qr(np.vstack((factor, block)), mode="r"))
    return factor
