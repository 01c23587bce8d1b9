"""The page of one family: first the answer, then why, then the records behind it."""

from typing import Any

import pandas as pd

from reliability.report import figures, format
from reliability.report.answer import answer_tag
from reliability.report.format import Shown, bullets, name, paragraph, section, text
from reliability.report.study import Study

_NEWEST = 15
_CAVEAT = (
    "The chance of a repair is this bench's own: it depends on what its owner buys and when they give up. "
    "Another bench would see other odds."
)


def answer(study: Study) -> Shown:
    """Name the family and say what to do when one is offered."""
    facts = study.facts
    described = [name(facts["kind"]), facts["maker"] and f"by {name(facts['maker'])}", text(facts["built"])]
    below = paragraph(", ".join(each for each in described if each), kind="soft")
    head = f"<h1>{name(study.subject)}</h1>{below}"
    note = paragraph(text(facts["note"]), kind="note") if facts["note"] else ""
    caveats = " ".join([*facts["remarks"], _CAVEAT])
    return Shown(head + answer_tag(facts) + note + paragraph(text(caveats), kind="soft"))


def parts(study: Study) -> Shown:
    """Say component by component what is wrong with such a unit, and what ends the job."""
    facts, frame = study.facts, study.tables["parts"]
    if frame.empty:
        return section(
            "why", "Why", paragraph("Nothing is known of its components yet, not even from its kind.")
        )
    fields = [
        format.linked("Component", "component"),
        format.chance("Needs work", "needs_work", "needs_work_low", "needs_work_high"),
        format.chance("Failed", "failed", "failed_low", "failed_high"),
        format.chance("Can be mended", "repairable"),
        format.chance("Ends the job", "ends_job"),
        format.amount("Part", "part_cost", facts["currency"]),
        format.number("Bench time", "hours", format.hours),
        format.number("Records", "records"),
    ]
    says = (
        f"Of a usual unit, {format.years(facts['age_years'])} old. Small print: 90\u00a0% interval for what "
        "is not known. Where there are few records the numbers lean on other families. Chances are "
        "rounded to 5\u00a0%, near the ends to 1\u00a0%."
    )
    return section(
        "why",
        "Why: component by component",
        format.table(frame, fields, caption="Components, the chief risk first", says=says),
    )


def plan(study: Study) -> Shown:
    """Say in which order to look at the components, and where to stop."""
    facts, frame = study.facts, study.tables["plan"]
    currency = facts["currency"]
    head = paragraph(text(facts["plan_says"]))
    if frame.empty:
        return section("plan", "What to look at first", head)
    fields = [
        format.linked("Look at", "component"),
        format.chance("Failed", "failed"),
        format.chance("Ends the job", "ends_job"),
        format.label("If it has failed", "if_failed"),
        format.amount("A look costs", "look_cost", currency),
        format.amount("Mending costs", "mend_cost", currency),
    ]
    table = format.table(
        frame,
        fields,
        caption="Order of inspection",
        says=(
            "For a unit of which nothing is known yet; each line holds if everything above it was sound. "
            "Costs include time. The command plan gives the order for a unit on the bench."
        ),
    )
    return section(
        "plan", "What to look at first", head, table, bullets([text(each) for each in facts["plan_notes"]])
    )


def lives(study: Study) -> Shown:
    """Draw the share failed by age for each component that has records of its own."""
    frame = study.tables["lives"]
    if frame.empty:
        none = "No component of this family has been examined yet; the table above leans on its kind."
        return section("lives", "How long its components last", paragraph(none))
    is_drawn = frame.is_drawn.astype(bool)
    pictures = [_life_picture(study, row) for row in frame[is_drawn].itertuples(index=False)]
    unsaid = [f"{name(row.component)}: {text(row.says)}" for row in frame[~is_drawn].itertuples(index=False)]
    key = figures.key(
        line="Weibull curve",
        band="its 90\u00a0% interval",
        step="the same without a model",
        failed="found failed at that age",
        sound="still working at that age",
        today="age of such a unit today",
    )
    return section(
        "lives",
        "How long its components last",
        key if pictures else "",
        f'<div class="figures">{"".join(pictures)}</div>' if pictures else "",
        _life_table(frame[is_drawn]) if pictures else "",
        f"<h3>Components without a curve</h3>{bullets(unsaid)}" if unsaid else "",
    )


def _life_picture(study: Study, row: Any) -> str:
    def of(table: str) -> pd.DataFrame:
        frame = study.tables[table]
        return frame[frame.component == row.component]

    counts = f"{int(row.n_failed)} failed, {int(row.n_sound)} still working"
    finding = f"{counts}. {row.says}".strip()
    return figures.life_curve(
        title=f"When does the {row.component} fail?",
        alt=f"Share of {row.component} failed by age, {study.subject}: {finding}",
        says=text(finding),
        steps=of("steps"),
        model=of("model"),
        marks=of("marks"),
        today_years=study.facts["age_years"],
    )


def _life_table(frame: pd.DataFrame) -> str:
    fields = [
        format.linked("Component", "component"),
        format.age("1 in 10 failed by", "b10_years", "b10_low", "b10_high"),
        format.age("Half failed by", "b50_years", "b50_low", "b50_high"),
        format.number("Failed", "n_failed"),
        format.number("Working", "n_sound"),
        format.label("What the records allow", "fit_says", kind="long"),
    ]
    says = "From this family's own records alone. Small print: 90\u00a0% interval."
    return format.table(frame, fields, caption="Lives of the components", says=says)


def years(study: Study) -> Shown:
    """Say what production years have to do with it, and draw the records that tell."""
    marks, changes = study.tables["year_marks"], study.tables["year_changes"]
    said = bullets([text(each) for each in study.facts["year_findings"]])
    if marks.empty:
        return section("years", "Production years", said)
    year_of = dict(zip(changes.component, changes.change_year, strict=True))
    pictures = [
        _year_picture(study, component, year_of.get(component)) for component in marks.component.unique()
    ]
    key = figures.key(
        failed="found failed", sound="still working", today="from this year on lives are different, if drawn"
    )
    return section("years", "Production years", said, key, f'<div class="figures">{"".join(pictures)}</div>')


def _year_picture(study: Study, component: str, change_year: float | None) -> str:
    frame = study.tables["year_marks"]
    marks = frame[frame.component == component]
    total = f"{int(marks['count'].sum())} records of a known year"
    change = f"; a change stands out from {change_year:.0f} on" if change_year is not None else ""
    return figures.years(
        marks,
        change_year=change_year,
        title=f"Does the year matter for the {component}?",
        alt=(
            f"Age at inspection against production year of the {component} of {study.subject}: "
            f"{total}{change}."
        ),
        says=text(f"{total}{change}."),
    )


def endings(study: Study) -> Shown:
    """Say what ended the jobs that were not repaired."""
    frame = study.tables["endings"]
    if frame.empty:
        return section(
            "endings", "What ends jobs", paragraph("No job of this family has ended without a repair.")
        )
    fields = [
        format.label("Ended by", "ended_by"),
        format.label("Why", "ended_why"),
        format.number("Jobs", "jobs"),
        format.label("Outcomes", "outcomes"),
    ]
    return section(
        "endings", "What ends jobs", format.table(frame, fields, caption="Jobs that ended without a repair")
    )


def money(study: Study) -> Shown:
    """Say what a job costs, takes and brings."""
    facts, frame, gains = study.facts, study.tables["money"], study.tables["gains"]
    if frame.empty:
        return section(
            "money", "What a job costs, takes and brings", paragraph("No finished job of this family yet.")
        )
    fields = [
        format.label("Outcome", "outcome"),
        format.number("Jobs", "jobs"),
        format.amount("Bought for", "bought_for", facts["currency"]),
        format.amount("Parts and other costs", "costs", facts["currency"]),
        format.number("Bench time", "hours", format.hours),
        format.amount("Brought", "brought", facts["currency"]),
        format.amount("Gain", "gain", facts["currency"]),
    ]
    table = format.table(frame, fields, caption="A job in the middle of its group", says=facts["money_says"])
    drawn = ""
    if len(gains):
        drawn = figures.gains(
            gains,
            currency=facts["currency"],
            title="What did each job bring?",
            alt=f"Gain of each finished job of {study.subject} by outcome. {facts['gain_finding']}",
            says=f"{text(facts['gain_finding'])} One dot is one job; the upright bar marks the middle one.",
        )
    return section("money", "What a job costs, takes and brings", table, drawn)


def comebacks(study: Study) -> Shown:
    """Say how many repaired units came back."""
    facts, curve = study.facts, study.tables["comebacks"]
    said = text(facts["comeback_says"])
    drawn = ""
    if len(curve):
        drawn = figures.comebacks(
            curve,
            title="How many repaired units come back?",
            alt=(
                f"Share of repaired {study.subject} that came back, by days since the sale. "
                f"{facts['comeback_says']}"
            ),
            says="Only checks that somebody made count; silence is not a working unit.",
        )
    return section("comebacks", "Comebacks", paragraph(said), drawn)


def jobs(study: Study) -> Shown:
    """List the records behind the page, the newest first."""
    facts, frame = study.facts, study.tables["jobs"]
    rests_on = bullets([text(each) for each in facts["basis"]])
    basis = f"<details><summary>What this rests on</summary>{rests_on}</details>"
    if frame.empty:
        none = paragraph("No job of this family has been written down yet.")
        return section("records", "The records behind it", none, basis)
    fields = [
        format.Field("Job", lambda row: f"{name(row.job)}<small>{text(row.taken_in)}</small>"),
        format.label("Outcome", "outcome"),
        format.label("What was found", "found", kind="long"),
        format.label("Signs", "signs"),
        format.label("Built", "built"),
        format.amount("Bought for", "bought_for", facts["currency"]),
        format.number("Bench time", "hours", format.hours),
        format.amount("Sold for", "sold_for", facts["currency"]),
        _gain(facts["currency"]),
    ]
    newest = format.table(
        frame.head(_NEWEST), fields, caption="Jobs of this family, newest first", says=facts["jobs_says"]
    )
    older = frame.iloc[_NEWEST:]
    rest = ""
    if len(older):
        inside = format.table(older, fields, caption="Older jobs of this family")
        rest = f"<details><summary>{format.counted(len(older), 'older job')}</summary>{inside}</details>"
    looking_back = paragraph(text(facts["forecast_says"])) if facts["forecast_says"] else ""
    return section("records", "The records behind it", looking_back, newest, rest, basis)


def _gain(currency: str) -> format.Field:
    """Show the gain of a job, and what of it had to be predicted."""

    def show(row: Any) -> str:
        said = text(format.money(row.gain, currency))
        return (
            f"{said}<small>predicted: {text(row.predicted)}</small>"
            if format.is_known(row.predicted)
            else said
        )

    return format.Field("Gain", show, "number")
