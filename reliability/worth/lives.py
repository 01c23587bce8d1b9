"""Component lives of the whole bench, handed from the life room to the odds."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.life import LifeRecords, pool
from reliability.life.findings import Observations, observe
from reliability.life.pooling import PooledLives
from reliability.life.pooling_records import Hearsay
from reliability.life.years import find_changes
from reliability.worth.bench import REPAIRED, Bench
from reliability.worth.hearsay import weigh_hearsay
from reliability.worth.repairability import ORIGIN_DISCOUNT

Floats = NDArray[np.float64]

MIDDLE_YEAR = 1985.0
"""Production year where none at all is known (common practice, no source)."""

FALSE_CHANGES = 0.1
"""Share of false discoveries at which a change of production year is believed."""


MOST_SEARCHED = 2000
"""How many components of families are searched for a change at most, those with most records; with more
searches than this a change would have to be far clearer than any bench's records of one family show."""


def worst_findings(findings: pd.DataFrame) -> pd.DataFrame:
    """Keep one finding per job and component: the worst, for a unit fails by any of its positions.

    Parameters
    ----------
    findings : DataFrame

    Returns
    -------
    DataFrame
        Same columns, position emptied.
    """
    rank = findings["found"].map({"failed": 0, "worn": 2, "sound": 3})
    # What died on the bench had arrived alive: it must not hide another position that had not.
    rank += ((findings["found"] == "failed") & (findings["arose"] == "during work")).astype(int)
    order = findings.assign(rank=rank).sort_values(["job", "component", "rank"], kind="stable")
    kept = order.drop_duplicates(["job", "component"]).drop(columns="rank")
    return kept.assign(position="").reset_index(drop=True)


def unit_findings(bench: Bench, components: Mapping[str, Sequence[str]]) -> pd.DataFrame:
    """Say of each unit what its components were, also where the bench did not trouble to write it.

    A repaired unit works, so a component that its job says nothing of had not failed: had it, it would
    have been mended, and that gets written down. Without these, a bench that notes a sound part less
    often than a bad one would look as if its parts failed more often than they do. Jobs that say nothing
    at all, those that were not repaired (the bench may have stopped before it looked) and imported ones
    stay as they are. Only where a bench never writes findings, "failed" is what ended a job, and a
    repaired unit's components did not.

    Parameters
    ----------
    bench : Bench
    components : mapping of str to sequence of str
        Components that each family is judged by.

    Returns
    -------
    DataFrame
        Worst finding of each job and component, then the sound ones that are implied.
    """
    told = worst_findings(bench.records.findings)
    jobs = bench.jobs[bench.jobs["own"] & (bench.jobs["outcome"] == REPAIRED)]
    if not bench.is_silent:
        jobs = jobs[jobs["job"].isin(told["job"])]
    pairs = [
        (job, name)
        for job, family in zip(jobs["job"], jobs["family"], strict=True)
        for name in components[family]
    ]
    known = set(zip(told["job"], told["component"], strict=True))
    silent = pd.DataFrame([pair for pair in pairs if pair not in known], columns=["job", "component"])
    silent = silent.assign(position="", found="sound", arose="as received").reindex(columns=told.columns)
    if silent.empty:
        return told
    return pd.concat([told, silent.astype(told.dtypes)], ignore_index=True)


@dataclass(frozen=True)
class BenchLives:
    """Lives of a bench, told apart by what was built before and after a change.

    Attributes
    ----------
    pooled : PooledLives
        Of the worst position of each component; imported jobs count at `ORIGIN_DISCOUNT`.
    changes : dict of (str, str) to float
        By family and component: the production year from which the component's lives are others.
    """

    pooled: PooledLives
    changes: dict[tuple[str, str], float]


def pool_lives(bench: Bench, findings: pd.DataFrame) -> BenchLives:
    """Fit the lives of all components of all families together.

    Parameters
    ----------
    bench : Bench
    findings : DataFrame
        From `unit_findings`.

    Returns
    -------
    BenchLives
    """
    seen = observe(bench.jobs, findings, bench.records.families, event="failed")
    heard = hearsay_of(weigh_hearsay(bench), bench)
    if seen.table.empty:
        return BenchLives(pool(None, component=(), family=(), kind=(), hearsay=heard), {})
    # Searched in what was written down: what is implied would only add families to search, and with
    # more searches a true change is harder to believe.
    told = observe(bench.jobs, worst_findings(bench.records.findings), bench.records.families, event="failed")
    changes = {} if told.table.empty else changes_of(told)
    table = _told_apart(seen.table, changes)
    records = LifeRecords(
        table["lower"].to_numpy(),
        table["upper"].to_numpy(),
        count=np.where(table["own"], 1.0, ORIGIN_DISCOUNT),
        record=table["record"].to_numpy(),
        weight=table["weight"].to_numpy(),
    )
    pooled = pool(
        records,
        component=table["component"].to_numpy(),
        family=table["family"].to_numpy(),
        kind=table["kind"].to_numpy(),
        year=table["year"].to_numpy(float),
        hearsay=heard,
    )
    return BenchLives(pooled, changes)


def changes_of(seen: Observations) -> dict[tuple[str, str], float]:
    """Find the components that changed in a production year, over all families at once.

    Parameters
    ----------
    seen : Observations

    Returns
    -------
    dict of (str, str) to float
        Year by family and component, where the share of false discoveries is at most `FALSE_CHANGES`.
        Only the `MOST_SEARCHED` with most records are searched.
    """
    searched = _most_told(seen)
    records, labels = searched.life_records()
    found = find_changes(
        records,
        _built(searched.table),
        labels,
        age_years=searched.table["age_years"].to_numpy(float),
        describe=False,
    )
    kept = found[(found["status"] == "ok") & (found["q_value"] <= FALSE_CHANGES)]
    names = zip(kept["family"], kept["component"], strict=True)
    return dict(zip(names, kept["change_year"].astype(float), strict=True))


def _most_told(seen: Observations) -> Observations:
    """Keep the families' components with most records of one known year, which are what a search reads."""
    pair = ["component", "family"]
    table = seen.table
    n_known = table["weight"].eq(1.0).groupby([table[name] for name in pair]).sum()
    if n_known.size <= MOST_SEARCHED:
        return seen
    most = n_known.sort_values(ascending=False, kind="stable").index[:MOST_SEARCHED]
    kept = pd.MultiIndex.from_frame(table[pair]).isin(most)
    return replace(seen, table=table[kept].reset_index(drop=True))


def _built(table: pd.DataFrame) -> Floats:
    """Year of production of each row, NaN for parts that were fitted later; shape (n_rows,)."""
    return np.where(table["fitted"], np.nan, table["year"].to_numpy(float))


def later(family: str) -> str:
    """Label a family's lives from a change on; no family of a ledger is called like this."""
    return f"{family}\n(later)"


def _told_apart(table: pd.DataFrame, changes: dict[tuple[str, str], float]) -> pd.DataFrame:
    """Give records from a change on a label of their own; a window across it goes where most of it lies."""
    pairs = pd.MultiIndex.from_arrays([table["family"], table["component"]])
    change = pd.Series(changes, dtype=float).reindex(pairs).to_numpy()
    is_late = _built(table) >= change
    late_share = (table["weight"] * is_late).groupby(table["record"]).transform("sum").to_numpy()
    whole = table["weight"].groupby(table["record"]).transform("sum").to_numpy()
    counts_late = late_share > 0.5 * whole
    kept = np.isnan(change) | (is_late == counts_late)
    family = np.where(counts_late, [later(name) for name in table["family"]], table["family"])
    return table.assign(family=family)[kept]


def hearsay_of(heard: pd.DataFrame, bench: Bench) -> Sequence[Hearsay]:
    """Read what the trade says of component lives; rows about repairs are not for here."""
    kind_of = dict(zip(bench.families, (bench.kinds[k] for k in bench.family_kind), strict=True))
    rows = heard[heard["component"].notna() & heard["share_failed"].notna() & (heard["worth_jobs"] > 0)]
    return tuple(
        Hearsay(
            row.component,
            float(row.age_years),
            float(row.share_failed),
            float(row.worth_jobs),
            family=row.family,
            kind=row.kind if row.family is None else kind_of.get(row.family),
        )
        for row in rows.itertuples()
    )


@dataclass(frozen=True)
class Asked:
    """Whose lives are wanted: names as in `pool`, None where not known; the doubt is taken at `year`."""

    family: str | None
    kind: str | None
    components: Sequence[str]
    year: float


def lives_of(lives: BenchLives, asked: Sequence[Asked]) -> list[tuple[Floats, Floats, Floats]]:
    """Summarise families' lives as normals at the reference year of each component.

    Parameters
    ----------
    lives : BenchLives
    asked : sequence of Asked
        `year` is the production year around which the family's units lie.

    Returns
    -------
    list of (life, life_after, change_year)
        For each that was asked; arrays of the shapes (c, 5), (c, 5) and (c,) as in `FamilyLives`.
    """
    sides = ("life", "life_after")
    found = [tuple(np.full((len(of.components), 5), np.nan) for _ in sides) for of in asked]
    changes = [np.full(len(of.components), np.nan) for of in asked]
    questions: dict[str, list[tuple[int, int, int, str | None, float]]] = {}
    for i, of in enumerate(asked):
        for j, component in enumerate(of.components):
            here = questions.setdefault(component, [])
            change = lives.changes.get((of.family or "", component))
            if of.family is None or change is None:
                here.append((i, j, 0, of.family, of.year))
                continue
            changes[i][j] = change
            here.append((i, j, 0, of.family, min(of.year, change - 1)))
            here.append((i, j, 1, later(of.family), max(of.year, change)))
    for component, here in questions.items():
        table = _summaries(lives.pooled, component, [(q[3], asked[q[0]].kind, q[4]) for q in here])
        for (i, j, side, _, _), row in zip(here, table, strict=True):
            found[i][side][j] = row
            if side == 0:
                found[i][1][j] = row  # the same after a change, unless told otherwise next
    return [(before, after, change) for (before, after), change in zip(found, changes, strict=True)]


def _summaries(
    pooled: PooledLives, component: str, asked: Sequence[tuple[str | None, str | None, float]]
) -> Floats:
    family, kind, years = zip(*asked, strict=True)
    year = np.array(years, dtype=float)
    mean, covariance = pooled.summaries(
        component, family, kind=kind, year=year if pooled.has_years else np.full(year.size, np.nan)
    )
    slope, reference = year_effect(pooled, component)
    root = np.linalg.cholesky(covariance + np.eye(2) * 1e-10)
    level = mean[:, 0] - slope * (year - reference) / 10.0
    return np.column_stack([level, mean[:, 1], root[:, 0, 0], root[:, 1, 0], root[:, 1, 1]])


def year_effect(lives: PooledLives, component: str) -> tuple[float, float]:
    """Change of log scale per decade of production, and its reference year; no effect where unknown."""
    if not lives.has_years or component not in lives.components:
        return 0.0, MIDDLE_YEAR
    reference = lives.reference_year(component)
    return lives.year_slope(component)[0], MIDDLE_YEAR if np.isnan(reference) else reference
