"""What waits at the bench: units that tie up money, checks due, numbers and prices that are missing."""

import datetime

import numpy as np
import pandas as pd

from reliability.records.audit import LONG_OPEN_DAYS
from reliability.records.frames import Records
from reliability.records.values import missing_numbers
from reliability.worth.appraiser import Appraiser
from reliability.worth.bench import REPAIRED, read_bench
from reliability.worth.costs import job_gains, sale_price
from reliability.worth.prices import usual_prices

LONG_UNSOLD_DAYS = 90
"""A repaired unit that nobody has bought for so long is overdue (common practice, no source)."""

CHECK_DAYS = 30
"""So many days before its warranty ends it is time to ask after a unit (common practice, no source)."""

FINISH, SELL, CHECK, WRITE_UP, PRICE = TASKS = ("finish", "sell", "check", "write up", "price")

ON_HAND_COLUMNS = ("job", "family", "state", "since", "days", "money_in", "is_predicted", "price")
TO_DO_COLUMNS = ("task", "job", "family", "day", "days", "price")


def on_hand(
    records: Records,
    odds: Appraiser,
    *,
    as_of: datetime.date | None = None,
    gains: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """List the bench's own units that have not brought money back yet.

    Parameters
    ----------
    records : Records
    odds : Appraiser
        Fitted to them: prices and amounts that nobody wrote down are predicted.
    as_of : datetime.date, optional
        The day of the odds if not given.
    gains : DataFrame, optional
        What `job_gains` gives, where it is at hand.

    Returns
    -------
    DataFrame
        `ON_HAND_COLUMNS`, the ones that wait longest first. `state` is "open" (being worked on; `since` is
        the day of intake) or "unsold" (repaired, without a sale on record; `since` is the day it was
        finished). `money_in` is what was paid for the unit and, once it is finished, for parts and other
        things, without hours; `is_predicted` where a part of it is not on record. `price` is what the unit
        should sell for, NaN while it is open.
    """
    day = as_of or odds.as_of
    bench = read_bench(records, day)
    found = job_gains(records, odds, as_of=day) if gains is None else gains
    jobs = bench.jobs[bench.jobs["own"]].set_index("job").loc[found["job"]].reset_index()
    waits = (jobs["outcome"] == REPAIRED) & jobs["sold_for"].isna() & jobs["sold_on"].isna()
    done = found[waits.to_numpy()]
    unsold = pd.DataFrame(
        {
            "job": done["job"],
            "family": done["family"],
            "state": "unsold",
            "since": done["closed"],
            "money_in": done["bought_for"] + done["part_costs"] + done["other_costs"],
            "is_predicted": [
                bool({*each.split(", ")} & {"purchase", "parts", "other costs"}) for each in done["predicted"]
            ],
            "price": [sale_price(odds.families[each]) for each in done["family"]],
        }
    )
    work = bench.open_jobs
    usual = work["family"].map(usual_prices(bench.records))
    begun = pd.DataFrame(
        {
            "job": work["job"],
            "family": work["family"],
            "state": "open",
            "since": work["taken_in"],
            "money_in": work["bought_for"].fillna(usual).astype(float),
            "is_predicted": work["bought_for"].isna(),
            "price": np.nan,
        }
    )
    table = pd.concat([each for each in (unsold, begun) if len(each)] or [begun], ignore_index=True)
    table["days"] = (pd.Timestamp(day) - pd.to_datetime(table["since"])).dt.days
    order = table.sort_values(["since", "job"], ignore_index=True)
    return order[list(ON_HAND_COLUMNS)]


def to_do(
    records: Records,
    odds: Appraiser,
    *,
    as_of: datetime.date | None = None,
    gains: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """List what waits at the bench, in the order of `TASKS`, the longest wait first.

    Parameters
    ----------
    records, odds, as_of, gains
        As in `on_hand`.

    Returns
    -------
    DataFrame
        `TO_DO_COLUMNS`. "finish": open for more than `LONG_OPEN_DAYS`, `day` of intake. "sell": repaired
        and unsold for more than `LONG_UNSOLD_DAYS`, `day` finished, `price` predicted. "check": nobody has
        asked after the unit since its sale and its warranty ends within `CHECK_DAYS`, on `day`. "write up":
        a number, or a run of them, that was given out and belongs to no job. "price": sold on `day`, for a
        price that nobody wrote down. `days` is how long ago the day was (still to come: below 0).
    """
    today = as_of or odds.as_of
    day = pd.Timestamp(today)
    known = read_bench(records, today).records
    own = known.jobs[known.jobs["origin"].isna()]
    rows: list[tuple[str, str, str, pd.Timestamp, float]] = []
    for unit in on_hand(records, odds, as_of=today, gains=gains).itertuples():
        if unit.days > {"open": LONG_OPEN_DAYS, "unsold": LONG_UNSOLD_DAYS}[unit.state]:
            task = {"open": FINISH, "unsold": SELL}[unit.state]
            rows.append((task, unit.job, unit.family, unit.since, unit.price))
    sold = own[own["sold_on"].notna()].sort_values(["sold_on", "job"])
    checks = known.followups.merge(sold[["job", "sold_on"]], on="job")
    asked = set(checks.loc[checks["checked_on"] >= checks["sold_on"], "job"])
    warranty = pd.Timedelta(days=records.settings.warranty_days)
    for unit in sold.itertuples():
        ends = unit.sold_on + warranty
        is_ending = day <= ends <= day + pd.Timedelta(days=CHECK_DAYS)
        if warranty and unit.outcome == REPAIRED and is_ending and unit.job not in asked:
            rows.append((CHECK, unit.job, unit.family, ends, np.nan))
        if pd.isna(unit.sold_for):
            rows.append((PRICE, unit.job, unit.family, unit.sold_on, np.nan))
    for gap in missing_numbers([*own["job"], *records.withdrawn]):
        name = gap.first if gap.size == 1 else f"{gap.first} to {gap.last}"
        rows.append((WRITE_UP, name, "", pd.NaT, np.nan))
    table = pd.DataFrame(
        sorted(rows, key=lambda row: TASKS.index(row[0])), columns=["task", "job", "family", "day", "price"]
    )
    days = (day - pd.to_datetime(table["day"])).dt.days
    return table.assign(days=days)[list(TO_DO_COLUMNS)]
