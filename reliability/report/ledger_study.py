"""What the page of the ledger shows: what it holds, what is doubtful, what it cannot tell."""

from typing import Any

import pandas as pd

from reliability.records.audit import AUDITS, number_gaps
from reliability.records.frames import Records
from reliability.report import format
from reliability.report.groundwork import FAILED, Groundwork
from reliability.report.study import Study
from reliability.worth.appraiser import COUNTED, LEFT_OUT

_MOST_ROWS = 12


def ledger_study(ground: Groundwork) -> Study:
    """Gather the page of the ledger.

    Parameters
    ----------
    ground : Groundwork
        Everything fitted.

    Returns
    -------
    Study
        For the notebook ``ledger``.
    """
    jobs = ground.records.jobs
    facts = {"summary": _summary(ground), "holds": _holds(ground.records)}
    tables = {
        "limits": pd.DataFrame(_limits(ground, jobs[jobs["origin"].isna()]), columns=["head", "says"]),
        "left_out": _left_out(ground),
        "same_window": ground.own[FAILED].same_window,
        "audit": _audit(ground.records),
    }
    return Study("ledger", "", facts, tables)


def _summary(ground: Groundwork) -> str:
    tally = ground.appraiser.tally
    numbered = tally.jobs_finished + tally.jobs_open + tally.jobs_missing
    said = f"{format.counted(tally.jobs_finished, 'finished job').capitalize()}, {tally.jobs_open} open"
    if not tally.jobs_missing:
        return f"{said}; no job number is missing."
    return f"{said}; {tally.jobs_missing} of {numbered} job numbers were never written up."


def _holds(records: Records) -> str:
    """Count what the ledger holds beside jobs."""
    frames = records.frames()
    named = {
        "families": ("family", "families"),
        "models": ("model", ""),
        "findings": ("finding", ""),
        "signs": ("look at a sign", "looks at signs"),
        "followups": ("check after a sale", "checks after a sale"),
        "parts": ("part on offer", "parts on offer"),
        "hearsay": ("piece of hearsay", "pieces of hearsay"),
    }
    said = [format.counted(len(frames[each]), *names) for each, names in named.items() if len(frames[each])]
    days = records.jobs["taken_in"].dropna()
    when = f" Units were taken in from {days.min():%Y-%m-%d} to {days.max():%Y-%m-%d}." if len(days) else ""
    return f"It also holds {format.listed(said)}.{when}" if said else when.strip()


def _limits(ground: Groundwork, jobs: pd.DataFrame) -> list[tuple[str, str]]:
    """Say what cannot be learned, with the numbers of this ledger."""
    limits = [
        (
            "Units that nobody bought",
            "Only units that this bench chose to buy are on record. The odds are those of its owner's "
            "choice and patience; a unit that was passed over tells nothing.",
        ),
        (
            "Units that died before",
            "What failed early was thrown away and never reached a bench. Lives are those of units that "
            "somebody kept until now; the ones that failed young are missing.",
        ),
        ("Jobs that nobody wrote up", _unwritten(ground)),
        ("Age and year of production", _age_and_year(ground)),
        ("Guessed years", _guessed(jobs)),
        ("Parts of unknown origin", _unknown_parts(ground)),
    ]
    if ground.appraiser.tally.jobs_open:
        limits.append(
            (
                "Jobs still open",
                f"{format.counted(ground.appraiser.tally.jobs_open, 'job').capitalize()} still open. The "
                "hard ones stay open longest, so the finished ones look a little too good.",
            )
        )
    return [*limits, *_one_year_for_all(ground)]


def _one_year_for_all(ground: Groundwork) -> list[tuple[str, str]]:
    """Name the families all of whose units share one unknown year."""
    shared = ground.own[FAILED].same_window
    shared = shared[shared["n_records"] > 1]
    if shared.empty:
        return []
    families = shared.groupby("family", sort=True)[["first_year", "last_year"]].first()
    named = [f"{row.Index} (built {row.first_year} to {row.last_year})" for row in families.itertuples()]
    return [
        (
            "One unknown year for all",
            f"All records of some components of {format.listed(named)} share one unknown year. Nothing can "
            "be learned of that year from them, and every age is uncertain by as much.",
        )
    ]


def _unwritten(ground: Groundwork) -> str:
    tally = ground.appraiser.tally
    missing = tally.jobs_missing
    if not missing:
        return "No job number is missing, so nothing points to jobs that were left out."
    numbers = (
        f"{format.counted(missing, 'job number').capitalize()} {'belongs' if missing == 1 else 'belong'}"
    )
    if tally.gaps == COUNTED:
        share = ground.records.settings.gap_repaired_share
        taken = f"repaired in {format.share(share)} of cases" if share else "not repaired"
        said = f"{numbers} to no job; such jobs are taken as {taken}."
        otherwise = "Had they gone like the written ones"
    else:
        stated = "more than half as many as there are finished jobs. They are not counted while the setting "
        said = f"{numbers} to no job, " + (
            "and the setting count_gaps leaves them out."
            if tally.gaps == LEFT_OUT
            else f"{stated}count_gaps does not say whether they were jobs."
        )
        otherwise = "Had they been jobs that were not repaired"
    changed = ground.verdicts_if_written
    if changed.empty:
        return f"{said} {otherwise}, no verdict would be another."
    rows = [f"{row.family} ({row.otherwise} instead of {row.verdict})" for row in changed.itertuples()]
    return f"{said} {otherwise}, these verdicts would be others: {format.listed(rows)}."


def _age_and_year(ground: Groundwork) -> str:
    seasons = ground.records.jobs["taken_in"].dt.year.dropna()
    span = int(seasons.max() - seasons.min()) + 1 if len(seasons) else 0
    return (
        f"All units were inspected within {format.counted(span, 'year')}. So an old unit is also an early "
        "one, and what looks like ageing can be a weak year of production, or the other way round. Only a "
        "family that was made and inspected over many years can tell the two apart; its page says so."
    )


def _guessed(jobs: pd.DataFrame) -> str:
    guessed = int((jobs["year_basis"] == "guess").sum())
    unknown = int((jobs["built_from"].isna() & jobs["built_to"].isna()).sum())
    wide = int((jobs["built_to"] > jobs["built_from"]).sum())
    return (
        f"Of {format.counted(len(jobs), 'job')}, {guessed} have a guessed year, {wide} a window of years and "
        f"{unknown} none at all; those take the family's span. Every year of a window counts as equally "
        "likely."
    )


def _unknown_parts(ground: Groundwork) -> str:
    table = ground.own[FAILED].table.drop_duplicates("record")
    unknown = int(table["original_unknown"].sum())
    return (
        f"Of {format.counted(len(table), 'finding')}, {unknown} do not say whether the part was the original "
        "one. They count as original; a part that was replaced before would look longer-lived or "
        "shorter-lived than it is."
    )


def _left_out(ground: Groundwork) -> pd.DataFrame:
    """Count what was left out of the lives, and what was assumed."""
    seen = ground.observations[FAILED]
    rows = [(reason, n, "left out of the lives") for reason, n in seen.left_out.items() if n]
    rows += [(reason, n, "taken so") for reason, n in seen.assumed.items() if n]
    return pd.DataFrame(rows, columns=["reason", "findings", "treated"])


def _audit(records: Records) -> pd.DataFrame:
    """Ask the records room what is doubtful, grouped by topic and message."""
    rows = {name: _plain_rows(frame) for name, frame in records.frames().items()}
    found = number_gaps(rows, records.withdrawn, records.settings.count_gaps)
    for audit in AUDITS:
        found += audit(rows)
    table = pd.DataFrame(
        [(each.topic, each.message, where) for each in found for where in each.rows or ("",)],
        columns=["topic", "message", "where"],
    )
    out = []
    for topic, some in table.groupby("topic", sort=False):
        messages = list(dict.fromkeys(some["message"]))
        where = [each for each in some["where"] if each]
        more = f" and {len(where) - _MOST_ROWS} more" if len(where) > _MOST_ROWS else ""
        out.append(
            {
                "what": f"{topic}: {messages[0]}" + (" (and similar)" if len(messages) > 1 else ""),
                "rows": len(some),
                "where": ", ".join(where[:_MOST_ROWS]) + more,
            }
        )
    return pd.DataFrame(out, columns=["what", "rows", "where"])


def _plain_rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Give rows as the audit reads them: dates as ISO text, None where empty."""
    plain = frame.copy()
    for name in frame.columns[[kind.kind == "M" for kind in frame.dtypes]]:
        plain[name] = frame[name].dt.strftime("%Y-%m-%d")
    plain = plain.astype(object).where(frame.notna(), None)
    return [{str(name): value for name, value in row.items()} for row in plain.to_dict("records")]
