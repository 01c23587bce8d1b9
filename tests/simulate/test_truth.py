"""The exact truth of an offer agrees with sums and draws done otherwise."""

import itertools
import math
from dataclasses import replace

import numpy as np
from numpy.testing import assert_allclose

from tests.simulate.bench import draw_unit, run_job
from tests.simulate.truth import appraise, case_chances, case_list
from tests.simulate.world import Dice

WHEN = 2027.1


def test_truth_agrees_with_a_sum_over_every_case_done_one_by_one(tiny_world):
    """Slow twin: no factorising, no subsets of signs; each joint case of both parts in a loop."""
    world = tiny_world
    family = world.families[0]
    belt, relay = family.parts
    price = world.price_level(family, WHEN) * 0.9
    seen, mended, worth, belt_ends = 0.0, 0.0, 0.0, 0.0
    joint = itertools.product((False, True), family.years, range(4), range(len(case_list(2))))
    for damp, year, i, j in joint:
        weight = (0.3 if damp else 0.7) / 3
        weight *= case_chances(belt, [year], WHEN, damp)[0, i] * case_chances(relay, [year], WHEN, damp)[0, j]
        _, belt_worn, belt_failed, belt_died = case_list(1)[i]
        _, relay_worn, relay_failed, relay_died = case_list(2)[j]
        strength = [1.0 if failed else 0.25 if worn else 0.0
                    for failed, worn in ((belt_failed, belt_worn), (relay_failed, relay_worn))]  # fmt: skip
        away = 0.95 * (0.9 if damp else 1.0) * (1 - 0.6 * strength[0]) * (1 - 0.3 * strength[1])
        rust = 1 - 0.9 * (0.3 if damp else 1.0)
        weight *= (1 - away) * rust
        seen += weight
        to_fix = belt_failed + belt_died, relay_failed + relay_died
        chance = (0.9 if to_fix[0] else 1.0), (0.7 if to_fix[1] else 1.0)
        mended += weight * chance[0] * chance[1]
        belt_ends += weight * (1 - chance[0])
        done_belt = (0.1 + 0.5 * (to_fix[0] + belt_worn)) * 10 + 8 * (to_fix[0] + belt_worn)
        stop_belt = (0.1 + 0.5 * 0.7 * to_fix[0]) * 10
        done_relay = (0.1 + 0.4 * (to_fix[1] + relay_worn)) * 10 + 5 * (to_fix[1] + relay_worn)
        stop_relay = (0.1 + 0.4 * 0.7 * to_fix[1]) * 10
        rates = 0.05 if to_fix[0] + belt_worn else 0.01, 0.3 if to_fix[1] + relay_worn else 0.1
        due = [1 - math.exp(-rate * (1.5 if damp else 1.0)) for rate in rates]
        back = due[0] * (15 + 4) + due[1] * (15 + 2.5)
        gone = 0.5 * 15 * (0.7 if damp else 1.0) + 0.2 * 12 * 0.9 - 0.3 * 5
        base = 12 + 1.5 * 10
        value = chance[0] * chance[1] * (price * 0.8 - done_belt - done_relay - back)
        value += chance[0] * (1 - chance[1]) * (gone - done_belt - stop_relay)
        value += (1 - chance[0]) * (gone - stop_belt)
        worth += weight * (value - base)
    truth = appraise(world, family, when=WHEN, signs={"dead": True, "rust": True})
    assert_allclose(truth.sign_chance, seen, rtol=1e-12)
    assert_allclose(truth.success, mended / seen, rtol=1e-12)
    assert_allclose(truth.ends_by["belt"], belt_ends / seen, rtol=1e-12)
    assert_allclose(truth.worth, worth / seen, rtol=1e-12)


def test_truth_given_signs_adds_up_to_the_truth_without(damp_world):
    for family in damp_world.families[:4]:
        names = [sign.name for sign in family.signs][:4]
        plain = appraise(damp_world, family, when=WHEN)
        patterns = [
            appraise(damp_world, family, when=WHEN, signs=dict(zip(names, values, strict=True)))
            for values in itertools.product((False, True), repeat=len(names))
        ]
        chances = np.array([pattern.sign_chance for pattern in patterns])
        assert (chances > 0).all()
        assert_allclose(chances.sum(), 1.0, rtol=1e-10)
        for name in ("success", "worth", "hours"):
            mean = chances @ np.array([getattr(pattern, name) for pattern in patterns])
            assert_allclose(mean, getattr(plain, name), rtol=1e-9, err_msg=name)
        assert_allclose(plain.success + sum(plain.ends_by.values()), 1.0, rtol=1e-10)


def test_truth_agrees_with_units_drawn_and_put_over_the_bench(damp_world):
    family = damp_world.families[3]
    years, signs = family.years[1:5], {"rust": True, "missing parts": False}
    drawn = []
    for i in range(8_000):
        dice = Dice(9, i)
        unit = draw_unit(family, WHEN, dice)
        if unit.year in years and all(unit.signs[name] == value for name, value in signs.items()):
            job = run_job(damp_world, unit, dice, dice.normal(0, damp_world.season_sd))
            drawn.append((job.repaired, job.gain(damp_world, 0.0), job.hours))
    results = np.array(drawn, float)
    truth = appraise(damp_world, family, when=WHEN, years=years, signs=signs)
    error = 4 * results.std(axis=0) / math.sqrt(len(results))
    assert len(results) > 700
    assert (np.abs(results.mean(axis=0) - (truth.success, truth.worth, truth.hours)) < error).all()


def test_chief_risk_is_the_component_most_likely_to_end_the_job(tiny_world):
    world = tiny_world
    family = world.families[0]
    fragile = tuple(replace(p, skill=0.1) if p.name == "relay" else p for p in family.parts)
    assert appraise(world, replace(family, parts=fragile), when=WHEN).chief_risk == "relay"
