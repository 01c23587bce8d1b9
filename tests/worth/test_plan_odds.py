"""Components of a unit before it is opened: in step with the appraisal, chances once classes are added up."""

from dataclasses import replace
from itertools import combinations, product

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import expit

from reliability.worth.appraisal import Unit, success_draws
from reliability.worth.odds import MOST_SEEN, NODE_WEIGHTS, NODES, component_odds, unit_states
from reliability.worth.plan import joint_chances, unit_odds

N_SIGNS_SEEN = (0, 1, 3, MOST_SEEN + 1)
FAMILIES = ("Obbelin 550", "Yarrowen C7", "Pellowick R40")


def with_signs(appraiser, n_seen):
    """One unit of two possible years: first signs seen, next not, and nobody looked for the last."""
    signs = np.zeros(len(appraiser.shared.signs))
    signs[:n_seen] = 1.0
    signs[-1] = np.nan
    return Unit(np.array([38.0, 41.0]), np.array([1986.0, 1983.0]), np.array([0.3, 0.7]), signs)


def laid_out(appraiser, family, n_seen):
    return unit_odds(appraiser.families[family], appraiser.shared, with_signs(appraiser, n_seen))


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("n_seen", N_SIGNS_SEEN)
def test_every_state_of_knowledge_has_the_recalibrated_odds(demo_appraiser, family, n_seen):
    entry, shared = demo_appraiser.families[family], demo_appraiser.shared
    unit = with_signs(demo_appraiser, n_seen)
    states = unit_states(entry.lives, shared, unit.age_years, unit.year, unit.weight, unit.signs)
    target = success_draws(entry, shared, unit, states)
    odds = unit_odds(entry, shared, unit)
    going = odds.weight * (1.0 - odds.failed * (1.0 - odds.mend_chance)).prod(axis=1)
    n_draws = len(shared.draws)
    assert_allclose(going.reshape(n_draws, -1).sum(axis=1) * n_draws, target, atol=1e-6)
    assert_allclose(going.sum(), target.mean(), atol=1e-6)
    assert_allclose(odds.weight.sum(), 1.0, rtol=1e-9)
    assert (odds.weight.min() < 0) == (n_seen > 0)


@pytest.mark.parametrize("n_seen", N_SIGNS_SEEN)
def test_all_that_can_be_found_has_a_chance(demo_appraiser, n_seen):
    odds = laid_out(demo_appraiser, "Obbelin 550", n_seen)
    n = min(odds.arrived.shape[1], 6)
    joint = joint_chances(odds.arrived[:, :n], odds.weight)
    assert joint.min() >= -1e-12
    assert joint.max() <= 1 + 1e-9
    table = joint.reshape((3,) * n)
    assert_allclose(table[..., 0], table[..., 1] + table[..., 2], atol=1e-12)


@pytest.mark.parametrize("n_seen", N_SIGNS_SEEN)
def test_pairs_agree_with_what_is_known_once_one_is_found(demo_appraiser, n_seen):
    odds = laid_out(demo_appraiser, "Yarrowen C7", n_seen)
    n = min(odds.arrived.shape[1], 5)
    joint = joint_chances(odds.arrived[:, :n], odds.weight)
    for i, j in combinations(range(n), 2):
        for one, other in product((1, 2), repeat=2):
            found = odds.given([i] if one == 2 else [], [i] if one == 1 else [])
            of_other = found.weight @ (odds.arrived[:, j] if other == 2 else 1 - odds.arrived[:, j])
            both = joint[one * 3**i] * of_other
            assert_allclose(joint[one * 3**i + other * 3**j], both, atol=1e-9)


def test_findings_and_signs_together_agree_with_whole_units(demo_appraiser):
    # Recalibration aside: two signs seen, one not, the first component found failed, the second sound.
    entry, shared = demo_appraiser.families["Obbelin 550"], demo_appraiser.shared
    nothing = {
        name: np.zeros_like(getattr(shared, name))
        for name in ("age_effect", "age_se", "outcome_signs", "outcome_signs_se")
    }
    shared = replace(shared, chain_weight=1.0, chain_centre=0.0, draws=shared.draws[:4], **nothing)
    entry = replace(entry, shift=0.0, shift_se=0.0, own_weight=0.0)
    signs = np.full(len(shared.signs), np.nan)
    signs[:3] = 1.0, 0.0, 1.0
    unit = Unit(np.array([38.0]), np.array([1986.0]), np.ones(1), signs)
    got = unit_odds(entry, shared, unit).given([0], [1])
    c = entry.lives.components
    log_odds = component_odds(entry.lives, shared, unit.age_years, unit.year)[:, 0]
    chance, failed = 0.0, np.zeros(c.size)
    for d in range(len(shared.draws)):
        of_draw, here, told = 0.0, 0.0, np.zeros(c.size)
        for k, broken in product(range(len(NODES)), product((0, 1), repeat=c.size)):
            p = expit(log_odds[d] + shared.storage_sd * NODES[k])
            way = NODE_WEIGHTS[k] * np.where(broken, p, 1 - p).prod()
            hides = 1 - expit(shared.sign_shows[c] + shared.draws[d, 5] * shared.sign_doubt)
            away = (1 - expit(shared.sign_alone + NODES[k] * shared.sign_stored)) * np.where(
                np.array(broken)[:, None] == 1, hides, 1.0
            ).prod(axis=0)
            way *= (1 - away[0]) * away[1] * (1 - away[2])
            of_draw += way
            if broken[0] and not broken[1]:
                here += way
                told += way * np.array(broken)
        # Every state of knowledge is as likely after the signs as before; findings do tell them apart.
        chance, failed = chance + here / of_draw, failed + told / of_draw
    # Of those two themselves nothing more is asked.
    assert_allclose((got.weight @ got.arrived)[2:], (failed / chance)[2:], atol=1e-6)
