"""Job sheets: what a bench writes down about one unit, in TOML.

A sheet uses the names of the documented tables. At its top level stand the columns of ``jobs``;
then come, as far as there is something to say,

- ``failed``, ``worn``, ``sound``: lists of components, the short way to write findings;
- ``rest_sound = true``: the kind's usual components that the sheet does not name were examined
  and are sound;
- ``built = 1979`` or ``built = "1978-1981"``: the short way to write the two year columns;
- ``[signs]``: what could be seen before any tool was picked up, such as ``rust = true``;
- ``[[finding]]``: a component with more to say, in columns of ``findings``;
- ``[[followup]]``: a check after the sale, in columns of ``followups``;
- ``[new_family]``: columns of ``families``, where the ledger does not know the family yet.

An empty text is an empty cell: not known. A sheet without any date is about a job that came in
and ended today.
"""

import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

from reliability.errors import InvalidInput
from reliability.records.checks import JobDocument
from reliability.records.faults import Fault
from reliability.records.sheet_parts import SheetReader

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
    """

    source: str
    document: JobDocument
    new_family: dict[str, Any] | None = None
    rest_sound: bool = False
    faults: tuple[Fault, ...] = ()

    @property
    def named(self) -> set[str]:
        """Components that the sheet says something about."""
        named = [row.get("component") for row in self.document["findings"]]
        return {name for name in (*named, self.document["job"].get("ended_by")) if isinstance(name, str)}

    def rest(self, usual: Iterable[str], said: Iterable[str] = ()) -> list[dict[str, Any]]:
        """Give the findings that ``rest_sound`` stands for.

        Parameters
        ----------
        usual : iterable of str
            The usual components of the unit's kind.
        said : iterable of str
            Components that the ledger already holds findings of, in a job taken in earlier.

        Returns
        -------
        list of dict
            One sound finding per component that is not named; none without ``rest_sound``.
        """
        taken = self.named | set(said)
        rows = [{"component": name, "found": "sound"} for name in usual if name not in taken]
        return rows if self.rest_sound else []


def load_sheet(path: str | Path) -> JobSheet:
    """Read a sheet from a file.

    Raises
    ------
    InvalidInput
        If it cannot be read, or is no TOML in UTF-8.
    """
    try:
        content = Path(path).read_bytes()
    except OSError as error:
        raise InvalidInput(f"{path} cannot be read: {error.strerror}. Nothing was written.") from None
    return decode_sheet(content, str(path))


def decode_sheet(content: bytes, source: str) -> JobSheet:
    """Read a sheet from its bytes: UTF-8, with or without a byte-order mark.

    Raises
    ------
    InvalidInput
        If it is no TOML in UTF-8.
    """
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
    """Read a sheet.

    Parameters
    ----------
    text : str
        TOML, as described at the head of this module.
    source : str
        Where it comes from, for messages.

    Returns
    -------
    JobSheet
        With the faults of its form; whether the ledger can take it is a later check.

    Raises
    ------
    InvalidInput
        If it is no TOML.
    """
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
    document: JobDocument = {"job": job, "findings": reader.rows["finding"], "signs": reader.rows["sign"],
                             "followups": reader.rows["followup"]}  # fmt: skip
    return JobSheet(source, document, family, rest_sound is True, tuple(reader.faults))


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
