"""The page of the whole fleet: what goes wrong, what it costs, whether the odds were right."""

from typing import Any

import numpy as np
import pandas as pd

from reliability.report import figures, format
from reliability.report.data import ReportData
from reliability.report.format import Field, Shown, fold, name, paragraph, section, text
from reliability.worth.regression import share_interval
from reliability.worth.review import Calibration

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
        verb, of = "was" if n == 1 else "were", f"{repaired:.0f} of {format.counted(n, 'job')}"
        return f"{of} {verb} repaired where {expected(forecast)} had been forecast."
    each = 100.0 / n
    said = f"Of every 100 jobs {repaired * each:.0f} were repaired"
    return f"{said} where {forecast * each:.0f} had been forecast."


def expected(jobs: float) -> str:
    """Say a sum of chances: to a tenth where it is small."""
    return f"{jobs:.1f}" if jobs < 10 else f"{jobs:.0f}"


def answer(report: ReportData) -> Shown:
    """Name the components that cost most, and say whether the odds were right."""
    head = "<h1>What goes wrong, and what it costs</h1>"
    if report.gains.empty:
        return Shown(head + paragraph("No jobs yet.", kind="lead"))
    lost = _lost(report)
    worst = lost[lost["gain"] < 0].head(3)
    said = "No component has ended a job at a loss yet."
    if len(worst):
        names = format.listed([name(each) for each in worst["component"]])
        sums = text(format.money(-worst["gain"].sum(), report.currency))
        jobs = format.counted(int(worst["jobs"].sum()), "job")
        said = f"{names} ended the jobs that lost most: {sums} in {jobs}."
        said = said[:5] + said[5].upper() + said[6:]  # behind the mark that keeps a name apart
    return Shown(head + paragraph(said, text(came_out(report.calibration)), kind="lead"))


def _lost(report: ReportData) -> pd.DataFrame:
    """Add up the gain of the jobs that each component ended: component, gain, jobs; the dearest first."""
    ended = report.records.jobs.set_index("job")["ended_by"]
    jobs = report.gains.assign(component=report.gains["job"].map(ended))
    by = jobs.dropna(subset=["component", "gain"]).groupby("component")["gain"].agg(["sum", "size"])
    frame = by.rename(columns={"sum": "gain", "size": "jobs"}).reset_index()
    return frame.sort_values(["gain", "component"], ignore_index=True)


def _order(report: ReportData) -> list[str]:
    """Put the components in the one order of this page: by what they cost, then by name."""
    dear = list(_lost(report)["component"])
    return dear + [each for each in report.component_pages if each not in dear]


def cost(report: ReportData) -> Shown:
    """Show the money lost in the jobs that each component ended."""
    frame, currency = _lost(report), report.currency
    if frame.empty:
        said = "No component has ended a job yet." if len(report.gains) else "No jobs yet."
        return section("cost", "Money lost in the jobs that each component ended", paragraph(said))
    scale = figures.scale_of(*frame["gain"])
    fields = [
        Field("Component", lambda row: report.component_link(row.component)),
        Field(
            format.money_span(scale.low, scale.high, currency),
            lambda row: figures.bar_cell(row.gain, scale),
            "wide",
        ),
        format.amount("Gain", "gain", currency, leads=True),
        format.number("Jobs it ended", "jobs"),
    ]
    jobs = report.gains
    named = int(frame["jobs"].sum())
    failed = jobs[(jobs["outcome"] != "repaired") & jobs["gain"].notna()]
    unnamed = len(failed) - named
    sums = format.money(float(failed["gain"].sum()), currency)
    notes = [
        f"All {format.counted(len(failed), 'job')} without a repair came to {sums}"
        + (f"; {unnamed} of them name no component." if unnamed else "."),
        predicted_note(report),
    ]
    return section(
        "cost",
        "Money lost in the jobs that each component ended",
        format.table(
            frame,
            fields,
            caption="Gain of the jobs that each component ended",
            says="What came in less the unit, parts, other costs and hours. The dearest first.",
            kind="short",
        ),
        paragraph(*map(text, notes), kind="soft"),
    )


def predicted_note(report: ReportData) -> str:
    """Say in how many jobs an amount is not on record."""
    guessed = int((report.gains["predicted"] != "").sum())
    if not guessed:
        return ""
    return (
        f"In {guessed} of {format.counted(len(report.gains), 'finished job')} an amount is not on record and "
        "is predicted instead."
    )


def faults(report: ReportData) -> Shown:
    """Map what has failed by today: family by component, with the records behind each chance."""
    components = [each for each in _order(report) if each in report.component_pages]
    families = list(report.ranking.sort_values("kind", kind="stable")["family"])
    if not components or not families:
        return section(
            "faults",
            "What has failed in a usual unit today",
            paragraph("No component has been examined yet."),
        )
    failed = pd.DataFrame(index=families, columns=components, dtype=float)
    for family in families:
        found = report.explained(family).components.set_index("component")["failed"]
        failed.loc[family] = found.reindex(components).to_numpy()
    failed = format.coarse(failed, *components)
    seen = report.own.table.drop_duplicates("record").value_counts(["family", "component"])
    records = seen.unstack(fill_value=0).reindex(index=families, columns=components, fill_value=0)
    kinds = report.records.families.set_index("family")["kind"]
    return section(
        "faults",
        "What has failed in a usual unit today",
        figures.fault_map(
            failed,
            records,
            rows={each: f"{report.family_link(each)}<small>{name(kinds[each])}</small>" for each in families},
            columns={each: report.component_link(each) for each in components},
            caption="Chance in percent that a component has failed by today",
            says="A stronger colour is likelier. A larger dot: more records of this bench; a ring: none, "
            "only those of other families. Rounded to 5, near the ends to 1. Components that ended the "
            "dearest jobs come first.",
        ),
    )


def forecasts(report: ReportData) -> Shown:
    """Check forecasts against what came of them; the scores behind a fold."""
    found = report.calibration
    if not len(found.jobs):
        said = "No forecast can be checked against its outcome yet: too few jobs are finished."
        return section("forecasts", "Were the odds right?", paragraph(said))
    groups = _groups(found.jobs)
    better = "better" if found.brier < found.brier_usual else "no better"
    chance, n = found.jobs["success_chance"].to_numpy(float), len(found.jobs)
    repaired, forecast = float(found.jobs["repaired"].sum()), float(chance.sum())
    # Independent jobs; a common error of the odds would make the sum vary more.
    apart = 1.96 * float(np.sqrt((chance * (1 - chance)).sum()))
    verdict = "That may be chance."
    if abs(repaired - forecast) > apart:
        verdict = (
            f"That is more than chance: the forecasts were too {'low' if repaired > forecast else 'high'}."
        )
    sums = (
        f"{repaired:.0f} of {format.counted(n, 'job')} {'was' if n == 1 else 'were'} repaired; the forecasts "
        f"add up to {forecast:.0f}."
    )
    scores = paragraph(
        f"By chance alone the number repaired lies within {apart:.0f} of the forecast in 19 of 20 cases. "
        f"Each job was judged by what was known before its year. Mean squared error {found.brier:.3f}, "
        f"against {found.brier_usual:.3f} for always saying the bench's overall rate; log loss "
        f"{found.log_loss:.3f} against {found.log_loss_usual:.3f}: {better} than the plain rate."
    )
    return section(
        "forecasts",
        "Were the odds right?",
        paragraph(text(sums), verdict),
        format.table(
            groups,
            [
                Field("Forecast", lambda row: format.on_phone("forecast") + text(format.share(row.forecast))),
                Field("0 to 100 %", lambda row: _forecast_cell(row, int(groups["jobs"].max())), "wide"),
                Field("Repaired", lambda row: _of(row.repaired, row.jobs), "number", leads=True),
            ],
            caption="Jobs by the chance of a repair that was forecast",
            says="Tick: mean forecast. Dot and line: share repaired, with its 90\u00a0% interval; the "
            "larger the dot, the more jobs.",
        ),
        fold("Scores, and how we know", scores),
    )


def _of(repaired: int, jobs: int) -> str:
    return f"{repaired} of {jobs}" + '<span class="narrow"> repaired</span>'


def _forecast_cell(row: Any, most: int) -> str:
    radius = 2.5 + 5.0 * np.sqrt(row.jobs / most)
    return figures.interval_cell(row.share, row.low, row.high, found=row.forecast, radius=round(radius, 1))


def _groups(jobs: pd.DataFrame) -> pd.DataFrame:
    """Jobs in tenths of the forecast: jobs, forecast (mean), repaired (count), share, low, high."""
    forecast = jobs["success_chance"].to_numpy(float)
    at = np.minimum((forecast * _BINS).astype(int), _BINS - 1)
    by = pd.DataFrame({"at": at, "forecast": forecast, "repaired": jobs["repaired"].to_numpy(float)}).groupby(
        "at"
    )
    frame = by.agg(jobs=("forecast", "size"), forecast=("forecast", "mean"), repaired=("repaired", "sum"))
    frame["repaired"] = frame["repaired"].astype(int)
    frame["share"] = frame["repaired"] / frame["jobs"]
    frame["low"], frame["high"] = share_interval(frame["repaired"], frame["jobs"])
    return frame.reset_index(drop=True)


def years(report: ReportData) -> Shown:
    """Stack the outcomes of each year."""
    jobs = report.gains
    if jobs.empty:
        return section("years", "Outcomes by year", paragraph("No jobs yet."))
    counts = pd.crosstab(jobs["closed"].dt.year, jobs["outcome"]).reindex(
        columns=list(OUTCOMES), fill_value=0
    )
    counts = counts.reindex(range(counts.index.min(), counts.index.max() + 1), fill_value=0)
    parts = [each.replace(" ", "_") for each in OUTCOMES]
    frame = counts.set_axis(parts, axis=1).assign(year=counts.index.astype(str), jobs=counts.sum(axis=1))
    most = int(frame["jobs"].max())
    fields = [
        Field("Finished in", lambda row: row.year),
        Field(
            f"0 to {most} jobs",
            lambda row: figures.stacked_cell([getattr(row, each) for each in parts], most),
            "wide",
        ),
        Field("Repaired", lambda row: _of(row.repaired, row.jobs), "number", leads=True),
        *(format.number(format.capital(each), each.replace(" ", "_")) for each in OUTCOMES[1:]),
    ]
    table = format.table(frame, fields, caption="Finished jobs by year and outcome")
    open_jobs = report.odds.tally.jobs_open
    waits = f"{format.counted(open_jobs, 'job is', 'jobs are')} still open." if open_jobs else ""
    elsewhere = report.odds.tally.jobs_imported
    others = (
        f"{format.counted(elsewhere, 'job')} from elsewhere {'is' if elsewhere == 1 else 'are'} not counted "
        "here."
        if elsewhere
        else ""
    )
    return section(
        "years", "Outcomes by year", figures.part_key(OUTCOMES), table, paragraph(waits, others, kind="soft")
    )
