"""A reading plan: what the columns of somebody's sheet are, read from TOML, and followed row by row."""

import datetime
import re
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection

from reliability.errors import (
    IF_NEW,
    Fault,
    FaultsFound,
    InvalidInput,
    Refused,
    counted,
    nearest,
    refuse,
    shown,
)
from reliability.records import database, spreadsheets
from reliability.records.checks import Complaint, Line
from reliability.records.files import load_toml
from reliability.records.open_repair import maker_key
from reliability.records.package import ImportSummary, Source, import_sources
from reliability.records.spreadsheets import HEADING, SHEET, Cell, Sheet, SheetRow, key_of, text_of
from reliability.records.tables import ACTIONS, FOUND, OUTCOMES, TABLES
from reliability.records.values import EXPONENTS, folded

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger

# What a plan may say.

#: What happened to a unit, in a book with a row for each event: the dates and the amount that such a row
#: tells, and how the job ended by it.
EVENTS: dict[str, tuple[tuple[str, ...], str, str]] = {
    "bought": (("taken_in",), "bought_for", ""), "sold": (("sold_on",), "sold_for", ""),
    "spent": ((), "other_costs", ""), "noted": ((), "", ""),
    "repaired": ((), "other_costs", "repaired"), "donor": ((), "other_costs", "donor"),
    "scrapped": ((), "other_costs", "scrapped"), "sold as is": (("sold_on",), "sold_for", "sold as is"),
}  # fmt: skip
DATES = ("taken_in", "closed", "sold_on")
MONEY = ("bought_for", "other_costs", "sold_for", "salvage_value", "part_cost")
PARTS = ("component", "position", "found", "action", "part_cost", "part_source")
UNIT = ("family", "maker", "model", "kind")
ROLES = (
    "job", *UNIT, "lot", "built", *DATES, "outcome", *MONEY[:4], "hours", "ended_by", "ended_why", "remarks",
    "faults", *PARTS, "event", "date of event", "amount of event", "leave out",
)  # fmt: skip
#: Roles with a name behind them: `finding: belt`, `sign: rust`.
NAMED = ("finding", "sign")
LEAVE_OUT, UNKNOWN, UNCLEAR = "leave out", "unknown", "unclear"


def _sheet_fault(value: Any) -> str | None:
    header = value.get("header") if isinstance(value, dict) else None
    is_read = isinstance(header, list) and header and all(isinstance(row, int) for row in header)
    return None if value == LEAVE_OUT or is_read else f'is "{LEAVE_OUT}", or such as {{ header = [1] }}'


def _role_fault(value: Any) -> str | None:
    role, _, of = str(value).partition(":")
    if value in ROLES or (role in NAMED and of.strip()):
        return None
    hint = nearest(str(value), ROLES)
    return f"{value!r} is not one of {', '.join(ROLES)}, finding: COMPONENT, sign: SIGN.{hint}"


def _outcome_fault(value: Any) -> str | None:
    told = value.values() if isinstance(value, dict) else [value]
    wrong = [word for word in told if word not in (*OUTCOMES, LEAVE_OUT)]
    return f"{wrong[0]!r} is not one of {', '.join(OUTCOMES)}, {LEAVE_OUT}" if wrong else None


def _state_fault(value: Any) -> str | None:
    if value == UNCLEAR or state_of(str(value)):
        return None
    listed = ", ".join((*FOUND, *ACTIONS))
    return f"{value!r} is not {UNCLEAR}, one of {listed}, or both, such as failed, replaced"


_TEXTS = {"*": str}
#: What may stand where: a table by its keys (* for any), words to choose from, a list, a type, or a test.
_SHAPE: dict[str, Any] = {
    "encoding": str, "separator": tuple(spreadsheets.SEPARATORS.values()), "quotes": bool,
    "rows": ("jobs", "parts", "events"), "same_again": ("keep", LEAVE_OUT),
    "faulty_rows": ("refuse", LEAVE_OUT), "currency": tuple(EXPONENTS),
    "numbering": str, "unknown": [str], "ditto": [str], "sheets": {"*": _sheet_fault},
    "columns": {"*": {
        "is": _role_fault, "dates": spreadsheets.ORDERS, "dates_where": {"*": spreadsheets.ORDERS},
        "real_dates": ("right", "swapped"), "decimal": tuple(spreadsheets.MARKS),
        "unit": ("hours", "minutes"), "about": int, "empty": str, "several": ("sum", "first"),
        "merged": ("share", "each"), "prefix": str, "values": _TEXTS,
    }},
    "where_empty": dict.fromkeys(DATES, (*DATES, UNKNOWN)),
    "for_all": {**dict.fromkeys((*TABLES["jobs"].names, "kind"), str), "outcome": _outcome_fault},
    "faults": {"named_alone": FOUND, "other_texts": ("remarks",), "parts": _TEXTS,
               "states": {"*": _state_fault}},
    "families": {"*": {"kind": str, "maker": str, "also": [str], "same_as": str}},
}  # fmt: skip


def _misfits(value: Any, shape: Any, at: str = "") -> Iterator[str]:
    """Find everything that a plan does not have, or that may not stand where it stands."""
    if isinstance(shape, dict) and isinstance(value, dict):
        for key, inner in value.items():
            if key in shape or "*" in shape:
                yield from _misfits(inner, shape.get(key, shape.get("*")), f"{at}.{key}" if at else key)
            else:
                hint = nearest(key, shape)
                yield f"{at or 'top'}: there is no entry {key!r}; there are {', '.join(shape)}.{hint}"
        if "is" in shape and "is" not in value:
            yield f"{at}: does not say what the column is"
    elif isinstance(shape, tuple):
        told, such = value if isinstance(value, list) else [value], f"is not one of {', '.join(shape[:9])}"
        yield from (f"{at}: {word!r} {such}" for word in told if word not in shape)
    elif callable(shape) and not isinstance(shape, type):
        yield from (f"{at}: {fault}" for fault in [shape(value)] if fault)
    elif not isinstance(value, kind := shape if isinstance(shape, type) else type(shape)):
        named = {dict: "a table", list: "a list", str: "a text", int: "a whole number", bool: "bool"}
        yield f"{at}: {value!r} is not {named[kind]}"


class ColumnPlan:
    """What one column is, and how its cells are written."""

    def __init__(self, name: str, entry: Mapping[str, Any]) -> None:
        self.name = name
        self.role, _, self.of = (part.strip() for part in entry["is"].partition(":"))
        self.mark, self.unit, self.about, self.empty = map(entry.get, ("decimal", "unit", "about", "empty"))
        self.several, self.merged, self.real_dates = map(entry.get, ("several", "merged", "real_dates"))
        self.prefix, self.dates_where = entry.get("prefix", ""), entry.get("dates_where", {})
        self.dates = _listed(entry.get("dates", ()))
        values = entry.get("values", {})
        self.values = _by_word(values) | {key_of(word): meaning for word, meaning in values.items()}


class Plan:
    """A reading plan without open questions; see `read_plan`."""

    def __init__(self, source: str, raw: Mapping[str, Any]) -> None:
        self.source, self.sheets = source, raw["sheets"]
        self.columns = {name: ColumnPlan(name, entry) for name, entry in raw["columns"].items()}
        self.form: spreadsheets.CsvForm | None = None
        if "separator" in raw:
            separators = {name: sign for sign, name in spreadsheets.SEPARATORS.items()}
            how = (separators[raw["separator"]], raw.get("quotes", True))
            self.form = spreadsheets.CsvForm(raw["encoding"], *how)
        self.rows, self.numbering = raw.get("rows", "jobs"), raw.get("numbering", "")
        self.same_again, self.faulty_rows = raw.get("same_again", "keep"), raw.get("faulty_rows", "refuse")
        self.currency: str | None = raw.get("currency")
        self.unknown, self.ditto = (frozenset(map(key_of, raw.get(key, ()))) for key in ("unknown", "ditto"))
        self.where_empty = {name: _listed(others) for name, others in raw.get("where_empty", {}).items()}
        self.for_all, self.families = raw.get("for_all", {}), raw.get("families", {})
        faults = raw.get("faults", {})
        self.named_alone = faults.get("named_alone", "")
        self.parts, self.states = (_by_word(faults.get(key, {})) for key in ("parts", "states"))


def _listed(value: Any) -> Sequence[str]:
    return (value,) if isinstance(value, str) else tuple(value)


def _by_word(meanings: Mapping[str, str]) -> dict[str, str]:
    return {folded(word): meaning for word, meaning in meanings.items() if folded(word)}


def read_plan(path: Path) -> Plan:
    """Read a plan; refuse one with open questions, or with anything that no plan says."""
    done = "Nothing was imported."
    raw = load_toml(path, "plan", done, float)
    has_kind = isinstance(raw.get("for_all"), dict) and bool(raw["for_all"].get("kind"))
    if still_open := [at for at in _open(raw) if not (has_kind and re.fullmatch(r"families\..*\.kind", at))]:
        count = counted(len(still_open), "question")
        told = f"{path.name} has {count} still open; fill what stands between the quotation marks. {done}"
        raise InvalidInput(told, still_open)
    refuse([f"{path.name}, {fault}" for fault in _misfits(raw, _SHAPE)], done)
    if not raw.get("sheets") or not raw.get("columns"):
        raise InvalidInput(f"{path.name} names no sheets or no columns; --draft writes a plan. {done}")
    roles = Counter(column["is"] for column in raw["columns"].values())
    if raw.get("rows") == "events" and not roles["job"]:
        raise InvalidInput(f"{path.name}: events of one unit are brought together by its number, but no "
                           f'column is = "job". {done}')  # fmt: skip
    if roles["event"] > 1 or (roles["date of event"] + roles["amount of event"] and not roles["event"]):
        raise InvalidInput(f"{path.name}: a date or an amount of an event needs one column that says which "
                           f'event it is, is = "event". {done}')  # fmt: skip
    return Plan(path.name, raw)


def _open(raw: Any, place: str = "") -> Iterator[str]:
    """Find every answer that is still empty."""
    for key, value in raw.items():
        name = str(key) if re.fullmatch(r"\w+", str(key)) else f'"{key}"'
        at = f"{place}.{name}" if place else name
        if value == "":
            yield at
        elif isinstance(value, dict):
            yield from _open(value, at)


# A text about faults, by a list of words.


def state_of(text: str) -> tuple[str | None, str | None] | None:
    """Take ``"failed, replaced"`` apart: what was found and what was done; None if it is neither."""
    words = [part.strip() for part in text.split(",")]
    found, action = ([word for word in words if word in among] for among in (FOUND, ACTIONS))
    if len(found) > 1 or len(action) > 1 or len(found) + len(action) != len(words):
        return None
    return next(iter(found), None), next(iter(action), None)


def fault_clauses(text: str) -> list[str]:
    """Cut a text into what is said of one thing: at commas, stops and line breaks."""
    return [clause.strip() for clause in re.split(r"[,;\n()]|\.(?=\s|$)|\s[-–]\s|->", text) if clause.strip()]


_AND = re.compile(r"\s*[+&]\s*|\s/\s|\s(?:and|und|u\.?|en|et|then|dann|but|aber|maar|mais)\s", re.IGNORECASE)


def findings_in(
    text: str, parts: Mapping[str, str], states: Mapping[str, str], named_alone: str
) -> tuple[list[tuple[str, str, str | None]], int]:
    """Find the components that a text names, and what it says of them; count what is said in doubt."""
    found: list[tuple[str, str, str | None]] = []
    n_unclear = 0
    for clause in fault_clauses(text):
        waiting: list[str] = []
        pieces: list[str] = []
        for piece in _AND.split(clause):  # at a bare stroke only between parts: "belt/caps", not "u/s"
            sides = piece.split("/")
            pieces += sides if all(_hits(side, parts) for side in sides) else [piece]
        for piece in pieces:
            named = list(dict.fromkeys(_hits(piece, parts, compound=True)))
            said = _hits(piece, states)
            told = [state for state in map(state_of, said) if state]
            worst = {state[0] for state in told if state[0]}
            if named and (UNCLEAR in said or "?" in piece or ("sound" in worst and len(worst) > 1)):
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


def _hits(text: str, listed: Mapping[str, str], *, compound: bool = False) -> list[str]:
    """Give what the words of a text stand for, the longest phrase first; of "motor cap" the last."""
    phrases = "|".join(sorted(listed, key=len, reverse=True)) or "(?!)"
    hits: list[str] = []
    end = None
    for found in re.finditer(rf"\b(?:{phrases})\b", folded(text)):
        if compound and end == found.start() - 1:
            hits.pop()
        hits.append(listed[found[0]])
        end = found.end()
    return hits


# One job, out of the row or the rows that tell of it.


class _LeftOut(Exception):
    """The plan leaves this row out."""


@dataclass
class Job:
    """What the rows of one job say, and what cannot be read of them; rows by their running number."""

    number: str
    rows: dict[int, SheetRow]
    values: dict[str, Any] = field(default_factory=dict)
    findings: list[tuple[int, dict[str, Any]]] = field(default_factory=list)
    signs: list[tuple[int, dict[str, Any]]] = field(default_factory=list)
    family: dict[str, Any] | None = None
    complaints: dict[int, list[Complaint]] = field(default_factory=lambda: defaultdict(list))

    @property
    def first(self) -> int:
        """The running number of its first row."""
        return next(iter(self.rows))

    def take(self, index: int, column: ColumnPlan, name: str, value: Any) -> None:
        """Add what a cell says; several rows must not contradict each other."""
        held = self.values.get(name)
        adds = name == "other_costs" and (index == self.first or column.role == "amount of event")
        if held is None:
            self.values[name] = value
        elif name == "remarks":
            self.values[name] = held if value in held else f"{held}\n{value}"
        elif name == "ended":  # the last of several ends
            self.values[name] = max(held, value)
        elif column.several == "sum" or adds:
            self.values[name] = held + value
        elif column.several != "first" and held != value:
            raise Refused(f"{shown(value)} contradicts {shown(held)} in a row above of the same job")

    def find(self, index: int, component: str, found: str, action: str | None) -> None:
        """Add a finding: of what several texts say the worst state, the first action."""
        same = next((row for _, row in self.findings if row["component"] == component), None)
        if same is None:
            same = {"component": component, "found": found, "action": action}
            self.findings.append((index, same))
        same["found"] = max(same["found"] or "", found, key=("", *FOUND).index)
        same["action"] = same.get("action") or action

    def add_part(self, index: int, part: dict[str, Any], named_alone: str) -> None:
        """Add the finding that a row of its own tells of."""
        if "component" in part:
            part.setdefault("found", named_alone or None)
            same = [other for _, other in self.findings if other["component"] == part["component"]]
            if same and "position" not in part:
                part["position"] = str(len(same) + 1)
            self.findings.append((index, part))
        elif part.keys() - {"found", "action"}:
            self.complaints[index].append(("component", "is empty, but the row tells of a part"))


class Follower:
    """Follows a plan through the sheets of a file: `jobs`, and `left_out`, rows by why and by sheet."""

    def __init__(self, plan: Plan, path: Path, sheets: Sequence[Sheet], kinds: Mapping[str, str]) -> None:
        self.plan, self.path, self.kinds = plan, path, kinds
        self.left_out: dict[str, dict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
        self.n_unclear = 0
        self.is_several = len(plan.sheets) > 1
        self._by_key = {unit_key(name): name for name in kinds}
        self._by_key |= {unit_key(name): entry.get("same_as", family)
                         for family, entry in plan.families.items()
                         for name in (family, *entry.get("also", ()))}  # fmt: skip
        self._makers = {maker_key(entry["maker"]): entry["maker"] for entry in plan.families.values()
                        if entry.get("maker")}  # fmt: skip
        self._columns: dict[str, list[ColumnPlan]] = defaultdict(list)
        for column in plan.columns.values():
            self._columns[column.role].append(column)
        rows = dict(enumerate(self._rows(sheets), 1))
        #: Where each row stands, by its running number.
        self.places = {0: f"{plan.source}, currency"}
        self.places |= {index: f"{path.name}, {f'{row.sheet}, ' * self.is_several}row {row.number}"
                        for index, row in rows.items()}  # fmt: skip
        self._given: Counter[tuple[str, str, int]] = Counter()
        self._shared = Counter((row.sheet, name, top) for row in rows.values()
                               for name, (top, _) in row.merged.items())  # fmt: skip
        jobs = [self._job(number, group) for number, group in self._groups(rows).items()]
        self.jobs = [job for job in jobs if job is not None]

    def _rows(self, sheets: Sequence[Sheet]) -> list[SheetRow]:
        """Take the rows out of every sheet that the plan reads, once the plan fits the file."""
        plan = self.plan
        found: list[SheetRow] = []
        named: set[str] = {SHEET, HEADING}
        for sheet in sheets:
            if isinstance(entry := plan.sheets.get(sheet.name), Mapping):
                header, leave_out = entry["header"], entry.get("leave_out", ())
                rows, passed = spreadsheets.table_rows(sheet, header, plan.ditto, leave_out)
                found += rows
                named.update(spreadsheets.header_names(sheet, header), *(row.cells for row in rows))
                for number, why in passed:
                    self.left_out[why][sheet.name].append(str(number))
        used = {name for row in found for name in row.cells} - {SHEET, HEADING}
        missing = [("sheet", sheet.name) for sheet in sheets if sheet.name not in plan.sheets]
        missing += [("column", name) for name in sorted(used - plan.columns.keys())]
        faults = self._strange("sheet", plan.sheets, {sheet.name for sheet in sheets})
        faults += [f"{self.path.name}, {what} {name}: the plan says nothing of it; add it, or '{LEAVE_OUT}'"
                   for what, name in missing]  # fmt: skip
        faults += self._strange("column", plan.columns, named)
        refuse(faults, "Nothing was imported.")
        again = spreadsheets.again_rows(found) if plan.same_again == LEAVE_OUT else []
        for row, first in again:
            told = f"{row.number} = {first.number}"
            self.left_out["the same as another in every cell"][row.sheet].append(told)
        return [row for row in found if all(row is not other for other, _ in again)]

    def _strange(self, what: str, names: Iterable[str], known: Collection[str]) -> list[str]:
        return [f"{self.plan.source}, {what} {name}: the file has none of that name.{nearest(name, known)}"
                for name in names if name not in known]  # fmt: skip

    def _groups(self, rows: Mapping[int, SheetRow]) -> dict[str, dict[int, SheetRow]]:
        """Bring the rows of each job together, and number jobs that have no number of their own."""
        groups: dict[str, dict[int, SheetRow]] = defaultdict(dict)
        numbered: Counter[str] = Counter()
        last = ""
        unit_before: dict[str, str] = {}
        is_numbered = bool(self._columns["job"])
        names = [column.name for role in ("family", "model", "maker") for column in self._columns[role]]
        for index, row in rows.items():
            number = ""
            for column in self._columns["job"]:
                text = row.text(column.name)
                text = column.values.get(key_of(text), text)
                if not number and text and key_of(text) not in self.plan.unknown:
                    number = column.prefix.replace(SHEET, row.sheet) + text.removeprefix("#").strip()
            # What a row itself says of its unit tells jobs without numbers apart.
            unit = {name: key_of(row.cells[name]) for name in names if not is_numbered and name in row.cells
                    and row.merged.get(name, (row.number,))[0] == row.number}  # fmt: skip
            starts = bool(number or (unit and unit != unit_before))
            unit_before = unit or unit_before
            if self.plan.rows == "parts" and last and (not starts or number == last):
                number = last
            elif not is_numbered:
                sheet = self.plan.numbering.replace(SHEET, row.sheet)
                numbered[sheet] += 1
                number = f"{sheet}{numbered[sheet]:03d}"
            if not number or (self.plan.rows == "jobs" and number in groups):
                number = f"{number}\0{index}"
            groups[number][index] = row
            last = number
        return groups

    def _job(self, number: str, rows: dict[int, SheetRow]) -> Job | None:
        number, is_odd, _ = number.partition("\0")
        job, n_read = Job(number, rows), 0
        try:
            for index, row in rows.items():
                try:
                    self._read_row(job, index, row)
                    n_read += 1
                except _LeftOut as why:  # of a book of events the plan may leave out one row of a unit
                    if self.plan.rows != "events":
                        raise
                    self.left_out[str(why)][row.sheet].append(str(row.number))
            if n_read:
                self._complete(job)
        except Refused as error:
            job.complaints[job.first].append(("family", error.message))
        except _LeftOut as why:
            for row in rows.values():
                self.left_out[str(why)][row.sheet].append(str(row.number))
            return None
        if is_odd:  # whose row it is comes before what it says
            what = "has the number of a row above" if number else "has no number"
            job.complaints = {job.first: [("job", what)]}
        return job if n_read else None

    def _read_row(self, job: Job, index: int, row: SheetRow) -> None:
        part: dict[str, Any] = {}
        for column in self.plan.columns.values():
            if column.role in (LEAVE_OUT, "job"):
                continue
            try:
                cell = self._cell(column, row, index == job.first)
                top = row.merged.get(column.name, (row.number,))[0]
                if cell is None or (column.several == "sum" and top != row.number):
                    continue
                for name, value in self._read_cell(column, cell, row):
                    if name in PARTS:
                        part[name] = value
                    elif name == "finding":
                        job.find(index, *value)
                    elif name == "sign":
                        job.signs.append((index, value))
                    else:
                        job.take(index, column, name, value)
            except Refused as error:
                job.complaints[index].append((column.name, error.message))
        if part:
            job.add_part(index, part, self.plan.named_alone)

    def _cell(self, column: ColumnPlan, row: SheetRow, is_first: bool) -> Cell:
        """Give what a cell says, by the plan's words; None where it says nothing."""
        cell = row.cells.get(column.name)
        key = key_of(cell)
        empty = column.empty if is_first or column.role in PARTS else None
        meaning = column.values.get(key) or column.values.get(folded(key)) if key else empty
        if meaning is None and key in self.plan.unknown:
            cell, meaning = None, empty
        if meaning == LEAVE_OUT:
            what = f"{column.name} {shown(text_of(cell))}" if key else f"{column.name} empty"
            raise _LeftOut(f"{what}: left out by the plan")
        return None if meaning == UNKNOWN else cell if meaning is None else meaning

    def _read_cell(self, column: ColumnPlan, cell: Cell, row: SheetRow) -> list[tuple[str, Any]]:
        """Read a cell as its column says: what it tells, by columns of the job, of a part, or as a whole."""
        role, text = column.role, text_of(cell)
        if "event" in role:
            return self._event(column, cell, row)
        if role in DATES:
            return [(role, _read_date(column, cell, row))]
        if role in (*MONEY, "hours", "built"):
            return self._number(column, cell, row)
        if role == "faults":
            told, n_unclear = findings_in(text, self.plan.parts, self.plan.states, self.plan.named_alone)
            self.n_unclear += n_unclear
            return [("remarks", f"{column.name}: {text}"), *(("finding", each) for each in told)]
        if role in ("found", "action", "finding"):
            found, action = state_of(text) or _meant(text, (), column)
            if role == "finding":
                return [(role, (column.of, found or self.plan.named_alone, action))]
            return [(name, word) for name, word in (("found", found), ("action", action)) if word]
        if role == "sign":
            return [(role, {"sign": column.of, "seen": _meant(text, ("yes", "no"), column)})]
        if role in ("outcome", "ended_why"):
            _meant(text, TABLES["jobs"][role].allowed, column)
        if role == "remarks" and len(self._columns["remarks"]) + len(self._columns["faults"]) > 1:
            text = f"{column.name}: {text}"
        return [(role, text.casefold() if role in ("ended_by", "component") else text)]

    def _number(self, column: ColumnPlan, cell: Cell, row: SheetRow) -> list[tuple[str, Any]]:
        """Read an amount, a span of time or a year of production."""
        if column.role == "built":
            first, last, is_rough = spreadsheets.read_built(cell)
            if not is_rough:
                return [("built_from", first), ("built_to", last)]
            if column.about is None:
                raise Refused(f"{shown(text_of(cell))} is a rough year; the plan does not say how rough")
            first, last = first - column.about, last + column.about
            return [("built_from", first), ("built_to", last), ("year_basis", "guess")]
        if column.role == "hours":
            amount = spreadsheets.read_hours(cell, column.mark, column.unit)
        else:
            amount = spreadsheets.read_number(cell, column.mark)
        if column.role != "part_cost" and column.name in row.merged and column.merged == "share":
            # One amount stands for several rows: their parts add up to the cent.
            place = (row.sheet, column.name, row.merged[column.name][0])
            count, before = self._shared[place], self._given[place]
            self._given[place] += 1
            cent = Decimal(1).scaleb(-EXPONENTS[self.plan.currency or "EUR"])
            amount = (amount * (before + 1) / count).quantize(cent) - (amount * before / count).quantize(cent)
        return [(column.role, amount)]

    def _event(self, column: ColumnPlan, cell: Cell, row: SheetRow) -> list[tuple[str, Any]]:
        """Read what a row of a book of events tells: its date and its amount mean what happened then."""
        (what,) = self._columns["event"]
        event = text_of(self._cell(what, row, True))
        if not event:
            raise Refused(f"says something, but {what.name} does not say what happened")
        dates, amount, outcome = EVENTS[_meant(event, EVENTS, what)]
        told: dict[str, Any] = {}
        if column.role == "event" and outcome:
            told = {"ended": ("", outcome)}
        elif column.role == "amount of event" and amount:  # what goes out may bear a minus
            told = {amount: abs(spreadsheets.read_number(cell, column.mark))}
        elif column.role == "date of event" and (dates or outcome):
            date = _read_date(column, cell, row)
            told = dict.fromkeys(dates, date) | ({"ended": (date, outcome)} if outcome else {})
        return list(told.items())

    def _complete(self, job: Job) -> None:
        """Say what the plan takes for what no cell says, and find the family."""
        told, plan = job.values, self.plan
        if ended := told.pop("ended", None):
            told["closed"], told["outcome"] = ended[0] or told.get("closed"), ended[1]
        for name, value in plan.for_all.items():
            if name == "outcome" and isinstance(value, dict):
                value = next((word for other, word in value.items() if told.get(other) is not None),
                             value.get("otherwise"))  # fmt: skip
            if name != "kind" and told.get(name) is None:
                told[name] = value
        if told.get("outcome") == LEAVE_OUT:
            raise _LeftOut("left out by the plan for its outcome")
        dates = dict(told)
        is_wanted = {"closed": told.get("outcome") != "open", "sold_on": told.get("sold_for") is not None}
        for name, others in plan.where_empty.items():
            if told.get(name) is None and is_wanted.get(name, True):
                told[name] = next((dates[other] for other in others if dates.get(other)), None)
        maker, kind = (told.pop(name, None) for name in ("maker", "kind"))
        told["family"] = self._family(job, {**told, "maker": maker, "kind": kind})

    def _family(self, job: Job, told: Mapping[str, Any]) -> str:
        """Find the family of a unit, or describe a new one."""
        text = unit_name(told)
        if not text:
            raise Refused("the row names no unit")
        family = self._by_key.get(unit_key(text))
        if family in self.kinds:
            return str(family)
        entry = self.plan.families.get(family or "", {})
        kind = entry.get("kind") or told["kind"] or self.plan.for_all.get("kind")
        if not kind:
            raise Refused(f"{text!r} is new, and its kind is not known; add it to [families] of the plan")
        maker = entry.get("maker") or self._makers.get(maker_key(told["maker"] or ""), told["maker"])
        family = self._by_key[unit_key(text)] = family or unit_name({**told, "maker": maker})
        job.family = {"family": family, "kind": kind, "maker": maker}
        return family


_ROWS = re.compile(r"(?:(.+), )?rows? (\d+)(?: to (\d+))?")


def _read_date(column: ColumnPlan, cell: Cell, row: SheetRow) -> str:
    """Read a date in the order of its column, or of the rows that "rows 31 to 52" or "BY = K" means."""
    if column.real_dates == "swapped" and isinstance(cell, datetime.date) and cell.day <= 12:
        cell = cell.replace(month=cell.day, day=cell.month)
    for where, order in column.dates_where.items():
        name, _, word = where.partition("=")
        if match := _ROWS.fullmatch(where):
            is_in = int(match[2]) <= row.number <= int(match[3] or match[2])
            is_meant = is_in and match[1] in (None, row.sheet)
        else:
            is_meant = key_of(row.text(name.strip())) == key_of(word)
        if is_meant:
            return spreadsheets.read_date(cell, [order], row.year)
    return spreadsheets.read_date(cell, column.dates, row.year)


def unit_name(told: Mapping[str, Any]) -> str:
    """Name the family of a unit: by its family, or its maker and model, or its maker and kind."""
    maker, model, kind = (str(told.get(name) or "") for name in ("maker", "model", "kind"))
    if told.get("family"):
        return str(told["family"])
    if model and maker and not folded(model).startswith(folded(maker)):
        return f"{maker} {model}"
    return model or (f"{maker} {kind}" if maker and kind else "")


def unit_key(name: str) -> str:
    """Give a name for comparison, so that "T-1" and "t 1" are the same."""
    return folded(name).replace(" ", "")


def _meant(text: str, allowed: Collection[str], column: ColumnPlan) -> Any:
    if text not in allowed:
        raise Refused(f'{shown(text)} has no meaning in the plan; add it to [columns."{column.name}".values]')
    return text


# The whole import.


def import_by_plan(
    path: str | Path, plan: str | Path, ledger: "Ledger", *, reason: str = "imported", dry_run: bool = False,
    new_names: Collection[str] | None = None,
) -> ImportSummary:  # fmt: skip
    """Import a sheet as a reading plan says."""
    read = read_plan(Path(plan))
    sheets = spreadsheets.read_sheets(Path(path), read.form)
    dropped: dict[int, list[Fault | str]] = {}  # faults of rows that are left out, by number of the row
    made: list[Follower] = []

    def sources(connection: Connection) -> list[Source]:
        kinds = {str(row["family"]): str(row["kind"]) for row in database.fetch_rows(connection, "families")}
        made.append(Follower(read, Path(path), sheets, kinds))
        return _sources(made[-1], dropped.keys(), database.currency_of(connection))

    while True:
        try:
            summary = import_sources(ledger, sources, reason, dry_run=dry_run, new_names=new_names)
            return _with_the_rest(made[-1], dropped, summary)
        except FaultsFound as error:  # leave out their rows, if each belongs to one, and try again
            by_place = {place: index for index, place in made[-1].places.items()} if made else {}
            rows = [by_place.get(each.place, -1) if isinstance(each, Fault) else -1 for each in error.found]
            asks = any(IF_NEW in str(each) for each in error.found)  # of a name, which no row can answer
            if read.faulty_rows != LEAVE_OUT or asks or -1 in rows or dropped.keys() >= {*rows}:
                raise
            for row, fault in zip(rows, error.found, strict=True):
                dropped.setdefault(row, []).append(fault)


def _sources(follower: Follower, dropped: Collection[int], now: str) -> list[Source]:
    """Give the rows of every table, but for jobs that are left out, beside the currency of the ledger."""
    currency = follower.plan.currency or now
    lines: dict[str, list[Line]] = {"settings": [], "families": [], "jobs": [], "findings": [], "signs": []}
    places = follower.places
    if currency != now:
        lines["settings"].append(Line(places[0], {"setting": "currency", "value": currency}))
    seen: set[str] = set()
    n_rows = 0  # also those that tell more of one job
    for job in follower.jobs:
        if not job.rows.keys().isdisjoint(dropped):
            continue
        if job.family and job.family["family"] not in seen:
            seen.add(job.family["family"])
            lines["families"].append(Line(places[job.first], job.family))
        n_rows += len(job.rows)
        row = {"job": job.number, **job.values}
        for index, told in job.complaints.items() or [(job.first, [])]:
            lines["jobs"].append(Line(places[index], row, told))
            row = {}
        for name, parts in (("findings", job.findings), ("signs", job.signs)):
            lines[name] += [Line(places[index], {"job": job.number, **part}) for index, part in parts]
    return [Source(TABLES[name], found, EXPONENTS[currency], n_rows * (name == "jobs"))
            for name, found in lines.items()]  # fmt: skip


def _with_the_rest(
    follower: Follower, dropped: Mapping[int, list[Fault | str]], summary: ImportSummary
) -> ImportSummary:
    """Add what became of the rows that are no jobs."""
    left_out = {}
    for why, sheets in follower.left_out.items():
        told = [f"{f'{sheet}, ' * follower.is_several}{'row' if len(rows) == 1 else 'rows'} {', '.join(rows)}"
                for sheet, rows in sheets.items()]  # fmt: skip
        left_out[f"{why} ({'; '.join(told)})"] = sum(map(len, sheets.values()))
    remarks = [str(fault) for _, faults in sorted(dropped.items()) for fault in faults]
    if dropped:
        n_bad = sum(len(job.rows) for job in follower.jobs if job.rows.keys() & dropped.keys())
        left_out["cannot be read, each told below"] = n_bad
    if follower.n_unclear:
        remarks.append("parts named in doubt, such as 'belt?' or 'not the belt', without a finding: "
                       f"{follower.n_unclear}")  # fmt: skip
    return replace(summary, left_out=left_out, remarks=tuple(remarks))
