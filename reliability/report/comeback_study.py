"""What became of repaired units, for the page of a family."""

import numpy as np
import pandas as pd

from reliability.life.incidence import DAYS_PER_YEAR, Comebacks, comebacks
from reliability.report import format
from reliability.report.groundwork import Groundwork
from reliability.report.study import rounded

_A_YEAR = 365.0
_FEWEST = 5


def family_comebacks(ground: Groundwork, family: str) -> Comebacks:
    """Gather the comebacks of one family.

    Parameters
    ----------
    ground : Groundwork
        The ledger.
    family : str
        A family of the ledger.

    Returns
    -------
    Comebacks
        Of its repaired jobs at this bench.
    """
    jobs = ground.records.jobs[ground.records.jobs["family"] == family]
    checks = ground.records.followups[ground.records.followups["job"].isin(jobs["job"])]
    return comebacks(jobs, checks, ground.as_of)


def comeback_curve(found: Comebacks) -> pd.DataFrame:
    """Give the curve to draw: days, failed, low, high; empty below a handful of checked units."""
    curve = found.curve
    if len(found.table) < _FEWEST or not curve.usable:
        return pd.DataFrame(columns=["days", "failed", "low", "high"])
    frame = pd.DataFrame(
        {
            "days": curve.age_years * DAYS_PER_YEAR,
            "failed": curve.failed,
            "low": curve.low,
            "high": curve.high,
        }
    )
    return rounded(frame, days=0, failed=3, low=3, high=3)


def comeback_words(found: Comebacks) -> str:
    """Say how many units came back, how many were never asked after, and the chance within a year."""
    checked, back = len(found.table), int(np.isfinite(found.table["upper_days"]).sum())
    never = int(found.left_out["never checked"])
    if not checked:
        return (
            f"Nobody has asked after {_of(never)} yet."
            if never
            else "No unit of this family was repaired yet."
        )
    said = f"{back} of {format.counted(checked, 'repaired unit')} that somebody asked after came back"
    said += f" ({_parts(found)})." if back else "."
    if never:
        said += f" {never} more were never asked after; silence is not a working unit."
    _, low, high = found.within([_A_YEAR])
    span = format.span(round(low[0], 2), round(high[0], 2))
    return f"{said} Within a year {span} come back ({format.INTERVAL})."


def _of(number: int) -> str:
    return "the one repaired unit" if number == 1 else f"the {number} repaired units"


def _parts(found: Comebacks) -> str:
    counts = found.table["component"].dropna().value_counts().sort_index()
    return format.listed([f"{each} {number}" for each, number in counts.items()])
