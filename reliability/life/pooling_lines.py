"""Posterior of P(failed by age) along lines of constant shape."""

import numpy as np

from reliability.life.life_records import FloatArray

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
