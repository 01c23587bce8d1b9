"""Posteriors of families kept as weights on lattices, and what they answer."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import NDArray

from reliability.life.life_records import FloatArray, IntArray
from reliability.life.pooling_grid import Lattice

ELEMENTS_AT_ONCE = 400_000


@dataclass(frozen=True, eq=False)
class Weights:
    """Posterior probabilities at the nodes of some families' lattices.

    Attributes
    ----------
    family : ndarray of int64, shape (F,)
    log_scale : ndarray of float64, shape (F, I)
        For units of the family's mean production year.
    log_shape : ndarray of float64, shape (F, J)
    weight : ndarray of float32, shape (F, I, J)
    """

    family: IntArray
    log_scale: FloatArray
    log_shape: FloatArray
    weight: NDArray[np.float32]


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
        names = ("mean", "covariance", "lean", "slope_rest")
        both = {name: np.concatenate([getattr(self, name), getattr(other, name)]) for name in names}
        return replace(self, groups=[*self.groups, *moved], **both)

    def moments(self, family: int, decades: float) -> tuple[FloatArray, FloatArray]:
        """Mean and covariance of (log scale, log shape), so many decades from the family's mean year."""
        shear = np.eye(2)
        shear[0] += decades * self.lean[family]
        covariance = shear @ self.covariance[family] @ shear.T
        covariance[0, 0] += decades**2 * self.slope_rest[family]
        return self.mean[family] + [decades * self.slope, 0.0], covariance

    def failed_by(
        self, family: IntArray, age_years: FloatArray, decades: FloatArray, level: float
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Posterior mean and equal-tailed band of P(failed by age); arrays of the shape of `family`."""
        out = np.empty((3, family.size))
        group_of, row_of = self._places()
        for g, group in enumerate(self.groups):
            asked = np.flatnonzero(group_of[family] == g)
            size = max(1, ELEMENTS_AT_ONCE // group.weight[0].size)
            for first in range(0, asked.size, size):
                at = asked[first : first + size]
                out[:, at] = self._answer(group, row_of[family[at]], age_years[at], decades[at], level)
        return out[0], out[1], out[2]

    def _places(self) -> tuple[IntArray, IntArray]:
        """Group, and row in it, of each family."""
        group, row = np.empty((2, self.mean.shape[0]), dtype=np.int64)
        for g, weights in enumerate(self.groups):
            group[weights.family], row[weights.family] = g, np.arange(weights.family.size)
        return group, row

    def _answer(
        self, group: Weights, row: IntArray, age_years: FloatArray, decades: FloatArray, level: float
    ) -> FloatArray:
        family = group.family[row]
        x = group.log_scale[row][:, :, None] - self.mean[family, 0][:, None, None]
        y = group.log_shape[row][:, None, :] - self.mean[family, 1][:, None, None]
        lean = decades[:, None] * self.lean[family]
        shift = x + self.slope * decades[:, None, None]
        shift = shift + lean[:, 0, None, None] * x + lean[:, 1, None, None] * y
        log_scale = shift + self.mean[family, 0][:, None, None]
        shape = np.exp(group.log_shape[row])[:, None, :]
        weight = group.weight[row].astype(np.float64)
        # What is not known of the slope beyond that spreads the scale by a normal of its own.
        rest = np.abs(decades) * np.sqrt(self.slope_rest[family])
        z, z_weight = hermegauss(3) if rest.any() else (np.zeros(1), np.ones(1))
        log_scale = log_scale[..., None] + rest[:, None, None, None] * z
        with np.errstate(over="ignore", divide="ignore"):  # age 0 and certain death are right answers
            hazard = np.exp(shape[..., None] * (np.log(age_years)[:, None, None, None] - log_scale))
        share = -np.expm1(-hazard)
        weight = weight[..., None] * (z_weight / z_weight.sum())
        n = row.size
        return mean_and_band(share.reshape(n, -1), weight.reshape(n, -1), level)


def mean_and_band(value: FloatArray, weight: FloatArray, level: float) -> FloatArray:
    """Weighted mean, lower and upper quantile along the last axis; ndarray, shape (3, n).

    Each node counts as spread around its value, so quantiles are interpolated between half-way sums.
    """
    order = np.argsort(value, axis=1)
    value, weight = np.take_along_axis(value, order, axis=1), np.take_along_axis(weight, order, axis=1)
    total = weight.sum(axis=1)
    half_way = (np.cumsum(weight, axis=1) - 0.5 * weight) / total[:, None]
    out = [(value * weight).sum(axis=1) / total]
    rows = np.arange(value.shape[0])
    for share in (0.5 - level / 2, 0.5 + level / 2):
        right = np.clip((half_way < share).sum(axis=1), 1, value.shape[1] - 1)
        a, b = half_way[rows, right - 1], half_way[rows, right]
        part = np.clip((share - a) / np.maximum(b - a, 1e-300), 0, 1)
        out.append(value[rows, right - 1] + part * (value[rows, right] - value[rows, right - 1]))
    return np.stack(out)


def combine(
    lattices: list[Lattice], at_slopes: list[Iterable[FloatArray]], slope: FloatArray, chance: FloatArray
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
        groups.append(Weights(family, lattice.log_scale, lattice.log_shape, total.astype(np.float32)))
    lean = np.linalg.solve(covariance, with_slope[:, :, None])[:, :, 0]
    rest = chance @ (slope - chance @ slope) ** 2 - (lean * with_slope).sum(axis=1)
    return Posterior(groups, mean, covariance, float(chance @ slope), lean, np.maximum(rest, 0.0))


def lattice_moments(lattice: Lattice, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Means (F, 2) and covariances (F, 2, 2) of (log scale, log shape)."""
    along_x, along_y = weight.sum(axis=2), weight.sum(axis=1)
    mean = np.stack([(along_x * lattice.log_scale).sum(axis=1), (along_y * lattice.log_shape).sum(axis=1)], axis=1)
    x, y = lattice.log_scale - mean[:, :1], lattice.log_shape - mean[:, 1:]
    covariance = np.empty((mean.shape[0], 2, 2))
    covariance[:, 0, 0] = (along_x * x**2).sum(axis=1)
    covariance[:, 1, 1] = (along_y * y**2).sum(axis=1)
    covariance[:, 0, 1] = covariance[:, 1, 0] = np.einsum("fij,fi,fj->f", weight, x, y, optimize=True)
    return mean, covariance
