"""Times of first events, checked, and their kinds as numbers."""

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from reliability.errors import InvalidInput
from reliability.life.ages import BoolArray, FloatArray, IntArray


def checked_events(time: ArrayLike, cause: ArrayLike, count: ArrayLike) -> tuple[FloatArray, Any, FloatArray]:
    """Take times, kinds of event and counts as arrays of one length, or one clear refusal."""
    when = np.atleast_1d(np.asarray(time, dtype=np.float64))
    kinds = np.broadcast_to(np.asarray(cause, dtype=object), when.shape)
    weight = np.broadcast_to(np.asarray(count, dtype=np.float64), when.shape)
    if when.size == 0:
        raise InvalidInput("There are no times: at least one record is needed.")
    bad = ~((when >= 0) & (when < np.inf) & (weight > 0) & (weight < np.inf))
    if bad.any():
        i = int(np.argmax(bad))
        raise InvalidInput(
            f"Times must be finite and >= 0, counts finite and above 0; {bad.sum()} of {bad.size} are not "
            f"(first: position {i}, time {when[i]:g}, count {weight[i]:g})."
        )
    return when, kinds, weight


def event_codes(kinds: Any) -> tuple[tuple[Any, ...], IntArray]:
    """Sort the kinds of event and number each record's kind; -1 for no event."""
    none: BoolArray = pd.isna(kinds) | (kinds == "")
    causes = tuple(sorted(set(kinds[~none])))
    number = {cause: i for i, cause in enumerate(causes)}
    code = [-1 if out else number[kind] for kind, out in zip(kinds, none, strict=True)]
    return causes, np.array(code, dtype=np.int64)
