"""What shows which sign: the penalised likelihood at its maximum, and known causes found again."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize
from scipy.special import expit, logit

from reliability.worth import signs as worth_signs
from reliability.worth.odds import LOGIT_SLOPE, MOST_SEEN, NODE_WEIGHTS, NODES, normal_draws
from reliability.worth.signs import fit_sign_causes
from tests.worth.test_odds import enumerated
from tests.worth.units import random_family, random_shared, states

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
    """The same in words, less its penalty: job by job, node by node, component by component."""
    *shows, alone, stored = theta
    total = 0.0
    for f, o, seen in zip(failed, odds, signs, strict=True):
        if np.isnan(f).all():
            continue
        chance = 0.0
        for node, by_node in zip(NODES, NODE_WEIGHTS, strict=True):
            of_unit, away = by_node, 1 - expit(alone + node * stored)
            for c, show in enumerate(shows):
                p = expit(o[c] * np.sqrt(1 + LOGIT_SLOPE * storage_sd**2) + storage_sd * node)
                if f[c] == 1:
                    of_unit, away = of_unit * p, away * (1 - expit(show))
                elif f[c] == 0:
                    of_unit *= 1 - p
                elif not np.isnan(o[c]):
                    away = away * (1 - p * expit(show))
            for s, is_seen in enumerate(seen):
                of_unit *= 1.0 if np.isnan(is_seen) else 1 - away[s] if is_seen else away[s]
            chance += of_unit
        total += np.log(chance)
    w = worth_signs
    mean = np.array([w.SHOWS_MEAN] * 4 + [w.ALONE_MEAN, w.STORED_MEAN])
    spread = np.array([w.SHOWS_SD] * 4 + [w.ALONE_SD, w.STORED_SD])
    return total - 0.5 * (((theta - mean[:, None]) / spread[:, None]) ** 2).sum()


@pytest.mark.parametrize("storage_sd", [0.0, 1.2])
def test_the_fit_is_the_maximum_of_the_plain_formula(storage_sd):
    jobs = drawn(30)
    causes = worth_signs._Causes(*jobs)
    off, value = causes.fit(storage_sd, np.zeros((6, 3)))
    theta = causes.prior_mean + causes.prior_sd * off
    assert_allclose(value, plain_log_likelihood(*jobs, theta, storage_sd), rtol=1e-10)
    best = minimize(
        lambda at: -plain_log_likelihood(*jobs, at.reshape(6, 3), storage_sd), theta.ravel() + 0.2
    )
    assert value >= -best.fun - 1e-7
    assert_allclose(theta, best.x.reshape(6, 3), atol=2e-3)


def test_the_causes_of_signs_are_found_again():
    found = fit_sign_causes(*drawn(4000))
    # Between 700 and 1000 failed and examined units of each of the first three components: a share of 0.7
    # has a standard error of about 0.017, and noise from the other causes; four of them leave 0.07.
    assert_allclose(expit(found["sign_shows"][:3]), SHOWS[:3], atol=0.07)
    # Half as many of the fourth.
    assert_allclose(expit(found["sign_shows"][3]), SHOWS[3], atol=0.1)
    # 4000 units, of which half show nothing else: standard errors below 0.01; the priors add as much.
    assert_allclose(expit(found["sign_alone"]), ALONE, atol=0.04)
    # What nobody examined counts for each sign anew, which storage is blamed for: here by 0.3 at most.
    assert_allclose(found["sign_stored"], STORED, atol=0.4 + 0.3)
    assert found["storage_sd"] == pytest.approx(STORAGE, abs=0.15)
    assert_allclose(found["sign_mean"], np.nanmean(drawn(4000)[2], axis=0), atol=1e-3)


def test_one_cause_of_one_sign_is_a_table_of_two_by_two(monkeypatch):
    # 30 of 40 failed and 6 of 60 sound ones with the sign. By hand: chance shows it in 6/60, and a failed one
    # hides it in (10/40) / (54/60).
    weak = {"SHOWS_SD": 200.0, "ALONE_SD": 200.0, "STORED_MEAN": 0.0, "STORED_SD": 1e-4}
    for name, value in {**weak, "STORAGE_SDS": (0.0,)}.items():
        monkeypatch.setattr(worth_signs, name, value)
    failed = np.repeat([1.0, 1.0, 0.0, 0.0], [30, 10, 6, 54])[:, None]
    signs = np.repeat([1.0, 0.0, 1.0, 0.0], [30, 10, 6, 54])[:, None]
    found = fit_sign_causes(failed, np.zeros((100, 1)), signs)
    assert_allclose(expit(found["sign_alone"]), [6 / 60], atol=1e-4)
    assert_allclose(expit(found["sign_shows"]), [[1 - (10 / 40) / (54 / 60)]], atol=1e-4)
    assert found["storage_sd"] == 0.0


@pytest.mark.parametrize("n_signs", [0, 2])
def test_without_a_job_that_was_opened_all_is_as_believed(n_signs):
    for failed in (np.zeros((0, 3)), np.full((5, 3), np.nan)):
        found = fit_sign_causes(failed, np.zeros(failed.shape), np.ones((len(failed), n_signs)))
        assert_allclose(found["sign_shows"], np.full((3, n_signs), worth_signs.SHOWS_MEAN))
        assert_allclose(found["sign_alone"], np.full(n_signs, worth_signs.ALONE_MEAN))
        assert_allclose(found["sign_stored"], np.full(n_signs, worth_signs.STORED_MEAN))
        assert found["storage_sd"] == worth_signs.NO_STORAGE_KNOWN


def test_signs_that_nobody_ever_saw_can_all_be_seen_at_once():
    # Sums over subsets of what was seen lose what they cancel: without a floor, a chance here is above 1.
    rng = np.random.default_rng(3)
    failed = (rng.random((4000, 4)) < 0.3).astype(float)
    found = fit_sign_causes(failed, np.full((4000, 4), -0.85), np.zeros((4000, MOST_SEEN)))
    assert_allclose(found["sign_alone"], worth_signs.LEAST_ALONE)
    common = random_shared(rng, 4, MOST_SEEN, draws=normal_draws(4)[:3])
    common = replace(common, **found)
    lives, young = random_family(rng, 4), (3.0, 4.0)
    got = states(lives, common, age=young, year=(1988.0, 1982.0), signs=np.ones(MOST_SEEN))
    success, mean_failed, _ = enumerated(lives, common, np.ones(MOST_SEEN), ages=young)
    assert_allclose(got.success, success, atol=1e-6)
    assert_allclose(got.failed, mean_failed, atol=1e-6)
