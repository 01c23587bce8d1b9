"""Everything that the pages share, asked of the rooms below once per run."""

import datetime
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from reliability.life.lives import EVENTS, LifeRecords, Observations, age_at, observe
from reliability.life.pooling import PooledLives, pool
from reliability.life.years import find_changes
from reliability.records.frames import Records
from reliability.report.format import slugs
from reliability.worth.appraisal import FamilyEntry
from reliability.worth.appraiser import Appraiser
from reliability.worth.bench import Bench, read_bench
from reliability.worth.costs import job_gains
from reliability.worth.lives import family_components, hearsay_of, kind_components, worst_findings
from reliability.worth.review import Calibration, calibrate, families_of_interest, ranking
from reliability.worth.supply import ORIGIN_DISCOUNT

Interval = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]

FAILED, NEEDS_WORK = EVENTS
MONTH_DAYS = 30


@dataclass(frozen=True, eq=False)
class Groundwork:
    """A ledger with all that was fitted to it.

    Attributes
    ----------
    records : Records
        What was known on `as_of`.
    as_of : datetime.date
        The day the pages speak for.
    fingerprint : str
        Of the whole ledger.
    fitted : callable
        Gives odds, prices and costs; they may have been at work since the groundwork was begun.
    pools : mapping of str to callable
        Gives the pooled lives of an event.
    rankings : mapping of str to callable
        Gives the ranking under another condition: "a month ago", or "all written" (the jobs that nobody
        wrote up went like the others).
    forecasts : callable, optional
        Gives the forecasts of past years held against what came of them.
    card : str
        The day that the pocket card beside the pages is for; empty if there is none.
    """

    records: Records
    as_of: datetime.date
    fingerprint: str
    fitted: Callable[[], Appraiser]
    pools: Mapping[str, Callable[[], PooledLives]]
    rankings: Mapping[str, Callable[[], pd.DataFrame]]
    forecasts: Callable[[], Calibration] | None = None
    card: str = ""

    def __getstate__(self) -> dict[str, Any]:
        """Travel to a worker with all that has been worked out, and without what may still be under way."""
        done = {"fitted": partial(_given, self.appraiser), "pools": {}, "rankings": {}, "forecasts": None}
        return {**vars(self), **done}

    @property
    def currency(self) -> str:
        """Currency of the ledger."""
        return self.records.settings.currency

    @property
    def month(self) -> str:
        """Month the pages speak for; ages change with it, not from day to day."""
        return f"{self.as_of:%Y-%m}"

    @cached_property
    def bench(self) -> Bench:
        """Jobs of the bench in the shape that worth reads."""
        return read_bench(self.records, self.as_of)

    @cached_property
    def appraiser(self) -> Appraiser:
        """Odds, prices and costs."""
        return self.fitted()

    @cached_property
    def ranking(self) -> pd.DataFrame:
        """Families side by side at the price usually asked."""
        return ranking(self.appraiser, self.records, as_of=self.as_of)

    @cached_property
    def gains(self) -> pd.DataFrame:
        """What each finished job of this bench gained."""
        return job_gains(self.records, self.appraiser, as_of=self.as_of)

    @cached_property
    def verdicts_if_written(self) -> pd.DataFrame:
        """Families whose verdict would be another if `reliability.report.laying.ranking_if_written` held.

        Columns family, verdict, otherwise; empty where no job number is missing.
        """
        if not self.appraiser.tally.jobs_missing:
            return pd.DataFrame(columns=["family", "verdict", "otherwise"])
        table = self.rankings["all written"]()[["family", "verdict"]].rename(columns={"verdict": "otherwise"})
        both = self.ranking.merge(table, on="family")
        changed = both["verdict"].ne(both["otherwise"]) & both["verdict"].notna()
        return both.loc[changed, ["family", "verdict", "otherwise"]].reset_index(drop=True)

    @cached_property
    def calibration(self) -> Calibration:
        """Each finished job judged by what was known before its year."""
        return self.forecasts() if self.forecasts is not None else calibrate(self.records, self.as_of)

    @cached_property
    def a_month_ago(self) -> pd.DataFrame:
        """The ranking as the ledger of a month ago gave it; empty if it held no finished job."""
        return self.rankings["a month ago"]()

    @cached_property
    def observations(self) -> dict[str, Observations]:
        """Lives of components by event, one per job and component: its worst position."""
        worst = worst_findings(self.records.findings)
        return {
            event: observe(self.records.jobs, worst, self.records.families, event=event) for event in EVENTS
        }

    @cached_property
    def own(self) -> dict[str, Observations]:
        """Those of this bench alone."""
        return {
            event: replace(seen, table=seen.table[seen.table["own"]].reset_index(drop=True))
            for event, seen in self.observations.items()
        }

    @cached_property
    def pooled(self) -> dict[str, PooledLives]:
        """Lives of all families drawn together, by event; what the trade says tells of failures only."""
        return {event: self.pools[event]() for event in EVENTS}

    @cached_property
    def family_pages(self) -> dict[str, str]:
        """Page of each family of interest, relative to the report's folder."""
        names = slugs(families_of_interest(self.records))
        return {family: f"families/{slug}.html" for family, slug in names.items()}

    @cached_property
    def component_pages(self) -> dict[str, str]:
        """Page of each component that was ever examined."""
        seen = sorted(set(self.records.findings["component"]) | set(self.records.jobs["ended_by"].dropna()))
        return {component: f"components/{slug}.html" for component, slug in slugs(seen).items()}

    def components_of(self, family: str) -> tuple[str, ...]:
        """Components that can end a job of this family, those of its own records included."""
        at = self.entry(family).lives.components
        return tuple(self.appraiser.shared.components[c] for c in at)

    def entry(self, family: str) -> FamilyEntry:
        """Give what the appraiser holds of a family."""
        return self.appraiser.families[family]

    def usual_year(self, family: str) -> float:
        """Production year of a usual unit: the middle of the family's span, else of the units seen."""
        entry = self.entry(family)
        middle = (entry.first_year + min(entry.last_year, float(self.as_of.year))) / 2
        return entry.reference_year if np.isnan(middle) else middle

    def usual_age(self, family: str) -> float:
        """Age in years of a usual unit today; NaN if nothing is known of its year."""
        return float(age_at([np.datetime64(self.as_of)], [self.usual_year(family)])[0])

    @cached_property
    def changes(self) -> pd.DataFrame:
        """Search for a change of production year: one row per component and family of this bench.

        Columns component, family and those of `find_changes`. False discoveries are controlled over
        all of them together.
        """
        seen = self.own[FAILED]
        if seen.table.empty:
            return pd.DataFrame(columns=["component", "family", "status"])
        lives, labels = seen.life_records(by=("component", "family"))
        unit = pd.factorize(seen.table["job"])[0]
        return find_changes(lives, seen.table["year"], labels, age_years=seen.table["age_years"], unit=unit)

    def pooled_today(self, event: str, component: ArrayLike, family: ArrayLike) -> Interval:
        """Probability that the event has happened to a usual unit by today.

        Parameters
        ----------
        event : {"failed", "needs work"}
            What has happened.
        component, family : array_like of str
            Broadcast against each other.

        Returns
        -------
        mean, low, high : ndarray
            Posterior mean and 90 % band; NaN where nothing is known of a family's years.
        """
        parts, names = np.broadcast_arrays(*(np.asarray(each, dtype=object) for each in (component, family)))
        age, year = (np.vectorize(f, otypes=[float])(names) for f in (self.usual_age, self.usual_year))
        kind = np.vectorize(lambda each: self.entry(each).kind, otypes=[object])(names)
        found = np.full((3, *names.shape), np.nan)
        known = np.isfinite(age)
        if known.any():
            asked = parts[known], names[known], age[known]
            # What has failed needs work too, but the two events are pooled each by itself: where chance
            # would put the wider event below the narrower one, it is lifted to it.
            events = (FAILED, NEEDS_WORK) if event == NEEDS_WORK else (event,)
            shares = []
            for each in events:
                pooled = self.pooled[each]
                years = year[known] if pooled.has_years else None  # no record at all, or none of a known year
                shares.append(pooled.failed_by(*asked, year=years, kind=kind[known]))
            found[:, known] = np.max(shares, axis=0)
        return found[0], found[1], found[2]


def _given(value: Any) -> Any:
    return value


def pool_lives_of(
    records: Records, as_of: datetime.date, event: str, families: Collection[str] | None = None
) -> PooledLives:
    """Pool the lives of all components of all families for one event.

    Parameters
    ----------
    records : Records
        What was known on `as_of`.
    as_of : date
        The day the pages speak for.
    event : {"failed", "needs work"}
        What ends a life.
    families : collection of str, optional
        Only what these are judged by is asked for: components are pooled one by one, over all families.

    Returns
    -------
    PooledLives
        Imported jobs count at their discount, and each component by its worst position.
    """
    table = observe(records.jobs, worst_findings(records.findings), records.families, event=event).table
    bench = read_bench(records, as_of)
    heard = hearsay_of(records.hearsay, bench) if event == FAILED else ()
    if families is not None:
        judged_by = family_components(bench, kind_components(bench))
        wanted = {component for family in families for component in judged_by[family]}
        # A component that nobody has spoken of is like any other one, so all of them are needed.
        if wanted <= {*table["component"], *(each.component for each in heard)}:
            table = table[table["component"].isin(wanted)]
            heard = tuple(each for each in heard if each.component in wanted)
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
