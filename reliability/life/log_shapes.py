"""Standard distributions of log life: what lognormal, log-logistic and Weibull lives have in common.

Each has F((log t - location) / spread) failed by age t. Probabilities of intervals are formed so that
they keep their digits far out in either tail.
"""

from typing import Protocol

import numpy as np
from scipy.special import log_expit, log_ndtr

from reliability.life.life_records import FloatArray


class LogShape(Protocol):
    """Log-probabilities of a standard distribution on the whole line."""

    def log_density(self, z: FloatArray) -> FloatArray:
        """Log of the density at z."""

    def log_between(self, low: FloatArray, high: FloatArray) -> FloatArray:
        """Log of the probability of (low, high]; the ends may be infinite."""


class SmallestExtreme:
    """Logs of Weibull lives: F(z) = 1 - exp(-exp(z))."""

    def log_density(self, z: FloatArray) -> FloatArray:
        """Log of the density at z."""
        return z - np.exp(z)

    def log_between(self, low: FloatArray, high: FloatArray) -> FloatArray:
        """Log of the probability of (low, high]; the ends may be infinite."""
        worked = np.exp(low)
        return np.log(-np.expm1(worked - np.exp(high))) - worked


class Normal:
    """Logs of lognormal lives."""

    def log_density(self, z: FloatArray) -> FloatArray:
        """Log of the density at z."""
        return -0.5 * z**2 - 0.5 * np.log(2.0 * np.pi)

    def log_between(self, low: FloatArray, high: FloatArray) -> FloatArray:
        """Log of the probability of (low, high]; the ends may be infinite."""
        # In the upper tail both ends are mirrored: there the distribution function rounds to 1.
        upper = low > 0
        left, right = np.where(upper, -high, low), np.where(upper, -low, high)
        above = log_ndtr(right)
        return np.asarray(above + np.log(-np.expm1(log_ndtr(left) - above)))


class Logistic:
    """Logs of log-logistic lives: F(z) = 1 / (1 + exp(-z))."""

    def log_density(self, z: FloatArray) -> FloatArray:
        """Log of the density at z."""
        return np.asarray(log_expit(z) + log_expit(-z))

    def log_between(self, low: FloatArray, high: FloatArray) -> FloatArray:
        """Log of the probability of (low, high]; the ends may be infinite."""
        return np.asarray(log_expit(high) + log_expit(-low) + np.log(-np.expm1(low - high)))


LOG_SHAPES: dict[str, LogShape] = {"lognormal": Normal(), "log-logistic": Logistic()}
