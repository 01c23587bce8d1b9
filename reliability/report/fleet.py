"""The page of the whole fleet: what goes wrong, what it costs, whether the odds were right."""

import numpy as np
import pandas as pd

from reliability.report import figures, format
from reliability.report.data import ReportData
from reliability.report.show import Shown, show
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


def answer(report: ReportData) -> Shown:
    """Name the components that cost most, and say whether the odds were right."""
    lost = _lost(report)
    worst = lost[lost["gain"] < 0].head(3)
    return show(report, "fleet", "answer", worst=worst, came_out=came_out(report.calibration))


def cost(report: ReportData) -> Shown:
    """Show the money lost in the jobs that each component ended."""
    lost, jobs = _lost(report), report.gains
    failed = jobs[(jobs["outcome"] != "repaired") & jobs["gain"].notna()]
    return show(report, "fleet", "cost", lost=lost, failed=failed, scale=figures.scale_of(*lost["gain"]))


def faults(report: ReportData) -> Shown:
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


def forecasts(report: ReportData) -> Shown:
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


def years(report: ReportData) -> Shown:
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
