"""A reading plan: what the columns of somebody's sheet are, read from TOML, and followed row by row."""

import re
import tomllib
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, select

from reliability.errors import InvalidInput, reason
from reliability.records import database
from reliability.records.checks import Complaint
from reliability.records.database import SQL_TABLES
from reliability.records.importing import ImportSummary, MadeRows, import_sources
from reliability.records.open_repair import maker_key
from reliability.records.spreadsheets import (
    MARKS,
    ORDERS,
    SEPARATORS,
    Cell,
    CsvForm,
    Grid,
    read_built,
    read_date,
    read_grids,
    read_hours,
    read_number,
    text_of,
)
from reliability.records.tables import ACTIONS, FOUND, OUTCOMES, TABLES
from reliability.records.values import EXPONENTS, Fault, FaultsFound, Refused, folded, nearest, shown, words

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger

# What a plan may say.

DATES = ("taken_in", "closed", "sold_on")
MONEY = ("bought_for", "other_costs", "sold_for", "salvage_value", "part_cost")
#: Several columns may be one of these: amounts are added up, texts joined.
SHARED = ("other_costs", "remarks", "faults")
PARTS = ("component", "position", "found", "action", "part_cost", "part_source")
UNIT = ("family", "maker", "model", "kind")
ROLES = (
    "job", *UNIT, "lot", "built", *DATES, "outcome", *MONEY[:4], "hours", "ended_by", "ended_why", "remarks",
    "faults", *PARTS, "leave out",
)  # fmt: skip
#: Roles with a name behind them: `finding: belt`, `sign: rust`.
NAMED = ("finding", "sign")
SHEET, HEADING = "(sheet)", "(heading above)"
LEAVE_OUT, UNKNOWN, AS_ABOVE = "leave out", "unknown", "as above"

_TOP = ("encoding", "separator", "quotes", "rows", "same_again", "faulty_rows", "currency", "numbering", "unknown", "ditto",
        "sheets", "columns", "where_empty", "for_all", "faults", "families")  # fmt: skip
_COLUMN = {"is": str, "dates": (str, list), "dates_where": dict, "decimal": str, "unit": str, "about": int, "empty": str,
           "several": str, "merged": str, "prefix": str, "values": dict}  # fmt: skip
_WORDS = {"decimal": tuple(MARKS), "unit": ("hours", "minutes"), "several": ("sum", "first"),
          "merged": ("share", "each"), "dates": ORDERS}  # fmt: skip
_ROWS = re.compile(r"(?:(.+), )?rows? (\d+)(?: to (\d+))?")


@dataclass(frozen=True)
class ColumnPlan:
    """What one column is, and how its cells are written."""

    name: str
    role: str
    of: str = ""
    dates: tuple[str, ...] = ()
    dates_where: Mapping[str, str] = field(default_factory=dict)
    mark: str | None = None
    unit: str | None = None
    about: int | None = None
    empty: str | None = None
    several: str | None = None
    merged: str | None = None
    prefix: str = ""
    values: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Plan:
    """A reading plan without open questions; see `read_plan`."""

    source: str
    sheets: Mapping[str, Any]
    columns: Mapping[str, ColumnPlan]
    form: CsvForm | None = None
    rows: str = "jobs"
    same_again: str = "keep"
    faulty_rows: str = "refuse"
    currency: str | None = None
    numbering: str | None = None
    unknown: frozenset[str] = frozenset()
    ditto: frozenset[str] = frozenset()
    where_empty: Mapping[str, Sequence[str]] = field(default_factory=dict)
    for_all: Mapping[str, Any] = field(default_factory=dict)
    named_alone: str = ""
    parts: Mapping[str, str] = field(default_factory=dict)
    states: Mapping[str, str] = field(default_factory=dict)
    families: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)


def read_plan(path: Path) -> Plan:
    """Read a plan.

    Parameters
    ----------
    path : Path
        TOML, as `reading_plan_draft.draft_plan` writes it.

    Returns
    -------
    Plan

    Raises
    ------
    InvalidInput
        If it is no TOML, has open questions (all are named), or says what no plan says (all of it is named).
    """
    try:
        raw = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as error:
        raise InvalidInput(f"{path} cannot be read: {reason(error)}. Nothing was imported.") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise InvalidInput(f"{path} is no plan in TOML: {error}. Nothing was imported.") from None
    has_kind = bool(isinstance(raw.get("for_all"), dict) and raw["for_all"].get("kind"))
    if still_open := [
        place for place in _open(raw) if not (has_kind and re.match(r"families\..*kind$", place))
    ]:
        count = "1 question" if len(still_open) == 1 else f"{len(still_open)} questions"
        raise InvalidInput(
            f"{path.name} has {count} still open; fill what stands between the quotation marks. "
            "Nothing was imported.",
            still_open,
        )
    faults = [f"{path.name}, {fault}" for fault in _plan_faults(raw)]
    if faults:
        raise InvalidInput(f"{path.name} cannot be followed. Nothing was imported.", faults)
    return _plan(path.name, raw)


def _open(raw: Any, place: str = "") -> Iterator[str]:
    """Find every answer that is still empty."""
    items = raw.items() if isinstance(raw, dict) else enumerate(raw) if isinstance(raw, list) else ()
    for key, value in items:
        name = str(key) if re.fullmatch(r"\w+", str(key)) else f'"{key}"'
        at = f"{place}.{name}" if place else name
        if value == "":
            yield at
        else:
            yield from _open(value, at)


def _plan_faults(raw: Mapping[str, Any]) -> Iterator[str]:
    yield from (f"{key}: there is no such entry; there are {', '.join(_TOP)}.{nearest(key, _TOP)}"
                for key in raw if key not in _TOP)  # fmt: skip
    for key in ("sheets", "columns"):
        if not isinstance(raw.get(key), dict) or not raw[key]:
            yield f"{key}: says nothing; write a plan with --draft first"
    for key in ("where_empty", "for_all", "faults", "families"):
        if not isinstance(raw.get(key, {}), dict):
            yield f"{key}: is a table with the heading [{key}]"
            return
    for key, allowed in (("rows", ("jobs", "parts")), ("faulty_rows", ("refuse", LEAVE_OUT)),
                         ("same_again", ("keep", LEAVE_OUT)),
                         ("separator", tuple(SEPARATORS.values())), ("currency", tuple(EXPONENTS))):  # fmt: skip
        if key in raw and raw[key] not in allowed:
            shown_words = ", ".join(allowed[:8]) + (" ..." if len(allowed) > 8 else "")
            yield f"{key}: {raw[key]!r} is not one of {shown_words}"
    for name, sheet in raw["sheets"].items() if isinstance(raw.get("sheets"), dict) else ():
        if sheet != LEAVE_OUT and not (
            isinstance(sheet, dict)
            and sheet.get("header")
            and all(isinstance(row, int) for row in sheet["header"])
        ):
            yield f'sheets."{name}": is "{LEAVE_OUT}", or says its header, such as {{ header = [1] }}'
    for name, column in raw["columns"].items() if isinstance(raw.get("columns"), dict) else ():
        yield from (f'columns."{name}".{fault}' for fault in _column_faults(column))
    yield from _other_faults(raw)


def _column_faults(column: Any) -> Iterator[str]:
    if not isinstance(column, dict) or not isinstance(column.get("is"), str):
        yield f"is: every column says what it is: {', '.join(ROLES)}"
        return
    role, _, of = column["is"].partition(":")
    if column["is"] not in ROLES and not (role in NAMED and of.strip()):
        yield (f"is: {column['is']!r} is not one of {', '.join(ROLES)}, 'finding: COMPONENT', 'sign: SIGN'."
               f"{nearest(column['is'], ROLES)}")  # fmt: skip
    for key, value in column.items():
        if key not in _COLUMN:
            yield f"{key}: a column has no such entry; it has {', '.join(_COLUMN)}.{nearest(key, _COLUMN)}"
        elif not isinstance(value, _COLUMN[key]):  # type: ignore[arg-type]
            yield f"{key}: {value!r} is not written as it should be"
        else:
            for word in value if isinstance(value, list) else [value]:
                if key in _WORDS and word not in _WORDS[key]:
                    yield f"{key}: {word!r} is not one of {', '.join(_WORDS[key])}"
    for where, order in column.get("dates_where", {}).items():
        if order not in ORDERS or not (_ROWS.fullmatch(where) or "=" in where):
            yield (f'dates_where."{where}": is one of {", ".join(ORDERS)}, for "rows 31 to 52" or '
                   '"COLUMN = WORD"')  # fmt: skip
    for value, meaning in column.get("values", {}).items():
        if not isinstance(meaning, str):
            yield f'values."{value}": {meaning!r} is not in quotation marks'


def _other_faults(raw: Mapping[str, Any]) -> Iterator[str]:
    columns = TABLES["jobs"].names
    for name, instead in raw.get("where_empty", {}).items():
        names = instead if isinstance(instead, list) else [instead]
        if name not in DATES or any(other not in (*DATES, UNKNOWN) for other in names):
            yield f"where_empty.{name}: one of {', '.join(DATES)} stands for another, or a list of them, or {UNKNOWN}"
    for name, value in raw.get("for_all", {}).items():
        if name not in (*columns, "kind"):
            yield f"for_all.{name}: there is no such column; there are {', '.join(columns)}, kind"
        if name == "outcome":
            words_given = value.values() if isinstance(value, dict) else [value]
            if any(word not in (*OUTCOMES, LEAVE_OUT) for word in words_given):
                yield f"for_all.outcome: {value!r} is not one of {', '.join(OUTCOMES)}, {LEAVE_OUT}"
    for word, states in raw.get("faults", {}).get("states", {}).items():
        if states != "unclear" and _state(str(states)) is None:
            yield (f'faults.states."{word}": {states!r} is not unclear, one of {", ".join(FOUND)}, one of '
                   f'{", ".join(ACTIONS)}, or "failed, replaced"')  # fmt: skip
    for name, family in raw.get("families", {}).items():
        if not isinstance(family, dict) or family.keys() - {"kind", "maker", "also"}:
            yield f'families."{name}": has kind, maker and also, such as {{ kind = "radio", also = ["T-2"] }}'


def _plan(source: str, raw: Mapping[str, Any]) -> Plan:
    faults = raw.get("faults", {})
    separators = {name: sign for sign, name in SEPARATORS.items()}
    return Plan(
        source=source,
        sheets=raw["sheets"],
        columns={name: _column(name, entry) for name, entry in raw["columns"].items()},
        form=CsvForm(raw["encoding"], separators[raw["separator"]], raw.get("quotes", True))
        if "separator" in raw else None,
        unknown=frozenset(key_of(mark) for mark in raw.get("unknown", ())),
        ditto=frozenset(key_of(mark) for mark in raw.get("ditto", ())),
        where_empty={name: [other] if isinstance(other, str) else other
                     for name, other in raw.get("where_empty", {}).items()},
        for_all=raw.get("for_all", {}),
        named_alone=faults.get("named_alone", ""),
        parts={folded(word): name for word, name in faults.get("parts", {}).items()},
        states={folded(word): name for word, name in faults.get("states", {}).items()},
        families=raw.get("families", {}),
        **{key: raw[key] for key in ("rows", "same_again", "faulty_rows", "currency", "numbering") if key in raw},
    )  # fmt: skip


def _column(name: str, entry: Mapping[str, Any]) -> ColumnPlan:
    role, _, of = (part.strip() for part in entry["is"].partition(":"))
    dates = entry.get("dates", ())
    values = {folded(word): meaning for word, meaning in entry.get("values", {}).items() if folded(word)}
    values |= {key_of(word): meaning for word, meaning in entry.get("values", {}).items()}
    more = {key: entry[key] for key in ("unit", "about", "empty", "several", "merged", "prefix", "dates_where")
            if key in entry}  # fmt: skip
    more["dates"] = (dates,) if isinstance(dates, str) else tuple(dates)
    return ColumnPlan(name, role, of, mark=MARKS.get(entry.get("decimal", "")), values=values, **more)


def key_of(text: str) -> str:
    """Give a text for comparison: without case, spaces as one."""
    return " ".join(text.casefold().split())


# Rows of a sheet: its table, apart from titles, repeated headers, headings and sums.


@dataclass(frozen=True)
class SheetRow:
    """One row of a table: where it stands, its filled cells, and which of them it shares with others."""

    sheet: str
    number: int
    cells: Mapping[str, Cell]
    merged: Mapping[str, tuple[int, int]] = field(default_factory=dict)

    @property
    def year(self) -> int | None:
        """The year that the sheet or the heading above is named after, if any."""
        for name in (HEADING, SHEET):
            if found := re.search(r"(?:19|20)\d\d", text_of(self.cells.get(name))):
                return int(found[0])
        return None


@dataclass(frozen=True)
class Passed:
    """A row that is none of the table's, and why."""

    sheet: str
    number: int
    why: str


def header_names(grid: Grid, header: Sequence[int]) -> list[str]:
    """Name every column of a table.

    Parameters
    ----------
    grid : Grid
        The sheet.
    header : sequence of int
        Numbers of the rows that make up the header, from the top.

    Returns
    -------
    list of str
        One name per column, no two alike; the names of several rows in one.
    """
    tiers = [cells for number, cells in grid.rows if number in header]
    width = max((len(cells) for _, cells in grid.rows), default=0)
    lines = [[text_of(cell) for cell in cells] + [""] * (width - len(cells)) for cells in tiers]
    last = Counter(name for name in (lines[-1] if lines else ()) if name)
    names: list[str] = []
    for column in range(width):
        parts: list[str] = []
        for row, line in enumerate(lines):
            text = line[column]
            is_group = row < len(lines) - 1 and not text
            if is_group and (last[lines[-1][column]] > 1 or (header[row], column) in grid.merged):
                text = next((line[left] for left in range(column, -1, -1) if line[left]), "")
            if text and text not in parts:
                parts.append(text)
        name = " ".join(" ".join(parts).split()) or f"column {_letters(column)}"
        again = sum(name == other or other.startswith(f"{name} (") and other[len(name) + 2 : -1].isdigit()
                    for other in names)  # fmt: skip
        names.append(f"{name} ({again + 1})" if again else name)
    return names


def _letters(column: int) -> str:
    return (_letters(column // 26 - 1) if column >= 26 else "") + chr(ord("A") + column % 26)


def table_rows(
    grid: Grid, header: Sequence[int], ditto: Collection[str], leave_out: Collection[int] = ()
) -> tuple[list[SheetRow], list[Passed]]:
    """Take the rows of the table out of a sheet.

    Parameters
    ----------
    grid : Grid
        The sheet.
    header : sequence of int
        Numbers of the rows of its header.
    ditto : collection of str
        What stands for "as above".
    leave_out : collection of int
        Numbers of rows that the plan leaves out.

    Returns
    -------
    list of SheetRow, list of Passed
        Every row with any content below the header is in one of them.
    """
    names = header_names(grid, header)
    headers = [[key_of(text_of(cell)) for cell in cells] for number, cells in grid.rows if number in header]
    rows: list[SheetRow] = []
    passed = [Passed(grid.name, number, "above the header") for number, cells in grid.rows
              if number < min(header) and any(cell is not None for cell in cells)]  # fmt: skip
    above: dict[str, Cell] = {}
    heading = ""
    for number, cells in grid.rows:
        filled = {column: cell for column, cell in enumerate(cells) if cell is not None}
        if number <= max(header) or not filled:
            continue
        why = (
            "left out by the plan"
            if number in leave_out
            else _why_passed(grid, number, filled, headers, names)
        )
        if why == "a header":
            names = [text_of(cell) or f"column {_letters(column)}" for column, cell in enumerate(cells)]
        if why and why.startswith("a heading"):
            heading = " ".join(re.findall(r"[\w&/.-]*\w[\w&/.-]*", text_of(next(iter(filled.values())))))
        if why:
            passed.append(Passed(grid.name, number, why))
            continue
        told = {names[column]: cell for column, cell in filled.items() if column < len(names)}
        told = {
            name: above.get(name) if key_of(text_of(cell)) in ditto else cell for name, cell in told.items()
        }
        above = {**above, **told}
        merged = {names[column]: grid.merged[number, column][:2] for column in filled
                  if grid.merged.get((number, column), (0, 1))[1] > 1}  # fmt: skip
        told |= {SHEET: grid.name, **({HEADING: heading} if heading else {})}
        rows.append(SheetRow(grid.name, number, told, merged))
    return rows, passed


def again_rows(rows: Iterable[SheetRow]) -> list[tuple[SheetRow, SheetRow]]:
    """Find rows that say the same as one before them in the same sheet, in every cell."""
    first: dict[tuple[object, ...], SheetRow] = {}
    found = []
    for row in rows:
        key = tuple(
            sorted((name, key_of(text_of(cell))) for name, cell in row.cells.items() if name != HEADING)
        )
        if first.setdefault(key, row) is not row:
            found.append((row, first[key]))
    return found


def _why_passed(
    grid: Grid,
    number: int,
    filled: Mapping[int, Cell],
    headers: Sequence[Sequence[str]],
    names: Sequence[str],
) -> str | None:
    """Tell why a row is none of the table's; None if it is one."""
    texts = {column: key_of(text_of(cell)) for column, cell in filled.items()}
    for line in headers:
        same = sum(column < len(line) and line[column] == text for column, text in texts.items())
        if same >= max(2, 0.6 * len(texts)):
            return "the header again"
    if all(re.fullmatch(r"[-=_*.~#+–—]{2,}", text) for text in texts.values()):
        return "a line between rows"
    if is_header(filled.values(), names):
        return "a header"
    first = next((column for column, name in enumerate(names) if not name.startswith("column ")), 0)
    column, cell = next(iter(filled.items()))
    is_wide = grid.merged.get((number, column), (0, 1, 1))[2] >= 3
    if len({id(cell) for cell in filled.values()}) == 1 and (column <= first or is_wide):
        return "a heading, or only its first cell is filled"
    others = [cell for cell in filled.values() if not is_number(cell)]
    if not others:
        return "numbers only"
    if is_sum(others[0]) and (len(others) == 1 or len(filled) <= 0.5 * len(names)):
        return "sums"
    return None


def is_header(cells: Iterable[Cell], names: Collection[str] = ()) -> bool:
    """Tell whether the cells of a row name columns: words of headers, and neither numbers nor dates."""
    told = [cell for cell in cells if cell is not None]
    known = {key_of(name) for name in names}
    if any(not isinstance(cell, str) for cell in told):
        return False
    hits = sum(key_of(str(cell)) in known or any(folded(str(cell)) in words()[f"headers.{kind}"]
               for kind in ("date", "number", "text")) for cell in told)  # fmt: skip
    return hits >= max(3, 0.6 * len(told))


def is_number(cell: Cell) -> bool:
    """Tell whether a cell is a number, however it is written."""
    try:
        read_number(cell, ",") if isinstance(cell, str) and "," in cell else read_number(cell, None)
    except Refused as error:
        return "decimal comma and a point" in error.message
    return True


def is_sum(cell: Cell) -> bool:
    """Tell whether a text is the label of a sum."""
    text = folded(text_of(cell))
    return any(text == word or text.startswith(f"{word} ") for word in map(folded, words()["sums"])) or (
        text_of(cell).strip() in ("Σ", "∑")
    )


# A text about faults, by a list of words.


def _state(text: str) -> tuple[str | None, str | None] | None:
    """Take ``"failed, replaced"`` apart: what was found and what was done; None if it is neither."""
    found = action = None
    for word in (part.strip() for part in text.split(",")):
        if word in FOUND and found is None:
            found = word
        elif word in ACTIONS and action is None:
            action = word
        else:
            return None
    return found, action


def fault_clauses(text: str) -> list[str]:
    """Cut a text into what is said of one thing: at commas, stops and line breaks."""
    return [clause.strip() for clause in re.split(r"[,;\n()]|\.(?=\s|$)|\s[-–]\s|->", text) if clause.strip()]


def findings_in(
    text: str, parts: Mapping[str, str], states: Mapping[str, str], named_alone: str
) -> tuple[list[tuple[str, str, str | None]], int]:
    """Find the components that a text names, and what it says of them.

    Parameters
    ----------
    text : str
        Such as ``"belt snapped, motor ok; caps?"``.
    parts, states : mapping of str to str
        Folded words and the component, state or action that each stands for; "unclear" for doubt.
    named_alone : str
        State of a component of which nothing else is said.

    Returns
    -------
    list of (str, str, str or None), int
        Component, state and action; and how many clauses with a component are in doubt, and give none.
    """
    found: list[tuple[str, str, str | None]] = []
    n_unclear = 0
    for clause in fault_clauses(text):
        waiting: list[str] = []
        for piece in _pieces(clause, parts):
            named = list(dict.fromkeys(_hits(piece, parts, compound=True)))
            said = _hits(piece, states)
            told = [state for state in map(_state, said) if state]
            worst = {state[0] for state in told if state[0]}
            if named and ("unclear" in said or "?" in piece or ("sound" in worst and len(worst) > 1)):
                n_unclear += 1
            elif named and not said and folded(piece) in parts:
                waiting += named  # "belt and motor replaced": what is said of the motor is said of the belt
            elif named:
                action = next((state[1] for state in told if state[1]), None)
                state = max(worst, key=FOUND.index, default=named_alone)
                found += [(name, state, action) for name in (*waiting, *named)]
                waiting = []
        found += [(name, named_alone, None) for name in waiting]
    return found, n_unclear


_AND = re.compile(r"\s*[+&]\s*|\s/\s|\s(?:and|und|u\.?|en|et|then|dann|but|aber|maar|mais)\s", re.IGNORECASE)


def _pieces(clause: str, parts: Mapping[str, str]) -> list[str]:
    """Cut a clause at its "and"; at a bare stroke only between parts: "belt/caps", not "u/s"."""
    found: list[str] = []
    for piece in _AND.split(clause):
        sides = piece.split("/")
        found += sides if all(_hits(side, parts) for side in sides) else [piece]
    return found


def _hits(text: str, listed: Mapping[str, str], *, compound: bool = False) -> list[str]:
    """Give what the words of a text stand for, the longest phrase first; of "motor cap" only the last, if asked."""
    tokens = folded(text).split()
    longest = max((len(phrase.split()) for phrase in listed), default=0)
    hits: list[str] = []
    at, end = 0, -1
    while at < len(tokens):
        for length in range(min(longest, len(tokens) - at), 0, -1):
            if (meaning := listed.get(" ".join(tokens[at : at + length]))) is not None:
                hits = hits[:-1] if compound and at == end else hits
                hits.append(meaning)
                at += length - 1
                end = at + 1
                break
        at += 1
    return hits


# One job, out of the row or the rows that tell of it.


class _LeftOut(Exception):
    """The plan leaves this row out."""


@dataclass
class _Job:
    """What the rows of one job say, and what cannot be read of them."""

    number: str
    rows: list[tuple[int, SheetRow]]
    job: dict[str, Any] = field(default_factory=dict)
    findings: list[tuple[int, dict[str, Any]]] = field(default_factory=list)
    signs: list[tuple[int, dict[str, Any]]] = field(default_factory=list)
    family: dict[str, Any] | None = None
    complaints: list[tuple[int, tuple[str, str]]] = field(default_factory=list)


class Follower:
    """Follows a plan through the sheets of a file.

    Parameters
    ----------
    plan : Plan
        The plan.
    path : Path
        The file, for messages.
    grids : sequence of Grid
        Its sheets.
    kinds : mapping of str to str
        Families that the ledger knows, and their kinds.

    Attributes
    ----------
    jobs : list of _Job
        In the order of the sheets.
    left_out : dict of str to list of str
        Rows by why they are no jobs.
    places : dict of int to str
        Where each row stands, by its running number.
    """

    def __init__(self, plan: Plan, path: Path, grids: Sequence[Grid], kinds: Mapping[str, str]) -> None:
        self.plan, self.path, self.kinds = plan, path, kinds
        self.left_out: dict[str, list[str]] = defaultdict(list)
        self.places: dict[int, str] = {}
        self.n_unclear = 0
        self._several = len(plan.sheets) > 1
        self._by_key = {_unit_key(name): family for family, entry in plan.families.items()
                        for name in (family, *entry.get("also", ()))}  # fmt: skip
        self._by_key |= {_unit_key(name): name for name in kinds if _unit_key(name) not in self._by_key}
        self._makers = {maker_key(entry["maker"]): entry["maker"] for entry in plan.families.values()
                        if entry.get("maker")}  # fmt: skip
        self._columns = {role: [column for column in plan.columns.values() if column.role == role]
                         for role in (*ROLES, *NAMED)}  # fmt: skip
        self._above: dict[str, Cell] = {}
        rows = self._rows(grids)
        self._given: Counter[tuple[str, str, int]] = Counter()
        self._shared = Counter(
            (row.sheet, name, top) for _, row in rows for name, (top, _) in row.merged.items()
        )
        self.jobs = [self._job(number, group) for number, group in self._groups(rows)]
        self.jobs = [job for job in self.jobs if job is not None]

    def place(self, row: SheetRow) -> str:
        """Word where a row stands."""
        return (f"{row.sheet}, " if self._several else "") + f"row {row.number}"

    def _rows(self, grids: Sequence[Grid]) -> list[tuple[int, SheetRow]]:
        named = {grid.name for grid in grids}
        faults = [f"{self.plan.source}, sheets: {self.path.name} has no sheet {name!r}; it has "
                  f"{', '.join(sorted(named))}.{nearest(name, named)}"
                  for name in self.plan.sheets if name not in named]  # fmt: skip
        found: list[SheetRow] = []
        headers: set[str] = {SHEET, HEADING}
        for grid in grids:
            entry = self.plan.sheets.get(grid.name)
            if entry is None:
                faults.append(f"{self.path.name}, sheet {grid.name}: the plan says nothing of it; add it to "
                              f'[sheets], with its header or "{LEAVE_OUT}"')  # fmt: skip
            elif entry != LEAVE_OUT:
                rows, passed = table_rows(grid, entry["header"], self.plan.ditto, entry.get("leave_out", ()))
                found += rows
                headers |= set(header_names(grid, entry["header"])) | {
                    name for row in rows for name in row.cells
                }
                for row in passed:
                    self.left_out[row.why].append(self.place(SheetRow(row.sheet, row.number, {})))
        used = {name for row in found for name, cell in row.cells.items() if cell is not None}
        for name in sorted(used - self.plan.columns.keys() - {SHEET, HEADING}):
            faults.append(f"{self.path.name}, column {name!r}: the plan says nothing of it; add "
                          f'[columns."{name}"], with is = "{LEAVE_OUT}" or what it is')  # fmt: skip
        for name in self.plan.columns:
            if name not in headers:
                faults.append(f'{self.plan.source}, columns."{name}": the sheet has no such column.'
                              f"{nearest(name, headers)}")  # fmt: skip
        if faults:
            raise InvalidInput(
                f"{self.plan.source} does not fit {self.path.name}. Nothing was imported.", faults
            )
        if self.plan.same_again == LEAVE_OUT:
            again = again_rows(found)
            for row, first in again:
                self.left_out["the same as another row in every cell"].append(
                    f"{self.place(row)} = {self.place(first)}"
                )
            found = [row for row in found if all(row is not other for other, _ in again)]
        self.places = {index: f"{self.path.name}, {self.place(row)}" for index, row in enumerate(found, 1)}
        return list(enumerate(found, 1))

    def _groups(self, rows: Sequence[tuple[int, SheetRow]]) -> list[tuple[str, list[tuple[int, SheetRow]]]]:
        """Bring the rows of each job together, and number jobs that have no number of their own."""
        groups: dict[str, list[tuple[int, SheetRow]]] = {}
        numbered: Counter[str] = Counter()
        last = ""
        for index, row in rows:
            number = self._number(row)
            same = {name for column in self._columns["job"] or self._unit_columns()
                    if (name := column.name) in row.cells}  # fmt: skip
            starts = bool(number) or not self._columns["job"] and self._starts(row, same)
            if self.plan.rows == "parts" and last and (not starts or number == last):
                number = last
            elif not self._columns["job"]:
                sheet = (self.plan.numbering or "").replace(SHEET, row.sheet)
                numbered[sheet] += 1
                number = f"{sheet}{numbered[sheet]:03d}"
            if not number:
                number = f"\0{index}"
            if self.plan.rows == "jobs" and number in groups:
                number = f"{number}\0{index}"
            groups.setdefault(number, []).append((index, row))
            last = number
        return list(groups.items())

    def _unit_columns(self) -> list[ColumnPlan]:
        return [column for role in ("family", "model", "maker") for column in self._columns[role]]

    def _starts(self, row: SheetRow, same: Collection[str]) -> bool:
        """Tell whether a row of parts without job numbers begins another job."""
        told = {name: key_of(text_of(row.cells[name])) for name in same
                if (row.merged.get(name, (row.number, 1))[0] == row.number)}  # fmt: skip
        before, self._begun = getattr(self, "_begun", {}), told or getattr(self, "_begun", {})
        return bool(told) and told != before

    def _number(self, row: SheetRow) -> str:
        for column in self._columns["job"]:
            cell = row.cells.get(column.name)
            text = column.values.get(key_of(text_of(cell)), text_of(cell))
            if text and key_of(text) not in self.plan.unknown:
                return column.prefix.replace(SHEET, row.sheet) + text.removeprefix("#").strip()
        return ""

    def _cell(self, column: ColumnPlan, row: SheetRow, is_first: bool) -> Cell:
        """Give what a cell says, by the plan's words; None where it says nothing."""
        cell = row.cells.get(column.name)
        key = key_of(text_of(cell))
        empty = column.empty if is_first or column.role in PARTS else None
        meaning = column.values.get(key) or column.values.get(folded(key)) if key else empty
        if meaning is None and key in self.plan.unknown:
            return None
        if meaning == AS_ABOVE:
            return self._above.get(column.name)
        if meaning == LEAVE_OUT:
            what = f"{column.name} {shown(text_of(cell))}" if key else f"{column.name} empty"
            raise _LeftOut(f"{what}: left out by the plan")
        if meaning == UNKNOWN:
            return None
        cell = cell if meaning is None else meaning
        if cell is not None:
            self._above[column.name] = cell
        return cell

    def _job(self, number: str, rows: list[tuple[int, SheetRow]]) -> _Job | None:
        job = _Job(number.split("\0")[0], rows)
        if "\0" in number:
            what = "has the number of a row above" if job.number else "has no number"
            job.complaints.append((rows[0][0], ("job", what)))
        try:
            for index, row in rows:
                self._read_row(job, index, row)
        except _LeftOut as error:
            self.left_out[str(error)] += [self.place(row) for _, row in rows]
            return None
        try:
            self._complete(job)
        except Refused as error:
            job.complaints.append((rows[0][0], ("family", error.message)))
        except _LeftOut as error:
            self.left_out[str(error)] += [self.place(row) for _, row in rows]
            return None
        return job

    def _read_row(self, job: _Job, index: int, row: SheetRow) -> None:
        part: dict[str, Any] = {}
        for column in self.plan.columns.values():
            if column.role in (LEAVE_OUT, "job"):
                continue
            try:
                cell = self._cell(column, row, index == job.rows[0][0])
                is_told = column.several == "sum" and row.merged.get(column.name, (row.number,))[0] != row.number
                if cell is None or is_told:
                    continue
                if column.role in PARTS:
                    self._part(part, column, cell)
                elif column.role in (*NAMED, "faults"):
                    self._said(job, index, column, cell)
                else:
                    for name, value in self._values(column, cell, row).items():
                        self._take(job, index, column, name, value)
            except Refused as error:
                job.complaints.append((index, (column.name, error.message)))
        if part:
            self._add_part(job, index, part)

    def _values(self, column: ColumnPlan, cell: Cell, row: SheetRow) -> dict[str, Any]:
        """Read a cell of the job as its column says."""
        role = column.role
        if role in DATES:
            return {role: read_date(cell, _orders(column, row), row.year)}
        if role == "hours":
            return {role: self._part_of(column, row, read_hours(cell, column.mark, column.unit))}
        if role in MONEY:
            return {role: self._part_of(column, row, read_number(cell, column.mark))}
        if role == "built":
            first, last, is_rough = read_built(cell, column.about)
            return {"built_from": first, "built_to": last, **({"year_basis": "guess"} if is_rough else {})}
        text = text_of(cell)
        if role in ("outcome", "ended_why"):
            _refuse_strange(text, TABLES["jobs"][role].allowed, column)
        if role == "remarks" and len(self._columns["remarks"]) + len(self._columns["faults"]) > 1:
            text = f"{column.name}: {text}"
        return {role: text.casefold() if role == "ended_by" else text}

    def _part_of(self, column: ColumnPlan, row: SheetRow, amount: Decimal) -> Decimal:
        """Divide an amount that stands once for several rows, so that the parts add up to the cent."""
        if column.name not in row.merged or column.merged != "share":
            return amount
        place = (row.sheet, column.name, row.merged[column.name][0])
        count, before = self._shared[place], self._given[place]
        self._given[place] += 1
        cent = Decimal(1).scaleb(-EXPONENTS[self.plan.currency or "EUR"])
        return (amount * (before + 1) / count).quantize(cent) - (amount * before / count).quantize(cent)

    def _take(self, job: _Job, index: int, column: ColumnPlan, name: str, value: Any) -> None:
        """Add what a cell says to its job; several rows must not contradict each other."""
        held = job.job.get(name)
        if held is None:
            job.job[name] = value
        elif name == "remarks":
            job.job[name] = held if value in held else f"{held}\n{value}"
        elif column.several == "sum" or (name == "other_costs" and index == job.rows[0][0]):
            job.job[name] = held + value
        elif column.several != "first" and held != value:
            raise Refused(f"{shown(value)} contradicts {shown(held)} in a row above of the same job")

    def _part(self, part: dict[str, Any], column: ColumnPlan, cell: Cell) -> None:
        """Read a cell of one part's row."""
        text, role = text_of(cell), column.role
        if role == "part_cost":
            part[role] = read_number(cell, column.mark)
        elif role in ("found", "action"):
            state = _state(text)
            if state is None:
                _refuse_strange(text, (), column)
            found, action = state or (None, None)
            part |= {name: value for name, value in (("found", found), ("action", action)) if value}
        elif role == "component":
            part[role] = text.casefold()
        else:
            part[role] = text

    def _add_part(self, job: _Job, index: int, part: dict[str, Any]) -> None:
        if "component" not in part:
            if part.keys() - {"found", "action"}:
                job.complaints.append((index, ("component", "is empty, but the row tells of a part")))
            return
        part.setdefault("found", self.plan.named_alone or None)
        same = [row for _, row in job.findings if row["component"] == part["component"]]
        if same and "position" not in part:
            part["position"] = str(len(same) + 1)
        job.findings.append((index, part))

    def _said(self, job: _Job, index: int, column: ColumnPlan, cell: Cell) -> None:
        """Read a column of one component or sign, or a text about faults."""
        text = text_of(cell)
        if column.role == "sign":
            _refuse_strange(text, ("yes", "no"), column)
            job.signs.append((index, {"sign": column.of, "seen": text}))
        elif column.role == "finding":
            state = _state(text)
            if state is None:
                _refuse_strange(text, (), column)
            found, action = state or (None, None)
            self._merge(job, index, column.of, found or self.plan.named_alone, action)
        else:
            told, n_unclear = findings_in(text, self.plan.parts, self.plan.states, self.plan.named_alone)
            self.n_unclear += n_unclear
            for component, found, action in told:
                self._merge(job, index, component, found, action)
            self._take(job, index, column, "remarks", f"{column.name}: {text}")

    def _merge(self, job: _Job, index: int, component: str, found: str, action: str | None) -> None:
        """Bring together what several texts say of one component: the worst state, the first action."""
        same = next((row for _, row in job.findings if row["component"] == component), None)
        if same is None:
            job.findings.append((index, {"component": component, "found": found, "action": action}))
            return
        same["found"] = max(same["found"], found, key=FOUND.index)
        same["action"] = same.get("action") or action

    def _complete(self, job: _Job) -> None:
        """Say what the plan takes for what no cell says, and find the family."""
        told = job.job
        for name, value in self.plan.for_all.items():
            if name == "outcome" and isinstance(value, dict):
                value = next((word for other, word in value.items() if told.get(other) is not None),
                             value.get("otherwise"))  # fmt: skip
            if name != "kind" and told.get(name) is None:
                told[name] = value
        if told.get("outcome") == LEAVE_OUT:
            raise _LeftOut("left out by the plan for its outcome")
        dates = dict(told)
        for name, others in self.plan.where_empty.items():
            is_wanted = {"closed": told.get("outcome") != "open", "sold_on": told.get("sold_for") is not None}
            if told.get(name) is None and is_wanted.get(name, True):
                told[name] = next((dates[other] for other in others if dates.get(other)), None)
        for name in ("maker", "kind"):
            dates[name] = told.pop(name, None)
        told["family"] = self._family(job, dates)

    def _family(self, job: _Job, told: Mapping[str, Any]) -> str:
        text = unit_name(told)
        if not text:
            raise Refused("the row names no unit")
        family = self._by_key.get(_unit_key(text))
        entry = self.plan.families.get(family or "", {})
        kind = entry.get("kind") or told["kind"] or self.plan.for_all.get("kind")
        if family in self.kinds:
            return str(family)
        if not kind:
            raise Refused(f"{text!r} is new, and its kind is not known; add it to [families] of the plan")
        maker = entry.get("maker") or self._makers.get(maker_key(told["maker"] or ""), told["maker"])
        family = family or unit_name({**told, "maker": maker})
        self._by_key[_unit_key(text)] = family
        job.family = {"family": family, "kind": kind, "maker": maker}
        return family


def _orders(column: ColumnPlan, row: SheetRow) -> Sequence[str]:
    """Give the order of dates in a row: what the plan says of some rows comes before what it says of all."""
    for where, order in column.dates_where.items():
        if match := _ROWS.fullmatch(where):
            is_meant = int(match[2]) <= row.number <= int(match[3] or match[2]) and match[1] in (
                None,
                row.sheet,
            )
        else:
            name, _, word = (part.strip() for part in where.partition("="))
            is_meant = key_of(text_of(row.cells.get(name))) == key_of(word)
        if is_meant:
            return (order,)
    return column.dates


def unit_name(told: Mapping[str, Any]) -> str:
    """Name the family of a unit by what a row tells: its family, or its maker and model, or maker and kind."""
    maker, model, kind = (str(told.get(name) or "") for name in ("maker", "model", "kind"))
    if told.get("family"):
        return str(told["family"])
    if model and maker and not folded(model).startswith(folded(maker)):
        return f"{maker} {model}"
    return model or (f"{maker} {kind}" if maker and kind else "")


def _unit_key(name: str) -> str:
    return folded(name).replace(" ", "")


def _refuse_strange(text: str, allowed: Collection[str], column: ColumnPlan) -> None:
    if text not in allowed:
        raise Refused(f'{shown(text)} has no meaning in the plan; add it to [columns."{column.name}".values]')


# The whole import.


def import_by_plan(
    path: str | Path, plan: str | Path, ledger: "Ledger", *, reason: str = "imported", dry_run: bool = False
) -> ImportSummary:
    """Import a sheet as a reading plan says.

    Parameters
    ----------
    path : str or Path
        The sheet: CSV, XLSX, XLS or ODS.
    plan : str or Path
        The plan, with every question answered.
    ledger : Ledger
        Where the rows go.
    reason : str
        Kept in the history.
    dry_run : bool
        Check everything, write nothing.

    Returns
    -------
    ImportSummary
        Rows written, held already and left out by why; in its remarks each row that cannot be read, where
        the plan says that such rows are left out.

    Raises
    ------
    InvalidInput
        If the plan has open questions or does not fit, or with the faults of every row that cannot be
        read; nothing is imported then.
    """
    read = read_plan(Path(plan))
    grids = read_grids(Path(path), read.form)
    dropped: dict[int, list[Fault]] = {}
    while True:
        made: list[_Made] = []
        try:
            summary = import_sources(
                ledger, partial(_sources, read, Path(path), grids, dropped, made), [], reason, dry_run
            )
        except FaultsFound as error:
            if read.faulty_rows != LEAVE_OUT or not made[0].drop(error.found, dropped):
                raise
        else:
            return made[0].told(summary)


@dataclass
class _Made:
    """What was made of a file in one try."""

    follower: Follower
    dropped: dict[int, list[Fault]]

    def drop(self, faults: Iterable[Fault | str], dropped: dict[int, list[Fault]]) -> bool:
        """Leave out the jobs of rows with faults; False if a fault belongs to no row."""
        by_place = {place: index for index, place in self.follower.places.items()}
        before = len(dropped)
        for fault in faults:
            if not isinstance(fault, Fault) or fault.place not in by_place:
                return False
            dropped.setdefault(by_place[fault.place], []).append(fault)
        return len(dropped) > before

    def told(self, summary: ImportSummary) -> ImportSummary:
        """Add what became of the rows that are no jobs."""
        left_out = {f"{why} ({_shortened(rows)})": len(rows) for why, rows in self.follower.left_out.items()}
        bad = [job for job in self.follower.jobs if any(index in self.dropped for index, _ in job.rows)]
        remarks = [str(fault) for _, faults in sorted(self.dropped.items()) for fault in faults]
        if bad:
            left_out["cannot be read, each told below"] = sum(len(job.rows) for job in bad)
        if self.follower.n_unclear:
            remarks.append(f"parts named in doubt, such as 'belt?' or 'not the belt', without a finding: "
                           f"{self.follower.n_unclear}")  # fmt: skip
        return replace(summary, left_out=left_out, remarks=tuple(remarks))


def _shortened(rows: Sequence[str]) -> str:
    return ", ".join(rows[:12]) + (f" and {len(rows) - 12} more" if len(rows) > 12 else "")


def _sources(
    plan: Plan,
    path: Path,
    grids: Sequence[Grid],
    dropped: dict[int, list[Fault]],
    made: list[_Made],
    connection: Connection,
) -> tuple[int, list[MadeRows]]:
    families = SQL_TABLES["families"].c
    kinds = {name: kind for name, kind in connection.execute(select(families.family, families.kind))}
    follower = Follower(plan, path, grids, kinds)
    made.append(_Made(follower, dropped))
    now = database.currency_of(connection)
    exponent = EXPONENTS[plan.currency or now]
    found = {name: MadeRows(path, TABLES[name], name != "jobs", exponent=exponent, places=follower.places)
             for name in ("settings", "families", "jobs", "findings", "signs")}  # fmt: skip
    if plan.currency and plan.currency != now:
        found["settings"].made.append((0, {"setting": "currency", "value": plan.currency}, []))
    seen: set[str] = set()
    for job in follower.jobs:
        if any(index in dropped for index, _ in job.rows):
            continue
        first = job.rows[0][0]
        if job.family and job.family["family"] not in seen:
            seen.add(job.family["family"])
            found["families"].made.append((first, job.family, []))
        complaints: dict[int, list[Complaint]] = {}
        for index, complaint in job.complaints:
            complaints.setdefault(index, []).append(complaint)
        row = {"job": job.number, **job.job}
        for index, told in complaints.items() or [(first, [])]:
            found["jobs"].made.append((index, row, told))
            row = {}
        for name, parts in (("findings", job.findings), ("signs", job.signs)):
            found[name].made += [(index, {"job": job.number, **part}, []) for index, part in parts]
    return exponent, [rows for rows in found.values() if rows.made or rows.table.name == "jobs"]
