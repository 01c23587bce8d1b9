"""How often a failed component does not end the job.

A trial is a failed component that somebody tried to mend: it was mended if the unit was repaired, or
if an action was taken on it and something else ended the job; it failed if the job ended by it or no
part could be had. A failed component that nobody touched in a job that ended otherwise is no trial.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.worth.bench import REPAIRED
from reliability.worth.money import one_hot
from reliability.worth.shrink import Block, ShrunkFit, fit_shrunk_logit
from reliability.worth.shrink_solve import Nested
from reliability.worth.supply import UNOBTAINABLE, Supply

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ORIGIN_DISCOUNT = 0.3
"""What a job of another source is worth beside one of this bench, in the pooled rates."""

WITHOUT_SDS = (0.5, 1.2)
"""Spreads from component to component of what a salvaged part takes from the log odds, and of those
without any part (common practice, no source)."""

LEVEL_MEANS, LEVEL_SD = (1.8, -1.5, -1.0), 1.0
"""Prior log odds that a failed component can be mended; what having only a salvaged part adds to them; the
log odds where no part can be had (common practice, no source)."""


@dataclass(frozen=True)
class Repairability:
    """Fitted log odds that a failed component does not end the job."""

    fit: ShrunkFit
    components: tuple[str, ...]
    n_families: int
    supply: Supply

    def of(
        self, family: str, family_at: int, component_at: Ints, day: pd.Timestamp | None = None
    ) -> tuple[Floats, Floats]:
        """Mean and standard deviation of the log odds.

        Parameters
        ----------
        family : str
            Name, for the `parts` table.
        family_at : int
            Position of the family, -1 for one that the ledger does not know.
        component_at : ndarray of int, shape (c,)
        day : Timestamp, optional
            With the parts that could be had then; today's if not given.

        Returns
        -------
        mean, sd : ndarray, shape (c,)
        """
        names = [self.components[c] for c in component_at]
        if day is None:
            states = [self.supply.state(name, family) for name in names]
        else:
            states = [self.supply.state_on(name, family, day) for name in names]
        at = np.asarray(component_at)
        rows = _upper(at, states, len(self.components))
        cell = np.where(family_at < 0, -1, _cell(np.maximum(family_at, 0), at, states, len(self.components)))
        level = Nested(np.full(len(states), family_at), self.n_families, np.ones(len(states)))
        mean, sd, own = self.fit.predict(rows, cell, level)
        # A part never makes mending harder: where no trial of this very case says so, the odds with one are
        # the most that those without one can be.
        with_part, _, _ = self.fit.predict(*self._with_part(at, family_at), level)
        gone = np.array([state == "no" for state in states], bool)
        return np.where(gone, own * mean + (1.0 - own) * np.minimum(mean, with_part), mean), sd

    def _with_part(self, at: Ints, family_at: int) -> tuple[Floats, Ints]:
        states: list[str | None] = [None] * at.size
        cell = _cell(np.full(at.size, max(family_at, 0)), at, states, len(self.components))
        return _upper(at, states, len(self.components)), np.where(family_at < 0, -1, cell)


def trials(jobs: pd.DataFrame, findings: pd.DataFrame) -> pd.DataFrame:
    """List the failed components that somebody tried to mend.

    Parameters
    ----------
    jobs : DataFrame
        Finished jobs with `family`, `outcome`, `ended_by`, `own`.
    findings : DataFrame

    Returns
    -------
    DataFrame
        family, component, mended (0 or 1), own, closed; one row per job and component.
    """
    failed = findings[findings["found"] == "failed"]
    ended = jobs.loc[jobs["ended_by"].notna(), ["job", "ended_by"]].rename(columns={"ended_by": "component"})
    pairs = pd.concat([failed[["job", "component"]], ended]).drop_duplicates()
    acted = failed.assign(
        touched=failed["action"].isin(("serviced", "replaced", "rebuilt")),
        no_part=failed["action"] == "no part",
    )
    by_pair = acted.groupby(["job", "component"], as_index=False)[["touched", "no_part"]].any()
    table = pairs.merge(by_pair, how="left", on=["job", "component"]).merge(
        jobs[["job", "family", "outcome", "ended_by", "own", "closed"]], on="job"
    )
    touched = table["touched"].eq(True)
    no_part = table["no_part"].eq(True)
    ended_by_it = table["ended_by"] == table["component"]
    repaired = table["outcome"] == REPAIRED
    mended = repaired | (touched & ~ended_by_it & ~no_part)
    tried = repaired | ended_by_it | touched | no_part
    table = table.assign(mended=mended.astype(float))
    return table.loc[tried, ["family", "component", "mended", "own", "closed"]].reset_index(drop=True)


def fit_repairability(
    tried: pd.DataFrame,
    components: tuple[str, ...],
    families: tuple[str, ...],
    supply: Supply,
) -> Repairability:
    """Fit log odds of mending by component, family, their pairs, and whether parts can be had.

    Parameters
    ----------
    tried : DataFrame
        From `trials`.
    components, families : tuple of str
    supply : Supply
        Each trial is read with the parts that could be had on its day.

    Returns
    -------
    Repairability
    """
    table = tried[tried["component"].isin(components)]
    table = table.assign(
        state=[
            supply.state_on(c, f, day) or ""
            for c, f, day in zip(table["component"], table["family"], table["closed"], strict=True)
        ]
    )
    counts = (
        table.assign(n=np.where(table["own"], 1.0, ORIGIN_DISCOUNT))
        .assign(y=lambda t: t["n"] * t["mended"])
        .groupby(["family", "component", "state"], as_index=False)[["y", "n"]]
        .sum()
    )
    if counts.empty:  # one row that weighs nothing lets the priors answer
        first = {"family": families[0] if families else "", "component": components[0], "state": ""}
        counts = pd.DataFrame([{**first, "y": 0.0, "n": 1e-9}])
    family_at = pd.Index(families).get_indexer(counts["family"])
    component_at = pd.Index(components).get_indexer(counts["component"])
    n_c, n_f = len(components), len(families)
    design = _upper(component_at, list(counts["state"]), n_c)
    blocks = [
        Block("level", design[:, :3], (LEVEL_SD,), np.array(LEVEL_MEANS)),
        Block("component", design[:, 3 : 3 + n_c], (0.4, 0.8, 1.4)),
        Block("component without a new part", design[:, 3 + n_c :], WITHOUT_SDS),
        Block("family", Nested(family_at, n_f, np.ones(len(counts))), (0.15, 0.4, 0.8)),
    ]
    fit = fit_shrunk_logit(
        counts["y"],
        counts["n"],
        blocks,
        inner=_cell(np.maximum(family_at, 0), component_at, list(counts["state"]), n_c),
        n_inner=2 * n_c * max(n_f, 1),
        inner_sds=(0.3, 0.7, 1.2),
    )
    return Repairability(fit, components, n_f, supply)


def _upper(component_at: Ints, states: list[str | None], n_components: int) -> Floats:
    """Design rows: with a part; salvaged; without one; then the component in each of these three ways."""
    salvaged, gone = (np.array([state == name for state in states], float)[:, None] for name in UNOBTAINABLE)
    of_component = one_hot(component_at, n_components)
    ways = (1.0 - gone, salvaged, gone)
    return np.column_stack([*ways, *(way * of_component for way in ways)])


def _cell(family_at: Ints, component_at: Ints, states: list[str | None], n_components: int) -> Ints:
    """Tell innermost groups apart: what cannot be had at all is mended in another way, by other skill."""
    gone = np.array([state == "no" for state in states], np.int64)
    return 2 * (family_at * n_components + component_at) + gone
