"""What the pages say of the whole bench and of a component: index, fleet, component, earnings, ledger."""

from collections.abc import Callable
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from reliability.records.audit import LONG_OPEN_DAYS, doubts
from reliability.records.tables import TABLES
from reliability.records.values import exponent_of
from reliability.report import figures, format
from reliability.report.data import ReportData
from reliability.report.family import FEW, called_changes, life_curve
from reliability.report.lives import BEYOND_YEARS
from reliability.report.run import CARD
from reliability.report.show import Shown, show
from reliability.worth.judging import gaps_notes
from reliability.worth.next_steps import LONG_UNSOLD_DAYS, on_hand, to_do
from reliability.worth.regression import share_interval
from reliability.worth.review import ORDER, Calibration

# ---- The first page: what to take, up to what; what changed, and what waits


_MEANS = {
    "take": "worth more than is usually paid",
    "haggle": "a little too dear at the usual price",
    "try one": "too little is known; one would teach more than it may cost",
    "skip": "not worth the usual price",
}
_NEWEST = 10
_LEAST_MOVE = 0.1
"""A ceiling that moved by less, as a share of itself or of the price usually paid, is not told."""


def index_answer(report: ReportData) -> Shown:
    """Count the verdicts, and say whether the odds were right so far."""
    found = report.ranking["verdict"].value_counts()
    counts = {each: found[each] for each in ORDER if each in found}
    return show(report, "index", "answer", counts=counts, came_out=came_out(report.calibration))


def index_verdicts(report: ReportData, frame: pd.DataFrame) -> Shown:
    """Set a ranking in one table that is one figure: grouped by verdict, the best first."""
    if frame.empty:
        return Shown("")
    repaired = report.gains.loc[report.gains["outcome"] == "repaired", "family"].value_counts()
    judged = frame.assign(repaired=frame["family"].map(repaired).fillna(0).astype(int))
    judged = judged[judged["verdict"].notna()]
    head = Markup("{} <span>{}</span>").format
    groups = [
        (head(format.verdict_mark(each), _MEANS[each]), judged[judged["verdict"] == each])
        for each in ORDER
        if (judged["verdict"] == each).any()
    ]
    priced = report.ranking.loc[report.ranking["usual_price"].notna(), "family"]
    bought = set(report.jobs.dropna(subset="bought_for")["family"])
    return show(
        report,
        "index",
        "verdicts",
        groups=groups,
        scale=figures.scale_of(*judged["usual_price"], *judged["ceiling"].clip(lower=0)),
        unjudged=list(frame.loc[frame["verdict"].isna(), "family"]),
        unbought=[each for each in priced if each not in bought],
        notes=gaps_notes(report.odds.tally),
        card=CARD,
    )


def index_changed(report: ReportData) -> Shown:
    """Say which verdicts changed since the first of a month, and which ceilings moved far."""
    new = report.gains[report.gains["closed"] >= pd.Timestamp(report.since)]["family"].value_counts()
    both = report.ranking.merge(
        report.ranking_before[["family", "verdict", "ceiling"]], on="family", suffixes=("", "_then")
    )
    # Below nothing there is no price to go up to, so no move to tell.
    now, then = (both[each].clip(lower=0.0) for each in ("ceiling", "ceiling_then"))
    other = both["verdict"].fillna("") != both["verdict_then"].fillna("")
    far = (now - then).abs() > _LEAST_MOVE * np.fmax(then, both["usual_price"])
    moves = both.assign(new=both["family"].map(new).fillna(0).astype(int))[other | far]
    return show(
        report, "index", "changed", new=int(new.sum()), other=int(other.sum()), moves=moves, least=_LEAST_MOVE
    )


def index_waiting(report: ReportData) -> Shown:
    """List what waits: units that tie up money, checks due, numbers and prices that are missing."""
    rows = to_do(report.records, report.odds, as_of=report.as_of)
    tasks = dict(list(rows.groupby("task", sort=False)))
    days = {"long_open": LONG_OPEN_DAYS, "long_unsold": LONG_UNSOLD_DAYS}
    seen = report.records.sightings
    undecided = seen[seen["job"].isna() & seen["left_because"].isna()]
    names = list(undecided["family"].fillna(undecided["model"]).fillna(undecided["kind"]))
    return show(report, "index", "waiting", tasks=tasks, undecided=names, **days)


def index_newest(report: ReportData) -> Shown:
    """List the jobs that were finished last, one line each with its gain."""
    last = report.gains.sort_values(["closed", "job"], ascending=False).head(_NEWEST)
    findings = report.records.findings
    found = format.found_by_job(findings[findings["job"].isin(last["job"])])
    return show(report, "index", "newest", jobs=last, found=found)


def index_components(report: ReportData) -> Shown:
    """Link to the page of every component."""
    return show(report, "index", "components")


# ---- The whole fleet: what goes wrong, what it costs, whether the odds were right


OUTCOMES = ("repaired", "sold as is", "donor", "scrapped")
_FEWEST_IN_HUNDRED = 100
_BINS = 10


def came_out(found: Calibration) -> str:
    """Say how many jobs were repaired beside how many were forecast, in one sentence."""
    n = len(found.jobs)
    if not n:
        return "No forecast can be checked against its outcome yet."
    repaired, forecast = float(found.jobs["repaired"].sum()), float(found.jobs["success_chance"].sum())
    if n < _FEWEST_IN_HUNDRED:
        of = f"{repaired:.0f} of {format.counted(n, 'job was', 'jobs were')} repaired"
        return f"{of} where {format.expected(forecast)} had been forecast."
    of = f"Of every 100 jobs {100 * repaired / n:.0f} were repaired"
    return f"{of} where {100 * forecast / n:.0f} had been forecast."


def _lost(report: ReportData) -> pd.DataFrame:
    """Add up the gain of the jobs that each component ended: component, gain, jobs; the dearest first."""
    ended = report.records.jobs.set_index("job")["ended_by"]
    jobs = report.gains.assign(component=report.gains["job"].map(ended)).dropna(subset=["component", "gain"])
    by = jobs.groupby("component", as_index=False).agg(gain=("gain", "sum"), jobs=("gain", "size"))
    return by.sort_values(["gain", "component"], ignore_index=True)


def fleet_answer(report: ReportData) -> Shown:
    """Name the components that cost most, and say whether the odds were right."""
    lost = _lost(report)
    worst, failed = lost[lost["gain"] < 0].head(3), report.gains[report.gains["outcome"] != "repaired"]
    # Jobs that name no component may have lost more.
    told = failed["gain"].sum() - lost["gain"].sum() >= worst["gain"].sum()
    return show(report, "fleet", "answer", worst=worst, told=told, came_out=came_out(report.calibration))


def fleet_cost(report: ReportData) -> Shown:
    """Show the money lost in the jobs that each component ended."""
    lost, jobs = _lost(report), report.gains
    failed = jobs[(jobs["outcome"] != "repaired") & jobs["gain"].notna()]
    return show(report, "fleet", "cost", lost=lost, failed=failed, scale=figures.scale_of(*lost["gain"]))


def fleet_faults(report: ReportData) -> Shown:
    """Map what has failed by today: family by component, with the records behind each chance."""
    # One order of components on this page: by what they cost, then by name.
    dear = [each for each in _lost(report)["component"] if each in report.component_pages]
    components = [*dear, *(each for each in report.component_pages if each not in dear)]
    families = list(report.ranking.sort_values("kind", kind="stable")["family"])
    failed = pd.DataFrame(index=families, columns=components, dtype=float)
    for family in families:
        found = report.explained(family).components.set_index("component")["failed"]
        failed.loc[family] = found.reindex(components).to_numpy()
    seen = report.own.table.drop_duplicates("record").value_counts(["family", "component"])
    records = seen.unstack(fill_value=0).reindex(index=families, columns=components, fill_value=0)
    return show(
        report,
        "fleet",
        "faults",
        failed=format.coarse(failed, *components),
        records=records,
        most=int(records.to_numpy().max(initial=1)),
        kinds=report.records.families.set_index("family")["kind"],
    )


def fleet_forecasts(report: ReportData) -> Shown:
    """Check forecasts against what came of them; the scores behind a fold."""
    found = report.calibration
    chance, repaired = (found.jobs[each].to_numpy(float) for each in ("success_chance", "repaired"))
    at = np.minimum((chance * _BINS).astype(int), _BINS - 1)
    by = pd.DataFrame({"forecast": chance, "repaired": repaired}).groupby(at)
    groups = by.agg(jobs=("forecast", "size"), forecast=("forecast", "mean"), repaired=("repaired", "sum"))
    groups = groups.astype({"repaired": int})
    low, high = share_interval(groups["repaired"], groups["jobs"])
    radius = (2.5 + 5.0 * np.sqrt(groups["jobs"] / groups["jobs"].max())).round(1)
    return show(
        report,
        "fleet",
        "forecasts",
        found=found,
        groups=groups.assign(share=groups["repaired"] / groups["jobs"], low=low, high=high, radius=radius),
        repaired=repaired.sum(),
        forecast=chance.sum(),
        # Independent jobs; a common error of the odds would make the sum vary more.
        apart=1.96 * float(np.sqrt((chance * (1 - chance)).sum())),
    )


def fleet_years(report: ReportData) -> Shown:
    """Stack the outcomes of each year."""
    year = report.gains["closed"].dt.year
    counts = pd.crosstab(year, report.gains["outcome"]).reindex(columns=list(OUTCOMES), fill_value=0)
    if len(year):
        counts = counts.reindex(range(year.min(), year.max() + 1), fill_value=0)
    counts = counts.rename(columns={"sold as is": "sold_as_is"}).assign(
        year=counts.index, jobs=counts.sum(axis=1)
    )
    parts = [f"part {look}" for look in figures.PARTS]
    return show(report, "fleet", "years", counts=counts, key=dict(zip(parts, OUTCOMES, strict=True)))


# ---- One component: should this part scare me


HARMLESS, DREADED = 0.03, 0.10
"""Largest chance of ending a job at which a component need not be feared, and the least at which it should be
(common practice, no source)."""


def families_with(report: ReportData, component: str) -> pd.DataFrame:
    """Families judged by it, whose jobs it ends most first: family, age_years, `ReportData.components`."""
    rows = [
        report.components(family).assign(family=family, age_years=report.usual_age(family))
        for family in report.family_pages
        if component in report.components_of(family)
    ]
    if not rows:
        return pd.DataFrame()
    frame = pd.concat(rows)
    order = ["ends_job", "family"]
    return frame[frame["component"] == component].sort_values(
        order, ascending=[False, True], ignore_index=True
    )


def component_answer(report: ReportData, component: str) -> Shown:
    """Say whether to fear it: how often it fails, what mends it, how many jobs it ended."""
    frame = families_with(report, component)
    told: dict[str, Any] = {"few": FEW}
    if len(frame):
        worst = frame["ends_job"].max()
        # Families that read alike are named alike.
        alike = frame.loc[frame["ends_job"].map(format.in_hundred) == format.in_hundred(worst), "family"]
        advice = "Do not fear" if worst < HARMLESS else "Mind" if worst < DREADED else "Fear"
        told |= {"worst": worst, "alike": list(alike), "advice": advice}
    counts = report.counts[report.counts["component"] == component]
    return show(report, "component", "answer", component=component, frame=frame, counts=counts, **told)


def component_families(report: ReportData, component: str) -> Shown:
    """Compare the families; bare counts if none is judged by it."""
    counts = report.counts[report.counts["component"] == component]
    return show(report, "component", "families", frame=families_with(report, component), counts=counts)


def component_ages(report: ReportData, component: str) -> Shown:
    """Draw the share failed by age, family by family on one axis."""
    frame = families_with(report, component)
    if frame.empty:
        return Shown("")
    marks = {each: report.own_lives(each).marks for each in frame["family"]}
    marks = {each: seen[seen["component"] == component] for each, seen in marks.items()}
    ages = [*frame["age_years"], *pd.concat(marks.values())["age_years"], 0.0]
    last = float(np.nanmax(ages)) + BEYOND_YEARS
    pictures = []
    for row in frame.itertuples():
        here = marks[row.family]
        failed, n = int(here["count"].where(here["is_failed"], 0).sum()), int(here["count"].sum())
        says = f"{failed} failed, {n - failed} still worked." if n else "No record."
        today = f"Today, at {format.years(row.age_years)}: {format.share(row.failed)}."
        alt = f"Share of {component} failed by age in {row.family}. {says} {today}"
        pooled = report.failed_by_age(row.family, np.linspace(0, last, 26))
        pictures.append(
            life_curve(report, row.family, component, pooled, title=row.family, alt=alt, says=says)
        )
    return show(report, "component", "ages", pictures=pictures)


def component_years(report: ReportData, component: str) -> Shown:
    """Say what production years have to do with it."""
    if not any(component in report.components_of(family) for family in report.family_pages):
        return Shown("")
    found, shared = report.changes[report.changes["component"] == component], report.odds.shared
    called, answered = called_changes(found), found.loc[found["status"] == "ok", "family"]
    return show(
        report,
        "component",
        "years",
        called=called,
        others=sorted(set(answered) - set(called["family"])),
        n_answered=len(answered),
        n_untold=len(found) - len(answered),
        slope=float(np.expm1(shared.year_slope[shared.components.index(component)])),
    )


# ---- Earnings: what the bench earns an hour, month by month, and what money waits in units


_MONTHS = 12


def earnings_answer(report: ReportData) -> Shown:
    """Say what the last twelve months earned, and an hour in them."""
    months, beside = _by_month(report).tail(_MONTHS), _beside(report)
    late = beside.index >= months.index[0].start_time if len(months) else slice(0)
    rate, waiting = report.records.settings.hour_rate, _waiting(report)
    return show(
        report, "earnings", "answer", months=months, beside=beside[late].sum(), rate=rate, waiting=waiting
    )


def earnings_months(report: ReportData) -> Shown:
    """Show the last twelve months, then all years; every month behind a fold."""
    own, by_month = report.jobs, _by_month(report)
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


def earnings_waiting(report: ReportData) -> Shown:
    """Show the money that waits in unsold and open units."""
    units = _waiting(report)
    unsold, begun = (units[units["state"] == state] for state in ("unsold", "open"))
    late = int((unsold["days"] > LONG_UNSOLD_DAYS).sum())
    return show(report, "earnings", "waiting", unsold=unsold, open=begun, late=late, long=LONG_UNSOLD_DAYS)


def earnings_spent(report: ReportData) -> Shown:
    """Add up, year by year, what went out beside the units."""
    jobs, beside = report.gains, _beside(report)
    columns = ["brought", "bought_for", "part_costs", "other_costs", "comeback_costs", "time_cost", "gain"]
    by_year = jobs.groupby(jobs["closed"].dt.year)[columns].sum()
    if len(jobs):
        by_year = by_year.join(beside.groupby(beside.index.year).sum().rename("beside"), how="outer")
    years = by_year.fillna(0.0).iloc[::-1]
    return show(report, "earnings", "spent", years=years.assign(year=years.index), has_beside=len(beside) > 0)


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
    jobs, done = report.jobs, report.gains
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


# ---- The ledger: what is in it, what is doubtful, and what it cannot tell


_MOST_ROWS = 12


def ledger_answer(report: ReportData) -> Shown:
    """Say what is in the ledger, and how many numbers were never written up."""
    return show(report, "ledger", "answer")


def ledger_doubtful(report: ReportData) -> Shown:
    """List what the audit finds missing or doubtful, one line for each topic, with the rows."""
    records, rows = report.records, {}
    exponent = exponent_of(records.settings.currency)
    # As the audit reads them: each cell as in the ledger, None where it is empty.
    written: dict[str, Callable[[Any], Any]] = {
        "date": "{:%Y-%m-%d}".format,
        "year": int,
        "count": int,
        "money": lambda amount: round(Decimal(amount), exponent),
    }
    for name, frame in records.frames().items():
        plain = frame.astype(object).where(frame.notna(), None)
        for column in TABLES[name]:
            if write := written.get(column.kind):
                cells = [None if cell is None else write(cell) for cell in plain[column.name]]
                plain[column.name] = pd.Series(cells, plain.index, dtype=object)
        rows[name] = plain.to_dict("records")
    found = doubts(rows, records.withdrawn, records.settings.count_gaps, report.as_of)
    lines = []
    for topic in dict.fromkeys(each.topic for each in found):
        some = [each for each in found if each.topic == topic]
        messages = list(dict.fromkeys(each.message for each in some))
        where = [row for each in some for row in each.rows]
        says = messages[0] if len(messages) == 1 else f"{where[0]}: {messages[0]}"
        cases, more = max(len(where), len(some)), max(len(where) - _MOST_ROWS, 0)
        lines.append((format.capital(topic), says, cases, where[:_MOST_ROWS], more))
    columns = ["topic", "says", "cases", "where", "more"]
    return show(report, "ledger", "doubtful", found=pd.DataFrame(lines, columns=columns))


def ledger_cannot_tell(report: ReportData) -> Shown:
    """Say what no statistic can get out of these records, with the numbers of this ledger."""
    jobs, lives = report.jobs, report.own.table.drop_duplicates("record")
    same = report.own.same_window
    same = same[same["n_records"] > 1].groupby("family", sort=True)[["first_year", "last_year"]].first()
    others = pd.DataFrame()  # verdicts that would be others had nothing been left out, or gaps been jobs
    if report.odds.tally.jobs_missing:
        then, now = (each[["family", "verdict"]] for each in (report.ranking_if_written, report.ranking))
        both = then.merge(now, on="family", suffixes=("_then", "_now"))
        others = both[both["verdict_then"].fillna("none") != both["verdict_now"].fillna("none")]
    return show(
        report,
        "ledger",
        "cannot_tell",
        jobs=jobs,
        guessed=(jobs["year_basis"] == "guess").sum(),
        wide=(jobs["built_to"] > jobs["built_from"]).sum(),
        no_year=(jobs["built_from"].isna() & jobs["built_to"].isna()).sum(),
        examined=len(lives),
        unknown_parts=int(lives["original_unknown"].sum()) if len(lives) else 0,
        one_year=[f"{each.Index} ({format.window(*each[1:])})" for each in same.itertuples()],
        others=[
            f"{each.family} ({each.verdict_then} instead of {each.verdict_now})"
            for each in others.itertuples()
        ],
    )


def ledger_left_out(report: ReportData) -> Shown:
    """Count the findings that say nothing about lives, and those that were taken on trust."""
    seen = report.own
    rows = [(reason, n, "left out of the lives") for reason, n in seen.left_out.items() if n]
    rows += [(reason, n, "counted all the same") for reason, n in seen.assumed.items() if n]
    return show(report, "ledger", "left_out", rows=pd.DataFrame(rows, columns=["why", "findings", "treated"]))
