"""The parts of a job sheet, from parsed TOML to rows; every fault of form is collected."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from reliability.records.faults import Fault, Refused, nearest
from reliability.records.tables import FOUND, TABLES
from reliability.records.values import clean_text

STATES = tuple(reversed(FOUND))
BLOCKS = ("signs", "finding", "followup", "new_family")
TOP_LEVEL = (*TABLES["jobs"].names, "built", *STATES, "rest_sound", *BLOCKS)
COLUMNS = {
    "finding": tuple(name for name in TABLES["findings"].names if name != "job"),
    "followup": tuple(name for name in TABLES["followups"].names if name != "job"),
    "new_family": tuple(name for name in TABLES["families"].names if name != "family"),
}
_WINDOW = re.compile(r"([0-9]{4})(?:\s*-\s*([0-9]{4}))?")
_ABOVE = "it belongs to the job: write it above the first heading in brackets"


def read_window(value: object) -> tuple[int, int]:
    """Read a year or a window of years.

    Parameters
    ----------
    value : int or str
        ``1979``, ``"1979"`` or ``"1978-1981"``.

    Returns
    -------
    tuple of int
        First and last year, both included.

    Raises
    ------
    Refused
        If it is written in any other way.
    """
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
