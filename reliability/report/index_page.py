"""The first page: what to take and what to skip, at a glance."""

from typing import Any

import pandas as pd

from reliability.report import tables, words
from reliability.report.html import Shown, bullets, link, name, paragraph, section, text, verdict_mark
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
    groups = [_group(judged[judged.verdict == verdict], verdict, facts) for verdict in _GROUPS]
    rest = [link(row.page, name(row.family)) for row in frame[frame.verdict.isna()].itertuples(index=False)]
    unjudged = paragraph("No price known yet, so no verdict: " + ", ".join(rest) + ".") if rest else ""
    return Shown(
        f'{head}<div class="groups">{"".join(groups)}</div>{unjudged}{paragraph(text(facts["basis"]), kind="soft")}'
    )


def _group(frame: pd.DataFrame, verdict: str, facts: Any) -> str:
    rows = [_line(row, verdict, facts["currency"]) for row in frame.itertuples(index=False)]
    inside = bullets(rows) if rows else paragraph("None.")
    kind = verdict.replace(" ", "-")
    return f'<div class="{kind}"><h2>{verdict_mark(verdict)}</h2>{paragraph(_GROUPS[verdict])}{inside}</div>'


def _line(row: Any, verdict: str, currency: str) -> str:
    chance = f"repair {words.share(row.success_chance)}"
    jobs = words.counted(int(row.jobs_seen), "job")
    risk = f"; chief risk: {name(row.chief_risk)}" if words.is_known(row.chief_risk) else ""
    ceiling = words.money(row.ceiling, currency)
    price = f"up to {ceiling}" if row.ceiling > 0 else "not even as a gift"
    if verdict in ("skip", "haggle", "try one"):
        price += f", usually asked {words.money(row.usual_price, currency)}"
    return f"{link(row.page, name(row.family))}: {text(price)}<span>{text(chance)}, {text(jobs)}{risk}</span>"


def newest(study: Study) -> Shown:
    """List the jobs that were written down last."""
    frame = study.tables["newest"]
    if frame.empty:
        return section("newest", "Newest jobs", paragraph("No job has been written down yet."))
    fields = [
        tables.label("Job", "job"),
        tables.label("Closed", "closed"),
        tables.Field("Family", lambda row: link(row.page, name(row.family))),
        tables.label("Outcome", "outcome"),
        tables.label("What was found", "found", kind="long"),
        tables.amount("Bought for", "bought_for", study.facts["currency"]),
        tables.amount("Sold for", "sold_for", study.facts["currency"]),
    ]
    return section(
        "newest", "Newest jobs", tables.table(frame, fields, caption="The jobs that were finished last")
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
