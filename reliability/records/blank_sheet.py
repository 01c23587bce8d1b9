"""An empty job sheet, with a comment on every line, that is accepted once it is filled in."""

import json
import textwrap
from collections.abc import Iterable, Sequence

from reliability.records.columns import Column
from reliability.records.tables import TABLES

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
    """Write an empty job sheet.

    Parameters
    ----------
    family, kind : str
        What the sheet is for.
    components : sequence of str
        The kind's usual components.
    signs : iterable of str
        Signs to look for.
    job : str, optional
        The open job that it finishes; such a sheet leaves out what was asked at intake.
    still_open : sequence of str
        Open jobs of the family, to be mentioned where none is chosen.

    Returns
    -------
    str
        TOML. An empty text means "not known", so that lines may stay as they are.
    """
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
