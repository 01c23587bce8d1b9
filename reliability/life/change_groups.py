"""Parts gathered by age, and the isotonic curve of the share found failed."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import isotonic_regression
from scipy.special import xlogy

from reliability.life.ages import BoolArray, FloatArray, IntArray


@dataclass(frozen=True, eq=False)
class Group:
    """Some of the parts, gathered by age.

    Attributes
    ----------
    rows : ndarray of int64, shape (n,)
        Positions of the parts, in order of age.
    start : ndarray of int64, shape (n_ages,)
        First of the rows at each distinct age.
    inspected : ndarray of float64, shape (n_ages,)
        Parts at each distinct age.
    place : ndarray of int64, shape (n,)
        Distinct age of each of the rows.
    """

    rows: IntArray
    start: IntArray
    inspected: FloatArray
    place: IntArray

    @classmethod
    def of(cls, age: FloatArray, rows: IntArray) -> "Group":
        """Gather the parts at some positions; ages are in ascending order."""
        _, start, place, number = np.unique(
            age[rows], return_index=True, return_inverse=True, return_counts=True
        )
        return cls(rows, start, number.astype(np.float64), place)

    def failed(self, outcomes: BoolArray) -> FloatArray:
        """Failed parts at each distinct age; ndarray of float64, shape (n_sets, n_ages)."""
        return np.add.reduceat(outcomes[:, self.rows].astype(np.float64), self.start, axis=1)

    def share(self, failed: FloatArray) -> FloatArray:
        """Isotonic curve for each set of outcomes; ndarray of float64, shape (n_sets, n_ages)."""
        # Lifted by 2 each, the sets follow one another in one rising line, and one regression does all.
        lift = 2.0 * np.arange(len(failed))[:, None]
        line = (failed / self.inspected + lift).ravel()
        fitted = isotonic_regression(line, weights=np.tile(self.inspected, len(failed))).x
        return np.clip(fitted.reshape(failed.shape) - lift, 0.0, 1.0)

    def log_likelihood(self, failed: FloatArray, share: FloatArray) -> FloatArray:
        """Log-likelihood of each set of outcomes; ndarray of float64, shape (n_sets,)."""
        return np.sum(xlogy(failed, share) + xlogy(self.inspected - failed, 1 - share), axis=1)
