"""The first page: what to take and what to skip, at a glance."""

from collections.abc import Mapping
from typing import Any

import pandas as pd

from reliability.report import format
from reliability.report.batch import CARD
from reliability.report.format import Shown, bullets, link, name, paragraph, section, text, verdict_mark
from reliability.report.study import Study

_GROUPS = {
    "take": "The price usually asked is below the ceiling.",
    "haggle": "A little too dear as usually asked; worth an offer.",
    "try one": "Too little is known; one unit would teach more than it may cost.",
    "skip": "Not worth it at the price usually asked.",
}


def glance(study: Study) -> Shown:
    """Group the families by verdict, each with its ceiling and its chief risk."""
    facts, frame = study.facts, study.tables["families"]
    head = f"<h1>What to take, what to leave</h1>{paragraph(text(facts['summary']), kind='lead')}"
    judged = frame[frame.verdict.notna()] if len(frame) else frame
    groups = {
        verdict: _group(judged[judged.verdict == verdict], verdict, facts["currency"])
        for verdict in _GROUPS
        if (judged.verdict == verdict).any()
    }
    skips = groups.pop("skip", "")
    shown = f'<div class="groups">{"".join(groups.values())}</div><div class="groups skips">{skips}</div>'
    rest = [link(row.page, name(row.family)) for row in frame[frame.verdict.isna()].itertuples(index=False)]
    unjudged = paragraph("No price known yet, so no verdict: " + ", ".join(rest) + ".") if rest else ""
    basis = paragraph(text(facts["basis"]), _speaks_for(facts), kind="soft")
    return Shown(head + shown + unjudged + basis)


def _speaks_for(facts: Mapping[str, Any]) -> str:
    """Say for which day the pages and the pocket card are."""
    said = f"These pages speak for {text(facts['as_of'])}"
    if not facts["card"]:
        return f"{said}; there is no pocket card yet."
    return f"{said}, the {link(CARD, 'pocket card')} for {text(facts['card'])}."


def _group(frame: pd.DataFrame, verdict: str, currency: str) -> str:
    rows = [_line(row, verdict, currency) for row in frame.itertuples(index=False)]
    kind = verdict.replace(" ", "-")
    inside = paragraph(_GROUPS[verdict]) + bullets(rows)
    return f'<div class="{kind}"><h2>{verdict_mark(verdict)}</h2>{inside}</div>'


def _line(row: Any, verdict: str, currency: str) -> str:
    chance = f"repaired in {format.share(row.success_chance)}"
    jobs = format.counted(int(row.jobs_seen), "job")
    risk = f"; chief risk: {risks}" if (risks := format.risks(row)) else ""
    ceiling = format.money(row.ceiling, currency)
    price = f"up to {ceiling}" if row.ceiling > 0 else "not even as a gift"
    if verdict in ("skip", "haggle", "try one"):
        price += f", usually asked {format.money(row.usual_price, currency)}"
    return f"{link(row.page, name(row.family))}: {text(price)}<span>{text(chance)}, {text(jobs)}{risk}</span>"


def changed(study: Study) -> Shown:
    """Say which verdicts and ceilings moved in the last month, and by which jobs."""
    facts, frame = study.facts, study.tables["changed"]
    if frame.empty:
        said = paragraph(
            f"Nothing since {text(facts['since'])}: no job was finished and no verdict is another."
        )
        return section("changed", "What changed", said)
    currency = facts["currency"]
    fields = [
        format.linked("Family", "family"),
        format.Field("Verdict", lambda row: _moved(_mark(row.before), _mark(row.verdict))),
        format.Field(
            "Ceiling",
            lambda row: _moved(
                text(format.money(row.ceiling_before, currency)), text(format.money(row.ceiling, currency))
            ),
        ),
        format.label("Jobs finished since", "jobs", kind="long"),
    ]
    says = (
        "Against the ledger as it stood that day. Every family leans on the others, so all can move a little."
    )
    table = format.table(frame, fields, caption=f"Changes since {facts['since']}", says=says)
    return section("changed", "What changed", table)


def _mark(verdict: str | None) -> str:
    return verdict_mark(verdict) if verdict else format.NOTHING


def _moved(before: str, after: str) -> str:
    return after if before == after else f"{before} → {after}"


def newest(study: Study) -> Shown:
    """List the jobs that were written down last."""
    frame = study.tables["newest"]
    if frame.empty:
        return section("newest", "Newest jobs", paragraph("No job has been written down yet."))
    fields = [
        format.label("Job", "job"),
        format.label("Closed", "closed"),
        format.linked("Family", "family"),
        format.label("Outcome", "outcome"),
        format.label("What was found", "found", kind="long"),
        format.amount("Bought for", "bought_for", study.facts["currency"]),
        format.amount("Sold for", "sold_for", study.facts["currency"]),
    ]
    return section(
        "newest", "Newest jobs", format.table(frame, fields, caption="The jobs that were finished last")
    )


def directory(study: Study) -> Shown:
    """Link to every page."""
    families = study.tables["families"].sort_values(["kind", "family"])
    parts = []
    for kind, some in families.groupby("kind", sort=True):
        links = [link(row.page, name(row.family)) for row in some.itertuples(index=False)]
        parts.append(f"<h3>{name(kind)}</h3>{bullets(links, kind='columns')}")
    components = [
        link(row.page, name(row.component)) for row in study.tables["components"].itertuples(index=False)
    ]
    return Shown(
        section("families", "Families", *parts).html
        + section(
            "components", "Components", bullets(components, kind="columns") or paragraph("None yet.")
        ).html
    )
