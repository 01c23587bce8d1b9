"""What this bench has done: its jobs as they were known on a day, and those nobody wrote up."""

import datetime
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.life.lives import unit_ages
from reliability.records.frames import Records, known_by
from reliability.records.values import do_gaps_count, missing_numbers, split_number
from reliability.worth.odds import Floats, Ints

#: A bench with so many finished jobs of which fewer than this share have a finding writes none.
FEWEST_SILENT, MOST_TOLD = 5, 0.1
#: Production year where none at all is known (common practice, no source).
MIDDLE_YEAR = 1985.0

REPAIRED = "repaired"


@dataclass(frozen=True)
class Bench:
    """The jobs of one ledger in the shape that the models of worth read."""

    records: Records  # what was known on `as_of`
    as_of: datetime.date
    families: tuple[str, ...]  # names in sorted order; arrays below hold positions in them
    kinds: tuple[str, ...]
    signs: tuple[str, ...]
    family_kind: Ints  # (n_families,)
    # finished jobs, those with an origin too: the ledger's columns and `family_at`, `kind`, `kind_at`, `own`
    # (no origin), `repaired` (0 or 1), `season` (calendar year taken in), `age_years` (mean; NaN where the
    # year is not known)
    jobs: pd.DataFrame
    sign_values: Floats  # (n_jobs, n_signs): 1 seen, 0 looked for and not seen, NaN nobody looked
    # one row per job and possible production year: `at` (row of `jobs`), year, weight, age_years. A job whose
    # year is not known at all has none
    ages: pd.DataFrame
    missing: Mapping[int, int]  # year of intake -> job numbers of that time that were never written up
    open_jobs: pd.DataFrame  # own jobs that are not finished, with `days` since they were taken in

    @property
    def n_missing(self) -> int:
        """Job numbers that were given out and never written up."""
        return sum(self.missing.values())

    @property
    def gaps_count(self) -> bool:
        """Whether gaps count as unwritten jobs."""
        return do_gaps_count(self.n_missing, int(self.jobs["own"].sum()), self.records.settings.count_gaps)

    @cached_property
    def told(self) -> NDArray[np.bool_]:
        """Which finished jobs have a finding; ndarray, shape (n_jobs,)."""
        return self.jobs["job"].isin(self.records.findings["job"]).to_numpy(bool)

    @cached_property
    def is_silent(self) -> bool:
        """Whether this bench writes no findings: its amounts then hold what mending a component takes."""
        return _is_silent(self.told[self.jobs["own"].to_numpy(bool)])

    @cached_property
    def jobs_seen(self) -> Floats:
        """Finished own jobs of each family; ndarray, shape (n_families,)."""
        return counts(self.jobs.loc[self.jobs["own"], "family"], self.families)

    @cached_property
    def seen_per_year(self) -> Floats:
        """Units of each family met per year, at least those taken in; ndarray, shape (n_families,)."""
        # From the first sighting on: what was looked at, and what came in without having been written down as
        # seen. At least half a year counts.
        own, seen = self.records.jobs[self.records.jobs["origin"].isna()], seen_units(self.records)
        taken_in = self._per_year(own["family"], own["taken_in"].min())
        if seen.empty:
            return taken_in
        beside = own[(own["taken_in"] >= seen["seen_on"].min()) & ~own["job"].isin(seen["job"])]
        met = pd.concat([seen["family"], beside["family"]])
        return np.maximum(self._per_year(met, seen["seen_on"].min()), taken_in)

    def _per_year(self, family: pd.Series, since: pd.Timestamp) -> Floats:
        days = (pd.Timestamp(self.as_of) - since).days if len(family) else 0
        return counts(family, self.families) / max(days / 365.25, 0.5)

    @cached_property
    def slots(self) -> pd.DataFrame:
        """For whom odds are fitted: each family, an unknown family of each kind, an unknown kind."""
        # Names ("" where not known) and places (-1); first and last year; mean year and age of the units seen
        # and age of the oldest. Where no years are written down, those of the units seen serve, or the kin's.
        n_f, n_k = len(self.families), len(self.kinds)
        families = self.records.families.set_index("family").reindex(list(self.families))
        ages = self.ages
        ages = ages.assign(years=ages["year"] * ages["weight"], ages=ages["age_years"] * ages["weight"])
        of_age = self.jobs["family_at"].to_numpy(np.int64)[ages["at"].to_numpy(np.int64)]
        wider = pd.DataFrame({"first_year": [np.nan], "last_year": [np.nan], "mean_year": [MIDDLE_YEAR]})
        levels: list[pd.DataFrame] = []
        # All families as one, then by kind, then each by itself: group of each family, kin of each group.
        none, every = np.zeros(n_f, np.int64), np.arange(n_f)
        for group, kin in ((none, [0]), (self.family_kind, [0] * n_k), (every, self.family_kind)):
            wider = wider.iloc[kin].reset_index(drop=True)
            stated, units = families.groupby(group), ages.groupby(group[of_age])
            weight = units["weight"].sum()
            known = {
                "first": stated["first_year"].min(), "last": stated["last_year"].max(),
                "low": units["year"].min(), "high": units["year"].max(), "oldest": units["age_years"].max(),
                "mean_year": units["years"].sum() / weight, "mean_age": units["ages"].sum() / weight,
            }  # fmt: skip
            found = pd.DataFrame(known, index=wider.index, dtype=float)
            first, last = found["first"].fillna(found["last"]), found["last"].fillna(found["first"])
            wider = found[["mean_age", "oldest"]].assign(
                first_year=first.fillna(found["low"]).fillna(wider["first_year"]),
                last_year=last.fillna(found["high"]).fillna(wider["last_year"]),
                mean_year=found["mean_year"].fillna((first + last) / 2).fillna(wider["mean_year"]),
            )
            levels.insert(0, wider)
        unknown = np.full(n_k + 1, -1)
        return pd.concat(levels, ignore_index=True).assign(
            family=[*self.families, *[""] * (n_k + 1)],
            kind=[*(self.kinds[k] for k in self.family_kind), *self.kinds, ""],
            family_at=np.concatenate([np.arange(n_f), unknown]),
            kind_at=np.concatenate([self.family_kind, np.arange(n_k), [-1]]).astype(np.int64),
        )

    @property
    def slot_places(self) -> tuple[Ints, Ints]:
        """Places of kind and family of each slot; ndarray, shape (n_slots,)."""
        return self.slots["kind_at"].to_numpy(), self.slots["family_at"].to_numpy()


def counts(column: pd.Series, names: Sequence[Hashable]) -> Floats:
    """Count how often each name stands in a column; ndarray, shape (n_names,)."""
    return column.value_counts().reindex(list(names), fill_value=0).to_numpy(float)


def seen_units(records: Records) -> pd.DataFrame:
    """Give the sightings with the family that their model belongs to, where they name none themselves."""
    family_of = records.models.set_index("model")["family"]
    seen = records.sightings
    return seen.assign(family=seen["family"].fillna(seen["model"].map(family_of)))


def place(
    rows: pd.Series, columns: pd.Series, jobs: pd.Series, names: Sequence[str]
) -> tuple[NDArray[np.bool_], tuple[Ints, Ints]]:
    """Find the cells of a table of jobs and names that some rows speak of, and which rows these are."""
    row, column = pd.Index(jobs).get_indexer(rows), pd.Index(names).get_indexer(columns)
    there = (row >= 0) & (column >= 0)
    return there, (row[there], column[there])


def read_bench(records: Records, as_of: datetime.date) -> Bench:
    """Arrange the records for the models."""
    known = known_by(records, as_of, with_estimates=True)
    is_open = known.jobs["outcome"] == "open"
    told_at_end = known.findings[~known.findings["job"].isin(known.jobs.loc[is_open, "job"])]
    known = replace(known, findings=told_at_end.reset_index(drop=True))
    families = tuple(sorted(known.families["family"]))
    kind_of = known.families.set_index("family")["kind"]
    kinds = tuple(sorted(set(kind_of)))
    family_kind = np.array([kinds.index(kind_of[f]) for f in families], dtype=np.int64)
    jobs = known.jobs[~is_open].reset_index(drop=True)
    family_at = pd.Index(families).get_indexer(jobs["family"])
    jobs = jobs.assign(
        family_at=family_at, kind=jobs["family"].map(kind_of),
        kind_at=family_kind[family_at], own=jobs["origin"].isna(),
        repaired=(jobs["outcome"] == REPAIRED).astype(float), season=jobs["taken_in"].dt.year,
    )  # fmt: skip
    told = jobs["job"].isin(known.findings["job"])
    if not _is_silent(told[jobs["own"]]):
        # Of jobs without a finding only failed ones would name a component: it would look worse than it is.
        jobs["ended_by"] = jobs["ended_by"].where(told, None)
    signs = tuple(sorted(set(known.signs["sign"])))
    sign_values = np.full((len(jobs), len(signs)), np.nan)
    there, cells = place(known.signs["job"], known.signs["sign"], jobs["job"], signs)
    sign_values[cells] = (known.signs["seen"] == "yes").to_numpy(float)[there]
    ages = unit_ages(jobs, known.families)
    ages = ages[ages["age_years"].notna()].reset_index(drop=True)
    ages = ages.assign(at=pd.Index(jobs["job"]).get_indexer(ages["job"]))
    mean_age = (ages["age_years"] * ages["weight"]).groupby(ages["at"]).sum()
    jobs["age_years"] = mean_age.reindex(range(len(jobs))).to_numpy(float)
    open_jobs = known.jobs[is_open & known.jobs["origin"].isna()].reset_index(drop=True)
    open_jobs = open_jobs.assign(days=(pd.Timestamp(as_of) - open_jobs["taken_in"]).dt.days)
    missing = missing_by_season(known.jobs, as_of, known.withdrawn)
    return Bench(known, as_of, families, kinds, signs, family_kind, jobs, sign_values, ages, missing,
                 open_jobs)  # fmt: skip


def failed_in_job(bench: Bench, components: tuple[str, ...]) -> Floats:
    """Mark the components that each finished job found failed; ndarray, shape (n_jobs, n_components)."""
    jobs, findings = bench.jobs, bench.records.findings
    failed = findings[findings["found"] == "failed"]
    table = np.zeros((len(jobs), len(components)))
    for job, component in ((failed["job"], failed["component"]), (jobs["job"], jobs["ended_by"].fillna(""))):
        table[place(job, component, jobs["job"], components)[1]] = 1.0
    return table


def arrived_states(bench: Bench, findings: pd.DataFrame, components: tuple[str, ...]) -> Floats:
    """State in which each component arrived: 1 failed, 0 alive, NaN not examined; as `failed_in_job`."""
    failed = failed_in_job(bench, components)
    state = np.full(failed.shape, np.nan)
    there, cells = place(findings["job"], findings["component"], bench.jobs["job"], components)
    alive = (findings["found"] != "failed") | (findings["arose"] == "during work")
    state[cells] = np.where(alive, 0.0, 1.0)[there]
    state[np.isnan(state) & (failed == 1)] = 1.0  # it ended the job and nobody wrote a finding
    return state


def _is_silent(told: Sequence[bool]) -> bool:
    return len(told) >= FEWEST_SILENT and float(np.mean(told)) < MOST_TOLD


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
        numbers, known = zip(*sorted(days.get(first.prefix, {0: as_of.toordinal()}).items()), strict=True)
        day = np.interp((first.digits + last.digits) / 2, numbers, known)
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
    repaired = own["repaired"].to_numpy(float)
    base = (repaired.sum() + 1) / (repaired.size + 2)
    days = (own["closed"] - own["taken_in"]).dt.days.to_numpy(float)
    longer = days >= bench.open_jobs["days"].to_numpy(float)[:, None]
    return (longer @ repaired + 2 * base) / (longer.sum(axis=1) + 2)
