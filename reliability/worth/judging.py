"""Offers in, verdicts out: one row each, none depending on another."""

import datetime
from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from reliability.errors import InvalidInput
from reliability.records.csv_files import write_table
from reliability.records.faults import refuse
from reliability.worth.appraisal import Appraisal, FamilyEntry, appraise
from reliability.worth.appraiser import TOO_MANY, Appraiser, Tally
from reliability.worth.offers import find_entry, read_unit
from reliability.worth.verdict import (
    ceiling_price,
    cents,
    decide,
    draw_quantile,
    weighted_quantile,
)

VERDICT_COLUMNS = (
    "offer",
    "verdict",
    "ceiling",
    "expected_gain",
    "gain_low",
    "gain_high",
    "chance_of_loss",
    "success_chance",
    "success_low",
    "success_high",
    "hours",
    "chief_risk",
    "jobs_seen",
    "evidence",
    "note",
)
TEXTS = ("offer", "verdict", "chief_risk", "evidence", "note")


def judge(offers: pd.DataFrame, appraiser: Appraiser, *, as_of: datetime.date | None = None) -> pd.DataFrame:
    """Judge units on offer.

    Parameters
    ----------
    offers : DataFrame
        From `read_offers` or `offers_from`.
    appraiser : Appraiser
    as_of : datetime.date, optional
        Day of the sale for offers that do not say; the appraiser's own day if not given.

    Returns
    -------
    DataFrame
        `VERDICT_COLUMNS`, in the order of the offers. `gain_low` and `gain_high` hold 80 % of what this
        one unit may bring; `success_low` and `success_high` 90 % of what is not known of its odds.
        Columns that need an asked price are empty where there is none.

    Raises
    ------
    InvalidInput
        With every fault: offers that contradict the ledger or nearly name what it knows, or units built
        after they were seen.
    """
    day = as_of or appraiser.as_of
    rows, faults = [], []
    for offer in offers.to_dict("records"):
        try:
            rows.append(_judge_one(offer, appraiser, day))
        except InvalidInput as error:
            faults.append(error.message)
    refuse(faults, "Nothing was judged.")
    table = pd.DataFrame(rows, columns=list(VERDICT_COLUMNS))
    numbers = [name for name in VERDICT_COLUMNS if name not in TEXTS and name != "jobs_seen"]
    return table.astype({**dict.fromkeys(TEXTS, object), **dict.fromkeys(numbers, float), "jobs_seen": int})


def _judge_one(offer: Mapping[str, Any], appraiser: Appraiser, day: datetime.date) -> dict[str, Any]:
    entry, notes = find_entry(offer, appraiser)
    unit, more = read_unit(offer, entry, appraiser, day)
    appraisal = appraise(entry, appraiser.shared, appraiser.terms, unit)
    row = verdict_row(entry, appraisal, appraiser, float(offer["asked"]))
    if row["rival_risk"]:
        more.append(f"{row['chief_risk']} and {row['rival_risk']} end as many jobs")
    more += standing_notes(entry, appraiser.tally)
    if entry.price_doubt > 0 and np.isnan(unit.working_price):
        more.append(f"no working price given, {entry.working_price:.0f} {appraiser.currency} assumed")
    return {"offer": offer["offer"], **row, "note": "; ".join([*notes, *more])}


def verdict_row(
    entry: FamilyEntry, appraisal: Appraisal, appraiser: Appraiser, asked: float
) -> dict[str, Any]:
    """Fill the columns of one verdict.

    Parameters
    ----------
    entry : FamilyEntry
    appraisal : Appraisal
    appraiser : Appraiser
    asked : float
        NaN where no price is asked.

    Returns
    -------
    dict
        All verdict columns but `offer` and `note`; beside them `rival_risk`, a component that ends as many
        jobs as the chief risk, to a whole percent, or None.
    """
    terms = appraiser.terms
    ceiling = ceiling_price(appraisal, terms)
    chief, rival = chief_risks(entry, appraisal, appraiser)
    row: dict[str, Any] = {
        "verdict": None,
        "ceiling": ceiling,
        "expected_gain": np.nan,
        "gain_low": np.nan,
        "gain_high": np.nan,
        "chance_of_loss": np.nan,
        "success_chance": round(float(appraisal.success.mean()), 4),
        "success_low": round(draw_quantile(appraisal.success, 0.05), 4),
        "success_high": round(draw_quantile(appraisal.success, 0.95), 4),
        "hours": round(appraisal.hours, 2),
        "chief_risk": chief,
        "rival_risk": rival,
        "jobs_seen": entry.jobs_seen,
        "evidence": entry.evidence,
    }
    if np.isnan(asked):
        return row
    gains = appraisal.cases - asked
    row["verdict"] = decide(entry, appraisal, terms, asked, ceiling)
    row["expected_gain"] = cents(cents(float(appraisal.gain_free.mean())) - asked)
    row["gain_low"] = cents(weighted_quantile(gains, appraisal.case_weight, 0.1))
    row["gain_high"] = cents(weighted_quantile(gains, appraisal.case_weight, 0.9))
    row["chance_of_loss"] = round(float(appraisal.case_weight[gains < 0].sum()), 4)
    return row


def chief_risks(
    entry: FamilyEntry, appraisal: Appraisal, appraiser: Appraiser
) -> tuple[str | None, str | None]:
    """Name the component likeliest to end the job, and the next one where both do to a whole percent.

    Parameters
    ----------
    entry : FamilyEntry
    appraisal : Appraisal
    appraiser : Appraiser

    Returns
    -------
    chief, rival : str or None
        Only components that the ledger ever named; a chance that rounds to nothing makes no rival.
    """
    names = [appraiser.shared.components[c] for c in entry.lives.components]
    ends = appraisal.states.ends
    known = [i for i, name in enumerate(names) if name in appraiser.shared.known_components]
    first = sorted(known, key=lambda i: -ends[i])[:2]
    whole = [np.floor(100.0 * ends[i] + 0.5) for i in first]
    is_tied = len(first) == 2 and whole[0] == whole[1] > 0
    return names[first[0]] if first else None, names[first[1]] if is_tied else None


def standing_notes(entry: FamilyEntry, tally: Tally) -> list[str]:
    """Say what holds for every verdict of such an entry: that nothing stands behind it; uncounted gaps.

    Parameters
    ----------
    entry : FamilyEntry
    tally : Tally

    Returns
    -------
    list of str
    """
    notes = []
    if entry.kind_jobs == 0:
        notes.append("no finished job of its kind stands behind this: at most one to try")
    return [*notes, *gaps_notes(tally)]


def gaps_notes(tally: Tally) -> list[str]:
    """Say that gaps are too many to be counted, where they are; list of str, at most one."""
    if tally.gaps != TOO_MANY:
        return []
    numbers = "1 job number is" if tally.jobs_missing == 1 else f"{tally.jobs_missing} job numbers are"
    return [f"{numbers} missing and not counted while count_gaps is not set"]


def write_verdicts(verdicts: pd.DataFrame, path: Path) -> None:
    """Write verdicts as CSV (RFC 4180, UTF-8); the file is replaced in one step.

    Parameters
    ----------
    verdicts : DataFrame
        From `judge`.
    path : Path
    """
    shown = verdicts.copy()
    for name in ("ceiling", "expected_gain", "gain_low", "gain_high"):
        shown[name] = [Decimal(f"{value:.2f}") if np.isfinite(value) else None for value in verdicts[name]]
    write_table(path, shown.columns, shown.itertuples(index=False))
