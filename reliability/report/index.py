"""The first page: what to take, up to what; what changed, and what waits."""

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from reliability.records.audit import LONG_OPEN_DAYS
from reliability.report import figures, format
from reliability.report.data import ReportData
from reliability.report.fleet import came_out
from reliability.report.format import (
    Field,
    Shown,
    bullets,
    fold,
    link,
    name,
    paragraph,
    section,
    text,
    unbroken,
    verdict_mark,
)
from reliability.report.run import CARD
from reliability.worth.judging import gaps_notes
from reliability.worth.next_steps import CHECK, FINISH, LONG_UNSOLD_DAYS, PRICE, SELL, WRITE_UP, to_do
from reliability.worth.review import ORDER

_MEANS = {
    "take": "worth more than is usually paid",
    "haggle": "a little too dear at the usual price",
    "try one": "too little is known; one would teach more than it may cost",
    "skip": "not worth the usual price",
}
_NEWEST = 10
_LEAST_MOVE = 0.1
"""A ceiling that moved by less, as a share of itself or of the price usually paid, is not told."""

_MOST_NAMED = 4


def answer(report: ReportData) -> Shown:
    """Count the verdicts, and say whether the odds were right so far."""
    head = "<h1>What to take, up to what</h1>"
    counts = report.ranking["verdict"].value_counts()
    said = [f"{counts[each]} {each}" for each in ORDER if counts.get(each)]
    if not said:
        has_jobs = report.odds.tally.jobs_finished + report.odds.tally.jobs_open > 0
        return Shown(
            head
            + paragraph("No jobs yet." if not has_jobs else "No verdict yet.", kind="lead")
            + paragraph(
                "A verdict needs a price that was paid for a unit, or is usual for its kind, and what a "
                "working one fetches."
            )
        )
    return Shown(head + paragraph(f"{', '.join(said)}.", text(came_out(report.calibration)), kind="lead"))


def verdicts(report: ReportData, frame: pd.DataFrame) -> Shown:
    """Set a ranking in one table that is one figure: grouped by verdict, the best first."""
    if frame.empty:
        return Shown("")
    judged = frame[frame["verdict"].notna()]
    unjudged = frame.loc[frame["verdict"].isna(), "family"]
    rest = [report.family_link(each) for each in unjudged]
    parts = [
        _table(report, judged) if len(judged) else "",
        paragraph(f"No price known yet, so no verdict: {', '.join(rest)}." if rest else ""),
        paragraph(
            "At the price this bench usually pays, for a unit at which nobody has looked yet. The chance "
            "of a repair is this bench's own: it depends on what its owner buys and when they give up.",
            *(f"{note[:1].upper()}{text(note[1:])}." for note in gaps_notes(report.odds.tally)),
            _unbought(report),
            _days(report),
            kind="soft",
        ),
    ]
    return Shown("\n".join(part for part in parts if part))


def _table(report: ReportData, judged: pd.DataFrame) -> str:
    currency, own = report.currency, report.gains
    repaired = own[own["outcome"] == "repaired"]["family"].value_counts()
    frame = judged.assign(repaired=judged["family"].map(repaired).fillna(0).astype(int))
    scale = figures.scale_of(*frame["usual_price"], *frame["ceiling"].clip(lower=0))

    def family(row: Any) -> str:
        return f"{report.family_link(row.family)}<small>{name(row.kind)}</small>"

    def line(row: Any) -> str:
        return figures.price_cell(row.usual_price, np.nan if row.ceiling < 0 else row.ceiling, scale)

    def up_to(ceiling: float) -> str:
        said = format.limit(ceiling, currency)
        return (format.on_phone("up to") if ceiling >= 1 else "") + text(said)

    def record(row: Any) -> str:
        seen = int(row.jobs_seen)
        so_far = f"{row.repaired} of {seen}" if seen else "no jobs"
        return f"{text(so_far)} so far → next {text(format.share(row.success_chance))}"

    fields = [
        Field("Family", family),
        Field(f"Usually paid ○, worth ◆, {format.money_span(0, scale.high, currency)}", line, "wide"),
        Field(
            "Up to",
            lambda row: f"<strong>{up_to(row.ceiling)}</strong>",
            "number",
            True,
        ),
        format.amount("Paid", "usual_price", currency),
        Field("Lose money", lambda row: text(format.in_hundred(row.chance_of_loss)), "number"),
        Field("Repaired", record),
    ]
    heads = {
        each: f"{verdict_mark(each)} <span>{text(_MEANS[each])}</span>"
        for each in ORDER
        if (frame["verdict"] == each).any()
    }
    return format.table(
        frame,
        fields,
        caption="Families by verdict, the best first",
        says="Ring: usually paid. Diamond: what one is worth, none where that is below zero. "
        "Dashed: worth less than is paid.",
        kind="verdicts",
        groups=[(heads[each], (frame["verdict"] == each).to_numpy()) for each in heads],
    )


def _unbought(report: ReportData) -> str:
    """Say whose price is that of its kind."""
    jobs = report.records.jobs
    bought = set(jobs.loc[jobs["origin"].isna() & jobs["bought_for"].notna(), "family"])
    priced = report.ranking.loc[report.ranking["usual_price"].notna(), "family"]
    names = [name(each) for each in priced if each not in bought]
    its = "its price is that of its kind" if len(names) == 1 else "their prices are those of their kinds"
    return f"Of {format.listed(names)} no purchase is on record: {its}." if names else ""


def _days(report: ReportData) -> str:
    said = f"These pages are for {unbroken(report.as_of.isoformat())}"
    if not report.card:
        return f"{said}; there is no pocket card beside them."
    return f"{said}, the {link(CARD, 'pocket card')} for {unbroken(report.card)}."


def changed(report: ReportData) -> Shown:
    """Say which verdicts changed since the first of a month, and which ceilings moved far."""
    jobs, since = report.gains, unbroken(report.since.isoformat())
    new = jobs[jobs["closed"] >= pd.Timestamp(report.since)]
    added = f"{format.counted(len(new), 'job has', 'jobs have')} been finished since {since}"
    before = report.ranking_before
    if before.empty:
        said = (
            "there is nothing to compare with: no job was finished before."
            if len(new)
            else "there were none before."
        )
        return section("changed", "What changed", paragraph(f"{format.capital(added)}; {said}"))
    moves = _moves(report, before, new["family"].value_counts())
    other = sum(row["verdict"] != row["before"] for row in moves)
    verdicts = (
        f"{format.counted(other, 'verdict has', 'verdicts have')} changed"
        if other
        else "no verdict has changed"
    )
    lines = [_move(report, row) for row in moves]
    more = "" if lines else f" No ceiling has moved by more than {format.share(_LEAST_MOVE)}."
    return section(
        "changed", "What changed", paragraph(f"{format.capital(added)}; {verdicts}.{more}"), bullets(lines)
    )


def _moves(report: ReportData, before: pd.DataFrame, new: "pd.Series[int]") -> list[dict[str, Any]]:
    """Families with another verdict, or a ceiling that moved far, in the order of the ranking."""
    old = before.set_index("family")
    rows = []
    for row in report.ranking.to_dict("records"):
        if row["family"] not in old.index:
            continue
        verdict, ceiling = old.at[row["family"], "verdict"], old.at[row["family"], "ceiling"]
        # Below nothing there is no price to go up to, so no move to tell.
        at, was = max(row["ceiling"], 0.0), max(ceiling, 0.0)
        size = np.nanmax([was, row["usual_price"]])
        if row["verdict"] != verdict or abs(at - was) > _LEAST_MOVE * size:
            jobs = int(new.get(row["family"], 0))
            rows.append({**row, "before": verdict, "ceiling_before": ceiling, "new": jobs})
    return rows


def _move(report: ReportData, row: dict[str, Any]) -> str:
    def mark(verdict: Any) -> str:
        return verdict_mark(verdict) if format.is_known(verdict) else "no verdict"

    verdict = mark(row["verdict"])
    if row["verdict"] != row["before"]:
        verdict = f"{mark(row['before'])} → {verdict}"
    was, now = (format.limit(row[each], report.currency) for each in ("ceiling_before", "ceiling"))
    price = f"up to {was} → {now}" if was != now else f"up to {now}"
    jobs = f"; {format.counted(row['new'], 'new job')}" if row["new"] else "; no new job of its own"
    return f"{report.family_link(row['family'])}: {verdict}, {text(price)}{jobs}"


def waiting(report: ReportData) -> Shown:
    """List what waits: units that tie up money, checks due, numbers and prices that are missing."""
    rows = to_do(report.records, report.odds, as_of=report.as_of)
    if rows.empty:
        return section("to-do", "To do", paragraph("Nothing waits."))
    lines = [_LINES[task](some, report) for task, some in rows.groupby("task", sort=False)]
    return section("to-do", "To do", bullets(lines))


def _finish(rows: pd.DataFrame, report: ReportData) -> str:
    n = format.counted(len(rows), "job has", "jobs have")
    how = f"{n} been open for more than {LONG_OPEN_DAYS} days"
    return f"<strong>Finish</strong>, or write down the outcome: {how}: {_units(rows)}"


def _sell(rows: pd.DataFrame, report: ReportData) -> str:
    n = format.counted(len(rows), "repaired unit has", "repaired units have")
    worth = format.money(rows["price"].sum(), report.currency)
    where = link("earnings.html#unsold", "what each should bring")
    return (
        f"<strong>Sell</strong>, or write down the sale: {n} been unsold for more than {LONG_UNSOLD_DAYS} "
        f"days and should bring {text(worth)} in all ({where}): {_units(rows)}"
    )


def _check(rows: pd.DataFrame, report: ReportData) -> str:
    said = [f"{unbroken(row.job)} until {unbroken(f'{row.day:%Y-%m-%d}')}" for row in rows.itertuples()]
    n = format.counted(len(rows), "unit", "units")
    return f"<strong>Ask</strong> after {n} whose warranty ends soon: {_named(said)}"


def _write_up(rows: pd.DataFrame, report: ReportData) -> str:
    n = format.counted(report.odds.tally.jobs_missing, "job number was", "job numbers were")
    # A row may name a span of numbers, so those in the fold are not counted by rows.
    names = _named([unbroken(each) for each in rows["job"]], more="and the others")
    return f"<strong>Write up</strong>: {n} given out and never written up: {names}"


def _price(rows: pd.DataFrame, report: ReportData) -> str:
    n = format.counted(len(rows), "unit was", "units were")
    return f"<strong>Price</strong>: {n} sold for a price that nobody wrote down: {_units(rows)}"


_LINES: dict[str, Callable[[pd.DataFrame, ReportData], str]] = {
    FINISH: _finish,
    SELL: _sell,
    CHECK: _check,
    WRITE_UP: _write_up,
    PRICE: _price,
}


def _units(rows: pd.DataFrame) -> str:
    return _named([f"{unbroken(row.job)} {name(row.family)}" for row in rows.itertuples()])


def _named(said: Sequence[str], more: str = "") -> str:
    """Name the first few; the others can be opened."""
    if len(said) <= _MOST_NAMED + 1:
        return f"{', '.join(said)}."
    rest = said[_MOST_NAMED:]
    others = fold(more or f"and {len(rest)} more", paragraph(f"{', '.join(rest)}."), prints=True)
    return ", ".join(said[:_MOST_NAMED]) + others


def newest(report: ReportData) -> Shown:
    """List the jobs that were finished last, one line each with its gain."""
    last = report.gains.sort_values(["closed", "job"], ascending=False).head(_NEWEST)
    if last.empty:
        return section("newest", "Newest jobs", paragraph("No job is finished yet."))
    findings = report.records.findings
    found = format.found_by_job(findings[findings["job"].isin(last["job"])])
    lines = []
    for row in last.itertuples():
        when = unbroken(f"{row.closed:%Y-%m-%d}")
        ended = f"{text(row.outcome)}, {_gain(row, report.currency)}"
        said = f"{unbroken(row.job)}, {when}, {report.family_link(row.family)}: {ended}"
        lines.append(said + (f"<small>{text(found[row.job])}</small>" if row.job in found else ""))
    return Shown(
        fold(f"Newest jobs: the last {len(last)}" if len(last) > 1 else "Newest job", bullets(lines, "jobs"))
    )


def _gain(row: Any, currency: str) -> str:
    if not format.is_known(row.gain):
        return "gain not known"
    about = "about " if row.predicted else ""
    verb = "lost" if row.gain < 0 else "gained"
    return f"{verb} {about}{text(format.money(abs(row.gain), currency))}"


def components(report: ReportData) -> Shown:
    """Link to the page of every component."""
    links = [report.component_link(each) for each in report.component_pages]
    return section(
        "components",
        "Components",
        bullets(links, kind="columns") or paragraph("No component has been examined yet."),
    )
