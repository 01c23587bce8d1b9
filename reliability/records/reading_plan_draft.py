"""A reading plan proposed from a sheet: what its columns seem to be, and a question for what cannot be told."""

import json
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from reliability.errors import InvalidInput
from reliability.records.open_repair import maker_key
from reliability.records.reading_plan import (
    DATES,
    HEADING,
    LEAVE_OUT,
    MONEY,
    PARTS,
    ROLES,
    SHARED,
    SHEET,
    UNIT,
    UNKNOWN,
    SheetRow,
    again_rows,
    _state,
    _unit_key,
    fault_clauses,
    findings_in,
    header_names,
    is_header,
    key_of,
    table_rows,
    unit_name,
)
from reliability.records.spreadsheets import (
    ORDERS,
    SEPARATORS,
    Cell,
    Grid,
    csv_forms,
    currency_signs,
    date_readings,
    decimal_marks,
    read_built,
    read_grids,
    read_hours,
    read_number,
    text_of,
)
from reliability.records.tables import ACTIONS, ENDED_WHY, FOUND, OUTCOMES, USUAL_COMPONENTS
from reliability.records.values import Refused, folded, words

_MOST_LISTED = 60
_EXACT = 100
_SINGLE = ("job", "family", "maker", "model", "kind", *DATES, "outcome", "bought_for", "sold_for", "hours",
           "built", "salvage_value", "component", "found", "action", "part_cost", "lot", "ended_why")  # fmt: skip
_MINUTES = re.compile(r"\b(?:m|min|mins|minutes|minuten)\b")
_HOURS = re.compile(r"\b(?:h|hr|hrs|hours?|std|stunden?|uren|uur|heures)\b")


@dataclass
class _Column:
    """A column of the table, and what has been made out of it."""

    name: str
    cells: list[Cell] = field(default_factory=list)
    n_empty: int = 0
    kind: str = "empty"
    role: str = ""
    why: str = ""
    score: float = 0.0
    sheets: set[str] = field(default_factory=set)

    @property
    def counts(self) -> Counter[str]:
        return Counter(" ".join(text_of(cell).split()) for cell in self.cells)


def draft_plan(path: str | Path, families: Mapping[str, str] | None = None) -> str:
    """Propose a reading plan for a sheet.

    Parameters
    ----------
    path : str or Path
        CSV in any common encoding, XLSX, XLS or ODS.
    families : mapping of str to str, optional
        Families that the ledger knows, and their kinds.

    Returns
    -------
    str
        TOML with comments. What cannot be told is a line with QUESTION and an empty answer.

    Raises
    ------
    InvalidInput
        If the file cannot be read, or no sheet of it has a header.
    """
    return _Draft(Path(path), families or {}).text()


class _Draft:
    """One plan under way."""

    def __init__(self, path: Path, families: Mapping[str, str]) -> None:
        self.path, self.known = path, families
        self.out: list[str] = []
        self.grids = read_grids(path)
        self.sheets = self._sheets()
        self.ditto = {key_of(mark) for mark in words()["ditto"]}
        self.unknown = {key_of(mark) for mark in words()["unknown"]} - self.ditto
        self.rows: list[SheetRow] = []
        self.passed: Counter[tuple[str, str]] = Counter()
        for grid in self.grids:
            if isinstance(header := self.sheets[grid.name], list):
                rows, passed = table_rows(grid, header, self.ditto)
                self.rows += rows
                self.passed.update((row.sheet, row.why) for row in passed)
        if not self.rows:
            raise InvalidInput(f"{path.name} has no row below a header: a header names at least three columns. "
                               "No plan was written.")  # fmt: skip
        self.columns = self._profiles()
        self._assign_roles()
        self.by_role: dict[str, _Column] = {}
        for column in self.columns.values():
            self.by_role.setdefault(column.role, column)
        self.is_parts = self._is_parts()

    # Which sheets, which header.

    def _sheets(self) -> dict[str, Any]:
        headers = {grid.name: _find_header(grid) for grid in self.grids}
        sizes = {grid.name: len(grid.rows) for grid in self.grids if headers[grid.name]}
        if not sizes:
            return {grid.name: LEAVE_OUT for grid in self.grids}
        names = {grid.name: {folded(name) for name in header_names(grid, headers[grid.name])
                             if not name.startswith("column ")} for grid in self.grids if headers[grid.name]}  # fmt: skip

        def hits(name: str) -> int:
            return sum(bool(_role_of(header, kind)[0]) for header in names[name] for kind in ("text",))

        main = max(sizes, key=lambda name: (hits(name) >= 3, sizes[name]))
        found: dict[str, Any] = {}
        for grid in self.grids:
            same = names.get(grid.name, set()) & names[main]
            alike = len(same) >= 0.5 * min(len(names[main]), len(names.get(grid.name, set())) or 1)
            if grid.name not in names or not alike:
                found[grid.name] = LEAVE_OUT
            else:
                found[grid.name] = "" if grid.is_hidden else headers[grid.name]
        return found

    # What each column is.

    def _profiles(self) -> dict[str, _Column]:
        names = dict.fromkeys(name for row in self.rows for name in row.cells)
        order = [name for grid in self.grids if isinstance(header := self.sheets[grid.name], list)
                 for name in header_names(grid, header)]  # fmt: skip
        columns = {name: _Column(name) for name in dict.fromkeys([*order, *names])
                   if name in names or not name.startswith("column ")}  # fmt: skip
        for grid in self.grids:
            header = self.sheets[grid.name]
            for name in header_names(grid, header) if isinstance(header, list) else ():
                if name in columns:
                    columns[name].sheets.add(grid.name)
        for row in self.rows:
            for name in row.cells:
                columns[name].sheets.add(row.sheet)
        for row in self.rows:
            for name, column in columns.items():
                if row.sheet not in column.sheets:
                    continue
                cell = row.cells.get(name)
                if cell is None or key_of(text_of(cell)) in self.unknown:
                    column.n_empty += 1
                else:
                    column.cells.append(cell)
        for column in columns.values():
            column.kind = _kind_of(column.cells, self._year if folded(column.name) else None)
            if column.kind != "date" and _role_of(column.name, "date")[0]:
                dated = sum(
                    bool(date_readings(cell, self._year)) for cell in column.cells if isinstance(cell, str)
                )
                if column.cells and dated >= 0.6 * len(column.cells):
                    column.kind = "date"
        return columns

    @property
    def _year(self) -> int | None:
        return next((row.year for row in self.rows if row.year), None)

    def _assign_roles(self) -> None:
        for column in self.columns.values():
            if column.name in (SHEET, HEADING):
                self._pseudo(column)
            else:
                column.role, column.score = _role_of(column.name, column.kind)
                self._by_values(column)
        has_part = any(column.role == "component" for column in self.columns.values())
        for column in self.columns.values():
            if column.role in ("found", "action", "position") and not has_part:
                column.role = "faults"
            if column.role == "kind" and column.cells and not self._looks_like_kinds(column):
                taken = {other.role for other in self.columns.values()}
                column.role = "model" if "model" not in taken and "family" not in taken else column.role
        best: dict[str, list[_Column]] = defaultdict(list)
        for column in sorted(self.columns.values(), key=lambda column: -column.score):
            others = [other for other in best[column.role] if other.sheets & column.sheets]
            if column.role in _SINGLE and others:
                column.why = f"it looks like {column.role}, but that is {others[0].name!r} already"
                column.role = "?"
            best[column.role].append(column)

    def _pseudo(self, column: _Column) -> None:
        column.role = "kind" if self._looks_like_kinds(column) else LEAVE_OUT

    def _looks_like_kinds(self, column: _Column) -> bool:
        hits = sum(_kind_in(text_of(cell)) is not None for cell in column.cells)
        return bool(column.cells) and hits >= 0.5 * len(column.cells)

    def _by_values(self, column: _Column) -> None:
        """Let a header that names a component be that component; an empty column be left out."""
        component = words()["component"].get(folded(column.name))
        told = [
            folded(text) in words()["state"] or folded(text) in words()["yes_no"] for text in column.counts
        ]
        if component and told and 2 * sum(told) >= len(told) and column.role != "component":
            column.role, column.score = f"finding: {component}", _EXACT
        if column.role == "family" and self._looks_like_kinds(column):
            column.role = "kind"
        numbered = [re.fullmatch(r"([A-Za-z#]{0,4}[-/ ]?)0*(\d+)", text_of(cell)) for cell in column.cells]
        counted = [(match[1], int(match[2])) for match in numbered if match]
        if column.role == "family" and len(counted) >= 0.8 * len(column.cells) and counted == sorted(counted):
            column.role = "job"
        ended = [folded(text) in words()["outcome"] for text in column.counts]
        if column.role == "" and column.kind == "text" and 0.4 * len(ended) <= sum(ended) > 1:
            column.role = "outcome"
        if not column.cells and column.role in ("", "?"):
            column.role, column.why = LEAVE_OUT, "nothing stands in it"

    def _is_parts(self) -> bool:
        """Tell whether a job has one row for each part: it names one, and most jobs go on over several rows."""
        if "component" not in self.by_role:
            return False
        anchors = [self.by_role[role] for role in ("job", "family", "model") if role in self.by_role]
        if not anchors:
            return False
        told = [text_of(row.cells.get(anchors[0].name)) for row in self.rows]
        again = sum(not text or text in told[:at] for at, text in enumerate(told))
        return again >= 0.1 * len(told)

    def _first_rows(self) -> list[SheetRow]:
        """Give one row for each job."""
        if not self.is_parts:
            return self.rows
        anchor = next(self.by_role[role].name for role in ("job", "family", "model") if role in self.by_role)
        found: dict[str, SheetRow] = {}
        for row in self.rows:
            if text := text_of(row.cells.get(anchor)):
                found.setdefault(text, row)
        return list(found.values())

    # The text of the plan.

    def text(self) -> str:
        """Write the plan."""
        name = self.path.name
        self._say(f"How {name} is read: a proposal. Look it over, mend what is wrong, then try",
                  f"  benchodds import {name} --plan THIS_FILE --dry-run",
                  'Where a line says QUESTION, fill what stands between the quotation marks below it; "" is open.',
                  "A column is one of: " + ", ".join(ROLES[:14]) + ",",
                  "  " + ", ".join(ROLES[14:]) + ", finding: COMPONENT, sign: SIGN.")  # fmt: skip
        self._file()
        self._sheet_lines()
        for column in self.columns.values():
            self._column_lines(column)
        self._instead()
        self._fault_lines()
        self._family_lines()
        return "\n".join(self.out) + "\n"

    def _say(self, *lines: str) -> None:
        self.out += [f"# {line}".rstrip() for line in lines]

    def _ask(self, question: str, key: str) -> None:
        self._say(f"QUESTION: {question}")
        self.out.append(f'{key} = ""')

    def _line(self, key: str, value: object, comment: str = "") -> None:
        self.out.append(f"{key} = {_toml(value)}" + (f"  # {comment}" if comment else ""))

    def _file(self) -> None:
        self.out.append("")
        if self.path.suffix.lower() not in (".xlsx", ".xlsm", ".xls", ".xlsb", ".ods"):
            self._csv_lines()
        if self.is_parts:
            self._line("rows", "parts", 'a job has one row for each part; "jobs": one row for each job')
        else:
            self._line("rows", "jobs", 'one row for each job; "parts": a job has one row for each part')
        self._line("faulty_rows", "refuse", f'a row that cannot be read: nothing is imported; "{LEAVE_OUT}": it '
                   "is told and left out")  # fmt: skip
        self._same_again()
        if "job" not in self.by_role:
            several = sum(isinstance(header, list) for header in self.sheets.values()) > 1
            self._line("numbering", f"{SHEET}-" if several else "S-",
                       "there is no column of job numbers: they are counted in the order of the rows; what stands "
                       "before each")  # fmt: skip
        self._currency()
        for key, marks, what in (
            ("unknown", self.unknown, "nothing is known"),
            ("ditto", self.ditto, "as above"),
        ):
            seen = self._marks_seen(marks)
            self._line(key, list(seen), f"cells that say: {what}" + (f" ({_counted(seen)})" if seen else ""))

    def _same_again(self) -> None:
        again = [] if self.is_parts else again_rows(self.rows)
        if again and "job" in self.by_role:
            self._line("same_again", LEAVE_OUT, f"{_rows(len(again))} say the same as another in every cell, its "
                       "number too: written twice")  # fmt: skip
        elif again:
            told = ", ".join(f"{row.number} and {first.number}" for row, first in again[:12])
            self._ask(f"{_rows(len(again))} say the same as another in every cell (rows {told}). {LEAVE_OUT}: "
                      "written twice; keep: another unit each", "same_again")  # fmt: skip

    def _csv_lines(self) -> None:
        forms = csv_forms(self.path)
        form, samples = forms[0]
        self._line("separator", SEPARATORS[form.separator])
        if not form.quotes:
            self._line("quotes", False, "quotation marks are signs like any other here")
        if len(forms) > 1:
            told = "; ".join(f"{other.encoding}: {', '.join(read[:6])}" for other, read in forms)
            self._ask(f"the file is no UTF-8. Which of these reads its words rightly? {told}", "encoding")
        else:
            self._line("encoding", form.encoding, "it reads: " + ", ".join(samples[:6]) if samples else "")

    def _currency(self) -> None:
        signs: Counter[str] = Counter()
        for column in self.columns.values():
            if column.role in MONEY or (column.kind == "number" and column.role == "?"):
                for cell in [column.name, *column.cells]:
                    signs.update(currency_signs(cell))
        if set(signs) == {"EUR"} or set(signs) == {"GBP"} or (len(signs) == 1 and "?" not in signs):
            self._line("currency", next(iter(signs)), "by the signs beside amounts")
        elif signs:
            self._ask(f"which currency are the amounts in? Signs of several: {_counted(signs)}. One code such as "
                      "EUR", "currency")  # fmt: skip
        else:
            self._say("No amount bears a sign of a currency: they are taken to be in that of the ledger.")

    def _marks_seen(self, marks: set[str]) -> Counter[str]:
        seen: Counter[str] = Counter()
        for grid in self.grids:
            if isinstance(header := self.sheets[grid.name], list):
                seen.update(text_of(cell) for number, cells in grid.rows if number > max(header)
                            for cell in cells if cell is not None and key_of(text_of(cell)) in marks)  # fmt: skip
        return seen

    def _sheet_lines(self) -> None:
        self.out += [
            "",
            "[sheets]  # the rows of the header; leave_out = [17, 40] passes over rows by their numbers",
        ]
        for grid in self.grids:
            header = self.sheets[grid.name]
            told = [f"{count} {why}" for (sheet, why), count in self.passed.items() if sheet == grid.name]
            if header == "":
                self._ask(f'sheet {grid.name!r} is hidden. Is it to be read? "{LEAVE_OUT}", or '
                          f"{{ header = {_find_header(grid)} }} without quotation marks", _key(grid.name))  # fmt: skip
            elif header == LEAVE_OUT:
                seen = [text_of(cell) for _, cells in grid.rows[:8] for cell in cells if cell is not None]
                self._line(
                    _key(grid.name), LEAVE_OUT, "it begins: " + " | ".join(seen[:8])[:90].replace("\n", " ")
                )
            else:
                count = sum(row.sheet == grid.name for row in self.rows)
                passed = "; passed over: " + ", ".join(told) if told else ""
                self.out.append(f"{_key(grid.name)} = {{ header = {header} }}  # {count} rows{passed}")

    # One column.

    def _column_lines(self, column: _Column) -> None:
        seen = column.counts
        few = ", ".join(f"{_short(text)} {count}" for text, count in seen.most_common(6))
        self.out += ["", f"[columns.{_key(column.name)}]"]
        self._say(f"{len(column.cells)} filled, {column.n_empty} not" + (f": {few}" if few else "")
                  + (" ..." if len(seen) > 6 else ""))  # fmt: skip
        if column.role in ("", "?"):
            self._unknown_column(column)
        else:
            self._line("is", column.role, column.why)
        writers: dict[str, Callable[[_Column], None]] = {
            **dict.fromkeys(DATES, self._dates), **dict.fromkeys(MONEY, self._amounts), "hours": self._amounts,
            "built": self._years, "outcome": self._choices, "ended_why": self._choices, "kind": self._kinds,
            "component": self._components, "found": self._states, "action": self._states, "job": self._numbers,
        }  # fmt: skip
        role = column.role.partition(":")[0]
        if role in writers:
            writers[role](column)
        elif role == "finding":
            self._states(column)
        elif column.role in ("", "?") and column.kind == "date":
            self._dates(column)
        elif column.role in ("", "?") and column.kind == "number":
            self._amounts(column)

    def _unknown_column(self, column: _Column) -> None:
        if column.kind == "date":
            free = [role for role in DATES if not any(other.role == role and other.sheets & column.sheets
                                                      for other in self.columns.values())]  # fmt: skip
            self._ask(f"which date is this: {', '.join(free)}, or {LEAVE_OUT}?", "is")
        else:
            why = f" ({column.why})" if column.why else ""
            self._ask(f"what is this column{why}? One of the words at the top, or {LEAVE_OUT}", "is")

    def _dates(self, column: _Column) -> None:
        years = {row.year for row in self.rows}
        read = [(cell, date_readings(cell, self._year)) for cell in column.cells]
        open_ones = [(cell, found) for cell, found in read if len(set(found.values())) > 1]
        fits = Counter(order for _, found in read for order in found if order)
        n_open = sum(any(found) for _, found in read if found and "" not in found)
        every = [order for order in ORDERS if n_open and fits[order] == n_open]
        if len(every) == 1:
            self._line("dates", every[0], f"only this fits all {n_open} that could be read in several ways")
        elif open_ones:
            told = ", ".join(dict.fromkeys(text_of(cell) for cell, _ in open_ones[:5]))
            only = [f"{sum(set(found) == {order} for _, found in read)} are only {order}" for order in ORDERS
                    if any(set(found) == {order} for _, found in read)]  # fmt: skip
            listed = f"; {', '.join(only)}" if only else ""
            self._ask(f"in which order are dates such as {told} ({len(open_ones)})? {', or '.join(ORDERS)}{listed}",
                      "dates")  # fmt: skip
            if len(only) > 1:
                self._say("Where some rows differ, say which: dates_where = { \"rows 31 to 52\" = \"month day year\" }, "
                          'or { "COLUMN = WORD" = "month day year" }')  # fmt: skip
        elif fits:
            self._line("dates", [order for order in ORDERS if fits[order]], "each of them fits only one")
        self._swapped(column, read)
        if any(not date_readings(cell) for cell, found in read if found) and None in years:
            self._say("Some dates have no year, and not every sheet is named after one.")
        self._values(column, [cell for cell, found in read if not found],
                     "no date that can be read; write one such as 2026-05-17, or unknown")  # fmt: skip

    def _swapped(self, column: _Column, read: Sequence[tuple[Cell, Mapping[str, str]]]) -> None:
        real = [cell for cell, _ in read if not isinstance(cell, str | int | float)]
        texts = [found for cell, found in read if isinstance(cell, str) and set(found) == {"day month year"}]
        if len(real) >= 5 and texts and all(cell.day <= 12 for cell in real):  # type: ignore[union-attr]
            self._say(f"Beware: {len(real)} cells are real dates, and none of them has a day above 12, while "
                      f"{len(texts)} are texts with one:",
                      "the program that made the sheet may have taken day for month in the real ones.")  # fmt: skip

    def _amounts(self, column: _Column) -> None:
        marks: Counter[str] = Counter()
        unclear = [cell for cell in column.cells if len(decimal_marks(cell)) == 2]
        for cell in column.cells:
            if len(found := decimal_marks(cell)) == 1:
                marks.update(found)
        names = {",": "comma", ".": "point"}
        if len(marks) == 1:
            self._line("decimal", names[next(iter(marks))], f"{marks.total()} show it")
        elif unclear:
            told = ", ".join(dict.fromkeys(text_of(cell) for cell in unclear[:5]))
            self._ask(f"is the decimal mark a comma or a point, in {told} ({len(unclear)})? comma, or point",
                      "decimal")  # fmt: skip
        mark = next(iter(marks)) if len(marks) == 1 else "," if unclear else None
        if column.role == "hours":
            self._unit(column)
        self._merged(column)
        if self.is_parts and column.role in ("hours", *MONEY[:4]):
            self._several(column)

        def read(cell: Cell) -> object:
            return read_hours(cell, mark, "hours") if column.role == "hours" else read_number(cell, mark)

        free = {text: count for text, count in column.counts.items() if folded(text) in words()["amount"]}
        what = "span of time" if column.role == "hours" else "number"
        if free and column.role != "hours":
            self._value_table(column)
            for text, count in free.items():
                self._line(_key(text), "0", _rows(count))
        self._values(column, [cell for cell in column.cells if _fails(read, cell) and text_of(cell) not in free],
                     f"no {what} that can be read; write one such as 12.50, or unknown", bool(free))  # fmt: skip

    def _unit(self, column: _Column) -> None:
        bare = [cell for cell in column.cells if _fails(lambda each: read_hours(each, ",", None), cell)
                and not _fails(lambda each: read_hours(each, None, "hours"), cell)]  # fmt: skip
        name = column.name.casefold()
        if _MINUTES.search(name) or _HOURS.search(name):
            self._line("unit", "minutes" if _MINUTES.search(name) else "hours", "by the header")
        elif bare:
            told = ", ".join(dict.fromkeys(text_of(cell) for cell in bare[:5]))
            self._ask(f"are numbers such as {told} ({len(bare)}) hours or minutes?", "unit")

    def _merged(self, column: _Column) -> None:
        shared = {(row.sheet, row.merged[column.name]) for row in self.rows if column.name in row.merged}
        if shared:
            rows = ", ".join(f"rows {top} to {top + height - 1}" for _, (top, height) in sorted(shared)[:5])
            self._ask(f"one amount stands for several rows ({len(shared)} times, such as {rows}). share: divide it "
                      "equally; each: it counts for each of them", "merged")  # fmt: skip

    def _several(self, column: _Column) -> None:
        anchor = next(
            (self.by_role[role] for role in ("job", "family", "model") if role in self.by_role), None
        )
        last, told = "", defaultdict(list)
        for row in self.rows:
            last = text_of(row.cells.get(anchor.name) if anchor else None) or last
            if (cell := row.cells.get(column.name)) is not None and column.name not in row.merged:
                told[last].append(text_of(cell))
        if differing := [(job, found) for job, found in told.items() if len(set(found)) > 1]:
            job, found = differing[0]
            self._ask(f"{len(differing)} jobs have several different amounts here ({job}: {', '.join(found[:4])}). "
                      "sum: add them up; first: take the first", "several")  # fmt: skip

    def _years(self, column: _Column) -> None:
        rough = [cell for cell in column.cells
                 if _fails(lambda each: read_built(each, None), cell) and not _fails(lambda each: read_built(each, 2), cell)]  # fmt: skip
        if rough:
            told = ", ".join(dict.fromkeys(text_of(cell) for cell in rough[:4]))
            self._line("about", 2, f"years to both sides of a rough one ({told}: {len(rough)})")
        self._values(column, [cell for cell in column.cells if _fails(lambda each: read_built(each, 2), cell)],
                     "no year of production that can be read; write one, or 1976-1979, or unknown")  # fmt: skip

    def _numbers(self, column: _Column) -> None:
        sheets = defaultdict(set)
        for row in self.rows:
            if text := text_of(row.cells.get(column.name)):
                sheets[row.sheet].add(text)
        told = [numbers for numbers in sheets.values()]
        again = sum(len(a & b) for at, a in enumerate(told) for b in told[:at])
        if again:
            self._line(
                "prefix",
                f"{SHEET}-",
                f"{again} numbers stand in several sheets: each begins with its sheet's",
            )

    def _values(self, column: _Column, cells: Sequence[Cell], question: str, has_table: bool = False) -> None:
        """Ask about every different cell that cannot be read."""
        counts = Counter(" ".join(text_of(cell).split()) for cell in cells)
        if counts:
            if not has_table:
                self._value_table(column)
            self._say(f"QUESTION: {question}")
            for text, count in counts.most_common(_MOST_LISTED):
                self._line(_key(text), "", _rows(count))
            if len(counts) > _MOST_LISTED:
                self._say(f"... and {len(counts) - _MOST_LISTED} more; those rows cannot be read")

    def _value_table(self, column: _Column) -> None:
        self.out.append(f"[columns.{_key(column.name)}.values]")

    def _meanings(self, column: _Column, meaning: Callable[[str], str | None], question: str) -> None:
        """Write what every different word means; ask where that is not known."""
        counts: Counter[str] = Counter()
        shown: dict[str, str] = {}
        for text, count in column.counts.items():
            counts[key_of(text)] += count
            shown.setdefault(key_of(text), text)
        told = {text: meaning(text) for text in counts}
        self._value_table(column)
        for text, count in counts.most_common():
            if told[text] is not None and told[text] != shown[text]:
                self._line(_key(shown[text]), told[text], _rows(count))
        unclear = [(text, count) for text, count in counts.most_common() if told[text] is None]
        if unclear:
            self._say(f"QUESTION: {question}")
            for text, count in unclear:
                self._line(_key(shown[text]), "", _rows(count))

    def _empty(self, column: _Column, answers: str) -> None:
        empty = [row for row in self._first_rows() if row.sheet in column.sheets
                 and key_of(text_of(row.cells.get(column.name))) in (*self.unknown, "")]  # fmt: skip
        if empty:
            self._ask(f"{_rows(len(empty))} say nothing here. {answers}", "empty")

    def _choices(self, column: _Column) -> None:
        allowed = OUTCOMES if column.role == "outcome" else ENDED_WHY
        is_yes_no = column.role == "outcome" and all(
            folded(text) in words()["yes_no"] or text in ("✓", "✔", "✗") for text in column.counts)  # fmt: skip

        asks = re.search(r"work|fixed|repair|repariert|ok|gerepareerd|repare", folded(column.name))

        def meaning(text: str) -> str | None:
            if found := words()[column.role].get(folded(text)):
                return str(found)
            clauses = [folded(part) for part in re.split(r"[,;(+&/]|\s-+>?\s|->|\band\b|\bund\b|!", text)]
            hits = {words()[column.role].get(clause) for clause in clauses} - {None}
            if column.role == "outcome" and (is_yes_no or asks):
                hits |= {
                    "repaired"
                    for clause in clauses
                    if words()["yes_no"].get(clause, clause) in ("yes", "✓", "✔")
                }
            return hits.pop() if len(hits) == 1 else None

        if column.role == "outcome":
            self._empty(column, f"What are they: {', '.join(OUTCOMES)}, or {LEAVE_OUT}?")
        self._meanings(column, meaning, f"which of {', '.join(allowed)} is it? Or {UNKNOWN}, or {LEAVE_OUT} (the "
                       "row)")  # fmt: skip

    def _kinds(self, column: _Column) -> None:
        self._meanings(column, _kind_in, f"what kind is it? {', '.join(list(USUAL_COMPONENTS)[:-1])}, or a word of "
                       "your own")  # fmt: skip

    def _components(self, column: _Column) -> None:
        self._meanings(
            column, lambda text: _component_of(text) or _component_of(text.split()[-1]) or text, ""
        )
        self._say("Other words here are taken as names of components.")

    def _states(self, column: _Column) -> None:
        def meaning(text: str) -> str | None:
            found = [
                state for clause in fault_clauses(text) for state in [words()["state"].get(folded(clause))]
            ]
            told = ", ".join(dict.fromkeys(state for state in found if state))
            return told if None not in found and _state(told) else None

        self._meanings(column, meaning, f"found ({', '.join(FOUND)}), or done ({', '.join(ACTIONS)}), or both, such "
                       f"as 'failed, replaced'; or {UNKNOWN}")  # fmt: skip

    # What no cell says.

    def _instead(self) -> None:
        self.out += [
            "",
            "[where_empty]  # which dates stand for one that is not there, the first that is filled",
        ]
        dated = [
            column for column in self.columns.values() if column.kind == "date" and column.role != LEAVE_OUT
        ]
        unclear = [column.name for column in dated if column.role in ("", "?")]
        answers = f'One of {", ".join(DATES)}, a list such as ["sold_on", "taken_in"], or {UNKNOWN}'
        for role in ("taken_in", "closed"):
            without = [row for row in self._first_rows() if not any(
                column.role == role and column.name in row.cells
                and key_of(text_of(row.cells[column.name])) not in self.unknown for column in dated)]  # fmt: skip
            if dated and without:
                count = f"{len(without)} of {_jobs(len(self._first_rows()))}"
                if role == "closed":
                    count += " (open ones need none)"
                told = f" beside {', '.join(map(repr, unclear))}" if unclear else ""
                self._ask(
                    f"{count} have no date that is {role}{told}. What is to be taken for it? {answers}", role
                )
        self.out += ["", "[for_all]  # what holds for every row where nothing else is said"]
        if not dated:
            self._ask(
                "no column is a date. When were the units taken in? A month such as 2025-06", "taken_in"
            )
            self._ask("And when were they done?", "closed")
        if "outcome" not in self.by_role:
            self._ask(f"no column tells how jobs ended. One of {', '.join(OUTCOMES)} for all, or without quotation "
                      'marks { sold_for = "repaired", otherwise = "open" }', "outcome")  # fmt: skip

    def _fault_lines(self) -> None:
        columns = [column for column in self.columns.values() if column.role == "faults"]
        if "component" in self.by_role or any(c.role.startswith("finding") for c in self.columns.values()):
            self.out += ["", "[faults]"]
            if "found" in self.by_role or not self.is_parts:
                self._line("named_alone", "failed", "a part of which no state is told; or worn")
            else:
                self._ask("no column tells the state of a part. What is one that is named: failed, or worn?",
                          "named_alone")  # fmt: skip
        elif columns:
            self.out += ["", "[faults]  # how parts are found in " + ", ".join(repr(c.name) for c in columns)]
            self._line("named_alone", "failed", "a part that is named without a word for its state; or worn")
        if columns:
            self._word_lists(columns)

    def _word_lists(self, columns: Sequence[_Column]) -> None:
        texts = [text_of(cell) for column in columns for cell in column.cells]
        rows = [set(folded(text).split()) for text in texts]
        phrases = Counter(phrase for text in texts for phrase in _phrases(text))
        parts = {phrase: component for phrase in phrases if (component := _component_of(phrase))}
        states = {phrase: words()["state"][phrase] for phrase in phrases if phrase in words()["state"]}
        told = [findings_in(text, parts, states, "failed") for text in texts]
        silent = Counter(" ".join(text.split()) for text, (found, unclear) in zip(texts, told, strict=True)
                         if not found and not unclear)  # fmt: skip
        if silent:
            listed = ", ".join(f"{_short(text)} {count}" for text, count in silent.most_common(40))
            self._ask(f"{silent.total()} texts name no part of the list below: {listed}. They give no finding and "
                      "are kept in remarks; add words below if that loses something, then write remarks here",
                      "other_texts")  # fmt: skip
        used = {word for phrase in (*parts, *states) for word in phrase.split()}
        rest = Counter(
            word for row in rows for word in row if word not in used and len(word) > 2 and not word.isdigit()
        )
        self.out += ["", "[faults.parts]"]
        for phrase, component in sorted(parts.items()):
            self._line(_key(phrase), component, _rows(phrases[phrase]))
        if rest:
            self._say(
                "Words that stand for nothing: "
                + ", ".join(f"{w} {n}" for w, n in rest.most_common(30) if n > 1)
            )
        self.out += [
            "",
            '[faults.states]  # found, or done, or both such as "failed, replaced"; unclear: no finding',
        ]
        for phrase, state in sorted(states.items()):
            self._line(_key(phrase), state, _rows(phrases[phrase]))

    # Families.

    def _family_lines(self) -> None:
        told: dict[str, Counter[str]] = defaultdict(Counter)
        kinds: dict[str, Counter[str]] = defaultdict(Counter)
        makers: dict[str, Counter[str]] = defaultdict(Counter)
        spelling = self._spellings()
        for row in self._unit_rows():
            text = unit_name(row)
            key = _unit_key(text)
            if not key:
                continue
            told[key][text] += 1
            if kind := row.get("kind") or _kind_in(text, inside=True):
                kinds[key][kind] += 1
            if row.get("maker") and (maker := spelling.get(maker_key(row["maker"]) or "")):
                makers[key][maker] += 1
        known = {_unit_key(name): name for name in self.known}
        self.out += [
            "",
            "[families]  # names that are one family; new ones are made with their kind and maker",
        ]
        if any(not kinds[key] and key not in known for key in told):
            self._say(
                'Where a kind is asked for, one kind for all may stand under [for_all] instead: kind = "radio"'
            )
        names: list[str] = []
        for key, spelled in sorted(told.items(), key=lambda item: (-item[1].total(), item[0])):
            name = known.get(key) or self._family_name(spelled, makers[key])
            self._one_family(name, spelled, kinds[key], makers[key], names, key in known)
            names.append(name)

    def _family_name(self, spelled: Counter[str], makers: Counter[str]) -> str:
        best = min(spelled, key=lambda text: (-spelled[text], text.isupper() or text.islower(), text))
        maker = next(iter(makers), "")
        words_of = best.split()
        size = len(maker.split())
        # The spelling of the maker is the same in all its families.
        if maker and maker_key(" ".join(words_of[:size])) == maker_key(maker):
            return " ".join([maker, *words_of[size:]])
        return best

    def _one_family(self, name: str, spelled: Counter[str], kinds: Counter[str], makers: Counter[str],
                    before: Sequence[str], is_known: bool) -> None:  # fmt: skip
        also = [text for text in spelled if text != name]
        entry = []
        told = sum(kinds.values()) == spelled.total() and "kind" in self.by_role
        if len(kinds) == 1 and not is_known and not told:
            entry.append(f"kind = {_toml(next(iter(kinds)))}")
        elif not is_known and len(kinds) != 1:
            why = f"several kinds: {_counted(kinds)}" if kinds else "nothing tells its kind"
            self._say(f"QUESTION: {why}")
            entry.append('kind = ""')
        if makers and not is_known:
            entry.append(f"maker = {_toml(makers.most_common(1)[0][0])}")
        if also:
            entry.append(f"also = {_toml(also)}")
        near = [other for other in get_close_matches(name, before, n=1, cutoff=0.9)
                if re.findall(r"\d+", other) == re.findall(r"\d+", name)]  # fmt: skip
        near += [other for other in before if _unit_key(name).endswith(_unit_key(other))]
        hint = f"; is it {near[0]!r}? Then put it into that one's `also`" if near else ""
        ledger = ", in the ledger already" if is_known else ""
        self.out.append(f"{_key(name)} = {{ {', '.join(entry)} }}  # {_rows(spelled.total())}{ledger}{hint}")

    def _unit_rows(self) -> Iterable[dict[str, str]]:
        """Give what each job tells of its unit, its kind in our words."""
        for row in self.rows:
            told = {}
            for role in UNIT:
                cells = [
                    row.cells.get(column.name) for column in self.columns.values() if column.role == role
                ]
                text = next((text_of(cell) for cell in cells if cell is not None), "")
                if text and key_of(text) not in self.unknown:
                    told[role] = (_kind_in(text) or text) if role == "kind" else text
            yield told

    def _spellings(self) -> dict[str, str]:
        counts: dict[str, Counter[str]] = defaultdict(Counter)
        if "maker" in self.by_role:
            for text, count in self.by_role["maker"].counts.items():
                if key := maker_key(text):
                    counts[key][text] += count
        return {key: min(found, key=lambda text: (-found[text], text.isupper() or text.islower(), text))
                for key, found in counts.items()}  # fmt: skip


# Helpers.


def _find_header(grid: Grid) -> list[int]:
    """Find the rows of a sheet's header; none if no row looks like one."""
    best, rows = (0.0, 0), {}
    for at, (number, cells) in enumerate(grid.rows[:60]):
        told = [cell for cell in cells if cell is not None]
        rows[number] = told
        texts = [str(cell) for cell in told if isinstance(cell, str) and len(str(cell)) <= 40]
        if len(told) < 3 or len(texts) < len(told) or len(set(texts)) < 0.6 * len(texts):
            continue
        hits = sum(max(_role_of(text, kind)[1] for kind in ("date", "number", "text")) > 0 for text in texts)
        if hits >= 2 or (hits == 1 and at < 5):
            best = max(best, (hits / len(texts) * 2 + hits, number), key=lambda pair: (pair[0], -pair[1]))
    number = best[1]
    if not number:
        return []
    header = [number]
    above = rows.get(number - 1, [])
    if (
        len(above) >= 2
        and all(isinstance(cell, str) and len(cell) <= 40 for cell in above)
        and not is_header(above)
    ):
        header.insert(0, number - 1)
    below = next((cells for each, cells in grid.rows if each == number + 1), [])
    filled = [cell for cell in below if cell is not None]
    if len(filled) >= 2 and sum(_is_unit(cell) for cell in filled) >= 0.6 * len(filled):
        header.append(number + 1)
    return header


def _is_unit(cell: Cell) -> bool:
    """Tell whether a cell below a header only says in what the column is written."""
    text = text_of(cell).strip()
    bare = folded(text)
    return bool(re.fullmatch(r"[(\[].*[)\]]", text)) or text in ("€", "£", "$") or bare in (
        "eur", "gbp", "usd", "h", "hrs", "hours", "std", "min", "minutes", "dd mm yyyy", "tt mm jjjj", "dd mm yy",
        "text", "date", "yyyy", "nr", "y n", "yes no", "ja nein")  # fmt: skip


def _role_of(header: str, kind: str) -> tuple[str, float]:
    """Find what a header names in a column of a kind of cell; nothing, or "?", where it does not tell."""
    text = folded(header)
    text = re.sub(r"(\w{2,}?)s?(datum|preis|prijs|kosten|nummer)\b", r"\1 \2", text)
    groups = ("date", "number", "text")
    best = max(
        (_best_phrase(text, group) for group in (groups if kind == "empty" else (kind,))),
        key=lambda hit: hit[1],
    )
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
        if bare == text or (bare == phrase and re.search(rf"(?:^| ){re.escape(phrase)}(?:$| )", text)):
            score = len(bare) + _EXACT * (bare == text) + (0 if role == "?" else 20)
            found = max(found, (role, float(score)), key=lambda hit: hit[1])
    return found


def _kind_of(cells: Sequence[Cell], year: int | None) -> str:
    """Tell whether most cells are dates, numbers or texts."""
    if not cells:
        return "empty"
    dates = sum(bool(date_readings(cell)) for cell in cells if not isinstance(cell, int | float))
    numbers = sum(not all(_fails(read, cell) for read in (
        lambda each: read_hours(each, ",", "hours"), lambda each: read_number(each, None),
        lambda each: read_number(each, "."), lambda each: read_built(each, 2))) or
        folded(text_of(cell)) in words()["amount"] for cell in cells)  # fmt: skip
    if dates >= 0.6 * len(cells) and dates >= numbers:
        return "date"
    return "number" if numbers >= 0.6 * len(cells) else "text"


def _fails(read: Callable[[Cell], object], cell: Cell) -> bool:
    try:
        read(cell)
    except Refused:
        return True
    return False


def _kind_in(text: str, *, inside: bool = False) -> str | None:
    """Find our word for a kind; inside a longer text only a word that means nothing else."""
    known = words()["kind"]
    bare = folded(text)
    if bare in known:
        return str(known[bare])
    hits = {kind for phrase, kind in known.items() if len(phrase) > 3 and re.search(rf"\b{phrase}\b", bare)}
    if not hits and " " not in bare:
        hits = {kind for phrase, kind in known.items() if len(phrase) > 4 and bare.endswith(phrase)}
    return hits.pop() if len(hits) == 1 and (inside or len(bare.split()) <= 4) else None


def _component_of(phrase: str) -> str | None:
    """Find our word for a component: as it stands, in a compound, or with a slip of the pen."""
    known: dict[str, str] = words()["component"]
    bare = folded(phrase)
    if bare in known or bare in words()["state"]:
        return known.get(bare)
    if " " in bare or len(bare) < 5:
        return None
    inside = [word for word in known if len(word) >= 5 and " " not in word and bare.endswith(word)]
    near = inside or get_close_matches(bare, [word for word in known if len(word) >= 5], n=1, cutoff=0.85)
    return known[max(near, key=len)] if near else None


def _phrases(text: str) -> set[str]:
    """Give the words of a text, and up to three in a row."""
    found = set()
    for clause in fault_clauses(text):
        tokens = folded(clause).split()
        found |= {
            " ".join(tokens[at : at + size]) for size in (1, 2, 3) for at in range(len(tokens) - size + 1)
        }
    return found


def _toml(value: object) -> str:
    return json.dumps(value, ensure_ascii=False)


def _key(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _short(text: str) -> str:
    return _toml(text if len(text) <= 40 else text[:39] + "…")


def _rows(count: int) -> str:
    return "1 row" if count == 1 else f"{count} rows"


def _jobs(count: int) -> str:
    return "1 job" if count == 1 else f"{count} jobs"


def _counted(counts: Mapping[str, int]) -> str:
    return ", ".join(f"{text} {count}" for text, count in sorted(counts.items(), key=lambda pair: -pair[1]))
