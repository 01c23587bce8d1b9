"""What signs say of components, held against an enumeration of all ways in which a unit can be."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.special import expit, logit

from reliability.worth.odds import (
    COMMON_DIMENSIONS,
    MOST_SEEN,
    NODE_WEIGHTS,
    NODES,
    component_odds,
    log_not_alone,
    log_unshown,
    normal_draws,
    sign_terms,
    weigh_by_signs,
)
from tests.worth.units import random_family, random_shared, states

NEVER = -50.0
"""Log odds of what practically never happens."""

AGES, YEARS = (35.0, 41.0), (1988.0, 1982.0)


def enumerated(lives, common, signs, ages=AGES):
    """Success, mean chance of having failed, and what was mended, by adding up whole units one by one."""
    n, draws = lives.components.size, common.draws
    odds = component_odds(lives, common, np.array(ages), np.array(YEARS))
    all_ways, going = np.zeros((2, len(draws)))
    failed, mended = np.zeros((2, len(draws), n))
    cases = product(range(len(draws)), range(len(ages)), range(len(NODES)), product((0, 1), repeat=n))
    for d, a, k, broken in cases:
        p = expit(odds[d, a] + common.storage_sd * NODES[k])
        chance = NODE_WEIGHTS[k] / len(ages)
        for c in range(n):
            chance *= p[c] if broken[c] else 1 - p[c]
        for s, seen in enumerate(signs):
            away = 1 - expit(common.sign_alone[s] + NODES[k] * common.sign_stored[s])
            for c in range(n):
                if broken[c]:
                    away *= 1 - expit(common.sign_shows[c, s] + draws[d, 5] * common.sign_doubt[s])
            if not np.isnan(seen):
                chance *= 1 - away if seen else away
        goes_on, repaired = chance, np.zeros(n)
        for c in range(n):
            z = draws[d, COMMON_DIMENSIONS + 3 * c + 2]
            fixed = expit(lives.repair[c, 0] + lives.repair[c, 1] * z)
            dies = 1.0 if broken[c] else common.collateral[c]
            goes_on *= 1 - dies + dies * fixed
            repaired[c] = dies * fixed / (1 - dies + dies * fixed)
        all_ways[d] += chance
        failed[d] += chance * np.array(broken)
        going[d] += goes_on
        mended[d] += goes_on * repaired
    return going / all_ways, (failed / all_ways[:, None]).mean(axis=0), mended / going[:, None]


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


def conditioned(before, shows, alone, signs):
    """Chances of having failed of one unit that was stored as usual, given its signs."""
    terms = sign_terms(np.asarray(signs, float), np.asarray(shows))
    unshown = log_unshown(np.asarray(shows), np.zeros(len(signs)), np.zeros(1), terms.absent)
    not_alone = log_not_alone(np.asarray(alone), np.zeros(len(signs)), np.zeros(1), terms.absent)
    start = np.array(before, float)[None, None, None]
    arrived, weight = weigh_by_signs(start, np.ones((1, 1)), unshown, not_alone, terms.factor)
    return weight[0, 0] @ arrived[0, 0]


@pytest.mark.parametrize(
    ("belt", "motor_then"),
    # By hand, the transport being dead by chance in 1 of 3 and by each broken component in 1 of 2.
    # Belt sound: 1/4 (1 - 2/3 1/2) to 3/4 1/3 is 2 to 3.
    # Belt broken: 1/4 (1 - 2/3 1/4) to 3/4 (1 - 2/3 1/2) is 5 to 12.
    [(0.0, 2 / 5), (1.0, 5 / 17)],
)
def test_a_belt_that_has_failed_explains_a_dead_transport(belt, motor_then):
    after = conditioned([belt, 1 / 4], [[0.0], [0.0]], [logit(1 / 3)], [1])
    assert_allclose(after, [belt, motor_then], rtol=1e-12)


def test_a_sign_that_stays_away_speaks_for_each_component_alone():
    # By hand: 1/4 (1 - 1/2) to 3/4, 1 to 6, whatever the belt is like; a belt that is sure stays sure.
    for belt in (0.0, 1.0):
        after = conditioned([belt, 1 / 4], [[0.0], [0.0]], [logit(1 / 3)], [0])
        assert_allclose(after, [belt, 1 / 7], rtol=1e-12)


def test_two_signs_of_one_component_count_twice():
    # By hand: each is shown by 1 in 2, and by chance in 1 of 10, so each is 11/20 to 1/10 for a failed one.
    # Odds of 1 to 3 become 1/3 (11/2)^2 = 121 to 12.
    shows, alone = np.zeros((1, 2)), logit([0.1, 0.1])
    assert_allclose(conditioned([1 / 4], shows, alone, [1, np.nan]), [11 / 17], rtol=1e-12)
    assert_allclose(conditioned([1 / 4], shows, alone, [1, 1]), [121 / 133], rtol=1e-12)
    # Seen and not seen: 1/3 (11/2) (1/2), as the belt hides it in 1 of 2 and chance in 9 of 10 either way.
    assert_allclose(conditioned([1 / 4], shows, alone, [1, 0]), [11 / 23], rtol=1e-12)


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
    terms = sign_terms(signs, shows)
    assert terms.factor.size == 2**MOST_SEEN
    assert (terms.absent[:, [2, -1]] == 0).all()
    got, left = states(lives, common, signs=signs), states(lives, common, signs=blanked)
    for name in ("success", "failed", "mended", "ends"):
        assert_allclose(getattr(got, name), getattr(left, name), rtol=1e-12)


def test_equally_strong_signs_are_kept_in_their_order():
    terms = sign_terms(np.ones(MOST_SEEN + 1), np.full((2, MOST_SEEN + 1), -1.0))
    assert terms.absent.any(axis=0).tolist() == [True] * MOST_SEEN + [False]


def test_terms_are_the_product_of_what_was_seen():
    # (1 - a)(1 - b) c, the third being not seen and the fourth not looked for: by hand, four terms.
    signs = np.array([1.0, 1.0, 0.0, np.nan])
    terms = sign_terms(signs, np.zeros((1, 4)))
    told = {tuple(row): factor for row, factor in zip(terms.absent.tolist(), terms.factor, strict=True)}
    assert told == {(0, 0, 1, 0): 1.0, (1, 0, 1, 0): -1.0, (0, 1, 1, 0): -1.0, (1, 1, 1, 0): 1.0}
