"""The page of earnings: what the bench earns an hour, month by month, and what money waits in units."""

import pandas as pd

from reliability.report.data import ReportData
from reliability.report.show import Shown, show
from reliability.worth.next_steps import LONG_UNSOLD_DAYS, on_hand

_MONTHS = 12


def answer(report: ReportData) -> Shown:
    """Say what the last twelve months earned, and an hour in them."""
    months, beside = _by_month(report).tail(_MONTHS), _beside(report)
    late = beside.index >= months.index[0].start_time if len(months) else slice(0)
    rate, waiting = report.records.settings.hour_rate, _waiting(report)
    return show(
        report, "earnings", "answer", months=months, beside=beside[late].sum(), rate=rate, waiting=waiting
    )


def months(report: ReportData) -> Shown:
    """Show the last twelve months, then all years; every month behind a fold."""
    own, by_month = _own(report), _by_month(report)
    years = by_month.drop(columns="period").groupby(by_month.index.year).sum() if len(by_month) else by_month
    return show(
        report,
        "earnings",
        "months",
        months=by_month,
        years=years.assign(period=years.index.astype(str)),
        unpaid=int(own["bought_for"].isna().sum()),
        undated=int((own["sold_for"].notna() & own["sold_on"].isna()).sum()),
    )


def waiting(report: ReportData) -> Shown:
    """Show the money that waits in unsold and open units."""
    units = _waiting(report)
    unsold, begun = (units[units["state"] == state] for state in ("unsold", "open"))
    late = int((unsold["days"] > LONG_UNSOLD_DAYS).sum())
    return show(report, "earnings", "waiting", unsold=unsold, open=begun, late=late, long=LONG_UNSOLD_DAYS)


def spent(report: ReportData) -> Shown:
    """Add up, year by year, what went out beside the units."""
    jobs, beside = report.gains, _beside(report)
    columns = ["brought", "bought_for", "part_costs", "other_costs", "comeback_costs", "time_cost", "gain"]
    by_year = jobs.groupby(jobs["closed"].dt.year)[columns].sum()
    if len(jobs):
        by_year = by_year.join(beside.groupby(beside.index.year).sum().rename("beside"), how="outer")
    years = by_year.fillna(0.0).iloc[::-1]
    return show(report, "earnings", "spent", years=years.assign(year=years.index), has_beside=len(beside) > 0)


def _own(report: ReportData) -> pd.DataFrame:
    return report.records.jobs[report.records.jobs["origin"].isna()]


def _waiting(report: ReportData) -> pd.DataFrame:
    return on_hand(report.records, report.odds, as_of=report.as_of, gains=report.gains)


def _beside(report: ReportData) -> pd.Series:
    """Give what was spent beside the jobs, its hours at their rate, by its day."""
    spent = report.records.spending
    worth = spent["amount"].fillna(0.0) + spent["hours"].fillna(0.0) * report.records.settings.hour_rate
    return worth.set_axis(pd.DatetimeIndex(spent["spent_on"]))


def _by_month(report: ReportData) -> pd.DataFrame:
    """Count by month, from the first to the last: period, bought, sold, jobs, hours, gain.

    Purchases and sales stand in the month of the day on record; hours and gain in that in which the job was
    finished.
    """
    jobs, done = _own(report), report.gains
    days = pd.concat([jobs["taken_in"], done["closed"], jobs["sold_on"]]).dropna()
    end = pd.Timestamp(report.as_of)
    span = pd.period_range(days.min() if len(days) else end, end, freq="M")[: None if len(days) else 0]
    amounts = {
        "bought": (jobs["bought_for"], jobs["taken_in"]),
        "sold": (jobs["sold_for"], jobs["sold_on"]),
        "jobs": (pd.Series(1, done.index), done["closed"]),
        "hours": (done["hours"], done["closed"]),
        "gain": (done["gain"], done["closed"]),
    }
    sums = {
        each: amount.groupby(day.dt.to_period("M")).sum().reindex(span, fill_value=0.0)
        for each, (amount, day) in amounts.items()
    }
    return pd.DataFrame({"period": span.astype(str), **sums}, index=span)
