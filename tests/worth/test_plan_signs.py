"""A unit that shows a sign: classes with weights below zero are searched as the chances they add up to."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from reliability.worth.plan import Task, search
from tests.worth.test_plan_search import FEW, SHARE, best_by_worlds, tasks


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


def test_a_sign_that_one_part_explains_clears_the_other():
    # By hand: belt and gear fail in half of the units each, and the sign comes from them alone and surely. It
    # is seen, so both, belt alone, gear alone: 1/3 each. Belt found sound: the gear has failed for certain;
    # belt found failed: the gear as often as not.
    task = Task(
        np.array([[0.5, 0.5], [0.0, 0.0]]),
        np.array([4 / 3, -1 / 3]),
        np.array([1.0, 1.0]),
        np.zeros(2),
        np.array([1.0, 0.0]),
        np.zeros(2, bool),
        100.0,
        0.0,
    )
    assert_allclose(task.mean_failed, [2 / 3, 2 / 3])
    # Gear first: -1 + 1/3 (100 - 1). Belt first: -1 + 2/3 (-1 + 1/2 100); stop where it is sound.
    found = search(task)
    assert found.worth == pytest.approx(max(-1 + 99 / 3, -1 + 2 / 3 * 49))
    first, second = found.steps
    assert (first.component, first.failed) == (1, pytest.approx(2 / 3))
    assert second.failed == pytest.approx(1.0)  # the gear was sound
