"""What to look at before the price is paid: the signs that tell most about a kind of unit."""

import datetime
from dataclasses import replace

import numpy as np

from reliability.records.frames import Records
from reliability.worth.appraisal import appraise
from reliability.worth.appraiser import Appraiser
from reliability.worth.judging import offers_from, read_unit


def signs_by_worth(
    appraiser: Appraiser, records: Records, kind: str, *, as_of: datetime.date | None = None
) -> tuple[str, ...]:
    """List the signs that somebody has looked for on a kind, those first that tell most about a unit.

    Parameters
    ----------
    appraiser : Appraiser
    records : Records
        For the signs that were looked for.
    kind : str
        A key of `Appraiser.kinds`; "" stands for all kinds.
    as_of : datetime.date, optional
        Day of the sale; the appraiser's own day if not given.

    Returns
    -------
    tuple of str
        A sign tells the more, the more its answer moves the expected gain of a unit of which no more than
        the kind is known: by the standard deviation of that gain over the answer, rounded to the cent. How
        often a sign is there is taken from all units that were looked at.
    """
    jobs = records.jobs.merge(records.families[["family", "kind"]], on="family")
    here = jobs if kind == "" else jobs[jobs["kind"] == kind]
    looked_for = set(records.signs.loc[records.signs["job"].isin(here["job"]), "sign"])
    entry = appraiser.kinds[kind]
    (offer,) = offers_from([{"offer": "any", "kind": kind or "any"}]).to_dict("records")
    unit, _ = read_unit(offer, entry, appraiser, as_of or appraiser.as_of)
    moves = {}
    for i, sign in enumerate(appraiser.shared.signs):
        if sign not in looked_for:
            continue
        there, absent = unit.signs.copy(), unit.signs.copy()
        there[i], absent[i] = 1.0, 0.0
        gain, without = (
            appraise(entry, appraiser.shared, appraiser.terms, replace(unit, signs=signs)).gain_free.mean()
            for signs in (there, absent)
        )
        share = appraiser.shared.sign_mean[i]
        moves[sign] = round(float(np.sqrt(share * (1.0 - share)) * abs(gain - without)), 2)
    return tuple(sorted(moves, key=lambda sign: -moves[sign]))
