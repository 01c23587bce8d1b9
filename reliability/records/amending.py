"""Corrections of one job, from how a user names them to what `Ledger.amend` takes."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from reliability.records.checks import JobDocument
from reliability.records.faults import Refused, nearest, refuse, some
from reliability.records.job_sheet import JobSheet, load_sheet
from reliability.records.sheet_parts import read_window
from reliability.records.tables import TABLES, usual_components
from reliability.records.values import clean_text

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
        """Read an amendment as the command line words it.

        Raises
        ------
        InvalidInput
            With everything that names no column, and every fault of the sheet.
        """
        faults: list[str] = []
        cells = tuple(cell for setting in settings for cell in _cells(setting, faults))
        read = load_sheet(sheet) if sheet is not None else None
        if read is not None:
            faults += map(str, read.faults)
            if read.new_family is not None:
                faults.append(f"{read.source}, new_family: an amendment describes no family")
        refuse(faults)
        taken_out: list[tuple[str, str | None]] = [(clean_text(sign), None) for sign in drop_signs]
        return cls(cells, (*signs, *taken_out), tuple(_place(drop) for drop in drops), read)

    @property
    def is_empty(self) -> bool:
        """Whether nothing is to change."""
        return not (self.cells or self.signs or self.drops or self.sheet)

    def changes(self, old: JobDocument, kind: str) -> JobDocument:
        """Lay the amendment over what the ledger holds.

        Parameters
        ----------
        old : JobDocument
            The job as it is.
        kind : str
            Kind of its family, for ``rest_sound`` of a sheet.

        Returns
        -------
        JobDocument
            Only what changes, as `Ledger.amend` takes it.

        Raises
        ------
        InvalidInput
            With every finding that is not there, or that is there twice.
        """
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
