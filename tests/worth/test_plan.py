"""Plans for units on the bench: in step with the appraisal, moved by findings, blind to what is spent."""

import datetime
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reliability.errors import InvalidInput, UnknownName
from reliability.records.frames import records_from_rows
from reliability.worth.appraisal import Spread, appraise
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.judging import NAMES, offers_from, read_unit
from reliability.worth.plan import (
    CHARGE_CAUTION,
    LASER_CAUTION,
    MAINS_CAUTION,
    WASTE_CAUTION,
    all_cautions,
    cautions,
    net_price,
    plan_job,
    plan_sentence,
    plan_table,
    plan_unit,
    read_findings,
    search,
    unit_odds,
)
from reliability.worth.review import explain
from tests.worth.ledgers import finding
from tests.worth.test_plan_search import simple

DAY = datetime.date(2024, 12, 1)
T1 = {"family": "Larkov T1", "built_from": 1983, "built_to": 1983, "seen_on": DAY}


def unit_of(appraiser, family, **more):
    row = {**dict.fromkeys(NAMES), "offer": "x", "family": family, **more}
    offer = offers_from([row]).to_dict("records")[0]
    return read_unit(offer, appraiser.families[family], appraiser, appraiser.as_of)[0]


def open_job(**more):
    job = {"job": "30", "family": "Larkov T1", "outcome": "open", "taken_in": "2024-12-01"}
    return {"job": {**job, "built_from": 1983, "built_to": 1983, **more}, "findings": [], "signs": []}


@pytest.fixture(scope="module")
def free_time(bench_rows):
    """A bench for which time is free."""
    records = records_from_rows({**bench_rows, "settings": [{"setting": "hour_rate", "value": "0"}]})
    return fit_appraiser(records, datetime.date(2025, 1, 10))


@pytest.fixture(scope="module")
def paid_time(bench_appraiser):
    """The same bench where an hour costs 8: the odds stay, the costs of time come in."""
    terms = replace(bench_appraiser.terms, hour_rate=8.0)
    families = {
        name: replace(
            entry,
            costs_repaired=replace(
                entry.costs_repaired, mean=entry.costs_repaired.mean + 8.0 * entry.hours_repaired
            ),
        )
        for name, entry in bench_appraiser.families.items()
    }
    return replace(bench_appraiser, terms=terms, families=families)


@pytest.mark.parametrize("family", ["Obbelin 550", "Yarrowen C7", "Pellowick R40"])
@pytest.mark.parametrize("rust", ["yes", None])
def test_before_anything_is_found_the_plan_has_the_odds_of_the_appraisal(demo_appraiser, family, rust):
    signs = {"rust": rust} if rust else {}
    told = explain(demo_appraiser, family=family, signs=signs)
    planned = plan_unit(demo_appraiser, family=family, signs=signs)
    assert_allclose(planned.success, told.appraisal.success.mean(), atol=1e-6)


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
    unit = unit_of(sure_appraiser, entry.family, **signs)
    appraisal = appraise(entry, shared, demo_appraiser.terms, unit)
    planned = plan_unit(sure_appraiser, family=entry.family, signs=signs)
    looks = demo_appraiser.terms.hour_rate * entry.hours_repaired
    assert looks > 0
    assert_allclose(planned.finished - looks, appraisal.gain_repaired, rtol=1e-9)
    assert_allclose(planned.moves["look_cost"].sum(), looks)


def test_what_was_spent_changes_nothing(bench_appraiser):
    cheap = plan_job(bench_appraiser, open_job(bought_for=1.0, hours=0.0, other_costs=0.0))
    dear = plan_job(bench_appraiser, open_job(bought_for=900.0, hours=40.0, other_costs=200.0))
    assert cheap.sentence == dear.sentence
    assert cheap.moves.equals(dear.moves)


def test_a_job_and_a_described_unit_have_the_same_plan(bench_appraiser):
    document = open_job()
    document["findings"] = [finding(30, "belt", "failed"), finding(30, "motor", "worn")]
    document["signs"] = [{"job": "30", "sign": "rust", "seen": "no"}]
    of_job = plan_job(bench_appraiser, document)
    found = {"belt": "failed", "motor": "worn"}
    described = plan_unit(bench_appraiser, **T1, signs={"rust": "no"}, found=found)
    assert of_job.moves.equals(described.moves)
    assert of_job.sentence == described.sentence


def test_what_is_done_with_is_not_looked_at_again(bench_appraiser):
    assert set(plan_unit(bench_appraiser, **T1).moves["component"]) == {"belt", "gear", "motor"}
    for state in ("sound", "worn", "mended"):
        table = plan_unit(bench_appraiser, **T1, found={"motor": state, "belt": "failed"}).moves
        rows = table.set_index("component")
        assert set(rows.index) == {"belt", "gear"}
        assert rows.loc["belt", ["move", "failed", "look_cost"]].tolist() == ["mend", 1.0, 0.0]
        assert rows.loc["gear", "move"] == "look at"


def test_a_damp_store_makes_one_failure_tell_of_the_others(bench_appraiser):
    damp = replace(bench_appraiser, shared=replace(bench_appraiser.shared, storage_sd=1.5))
    entry = damp.families["Larkov T1"]
    names = [damp.shared.components[c] for c in entry.lives.components]
    odds = unit_odds(entry, damp.shared, unit_of(damp, "Larkov T1", built_from=1983, built_to=1983))
    belt, motor = names.index("belt"), names.index("motor")
    usual = odds.mean_failed
    bad, good = odds.given([belt], []).mean_failed, odds.given([], [belt]).mean_failed
    assert bad[motor] > usual[motor] * 1.1
    assert good[motor] < usual[motor] * 0.9
    # The two cases, weighed, must give back what was believed before (law of total probability).
    share = odds.weight @ odds.arrived[:, belt]
    assert_allclose(share * bad + (1 - share) * good, usual, rtol=1e-9)


def test_findings_reach_the_plan_through_the_store(bench_appraiser):
    def chance(storage_sd, **found):
        shared = replace(bench_appraiser.shared, storage_sd=storage_sd)
        table = plan_unit(replace(bench_appraiser, shared=shared), **T1, found=found).moves
        return table.set_index("component").loc["motor", "failed"]

    both = {"gear": "mended", "belt": "mended"}
    assert chance(2.0, **both) > 1.3 * chance(2.0, gear="sound", belt="sound")


def test_signs_and_age_reach_the_plan(bench_appraiser):
    clean = plan_unit(bench_appraiser, **T1, signs={"rust": "no"})
    rusty = plan_unit(bench_appraiser, **T1, signs={"rust": "yes"})
    assert rusty.success < clean.success
    assert rusty.gain < clean.gain
    old = plan_unit(bench_appraiser, **{**T1, "seen_on": datetime.date(2060, 1, 1)})
    assert old.success < plan_unit(bench_appraiser, **T1).success


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


def test_going_on_is_advised_exactly_where_it_gains(demo_appraiser):
    plans = [
        plan_unit(demo_appraiser, family=family, signs={"rust": "yes"})
        for family in ("Yarrowen C7", "Obbelin 550")
    ]
    for planned in plans:
        assert planned.goes_on == (planned.gain > 0)
        assert planned.sentence.startswith("Stop") != planned.goes_on
        first = planned.moves["gain"].iloc[0]
        assert first == planned.gain if planned.goes_on else first <= planned.gain


def test_costs_come_from_the_appraiser(paid_time):
    table = plan_unit(paid_time, **T1, found={"belt": "failed"}).moves.set_index("component")
    entry = paid_time.families["Larkov T1"]
    names = [paid_time.shared.components[c] for c in entry.lives.components]
    hours = paid_time.shared.repair_hours[entry.lives.components]
    for component, row in table.iterrows():
        i = names.index(component)
        assert row["mend_cost"] == pytest.approx(entry.part_cost[i] + 8.0 * hours[i])
    looks = table.drop(index="belt")["look_cost"]
    assert_allclose(looks, 8.0 * entry.hours_repaired / len(names))


def test_where_time_is_free_the_order_saves_hours(free_time):
    planned = plan_unit(free_time, **T1)
    assert (planned.moves["look_cost"] == 0).all()
    entry = free_time.families["Larkov T1"]
    assert any(
        note.startswith(f"a look is taken to need {entry.hours_repaired / 3:.1f} h") for note in planned.notes
    )
    # The gear ended every job that was not repaired: with looks for nothing it is the first to be seen.
    assert planned.moves["component"].iloc[0] == "gear"


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


def test_a_kind_with_many_components_says_which_come_by_the_rule(bench_rows):
    more = ["relay", "display", "regulator"]
    findings = [finding(n, name, "sound") for n in range(1, 21) for name in more]
    records = records_from_rows({**bench_rows, "findings": [*bench_rows["findings"], *findings]})
    # Only what was ever examined counts as a risk of this bench, so the usual ones must be seen as well.
    usual = ["pinch roller", "idler", "head", "capacitor", "switch"]
    findings += [finding(n, name, "sound") for n in range(1, 21) for name in usual]
    records = records_from_rows({**bench_rows, "findings": [*bench_rows["findings"], *findings]})
    planned = plan_unit(fit_appraiser(records, datetime.date(2025, 1, 10)), **T1)
    assert len(planned.moves) == 11
    last = planned.moves["component"].iloc[-1]
    assert (
        "11 components are left: the 10 likeliest to end the job are planned exactly; then "
        f"{last}, by cost over the chance of ending it"
    ) in planned.notes


def test_findings_are_read_as_what_is_left_to_do():
    rows = [
        finding(1, "belt", "failed", action="replaced"),
        finding(1, "gear", "failed", action="no part"),
        finding(1, "motor", "failed", action="none"),
        finding(1, "idler", "failed"),
        finding(1, "head", "worn", action="none"),
        finding(1, "switch", "sound"),
    ]
    assert read_findings(rows) == (
        {"belt": "mended", "gear": "no part", "motor": "failed", "idler": "failed", "head": "worn",
         "switch": "sound"},
        {"belt": "failed", "gear": "failed", "motor": "failed", "idler": "failed", "head": "worn",
         "switch": "sound"},
    )  # fmt: skip


def test_the_worst_position_counts():
    rows = [
        finding(1, "head", "sound", position="left"),
        finding(1, "head", "failed", position="right", action="replaced"),
        finding(1, "bearing", "failed", position="front", action="replaced"),
        finding(1, "bearing", "failed", position="back"),
    ]
    found, telling = read_findings(rows)
    assert found == {"head": "mended", "bearing": "failed"}
    assert telling == {"head": "failed", "bearing": "failed"}


def test_what_died_on_the_bench_arrived_sound_and_what_was_fitted_later_tells_nothing():
    rows = [
        finding(1, "motor", "failed", arose="during work"),
        finding(1, "belt", "failed", original="no"),
    ]
    assert read_findings(rows) == ({"motor": "failed", "belt": "failed"}, {"motor": "sound"})


def test_a_component_that_the_kind_is_not_judged_by_is_left_out_and_named(bench_appraiser):
    document = open_job()
    document["findings"] = [finding(30, "lamp", "failed")]
    planned = plan_job(bench_appraiser, document)
    assert "lamp (failed) is no component that Larkov T1 is judged by: left out" in planned.notes
    assert planned.moves.equals(plan_job(bench_appraiser, open_job()).moves)


@pytest.mark.parametrize(
    ("change", "error", "message"),
    [
        ({"family": "Larkov T9"}, UnknownName, r"no family 'Larkov T9'; known: .*Did you mean 'Larkov T"),
        (
            {"found": {"gears": "failed"}},
            UnknownName,
            "T1 is judged by no component 'gears'.*Did you mean 'gear'",
        ),
        (
            {"found": {"gear": "brokn"}},
            InvalidInput,
            "gear: found 'brokn'; allowed: sound, worn, failed, mended",
        ),
        ({"built_from": 2030, "built_to": 2030}, InvalidInput, "built in 2030, after the day it was seen"),
        ({"signs": {"rust": "perhaps"}}, InvalidInput, "perhaps"),
    ],
)
def test_a_unit_that_cannot_be_planned_is_refused(bench_appraiser, change, error, message):
    with pytest.raises(error, match=message):
        plan_unit(bench_appraiser, **{**T1, **change})


def test_a_finished_job_and_an_unknown_family_are_refused(bench_appraiser):
    with pytest.raises(
        InvalidInput, match=r"Job 30 is finished \(donor\); a plan is for a unit that is still"
    ):
        plan_job(bench_appraiser, open_job(outcome="donor"))
    with pytest.raises(UnknownName, match="The ledger holds no family 'Larkov T9'"):
        plan_job(bench_appraiser, open_job(family="Larkov T9"))


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
    broken = replace(simple([1.0], [0.0], mend_cost=10.0, mend_chance=1.0), known_failed=np.array([True]))
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
    wait = "what is broken may wait while others are looked at; where they can only be tried once it works, "
    later = plan_unit(demo_appraiser, family="Obbelin 550", found={"belt": "failed"})
    assert later.moves["move"].iloc[0] == "look at"
    assert wait + "mend it first and ask again" in later.notes
    names = set(later.moves["component"])
    allowed = {"stop", "mend it"} | {f"first {do} the {name}" for do in ("mend", "look at") for name in names}
    assert set(later.moves["if_failed"]) <= allowed
    # By hand: the belt, looked at for nothing, costs 30 to mend; the gear, 5 to look at, ends half the jobs.
    task = replace(
        simple([1.0, 0.5], [0.0, 5.0]), mend_cost=np.array([30.0, 0.0]), mend_chance=np.array([1.0, 0.0])
    )
    table = plan_table(search(task), task, ["belt", "gear"])
    assert table["if_failed"].tolist() == ["first look at the gear", "stop"]
    # A gear known to be broken, 1 to mend if it can be, is tried before 30 go into the belt.
    task = replace(
        task,
        mend_cost=np.array([30.0, 1.0]),
        mend_chance=np.array([1.0, 0.5]),
        known_failed=np.array([False, True]),
    )
    table = plan_table(search(task), task, ["belt", "gear"])
    assert table["move"].tolist() == ["look at", "mend"]
    assert table["if_failed"].tolist() == ["first mend the gear", "mend it"]


def test_cautions_are_given_where_they_apply():
    # Common practice of the trade, no source.
    assert cautions("tape deck", ["belt", "capacitor"]) == (MAINS_CAUTION, CHARGE_CAUTION, WASTE_CAUTION)
    assert cautions("turntable", ["belt", "bearing"]) == (MAINS_CAUTION, WASTE_CAUTION)
    assert cautions("disc player", ["laser"]) == (MAINS_CAUTION, LASER_CAUTION, WASTE_CAUTION)
    assert cautions("loudspeaker", ["surround"]) == (WASTE_CAUTION,)
    assert cautions("loudspeaker", ["crossover"]) == (CHARGE_CAUTION, WASTE_CAUTION)


def test_all_cautions_begin_with_those_of_the_components_and_say_nothing_twice():
    deck = all_cautions("tape deck", ["belt"])
    assert deck[:2] == (MAINS_CAUTION, WASTE_CAUTION)
    assert any("Moving parts catch hair" in each for each in deck)
    assert not any("Power stages" in each or "laser" in each for each in deck)
    every = all_cautions()
    assert len(every) == len(set(every))
    said = " ".join(every)
    for what in ("Mains voltage kills", "isolating transformer", "keep their charge", "laser", "Power stages",
                 "Moving parts", "High-voltage", "no flame", "collection point", "Local codes"):  # fmt: skip
        assert what in said
    assert set(all_cautions("disc player", ["laser"])) < set(every)


def test_net_price_pays_the_fee(bench_appraiser):
    entry = bench_appraiser.families["Larkov T1"]
    unit = unit_of(bench_appraiser, "Larkov T1")
    whole = net_price(entry, bench_appraiser.shared, unit, 0.0)
    assert net_price(entry, bench_appraiser.shared, unit, 0.1) == pytest.approx(0.9 * whole)
    assert 70.0 < whole < 130.0  # every unit of this bench was sold for 100
