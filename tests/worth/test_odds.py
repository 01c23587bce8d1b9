"""One unit, held against scipy, by-hand cases and an enumeration of all ways in which it can be."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.integrate import quad
from scipy.special import expit, logit
from scipy.stats import norm, weibull_min

from reliability.worth import recalibration
from reliability.worth.odds import (
    CASES,
    COMMON_DIMENSIONS,
    MOST_SEEN,
    N_CASES,
    N_DRAWS,
    NODE_WEIGHTS,
    NODES,
    Spread,
    Terms,
    Unit,
    appraise,
    component_odds,
    normal_draws,
    paired_cases,
    sign_terms,
    unit_states,
)
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
    # Gauss-Hermite with three nodes integrates polynomials up to degree five: E z^4 = 3.
    assert_allclose(NODE_WEIGHTS @ NODES**4, 3.0, rtol=1e-12)


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
    unit = np.sort(
        np.append(np.arange(n_units), rng.integers(0, n_units, 110))
    )  # some have several alternatives
    age, year = rng.uniform(10, 60, 150), rng.integers(1970, 2000, 150).astype(float)
    weight = rng.uniform(0.1, 1, 150)
    weight /= np.bincount(unit, weight)[unit]
    signs = rng.choice([0.0, 1.0, np.nan], (n_units, n_signs))
    signs[:3] = np.array([[np.nan], [0.0], [1.0]])  # nobody looked; nothing seen; all seen
    one_by_one = [
        unit_states(lives, common, Unit(age[mine], year[mine], weight[mine], signs[i])).success.mean()
        for i in range(n_units)
        for mine in [unit == i]
    ]
    repair = np.broadcast_to(lives.repair, (n_units, n_components, 2))
    whole = recalibration.repair_chances(lives, common, unit, age, year, weight, signs, repair)
    # Sums over sets of signs seen cancel: of five common ones, four or five digits of sixteen are lost.
    assert_allclose(whole, one_by_one, rtol=1e-12 if n_signs == 2 else 1e-10)
    monkeypatch.setattr(recalibration, "ELEMENTS_AT_ONCE", 192 * n_components * 7)
    in_pieces = recalibration.repair_chances(lives, common, unit, age, year, weight, signs, repair)
    assert_allclose(in_pieces, whole, rtol=1e-14 if n_signs == 2 else 1e-10)


# ---- what signs say of components


AGES, YEARS = (35.0, 41.0), (1988.0, 1982.0)


def enumerated(lives, common, signs, ages=AGES, years=YEARS, found=lambda broken: True):
    """Success, mean chance of having failed, and what was mended, by adding up whole units one by one.

    Of failures only units count in which this was found; the states of knowledge are as likely as before.
    """
    at, draws = lives.components, common.draws
    odds = component_odds(lives, common, np.array(ages), np.array(years))
    all_ways, going, here = np.zeros((3, len(draws)))
    failed, mended = np.zeros((2, len(draws), at.size))
    cases = product(range(len(draws)), range(len(ages)), range(len(NODES)), product((0, 1), repeat=at.size))
    for d, a, k, broken in cases:
        p = expit(odds[d, a] + common.storage_sd * NODES[k])
        chance = NODE_WEIGHTS[k] / len(ages)
        for c in range(at.size):
            chance *= p[c] if broken[c] else 1 - p[c]
        for s in np.flatnonzero(~np.isnan(signs)):
            away = 1 - expit(common.sign_alone[s] + NODES[k] * common.sign_stored[s])
            for c in np.flatnonzero(broken):
                away *= 1 - expit(common.sign_shows[at[c], s])
            chance *= 1 - away if signs[s] else away
        goes_on, repaired = chance, np.zeros(at.size)
        for c in range(at.size):
            z = draws[d, COMMON_DIMENSIONS + 3 * c + 2]
            fixed = expit(lives.repair[c, 0] + lives.repair[c, 1] * z)
            dies = 1.0 if broken[c] else common.collateral[at[c]]
            goes_on *= 1 - dies + dies * fixed
            repaired[c] = dies * fixed / (1 - dies + dies * fixed)
        all_ways[d] += chance
        here[d] += chance * found(broken)
        failed[d] += chance * found(broken) * np.array(broken)
        going[d] += goes_on
        mended[d] += goes_on * repaired
    failed = (failed / all_ways[:, None]).mean(axis=0) / (here / all_ways).mean()
    return going / all_ways, failed, mended / going[:, None]


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.lists(st.sampled_from([0.0, 1.0, np.nan]), min_size=1, max_size=5))
def test_signs_weigh_as_an_enumeration_of_all_units_does(seed, signs):
    rng = np.random.default_rng(seed)
    n = 3 + seed % 2
    common = random_shared(rng, n, len(signs), draws=normal_draws(n)[:3])
    lives = random_family(rng, n)
    got = states(lives, common, age=AGES, year=YEARS, signs=signs)
    success, failed, mended = enumerated(lives, common, signs)
    assert_allclose(got.success, success, atol=1e-9)
    assert_allclose(got.failed, failed, atol=1e-9)
    assert_allclose(got.mended, mended, atol=1e-9)
    assert_allclose(got.ends.sum(), 1 - success.mean(), atol=1e-9)


def test_of_many_signs_the_strongest_are_weighed():
    rng = np.random.default_rng(2)
    n_signs = MOST_SEEN + 2
    common, lives = random_shared(rng, 3, n_signs), random_family(rng, 3)
    # The third and the last are shown least by any component, though by chance they are common.
    shows = common.sign_shows.copy()
    shows[:, [2, -1]] = [-6.0, -5.0]
    common = replace(common, sign_shows=shows)
    signs = np.ones(n_signs)
    blanked = signs.copy()
    blanked[[2, -1]] = np.nan
    absent, factor = sign_terms(signs, shows)
    assert factor.size == 2**MOST_SEEN
    assert (absent[:, [2, -1]] == 0).all()
    got, left = states(lives, common, signs=signs), states(lives, common, signs=blanked)
    for name in ("success", "failed", "mended", "ends"):
        assert_allclose(getattr(got, name), getattr(left, name), rtol=1e-12)


def test_equally_strong_signs_are_kept_in_their_order():
    absent, _ = sign_terms(np.ones(MOST_SEEN + 1), np.full((2, MOST_SEEN + 1), -1.0))
    assert absent.any(axis=0).tolist() == [True] * MOST_SEEN + [False]


# ---- the chance in a single unit


FREE_TIME = Terms(
    hour_rate=0.0, selling_fee=0.0, margin=0.0, caution=0.0, haggle_room=0.25, comeback_cost=0.0
)
UNIT = Unit(np.array([40.0]), np.array([1985.0]), np.ones(1), np.full(2, np.nan))


def settled(demo_appraiser, shift, **amounts):
    """A family of which all is known but the chance in a single unit; nothing in it ever fails."""
    known = Spread(0.0, 0.0, 0.0)
    blank = {name: known for name in ("ratio", "remains", "costs_repaired", "costs_unrepaired")}
    return replace(
        next(iter(demo_appraiser.families.values())),
        lives=family([1e9], [2.0], [0.5]),
        part_cost=np.zeros(1),
        shift=shift,
        shift_se=0.0,
        own_weight=0.0,
        working_price=100.0,
        price_doubt=0.0,
        **{**blank, **amounts},
    )


def chance_below(appraisal, limit):
    return float(appraisal.case_weight[appraisal.cases < limit].sum())


@pytest.mark.parametrize("spread", [8.0, 20.0, 60.0])
def test_chances_of_a_loss_are_those_of_two_independent_spreads(demo_appraiser, spread):
    entry = settled(
        demo_appraiser,
        15.0,
        ratio=Spread(0.0, 0.0, 0.24),
        costs_repaired=Spread(30.0, 0.0, spread),
    )
    got = appraise(entry, shared(1), FREE_TIME, UNIT)
    assert_allclose(got.success, 1.0, atol=1e-12)

    def exact(limit):  # the sale is lognormal (Z1), the costs normal (Z2), by numerical integration
        def inside(z):
            return norm.pdf(z) * norm.sf((100.0 * np.exp(0.24 * z) - 30.0 - limit) / spread)

        return quad(inside, -8, 8)[0]

    limits = np.arange(-20.0, 130.0, 10.0)
    found = np.array([chance_below(got, limit) for limit in limits])
    # Sixteen cases of either spread stand for all: their steps of 1/16 are smoothed by the other spread.
    assert_allclose(found, [exact(limit) for limit in limits], atol=0.016 if spread > 8 else 0.035)


def test_chances_of_an_unrepaired_unit_likewise(demo_appraiser):
    entry = settled(
        demo_appraiser,
        -35.0,
        remains=Spread(40.0, 0.0, 15.0),
        costs_unrepaired=Spread(25.0, 0.0, 12.0),
    )
    got = appraise(entry, shared(1), FREE_TIME, UNIT)
    limits = np.arange(-30.0, 60.0, 5.0)
    exact = norm.cdf(limits, 40.0 - 25.0, np.hypot(15.0, 12.0))
    assert_allclose([chance_below(got, limit) for limit in limits], exact, atol=0.016)


def test_every_case_of_one_spread_meets_every_case_of_the_other():
    other = paired_cases(N_DRAWS)
    assert N_DRAWS % N_CASES == 0
    pairs = {(first, second) for row in other for first, second in zip(CASES, row, strict=True)}
    assert len(pairs) == N_CASES**2
    assert_allclose(np.sort(other, axis=1), np.tile(CASES, (N_DRAWS, 1)))
    assert_allclose(other.mean(axis=0), 0.0, atol=1e-12)  # so the second says nothing of the first
