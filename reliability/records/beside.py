"""Sheets laid beside a ledger: every fault of every sheet, before anything is written."""

import datetime
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from reliability.errors import UnknownName
from reliability.records.checks import JobDocument
from reliability.records.faults import Fault, Refused, nearest, refuse, some
from reliability.records.job_sheet import JobSheet
from reliability.records.merging import merge_document
from reliability.records.names import Names, open_jobs
from reliability.records.tables import TABLES, USUAL_COMPONENTS, usual_components
from reliability.records.values import clean_text, read_value

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger

_KNOWN_AT_INTAKE = ("bought_for", "model", "lot", "built_from", "built_to")
_DAYS = ("taken_in", "closed", "sold_on")
IN_A_SHEET = 'a heading [new_family] and below it kind = "tape deck"'
_HOW_IT_ENDED = "a sheet says how the job ended: " + ", ".join(
    word for word in TABLES["jobs"]["outcome"].allowed if word != "open"
)


@dataclass(frozen=True)
class Ready:
    """A sheet that the ledger can take.

    Parameters
    ----------
    sheet : JobSheet
        As it was written.
    document : JobDocument
        What goes into the ledger: with its days, and with what ``rest_sound`` stands for.
    notes : list of str
        What was assumed, and what is new to the ledger.
    finishes : bool
        Whether it finishes a job that was open when it was laid beside the ledger.
    family, outcome : str
        What the job is about once the sheet is written.
    """

    sheet: JobSheet
    document: JobDocument
    notes: list[str]
    finishes: bool
    family: str
    outcome: str


def check_sheets(
    ledger: "Ledger | None",
    sheets: Sequence[JobSheet],
    *,
    today: datetime.date,
    new_components: Iterable[str] = (),
    unreadable: Iterable[str] = (),
    how_to_add: str = IN_A_SHEET,
) -> list[Ready]:
    """Lay sheets beside a ledger, or beside none where it is still to be made.

    Parameters
    ----------
    ledger : Ledger or None
        What they are to be written into.
    sheets : sequence of JobSheet
        Finished jobs; one that names an open job finishes it.
    today : datetime.date
        Stands for the days of a sheet that names none.
    new_components : iterable of str
        Components that the ledger has never seen and that are meant so.
    unreadable : iterable of str
        Faults of sheets that could not even be read, to be listed with the others.
    how_to_add : str
        How a new family is described where the sheets come from.

    Returns
    -------
    list of Ready
        In the order of the sheets.

    Raises
    ------
    InvalidInput
        With every fault of every sheet.
    """
    new = {clean_text(name) for name in new_components}
    names = Names.of(ledger)
    names.components |= new
    ready: list[Ready] = []
    faults: list[Fault | str] = list(unreadable)
    for sheet in sheets:
        prepared, found = _lay_beside(ledger, sheet, names, today, how_to_add)
        faults += [*found, *_said_before(sheet, [each.sheet for each in ready])]
        ready.append(prepared)
    used = set().union(*(_components(each.document) for each in ready))
    faults += [f"--new-component {name!r}: no sheet names it.{nearest(name, used)}"
               for name in sorted(new - used)]  # fmt: skip
    refuse(faults)
    return ready


def _said_before(sheet: JobSheet, before: Sequence[JobSheet]) -> list[str]:
    number = sheet.document["job"].get("job")
    if sheet.source in {other.source for other in before}:
        return [f"{sheet.source} is given twice"]
    return [f"{sheet.source}, job: {number} is in {other.source} too" for other in before
            if number and other.document["job"].get("job") == number]  # fmt: skip


def _lay_beside(
    ledger: "Ledger | None", sheet: JobSheet, names: Names, today: datetime.date, how_to_add: str
) -> tuple[Ready, list[Fault | str]]:
    faults: list[Fault | str] = [*sheet.faults]
    notes: list[str] = []
    if sheet.new_family is not None:
        faults += names.new_family(sheet.new_family, f"{sheet.source}, new_family")
    job = dict(sheet.document["job"])
    old = _open_job(ledger, job, sheet.source, faults, notes)
    notes += _date(job, old, today)
    notes += _changed_at_the_end(old["job"], job, names.exponent) if old else []
    said = {row["component"] for row in old["findings"]} if old else set()
    kind = names.families.get(str(job.get("family") or (old or {"job": {}})["job"].get("family")))
    rest = sheet.rest(usual_components(kind), said) if kind else []
    notes += _rest_notes(rest, kind)
    document = {**sheet.document, "job": job, "findings": [*sheet.document["findings"], *rest]}
    whole = merge_document(old, document, emptying=False) if old else document
    faults += [_within(sheet.source, fault) for fault in names.faults(whole, how_to_add)]
    if not faults:
        notes += names.news(whole)
        notes += _still_open(ledger, job) if ledger and not job.get("job") else []
        notes += filter(None, [ledger.clock_doubt()]) if ledger else []
    family, outcome = (str(whole["job"].get(name)) for name in ("family", "outcome"))
    return Ready(sheet, document, notes, old is not None, family, outcome), faults


def _within(source: str, fault: Fault | str) -> Fault | str:
    if isinstance(fault, Fault):
        return Fault(f"{source}, {fault.place}", fault.column, fault.message)
    return f"{source}, {fault}"


def _open_job(
    ledger: "Ledger | None",
    job: Mapping[str, Any],
    source: str,
    faults: list[Fault | str],
    notes: list[str],
) -> JobDocument | None:
    """Find the open job that a sheet finishes; complain of one that it cannot finish."""
    if job.get("outcome") == "open":
        such = f"{_HOW_IT_ENDED}; intake is for units that come in"
        faults.append(Fault(f"{source}, job", "outcome", such))
    if not job.get("job"):
        return None
    number = str(job["job"])
    old = None if ledger is None else _find(ledger, number)
    if old is None:
        notes.append(f"job {number} had not been taken in; it is written as a new one")
        notes += filter(None, [ledger.number_doubt(number)]) if ledger else []
        return None
    if (outcome := old["job"]["outcome"]) != "open":
        faults.append(f"{source}, job: {number} is finished already ({outcome}); correct it with: "
                      f"benchodds amend {number} --set COLUMN=VALUE --why REASON")  # fmt: skip
    elif job.get("outcome") is None:
        faults.append(Fault(f"{source}, job", "outcome", _HOW_IT_ENDED))
    family = old["job"]["family"]
    if job.get("family") not in (None, family):
        faults.append(
            f"{source}, job: {number} was taken in as {family!r}, the sheet says {job['family']!r}; "
            "mend the number, or amend the family of the job first"
        )
    day = old["job"]["taken_in"]
    if str(job.get("taken_in") or day) != day:
        faults.append(
            f"{source}, job: {number} was given out to a unit that was taken in on {day}, the sheet says "
            f"{job['taken_in']}; if it is another unit, take the number out of the sheet, else taken_in"
        )
    return old


def _changed_at_the_end(held: Mapping[str, Any], job: Mapping[str, Any], exponent: int) -> list[str]:
    """Say so where a sheet changes what was written of a unit when it came: it may be about another one."""
    changes = []
    for name in _KNOWN_AT_INTAKE:
        try:
            said = read_value(TABLES["jobs"][name], job.get(name), exponent)
        except Refused:
            continue  # a fault, told as such
        if None not in (said, held[name]) and said != held[name]:
            changes.append(f"{name} {held[name]} -> {said}")
    if not changes:
        return []
    return [
        f"changes what was written when job {held['job']} was taken in: {', '.join(changes)}; if the "
        "sheet is about another unit, amend that job back and add the sheet without its number"
    ]


def _still_open(ledger: "Ledger", job: Mapping[str, Any]) -> list[str]:
    """Remind of open jobs that a sheet without a number may have been about."""
    still_open = [row["job"] for row in open_jobs(ledger, job["family"])]
    if not still_open:
        return []
    return [
        f"still open of this family: {some(still_open, 10)}. If the sheet was about one of them, take the "
        "new job out with: benchodds amend JOB --withdraw, and add the sheet again with the number in it"
    ]


def _find(ledger: "Ledger", number: str) -> JobDocument | None:
    try:
        return ledger.job(number)
    except UnknownName:
        return None


def _date(job: dict[str, Any], old: JobDocument | None, today: datetime.date) -> list[str]:
    """Let a sheet without any date be about today; one that has some must have all it needs."""
    if job.get("outcome") is None or any(job.get(day) is not None for day in _DAYS):
        return []
    job["closed"] = today.isoformat() if job["outcome"] != "open" else None
    if old is not None:
        return [f"closed today, {today}"]
    job["taken_in"] = today.isoformat()
    return [f"taken in and closed today, {today}"]


def _rest_notes(rest: Sequence[Mapping[str, Any]], kind: str | None) -> list[str]:
    if not rest:
        return []
    general = "" if kind in USUAL_COMPONENTS else f" (the general list: none is kept for kind {kind!r})"
    return [f"examined and sound: {', '.join(str(row['component']) for row in rest)}{general}"]


def _components(document: JobDocument) -> set[str]:
    named = [row.get("component") for part in ("findings", "followups") for row in document[part]]
    return {name for name in (*named, document["job"].get("ended_by")) if isinstance(name, str)}
