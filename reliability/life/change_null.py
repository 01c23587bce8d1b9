"""Chance of having failed by an age where the production year does not matter."""

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logit

from reliability.life.ages import BoolArray, FloatArray
from reliability.life.change_groups import Group

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
