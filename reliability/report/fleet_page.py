"""The page of the whole fleet: the ranking, what is likely to be broken, what the records say."""

from typing import Any

import pandas as pd

from reliability.report import figures, format
from reliability.report.format import Shown, bullets, paragraph, section, text, verdict_mark
from reliability.report.study import Study


def rank(study: Study) -> Shown:
    """Rank the families with verdict and ceiling at the price usually asked."""
    facts, frame = study.facts, study.tables["families"]
    currency = facts["currency"]
    fields = [
        format.linked("Family", "family"),
        format.Field(
            "At the usual price", lambda row: verdict_mark(row.verdict) if row.verdict else format.NOTHING
        ),
        format.amount("Usually asked", "usual_price", currency),
        format.amount("Take up to", "ceiling", currency),
        format.amount("Mean gain", "expected_gain", currency),
        format.chance("Loses money", "chance_of_loss"),
        format.chance("Repair works out", "success_chance", "success_low", "success_high"),
        format.number("Bench time", "hours", format.hours),
        format.Field("Chief risk", lambda row: format.risks(row) or format.NOTHING),
        format.Field("Jobs", lambda row: f"{row.jobs_seen:.0f}<small>{text(row.evidence)}</small>", "number"),
    ]
    says = "A usual unit of each family, nobody having looked for signs yet. Small print: 90\u00a0% interval."
    head = f"<h1>Fleet</h1>{paragraph(text(facts['summary']), kind='lead')}"
    return Shown(
        head
        + section(
            "ranking",
            "Take, haggle, skip",
            format.table(frame, fields, caption="Families, the best first", says=says),
        ).html
    )


def gaps(study: Study) -> Shown:
    """Draw the price usually asked against the ceiling."""
    frame = study.tables["families"]
    frame = frame[frame.usual_price.notna() & frame.ceiling.notna()] if len(frame) else frame
    if frame.empty:
        return section("prices", "Price and ceiling", paragraph("No family has a price yet."))
    best, worst = frame.iloc[0], frame.iloc[-1]
    alt = (
        f"Usual price and ceiling of {len(frame)} families, the best first. "
        f"{best.family}: usually asked {format.money(best.usual_price, study.facts['currency'])}, "
        f"ceiling {format.money(best.ceiling, study.facts['currency'])}. "
        f"{worst.family}: usually asked {format.money(worst.usual_price, study.facts['currency'])}, "
        f"ceiling {format.money(worst.ceiling, study.facts['currency'])}."
    )
    drawn = figures.price_gaps(
        frame.rename(columns={"usual_price": "asked"}),
        currency=study.facts["currency"],
        title="How far is the usual price from the ceiling?",
        alt=alt,
        says=(
            "Circle: usually asked. Diamond: ceiling. Full line: the ceiling is higher, room to take; "
            "dotted: too dear."
        ),
    )
    return section("prices", "Price and ceiling", drawn)


def faults(study: Study) -> Shown:
    """Map what is likely to have failed and to need work: one grid for each kind of unit."""
    cells, families = study.tables["cells"], study.tables["families"]
    if cells.empty:
        return section(
            "faults", "What is likely to be wrong today", paragraph("No component has been examined yet.")
        )
    said = (
        "Large: chance that it has failed, at the age that a usual unit has today; the darker, the "
        "likelier. Below: chance that it has failed or is worn, and the family's own records. With none or "
        "few, the numbers lean on other families. Chances are rounded to 5\u00a0%, near the ends to 1\u00a0%."
    )
    grids = [
        _grid(study, cells[cells.family.isin(some.family)], kind) for kind, some in families.groupby("kind")
    ]
    return section("faults", "What is likely to be wrong today", paragraph(said), *grids)


def _grid(study: Study, cells: pd.DataFrame, kind: object) -> str:
    order = [each for each in study.tables["families"].family if each in set(cells.family)]
    shares = cells.pivot(index="family", columns="component", values="failed").loc[order]
    columns = list(shares.mean().sort_values(ascending=False, kind="stable").index)
    remarks = cells.assign(says=[_cell_says(row) for row in cells.itertuples()])
    wide = remarks.pivot(index="family", columns="component", values="says").loc[order, columns]
    return format.heat_map(
        shares[columns],
        wide.fillna(""),
        caption=f"{str(kind).capitalize()}: failed by today",
        row_head="Family",
        links=_links(study),
    )


def _cell_says(row: Any) -> str:
    return f"or worn {format.share(row.needs_work)}; {format.counted(int(row.records), 'record')}"


def _links(study: Study) -> dict[str, str]:
    families, components = study.tables["families"], study.tables["components"]
    return dict(
        zip([*components.component, *families.family], [*components.page, *families.page], strict=True)
    )


def forecasts(study: Study) -> Shown:
    """Hold the forecasts of past years against what came of them."""
    groups = study.tables["forecasts"]
    findings = study.facts["forecast_findings"]
    said = bullets([text(each) for each in findings])
    if groups.empty:
        return section("forecasts", "How good were the odds?", said)
    pairs = "; ".join(
        f"forecast {format.share(row.forecast)}, repaired {format.share(row.repaired)}"
        for row in groups.itertuples()
    )
    drawn = figures.forecasts(
        groups,
        title="Did jobs turn out as forecast?",
        alt=f"Share repaired against forecast chance in {len(groups)} groups of jobs: {pairs}.",
        says="Dot: a fifth of the jobs. Line: 90\u00a0% interval of its share repaired. On the dashed line "
        "forecasts come true.",
    )
    return section("forecasts", "How good were the odds?", said, drawn)


def said(study: Study) -> Shown:
    """Say what the records of the whole bench hold, year by year."""
    frame = study.tables["years"]
    fields = [
        format.label("Finished in", "year"),
        format.number("Jobs", "jobs"),
        format.number("Repaired", "repaired"),
        format.number("Donor", "donor"),
        format.number("Scrapped", "scrapped"),
        format.number("Sold as is", "sold_as_is"),
    ]
    table = format.table(frame, fields, caption="Finished jobs by year") if len(frame) else ""
    return section(
        "records", "What the records say", bullets([text(each) for each in study.facts["records_say"]]), table
    )
