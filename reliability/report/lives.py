"""Lives of components: what a family's own records say, and what all families say together."""

import datetime
from collections.abc import Iterator
from dataclasses import replace
from functools import cached_property

import numpy as np
import pandas as pd

from reliability.errors import InvalidInput
from reliability.life.curves import fit_curve
from reliability.life.lives import EVENTS, LifeRecords, Observations, age_at, observe
from reliability.life.pooling import PooledLives, pool
from reliability.life.weibull import ModelCheck, check_model, weibull_fits
from reliability.records.frames import Records
from reliability.report import format
from reliability.worth.appraisal import FamilyEntry
from reliability.worth.appraiser import Appraiser
from reliability.worth.bench import read_bench
from reliability.worth.lives import hearsay_of, worst_findings
from reliability.worth.supply import ORIGIN_DISCOUNT

LEVEL = 0.90
FEWEST_FOR_A_CURVE = 5
"""Below this many records a curve is a drawing of chance (common practice, no source)."""

BEYOND_YEARS = 6.0
"""How far a drawing goes on beyond the oldest record."""

NO_STEPS = pd.DataFrame({"age_years": [], "failed": []}, dtype=float)
# Where the limits of a curve are worked out, as parts of its last age; between, they are all but straight in
# the coordinates in which a Weibull curve is.
_PARTS = np.array([0.02, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.85, 0.9, 0.95, 1.0])
_POINTS = 51
COLUMNS = (
    "component", "status", "n_failed", "n_sound", "oldest_years", "b50_years", "b50_low", "b50_high",
    "is_drawn", "fit_says",
)  # fmt: skip


class OwnLives:
    """Lives of one family's components, each from its own records alone, worked out when first asked for."""

    def __init__(self, seen: Observations) -> None:
        self._seen = seen
        self._records: LifeRecords | None = None
        self._components = pd.DataFrame(columns=["stratum", "component"])
        if not seen.table.empty:
            self._records, self._components = seen.life_records(by=("component",))

    @cached_property
    def marks(self) -> pd.DataFrame:
        """Records as marks, at their mean age: component, age_years (whole), is_failed, count."""
        table = self._seen.table
        mean = (table["age_years"] * table["weight"]).groupby(table["record"]).sum()
        first = table.drop_duplicates("record").set_index("record")
        one = pd.DataFrame(
            {
                "component": first["component"],
                "age_years": mean.reindex(first.index).round(),
                "is_failed": np.isfinite(first["upper"]),
            }
        )
        return one.value_counts(sort=False).rename("count").reset_index()

    @property
    def last_age(self) -> float:
        """Age in years at which the curves end: a little beyond the oldest record."""
        return float(np.nanmax([*self.marks["age_years"], 0.0])) + BEYOND_YEARS

    @cached_property
    def summary(self) -> pd.DataFrame:
        """One row per component with records: `COLUMNS`, lives in whole years."""
        if self._records is None:
            return pd.DataFrame(columns=list(COLUMNS))
        fit = weibull_fits(self._records, level=LEVEL)
        counts = {"n_failed": fit.n_failed.round(), "n_sound": fit.n_sound.round()}
        frame = self._components.assign(status=fit.status, **counts)
        oldest = self.marks.groupby("component")["age_years"].max()
        frame["oldest_years"] = frame["component"].map(oldest)
        for column, values in zip(("years", "low", "high"), fit.life(0.50), strict=True):
            frame[f"b50_{column}"] = np.where(np.isfinite(values), np.round(values), np.nan)
        enough = frame["n_failed"] + frame["n_sound"] >= FEWEST_FOR_A_CURVE
        frame["is_drawn"] = enough & (frame["n_failed"] > 0) & (frame["n_sound"] > 0)
        brackets = zip(fit.bracket_low, fit.bracket_high, strict=True)
        frame["fit_says"] = [
            _status(row, *ends) for row, ends in zip(frame.itertuples(), brackets, strict=True)
        ]
        return frame[list(COLUMNS)]

    @cached_property
    def model(self) -> pd.DataFrame:
        """Weibull curves of the components that have one: component, age_years, failed, low, high."""
        drawn = self._with_a_curve()
        if self._records is None or not drawn:
            return pd.DataFrame(columns=["component", "age_years", "failed", "low", "high"])
        lives = self._records.subset(np.isin(self._records.stratum, list(drawn.values())))
        at, ages = self.last_age * _PARTS, np.linspace(0.0, self.last_age, _POINTS)
        limits = np.array(weibull_fits(lives, level=LEVEL).failed_by(np.tile(at, (len(drawn), 1))))
        frames = []
        for component, found in zip(drawn, limits.transpose(1, 0, 2), strict=True):
            failed, low, high = (_between(ages, at, each) for each in found)
            columns = {"component": component, "age_years": ages, "failed": failed, "low": low, "high": high}
            frames.append(pd.DataFrame(columns))
        return format.rounded(pd.concat(frames, ignore_index=True), age_years=2, failed=3, low=3, high=3)

    @cached_property
    def checks(self) -> dict[str, ModelCheck]:
        """How well each Weibull curve fits, by component."""
        return {each: check_model(lives) for each, lives in self._lives(self._with_a_curve())}

    @cached_property
    def steps(self) -> dict[str, pd.DataFrame]:
        """Curve without a model by component: age_years, failed; none where the records are too few."""
        drawn = self.summary.loc[self.summary["is_drawn"].astype(bool), "component"]
        strata = self._components.set_index("component")["stratum"]
        return {each: _stepped(lives) for each, lives in self._lives(dict(strata[drawn]))}

    def _with_a_curve(self) -> dict[str, int]:
        """Components with a Weibull curve, each with its stratum."""
        has_one = self.summary["is_drawn"].astype(bool) & (self.summary["status"] == "ok")
        return dict(self._components.loc[has_one.to_numpy(bool), ["component", "stratum"]].to_numpy())

    def _lives(self, strata: dict[str, int]) -> Iterator[tuple[str, LifeRecords]]:
        for component, stratum in strata.items():
            assert self._records is not None
            yield component, self._records.subset(self._records.stratum == stratum)


def own_lives(seen: Observations) -> OwnLives:
    """Work out all that a family's page asks of its own records; for a process split off."""
    lives = OwnLives(seen)
    _ = lives.model, lives.checks, lives.steps
    return lives


def _between(ages: np.ndarray, at: np.ndarray, failed: np.ndarray) -> np.ndarray:
    """Join shares by pieces of Weibull curves: straight lines in log age and log of minus log of survival."""
    share = np.clip(failed, 1e-12, 1 - 1e-12)
    z, x, wanted = np.log(-np.log1p(-share)), np.log(at), np.log(np.maximum(ages, at[0] / 2))
    below = np.maximum((z[1] - z[0]) / (x[1] - x[0]), 0.0) * np.minimum(wanted - x[0], 0.0)
    return np.where(ages > 0, -np.expm1(-np.exp(np.interp(wanted, x, z) + below)), 0.0)


def _stepped(records: LifeRecords) -> pd.DataFrame:
    curve = fit_curve(records, has_band=False)
    frame = pd.DataFrame({"age_years": curve.age_years, "failed": curve.failed})
    return format.rounded(frame.dropna(), age_years=2, failed=3)


def _status(row: object, bracket_low: float, bracket_high: float) -> str:
    """Say what the records of one stratum allow; `row` is one of `OwnLives.summary`."""
    failed, sound = round(row.n_failed), round(row.n_sound)  # type: ignore[attr-defined]
    total = failed + sound
    between = f"{format.years(bracket_low)} and {format.years(bracket_high)}"
    oldest = format.years(row.oldest_years)  # type: ignore[attr-defined]
    said = {
        "ok": f"{failed} of {total} had failed: too few for a curve.",
        "no records": "No record says anything of its life.",
        "no failures": f"{total} seen up to {oldest} old; none had failed. No curve.",
        "all failed": f"{total} seen; all had failed. No curve.",
        "one age fits all": f"{total} seen; all could have failed at one age, between {between}. No curve.",
        "no ageing visible": f"{failed} of {total} had failed, but not the older ones: no ageing to be seen.",
        "not found": "The search for a curve ended without a result.",
    }
    if total == 1:
        said |= {
            "no failures": f"One seen, {oldest} old; it had not failed. No curve.",
            "all failed": "One seen; it had failed. No curve.",
        }
    status = str(row.status)  # type: ignore[attr-defined]
    if status not in said:
        raise InvalidInput(f"The status of a life must be one of {', '.join(said)}; got {status!r}.")
    return said[status]


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
    worst = worst_findings(records.findings)
    observed = observe(records.jobs, worst, records.families, event=event)
    own = replace(observed, table=observed.table[observed.table["own"]].reset_index(drop=True))
    seen = _cohorts(own, cohort_years)
    if seen.table.empty:
        return pd.DataFrame(columns=list(LIVES_COLUMNS))
    lives, labels = seen.life_records(by=("component", "family", "built_from"))
    fit = weibull_fits(lives, level=LEVEL)
    table = labels.merge(fit.table(), on="stratum", validate="one_to_one")
    table["kind"] = [appraiser.families[family].kind for family in table["family"]]
    for share, name in ((0.10, "b10"), (0.50, "b50")):
        ends = ("years", "low_years", "high_years")
        for end, values in zip(ends, fit.life(share), strict=True):
            table[f"{name}_{end}"] = values
    table["built_to"] = table["built_from"] + (cohort_years or 0) - 1
    year = np.array([usual_year(appraiser.families[family], day) for family in table["family"]])
    year = np.where(table["built_from"].isna(), year, (table["built_from"] + table["built_to"]) / 2)
    age = age_at(np.full(year.size, np.datetime64(day)), year)
    table["age_years"] = age
    alone = np.array(fit.failed_by(np.nan_to_num(age)))
    for name, values in (
        ("failed_own", alone),
        ("failed", _pooled(records, day, event, table, year, np.isfinite(age))),
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
    records: Records,
    day: datetime.date,
    event: str,
    table: pd.DataFrame,
    year: np.ndarray,
    dated: np.ndarray,
) -> np.ndarray:
    """Share failed today from all families together; NaN where nothing is known of the year."""
    found = np.full((3, len(table)), np.nan)
    known = table[dated]
    if len(known):
        pooled = pool_lives_of(records, day, event)
        names, kinds = (known[column].to_numpy(object) for column in ("family", "kind"))
        found[:, dated] = pooled.failed_by(
            known["component"], names, known["age_years"], year=year[dated], kind=kinds
        )
    return found


def pool_lives_of(records: Records, as_of: datetime.date, event: str) -> PooledLives:
    """Pool the lives of all components of all families for one event."""
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
