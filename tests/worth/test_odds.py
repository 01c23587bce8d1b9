from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad
from scipy.special import expit, logit
from scipy.stats import norm, weibull_min

from reliability.worth import batch_odds
from reliability.worth.odds import NODE_WEIGHTS, NODES, FamilyLives, Shared, normal_draws, unit_states


def shared(n_components=2, **more):
    values = {
        "components": tuple("abcdefgh"[:n_components]),
        "signs": ("rust", "hum"),
        "reference_year": np.full(n_components, 1985.0),
        "year_slope": np.zeros(n_components),
        "sign_mean": np.array([0.25, 0.5]),
        "sign_effect": np.zeros((n_components, 2)),
        "sign_covariance": np.zeros((2, 2)),
        "state_shift": np.zeros(n_components),
        "storage_sd": 0.0,
        "collateral": np.zeros(n_components),
        "repair_hours": np.zeros(n_components),
        "tilt_slope": 0.0,
        "tilt_centre": 0.0,
        "tilt_signs": np.zeros(2),
        "price_signs": np.zeros(2),
        "draws": normal_draws(n_components),
        **more,
    }
    return Shared(**values)


def family(scales, shapes, repair, doubt=0.0):
    n = len(scales)
    life = np.column_stack([np.log(scales), np.log(shapes), np.full((n, 3), doubt)])
    return FamilyLives(
        np.arange(n), life, life, np.full(n, np.nan), np.column_stack([logit(repair), np.zeros(n)])
    )


def states(lives, common, age=40.0, year=1985.0, signs=(np.nan, np.nan)):
    ages = np.atleast_1d(np.asarray(age, float))
    years = np.broadcast_to(np.asarray(year, float), ages.shape)
    return unit_states(lives, common, ages, years, np.full(ages.size, 1 / ages.size), np.array(signs))


def test_one_component_is_the_weibull_of_scipy():
    got = states(family([45.0], [3.0], [0.25]), shared(1))
    p = weibull_min.cdf(40, 3.0, scale=45.0)
    assert_allclose(got.failed, [p], rtol=1e-9)
    assert_allclose(got.success, 1 - p * 0.75, rtol=1e-9)
    assert_allclose(got.ends, [p * 0.75], rtol=1e-9)
    assert_allclose(got.mended, p * 0.25 / (1 - p * 0.75), rtol=1e-9)


def test_components_fail_alone_unless_storage_joins_them():
    lives = family([45.0, 60.0], [3.0, 2.0], [0.25, 0.6])
    alone = states(lives, shared())
    p = weibull_min.cdf(40, [3.0, 2.0], scale=[45.0, 60.0])
    assert_allclose(alone.success, np.prod(1 - p * [0.75, 0.4]), rtol=1e-9)
    joined = states(lives, shared(storage_sd=1.2))
    # Failures that come together leave more units without any; each component's own odds hardly move.
    assert joined.success.mean() > alone.success.mean() + 0.005
    assert_allclose(joined.failed, alone.failed, atol=0.015)


def test_storage_quadrature_agrees_with_an_integral():
    common = shared(1, storage_sd=1.0)
    got = states(family([45.0], [3.0], [1e-9]), common)
    centre = logit(weibull_min.cdf(40, 3.0, scale=45.0)) * np.sqrt(1 + 0.346)
    exact = quad(lambda u: expit(centre + u) * norm.pdf(u), -8, 8)[0]
    assert_allclose(got.failed, [exact], atol=2e-3)
    # Gauss-Hermite with five nodes integrates polynomials up to degree nine: E z^8 = 105.
    assert_allclose(NODE_WEIGHTS @ NODES**8, 105.0, rtol=1e-12)


def test_a_window_of_years_is_a_mixture():
    lives, common = family([45.0, 60.0], [6.0, 2.0], [0.25, 0.6]), shared()
    window = states(lives, common, age=[36.0, 40.0, 44.0])
    single = np.mean([states(lives, common, age=a).success.mean() for a in (36.0, 40.0, 44.0)])
    assert_allclose(window.success.mean(), single, rtol=1e-12)
    assert abs(states(lives, common, age=40.0).success.mean() - single) > 1e-3


def test_a_sign_shifts_odds_by_its_distance_from_the_usual():
    effect = np.array([[2.0, 0.0], [0.0, 0.0]])
    lives = family([45.0, 60.0], [3.0, 2.0], [0.25, 0.6])
    rusty = states(lives, shared(sign_effect=effect), signs=(1.0, np.nan))
    clean = states(lives, shared(sign_effect=effect), signs=(0.0, np.nan))
    unlooked = states(lives, shared(sign_effect=effect))
    p = weibull_min.cdf(40, 3.0, scale=45.0)
    assert_allclose(rusty.failed[0], expit(logit(p) + 2.0 * 0.75), rtol=1e-9)
    assert_allclose(clean.failed[0], expit(logit(p) - 2.0 * 0.25), rtol=1e-9)
    assert rusty.success.mean() < unlooked.success.mean() < clean.success.mean()


def test_a_death_on_the_bench_ends_a_job_like_a_failure():
    lives = family([1e6], [3.0], [0.0 + 1e-12])
    got = states(lives, shared(1, collateral=np.array([0.1])))
    assert_allclose(got.success, 0.9, atol=1e-6)


def test_later_years_may_last_longer():
    lives, common = family([45.0], [3.0], [0.1]), shared(1, year_slope=np.array([0.2]))
    early, late = (states(lives, common, year=y).failed[0] for y in (1980.0, 1990.0))
    assert_allclose(early, weibull_min.cdf(40, 3.0, scale=45.0 * np.exp(-0.1)), rtol=1e-9)
    assert_allclose(late, weibull_min.cdf(40, 3.0, scale=45.0 * np.exp(0.1)), rtol=1e-9)


def test_from_a_change_on_other_lives_hold():
    lives, common = family([45.0], [3.0], [0.1]), shared(1)
    later = family([20.0], [4.0], [0.1]).life
    changed = replace(lives, life_after=later, change_year=np.array([1984.0]))
    for year, scale, shape in ((1983.0, 45.0, 3.0), (1984.0, 20.0, 4.0)):
        got = states(changed, common, year=year).failed[0]
        assert_allclose(got, weibull_min.cdf(40, shape, scale=scale), rtol=1e-9)
    both = states(changed, common, age=[40.0, 40.0], year=[1983.0, 1984.0]).failed[0]
    assert_allclose(
        both, np.mean([weibull_min.cdf(40, 3, scale=45), weibull_min.cdf(40, 4, scale=20)]), rtol=1e-9
    )


def test_draws_are_standard_normal_and_the_same_each_time():
    draws = normal_draws(8)
    assert_allclose(draws.mean(axis=0), 0.0, atol=1e-3)
    assert_allclose(draws.std(axis=0), 1.0, atol=1e-3)
    assert np.abs(np.corrcoef(draws.T) - np.eye(draws.shape[1])).max() < 0.3
    assert (draws == normal_draws(8)).all()


@pytest.mark.parametrize("age", [1 / 12, 500.0])
def test_extreme_ages_stay_finite(age):
    got = states(family([45.0, 60.0], [8.0, 6.0], [0.5, 0.5], doubt=0.3), shared(storage_sd=1.7), age=age)
    assert np.isfinite(got.success).all()
    assert ((got.success > 0) & (got.success <= 1)).all()


def test_many_units_at_once_are_the_units_one_by_one(monkeypatch):
    rng = np.random.default_rng(4)
    n_components, n_units = 6, 40
    common = shared(
        n_components,
        year_slope=rng.normal(0, 0.2, n_components),
        sign_effect=rng.normal(0.3, 0.3, (n_components, 2)),
        sign_covariance=np.array([[0.3, 0.1], [0.1, 0.2]]),
        state_shift=rng.normal(0, 0.2, n_components),
        storage_sd=0.8,
        collateral=rng.uniform(0, 0.1, n_components),
    )
    life = np.column_stack([rng.normal(3.5, 1.0, n_components), rng.normal(1.0, 0.5, n_components)])
    life = np.column_stack([life, rng.uniform(0, 0.3, (n_components, 3))])
    repair = np.column_stack([rng.normal(1, 1, n_components), rng.uniform(0, 1, n_components)])
    change = np.where(np.arange(n_components) % 2, 1985.0, np.nan)
    lives = FamilyLives(np.arange(n_components), life, life + 0.2, change, repair)
    unit = np.sort(rng.integers(0, n_units, 150))  # some have several alternatives, some may have none
    age, year = rng.uniform(0.1, 60, 150), rng.integers(1970, 2000, 150).astype(float)
    weight = rng.uniform(0.1, 1, 150)
    weight /= np.bincount(unit, weight)[unit]
    signs = rng.choice([0.0, 1.0, np.nan], (n_units, 2))
    alone = [
        unit_states(lives, common, age[mine], year[mine], weight[mine], signs[i]).success.mean()
        for i in range(n_units)
        if (mine := unit == i).any()
    ]
    there = np.unique(unit)
    whole = batch_odds.repair_chances(lives, common, unit, age, year, weight, signs)
    assert_allclose(whole[there], alone, rtol=1e-12)
    monkeypatch.setattr(batch_odds, "ELEMENTS_AT_ONCE", 192 * n_components * 7)
    in_pieces = batch_odds.repair_chances(lives, common, unit, age, year, weight, signs)
    assert_allclose(in_pieces, whole, rtol=1e-14)
