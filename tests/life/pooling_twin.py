"""Pooled posterior by brute force: the common parameters drawn from their prior and weighed by likelihood.

No mode, no curvature, no lattice that follows a family: one fixed lattice of (log scale, log shape) for
every family and thousands of quasi-random points of the prior. Slow, and right for small cases only.
"""

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from scipy.stats import norm, qmc

from reliability.life.lives import LifeRecords


@dataclass(frozen=True)
class Case:
    """Records of some families: `family`, `decades` from the reference year, per row; `kind` per family."""

    records: LifeRecords
    family: np.ndarray
    decades: np.ndarray
    kind: np.ndarray
    has_kinds: bool
    has_years: bool


class BruteForce:
    """Posterior weights of all families on one lattice, for each slope."""

    def __init__(self, case, prior, log2_points=12):
        self.x = np.linspace(np.log(30) - 5.0, np.log(30) + 5.0, 200)
        self.y = np.linspace(np.log(2) - 2.4, np.log(2) + 2.6, 110)
        z, weight = hermegauss(7) if case.has_years else (np.zeros(1), np.ones(1))
        self.slopes = prior.slope_sd * z
        common = self._points(case, prior, log2_points)
        log_weight, parts = [], []
        for slope, chance in zip(self.slopes, weight / weight.sum(), strict=True):
            families = [self._family(case, f, slope, common) for f in range(case.kind.size)]
            log_weight.append(np.log(chance) + sum(np.log(marginal) for *_, marginal in families))
            parts.append(families)
        share = np.exp(np.array(log_weight) - np.max(log_weight))
        share /= share.sum()
        shape_density = common[2]
        self.posterior = np.array(
            [
                [
                    likelihood * ((density * (s / marginal)) @ shape_density.T)
                    for likelihood, density, marginal in families
                ]
                for s, families in zip(share, parts, strict=True)
            ]
        )
        self.effective_points = 1 / (share**2).sum()

    def _points(self, case, prior, log2_points):
        n_kinds = int(case.kind.max()) + 1
        z = norm.ppf(qmc.Sobol(5 + n_kinds, seed=1).random_base2(log2_points))

        def spread(median, column):
            return np.hypot(prior.least_spread, median * np.exp(prior.spread_sd * z[:, column]))

        shape = np.log(prior.shape) + prior.shape_sd * z[:, 0]
        mean = np.log(prior.scale_years) + prior.scale_sd * z[:, 3]
        kinds = spread(prior.kind_spread, 4)[:, None] * z[:, 5:] if case.has_kinds else np.zeros((1, n_kinds))
        shape_density = norm.pdf(self.y[:, None], shape, spread(prior.shape_spread, 2))
        return mean[:, None] + kinds, spread(prior.scale_spread, 1), shape_density

    def _family(self, case, family, slope, common):
        centre, spread, shape_density = common
        rows = np.flatnonzero(case.family == family)
        likelihood = np.exp(naive_log_likelihood(case.records, rows, self.x, self.y, slope * case.decades))
        density = norm.pdf(self.x[:, None], centre[:, case.kind[family]], spread)
        marginal = (density * (likelihood @ shape_density)).sum(axis=0)
        return likelihood, density, np.maximum(marginal, 1e-300)

    def failed_by(self, family, age, decades):
        """Mean, 5 % and 95 % quantile of P(failed)."""
        weight = self.posterior[:, family].reshape(self.slopes.size, -1)
        log_scale = self.x[None, :, None] + (self.slopes * decades)[:, None, None]
        log_hazard = np.exp(self.y) * (np.log(age) - log_scale)
        share = -np.expm1(-np.exp(np.minimum(log_hazard, 50))).ravel()
        order = np.argsort(share)
        weight = weight.ravel()[order] / weight.sum()
        low, high = np.interp([0.05, 0.95], np.cumsum(weight) - weight / 2, share[order])
        return np.array([share[order] @ weight, low, high])

    def moments(self, family, decades):
        """Mean and covariance of (log scale, log shape)."""
        weight = self.posterior[:, family] / self.posterior[:, family].sum()
        log_scale = self.x[:, None] + (self.slopes * decades)[:, None, None]
        both = np.stack(np.broadcast_arrays(log_scale, self.y), axis=-1).reshape(-1, 2)
        mean = weight.ravel() @ both
        return mean, (weight.ravel()[:, None] * (both - mean)).T @ (both - mean)


def naive_log_likelihood(records, rows, x, y, shift):
    """Log-likelihood record by record, straight from the distribution; shape (x.size, y.size)."""
    shape = np.exp(y)[None, :]
    total = np.zeros((x.size, y.size))
    for record in np.unique(records.record[rows]):
        likelihood = np.zeros_like(total)
        for row in rows[records.record[rows] == record]:
            scale = np.exp(x + shift[row])[:, None]
            lower, upper = records.lower[row], records.upper[row]
            if lower == upper:
                hazard = (lower / scale) ** shape
                chance = shape / lower * hazard * np.exp(-hazard)
            else:
                beyond = np.exp(-((upper / scale) ** shape)) if np.isfinite(upper) else 0.0
                chance = np.exp(-((lower / scale) ** shape)) - beyond
            likelihood += records.weight[row] * chance
        with np.errstate(divide="ignore"):
            total += records.count[rows[records.record[rows] == record][0]] * np.log(likelihood)
    return total
