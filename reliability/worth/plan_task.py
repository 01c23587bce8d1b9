"""A unit on the bench in plain numbers: what looking and mending cost, and what each may end in."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.errors import InvalidInput

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

STOP = -1
"""Stands where the number of a component would: the best move is to stop."""


@dataclass(frozen=True)
class Task:
    """A unit on the bench.

    Attributes
    ----------
    failed : ndarray, shape (n_classes, n)
        Chance that each component has failed, in each class of units that this one may belong to
        (damp store or dry, older or younger). Within a class the components are independent; what is
        found of one tells of the others through the weights of the classes.
    weight : ndarray, shape (n_classes,)
        Of each class, given all that is known; sums to 1. Single ones may lie below zero: only sums over
        classes are chances.
    look_cost, mend_cost : ndarray, shape (n,)
        Money, paid whenever one looks, or tries to mend; >= 0.
    mend_chance : ndarray, shape (n,)
        Chance that mending succeeds.
    known_failed : ndarray of bool, shape (n,)
        Found failed already and not mended yet.
    finished, stopped : float
        Worth of the unit once everything is sound or mended, and of what remains if one stops.
    """

    failed: Floats
    weight: Floats
    look_cost: Floats
    mend_cost: Floats
    mend_chance: Floats
    known_failed: Bools
    finished: float
    stopped: float

    @property
    def mean_failed(self) -> Floats:
        """Chance that each component has failed; ndarray, shape (n,)."""
        return np.where(self.known_failed, 1.0, self.weight @ self.failed)

    @property
    def ends(self) -> Floats:
        """Chance that each component has failed and cannot be mended; ndarray, shape (n,)."""
        return self.mean_failed * (1.0 - self.mend_chance)


@dataclass(frozen=True)
class Step:
    """One move on the way on which everything turns out well.

    Attributes
    ----------
    component : int
    mends : bool
        Mend what is known to have failed; else look.
    failed : float
        Chance that it has failed, as far as is known by then.
    ends : float
        Chance that the job ends here: it has failed and cannot be mended, or is not worth mending.
    gain : float
        Expected gain of going on over stopping at this point.
    if_failed : int
        What to do next if it has failed: `STOP`, the component itself (mend it), or another one first.
    """

    component: int
    mends: bool
    failed: float
    ends: float
    gain: float
    if_failed: int


def check_task(task: Task) -> None:
    """Refuse a task that makes no sense.

    Parameters
    ----------
    task : Task

    Raises
    ------
    InvalidInput
        If a chance lies outside [0, 1], a cost is below zero, weights do not sum to 1, or the shapes differ.
    """
    shares = {"failed": task.failed, "mend_chance": task.mend_chance}
    for name, values in shares.items():
        bad = ~((values >= 0) & (values <= 1 + 1e-9))
        if bad.any():
            raise InvalidInput(f"`{name}` must lie between 0 and 1; found {values[bad].flat[0]:g}.")
    for name in ("look_cost", "mend_cost"):
        cost = getattr(task, name)
        bad = ~(cost >= 0)
        if bad.any():
            raise InvalidInput(f"`{name}` must be 0 or more; found {cost[bad].flat[0]:g}.")
    if not abs(task.weight.sum() - 1.0) <= 1e-6:
        raise InvalidInput(f"`weight` must sum to 1; it sums to {task.weight.sum():g}.")
    n = task.look_cost.size
    sizes = (task.mend_cost.size, task.mend_chance.size, task.known_failed.size)
    if task.failed.shape != (task.weight.size, n) or set(sizes) != {n}:
        raise InvalidInput(
            f"`failed` has shape {task.failed.shape}, but there are {task.weight.size} classes and {n} costs "
            f"of looking; costs, chances of mending and what is known: {', '.join(map(str, sizes))}."
        )


def same_money(task: Task) -> float:
    """Difference below which two amounts of this task are the same."""
    return 1e-9 * (1.0 + abs(task.finished) + abs(task.stopped) + float(task.mend_cost.sum()))
