"""The page of earnings: what the bench earns an hour, month by month, and what money waits in units."""

import pandas as pd

from reliability.report import figures, format
from reliability.report.data import ReportData
from reliability.report.fleet import predicted_note
from reliability.report.format import Field, Row, Shown, fold, paragraph, section, text, unbroken
from reliability.worth.next_steps import LONG_UNSOLD_DAYS, on_hand

_MONTHS = 12


def answer(report: ReportData) -> Shown:
    """Say what the last twelve months earned, and an hour in them."""
    head = "<h1>What does it earn?</h1>"
    if report.gains.empty:
        return Shown(head + paragraph("No jobs yet.", kind="lead"))
    months = _by_month(report).tail(_MONTHS)
    jobs = int(months["jobs"].sum())
    when = f"The last {len(months)} months" if len(months) > 1 else "This month"
    if not jobs:
        return Shown(head + paragraph(f"{when} brought nothing: no job was finished.", kind="lead"))
    hours, gain = months["hours"].sum(), months["gain"].sum()
    rate, currency = report.records.settings.hour_rate, report.currency
    verb = "lost" if gain < 0 else "gained"
    said = f"{when} {verb} {format.money(abs(gain), currency)} in {format.counted(jobs, 'job')}"
    if hours:
        said += f" and {format.hours(hours)}: {format.money(gain / hours, currency)} an hour"
        said += f", on top of {format.money(rate, currency)} for the hour itself" if rate else ""
    on = on_hand(report.records, report.odds, as_of=report.as_of, gains=report.gains)
    tied = (
        f"{format.money(on['money_in'].sum(), report.currency)} is tied up in "
        f"{format.counted(len(on), 'unit')}."
        if len(on)
        else ""
    )
    beside = _beside(report)
    beside = beside[beside.index >= months.index[0].start_time].sum()
    less = (
        f"{format.money(beside, currency)} went beside the jobs, to travel, tools and the like, which leaves "
        f"{format.money(gain - beside, currency)}."
        if beside
        else ""
    )
    return Shown(
        head + paragraph(text(f"{said}."), text(less), text(tied), kind="lead")
        + paragraph(_meaning(report), kind="soft")
    )  # fmt: skip


def _beside(report: ReportData) -> pd.Series:
    """Give what was spent beside the jobs, its hours at their rate, by its day."""
    spent = report.records.spending
    worth = spent["amount"].fillna(0.0) + spent["hours"].fillna(0.0) * report.records.settings.hour_rate
    return worth.set_axis(pd.DatetimeIndex(spent["spent_on"]))


def _meaning(report: ReportData) -> str:
    rate = report.records.settings.hour_rate
    costs = "units, parts and other costs; hours count nothing"
    if rate:
        costs = f"units, parts, other costs and {format.money(rate, report.currency)} for each hour"
    return text(
        f"Gain: what the jobs finished in that time bring, less the {costs}. " + predicted_note(report)
    )


def _by_month(report: ReportData) -> pd.DataFrame:
    """Count by month, from the first to the last: bought, sold, jobs, hours, gain.

    Purchases and sales stand in the month of the day on record; hours and gain in that in which the job was
    finished.
    """
    jobs = report.records.jobs[report.records.jobs["origin"].isna()]
    done = report.gains
    days = pd.concat([jobs["taken_in"], done["closed"], jobs["sold_on"]]).dropna()
    span = pd.period_range(days.min(), pd.Timestamp(report.as_of), freq="M")

    def total(amount: pd.Series, day: pd.Series) -> pd.Series:
        return amount.groupby(day.dt.to_period("M")).sum().reindex(span, fill_value=0.0)

    return pd.DataFrame(
        {
            "bought": total(jobs["bought_for"], jobs["taken_in"]),
            "sold": total(jobs["sold_for"], jobs["sold_on"]),
            "jobs": total(pd.Series(1, done.index), done["closed"]),
            **{each: total(done[each], done["closed"]) for each in ("hours", "gain")},
        }
    )


def months(report: ReportData) -> Shown:
    """Show the last twelve months, then all years; every month behind a fold."""
    own = report.records.jobs[report.records.jobs["origin"].isna()]
    if own.empty:
        return section("months", "Month by month", paragraph("No jobs yet."))
    by_month = _by_month(report)
    last = by_month.tail(_MONTHS).iloc[::-1]
    parts = [_periods(report, last, "The last months, the newest first")]
    if len(by_month) > _MONTHS:
        every = by_month.groupby(by_month.index.year).sum().iloc[::-1]
        parts.append(_periods(report, every, "All years"))
        parts.append(fold(f"All {len(by_month)} months", _periods(report, by_month.iloc[::-1], "All months")))
    unpaid = int(own["bought_for"].isna().sum())
    undated = int((own["sold_for"].notna() & own["sold_on"].isna()).sum())
    notes = [
        f"What {format.counted(unpaid, 'unit')} cost was never written down: not counted in Bought, "
        "taken at the usual price in Gain."
        if unpaid
        else "",
        f"{format.capital(format.counted(undated, 'sale'))} without a day {'is' if undated == 1 else 'are'} "
        "not in Sold."
        if undated
        else "",
    ]
    return section("months", "Month by month", *parts, paragraph(*map(text, notes), kind="soft"))


def _periods(report: ReportData, frame: pd.DataFrame, caption: str) -> str:
    scale, currency = figures.scale_of(*frame["gain"]), report.currency
    shown = frame.assign(
        period=frame.index.astype(str),
        gain=frame["gain"].where(frame["jobs"] > 0),
        an_hour=frame["gain"] / frame["hours"].where(frame["hours"] > 0),
    )

    fields = [
        Field("Month" if len(str(frame.index[0])) > 4 else "Year", lambda row: unbroken(row.period)),
        Field(
            format.money_span(scale.low, scale.high, currency),
            lambda row: figures.bar_cell(row.gain, scale),
            "wide",
        ),
        Field(
            "Gain",
            lambda row: format.on_phone("gain") + text(format.money(row.gain, currency)),
            "number",
            True,
        ),
        format.amount("Gain per hour", "an_hour", currency),
        format.number("Hours", "hours", format.hours),
        format.number("Jobs", "jobs"),
        format.amount("Bought", "bought", currency),
        format.amount("Sold", "sold", currency),
    ]
    return format.table(shown, fields, caption=caption, kind="short months")


def waiting(report: ReportData) -> Shown:
    """Show the money that waits in unsold and open units."""
    units = on_hand(report.records, report.odds, as_of=report.as_of, gains=report.gains)
    unsold, begun = (units[units["state"] == state] for state in ("unsold", "open"))
    return Shown(_unsold(report, unsold) + "\n" + _open(report, begun))


def _unsold(report: ReportData, units: pd.DataFrame) -> str:
    heading = "Repaired and unsold"
    if units.empty:
        return section("unsold", heading, paragraph("No repaired unit is unsold.")).html
    currency = report.currency
    late = int((units["days"] > LONG_UNSOLD_DAYS).sum())
    said = (
        f"{format.counted(len(units), 'unit')} with {format.money(units['money_in'].sum(), currency)} in "
        f"{'it' if len(units) == 1 else 'them'} should sell for "
        f"{format.money(units['price'].sum(), currency)}; {late or 'none'} {'has' if late == 1 else 'have'} "
        f"waited for more than {LONG_UNSOLD_DAYS} days. A unit that was sold, kept or given away meanwhile "
        "stays here until the ledger says so."
    )

    def should_bring(row: Row) -> str:
        return format.on_phone("should bring") + text(format.money(row.price, currency))

    fields = [
        *_who(report, "Finished"),
        Field("Should bring", should_bring, "number", leads=True),
        _money_in(report),
        Field("Waits", lambda row: _days(row.days), "number"),
    ]
    table = format.table(
        units, fields, caption="Repaired units without a sale on record, the longest wait first", kind="units"
    )
    return section("unsold", heading, paragraph(text(format.capital(said))), table).html


def _open(report: ReportData, units: pd.DataFrame) -> str:
    heading = "On the bench"
    if units.empty:
        return section("open", heading, paragraph("No job is open.")).html
    fields = [
        *_who(report, "Taken in"),
        _money_in(report, leads=True),
        Field("Open for", lambda row: _days(row.days), "number"),
    ]
    sums = format.money(units["money_in"].sum(), report.currency)
    whose = "job is open; {} is in its unit." if len(units) == 1 else "jobs are open; {} is in their units."
    said = f"{len(units)} {whose.format(sums)}"
    table = format.table(units, fields, caption="Open jobs, the longest first", kind="units")
    return section("open", heading, paragraph(text(said)), table).html


def _who(report: ReportData, when: str) -> list[Field]:
    def family(row: Row) -> str:
        return f"{report.family_link(row.family)}<small>{unbroken(row.job)}</small>"

    return [
        Field("Unit", family),
        Field(when, lambda row: unbroken(f"{row.since:%Y-%m-%d}")),
    ]


def _money_in(report: ReportData, *, leads: bool = False) -> Field:
    def show(row: Row) -> str:
        about = "about " if row.is_predicted else ""
        return about + text(format.money(row.money_in, report.currency))

    return Field("Money in it", show, "number", leads=leads)


def _days(days: float) -> str:
    return format.counted(int(days), "day")


def spent(report: ReportData) -> Shown:
    """Add up, year by year, what went out beside the units."""
    jobs = report.gains
    if jobs.empty:
        return section("spent", "Where the money went", paragraph("No jobs yet."))
    by = jobs.groupby(jobs["closed"].dt.year)
    columns = ("brought", "bought_for", "part_costs", "other_costs", "comeback_costs", "time_cost", "gain")
    beside = _beside(report)
    each_year = beside.groupby(beside.index.year).sum().rename("beside")
    frame = by[list(columns)].sum().join(each_year, how="outer").fillna(0.0).iloc[::-1]
    frame = frame.assign(year=frame.index.astype(str), left=frame["gain"] - frame["beside"])
    heads = {
        "brought": "Brought",
        "bought_for": "Units",
        "part_costs": "Parts",
        "other_costs": "Other costs",
        "comeback_costs": "Comebacks",
        "time_cost": f"Hours at {report.records.settings.hour_rate:g}",
    }

    def gain(row: Row) -> str:
        return format.on_phone("gain") + text(format.money(row.gain, report.currency))

    fields = [
        Field("Finished in", lambda row: row.year),
        *(format.amount(head, column, report.currency) for column, head in heads.items()),
        Field("Gain", gain, "number", leads=True),
    ]
    if len(beside):
        fields += [format.amount("Beside the jobs", "beside", report.currency),
                   format.amount("Left", "left", report.currency)]  # fmt: skip
    fee = report.records.settings.selling_fee
    less = f" less {format.share(fee)} for selling" if fee else ""
    says = (
        f"Brought: sales{less}, and parts kept, less disposal; an unsold unit counts at what it should "
        "bring. Gain: brought less all the rest, each rounded by itself."
    )
    return section(
        "spent",
        "Where the money went",
        format.table(
            frame,
            fields,
            caption="What came in and went out for the jobs of each year",
            says=says,
            kind="slim",
        ),
    )
