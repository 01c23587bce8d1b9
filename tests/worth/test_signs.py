"""What signs say of components: the likelihood against its plain formula, and known effects found again."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import approx_fprime
from scipy.special import expit

from reliability.worth import signs as worth_signs
from reliability.worth.odds import LOGIT_SLOPE, NODE_WEIGHTS, NODES
from reliability.worth.signs import fit_sign_effects


def drawn(n_jobs, seed=3, effect=(0.8, 0.0)):
    """Jobs whose components share what storage did; a third was not examined, some jobs not at all."""
    rng = np.random.default_rng(seed)
    seen = rng.choice([0.0, 1.0, np.nan], (n_jobs, 2), p=[0.6, 0.3, 0.1])
    odds = rng.normal(-1.0, 1.5, (n_jobs, 5))
    shift = rng.normal(0, 0.8, n_jobs) + np.nan_to_num(seen) @ np.array(effect)
    failed = (rng.random(odds.shape) < expit(odds + shift[:, None])).astype(float)
    failed[rng.random(odds.shape) < 1 / 3] = np.nan
    failed[:4] = np.nan
    return failed, odds, seen


def plain_objective(failed, odds, x, theta, storage_sd, problem):
    shift, shared, own = problem.unpack(theta)
    total = 0.0
    for f, o, signs in zip(failed, odds, x, strict=True):
        chance = 0.0
        for node, weight in zip(NODES, NODE_WEIGHTS, strict=True):
            eta = o * np.sqrt(1 + LOGIT_SLOPE * storage_sd**2) + shift + (shared + own) @ signs
            p = expit(eta + storage_sd * node)
            chance += weight * np.prod(np.where(np.isnan(f), 1.0, np.where(f == 1, p, 1 - p)))
        total += np.log(chance)
    return 0.5 * problem.precision @ (theta - problem.prior_mean) ** 2 - total


@pytest.mark.parametrize("jobs_at_once", [1000, 7])
def test_the_likelihood_is_that_of_the_plain_formula(monkeypatch, jobs_at_once):
    monkeypatch.setattr(worth_signs, "JOBS_AT_ONCE", jobs_at_once)
    failed, odds, seen = drawn(60)
    x = np.nan_to_num(seen)
    problem = worth_signs._Problem(failed, odds, x)
    theta = np.random.default_rng(9).normal(0, 0.5, problem.prior_mean.size)
    for storage_sd in (0.0, 1.2):
        value, slope = problem.objective(theta, storage_sd)
        assert_allclose(value, plain_objective(failed, odds, x, theta, storage_sd, problem), rtol=1e-12)
        near = approx_fprime(theta, lambda at, sd=storage_sd: problem.objective(at, sd)[0], 1e-6)
        assert_allclose(slope, near, atol=2e-4)


def test_what_signs_say_is_found_again():
    found = fit_sign_effects(*drawn(4000))
    assert_allclose(found.effect.mean(axis=0), (0.8, 0.0), atol=0.15)
    assert found.storage_sd == pytest.approx(0.8, abs=0.2)
    assert_allclose(found.mean, 1 / 3, atol=0.03)


def test_without_jobs_signs_say_what_is_believed_beforehand():
    found = fit_sign_effects(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros((0, 2)))
    assert_allclose(found.effect, worth_signs.SHARED_MEAN)
    assert_allclose(found.mean, 0.5)
