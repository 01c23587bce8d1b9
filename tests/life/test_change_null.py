"""The curve of the search for a change year where nothing changed."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize
from scipy.special import expit, log_expit

from reliability.life.lives import LifeRecords
from reliability.life.years import Group, Null, dated_records, prepare_search


def null_of(age):
    age = np.sort(np.asarray(age, dtype=float))
    return Null.of(Group.of(age, np.arange(age.size)), np.log(age))


def penalised(x, failed):
    """Second opinion: the likelihood times the square root of the information, by a general optimiser."""
    both = np.column_stack((np.ones_like(x), x))

    def loss(free):
        at = both @ free
        share = expit(at)
        information = (both.T * (share * (1 - share))) @ both
        fit = np.where(failed, log_expit(at), log_expit(-at)).sum()
        return -fit - np.linalg.slogdet(information)[1] / 2

    options = {"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000}
    return minimize(loss, [0.0, 0.5], method="Nelder-Mead", options=options).x


@pytest.mark.parametrize("sorted_perfectly", [False, True])
def test_start_is_the_penalised_logistic_curve(sorted_perfectly):
    age = np.arange(30.0, 45)
    failed = age >= 38
    if not sorted_perfectly:
        failed[[2, 11]] = [True, False]
    null = null_of(age)
    got = null._logistic(null.everyone.failed(failed[None, :]))[0]
    intercept, slope = penalised(null.log_age, failed)
    assert slope > 0.5
    assert_allclose(got, expit(intercept + slope * null.log_age), atol=1e-5)


def test_failures_of_the_young_alone_are_no_fall():
    age = np.arange(30.0, 45)
    chance = null_of(age).chance((age < 35)[None, :])[0]
    assert np.all(np.diff(chance) >= -1e-9)
    assert_allclose(chance, 5.5 / 16, atol=0.03)


def test_ties_and_replicates_are_one_age():
    age = np.repeat(np.arange(30.0, 42), 3)
    failed = np.random.default_rng(3).random(36) < expit((age - 36) / 3)
    null = null_of(age)
    chance = null.chance(failed[None, :])[0]
    assert_allclose(chance.reshape(-1, 3), np.repeat(chance[::3, None], 3, axis=1))
    assert null.log_age.size == 12


def test_many_sets_at_once_are_each_alone():
    rng = np.random.default_rng(4)
    age = rng.uniform(28, 46, 40)
    null, sets = null_of(age), rng.random((6, 40)) < 0.4
    sets[0], sets[1] = False, True
    assert_allclose(null.chance(sets), np.vstack([null.chance(one[None, :]) for one in sets]), atol=1e-12)


def test_the_truth_is_found_with_many_parts():
    rng = np.random.default_rng(5)
    age = np.sort(rng.uniform(28, 46, 4000))
    for truth in (expit((age - 37) / 0.8), np.full(age.size, 0.35), np.clip((age - 35) / 8, 0, 0.5)):
        chance = null_of(age).chance((rng.random(age.size) < truth)[None, :])[0]
        assert np.mean(np.abs(chance - truth)) < 0.02


def test_one_age_for_all_is_one_share():
    null = null_of(np.full(12, 40.0))
    failed = np.arange(12) < 5
    assert_allclose(null.chance(failed[None, :])[0], 5 / 12, atol=0.02)


def test_search_rests_on_this_curve():
    rng = np.random.default_rng(6)
    year = rng.integers(1976, 1988, 40).astype(float)
    age = rng.uniform(2016, 2024, 40) - year
    failed = rng.random(40) < 0.5
    lives = LifeRecords(np.where(failed, 0, age), np.where(failed, age, np.inf))
    search = prepare_search(dated_records(lives, year))
    alone = null_of(age).chance(failed[np.argsort(age)][None, :])
    assert_allclose(search.null.chance(search.failed[None, :]), alone)
