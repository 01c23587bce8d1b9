"""How often a failed component does not end the job.

A trial is a failed component that somebody tried to mend: it was mended if the unit was repaired, or
if an action was taken on it and something else ended the job; it failed if the job ended by it or no
part could be had. A failed component that nobody touched in a job that ended otherwise is no trial.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from reliability.worth.bench import REPAIRED
from reliability.worth.odds import LOGIT_SLOPE
from reliability.worth.prices import one_hot
from reliability.worth.regression import Block, Nested, ShrunkFit, fit_shrunk_logit
from reliability.worth.supply import STATES, Supply, ordinals

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

LEAST_TRIAL = 1e-3
WIDEST, HALVINGS = 6.0, 24
HERMITE, HERMITE_WEIGHTS = np.polynomial.hermite_e.hermegauss(20)
HERMITE_WEIGHTS /= HERMITE_WEIGHTS.sum()


@dataclass(frozen=True)
class Repairability:
    """Fitted log odds that a failed component does not end the job."""

    fit: ShrunkFit
    components: tuple[str, ...]
    n_families: int
    supply: Supply

    def of(self, family: str, family_at: int, component_at: Ints, days: Floats) -> Floats:
        """Mean and standard deviation of the log odds on each day.

        Parameters
        ----------
        family : str
            Name, for what is known of its parts.
        family_at : int
            Position of the family, -1 for one that the ledger does not know.
        component_at : ndarray of int, shape (c,)
        days : ndarray, shape (n,)
            Ordinals; inf is today.

        Returns
        -------
        ndarray, shape (n, c, 2)
        """
        n_c, at = component_at.size, np.tile(component_at, len(STATES))
        states = [state for state in STATES for _ in range(n_c)]
        cell = np.where(
            family_at < 0, -1, _cell(np.full(at.size, max(family_at, 0)), at, states, len(self.components))
        )
        level = Nested(np.full(at.size, family_at), self.n_families, np.ones(at.size))
        mean, sd, own = (
            values.reshape(len(STATES), n_c)
            for values in self.fit.predict(_upper(at, states, len(self.components)), cell, level)
        )
        # A part never makes mending harder: where no trial of this very case says so, the odds with one are
        # the most that those without one can be.
        mean[2] = own[2] * mean[2] + (1.0 - own[2]) * np.minimum(mean[2], mean[0])
        chances = [self.supply.chances(self.components[c], family, days) for c in component_at]
        return mixed_odds(mean, sd, np.stack(chances, axis=1))


def mixed_odds(mean: Floats, sd: Floats, chances: Floats) -> Floats:
    """Put one normal in place of a mixture of log odds: that of the same mean and variance as a chance.

    Parameters
    ----------
    mean, sd : ndarray, shape (n_states, c)
    chances : ndarray, shape (n, c, n_states)

    Returns
    -------
    ndarray, shape (n, c, 2)
        Mean and standard deviation.
    """
    share = expit(mean + sd * HERMITE[:, None, None])
    first, second = (
        np.einsum("h,hsc,ncs->nc", HERMITE_WEIGHTS, power, chances) for power in (share, share**2)
    )
    variance = second - first**2
    low, high = np.zeros(first.shape), np.full(first.shape, WIDEST)
    logit = np.log(first / (1.0 - first))
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        centre = logit * np.sqrt(1.0 + LOGIT_SLOPE * middle**2)
        for _ in range(2):  # Newton's steps to the centre whose mean chance is right
            by_node = expit(centre + middle * HERMITE[:, None, None])
            slope = np.tensordot(HERMITE_WEIGHTS, by_node * (1.0 - by_node), axes=1)
            centre = centre + (first - np.tensordot(HERMITE_WEIGHTS, by_node, axes=1)) / slope
        by_node = expit(centre + middle * HERMITE[:, None, None])
        wide = np.tensordot(HERMITE_WEIGHTS, (by_node - first) ** 2, axes=1) > variance
        low, high = np.where(wide, low, middle), np.where(wide, middle, high)
    return np.stack([centre, middle], axis=2)


def trials(jobs: pd.DataFrame, findings: pd.DataFrame) -> pd.DataFrame:
    """List the failed components that somebody tried to mend.

    Parameters
    ----------
    jobs : DataFrame
        Finished jobs with `family`, `outcome`, `ended_by`, `own`.

    Returns
    -------
    DataFrame
        job, family, component, mended (0 or 1), own, closed; one row per job and component.
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
    return table.loc[tried, ["job", "family", "component", "mended", "own", "closed"]].reset_index(drop=True)


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
        Each trial is split by what could be had on its day, as likely as that is.
    """
    table = tried[tried["component"].isin(components)]
    days = ordinals(table["closed"])
    chances = [
        supply.chances(c, f, np.array([day]))[0]
        for c, f, day in zip(table["component"], table["family"], days, strict=True)
    ]
    worth = np.where(table["own"], 1.0, ORIGIN_DISCOUNT)
    split = [
        table.assign(state=state, n=worth * share)
        for state, share in zip(STATES, np.array(chances).reshape(-1, 3).T, strict=True)
    ]
    counts = (
        pd.concat(split)
        .assign(y=lambda t: t["n"] * t["mended"])
        .groupby(["family", "component", "state"], as_index=False)[["y", "n"]]
        .sum()
    )
    counts = counts[counts["n"] > LEAST_TRIAL]
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


def _upper(component_at: Ints, states: Sequence[str], n_components: int) -> Floats:
    """Design rows: with a part; salvaged; without one; then the component in each of these three ways."""
    salvaged, gone = (np.array([state == name for state in states], float)[:, None] for name in STATES[1:])
    of_component = one_hot(component_at, n_components)
    ways = (1.0 - gone, salvaged, gone)
    return np.column_stack([*ways, *(way * of_component for way in ways)])


def _cell(family_at: Ints, component_at: Ints, states: Sequence[str], n_components: int) -> Ints:
    """Tell innermost groups apart: what cannot be had at all is mended in another way, by other skill."""
    gone = np.array([state == "no" for state in states], np.int64)
    return 2 * (family_at * n_components + component_at) + gone
