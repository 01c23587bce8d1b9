"""Posteriors of families kept as weights on lattices, and what they answer."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import NDArray

from reliability.life.lives import FloatArray, IntArray
from reliability.life.pooling_lattice import Lattice

# ---- Posterior of P(failed by age) along lines of constant shape


BISECTIONS = 36
SMALLEST_LOG_HAZARD, LARGEST_LOG_HAZARD = -40.0, 5.0
"""Quantiles are sought between a probability of 4e-18 and one that cannot be told from 1."""


class Lines:
    """Posteriors of some families as lines of constant shape, with a regular axis of log scale each.

    Parameters
    ----------
    first : ndarray of float64, shape (n, R)
        First node of each line.
    step : ndarray of float64, shape (n,)
        Distance between nodes.
    shape : ndarray of float64, shape (n, R)
    weight : ndarray of float64, shape (n, R, I)
    """

    def __init__(self, first: FloatArray, step: FloatArray, shape: FloatArray, weight: FloatArray) -> None:
        self.first, self.shape = first, shape
        self.step = np.maximum(step, 1e-9)
        self.weight = weight / weight.sum(axis=(1, 2), keepdims=True)
        # The density is smooth: within a step it is taken as a straight line through the neighbours, and
        # a sum up to an edge differs from the integral by rise / 24 (Euler and Maclaurin).
        padded = np.pad(self.weight, ((0, 0), (0, 0), (1, 1)))
        self.rise = 0.5 * (padded[:, :, 2:] - padded[:, :, :-2])
        self.below = np.diff(padded, axis=2) / 24
        self.below[:, :, 1:] += np.cumsum(self.weight, axis=2)

    def mean(self, log_age: FloatArray) -> FloatArray:
        """Mean of the probability of having failed by an age; ndarray, shape (n,)."""
        return np.einsum("nri,nri->n", self.weight, self._failed(log_age))

    def mean_and_square(self, log_age: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean of that probability, and of its square; two ndarrays, shape (n,)."""
        failed = self._failed(log_age)
        mean = np.einsum("nri,nri->n", self.weight, failed)
        return mean, np.einsum("nri,nri->n", self.weight, np.square(failed, out=failed))

    def _failed(self, log_age: FloatArray) -> FloatArray:
        node = np.arange(self.weight.shape[2])
        log_scale = self.first[:, :, None] + self.step[:, None, None] * node
        work = log_age[:, None, None] - log_scale
        work *= self.shape[:, :, None]
        with np.errstate(over="ignore"):  # certain death
            np.exp(work, out=work)
        np.negative(work, out=work)
        np.expm1(work, out=work)
        return np.negative(work, out=work)

    def quantile(self, log_age: FloatArray, share: float) -> FloatArray:
        """Quantile of that probability, by bisection; ndarray of float64, shape (n,).

        Along a line the log hazard falls as the scale rises, so the chance of a smaller one is the
        weight beyond one scale.
        """
        ages = np.where(np.isfinite(log_age), log_age, 0.0)  # 0 and infinite ages are settled below
        low, high = np.full((2, ages.size), [[SMALLEST_LOG_HAZARD], [LARGEST_LOG_HAZARD]])
        for _ in range(BISECTIONS):
            middle = 0.5 * (low + high)
            is_below = self._chance_below(ages, middle) < share
            low, high = np.where(is_below, middle, low), np.where(is_below, high, middle)
        middle = np.where(np.isfinite(log_age), 0.5 * (low + high), log_age)
        with np.errstate(over="ignore"):
            return -np.expm1(-np.exp(middle))

    def _chance_below(self, log_age: FloatArray, log_hazard: FloatArray) -> FloatArray:
        scale = log_age[:, None] - log_hazard[:, None] / self.shape
        edge = np.clip((scale - self.first) / self.step[:, None] + 0.5, 0.0, self.weight.shape[2])
        left = np.minimum(edge.astype(np.int64), self.weight.shape[2] - 1)[:, :, None]
        a, b, rise = (
            np.take_along_axis(values, at, axis=2)[:, :, 0]
            for values, at in ((self.below, left), (self.below, left + 1), (self.rise, left))
        )
        part = edge - left[:, :, 0]
        below = a + (b - a) * part + 0.5 * rise * (part**2 - part)
        return (self.below[:, :, -1] - below).sum(axis=1)


# ---- The normal distribution of (log scale, log shape) that says the same of P(failed) as a posterior does
# A posterior of lives is often one-sided: where all parts failed, only the log scale's upper end is
# sharp. A normal with its mean and covariance then puts a share of lives beyond that end. What such a
# summary is for is P(failed by age), so that is what is fitted: its mean, and its spread with half the
# weight, at the ages by which 5 to 95 % are expected to have failed.


SHARES = np.array([0.05, 0.2, 0.4, 0.6, 0.8, 0.95])
SPREAD_WEIGHT = 0.5
TIE = 0.003
"""Weight of staying near the moments, where P(failed) does not decide."""

STEPS = 8
N_AGES = 32

_Z, _W = hermegauss(13)
_NODES = np.stack(np.meshgrid(_Z, _Z, indexing="ij")).reshape(2, -1)
_WEIGHTS = np.outer(_W, _W).ravel() / _W.sum() ** 2
_TIMES_NODES = _WEIGHTS[:, None] * np.column_stack([np.ones(_WEIGHTS.size), *_NODES])


def normal_summary(lines: Lines, mean: FloatArray, covariance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Fit one normal to each posterior.

    Parameters
    ----------
    lines : Lines
        Posteriors of n families.
    mean : ndarray of float64, shape (n, 2)
        Their means of (log scale, log shape).
    covariance : ndarray of float64, shape (n, 2, 2)

    Returns
    -------
    mean : ndarray of float64, shape (n, 2)
    covariance : ndarray of float64, shape (n, 2, 2)

    Notes
    -----
    Levenberg-Marquardt steps on the root of the covariance, from the moments; expectations under the normal
    by a product of Gauss-Hermite rules. The result is never farther off than the moments.
    """
    log_age = _ages(lines, mean[:, 0], np.sqrt(covariance[:, 0, 0]))
    target = _moments_of_share(lines, log_age)
    root = np.linalg.cholesky(covariance)
    start = np.stack(
        [mean[:, 0], mean[:, 1], np.log(root[:, 0, 0]), np.log(root[:, 1, 1]), root[:, 1, 0]], axis=1
    )
    at, damping = start, np.full(len(start), 1e-3)
    residual, slopes = _residuals(at, start, log_age, target)
    for _ in range(STEPS):
        normal = np.swapaxes(slopes, 1, 2) @ slopes
        normal += damping[:, None, None] * np.eye(5) * np.trace(normal, axis1=1, axis2=2)[:, None, None]
        step = np.linalg.solve(normal, np.swapaxes(slopes, 1, 2) @ residual[:, :, None])[:, :, 0]
        trial = at - np.clip(step, -0.5, 0.5)
        new_residual, new_slopes = _residuals(trial, start, log_age, target)
        better = (new_residual**2).sum(axis=1) < (residual**2).sum(axis=1)
        at = np.where(better[:, None], trial, at)
        residual = np.where(better[:, None], new_residual, residual)
        slopes = np.where(better[:, None, None], new_slopes, slopes)
        damping = np.where(better, damping / 10, damping * 10)
    root = _root(at)
    return at[:, :2], root @ np.swapaxes(root, 1, 2)


def _root(at: FloatArray) -> FloatArray:
    root = np.zeros((len(at), 2, 2))
    root[:, 0, 0], root[:, 1, 1], root[:, 1, 0] = np.exp(at[:, 2]), np.exp(at[:, 3]), at[:, 4]
    return root


def _ages(lines: Lines, centre: FloatArray, sd: FloatArray) -> FloatArray:
    """Log ages by which `SHARES` are expected to have failed; shape (n, 6)."""
    grid = centre[:, None] + sd[:, None] * np.linspace(-4.5, 3.0, N_AGES)
    failed = np.stack([lines.mean(log_age) for log_age in grid.T], axis=1)
    return np.stack([np.interp(SHARES, f, g) for f, g in zip(failed, grid, strict=True)])


def _moments_of_share(lines: Lines, log_age: FloatArray) -> FloatArray:
    """Mean and weighted standard deviation of P(failed) at each age; shape (n, 12)."""
    both = [lines.mean_and_square(a) for a in log_age.T]
    mean, square = (np.stack(values, axis=1) for values in zip(*both, strict=True))
    return np.concatenate([mean, SPREAD_WEIGHT * np.sqrt(np.maximum(square - mean**2, 1e-12))], axis=1)


def _residuals(
    at: FloatArray, start: FloatArray, log_age: FloatArray, target: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Residuals (n, 17) and their derivatives (n, 17, 5)."""
    root = _root(at)
    x = at[:, 0, None] + root[:, 0, 0, None] * _NODES[0]
    y = at[:, 1, None] + root[:, 1, 0, None] * _NODES[0] + root[:, 1, 1, None] * _NODES[1]
    shape = np.exp(y)[:, None, :]
    log_hazard = np.clip(shape * (log_age[:, :, None] - x[:, None, :]), -500.0, 5.0)
    hazard = np.exp(log_hazard)
    share, density = -np.expm1(-hazard), hazard * np.exp(-hazard)
    by_x, by_y = -shape * density, log_hazard * density
    mean = share @ _WEIGHTS
    sd = np.sqrt(np.maximum((share**2) @ _WEIGHTS - mean**2, 1e-12))
    mean_slope = _slopes(by_x, by_y, root)
    both = _slopes(by_x * share, by_y * share, root)
    sd_slope = (both - mean[:, :, None] * mean_slope) / sd[:, :, None]
    residual = np.concatenate([mean, SPREAD_WEIGHT * sd], axis=1) - target
    tie = np.broadcast_to(TIE * np.eye(5), (len(at), 5, 5))
    slopes = np.concatenate([mean_slope, SPREAD_WEIGHT * sd_slope, tie], axis=1)
    return np.concatenate([residual, TIE * (at - start)], axis=1), slopes


def _slopes(by_x: FloatArray, by_y: FloatArray, root: FloatArray) -> FloatArray:
    """Mean slopes by mean log scale and shape, log of the diagonal roots, the root below; (n, ages, 5)."""
    of_x, of_y = by_x @ _TIMES_NODES[:, :2], by_y @ _TIMES_NODES
    return np.stack(
        [of_x[:, :, 0], of_y[:, :, 0], of_x[:, :, 1] * root[:, 0, 0, None],
         of_y[:, :, 2] * root[:, 1, 1, None], of_y[:, :, 1]],
        axis=-1,
    )  # fmt: skip


# ---- Posteriors of families kept as weights on lattices, and what they answer


ELEMENTS_AT_ONCE = 400_000
NORMALS_AT_ONCE = 16
"""Families to which normals are fitted at once: about what a processor keeps near by."""


@dataclass(frozen=True, eq=False)
class Weights:
    """Posterior probabilities at the nodes of some families' lattices.

    Attributes
    ----------
    family : ndarray of int64, shape (F,)
    log_scale : ndarray of float64, shape (F, I)
        For units of the family's mean production year.
    log_shape : ndarray of float64, shape (F, J)
    weight : ndarray of float16, shape (F, I, J)
        Relative to 1000 for the greatest in the family, so that half precision loses nothing that matters.
    """

    family: IntArray
    log_scale: FloatArray
    log_shape: FloatArray
    weight: NDArray[np.float16]


@dataclass(frozen=True, eq=False)
class Posterior:
    """Posteriors of all families of a component.

    Attributes
    ----------
    groups : list of Weights
    mean : ndarray of float64, shape (n_families, 2)
        Of (log scale, log shape), at the family's mean production year.
    covariance : ndarray of float64, shape (n_families, 2, 2)
    slope : float
        Posterior mean of the change of log scale per decade.
    lean : ndarray of float64, shape (n_families, 2)
        How the slope's mean changes with (log scale, log shape).
    slope_rest : ndarray of float64, shape (n_families,)
        Variance of the slope given the two.
    """

    groups: list[Weights]
    mean: FloatArray
    covariance: FloatArray
    slope: float
    lean: FloatArray
    slope_rest: FloatArray

    def with_more(self, other: "Posterior") -> "Posterior":
        """Add the families of another posterior of the same component behind its own."""
        n = self.mean.shape[0]
        moved = [replace(group, family=group.family + n) for group in other.groups]
        return Posterior(
            groups=[*self.groups, *moved],
            mean=np.concatenate([self.mean, other.mean]),
            covariance=np.concatenate([self.covariance, other.covariance]),
            slope=self.slope,
            lean=np.concatenate([self.lean, other.lean]),
            slope_rest=np.concatenate([self.slope_rest, other.slope_rest]),
        )

    def normal(self, family: IntArray, decades: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Fit normals of (log scale, log shape) that say the same of P(failed); see `normal_summary`.

        Parameters
        ----------
        family : ndarray of int64, shape (n,)
        decades : ndarray of float64, shape (n,)
            Production year, from the family's mean one.

        Returns
        -------
        mean : ndarray of float64, shape (n, 2)
        covariance : ndarray of float64, shape (n, 2, 2)
        """
        shear = np.broadcast_to(np.eye(2), (family.size, 2, 2)).copy()
        shear[:, 0] += decades[:, None] * self.lean[family]
        mean = self.mean[family] + np.outer(decades, [self.slope, 0.0])
        covariance = shear @ self.covariance[family] @ np.swapaxes(shear, 1, 2)
        covariance[:, 0, 0] += decades**2 * self.slope_rest[family]
        for group, row, at in self._in_groups(family, NORMALS_AT_ONCE):
            lines = self._lines(group, row, decades[at])
            mean[at], covariance[at] = normal_summary(lines, mean[at], covariance[at])
        return mean, covariance

    def failed_by(
        self, family: IntArray, age_years: FloatArray, decades: FloatArray, level: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Posterior mean and equal-tailed band of P(failed by age); arrays of the shape of `family`."""
        out = np.empty((3, family.size))
        for group, row, at in self._in_groups(family):
            out[:, at] = self._answer(group, row, age_years[at], decades[at], level)
        return out[0], out[1], out[2]

    def _in_groups(
        self, family: IntArray, most: int | None = None
    ) -> Iterator[tuple[Weights, IntArray, IntArray]]:
        """Blocks of families of one group: the group, their rows in it, their positions in `family`."""
        group, row = np.empty((2, self.mean.shape[0]), dtype=np.int64)
        for g, weights in enumerate(self.groups):
            group[weights.family], row[weights.family] = g, np.arange(weights.family.size)
        for g, weights in enumerate(self.groups):
            asked = np.flatnonzero(group[family] == g)
            size = max(1, min(ELEMENTS_AT_ONCE // weights.weight[0].size, most or asked.size))
            for first in range(0, asked.size, size):
                at = asked[first : first + size]
                yield weights, row[family[at]], at

    def _answer(
        self, group: Weights, row: IntArray, age_years: FloatArray, decades: FloatArray, level: float
    ) -> FloatArray:
        """Mean, lower and upper end for some questions about one group; ndarray, shape (3, n)."""
        lines = self._lines(group, row, decades)
        with np.errstate(divide="ignore"):  # age 0
            log_age = np.log(age_years)
        return np.stack(
            [lines.mean(log_age), *(lines.quantile(log_age, 0.5 + s * level / 2) for s in (-1, 1))]
        )

    def _lines(self, group: Weights, row: IntArray, decades: FloatArray) -> Lines:
        """Lines of constant shape, moved to another production year."""
        family, n = group.family[row], row.size
        x, y = group.log_scale[row], group.log_shape[row]
        apart = [axis - self.mean[family, a, None] for a, axis in enumerate((x, y))]
        lean = decades[:, None] * self.lean[family]
        ends = (x + lean[:, :1] * apart[0])[:, [0, -1]] + (decades * self.slope)[:, None]
        is_turned = ends[:, 1] < ends[:, 0]  # a guess far beyond the years on record
        start, step = ends.min(axis=1), np.ptp(ends, axis=1) / (x.shape[1] - 1)
        # What is not known of the slope beyond that spreads the scale by a normal of its own.
        rest = np.abs(decades) * np.sqrt(self.slope_rest[family])
        z, z_weight = hermegauss(5) if rest.any() else (np.zeros(1), np.ones(1))
        first = start[:, None] + lean[:, 1, None] * apart[1]
        first = first[:, :, None] + rest[:, None, None] * z
        weight = np.swapaxes(group.weight[row].astype(np.float64), 1, 2)
        weight[is_turned] = weight[is_turned, :, ::-1]
        weight = weight[:, :, None, :] * (z_weight / z_weight.sum())[:, None]
        shape = np.repeat(np.exp(y), z.size, axis=1)
        return Lines(first.reshape(n, -1), step, shape, weight.reshape(n, -1, x.shape[1]))


def _small(weight: FloatArray) -> NDArray[np.float16]:
    """Weights in half precision; the smallest that is kept is 6e-11 of the greatest."""
    return (weight * (1000.0 / weight.max(axis=(1, 2), keepdims=True))).astype(np.float16)


def combine(
    lattices: list[Lattice], at_slopes: Sequence[Iterable[FloatArray]], slope: FloatArray, chance: FloatArray
) -> Posterior:
    """Average posteriors over slopes.

    Parameters
    ----------
    lattices : list of Lattice
        All families, in groups.
    at_slopes : list of iterables of ndarray
        For each slope, the posterior weights on each of the lattices.
    slope, chance : ndarray of float64, shape (B,)
        The slopes and their posterior probabilities.

    Returns
    -------
    Posterior
    """
    n = sum(lattice.family.size for lattice in lattices)
    mean, covariance, with_slope = np.empty((n, 2)), np.empty((n, 2, 2)), np.empty((n, 2))
    groups = []
    for lattice, *weights in zip(lattices, *at_slopes, strict=True):
        total = sum(p * weight for p, weight in zip(chance, weights, strict=True))
        family = lattice.family
        mean[family], covariance[family] = lattice_moments(lattice, total)
        means = np.stack([lattice_moments(lattice, weight)[0] for weight in weights])
        with_slope[family] = np.einsum("b,b,bfa->fa", chance, slope - chance @ slope, means)
        groups.append(Weights(family, lattice.log_scale, lattice.log_shape, _small(total)))
    lean = np.linalg.solve(covariance, with_slope[:, :, None])[:, :, 0].astype(np.float64)
    rest: FloatArray = chance @ (slope - chance @ slope) ** 2 - (lean * with_slope).sum(axis=1)
    return Posterior(
        groups, mean, covariance, float(chance @ slope), lean, np.maximum(rest, 0.0).astype(np.float64)
    )


def lattice_moments(lattice: Lattice, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Means (F, 2) and covariances (F, 2, 2) of (log scale, log shape)."""
    along_x, along_y = weight.sum(axis=2), weight.sum(axis=1)
    mean = np.stack(
        [(along_x * lattice.log_scale).sum(axis=1), (along_y * lattice.log_shape).sum(axis=1)], axis=1
    )
    x, y = lattice.log_scale - mean[:, :1], lattice.log_shape - mean[:, 1:]
    covariance = np.empty((mean.shape[0], 2, 2))
    covariance[:, 0, 0] = (along_x * x**2).sum(axis=1)
    covariance[:, 1, 1] = (along_y * y**2).sum(axis=1)
    # All on one node (thousands of witnessed lives that agree): the node still has a width.
    for axis, values in enumerate((x, y)):
        covariance[:, axis, axis] += 1e-6 * (values[:, 1] - values[:, 0]) ** 2
    covariance[:, 0, 1] = covariance[:, 1, 0] = np.einsum("fij,fi,fj->f", weight, x, y, optimize=True)
    return mean, covariance
