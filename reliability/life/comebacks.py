"""Comebacks: how long repaired units keep working after they are sold."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from reliability.errors import InvalidInput, unknown
from reliability.life.curves import Curve, fit_curve
from reliability.life.findings import FloatArray, require_columns, require_unique
from reliability.life.incidence import CumulativeIncidence, cumulative_incidence, interval_incidence
from reliability.life.lives import LifeRecords
from reliability.life.turnbull import share_limits, turnbull

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
