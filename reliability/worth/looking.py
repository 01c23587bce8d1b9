"""What to look at before the price is paid: the sign that would tell most about one unit."""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from reliability.worth.appraisal import (
    FamilyEntry,
    Unit,
    appraise,
    ceiling_price,
    cents,
    decide,
    worth_of_knowing,
)
from reliability.worth.appraiser import Appraiser
from reliability.worth.judging import find_entry, read_unit


@dataclass(frozen=True)
class Answer:
    """What becomes of an offer if a sign is there, or is not.

    Attributes
    ----------
    ceiling : float
    verdict : str or None
        None where no price is asked.
    """

    ceiling: float
    verdict: str | None


@dataclass(frozen=True)
class Look:
    """A sign worth looking for, and both answers.

    Attributes
    ----------
    sign : str
    worth : float
        What knowing it before deciding is worth, to the cent; 0 if it would change no decision.
    seen, absent : Answer
    """

    sign: str
    worth: float
    seen: Answer
    absent: Answer


def look_first(
    offer: Mapping[str, Any], appraiser: Appraiser, *, as_of: datetime.date | None = None
) -> Look | None:
    """Find the sign that nobody looked for yet and that tells most about a unit on offer.

    Parameters
    ----------
    offer : mapping
        A row of the offers table.
    as_of : datetime.date, optional
        Day of the sale where the offer does not say; the appraiser's own day if not given.

    Returns
    -------
    Look or None
        The sign whose answer is worth most to the decision at the asked price; where none would change
        it, or no price is asked, the one that moves the expected gain most. None if every sign was
        looked for. How often a sign is there is taken from all units that were looked at.
    """
    entry, _ = find_entry(offer, appraiser)
    unit, _ = read_unit(offer, entry, appraiser, as_of or appraiser.as_of)
    asked = float(offer["asked"])
    best, most = None, (-1.0, -1.0)
    for i in np.flatnonzero(np.isnan(unit.signs)).tolist():
        share = float(appraiser.shared.sign_mean[i])
        (gain_seen, seen), (gain_absent, absent) = (
            _answer(entry, appraiser, _with_sign(unit, i, value), asked) for value in (1.0, 0.0)
        )
        worth = 0.0
        if not np.isnan(asked):
            least = asked + appraiser.terms.margin
            worth = worth_of_knowing(share * (gain_seen - least), (1.0 - share) * (gain_absent - least))
        told = (cents(worth), cents(np.sqrt(share * (1.0 - share)) * abs(gain_seen - gain_absent)))
        if told > most:
            best, most = Look(appraiser.shared.signs[i], told[0], seen, absent), told
    return best


def _with_sign(unit: Unit, at: int, value: float) -> Unit:
    signs = unit.signs.copy()
    signs[at] = value
    return replace(unit, signs=signs)


def _answer(entry: FamilyEntry, appraiser: Appraiser, unit: Unit, asked: float) -> tuple[float, Answer]:
    appraisal = appraise(entry, appraiser.shared, appraiser.terms, unit)
    ceiling = ceiling_price(appraisal, appraiser.terms)
    verdict = None if np.isnan(asked) else decide(entry, appraisal, appraiser.terms, asked, ceiling)
    return float(appraisal.gain_free.mean()), Answer(ceiling, verdict)
