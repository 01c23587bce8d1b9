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


def test_a_sign_moves_the_odds_of_what_shows_it():
    # By hand: the sign comes by chance in 1 of 8, and with 1 in 2 of the failed: 9/16 of them have it.
    common = shared(sign_shows=np.array([[0.0, -50.0], [-50.0, -50.0]]), sign_alone=logit([1 / 8, 1 / 8]))
    lives = family([45.0, 60.0], [3.0, 2.0], [0.25, 0.6])
    rusty, clean = (states(lives, common, signs=(seen, np.nan)) for seen in (1.0, 0.0))
    unlooked = states(lives, common)
    p = weibull_min.cdf(40, [3.0, 2.0], scale=[45.0, 60.0])
    assert_allclose(unlooked.failed, p, rtol=1e-9)
    assert_allclose(rusty.failed, [expit(logit(p[0]) + np.log(9 / 16 * 8)), p[1]], rtol=1e-9)
    assert_allclose(clean.failed, [expit(logit(p[0]) + np.log(1 / 2)), p[1]], rtol=1e-9)
    assert (rusty.success < unlooked.success).all()
    assert (unlooked.success < clean.success).all()


def test_a_sign_tells_which_of_the_years_a_unit_may_have():
    # By hand: 1 in 2 of the failed show it, nothing else does, so the older unit is likelier by its odds.
    common = shared(1, sign_shows=np.array([[0.0, -50.0]]), sign_alone=np.full(2, -50.0))
    lives = family([45.0], [3.0], [0.25])
    p = weibull_min.cdf([30.0, 60.0], 3.0, scale=45.0)
    left = p / 2 + (1 - p)  # and do not show it
    assert_allclose(
        states(lives, common, age=[30.0, 60.0], signs=(0.0, np.nan)).failed, p.sum() / 2 / left.sum()
    )
    assert_allclose(states(lives, common, age=[30.0, 60.0], signs=(1.0, np.nan)).failed, [1.0])


def test_doubt_about_a_sign_spreads_success_over_the_draws():
    sure = shared(sign_shows=np.array([[0.0, -50.0], [-50.0, -50.0]]))
    lives = family([45.0, 60.0], [3.0, 2.0], [0.25, 0.6])
    assert np.ptp(states(lives, sure, signs=(1.0, np.nan)).success) < 1e-12
    doubted = replace(sure, sign_doubt=np.array([0.7, 0.0]))
    for seen in (1.0, 0.0):
        success = states(lives, doubted, signs=(seen, np.nan)).success
        # By hand, draw by draw: the odds of the first component as a failed one would show the sign there.
        shown = expit(0.7 * doubted.draws[:, 5])
        chance = 1 - (1 - shown) * (1 - expit(-2.0))
        ratio = chance / expit(-2.0) if seen else 1 - shown
        p = weibull_min.cdf(40, [3.0, 2.0], scale=[45.0, 60.0])
        then = expit(logit(p[0]) + np.log(ratio))
        assert_allclose(success, (1 - then * 0.75) * (1 - p[1] * 0.4), rtol=1e-9)
        assert success.std() > 0.005
    # Doubt about a sign that nobody looked for is none.
    assert np.ptp(states(lives, doubted, signs=(np.nan, 0.0)).success) < 1e-12


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
