"""The search is held against brute force, with and without signs, published examples, and its limits."""

import csv
from dataclasses import replace
from itertools import permutations, product
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from reliability.worth.plan import MOST_EXACT, STOP, Task, ratio_order, search

DATA = Path(__file__).parents[1] / "data" / "fault_order.csv"
FEW = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])

SHARE = st.sampled_from([0.0, 0.05, 0.2, 0.35, 0.5, 0.8, 0.95, 1.0])
COST = st.sampled_from([0.0, 0.5, 1.0, 2.5, 7.0, 20.0])


def simple(failed, look, *, mend_cost=0.0, mend_chance=0.0, finished=100.0, stopped=0.0):
    n = len(failed)
    return Task(
        np.array([failed], float),
        np.ones(1),
        np.array(look, float),
        np.full(n, float(mend_cost)),
        np.full(n, float(mend_chance)),
        np.zeros(n, bool),
        finished,
        stopped,
    )


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


def read_case(name):
    lines = DATA.read_text(encoding="utf-8").splitlines()
    rows = [row for row in csv.DictReader(lines[1:]) if row["case"] == name]
    return [row["part"] for row in rows], *(
        np.array([float(row[c]) for row in rows]) for c in ("prob", "cost")
    )


def test_exactly_one_fault_is_sought_in_the_published_order():
    # Ratio rule: L. G. Mitten, Operations Research 8 (1960) 101-103 (theorem, from memory); order and
    # cost derived by brute force. One class per fault: finding one part sound tells of all others.
    _, prob, cost = read_case("single")
    task = replace(simple(prob, cost), failed=np.eye(prob.size), weight=prob, finished=0.0)
    found = search(task, may_stop=False)
    assert [step.component + 1 for step in found.steps] == [3, 1, 4, 2]
    assert [*(ratio_order(cost, prob) + 1)] == [3, 1, 4, 2]
    assert_allclose(-found.worth, 18.7, atol=1e-6)
    assert_allclose(found.steps[-1].failed, 1.0)  # nothing else is left that it could be


def test_independent_faults_are_sought_in_the_order_of_the_ratio_rule():
    # Same source; the cheapest of all 24 orders, by adding up costs as long as all before were sound.
    parts, prob, cost = read_case("series")
    task = simple(prob, cost, finished=0.0)
    found = search(task, may_stop=False)
    costs = {
        order: sum(cost[i] * np.prod(1 - prob[list(order[:k])]) for k, i in enumerate(order))
        for order in permutations(range(prob.size))
    }
    best = min(costs, key=costs.__getitem__)
    assert tuple(step.component for step in found.steps) == best == tuple(ratio_order(cost, prob))
    assert [parts[i] for i in best] == ["fuse", "idler", "head", "psu"]
    assert_allclose(-found.worth, costs[best], atol=1e-9)


def test_a_dear_repair_is_put_off_until_the_rest_is_known():
    # By hand: the belt is known to have failed and costs 30; the gear fails in half of the units and then
    # ends the job. Mending first: -30 - 2 + 0.5 x 100 = 18; looking first: -2 + 0.5 x (100 - 30) = 33.
    task = Task(
        np.array([[1.0, 0.5]]),
        np.ones(1),
        np.array([0.0, 2.0]),
        np.array([30.0, 0.0]),
        np.array([1.0, 0.0]),
        np.array([True, False]),
        100.0,
        0.0,
    )
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
    return replace(
        simple(rng.uniform(0.02, 0.3, n), rng.uniform(0.5, 2.0, n), stopped=10.0),
        mend_cost=rng.uniform(1.0, 9.0, n),
        mend_chance=rng.uniform(0.4, 1.0, n),
    )


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
