from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reliability.worth.judging import (
    ceiling_price,
    cents,
    decide,
    draw_quantile,
    lesson_worth,
    weighted_quantile,
    worth_of_knowing,
)
from reliability.worth.odds import Appraisal, Terms, UnitStates

TERMS = Terms(hour_rate=0.0, selling_fee=0.0, margin=0.0, caution=0.0, haggle_room=0.25, comeback_cost=0.0)


def appraisal(gain_free, success=None):
    gain = np.asarray(gain_free, float)
    chance = np.full(gain.size, 0.5) if success is None else np.asarray(success, float)
    nothing = UnitStates(chance, np.zeros(1), np.zeros((gain.size, 1)), np.zeros(1))
    return Appraisal(chance, gain, gain, np.full(gain.size, 1 / gain.size), 0.0, 0.0, 1.0, nothing)


def entry(demo_appraiser, **more):
    return replace(next(iter(demo_appraiser.families.values())), **more)


@pytest.mark.parametrize(
    ("asked", "word"), [(40.0, "take"), (40.01, "haggle"), (50.0, "haggle"), (50.01, "skip")]
)
def test_the_words_follow_ceiling_and_room(demo_appraiser, asked, word):
    known = entry(demo_appraiser, jobs_seen=30, open_jobs=0)
    assert decide(known, appraisal([30.0, 50.0]), TERMS, asked, 40.0) == word


@pytest.mark.parametrize(("asked", "word"), [(40.0, "try one"), (40.01, "skip"), (50.0, "skip")])
def test_without_a_finished_job_of_its_kind_nothing_is_taken(demo_appraiser, asked, word):
    unit = appraisal([30.0, 50.0])  # either way worth the price: a job would teach nothing above the ceiling
    unheard = entry(demo_appraiser, jobs_seen=0, kind_jobs=0, open_jobs=0)
    assert decide(unheard, unit, TERMS, asked, 40.0) == word
    founded = decide(replace(unheard, kind_jobs=1), unit, TERMS, asked, 40.0)
    assert founded == ("take" if asked <= 40.0 else "haggle")
    assert decide(replace(unheard, open_jobs=1), unit, TERMS, asked, 40.0) == "skip"


@pytest.mark.parametrize(
    ("gains", "terms", "ceiling"),
    [
        ([30.0, 50.0], {}, 40.0),
        ([30.0, 50.0], {"margin": 12.5}, 27.5),
        ([-10.0, -20.0], {}, -15.0),
        # With caution so much is gained in so many states of knowledge; a lower mean decides all the same.
        (np.arange(101.0), {"caution": 0.9}, 10.0),
        ([0.0] * 9 + [-100.0], {"caution": 0.5}, -10.0),
    ],
)
def test_the_ceiling_is_the_mean_gain_less_the_margin_or_the_cautious_one(gains, terms, ceiling):
    assert ceiling_price(np.asarray(gains), replace(TERMS, **terms)) == ceiling


def test_a_lesson_is_worth_the_expected_rise_by_hand(demo_appraiser):
    # Two states: a good family (gain +60, repaired 0.9) and a bad one (gain -80, repaired 0.3).
    unit = appraisal([60.0, -80.0], [0.9, 0.3])
    ten = entry(demo_appraiser, offers_expected=10.0)
    # A repair: 0.5*0.9*60 - 0.5*0.3*80 = 15 > 0, so later units are bought; a failure: -25, so they are not.
    # Without the lesson: mean -10, nothing is bought. Ten offers: 10 * 15.
    assert_allclose(lesson_worth(ten, unit, TERMS, 0.0), 150.0)
    assert_allclose(lesson_worth(ten, unit, TERMS, 500.0), 0.0)
    assert_allclose(lesson_worth(ten, appraisal([60.0, 50.0], [0.9, 0.3]), TERMS, 0.0), 0.0)


@pytest.mark.parametrize(("one", "other"), [(0.1, 0.2), (-0.1, -0.2), (0.3, -0.1), (-0.1, 0.3), (0.1, -0.3)])
def test_knowing_before_deciding_is_worth_the_rise(one, other):
    rise = max(0.0, one) + max(0.0, other) - max(0.0, one + other)
    assert_allclose(worth_of_knowing(one, other), rise, atol=1e-15)
    if one * other > 0:  # the same decision either way, though the plain difference is off by rounding
        assert worth_of_knowing(one, other) == 0.0


def test_try_one_needs_few_jobs_none_open_and_a_lesson_worth_its_price(demo_appraiser):
    unit = appraisal([60.0, -80.0], [0.9, 0.3])
    new = entry(demo_appraiser, jobs_seen=9, open_jobs=0, offers_expected=10.0)
    assert decide(new, unit, TERMS, 0.0, -10.0) == "try one"
    assert decide(replace(new, jobs_seen=10), unit, TERMS, 0.0, -10.0) == "skip"
    assert decide(replace(new, open_jobs=1), unit, TERMS, 0.0, -10.0) == "skip"
    assert decide(replace(new, offers_expected=0.5), unit, TERMS, 0.0, -10.0) == "skip"


def test_quantiles_by_hand():
    assert weighted_quantile(np.array([3.0, 1.0, 2.0]), np.array([0.2, 0.1, 0.7]), 0.1) == 1.0
    assert weighted_quantile(np.array([3.0, 1.0, 2.0]), np.array([0.2, 0.1, 0.7]), 0.9) == 3.0
    values = np.random.default_rng(1).normal(size=57)
    assert_allclose(draw_quantile(values, 0.05), np.quantile(values, 0.05))


def test_cents_round_halves_up():
    assert [cents(x) for x in (0.125, -0.125, 2.0, 1.004999)] == [0.13, -0.12, 2.0, 1.0]
