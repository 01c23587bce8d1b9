"""Units taken in and sheets written up, after everything was checked beside the ledger."""

import datetime
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from reliability.errors import BenchoddsError, LedgerError, UnknownName
from reliability.records.checks import JobDocument, clean_row, document_faults, merge_document
from reliability.records.sheet import JobSheet
from reliability.records.shelf import ShelfRow, kept_faults, lay_parts
from reliability.records.tables import SETTINGS, TABLES, USUAL_COMPONENTS, USUAL_SIGNS, usual_components
from reliability.records.values import (
    Fault,
    Refused,
    clean_text,
    exponent_of,
    near_twin,
    nearest,
    read_value,
    refuse,
    some,
    unseen,
)

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger

# Names that the ledger knows, and a job checked beside them before anything is written.


@dataclass
class Names:
    """Names that the ledger knows while sheets are laid beside it."""

    families: dict[str, str]
    components: set[str]
    models: dict[str, str]
    signs: set[str]
    exponent: int
    #: Names that are said to be new; None where nobody can be asked about one.
    meant: Collection[str] | None = None
    lots: set[str] = field(default_factory=set)
    shelf: Mapping[int, ShelfRow] = field(default_factory=dict)

    @classmethod
    def of(cls, ledger: "Ledger | None") -> "Names":
        """Read them from a ledger; where there is none yet, only the usual names are known."""
        if ledger is None:
            usual = {name for names in USUAL_COMPONENTS.values() for name in names}
            exponent = exponent_of(str(SETTINGS["currency"].default))
            return cls({}, usual, {}, set(USUAL_SIGNS), exponent)
        return cls(
            families={str(row["family"]): str(row["kind"]) for row in ledger.rows("families")},
            components=set(ledger.names("component")),
            models={str(row["model"]): str(row["family"]) for row in ledger.rows("models")},
            signs=set(ledger.names("sign")),
            exponent=exponent_of(str(ledger.setting("currency"))),
            lots=set(ledger.names("lot")),
            shelf=ledger.shelf(),
        )

    def faults(self, document: JobDocument, how_to_add: str) -> list[Fault | str]:
        """Check a whole job against the rules and these names; say how an unknown family is added."""
        known: dict[str, Collection[str]] = {
            "family": self.families,
            "component": self.components,
            "model": self.models,
            "lot": self.lots,
        }
        faults: list[Fault | str] = [*document_faults(document, known, exponent=self.exponent)]
        family = document["job"].get("family")
        if isinstance(family, str) and family not in self.families:
            faults.append(f"if {family!r} is a new family, describe it: {how_to_add}")
        for row in document.get("signs") or ():
            sign = row.get("sign")
            if isinstance(sign, str) and self._is_asked(sign, self.signs) and near_twin(sign, self.signs):
                faults.append(Fault("sign", "sign", unseen("sign", sign, self.signs)))
        return faults

    def _is_asked(self, name: str, known: Collection[str]) -> bool:
        return self.meant is not None and name not in known and name not in self.meant

    def new_family(self, row: Mapping[str, Any], place: str) -> list[Fault]:
        """Check the description of a family; a sound one is known from then on."""
        name = row.get("family")
        if isinstance(name, str) and name in self.families:
            return [Fault(place, "", f"the ledger knows {name!r} already; leave its description out")]
        clean, complaints = clean_row(TABLES["families"], row, self.exponent)
        kind, kinds = clean["kind"], {*self.families.values(), *USUAL_COMPONENTS} - {"other"}
        if not complaints:
            self.families[str(clean["family"])] = str(kind)
        if isinstance(kind, str) and self._is_asked(kind, kinds):
            complaints.append(("kind", unseen("kind", kind, kinds)))
        return [Fault(place, *complaint) for complaint in complaints if complaint[0] != "family"]

    def news(self, document: JobDocument) -> list[str]:
        """Tell which names of a job are new where any name may be, and learn them."""
        said: list[str] = []
        for row in document.get("signs") or ():
            if row["sign"] not in self.signs:
                said.append(f"sign {row['sign']!r} is new here.{nearest(row['sign'], self.signs)}")
                self.signs.add(row["sign"])
        model = document["job"].get("model")
        if model and model not in self.models:
            family = document["job"]["family"]
            said.append(f"model {model!r} is new here, of family {family!r}.{nearest(model, self.models)}")
            self.models[model] = family
        return said


def open_jobs(ledger: "Ledger", family: str | None = None) -> list[dict[str, Any]]:
    """List the jobs that are not finished, oldest first: job, family, model, taken_in.

    Parameters
    ----------
    ledger : Ledger
        Where they are.
    family : str, optional
        Only those of one family.
    """
    # Loaded here: names alone are needed before there is a database at all.
    from sqlalchemy import select

    from reliability.records.database import SQL_TABLES

    columns = SQL_TABLES["jobs"].c
    query = select(columns.job, columns.family, columns.model, columns.taken_in)
    query = query.where(columns.outcome == "open").order_by(columns.taken_in, columns.job)
    if family is not None:
        query = query.where(columns.family == family)
    with ledger.reading() as connection:
        return [row._asdict() for row in connection.execute(query)]


# Sheets laid beside a ledger: every fault of every sheet, before anything is written.


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
    new_names: Iterable[str] | None = None,
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
    new_names : iterable of str, optional
        Ask about a kind that the ledger has never seen, and a sign that is nearly a known one: they are
        faults unless they are among these. Nothing is asked without it.
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
    names.meant = None if new_names is None else [clean_text(name) for name in new_names]
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
    document, shelf_faults = lay_parts(document, sheet.taken, names.shelf, old["job"]["job"] if old else None)
    whole = merge_document(old, document, emptying=False) if old else document
    shelf_faults += kept_faults(sheet.kept, whole["job"].get("outcome"), names.components, names.exponent)
    faults += [_within(sheet.source, fault) for fault in [*shelf_faults, *names.faults(whole, how_to_add)]]
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


# Units taken in and sheets written up, after everything has been checked beside the ledger.


AT_INTAKE = '--new-family --kind "tape deck"'


@dataclass(frozen=True)
class Written:
    """One job as it went into the ledger.

    Parameters
    ----------
    source : str
        The sheet, or "intake".
    job, family, outcome : str
        What was written.
    notes : tuple of str
        What was assumed, and what is new to the ledger.
    """

    source: str
    job: str
    family: str
    outcome: str
    notes: tuple[str, ...] = ()


def write_up(
    ledger: "Ledger",
    sheets: Sequence[JobSheet],
    *,
    today: datetime.date,
    new_components: Iterable[str] = (),
    new_names: Iterable[str] | None = None,
    unreadable: Iterable[str] = (),
    how_to_add: str = IN_A_SHEET,
) -> list[Written]:
    """Write sheets into the ledger, each in one transaction, once all of them have passed every check.

    Parameters
    ----------
    ledger : Ledger
        Open for writing.
    sheets, today, new_components, new_names, unreadable, how_to_add
        As for `check_sheets`.

    Returns
    -------
    list of Written
        In the order of the sheets.

    Raises
    ------
    InvalidInput
        With every fault of every sheet; nothing is written then.
    LedgerError
        If the ledger fails after some sheets; they are named.
    """
    new = {clean_text(name) for name in new_components}
    written: list[Written] = []
    checked = check_sheets(
        ledger,
        sheets,
        today=today,
        new_components=new,
        new_names=new_names,
        unreadable=unreadable,
        how_to_add=how_to_add,
    )
    for ready in checked:
        written.append(_write(ledger, ready, new, written))
    return written


def _write(ledger: "Ledger", ready: Ready, new: set[str], before: Sequence[Written]) -> Written:
    families = [ready.sheet.new_family] if ready.sheet.new_family else []
    try:
        number = ledger.add(ready.document, new_families=families, new_components=new, new_model=True,
                            is_new=not ready.finishes, kept=ready.sheet.kept,
                            taken=ready.sheet.taken)  # fmt: skip
    except BenchoddsError as error:
        if not before:
            raise
        done = "; ".join(f"{each.source} as job {each.job}" for each in before)
        raise LedgerError(f"{ready.sheet.source}: {error}\nWritten before that: {done}.") from None
    shelf = ledger.shelf() if ready.sheet.kept else {}
    kept = [f"part {part}: {row['component']} of job {number}, on the shelf"
            for part, row in shelf.items() if row["job"] == number]  # fmt: skip
    return Written(ready.sheet.source, number, ready.family, ready.outcome, (*ready.notes, *kept))


def check_unit(
    ledger: "Ledger | None",
    document: JobDocument,
    new_family: Mapping[str, Any] | None = None,
    *,
    new_names: Iterable[str] | None = None,
    how_to_add: str = AT_INTAKE,
    new_lot: Mapping[str, Any] | None = None,
) -> list[str]:
    """Check a unit that comes in, beside a ledger or beside none where it is still to be made.

    Parameters
    ----------
    ledger : Ledger or None
        What it is to be written into.
    document : JobDocument
        Family, day and what is known so far.
    new_family : mapping, optional
        Columns of a family that the ledger does not know yet.
    new_names : iterable of str, optional
        As for `check_sheets`.
    how_to_add : str
        How a new family is described where the unit is written down.
    new_lot : mapping, optional
        Columns of a lot that the ledger does not know yet.

    Returns
    -------
    list of str
        What is new to the ledger.

    Raises
    ------
    InvalidInput
        With every fault.
    """
    names = Names.of(ledger)
    names.meant = None if new_names is None else [clean_text(name) for name in new_names]
    described = names.new_family(new_family, "new family") if new_family else []
    names.lots |= {str(new_lot["lot"])} if new_lot else set()
    whole = {**document, "job": {"outcome": "open", **_composed(document["job"])}}
    refuse([*described, *names.faults(whole, how_to_add)])
    return names.news(document)


def take_in(
    ledger: "Ledger",
    document: JobDocument,
    *,
    new_family: Mapping[str, Any] | None = None,
    new_names: Iterable[str] | None = None,
    how_to_add: str = AT_INTAKE,
    new_lot: Mapping[str, Any] | None = None,
) -> Written:
    """Take a unit in under the next number.

    Parameters
    ----------
    ledger : Ledger
        Open for writing.
    document, new_family, new_names, how_to_add, new_lot
        As for `check_unit`.

    Returns
    -------
    Written
        With the number.

    Raises
    ------
    InvalidInput
        With every fault; nothing is written then.
    """
    document = {**document, "job": _composed(document["job"])}
    new_family = _composed(new_family) if new_family else None
    new_lot = _composed(new_lot) if new_lot else None
    notes = check_unit(
        ledger, document, new_family, new_names=new_names, how_to_add=how_to_add, new_lot=new_lot
    )
    notes += filter(None, [ledger.clock_doubt()])
    number = ledger.intake(
        document,
        new_families=[new_family] if new_family else [],
        new_model=True,
        new_lots=[new_lot] if new_lot else [],
    )
    return Written("intake", number, str(document["job"]["family"]), "open", tuple(notes))


def _composed(row: Mapping[str, Any]) -> dict[str, Any]:
    """Join accents to their letters, as the ledger keeps every text."""
    return {name: clean_text(value) if isinstance(value, str) else value for name, value in row.items()}
