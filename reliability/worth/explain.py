"""Why a unit is judged as it is: its components, one by one, and its money by outcome."""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit

from reliability.errors import unknown
from reliability.worth.appraisal import Appraisal, FamilyEntry, appraise
from reliability.worth.appraiser import Appraiser
from reliability.worth.judging import verdict_row
from reliability.worth.offers import NAMES, find_entry, offers_from, read_unit


@dataclass(frozen=True)
class Explanation:
    """One unit taken apart.

    Attributes
    ----------
    entry : FamilyEntry
    appraisal : Appraisal
    verdict : dict
        The verdict's columns.
    components : DataFrame
        component, failed (chance that it arrives failed), repairable (chance that a failed one does not
        end the job), ends_job (chance that the job ends by it), part_cost, hours (added by a failed
        one), is_named (whether the ledger ever named it); the chief risk first.
    money : DataFrame
        One row per outcome (repaired, not repaired): chance, gain_free (mean gain at a price of 0).
    """

    entry: FamilyEntry
    appraisal: Appraisal
    verdict: dict[str, object]
    components: pd.DataFrame
    money: pd.DataFrame


def explain(
    appraiser: Appraiser,
    *,
    family: str,
    built_from: int | None = None,
    built_to: int | None = None,
    signs: Mapping[str, str] | None = None,
    asked: float | None = None,
    seen_on: datetime.date | None = None,
) -> Explanation:
    """Take the appraisal of one unit apart.

    Parameters
    ----------
    appraiser : Appraiser
    family : str
    built_from, built_to : int, optional
        Window of production years; the family's span if not given.
    signs : mapping of str to str, optional
        "yes" or "no" by sign.
    asked : float, optional
    seen_on : datetime.date, optional
        The appraiser's day if not given.

    Returns
    -------
    Explanation

    Raises
    ------
    UnknownName
        If the ledger does not hold the family.
    """
    if family not in appraiser.families:
        raise unknown("The ledger holds no family", family, appraiser.families)
    row = {**dict.fromkeys(NAMES), "offer": family, "family": family, "asked": asked, **(signs or {})}
    row |= {"built_from": built_from, "built_to": built_to, "seen_on": seen_on}
    offer = offers_from([row]).to_dict("records")[0]
    entry, _ = find_entry(offer, appraiser)
    unit, _ = read_unit(offer, entry, appraiser, appraiser.as_of)
    appraisal = appraise(entry, appraiser.shared, appraiser.terms, unit)
    at = entry.lives.components
    mending = expit(entry.lives.repair[:, :1] + entry.lives.repair[:, 1:] * np.linspace(-1.5, 1.5, 7))
    components = pd.DataFrame(
        {
            "component": [appraiser.shared.components[c] for c in at],
            "failed": appraisal.states.failed,
            "repairable": mending.mean(axis=1),
            "ends_job": appraisal.states.ends,
            "part_cost": entry.part_cost,
            "hours": appraiser.shared.repair_hours[at],
            "is_named": [appraiser.shared.components[c] in appraiser.shared.known_components for c in at],
        }
    ).sort_values(["is_named", "ends_job", "component"], ascending=[False, False, True], ignore_index=True)
    chance = float(appraisal.success.mean())
    money = pd.DataFrame(
        {
            "outcome": ["repaired", "not repaired"],
            "chance": [chance, 1.0 - chance],
            "gain_free": [appraisal.gain_repaired, appraisal.gain_unrepaired],
        }
    )
    price = np.nan if asked is None else float(asked)
    return Explanation(entry, appraisal, verdict_row(entry, appraisal, appraiser, price), components, money)
