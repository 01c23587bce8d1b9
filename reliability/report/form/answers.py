"""From the fields of the form to what the ledger takes, and from its faults back to the fields."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from reliability.records.checks import JobDocument, merge_document
from reliability.records.sheet import JobSheet, read_window
from reliability.records.values import Fault, Refused, nearest

SOURCE = "form"
_PLACE = re.compile(rf"(?:{SOURCE}, )?(job|finding|sign|new.family)(?: ([0-9]+)( .*)?)?")


class Spot(NamedTuple):
    """One field of the form: its part, its row from 0 where a part has several, its column."""

    part: str
    row: int
    column: str


@dataclass
class Answers:
    """What stands in the fields, empty ones left out.

    Parameters
    ----------
    job : dict
        Columns of jobs as they were typed, and ``built``, the short way to write a window of years.
    findings, signs : list of dict
        Rows as they were typed; a finding may hold ``fitted``, a window too, and ``is_new``, that the
        component is meant although the ledger has never seen it.
    new_family : dict or None
        Columns of a family that the ledger does not know.
    """

    job: dict[str, Any] = field(default_factory=dict)
    findings: list[dict[str, Any]] = field(default_factory=list)
    signs: list[dict[str, Any]] = field(default_factory=list)
    new_family: dict[str, Any] | None = None

    def read(self, components: Iterable[str]) -> "ReadAnswers":
        """Spell the windows out, and look for components that the ledger does not know.

        Parameters
        ----------
        components : iterable of str
            Those that it knows.

        Returns
        -------
        ReadAnswers
            With the faults of what was read here; all else is for the ledger to check.
        """
        known = set(components)
        faults: list[Fault] = []
        job = _spelt_out(self.job, "built", f"{SOURCE}, job", faults)
        findings, new = [], []
        for number, row in enumerate(self.findings, 1):
            component = row.get("component", "")
            place = f"{SOURCE}, finding {number} ({component})"
            typed = {name: value for name, value in row.items() if name != "is_new"}
            findings.append(_spelt_out(typed, "fitted", place, faults))
            if component and component not in known:
                new.append(component)
                if not row.get("is_new"):
                    faults.append(Fault(place, "component", _unknown(component, known)))
        by = job.get("ended_by", "")
        if by and by not in {*known, *new}:
            new.append(by)
            faults.append(
                Fault(f"{SOURCE}, job", "ended_by", _unknown(by, known, "name it among what was found"))
            )
        described = None if self.new_family is None else {"family": job.get("family"), **self.new_family}
        document = {"job": job, "findings": findings, "signs": list(self.signs), "followups": []}
        return ReadAnswers(document, described, tuple(dict.fromkeys(new)), tuple(faults))


@dataclass(frozen=True)
class ReadAnswers:
    """Answers in the shape that the ledger takes, and what could not be read."""

    document: JobDocument
    new_family: Mapping[str, Any] | None
    new_components: tuple[str, ...]
    faults: tuple[Fault, ...]

    @property
    def sheet(self) -> JobSheet:
        """Give them as a job sheet."""
        family = None if self.new_family is None else dict(self.new_family)
        return JobSheet(SOURCE, self.document, family, faults=self.faults)


def _spelt_out(row: Mapping[str, Any], window: str, place: str, faults: list[Fault]) -> dict[str, Any]:
    """Write the short form of a window as its two years."""
    spelt = {name: value for name, value in row.items() if name != window}
    if not row.get(window):
        return spelt
    try:
        spelt[f"{window}_from"], spelt[f"{window}_to"] = read_window(row[window])
    except Refused as error:
        faults.append(Fault(place, f"{window}_from", error.message))
    return spelt


def _unknown(component: str, known: Iterable[str], remedy: str = "tick that it is new") -> str:
    return (
        f"component {component!r} was never seen here.{nearest(component, known)} If it is meant so, {remedy}"
    )


def renumbered(found: Sequence[Fault | str], old: JobDocument, document: JobDocument) -> list[Fault | str]:
    """Give findings and signs the numbers that they have in the form.

    A job that was taken in may hold some already; the ledger counts those first.

    Parameters
    ----------
    found : sequence of Fault or str
        About the two laid over each other.
    old, document : JobDocument
        What the ledger holds, and what the form says.

    Returns
    -------
    list of Fault or str
        Places of what the form does not show begin with "as taken in".
    """
    tagged = {part: [{**row, "asked": number} for number, row in enumerate(document[part], 1)]
              for part in ("findings", "signs")}  # fmt: skip
    merged = merge_document(old, {**document, **tagged}, emptying=False)
    order = {part[:-1]: [row.get("asked") for row in merged[part]] for part in tagged}
    return [_numbered(each, order) if isinstance(each, Fault) else each for each in found]


def _numbered(fault: Fault, order: Mapping[str, list[int | None]]) -> Fault:
    match = _PLACE.fullmatch(fault.place)
    if match is None or match[2] is None or match[1] not in order:
        return fault
    asked = order[match[1]][int(match[2]) - 1]
    told = f"{SOURCE}, {match[1]} {asked}" if asked else f"as taken in, {match[1]} {match[2]}"
    return Fault(told + (match[3] or ""), fault.column, fault.message)


def spot_of(fault: Fault) -> Spot | None:
    """Tell which field a fault belongs to; None where no field does.

    Parameters
    ----------
    fault : Fault
        As the checks of the ledger give it for a sheet from this form, or for a unit that comes in.

    Returns
    -------
    Spot or None
        Rows count from 0.
    """
    match = _PLACE.fullmatch(fault.place)
    if match is None:
        return None
    part = match[1].replace(" ", "_")
    return Spot(part, int(match[2]) - 1 if match[2] else 0, fault.column)


def sorted_out(
    found: Sequence[Fault | str], spots: Iterable[Spot]
) -> tuple[dict[Spot, list[str]], list[str]]:
    """Deal faults out to the fields that are there.

    Parameters
    ----------
    found : sequence of Fault or str
        Everything that was found wrong.
    spots : iterable of Spot
        Fields that can show a fault.

    Returns
    -------
    dict of Spot to list of str, list of str
        Messages by field; and those that belong to no field, with their place.
    """
    there = set(spots)
    beside: dict[Spot, list[str]] = {}
    others: list[str] = []
    for each in found:
        spot = spot_of(each) if isinstance(each, Fault) else None
        if isinstance(each, Fault) and spot in there and spot is not None:
            beside.setdefault(spot, []).append(each.message)
        else:
            others.append(str(each).removeprefix(f"{SOURCE}, "))
    return beside, others
