"""A reading plan proposed from a sheet: what its columns seem to be, a question for what cannot be told."""

import json
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from reliability.errors import InvalidInput
from reliability.records.open_repair import commonest, maker_key
from reliability.records.reading_plan import (
    DATES,
    EVENTS,
    LEAVE_OUT,
    MONEY,
    ROLES,
    UNIT,
    UNKNOWN,
    fault_clauses,
    findings_in,
    state_of,
    unit_key,
    unit_name,
)
from reliability.records.spreadsheets import (
    HEADING,
    ORDERS,
    SEPARATORS,
    SHEET,
    Cell,
    Grid,
    SheetRow,
    again_rows,
    csv_forms,
    currency_signs,
    date_readings,
    decimal_marks,
    header_names,
    is_header,
    is_workbook,
    key_of,
    read_built,
    read_grids,
    read_hours,
    read_number,
    table_rows,
    text_of,
)
from reliability.records.tables import ACTIONS, ENDED_WHY, FOUND, OUTCOMES, USUAL_COMPONENTS
from reliability.records.values import Refused, folded, words

_MOST_LISTED = 60
#: Score of a header that is one of the known phrases as a whole.
_EXACT = 100
#: Above this share of its cells a column is what they are.
_MOST = 0.6
#: Roles that only one column of a sheet can have.
_SINGLE = frozenset(ROLES) - {"other_costs", "remarks", "faults", LEAVE_OUT}
_ANCHORS = ("job", "family", "model")
_MINUTES = re.compile(r"\b(?:m|min|mins|minutes|minuten)\b")
_HOURS = re.compile(r"\b(?:h|hr|hrs|hours?|std|stunden?|uren|uur|heures)\b")
#: What stands in a row below the header that only says in what the columns are written.
_UNITS = frozenset((
    "eur", "gbp", "usd", "h", "hrs", "hours", "std", "min", "minutes", "text", "date", "yyyy", "nr",
    "dd mm yyyy", "tt mm jjjj", "dd mm yy", "yes no", "ja nein",
))  # fmt: skip


def draft_plan(path: str | Path, families: Mapping[str, str] | None = None) -> str:
    """Propose a reading plan for a sheet."""
    return _Draft(Path(path), families or {}).text()


@dataclass
class _Column:
    """A column of the table, and what has been made out of it."""

    name: str
    sheets: set[str]
    cells: list[Cell] = field(default_factory=list)
    n_empty: int = 0
    kind: str = "empty"
    role: str = ""
    why: str = ""
    score: float = 0.0

    @property
    def counts(self) -> Counter[str]:
        return Counter(" ".join(text_of(cell).split()) for cell in self.cells)

    def share(self, test: Callable[[str], object]) -> float:
        """Tell how large a share of its different texts passes a test."""
        return sum(bool(test(text)) for text in self.counts) / max(len(self.counts), 1)


class _Draft:
    """One plan under way."""

    def __init__(self, path: Path, families: Mapping[str, str]) -> None:
        self.path, self.known = path, families
        self.out: list[str] = []
        self.grids = read_grids(path)
        self.ditto = {key_of(mark) for mark in words()["ditto"]}
        self.unknown = {key_of(mark) for mark in words()["unknown"]} - self.ditto
        self.joined_by = ""
        self.sheets = self._sheets()
        self.rows: list[SheetRow] = []
        self.passed: Counter[tuple[str, str]] = Counter()
        for grid, header in self._read():
            rows, passed = table_rows(grid, header, self.ditto)
            self.rows += rows
            self.passed.update((row.sheet, row.why) for row in passed)
        if not self.rows:
            raise InvalidInput(
                f"{path.name} has no row below a header of three columns or more. No plan was written."
            )
        self.year = next((row.year for row in self.rows if row.year), None)
        self.columns = self._columns()
        self._assign_roles()
        self.by_role: dict[str, _Column] = {}
        for column in self.columns.values():
            self.by_role.setdefault(column.role, column)
        self.anchor = next((self.by_role[role].name for role in _ANCHORS if role in self.by_role), "")
        #: The rows of each job: one, or those of its number, or of its parts.
        told = [text_of(row.cells.get(self.anchor)) for row in self.rows]
        again = sum(not text or text in told[:at] for at, text in enumerate(told))
        self.is_events = "job" in self.by_role and ("event" in self.by_role or bool(self.joined_by))
        self.is_parts = not self.is_events and bool(
            "component" in self.by_role and self.anchor and again >= 0.1 * len(told)
        )
        self.jobs: dict[object, list[SheetRow]] = {}
        for at, (row, text) in enumerate(zip(self.rows, told, strict=True)):
            key = (text or next(reversed(self.jobs), "")) if self.is_parts else text if self.is_events else at
            if key != "":
                self.jobs.setdefault(key, []).append(row)

    def _read(self) -> Iterable[tuple[Grid, list[int]]]:
        """Give the sheets that are read, and the rows of their headers."""
        headers = ((grid, self.sheets[grid.name]) for grid in self.grids)
        return [(grid, header) for grid, header in headers if isinstance(header, list)]

    # Which sheets, which columns.

    def _sheets(self) -> dict[str, Any]:
        """Find the sheets whose columns are those of the largest one; a hidden one is asked about."""
        headers = {grid.name: _find_header(grid) for grid in self.grids}
        names = {grid.name: {folded(name) for name in header_names(grid, headers[grid.name])
                             if not name.startswith("column ")} if headers[grid.name] else set()
                 for grid in self.grids}  # fmt: skip

        def size(grid: Grid) -> tuple[bool, int]:
            known = sum(bool(_role_of(head, "text")[0]) for head in names[grid.name])
            return known >= 3, len(grid.rows) * bool(names[grid.name])

        main = max(self.grids, key=size)
        found: dict[str, Any] = {}
        for grid in self.grids:
            same = names[grid.name] & names[main.name]
            least = min(len(names[grid.name]), len(names[main.name]))
            is_read = least and len(same) >= 0.5 * least
            if not is_read and (number := self._number_in_both(main, grid, headers)):
                self.joined_by, is_read = number, True
            found[grid.name] = LEAVE_OUT if not is_read else "" if grid.is_hidden else headers[grid.name]
        return found

    def _number_in_both(self, main: Grid, other: Grid, headers: Mapping[str, list[int]]) -> str:
        """Find the column that numbers the units of one sheet, and whose numbers the other one repeats."""
        told = []
        for grid in (main, other):
            rows = table_rows(grid, headers[grid.name], ())[0] if headers[grid.name] else []
            told.append({name: [text_of(row.cells[name]) for row in rows if name in row.cells]
                         for name in header_names(grid, headers[grid.name])})  # fmt: skip
        for name, units in told[0].items():
            repeated = told[1].get(name, [])
            known = sum(number in set(units) for number in repeated)
            if len(set(units)) == len(units) >= 10 and len(repeated) >= 5 and known >= 0.8 * len(repeated):
                return name
        return ""

    def _columns(self) -> dict[str, _Column]:
        sheets: dict[str, set[str]] = {}
        for grid, header in self._read():
            for name in header_names(grid, header):
                sheets.setdefault(name, set()).add(grid.name)
        used = {name for row in self.rows for name in row.cells}
        for row in self.rows:
            for name in row.cells:
                sheets.setdefault(name, set()).add(row.sheet)
        columns = {name: _Column(name, told) for name, told in sheets.items()
                   if name in used or not name.startswith("column ")}  # fmt: skip
        for row in self.rows:
            for name, column in columns.items():
                if row.sheet in column.sheets:
                    is_empty = self._is_empty(row.cells.get(name))
                    column.n_empty += is_empty
                    column.cells += [] if is_empty else [row.cells[name]]
        for column in columns.values():
            # "3.10." is a date only below a header that says so.
            is_dated = bool(_role_of(column.name, "date")[0])
            column.kind = _kind_of(column.cells, self.year if is_dated else None)
            # And 44289 is one, as the days that a workbook counts.
            if is_dated and all(isinstance(cell, int) and 20_000 < cell < 60_000 for cell in column.cells):
                column.kind = "date" if column.cells else column.kind
        return columns

    def _is_empty(self, cell: Cell) -> bool:
        return cell is None or key_of(text_of(cell)) in self.unknown

    def _assign_roles(self) -> None:
        for column in self.columns.values():
            if column.name in (SHEET, HEADING):
                column.role = "kind" if column.share(_kind_in) >= 0.5 else LEAVE_OUT
                is_year = column.share(re.compile(r"\d").search) >= 0.5
                if column.role == LEAVE_OUT and len(column.counts) > 1 and not (is_year or self.joined_by):
                    column.role, column.why = "?", "it tells several sheets, or headings, apart"
            else:
                column.role, column.score = _role_of(column.name, column.kind)
                self._by_values(column)
            if column.name == self.joined_by:
                column.role, column.score = "job", 2 * _EXACT
        self._by_each_other()
        best: dict[str, list[_Column]] = defaultdict(list)
        for column in sorted(self.columns.values(), key=lambda column: -column.score):
            others = [other for other in best[column.role] if other.sheets & column.sheets]
            if column.role in _SINGLE and others:
                column.why = f"it looks like {column.role}, but that is {others[0].name!r} already"
                column.role = "?"
            best[column.role].append(column)

    def _by_each_other(self) -> None:
        """Let roles depend on those of the other columns."""
        taken = {column.role for column in self.columns.values()}
        for column in self.columns.values():
            if column.role in ("found", "action", "position") and "component" not in taken:
                column.role = "faults"
            if column.role == "kind" and column.share(_kind_in) < 0.5 and not taken & {"model", "family"}:
                column.role = "model"
            if column.role == "family" and "maker" in taken and column.share(_kind_in) >= 0.5:
                column.role = "model"  # "deck T-5": its maker stands beside it
        if "event" in taken:
            for kind, role in (("date", "date of event"), ("number", "amount of event")):
                unclear = [each for each in self.columns.values() if each.kind == kind and each.role == "?"]
                for column in unclear if len(unclear) == 1 else ():
                    column.role = role

    def _by_values(self, column: _Column) -> None:
        """Let what stands in a column decide where its header does not."""
        tokens, told_of = folded(column.name).split(), {**words()["state"], **words()["yes_no"]}
        tails = (" ".join(tokens[at:]) for at in range(len(tokens)))  # of "Checked pinch roller" the end
        component = next((words()["component"][tail] for tail in tails if tail in words()["component"]), None)
        if component and column.share(lambda text: folded(text) in told_of) >= 0.5:
            column.role, column.score = f"finding: {component}", _EXACT
        happened = {words()["event"].get(folded(text)) for text in column.counts}
        if column.kind == "text" and {"bought", "sold"} <= happened:
            is_event = column.share(lambda text: folded(text) in words()["event"]) >= 0.5
            column.role, column.score = ("event", _EXACT) if is_event else (column.role, column.score)
        if column.role == "family":
            number = re.compile(r"([A-Za-z#]{0,4}[-/ ]?)0*(\d+)")
            numbered = [number.fullmatch(text_of(cell)) for cell in column.cells]
            counted = [(match[1], int(match[2])) for match in numbered if match]
            if len(counted) >= 0.8 * len(column.cells) and counted == sorted(counted):
                column.role = "job"
            elif column.share(_kind_in) >= 0.5 and column.share(re.compile(r"\d").search) < 0.5:
                column.role = "kind"
        if not column.role and column.share(lambda text: folded(text) in words()["kind"]) >= 0.8:
            column.role = "kind"
        if not column.role and column.kind == "text":
            is_outcome = column.share(lambda text: folded(text) in words()["outcome"]) >= 0.4
            column.role = "outcome" if is_outcome and len(column.counts) > 2 else ""
        if not column.cells and column.role in ("", "?"):
            column.role, column.why = LEAVE_OUT, "nothing stands in it"

    # The text of the plan.

    def text(self) -> str:
        """Write the plan."""
        name = self.path.name
        cut = ROLES.index("salvage_value")
        self._say(f"How {name} is read: a proposal. Look it over, mend what is wrong, then try",
                  f"  benchodds import {name} --plan THIS_FILE --dry-run",
                  'Where a line says QUESTION, fill the quotation marks below it: "" is open.',
                  "A column is one of: " + ", ".join(ROLES[:cut]) + ",",
                  "  " + ", ".join(ROLES[cut:]) + ", finding: COMPONENT, sign: SIGN.", "")  # fmt: skip
        self._file()
        self._sheet_lines()
        for column in self.columns.values():
            self._column_lines(column)
        self._instead()
        self._fault_lines()
        self._family_lines()
        return "\n".join(self.out) + "\n"

    def _say(self, *lines: str) -> None:
        self.out += [f"# {line}" if line else "" for line in lines]

    def _ask(self, key: str, question: str) -> None:
        self._say(f"QUESTION: {question}")
        self.out.append(f'{key} = ""')

    def _line(self, key: str, value: object, comment: str = "") -> None:
        self.out.append(f"{key} = {_toml(value)}" + (f"  # {comment}" if comment else ""))

    def _file(self) -> None:
        if not is_workbook(self.path):
            self._csv_lines()
        meanings = {"jobs": "a job has one row", "parts": "a job has one row for each part",
                    "events": "a unit has rows for what happened, found by its number"}  # fmt: skip
        rows = "parts" if self.is_parts else "events" if self.is_events else "jobs"
        others = "; ".join(f'"{word}": {meaning}' for word, meaning in meanings.items() if word != rows)
        self._line("rows", rows, f"{meanings[rows]}; {others}")
        self._line("faulty_rows", "refuse", "nothing is imported if a row cannot be read; "
                   f'"{LEAVE_OUT}": such rows are told and left out')  # fmt: skip
        again = [] if self.is_parts or self.is_events else again_rows(self.rows)
        told = f"the same as another in every cell: {_rows(len(again))}"
        if again and "job" in self.by_role:
            self._line("same_again", LEAVE_OUT, f"{told}, the number too: written twice")
        elif again:
            which = ", ".join(f"{row.number} and {first.number}" for row, first in again[:12])
            self._ask("same_again", f"{told} (rows {which}). {LEAVE_OUT}: written twice; keep: another unit")
        if "job" not in self.by_role:
            prefix = f"{SHEET}-" if len(list(self._read())) > 1 else "S-"
            told = "no column of job numbers: jobs are counted, with this before each"
            self._line("numbering", prefix, told)
        self._currency()
        for key, marks, what in (
            ("unknown", self.unknown, "nothing is known"),
            ("ditto", self.ditto, "as above"),
        ):
            seen = Counter(
                text_of(cell) for grid, header in self._read() for number, cells in grid.rows
                if number > max(header) for cell in cells
                if cell is not None and key_of(text_of(cell)) in marks
            )  # fmt: skip
            self._line(key, list(seen), f"cells that say: {what}" + (f" ({_counted(seen)})" if seen else ""))

    def _csv_lines(self) -> None:
        forms = csv_forms(self.path)
        form, read = forms[0]
        self._line("separator", SEPARATORS[form.separator])
        if not form.quotes:
            self._line("quotes", False, "quotation marks are signs like any other here")
        if len(forms) > 1:
            told = "; ".join(f"{other.encoding}: {', '.join(found[:6])}" for other, found in forms)
            self._ask("encoding", f"the file is no UTF-8. Which of these reads its words rightly? {told}")
        else:
            self._line("encoding", form.encoding, f"it reads: {', '.join(read[:6])}" if read else "")

    def _currency(self) -> None:
        roles = (*MONEY, "amount of event", "?")
        columns = [column for column in self.columns.values() if column.role in roles]
        signs = Counter(sign for column in columns for cell in (column.name, *column.cells)
                        for sign in currency_signs(cell))  # fmt: skip
        if not signs:
            self._say("No amount bears the sign of a currency: they are taken to be in that of the ledger.")
        elif len(signs) == 1 and "?" not in signs:
            self._line("currency", next(iter(signs)), "by the signs beside amounts")
        else:
            told = _counted(signs).replace("?", "$ or kr")
            self._ask("currency", f"which currency are the amounts in? Signs: {told}. A code such as EUR")

    def _sheet_lines(self) -> None:
        self._say("", "The rows of each header; leave_out = [17, 40] in the braces passes over rows.",
                  "Colours are not read: put what they say into a column of words.")  # fmt: skip
        self.out.append("[sheets]")
        for grid in self.grids:
            header, key = self.sheets[grid.name], _toml(grid.name)
            if header == "":
                self._ask(key, f'sheet {grid.name!r} is hidden. Is it read? "{LEAVE_OUT}", or, without '
                          f"quotation marks, {{ header = {_find_header(grid)} }}")  # fmt: skip
            elif header == LEAVE_OUT:
                seen = [text_of(cell) for _, cells in grid.rows[:8] for cell in cells if cell is not None]
                self._line(key, LEAVE_OUT, f"it begins: {' | '.join(seen[:8])}"[:100].replace("\n", " "))
            else:
                told = [f"{count} {why}" for (sheet, why), count in self.passed.items() if sheet == grid.name]
                count = sum(row.sheet == grid.name for row in self.rows)
                passed = f"; passed over: {', '.join(told)}" if told else ""
                self.out.append(f"{key} = {{ header = {header} }}  # {_rows(count)}{passed}")

    # One column.

    def _column_lines(self, column: _Column) -> None:
        seen = column.counts.most_common()
        few = ", ".join(f"{_short(text)} {count}" for text, count in seen[:6]) + " ..." * (len(seen) > 6)
        self._say("")
        self.out.append(f"[columns.{_toml(column.name)}]")
        self._say(f"{len(column.cells)} filled, {column.n_empty} not" + (f": {few}" if few else ""))
        role = column.role.partition(":")[0]
        if role in ("", "?"):
            beside = {other.role for other in self.columns.values() if other.sheets & column.sheets}
            free = [date for date in DATES if date not in beside]
            which = f"which date is this: {', '.join(free)}"
            what = which if column.kind == "date" else "what is this column"
            why = f" ({column.why})" if column.why else ""
            words_for = "" if column.kind == "date" else "? One of the words at the top"
            self._ask("is", f"{what}{why}{words_for}, or {LEAVE_OUT}")
            role = {"date": "taken_in", "number": "bought_for"}.get(column.kind, "")
        else:
            self._line("is", column.role, column.why)
        if self.is_events and column.role in UNIT:
            self._line("several", "first", "what the first row of a unit says counts")
        writers: dict[str, Callable[[_Column], None]] = {
            **dict.fromkeys((*DATES, "date of event"), self._dates),
            **dict.fromkeys((*MONEY, "hours", "amount of event"), self._amounts), "event": self._events,
            **dict.fromkeys(("outcome", "ended_why"), self._choices), "built": self._years,
            "kind": self._kinds,
            **dict.fromkeys(("found", "action", "finding"), self._states), "component": self._components,
            "job": self._numbers,
        }  # fmt: skip
        if role in writers:
            writers[role](column)

    def _dates(self, column: _Column) -> None:
        read = [(cell, date_readings(cell, self.year)) for cell in column.cells]
        several = [found for _, found in read if found and "" not in found]
        every = [order for order in ORDERS if several and all(order in found for found in several)]
        open_ones = [cell for cell, found in read if len(set(found.values())) > 1]
        only = {order: sum(set(found) == {order} for found in several) for order in ORDERS}
        if len(every) == 1:
            told = f"only this fits all {len(several)} that are not clear by themselves"
            self._line("dates", every[0], told)
        elif open_ones:
            told = "".join(f"; {count} can only be {order}" for order, count in only.items() if count)
            question = f"in which order are dates such as {_some(open_ones)}? {', or '.join(ORDERS)}{told}"
            self._ask("dates", question)
            if sum(map(bool, only.values())) > 1:
                self._say('Where rows differ, add: dates_where = { "rows 31 to 52" = "month day year" },',
                          'or { "COLUMN = WORD" = "month day year" } for rows with that word.')  # fmt: skip
        elif several:
            self._line("dates", [order for order in ORDERS if only[order]], "each fits only one")
        real = [cell for cell in column.cells if not isinstance(cell, str | int | float)]
        if len(real) >= 5 and only[ORDERS[0]] and all(cell.day <= 12 for cell in real):  # type: ignore[union-attr]
            self._ask("real_dates", f"none of {len(real)} real dates has a day above 12, {only[ORDERS[0]]} "
                      "texts have. Did the program take day for month? right, or swapped")  # fmt: skip
        self._values(column, [cell for cell, found in read if not found],
                     "no date that can be read; write one such as 2026-05-17, or unknown")  # fmt: skip

    def _amounts(self, column: _Column) -> None:
        is_hours = column.role == "hours"
        unclear = [cell for cell in column.cells if len(decimal_marks(cell)) == 2]
        shown = Counter(mark for cell in column.cells for mark in decimal_marks(cell) if cell not in unclear)
        mark = next(iter(shown)) if len(shown) == 1 else None
        if mark:
            self._line("decimal", "comma" if mark == "," else "point", f"{shown.total()} show it")
        elif unclear:
            question = f"is the decimal mark a comma or a point, in {_some(unclear)}? comma, or point"
            self._ask("decimal", question)
        if is_hours:
            self._unit(column)
        shared = sorted({row.merged[column.name] for row in self.rows if column.name in row.merged})
        if shared and not self.is_parts:
            rows = ", ".join(f"{top} to {top + height - 1}" for top, height in shared[:5])
            self._ask("merged", f"one amount stands for several rows ({len(shared)} times, rows {rows}). "
                      "share: divide it equally; each: it counts for each")  # fmt: skip
        if self.is_parts and column.role != "part_cost":
            self._several(column)
        elif self.is_events and column.role in ("hours", "other_costs"):
            self._line("several", "sum", "of all rows of a unit")

        def read(cell: Cell) -> object:
            sure = mark or ("," if unclear else None)
            return read_hours(cell, sure, "hours") if is_hours else read_number(cell, sure)

        nothing = [text for text in column.counts if folded(text) in words()["amount"] and text != "0"]
        free = {} if is_hours else dict.fromkeys(nothing, "0")
        what = "span of time" if is_hours else "number"
        bad = [cell for cell in column.cells if _fails(read, cell) and text_of(cell) not in free]
        self._values(column, bad, f"no {what} that can be read; write such as 12.50, or unknown", free)

    def _unit(self, column: _Column) -> None:
        name = column.name.casefold()
        bare = [cell for cell in column.cells
                if _fails(lambda each: read_hours(each, ",", None), cell)
                and not _fails(lambda each: read_hours(each, None, "hours"), cell)]  # fmt: skip
        if _MINUTES.search(name) or _HOURS.search(name):
            self._line("unit", "minutes" if _MINUTES.search(name) else "hours", "by the header")
        elif bare:
            self._ask("unit", f"are numbers such as {_some(bare)} hours, or minutes?")

    def _several(self, column: _Column) -> None:
        name = column.name
        told = {job: [text_of(row.cells[name]) for row in rows
                      if name in row.cells.keys() - row.merged.keys()]
                for job, rows in self.jobs.items()}  # fmt: skip
        differing = [(job, found) for job, found in told.items() if len(set(found)) > 1]
        if differing:
            job, found = differing[0]
            told_of = f"{len(differing)} jobs have several amounts here ({job}: {', '.join(found[:4])})"
            self._ask("several", f"{told_of}. sum: add them up; first: only the first counts")

    def _years(self, column: _Column) -> None:
        bad = [cell for cell in column.cells if _fails(lambda each: read_built(each, 2), cell)]
        doubted = [cell for cell in column.cells if _fails(lambda each: read_built(each, None), cell)]
        if rough := [cell for cell in doubted if cell not in bad]:
            self._line("about", 2, f"years to both sides of a rough one ({_some(rough)})")
        question = "no year of production that can be read; write one, or 1976-1979, or unknown"
        self._values(column, bad, question)

    def _numbers(self, column: _Column) -> None:
        if self.is_events:
            without = sum(self._is_empty(row.cells.get(column.name)) for row in self.rows)
            if without:
                self._say(f"{_rows(without)} without a number: of no unit, and told as such")
            return
        places = {(row.sheet, text_of(row.cells.get(column.name))) for row in self.rows}
        seen = Counter(number for _, number in places if number)
        if again := sum(count > 1 for count in seen.values()):
            told = f"{again} numbers stand in several sheets: each begins with its sheet's"
            self._line("prefix", f"{SHEET}-", told)

    def _values(
        self, column: _Column, cells: Sequence[Cell], question: str, known: Mapping[str, str] | None = None
    ) -> None:
        """Write what words stand for, and ask about every different cell that cannot be read."""
        counts = Counter(" ".join(text_of(cell).split()) for cell in cells)
        if not counts and not known:
            return
        self.out.append(f"[columns.{_toml(column.name)}.values]")
        for text, meaning in (known or {}).items():
            self._line(_toml(text), meaning, _rows(column.counts[text]))
        if counts:
            self._say(f"QUESTION: {question}")
        for text, count in counts.most_common(_MOST_LISTED):
            self._line(_toml(text), "", _rows(count))
        if len(counts) > _MOST_LISTED:
            self._say(f"... and {len(counts) - _MOST_LISTED} more; their rows cannot be read")

    def _meanings(self, column: _Column, meaning: Callable[[str], str | None], question: str) -> None:
        """Write what every different word means; ask where that is not known."""
        shown: dict[str, str] = {}
        for text in column.counts:
            shown.setdefault(key_of(text), text)
        told = {text: meaning(text) for text in shown.values()}
        known = {text: word for text, word in told.items() if word is not None and word != text}
        unclear = {key_of(text) for text, word in told.items() if word is None}
        cells = [shown[key] for cell in column.cells if (key := key_of(text_of(cell))) in unclear]
        self._values(column, cells, question, known)

    def _choices(self, column: _Column) -> None:
        listed, yes_no = words()[column.role], words()["yes_no"]
        asks = re.search(r"work|fix|repair|repar|ok|heile", folded(column.name))
        is_yes_no = column.role == "outcome" and (
            asks or column.share(lambda text: folded(text) in yes_no) == 1
        )

        def meaning(text: str) -> str | None:
            if folded(text) in listed:
                return str(listed[folded(text)])
            clauses = [folded(part) for part in re.split(r"[,;(+&/!]|\s-+>?\s|->|\band\b|\bund\b", text)]
            hits = {listed[clause] for clause in clauses if clause in listed}
            hits |= {"repaired" for clause in clauses if is_yes_no and yes_no.get(clause) == "yes"}
            return hits.pop() if len(hits) == 1 else None

        empty = [rows for rows in self.jobs.values() if rows[0].sheet in column.sheets
                 and self._is_empty(rows[0].cells.get(column.name))]  # fmt: skip
        allowed = ", ".join(OUTCOMES if column.role == "outcome" else ENDED_WHY)
        if column.role == "outcome" and empty and not self.is_events:
            self._ask("empty", f"empty in {_rows(len(empty))}. {allowed}, or {LEAVE_OUT}?")
        self._meanings(column, meaning, f"{allowed}? Or {UNKNOWN}, or {LEAVE_OUT} (the row)")

    def _events(self, column: _Column) -> None:
        known = {**words()["outcome"], **words()["event"]}
        known = {text: word for text, word in known.items() if word in EVENTS}
        question = f"what happened then? {', '.join(EVENTS)}, or {LEAVE_OUT} (the row)"
        self._meanings(column, lambda text: known.get(folded(text)), question)

    def _kinds(self, column: _Column) -> None:
        self._meanings(column, _kind_in, f"{', '.join(list(USUAL_COMPONENTS)[:-1])}, or a word of your own")

    def _components(self, column: _Column) -> None:
        def meaning(text: str) -> str:
            return _component_of(text) or _component_of(text.split()[-1]) or text

        self._meanings(column, meaning, "")
        self._say("Any other word here is taken as the name of a component.")

    def _states(self, column: _Column) -> None:
        def meaning(text: str) -> str | None:
            said = [words()["state"].get(folded(clause)) for clause in fault_clauses(text)]
            told = ", ".join(dict.fromkeys(filter(None, said)))
            return told if None not in said and state_of(told) else None

        found, done = ", ".join(FOUND), ", ".join(ACTIONS)
        self._meanings(column, meaning, f"found ({found}), done ({done}), both (failed, replaced), {UNKNOWN}")

    # What no cell says, and what texts say.

    def _instead(self) -> None:
        self.out += [
            "",
            "[where_empty]  # which dates stand for one that is not there, the first that is filled",
        ]
        dated = [each for each in self.columns.values() if each.kind == "date" and each.role != LEAVE_OUT]
        unclear = [repr(each.name) for each in dated if each.role not in (*DATES, "date of event")]
        beside = f" (apart from {', '.join(unclear)})" if unclear else ""
        for role in ("taken_in", "closed") if dated else ():
            if without := sum(not self._tells(rows, role) for rows in self.jobs.values()):
                needs = ", which open ones do not need" if role == "closed" else ""
                told = f"{without} of {len(self.jobs)} jobs have no date that is {role}{beside}{needs}"
                self._ask(role, f"{told}. What is taken for it? {', '.join(DATES)}, a list such as "
                          f'["sold_on", "taken_in"], or {UNKNOWN}')  # fmt: skip
        self.out += ["", "[for_all]  # what holds for every row where nothing else is said"]
        if not dated:
            self._ask(
                "taken_in", "no column is a date. When were the units taken in? A month such as 2025-06"
            )
            self._ask("closed", "and when were they done?")
        silent = sum(not self._tells(rows, "outcome") for rows in self.jobs.values())
        if "outcome" not in self.by_role or (self.is_events and silent):
            what = f"nothing tells how {silent}" if self.is_events else "no column tells how"
            self._ask("outcome", f"{what} jobs ended. {', '.join(OUTCOMES)} for all; or, "
                      'without quotation marks, { sold_for = "repaired", otherwise = "open" }')  # fmt: skip

    def _tells(self, rows: Iterable[SheetRow], role: str) -> bool:
        """Tell whether any row of a job fills a column of a role, or is an event that tells as much."""
        names = [column.name for column in self.columns.values() if column.role == role]
        if any(not self._is_empty(row.cells.get(name)) for row in rows for name in names):
            return True
        for row in rows if "event" in self.by_role else ():
            word = words()["event"].get(folded(text_of(row.cells.get(self.by_role["event"].name))))
            dates, _, outcome = EVENTS.get(word or "", ((), "", ""))
            if role in dates or (outcome and role in ("outcome", "closed")):
                return True
        return False

    def _fault_lines(self) -> None:
        columns = [column for column in self.columns.values() if column.role == "faults"]
        is_listed = any(column.role.startswith("finding:") for column in self.columns.values())
        if not columns and not is_listed and "component" not in self.by_role:
            return
        self.out += ["", "[faults]"]
        if "component" in self.by_role and "found" not in self.by_role:
            question = "no column tells the state of a part. What is one that is named: failed, or worn?"
            self._ask("named_alone", question)
        else:
            self._line("named_alone", "failed", "a part that is named without a word for its state; or worn")
        if columns:
            self._word_lists([text_of(cell) for column in columns for cell in column.cells])

    def _word_lists(self, texts: Sequence[str]) -> None:
        phrases = Counter(phrase for text in texts for phrase in _phrases(text))
        parts = {phrase: name for phrase in phrases if (name := _component_of(phrase))}
        states = {phrase: words()["state"][phrase] for phrase in phrases if phrase in words()["state"]}
        silent: Counter[str] = Counter()
        for text in texts:
            found, n_unclear = findings_in(text, parts, states, "failed")
            silent[" ".join(text.split())] += not found and not n_unclear
        if silent := +silent:
            listed = ", ".join(f"{_short(text)} {count}" for text, count in silent.most_common(40))
            self._ask("other_texts", f"{silent.total()} texts name no part of the list below: {listed}. "
                      "They give no finding and are kept in remarks. Add words below where that loses "
                      "something, then write remarks")  # fmt: skip
        used = {word for phrase in (*parts, *states) for word in phrase.split()}
        rest = Counter({word: count for word, count in phrases.items()
                        if word not in used and " " not in word and len(word) > 2 and count > 1})  # fmt: skip
        self.out += ["", "[faults.parts]"]
        for phrase, component in sorted(parts.items()):
            self._line(_toml(phrase), component, _rows(phrases[phrase]))
        if rest:
            listed = ", ".join(f"{word} {count}" for word, count in rest.most_common(30))
            self._say(f"Words that stand for nothing: {listed}")
        self.out += ["", "[faults.states]  # found, or done, or both (failed, replaced); unclear: no finding"]
        for phrase, state in sorted(states.items()):
            self._line(_toml(phrase), state, _rows(phrases[phrase]))

    # Families.

    def _family_lines(self) -> None:
        spelled: dict[str, Counter[str]] = defaultdict(Counter)
        kinds: dict[str, Counter[str]] = defaultdict(Counter)
        makers: dict[str, Counter[str]] = defaultdict(Counter)
        listed: dict[str, Counter[str]] = defaultdict(Counter)
        in_column: Counter[str] = Counter()  # rows that tell the kind in a column of its own
        rows = [of_one[0] for of_one in self.jobs.values()] if self.is_events else self.rows
        told = [self._unit_of(row) for row in rows]
        for unit in told:
            if key := maker_key(unit.get("maker", "")):
                listed[key][unit["maker"]] += 1
        for unit in told:
            if key := unit_key(unit_name(unit)):
                spelled[key][unit_name(unit)] += 1
                kind = unit.get("kind") or _kind_in(unit_name(unit), inside=True)
                kinds[key].update([kind] if kind else [])
                in_column[key] += "kind" in unit
                maker = maker_key(unit.get("maker", ""))
                makers[key].update([commonest(listed[maker])] if maker else [])
        known = {unit_key(name): name for name in self.known}
        self.out += ["", "[families]  # names that are one family; a new one is made with its kind and maker"]
        if any(not kinds[key] and key not in known for key in spelled):
            one = 'one kind for all may stand under [for_all]: kind = "radio"'
            self._say(f"For a kind that is asked for, {one}")
        names: list[str] = []
        for key in sorted(spelled, key=lambda key: (-spelled[key].total(), key)):
            name = known.get(key) or _with_maker(commonest(spelled[key]), next(iter(makers[key]), ""))
            is_told = in_column[key] == spelled[key].total()
            self._one_family(name, key in known, is_told, spelled[key], kinds[key], makers[key], names)
            names.append(name)

    def _one_family(self, name: str, is_known: bool, is_told: bool, spelled: Counter[str],
                    kinds: Counter[str], makers: Counter[str], before: Sequence[str]) -> None:  # fmt: skip
        entry = []
        if not is_known and len(kinds) != 1:
            self._say(
                f"QUESTION: {f'several kinds: {_counted(kinds)}' if kinds else 'nothing tells its kind'}"
            )
            entry.append('kind = ""')
        elif not is_known and not is_told:
            entry.append(f"kind = {_toml(next(iter(kinds)))}")
        if makers and not is_known:
            entry.append(f"maker = {_toml(commonest(makers))}")
        if also := [text for text in spelled if text != name]:
            entry.append(f"also = {_toml(also)}")
        near = [other for other in get_close_matches(name, before, n=1, cutoff=0.9)
                if re.findall(r"\d+", other) == re.findall(r"\d+", name)]  # fmt: skip
        near += [other for other in before if unit_key(name).endswith(unit_key(other))]
        hint = f"; is it that one? Then {{ same_as = {_toml(near[0])} }}" if near else ""
        ledger = ", in the ledger already" if is_known else ""
        self.out.append(f"{_toml(name)} = {{ {', '.join(entry)} }}  # {_rows(spelled.total())}{ledger}{hint}")

    def _unit_of(self, row: SheetRow) -> dict[str, str]:
        """Give what a row tells of its unit, its kind in our words."""
        told = {}
        for column in self.columns.values():
            if column.role in UNIT and not self._is_empty(row.cells.get(column.name)):
                text = text_of(row.cells[column.name])
                told[column.role] = (_kind_in(text) or text) if column.role == "kind" else text
        return told


# What headers, cells and words tell.


def _find_header(grid: Grid) -> list[int]:
    """Find the rows of a sheet's header; none if no row looks like one."""
    rows = {number: [cell for cell in cells if cell is not None] for number, cells in grid.rows}
    best = (0.0, 0)
    for at, (number, told) in enumerate(list(rows.items())[:60]):
        texts = [cell for cell in told if isinstance(cell, str) and len(cell) <= 40]
        if len(told) < 3 or len(texts) < len(told) or len(set(texts)) < _MOST * len(texts):
            continue
        hits = sum(any(_role_of(text, kind)[0] for kind in ("date", "number", "text")) for text in texts)
        if hits >= 2 or (hits == 1 and at < 5):
            best = max(best, (hits + 2 * hits / len(texts), -number))
    number = -best[1]
    if not number:
        return []
    above, below = rows.get(number - 1, []), rows.get(number + 1, [])
    is_group = len(above) >= 2 and all(isinstance(cell, str) and len(cell) <= 40 for cell in above)
    is_units = len(below) >= 2 and sum(map(_is_unit, below)) >= _MOST * len(below)
    return [
        *([number - 1] if is_group and not is_header(above) else []),
        number,
        *([number + 1] if is_units else []),
    ]


def _is_unit(cell: Cell) -> bool:
    text = text_of(cell).strip()
    return bool(re.fullmatch(r"[(\[].*[)\]]|[€£$]", text)) or folded(text) in _UNITS


def _role_of(header: str, kind: str) -> tuple[str, float]:
    """Find what a header names in a column of a kind of cell; nothing, or "?", where it does not tell."""
    bare = folded(header.replace("#", " no "))
    text = re.sub(r"(\w{2,}?)s?(datum|preis|prijs|kosten|nummer)\b", r"\1 \2", bare)
    if re.search("[€£$]", header) and not _best_phrase(text, "number")[0]:
        text, kind = f"{text} cost", "number"
    groups = (kind,) if kind != "empty" else ("date", "number", "text")
    best = max((_best_phrase(text, group) for group in groups), key=lambda hit: hit[1])
    other = {"number": "text", "text": "number"}.get(kind)
    if other and best[1] < _EXACT:
        hit = _best_phrase(text, other)
        best = hit if hit[1] >= _EXACT and hit[0] != "?" else best
    return best


def _best_phrase(text: str, group: str) -> tuple[str, float]:
    """Find the longest phrase of a group that stands in a header; `_EXACT` or more if it is all of it."""
    found = ("", 0.0)
    for phrase, role in words()[f"headers.{group}"].items():
        bare = phrase.removeprefix("=")
        if bare == text or (bare == phrase and f" {phrase} " in f" {text} "):
            score = len(bare) + _EXACT * (bare == text) + 20 * (role != "?")
            found = max(found, (role, float(score)), key=lambda hit: hit[1])
    return found


def _kind_of(cells: Sequence[Cell], year: int | None) -> str:
    """Tell whether most cells are dates, numbers or texts."""
    readers: tuple[Callable[[Cell], object], ...] = (
        lambda cell: read_hours(cell, ",", "hours"), lambda cell: read_number(cell, None),
        lambda cell: read_number(cell, "."), lambda cell: read_built(cell, 2),
    )  # fmt: skip
    dates = sum(bool(date_readings(cell, year)) for cell in cells if not isinstance(cell, int | float))
    numbers = sum(
        folded(text_of(cell)) in words()["amount"] or not all(_fails(read, cell) for read in readers)
        for cell in cells
    )
    if not cells:
        return "empty"
    if dates >= _MOST * len(cells) and (year or dates >= numbers):
        return "date"
    return "number" if numbers >= _MOST * len(cells) else "text"


def _fails(read: Callable[[Cell], object], cell: Cell) -> bool:
    try:
        read(cell)
    except Refused:
        return True
    return False


def _kind_in(text: str, *, inside: bool = False) -> str | None:
    """Find our word for a kind; in a text of more than four words only if asked."""
    known, bare = words()["kind"], folded(text)
    if bare in known:
        return str(known[bare])
    hits = {kind for phrase, kind in known.items() if len(phrase) > 3 and f" {phrase} " in f" {bare} "}
    if not hits and " " not in bare:
        hits = {kind for phrase, kind in known.items() if len(phrase) > 4 and bare.endswith(phrase)}
    return hits.pop() if len(hits) == 1 and (inside or len(bare.split()) <= 4) else None


def _component_of(phrase: str) -> str | None:
    """Find our word for a component: as it stands, in a compound, or with a slip of the pen."""
    known: dict[str, str] = words()["component"]
    bare = folded(phrase)
    if bare in known or bare in words()["state"] or " " in bare or len(bare) < 5:
        return known.get(bare)
    long = [word for word in known if len(word) >= 5 and " " not in word]
    near = [word for word in long if bare.endswith(word)] or get_close_matches(bare, long, n=1, cutoff=0.85)
    return known[max(near, key=len)] if near else None


def _phrases(text: str) -> set[str]:
    """Give the words of a text, and up to three in a row."""
    clauses = [folded(clause).split() for clause in fault_clauses(text)]
    return {" ".join(tokens[at : at + size]) for tokens in clauses for size in (1, 2, 3)
            for at in range(len(tokens) - size + 1)}  # fmt: skip


def _with_maker(name: str, maker: str) -> str:
    """Spell the maker in a name as in all others."""
    tokens, size = name.split(), len(maker.split())
    is_first = maker and maker_key(" ".join(tokens[:size])) == maker_key(maker)
    return " ".join([maker, *tokens[size:]]) if is_first else name


def _toml(value: object) -> str:
    return json.dumps(value, ensure_ascii=False)


def _short(text: str) -> str:
    return _toml(text if len(text) <= 40 else text[:39] + "…")


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count} rows"


def _some(cells: Sequence[Cell]) -> str:
    """Show a few different cells, and how many there are."""
    return f"{', '.join(dict.fromkeys(map(text_of, cells[:5])))} ({_rows(len(cells))})"


def _counted(counts: Mapping[str, int]) -> str:
    return ", ".join(f"{text} {count}" for text, count in sorted(counts.items(), key=lambda pair: -pair[1]))
