"""What can be seen from outside, and what it says of the components inside.

A sign has causes: components that have failed, the way in which the unit was stored, and chance. Which
component shows which sign how often is learned from the units that were opened; what a sign says of a
unit on offer then follows from them all together: a belt that has surely perished explains a dead
transport, and the motor is hardly to be suspected.
"""

from typing import Any

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit, logsumexp

from reliability.worth.odds import LOGIT_SLOPE, NODE_WEIGHTS, NODES, Floats

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

STORAGE_SDS, NO_STORAGE_KNOWN = (0.0, 0.4, 0.8, 1.2, 1.7), 0.6
"""Spreads of the shift that all components of a unit share, and the one where nothing was examined (common
practice, no source)."""

LEAST, SURELY_NOT = 1e-9, -300.0


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
    looked = ~np.isnan(signs)
    # One unit of each answer is added, so that a sign that was always seen still has a contrast.
    mean = (np.where(looked, signs, 0.0).sum(axis=0) + 1.0) / (looked.sum(axis=0) + 2.0)
    causes = _Causes(failed, odds, signs)
    fits = [(np.zeros(causes.prior_mean.shape), 0.0)]
    for sd in STORAGE_SDS:  # each begins where the one before ended
        fits.append(causes.fit(sd, fits[-1][0]))
    del fits[0]
    evidence = np.array([value for _, value in fits])
    weight = np.exp(evidence - evidence.max())
    storage_sd = NO_STORAGE_KNOWN
    if causes.state.size:
        storage_sd = float(np.sqrt(weight @ np.square(STORAGE_SDS) / weight.sum()))
    off, _ = causes.fit(storage_sd, fits[int(np.argmax(evidence))][0])
    *shows, alone, stored = causes.prior_mean + causes.prior_sd * off
    return {
        "sign_mean": mean,
        "sign_shows": np.reshape(shows, (failed.shape[1], signs.shape[1])),
        "sign_alone": np.maximum(alone, LEAST_ALONE),
        "sign_stored": stored,
        "storage_sd": storage_sd,
    }


class _Causes:
    """Jobs of which something was examined; causes stand in rows, signs in columns.

    Rows are the components, then the log odds of a sign without any cause and their change by storage.
    """

    def __init__(self, failed: Floats, odds: Floats, signs: Floats) -> None:
        used = ~np.isnan(failed).all(axis=1)
        self.state, self.looked, self.seen = failed[used], ~np.isnan(signs)[used], (signs == 1.0)[used]
        self.odds = np.where(np.isnan(odds), SURELY_NOT, odds)[used]
        n_components, n_signs = failed.shape[1], signs.shape[1]
        mean = np.append(np.full(n_components, SHOWS_MEAN), [ALONE_MEAN, STORED_MEAN])
        sd = np.append(np.full(n_components, SHOWS_SD), [ALONE_SD, STORED_SD])
        self.prior_mean, self.prior_sd = (np.repeat(each[:, None], n_signs, axis=1) for each in (mean, sd))

    def fit(self, storage_sd: float, start: Floats) -> tuple[Floats, float]:
        """Best causes, in prior standard deviations from their means, and the penalised log-likelihood."""
        # In these units the search takes half as many steps.
        log_odds = self.odds * np.sqrt(1.0 + LOGIT_SLOPE * storage_sd**2)
        log_odds = log_odds + storage_sd * NODES[:, None, None]  # (node, job, component)
        examined = ~np.isnan(self.state)
        state = np.where(examined, self.state, expit(log_odds))  # chance of having failed
        found = np.where(examined, self.state * log_odds - np.logaddexp(0.0, log_odds), 0.0).sum(axis=2)
        found += np.log(NODE_WEIGHTS)[:, None]

        def objective(z: Floats) -> tuple[float, Floats]:
            off = z.reshape(start.shape)
            *shows, alone, stored = self.prior_mean + self.prior_sd * off
            by_chance = expit(alone + NODES[:, None] * stored)[:, None]  # (node, 1, sign)
            chances = np.minimum(expit(np.array(shows)), 1.0 - LEAST)
            log_away = np.log1p(-np.minimum(by_chance, 1.0 - LEAST)) + np.zeros((*found.shape, alone.size))
            for c, chance in enumerate(chances):
                log_away += np.log1p(-state[:, :, c, None] * chance)
            away = np.exp(np.minimum(log_away, -LEAST))
            told = np.where(self.looked, np.where(self.seen, np.log1p(-away), log_away), 0.0)
            by_node = found + told.sum(axis=2)
            total = logsumexp(by_node, axis=0)
            slope = np.where(self.looked, np.where(self.seen, -away / (1.0 - away), 1.0), 0.0)
            slope *= np.exp(by_node - total)[:, :, None]
            by_cause = [
                -chance * (1.0 - chance) * np.einsum("kj,kjs->s", at, slope / (1.0 - at[:, :, None] * chance))
                for at, chance in zip(np.moveaxis(state, 2, 0), chances, strict=True)
            ]
            by_storage = -(slope.sum(axis=1) * by_chance[:, 0])  # (node, sign)
            gradient = np.array([*by_cause, by_storage.sum(axis=0), NODES @ by_storage])
            return 0.5 * float((off**2).sum()) - float(total.sum()), (off - self.prior_sd * gradient).ravel()

        best = minimize(objective, start.ravel(), jac=True, method="L-BFGS-B", tol=1e-9)
        return best.x.reshape(start.shape), -float(best.fun)
