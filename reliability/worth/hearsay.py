"""What the trade says, and how far those who said it were right so far."""

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, logit

from reliability.worth.bench import Bench

Floats = NDArray[np.float64]

ERRORS, ERROR_CHANCES = np.array([0.2, 0.5, 1.0, 2.0]), np.array([0.35, 0.35, 0.2, 0.1])
"""Spreads, in log odds, of what one teller is wrong by, and how likely each is beforehand (common
practice, no source)."""

NEAR_YEARS = 8.0
"""Findings at ages no further from the one that was spoken of say whether it was so."""

LEVEL_WORTH = 10.0
"""Own jobs from which the level of what is said of kinds counts for less than the bench's own."""


def weigh_hearsay(bench: Bench) -> pd.DataFrame:
    """Discount what was said by how wrong each teller was where the bench has seen for itself.

    Returns
    -------
    DataFrame
        The ledger's table with `share_repaired` and `worth_jobs` weighed. Of kinds only the contrast
        counts, the more the bench knows its own level: a teller who says of every kind that it is easy
        says nothing.

    Notes
    -----
    A teller's error has a spread that is not known; those tried are weighed by how well they explain the
    distance between what was said and what was found. Worth n jobs, at a share p, a statement of error s
    is worth 1 / (1 / n + s^2 p (1 - p)).
    """
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
    at = bench.families.index(row.family) if row.family in bench.families else -1
    if row.family is not None:
        jobs = jobs[jobs["family_at"] == at]
    else:
        jobs = jobs[jobs["kind_at"] == (bench.kinds.index(row.kind) if row.kind in bench.kinds else -1)]
    if row.component is None:
        return float(jobs["repaired"].sum()), float(len(jobs))
    near = jobs[(jobs["age_years"] - row.age_years).abs() <= NEAR_YEARS]
    findings = bench.records.findings
    seen = findings[(findings["component"] == row.component) & findings["job"].isin(near["job"])]
    failed = (seen["found"] == "failed").groupby(seen["job"]).any()
    return float(failed.sum()), float(failed.size)
