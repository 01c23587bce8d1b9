"""What happened first, and when: cumulative incidence by component, and comebacks after a sale."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import ndtri

from reliability.errors import InvalidInput, unknown
from reliability.life.curves import (
    CellLikelihood,
    Curve,
    cell_likelihood,
    fit_curve,
    innermost,
    maximise,
    share_limits,
    turnbull,
)
from reliability.life.lives import (
    BoolArray,
    FloatArray,
    IntArray,
    LifeRecords,
    require_columns,
    require_unique,
)

# First events of several kinds: cumulative incidence, and the comparison of groups.


# ---- Times of first events, checked, and their kinds as numbers


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


# ---- Comparison of groups of partly observed lives


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


# ---- First events of several kinds: cumulative incidence, exact at ties


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
            Times, >= 0. Beyond the last one nothing is known: NaN.
        cause : str
            One of `causes`.
        level : float
            Probability that the limits promise; they are made on the log(-log) scale and are NaN
            where there is no standard error.

        Returns
        -------
        estimate, low, high : ndarray of float64, shape (n,)

        Raises
        ------
        InvalidInput
            If there is no such kind of event, a time is negative or not a number, or `level` is not
            between 0 and 1.
        """
        if not 0 < level < 1:
            raise InvalidInput(f"`level` must lie between 0 and 1; got {level!r}.")
        if cause not in self.causes:
            raise unknown("There is no event of kind", str(cause), map(str, self.causes))
        when = np.atleast_1d(np.asarray(time, dtype=np.float64))
        if not np.all(when >= 0):
            raise InvalidInput(f"Times must be numbers >= 0; got {when[~(when >= 0)][0]:g}.")
        column = self.causes.index(cause)
        at = np.searchsorted(self.time, when, side="right")
        estimate = np.append(0.0, self.incidence[:, column])[at]
        error = np.append(np.nan, self.standard_error[:, column])[at]
        estimate = np.where(when > self.time[-1], np.nan, estimate)
        with np.errstate(divide="ignore", invalid="ignore"):
            half = ndtri((1 + level) / 2) * error / (estimate * np.log(estimate))
            low, high = estimate ** np.exp(-half), estimate ** np.exp(half)
        return estimate, low, high

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


# ---- First events of several kinds that are known only to lie between two checks


_CONVERGED = 1e-5


def interval_incidence(
    last_free: ArrayLike, first_known: ArrayLike, cause: ArrayLike, *, count: ArrayLike = 1
) -> CumulativeIncidence:
    """Cumulative incidence where events are known only to lie between two checks.

    The masses are spread over cells of (time, kind of event), a record without event allows every
    kind afterwards, and the likelihood is maximised over all of them at once [1]_. With times known
    exactly this is the Aalen-Johansen estimate.

    Parameters
    ----------
    last_free : array_like of float, shape (n,)
        Last time known to be free of any event; 0 if never checked before.
    first_known : array_like of float, shape (n,)
        Time by which the event had happened (equal to `last_free` if its time is known); infinite
        for no event.
    cause : array_like, shape (n,)
        Kind of the event; None, NaN or an empty text for none.
    count : array_like of float, shape (n,), keyword-only

    Returns
    -------
    CumulativeIncidence
        At the ends of the cells that carry mass, and at the last check.

    Raises
    ------
    InvalidInput
        If a bound or count is out of range, or a record has an end without a kind of event or the
        other way round.

    References
    ----------
    .. [1] M. G. Hudgens, G. A. Satten and I. M. Longini, "Nonparametric maximum likelihood estimation
       for competing risks survival data subject to interval censoring and truncation", Biometrics 57
       (2001) 74-80.
    """
    low, kinds, weight = checked_events(last_free, cause, count)
    high = for_each("first_known", np.asarray(first_known, dtype=np.float64), low)
    causes, code = event_codes(kinds)
    bad = ~(high >= low) | (np.isinf(high) != (code < 0))
    if bad.any():
        i = int(np.argmax(bad))
        raise InvalidInput(
            f"A record needs last_free <= first_known, which is infinite exactly where there is no event; "
            f"{bad.sum()} of {bad.size} break that (first: position {i}, {low[i]:g} to {high[i]:g}, "
            f"event {kinds[i]!r})."
        )
    right, cell_code, likelihood = _joint_cells(low, high, code, weight, len(causes))
    found = maximise(likelihood)
    converged = found.gap <= _CONVERGED * weight.sum()
    mass = found.mass if converged else np.full(found.mass.size, np.nan)
    finite = cell_code >= 0
    times = np.unique(np.append(right[finite & (found.mass > 1e-9)], low.max()))
    incidence = np.zeros((times.size, len(causes)))
    at = np.minimum(np.searchsorted(times, right[finite]), times.size - 1)
    np.add.at(incidence, (at, cell_code[finite]), mass[finite])
    incidence = np.cumsum(incidence, axis=0)
    return CumulativeIncidence(
        method="Turnbull",
        status=("ok" if causes else "no events") if converged else "not converged",
        causes=causes,
        time=times,
        incidence=incidence,
        event_free=1 - incidence.sum(axis=1),
        standard_error=np.full(incidence.shape, np.nan),
        n_records=float(weight.sum()),
    )


def _joint_cells(
    low: FloatArray, high: FloatArray, code: IntArray, count: FloatArray, n_causes: int
) -> tuple[FloatArray, IntArray, CellLikelihood]:
    """Cells of (time, kind of event) that can carry mass, kind by kind, then one cell for no event.

    Returns
    -------
    right : ndarray of float64, shape (n_cells,)
        End of each cell.
    kind : ndarray of int64, shape (n_cells,)
        Kind of event, -1 for the cell without.
    likelihood : CellLikelihood
    """
    times, place = np.unique(np.concatenate((low, high)), return_inverse=True)
    # Places on the line as for Turnbull's cells: exact time, end of an interval, begin of one.
    begin = 3 * place[: low.size] + np.where(low == high, 0, 2)
    end = 3 * place[low.size :] + 1
    free = code < 0
    first, last, record = [], [], []
    right, kinds = [], []
    offset = 0
    for kind in range(n_causes):
        at = np.flatnonzero(free | (code == kind))
        cell_begin, cell_end = innermost(begin[at], end[code == kind])
        stop = np.where(free[at], cell_end.size, np.searchsorted(cell_end, end[at], side="right"))
        first.append(offset + np.searchsorted(cell_begin, begin[at], side="left"))
        last.append(offset + stop)
        record.append(at)
        right.append(times[cell_end // 3])
        kinds.append(np.full(cell_end.size, kind))
        offset += cell_end.size
    survivors = np.flatnonzero(free)
    if survivors.size:
        first.append(np.full(survivors.size, offset))
        last.append(np.full(survivors.size, offset + 1))
        record.append(survivors)
        right.append(np.array([np.inf]))
        kinds.append(np.array([-1]))
    rows = np.concatenate(record)
    likelihood = cell_likelihood(
        np.concatenate(first),
        np.concatenate(last),
        np.ones(rows.size),
        rows,
        count[rows],
        n_cells=offset + int(survivors.size > 0),
    )
    return np.concatenate(right), np.concatenate(kinds), likelihood


# Comebacks: how long repaired units keep working after they are sold.


DAYS_PER_YEAR = 365.25
SECONDS_PER_DAY = 86_400
# A unit that fails on the day of its sale worked for some of it: the shortest time told apart.
SHORTEST_DAYS = 0.5
NOT_KNOWN = "not known"
JOB_COLUMNS = ("job", "family", "outcome", "closed", "sold_on", "origin")
FOLLOWUP_COLUMNS = ("job", "checked_on", "working", "failed_on", "component")


@dataclass(frozen=True, eq=False)
class Comebacks:
    """What is known of repaired units after their sale.

    Attributes
    ----------
    table : DataFrame
        One row per unit that was ever checked: job, family, lower_days, upper_days (the first
        comeback lies in this interval; infinite: none yet; equal: the day is known), component
        (what failed; "not known"; empty for none).
    left_out : Series of int
        Repaired jobs that say nothing, by reason. Silence is not "working": a job without a check
        is one of them.
    curve : Curve
        Share that has come back by each time, in years.
    by_component : CumulativeIncidence or None
        Share that has come back first for each component, in days; None without any check.
    """

    table: pd.DataFrame
    left_out: pd.Series
    curve: Curve
    by_component: CumulativeIncidence | None

    def within(self, days: ArrayLike, *, level: float = 0.90) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Probability that a repaired unit comes back within some days of its sale.

        Parameters
        ----------
        days : array_like, shape (n,)
            Days after the sale, above 0.
        level : float
            Probability that the limits promise.

        Returns
        -------
        estimate, low, high : ndarray of float64, shape (n,)
            Limits by likelihood ratio. The estimate is NaN beyond the last check.
        """
        wanted = np.atleast_1d(np.asarray(days, dtype=np.float64))
        if not np.all((wanted > 0) & np.isfinite(wanted)):
            raise InvalidInput(f"`days` must be finite and above 0; got {wanted.tolist()}.")
        if not 0 < level < 1:
            raise InvalidInput(f"`level` must lie between 0 and 1; got {level!r}.")
        nothing = np.full(wanted.size, np.nan)
        if self.table.empty:
            return nothing, np.zeros(wanted.size), np.ones(wanted.size)
        estimate = self.curve.at(wanted / DAYS_PER_YEAR)[0]
        masses = turnbull(_records(self.table))
        limits = [share_limits(masses, day / DAYS_PER_YEAR, level) for day in wanted]
        return estimate, np.array([low for low, _ in limits]), np.array([high for _, high in limits])


def comebacks(jobs: pd.DataFrame, followups: pd.DataFrame, as_of: date, *, level: float = 0.90) -> Comebacks:
    """Gather the time from sale (else from the end of the job) to the first comeback.

    Parameters
    ----------
    jobs, followups : DataFrame
        Tables of the ledger. Repaired jobs of this bench count.
    as_of : date
        Checks after this day are not known yet.
    level : float
        Probability that the curve's band promises.

    Returns
    -------
    Comebacks

    Notes
    -----
    A buyer whose unit fails is more likely to be heard of than one whose unit works. Where checks are
    made only when somebody complains, the share that comes back is overstated.

    Raises
    ------
    InvalidInput
        If a column is missing, a job occurs twice, or a check belongs to a job that is not listed.
    """
    require_columns("jobs", jobs, JOB_COLUMNS)
    require_columns("followups", followups, FOLLOWUP_COLUMNS)
    require_unique("jobs", jobs["job"])
    repaired, counts = _repaired(jobs)
    checks = _checks(followups, jobs, repaired, as_of)
    table = _first_comebacks(repaired, checks)
    in_time = int(repaired["job"].isin(checks["job"]).sum())
    counts["never checked"] = len(repaired) - in_time
    counts["checked only before or on the day of the sale"] = in_time - len(table)
    left_out = pd.Series(counts, name="jobs", dtype=np.int64)
    if table.empty:
        nothing = fit_curve(LifeRecords(0.0, np.inf), level=level)
        return Comebacks(table, left_out, nothing, None)
    return Comebacks(table, left_out, fit_curve(_records(table), level=level), _by_component(table))


def _repaired(jobs: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, int]]:
    """Repaired jobs of this bench with the day their time begins."""
    repaired = jobs[jobs["outcome"].eq("repaired")]
    own = repaired["origin"].isna()
    begin = repaired["sold_on"].fillna(repaired["closed"])
    dated = begin.notna()
    counts = {
        "imported from another source": int((~own).sum()),
        "neither sold nor closed on a known day": int((own & ~dated).sum()),
    }
    return repaired.assign(begin=begin)[own & dated].reset_index(drop=True), counts


def _checks(followups: pd.DataFrame, jobs: pd.DataFrame, repaired: pd.DataFrame, as_of: date) -> pd.DataFrame:
    """List the checks known by a day, as days since the sale, in the order of jobs and of time."""
    lost = ~followups["job"].isin(jobs["job"])
    if lost.any():
        raise unknown(
            "A check belongs to a job that is not listed:", followups["job"][lost].iloc[0], jobs["job"]
        )
    known = followups[followups["checked_on"].le(pd.Timestamp(as_of))]
    checks = known[list(FOLLOWUP_COLUMNS)].merge(repaired[["job", "begin"]], on="job")
    return checks.assign(
        checked=(checks["checked_on"] - checks["begin"]).dt.total_seconds() / SECONDS_PER_DAY,
        failed=(checks["failed_on"] - checks["begin"]).dt.total_seconds() / SECONDS_PER_DAY,
        broken=checks["working"].eq("no"),
    ).sort_values(["job", "checked"], kind="stable")


def _first_comebacks(repaired: pd.DataFrame, checks: pd.DataFrame) -> pd.DataFrame:
    """Interval of the first comeback for each unit that was checked after its sale."""
    # What was seen before the sale, or failed before it, is no comeback.
    later = checks[checks["checked"].ge(0) & ~checks["failed"].lt(0)]
    broken = later[later["broken"]].drop_duplicates("job").set_index("job")
    checked_at = broken["checked"].reindex(later["job"]).to_numpy()
    worked = later[~later["broken"] & ~(later["checked"].to_numpy() > checked_at)]
    last_working = worked.groupby("job")["checked"].max()
    table = repaired.loc[repaired["job"].isin(later["job"]), ["job", "family"]].reset_index(drop=True)
    seen = table["job"]
    known_day = broken["failed"].reindex(seen).to_numpy()
    upper = broken["checked"].reindex(seen).to_numpy()
    upper = np.where(np.isnan(known_day), upper, known_day)
    upper = np.where(np.isnan(upper), np.inf, np.maximum(upper, SHORTEST_DAYS))
    lower = last_working.reindex(seen).fillna(0.0).to_numpy()
    lower = np.where(np.isnan(known_day), np.minimum(lower, upper), upper)
    came_back = np.isfinite(upper)
    component = broken["component"].reindex(seen).fillna(NOT_KNOWN)
    table["lower_days"], table["upper_days"] = lower, upper
    table["component"] = pd.Series(
        [name if back else None for name, back in zip(component, came_back, strict=True)], dtype=object
    )
    # Seen working on the day of the sale and never again: nothing is known of the time after it.
    return table[came_back | (lower > 0)].reset_index(drop=True)


def _records(table: pd.DataFrame) -> LifeRecords:
    return LifeRecords(
        table["lower_days"].to_numpy() / DAYS_PER_YEAR, table["upper_days"].to_numpy() / DAYS_PER_YEAR
    )


def _by_component(table: pd.DataFrame) -> CumulativeIncidence:
    lower, upper = table["lower_days"].to_numpy(), table["upper_days"].to_numpy()
    component = table["component"].to_numpy(dtype=object)
    if np.all((lower == upper) | np.isinf(upper)):
        return cumulative_incidence(lower, component)
    return interval_incidence(lower, upper, component)
