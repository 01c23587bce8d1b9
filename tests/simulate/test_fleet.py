"""The ledger of a simulated bench, and units on offer."""

import math
from dataclasses import replace

import numpy as np
import pytest

from reliability.records.package import read_package, write_package
from reliability.records.tables import TABLES
from tests.simulate import (
    NAMED_WORLDS,
    World,
    appraise,
    make_offers,
    make_world,
    run_bench,
)
from tests.simulate.bench import draw_unit
from tests.simulate.fleet import unwritten_jobs, year_window
from tests.simulate.world import CAREFUL, Dice

WHEN = 2027.1


def rows_of(name, n_jobs=60, seed=2, **changes):
    world = make_world(name, seed)
    return run_bench(replace(world, **changes), n_jobs, seed)


@pytest.mark.parametrize("name", ["cold start", "careless", "left out"])
def test_rows_have_the_documented_columns_and_pass_every_check(name, tmp_path):
    rows = rows_of(name)
    for table, found in rows.items():
        for row in found:
            assert tuple(row) == TABLES[table].names
    write_package(rows, tmp_path / "bench")
    read = read_package(tmp_path / "bench")
    assert {table: len(found) for table, found in read.items()} == {t: len(rows.get(t, ())) for t in TABLES}


def test_finished_jobs_gaps_and_open_jobs_are_counted():
    world = make_world("left out", 3)
    rows = run_bench(world, 200, 3)
    finished = [row for row in rows["jobs"] if row["outcome"] != "open"]
    assert len(finished) == 200
    numbers = [int(row["job"]) for row in rows["jobs"]]
    assert numbers == sorted(numbers)
    assert [row["taken_in"] for row in rows["jobs"]] == sorted(row["taken_in"] for row in rows["jobs"])
    lost, lost_repaired = unwritten_jobs(world, 200, 3)
    assert max(numbers) - len(numbers) == lost
    # Half of the failures are left out, hardly any repair: the written record is rosier than it was.
    failed = sum(row["outcome"] != "repaired" for row in finished)
    assert abs(lost - lost_repaired - failed) < 4 * math.sqrt(failed + lost)
    assert lost_repaired < 0.1 * lost


def test_nothing_is_tried_after_the_component_that_ended_the_job():
    world = make_world("few families", 2)
    rows = run_bench(replace(world, careless_share=0.0), 150, 2)
    families = {family.name: [part.name for part in family.parts] for family in world.families}
    jobs = {row["job"]: row for row in rows["jobs"] if row["ended_by"]}
    later = []
    for finding in rows["findings"]:
        job = jobs.get(finding["job"])
        order = families[job["family"]] if job else []
        if job and order.index(finding["component"]) > order.index(job["ended_by"]):
            later.append(finding)
    assert {finding["action"] for finding in later} == {"none"}
    assert {finding["found"] for finding in later} == {"sound", "worn", "failed"}
    unseen = sum(len(families[job["family"]]) for job in jobs.values())
    assert len(later) < 0.25 * unseen  # most of what comes after is never looked at


def test_windows_hold_the_true_year_and_every_year_in_them_is_as_likely(share_error, tiny_world):
    family = replace(tiny_world.families[0], first_year=1980, last_year=1984)
    habits = replace(CAREFUL, year_known=0.0, year_window=1.0, year_guess=0.0)
    years = {}
    for i in range(6000):
        dice = Dice(8, i)
        unit = draw_unit(family, WHEN, dice)
        low, high, basis = year_window(unit, habits, dice)
        assert basis == "document"
        assert 1980 <= low <= unit.year <= high <= 1984
        years.setdefault((low, high), []).append(unit.year)
    assert {(1980, 1981), (1984, 1984), (1980, 1983), (1980, 1984)} <= set(years)
    for (low, high), found in years.items():
        for year in range(low, high + 1):
            share = found.count(year) / len(found)
            assert abs(share - 1 / (high - low + 1)) < share_error(1 / (high - low + 1), len(found))


def test_guesses_miss_the_year_one_time_in_five(share_error, tiny_world):
    family = replace(tiny_world.families[0], first_year=1960, last_year=1999)
    habits = replace(CAREFUL, year_known=0.0, year_window=0.0, year_guess=1.0)
    missed = []
    for i in range(3000):
        dice = Dice(8, i)
        unit = draw_unit(family, WHEN, dice)
        low, high, basis = year_window(unit, habits, dice)
        assert basis == "guess"
        missed.append(not low <= unit.year <= high)
    # A wrong guess beyond the first or last year of the family is no wrong guess: 5 to 10 % of them.
    assert 0.2 * 0.85 - share_error(0.2, 3000) < np.mean(missed) < 0.2 + share_error(0.2, 3000)


def test_realised_outcomes_of_offers_agree_with_their_true_odds():
    world = make_world("strong signs", 6)
    _, truth = make_offers(world, 300, 6)
    chance = np.array([row["success_chance"] for row in truth])
    repaired = np.array([row["repaired"] for row in truth], float)
    gain = np.array([row["gain"] for row in truth])
    expected = np.array([row["expected_gain"] for row in truth])
    assert abs((repaired - chance).mean()) < 4 * math.sqrt((chance * (1 - chance)).mean() / 300)
    assert abs((gain - expected).mean()) < 4 * (gain - expected).std() / math.sqrt(300)
    # Signs of a strong kind must separate offers of one family.
    assert chance.std() > 0.1


def test_a_bench_that_buys_everything_about_breaks_even():
    world, when = make_world("few families", 1), 2026 + (304 - 0.5) / 365
    gains = [f.popularity * (appraise(world, f, when=when).worth - f.ask) for f in world.families]
    assert abs(sum(gains) / sum(f.popularity for f in world.families)) < 1.0


def test_hearsay_is_wrong_where_it_was_asked_to_be():
    options = replace(NAMED_WORLDS["cold start"], hearsay_share=1.0, wrong_hearsay=1.0)
    world = make_world(options, 4)
    assert len(world.hearsay) == 40
    off = [
        abs(row["share_repaired"] - appraise(world, world.family(row["family"]), when=2026.83).success)
        for row in world.hearsay
        if row["share_repaired"] is not None
    ]
    assert np.median(off) > 0.15


def test_prices_wander_and_drift(damp_world):
    family = replace(damp_world.families[0], drift=0.05)
    world: World = replace(damp_world, market={family.kind: (0.0,)})
    assert world.price_level(family, 2025) / world.price_level(family, 2024) == pytest.approx(math.exp(0.05))
    assert len(set(damp_world.market[family.kind])) > 20
