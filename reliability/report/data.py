"""What the pages share: a ledger, the odds fitted to it, and what follows from both, each worked out once."""

import datetime
import os
from collections.abc import Callable, Collection, Iterator
from concurrent.futures import CancelledError, Executor
from contextlib import contextmanager
from dataclasses import replace
from functools import cache, cached_property, lru_cache, partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from reliability.errors import is_end_of_process, unknown
from reliability.life.lives import EVENTS, Observations, age_at, observe
from reliability.life.years import find_changes
from reliability.records.files import project_folder, shipped
from reliability.records.frames import Records, known_by, read_day, read_records
from reliability.report.format import coarse, slugs
from reliability.report.lives import OwnLives, own_lives, usual_year
from reliability.worth import review
from reliability.worth.appraiser import Appraiser, fit_appraiser, kept, kept_odds, last_day
from reliability.worth.bench import read_bench
from reliability.worth.judging import judge
from reliability.worth.lives import worst_findings
from reliability.worth.money import job_gains
from reliability.worth.odds import failed_by_age
from reliability.worth.supply import trials

ROOT = project_folder()
DEMO = shipped("demo")
DEFAULT_LEDGER = ROOT / "data" / "bench.db"
OWN = "the project's own"
KEPT = ROOT / "reports" / ".kept"
"""Where a run of the report keeps what it fitted; a notebook need not fit it again."""

FEWEST_DAYS_BACK = 30
CHANCES = ("success_chance", "success_low", "success_high")


@lru_cache(32)
def _key(records: Records, day: datetime.date) -> tuple[object, ...]:
    """Give what the odds of a day depend on; what happened after it does not count."""
    return known_by(records, day, with_estimates=True).fingerprint(), day


# ---- A ledger with all that pages ask of it


class ReportData:
    """A ledger and the odds fitted to it; whatever pages ask for is worked out when it is first asked for."""

    def __init__(
        self,
        records: Records,
        as_of: datetime.date | None = None,  # the last date in the ledger if not given, else today
        *,
        store: Path | None = None,  # the folder in which odds are kept for the next run
        card: str = "",  # the day that the pocket card beside the pages is for
        odds: Callable[[], Appraiser] | None = None,  # those of the commands, if of the same records and day
    ) -> None:
        self.as_of = as_of if as_of is not None else last_day(records)
        self.records = records if as_of is None else known_by(records, self.as_of)
        self.fingerprint = records.fingerprint()
        self.card = card
        self._store, self._at_hand = store, odds
        self.explained, self.components = cache(self._explained), cache(self._components)
        self.own_lives = cache(self._own_lives)
        self._begun: dict[tuple[Any, ...], Callable[[], Any]] = {}

    def prepare(self, families: Collection[str], executor: Executor | None) -> None:
        """Work out once what several pages ask for; elsewhere meanwhile what needs no odds of today."""
        if executor is not None:
            works: dict[tuple[Any, ...], tuple[Any, ...]] = {}
            for known, day in [self._before, *((self.records, day) for day in self._days)]:
                if kept_odds(self._store, _key(known, day), lambda: None) is None:
                    works["odds", id(known), day] = fit_appraiser, known, day
            works["changes",] = _changes_of, self.own
            works |= {("lives", family): (own_lives, self._own_of(family)) for family in families}
            self._begun = {key: executor.submit(*work).result for key, work in works.items()}
        shared = ("gains", "calibration", "ranking_before", "changes", "counts")
        for work in (*(partial(getattr, self, name) for name in shared),
                     *(partial(self.own_lives, family) for family in families)):  # fmt: skip
            try:
                work()
            except Exception as error:
                if isinstance(error, CancelledError) or is_end_of_process(error):
                    raise
                # The pages that ask for it will tell; the others do without.
        self._begun = {}

    def _done(self, *key: Any, here: Callable[[], Any]) -> Any:
        """Wait for what was begun elsewhere; else do it here."""
        return self._begun.get(key, here)()

    def _odds_of(self, records: Records, day: datetime.date) -> Appraiser:
        """Odds of a day: kept, or fitted, here or where that was begun."""
        fit = self._begun.get(("odds", id(records), day), partial(fit_appraiser, records, day))
        fitted: Appraiser = kept_odds(self._store, _key(records, day), fit)
        return fitted

    @cached_property
    def odds(self) -> Appraiser:
        """Odds, prices and costs of every family, fitted to the records."""
        found = self._at_hand() if self._at_hand is not None else None
        if found is None or (found.fingerprint, found.as_of) != (self.fingerprint, self.as_of):
            found = self._odds_of(self.records, self.as_of)
        return found

    @property
    def currency(self) -> str:
        """Currency of the ledger."""
        return self.records.settings.currency

    @cached_property
    def jobs(self) -> pd.DataFrame:
        """Jobs of this bench, none of those that were imported."""
        return self.records.jobs[self.records.jobs["origin"].isna()]

    @cached_property
    def finished(self) -> pd.DataFrame:
        """Those of them that came to an end."""
        return self.jobs[self.jobs["outcome"] != "open"]

    # Families side by side

    @cached_property
    def ranking(self) -> pd.DataFrame:
        """A usual unit of every family at the price usually paid: `reliability.worth.review.ranking`."""
        return review.ranking(self.odds, self.records, as_of=self.as_of)

    @cached_property
    def since(self) -> datetime.date:
        """First of a month, at least `FEWEST_DAYS_BACK` days ago: what changed is told since then."""
        return (self.as_of - datetime.timedelta(days=FEWEST_DAYS_BACK)).replace(day=1)

    @cached_property
    def _before(self) -> tuple[Records, datetime.date]:
        """What was known on the day before `since`, and that day."""
        day = self.since - datetime.timedelta(days=1)
        return known_by(self.records, day), day

    @cached_property
    def ranking_before(self) -> pd.DataFrame:
        """The ranking as it was on the day before `since`; empty if no job was finished then."""
        known, day = self._before
        if not (known.jobs["outcome"] != "open").any():
            return pd.DataFrame(columns=list(review.RANKING_COLUMNS))
        return review.ranking(self._odds_of(known, day), known, as_of=day)

    @cached_property
    def ranking_if_written(self) -> pd.DataFrame:
        """The ranking as if jobs that nobody wrote up had gone like the written ones.

        Where missing numbers are not counted: as if they were jobs after all, none of them repaired.
        """
        if self.finished.empty:
            return pd.DataFrame(columns=list(review.RANKING_COLUMNS))
        told: dict[str, Any] = {"count_gaps": "yes", "gap_repaired_share": 0.0}
        if read_bench(self.records, self.as_of).gaps_count:
            told = {"gap_repaired_share": float((self.finished["outcome"] == "repaired").mean())}
        changed = replace(self.records, settings=replace(self.records.settings, **told))
        return review.ranking(self._odds_of(changed, self.as_of), changed, as_of=self.as_of)

    # One family

    def _explained(self, family: str) -> review.Explanation:
        """Take a usual unit of a family apart: components, odds and money, the same as its verdict has."""
        return review.explain(self.odds, family=family, seen_on=self.as_of)

    def components_of(self, family: str) -> tuple[str, ...]:
        """Components that can end a job of this family."""
        return tuple(self.odds.components_of(self.odds.families[family]))

    def _components(self, family: str) -> pd.DataFrame:
        """Components by which a family is judged, what ended most jobs first: `explained` and `counts`."""
        counts = self.counts[self.counts["family"] == family].drop(columns="family")
        counts = counts.rename(columns={"failed": "n_failed"})
        frame = self.explained(family).components.merge(counts, how="left", on="component")
        numbers = [each for each in counts if each != "component"]
        frame[numbers] = frame[numbers].astype(float).fillna(0.0).astype(int)
        order = ["ended", "ends_job", "component"]
        frame = frame.sort_values(order, ascending=[False, False, True], ignore_index=True)
        return coarse(frame, "failed", "ends_job")

    def usual_year(self, family: str) -> float:
        """Production year of a usual unit."""
        return usual_year(self.odds.families[family], self.as_of)

    def usual_age(self, family: str) -> float:
        """Age in years of a usual unit today; NaN if nothing is known of its year."""
        return float(age_at([np.datetime64(self.as_of)], [self.usual_year(family)])[0])

    def failed_by_age(self, family: str, ages: ArrayLike) -> pd.DataFrame:
        """Chances by some ages, of a usual year: component, age_years, failed, low, high (90 % interval)."""
        told = np.asarray(ages, dtype=float)
        year, lives = np.full(told.size, self.usual_year(family)), self.odds.families[family].lives
        drawn = failed_by_age(lives, self.odds.shared, np.maximum(told, 1 / 12), year)
        low, high = np.quantile(drawn, (0.05, 0.95), axis=0)
        each = pd.MultiIndex.from_product(
            [self.components_of(family), told], names=["component", "age_years"]
        )
        shares = {"failed": drawn.mean(axis=0), "low": low, "high": high}
        return pd.DataFrame({name: by.T.ravel() for name, by in shares.items()}, index=each).reset_index()

    @cached_property
    def gains(self) -> pd.DataFrame:
        """What each finished job of this bench gained, as `reliability.worth.money.job_gains` gives it."""
        return job_gains(self.records, self.odds, as_of=self.as_of)

    # What the records alone say

    @cached_property
    def counts(self) -> pd.DataFrame:
        """Jobs of this bench that name a component, counted by component and family."""
        jobs, pair = self.jobs, ["job", "component"]
        findings = self.records.findings[self.records.findings["job"].isin(jobs["job"])]
        worst = worst_findings(findings)[[*pair, "found", "arose"]]
        ended = jobs[["job", "ended_by"]].dropna().set_axis(pair, axis=1).assign(ended=True)
        tried = trials(self.finished.assign(own=True), findings)[[*pair, "mended"]].assign(tried=True)
        each = worst.merge(ended, how="outer", on=pair).merge(tried, how="left", on=pair)
        each["ended"] = each["ended"].notna()
        each["died"] = (each["found"] == "failed") & (each["arose"] == "during work")
        # What died on the bench had arrived alive; what ended a job without that had failed.
        arrived = each["found"].mask(each["died"], "sound").mask(each["ended"] & ~each["died"], "failed")
        each = each.assign(jobs=1, **{state: arrived == state for state in ("failed", "worn", "sound")})
        each = each.assign(tried=each["tried"].notna(), mended=each["mended"].fillna(0.0))
        each = each.merge(jobs[["job", "family"]], on="job")
        names = ["jobs", "failed", "worn", "sound", "died", "ended", "tried", "mended"]
        by = each.astype(dict.fromkeys(names, int)).groupby(["component", "family"], as_index=False)
        return by[names].sum()

    @cached_property
    def own(self) -> Observations:
        """Lives of this bench's components: one per job and component, its worst position."""
        worst = worst_findings(self.records.findings)
        seen = observe(self.records.jobs, worst, self.records.families, event=EVENTS[0])
        return replace(seen, table=seen.table[seen.table["own"]].reset_index(drop=True))

    def _own_lives(self, family: str) -> OwnLives:
        """Lives of a family's components from its own records alone."""
        found: OwnLives = self._done("lives", family, here=lambda: own_lives(self._own_of(family)))
        return found

    def _own_of(self, family: str) -> Observations:
        table = self.own.table
        return replace(self.own, table=table[table["family"] == family].reset_index(drop=True))

    @cached_property
    def changes(self) -> pd.DataFrame:
        """Search for a change of production year: one row per component and family of this bench.

        Columns component, family and those of `find_changes`; false discoveries are controlled over all of
        them together.
        """
        return self._done("changes", here=partial(_changes_of, self.own))

    # Forecasts held against what came of them

    @cached_property
    def _days(self) -> list[datetime.date]:
        return review.forecast_days(self.records, self.as_of)

    @cached_property
    def calibration(self) -> review.Calibration:
        """Each finished job judged by what was known before its year."""

        def judged(offers: pd.DataFrame, records: Records, day: datetime.date) -> pd.DataFrame:
            """Give the chances of a repair, as kept where the same offers were judged by the same odds."""

            def make() -> pd.DataFrame:
                return judge(offers, self._odds_of(records, day))[list(CHANCES)].astype(float)

            def read(plain: Any) -> pd.DataFrame:
                return pd.DataFrame(plain, offers.index, list(CHANCES), dtype=float)

            key = (*_key(records, day), offers.to_json())
            write = partial(pd.DataFrame.to_dict, orient="list")
            found: pd.DataFrame = kept(self._store, key, make, read=read, write=write)
            return found

        return review.scored([review.forecasts(self.records, self.as_of, day, judged) for day in self._days])

    # Pages

    @cached_property
    def family_pages(self) -> dict[str, str]:
        """Page of each family of interest, relative to the report's folder."""
        names = review.families_of_interest(self.records)
        return {each: f"families/{slug}.html" for each, slug in slugs(names).items()}

    @cached_property
    def component_pages(self) -> dict[str, str]:
        """Page of each component that was ever named."""
        seen = sorted(set(self.records.findings["component"]) | set(self.records.jobs["ended_by"].dropna()))
        return {each: f"components/{slug}.html" for each, slug in slugs(seen).items()}

    def family(self, name: str = "") -> str:
        """Give a family that has a page; without a name, the one with most jobs."""
        return _chosen("The ledger holds no family", name, self.family_pages, self.records.jobs["family"])

    def component(self, name: str = "") -> str:
        """Give a component that has a page; without a name, the one examined most."""
        examined = self.records.findings["component"]
        return _chosen("No job tells of a component", name, self.component_pages, examined)


def _changes_of(own: Observations) -> pd.DataFrame:
    if own.table.empty:
        return pd.DataFrame(columns=["component", "family", "status", "q_value"])
    lives, labels = own.life_records(by=("component", "family"))
    table = own.table
    unit = pd.factorize(table["job"])[0]
    return find_changes(lives, table["year"], labels, age_years=table["age_years"], unit=unit)


def _chosen(what: str, name: str, known: Collection[str], told: "pd.Series[str]") -> str:
    if not name and known:
        counts = told.value_counts()
        return max(known, key=lambda each: (counts.get(each, 0), each))
    if name not in known:
        raise unknown(what, name, known)
    return name


# ---- How a notebook gets it


_LENT: dict[str, ReportData] = {}


@contextmanager
def lent(data: ReportData, as_of: str) -> Iterator[None]:
    """Lend the notebooks of a run what was worked out for all of them."""
    _LENT[as_of] = data
    try:
        yield
    finally:
        del _LENT[as_of]


def open_report(ledger: str = "", as_of: str = "") -> ReportData:
    """Give what the pages of a ledger show."""
    if not ledger and as_of in _LENT:
        return _LENT[as_of]
    day = read_day("as_of", as_of or None)
    return ReportData(find_records(ledger, day), day, store=KEPT)


def find_records(ledger: str = "", as_of: datetime.date | None = None) -> Records:
    """Read the ledger that a notebook speaks of: the demo where none is named and there is none yet."""
    from reliability.records.ledger import open_ledger
    from reliability.records.package import load_package_records

    address, origin = ledger_address(ledger)
    if origin == OWN and not DEFAULT_LEDGER.exists():
        return load_package_records(DEMO)
    with open_ledger(address) as opened:
        return read_records(opened, as_of=as_of)


def ledger_address(ledger: str = "") -> tuple[str, str]:
    """Tell which ledger a notebook speaks of: the one that the commands choose.

    A notebook runs in its own folder, the commands in the project's. So a relative path starts at
    the project's folder here too: ``data/trial.db`` is the same file for both.
    """
    from reliability.records.database import parse_url

    environment = os.environ.get("BENCHODDS_LEDGER", "")
    named, origin = (ledger, "the parameter `ledger`") if ledger else (environment, "BENCHODDS_LEDGER")
    if not named:
        return str(DEFAULT_LEDGER), OWN
    parsed = parse_url(named)
    is_file = parsed.get_backend_name() == "sqlite"
    return (str(ROOT / str(parsed.database)) if is_file else named), origin
