"""Draws of units and parts agree with the truth they are drawn from."""

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.simulate import (
    Part,
    make_world,
)
from tests.simulate.bench import draw_unit
from tests.simulate.world import Dice

WHEN = 2027.1


def test_draws_have_the_stated_distributions(share_error):
    dice = Dice(1, "draws")
    n = 20_000
    lives = np.array([dice.weibull(3.0, 40.0) for _ in range(n)])
    assert abs(np.mean(lives < 40.0) - (1 - math.exp(-1))) < share_error(0.632, n)
    factors = np.array([dice.factor(0.4) for _ in range(n)])
    assert abs(factors.mean() - 1) < 4 * factors.std() / math.sqrt(n)
    waits = np.array([dice.exponential(2.0) for _ in range(n)])
    assert abs(waits.mean() - 0.5) < 4 * 0.5 / math.sqrt(n)
    picks = [dice.pick("abc", (1, 2, 7)) for _ in range(n)]
    assert abs(picks.count("c") / n - 0.7) < share_error(0.7, n)
    wholes = np.array([dice.whole(3, 5) for _ in range(n)])
    assert set(wholes.tolist()) == {3, 4, 5}
    assert abs(np.mean(wholes == 4) - 1 / 3) < share_error(1 / 3, n)
    assert math.isinf(dice.exponential(0.0))


def test_shares_failed_and_worn_agree_with_the_weibull_truth(damp_world, share_error):
    family, n = replace(damp_world.families[0], damp_share=0.0), 3000
    units = [draw_unit(family, WHEN, Dice(3, i)) for i in range(n)]
    for part in family.parts:
        found = [s for unit in units for s in unit.states[part.name] if s.fitted is None]
        shares = np.array([[s.state == "failed", s.state != "sound"] for s in found]).mean(axis=0)
        ages = WHEN - np.array(family.years) - 0.5
        scales = np.array([part.life_scale(year, damp=False) for year in family.years])
        truth = np.mean(-np.expm1(-((ages / scales) ** part.shape)))
        needs_work = np.mean(-np.expm1(-((ages / (part.worn_share * scales)) ** part.shape)))
        assert abs(shares[0] - truth) < share_error(truth, n), part.name
        assert abs(shares[1] - needs_work) < share_error(needs_work, n), part.name


def test_damp_storage_shortens_lives_and_shows(share_error):
    family = make_world("damp", 5).families[0]
    units = {damp: [draw_unit(family, WHEN, Dice(4, i), damp) for i in range(1500)] for damp in (False, True)}
    failed = {d: np.mean([u.states["switch"][0].state == "failed" for u in us]) for d, us in units.items()}
    rust = {d: np.mean([u.signs["rust"] for u in us]) for d, us in units.items()}
    assert failed[True] > failed[False] + 0.05
    sign = next(sign for sign in family.signs if sign.name == "rust")
    for damp in (False, True):
        assert abs(rust[damp] - sign.chance(damp)) < share_error(sign.chance(damp), 1500)


def test_supply_decides_what_a_repair_needs():
    part = Part("laser", 2.0, 40.0, skill=0.9, find=0.5, rebuild=0.02, supply=((0, "yes"), (2020, "no")))
    assert [part.obtainable(when) for when in (2019.9, 2020.0)] == ["yes", "no"]
    assert [part.fix_chance(when) for when in (2019.9, 2020.0)] == pytest.approx([0.9, 0.02])
    assert replace(part, supply=((0, "salvage only"),)).fix_chance(2020) == pytest.approx(0.45)
    assert replace(part, too_dear=True).fix_chance(2019) == 0.0
    # log odds of 0.9 are log 9; moved by log 2 they are log 18
    assert part.fix_chance(2019, shift=math.log(2)) == pytest.approx(18 / 19)
