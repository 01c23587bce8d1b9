"""Recalibration: how the bench's outcomes differ from what the components alone would say.

Levels are nested (bench, kind, family), seasons differ, and the slope is drawn towards 1. Jobs that
nobody wrote up enter as fractions of jobs, in the season that their numbers tell: an unwritten failure is
likeliest where written ones are common, an unwritten repair likewise. Open jobs enter by their age;
hearsay as so many records.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.worth.bench import Bench, share_unfinished_repaired
from reliability.worth.money import one_hot, slot_index
from reliability.worth.purchases import ODDS_NEWS, ODDS_NEWS_SDS
from reliability.worth.shrink import Block, fit_shrunk_logit

Floats = NDArray[np.float64]

LEVEL_SD, SLOPE_SD = 0.5, 0.05
"""Prior spread of the bench's level and of the slope: calibration is to be light."""

SIGN_SDS = (0.05, 0.15)
"""Prior spreads of what a sign does to the log odds beyond the components, which have had their say of it
already."""

LEAST_DOUBT = 0.01


@dataclass(frozen=True)
class Tilt:
    """Recalibration of the log odds of a repair.

    Attributes
    ----------
    mean, doubt, pull : ndarray, shape (n_families + n_kinds + 1,)
        Families, then an unknown family of each kind, then an unknown kind.
    slope, centre : float
    signs : ndarray, shape (n_signs,)
    """

    mean: Floats
    doubt: Floats
    pull: Floats
    slope: float
    centre: float
    signs: Floats


@dataclass(frozen=True)
class Outcomes:
    """Rows of the recalibration: (fractions of) jobs, how many were repaired, and their raw log odds."""

    family_at: NDArray[np.int64]  # -1: hearsay about a kind
    kind_at: NDArray[np.int64]
    season: NDArray[np.int64]
    signs: Floats
    raw: Floats
    repaired: Floats
    trials: Floats


def gather_outcomes(bench: Bench, raw: Floats, signs: Floats, usual: Floats) -> Outcomes:
    """Collect finished, unfinished, unwritten and rumoured jobs.

    Parameters
    ----------
    bench : Bench
    raw : ndarray, shape (n_jobs,)
        Log odds of each finished job by its components.
    signs : ndarray, shape (n_jobs, n_signs)
        Centred signs.
    usual : ndarray, shape (n_families + n_kinds + 1,)
        Log odds of a typical unit by its components, for families without a job.

    Returns
    -------
    Outcomes
    """
    own = np.flatnonzero(bench.jobs["own"].to_numpy())
    jobs = bench.jobs.iloc[own]
    family = jobs["family_at"].to_numpy(np.int64)
    n_f = len(bench.families)
    typical = _typical(family, raw[own], usual[:n_f])
    rows = [
        (
            family,
            jobs["season"].to_numpy(np.int64),
            signs[own],
            raw[own],
            jobs["repaired"].to_numpy(float),
            np.ones(own.size),
        )
    ]
    n_signs = signs.shape[1]

    def pseudo(
        at: NDArray[np.int64], season: int | NDArray[np.int64], repaired: Floats, trials: Floats
    ) -> None:
        none = np.zeros((at.size, n_signs))
        rows.append((at, np.broadcast_to(season, at.shape), none, typical[at], repaired, trials))

    if bench.n_missing and own.size:
        written = jobs["repaired"].to_numpy(float)
        failures = np.bincount(family, 1.0 - written, n_f) + 0.5 * (np.bincount(family, minlength=n_f) > 0)
        repairs = np.bincount(family, written, n_f) + 0.5 * (np.bincount(family, minlength=n_f) > 0)
        repaired_share = bench.records.settings.gap_repaired_share
        lost = (1.0 - repaired_share) * failures / failures.sum()
        won = repaired_share * repairs / repairs.sum()
        at = np.flatnonzero(lost + won > 0)
        for season, n in sorted(bench.missing.items()):
            pseudo(at, season, n * won[at], n * (lost + won)[at])
    if len(bench.open_jobs):
        at = pd.Index(bench.families).get_indexer(bench.open_jobs["family"])
        share = share_unfinished_repaired(bench)
        season = bench.open_jobs["taken_in"].dt.year.to_numpy(np.int64)
        pseudo(at, season, 0.5 * share, np.full(at.size, 0.5))
    parts = [np.concatenate([np.asarray(row[i]) for row in rows]) for i in range(6)]
    family_at, kind_at = parts[0], bench.family_kind[parts[0]]
    heard = _hearsay(bench, typical, usual)
    return Outcomes(
        np.concatenate([family_at, heard[0]]).astype(np.int64),
        np.concatenate([kind_at, heard[1]]).astype(np.int64),
        np.concatenate([parts[1], np.full(heard[0].size, bench.as_of.year)]).astype(np.int64),
        np.concatenate([parts[2], np.zeros((heard[0].size, n_signs))]),
        np.concatenate([parts[3], heard[2]]),
        np.concatenate([parts[4], heard[3]]),
        np.concatenate([parts[5], heard[4]]),
    )


def _typical(family: NDArray[np.int64], raw: Floats, usual: Floats) -> Floats:
    """Mean raw log odds of each family's jobs; of its typical unit where there are none."""
    n = np.bincount(family, minlength=usual.size)
    return np.where(n > 0, np.bincount(family, raw, usual.size) / np.maximum(n, 1), usual)


def _hearsay(bench: Bench, typical: Floats, usual: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    heard = bench.records.hearsay
    heard = heard[heard["share_repaired"].notna() & (heard["worth_jobs"] > 0)]
    # What is said of a kind or family of which the ledger holds none must not move all the others.
    heard = heard[heard["family"].isin(bench.families) | heard["kind"].isin(bench.kinds)]
    family = pd.Index(bench.families).get_indexer(heard["family"].fillna(""))
    kind = np.where(
        family >= 0,
        bench.family_kind[np.maximum(family, 0)] if len(bench.families) else -1,
        pd.Index(bench.kinds).get_indexer(heard["kind"].fillna("")),
    )
    worth = heard["worth_jobs"].to_numpy(float)
    of_kind = usual[len(bench.families) + kind]
    raw = np.where(family >= 0, typical[np.maximum(family, 0)], of_kind) if len(heard) else np.zeros(0)
    return family, kind, raw, heard["share_repaired"].to_numpy(float) * worth, worth


def fit_tilt(bench: Bench, outcomes: Outcomes, news: Floats, variance: Floats) -> Tilt:
    """Fit the recalibration.

    Parameters
    ----------
    bench : Bench
    outcomes : Outcomes
        From `gather_outcomes`.
    news : ndarray, shape (n_families + n_kinds + 1,)
        From `purchase_news`.
    variance : ndarray, shape (n_families + n_kinds + 1,)
        What is not known of a typical unit's log odds by its components.

    Returns
    -------
    Tilt
        `doubt` includes how much a coming season may differ.

    Notes
    -----
    Where a family has no job of its own, hearsay speaks of the sum of two unknowns: how the family's lives
    and parts really are, and its effect here. The spread of its effect is widened by the first while it
    is fitted; `pull` then takes back as much of the first as was learned, and `doubt` is what is left. With
    own jobs the findings have told of the first already, and must not count twice.
    """
    n_f, n_k, n_s = len(bench.families), len(bench.kinds), outcomes.signs.shape[1]
    kind, family = slot_index(bench)
    if outcomes.raw.size == 0:
        doubt = np.full(kind.size, np.sqrt(LEVEL_SD**2 + 0.3**2 + 0.4**2))
        return Tilt(np.zeros(kind.size), doubt, np.zeros(kind.size), 0.0, 0.5, np.zeros(n_s))
    centre = float(np.average(outcomes.raw, weights=outcomes.trials))
    told = np.where(outcomes.family_at < 0, 0.0, news[outcomes.family_at])
    unfounded = np.where(bench.jobs_seen > 0, 0.0, variance[:n_f])
    seasons = np.unique(outcomes.season)
    season = one_hot(np.searchsorted(seasons, outcomes.season), seasons.size + 1)
    blocks = [
        Block("level", np.ones((outcomes.raw.size, 1)), (LEVEL_SD,)),
        Block("slope", (outcomes.raw - centre)[:, None], (SLOPE_SD,)),
        Block("kind", one_hot(outcomes.kind_at, n_k), (0.1, 0.3, 0.6)),
        Block("season", season, (0.05, 0.2, 0.4)),
        Block("purchases", told[:, None], ODDS_NEWS_SDS, ODDS_NEWS),
        Block("signs", outcomes.signs, SIGN_SDS),
    ]
    # What is said of a whole kind belongs to no family: one more group takes it.
    inner = np.where(outcomes.family_at < 0, n_f, outcomes.family_at)
    fit = fit_shrunk_logit(
        outcomes.repaired,
        outcomes.trials,
        blocks,
        inner=inner,
        n_inner=n_f + 1,
        inner_sds=(0.15, 0.4, 0.8),
        offset=outcomes.raw,
        inner_extra=np.append(unfounded, 0.0),
    )
    coming = np.zeros((kind.size, seasons.size + 1))
    coming[:, -1] = 1.0
    level, no_slope, no_signs = np.ones(kind.size), np.zeros(kind.size), np.zeros((kind.size, n_s))
    rows = np.column_stack([level, no_slope, one_hot(kind, n_k), coming, news, no_signs])
    mean, doubt, pull = fit.predict(rows, family)
    left = (1.0 - pull) ** 2 * np.append(unfounded, np.zeros(n_k + 1))  # the draws of lives still carry it
    doubt = np.sqrt(np.maximum(doubt**2 - left, LEAST_DOUBT**2))
    effects = np.sum([f.weight * f.upper for f in fit.fits], axis=0)
    return Tilt(mean, doubt, pull, float(effects[1]), centre, effects[effects.size - n_s :])
