"""How good the odds were: forecasts of past years held against what came of them."""

import pandas as pd

from reliability.report import format
from reliability.report.study import rounded
from reliability.worth.review import Calibration


def forecast_words(found: Calibration, family: str) -> str:
    """Say how the forecasts of one family's jobs turned out.

    Parameters
    ----------
    found : Calibration
        Of the whole bench.
    family : str
        A family of the ledger.

    Returns
    -------
    str
        One sentence; empty where no job of the family was forecast.
    """
    jobs = found.jobs[found.jobs["family"] == family]
    if jobs.empty:
        return ""
    forecast = format.share(round(float(jobs["success_chance"].astype(float).mean()), 2))
    repaired = int(jobs["repaired"].sum())
    share = format.share(round(repaired / len(jobs), 2))
    return (
        f"Looking back: by what was known before their year, {format.counted(len(jobs), 'job')} had a mean "
        f"chance of {forecast} to be repaired; {repaired} of them came out repaired ({share})."
    )


def forecast_groups(found: Calibration) -> pd.DataFrame:
    """Give the groups to draw: forecast, repaired, low, high, n_jobs."""
    return rounded(found.groups, forecast=2, repaired=2, low=2, high=2)


def forecast_findings(found: Calibration) -> list[str]:
    """Say in words how good the forecasts of the whole bench were.

    Parameters
    ----------
    found : Calibration
        Of the whole bench.

    Returns
    -------
    list of str
        Sentences.
    """
    if found.status != "ok":
        return ["Too few jobs yet to hold forecasts against what came of them."]
    better = "better" if found.brier < found.brier_usual else "no better"
    return [
        f"{format.counted(len(found.jobs), 'job')} were judged by what was known before their year, and held "
        "against what came of them.",
        f"Mean squared error {found.brier:.3f}, against {found.brier_usual:.3f} for always saying the "
        f"bench's overall rate; log loss {found.log_loss:.3f} against {found.log_loss_usual:.3f}: {better} "
        "than the plain rate.",
    ]
