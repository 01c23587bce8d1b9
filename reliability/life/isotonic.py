"""Current status: each part was looked at once and was found failed or sound."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import isotonic_regression
from scipy.special import chdtri, xlogy

from reliability.life.ages import FloatArray, IntArray

MAX_BAND_AGES = 256
_HALVINGS = 45


@dataclass(frozen=True, eq=False)
class StatusCounts:
    """Parts inspected once, gathered by age.

    Attributes
    ----------
    age_years, inspected, failed : ndarray of float64, shape (n_ages,)
        Distinct ages, ascending, with the (weighed) number of parts and of failed parts.
    """

    age_years: FloatArray
    inspected: FloatArray
    failed: FloatArray


def status_counts(age_years: FloatArray, failed: FloatArray, count: FloatArray) -> StatusCounts:
    """Gather current-status records by age.

    Parameters
    ----------
    age_years : ndarray of float64, shape (n_records,)
        Age at inspection.
    failed : ndarray of bool, shape (n_records,)
    count : ndarray of float64, shape (n_records,)

    Returns
    -------
    StatusCounts
    """
    ages, at = np.unique(age_years, return_inverse=True)
    inspected = np.bincount(at, count, ages.size).astype(np.float64)
    return StatusCounts(ages, inspected, np.bincount(at, count * failed, ages.size).astype(np.float64))


def monotone_share(counts: StatusCounts) -> FloatArray:
    """Share failed by each age: the exact nonparametric maximum-likelihood estimate.

    For current status it is the weighted isotonic regression of failed/inspected on age.

    Parameters
    ----------
    counts : StatusCounts

    Returns
    -------
    ndarray of float64, shape (n_ages,)
        Never falling, in [0, 1].

    References
    ----------
    .. [1] M. Ayer et al., "An empirical distribution function for sampling with incomplete
       information", Ann. Math. Stat. 26 (1955) 641-647.
    """
    share = isotonic_regression(counts.failed / counts.inspected, weights=counts.inspected).x
    return np.clip(share, 0.0, 1.0)  # rounding only


def likelihood_ratio_band(counts: StatusCounts, level: float) -> tuple[FloatArray, FloatArray]:
    """Pointwise band for the share failed, by inverting the likelihood-ratio statistic.

    Parameters
    ----------
    counts : StatusCounts
    level : float
        Between 0 and 1.

    Returns
    -------
    low, high : ndarray of float64, shape (n_ages,)
        Exact at up to 256 of the ages, evenly chosen; wider at those between.

    Notes
    -----
    Under the restriction that the share at one age is `t`, the younger ages get their own monotone
    fit cut off above at `t` and the older ones theirs cut off below. Twice the loss in log-likelihood
    is compared with the chi-square quantile. That law is right where every age holds many inspections;
    where inspections are spread over age the limit law has smaller quantiles (1.62 in place of 2.71 at
    90 %, 2.27 in place of 3.84 at 95 %) [1]_, and between the two lies a whole family of laws [2]_.
    In simulations with 10 to 200 inspections the smaller quantiles covered 79 to 93 % where 90 % was
    promised (as little as 75 % with few distinct ages), the chi-square ones 90 to 98 %: the band errs
    on the wide side.

    References
    ----------
    .. [1] M. Banerjee and J. A. Wellner, "Likelihood ratio tests for monotone functions", Ann. Stat.
       29 (2001) 1699-1731.
    .. [2] R. Tang, M. Banerjee and M. R. Kosorok, "Likelihood based inference for current status data
       on a grid", Ann. Stat. 40 (2012) 45-72.
    """
    share = monotone_share(counts)
    allowed = float(chdtri(1, 1 - level))
    at = np.unique(np.linspace(0, share.size - 1, min(share.size, MAX_BAND_AGES)).round().astype(np.int64))
    profile = _Profile(counts, share, at)
    low, high = profile.bound(allowed, 0.0), profile.bound(allowed, 1.0)
    # An age in between has at least the share of the younger one and at most that of the older one.
    ages = np.arange(share.size)
    return (
        low[np.searchsorted(at, ages, side="right") - 1],
        high[np.searchsorted(at, ages, side="left")],
    )


class _Profile:
    """Likelihood ratio of given shares at some of the ages, all of them at once."""

    def __init__(self, counts: StatusCounts, share: FloatArray, at: IntArray) -> None:
        self.counts, self.share, self.at = counts, share[at], at
        ratio = counts.failed / counts.inspected
        size = ratio.size
        # Below the age: its own fit, to be cut at the share from above; beyond: from below.
        self.floor = np.zeros((at.size, size))
        self.ceiling = np.ones((at.size, size))
        for row, j in enumerate(at):
            self.floor[row, j:] = -np.inf
            self.ceiling[row, : j + 1] = np.inf
            if j > 0:
                self.floor[row, :j] = isotonic_regression(ratio[:j], weights=counts.inspected[:j]).x
            if j + 1 < size:
                self.ceiling[row, j + 1 :] = isotonic_regression(
                    ratio[j + 1 :], weights=counts.inspected[j + 1 :]
                ).x
        self.best = self._log_likelihood(share[None, :])[0]

    def _log_likelihood(self, share: FloatArray) -> FloatArray:
        sound = self.counts.inspected - self.counts.failed
        return np.sum(xlogy(self.counts.failed, share) + xlogy(sound, 1 - share), axis=1)

    def ratio(self, value: FloatArray) -> FloatArray:
        """Twice the loss in log-likelihood if the share at each age is `value`."""
        column = value[:, None]
        j = np.arange(self.counts.failed.size)
        before, after = j < self.at[:, None], j > self.at[:, None]
        restricted = np.where(before, np.minimum(self.floor, column), column)
        restricted = np.where(after, np.maximum(self.ceiling, column), restricted)
        return 2 * (self.best - self._log_likelihood(restricted))

    def bound(self, allowed: float, end: float) -> FloatArray:
        """Farthest share towards `end` whose likelihood ratio is still allowed."""
        inside, outside = self.share.copy(), np.full(self.at.size, end)
        reached = self.ratio(outside) <= allowed
        for _ in range(_HALVINGS):
            middle = (inside + outside) / 2
            fits = self.ratio(middle) <= allowed
            inside, outside = np.where(fits, middle, inside), np.where(fits, outside, middle)
        return np.where(reached, end, inside)
