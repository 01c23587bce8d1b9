"""Lives of components: what a family's own records say, and what all families say together."""

import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from reliability.errors import InvalidInput
from reliability.life.curves import fit_curve
from reliability.life.lives import EVENTS, LifeRecords, Observations, age_at, observe
from reliability.life.pooling import PooledLives, pool
from reliability.life.weibull import ModelCheck, WeibullFit, check_model, weibull_fits
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

_POINTS, _BEYOND_YEARS = 31, 6.0
COLUMNS = (
    "component", "family", "stratum", "status", "n_failed", "n_sound", "oldest_years",
    "b50_years", "b50_low", "b50_high", "is_drawn", "fit_says",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class OwnLives:
    """Fits of all components of all families, each from its own records.

    Parameters
    ----------
    observations : Observations
        Of this bench.
    today_years : callable
        Gives the age of a usual unit of a family.
    """

    observations: Observations
    today_years: Callable[[str], float]
    _done: dict[tuple[str, int], Any] = field(default_factory=dict, repr=False)

    @cached_property
    def _strata(self) -> tuple[LifeRecords | None, pd.DataFrame]:
        if self.observations.table.empty:
            return None, pd.DataFrame(columns=["stratum", "component", "family"])
        return self.observations.life_records(by=("component", "family"))

    @cached_property
    def _fit(self) -> WeibullFit | None:
        records, _ = self._strata
        return weibull_fits(records, level=LEVEL) if records is not None else None

    @cached_property
    def marks(self) -> pd.DataFrame:
        """Records as marks: component, family, age_years, is_failed, count; ages to a year.

        A window of production years stands at its mean age.
        """
        table = self.observations.table
        mean = (table["age_years"] * table["weight"]).groupby(table["record"]).sum()
        first = table.drop_duplicates("record").set_index("record")
        one = pd.DataFrame(
            {
                "component": first["component"],
                "family": first["family"],
                "age_years": mean.reindex(first.index).round(),
                "is_failed": np.isfinite(first["upper"]),
            }
        )
        return one.value_counts(sort=False).rename("count").reset_index()

    @cached_property
    def summary(self) -> pd.DataFrame:
        """One row per component and family with records: `COLUMNS`, lives in whole years."""
        fit, (_, labels) = self._fit, self._strata
        if fit is None:
            return pd.DataFrame(columns=list(COLUMNS))
        counts = {"n_failed": fit.n_failed.round(), "n_sound": fit.n_sound.round()}
        frame = labels.assign(status=fit.status, **counts)
        oldest = self.marks.groupby(["component", "family"])["age_years"].max()
        frame["oldest_years"] = oldest.reindex(
            pd.MultiIndex.from_frame(frame[["component", "family"]])
        ).to_numpy()
        for column, values in zip(("years", "low", "high"), fit.life(0.50), strict=True):
            frame[f"b50_{column}"] = np.where(np.isfinite(values), np.round(values), np.nan)
        enough = frame["n_failed"] + frame["n_sound"] >= FEWEST_FOR_A_CURVE
        frame["is_drawn"] = enough & (frame["n_failed"] > 0) & (frame["n_sound"] > 0)
        brackets = zip(fit.bracket_low, fit.bracket_high, strict=True)
        frame["fit_says"] = [
            _status(row, *ends) for row, ends in zip(frame.itertuples(), brackets, strict=True)
        ]
        return frame[list(COLUMNS)]

    def model(self, family: str) -> pd.DataFrame:
        """Weibull curves of the components that are drawn: component, age_years, failed, low, high."""
        records, _ = self._strata
        drawn = self.summary[self.summary["is_drawn"].astype(bool) & (self.summary["status"] == "ok")]
        drawn = drawn[drawn["family"] == family]
        if records is None or drawn.empty:
            return pd.DataFrame(columns=["component", "age_years", "failed", "low", "high"])
        lives = records.subset(np.isin(records.stratum, drawn["stratum"]))
        each = np.tile(np.linspace(0.0, self.last_age([family]), _POINTS), (len(drawn), 1))
        found = (each, *weibull_fits(lives, level=LEVEL).failed_by(each))
        ages, failed, low, high = (values.ravel() for values in found)
        component = np.repeat(drawn["component"].to_numpy(), _POINTS)
        frame = pd.DataFrame(
            {"component": component, "age_years": ages, "failed": failed, "low": low, "high": high}
        )
        return format.rounded(frame, age_years=2, failed=3, low=3, high=3)

    def last_age(self, families: Sequence[str]) -> float:
        """Age in years at which drawings of some families end: a little beyond their oldest record."""
        seen = self.marks.loc[self.marks["family"].isin(families), "age_years"]
        today = [self.today_years(each) for each in families]
        return float(np.nanmax([*seen, *today, 0.0])) + _BEYOND_YEARS

    def says(self, component: str, family: str) -> str:
        """Say what the records of one stratum allow: a curve, or why there is none."""
        row = self._row(component, family)
        return "No record of its own." if row is None else str(row["fit_says"])

    def check(self, component: str, family: str) -> ModelCheck:
        """Tell how well a Weibull curve fits the records of one stratum that has some."""
        row = self._row(component, family)
        assert row is not None
        return self._once("check", row, check_model)

    def steps(self, component: str, family: str) -> pd.DataFrame:
        """Curve without a model: age_years, failed; empty where the records are too few."""
        row = self._row(component, family)
        if row is None or not row["is_drawn"]:
            return pd.DataFrame({"age_years": [], "failed": []}, dtype=float)
        return self._once("steps", row, _stepped)

    def _row(self, component: str, family: str) -> "pd.Series | None":
        here = (self.summary["component"] == component) & (self.summary["family"] == family)
        return self.summary[here].iloc[0] if here.any() else None

    def _once(self, what: str, row: pd.Series, work: Callable[[LifeRecords], Any]) -> Any:
        """Work on the records of one stratum the first time that its result is asked for."""
        key = (what, int(row["stratum"]))
        records, _ = self._strata
        if key not in self._done and records is not None:
            self._done[key] = work(records.subset(records.stratum == row["stratum"]))
        return self._done[key]


Worked = tuple[pd.DataFrame, dict[tuple[str, int], Any]]


def worked_out(observations: Observations, family: str) -> Worked:
    """Work out what a family's page asks of `OwnLives`, but for what depends on the odds."""
    lives = OwnLives(observations, lambda _: np.nan)
    drawn = lives.summary[lives.summary["is_drawn"].astype(bool) & (lives.summary["family"] == family)]
    for row in drawn.itertuples():
        lives.steps(row.component, family)
        if row.status == "ok":
            lives.check(row.component, family)
    return lives.summary, lives._done


def own_lives(observations: Observations, today_years: Callable[[str], float], *ready: Worked) -> OwnLives:
    """Give the lives of a bench's own records, with what was worked out elsewhere."""
    lives = OwnLives(observations, today_years)
    for summary, done in ready:
        vars(lives)["summary"] = summary
        lives._done.update(done)
    return lives


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
        "ok": "Failures rise with age; a curve can be drawn.",
        "no records": "No record says anything of its life.",
        "no failures": f"{_all(total, 'none', 'it had not')} failed; the oldest was {oldest} old. No curve.",
        "all failed": f"{_all(total, 'all', 'it had')} failed, none was seen working. No curve.",
        "one age fits all": f"{total} seen; one age for all of them would fit, between {between}. No curve.",
        "no ageing visible": f"{failed} of {total} had failed, but not the older ones: no ageing to be seen.",
        "not found": "The search for a curve ended without a result.",
    }
    status = str(row.status)  # type: ignore[attr-defined]
    if status not in said:
        raise InvalidInput(f"The status of a life must be one of {', '.join(said)}; got {status!r}.")
    return said[status]


def _all(total: int, many: str, one: str) -> str:
    return f"One seen, and {one}" if total == 1 else f"{total} seen, and {many} had"


def usual_year(entry: FamilyEntry, day: datetime.date) -> float:
    """Production year of a usual unit: the middle of the family's span, else of the units seen."""
    middle = (entry.first_year + min(entry.last_year, float(day.year))) / 2
    return entry.reference_year if np.isnan(middle) else middle


# ---- What all families say together: the command `lives`


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
