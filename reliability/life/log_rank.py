"""Comparison of groups of partly observed lives."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from reliability.errors import InvalidInput
from reliability.life.event_times import checked_events, for_each


@dataclass(frozen=True, eq=False)
class LogRank:
    """Log-rank comparison of groups.

    Attributes
    ----------
    statistic, p_value : float
        Chi-square statistic (hypergeometric variance) and its p-value.
    degrees_of_freedom : int
    table : DataFrame
        Columns group, n_records, observed, expected (events if the groups were alike).
    """

    statistic: float
    p_value: float
    degrees_of_freedom: int
    table: pd.DataFrame


def log_rank(
    time: ArrayLike, event: ArrayLike, group: Sequence[Any] | ArrayLike, *, count: ArrayLike = 1
) -> LogRank:
    """Compare groups by the log-rank test.

    Parameters
    ----------
    time : array_like of float, shape (n,)
        Time of the event, or of the last observation, in any unit.
    event : array_like of bool, shape (n,)
    group : array_like, shape (n,)
        Label of each record.
    count : array_like of float, shape (n,), keyword-only

    Returns
    -------
    LogRank

    Raises
    ------
    InvalidInput
        If a time or count is out of range, an event is neither true nor false, a group is missing, a
        length does not match, or there are not at least two groups and one event.
    """
    from lifelines.statistics import multivariate_logrank_test  # half a second, only here needed

    when, said, weight = checked_events(time, event, count)
    said = np.where(pd.isna(said), "missing", said)
    happened, labels = np.asarray(said == 1, dtype=bool), for_each("group", np.asarray(group), when)
    bad = {
        "event` must be true or false": ~(happened | np.asarray(said == 0, dtype=bool)),
        "group` must be known": np.asarray(pd.isna(labels)),
    }
    for rule, broken in bad.items():
        if broken.any():
            raise InvalidInput(
                f"`{rule} for every record; {broken.sum()} of {broken.size} are not "
                f"(first: position {np.argmax(broken)})."
            )
    groups, code = np.unique(labels, return_inverse=True)
    if groups.size < 2 or not happened.any():
        raise InvalidInput(
            f"A comparison needs two groups and one event; got {groups.size} groups and "
            f"{int(happened.sum())} events."
        )
    with np.errstate():  # the library switches numpy's warnings off for good
        found = multivariate_logrank_test(when, code, happened, weights=weight)
    times, place = np.unique(when, return_inverse=True)
    left = np.zeros((times.size, groups.size))
    np.add.at(left, (place, code), weight)
    at_risk = np.cumsum(left[::-1], axis=0)[::-1]
    events = np.bincount(place, weight * happened, times.size)
    expected = (events / at_risk.sum(axis=1)) @ at_risk
    table = pd.DataFrame(
        {
            "group": groups,
            "n_records": left.sum(axis=0),
            "observed": np.bincount(code, weight * happened, groups.size),
            "expected": expected,
        }
    )
    return LogRank(float(found.test_statistic), float(found.p_value), groups.size - 1, table)
