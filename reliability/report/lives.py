"""Lives of components: what a family's own records say, and what all families say together."""

import datetime
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from reliability.life.curves import fit_curve
from reliability.life.lives import EVENTS, LifeRecords, Observations, age_at, observe
from reliability.life.pooling import pool
from reliability.life.weibull import ModelCheck, check_model, weibull_fits
from reliability.records.frames import Records
from reliability.report import format
from reliability.worth.appraiser import Appraiser
from reliability.worth.bench import read_bench
from reliability.worth.lives import hearsay_of, worst_findings
from reliability.worth.odds import FamilyEntry
from reliability.worth.supply import ORIGIN_DISCOUNT

LEVEL = 0.90
FEWEST_FOR_A_CURVE = 5
"""Below this many records a curve is a drawing of chance (common practice, no source)."""

BEYOND_YEARS = 6.0
"""How far a drawing goes on beyond the oldest record."""

NO_STEPS = pd.DataFrame({"age_years": [], "failed": []}, dtype=float)
_POINTS = 35
COLUMNS = (
    "component", "status", "n_failed", "n_sound", "oldest_years", "b50_years", "b50_low",
    "bracket_low", "bracket_high",
)  # fmt: skip


@dataclass(frozen=True)
class OwnLives:
    """Lives of one family's components, each from its own records alone."""

    marks: pd.DataFrame  # records at their mean age: component, age_years (whole), is_failed, count
    last_age: float  # years at which curves end: a little beyond the oldest record
    summary: pd.DataFrame  # `COLUMNS`, one row per component with records, lives in whole years
    model: dict[str, pd.DataFrame]  # Weibull curves of those that have one: age_years, failed, low, high
    checks: dict[str, ModelCheck]  # how well each of them fits
    steps: dict[str, pd.DataFrame]  # curves without a model: age_years, failed; none of too few records


def own_lives(seen: Observations) -> OwnLives:
    """Fit and check the lives of one family's components."""
    table = seen.table
    mean = (table["age_years"] * table["weight"]).groupby(table["record"]).sum()
    first = table.drop_duplicates("record").set_index("record")
    ages, is_failed = mean.reindex(first.index).round(), np.isfinite(first["upper"])
    one = pd.DataFrame({"component": first["component"], "age_years": ages, "is_failed": is_failed})
    marks = one.value_counts(sort=False).rename("count").reset_index()
    last_age = float(np.nanmax([*marks["age_years"], 0.0])) + BEYOND_YEARS
    if table.empty:
        return OwnLives(marks, last_age, pd.DataFrame(columns=list(COLUMNS)), {}, {}, {})
    records, components = seen.life_records(by=("component",))
    fit = weibull_fits(records, level=LEVEL)
    summary = components.assign(
        status=fit.status, n_failed=fit.n_failed.round(), n_sound=fit.n_sound.round(),
        oldest_years=components["component"].map(marks.groupby("component")["age_years"].max()),
        bracket_low=fit.bracket_low, bracket_high=fit.bracket_high,
    )  # fmt: skip
    for column, values in zip(("years", "low"), fit.life(0.50), strict=False):
        summary[f"b50_{column}"] = np.where(np.isfinite(values), np.round(values), np.nan)
    least = summary[["n_failed", "n_sound"]].min(axis=1)
    drawn = summary[(least > 0) & (summary["n_failed"] + summary["n_sound"] >= FEWEST_FOR_A_CURVE)]
    ages, model, checks, steps = np.linspace(0.0, last_age, _POINTS), {}, {}, {}
    shares = np.array(fit.failed_by(np.tile(ages, (fit.stratum.size, 1))))
    for row in drawn.itertuples():
        life = records.subset(records.stratum == row.stratum)
        curve = fit_curve(life, has_band=False)
        frame = pd.DataFrame({"age_years": curve.age_years, "failed": curve.failed})
        steps[row.component] = format.rounded(frame.dropna(), age_years=2, failed=3)
        if row.status == "ok":
            columns = zip(("failed", "low", "high"), shares[:, row.stratum], strict=True)
            frame = pd.DataFrame({"age_years": ages, **dict(columns)})
            model[row.component] = format.rounded(frame, age_years=2, failed=3, low=3, high=3)
            checks[row.component] = check_model(life, fit)
    return OwnLives(marks, last_age, summary[list(COLUMNS)], model, checks, steps)


def usual_year(entry: FamilyEntry, day: datetime.date) -> float:
    """Production year of a usual unit: the middle of the family's span, else of the units seen."""
    middle = (entry.first_year + min(entry.last_year, float(day.year))) / 2
    return entry.reference_year if np.isnan(middle) else middle


# ---- What all families say together: the command `lives`


LIVES_COLUMNS = (
    "component", "family", "kind", "built_from", "built_to", "n_failed", "n_sound", "status",
    "shape", "shape_low", "shape_high",
    "b10_years", "b10_low_years", "b10_high_years", "b50_years", "b50_low_years", "b50_high_years",
    # of a usual unit today: its age, the share failed by its own records, by those of all families
    "age_years", "failed_own", "failed_own_low", "failed_own_high", "failed", "failed_low", "failed_high",
)  # fmt: skip


def lives_table(
    records: Records,  # what was known on the appraiser's day
    appraiser: Appraiser,
    *,
    event: str = "failed",
    cohort_years: int | None = None,  # parts of a year within one cohort of so many count, none fitted later
) -> pd.DataFrame:
    """Tell the lives of every component in every family on record: `LIVES_COLUMNS`, intervals of 90 %."""
    day = appraiser.as_of
    observed = observe(records.jobs, worst_findings(records.findings), records.families, event=event)
    seen = observed.table
    own = seen[seen["own"]].reset_index(drop=True).assign(built_from=np.nan)
    if cohort_years is not None:  # the first year of each record's cohort, where it is of one
        own = own[~own["fitted"] & own["year"].notna()]
        first = np.floor(own["year"].astype(float) / cohort_years) * cohort_years
        own = own.assign(built_from=first)[first.groupby(own["record"]).transform("nunique") == 1]
    if own.empty:
        return pd.DataFrame(columns=list(LIVES_COLUMNS))
    lives, labels = replace(observed, table=own).life_records(by=("component", "family", "built_from"))
    fit = weibull_fits(lives, level=LEVEL)
    table = labels.merge(fit.table(), on="stratum", validate="one_to_one")
    entries = [appraiser.families[family] for family in table["family"]]
    table["kind"] = [entry.kind for entry in entries]
    table["built_to"] = table["built_from"] + (cohort_years or 0) - 1
    year = np.array([usual_year(entry, day) for entry in entries])
    year = np.where(table["built_from"].isna(), year, (table["built_from"] + table["built_to"]) / 2)
    age = age_at(np.full(year.size, np.datetime64(day)), year)
    table["age_years"] = age
    pooled, dated = np.full((3, len(table)), np.nan), np.isfinite(age)
    if dated.any():  # the share failed today from all families together, where anything is known of the year
        count = np.where(seen["own"], 1.0, ORIGIN_DISCOUNT)
        of = {name: seen[name].to_numpy() for name in ("lower", "upper", "record", "weight")}
        whose = {name: seen[name].to_numpy() for name in ("component", "family", "kind")}
        hearsay = hearsay_of(records.hearsay, read_bench(records, day)) if event == EVENTS[0] else ()
        found = pool(
            LifeRecords(**of, count=count), **whose, year=seen["year"].to_numpy(float), hearsay=hearsay
        )
        component, family, kind = (table.loc[dated, name].to_numpy(object) for name in whose)
        pooled[:, dated] = found.failed_by(component, family, age[dated], year=year[dated], kind=kind)
    told: dict[str, Any] = {
        "b10{}_years": fit.life(0.10),
        "b50{}_years": fit.life(0.50),
        "failed_own{}": np.where(np.isfinite(age), fit.failed_by(np.nan_to_num(age)), np.nan),
        "failed{}": pooled,
    }
    for name, columns in told.items():
        for end, values in zip(("", "_low", "_high"), columns, strict=True):
            table[name.format(end)] = values
    return table.sort_values(["component", "family", "built_from"], ignore_index=True)[list(LIVES_COLUMNS)]
