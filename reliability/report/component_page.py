"""The page of one component: the families compared, then one by one by age."""

from typing import Any

import pandas as pd

from reliability.report import figures, format
from reliability.report.format import Shown, name, paragraph, section, text
from reliability.report.study import Study


def answer(study: Study) -> Shown:
    """Name the component and say where it is likely to have failed and where not."""
    said = study.facts["summary"]
    return Shown(f"<h1>{name(study.subject)}</h1>{paragraph(text(said), kind='lead')}")


def families(study: Study) -> Shown:
    """Compare the families at the age that their units have today; bare counts if none is judged by it."""
    frame = study.tables["families"]
    if frame.empty:
        return section("families", "What was found", _counted(study))
    drawn = figures.intervals(
        frame.rename(
            columns={"family": "group", "failed": "mean", "failed_low": "low", "failed_high": "high"}
        ),
        title=f"In which families has the {study.subject} failed by today?",
        alt=(
            f"Probability that the {study.subject} of a usual unit has failed, by family. "
            f"{study.facts['summary']}"
        ),
        says=(
            "Dot: best estimate, line: 90\u00a0% interval. A hollow dot has no record of its own and leans "
            "on the others."
        ),
        label="Failed by today",
    )
    fields = [
        format.linked("Family", "family"),
        format.number("Age today", "age_years", format.years),
        format.chance("Needs work", "needs_work", "needs_work_low", "needs_work_high"),
        format.chance("Failed", "failed", "failed_low", "failed_high"),
        format.number("Found failed", "n_failed"),
        format.number("Found working", "n_sound"),
        format.age("1 in 10 failed by", "b10_years", "b10_low", "b10_high"),
        format.age("Half failed by", "b50_years", "b50_low", "b50_high"),
        format.label("What the family's own records allow", "fit_says", kind="long"),
    ]
    says = (
        "Needs work and failed: of a usual unit today, leaning on all families. Ages by which 1 in 10 and "
        "half have failed: from the family's own records alone. Small print: 90\u00a0% interval."
    )
    return section(
        "families",
        "Families compared",
        drawn,
        format.table(frame, fields, caption="Families, the likeliest to have failed first", says=says),
    )


def _counted(study: Study) -> str:
    fields = [
        format.linked("Family", "family"),
        format.number("Jobs that name it", "jobs"),
        format.number("Found sound", "sound"),
        format.number("Found worn", "worn"),
        format.number("Failed", "failed"),
        format.number("Ended the job", "ended"),
    ]
    return format.table(study.tables["counts"], fields, caption="Jobs of this bench that name it, by family")


def curves(study: Study) -> Shown:
    """Draw the share failed by age for every family, with its records."""
    if study.tables["families"].empty:
        return Shown("")
    key = figures.key(
        line="estimate, leaning on all families",
        band="its 90\u00a0% interval",
        step="own records without a model",
        failed="found failed at that age",
        sound="still working at that age",
        today="age of a usual unit today",
    )
    pictures = "".join(_picture(study, row) for row in study.tables["families"].itertuples(index=False))
    return section("ages", "By age", key, f'<div class="figures">{pictures}</div>')


def _picture(study: Study, row: Any) -> str:
    def of(table: str) -> pd.DataFrame:
        frame = study.tables[table]
        return frame[frame.family == row.family]

    own = f"{int(row.n_failed)} failed, {int(row.n_sound)} working" if row.records else "No record of its own"
    finding = f"{own}; {format.share(row.failed)} failed by {format.years(row.age_years)}."
    return figures.life_curve(
        title=f"{row.family}",
        alt=f"Share of {study.subject} failed by age in {row.family}: {finding}",
        says=text(finding),
        steps=of("steps"),
        model=of("model"),
        marks=of("marks"),
        today_years=row.age_years,
    )


def changes(study: Study) -> Shown:
    """Say what production years have to do with it."""
    if study.tables["families"].empty:
        return Shown("")
    said = [text(each) for each in study.facts["year_findings"]]
    if not said:
        return section(
            "years",
            "Production years",
            paragraph("Nothing to be said of production years from these records."),
        )
    return section("years", "Production years", *[paragraph(each) for each in said])
