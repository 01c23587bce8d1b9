"""What can be seen from outside, and what it says of the components inside.

A sign shifts the log odds of failure of every component by one amount that all share and one of its
own, both drawn towards what is usual. What storage did to a unit beyond the signs is a shift that all
its components have in common; its spread is averaged over a few values by their evidence.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import logsumexp

from reliability.worth.odds import LOGIT_SLOPE, NODE_WEIGHTS, NODES

Floats = NDArray[np.float64]

SHARED_MEAN, SHARED_SD = 0.3, 0.7
"""Prior of a sign's shared effect on the log odds: people note bad signs (common practice, no source)."""

OWN_SD = 0.6
"""Prior spread of a sign's effect on one component around the shared one (common practice, no source)."""

SHIFT_SD = 0.3
"""Prior spread of a component's own level: its lives are known from elsewhere
(common practice, no source)."""

STORAGE_SDS = (0.0, 0.4, 0.8, 1.2, 1.7)
"""Spreads of the shift that all components of a unit share (common practice, no source)."""

JOBS_AT_ONCE = 1000
"""Jobs in one block of work: about what a processor keeps near by."""


@dataclass(frozen=True)
class SignEffects:
    """How signs and storage move the odds of failure.

    Attributes
    ----------
    mean : ndarray, shape (n_signs,)
        Share seen among the units that were looked at.
    effect : ndarray, shape (n_components, n_signs)
        Shift of the log odds.
    covariance : ndarray, shape (n_signs, n_signs)
        Posterior covariance of the shared part.
    shift : ndarray, shape (n_components,)
        Correction of the level.
    storage_sd : float
        Mean spread of what a unit's components share.
    """

    mean: Floats
    effect: Floats
    covariance: Floats
    shift: Floats
    storage_sd: float


def fit_sign_effects(failed: Floats, odds: Floats, signs: Floats) -> SignEffects:
    """Fit the effects of signs and the spread of storage.

    Parameters
    ----------
    failed : ndarray, shape (n_jobs, n_components)
        1 arrived failed, 0 arrived alive, NaN not examined.
    odds : ndarray, shape (n_jobs, n_components)
        Log odds of failure by age and family alone.
    signs : ndarray, shape (n_jobs, n_signs)
        1 seen, 0 not seen, NaN nobody looked.

    Returns
    -------
    SignEffects
        With no jobs, what is believed beforehand.

    Notes
    -----
    Penalised marginal likelihood, storage integrated by Gauss-Hermite quadrature, maximised with
    exact gradients; the covariance is the inverse curvature of the shared part by finite differences.
    """
    n_jobs, n_components = failed.shape
    n_signs = signs.shape[1]
    looked = ~np.isnan(signs)
    # One unit of each answer is added, so that a sign that was always seen still has a contrast.
    mean = (np.where(looked, signs, 0.0).sum(axis=0) + 1.0) / (looked.sum(axis=0) + 2.0)
    if n_jobs == 0 or np.isnan(failed).all():
        prior = np.full((n_components, n_signs), SHARED_MEAN)
        return SignEffects(mean, prior, np.eye(n_signs) * SHARED_SD**2, np.zeros(n_components), 0.6)
    problem = _Problem(failed, odds, np.where(looked, signs - mean, 0.0))
    fits = [problem.fit(sd) for sd in STORAGE_SDS]
    evidence = np.array([value for _, value in fits])
    weight = np.exp(evidence - evidence.max())
    weight /= weight.sum()
    storage_sd = float(np.sqrt(weight @ np.square(STORAGE_SDS)))
    theta, _ = problem.fit(storage_sd)
    shift, shared, own = problem.unpack(theta)
    covariance = problem.shared_covariance(theta, storage_sd)
    return SignEffects(mean, shared[None, :] + own, covariance, shift, storage_sd)


class _Problem:
    def __init__(self, failed: Floats, odds: Floats, x: Floats) -> None:
        examined = ~np.isnan(failed)
        used = examined.any(axis=1)
        self.x, examined = x[used], examined[used]
        # What was examined, job by job: its component, its odds, and whether it had failed.
        self.job, self.component = np.nonzero(examined)
        self.failed, self.odds = (values[used][examined] for values in (failed, odds))
        self.first = np.searchsorted(self.job, np.arange(len(self.x) + 1))
        self.n_components, self.n_signs = failed.shape[1], x.shape[1]
        self.prior_mean = np.concatenate(
            [
                np.zeros(self.n_components),
                np.full(self.n_signs, SHARED_MEAN),
                np.zeros(self.n_components * self.n_signs),
            ]
        )
        self.precision = np.concatenate(
            [
                np.full(self.n_components, SHIFT_SD**-2.0),
                np.full(self.n_signs, SHARED_SD**-2.0),
                np.full(self.n_components * self.n_signs, OWN_SD**-2.0),
            ]
        )

    def unpack(self, theta: Floats) -> tuple[Floats, Floats, Floats]:
        c, s = self.n_components, self.n_signs
        return theta[:c], theta[c : c + s], theta[c + s :].reshape(c, s)

    def objective(self, theta: Floats, storage_sd: float) -> tuple[float, Floats]:
        """Negative penalised log-likelihood and its gradient."""
        shift, shared, own = self.unpack(theta)
        stretch = np.sqrt(1.0 + LOGIT_SLOPE * storage_sd**2)
        moved = shift + self.x @ (shared[None, :] + own).T
        total, by_component, g_own = (
            0.0,
            np.zeros(self.n_components),
            np.zeros((self.n_components, self.n_signs)),
        )
        for first in range(0, len(self.x), JOBS_AT_ONCE):
            jobs = slice(first, min(first + JOBS_AT_ONCE, len(self.x)))
            rows = slice(self.first[first], self.first[jobs.stop])
            at = self.job[rows] - first, self.component[rows]
            value, score = _storage_integrated(
                self.odds[rows] * stretch + moved[jobs][at],
                self.failed[rows],
                self.first[jobs] - rows.start,
                storage_sd,
            )
            total += value
            table = np.zeros((jobs.stop - first, self.n_components))
            table[at] = score
            by_component += table.sum(axis=0)
            g_own += table.T @ self.x[jobs]
        gradient = np.concatenate([by_component, g_own.sum(axis=0), g_own.ravel()])
        off = theta - self.prior_mean
        value = total - 0.5 * float(self.precision @ off**2)
        return -value, -(gradient - self.precision * off)

    def fit(self, storage_sd: float) -> tuple[Floats, float]:
        found = minimize(
            self.objective, self.prior_mean, args=(storage_sd,), jac=True, method="L-BFGS-B", tol=1e-9
        )
        return found.x, -float(found.fun)

    def shared_covariance(self, theta: Floats, storage_sd: float) -> Floats:
        """Inverse curvature in the shared effects, the rest held; ndarray, shape (n_signs, n_signs)."""
        at = slice(self.n_components, self.n_components + self.n_signs)
        curvature = np.zeros((self.n_signs, self.n_signs))
        step = 1e-4
        for k in range(self.n_signs):
            moved = np.zeros(theta.size)
            moved[self.n_components + k] = step
            up = self.objective(theta + moved, storage_sd)[1][at]
            down = self.objective(theta - moved, storage_sd)[1][at]
            curvature[k] = (up - down) / (2 * step)
        curvature = (curvature + curvature.T) / 2
        values, vectors = np.linalg.eigh(curvature)
        return (vectors / np.maximum(values, SHARED_SD**-2.0)) @ vectors.T if self.n_signs else curvature


def _storage_integrated(
    log_odds: Floats, failed: Floats, first: NDArray[np.int64], storage_sd: float
) -> tuple[float, Floats]:
    """Log-likelihood of the jobs that begin at `first`, and its slope by the log odds of each row.

    With odds o, log P(failed) is log o - log(1 + o), and log P(alive) is -log(1 + o).
    """
    n_failed = np.add.reduceat(failed, first)
    log_one = np.add.reduceat(np.where(failed == 1, log_odds, 0.0), first)
    odds = np.exp(log_odds) * np.exp(storage_sd * NODES)[:, None]  # (node, row)
    more = odds + 1.0
    by_node = log_one + storage_sd * NODES[:, None] * n_failed - np.add.reduceat(np.log(more), first, axis=1)
    total = logsumexp(by_node, axis=0, b=NODE_WEIGHTS[:, None])
    share = NODE_WEIGHTS[:, None] * np.exp(by_node - total)
    odds /= more
    odds *= np.repeat(share, np.diff(np.append(first, failed.size)), axis=1)
    return float(total.sum()), failed - odds.sum(axis=0)
