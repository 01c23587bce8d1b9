"""The page of the ledger: what is in it, what is doubtful, and what it cannot tell."""

from reliability.report import format
from reliability.report.format import Shown, paragraph, section, text
from reliability.report.study import Study


def answer(study: Study) -> Shown:
    """Say how far the records can be trusted."""
    facts = study.facts
    return Shown(
        f"<h1>Ledger</h1>{paragraph(text(facts['summary']), kind='lead')}{paragraph(text(facts['holds']))}"
    )


def cannot_tell(study: Study) -> Shown:
    """Say what no statistic can get out of these records."""
    frame = study.tables["limits"]
    parts = [f"<h3>{text(row.head)}</h3>{paragraph(text(row.says))}" for row in frame.itertuples(index=False)]
    return section("limits", "What the records cannot tell", *parts)


def left_out(study: Study) -> Shown:
    """Count the findings that say nothing about lives, by reason."""
    frame = study.tables["left_out"]
    fields = [
        format.label("Reason", "reason", kind="long"),
        format.number("Findings", "findings"),
        format.label("What happens", "treated"),
    ]
    if frame.empty:
        return section(
            "left-out",
            "Findings left out or taken with a grain of salt",
            paragraph("None: every finding counts as it is."),
        )
    table = format.table(frame, fields, caption="Findings by what became of them")
    return section("left-out", "Findings left out or taken with a grain of salt", table)


def audit(study: Study) -> Shown:
    """List what the audit finds missing or doubtful, with the rows."""
    frame = study.tables["audit"]
    if frame.empty:
        return section("audit", "Audit", paragraph("Nothing missing, nothing doubtful."))
    fields = [
        format.label("What", "what", kind="long"),
        format.number("Rows", "rows"),
        format.label("Where", "where", kind="long"),
    ]
    return section("audit", "Audit", format.table(frame, fields, caption="Missing or doubtful"))
