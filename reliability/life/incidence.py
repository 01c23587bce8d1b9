"""First events of several kinds: cumulative incidence and restricted means, exact at ties."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import ndtri

from reliability.errors import InvalidInput, unknown
from reliability.life.ages import FloatArray
from reliability.life.event_times import checked_events, event_codes

__all__ = ["CumulativeIncidence", "cumulative_incidence"]


@dataclass(frozen=True, eq=False)
class CumulativeIncidence:
    """Share that has had each kind of first event by each time.

    Attributes
    ----------
    method : str
        "Aalen-Johansen" (times known) or "Turnbull" (times known between two checks).
    status : str
        "ok", "no events", or "not converged" (then without numbers).
    causes : tuple of str
        Kinds of event, sorted.
    time : ndarray of float64, shape (n_times,)
        Distinct times, ascending, in the unit of the input.
    incidence : ndarray of float64, shape (n_times, n_causes)
        Share that has had this event first, by the end of each time.
    event_free : ndarray of float64, shape (n_times,)
        Share without any event; the row sums of both are 1.
    standard_error : ndarray of float64, shape (n_times, n_causes)
        Of the incidence; NaN for "Turnbull".
    n_records : float
        Weighed number of records.
    """

    method: str
    status: str
    causes: tuple[Any, ...]
    time: FloatArray
    incidence: FloatArray
    event_free: FloatArray
    standard_error: FloatArray
    n_records: float

    def at(self, time: ArrayLike, cause: Any, *, level: float = 0.90) -> tuple[FloatArray, ...]:
        """Share that has had one kind of event by given times.

        Parameters
        ----------
        time : array_like, shape (n,)
            Times. Beyond the last one nothing is known: NaN.
        cause : str
            One of `causes`.
        level : float
            Probability that the limits promise; they are made on the log(-log) scale and are NaN
            where there is no standard error.

        Returns
        -------
        estimate, low, high : ndarray of float64, shape (n,)
        """
        if cause not in self.causes:
            raise unknown("There is no event of kind", str(cause), map(str, self.causes))
        when = np.atleast_1d(np.asarray(time, dtype=np.float64))
        column = self.causes.index(cause)
        at = np.searchsorted(self.time, when, side="right")
        estimate = np.append(0.0, self.incidence[:, column])[at]
        error = np.append(np.nan, self.standard_error[:, column])[at]
        estimate = np.where(when > self.time[-1], np.nan, estimate)
        with np.errstate(divide="ignore", invalid="ignore"):
            half = ndtri((1 + level) / 2) * error / (estimate * np.log(estimate))
            low, high = estimate ** np.exp(-half), estimate ** np.exp(half)
        return estimate, low, high

    def restricted_mean(self, until: float) -> pd.Series:
        """Mean time spent in each state up to a time.

        Parameters
        ----------
        until : float
            Time in the unit of the input, > 0 and not beyond the last one.

        Returns
        -------
        Series of float
            "event-free" and one entry per cause; they add up to `until`.
        """
        if not 0 < until <= self.time[-1]:
            raise InvalidInput(f"`until` must be above 0 and at most {self.time[-1]:g}; got {until!r}.")
        edges = np.concatenate(([0.0], self.time[self.time < until], [until]))
        width = np.diff(edges)
        states = np.column_stack((self.event_free, self.incidence))
        begin = np.append(1.0, np.zeros(len(self.causes)))
        held = np.vstack((begin, states))[np.searchsorted(self.time, edges[:-1], side="right")]
        return pd.Series(width @ held, index=["event-free", *self.causes], name="restricted_mean")

    def table(self) -> pd.DataFrame:
        """One row per time: time, event_free, one column per cause."""
        frame = pd.DataFrame(self.incidence, columns=list(self.causes))
        frame.insert(0, "time", self.time)
        frame.insert(1, "event_free", self.event_free)
        return frame


def cumulative_incidence(time: ArrayLike, cause: ArrayLike, *, count: ArrayLike = 1) -> CumulativeIncidence:
    """Cumulative incidence of competing first events, exact at ties.

    Events of all kinds at one time happen to the same units at risk, and before censorings at that
    time. Nothing is moved apart: ties are what they are.

    Parameters
    ----------
    time : array_like of float, shape (n,)
        Time of the event, or of the last observation, >= 0, in any unit.
    cause : array_like, shape (n,)
        Kind of the event; None, NaN or an empty text for none until then.
    count : array_like of float, shape (n,), keyword-only
        How many such records there are, > 0.

    Returns
    -------
    CumulativeIncidence

    Raises
    ------
    InvalidInput
        If there is no record, a time is NaN, negative or infinite, or a count is not above 0.

    Notes
    -----
    The variance is that of the delta method for the Aalen-Johansen estimator [1]_.

    References
    ----------
    .. [1] E. Marubini and M. G. Valsecchi, *Analysing Survival Data from Clinical Trials and
       Observational Studies*, Wiley, 1995, section 10.4.
    """
    when, kinds, weight = checked_events(time, cause, count)
    causes, code = event_codes(kinds)
    times, place = np.unique(when, return_inverse=True)
    seen = code >= 0
    events = np.zeros((times.size, len(causes)))
    np.add.at(events, (place[seen], code[seen]), weight[seen])
    leaving = np.bincount(place, weight, times.size).astype(np.float64)
    at_risk = np.cumsum(leaving[::-1])[::-1]
    free = np.cumprod(1 - events.sum(axis=1) / at_risk)
    before = np.append(1.0, free[:-1])
    incidence = np.cumsum(before[:, None] * events / at_risk[:, None], axis=0)
    error = _delta_error(incidence, before, events, at_risk)
    return CumulativeIncidence(
        method="Aalen-Johansen",
        status="ok" if causes else "no events",
        causes=causes,
        time=times,
        incidence=incidence,
        event_free=free,
        standard_error=error,
        n_records=float(weight.sum()),
    )


def _delta_error(
    incidence: FloatArray, before: FloatArray, events: FloatArray, at_risk: FloatArray
) -> FloatArray:
    r"""Give each incidence its standard error.

    With :math:`F` the incidence, :math:`S` the event-free share before, :math:`d, n` all events and units
    at risk, :math:`d_k` the events of this kind, the variance at t is the sum over earlier times of
    :math:`(F_t - F)^2 d / (n (n - d)) + S^2 (n - d_k) d_k / n^3 - 2 (F_t - F) S d_k / n^2`.
    """
    total, n = events.sum(axis=1), at_risk
    with np.errstate(divide="ignore"):
        spread = np.where(total < n, total / (n * np.where(total < n, n - total, 1)), 0.0)
    own = np.cumsum((before**2 / n**3)[:, None] * (n[:, None] - events) * events, axis=0)
    cross = (before / n**2)[:, None] * events
    # (F_t - F)^2 and (F_t - F) are expanded, so that cumulative sums do for every t at once.
    squared = (
        incidence**2 * np.cumsum(spread)[:, None]
        - 2 * incidence * np.cumsum(incidence * spread[:, None], axis=0)
        + np.cumsum(incidence**2 * spread[:, None], axis=0)
    )
    mixed = incidence * np.cumsum(cross, axis=0) - np.cumsum(incidence * cross, axis=0)
    return np.sqrt(np.maximum(squared + own - 2 * mixed, 0.0))
