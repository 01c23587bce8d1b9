"""Component lives of the whole bench, handed from the life room to the odds."""

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.life import LifeRecords, pool
from reliability.life.observe import observe
from reliability.life.pooling import Hearsay, PooledLives
from reliability.records.tables import USUAL_COMPONENTS
from reliability.worth.bench import Bench
from reliability.worth.repairability import ORIGIN_DISCOUNT

Floats = NDArray[np.float64]

MIDDLE_YEAR = 1985.0
"""Production year where none at all is known."""

FEWEST_JOBS = 5
"""From this many examined jobs of a kind on, a usual component that nobody ever mentioned is left out."""

FEWEST_FINDINGS = 3
"""A component that no usual list names joins a kind's list from this many findings on, one of them alive."""


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
    rank = findings["found"].map({"failed": 0, "worn": 1, "sound": 2})
    order = findings.assign(rank=rank).sort_values(["job", "component", "rank"], kind="stable")
    kept = order.drop_duplicates(["job", "component"]).drop(columns="rank")
    return kept.assign(position="").reset_index(drop=True)


def kind_components(bench: Bench) -> dict[str, tuple[str, ...]]:
    """List the components that can end a job of each kind ("" = a kind nobody knows).

    A component that benches only mention when it has failed would look as if it always failed, so one
    outside the usual list is taken up only after it has been seen alive too; a usual one that nobody
    ever mentions is no risk that this bench meets.

    Parameters
    ----------
    bench : Bench

    Returns
    -------
    dict of str to tuple of str
    """
    kind_of = bench.records.families.set_index("family")["kind"]
    kind_of_job = bench.jobs.set_index("job")["family"].map(kind_of)
    findings = bench.records.findings
    table = findings.assign(kind=findings["job"].map(kind_of_job), alive=findings["found"] != "failed")
    lists = {"": USUAL_COMPONENTS["other"]}
    for kind in bench.kinds:
        here = table[table["kind"] == kind]
        seen = here.groupby("component")["alive"].agg(["size", "sum"])
        usual = USUAL_COMPONENTS.get(kind, USUAL_COMPONENTS["other"])
        if here["job"].nunique() >= FEWEST_JOBS:
            usual = tuple(name for name in usual if name in seen.index)
        told = seen.index[(seen["size"] >= FEWEST_FINDINGS) & (seen["sum"] > 0)]
        lists[kind] = tuple(dict.fromkeys([*usual, *sorted(told)])) or USUAL_COMPONENTS["other"]
    return lists


def pool_lives(bench: Bench) -> PooledLives:
    """Fit the lives of all components of all families together.

    Parameters
    ----------
    bench : Bench

    Returns
    -------
    PooledLives
        Of the worst position of each component; imported jobs count at `ORIGIN_DISCOUNT`.
    """
    seen = observe(
        bench.records.jobs, worst_findings(bench.records.findings), bench.records.families, event="failed"
    )
    table = seen.table
    heard = hearsay_of(bench.records.hearsay, bench)
    if table.empty:
        return pool(None, component=(), family=(), kind=(), hearsay=heard)
    records = LifeRecords(
        table["lower"].to_numpy(),
        table["upper"].to_numpy(),
        count=np.where(table["own"], 1.0, ORIGIN_DISCOUNT),
        record=table["record"].to_numpy(),
        weight=table["weight"].to_numpy(),
    )
    return pool(
        records,
        component=table["component"].to_numpy(),
        family=table["family"].to_numpy(),
        kind=table["kind"].to_numpy(),
        year=table["year"].to_numpy(float),
        hearsay=heard,
    )


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
    lives: PooledLives, family: str | None, kind: str | None, components: Sequence[str], year: float
) -> Floats:
    """Summarise as normals a family's lives at the reference year of each component.

    Parameters
    ----------
    lives : PooledLives
    family, kind : str or None
        None where not known.
    components : sequence of str
    year : float
        Production year around which the family's units lie; the doubt is taken there.

    Returns
    -------
    ndarray, shape (c, 5)
        As `FamilyLives.life`.
    """
    rows = np.zeros((len(components), 5))
    for i, component in enumerate(components):
        summary = lives.summary(component, family, kind=kind, year=year if lives.has_years else None)
        slope, reference = year_effect(lives, component)
        root = np.linalg.cholesky(summary.covariance + np.eye(2) * 1e-10)
        level = summary.mean[0] - slope * (year - reference) / 10.0
        rows[i] = level, summary.mean[1], root[0, 0], root[1, 0], root[1, 1]
    return rows


def year_effect(lives: PooledLives, component: str) -> tuple[float, float]:
    """Change of log scale per decade of production, and its reference year; no effect where unknown."""
    if not lives.has_years or component not in lives.components:
        return 0.0, MIDDLE_YEAR
    reference = lives.reference_year(component)
    return lives.year_slope(component)[0], MIDDLE_YEAR if np.isnan(reference) else reference
