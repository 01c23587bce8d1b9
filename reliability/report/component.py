"""The page of one component, which answers: should this part scare me."""

from typing import Any

import numpy as np
import pandas as pd

from reliability.report import figures, format
from reliability.report.data import ReportData
from reliability.report.family import CALLED, components_of, found, mended, share_cell
from reliability.report.format import Shown, fold, in_hundred, listed, name, paragraph, text
from reliability.report.lives import BEYOND_YEARS, NO_STEPS

HARMLESS, DREADED = 0.03, 0.10
"""Largest chance of ending a job at which a component need not be feared, and the least at which it should be
(common practice, no source)."""


def answer(report: ReportData, component: str) -> Shown:
    """Say whether to fear it: how often it fails, what mends it, how many jobs it ended."""
    frame, counts = families_with(report, component), _counts(report, component)
    head = f"<h1>{name(format.capital(component))}</h1>"
    jobs, ended = int(counts["jobs"].sum()), int(counts["ended"].sum())
    seen = f"{format.counted(jobs, 'job')} of this bench {'names' if jobs == 1 else 'name'} it"
    if frame.empty:
        failed = int(counts["failed"].sum())
        says = (
            f"{seen}; it had failed in {failed} and ended {ended}."
            if jobs
            else "No job of this bench names it."
        )
        says = format.capital(says)
        return Shown(head + paragraph(text(says), "No family is judged by it: here are counts, and no odds."))
    worst = frame.loc[frame["ends_job"].idxmax()]
    # Families that read alike are named alike.
    alike = frame.loc[frame["ends_job"].map(in_hundred) == in_hundred(worst.ends_job), "family"]
    where = f" at worst ({listed([name(each) for each in alike])})" if len(frame) > 1 else ""
    if worst.ends_job < HARMLESS:
        says, kind = "Do not fear it", "take"
    elif worst.ends_job < DREADED:
        says, kind = f"Mind it: it will end {in_hundred(worst.ends_job)} jobs{where}", "haggle"
    else:
        says, kind = f"Fear it: it will end {in_hundred(worst.ends_job)} jobs{where}", "skip"
    tried, n_mended = int(counts["tried"].sum()), int(counts["mended"].sum())
    span = format.span(frame["failed"].min(), frame["failed"].max())
    odds = f"Chance that it has failed by today: {span}"
    odds += ", depending on the family." if len(frame) > 1 else "."
    part = format.money_span(frame["part_cost"].min(), frame["part_cost"].max(), report.currency)
    if len({format.money(each, "") for each in frame["part_cost"]}) == 1:
        part = format.money(worst.part_cost, report.currency)
    mends = f"Mending it takes {part} and {format.hours(worst.hours)}."
    record = format.capital(seen)
    record += f"; it ended {ended or 'none'} of them." if jobs else "."
    record += f" Mending was tried {_times(tried)} and {_worked(tried, n_mended)}." if tried else ""
    return Shown(
        head
        + paragraph(says, kind=f"says verdict {kind}")
        + paragraph(text(odds), text(mends))
        + paragraph(text(record) if jobs else "No job of this bench names it.", kind="soft")
    )


def _worked(tried: int, mended: int) -> str:
    if mended == 0:
        return "did not work" if tried == 1 else "never worked"
    often = "each time" if mended == tried else _times(mended)
    return "worked" if tried == 1 else f"worked {often}"


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def families_with(report: ReportData, component: str) -> pd.DataFrame:
    """Families judged by it, whose jobs it ends most first: family, age_years, `components_of`."""
    rows = []
    for family in report.family_pages:
        if component in report.components_of(family):
            frame = components_of(report, family)
            here = frame[frame["component"] == component]
            rows.append(here.assign(family=family, age_years=report.usual_age(family)))
    if not rows:
        return pd.DataFrame()
    frame = pd.concat(rows)
    return frame.sort_values(["ends_job", "family"], ascending=[False, True], ignore_index=True)


def _counts(report: ReportData, component: str) -> pd.DataFrame:
    return report.counts[report.counts["component"] == component]


def families(report: ReportData, component: str) -> Shown:
    """Compare the families; bare counts if none is judged by it."""
    frame, counts = families_with(report, component), _counts(report, component)
    if frame.empty and counts.empty:
        return Shown("")
    numbers = [
        format.number(each.capitalize(), each, "{:.0f}".format) for each in ("failed", "worn", "sound")
    ]
    if frame.empty:
        fields = [
            format.Field("Family", lambda row: report.family_link(row.family, "../")),
            format.number("Jobs", "jobs"),
            *numbers,
            format.number("Ended", "ended"),
        ]
        table = format.table(counts, fields, caption="Jobs that name it, by family, and how it arrived")
        return format.section("families", "What was found", table)

    def named(row: Any) -> str:
        age = (
            f"{format.years(row.age_years)} old today" if format.is_known(row.age_years) else "age not known"
        )
        return f"{report.family_link(row.family, '../')}<small>{text(age)}</small>"

    fields = [
        format.Field("Family", named),
        format.Field("Failed today, 0 to 100 %", share_cell, "wide", leads=True),
        format.Field("Chance", lambda row: text(format.share(row.failed)), "number", leads=True),
        format.Field("Found failed", found, short="Found"),
        format.number("Ends a job", "ends_job", format.share),
        format.Field("Ended jobs", lambda row: figures.count_dots(row.ended), short="Ended"),
        format.Field("Mended", mended),
        format.amount("Part", "part_cost", report.currency),
    ]
    says = f"Dot and line: chance that it has failed in a usual unit today, with its {format.INTERVAL}. "
    says += "Tick: share found failed." if frame["jobs"].any() else ""
    says += " Hollow: never examined there." if (frame["jobs"] == 0).any() else ""
    caption = "Families, the one whose jobs it ends most often first"
    table = format.table(frame, fields, caption=caption, says=says, kind="families")
    return format.section("families", "In which families", table)


def ages(report: ReportData, component: str) -> Shown:
    """Draw the share failed by age, family by family on one axis."""
    frame = families_with(report, component)
    if frame.empty:
        return Shown("")
    owns = {each: report.own_lives(each) for each in frame["family"]}
    here = {each: own.marks[own.marks["component"] == component] for each, own in owns.items()}
    oldest = np.nanmax([*frame["age_years"], *pd.concat(here.values())["age_years"], 0.0])
    last = float(oldest) + BEYOND_YEARS
    pictures = []
    for row in frame.itertuples():
        marks = here[row.family]
        failed = int(marks.loc[marks["is_failed"], "count"].sum())
        says = (
            f"{failed} failed, {int(marks['count'].sum()) - failed} still worked."
            if len(marks)
            else "No record."
        )
        pooled = report.failed_by_age(row.family, np.linspace(0, last, 26))
        pictures.append(
            figures.life_curve(
                title=row.family,
                alt=f"Share of {component} failed by age in {row.family}. {says} Today, at "
                f"{format.years(row.age_years)}: {format.share(row.failed)}.",
                says=text(says),
                steps=owns[row.family].steps.get(component, NO_STEPS),
                marks=marks,
                pooled=pooled[pooled["component"] == component],
                last_record=float(marks["age_years"].max()) if len(marks) else 0.0,
                today_years=row.age_years,
                last_age=last,
            )
        )
    key = figures.key(
        pooled="as the odds have it, dashed beyond the oldest record",
        step="own records without a model",
        failed="found failed at that age",
        sound="still worked at that age",
        today="usual age today",
    )
    inside = f'<div class="figures">{"".join(pictures)}</div>'
    return Shown(fold(f"By age: {format.counted(len(frame), 'family', 'families')}", key, inside))


def years(report: ReportData, component: str) -> Shown:
    """Say what production years have to do with it."""
    if families_with(report, component).empty:
        return Shown("")
    changes = report.changes[report.changes["component"] == component]
    answered = changes[changes["status"] == "ok"]
    called = answered[answered["q_value"] <= CALLED] if len(answered) else answered
    said = [
        f"{name(row.family)}: lives differ from {row.change_year:.0f} on "
        f"(see {format.link('../' + report.family_pages[row.family] + '#years', 'its page')})."
        for row in called.itertuples()
    ]
    others = sorted(set(answered["family"]) - set(called["family"]))
    if others:
        said.append(f"No change is shown in {listed([name(each) for each in others])}.")
    rest = len(changes) - len(answered)
    if rest:
        said.append(f"Nothing can be told for {format.counted(rest, 'family', 'families')}.")
    shared = report.odds.shared
    slope = float(np.expm1(shared.year_slope[shared.components.index(component)]))
    if round(100 * slope):
        way = "longer" if slope > 0 else "shorter"
        said.append(
            f"By the odds, the life of a part made ten years later is {format.share(abs(slope))} {way}."
        )
    summary = "Production years: " + (
        f"a change in {format.counted(len(called), 'family', 'families')}"
        if len(called)
        else ("nothing stands out" if len(answered) else "nothing can be told")
    )
    return Shown(fold(summary, format.bullets(said)))
