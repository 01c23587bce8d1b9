"""Forecasts held against what came of them: each job judged by what was known before its year."""

import datetime
from collections.abc import Callable, Collection
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.records.frames import Records
from reliability.worth.appraiser import Appraiser, fit_appraiser
from reliability.worth.bench import read_bench
from reliability.worth.judging import judge
from reliability.worth.offers import NAMES, offers_from
from reliability.worth.rates import share_interval

Floats = NDArray[np.float64]

FEWEST_EARLIER_JOBS = 10
"""A year is forecast once this many jobs were finished before it."""

GROUPS = 5


@dataclass(frozen=True, eq=False)
class Calibration:
    """How good the forecasts were.

    Attributes
    ----------
    status : str
        "ok" or "too few jobs".
    jobs : DataFrame
        job, family, taken_in, success_chance, success_low, success_high (forecast), usual_rate (share
        repaired of all jobs finished before that year), repaired (0 or 1).
    groups : DataFrame
        Jobs in groups of rising forecast: n_jobs, forecast (mean), repaired (share), low, high (90 %
        interval of that share).
    brier, log_loss : float
        Mean squared error and mean negative log-likelihood of the forecasts; lower is better.
    brier_usual, log_loss_usual : float
        The same for the bench's overall rate as the forecast of every job.
    """

    status: str
    jobs: pd.DataFrame
    groups: pd.DataFrame
    brier: float
    log_loss: float
    brier_usual: float
    log_loss_usual: float


def calibrate(
    records: Records,
    as_of: datetime.date,
    *,
    fit: Callable[[Records, datetime.date], Appraiser] = fit_appraiser,
    families: Collection[str] | None = None,
) -> Calibration:
    """Judge every finished job by what was known at the turn of the year before it was taken in.

    Parameters
    ----------
    records : Records
    as_of : datetime.date
    fit : callable
        Makes the appraiser of a day; one that keeps its results saves the work of closed years.
    families : collection of str, optional
        Only jobs of these are judged; each as it would be among all.

    Returns
    -------
    Calibration

    Notes
    -----
    Only what changes hands with a unit is used: its family, year window and the signs seen. Working
    prices do not enter odds, so that today's estimates may stand in for those of the time.
    """
    bench = read_bench(records, as_of)
    own = bench.jobs[bench.jobs["own"]]
    rows = []
    for year in sorted(own["season"].unique()):
        before = datetime.date(int(year) - 1, 12, 31)
        earlier = own[own["closed"] <= pd.Timestamp(before)]
        if len(earlier) < FEWEST_EARLIER_JOBS:
            continue
        jobs = own[own["season"] == year]
        if families is not None:
            jobs = jobs[jobs["family"].isin(families)]
            if jobs.empty:
                continue
        verdicts = judge(_as_offers(jobs, records), fit(records, before))
        rows.append(
            pd.DataFrame(
                {
                    "job": jobs["job"].to_numpy(),
                    "family": jobs["family"].to_numpy(),
                    "taken_in": jobs["taken_in"].to_numpy(),
                    **{name: verdicts[name] for name in ("success_chance", "success_low", "success_high")},
                    "usual_rate": (earlier["repaired"].sum() + 1) / (len(earlier) + 2),
                    "repaired": jobs["repaired"].to_numpy(),
                }
            )
        )
    if not rows:
        empty = pd.DataFrame(columns=["job", "family", "taken_in", "success_chance", "repaired"])
        return Calibration("too few jobs", empty, _groups(np.zeros(0), np.zeros(0)), *[np.nan] * 4)
    table = pd.concat(rows, ignore_index=True)
    forecast, repaired, usual = (
        table[name].to_numpy(float) for name in ("success_chance", "repaired", "usual_rate")
    )
    scores = (
        brier(forecast, repaired),
        log_loss(forecast, repaired),
        brier(usual, repaired),
        log_loss(usual, repaired),
    )
    return Calibration("ok", table, _groups(forecast, repaired), *scores)


def brier(forecast: Floats, outcome: Floats) -> float:
    """Mean squared distance of forecasts from outcomes (G. W. Brier, *Monthly Weather Review* 78, 1950)."""
    return float(np.mean((forecast - outcome) ** 2))


def log_loss(forecast: Floats, outcome: Floats) -> float:
    """Mean negative log-likelihood of outcomes under the forecasts."""
    p = np.clip(forecast, 1e-9, 1 - 1e-9)
    return float(-np.mean(outcome * np.log(p) + (1 - outcome) * np.log1p(-p)))


def _as_offers(jobs: pd.DataFrame, records: Records) -> pd.DataFrame:
    signs = records.signs[records.signs["job"].isin(jobs["job"])]
    seen = signs.pivot(index="job", columns="sign", values="seen").reindex(jobs["job"])
    rows = []
    for (_, job), (_, looked) in zip(jobs.iterrows(), seen.iterrows(), strict=True):
        row = {
            **dict.fromkeys(NAMES),
            "offer": job["job"],
            "family": job["family"],
            "seen_on": job["taken_in"],
        }
        row |= {"built_from": job["built_from"], "built_to": job["built_to"]}
        rows.append(row | looked.where(looked.notna(), None).to_dict())
    return offers_from(rows)


def _groups(forecast: Floats, repaired: Floats) -> pd.DataFrame:
    order = np.argsort(forecast, kind="stable")
    parts = [part for part in np.array_split(order, GROUPS) if part.size]
    n = np.array([part.size for part in parts], dtype=float)
    k = np.array([repaired[part].sum() for part in parts])
    low, high = share_interval(k, n) if parts else (n, n)
    mean = [float(forecast[part].mean()) for part in parts]
    return pd.DataFrame(
        {"n_jobs": n.astype(int), "forecast": mean, "repaired": k / n, "low": low, "high": high}
    )
