"""The answer in words: take up to here, haggle up to there, skip above; and how sure that is."""

from collections.abc import Mapping
from typing import Any

from reliability.report import format
from reliability.report.format import name, paragraph, text, verdict_mark

_EVIDENCE = {
    "own records": "{jobs} of this bench stand behind it.",
    "few records": "Only {jobs} of this bench stand behind it; the rest is borrowed from similar families.",
    "pooled only": "No job of this family yet: all of it is borrowed from similar families.",
    "hearsay": "No job of this family yet: it rests mostly on hearsay.",
}


def prices_line(facts: Mapping[str, Any]) -> str:
    """Say up to which price to take and from which to skip; plain text.

    Parameters
    ----------
    facts : mapping
        ``ceiling`` and ``haggle_to`` in money (None if not known), ``currency``, ``is_founded`` (whether any
        finished job of the kind stands behind them).
    """
    currency = facts["currency"]
    ceiling = facts["ceiling"]
    if ceiling is None:
        return "No price can be named yet."
    if ceiling <= 0:
        return "Skip, even as a gift."
    if not facts["is_founded"]:
        return f"Try one at most, for {format.money(ceiling, currency)} or less."
    top = facts["haggle_to"]
    haggling = (
        f" haggle up to {format.money(top, currency)};"
        if format.money(top, "") != format.money(ceiling, "")
        else ""
    )
    above = f" skip above {format.money(top, currency)}." if haggling else " skip above that."
    return f"Take up to {format.money(ceiling, currency)};{haggling}{above}"


def usual_line(facts: Mapping[str, Any]) -> str:
    """Say what the verdict is at the price usually asked; markup."""
    if facts["asked"] is None:
        return "What such a unit usually costs is not known."
    mark = verdict_mark(facts["verdict"])
    return f"At the price usually asked, {text(format.money(facts['asked'], facts['currency']))}: {mark}"


def odds_line(facts: Mapping[str, Any]) -> str:
    """Say the chance of a repair, the gain at the usual price and the chief risk; markup."""
    chance = text(format.share(facts["success_chance"]))
    interval = text(format.span(facts["success_low"], facts["success_high"]))
    said = f"A repair works out in {chance} of such units (90\u00a0% interval {interval})"
    risk, rival = facts["chief_risk"], facts["rival_risk"]
    if risk and rival:
        said += f"; what ends the job most often is the {name(risk)} or, as often, the {name(rival)}."
    else:
        said += f"; what ends the job most often is the {name(risk)}." if risk else "."
    if facts["expected_gain"] is not None:
        gain = text(format.money(facts["expected_gain"], facts["currency"]))
        loss = text(format.share(facts["chance_of_loss"]))
        said += f" At that price the job brings {gain} on average, and loses money {loss} of the time."
    return said


def evidence_line(facts: Mapping[str, Any]) -> str:
    """Say what stands behind the numbers; plain text."""
    return _EVIDENCE[facts["evidence"]].format(jobs=format.counted(int(facts["jobs_seen"]), "finished job"))


def answer_tag(facts: Mapping[str, Any]) -> str:
    """Set the whole answer as the repair tag at the head of a family's page."""
    kind = str(facts["verdict"] or "skip").replace(" ", "-")
    lines = (
        paragraph(text(prices_line(facts)), kind="says"),
        paragraph(usual_line(facts)),
        paragraph(odds_line(facts)),
        paragraph(text(evidence_line(facts)), kind="soft"),
    )
    return f'<div class="tag {kind}">{"".join(lines)}</div>'
