"""What to look at first on a unit of a family, for its page."""

from dataclasses import dataclass

import pandas as pd

from reliability.report import format
from reliability.report.groundwork import Groundwork
from reliability.report.study import coarse, rounded
from reliability.worth.plan import plan_unit

_SHOWN = ["component", "failed", "ends_job", "look_cost", "mend_cost", "if_failed"]


@dataclass(frozen=True)
class PlanStudy:
    """The order of inspection for a unit of which nothing is known yet.

    Attributes
    ----------
    says : str
        What to do first.
    notes : list of str
        What was assumed.
    table : DataFrame
        component, page, failed, ends_job, look_cost, mend_cost, if_failed; in the best order.
    """

    says: str
    notes: list[str]
    table: pd.DataFrame


def plan_study(ground: Groundwork, family: str) -> PlanStudy:
    """Plan the work on a usual unit of a family.

    Parameters
    ----------
    ground : Groundwork
        Everything fitted.
    family : str
        A family of the ledger.

    Returns
    -------
    PlanStudy
        Rounded to what is shown.
    """
    plan = plan_unit(ground.appraiser, family=family)
    looks = plan.moves[plan.moves["move"] == "look at"][_SHOWN].reset_index(drop=True)
    looks["page"] = [
        f"../{page}" if page else None for page in looks["component"].map(ground.component_pages.get)
    ]
    table = coarse(rounded(looks, look_cost=0, mend_cost=0), "failed", "ends_job")
    gain = format.money(5 * round(plan.gain / 5), plan.currency)
    if looks.empty:
        says = "There is nothing to look at: no component of it can end a job."
    elif plan.goes_on:
        says = (
            f"Look at the {looks['component'][0]} first. Going on is worth about {gain} more than breaking "
            "the unit for parts at once; what it cost is spent either way."
        )
    else:
        says = "Break it for parts at once: going on costs more than it can bring, whatever it cost."
    return PlanStudy(says, [note[0].upper() + note[1:] + "." for note in plan.notes], table)
