"""Units on the bench in plain numbers."""

import numpy as np

from reliability.worth.plan import Task


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
