"""Lives of components by family: what their own records say, and what all families say together."""

import datetime
from dataclasses import replace

import numpy as np
import pandas as pd

from reliability.life.lives import EVENTS, LifeRecords, Observations, age_at, observe
from reliability.life.pooling import PooledLives, pool
from reliability.life.weibull import weibull_fits
from reliability.records.frames import Records
from reliability.report.data import ReportData
from reliability.worth.appraiser import Appraiser
from reliability.worth.bench import read_bench
from reliability.worth.lives import hearsay_of, worst_findings
from reliability.worth.supply import ORIGIN_DISCOUNT

LEVEL = 0.90
LIVES_COLUMNS = (
    "component", "family", "kind", "built_from", "built_to", "n_failed", "n_sound", "status",
    "shape", "shape_low", "shape_high",
    "b10_years", "b10_low_years", "b10_high_years", "b50_years", "b50_low_years", "b50_high_years",
    "age_years", "failed_own", "failed_own_low", "failed_own_high", "failed", "failed_low", "failed_high",
)  # fmt: skip


def lives_table(
    records: Records, appraiser: Appraiser, *, event: str = "failed", cohort_years: int | None = None
) -> pd.DataFrame:
    """Tell the lives of every component in every family that this bench has records of.

    Parameters
    ----------
    records : Records
        What was known on the appraiser's day.
    appraiser : Appraiser
        Fitted to them; it knows the production span of each family.
    event : {"failed", "needs work"}
        What ends a life.
    cohort_years : int, optional
        Length of the production-year cohorts to tell apart. Parts whose year is known to lie in one
        of them count; parts fitted later do not.

    Returns
    -------
    DataFrame
        `LIVES_COLUMNS`, sorted by component and family. `shape` and the ages by which 10 and 50 %
        have failed are fitted to a family's own records; they are empty where `status` is not
        "ok". `age_years` is that of a usual unit today, `failed_own` the share failed by then
        from those records alone, `failed` from all families together. Intervals are 90 %.
    """
    day = appraiser.as_of
    data = ReportData(records, day, odds=appraiser)
    worst = worst_findings(records.findings)
    observed = observe(records.jobs, worst, records.families, event=event)
    own = replace(observed, table=observed.table[observed.table["own"]].reset_index(drop=True))
    seen = _cohorts(own, cohort_years)
    if seen.table.empty:
        return pd.DataFrame(columns=list(LIVES_COLUMNS))
    lives, labels = seen.life_records(by=("component", "family", "built_from"))
    fit = weibull_fits(lives, level=LEVEL)
    table = labels.merge(fit.table(), on="stratum", validate="one_to_one")
    table["kind"] = [data.entry(family).kind for family in table["family"]]
    for share, name in ((0.10, "b10"), (0.50, "b50")):
        ends = ("years", "low_years", "high_years")
        for end, values in zip(ends, fit.life(share), strict=True):
            table[f"{name}_{end}"] = values
    table["built_to"] = table["built_from"] + (cohort_years or 0) - 1
    year = np.array([data.usual_year(family) for family in table["family"]])
    year = np.where(table["built_from"].isna(), year, (table["built_from"] + table["built_to"]) / 2)
    age = age_at(np.full(year.size, np.datetime64(day)), year)
    table["age_years"] = age
    alone = np.array(fit.failed_by(np.nan_to_num(age)))
    for name, values in (
        ("failed_own", alone),
        ("failed", _pooled(data, event, table, year, np.isfinite(age))),
    ):
        for end, column in zip(("", "_low", "_high"), values, strict=True):
            table[name + end] = np.where(np.isfinite(age), column, np.nan)
    return table.sort_values(["component", "family", "built_from"], ignore_index=True)[list(LIVES_COLUMNS)]


def _cohorts(seen: Observations, years: int | None) -> Observations:
    """Add the first year of each record's cohort, NaN for all if there are none to tell apart."""
    if years is None:
        return replace(seen, table=seen.table.assign(built_from=np.nan))
    table = seen.table[~seen.table["fitted"] & seen.table["year"].notna()]
    first = np.floor(table["year"].astype(float) / years) * years
    alone = first.groupby(table["record"]).transform("nunique") == 1
    return replace(seen, table=table.assign(built_from=first)[alone])


def _pooled(
    data: ReportData, event: str, table: pd.DataFrame, year: np.ndarray, dated: np.ndarray
) -> np.ndarray:
    """Share failed today from all families together; NaN where nothing is known of the year."""
    found = np.full((3, len(table)), np.nan)
    known = table[dated]
    if len(known):
        pooled = pool_lives_of(data.records, data.as_of, event)
        names, kinds = (known[column].to_numpy(object) for column in ("family", "kind"))
        found[:, dated] = pooled.failed_by(
            known["component"], names, known["age_years"], year=year[dated], kind=kinds
        )
    return found


def pool_lives_of(records: Records, as_of: datetime.date, event: str) -> PooledLives:
    """Pool the lives of all components of all families for one event.

    Parameters
    ----------
    records : Records
        What was known on `as_of`.
    as_of : date
        The day the pages speak for.
    event : {"failed", "needs work"}
        What ends a life.

    Returns
    -------
    PooledLives
        Imported jobs count at their discount, and each component by its worst position.
    """
    table = observe(records.jobs, worst_findings(records.findings), records.families, event=event).table
    bench = read_bench(records, as_of)
    heard = hearsay_of(records.hearsay, bench) if event == EVENTS[0] else ()
    if table.empty:
        return pool(None, component=(), family=(), kind=(), hearsay=heard)
    count = np.where(table["own"], 1.0, ORIGIN_DISCOUNT)
    lives = LifeRecords(
        table["lower"], table["upper"], count=count, record=table["record"], weight=table["weight"]
    )
    return pool(
        lives,
        component=table["component"].to_numpy(),
        family=table["family"].to_numpy(),
        kind=table["kind"].to_numpy(),
        year=table["year"].to_numpy(float),
        hearsay=heard,
    )
