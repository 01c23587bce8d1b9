"""Units taken in and sheets written up: everything is checked beside the ledger before the first write.

Both the command line and the form of a notebook come this way, so that they ask for the same
and say the same.
"""

import datetime
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from reliability.errors import BenchoddsError, LedgerError, UnknownName
from reliability.records.checks import JobDocument, check_document, clean_row
from reliability.records.currencies import exponent_of
from reliability.records.faults import Fault, nearest, refuse
from reliability.records.job_sheet import JobSheet
from reliability.records.merging import merge_document
from reliability.records.tables import TABLES, USUAL_COMPONENTS, usual_components

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger

_DAYS = ("taken_in", "closed", "sold_on")


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


@dataclass
class Names:
    """Names that the ledger knows while sheets are laid beside it."""

    families: dict[str, str]
    components: set[str]
    models: dict[str, str]
    signs: set[str]
    exponent: int

    @classmethod
    def of(cls, ledger: "Ledger") -> "Names":
        """Read them from a ledger."""
        return cls(
            families={str(row["family"]): str(row["kind"]) for row in ledger.rows("families")},
            components=set(ledger.names("component")),
            models={str(row["model"]): str(row["family"]) for row in ledger.rows("models")},
            signs=set(ledger.names("sign")),
            exponent=exponent_of(str(ledger.setting("currency"))),
        )

    def faults(self, document: JobDocument) -> list[str]:
        """Check a whole job against the rules and these names."""
        known: dict[str, Collection[str]] = {
            "family": self.families,
            "component": self.components,
            "model": self.models,
        }
        return check_document(document, known, exponent=self.exponent)

    def new_family(self, row: Mapping[str, Any], place: str) -> list[str]:
        """Check the description of a family; a sound one is known from then on."""
        name = row.get("family")
        if name in self.families:
            return [f"{place}: the ledger knows {name!r} already; leave its description out"]
        clean, complaints = clean_row(TABLES["families"], row, self.exponent)
        if not complaints:
            self.families[str(clean["family"])] = str(clean["kind"])
        return [str(Fault(place, *complaint)) for complaint in complaints if complaint[0] != "family"]

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


@dataclass(frozen=True)
class _Ready:
    """A sheet that the ledger can take."""

    sheet: JobSheet
    document: JobDocument
    notes: list[str]


def write_up(
    ledger: "Ledger", sheets: Sequence[JobSheet], *, today: datetime.date, new_components: Iterable[str] = ()
) -> list[Written]:
    """Write sheets into the ledger, each in one transaction, once all of them have passed every check.

    Parameters
    ----------
    ledger : Ledger
        Open for writing.
    sheets : sequence of JobSheet
        Finished jobs; one that names an open job finishes it.
    today : datetime.date
        Stands for the days of a sheet that names none.
    new_components : iterable of str
        Components that the ledger has never seen and that are meant so.

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
    new = {name.strip() for name in new_components}
    names = Names.of(ledger)
    names.components |= new
    ready: list[_Ready] = []
    faults: list[str] = []
    numbers: dict[str, str] = {}
    for sheet in sheets:
        prepared, found = _lay_beside(ledger, sheet, names, today)
        number = sheet.document["job"].get("job")
        if number and (first := numbers.setdefault(str(number), sheet.source)) != sheet.source:
            found.append(f"{sheet.source}: job {number} is in {first} too")
        ready.append(prepared)
        faults += found
    used = set().union(*(_components(each.document) for each in ready))
    faults += [f"--new-component {name!r}: no sheet names it.{nearest(name, used)}" for name in new - used]
    refuse(faults)
    written: list[Written] = []
    for each in ready:
        written.append(_write(ledger, each, new, written))
    return written


def _lay_beside(
    ledger: "Ledger", sheet: JobSheet, names: Names, today: datetime.date
) -> tuple[_Ready, list[str]]:
    faults = [str(fault) for fault in sheet.faults]
    notes: list[str] = []
    if sheet.new_family is not None:
        faults += names.new_family(sheet.new_family, f"{sheet.source}, new_family")
    job = dict(sheet.document["job"])
    old = _open_job(ledger, job, sheet.source, faults, notes)
    notes += _date(job, old, today)
    said = {row["component"] for row in old["findings"]} if old else set()
    kind = names.families.get(str(job.get("family") or (old or {"job": {}})["job"].get("family")))
    rest = sheet.rest(usual_components(kind), said) if kind else []
    notes += _rest_notes(rest, kind)
    document = {**sheet.document, "job": job, "findings": [*sheet.document["findings"], *rest]}
    whole = merge_document(old, document, emptying=False) if old else document
    faults += [f"{sheet.source}, {fault}" for fault in names.faults(whole)]
    if not faults:
        notes += names.news(whole)
    return _Ready(sheet, document, notes), faults


def _open_job(
    ledger: "Ledger", job: Mapping[str, Any], source: str, faults: list[str], notes: list[str]
) -> JobDocument | None:
    """Find the open job that a sheet finishes; complain of one that it cannot finish."""
    if job.get("outcome") in (None, "open"):
        allowed = ", ".join(word for word in TABLES["jobs"]["outcome"].allowed if word != "open")
        faults.append(f"{source}, job, column outcome: a sheet says how the job ended: {allowed}")
    if not job.get("job"):
        return None
    number = str(job["job"])
    try:
        old = ledger.job(number)
    except UnknownName:
        notes.append(f"job {number} had not been taken in; it is written as a new one")
        return None
    if (outcome := old["job"]["outcome"]) != "open":
        faults.append(f"{source}, job: {number} is finished already ({outcome}); "
                      f"correct it with: benchodds amend {number} --set COLUMN=VALUE --why REASON")  # fmt: skip
    family = old["job"]["family"]
    if job.get("family") not in (None, family):
        faults.append(f"{source}, job: {number} was taken in as {family!r}, and the sheet says "
                      f"{job['family']!r}; mend the number, or amend the family of the job first")  # fmt: skip
    return old


def _date(job: dict[str, Any], old: JobDocument | None, today: datetime.date) -> list[str]:
    """Let a sheet without any date be about today; one that has some must have all it needs."""
    if job.get("outcome") in (None, "open") or any(job.get(day) is not None for day in _DAYS):
        return []
    job["closed"] = today.isoformat()
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


def _write(ledger: "Ledger", ready: _Ready, new: set[str], before: Sequence[Written]) -> Written:
    families = [ready.sheet.new_family] if ready.sheet.new_family else []
    try:
        number = ledger.add(ready.document, new_families=families, new_components=new)
        job = ledger.job(number)["job"]
        register_model(ledger, job)
    except BenchoddsError as error:
        if not before:
            raise
        done = "; ".join(f"{each.source} as job {each.job}" for each in before)
        raise LedgerError(f"{ready.sheet.source}: {error}\nWritten before that: {done}.") from None
    return Written(ready.sheet.source, number, job["family"], job["outcome"], tuple(ready.notes))


def take_in(
    ledger: "Ledger", document: JobDocument, *, new_family: Mapping[str, Any] | None = None
) -> Written:
    """Take a unit in under the next number.

    Parameters
    ----------
    ledger : Ledger
        Open for writing.
    document : JobDocument
        Family, day and what is known so far.
    new_family : mapping, optional
        Columns of a family that the ledger does not know yet.

    Returns
    -------
    Written
        With the number.

    Raises
    ------
    InvalidInput
        With every fault; nothing is written then.
    """
    names = Names.of(ledger)
    faults = names.new_family(new_family, "new family") if new_family else []
    document = {**document, "job": {"outcome": "open", **document["job"]}}
    faults += names.faults(document)
    refuse(faults)
    notes = names.news(document)
    if new_family:
        ledger.put("families", [new_family], reason="described at intake")
    number = ledger.intake(document)
    job = ledger.job(number)["job"]
    register_model(ledger, job)
    return Written("intake", number, job["family"], "open", tuple(notes))


def register_model(ledger: "Ledger", job: Mapping[str, Any]) -> None:
    """Keep the name on a front panel as a model of the job's family, if it is new."""
    model = job["model"]
    if model and model not in {row["model"] for row in ledger.rows("models")}:
        row = {"model": model, "family": job["family"]}
        ledger.put("models", [row], reason=f"on the front panel of job {job['job']}")
