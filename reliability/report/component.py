"""The page of one component, which answers: should this part scare me."""

import numpy as np
import pandas as pd

from reliability.report import figures, format
from reliability.report.data import ReportData
from reliability.report.family import called_changes
from reliability.report.lives import BEYOND_YEARS, NO_STEPS
from reliability.report.show import Shown, show

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


def answer(report: ReportData, component: str) -> Shown:
    """Say whether to fear it: how often it fails, what mends it, how many jobs it ended."""
    frame, told = families_with(report, component), {}
    if len(frame):
        worst = frame["ends_job"].max()
        # Families that read alike are named alike.
        alike = frame.loc[frame["ends_job"].map(format.in_hundred) == format.in_hundred(worst), "family"]
        advice = "Do not fear" if worst < HARMLESS else "Mind" if worst < DREADED else "Fear"
        told = {"worst": worst, "alike": list(alike), "advice": advice}
    counts = report.counts[report.counts["component"] == component]
    return show(report, "component", "answer", component=component, frame=frame, counts=counts, **told)


def families(report: ReportData, component: str) -> Shown:
    """Compare the families; bare counts if none is judged by it."""
    counts = report.counts[report.counts["component"] == component]
    return show(report, "component", "families", frame=families_with(report, component), counts=counts)


def ages(report: ReportData, component: str) -> Shown:
    """Draw the share failed by age, family by family on one axis."""
    frame = families_with(report, component)
    if frame.empty:
        return Shown("")
    owns = {each: report.own_lives(each) for each in frame["family"]}
    marks = {each: own.marks[own.marks["component"] == component] for each, own in owns.items()}
    last = (
        float(np.nanmax([*frame["age_years"], *pd.concat(marks.values())["age_years"], 0.0])) + BEYOND_YEARS
    )
    pictures = []
    for row in frame.itertuples():
        here = marks[row.family]
        failed, n = int(here["count"].where(here["is_failed"], 0).sum()), int(here["count"].sum())
        says = f"{failed} failed, {n - failed} still worked." if n else "No record."
        today = f"Today, at {format.years(row.age_years)}: {format.share(row.failed)}."
        pooled = report.failed_by_age(row.family, np.linspace(0, last, 26))
        pictures.append(
            figures.life_curve(
                title=row.family,
                alt=f"Share of {component} failed by age in {row.family}. {says} {today}",
                says=says,
                steps=owns[row.family].steps.get(component, NO_STEPS),
                marks=here,
                pooled=pooled[pooled["component"] == component],
                last_record=float(here["age_years"].max()) if n else 0.0,
                today_years=row.age_years,
                last_age=last,
            )
        )
    return show(report, "component", "ages", pictures=pictures)


def years(report: ReportData, component: str) -> Shown:
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
