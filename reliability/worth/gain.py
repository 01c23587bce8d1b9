"""What each finished job of this bench gained, missing amounts at their predicted value and marked."""

import datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.records.frames import Records
from reliability.worth.appraiser import Appraiser
from reliability.worth.bench import REPAIRED, read_bench
from reliability.worth.costs import COMEBACK_HOURS, failed_in_job, fit_part_costs, part_costs_by_job
from reliability.worth.prices import usual_prices

Floats = NDArray[np.float64]

GAIN_COLUMNS = (
    "job",
    "family",
    "outcome",
    "taken_in",
    "closed",
    "brought",
    "bought_for",
    "hours",
    "time_cost",
    "part_costs",
    "other_costs",
    "comeback_costs",
    "gain",
    "predicted",
)

PREDICTED = ("purchase", "price", "remains", "hours", "parts", "other costs")


def job_gains(records: Records, appraiser: Appraiser, *, as_of: datetime.date | None = None) -> pd.DataFrame:
    """Work out the gain of every finished job of this bench.

    Parameters
    ----------
    records : Records
    appraiser : Appraiser
        For what is not known: the price of a repaired unit that is unsold or kept, hours, other costs.
    as_of : datetime.date, optional
        The appraiser's day if not given.

    Returns
    -------
    DataFrame
        `GAIN_COLUMNS`, newest job last. `brought` is the sale less its fee plus the parts kept less
        disposal; `predicted` lists the amounts that were predicted, "" where all are known. A job whose
        purchase price is not known is taken to have cost what its family usually does; it has no gain
        where that is not known either.
    """
    bench = read_bench(records, as_of or appraiser.as_of)
    own = bench.jobs["own"].to_numpy(bool)
    jobs = bench.jobs[own].reset_index(drop=True)
    settings = bench.records.settings
    entries = [appraiser.families[name] for name in jobs["family"]]
    repaired = (jobs["outcome"] == REPAIRED).to_numpy()
    net = 1.0 - settings.selling_fee
    price = np.array([e.working_price * np.exp(e.ratio.mean + 0.5 * e.ratio.spread**2) for e in entries])
    remains = np.array([e.remains.mean for e in entries])
    sold = jobs["sold_for"].to_numpy(float)
    salvage = jobs["salvage_value"].to_numpy(float)
    scrapped = (jobs["outcome"] == "scrapped").to_numpy()
    # A repaired unit without a sale stands at its predicted price; of an unrepaired one without any amount
    # the remains are predicted, but for a scrapped one, of which nothing is kept.
    unknown_end = np.isnan(sold) & np.isnan(salvage)
    brought = np.nan_to_num(sold) * net + np.nan_to_num(salvage) - settings.disposal_cost * scrapped
    no_sale = repaired & np.isnan(sold)
    brought = np.where(no_sale, price * net + np.nan_to_num(salvage), brought)
    no_remains = ~repaired & unknown_end & ~scrapped
    brought = np.where(no_remains, remains, brought)
    mending = failed_in_job(bench, appraiser.shared.components)[own] @ appraiser.shared.repair_hours
    expected = [e.hours_repaired if r else e.hours_unrepaired for e, r in zip(entries, repaired, strict=True)]
    hours, no_hours = _filled(jobs["hours"], np.array(expected) + mending * repaired)
    usual = [e.other_repaired if r else e.other_unrepaired for e, r in zip(entries, repaired, strict=True)]
    other, no_other = _filled(jobs["other_costs"], np.array(usual))
    bought, no_bought = _filled(
        jobs["bought_for"], jobs["family"].map(usual_prices(bench.records)).to_numpy(float)
    )
    parts, n_guessed = (
        column[own] for column in part_costs_by_job(bench, fit_part_costs(bench, appraiser.shared.components))
    )
    time_cost = hours * settings.hour_rate
    comebacks = comeback_costs(bench.records, jobs)
    gain = brought - bought - time_cost - parts - other - comebacks
    flags = zip(no_bought, no_sale, no_remains, no_hours, n_guessed > 0, no_other, strict=True)
    notes = [", ".join(word for word, here in zip(PREDICTED, row, strict=True) if here) for row in flags]
    return pd.DataFrame(
        {
            **{name: jobs[name] for name in ("job", "family", "outcome", "taken_in", "closed")},
            "brought": brought,
            "bought_for": bought,
            "hours": hours,
            "time_cost": time_cost,
            "part_costs": parts,
            "other_costs": other,
            "comeback_costs": comebacks,
            "gain": gain,
            "predicted": notes,
        }
    )


def _filled(column: pd.Series, predicted: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    values = column.to_numpy(float)
    missing = np.isnan(values)
    return np.where(missing, predicted, values), missing


def comeback_costs(records: Records, jobs: pd.DataFrame) -> Floats:
    """Add up what comebacks within the warranty cost each job; ndarray, shape (n_jobs,).

    Hours that nobody wrote down count at their usual number.
    """
    settings = records.settings
    checks = records.followups.merge(jobs[["job", "sold_on", "closed"]], on="job")
    start = checks["sold_on"].fillna(checks["closed"])
    days = (checks["failed_on"].fillna(checks["checked_on"]) - start).dt.days
    within = (checks["working"] == "no") & (days <= settings.warranty_days)
    cost = checks["hours"].fillna(COMEBACK_HOURS) * settings.hour_rate + checks["cost"].fillna(0.0)
    total = cost[within].groupby(checks.loc[within, "job"]).sum()
    return total.reindex(jobs["job"]).fillna(0.0).to_numpy(float)
