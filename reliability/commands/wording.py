"""A job in words, for the terminal."""

from collections.abc import Mapping, Sequence
from typing import Any

from reliability.records.checks import JobDocument
from reliability.records.tables import TABLES
from reliability.records.values import write_value

_IN_HEAD = {
    "findings": ("component", "position", "found", "arose"),
    "followups": ("checked_on", "working"),
}
_PARTS = {"findings": "Findings", "signs": "Signs", "followups": "Follow-ups"}


def job_lines(document: JobDocument, currency: str) -> list[str]:
    """Word a whole job: only what is known."""
    job = document["job"]
    lines = [f"Job {job['job']}: {job['family']}, {job['outcome']}"]
    for column in TABLES["jobs"]:
        if column.name in ("job", "family", "outcome") or job[column.name] is None:
            continue
        unit = {"money": f" {currency}", "hours": " h"}.get(column.kind, "")
        lines.append(f"  {column.name:<15}{_indented(write_value(job[column.name]))}{unit}")
    for part, heading in _PARTS.items():
        if document[part]:
            lines.append(f"{heading}:")
            lines += [f"  {_row(part, row, currency)}" for row in document[part]]
    return lines


def _indented(text: str) -> str:
    return text.replace("\n", "\n" + " " * 17)


def _row(part: str, row: Mapping[str, Any], currency: str) -> str:
    if part == "signs":
        return f"{row['sign']}: {row['seen']}"
    if part == "followups":
        head = f"{row['checked_on']}: {'working' if row['working'] == 'yes' else 'not working'}"
    else:
        place = f" ({row['position']})" if row["position"] else ""
        during = ", during work" if row["arose"] == "during work" else ""
        head = f"{row['component']}{place}: {row['found']}{during}"
    more = [_cell(part, name, value, currency) for name, value in row.items()
            if value is not None and name not in _IN_HEAD[part]]  # fmt: skip
    return ", ".join([head, *more])


def _cell(part: str, name: str, value: Any, currency: str) -> str:
    unit = {"money": f" {currency}", "hours": " h"}.get(TABLES[part][name].kind, "")
    return f"{name} {write_value(value)}{unit}"


def version_lines(versions: Sequence[Mapping[str, Any]]) -> list[str]:
    """Word every version of a job, oldest first, by what it changed."""
    lines: list[str] = []
    before: dict[str, str] = {}
    for version in versions:
        lines.append(f"Version {version['version']}, {version['written_at']}: {version['reason']}")
        if version["damage"]:
            lines.append(f"  {version['damage']}")
            continue
        if version["content"] is None:
            lines.append("  withdrawn")
            continue
        cells = _cells(version["content"])
        lines += [f"  {line}" for line in _changes(before, cells)]
        before = cells
    return lines


def _cells(document: JobDocument) -> dict[str, str]:
    """Every filled cell of a job under one name."""
    cells = {name: write_value(value) for name, value in document["job"].items() if value is not None}
    for part, named_by in (("findings", "component"), ("signs", "sign"), ("followups", "checked_on")):
        for row in document[part]:
            arose = "during work" if row.get("arose") == "during work" else ""
            owner = ":".join(filter(None, (str(row[named_by]), row.get("position"), arose)))
            for name, value in row.items():
                if value is not None and name not in (named_by, "position", "arose"):
                    cells[f"{owner}.{name}"] = write_value(value)
    return cells


def _changes(before: Mapping[str, str], after: Mapping[str, str]) -> list[str]:
    lines = []
    for name, value in after.items():
        if name not in before:
            lines.append(f"{name} = {value}")
        elif before[name] != value:
            lines.append(f"{name}: {before[name]} -> {value}")
    return lines + [f"{name}: {value} -> (empty)" for name, value in before.items() if name not in after]
