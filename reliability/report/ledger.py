"""The page of the ledger: what is in it, what is doubtful, and what it cannot tell."""

import datetime
from typing import Any

import pandas as pd

from reliability.records.audit import AUDITS, long_open, number_gaps
from reliability.records.frames import Records
from reliability.report import format
from reliability.report.data import ReportData
from reliability.report.format import Field, Shown, fold, name, paragraph, section, text
from reliability.worth.appraiser import COUNTED, LEFT_OUT

_MOST_ROWS = 12
_NAMED = {
    "families": ("family", "families"),
    "models": ("model", ""),
    "findings": ("finding", ""),
    "signs": ("look at a sign", "looks at signs"),
    "followups": ("check after a sale", "checks after a sale"),
    "parts": ("note on a part", "notes on parts"),
    "hearsay": ("piece of hearsay", "pieces of hearsay"),
}


def answer(report: ReportData) -> Shown:
    """Say what is in the ledger, and how many numbers were never written up."""
    tally, jobs = report.odds.tally, report.records.jobs
    finished, is_open = tally.jobs_finished, tally.jobs_open
    said = "No jobs yet."
    if finished or is_open:
        said = f"{format.capital(format.counted(finished, 'finished job'))}, {is_open or 'none'} open"
        numbered = finished + is_open + tally.jobs_missing
        missing = tally.jobs_missing
        verb = "was" if missing == 1 else "were"
        said += (
            f"; {missing} of {numbered} job numbers {verb} never written up."
            if missing
            else "; no number is missing."
        )
    frames = report.records.frames()
    held = [format.counted(len(frames[each]), *names) for each, names in _NAMED.items() if len(frames[each])]
    days = jobs["taken_in"].dropna()
    when = ""
    if len(days):
        which = "from" if days.min() < days.max() else "on"
        when = f"Units were taken in {which} {format.days(days.min(), days.max())}."
    if tally.jobs_imported:
        held.insert(0, format.counted(tally.jobs_imported, "job from elsewhere", "jobs from elsewhere"))
    return Shown(
        "<h1>What is in the ledger, and what it cannot tell</h1>"
        + paragraph(text(said), kind="lead")
        + paragraph(text(f"It also holds {format.listed(held)}." if held else "It holds nothing else."), when)
    )


def doubtful(report: ReportData) -> Shown:
    """List what the audit finds missing or doubtful, with the rows."""
    frame = _audit(report.records, report.as_of)
    if frame.empty:
        return section("doubtful", "What is doubtful", paragraph("Nothing missing, nothing doubtful."))
    fields = [
        Field(
            "What", lambda row: f"<strong>{name(row.topic)}</strong><small>{name(row.says)}</small>", "long"
        ),
        format.number("Cases", "rows", leads=True),
        Field("Where", lambda row: row.where or format.NOTHING, "long"),
    ]
    return section("doubtful", "What is doubtful", format.table(frame, fields, caption="Missing or doubtful"))


def _audit(records: Records, day: datetime.date) -> pd.DataFrame:
    """Ask the records room what is doubtful: one row for each topic."""
    rows = {name: _plain_rows(frame) for name, frame in records.frames().items()}
    found = list(number_gaps(rows, records.withdrawn, records.settings.count_gaps))
    for audit in AUDITS:
        found += long_open(rows, day) if audit is long_open else audit(rows)
    topics: dict[str, list[Any]] = {}
    for each in found:
        topics.setdefault(each.topic, []).append(each)
    out = []
    for topic, some in topics.items():
        messages = list(dict.fromkeys(each.message for each in some))
        where = [row for each in some for row in each.rows]
        more = f" and {len(where) - _MOST_ROWS} more" if len(where) > _MOST_ROWS else ""
        out.append(
            {
                "topic": format.capital(topic),
                "says": messages[0] if len(messages) == 1 else f"{where[0]}: {messages[0]}",
                "rows": max(len(where), len(some)),
                "where": ", ".join(map(_place, where[:_MOST_ROWS])) + more,
            }
        )
    return pd.DataFrame(out, columns=["topic", "says", "rows", "where"])


def _place(row: str) -> str:
    """Show where something is, as markup that breaks no job number."""
    job, comma, rest = row.partition(",")
    return (format.unbroken(job) if job.startswith("job") else name(job)) + (
        name(comma + rest) if comma else ""
    )


def _plain_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Give rows as the audit reads them: dates as ISO text, None where empty."""
    plain = frame.copy()
    for column in frame.columns[[kind.kind == "M" for kind in frame.dtypes]]:
        plain[column] = frame[column].dt.strftime("%Y-%m-%d")
    plain = plain.astype(object).where(frame.notna(), None)
    return [{str(key): value for key, value in row.items()} for row in plain.to_dict("records")]


def cannot_tell(report: ReportData) -> Shown:
    """Say what no statistic can get out of these records, with the numbers of this ledger."""
    jobs = report.records.jobs[report.records.jobs["origin"].isna()]
    if jobs.empty:
        return section(
            "limits", "What it cannot tell", paragraph("It can tell nothing yet: there are no jobs.")
        )
    limits = [
        (
            "Units that nobody bought",
            "Only units that this bench chose to buy are on record. The odds are those of its owner's "
            "choice and patience; a unit that was passed over teaches nothing.",
        ),
        (
            "Units that died early",
            "What failed early was thrown away and never reached a bench. The lives are those of units "
            "that somebody kept until now.",
        ),
        ("Jobs that nobody wrote up", _unwritten(report)),
        ("Age and year of production", _age_and_year(jobs)),
        ("Years that are not known", _years(jobs)),
        ("Parts that may have been replaced before", _unknown_parts(report)),
        ("Jobs still open", _open(report)),
        ("One unknown year for all", _one_year_for_all(report)),
    ]
    shown = [f"<h3>{head}</h3>{paragraph(text(says))}" for head, says in limits if says]
    return section("limits", "What it cannot tell", *shown)


def _unwritten(report: ReportData) -> str:
    tally = report.odds.tally
    missing = tally.jobs_missing
    if not missing:
        return "No job number is missing, so nothing points to jobs that were left out."
    said = f"{format.counted(missing, 'job number belongs', 'job numbers belong')} to no job"
    otherwise = "Had they been jobs without a repair"
    if tally.gaps == COUNTED:
        share = report.records.settings.gap_repaired_share
        taken = f"repaired in {format.share(share)} of cases" if share else "not repaired"
        said += f"; such jobs are taken as {taken}."
        otherwise = "Had they gone like the written ones"
    elif tally.gaps == LEFT_OUT:
        said += ", and the setting count_gaps leaves them out."
    else:
        said += (
            ", more than half as many as there are finished jobs. They are not counted while the setting "
            "count_gaps does not say whether they were jobs."
        )
    both = report.ranking_if_written[["family", "verdict"]].merge(
        report.ranking[["family", "verdict"]], on="family", suffixes=("_then", "_now")
    )
    other = both[both["verdict_then"].fillna("none") != both["verdict_now"].fillna("none")]
    if other.empty:
        return f"{said} {otherwise}, no verdict would change."
    each = [f"{row.family} ({row.verdict_then} instead of {row.verdict_now})" for row in other.itertuples()]
    verdicts = "this verdict" if len(each) == 1 else "these verdicts"
    return f"{said} {otherwise}, {verdicts} would change: {format.listed(each)}."


def _age_and_year(jobs: pd.DataFrame) -> str:
    seasons = jobs["taken_in"].dt.year
    span = int(seasons.max() - seasons.min()) + 1
    return (
        f"All units were inspected within {format.counted(span, 'calendar year')}. So an old unit is also an "
        "early one, and what looks like ageing can be a weak year of production, or the other way round. "
        "Only a family that was made and inspected over many years can tell the two apart."
    )


def _years(jobs: pd.DataFrame) -> str:
    guessed = int((jobs["year_basis"] == "guess").sum())
    unknown = int((jobs["built_from"].isna() & jobs["built_to"].isna()).sum())
    wide = int((jobs["built_to"] > jobs["built_from"]).sum())
    told = {"a guessed year of production": guessed, "a window of years": wide, "no year at all": unknown}
    counts = [(number, what) for what, number in told.items() if number]
    if not counts:
        return ""
    verb = "has" if counts[0][0] == 1 else "have"
    each = [
        f"{number} {verb if at == 0 else ''} {what}".replace("  ", " ")
        for at, (number, what) in enumerate(counts)
    ]
    return (
        f"Of {format.counted(len(jobs), 'job')}, {format.listed(each)}."
        + (" Those without one take the span of their family." if unknown else "")
        + (" Every year of a window or span counts as equally likely." if wide or unknown else "")
    )


def _unknown_parts(report: ReportData) -> str:
    table = report.own.table.drop_duplicates("record")
    unknown = int(table["original_unknown"].sum()) if len(table) else 0
    if not unknown:
        return ""
    return (
        f"Of {format.counted(len(table), 'component')} examined, it is not on record for {unknown} whether "
        "the part was the original one. They count as original; one that was replaced before would seem to "
        "have lasted longer than it did."
    )


def _open(report: ReportData) -> str:
    is_open = report.odds.tally.jobs_open
    if not is_open:
        return ""
    return (
        f"{format.capital(format.counted(is_open, 'job is', 'jobs are'))} still open. The hard ones stay "
        "open longest, so the finished ones look a little too good."
    )


def _one_year_for_all(report: ReportData) -> str:
    """Name the families all of whose units share one unknown year."""
    shared = report.own.same_window
    shared = shared[shared["n_records"] > 1]
    if shared.empty:
        return ""
    families = shared.groupby("family", sort=True)[["first_year", "last_year"]].first()
    named = [f"{row.Index} ({format.window(row.first_year, row.last_year)})" for row in families.itertuples()]
    return (
        f"All records of some components of {format.listed(named)} share one unknown year of production. "
        "They teach nothing of that year, and every age is uncertain by as much."
    )


def left_out(report: ReportData) -> Shown:
    """Count the findings that say nothing about lives, and those that were taken on trust."""
    seen = report.own
    rows = [(reason, n, "left out of the lives") for reason, n in seen.left_out.items() if n]
    rows += [(reason, n, "counted all the same") for reason, n in seen.assumed.items() if n]
    if not rows:
        return Shown("")
    fields = [
        Field("Why", lambda row: text(row.why), "long"),
        format.number("Findings", "findings", leads=True),
        Field("What became of them", lambda row: text(row.treated)),
    ]
    frame = pd.DataFrame(rows, columns=["why", "findings", "treated"])
    table = format.table(frame, fields, caption="By reason")
    return Shown(fold("Findings that were left out, or taken on trust", table))
