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
    if when.size == 0:
        raise InvalidInput("There are no times: at least one record is needed.")
    kinds = for_each("cause", np.asarray(cause, dtype=object), when)
    weight = for_each("count", np.asarray(count, dtype=np.float64), when)
    bad = ~((when >= 0) & (when < np.inf) & (weight > 0) & (weight < np.inf))
    if bad.any():
        i = int(np.argmax(bad))
        raise InvalidInput(
            f"Times must be finite and >= 0, counts finite and above 0; {bad.sum()} of {bad.size} are not "
            f"(first: position {i}, time {when[i]:g}, count {weight[i]:g})."
        )
    return when, kinds, weight


def for_each(name: str, values: Any, when: FloatArray) -> Any:
    """One value for each time, or the same for all."""
    if values.shape not in ((), when.shape):
        raise InvalidInput(
            f"`{name}` needs one value for each of the {when.size} times, or one for all; "
            f"its shape is {values.shape}."
        )
    return np.broadcast_to(values, when.shape)


def event_codes(kinds: Any) -> tuple[tuple[Any, ...], IntArray]:
    """Sort the kinds of event and number each record's kind; -1 for no event."""
    none: BoolArray = pd.isna(kinds) | (kinds == "")
    causes = tuple(sorted(set(kinds[~none])))
    number = {cause: i for i, cause in enumerate(causes)}
    code = [-1 if out else number[kind] for kind, out in zip(kinds, none, strict=True)]
    return causes, np.array(code, dtype=np.int64)
