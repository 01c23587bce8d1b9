"""Lives of components by family, pooled once for verdicts and pages; and what the trade says of them."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from reliability.life.lives import LifeRecords, Observations, observe
from reliability.life.pooling import PooledLives, pool
from reliability.life.years import find_changes
from reliability.records.tables import USUAL_COMPONENTS
from reliability.worth.bench import MIDDLE_YEAR, REPAIRED, Bench
from reliability.worth.odds import Floats
from reliability.worth.supply import ORIGIN_DISCOUNT

# ---- What the trade says, and how far those who said it were right so far

#: Spreads, in log odds, of what one teller is wrong by, and how likely each is beforehand (common practice,
#: no source).
ERRORS, ERROR_CHANCES = np.array([0.2, 0.5, 1.0, 2.0]), np.array([0.35, 0.35, 0.2, 0.1])
#: Findings at ages no further from the one that was spoken of say whether it was so.
NEAR_YEARS = 8.0
#: Own jobs from which the level of what is said of kinds counts for less than the bench's own.
LEVEL_WORTH = 10.0


def weigh_hearsay(bench: Bench) -> pd.DataFrame:
    """Discount what was said by how wrong each teller was where the bench has seen for itself."""
    # A teller's error has a spread that is not known; those tried are weighed by how well they explain the
    # distance between what was said and what was found. Worth n jobs, at a share p, a statement of error s is
    # worth 1 / (1 / n + s^2 p (1 - p)).
    heard = bench.records.hearsay
    heard = heard[heard["worth_jobs"] > 0].reset_index(drop=True)
    if heard.empty:
        return heard
    heard["share_repaired"] = _contrasted(heard, bench)
    said = heard["share_repaired"].fillna(heard["share_failed"]).to_numpy(float)
    found = np.array([_found(row, bench) for row in heard.itertuples()])
    worth = heard["worth_jobs"].to_numpy(float)
    p = np.clip(said, 0.02, 0.98)
    own = (found[:, 0] + 0.5) / (found[:, 1] + 1.0)
    apart = logit(p) - logit(own)
    known = 1.0 / (worth * p * (1 - p)) + 1.0 / ((found[:, 1] + 1.0) * own * (1 - own))
    variance = known + ERRORS[:, None] ** 2
    fits = np.where(found[:, 1] > 0, -0.5 * (np.log(variance) + apart**2 / variance), 0.0)
    teller = pd.Categorical(heard["told_by"].fillna("")).codes
    by_teller = np.stack([np.bincount(teller, fit) for fit in fits]) + np.log(ERROR_CHANCES)[:, None]
    chance = np.exp(by_teller - by_teller.max(axis=0))
    chance = (chance / chance.sum(axis=0))[:, teller]
    heard["worth_jobs"] = (chance / (1.0 / worth + ERRORS[:, None] ** 2 * p * (1 - p))).sum(axis=0)
    return heard


def _contrasted(heard: pd.DataFrame, bench: Bench) -> Floats:
    """Shift what is said of kinds towards the bench's own level; ndarray, shape (n_rows,)."""
    share = heard["share_repaired"].to_numpy(float)
    own = bench.jobs[bench.jobs["own"]]
    level = logit((own["repaired"].sum() + 0.5) / (len(own) + 1.0))
    of_kind = (heard["family"].isna() & np.isfinite(share)).to_numpy(bool)
    odds = logit(np.clip(share, 0.02, 0.98))
    teller = heard["told_by"].fillna("").where(of_kind)
    usual = pd.Series(odds).groupby(teller).transform("mean").to_numpy(float)
    known = len(own) / (len(own) + LEVEL_WORTH)
    return np.where(of_kind, expit(odds - known * (usual - level)), share)


def _found(row: Any, bench: Bench) -> tuple[float, float]:
    """Count what the bench itself saw of what was said: as many times so, of so many."""
    jobs = bench.jobs[bench.jobs["own"]]
    column, name = ("family", row.family) if row.family is not None else ("kind", row.kind)
    jobs = jobs[jobs[column] == name]
    if row.component is None:
        return float(jobs["repaired"].sum()), float(len(jobs))
    near = jobs[(jobs["age_years"] - row.age_years).abs() <= NEAR_YEARS]
    findings = bench.records.findings
    seen = findings[(findings["component"] == row.component) & findings["job"].isin(near["job"])]
    failed = (seen["found"] == "failed").groupby(seen["job"]).any()
    return float(failed.sum()), float(failed.size)


# ---- Which components can end a job: those of a kind, less those that a family evidently lacks

#: From this many examined jobs of a kind on, a usual component that nobody ever mentioned is left out.
FEWEST_JOBS = 5
#: A component that no usual list names joins a kind's list from this many findings on.
FEWEST_FINDINGS = 3
#: A family lacks a component if, had it one, so many jobs would have kept silent about it this rarely.
UNLIKELY_SILENCE = 0.05


def kind_components(bench: Bench) -> dict[str, tuple[str, ...]]:
    """List the components that can end a job of each kind ("" = a kind nobody knows)."""
    # One outside the usual list is taken up once it has been mentioned a few times; a usual one that nobody
    # ever mentions is no risk that this bench meets. Of one that is only mentioned when it has failed, the
    # repaired units whose jobs keep silent tell that it had not (`lives.unit_findings`).
    table, lists = _mentions(bench), {"": USUAL_COMPONENTS["other"]}
    for kind in bench.kinds:
        here = table[table["kind"] == kind]
        seen = here["component"].value_counts()
        usual = USUAL_COMPONENTS.get(kind, USUAL_COMPONENTS["other"])
        if here["job"].nunique() >= FEWEST_JOBS:
            usual = tuple(name for name in usual if name in seen.index)
        told = sorted(seen.index[seen >= FEWEST_FINDINGS])
        lists[kind] = tuple(dict.fromkeys([*usual, *told])) or USUAL_COMPONENTS["other"]
    return lists


def family_components(bench: Bench, of_kind: dict[str, tuple[str, ...]]) -> dict[str, tuple[str, ...]]:
    """List the components that each family is judged by."""
    # Not every unit of a kind has every component: a turntable with direct drive has no belt. Nobody writes
    # down that there is none, so it has to be read off the silence of the family's jobs.
    kind_of = {f: bench.kinds[k] for f, k in zip(bench.families, bench.family_kind, strict=True)}
    if bench.is_silent:  # that a component never ended a job does not say that a family has none
        return {family: of_kind[kind] for family, kind in kind_of.items()}
    told = _mentions(bench)
    tables = (told, bench.records.parts, bench.records.hearsay)  # jobs of any origin
    named = {pair for table in tables for pair in zip(table["family"], table["component"], strict=True)}
    told = told[told["own"]]
    n_jobs = told.groupby("family")["job"].nunique()
    having = told.groupby(["kind", "family", "component"], as_index=False)["job"].nunique()
    having = having.assign(jobs=having["family"].map(n_jobs))
    of_having = having.groupby(["kind", "component"])[["job", "jobs"]].sum()
    # Share of the jobs that speak of each component, over the families that have one.
    share = (of_having["job"] / (of_having["jobs"] + 2)).to_dict()

    def has(family: str, kind: str, component: str) -> bool:
        silence = (1.0 - share.get((kind, component), 0.0)) ** n_jobs.get(family, 0)
        return (family, component) in named or bool(silence >= UNLIKELY_SILENCE)

    return {
        family: tuple(name for name in of_kind[kind] if has(family, kind, name)) or of_kind[kind]
        for family, kind in kind_of.items()
    }


def _mentions(bench: Bench) -> pd.DataFrame:
    """List what finished jobs say of their components: job, component, family, kind, own."""
    # A component that ended a job has failed, also where nobody wrote down a finding.
    pair, found = ["job", "component"], bench.records.findings
    ended = bench.jobs[["job", "ended_by"]].dropna().rename(columns={"ended_by": "component"})
    ended = ended[~pd.MultiIndex.from_frame(ended).isin(pd.MultiIndex.from_frame(found[pair]))]
    return pd.concat([found[pair], ended]).merge(bench.jobs[["job", "family", "kind", "own"]], on="job")


# ---- Component lives of the whole bench, handed from the life room to the odds

#: Share of false discoveries at which a change of production year is believed.
FALSE_CHANGES = 0.1
#: How many components of families are searched for a change at most, those with most records; with more
#: searches than this a change would have to be far clearer than any bench's records of one family show.
MOST_SEARCHED = 2000


def worst_findings(findings: pd.DataFrame) -> pd.DataFrame:
    """Keep one finding per job and component: the worst, for a unit fails by any of its positions."""
    rank = findings["found"].map({"failed": 0, "worn": 2, "sound": 3})
    # What died on the bench had arrived alive: it must not hide another position that had not.
    rank += ((findings["found"] == "failed") & (findings["arose"] == "during work")).astype(int)
    order = findings.assign(rank=rank).sort_values(["job", "component", "rank"], kind="stable")
    kept = order.drop_duplicates(["job", "component"]).drop(columns="rank")
    return kept.assign(position="").reset_index(drop=True)


def unit_findings(bench: Bench, components: Mapping[str, Sequence[str]]) -> pd.DataFrame:
    """Say of each unit what its components were, also where the bench did not trouble to write it."""
    # A repaired unit works, so a component that its job says nothing of had not failed: had it, it would have
    # been mended, and that gets written down. Without these, a bench that notes a sound part less often than
    # a bad one would look as if its parts failed more often than they do. Jobs that say nothing at all, those
    # that were not repaired (the bench may have stopped before it looked) and imported ones stay as they are.
    # Only where a bench never writes findings, "failed" is what ended a job, and a repaired unit's components
    # did not.
    told = worst_findings(bench.records.findings)
    jobs = bench.jobs[bench.jobs["own"] & (bench.jobs["outcome"] == REPAIRED)]
    if not bench.is_silent:
        jobs = jobs[jobs["job"].isin(told["job"])]
    units = zip(jobs["job"], jobs["family"], strict=True)
    pairs = [(job, name) for job, family in units for name in components[family]]
    known = set(zip(told["job"], told["component"], strict=True))
    silent = pd.DataFrame([pair for pair in pairs if pair not in known], columns=["job", "component"])
    silent = silent.assign(position="", found="sound", arose="as received").reindex(columns=told.columns)
    if silent.empty:
        return told
    return pd.concat([told, silent.astype(told.dtypes)], ignore_index=True)


#: By family and component: the production year from which the component's lives are others.
Changes = dict[tuple[str, str], float]


def pool_lives(bench: Bench, findings: pd.DataFrame) -> tuple[PooledLives, Changes]:
    """Fit the lives of all components of all families together, told apart by before and after a change."""
    # A component's worst position counts; imported jobs count at `ORIGIN_DISCOUNT`.
    seen = observe(bench.jobs, findings, bench.records.families, event="failed")
    heard = hearsay_of(weigh_hearsay(bench), bench)
    if seen.table.empty:
        return pool(None, component=(), family=(), kind=(), hearsay=heard), {}
    # Searched in what was written down: what is implied would only add families to search, and with
    # more searches a true change is harder to believe.
    told = observe(bench.jobs, worst_findings(bench.records.findings), bench.records.families, event="failed")
    changes = {} if told.table.empty else changes_of(told)
    table = _told_apart(seen.table, changes)
    lower, upper, record, weight = (table[name].to_numpy() for name in ("lower", "upper", "record", "weight"))
    count = np.where(table["own"], 1.0, ORIGIN_DISCOUNT)
    records = LifeRecords(lower, upper, count=count, record=record, weight=weight)
    labels = {name: table[name].to_numpy() for name in ("component", "family", "kind")}
    return pool(records, **labels, year=table["year"].to_numpy(float), hearsay=heard), changes


def changes_of(seen: Observations) -> Changes:
    """Find the components that changed in a production year, over all families at once."""
    # Only the families' components with most records of one known year, which are what a search reads.
    pair, table = ["component", "family"], seen.table
    n_known = table["weight"].eq(1.0).groupby([table[name] for name in pair]).sum()
    most = n_known.sort_values(ascending=False, kind="stable").index[:MOST_SEARCHED]
    kept = pd.MultiIndex.from_frame(table[pair]).isin(most)
    searched = replace(seen, table=table[kept].reset_index(drop=True))
    records, labels = searched.life_records()
    ages = searched.table["age_years"].to_numpy(float)
    found = find_changes(records, _built(searched.table), labels, age_years=ages)
    believed = found[(found["status"] == "ok") & (found["q_value"] <= FALSE_CHANGES)]
    names = zip(believed["family"], believed["component"], strict=True)
    return dict(zip(names, believed["change_year"].astype(float), strict=True))


def _built(table: pd.DataFrame) -> Floats:
    """Year of production of each row, NaN for parts that were fitted later; shape (n_rows,)."""
    return np.where(table["fitted"], np.nan, table["year"].to_numpy(float))


def later(family: str) -> str:
    """Label a family's lives from a change on; no family of a ledger is called like this."""
    return f"{family}\n(later)"


def _change_years(table: pd.DataFrame, changes: Changes) -> Floats:
    """Year from which the lives of each row's component in its family are others; NaN: no such year."""
    pairs = pd.MultiIndex.from_arrays([table["family"], table["component"]])
    return pd.Series(changes, dtype=float).reindex(pairs).to_numpy()


def _told_apart(table: pd.DataFrame, changes: Changes) -> pd.DataFrame:
    """Give records from a change on a label of their own; a window across it goes where most of it lies."""
    change = _change_years(table, changes)
    is_late = _built(table) >= change
    late_share = (table["weight"] * is_late).groupby(table["record"]).transform("sum").to_numpy()
    whole = table["weight"].groupby(table["record"]).transform("sum").to_numpy()
    counts_late = late_share > 0.5 * whole
    kept = np.isnan(change) | (is_late == counts_late)
    family = np.where(counts_late, [later(name) for name in table["family"]], table["family"])
    return table.assign(family=family)[kept]


def hearsay_of(heard: pd.DataFrame, bench: Bench) -> pd.DataFrame:
    """Take what the trade says of component lives, not of repairs; a family's kind stands beside it."""
    rows = heard[heard["component"].notna() & heard["share_failed"].notna() & (heard["worth_jobs"] > 0)]
    kind_of = bench.records.families.set_index("family")["kind"]
    return rows.assign(kind=rows["kind"].where(rows["family"].isna(), rows["family"].map(kind_of)))


def lives_of(
    lives: PooledLives, changes: Changes, slots: pd.DataFrame, lists: Sequence[Sequence[str]]
) -> tuple[Floats, Floats, Floats]:
    """Summarise the lives of the components of each slot as normals at each one's reference year."""
    # Gives arrays of the shapes (n, 5), (n, 5) and (n,) as in `FamilyLives`, slot after slot.
    of_slots = np.repeat(slots.index, [len(names) for names in lists])
    asked = slots.loc[of_slots, ["family", "kind", "mean_year"]]
    asked = asked.assign(component=np.concatenate(lists)).reset_index(drop=True)
    change = _change_years(asked, changes)
    year, n = asked.pop("mean_year"), len(asked)
    asked["year"] = np.fmin(year, change - 1)  # before a change as after it where there is none
    again = asked.assign(family=asked["family"].map(later), year=np.fmax(year, change))[~np.isnan(change)]
    asked = pd.concat([asked, again], ignore_index=True)
    rows = np.empty((len(asked), 5))
    for component, at in asked.groupby("component").indices.items():
        here = asked.iloc[at]
        year = here["year"].to_numpy(float)
        family, kind = ([name or None for name in here[whose]] for whose in ("family", "kind"))
        known = year if lives.has_years else np.full(year.size, np.nan)
        mean, covariance = lives.summaries(component, family, kind=kind, year=known)
        slope, reference = year_effect(lives, component)
        root = np.linalg.cholesky(covariance + np.eye(2) * 1e-10)
        level = mean[:, 0] - slope * (year - reference) / 10.0
        rows[at] = np.column_stack([level, mean[:, 1], root[:, 0, 0], root[:, 1, 0], root[:, 1, 1]])
    after = rows[:n].copy()
    after[~np.isnan(change)] = rows[n:]
    return rows[:n], after, change


def year_effect(lives: PooledLives, component: str) -> tuple[float, float]:
    """Change of log scale per decade of production, and its reference year; no effect where unknown."""
    if not lives.has_years or component not in lives.components:
        return 0.0, MIDDLE_YEAR
    reference = lives.reference_year(component)
    return lives.year_slope(component)[0], MIDDLE_YEAR if np.isnan(reference) else reference
