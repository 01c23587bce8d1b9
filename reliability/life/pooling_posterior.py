"""Posteriors of families kept as weights on lattices, and what they answer."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import NDArray

from reliability.life.life_records import FloatArray, IntArray
from reliability.life.pooling_grid import Lattice
from reliability.life.pooling_lines import Lines
from reliability.life.pooling_normal import normal_summary

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
