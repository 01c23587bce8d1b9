"""Parts kept for a later job: what a sheet says of them, laid beside what lies on the shelf."""

from collections.abc import Collection, Mapping, Sequence
from typing import Any, NamedTuple

from reliability.records.checks import JobDocument, clean_row
from reliability.records.tables import TABLES
from reliability.records.values import Fault, nearest, some

ShelfRow = Mapping[str, Any]
REPLACED, SALVAGED = "replaced", "salvaged"


class Taken(NamedTuple):
    """A part that a job takes from the shelf: its number, and the finding that it mends."""

    part: int
    component: str
    position: str


def lay_parts(
    document: JobDocument, taken: Sequence[Taken], shelf: Mapping[int, ShelfRow], job: str | None
) -> tuple[JobDocument, list[Fault]]:
    """Write into the findings of a job what the parts cost that it takes from the shelf.

    Parameters
    ----------
    document : JobDocument
        With a finding for each of them.
    taken : sequence of Taken
    shelf : mapping of int to mapping
        Every row of the shelf, by number.
    job : str or None
        The number of the job, if it has one yet: parts that it took before are still its own.

    Returns
    -------
    JobDocument, list of Fault
        The findings with action replaced, part_source salvaged and the part's worth as part_cost; what is
        wrong. The donor's gain holds that worth, so that the taker must pay just that.
    """
    findings = [dict(row) for row in document.get("findings") or ()]
    faults = []
    for number, component, position in taken:
        if found := _no_part(number, component, shelf, job):
            faults.append(Fault(f"finding ({component})", "from", found))
            continue
        worth = shelf[number]["worth"]
        said = {
            "action": REPLACED,
            "part_source": SALVAGED,
            **({} if worth is None else {"part_cost": worth}),
        }
        for row in findings:
            if (row.get("component"), row.get("position") or "") == (component, position):
                against = {name: row.get(name) for name in said if row.get(name) not in (None, said[name])}
                faults += [
                    Fault(f"finding ({component})", name, f"{value} is not what taking part {number} from "
                          f"the shelf means, {said[name]}; leave it out")
                    for name, value in against.items()
                ]  # fmt: skip
                row |= said
    if len({each.part for each in taken}) < len(taken):
        faults.append(Fault("findings", "from", "one part of the shelf cannot be fitted twice"))
    return {**document, "findings": findings}, faults


def _no_part(number: int, component: str, shelf: Mapping[int, ShelfRow], job: str | None) -> str | None:
    """Say why a part cannot be taken, if it cannot."""
    part = shelf.get(number)
    if part is None:
        lying = [str(each) for each, row in shelf.items() if row["gone_on"] is None]
        return f"there is no part {number}; on the shelf: {some(lying)}"
    if part["gone_on"] is not None and (job is None or part["used_in"] != job):
        went = f"went into job {part['used_in']}" if part["used_in"] else "was thrown out"
        return f"part {number} {went} on {part['gone_on']}"
    return None if part["component"] == component else f"part {number} is a {part['component']}"


def kept_faults(
    kept: Sequence[ShelfRow], outcome: object, known: Collection[str], exponent: int
) -> list[Fault]:
    """Complain of parts of an open unit, of a component that nobody ever saw, of a worth that is none."""
    faults = []
    for row in kept:
        name, any_row = row["component"], {"part": 1, "kept_on": "2000-01-01"}
        _, complaints = clean_row(TABLES["shelf"], {**any_row, **row}, exponent)
        faults += [Fault(f"kept ({name})", *complaint) for complaint in complaints]
        if name not in known:
            faults.append(Fault("kept", "component", f"component {name!r} was never seen here."
                                f"{nearest(name, known)} If it is new, say so: --new-component"))  # fmt: skip
    if kept and outcome in (None, "open"):
        faults.append(Fault("kept", "", "parts are kept of a unit that is no longer open"))
    return faults
