"""The page of the ledger: what is in it, what is doubtful, and what it cannot tell."""

from typing import Any

import pandas as pd

from reliability.records.audit import AUDITS, long_open, number_gaps
from reliability.report import format
from reliability.report.data import ReportData
from reliability.report.show import Shown, show

_MOST_ROWS = 12


def answer(report: ReportData) -> Shown:
    """Say what is in the ledger, and how many numbers were never written up."""
    return show(report, "ledger", "answer")


def doubtful(report: ReportData) -> Shown:
    """List what the audit finds missing or doubtful, one line for each topic, with the rows."""
    records = report.records
    rows = {name: _plain_rows(frame) for name, frame in records.frames().items()}
    found = list(number_gaps(rows, records.withdrawn, records.settings.count_gaps))
    for audit in AUDITS:
        found += long_open(rows, report.as_of) if audit is long_open else audit(rows)
    lines = []
    for topic in dict.fromkeys(each.topic for each in found):
        some = [each for each in found if each.topic == topic]
        messages = list(dict.fromkeys(each.message for each in some))
        where = [row for each in some for row in each.rows]
        says = messages[0] if len(messages) == 1 else f"{where[0]}: {messages[0]}"
        cases, more = max(len(where), len(some)), max(len(where) - _MOST_ROWS, 0)
        lines.append((format.capital(topic), says, cases, where[:_MOST_ROWS], more))
    columns = ["topic", "says", "cases", "where", "more"]
    return show(report, "ledger", "doubtful", found=pd.DataFrame(lines, columns=columns))


def _plain_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Give rows as the audit reads them: dates as ISO text, None where empty."""
    dates = {each: frame[each].dt.strftime("%Y-%m-%d") for each in frame.select_dtypes("datetime")}
    plain = frame.assign(**dates).astype(object).where(frame.notna(), None)
    return [{str(key): value for key, value in row.items()} for row in plain.to_dict("records")]


def cannot_tell(report: ReportData) -> Shown:
    """Say what no statistic can get out of these records, with the numbers of this ledger."""
    jobs = report.records.jobs[report.records.jobs["origin"].isna()]
    seasons, lives = jobs["taken_in"].dt.year, report.own.table.drop_duplicates("record")
    no_year = int((jobs["built_from"].isna() & jobs["built_to"].isna()).sum())
    wide = int((jobs["built_to"] > jobs["built_from"]).sum())
    counts = {
        "a guessed year of production": int((jobs["year_basis"] == "guess").sum()),
        "a window of years": wide,
        "no year at all": no_year,
    }
    said = [f"{n} {what}" for what, n in counts.items() if n]
    if said:
        n, what = said[0].split(" ", 1)
        said[0] = f"{n} {'has' if n == '1' else 'have'} {what}"
    same = report.own.same_window
    same = same[same["n_records"] > 1].groupby("family", sort=True)[["first_year", "last_year"]].first()
    return show(
        report,
        "ledger",
        "cannot_tell",
        jobs=jobs,
        seasons=int(seasons.max() - seasons.min()) + 1 if len(jobs) else 0,
        undated=format.listed(said),
        no_year=no_year,
        wide=wide,
        examined=len(lives),
        unknown_parts=int(lives["original_unknown"].sum()) if len(lives) else 0,
        one_year=[
            f"{row.Index} ({format.window(row.first_year, row.last_year)})" for row in same.itertuples()
        ],
        others=_otherwise(report) if report.odds.tally.jobs_missing else [],
    )


def _otherwise(report: ReportData) -> list[str]:
    """Name the verdicts that would be others had nothing been left out, or missing numbers been jobs."""
    both = report.ranking_if_written[["family", "verdict"]].merge(
        report.ranking[["family", "verdict"]], on="family", suffixes=("_then", "_now")
    )
    both = both[both["verdict_then"].fillna("none") != both["verdict_now"].fillna("none")]
    return [f"{row.family} ({row.verdict_then} instead of {row.verdict_now})" for row in both.itertuples()]


def left_out(report: ReportData) -> Shown:
    """Count the findings that say nothing about lives, and those that were taken on trust."""
    seen = report.own
    rows = [(reason, n, "left out of the lives") for reason, n in seen.left_out.items() if n]
    rows += [(reason, n, "counted all the same") for reason, n in seen.assumed.items() if n]
    return show(report, "ledger", "left_out", rows=pd.DataFrame(rows, columns=["why", "findings", "treated"]))
