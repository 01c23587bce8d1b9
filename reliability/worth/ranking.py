"""Families side by side: which to take, haggle over or skip at the price usually asked."""

import datetime

import numpy as np
import pandas as pd

from reliability.records.frames import Records
from reliability.worth.appraisal import appraise
from reliability.worth.appraiser import Appraiser
from reliability.worth.judging import verdict_row
from reliability.worth.offers import NAMES, read_unit
from reliability.worth.prices import usual_prices

RANKING_COLUMNS = (
    "family",
    "kind",
    "verdict",
    "usual_price",
    "ceiling",
    "expected_gain",
    "chance_of_loss",
    "success_chance",
    "success_low",
    "success_high",
    "hours",
    "chief_risk",
    "rival_risk",
    "jobs_seen",
    "evidence",
)

ORDER = {"take": 0, "haggle": 1, "try one": 2, "skip": 3}


def families_of_interest(records: Records) -> list[str]:
    """List the families that this bench has to do with, in the ledger's order.

    Parameters
    ----------
    records : Records

    Returns
    -------
    list of str
        All but those that only imported jobs name: no unit of one was ever taken in, no price is
        stated and nobody said anything of it. They inform the others, and can be judged by name. While
        the bench has no family of its own, all of them are of interest.
    """
    families, jobs = records.families, records.jobs
    foreign = jobs["origin"].notna()
    elsewhere = families["family"].isin(jobs.loc[foreign, "family"])
    here = families["family"].isin(jobs.loc[~foreign, "family"])
    stated = families["working_price"].notna() | families["family"].isin(records.hearsay["family"])
    mine = here | stated | ~elsewhere
    return list(families.loc[mine if mine.any() else ~mine, "family"])


def ranking(appraiser: Appraiser, records: Records, *, as_of: datetime.date | None = None) -> pd.DataFrame:
    """Judge a typical unit of every family at the price usually asked for one.

    Parameters
    ----------
    appraiser : Appraiser
    records : Records
        For the prices that were paid.
    as_of : datetime.date, optional
        Day of the sale; the appraiser's own if not given.

    Returns
    -------
    DataFrame
        `RANKING_COLUMNS`, takes first, then by expected gain. A typical unit is one of the family's
        years, at which nobody looked for signs. Families without a usual price have no verdict and
        stand last; those that only imported jobs name are left out.
    """
    prices = usual_prices(records)
    rows = []
    mine = set(families_of_interest(records))
    for family, entry in appraiser.families.items():
        if family not in mine:
            continue
        blank = {**dict.fromkeys(NAMES), "offer": family, "family": family}
        blank |= {"built_from": np.nan, "built_to": np.nan, "working_price": np.nan, "seen_on": pd.NaT}
        unit, _ = read_unit(blank, entry, appraiser, as_of or appraiser.as_of)
        appraisal = appraise(entry, appraiser.shared, appraiser.terms, unit)
        price = float(prices.get(family, np.nan))
        row = verdict_row(entry, appraisal, appraiser, price)
        rows.append({"family": family, "kind": entry.kind, "usual_price": price, **row})
    table = pd.DataFrame(rows, columns=list(RANKING_COLUMNS))
    place = table["verdict"].map(ORDER).fillna(len(ORDER))
    order = table.assign(place=place).sort_values(
        ["place", "expected_gain", "ceiling", "family"], ascending=[True, False, False, True]
    )
    return order.drop(columns="place").reset_index(drop=True)
