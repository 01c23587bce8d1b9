"""Plans for units on the bench, and their search held against brute force and published examples."""

import datetime
from dataclasses import replace
from itertools import combinations, product

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from reliability.errors import InvalidInput
from reliability.records.frames import records_from_rows
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.judging import unit_of
from reliability.worth.odds import (
    MOST_SEEN,
    Spread,
    Unit,
    appraise,
    unit_chances,
)
from reliability.worth.plan import (
    CHARGE_CAUTION,
    LASER_CAUTION,
    MAINS_CAUTION,
    MOST_EXACT,
    STOP,
    WASTE_CAUTION,
    Task,
    cautions,
    joint_chances,
    plan_job,
    plan_sentence,
    plan_table,
    plan_unit,
    ratio_order,
    read_findings,
    search,
    unit_odds,
)
from tests.worth.ledgers import finding
from tests.worth.test_odds import enumerated

DAY = datetime.date(2024, 12, 1)
T1 = {"family": "Larkov T1", "built_from": 1983, "built_to": 1983, "seen_on": DAY}


def open_job(**more):
    job = {"job": "30", "family": "Larkov T1", "outcome": "open", "taken_in": "2024-12-01"}
    return {"job": {**job, "built_from": 1983, "built_to": 1983, **more}, "findings": [], "signs": []}


def test_a_unit_that_works_is_worth_what_the_appraisal_says(demo_appraiser):
    # With nothing to mend and no doubt the appraisal's gain of a repaired unit is the plan's worth of a
    # finished one, but for the bench hours, which the plan counts as looks.
    entry = demo_appraiser.families["Obbelin 550"]
    sure = {name: Spread(getattr(entry, name).mean, 0.0, getattr(entry, name).spread) for name in (
        "costs_repaired", "ratio")}  # fmt: skip
    entry = replace(entry, **sure, price_doubt=0.0, part_cost=np.zeros_like(entry.part_cost))
    shared = replace(demo_appraiser.shared, repair_hours=np.zeros_like(demo_appraiser.shared.repair_hours))
    sure_appraiser = replace(demo_appraiser, shared=shared, families={entry.family: entry})
    signs = {"rust": "yes"}
    _, unit, _ = unit_of(sure_appraiser, entry.family, signs=signs)
    surely = appraise(replace(entry, shift=50.0), shared, demo_appraiser.terms, unit)
    planned = plan_unit(sure_appraiser, family=entry.family, signs=signs)
    looks = demo_appraiser.terms.hour_rate * entry.hours_repaired
    assert looks > 0
    assert_allclose(planned.finished - looks, surely.gain_free.mean(), rtol=1e-9)
    assert_allclose(planned.moves["look_cost"].sum(), looks)


def test_a_part_that_cannot_be_had_ends_it(bench_appraiser):
    planned = plan_unit(bench_appraiser, **T1, found={"gear": "no part"})
    assert not planned.goes_on
    assert planned.success == 0.0
    assert planned.gain <= 0.0
    assert planned.sentence.startswith("Stop, break it for parts: going on to the end ")
    assert planned.sentence.endswith("whatever was spent so far.")
    assert "no part can be had for the gear" in planned.notes
    # On the way to the end that comes first which shows soonest that there is none.
    assert planned.moves.loc[0, ["move", "component", "ends_job"]].tolist() == ["mend", "gear", 1.0]


def test_once_all_is_done_it_is_to_be_finished(bench_appraiser):
    names = plan_unit(bench_appraiser, **T1).moves["component"]
    planned = plan_unit(bench_appraiser, **T1, found=dict.fromkeys(names, "sound"))
    worth = planned.finished - planned.stopped
    assert planned.sentence == (
        f"Nothing is left to look at or to mend: finish it and sell it, which is worth {worth:.2f} EUR more "
        "than breaking it for parts."
    )
    assert planned.moves.empty
    assert planned.success == pytest.approx(1.0)
    assert (planned.gain, planned.goes_on) == (0.0, False)


def test_a_job_is_planned_as_the_unit_that_it_describes(bench_appraiser):
    document = open_job(bought_for=900.0, hours=40.0)  # what is spent is spent
    document["findings"] = [finding(30, "belt", "failed"), finding(30, "motor", "worn")]
    document["findings"] += [finding(30, "lamp", "failed")]
    document["signs"] = [{"job": "30", "sign": "rust", "seen": "no"}]
    of_job = plan_job(bench_appraiser, document)
    found = {"belt": "failed", "motor": "worn"}
    described = plan_unit(bench_appraiser, **T1, signs={"rust": "no"}, found=found)
    assert of_job.moves.equals(described.moves)
    assert of_job.sentence == described.sentence
    strange = "lamp (failed) is no component that Larkov T1 is judged by: left out"
    assert set(of_job.notes) == {*described.notes, strange}


def test_costs_come_from_the_appraiser_and_of_many_components_the_last_come_by_the_rule(bench_rows):
    # Only what was ever examined counts as a risk of this bench, so the usual ones must be seen as well.
    more = ["relay", "display", "regulator", "pinch roller", "idler", "head", "capacitor", "switch"]
    findings = [finding(n, name, "sound") for n in range(1, 21) for name in more]
    settings = [{"setting": "hour_rate", "value": "8"}]
    rows = {**bench_rows, "findings": [*bench_rows["findings"], *findings], "settings": settings}
    appraiser = fit_appraiser(records_from_rows(rows), datetime.date(2025, 1, 10))
    planned = plan_unit(appraiser, **T1)
    assert len(planned.moves) == 11
    last = planned.moves["component"].iloc[-1]
    assert (
        "11 components are left: the 10 likeliest to end the job are planned exactly; then "
        f"{last}, by cost over the chance of ending it"
    ) in planned.notes
    entry = appraiser.families["Larkov T1"]
    look = f"a look is taken to need {entry.hours_repaired / 11:.1f} h"
    assert any(note.startswith(look) for note in planned.notes)
    each = entry.part_cost + 8 * appraiser.shared.repair_hours[entry.lives.components]
    table = plan_unit(appraiser, **T1, found={"belt": "failed"}).moves.set_index("component")
    assert_allclose(table["mend_cost"], pd.Series(each, appraiser.components_of(entry))[table.index])
    assert table.loc["belt", "look_cost"] == 0
    assert_allclose(table.drop(index="belt")["look_cost"], 8 * entry.hours_repaired / 11)


def test_findings_are_read_as_what_is_left_to_do_and_how_it_arrived():
    rows = [
        finding(1, "belt", "failed", action="replaced"),
        finding(1, "gear", "failed", action="no part"),
        finding(1, "motor", "failed", action="none"),
        finding(1, "idler", "failed"),
        finding(1, "lamp", "worn", action="none"),
        finding(1, "switch", "sound"),
        # The worst position counts.
        finding(1, "head", "sound", position="left"),
        finding(1, "head", "failed", position="right", action="replaced"),
        finding(1, "bearing", "failed", position="front", action="replaced"),
        finding(1, "bearing", "failed", position="back"),
        # What died on the bench arrived sound, and what was fitted later tells nothing.
        finding(1, "relay", "failed", arose="during work"),
        finding(1, "display", "failed", original="no"),
    ]
    failed = dict.fromkeys(("motor", "idler", "bearing"), "failed")
    intact = {"lamp": "worn", "switch": "sound"}
    found, arrived = read_findings(rows)
    mended = {"belt": "mended", "head": "mended"}
    assert found == failed | intact | mended | {"gear": "no part", "relay": "failed", "display": "failed"}
    broken = dict.fromkeys(("belt", "gear", "head"), "failed")
    assert arrived == failed | intact | broken | {"relay": "sound"}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"family": "Larkov T9"}, r"holds no family 'Larkov T9'; known: .*Did you mean 'Larkov T"),
        ({"found": {"gears": "failed"}}, "T1 is judged by no component 'gears'.*Did you mean 'gear'"),
        ({"found": {"gear": "brokn"}}, "gear: found 'brokn'; allowed: sound, worn, failed, mended"),
        ({"built_from": 2030, "built_to": 2030}, "built in 2030, after the day it was seen"),
        ({"signs": {"rust": "perhaps"}}, "perhaps"),
    ],
)
def test_a_unit_that_cannot_be_planned_is_refused(bench_appraiser, change, message):
    with pytest.raises(InvalidInput, match=message):
        plan_unit(bench_appraiser, **{**T1, **change})
    with pytest.raises(InvalidInput, match=r"Job 30 is finished \(donor\); a plan is for a unit that is "):
        plan_job(bench_appraiser, open_job(outcome="donor"))


def sentence(task, names):
    found = search(task)
    return plan_sentence(found, search(task, may_stop=False).gain, task, names, "EUR")


def test_sentences():
    # By hand: 0.5 x 100 - 4 = 46 more than stopping; 0.1 x 100 - 11 = -1.
    assert sentence(simple([0.5], [4.0]), ["gear"]) == (
        "Look at the gear first: going on is worth 46.00 EUR more than stopping now; "
        "stop if the gear has failed."
    )
    assert sentence(simple([0.9], [11.0]), ["gear"]) == (
        "Stop, break it for parts: going on to the end loses 1.00 EUR on average, and even the best next "
        "move loses 1.00 EUR on average, whatever was spent so far."
    )
    assert "gains nothing" in sentence(simple([1.0], [0.0]), ["gear"])
    broken = simple([1.0], [0.0], mend_cost=10.0, mend_chance=1.0, known_failed=True)
    assert sentence(broken, ["belt"]) == (
        "Mend the belt first: going on is worth 90.00 EUR more than stopping now."
    )
    three = sentence(simple([0.1, 0.1, 0.1], [1.0, 2.0, 3.0]), ["gear", "laser", "head"])
    assert three.endswith("; stop if the gear, laser or head has failed.")
    done = simple([], [], finished=10.0, stopped=20.0)
    assert sentence(done, []) == (
        "Nothing is left to mend, but sold it would bring no more than its parts: break it for parts."
    )


def test_a_part_to_be_put_aside_names_what_comes_first(demo_appraiser):
    later = plan_unit(demo_appraiser, family="Obbelin 550", found={"belt": "failed"})
    assert later.moves["move"].iloc[0] == "look at"
    wait = "what is broken may wait while others are looked at; where they can only be tried once it works, "
    assert wait + "mend it first and ask again" in later.notes
    # By hand: the belt, looked at for nothing, costs 30 to mend; the gear, 5 to look at, ends half the jobs.
    task = simple([1.0, 0.5], [0.0, 5.0], mend_cost=[30.0, 0.0], mend_chance=[1.0, 0.0])
    table = plan_table(search(task), task, ["belt", "gear"])
    assert table["if_failed"].tolist() == ["first look at the gear", "stop"]
    # A gear known to be broken, 1 to mend if it can be, is tried before 30 go into the belt.
    known = {"mend_cost": [30.0, 1.0], "mend_chance": [1.0, 0.5], "known_failed": [False, True]}
    task = simple([1.0, 0.5], [0.0, 5.0], **known)
    table = plan_table(search(task), task, ["belt", "gear"])
    assert table["move"].tolist() == ["look at", "mend"]
    assert table["if_failed"].tolist() == ["first mend the gear", "mend it"]


@pytest.mark.parametrize(
    ("kind", "components", "said"),
    [
        # Common practice of the trade, no source.
        ("tape deck", ["belt", "capacitor"], (MAINS_CAUTION, CHARGE_CAUTION, WASTE_CAUTION)),
        ("disc player", ["laser"], (MAINS_CAUTION, LASER_CAUTION, WASTE_CAUTION)),
        ("loudspeaker", ["surround"], (WASTE_CAUTION,)),
        ("loudspeaker", ["crossover"], (CHARGE_CAUTION, WASTE_CAUTION)),
    ],
)
def test_cautions_are_given_where_they_apply(kind, components, said):
    assert cautions(kind, components) == said


# ---- A unit before it is opened: chances once classes of units are added up


N_SIGNS_SEEN = (0, 3, MOST_SEEN + 1)


def with_signs(appraiser, n_seen):
    """One unit of two possible years: first signs seen, next not, and nobody looked for the last."""
    signs = np.zeros(len(appraiser.shared.signs))
    signs[:n_seen] = 1.0
    signs[-1] = np.nan
    return Unit(np.array([38.0, 41.0]), np.array([1986.0, 1983.0]), np.array([0.3, 0.7]), signs)


def laid_out(appraiser, family, n_seen):
    return unit_odds(appraiser.families[family], appraiser.shared, with_signs(appraiser, n_seen))


@pytest.mark.parametrize("n_seen", N_SIGNS_SEEN)
def test_every_state_of_knowledge_has_the_recalibrated_odds(demo_appraiser, n_seen):
    entry, shared = demo_appraiser.families["Obbelin 550"], demo_appraiser.shared
    unit = with_signs(demo_appraiser, n_seen)
    _, target = unit_chances(entry, shared, unit)
    odds = unit_odds(entry, shared, unit)
    going = odds.weight * (1.0 - odds.failed * (1.0 - odds.mend_chance)).prod(axis=1)
    n_draws = len(shared.draws)
    assert_allclose(going.reshape(n_draws, -1).sum(axis=1) * n_draws, target, atol=1e-6)
    assert_allclose(going.sum(), target.mean(), atol=1e-6)
    assert_allclose(odds.weight.sum(), 1.0, rtol=1e-9)
    assert (odds.weight.min() < 0) == (n_seen > 0)


def test_what_hardly_could_be_found_leaves_alike_what_was_found_alike():
    """All of twelve belts had failed, and nothing else: a sound one leaves few states of knowledge."""
    others = ["motor", "head", "idler", "gear", "capacitor", "switch"]
    jobs = [{"job": f"{i + 1}", "family": "Tarnwick T2", "taken_in": f"2025-{i + 1:02}-03", "closed": "2026-01-20",
             "built_from": 1978 + i % 5, "built_to": 1978 + i % 5, "outcome": "repaired", "bought_for": 20,
             "hours": 3, "sold_for": 100} for i in range(12)]  # fmt: skip
    found = [
        {
            "job": job["job"],
            "component": name,
            "original": "yes",
            "found": "failed" if name == "belt" else "sound",
        }
        for job in jobs
        for name in ("belt", *others)
    ]
    families = [{"family": "Tarnwick T2", "kind": "tape deck", "working_price": 100}]
    records = records_from_rows({"families": families, "jobs": jobs, "findings": found})
    appraiser = fit_appraiser(records, datetime.date(2026, 1, 20))
    planned = plan_unit(appraiser, family="Tarnwick T2", found={"belt": "sound", "motor": "sound"})
    failed = planned.moves.set_index("component")["failed"].loc[others[1:]]
    assert failed.max() < 2 * failed.min()


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
    whole = {"ages": (38.0,), "years": (1986.0,), "found": lambda broken: broken[0] and not broken[1]}
    _, failed, _ = enumerated(entry.lives, shared, signs, **whole)
    # Of those two themselves nothing more is asked.
    assert_allclose((got.weight @ got.arrived)[2:], failed[2:], atol=1e-6)


# ---- the search


FEW = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])

SHARE = st.sampled_from([0.0, 0.05, 0.2, 0.35, 0.5, 0.8, 0.95, 1.0])
COST = st.sampled_from([0.0, 0.5, 1.0, 2.5, 7.0, 20.0])


def simple(failed, look, *, mend_cost=0.0, mend_chance=0.0, known_failed=False, finished=100.0, stopped=0.0):
    """One class of units; what is not told of each component holds of all."""
    each = (np.full(len(failed), given) for given in (mend_cost, mend_chance, known_failed))
    return Task(np.array([failed], float), np.ones(1), np.array(look, float), *each, finished, stopped)


@st.composite
def tasks(draw, most=3, most_classes=2, known=True):
    n, classes = draw(st.integers(1, most)), draw(st.integers(1, most_classes))
    failed = draw(st.lists(st.lists(SHARE, min_size=n, max_size=n), min_size=classes, max_size=classes))
    weight = np.array(draw(st.lists(st.integers(1, 4), min_size=classes, max_size=classes)), float)
    each = st.lists(COST, min_size=n, max_size=n)
    mends = draw(st.lists(SHARE, min_size=n, max_size=n))
    broken = draw(st.lists(st.booleans(), min_size=n, max_size=n)) if known else [False] * n
    return Task(
        np.array(failed),
        weight / weight.sum(),
        np.array(draw(each)),
        np.array(draw(each)),
        np.array(mends),
        np.array(broken),
        draw(st.sampled_from([10.0, 40.0, 100.0])),
        draw(st.sampled_from([-5.0, 0.0, 15.0])),
    )


def best_by_worlds(task):
    """Brute force: all histories, each judged on the list of all ways the unit can be.

    Nothing is kept from one history to the next, and chances are counted on whole units.
    """
    n = len(task.look_cost)
    ways = []
    for weight, row in zip(task.weight, np.where(task.known_failed, 1.0, task.failed), strict=True):
        for way in product((False, True), repeat=n):
            chance = weight * np.prod([p if broken else 1 - p for p, broken in zip(row, way, strict=True)])
            ways.append((way, chance))

    def go(seen, mended, ways):
        total = sum(chance for _, chance in ways)
        if total == 0:
            return 0.0
        best = [task.stopped]
        if len(seen) == n and all(i in mended or not broken for i, broken in seen.items()):
            best.append(task.finished)
        for i in range(n):
            if i not in seen:
                value = -task.look_cost[i]
                for broken in (False, True):
                    then = [(way, chance) for way, chance in ways if way[i] == broken]
                    share = sum(chance for _, chance in then) / total
                    value += share * go({**seen, i: broken}, mended, then)
                best.append(value)
            elif seen[i] and i not in mended:
                m = task.mend_chance[i]
                best.append(-task.mend_cost[i] + m * go(seen, mended | {i}, ways) + (1 - m) * task.stopped)
        return max(best)

    return go({i: True for i in range(n) if task.known_failed[i]}, frozenset(), ways)


@FEW
@given(tasks())
def test_search_agrees_with_all_histories(task):
    assert_allclose(search(task).worth, best_by_worlds(task), atol=1e-9)


@FEW
@given(tasks(most=4, most_classes=1, known=False))
def test_order_is_that_of_the_ratio_rule_where_its_assumptions_hold(task):
    # Mitten (1960): never stop, nothing can be mended; the job ends with the first failed one.
    task = replace(
        task,
        failed=np.clip(task.failed, 0.01, 0.99),
        mend_chance=np.zeros_like(task.look_cost),
        mend_cost=np.zeros_like(task.look_cost),
    )
    found = search(task, may_stop=False)
    order = ratio_order(task.look_cost, task.failed[0])
    ratio = task.look_cost / task.failed[0]
    assert_allclose(ratio[[step.component for step in found.steps]], ratio[order], atol=1e-9)
    alive = np.concatenate([[1.0], np.cumprod(1 - task.failed[0][order])])
    cost = (task.look_cost[order] * alive[:-1]).sum()
    assert_allclose(found.worth, alive[-1] * task.finished + (1 - alive[-1]) * task.stopped - cost, atol=1e-9)


def test_exactly_one_fault_is_sought_in_the_published_order():
    # Ratio rule: L. G. Mitten, Operations Research 8 (1960) 101-103 (theorem, from memory); the example is
    # invented, its order and cost derived by brute force. One class per fault: finding one part sound tells
    # of all others.
    prob, cost = np.array([0.4, 0.15, 0.25, 0.2]), np.array([10.0, 20.0, 4.0, 12.0])
    task = replace(simple(prob, cost), failed=np.eye(prob.size), weight=prob, finished=0.0)
    found = search(task, may_stop=False)
    assert [step.component + 1 for step in found.steps] == [3, 1, 4, 2]
    assert [*(ratio_order(cost, prob) + 1)] == [3, 1, 4, 2]
    assert_allclose(-found.worth, 18.7, atol=1e-6)
    assert_allclose(found.steps[-1].failed, 1.0)  # nothing else is left that it could be


def test_a_dear_repair_is_put_off_until_the_rest_is_known():
    # By hand: the belt is known to have failed and costs 30; the gear fails in half of the units and then
    # ends the job. Mending first: -30 - 2 + 0.5 x 100 = 18; looking first: -2 + 0.5 x (100 - 30) = 33.
    known = {"mend_cost": [30.0, 0.0], "mend_chance": [1.0, 0.0], "known_failed": [True, False]}
    task = simple([1.0, 0.5], [0.0, 2.0], **known)
    found = search(task)
    assert found.worth == pytest.approx(33.0)
    assert [(step.component, step.mends) for step in found.steps] == [(1, False), (0, True)]
    assert found.steps[0].if_failed == STOP
    assert found.steps[0].ends == found.steps[0].failed == 0.5
    assert found.steps[1].gain == pytest.approx(70.0)


def test_nothing_left_is_worth_the_better_of_sale_and_parts():
    done = simple([], [], finished=80.0, stopped=20.0)
    assert (search(done).worth, search(done).gain, search(done).steps) == (80.0, 0.0, ())
    assert search(replace(done, finished=10.0)).worth == 20.0


def many(n):
    rng = np.random.default_rng(n)
    failed, look, mend_cost = rng.uniform(0.02, 0.3, n), rng.uniform(0.5, 2.0, n), rng.uniform(1.0, 9.0, n)
    return simple(failed, look, mend_cost=mend_cost, mend_chance=rng.uniform(0.4, 1.0, n), stopped=10.0)


def test_more_components_than_can_be_searched_come_after_in_the_order_of_the_ratio_rule():
    task = many(MOST_EXACT + 3)
    found = search(task)
    assert len(found.exact) == MOST_EXACT
    assert task.ends[found.rest].max() <= task.ends[found.exact].min()
    assert [step.component for step in found.steps[-3:]] == [*found.rest]
    cost = (task.look_cost + task.mean_failed * task.mend_cost)[found.rest]
    assert (np.diff(cost / task.ends[found.rest]) >= 0).all()
    assert sorted(step.component for step in found.steps) == [*range(MOST_EXACT + 3)]


def test_what_was_found_failed_and_finds_no_place_is_mended_among_the_rest():
    n = MOST_EXACT + 1
    task = replace(many(n), known_failed=np.ones(n, bool), mend_chance=np.ones(n), finished=200.0)
    found = search(task)
    assert found.steps[-1].mends
    assert found.worth == pytest.approx(200.0 - task.mend_cost.sum())
    assert search(task, may_stop=False).worth == pytest.approx(found.worth)
    hopeless = search(replace(task, finished=20.0))
    assert hopeless.gain < 0
    assert hopeless.worth == 10.0


# ---- A unit that shows a sign: classes with weights below zero are searched as the chances they add up to


@st.composite
def tasks_with_a_sign(draw):
    """Draw a task whose unit shows one sign: the classes of all units, less those in which it stays away."""
    task = draw(tasks(known=False))
    hides = np.array(draw(st.lists(SHARE, min_size=len(task.look_cost), max_size=len(task.look_cost))))
    not_alone = draw(st.sampled_from([0.2, 0.6, 0.9, 0.99]))
    left = 1.0 - task.failed + task.failed * hides
    silent = np.divide(task.failed * hides, left, out=np.zeros_like(left), where=left > 0)
    weight = np.concatenate([task.weight, -task.weight * not_alone * left.prod(axis=1)])
    return replace(task, failed=np.concatenate([task.failed, silent]), weight=weight / weight.sum())


def whole_units(task):
    """Give the same task with one class for each way the unit can be: no weight is below zero."""
    ways = np.array([*product((0.0, 1.0), repeat=len(task.look_cost))])
    chance = np.array(
        [task.weight @ np.where(way == 1, task.failed, 1 - task.failed).prod(axis=1) for way in ways]
    )
    assert chance.min() > -1e-12
    chance = np.where(chance > 1e-12, chance, 0.0)  # what cannot be leaves rounding
    return replace(task, failed=ways, weight=chance / chance.sum())


@FEW
@given(tasks_with_a_sign())
def test_weights_below_zero_are_searched_as_the_chances_they_add_up_to(task):
    assert task.weight.min() <= 0
    plain = whole_units(task)
    assert_allclose(task.mean_failed, plain.mean_failed, atol=1e-9)
    worth = best_by_worlds(plain)
    assert_allclose(search(task).worth, worth, atol=1e-7)
    assert_allclose(search(plain).worth, worth, atol=1e-7)
