"""Which components can end a job: those of a kind, less those that a family evidently lacks."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from reliability.records.tables import USUAL_COMPONENTS
from reliability.worth.bench import Bench

FEWEST_JOBS = 5
"""From this many examined jobs of a kind on, a usual component that nobody ever mentioned is left out."""

FEWEST_FINDINGS = 3
"""A component that no usual list names joins a kind's list from this many findings on."""

UNLIKELY_SILENCE = 0.05
"""A family lacks a component if, had it one, so many jobs would have kept silent about it this rarely."""


def kind_components(bench: Bench) -> dict[str, tuple[str, ...]]:
    """List the components that can end a job of each kind ("" = a kind nobody knows).

    One outside the usual list is taken up once it has been mentioned a few times; a usual one that nobody
    ever mentions is no risk that this bench meets. Of one that is only mentioned when it has failed, the
    repaired units whose jobs keep silent tell that it had not (`lives.unit_findings`).

    Parameters
    ----------
    bench : Bench

    Returns
    -------
    dict of str to tuple of str
    """
    kind_of = bench.records.families.set_index("family")["kind"]
    table = _mentions(bench)
    table = table.assign(kind=table["family"].map(kind_of))
    lists = {"": USUAL_COMPONENTS["other"]}
    for kind in bench.kinds:
        here = table[table["kind"] == kind]
        seen = here.groupby("component")["alive"].agg(["size"])
        usual = USUAL_COMPONENTS.get(kind, USUAL_COMPONENTS["other"])
        if here["job"].nunique() >= FEWEST_JOBS:
            usual = tuple(name for name in usual if name in seen.index)
        told = seen.index[seen["size"] >= FEWEST_FINDINGS]
        lists[kind] = tuple(dict.fromkeys([*usual, *sorted(told)])) or USUAL_COMPONENTS["other"]
    return lists


def family_components(bench: Bench, of_kind: dict[str, tuple[str, ...]]) -> dict[str, tuple[str, ...]]:
    """List the components that each family is judged by.

    Not every unit of a kind has every component: a turntable with direct drive has no belt. Nobody
    writes down that there is none, so it has to be read off the silence of the family's jobs.

    Parameters
    ----------
    bench : Bench
    of_kind : dict of str to tuple of str
        From `kind_components`.

    Returns
    -------
    dict of str to tuple of str
        The kind's components, less those of which no record, price of a part or hearsay of the family
        knows although, going by the families of its kind that have one, so many of this bench's jobs
        would all keep silent with a probability below `UNLIKELY_SILENCE`. Two further silent jobs are
        added to what the other families say, so that one talkative job proves nothing.
    """
    if bench.is_silent:  # that a component never ended a job does not say that a family has none
        kinds = zip(bench.families, bench.family_kind, strict=True)
        return {family: of_kind[bench.kinds[kind]] for family, kind in kinds}
    told = _mentions(bench)
    named = _named_components(bench, told)
    told = told[told["own"]]
    n_told = told.groupby(["family", "component"])["job"].nunique().to_dict()
    n_jobs = told.groupby("family")["job"].nunique().to_dict()
    shares = {
        kind: _shares_told(
            of_kind[kind], [bench.families[f] for f in np.flatnonzero(bench.family_kind == k)], n_told, n_jobs
        )
        for k, kind in enumerate(bench.kinds)
    }
    kept = {}
    for family, kind_at in zip(bench.families, bench.family_kind, strict=True):
        kind = bench.kinds[kind_at]
        lacking = {
            component
            for component, share in shares[kind].items()
            if (family, component) not in named and (1.0 - share) ** n_jobs.get(family, 0) < UNLIKELY_SILENCE
        }
        kept[family] = tuple(c for c in of_kind[kind] if c not in lacking) or of_kind[kind]
    return kept


def _shares_told(
    components: tuple[str, ...],
    families: list[str],
    n_told: Mapping[tuple[str, str], int],
    n_jobs: Mapping[str, int],
) -> dict[str, float]:
    """Share of the jobs that speak of each component, over the families that have one."""
    shares = {}
    for component in components:
        others = [f for f in families if (f, component) in n_told]
        told = sum(n_told[f, component] for f in others)
        shares[component] = told / (sum(n_jobs.get(f, 0) for f in others) + 2)
    return shares


def _mentions(bench: Bench) -> pd.DataFrame:
    """List what finished jobs say of their components: job, family, own, component, alive.

    A component that ended a job has failed, also where nobody wrote down a finding.
    """
    jobs = bench.jobs[["job", "family", "own", "ended_by"]]
    findings = bench.records.findings
    found = findings[["job", "component"]].assign(alive=findings["found"] != "failed")
    ended = jobs[["job", "ended_by"]].dropna().rename(columns={"ended_by": "component"}).assign(alive=False)
    pair = ["job", "component"]
    ended = ended[~pd.MultiIndex.from_frame(ended[pair]).isin(pd.MultiIndex.from_frame(found[pair]))]
    return pd.concat([found, ended]).merge(jobs[["job", "family", "own"]], on="job")


def _named_components(bench: Bench, told: pd.DataFrame) -> set[tuple[str, str]]:
    """Pairs of family and component that anything at all speaks of: jobs of any origin, parts, hearsay."""
    tables = (told, bench.records.parts, bench.records.hearsay)
    return {pair for table in tables for pair in zip(table["family"], table["component"], strict=True)}
