"""What this bench has done: its jobs as they were known on a day, and those nobody wrote up."""

import datetime
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.life.lives import unit_ages
from reliability.records.frames import Records, known_by
from reliability.records.values import do_gaps_count, missing_numbers, split_number

Floats = NDArray[np.float64]

FEWEST_SILENT, MOST_TOLD = 5, 0.1
"""A bench with so many finished jobs of which fewer than this share have a finding writes none."""

REPAIRED = "repaired"
UNREPAIRED = ("donor", "scrapped", "sold as is")


@dataclass(frozen=True)
class Bench:
    """The jobs of one ledger in the shape that the models of worth read."""

    records: Records  # what was known on `as_of`
    as_of: datetime.date
    families: tuple[str, ...]  # names in sorted order; arrays below hold positions in them
    kinds: tuple[str, ...]
    signs: tuple[str, ...]
    family_kind: NDArray[np.int64]  # (n_families,)
    # finished jobs, those with an origin too: the ledger's columns and `family_at`, `kind_at`, `own` (no
    # origin), `repaired` (0 or 1), `season` (calendar year taken in), `age_years` (mean; NaN where the year
    # is not known)
    jobs: pd.DataFrame
    sign_values: Floats  # (n_jobs, n_signs): 1 seen, 0 looked for and not seen, NaN nobody looked
    # one row per job and possible production year: `at` (row of `jobs`), year, weight, age_years. A job whose
    # year is not known at all has none
    ages: pd.DataFrame
    # season (year of intake) -> job numbers of that time that were never written up
    missing: Mapping[int, int]
    open_jobs: pd.DataFrame  # own jobs that are not finished, with `days` since they were taken in

    @cached_property
    def heard(self) -> list[dict[Hashable, Any]]:
        """What the trade says, row by row."""
        return self.records.hearsay.to_dict("records")

    @property
    def n_missing(self) -> int:
        """Job numbers that were given out and never written up."""
        return sum(self.missing.values())

    @cached_property
    def told(self) -> NDArray[np.bool_]:
        """Which finished jobs have a finding; ndarray, shape (n_jobs,)."""
        return self.jobs["job"].isin(self.records.findings["job"]).to_numpy(bool)

    @cached_property
    def is_silent(self) -> bool:
        """Whether this bench writes no findings: its amounts then hold what mending a component takes."""
        return _is_silent(self.told[self.jobs["own"].to_numpy(bool)])

    @property
    def gaps_count(self) -> bool:
        """Whether gaps count as unwritten jobs."""
        own = int(self.jobs["own"].sum())
        return do_gaps_count(self.n_missing, own, self.records.settings.count_gaps)

    @cached_property
    def jobs_seen(self) -> NDArray[np.int64]:
        """Finished own jobs of each family; ndarray of int, shape (n_families,)."""
        own = self.jobs[self.jobs["own"]]
        return np.bincount(own["family_at"], minlength=len(self.families))

    @cached_property
    def open_seen(self) -> NDArray[np.int64]:
        """Own jobs of each family that are not finished; ndarray of int, shape (n_families,)."""
        counts = self.open_jobs["family"].value_counts().reindex(list(self.families), fill_value=0)
        return counts.to_numpy(np.int64)

    @cached_property
    def jobs_by_kind(self) -> NDArray[np.int64]:
        """Finished jobs of this bench and of others; ndarray of int, shape (n_kinds, 2)."""
        kind, other = self.jobs["kind_at"].to_numpy(np.int64), (~self.jobs["own"]).to_numpy(np.int64)
        return np.bincount(2 * kind + other, minlength=2 * len(self.kinds)).reshape(-1, 2)

    @cached_property
    def taken_in_per_year(self) -> Floats:
        """Own units of each family taken in per year of the ledger, at least half a year counted."""
        own = self.records.jobs[self.records.jobs["origin"].isna()]
        if own.empty:
            return np.zeros(len(self.families))
        years = max((pd.Timestamp(self.as_of) - own["taken_in"].min()).days / 365.25, 0.5)
        counts = own["family"].value_counts().reindex(list(self.families), fill_value=0)
        return counts.to_numpy(float) / years

    @cached_property
    def seen_per_year(self) -> Floats:
        """Units of each family met per year, at least those taken in; ndarray, shape (n_families,)."""
        # From the first sighting on: what was looked at, and what came in without having been written down as
        # seen. At least half a year counts.
        seen = self.records.sightings
        if seen.empty:
            return self.taken_in_per_year
        family_of = self.records.models.set_index("model")["family"]
        since = seen["seen_on"].min()
        jobs = self.records.jobs
        beside = jobs[jobs["origin"].isna() & (jobs["taken_in"] >= since) & ~jobs["job"].isin(seen["job"])]
        met = pd.concat([seen["family"].fillna(seen["model"].map(family_of)), beside["family"]])
        years = max((pd.Timestamp(self.as_of) - since).days / 365.25, 0.5)
        counts = met.value_counts().reindex(list(self.families), fill_value=0)
        return np.maximum(counts.to_numpy(float) / years, self.taken_in_per_year)


def read_bench(records: Records, as_of: datetime.date) -> Bench:
    """Arrange the records for the models."""
    known = known_by(records, as_of, with_estimates=True)
    is_open = known.jobs.loc[known.jobs["outcome"] == "open", "job"]
    told_at_end = known.findings[~known.findings["job"].isin(is_open)].reset_index(drop=True)
    known = replace(known, findings=told_at_end)
    families = tuple(sorted(known.families["family"]))
    kind_of = known.families.set_index("family")["kind"]
    kinds = tuple(sorted(set(kind_of)))
    family_kind = np.array([kinds.index(kind_of[f]) for f in families], dtype=np.int64)
    jobs = known.jobs[known.jobs["outcome"] != "open"].reset_index(drop=True)
    jobs = jobs.assign(
        family_at=pd.Index(families).get_indexer(jobs["family"]),
        own=jobs["origin"].isna(),
        repaired=(jobs["outcome"] == REPAIRED).astype(float),
        season=jobs["taken_in"].dt.year,
    )
    told = jobs["job"].isin(known.findings["job"])
    if not _is_silent(told[jobs["own"]]):
        # Of jobs without a finding only the failed ones would name a component: it would look worse than
        # it is.
        jobs["ended_by"] = jobs["ended_by"].where(told, None)
    jobs["kind_at"] = family_kind[jobs["family_at"]] if len(jobs) else np.zeros(0, np.int64)
    signs = tuple(sorted(set(known.signs["sign"])))
    ages = unit_ages(jobs, known.families)
    ages = ages[ages["age_years"].notna()].reset_index(drop=True)
    ages = ages.assign(at=pd.Index(jobs["job"]).get_indexer(ages["job"]))
    mean_age = (ages["age_years"] * ages["weight"]).groupby(ages["at"]).sum()
    jobs["age_years"] = mean_age.reindex(range(len(jobs))).to_numpy(float)
    open_jobs = known.jobs[(known.jobs["outcome"] == "open") & known.jobs["origin"].isna()]
    open_jobs = open_jobs.assign(days=(pd.Timestamp(as_of) - open_jobs["taken_in"]).dt.days)
    return Bench(
        known,
        as_of,
        families,
        kinds,
        signs,
        family_kind,
        jobs,
        sign_table(jobs["job"], known.signs, signs),
        ages,
        missing_by_season(known.jobs, as_of, known.withdrawn),
        open_jobs.reset_index(drop=True),
    )


def _is_silent(told: Sequence[bool]) -> bool:
    return len(told) >= FEWEST_SILENT and float(np.mean(told)) < MOST_TOLD


def sign_table(jobs: pd.Series, signs: pd.DataFrame, names: tuple[str, ...]) -> Floats:
    """Lay out who saw what; ndarray, shape (n_jobs, n_signs): 1 yes, 0 no, NaN not looked."""
    table = np.full((len(jobs), len(names)), np.nan)
    row = pd.Index(jobs).get_indexer(signs["job"])
    column = pd.Index(names).get_indexer(signs["sign"])
    there = (row >= 0) & (column >= 0)
    table[row[there], column[there]] = (signs["seen"] == "yes").to_numpy(float)[there]
    return table


def missing_by_season(
    jobs: pd.DataFrame, as_of: datetime.date, withdrawn: Iterable[str] = ()
) -> dict[int, int]:
    """Count the job numbers of this bench that were given out and never written up."""
    # Numbers run in sequence behind an optional prefix; what lies between the lowest and the highest of a
    # prefix and is not there is a job that nobody wrote up. When it came in is read off the numbers around
    # it: a season that was written up badly must not pass for one in which little failed.
    own = jobs[jobs["origin"].isna()]
    days: dict[str, dict[int, int]] = {}
    for job, day in zip(own["job"], own["taken_in"], strict=True):
        if number := split_number(job):
            days.setdefault(number.prefix, {})[number.digits] = day.toordinal()
    missing: dict[int, int] = {}
    for gap in missing_numbers([*own["job"], *withdrawn]):
        first, last = split_number(gap.first), split_number(gap.last)
        assert first
        assert last
        known = days.get(first.prefix, {0: as_of.toordinal()})
        numbers = sorted(known)
        day = np.interp((first.digits + last.digits) / 2, numbers, [known[n] for n in numbers])
        year = datetime.date.fromordinal(round(float(day))).year
        missing[year] = missing.get(year, 0) + gap.size
    return missing


def share_unfinished_repaired(bench: Bench) -> Floats:
    """Odds that each open job will still be repaired, by how long it has been open."""
    # Of two jobs the one that has lain longer is likelier to be a failure if failures take longer to be given
    # up; which of the two this bench does is read off its finished jobs.
    # Gives (n_open,): share of finished own jobs of at least that duration that were repaired, with two more
    # jobs at the bench's overall odds, so that nothing is certain.
    own = bench.jobs[bench.jobs["own"]]
    days = (own["closed"] - own["taken_in"]).dt.days.to_numpy(float)
    repaired = own["repaired"].to_numpy(float)
    base = (repaired.sum() + 1) / (repaired.size + 2)
    shares = []
    for open_days in bench.open_jobs["days"]:
        longer = days >= open_days
        shares.append((repaired[longer].sum() + 2 * base) / (longer.sum() + 2))
    return np.array(shares, dtype=float)
