"""Job sheets in TOML: read, blank, laid beside the ledger, written into it; corrections of a job."""

import datetime
import re
import textwrap
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reliability.errors import (
    Fault,
    FaultsFound,
    Refused,
    UnknownName,
    nearest,
    question,
    refuse,
    shown,
    some,
)
from reliability.records.checks import JobDocument, Taken
from reliability.records.files import load_toml, parse_toml, toml_text
from reliability.records.tables import AT_INTAKE, AT_THE_END, TABLES, USUAL_COMPONENTS, usual_components
from reliability.records.values import clean_text, exponent_of

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger

# A sheet as it was written, from TOML to rows; every fault of form is collected.

STATES = tuple(reversed(TABLES["findings"]["found"].allowed))
BLOCKS = ("signs", "finding", "followup", "new_family")
TOP_LEVEL = (*TABLES["jobs"].names, "built", *STATES, "rest_sound", "kept", *BLOCKS)
COLUMNS = {
    "finding": (*(name for name in TABLES["findings"].names if name != "job"), "from"),
    "followup": tuple(name for name in TABLES["followups"].names if name != "job"),
    "new_family": tuple(name for name in TABLES["families"].names if name != "family"),
}
_WINDOW = re.compile(r"([0-9]{4})(?:\s*-\s*([0-9]{4}))?")
_ABOVE = "it belongs to the job: write it above the first heading in brackets"
_NOTHING_DONE = "Nothing was written."


@dataclass(frozen=True)
class JobSheet:
    """A job as somebody tells it; values are not checked yet, an empty cell is None."""

    source: str  # stands before the place of a fault; empty where there is but one sheet
    document: JobDocument
    new_family: dict[str, Any] | None = None  # its name included
    rest_sound: bool = False  # the usual components that are not named are sound
    faults: tuple[Fault, ...] = ()  # of the sheet itself: names that do not exist, contradictions
    kept: tuple[dict[str, Any], ...] = ()  # put on the shelf: component and worth
    taken: tuple[Taken, ...] = ()  # parts that came from there
    new_lot: dict[str, Any] | None = None  # its name included
    comes_in: bool = False  # a unit that is taken in; else its job has ended
    unseen: tuple[str, ...] = ()  # signs that stand there with an empty cell

    def rest(self, usual: Iterable[str], said: Iterable[str] = ()) -> list[dict[str, Any]]:
        """Give the findings that ``rest_sound`` stands for."""
        named = {*_components(self.document), *said}
        rows = [{"component": name, "found": "sound"} for name in usual if name not in named]
        return rows if self.rest_sound else []


def _components(document: JobDocument) -> set[str]:
    named = [row.get("component") for part in ("findings", "followups") for row in document[part]]
    return {name for name in (*named, document["job"].get("ended_by")) if isinstance(name, str)}


def load_sheet(path: str | Path) -> JobSheet:
    """Read a sheet from a file."""
    return _Reader(str(path), load_toml(Path(path), "sheet", _NOTHING_DONE)).sheet()


def read_sheet(content: str | bytes, source: str = "sheet") -> JobSheet:
    """Read a sheet from its text, or from its bytes in UTF-8."""
    return _Reader(source, parse_toml(content, source, "sheet", _NOTHING_DONE)).sheet()


def read_window(value: object) -> tuple[int, int]:
    """Read a year or a window of years."""
    match = _WINDOW.fullmatch(str(value).strip()) if isinstance(value, int | str) else None
    if match is None or isinstance(value, bool):
        raise Refused(f"{shown(value)} is neither a year such as 1979 nor a window such as 1978-1981")
    first, last = int(match[1]), int(match[2] or match[1])
    if first > last:
        raise Refused(f"{shown(value)} ends before it begins")
    return first, last


def _cell(value: object) -> object:
    text = clean_text(value) if isinstance(value, str) else value
    # TOML numbers have 64 bits; longer ones are shown as text, and no column takes those.
    if isinstance(text, int) and not -(2**63) <= text < 2**63:
        return str(text)
    return None if text == "" else text


#: What each entry that is no cell holds: its shapes, what stands for none, and how else it is written.
_SHAPES: dict[str, tuple[list[Any], Any, str]] = {
    **{state: ([[str]], [], '{} is not a list of components such as ["belt", "motor"]') for state in STATES},
    **{name: ([[dict]], [], f"is a table of its own, with the heading [[{name}]]")
       for name in ("finding", "followup")},
    "rest_sound": ([bool], False, "{} is neither true nor false"),
    "signs": ([dict], {}, "is a table with the heading [signs] and lines such as rust = true"),
    "new_family": ([dict], None, "is a table with the heading [new_family] and lines such as "
                   'kind = "tape deck"'),
    "kept": ([[str], dict], [], '{} is neither a list of components such as ["motor"] nor a table with the '
             "heading [kept] and lines such as motor = 12.00"),
}  # fmt: skip


def _fits(value: Any, shape: Any) -> bool:
    """Tell whether a value is of a type, or a list of such."""
    if isinstance(shape, list):
        return isinstance(value, list) and all(isinstance(each, shape[0]) for each in value)
    return isinstance(value, shape)


class _Reader:
    """Collects the rows and the faults of one sheet, part by part."""

    def __init__(self, source: str, raw: Mapping[str, Any]) -> None:
        self.source, self.raw = source, raw
        self.faults: list[Fault] = []

    def fault(self, part: str, message: str) -> None:
        self.faults.append(Fault(part, "", message))

    def entry(self, name: str) -> Any:
        """Take an entry that is no cell; one of another shape is a fault, and counts as none."""
        shapes, nothing, otherwise = _SHAPES[name]
        value = self.raw.get(name, nothing)
        if name not in self.raw or any(_fits(value, shape) for shape in shapes):
            return value
        self.fault(name, otherwise.format(shown(value)))
        return nothing

    def sheet(self) -> JobSheet:
        for key in (key for key in self.raw if key not in TOP_LEVEL):
            self.fault(repr(key), f"a sheet has no such entry; it has {', '.join(TOP_LEVEL)}."
                       f"{nearest(key, TOP_LEVEL)}")  # fmt: skip
        job = self.job()
        findings, followups = (
            [self.block(f"{name} {n}", name, row) for n, row in enumerate(self.entry(name), 1)]
            for name in ("finding", "followup")
        )
        findings += self.states([row.get("component") for row in findings])
        signs, unseen = self.signs()
        document = {"job": job, "findings": findings, "signs": signs, "followups": followups}
        family = self.entry("new_family")
        if family is not None:
            family = {"family": job.get("family"), **self.block("new_family", "new_family", family)}
        rest_sound, taken, kept = self.entry("rest_sound"), self.taken(findings), self.entry("kept")
        worths = kept.items() if isinstance(kept, dict) else [(name, None) for name in kept]
        kept = tuple({"component": clean_text(name), "worth": _cell(worth)} for name, worth in worths)
        faults = tuple(self.faults)
        return JobSheet(self.source, document, family, rest_sound, faults, kept, taken, unseen=unseen)

    def job(self) -> dict[str, Any]:
        """Take the columns of jobs, with ``built`` spelt out as its two years."""
        job = {key: _cell(value) for key, value in self.raw.items() if key in TABLES["jobs"].names}
        if isinstance(job.get("job"), int) and not isinstance(job["job"], bool):
            job["job"] = str(job["job"])
        if (built := _cell(self.raw.get("built"))) is not None:
            if {"built_from", "built_to"} & job.keys():
                self.fault("built", "is given beside built_from or built_to; write one or the other")
            try:
                job["built_from"], job["built_to"] = read_window(built)
            except Refused as error:
                self.fault("built", error.message)
        return job

    def block(self, place: str, name: str, row: Mapping[str, object]) -> dict[str, Any]:
        """Take the columns that a block has, and complain of others."""
        for key in (key for key in row if key not in COLUMNS[name]):
            hint = f" Perhaps {_ABOVE}." if key in TOP_LEVEL else nearest(key, COLUMNS[name])
            there = ", ".join(COLUMNS[name])
            self.fault(f"{place}, {key!r}", f"there is no such column; there are {there}.{hint}")
        return {key: _cell(cell) for key, cell in row.items() if key in COLUMNS[name]}

    def states(self, detailed: Iterable[object]) -> list[dict[str, Any]]:
        """Take the lists ``failed``, ``worn`` and ``sound`` as findings."""
        rows = [{"component": clean_text(name), "found": state}
                for state in STATES for name in self.entry(state)]  # fmt: skip
        counts = Counter([*(row["component"] for row in rows), *{*map(str, detailed)}])
        for name in (name for name, count in counts.items() if count > 1):
            told = f"{name!r} stands there more than once, or in a [[finding]] too; a component has one "
            told += "state. Where a unit has several, give each a [[finding]] with its position"
            self.fault(" or ".join(STATES), told)
        return rows

    def signs(self) -> tuple[list[dict[str, Any]], tuple[str, ...]]:
        """Take the signs that somebody looked for, and the names of the others."""
        rows, unseen = [], []
        for sign, seen in self.entry("signs").items():
            if sign in TOP_LEVEL:
                self.fault(f"signs, {sign!r}", f"is no sign; {_ABOVE}")
            elif (told := _cell(seen)) is not None:
                rows.append({"sign": clean_text(sign), "seen": told})
            else:
                unseen.append(clean_text(sign))
        return rows, tuple(unseen)

    def taken(self, findings: Iterable[dict[str, Any]]) -> tuple[Taken, ...]:
        """Take out of the findings which parts come from the shelf."""
        found = []
        for number, row in enumerate(findings, 1):
            part = row.pop("from", None)
            if isinstance(part, int) and not isinstance(part, bool):
                found.append(Taken(part, str(row.get("component")), str(row.get("position") or "")))
            elif part is not None:
                told = f"{shown(part)} is not the number of a part on the shelf"
                self.fault(f"finding {number}, 'from'", told)
        return tuple(found)


# An empty job sheet, with a comment on every line, that is accepted once it is filled in.

#: Where a sheet says a column otherwise than the tables do.
_WRITTEN = {
    "built": 'year of production: 1979, or "1978-1981" where only a window is known',
    "taken_in": "when the unit came to the bench; a sheet without any date is about today",
    "outcome": "repaired, donor (kept for parts), scrapped, sold as is (sold or given away unrepaired)",
}
_MARGIN, _WIDTH = 24, 100


def blank_sheet(
    family: str, kind: str, components: Sequence[str], signs: Iterable[str], *,
    job: str | None = None, still_open: Sequence[str] = (),
) -> str:  # fmt: skip
    """Write an empty job sheet, of the open job that it finishes, or of those that it may be about."""
    number = "the number given at intake, if there was one; "
    number += f"open: {', '.join(still_open)}" if still_open else "else the next one is given"
    usual, such = (", ".join(map(toml_text, names)) for names in (components, components[:2]))
    at_intake = ["built" if name == "built_from" else name for name in AT_INTAKE if name != "built_to"]
    lines = [
        f"# Job sheet: {family} ({kind}). Fill in what is known and leave the rest as it is;",
        '# "" means not known. Then: benchodds add SHEET.toml',
        "",
        *_line("job", toml_text(job or ""), "the open job that this sheet finishes" if job else number),
        f"family = {toml_text(family)}",
        *(line for name in (() if job else at_intake[1:]) for line in _column_line("jobs", name)),
        "",
        *_wrapped(f"Usual components: {usual}"),
        *_line("failed", "[]", f"did not work, such as [{such}]"),
        *_line("worn", "[]", "worked, but a careful bench replaces them"),
        *_line("sound", "[]", "examined and found sound"),
        *_line("rest_sound", "false", "true: the other usual components were examined and are sound"),
        "",
        *(line for name in (*AT_THE_END, "remarks") for line in _column_line("jobs", name)),
        *_line("kept", "[]", f"a donor's parts that go on the shelf and get numbers, such as [{such}]"),
        "",
        "# Signs, seen before any tool was picked up: yes or no; empty where nobody looked.",
        "[signs]",
        *(f'{toml_text(sign)} = ""' for sign in signs),
        "",
        "# To say more about a component, uncomment these lines; take its name out of the lists above.",
        "# [[finding]]",
        *(f"# {line}" for name in COLUMNS["finding"][:-1] for line in _column_line("findings", name)),
        *(f"# {line}" for line in _line("from", "31", "in place of the three above: the number of a part "
                                        "on the shelf")),
    ]  # fmt: skip
    return "\n".join(lines) + "\n"


def _column_line(table: str, name: str) -> list[str]:
    if table == "jobs" and name in _WRITTEN:
        return _line(name, '""', _WRITTEN[name])
    column = TABLES[table][name]
    words = f" [{', '.join(column.allowed)}]" if column.allowed else ""
    return _line(name, '""', column.meaning + words)


def _line(name: str, value: str, comment: str) -> list[str]:
    """One entry, its comment beside it where there is room, else above."""
    entry = f"{name} = {value}"
    beside = f"{entry:<{_MARGIN}}# {comment}"
    return [beside] if len(beside) <= _WIDTH else [*_wrapped(comment), entry]


def _wrapped(comment: str) -> list[str]:
    return textwrap.wrap(comment, _WIDTH, initial_indent="# ", subsequent_indent="# ")


# Corrections of one job, from how a user names them to what `Ledger.amend` takes.

_SET = tuple(name for name in TABLES["jobs"].names if name != "job")


def amendment(
    old: JobDocument, kind: str, *, settings: Iterable[str] = (), sheet: JobSheet | None = None
) -> JobDocument:
    """Read what the command line, and a sheet, say is to change in a job of this kind of unit."""
    faults: list[str] = []
    job: dict[str, Any] = {}
    for setting in settings:
        try:
            job |= _cells(setting)
        except Refused as error:
            faults.append(f"--set {setting!r}: {error.message}")
    changes: JobDocument = {"job": job}
    if sheet is not None:
        faults += [f"{sheet.source}, {fault}" for fault in sheet.faults]
        if sheet.new_family is not None:
            faults.append(f"{sheet.source}, new_family: an amendment describes no family")
        if sheet.kept or sheet.taken:
            faults.append(f"{sheet.source}: an amendment moves no part; use benchodds shelf keep, shelf use")
        said = [str(row["component"]) for row in old["findings"]]
        rest = sheet.rest(usual_components(kind), said)
        gone = [{**row, "seen": None} for row in old["signs"] if row["sign"] in sheet.unseen]
        changes = {
            "job": sheet.document["job"] | job,
            "findings": sheet.document["findings"] + rest,
            "signs": sheet.document["signs"] + gone,
            "followups": sheet.document["followups"],
        }
    refuse(faults)
    return changes


def _cells(setting: str) -> dict[str, Any]:
    """Take ``outcome=donor`` apart."""
    column, equals, value = (part.strip() for part in setting.partition("="))
    if not equals:
        raise Refused("write COLUMN=VALUE; nothing after the = empties the cell")
    if column == "built":
        first, last = read_window(value) if value else (None, None)
        return {"built_from": first, "built_to": last}
    if column not in _SET:
        told = f"jobs have no column {column!r} that can be set; there are {', '.join(_SET)}. Findings and "
        raise Refused(f"{told}signs are corrected by a sheet.{nearest(column, _SET)}")
    return {column: value or None}


# Names that the ledger knows, and which of those in a sheet are new to it.


class Names:
    """Names that the ledger knows while sheets are laid beside it."""

    def __init__(self, ledger: "Ledger", meant: Iterable[str] | None = None) -> None:
        #: The kind of each family, the family of each model.
        self.families = {str(row["family"]): str(row["kind"]) for row in ledger.rows("families")}
        self.models = {str(row["model"]): str(row["family"]) for row in ledger.rows("models")}
        self.components, self.signs = set(ledger.names("component")), set(ledger.names("sign"))
        self.exponent = exponent_of(str(ledger.setting("currency")))
        #: Names that are said to be new; None where nobody can be asked about one.
        self.meant = None if meant is None else [clean_text(name) for name in meant]

    def questions(self, kinds: Iterable[object], signs: Iterable[object]) -> list[Fault]:
        """Ask about kinds, and signs like known ones, that the ledger has never seen."""
        known = {*self.families.values(), *USUAL_COMPONENTS} - {"other"}
        told = [("kind", "new family", kind, known) for kind in kinds]
        told += [("sign", "sign", sign, self.signs) for sign in signs]
        return [Fault(place, what, asked) for what, place, name, seen in told
                if isinstance(name, str) and (asked := question(what, name, seen, self.meant))]  # fmt: skip

    def news(self, job: Mapping[str, Any], signs: Iterable[str]) -> list[str]:
        """Tell which names of a job are new where any name may be, and learn them."""
        said: list[str] = []
        for sign in signs:
            if sign not in self.signs:
                said.append(f"sign {sign!r} is new here.{nearest(sign, self.signs)}")
                self.signs.add(sign)
        model, family = job.get("model"), job["family"]
        if model and model not in self.models:
            said.append(f"model {model!r} is new here, of family {family!r}.{nearest(model, self.models)}")
            self.models[model] = family
        return said


def open_jobs(ledger: "Ledger", family: str | None = None) -> list[dict[str, Any]]:
    """List the jobs that are not finished, oldest first."""
    return [row for row in ledger.rows("jobs", outcome="open") if family in (None, row["family"])]


# Sheets written into a ledger: all of them, or none and every fault of each.

#: How a family that is new is described, where a unit comes in and in a sheet.
_AT_INTAKE = '--new-family --kind "tape deck"'
_IN_A_SHEET = 'a heading [new_family] and below it kind = "tape deck"'
_DAYS = ("taken_in", "closed", "sold_on")
_HOW_IT_ENDED = f"a sheet says how the job ended: {', '.join(TABLES['jobs']['outcome'].allowed[:-1])}"


@dataclass(frozen=True)
class Written:
    """One job as it went into the ledger."""

    source: str  # of the sheet
    job: str
    family: str
    outcome: str
    notes: tuple[str, ...] = ()  # what was assumed, and what is new to the ledger


def write_up(
    ledger: "Ledger",
    sheets: Sequence[JobSheet],
    *,
    today: datetime.date | None = None,  # stands for the days of a sheet that names none
    new_components: Iterable[str] = (),
    new_names: Iterable[str] | None = None,  # None: nothing is asked about new kinds and signs
    unreadable: Iterable[str] = (),  # faults of sheets that could not even be read
    how_to_add: str = "",  # how a new family is described where the sheets come from
) -> list[Written]:
    """Write all sheets in one transaction, which any fault of any of them undoes."""
    new = {clean_text(name) for name in new_components}
    faults: list[Fault | str] = list(unreadable)
    written = []
    with ledger.writing():
        doubt = tuple(filter(None, [ledger.clock_doubt()]))
        names = Names(ledger, new_names)
        names.components |= new
        for at, sheet in enumerate(sheets):
            found: list[Fault | str] = [*sheet.faults]
            number = sheet.document["job"].get("job")
            twice = ["it is given twice" for other in sheets[:at] if other.source == sheet.source]
            twice += [f"job: {number} is in {other.source} too" for other in sheets[:at]
                      if number and other.document["job"].get("job") == number]  # fmt: skip
            try:
                refuse([*found, *twice] if twice else [])
                written.append(_write(ledger, sheet, names, new, today or datetime.date.today(), found))
            except FaultsFound as error:
                # A cell is at fault once: a family's name in its job, a lot's where it is described. A family
                # that is described wrongly is not told as unknown too.
                family = sheet.document["job"].get("family")
                told = {("new family", "family"), *([("job", "lot")] if sheet.new_lot else [])}
                beside = f"no family {family!r} is known" if sheet.new_family else "\0"
                found = [each for each in error.found
                         if isinstance(each, str) or not ((each.place, each.column) in told
                                                          or each.message.startswith(beside))]  # fmt: skip
                if isinstance(family, str) and not sheet.new_family and family not in ledger.names("family"):
                    how = how_to_add or (_AT_INTAKE if sheet.comes_in else _IN_A_SHEET)
                    found.append(f"if {family!r} is a new family, describe it: {how}")
            for each in found:
                if sheet.source and isinstance(each, Fault):
                    each = replace(each, place=f"{sheet.source}, {each.place}")
                faults.append(f"{sheet.source}, {each}" if sheet.source and isinstance(each, str) else each)
        used = set().union(*(_components(each.document) for each in sheets))
        used |= {row["component"] for sheet in sheets for row in sheet.kept}
        faults += [f"--new-component {name!r}: no sheet names it.{nearest(name, used)}"
                   for name in sorted(new - used)]  # fmt: skip
        refuse(faults)
    return [replace(each, notes=(*each.notes, *doubt)) for each in written]


def _write(
    ledger: "Ledger", sheet: JobSheet, names: Names, new: set[str], today: datetime.date,
    found: list[Fault | str],
) -> Written:  # fmt: skip
    """Write one sheet; what does not keep the ledger from taking it is found wrong, and said so."""
    notes: list[str] = []
    job = dict(sheet.document["job"])
    families, lots = ([row] if row else [] for row in (sheet.new_family, sheet.new_lot))
    if families and isinstance(name := families[0]["family"], str) and name in names.families:
        told = f"the ledger knows {name!r} already; leave its description out"
        found.append(Fault("new family", "", told))
        families = []
    signs = [row["sign"] for row in sheet.document["signs"] if isinstance(row.get("sign"), str)]
    found += names.questions([row.get("kind") for row in families], signs)
    names.families |= {str(row["family"]): str(row["kind"]) for row in families if row.get("kind")}
    if sheet.comes_in:
        job["outcome"] = "open"
        number = ledger.intake(sheet.document, new_families=families, new_model=True, new_lots=lots,
                               faults=found)  # fmt: skip
        return Written(sheet.source, number, job["family"], "open", tuple(names.news(job, signs)))
    old = _open_job(ledger, job, found, notes)
    notes += _dated(job, old, today)
    job["family"] = job.get("family") or (old and old["job"]["family"])
    said = {row["component"] for row in old["findings"]} if old else set()
    kind = names.families.get(str(job["family"]))
    if rest := sheet.rest(usual_components(kind), said) if kind else []:
        general = "" if kind in USUAL_COMPONENTS else f" (the general list: none is kept for kind {kind!r})"
        notes.append(f"examined and sound: {', '.join(row['component'] for row in rest)}{general}")
    document = {**sheet.document, "job": job, "findings": [*sheet.document["findings"], *rest]}
    number = ledger.add(document, new_families=families, new_components=new, new_model=True,
                        kept=sheet.kept, taken=sheet.taken, faults=found)  # fmt: skip
    notes += names.news(job, signs)
    if still_open := [] if job.get("job") else [row["job"] for row in open_jobs(ledger, job["family"])]:
        notes.append(f"still open of this family: {some(still_open, 10)}. If the sheet was about one of "
                     "them, take the new job out with: benchodds amend JOB --withdraw, and add the sheet "
                     "again with the number in it")  # fmt: skip
    shelf = ledger.shelf() if sheet.kept else {}
    notes += [f"part {part}: {row['component']} of job {number}, on the shelf"
              for part, row in shelf.items() if row["job"] == number]  # fmt: skip
    return Written(sheet.source, number, job["family"], job.get("outcome", ""), tuple(notes))


def _open_job(
    ledger: "Ledger", job: Mapping[str, Any], found: list[Fault | str], notes: list[str]
) -> JobDocument | None:
    """Find the open job that a sheet finishes; complain of one that it cannot finish."""
    outcome, number = job.get("outcome"), str(job.get("job") or "")
    if outcome == "open":
        found.append(Fault("job", "outcome", f"{_HOW_IT_ENDED}; intake is for units that come in"))
    if not number:
        return None
    try:
        old = ledger.job(number)
    except UnknownName:
        if ledger.was_withdrawn(number):
            notes.append(f"job {number} was withdrawn before; it is written anew under the same number")
            return None
        notes.append(f"job {number} had not been taken in; it is written as a new one")
        notes += filter(None, [ledger.number_doubt(number)])
        return None
    family, day, ended = (old["job"][name] for name in ("family", "taken_in", "outcome"))
    if ended != "open":
        refuse([*found, f"job: {number} is finished already ({ended}); correct it with: "
                f"benchodds amend {number} --set COLUMN=VALUE --why REASON"])  # fmt: skip
    if outcome is None:
        found.append(Fault("job", "outcome", _HOW_IT_ENDED))
    if job.get("family") not in (None, family):
        found.append(f"job: {number} was taken in as {family!r}, the sheet says {job['family']!r}; "
                     "mend the number, or amend the family of the job first")  # fmt: skip
    if str(job.get("taken_in") or day) != day:
        found.append(f"job: {number} was given out to a unit that was taken in on {day}, the sheet says "
                     f"{job['taken_in']}; if it is another unit, take the number out of the sheet, else "
                     "taken_in")  # fmt: skip
    return old


def _dated(job: dict[str, Any], old: JobDocument | None, today: datetime.date) -> list[str]:
    """Let a sheet without any date be about today; one that has some must have all it needs."""
    if job.get("outcome") is None or any(job.get(day) is not None for day in _DAYS):
        return []
    job["closed"] = today.isoformat() if job["outcome"] != "open" else None
    if old is not None:
        return [f"closed today, {today}"]
    job["taken_in"] = today.isoformat()
    return [f"taken in and closed today, {today}"]


# What was looked at: bought units taken in, the others kept with their asking and why they were left.

Offer = Mapping[str, Any]
WHAT_IT_IS = ("family", "model", "kind")


@dataclass(frozen=True)
class Recorded:
    """What became of one row of an offers file."""

    sighting: str  # its name in the ledger
    offer: str  # and in the file
    job: str | None
    left_because: str | None
    is_held: bool  # whether the ledger said so already
    taken_in: bool  # whether the job is new


def record_sightings(
    ledger: "Ledger", seen: Sequence[tuple[Offer, Mapping[str, str]]], *, place: str | None = None
) -> list[Recorded]:
    """Write what was looked at, and take in what was bought; all in one transaction."""
    with ledger.writing():
        held: dict[str, Any] = {str(row["sighting"]): row for row in ledger.rows("sightings")}
        names = Names(ledger)
        allowed = {None, "no", *(row["job"] for row in ledger.rows("jobs"))}
        lots, new_lots, faults = _lots([row for row, _ in seen], ledger.names("lot"), place)
        sheets = []
        for row, signs in seen:
            named, bought = f"Offer {row['offer']}", row["bought"]
            old = held.get(_sighted(row, row["offer"], place))
            known = old and old["job"]
            if why := _contradiction(row, old, held.values(), place):
                faults.append(f"{named}: {why}")
            elif not known and bought == "yes":
                lot = lots.get(row["lot"] or "")
                sheets.append(_bought(named, row, signs, names, lot, new_lots.pop(lot or "", None)))
            elif not known and bought not in allowed:
                such = f"bought is yes, no or the number of a job; there is no job {bought!r}"
                faults.append(f"{named}: {such}")
        written = write_up(ledger, sheets, unreadable=faults, how_to_add="say its kind")
        taken_in = {each.source: each.job for each in written}
        recorded, rows, rows_of_signs = [], [], []
        for row, signs in seen:
            name = _sighted(row, row["offer"], place)
            old, new = held.get(name), taken_in.get(f"Offer {row['offer']}")
            said = None if row["bought"] in ("yes", "no") else row["bought"]
            job = new or (old and old["job"]) or said
            kept = {column: row[column] for column in TABLES["sightings"].names if column in row}
            if old is not None:
                kept |= {"verdict": old["verdict"], "ceiling": old["ceiling"]}
                kept["left_because"] = row["left_because"] or (None if job else old["left_because"])
            kept |= {"sighting": name, "place": place, "job": job}
            rows.append(kept)
            rows_of_signs += [{"sighting": name, "sign": sign, "seen": seen} for sign, seen in signs.items()]
            is_held = old is not None and all(old[each] == kept[each] for each in ("job", "left_because"))
            left = kept["left_because"]
            recorded.append(Recorded(name, row["offer"], job, left, is_held, taken_in=new is not None))
        ledger.put("sightings", rows, reason="looked at")
        ledger.put("sighting_signs", rows_of_signs, reason="looked at")
        return recorded


def _sighted(row: Offer, label: object, place: object) -> str:
    """Name a sighting: the day, the place, and what it was called there."""
    return " ".join(str(each) for each in (row["seen_on"], place, label) if each)


def _contradiction(row: Offer, old: Offer | None, held: Iterable[Offer], place: str | None) -> str | None:
    """Say what the ledger holds against a row: another unit of its name, the same one under another."""
    if old is None:
        # Under a place where none is said now, or the other way round.
        same = (*WHAT_IT_IS, "built_from", "built_to", "asked")
        twin = next((other["sighting"] for other in held if bool(other["place"]) != bool(place)
                     and other["sighting"] == _sighted(row, row["offer"], other["place"])
                     and all(other[what] == row[what] for what in same)), None)  # fmt: skip
        told = "say where it was seen as before, or give this unit another name"
        return twin and f"the ledger holds the same unit as {twin!r}; {told}"
    if any(row[what] != old[what] for what in WHAT_IT_IS):
        known_as = old["family"] or old["model"] or old["kind"]
        return (f"the ledger holds a {known_as} as {old['sighting']!r}; give this unit another name, or say "
                "where it was seen: --place")  # fmt: skip
    if old["job"] and row["bought"] not in (None, "yes", old["job"]):
        such = f"it was taken in as job {old['job']}, but its bought says {row['bought']!r}"
        return f"{such}; correct one of them"
    return None


def _bought(
    source: str, row: Offer, signs: Mapping[str, str], names: Names, lot: str | None, new_lot: Any
) -> JobSheet:
    """Write the sheet by which a unit that was bought is taken in."""
    family, new = row["family"] or names.models.get(row["model"]), None
    if family and family not in names.families and row["kind"]:
        price = row["working_price"]
        new = {"family": family, "kind": row["kind"], "working_price": price,
               "priced_on": None if price is None else row["seen_on"]}  # fmt: skip
        names.families[family] = row["kind"]
    job = {name: row[name] for name in ("model", "built_from", "built_to")}
    job |= {"family": family, "taken_in": row["seen_on"], "lot": lot}
    job["bought_for"] = None if lot else row["asked"]
    looked = [{"sign": sign, "seen": seen} for sign, seen in signs.items()]
    document = {"job": job, "findings": [], "signs": looked, "followups": []}
    return JobSheet(source, document, new, new_lot=new_lot, comes_in=True)


def _lots(
    rows: Iterable[Offer], known: Collection[str], place: str | None
) -> tuple[dict[str, str], dict[str, Any], list[str]]:
    """Find the lots that were bought whole: their names in the ledger by those in the file, the new ones."""
    of_lot: dict[str, list[Offer]] = {}
    for row in rows:
        if row["lot"] is not None:
            of_lot.setdefault(row["lot"], []).append(row)
    names: dict[str, str] = {}
    new: dict[str, Any] = {}
    faults = []
    for lot, units in of_lot.items():
        left = [row["offer"] for row in units if row["bought"] != "yes"]
        price = next((row["lot_asked"] for row in units if row["lot_asked"] is not None), None)
        if not left and price is not None:
            name = names[lot] = _sighted(units[0], lot, place)
            if name not in known:
                new[name] = {"lot": name, "price": price, "bought_on": units[0]["seen_on"]}
        elif any(row["asked"] is None for row in units if row["bought"] == "yes"):
            such = "it was bought: say what it cost, lot_asked"
            if left:
                such = f"it was bought for one price, but {', '.join(left)} is not marked bought; mark all "
                such += "its units, or say what each cost: asked"
            faults.append(f"Lot {lot}: {such}")
    return names, new, faults
