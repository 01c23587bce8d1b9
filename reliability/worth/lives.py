"""Component lives of the whole bench, handed from the life room to the odds."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.life import LifeRecords, pool
from reliability.life.cohorts import find_changes
from reliability.life.observe import Observations, observe
from reliability.life.pooling import Hearsay, PooledLives
from reliability.worth.bench import REPAIRED, Bench
from reliability.worth.repairability import ORIGIN_DISCOUNT

Floats = NDArray[np.float64]

MIDDLE_YEAR = 1985.0
"""Production year where none at all is known (common practice, no source)."""

FALSE_CHANGES = 0.1
"""Share of false discoveries at which a change of production year is believed."""


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
    often than a bad one would look as if its parts failed more often than they do. Jobs that say
    nothing at all, those that were not repaired (the bench may have stopped before it looked) and
    imported ones stay as they are.

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
    seen = observe(bench.records.jobs, findings, bench.records.families, event="failed")
    heard = hearsay_of(bench.records.hearsay, bench)
    if seen.table.empty:
        return BenchLives(pool(None, component=(), family=(), kind=(), hearsay=heard), {})
    # Searched in what was written down: what is implied would only add families to search, and with
    # more searches a true change is harder to believe.
    told = observe(
        bench.records.jobs, worst_findings(bench.records.findings), bench.records.families, event="failed"
    )
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
    """
    records, labels = seen.life_records()
    found = find_changes(
        records,
        _built(seen.table),
        labels,
        age_years=seen.table["age_years"].to_numpy(float),
    )
    kept = found[(found["status"] == "ok") & (found["q_value"] <= FALSE_CHANGES)]
    names = zip(kept["family"], kept["component"], strict=True)
    return dict(zip(names, kept["change_year"].astype(float), strict=True))


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


def lives_of(
    lives: BenchLives, family: str | None, kind: str | None, components: Sequence[str], year: float
) -> tuple[Floats, Floats, Floats]:
    """Summarise as normals a family's lives at the reference year of each component.

    Parameters
    ----------
    lives : BenchLives
    family, kind : str or None
        None where not known.
    components : sequence of str
    year : float
        Production year around which the family's units lie; the doubt is taken there.

    Returns
    -------
    life, life_after : ndarray, shape (c, 5)
    change_year : ndarray, shape (c,)
        As in `FamilyLives`.
    """
    before, after = (np.zeros((len(components), 5)) for _ in range(2))
    change = np.full(len(components), np.nan)
    for i, component in enumerate(components):
        before[i] = after[i] = _summary(lives.pooled, component, family, kind, year)
        if family is not None and (family, component) in lives.changes:
            change[i] = lives.changes[family, component]
            before[i] = _summary(lives.pooled, component, family, kind, min(year, change[i] - 1))
            after[i] = _summary(lives.pooled, component, later(family), kind, max(year, change[i]))
    return before, after, change


def _summary(
    pooled: PooledLives, component: str, family: str | None, kind: str | None, year: float
) -> Floats:
    found = pooled.summary(component, family, kind=kind, year=year if pooled.has_years else None)
    slope, reference = year_effect(pooled, component)
    root = np.linalg.cholesky(found.covariance + np.eye(2) * 1e-10)
    level = found.mean[0] - slope * (year - reference) / 10.0
    return np.array([level, found.mean[1], root[0, 0], root[1, 0], root[1, 1]])


def year_effect(lives: PooledLives, component: str) -> tuple[float, float]:
    """Change of log scale per decade of production, and its reference year; no effect where unknown."""
    if not lives.has_years or component not in lives.components:
        return 0.0, MIDDLE_YEAR
    reference = lives.reference_year(component)
    return lives.year_slope(component)[0], MIDDLE_YEAR if np.isnan(reference) else reference
