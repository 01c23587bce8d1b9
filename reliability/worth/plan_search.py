"""Which component to look at next, which to mend, and when to stop: the search itself, on arrays.

Three moves are open at any time. A component that nobody has looked at may be looked at; one that was
found failed may be mended; the job may be stopped, and what remains is worth `stopped`. A failed one
need not be mended at once: looking at the others first is a move like any other, for each is taken to
be open to a look while others are broken. Mending that does not succeed ends the job. Once everything
is sound or mended the unit is worth `finished`. What was spent before does not appear anywhere.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.worth.plan_states import StateTable
from reliability.worth.plan_task import STOP, Step, Task, check_task, same_money

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_EXACT = 10
"""Components that are searched exactly; there are four states of each, so 4 ** 10 in all."""


@dataclass(frozen=True)
class Search:
    """What the search found.

    Attributes
    ----------
    worth : float
        Expected worth of the unit from now on if every move is the best one.
    gain : float
        Expected gain of going on, with the best next move, over stopping now; 0 if nothing is left.
    steps : tuple of Step
        The best moves as long as everything turns out well, whether or not `gain` is above 0.
    exact : ndarray of int
        Components that were searched exactly.
    rest : ndarray of int
        The others, in the order of the ratio rule; they come after all exact ones.
    """

    worth: float
    gain: float
    steps: tuple[Step, ...]
    exact: Ints
    rest: Ints


def ratio_order(cost: Floats, ends: Floats) -> Ints:
    """Order by cost over the chance of ending the job, ascending.

    Parameters
    ----------
    cost : ndarray, shape (n,)
        Cost of looking.
    ends : ndarray, shape (n,)
        Chance of ending the job; components that cannot end it come last.

    Returns
    -------
    ndarray of int, shape (n,)
        Equal ratios keep their order.

    Notes
    -----
    Cheapest on average among all orders if the job ends with the first failed component and nothing
    else ends it [1]_.

    References
    ----------
    .. [1] L. G. Mitten, "An analytic solution to the least cost testing sequence problem", *Operations
       Research* 8 (1960) 101-103.
    """
    ratio = np.divide(cost, ends, out=np.full(len(ends), np.inf), where=np.asarray(ends) > 0)
    return np.argsort(ratio, kind="stable").astype(np.int64)


def search(task: Task, *, may_stop: bool = True) -> Search:
    """Find the moves that are worth most on average.

    Parameters
    ----------
    task : Task
        Of moves worth the same, that on the earlier component is taken.
    may_stop : bool
        False: go on until everything is done or something cannot be mended.

    Returns
    -------
    Search

    Raises
    ------
    InvalidInput
        If a chance lies outside [0, 1], a cost is below zero, or the shapes differ.

    Notes
    -----
    Dynamic programming over all states of up to `MOST_EXACT` components [1]_. Of more, those most likely
    to end the job are searched exactly; the rest comes after them in the order of the ratio rule, each
    with the chances it has now.

    References
    ----------
    .. [1] R. Bellman, *Dynamic Programming*, Princeton, 1957, chapter 3.
    """
    check_task(task)
    exact, rest = _split(task)
    tail = _tail(task, rest, may_stop)
    after = tail[0] if rest.size else task.finished
    table = StateTable(task, exact, max(after, task.stopped) if may_stop else after, may_stop)
    steps = [*table.path(), *_tail_steps(task, rest, tail, may_stop)]
    gain = steps[0].gain if steps else 0.0
    worth = float(table.worth[table.start])
    return Search(worth, gain, tuple(steps), exact, rest)


def _split(task: Task) -> tuple[Ints, Ints]:
    """Choose what is searched exactly: what is to be mended, then what is likeliest to end the job."""
    by_weight = np.lexsort((-task.ends, ~task.known_failed))
    exact = np.sort(by_weight[:MOST_EXACT]).astype(np.int64)
    rest = np.sort(by_weight[MOST_EXACT:]).astype(np.int64)
    cost = task.look_cost + task.mean_failed * task.mend_cost
    return exact, rest[ratio_order(cost[rest], task.ends[rest])]


def _mended(task: Task, i: int, worth_after: float) -> float:
    """Worth of trying to mend component `i`."""
    chance = task.mend_chance[i]
    return float(-task.mend_cost[i] + chance * worth_after + (1.0 - chance) * task.stopped)


def _tail(task: Task, rest: Ints, may_stop: bool) -> list[float]:
    """Worth of going on before each of the rest, in their order, and of having done with them."""
    worth, going = task.finished, [task.finished]
    for i in rest[::-1]:
        if may_stop:
            worth = max(worth, task.stopped)
        mended = _mended(task, i, worth)
        if may_stop:
            mended = max(mended, task.stopped)
        failed = task.mean_failed[i]
        look = 0.0 if task.known_failed[i] else task.look_cost[i]
        worth = float(-look + failed * mended + (1.0 - failed) * worth)
        going.append(worth)
    return going[::-1]


def _tail_steps(task: Task, rest: Ints, tail: list[float], may_stop: bool) -> list[Step]:
    steps = []
    for k, i in enumerate(rest):
        after = max(tail[k + 1], task.stopped) if may_stop else tail[k + 1]
        stops = may_stop and _mended(task, i, after) <= task.stopped + same_money(task)
        known, failed = bool(task.known_failed[i]), float(task.mean_failed[i])
        ends = failed if stops else float(task.ends[i])
        gain = tail[k] - task.stopped
        steps.append(Step(int(i), known, failed, ends, gain, STOP if stops else int(i)))
    return steps
