from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad
from scipy.special import expit, logit
from scipy.stats import norm, weibull_min

from reliability.worth import recalibration
from reliability.worth.odds import MOST_SEEN, NODE_WEIGHTS, NODES, Unit, normal_draws, unit_states
from tests.worth.units import family, random_family, random_shared, shared, states


def test_one_component_is_the_weibull_of_scipy():
    got = states(family([45.0], [3.0], [0.25]), shared(1))
    p = weibull_min.cdf(40, 3.0, scale=45.0)
    assert_allclose(got.failed, [p], rtol=1e-9)
    assert_allclose(got.success, 1 - p * 0.75, rtol=1e-9)
    assert_allclose(got.ends, [p * 0.75], rtol=1e-9)
    assert_allclose(got.mended, p * 0.25 / (1 - p * 0.75), rtol=1e-9)


def test_storage_quadrature_agrees_with_an_integral():
    common = shared(1, storage_sd=1.0)
    got = states(family([45.0], [3.0], [1e-9]), common)
    centre = logit(weibull_min.cdf(40, 3.0, scale=45.0)) * np.sqrt(1 + 0.346)
    exact = quad(lambda u: expit(centre + u) * norm.pdf(u), -8, 8)[0]
    assert_allclose(got.failed, [exact], atol=2e-3)
    # Gauss-Hermite with five nodes integrates polynomials up to degree nine: E z^8 = 105.
    assert_allclose(NODE_WEIGHTS @ NODES**8, 105.0, rtol=1e-12)


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


@pytest.mark.parametrize("n_signs", [2, MOST_SEEN + 2])
def test_many_units_at_once_are_the_units_one_by_one(monkeypatch, n_signs):
    rng = np.random.default_rng(4)
    n_components, n_units = 6, 40
    common = random_shared(rng, n_components, n_signs)
    common = replace(common, year_slope=rng.normal(0, 0.2, n_components))
    lives = random_family(rng, n_components)
    change = np.where(np.arange(n_components) % 2, 1985.0, np.nan)
    lives = replace(lives, life_after=lives.life + 0.2, change_year=change)
    unit = np.sort(rng.integers(0, n_units, 150))  # some have several alternatives, some may have none
    age, year = rng.uniform(10, 60, 150), rng.integers(1970, 2000, 150).astype(float)
    weight = rng.uniform(0.1, 1, 150)
    weight /= np.bincount(unit, weight)[unit]
    signs = rng.choice([0.0, 1.0, np.nan], (n_units, n_signs))
    signs[:3] = np.array([[np.nan], [0.0], [1.0]])  # nobody looked; nothing seen; all seen
    one_by_one = [
        unit_states(lives, common, Unit(age[mine], year[mine], weight[mine], signs[i])).success.mean()
        for i in range(n_units)
        if (mine := unit == i).any()
    ]
    there = np.unique(unit)
    assert {0, 1, 2} <= {*there.tolist()}
    assert there.size < n_units
    repair = np.broadcast_to(lives.repair, (n_units, n_components, 2))
    whole = recalibration.repair_chances(lives, common, unit, age, year, weight, signs, repair)
    # Sums over sets of signs seen cancel: of five common ones, four or five digits of sixteen are lost.
    assert_allclose(whole[there], one_by_one, rtol=1e-12 if n_signs == 2 else 1e-10)
    assert (whole[np.setdiff1d(np.arange(n_units), there)] == 0).all()
    monkeypatch.setattr(recalibration, "ELEMENTS_AT_ONCE", 192 * n_components * 7)
    in_pieces = recalibration.repair_chances(lives, common, unit, age, year, weight, signs, repair)
    assert_allclose(in_pieces, whole, rtol=1e-14 if n_signs == 2 else 1e-10)
