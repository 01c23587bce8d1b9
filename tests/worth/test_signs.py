"""What shows which sign: the likelihood against its plain formula, and known causes found again."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import approx_fprime
from scipy.special import expit, logit

from reliability.worth import signs as worth_signs
from reliability.worth.odds import LOGIT_SLOPE, MOST_SEEN, NODE_WEIGHTS, NODES, normal_draws
from reliability.worth.signs import fit_sign_causes
from tests.worth.test_odds import enumerated
from tests.worth.units import random_family, random_shared, states


def causes(failed, odds, signs):
    return SimpleNamespace(**fit_sign_causes(failed, odds, signs))


SHOWS = np.array([[0.7, 0.02, 0.1], [0.3, 0.02, 0.5], [0.02, 0.6, 0.02], [0.05, 0.05, 0.02]])
ALONE, STORED, STORAGE = np.array([0.08, 0.1, 0.15]), np.array([0.0, 0.3, 1.0]), 0.8


def drawn(n_jobs, seed=3, unexamined=0.25):
    """Jobs of four components and three signs, by the causes above.

    Some of the components were not examined, and some jobs not at all, a tenth of the signs was not looked
    for, and half of the units have no fourth component.
    """
    rng = np.random.default_rng(seed)
    odds = rng.normal(-1.0, 1.5, (n_jobs, len(SHOWS)))
    store = rng.normal(size=n_jobs)
    stretch = np.sqrt(1 + LOGIT_SLOPE * STORAGE**2)
    broken = rng.random(odds.shape) < expit(odds * stretch + STORAGE * store[:, None])
    absent = rng.random(n_jobs) < 0.5
    odds[absent, 3], broken[absent, 3] = np.nan, False
    away = 1 - expit(logit(ALONE) + store[:, None] * STORED)
    for c in range(len(SHOWS)):
        away *= np.where(broken[:, [c]], 1 - SHOWS[c], 1.0)
    signs = (rng.random(away.shape) > away).astype(float)
    signs[rng.random(signs.shape) < 0.1] = np.nan
    failed = broken.astype(float)
    failed[(rng.random(odds.shape) < unexamined) | np.isnan(odds)] = np.nan
    failed[:4] = np.nan
    return failed, odds, signs


def plain_log_likelihood(failed, odds, signs, theta, storage_sd):
    """The same in words: job by job, node by node, component by component."""
    (_, n), (_, m) = failed.shape, signs.shape
    shift, shows = theta[:n], theta[n : n + n * m].reshape(n, m)
    alone, stored = theta[n + n * m :].reshape(2, m)
    total = 0.0
    for f, o, seen in zip(failed, odds, signs, strict=True):
        if np.isnan(f).all():
            continue
        chance = 0.0
        for node, by_node in zip(NODES, NODE_WEIGHTS, strict=True):
            of_unit, away = by_node, 1 - expit(alone + node * stored)
            for c in range(n):
                p = expit(o[c] * np.sqrt(1 + LOGIT_SLOPE * storage_sd**2) + shift[c] + storage_sd * node)
                if f[c] == 1:
                    of_unit, away = of_unit * p, away * (1 - expit(shows[c]))
                elif f[c] == 0:
                    of_unit *= 1 - p
                elif not np.isnan(o[c]):
                    away = away * (1 - p * expit(shows[c]))
            for s in range(m):
                of_unit *= 1.0 if np.isnan(seen[s]) else 1 - away[s] if seen[s] else away[s]
            chance += of_unit
        total += np.log(chance)
    return total


def prior(n, m):
    """Means and spreads of what is fitted, in the order in which it is kept."""
    w = worth_signs
    mean = np.repeat([0.0, w.SHOWS_MEAN, w.ALONE_MEAN, w.STORED_MEAN], [n, n * m, m, m])
    return mean, np.repeat([w.SHIFT_SD, w.SHOWS_SD, w.ALONE_SD, w.STORED_SD], [n, n * m, m, m])


@pytest.mark.parametrize("jobs_at_once", [1000, 7])
@pytest.mark.parametrize("storage_sd", [0.0, 1.2])
def test_the_likelihood_is_that_of_the_plain_formula(monkeypatch, jobs_at_once, storage_sd):
    monkeypatch.setattr(worth_signs, "JOBS_AT_ONCE", jobs_at_once)
    jobs = drawn(60)
    problem = worth_signs._Problem(*jobs)
    mean, spread = prior(4, 3)
    theta = mean + np.random.default_rng(9).normal(0, 0.7, mean.size)
    value, slope = problem.objective(theta, storage_sd)
    penalty = 0.5 * (((theta - mean) / spread) ** 2).sum()
    assert_allclose(value, penalty - plain_log_likelihood(*jobs, theta, storage_sd), rtol=1e-12)
    near = approx_fprime(theta, lambda at: problem.objective(at, storage_sd)[0], 1e-6)
    assert_allclose(slope, near, atol=2e-4)


def test_the_causes_of_signs_are_found_again():
    found = causes(*drawn(4000))
    # Between 700 and 1000 failed and examined units of each of the first three components: a share of 0.7
    # has a standard error of about 0.017, and noise from the other causes; four of them leave 0.07.
    assert_allclose(expit(found.sign_shows[:3]), SHOWS[:3], atol=0.07)
    # Half as many of the fourth.
    assert_allclose(expit(found.sign_shows[3]), SHOWS[3], atol=0.1)
    # 4000 units, of which half show nothing else: standard errors below 0.01; the priors add as much.
    assert_allclose(expit(found.sign_alone), ALONE, atol=0.04)
    # What nobody examined counts for each sign anew, which storage is blamed for: here by 0.3 at most.
    assert_allclose(found.sign_stored, STORED, atol=0.4 + 0.3)
    assert found.storage_sd == pytest.approx(STORAGE, abs=0.15)
    assert_allclose(found.state_shift, 0.0, atol=0.15)
    assert_allclose(found.sign_mean, np.nanmean(drawn(4000)[2], axis=0), atol=1e-3)


def test_one_cause_of_one_sign_is_a_table_of_two_by_two(monkeypatch):
    # 30 of 40 failed and 6 of 60 sound ones with the sign. By hand: chance shows it in 6/60, and a failed one
    # hides it in (10/40) / (54/60); 40 of 100 failed where even odds were expected.
    weak = {"SHOWS_SD": 1e3, "ALONE_SD": 1e3, "SHIFT_SD": 1e3, "STORED_MEAN": 0.0, "STORED_SD": 1e-4}
    for name, value in {**weak, "STORAGE_SDS": (0.0,)}.items():
        monkeypatch.setattr(worth_signs, name, value)
    failed = np.repeat([1.0, 1.0, 0.0, 0.0], [30, 10, 6, 54])[:, None]
    signs = np.repeat([1.0, 0.0, 1.0, 0.0], [30, 10, 6, 54])[:, None]
    found = causes(failed, np.zeros((100, 1)), signs)
    assert_allclose(expit(found.sign_alone), [6 / 60], atol=1e-4)
    assert_allclose(expit(found.sign_shows), [[1 - (10 / 40) / (54 / 60)]], atol=1e-4)
    assert_allclose(found.state_shift, [logit(0.4)], atol=1e-3)
    assert found.storage_sd == 0.0


def test_doubt_is_the_curvature_along_what_one_sign_has_in_common():
    jobs = drawn(150)
    problem = worth_signs._Problem(*jobs)
    theta, _ = problem.fit(0.8, problem.prior_mean)
    doubt = problem.doubt(theta, 0.8)
    for s in range(3):
        step = np.zeros((4, 3))
        step[:, s] = 0.02
        moved = np.concatenate([np.zeros(4), step.ravel(), np.zeros(6)])
        low, here, high = (plain_log_likelihood(*jobs, theta + f * moved, 0.8) for f in (-1, 0, 1))
        curvature = -(low - 2 * here + high) / 0.02**2
        assert curvature > 0
        assert_allclose(doubt[s], (curvature + worth_signs.SHOWS_SD**-2) ** -0.5, rtol=1e-3)


def test_signs_that_nobody_ever_saw_can_all_be_seen_at_once():
    # Sums over subsets of what was seen lose what they cancel: without a floor, a chance here is above 1.
    rng = np.random.default_rng(3)
    failed = (rng.random((4000, 4)) < 0.3).astype(float)
    found = causes(failed, np.full((4000, 4), -0.85), np.zeros((4000, MOST_SEEN)))
    assert_allclose(found.sign_alone, worth_signs.LEAST_ALONE)
    common = random_shared(rng, 4, MOST_SEEN, draws=normal_draws(4)[:3])
    common = replace(common, **vars(found))
    lives, young = random_family(rng, 4), (3.0, 4.0)
    got = states(lives, common, age=young, year=(1988.0, 1982.0), signs=np.ones(MOST_SEEN))
    success, mean_failed, _ = enumerated(lives, common, np.ones(MOST_SEEN), ages=young)
    assert_allclose(got.success, success, atol=1e-6)
    assert_allclose(got.failed, mean_failed, atol=1e-6)
