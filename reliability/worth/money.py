"""Amounts of money and time, drawn together over thin families; what an unrepaired unit still brings."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.records.frames import Settings
from reliability.worth.bench import UNREPAIRED, Bench
from reliability.worth.regression import Block, fit_shrunk_amount

Floats = NDArray[np.float64]

USUAL_HOURS, USUAL_HOURS_SD = 2.0, 1.5
"""Bench hours of a job believed beforehand (common practice, no source)."""

USUAL_REMAINS = 0.1
"""Worth of an unrepaired unit as a share of the working price beforehand (common practice, no source)."""


@dataclass(frozen=True)
class Amount:
    """What is known of one amount: its mean, the doubt about that mean, the spread of single cases."""

    mean: Floats
    doubt: Floats
    spread: float


def fit_by_family(bench: Bench, rows: pd.Series, values: Floats, usual: float, usual_sd: float) -> Amount:
    """Draw an amount together over bench, kind and family.

    Parameters
    ----------
    bench : Bench
    rows : Series of bool
        Jobs that say something of the amount.
    values : ndarray, shape (n_jobs,)
        The amount in each job, NaN where it is not known.
    usual, usual_sd : float
        What is believed beforehand of a single job.

    Returns
    -------
    Amount
        `mean` and `doubt`, shape (n_families + n_kinds + 1,).
    """
    known = rows.to_numpy(bool) & np.isfinite(values)
    y = values[known]
    at = bench.jobs["family_at"].to_numpy(np.int64)[known]
    scale = float(np.std(y)) if y.size >= 8 and np.std(y) > 0 else usual_sd
    n_f, n_k = len(bench.families), len(bench.kinds)
    fit = fit_shrunk_amount(
        y,
        [
            Block("level", np.ones((y.size, 1)), (2 * scale,), usual),
            Block("kind", one_hot(bench.family_kind[at], n_k), (0.1 * scale, 0.4 * scale)),
        ],
        inner=at,
        n_inner=n_f,
        inner_sds=(0.1 * scale, 0.3 * scale, 0.7 * scale),
        usual_sd=scale,
    )
    kind, family = slot_index(bench)
    mean, sd, _ = fit.predict(np.column_stack([np.ones(kind.size), one_hot(kind, n_k)]), family)
    return Amount(mean, sd, fit.residual_sd)


def remains(bench: Bench, settings: Settings) -> Floats:
    """Worth of what was left of each unrepaired unit, NaN where not known; shape (n_jobs,).

    A donor is worth the parts kept. A unit sold as it was is worth its price less the selling fee. Nothing
    is kept of a scrapped one unless a salvage value is written down, and its disposal costs.
    """
    jobs = bench.jobs
    salvage = jobs["salvage_value"].to_numpy(float)
    sale = jobs["sold_for"].to_numpy(float) * (1 - settings.selling_fee)
    outcome = jobs["outcome"].to_numpy()
    worth = np.full(len(jobs), np.nan)
    donor, scrapped, as_is = (outcome == name for name in UNREPAIRED)
    worth[donor] = salvage[donor]
    worth[scrapped] = np.nan_to_num(salvage[scrapped]) - settings.disposal_cost
    worth[as_is] = np.nan_to_num(salvage[as_is]) + sale[as_is]
    return worth


def total(first: Amount, second: Amount, *, rate: float = 1.0) -> Amount:
    """Add two amounts that vary independently, the second at a rate."""
    return Amount(
        first.mean + rate * second.mean,
        np.hypot(first.doubt, rate * second.doubt),
        float(np.hypot(first.spread, rate * second.spread)),
    )


def slot_index(bench: Bench) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Kind and family of every slot: families, an unknown family of each kind, an unknown kind (-1)."""
    n_f, n_k = len(bench.families), len(bench.kinds)
    kind = np.concatenate([bench.family_kind, np.arange(n_k), [-1]]).astype(np.int64)
    return kind, np.concatenate([np.arange(n_f), np.full(n_k + 1, -1)]).astype(np.int64)


def one_hot(at: NDArray[np.int64], n: int) -> Floats:
    """Membership matrix; a position below 0 belongs nowhere. ndarray, shape (len(at), n)."""
    table = np.zeros((len(at), n))
    rows = np.flatnonzero(np.asarray(at) >= 0)
    table[rows, np.asarray(at)[rows]] = 1.0
    return table
