"""From an appraisal to a word, and from offers to rows of verdicts."""

import csv
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from reliability.errors import InvalidInput
from reliability.terminal import write_table
from reliability.worth.judging import (
    ceiling_price,
    cents,
    chief_risks,
    decide,
    draw_quantile,
    judge,
    lesson_worth,
    offers_from,
    read_offers,
    weighted_quantile,
    worth_of_knowing,
    write_verdicts,
)
from reliability.worth.odds import Appraisal, Terms, UnitStates
from tests.worth.ledgers import DEMO


@pytest.fixture(scope="module")
def offers():
    return read_offers(DEMO / "offers.csv")


@pytest.fixture(scope="module")
def verdicts(offers, demo_appraiser):
    return judge(offers, demo_appraiser)


def test_words_and_numbers_agree(offers, verdicts, demo_appraiser):
    asked, ceiling, word = offers["asked"], verdicts["ceiling"], verdicts["verdict"]
    priced = asked.notna()
    is_founded = ~verdicts["note"].str.contains("no finished job of its kind")
    assert 0 < (~is_founded).sum() < 3
    assert ((word == "take") == (asked <= ceiling) & is_founded)[priced].all()
    near = (ceiling > 0) & (asked > ceiling) & (asked <= ceiling * (1 + demo_appraiser.terms.haggle_room))
    assert ((word == "haggle") == near & is_founded)[priced].all()
    assert set(word[priced]) <= {"take", "haggle", "try one", "skip"}
    for low, middle, high in (
        ("success_low", "success_chance", "success_high"),
        ("gain_low", "expected_gain", "gain_high"),
    ):
        rows = verdicts[priced]
        assert ((rows[low] <= rows[middle]) & (rows[middle] <= rows[high])).all()
    assert verdicts["chance_of_loss"][priced].between(0, 1).all()


def risks(appraiser, *ends, known=None):
    """Name the risks of a family whose first components end jobs with these chances."""
    entry = next(iter(appraiser.families.values()))
    entry = replace(entry, lives=replace(entry.lives, components=np.arange(len(ends))))
    states = SimpleNamespace(states=SimpleNamespace(ends=np.array(ends)))
    names = appraiser.shared.components
    shared = replace(appraiser.shared, known_components=names if known is None else [names[i] for i in known])
    told = chief_risks(entry, states, replace(appraiser, shared=shared))
    return tuple(None if name is None else names.index(name) for name in told)


def test_only_components_that_the_ledger_named_are_chief_risks(demo_appraiser):
    assert risks(demo_appraiser, 0.3, 0.1, 0.2) == (0, None)
    assert risks(demo_appraiser, 0.3, 0.1, 0.2, known=[1, 2]) == (2, None)
    assert risks(demo_appraiser, 0.3, 0.1, 0.2, known=[]) == (None, None)


def test_two_components_that_end_as_many_jobs_to_a_whole_percent_are_both_named(demo_appraiser):
    assert risks(demo_appraiser, 0.05, 0.124, 0.115) == (1, 2)  # 12 and, halves up, 12 in 100
    assert risks(demo_appraiser, 0.05, 0.124, 0.1149) == (1, None)
    assert risks(demo_appraiser, 0.05, 0.124, 0.115, known=[0, 1]) == (1, None)
    assert risks(demo_appraiser, 0.001, 0.002) == (1, None)  # neither ends any to speak of


@pytest.mark.parametrize(
    ("tally", "said"),
    [
        ({"gaps": "counted"}, None),
        ({"gaps": "left out"}, None),
        ({"gaps": "too many"}, "8768 job numbers are missing and not counted while count_gaps is not set"),
        (
            {"gaps": "too many", "jobs_missing": 1},
            "1 job number is missing and not counted while count_gaps is not set",
        ),
    ],
)
def test_gaps_that_are_too_many_to_count_are_in_every_note(offers, demo_appraiser, tally, said):
    told = replace(demo_appraiser.tally, **{"jobs_missing": 8768, **tally})
    notes = judge(offers, replace(demo_appraiser, tally=told))["note"]
    assert notes.str.contains("job number").tolist() == [said is not None] * len(offers)
    assert said is None or notes.str.contains(said, regex=False).all()


def test_every_offer_that_cannot_be_judged_is_told(demo_appraiser):
    rows = [{"offer": "a", "family": "Pellowik 22"}, {"offer": "b", "family": "Obbelin 310"}]
    rows += [{"offer": "c", "family": "Obbelin 310", "built_from": 2099}]
    with pytest.raises(InvalidInput) as refused:
        judge(offers_from(rows), demo_appraiser)
    lines = str(refused.value).splitlines()
    assert lines[0] == "2 faults found. Nothing was judged."
    assert lines[1].startswith(
        "Offer a: the ledger has no family 'Pellowik 22'. Did you mean 'Pellowick 22'?"
    )
    assert lines[2].startswith("Offer c: built in 2099, after the day it was seen")


def test_no_offer_and_no_name_runs_in_a_spreadsheet(demo_appraiser, tmp_path):
    odd = ["=1+1", "＝1+1", " +A1", "-x", "@x", "plain"]
    offers = offers_from([{"offer": name, "family": f"{name} family", "asked": 500} for name in odd])
    verdicts = judge(offers, demo_appraiser)
    write_verdicts(verdicts, tmp_path / "verdicts.csv")
    with (tmp_path / "verdicts.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["offer"].removeprefix("'") for row in rows] == [name.strip() for name in odd]
    assert not any(cell.startswith(tuple("=+@＝")) for row in rows for cell in row.values())
    assert all(float(row["expected_gain"]) < 0 for row in rows)  # a number is a number, with its sign
    write_table(
        pd.DataFrame({"family": ["=x", None], "failed": [0.25, float("nan")], "n": [1, 2]}),
        tmp_path / "t.csv",
    )
    assert (tmp_path / "t.csv").read_bytes() == b"family,failed,n\r\n'=x,0.25,1\r\n,,2\r\n"


# ---- the words


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
