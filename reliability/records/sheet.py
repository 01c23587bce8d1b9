"""Job sheets in TOML: read, blank, laid beside the ledger, written into it; units taken in; corrections."""

import datetime
import json
import re
import textwrap
import tomllib
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from reliability.errors import BenchoddsError, InvalidInput, LedgerError, UnknownName
from reliability.records.checks import (
    JobDocument,
    ShelfRow,
    Taken,
    clean_row,
    document_faults,
    kept_faults,
    lay_parts,
    merge_document,
)
from reliability.records.tables import (
    FOUND,
    SETTINGS,
    TABLES,
    USUAL_COMPONENTS,
    USUAL_SIGNS,
    Column,
    usual_components,
)
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

# The parts of a job sheet, from parsed TOML to rows; every fault of form is collected.


STATES = tuple(reversed(FOUND))
BLOCKS = ("signs", "finding", "followup", "new_family")
TOP_LEVEL = (*TABLES["jobs"].names, "built", *STATES, "rest_sound", "kept", *BLOCKS)
COLUMNS = {
    "finding": (*(name for name in TABLES["findings"].names if name != "job"), "from"),
    "followup": tuple(name for name in TABLES["followups"].names if name != "job"),
    "new_family": tuple(name for name in TABLES["families"].names if name != "family"),
}
_WINDOW = re.compile(r"([0-9]{4})(?:\s*-\s*([0-9]{4}))?")
_ABOVE = "it belongs to the job: write it above the first heading in brackets"


def read_window(value: object) -> tuple[int, int]:
    """Read a year or a window of years."""
    match = _WINDOW.fullmatch(str(value).strip()) if isinstance(value, int | str) else None
    if match is None or isinstance(value, bool):
        raise Refused(f"{_shown(value)} is neither a year such as 1979 nor a window such as 1978-1981")
    first, last = int(match[1]), int(match[2] or match[1])
    if first > last:
        raise Refused(f"{_shown(value)} ends before it begins")
    return first, last


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:50] + "…"


def _cell(value: object) -> object:
    text = clean_text(value) if isinstance(value, str) else value
    # TOML numbers have 64 bits; longer ones are shown as text, and no column takes those.
    if isinstance(text, int) and not -(2**63) <= text < 2**63:
        return str(text)
    return None if text == "" else text


@dataclass
class SheetReader:
    """Collects the rows and the faults of one sheet, part by part.

    Parameters
    ----------
    source : str
        Where the sheet was read, for messages.
    faults : list of Fault
        What is wrong with its form.
    rows : dict of list
        Rows of ``finding``, ``sign`` and ``followup``; values are not checked, an empty cell is None.
    """

    source: str
    faults: list[Fault] = field(default_factory=list)
    rows: dict[str, list[dict[str, Any]]] = field(
        default_factory=lambda: {"finding": [], "sign": [], "followup": []}
    )

    def fault(self, part: str, message: str) -> None:
        """Note what is wrong with a part of the sheet."""
        self.faults.append(Fault(f"{self.source}, {part}", "", message))

    def top_level(self, raw: Mapping[str, object]) -> None:
        """Complain of entries that no sheet has."""
        for key in raw:
            if key not in TOP_LEVEL:
                self.fault(repr(key), f"a sheet has no such entry; it has {', '.join(TOP_LEVEL)}."
                           f"{nearest(key, TOP_LEVEL)}")  # fmt: skip

    def job(self, raw: Mapping[str, object]) -> dict[str, Any]:
        """Take the columns of jobs, with ``built`` spelt out as its two years."""
        job = {key: _cell(value) for key, value in raw.items() if key in TABLES["jobs"].names}
        if isinstance(job.get("job"), int) and not isinstance(job["job"], bool):
            job["job"] = str(job["job"])
        if (built := _cell(raw.get("built"))) is not None:
            if {"built_from", "built_to"} & job.keys():
                self.fault("built", "is given beside built_from or built_to; write one or the other")
            try:
                job["built_from"], job["built_to"] = read_window(built)
            except Refused as error:
                self.fault("built", error.message)
        return job

    def blocks(self, name: str, value: object) -> None:
        """Take every ``[[finding]]`` or ``[[followup]]``."""
        if not isinstance(value, list) or not all(isinstance(row, dict) for row in value):
            self.fault(name, f"is a table of its own, with the heading [[{name}]]")
            return
        for number, row in enumerate(value, 1):
            self.known_keys(f"{name} {number}", name, row)
            self.rows[name].append({key: _cell(cell) for key, cell in row.items() if key in COLUMNS[name]})

    def known_keys(self, place: str, name: str, row: Mapping[str, object]) -> None:
        """Complain of columns that a block does not have."""
        for key in row:
            if key in COLUMNS[name]:
                continue
            hint = nearest(key, COLUMNS[name])
            if key in TOP_LEVEL:
                hint = f" Perhaps {_ABOVE}."
            allowed = ", ".join(COLUMNS[name])
            self.fault(f"{place}, {key!r}", f"there is no such column; there are {allowed}.{hint}")

    def taken(self) -> tuple[Taken, ...]:
        """Take out of the findings which parts come from the shelf."""
        found = []
        for number, row in enumerate(self.rows["finding"], 1):
            part = row.pop("from", None)
            if isinstance(part, int) and not isinstance(part, bool):
                found.append(Taken(part, str(row.get("component")), str(row.get("position") or "")))
            elif part is not None:
                self.fault(
                    f"finding {number}, 'from'", f"{_shown(part)} is not the number of a part on the shelf"
                )
        return tuple(found)

    def kept(self, value: object) -> tuple[dict[str, Any], ...]:
        """Take the parts that are kept: a list of components, or a table with the worth of each."""
        if isinstance(value, list) and all(isinstance(name, str) for name in value):
            return tuple({"component": clean_text(name), "worth": None} for name in value)
        if isinstance(value, dict):
            return tuple(
                {"component": clean_text(name), "worth": _cell(worth)} for name, worth in value.items()
            )
        wanted = (
            'neither a list of components such as ["motor"] nor a table with the heading [kept] and lines '
        )
        self.fault("kept", f"{_shown(value)} is {wanted}such as motor = 12.00")
        return ()

    def states(self, raw: Mapping[str, object]) -> None:
        """Take the lists ``failed``, ``worn`` and ``sound`` as findings."""
        detailed = {row["component"] for row in self.rows["finding"] if isinstance(row.get("component"), str)}
        short: dict[str, str] = {}
        for state in STATES:
            names = raw.get(state, [])
            if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
                self.fault(state, f'{_shown(names)} is not a list of components such as ["belt", "motor"]')
                continue
            for name in map(clean_text, names):
                self.state(name, state, short, detailed)

    def state(self, name: str, state: str, short: dict[str, str], detailed: set[str]) -> None:
        """Take one component of such a list, unless the sheet says something else of it."""
        if not name:
            self.fault(state, "holds an empty name")
        elif name in short:
            again = "twice" if short[name] == state else f"and in {short[name]} too"
            self.fault(state, f"{name!r} is named here {again}; a component has one state. "
                       "Where a unit has several, give each a [[finding]] with its position")  # fmt: skip
        elif name in detailed:
            self.fault(state, f"{name!r} is named here and in a [[finding]] too; keep the finding alone")
        else:
            short[name] = state
            self.rows["finding"].append({"component": name, "found": state})

    def signs(self, value: object) -> None:
        """Take the signs that somebody looked for."""
        if not isinstance(value, dict):
            self.fault("signs", "is a table with the heading [signs] and lines such as rust = true")
            return
        for sign, seen in value.items():
            if sign in TOP_LEVEL:
                self.fault(f"signs, {sign!r}", f"is no sign; {_ABOVE}")
            elif (cell := _cell(seen)) is not None:
                self.rows["sign"].append({"sign": clean_text(sign), "seen": cell})

    def family(self, raw: Mapping[str, object], job: Mapping[str, Any]) -> dict[str, Any] | None:
        """Take the description of a family that is new."""
        block = raw.get("new_family")
        if block is None:
            return None
        if not isinstance(block, dict):
            wanted = 'is a table with the heading [new_family] and lines such as kind = "tape deck"'
            self.fault("new_family", wanted)
            return None
        self.known_keys("new_family", "new_family", block)
        row = {key: _cell(cell) for key, cell in block.items() if key in COLUMNS["new_family"]}
        return {"family": job.get("family"), **row}


# Job sheets: what a bench writes down about one unit, in TOML.


_MOST_CHARACTERS = 200_000
#: A unit of a hundred components, all of it told, has some thousand.
_MOST_ENTRIES, _MOST_DOTS = 3_000, 30
_MANY_DOTS = re.compile(rf"""(?<![\w"'-])(?:[\w"'-]++[ \t]*+\.[ \t]*+){{{_MOST_DOTS}}}""")


@dataclass(frozen=True)
class JobSheet:
    """One sheet as it was written; values are not checked yet.

    Parameters
    ----------
    source : str
        Where it was read, for messages.
    document : JobDocument
        The job, its findings, signs and follow-ups; an empty cell is None.
    new_family : dict or None
        Columns of the family that the sheet describes, its name included.
    rest_sound : bool
        Whether the usual components that are not named were examined and are sound.
    faults : tuple of Fault
        What is wrong with the sheet itself: names that do not exist, contradictions.
    kept : tuple of dict
        Parts that are put on the shelf: component and worth.
    taken : tuple of Taken
        Parts that came from there.
    """

    source: str
    document: JobDocument
    new_family: dict[str, Any] | None = None
    rest_sound: bool = False
    faults: tuple[Fault, ...] = ()
    kept: tuple[dict[str, Any], ...] = ()
    taken: tuple[Taken, ...] = ()

    @property
    def named(self) -> set[str]:
        """Components that the sheet says something about."""
        named = [row.get("component") for row in self.document["findings"]]
        return {name for name in (*named, self.document["job"].get("ended_by")) if isinstance(name, str)}

    def rest(self, usual: Iterable[str], said: Iterable[str] = ()) -> list[dict[str, Any]]:
        """Give the findings that ``rest_sound`` stands for."""
        taken = self.named | set(said)
        rows = [{"component": name, "found": "sound"} for name in usual if name not in taken]
        return rows if self.rest_sound else []


def load_sheet(path: str | Path) -> JobSheet:
    """Read a sheet from a file."""
    try:
        content = Path(path).read_bytes()
    except OSError as error:
        raise InvalidInput(f"{path} cannot be read: {error.strerror}. Nothing was written.") from None
    return decode_sheet(content, str(path))


def decode_sheet(content: bytes, source: str) -> JobSheet:
    """Read a sheet from its bytes: UTF-8, with or without a byte-order mark."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise InvalidInput(
            f"{source}, line {line}: byte 0x{content[error.start]:02X} is not UTF-8; "
            "save the sheet as UTF-8. Nothing was written."
        ) from None
    return read_sheet(text, source)


def read_sheet(text: str, source: str = "sheet") -> JobSheet:
    """Read a sheet."""
    raw = _parse(text, source)
    reader = SheetReader(source)
    reader.top_level(raw)
    job = reader.job(raw)
    for block in ("finding", "followup"):
        reader.blocks(block, raw.get(block, []))
    reader.states(raw)
    reader.signs(raw.get("signs", {}))
    family = reader.family(raw, job)
    rest_sound = raw.get("rest_sound", False)
    if not isinstance(rest_sound, bool):
        reader.fault("rest_sound", f"{rest_sound!r} is neither true nor false")
    taken, kept = reader.taken(), reader.kept(raw.get("kept", []))
    document: JobDocument = {"job": job, "findings": reader.rows["finding"], "signs": reader.rows["sign"],
                             "followups": reader.rows["followup"]}  # fmt: skip
    return JobSheet(source, document, family, rest_sound is True, tuple(reader.faults), kept, taken)


def _parse(text: str, source: str) -> dict[str, Any]:
    if len(text) > _MOST_CHARACTERS:
        raise InvalidInput(f"{source} has {len(text)} characters; a sheet has at most {_MOST_CHARACTERS}. "
                           "Nothing was written.")  # fmt: skip
    if found := _MANY_DOTS.search(text):
        # The reader of TOML takes the square of its parts as steps.
        line = text.count("\n", 0, found.start()) + 1
        raise InvalidInput(f"{source}, line {line}: no name in a sheet has {_MOST_DOTS} dots. "
                           "Nothing was written.")  # fmt: skip
    try:
        raw = tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        raise InvalidInput(f"{source} is not written in TOML: {error}. Nothing was written.") from None
    except (ValueError, ArithmeticError, RecursionError):
        # Numbers of thousands of digits, dates that do not exist, lists nested by the hundred.
        raise InvalidInput(f"{source} holds a number, a date or a list that cannot be read. "
                           "Nothing was written.") from None  # fmt: skip
    if (entries := _entries(raw)) > _MOST_ENTRIES:
        raise InvalidInput(f"{source} has {entries} entries; a sheet has at most {_MOST_ENTRIES}. "
                           "Nothing was written.")  # fmt: skip
    return raw


def _entries(value: object) -> int:
    """Count all names and items of a sheet."""
    if isinstance(value, dict):
        return len(value) + sum(map(_entries, value.values()))
    return len(value) + sum(map(_entries, value)) if isinstance(value, list) else 0


# An empty job sheet, with a comment on every line, that is accepted once it is filled in.


_JOBS, _FINDINGS = TABLES["jobs"], TABLES["findings"]
# In the order in which a job is written up; `job` and `family` come before, with a line of their own.
_BEFORE = ("model", "lot", "built", "year_basis", "taken_in", "bought_for")
_AFTER = ("outcome", "closed", "hours", "other_costs", "sold_for", "sold_on", "salvage_value", "ended_by",
          "ended_why", "remarks")  # fmt: skip
_EXAMPLE = ("component", "position", "found", "original", "fitted_from", "fitted_to", "arose", "failed_from",
            "failed_to", "action", "part_cost", "part_source")  # fmt: skip
_WRITTEN = {
    "built": 'year of production: 1979, or "1978-1981" where only a window is known',
    "taken_in": "when the unit came to the bench; a sheet without any date is about today",
    "outcome": "repaired, donor (kept for parts), scrapped, sold as is (sold or given away unrepaired)",
    "closed": "when the job ended",
}
_MARGIN, _WIDTH = 24, 100


def blank_sheet(
    family: str,
    kind: str,
    components: Sequence[str],
    signs: Iterable[str],
    *,
    job: str | None = None,
    still_open: Sequence[str] = (),
) -> str:
    """Write an empty job sheet."""
    lines = [
        f"# Job sheet: {family} ({kind}). Fill in what is known and leave the rest as it is;",
        '# "" means not known. Then: benchodds add SHEET.toml',
        "",
        *_line("job", _quoted(job or ""), _about_number(job, still_open)),
        f"family = {_quoted(family)}",
    ]
    for name in () if job else _BEFORE:
        lines += _column_line(name)
    lines += ["", *_state_lines(components), ""]
    for name in _AFTER:
        lines += _column_line(name)
    lines += [
        "",
        "# Signs, seen before any tool was picked up: yes or no; empty where nobody looked.",
        "[signs]",
    ]
    lines += [f'{_quoted(sign)} = ""' for sign in signs]
    lines += [
        "",
        "# To say more about a component, uncomment these lines; take its name out of the lists above.",
    ]
    lines += ["# [[finding]]"]
    for name in _EXAMPLE:
        lines += [f"# {line}" for line in _line(name, '""', _about(_FINDINGS[name]))]
    return "\n".join(lines) + "\n"


def _about_number(job: str | None, still_open: Sequence[str]) -> str:
    if job:
        return "the open job that this sheet finishes"
    if still_open:
        return f"the number given at intake, if there was one; open: {', '.join(still_open)}"
    return "the number given at intake, if there was one; else the next one is given"


def _state_lines(components: Sequence[str]) -> list[str]:
    usual = ", ".join(_quoted(name) for name in components)
    such = ", ".join(_quoted(name) for name in components[:2])
    return [
        *_wrapped(f"Usual components: {usual}"),
        *_line("failed", "[]", f"did not work, such as [{such}]"),
        *_line("worn", "[]", "worked, but a careful bench replaces them"),
        *_line("sound", "[]", "examined and found sound"),
        *_line("rest_sound", "false", "true: the other usual components were examined and are sound"),
    ]


def _column_line(name: str) -> list[str]:
    return _line(name, '""', _WRITTEN.get(name) or _about(_JOBS[name]))


def _about(column: Column) -> str:
    return column.meaning + (f" [{', '.join(column.allowed)}]" if column.allowed else "")


def _line(name: str, value: str, comment: str) -> list[str]:
    """One entry, its comment beside it where there is room, else above."""
    entry = f"{name} = {value}"
    beside = f"{entry:<{_MARGIN}}# {comment}"
    return [beside] if len(beside) <= _WIDTH else [*_wrapped(comment), entry]


def _wrapped(comment: str) -> list[str]:
    return textwrap.wrap(comment, _WIDTH, initial_indent="# ", subsequent_indent="# ")


def _quoted(text: str) -> str:
    # A JSON string is a TOML string: a ledger holds no name with a control character.
    return json.dumps(text, ensure_ascii=False)


# Corrections of one job, from how a user names them to what `Ledger.amend` takes.


_JOB = tuple(name for name in TABLES["jobs"].names if name != "job")
_FINDING = tuple(name for name in TABLES["findings"].names if name not in ("job", "component", "position"))


@dataclass(frozen=True)
class Amendment:
    """What is to change in a job.

    Parameters
    ----------
    cells : tuple of (str, str, str, str or None)
        Component, position, column and new value; no component: a column of the job itself.
    signs : tuple of (str, str or None)
        Sign and whether it was seen; None takes it out.
    drops : tuple of (str, str)
        Component and position of findings that are taken out.
    sheet : JobSheet or None
        A sheet that holds corrections.
    """

    cells: tuple[tuple[str, str, str, str | None], ...] = ()
    signs: tuple[tuple[str, str | None], ...] = ()
    drops: tuple[tuple[str, str], ...] = ()
    sheet: JobSheet | None = None

    @classmethod
    def of(
        cls,
        settings: Iterable[str] = (),
        signs: Iterable[tuple[str, str]] = (),
        drops: Iterable[str] = (),
        drop_signs: Iterable[str] = (),
        sheet: str | Path | None = None,
    ) -> Self:
        """Read an amendment as the command line words it."""
        faults: list[str] = []
        cells = tuple(cell for setting in settings for cell in _cells(setting, faults))
        read = load_sheet(sheet) if sheet is not None else None
        if read is not None:
            faults += map(str, read.faults)
            if read.new_family is not None:
                faults.append(f"{read.source}, new_family: an amendment describes no family")
            if read.kept or read.taken:
                faults.append(
                    f"{read.source}: an amendment moves no part; use benchodds shelf keep, shelf use"
                )
        refuse(faults)
        taken_out: list[tuple[str, str | None]] = [(clean_text(sign), None) for sign in drop_signs]
        return cls(cells, (*signs, *taken_out), tuple(_place(drop) for drop in drops), read)

    @property
    def is_empty(self) -> bool:
        """Whether nothing is to change."""
        return not (self.cells or self.signs or self.drops or self.sheet)

    def changes(self, old: JobDocument, kind: str) -> JobDocument:
        """Lay the amendment over what the ledger holds."""
        faults: list[str] = []
        job = {column: value for component, _, column, value in self.cells if not component}
        findings = _Findings(old["findings"], faults)
        for component, position, column, value in self.cells:
            if component:
                findings.set(component, position, column, value)
        for component, position in self.drops:
            findings.drop(component, position)
        signs: list[dict[str, Any]] = [{"sign": sign, "seen": seen} for sign, seen in self.signs]
        held = [row["sign"] for row in old["signs"]]
        faults += [f"--drop-sign {sign!r}: the job has no such sign.{nearest(sign, held)}"
                   for sign, seen in self.signs if seen is None and sign not in held]  # fmt: skip
        rows = findings.rows()
        refuse(faults)
        changes: JobDocument = {"job": job, "findings": rows, "signs": signs, "followups": []}
        return changes if self.sheet is None else _with_sheet(changes, self.sheet, old, kind)


def _with_sheet(changes: JobDocument, sheet: JobSheet, old: JobDocument, kind: str) -> JobDocument:
    said = [str(row["component"]) for row in old["findings"]]
    added = {
        **sheet.document,
        "findings": [*sheet.document["findings"], *sheet.rest(usual_components(kind), said)],
    }
    merged = {part: [*changes[part], *added[part]] for part in ("findings", "signs", "followups")}
    return {"job": {**sheet.document["job"], **changes["job"]}, **merged}


def _cells(setting: str, faults: list[str]) -> list[tuple[str, str, str, str | None]]:
    """Take ``outcome=donor`` or ``switch:left.found=failed`` apart."""
    name, equals, value = (part.strip() for part in setting.partition("="))
    owner, dot, column = (part.strip() for part in name.rpartition("."))
    allowed = _FINDING if dot else _JOB
    if not equals:
        faults.append(f"--set {setting!r}: write NAME=VALUE; nothing after the = empties the cell")
    elif column == "built" and not dot:
        return _built(setting, value, faults)
    elif column not in allowed:
        table = "findings have" if dot else "jobs have"
        faults.append(f"--set {setting!r}: {table} no column {column!r} that can be set; there are "
                      f"{', '.join(allowed)}.{nearest(column, allowed)}")  # fmt: skip
    elif column == "found" and not value:
        faults.append(f"--set {setting!r}: a finding without a state is no finding; take it out with --drop")
    else:
        return [(*_place(owner), column, value or None)]
    return []


def _built(setting: str, value: str, faults: list[str]) -> list[tuple[str, str, str, str | None]]:
    try:
        years = [str(year) for year in read_window(value)] if value else [None, None]
    except Refused as error:
        faults.append(f"--set {setting!r}: {error.message}")
        return []
    return [("", "", "built_from", years[0]), ("", "", "built_to", years[1])]


def _place(text: str) -> tuple[str, str]:
    component, _, position = text.partition(":")
    return clean_text(component), clean_text(position)


class _Findings:
    """Changes of findings, matched to the ones that a job has."""

    def __init__(self, old: Sequence[Mapping[str, Any]], faults: list[str]) -> None:
        self._faults = faults
        self._held: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
        for row in old:
            self._held.setdefault((row["component"], row["position"]), []).append(row)
        self._given: dict[tuple[str, str], dict[str, Any]] = {}

    def set(self, component: str, position: str, column: str, value: str | None) -> None:
        """Change one cell of a finding; a finding that is not there is a new one."""
        self._given.setdefault((component, position), {})[column] = value

    def drop(self, component: str, position: str) -> None:
        """Take a finding out."""
        place = (component, position)
        if place not in self._held:
            names = [":".join(filter(None, held)) for held in self._held]
            named = ":".join(filter(None, place))
            self._faults.append(f"--drop {named!r}: the job has no such finding; it has {some(names)}."
                                f"{nearest(named, names)}")  # fmt: skip
        self._given.setdefault(place, {})["found"] = None

    def rows(self) -> list[dict[str, Any]]:
        """Give the rows that change, as the ledger takes them."""
        return [row for place, given in self._given.items() for row in self._changed(place, given)]

    def _changed(self, place: tuple[str, str], given: dict[str, Any]) -> list[dict[str, Any]]:
        key = {"component": place[0], "position": place[1]}
        held = self._held.get(place, [])
        if len(held) > 1:
            named = ":".join(filter(None, place))
            self._faults.append(f"{named!r} has a finding as received and one during work; "
                                "correct them with a sheet that says which, by arose")  # fmt: skip
        if not held:
            return [{**key, **given}]
        arose = held[0]["arose"]
        if given.get("arose", arose) == arose:
            return [{**key, "arose": arose, **given}]
        # When it arose is part of the key: the finding under the old one makes room.
        return [{**key, "arose": arose, "found": None}, {**held[0], **given}]


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
    """List the jobs that are not finished, oldest first: job, family, model, taken_in."""
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
    kept = {row["component"] for each in ready for row in each.sheet.kept}
    used = kept.union(*(_components(each.document) for each in ready))
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
    """Write sheets into the ledger, each in one transaction, once all of them have passed every check."""
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
    """Check a unit that comes in, beside a ledger or beside none where it is still to be made."""
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
    """Take a unit in under the next number."""
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
