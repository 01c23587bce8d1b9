"""What can be seen from outside, and what it says of the components inside.

A sign has causes: components that have failed, the way in which the unit was stored, and chance. Which
component shows which sign how often is learned from the units that were opened; what a sign says of a
unit on offer then follows from them all together: a belt that has surely perished explains a dead
transport, and the motor is hardly to be suspected.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, logsumexp

from reliability.worth.odds import LOGIT_SLOPE, NODE_WEIGHTS, NODES

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SHOWS_MEAN, SHOWS_SD = -2.7, 1.5
"""Prior log odds that a failed component shows a sign: most do not show most signs (common practice, no
source)."""

ALONE_MEAN, ALONE_SD = -2.5, 1.0
"""Prior log odds of a sign without any of these causes (common practice, no source)."""

LEAST_ALONE = -4.0
"""A sign without causes is no rarer than about 1 in 55: people err (common practice, no source). Of rarer
ones together, sums over their subsets would leave rounding alone (`odds.sign_terms`)."""

STORED_MEAN, STORED_SD = 0.4, 0.6
"""Prior change of those log odds by storage that is worse by one spread: people note what tells of bad
storage (common practice, no source)."""

SHIFT_SD = 0.3
"""Prior spread of a component's own level: its lives are known from elsewhere
(common practice, no source)."""

STORAGE_SDS = (0.0, 0.4, 0.8, 1.2, 1.7)
"""Spreads of the shift that all components of a unit share (common practice, no source)."""

JOBS_AT_ONCE = 1000
"""Jobs in one block of work: about what a processor keeps near by."""

LEAST, MOST_LOG_ODDS = 1e-9, 300.0


def fit_sign_causes(failed: Floats, odds: Floats, signs: Floats) -> dict[str, Any]:
    """Fit what shows which sign, and the spread of storage: fields of `odds.Shared`."""
    # `failed` (n_jobs, n_components): 1 arrived failed, 0 arrived alive, NaN not examined; `odds` (n_jobs,
    # n_components): log odds of failure by age and family alone, NaN where the unit has no such component;
    # `signs` (n_jobs, n_signs): 1 seen, 0 not seen, NaN nobody looked.
    # A sign stays away if every cause leaves it away, each independently of the others. Penalised marginal
    # likelihood, storage integrated by Gauss-Hermite quadrature, maximised with exact gradients. A component
    # that nobody examined counts as failed with the chance that its age and the storage give, for each sign
    # anew: where many were not examined, storage takes the blame for signs that come together.
    # Source: J. Pearl, Probabilistic Reasoning in Intelligent Systems, Morgan Kaufmann, 1988, section 4.3
    # (from memory).
    n_components, n_signs = failed.shape[1], signs.shape[1]
    looked = ~np.isnan(signs)
    # One unit of each answer is added, so that a sign that was always seen still has a contrast.
    mean = (np.where(looked, signs, 0.0).sum(axis=0) + 1.0) / (looked.sum(axis=0) + 2.0)
    if failed.shape[0] == 0 or np.isnan(failed).all():
        return {
            "sign_mean": mean,
            "sign_shows": np.full((n_components, n_signs), SHOWS_MEAN),
            "sign_alone": np.full(n_signs, ALONE_MEAN),
            "sign_stored": np.full(n_signs, STORED_MEAN),
            "sign_doubt": np.full(n_signs, SHOWS_SD),
            "state_shift": np.zeros(n_components),
            "storage_sd": 0.6,
        }
    problem = _Problem(failed, odds, signs)
    fits = [(problem.prior_mean, 0.0)]
    for sd in STORAGE_SDS:  # each begins where the one before ended
        fits.append(problem.fit(sd, fits[-1][0]))
    del fits[0]
    evidence = np.array([value for _, value in fits])
    weight = np.exp(evidence - evidence.max())
    weight /= weight.sum()
    storage_sd = float(np.sqrt(weight @ np.square(STORAGE_SDS)))
    theta, _ = problem.fit(storage_sd, fits[int(np.argmax(evidence))][0])
    shift, shows, alone, stored = problem.unpack(theta)
    return {
        "sign_mean": mean,
        "sign_shows": shows,
        "sign_alone": np.maximum(alone, LEAST_ALONE),
        "sign_stored": stored,
        "sign_doubt": problem.doubt(theta, storage_sd),
        "state_shift": shift,
        "storage_sd": storage_sd,
    }


class _Problem:
    def __init__(self, failed: Floats, odds: Floats, signs: Floats) -> None:
        examined = ~np.isnan(failed)
        used = examined.any(axis=1)
        examined, signs, odds = examined[used], signs[used], odds[used]
        # What was examined, job by job: its component, its odds, and whether it had failed.
        self.job, self.component = np.nonzero(examined)
        self.failed, self.odds = failed[used][examined], odds[examined]
        self.first = np.searchsorted(self.job, np.arange(len(signs) + 1))
        self.found = np.where(examined, failed[used], 0.0)
        # What was not, component by component.
        self.unseen, self.unseen_job = np.nonzero((~examined & ~np.isnan(odds)).T)
        self.unseen_first = np.searchsorted(self.unseen, np.arange(failed.shape[1] + 1))
        self.unseen_odds = odds[self.unseen_job, self.unseen]
        self.looked, self.seen = ~np.isnan(signs), np.nan_to_num(signs)
        self.n_components, self.n_signs = failed.shape[1], signs.shape[1]
        c, s = self.n_components, self.n_signs
        self.sizes = [c, c * s, s, s]
        self.prior_mean = np.repeat([0.0, SHOWS_MEAN, ALONE_MEAN, STORED_MEAN], self.sizes)
        self.precision = np.repeat([SHIFT_SD, SHOWS_SD, ALONE_SD, STORED_SD], self.sizes) ** -2.0

    def unpack(self, theta: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        shift, shows, alone, stored = np.split(theta, np.cumsum(self.sizes)[:-1])
        return shift, shows.reshape(self.n_components, self.n_signs), alone, stored

    def objective(self, theta: Floats, storage_sd: float) -> tuple[float, Floats]:
        """Negative penalised log-likelihood and its gradient."""
        shift, shows, alone, stored = self.unpack(theta)
        chance = expit(shows)
        stretch = np.sqrt(1.0 + LOGIT_SLOPE * storage_sd**2)
        odds = self.odds * stretch + shift[self.component]
        unseen = self.unseen_odds * stretch + shift[self.unseen] + storage_sd * NODES[:, None]
        unseen = expit(unseen)  # (node, row)
        # Log chance that no component shows it, (node, job, sign).
        without = np.tile(-self.found @ np.logaddexp(0.0, shows), (NODES.size, 1, 1))
        for c in range(self.n_components):
            at = slice(self.unseen_first[c], self.unseen_first[c + 1])  # a job stands here once
            without[:, self.unseen_job[at]] += np.log1p(-unseen[:, at, None] * chance[c])
        alone_odds = alone + NODES[:, None] * stored
        by_chance = expit(alone_odds)  # (node, sign)
        total, g_shift = 0.0, np.zeros(self.n_components)
        g_without, g_alone = np.zeros(without.shape), np.zeros(by_chance.shape)
        for first in range(0, len(self.looked), JOBS_AT_ONCE):
            jobs = slice(first, min(first + JOBS_AT_ONCE, len(self.looked)))
            rows = slice(self.first[first], self.first[jobs.stop])
            log_away = np.minimum(without[:, jobs] - np.logaddexp(0.0, alone_odds)[:, None, :], -LEAST)
            away = np.exp(log_away)  # (node, job, sign)
            seen, looked = self.seen[jobs] == 1, self.looked[jobs]
            by_sign = np.where(looked, np.where(seen, np.log1p(-away), log_away), 0.0).sum(axis=2)
            value, score, share = _storage_integrated(
                odds[rows], self.failed[rows], self.first[jobs] - rows.start, storage_sd, by_sign
            )
            total += value
            g_shift += np.bincount(self.component[rows], score, self.n_components)
            slope = np.where(looked, np.where(seen, -away / (1.0 - away), 1.0), 0.0) * share[:, :, None]
            g_without[:, jobs] = slope
            g_alone -= slope.sum(axis=1) * by_chance
        g_shows = -chance * (self.found.T @ g_without.sum(axis=0))
        for c in range(self.n_components):
            at = slice(self.unseen_first[c], self.unseen_first[c + 1])
            p = unseen[:, at, None]
            part = p * chance[c] / (1.0 - p * chance[c]) * g_without[:, self.unseen_job[at]]
            g_shows[c] -= (1.0 - chance[c]) * part.sum(axis=(0, 1))
            g_shift[c] -= ((1.0 - p) * part).sum()
        gradient = np.concatenate([g_shift, g_shows.ravel(), g_alone.sum(axis=0), NODES @ g_alone])
        off = theta - self.prior_mean
        return -(total - 0.5 * float(self.precision @ off**2)), -(gradient - self.precision * off)

    def fit(self, storage_sd: float, start: Floats) -> tuple[Floats, float]:
        # In prior standard deviations the search takes half as many steps.
        sd = self.precision**-0.5

        def objective(z: Floats) -> tuple[float, Floats]:
            value, gradient = self.objective(z * sd, storage_sd)
            return value, gradient * sd

        found = minimize(objective, start / sd, jac=True, method="L-BFGS-B", tol=1e-9)
        return found.x * sd, -float(found.fun)

    def doubt(self, theta: Floats, storage_sd: float) -> Floats:
        """Posterior sd of a shift that all causes of one sign have in common; ndarray, shape (n_signs,)."""
        c, s, step = self.n_components, self.n_signs, 1e-4
        curvature = np.zeros(s)
        for k in range(s):
            moved = np.zeros(theta.size)
            moved[c + k : c + c * s : s] = step
            up, down = (self.objective(theta + m, storage_sd)[1] for m in (moved, -moved))
            curvature[k] = (up - down)[c + k : c + c * s : s].sum() / (2 * step)
        # The prior is counted once: it is that of one cause, not of as many as there are components.
        own = curvature - (c - 1) * SHOWS_SD**-2.0
        return 1.0 / np.sqrt(np.maximum(own, SHOWS_SD**-2.0))


def _storage_integrated(
    log_odds: Floats, failed: Floats, first: Ints, storage_sd: float, by_sign: Floats
) -> tuple[float, Floats, Floats]:
    """Log-likelihood of jobs that begin at `first`, its slope by each row's log odds, shares of the nodes."""
    # With odds o, log P(failed) is log o - log(1 + o), and log P(alive) is -log(1 + o). `by_sign` is the log
    # chance of each job's signs at each node.
    n_failed = np.add.reduceat(failed, first)
    log_one = np.add.reduceat(np.where(failed == 1, log_odds, 0.0), first)
    # Far steps of the search must not overflow.
    odds = np.exp(np.minimum(log_odds, MOST_LOG_ODDS)) * np.exp(storage_sd * NODES)[:, None]  # (node, row)
    more = odds + 1.0
    by_node = log_one + storage_sd * NODES[:, None] * n_failed - np.add.reduceat(np.log(more), first, axis=1)
    by_node = by_node + by_sign
    total = logsumexp(by_node, axis=0, b=NODE_WEIGHTS[:, None])
    share = NODE_WEIGHTS[:, None] * np.exp(by_node - total)
    odds /= more
    odds *= np.repeat(share, np.diff(np.append(first, failed.size)), axis=1)
    return float(total.sum()), failed - odds.sum(axis=0), share
