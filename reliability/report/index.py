"""The first page: what to take, up to what; what changed, and what waits."""

import numpy as np
import pandas as pd
from markupsafe import Markup

from reliability.records.audit import LONG_OPEN_DAYS
from reliability.report import figures, format
from reliability.report.data import ReportData
from reliability.report.fleet import came_out
from reliability.report.run import CARD
from reliability.report.show import Shown, show
from reliability.worth.judging import gaps_notes
from reliability.worth.next_steps import LONG_UNSOLD_DAYS, to_do
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


def answer(report: ReportData) -> Shown:
    """Count the verdicts, and say whether the odds were right so far."""
    found = report.ranking["verdict"].value_counts()
    counts = {each: found[each] for each in ORDER if each in found}
    return show(report, "index", "answer", counts=counts, came_out=came_out(report.calibration))


def verdicts(report: ReportData, frame: pd.DataFrame) -> Shown:
    """Set a ranking in one table that is one figure: grouped by verdict, the best first."""
    if frame.empty:
        return Shown("")
    repaired = report.gains.loc[report.gains["outcome"] == "repaired", "family"].value_counts()
    judged = frame.assign(repaired=frame["family"].map(repaired).fillna(0).astype(int))
    judged = judged[judged["verdict"].notna()]
    head = Markup("{} <span>{}</span>").format
    groups = [
        (head(format.verdict_mark(each), _MEANS[each]), judged[judged["verdict"] == each])
        for each in ORDER
        if (judged["verdict"] == each).any()
    ]
    jobs, priced = report.records.jobs, report.ranking.loc[report.ranking["usual_price"].notna(), "family"]
    bought = set(jobs.loc[jobs["origin"].isna() & jobs["bought_for"].notna(), "family"])
    return show(
        report,
        "index",
        "verdicts",
        groups=groups,
        scale=figures.scale_of(*judged["usual_price"], *judged["ceiling"].clip(lower=0)),
        unjudged=list(frame.loc[frame["verdict"].isna(), "family"]),
        unbought=[each for each in priced if each not in bought],
        notes=gaps_notes(report.odds.tally),
        card=CARD,
    )


def changed(report: ReportData) -> Shown:
    """Say which verdicts changed since the first of a month, and which ceilings moved far."""
    new = report.gains[report.gains["closed"] >= pd.Timestamp(report.since)]["family"].value_counts()
    both = report.ranking.merge(
        report.ranking_before[["family", "verdict", "ceiling"]], on="family", suffixes=("", "_then")
    )
    # Below nothing there is no price to go up to, so no move to tell.
    now, then = (both[each].clip(lower=0.0) for each in ("ceiling", "ceiling_then"))
    other = both["verdict"].fillna("") != both["verdict_then"].fillna("")
    far = (now - then).abs() > _LEAST_MOVE * np.fmax(then, both["usual_price"])
    moves = both.assign(new=both["family"].map(new).fillna(0).astype(int))[other | far]
    return show(
        report, "index", "changed", new=int(new.sum()), other=int(other.sum()), moves=moves, least=_LEAST_MOVE
    )


def waiting(report: ReportData) -> Shown:
    """List what waits: units that tie up money, checks due, numbers and prices that are missing."""
    rows = to_do(report.records, report.odds, as_of=report.as_of)
    tasks = dict(list(rows.groupby("task", sort=False)))
    days = {"long_open": LONG_OPEN_DAYS, "long_unsold": LONG_UNSOLD_DAYS}
    return show(report, "index", "waiting", tasks=tasks, **days)


def newest(report: ReportData) -> Shown:
    """List the jobs that were finished last, one line each with its gain."""
    last = report.gains.sort_values(["closed", "job"], ascending=False).head(_NEWEST)
    findings = report.records.findings
    found = format.found_by_job(findings[findings["job"].isin(last["job"])])
    return show(report, "index", "newest", jobs=last, found=found)


def components(report: ReportData) -> Shown:
    """Link to the page of every component."""
    return show(report, "index", "components")
