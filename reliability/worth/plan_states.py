"""Worth of every state that a unit on the bench can be in, from the last one back to the first."""

import numpy as np
from numpy.typing import NDArray

from reliability.worth.plan_task import STOP, Step, Task, same_money

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MENDED, SOUND, FAILED, UNSEEN = range(4)
"""States of a component. Every move lowers one of them, so a state only looks at lower numbers."""

_STEPS = np.array([0, 0, 1, 2])
_EVIDENCE = np.array([2, 1, 2, 0])
_CHUNK = 8192


class StateTable:
    """Worth of every state of the components searched exactly; a state is its digits in base 4.

    Parameters
    ----------
    task : Task
    exact : ndarray of int, shape (n,)
    after : float
        Worth once all of them are sound or mended.
    may_stop : bool
    """

    def __init__(self, task: Task, exact: Ints, after: float, may_stop: bool) -> None:
        self._task, self._exact, self._after, self._may_stop = task, exact, after, may_stop
        self._close = same_money(task)
        n = exact.size
        failed = np.where(task.known_failed[exact], 1.0, task.failed[:, exact])
        self._evidence = joint_chances(failed, task.weight)
        codes = np.arange(4**n)
        steps = np.zeros(4**n, np.int8)
        self._found = np.zeros(4**n, np.int32)
        for i in range(n):
            digit = (codes >> 2 * i) & 3
            steps += _STEPS[digit].astype(np.int8)
            self._found += (_EVIDENCE[digit] * 3**i).astype(np.int32)
        self._order = np.argsort(steps, kind="stable")
        self._bounds = np.searchsorted(steps[self._order], np.arange(2 * n + 2))
        self.start = int(
            sum((FAILED if task.known_failed[i] else UNSEEN) * 4**k for k, i in enumerate(exact))
        )
        self.worth = np.full(4**n, after)
        self.going = np.full(4**n, after)
        self.move = np.full(4**n, STOP, np.int8)
        for level in range(1, 2 * n + 1):
            self._fill(self._order[self._bounds[level] : self._bounds[level + 1]])

    def failed(self, codes: Ints, k: int) -> Floats:
        """Chance that component `k` is found failed in states where nobody has looked yet."""
        found = self._found[codes]
        here = self._evidence[found]
        # A state that cannot come about has no chances; it is given 0 and never asked for. Of a state that
        # hardly can, sums over classes with weights below zero leave rounding alone.
        share = np.divide(self._evidence[found + 2 * 3**k], here, out=np.zeros(len(codes)), where=here > 0)
        return np.clip(share, 0.0, 1.0)

    def _fill(self, codes: Ints) -> None:
        best, move = np.full(codes.size, -np.inf), np.full(codes.size, STOP, np.int8)
        for k in range(self._exact.size):
            value = self._value(codes, k)
            move[value > best + self._close] = k
            best = np.maximum(best, value)
        self.going[codes], self.move[codes] = best, move
        self.worth[codes] = np.maximum(best, self._task.stopped) if self._may_stop else best

    def _value(self, codes: Ints, k: int) -> Floats:
        """Worth of the move on component `k`: a look where it is unseen, mending where it has failed."""
        task, i, digit = self._task, self._exact[k], (codes >> 2 * k) & 3
        value = np.full(codes.size, -np.inf)
        unseen = np.flatnonzero(digit == UNSEEN)
        at = codes[unseen]
        p = self.failed(at, k)
        then_failed = self.worth[at - (UNSEEN - FAILED) * 4**k]
        value[unseen] = (
            -task.look_cost[i] + p * then_failed + (1 - p) * self.worth[at - (UNSEEN - SOUND) * 4**k]
        )
        broken = np.flatnonzero(digit == FAILED)
        chance = task.mend_chance[i]
        mended = self.worth[codes[broken] - (FAILED - MENDED) * 4**k]
        value[broken] = -task.mend_cost[i] + chance * mended + (1.0 - chance) * task.stopped
        return value

    def path(self) -> list[Step]:
        """Follow the best moves while everything turns out well."""
        state, steps = self.start, []
        while self.move[state] != STOP:
            k = int(self.move[state])
            mends = (state >> 2 * k) & 3 == FAILED
            failed = 1.0 if mends else float(self.failed(np.array([state]), k)[0])
            broken = state if mends else state - (UNSEEN - FAILED) * 4**k
            reply = self._reply(broken)
            lost = 1.0 if reply == STOP else 1.0 - float(self._task.mend_chance[self._exact[k]])
            gain = float(self.going[state] - self._task.stopped)
            steps.append(Step(int(self._exact[k]), mends, failed, failed * lost, gain, reply))
            state = broken - (FAILED - MENDED) * 4**k if mends else broken - (FAILED - SOUND) * 4**k
        return steps

    def _reply(self, state: int) -> int:
        stops = self._may_stop and self.going[state] <= self._task.stopped + self._close
        return STOP if stops else int(self._exact[self.move[state]])


def joint_chances(failed: Floats, weight: Floats) -> Floats:
    """Chance of everything that can have been found, averaged over the classes.

    Parameters
    ----------
    failed : ndarray, shape (n_classes, n)
    weight : ndarray, shape (n_classes,)

    Returns
    -------
    ndarray, shape (3 ** n,)
        At position ``sum(digit * 3 ** i)``, digit 0 where nobody looked at component i, 1 where it was
        found sound, 2 where it was found failed.
    """
    half = failed.shape[1] // 2
    joint = np.zeros((3 ** (failed.shape[1] - half), 3**half))
    for start in range(0, len(weight), _CHUNK):
        part = slice(start, start + _CHUNK)
        # Each half is a table of products; multiplying them sums over the classes.
        joint += (_products(failed[part, half:]) * weight[part, None]).T @ _products(failed[part, :half])
    return joint.ravel()


def _products(failed: Floats) -> Floats:
    table = np.ones((len(failed), 1))
    for chance in failed.T:
        digit = np.stack([np.ones_like(chance), 1.0 - chance, chance], axis=1)
        table = (digit[:, :, None] * table[:, None, :]).reshape(len(failed), -1)
    return table
