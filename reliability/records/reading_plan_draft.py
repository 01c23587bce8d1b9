"""A reading plan proposed from a sheet: what its columns seem to be, a question for what cannot be told."""

import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cached_property
from pathlib import Path

from reliability.errors import InvalidInput, Refused, counted
from reliability.records import reading_plan, spreadsheets
from reliability.records.files import toml_text
from reliability.records.open_repair import commonest, maker_key, makers_of
from reliability.records.reading_plan import DATES, EVENTS, LEAVE_OUT, MONEY, ROLES, UNIT, UNKNOWN, unit_key
from reliability.records.spreadsheets import HEADING, ORDERS, SHEET, Cell, Sheet, SheetRow, key_of, text_of
from reliability.records.tables import ACTIONS, ENDED_WHY, FOUND, OUTCOMES, USUAL_COMPONENTS
from reliability.records.values import folded, words

#: Score of a header that is one of the known phrases as a whole.
_EXACT = 100
#: Above this share of its cells a column is what they are.
_MOST = 0.6
#: Roles that only one column of a sheet can have.
_SINGLE = frozenset(ROLES) - {"other_costs", "remarks", "faults", LEAVE_OUT}
_MINUTES = re.compile(r"\b(?:m|min|mins|minutes|minuten)\b")
_HOURS = re.compile(r"\b(?:h|hr|hrs|hours?|std|stunden?|uren|uur|heures)\b")


def draft_plan(path: str | Path, families: Mapping[str, str] | None = None) -> str:
    """Propose a reading plan for a sheet."""
    return _Draft(Path(path), families or {}).text()


@dataclass
class _Column:
    """A column of the table, its cells that say anything, and what has been made out of it."""

    name: str
    sheets: set[str]
    cells: list[Cell]
    n_empty: int = 0
    kind: str = "empty"
    role: str = ""
    why: str = ""
    score: float = 0.0

    @cached_property
    def counts(self) -> Counter[str]:
        return Counter(" ".join(text_of(cell).split()) for cell in self.cells)

    def share(self, test: Callable[[str], object]) -> float:
        """Tell how large a share of its different texts passes a test."""
        return sum(bool(test(text)) for text in self.counts) / max(len(self.counts), 1)

    def share_in(self, *groups: str) -> float:
        """Tell how large a share of its different texts are words of some groups."""
        return self.share(lambda text: any(folded(text) in words()[group] for group in groups))


class _Draft:
    """One plan under way."""

    def __init__(self, path: Path, families: Mapping[str, str]) -> None:
        self.path, self.known = path, families
        self.out: list[str] = []
        self.sheets = spreadsheets.read_sheets(path)
        self.headers = {sheet.name: _find_header(sheet) for sheet in self.sheets}
        self.names = {sheet.name: spreadsheets.header_names(sheet, self.headers[sheet.name])
                      for sheet in self.sheets}  # fmt: skip
        self.ditto = {key_of(mark) for mark in words()["ditto"]}
        self.unknown = {key_of(mark) for mark in words()["unknown"]} - self.ditto
        self._choose_sheets()
        self.rows: list[SheetRow] = []
        self.passed: dict[str, Counter[str]] = {}
        for sheet in self.read:
            rows, passed = spreadsheets.table_rows(sheet, self.headers[sheet.name], self.ditto)
            self.rows += rows
            self.passed[sheet.name] = Counter(why for _, why in passed)
        if not self.rows:
            raise InvalidInput(f"{path.name} has no row below a header of three columns or more. No plan was "
                               "written.")  # fmt: skip
        self.year = next((row.year for row in self.rows if row.year), None)
        self._find_columns()
        self._assign_roles()
        self.by_role: dict[str, _Column] = {}
        for column in self.columns:
            self.by_role.setdefault(column.role, column)
        self._group_jobs()

    # Which sheets, which columns, which rows are one job.

    def _choose_sheets(self) -> None:
        """Read the sheets whose columns, or numbers of units, are those of the largest one."""
        names = {of: {folded(name) for name in told if not name.startswith("column ")}
                 for of, told in self.names.items()}  # fmt: skip

        def size(sheet: Sheet) -> tuple[bool, int]:
            known = sum(bool(_role_of(head, "text")[0]) for head in names[sheet.name])
            return known >= 3, len(sheet.rows) * bool(names[sheet.name])

        main = max(self.sheets, key=size)
        self.joined_by = ""
        self.read = []
        for sheet in self.sheets:
            least = min(len(names[sheet.name]), len(names[main.name]))
            is_read = bool(least) and len(names[sheet.name] & names[main.name]) >= 0.5 * least
            if not is_read and (number := self._number_in_both(main, sheet)):
                self.joined_by, is_read = number, True
            self.read += [sheet] * is_read
        self.read = [sheet for sheet in self.read if not sheet.is_hidden]

    def _number_in_both(self, *both: Sheet) -> str:
        """Find the column that numbers the units of one sheet, and whose numbers the other one repeats."""
        told: list[dict[str, list[str]]] = []
        for sheet in both:
            header = self.headers[sheet.name]
            rows = spreadsheets.table_rows(sheet, header, ())[0] if header else []
            told.append({name: [row.text(name) for row in rows if name in row.cells]
                         for name in self.names[sheet.name]})  # fmt: skip
        for name, units in told[0].items():
            repeated = told[1].get(name, [])
            known = sum(number in set(units) for number in repeated)
            if len(set(units)) == len(units) >= 10 and len(repeated) >= 5 and known >= 0.8 * len(repeated):
                return name
        return ""

    def _find_columns(self) -> None:
        """Gather the cells of each column, and tell whether most of them are dates, numbers or texts."""
        sheets: dict[str, set[str]] = defaultdict(set)
        for sheet in self.read:
            for name in self.names[sheet.name]:
                sheets[name].add(sheet.name)
        used = {name for row in self.rows for name in row.cells}
        for row in self.rows:
            for name in row.cells:
                sheets[name].add(row.sheet)
        self.columns = []
        for name, of in sheets.items():
            if name in used or not name.startswith("column "):
                told = [row.cells.get(name) for row in self.rows if row.sheet in of]
                cells = [cell for cell in told if self._says(cell)]
                self.columns.append(_Column(name, of, cells, len(told) - len(cells), self._kind(name, cells)))

    def _kind(self, name: str, cells: Sequence[Cell]) -> str:
        if not cells:
            return "empty"
        # Below a header that says so "3.10." is a date, and 44289 is one, as the days that a workbook counts.
        is_dated = bool(_role_of(name, "date")[0])
        year = self.year if is_dated else None
        if is_dated and all(isinstance(cell, int) and 20_000 < cell < 60_000 for cell in cells):
            return "date"
        texts = [cell for cell in cells if not isinstance(cell, int | float)]
        dates = sum(bool(spreadsheets.date_readings(cell, year)) for cell in texts)
        numbers = sum(
            _means("amount", cell) is not None or bool(spreadsheets.number_readings(cell))
            or _reads(spreadsheets.read_hours, cell) or _reads(spreadsheets.read_built, cell)
            for cell in cells
        )  # fmt: skip
        if dates >= _MOST * len(cells) and (year or dates >= numbers):
            return "date"
        return "number" if numbers >= _MOST * len(cells) else "text"

    def _says(self, cell: Cell) -> bool:
        return cell is not None and key_of(cell) not in self.unknown

    def _assign_roles(self) -> None:
        """Let headers, then cells, then the other columns decide what each column is."""
        for column in self.columns:
            if column.name == self.joined_by:
                column.role, column.score = "job", 2 * _EXACT
            elif column.name in (SHEET, HEADING):
                column.role = "kind" if column.share(_kind_in) >= 0.5 else LEAVE_OUT
                is_year = column.share(re.compile(r"\d").search) >= 0.5
                if column.role == LEAVE_OUT and len(column.counts) > 1 and not (is_year or self.joined_by):
                    column.role, column.why = "?", "it tells several sheets, or headings, apart"
            else:
                column.role, column.score = _role_of(column.name, column.kind)
                _by_values(column)
        self._by_each_other()
        best: dict[str, list[_Column]] = defaultdict(list)
        for column in sorted(self.columns, key=lambda column: -column.score):
            others = [other for other in best[column.role] if other.sheets & column.sheets]
            if column.role in _SINGLE and others:
                column.why = f"it looks like {column.role}, but that is {others[0].name!r} already"
                column.role = "?"
            best[column.role].append(column)

    def _by_each_other(self) -> None:
        """Let roles depend on those of the other columns."""
        taken = {column.role for column in self.columns}
        for column in self.columns:
            is_kind = column.share(_kind_in) >= 0.5
            if column.role == "family" and "maker" in taken and is_kind:
                column.role = "model"  # "deck T-5": its maker stands beside it
        for kind, role in (("date", "date of event"), ("number", "amount of event")):
            unclear = [each for each in self.columns if each.kind == kind and each.role == "?"]
            if "event" in taken and len(unclear) == 1:
                unclear[0].role = role

    def _group_jobs(self) -> None:
        """Bring together the rows of each job: one, or those of its number, or of its parts."""
        anchors = [self.by_role[role].name for role in ("job", "family", "model") if role in self.by_role]
        told = [row.text(anchors[0]) if anchors else "" for row in self.rows]
        again = sum(not text or text in told[:at] for at, text in enumerate(told))
        self.is_events = "job" in self.by_role and ("event" in self.by_role or bool(self.joined_by))
        is_split = "component" in self.by_role and bool(anchors) and again >= 0.1 * len(told)
        self.is_parts = is_split and not self.is_events
        self.jobs: dict[object, list[SheetRow]] = {}
        for at, (row, text) in enumerate(zip(self.rows, told, strict=True)):
            key = (text or next(reversed(self.jobs), "")) if self.is_parts else text if self.is_events else at
            if key != "":
                self.jobs.setdefault(key, []).append(row)

    # The text of the plan.

    def text(self) -> str:
        """Write the plan."""
        name, cut = self.path.name, ROLES.index("salvage_value")
        self._say(f"How {name} is read: a proposal. Look it over, mend what is wrong, then try",
                  f"  benchodds import {name} --plan THIS_FILE --dry-run",
                  'Where a line says QUESTION, fill the quotation marks below it: "" is open.',
                  "A column is one of: " + ", ".join(ROLES[:cut]) + ",",
                  "  " + ", ".join(ROLES[cut:]) + ", finding: COMPONENT, sign: SIGN.", "")  # fmt: skip
        self._file_lines()
        self._row_lines()
        self._sheet_lines()
        for column in self.columns:
            self._column_lines(column)
        self._lines_for_silence()
        self._fault_lines()
        self._family_lines()
        return "\n".join(self.out) + "\n"

    def _say(self, *lines: str) -> None:
        self.out += [f"# {line}" if line else "" for line in lines]

    def _ask(self, key: str, question: str) -> None:
        self._say(f"QUESTION: {question}")
        self._line(key, "")

    def _line(self, key: str, value: object, comment: str = "") -> None:
        self.out.append(f"{key} = {toml_text(value)}" + (f"  # {comment}" if comment else ""))

    def _file_lines(self) -> None:
        if spreadsheets.is_workbook(self.path):
            return
        form, read = spreadsheets.csv_form(self.path)
        self._line("separator", spreadsheets.SEPARATORS[form.separator])
        if not form.quotes:
            self._line("quotes", False, "quotation marks are signs like any other here")
        others = f"; if not rightly: {', '.join(spreadsheets.ENCODINGS)}"
        self._line("encoding", form.encoding, f"it reads: {', '.join(read[:6])}{others}" if read else "")

    def _row_lines(self) -> None:
        meanings = {"jobs": "a job has one row", "parts": "a job has one row for each part",
                    "events": "a unit has rows for what happened, found by its number"}  # fmt: skip
        rows = "parts" if self.is_parts else "events" if self.is_events else "jobs"
        others = "; ".join(f'"{word}": {meaning}' for word, meaning in meanings.items() if word != rows)
        self._line("rows", rows, f"{meanings[rows]}; {others}")
        self._line("faulty_rows", "refuse", "nothing is imported if a row cannot be read; "
                   f'"{LEAVE_OUT}": such rows are told and left out')  # fmt: skip
        again = spreadsheets.again_rows(self.rows) if rows == "jobs" else []
        told = f"the same as another in every cell: {counted(len(again), 'row')}"
        if again and "job" in self.by_role:
            self._line("same_again", LEAVE_OUT, f"{told}, the number too: written twice")
        elif again:
            which = ", ".join(f"{row.number} and {first.number}" for row, first in again[:12])
            self._ask("same_again", f"{told} (rows {which}). {LEAVE_OUT}: written twice; keep: another unit")
        if "job" not in self.by_role:
            self._line("numbering", f"{SHEET}-" if len(self.read) > 1 else "S-",
                       "no column of job numbers: jobs are counted, with this before each")  # fmt: skip
        columns = [column for column in self.columns if column.role in (*MONEY, "amount of event", "?")]
        signs = Counter(sign for column in columns for cell in (column.name, *column.cells)
                        for sign in spreadsheets.currency_signs(cell))  # fmt: skip
        if not signs:
            self._say("No amount bears the sign of a currency: they are taken to be in that of the ledger.")
        elif len(signs) == 1 and "?" not in signs:
            self._line("currency", next(iter(signs)), "by the signs beside amounts")
        else:
            listed = _counted(signs).replace("?", "$ or kr")
            self._ask("currency", f"which currency are the amounts in? Signs: {listed}. A code such as EUR")
        for key, marks, what in (("unknown", self.unknown, "nothing is known"),
                                 ("ditto", self.ditto, "as above")):  # fmt: skip
            seen = Counter(text_of(cell) for sheet in self.read
                           for cells in sheet.rows[max(self.headers[sheet.name]) :] for cell in cells
                           if cell is not None and key_of(cell) in marks)  # fmt: skip
            self._line(key, list(seen), f"cells that say: {what}" + (f" ({_counted(seen)})" if seen else ""))

    def _sheet_lines(self) -> None:
        self._say("", "The rows of each header; leave_out = [17, 40] in the braces passes over rows.",
                  "Colours are not read: put what they say into a column of words.")  # fmt: skip
        self.out.append("[sheets]")
        for sheet in self.sheets:
            header, key = self.headers[sheet.name], toml_text(sheet.name)
            if sheet not in self.read:
                seen = [text_of(cell) for cells in sheet.rows[:8] for cell in cells if cell is not None]
                begins = f"{'hidden, ' * sheet.is_hidden}it begins: {' | '.join(seen[:8])}"
                self._line(key, LEAVE_OUT, begins[:100].replace("\n", " "))
            else:
                told = ", ".join(f"{count} {why}" for why, count in self.passed[sheet.name].items())
                count = counted(sum(row.sheet == sheet.name for row in self.rows), "row")
                passed = f"; passed over: {told}" if told else ""
                self.out.append(f"{key} = {{ header = {header} }}  # {count}{passed}")

    # One column.

    def _column_lines(self, column: _Column) -> None:
        seen = column.counts.most_common()
        few = ", ".join(f"{_short(text)} {count}" for text, count in seen[:6]) + " ..." * (len(seen) > 6)
        self.out += ["", f"[columns.{toml_text(column.name)}]"]
        self._say(f"{len(column.cells)} filled, {column.n_empty} not" + (f": {few}" if few else ""))
        role = column.role.partition(":")[0]
        if role in ("", "?"):
            beside = {other.role for other in self.columns if other.sheets & column.sheets}
            free = ", ".join(date for date in DATES if date not in beside)
            why = f" ({column.why})" if column.why else ""
            what = f"what is this column{why}? One of the words at the top"
            what = f"which date is this: {free}{why}" if column.kind == "date" else what
            self._ask("is", f"{what}, or {LEAVE_OUT}")
            role = {"date": "taken_in", "number": "bought_for"}.get(column.kind, "")
        else:
            self._line("is", column.role, column.why)
        if self.is_events and column.role in UNIT:
            self._line("several", "first", "what the first row of a unit says counts")
        if role in (*DATES, "date of event"):
            self._dates(column)
        elif role in (*MONEY, "hours", "amount of event"):
            self._amounts(column)
        elif role == "built":
            self._years(column)
        elif role == "job":
            self._numbers(column)
        elif role in _MEANINGS:
            self._meanings(column, *_MEANINGS[role])
        elif role in ("outcome", "ended_why"):
            self._choices(column)
        if role == "component":
            self._say("Any other word here is taken as the name of a component.")

    def _dates(self, column: _Column) -> None:
        """Propose or ask for the order in which dates are written."""
        read = [(cell, spreadsheets.date_readings(cell, self.year)) for cell in column.cells]
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
        """Propose or ask for the decimal mark, the unit of hours, and what several amounts of a job mean."""
        is_hours = column.role == "hours"
        marks = [(cell, spreadsheets.number_readings(cell)) for cell in column.cells]
        unclear = [cell for cell, found in marks if len(set(found.values())) > 1]
        shown = Counter(mark for _, found in marks if len(found) == 1 for mark in found)
        mark = next(iter(shown)) if len(shown) == 1 else None
        if mark:
            self._line("decimal", mark, f"{shown.total()} show it")
        elif unclear:
            question = f"is the decimal mark a comma or a point, in {_some(unclear)}? comma, or point"
            self._ask("decimal", question)
        sure = mark or ("comma" if unclear else None)
        if is_hours:
            bare = [cell for cell in column.cells if _reads(spreadsheets.read_hours, cell, mark=None)
                    and not _reads(spreadsheets.read_hours, cell, unit=None)]  # fmt: skip
            name = column.name.casefold()
            if _MINUTES.search(name) or _HOURS.search(name):
                self._line("unit", "minutes" if _MINUTES.search(name) else "hours", "by the header")
            elif bare:
                self._ask("unit", f"are numbers such as {_some(bare)} hours, or minutes?")
        shared = sorted({row.merged[column.name] for row in self.rows if column.name in row.merged})
        if shared and not self.is_parts:
            rows = ", ".join(f"{top} to {top + height - 1}" for top, height in shared[:5])
            self._ask("merged", f"one amount stands for several rows ({len(shared)} times, rows {rows}). "
                      "share: divide it equally; each: it counts for each")  # fmt: skip
        if self.is_parts and column.role != "part_cost":
            told = {job: [row.text(column.name) for row in rows
                          if column.name in row.cells and column.name not in row.merged]
                    for job, rows in self.jobs.items()}  # fmt: skip
            if differing := [(job, found) for job, found in told.items() if len(set(found)) > 1]:
                job, found = differing[0]
                told_of = f"{len(differing)} jobs have several amounts here ({job}: {', '.join(found[:4])})"
                self._ask("several", f"{told_of}. sum: add them up; first: only the first counts")
        elif self.is_events and column.role in ("hours", "other_costs"):
            self._line("several", "sum", "of all rows of a unit")
        read = spreadsheets.read_hours if is_hours else spreadsheets.read_number
        nothing = [text for text in column.counts if _means("amount", text) is not None and text != "0"]
        free = {} if is_hours else dict.fromkeys(nothing, "0")
        bad = [cell for cell in column.cells
               if text_of(cell) not in free and not _reads(read, cell, mark=sure)]  # fmt: skip
        what = "span of time" if is_hours else "number"
        self._values(column, bad, f"no {what} that can be read; write such as 12.50, or unknown", free)

    def _years(self, column: _Column) -> None:
        bad = [cell for cell in column.cells if not _reads(spreadsheets.read_built, cell)]
        rough = [cell for cell in column.cells if cell not in bad and spreadsheets.read_built(cell)[2]]
        if rough:
            self._line("about", 2, f"years to both sides of a rough one ({_some(rough)})")
        question = "no year of production that can be read; write one, or 1976-1979, or unknown"
        self._values(column, bad, question)

    def _numbers(self, column: _Column) -> None:
        if self.is_events:
            if without := sum(not self._says(row.cells.get(column.name)) for row in self.rows):
                self._say(f"{counted(without, 'row')} without a number: of no unit, and told as such")
            return
        places = {(row.sheet, row.text(column.name)) for row in self.rows}
        seen = Counter(number for _, number in places if number)
        if again := sum(count > 1 for count in seen.values()):
            told = f"{again} numbers stand in several sheets: each begins with its sheet's"
            self._line("prefix", f"{SHEET}-", told)

    def _choices(self, column: _Column) -> None:
        """Write which outcome, or which reason, words stand for."""
        listed, yes_no = words()[column.role], words()["yes_no"]
        asks = re.search(r"work|fix|repair|repar|ok|heile", folded(column.name))
        is_yes_no = column.role == "outcome" and (asks or column.share_in("yes_no") == 1)

        def meaning(text: str) -> str | None:
            if folded(text) in listed:
                return str(listed[folded(text)])
            clauses = [folded(part) for part in re.split(r"[,;(+&/!]|\s-+>?\s|->|\band\b|\bund\b", text)]
            hits = {listed[clause] for clause in clauses if clause in listed}
            hits |= {"repaired" for clause in clauses if is_yes_no and yes_no.get(clause) == "yes"}
            return hits.pop() if len(hits) == 1 else None

        empty = sum(rows[0].sheet in column.sheets and not self._says(rows[0].cells.get(column.name))
                    for rows in self.jobs.values())  # fmt: skip
        allowed = ", ".join(OUTCOMES if column.role == "outcome" else ENDED_WHY)
        if column.role == "outcome" and empty and not self.is_events:
            self._ask("empty", f"empty in {counted(empty, 'row')}. {allowed}, or {LEAVE_OUT}?")
        self._meanings(column, meaning, f"{allowed}? Or {UNKNOWN}, or {LEAVE_OUT} (the row)")

    def _meanings(self, column: _Column, meaning: Callable[[str], str | None], question: str) -> None:
        """Write what every different word means; ask where that is not known."""
        shown: dict[str, str] = {}
        for text in column.counts:
            shown.setdefault(key_of(text), text)
        told = {key: meaning(text) for key, text in shown.items()}
        known = {shown[key]: word for key, word in told.items() if word not in (None, shown[key])}
        self._values(column, (shown[key] for key in map(key_of, column.cells) if told[key] is None),
                     question, known)  # fmt: skip

    def _values(
        self, column: _Column, asked: Iterable[Cell], question: str, known: Mapping[str, str] | None = None
    ) -> None:
        """Write what words stand for, and ask about every different cell that cannot be read."""
        counts = Counter(" ".join(text_of(cell).split()) for cell in asked)
        if not counts and not known:
            return
        self.out.append(f"[columns.{toml_text(column.name)}.values]")
        for text, meaning in (known or {}).items():
            self._line(toml_text(text), meaning, counted(column.counts[text], "row"))
        if counts:
            self._say(f"QUESTION: {question}")
        for text, count in counts.most_common():
            self._line(toml_text(text), "", counted(count, "row"))

    # What no cell says, and what texts say.

    def _lines_for_silence(self) -> None:
        """Ask what is taken for dates and outcomes that no row of a job tells."""
        dated = [column for column in self.columns if column.kind == "date" and column.role != LEAVE_OUT]
        unclear = [repr(each.name) for each in dated if each.role not in (*DATES, "date of event")]
        beside = f" (apart from {', '.join(unclear)})" if unclear else ""
        comment = "which dates stand for one that is not there, the first that is filled"
        self.out += ["", f"[where_empty]  # {comment}"]
        for role, needs in (("taken_in", ""), ("closed", ", which open ones do not need")) if dated else ():
            if without := self._silent(role):
                told = f"{without} of {len(self.jobs)} jobs have no date that is {role}{beside}{needs}"
                self._ask(role, f"{told}. What is taken for it? {', '.join(DATES)}, a list such as "
                          f'["sold_on", "taken_in"], or {UNKNOWN}')  # fmt: skip
        self.out += ["", "[for_all]  # what holds for every row where nothing else is said"]
        if not dated:
            question = "no column is a date. When were the units taken in? A month such as 2025-06"
            self._ask("taken_in", question)
            self._ask("closed", "and when were they done?")
        silent = self._silent("outcome")
        if "outcome" not in self.by_role or (self.is_events and silent):
            what = f"nothing tells how {silent}" if self.is_events else "no column tells how"
            self._ask("outcome", f"{what} jobs ended. {', '.join(OUTCOMES)} for all; or, "
                      'without quotation marks, { sold_for = "repaired", otherwise = "open" }')  # fmt: skip

    def _silent(self, role: str) -> int:
        """Count the jobs of which no row fills a column of a role, or is an event that tells as much."""
        names = [column.name for column in self.columns if column.role == role]

        def tells(row: SheetRow) -> bool:
            word = _means("event", row.text(self.by_role["event"].name)) if "event" in self.by_role else ""
            dates, _, outcome = EVENTS.get(word or "", ((), "", ""))
            is_filled = any(self._says(row.cells.get(name)) for name in names)
            return is_filled or role in dates or bool(outcome and role in ("outcome", "closed"))

        return sum(not any(map(tells, rows)) for rows in self.jobs.values())

    def _fault_lines(self) -> None:
        """Write which words of texts about faults are parts, and which are states of parts."""
        columns = [column for column in self.columns if column.role == "faults"]
        is_listed = any(column.role.startswith("finding:") for column in self.columns)
        if not columns and not is_listed and "component" not in self.by_role:
            return
        self.out += ["", "[faults]"]
        if "component" in self.by_role and "found" not in self.by_role:
            question = "no column tells the state of a part. What is one that is named: failed, or worn?"
            self._ask("named_alone", question)
        else:
            self._line("named_alone", "failed", "a part that is named without a word for its state; or worn")
        if not columns:
            return
        texts = [text_of(cell) for column in columns for cell in column.cells]
        phrases: Counter[str] = Counter()
        for text in texts:  # the words of a text, and up to three in a row, each once and in their order
            clauses = [folded(clause).split() for clause in reading_plan.fault_clauses(text)]
            runs = (tokens[at : at + size] for tokens in clauses for size in (1, 2, 3)
                    for at in range(len(tokens) - size + 1))  # fmt: skip
            phrases.update(dict.fromkeys(map(" ".join, runs)).keys())
        parts = {phrase: name for phrase in phrases if (name := _component_of(phrase))}
        states = {phrase: words()["state"][phrase] for phrase in phrases if phrase in words()["state"]}
        silent = Counter(" ".join(text.split()) for text in texts
                         if reading_plan.findings_in(text, parts, states, "failed") == ([], 0))  # fmt: skip
        if silent:
            listed = ", ".join(f"{_short(text)} {count}" for text, count in silent.most_common(40))
            self._ask("other_texts", f"{silent.total()} texts name no part of the list below: {listed}. "
                      "They give no finding and are kept in remarks. Add words below where that loses "
                      "something, then write remarks")  # fmt: skip
        self.out += ["", "[faults.parts]"]
        for phrase, component in sorted(parts.items()):
            self._line(toml_text(phrase), component, counted(phrases[phrase], "row"))
        self.out += ["", "[faults.states]  # found, or done, or both (failed, replaced); unclear: no finding"]
        for phrase, state in sorted(states.items()):
            self._line(toml_text(phrase), state, counted(phrases[phrase], "row"))

    def _family_lines(self) -> None:
        """Write which names are one family, and the kind and the maker of those that are new."""
        rows = [of_one[0] for of_one in self.jobs.values()] if self.is_events else self.rows
        brands: Counter[str] = Counter()
        units: dict[str, list[dict[str, str]]] = defaultdict(list)
        for row in rows:
            unit = {column.role: row.text(column.name) for column in self.columns
                    if column.role in UNIT and self._says(row.cells.get(column.name))}  # fmt: skip
            if "kind" in unit:
                unit["kind"] = _kind_in(unit["kind"]) or unit["kind"]
            brands[unit.get("maker", "")] += 1
            if key := unit_key(reading_plan.unit_name(unit)):
                units[key].append(unit)
        kinds = {key: Counter(kind for unit in of
                              if (kind := unit.get("kind")
                                  or _kind_in(reading_plan.unit_name(unit), inside=True)))
                 for key, of in units.items()}  # fmt: skip
        makers, known = makers_of(brands), {unit_key(name): name for name in self.known}
        self.out += ["", "[families]  # names that are one family; a new one is made with its kind and maker"]
        if any(not kinds[key] for key in units.keys() - known.keys()):
            self._say('For a kind that is asked for, one kind for all may stand under [for_all]: '
                      'kind = "radio"')  # fmt: skip
        names: list[str] = []
        for key in sorted(units, key=lambda key: (-len(units[key]), key)):
            spelled = Counter(map(reading_plan.unit_name, units[key]))
            told_of = (unit.get("maker", "") for unit in units[key])
            made_by = Counter(makers[brand] for brand in told_of if brand in makers)
            name = known.get(key) or _with_maker(commonest(spelled), next(iter(made_by), ""))
            entry = [f"maker = {toml_text(commonest(made_by))}"] if made_by and key not in known else []
            if key not in known and len(kinds[key]) != 1:
                told = f"several kinds: {_counted(kinds[key])}" if kinds[key] else "nothing tells its kind"
                self._say(f"QUESTION: {told}")
                entry = ['kind = ""', *entry]
            elif key not in known and not all("kind" in unit for unit in units[key]):
                entry = [f"kind = {toml_text(next(iter(kinds[key])))}", *entry]
            if also := [text for text in spelled if text != name]:
                entry.append(f"also = {toml_text(also)}")
            near = [other for other in get_close_matches(name, names, n=1, cutoff=0.9)
                    if re.findall(r"\d+", other) == re.findall(r"\d+", name)]  # fmt: skip
            near += [other for other in names if unit_key(name).endswith(unit_key(other))]
            hint = f"; is it that one? Then {{ same_as = {toml_text(near[0])} }}" if near else ""
            count = counted(len(units[key]), "row") + ", in the ledger already" * (key in known)
            self.out.append(f"{toml_text(name)} = {{ {', '.join(entry)} }}  # {count}{hint}")
            names.append(name)


# What headers, cells and words tell.


def _by_values(column: _Column) -> None:
    """Let what stands in a column decide where its header does not."""
    tokens = folded(column.name).split()
    tails = (" ".join(tokens[at:]) for at in range(len(tokens)))  # of "Checked pinch roller" the end
    component = next(filter(None, map(words()["component"].get, tails)), None)
    is_event = {"bought", "sold"} <= {_means("event", text) for text in column.counts}
    if component and column.share_in("state", "yes_no") >= 0.5:
        column.role, column.score = f"finding: {component}", _EXACT
    if is_event:
        column.role, column.score = "event", _EXACT
    if column.role == "family":
        number = re.compile(r"([A-Za-z#]{0,4}[-/ ]?)0*(\d+)")
        numbered = [number.fullmatch(text_of(cell)) for cell in column.cells]
        counted = [(match[1], int(match[2])) for match in numbered if match]
        if len(counted) >= 0.8 * len(column.cells) and counted == sorted(counted):
            column.role = "job"
        elif column.share(_kind_in) >= 0.5 and column.share(re.compile(r"\d").search) < 0.5:
            column.role = "kind"
    if not column.role and len(column.counts) > 2 and column.share_in("outcome") >= 0.4:
        column.role = "outcome"
    elif not column.cells and column.role in ("", "?"):
        column.role, column.why = LEAVE_OUT, "nothing stands in it"


def _find_header(sheet: Sheet) -> list[int]:
    """Find the rows of a sheet's header, with groups above it; none if no row is one."""
    rows = [[], *([cell for cell in cells if cell is not None] for cells in sheet.rows)]
    best = (0.0, 0)
    for number, told in enumerate(rows[1:61], 1):
        texts = [cell for cell in told if isinstance(cell, str) and len(cell) <= 40]
        hits = sum(any(_role_of(text, kind)[0] for kind in ("date", "number", "text")) for text in texts)
        if len(texts) == len(told) >= 3 and hits >= 2:
            best = max(best, (hits + 2 * hits / len(texts), -number))
    number = -best[1]
    if not number:
        return []
    above = rows[number - 1]
    is_group = len(above) >= 2 and all(isinstance(cell, str) and len(cell) <= 40 for cell in above)
    return [*[number - 1] * (is_group and not spreadsheets.is_header(above)), number]


def _role_of(header: str, kind: str) -> tuple[str, float]:
    """Find what a header names in a column of a kind of cell; nothing, or "?", where it does not tell."""
    bare = folded(header.replace("#", " no "))
    text = re.sub(r"(\w{2,}?)s?(datum|preis|prijs|kosten|nummer)\b", r"\1 \2", bare)
    if re.search("[€£$]", header) and not _best_phrase(text, "number")[0]:
        text, kind = f"{text} cost", "number"
    groups = (kind,) if kind != "empty" else ("date", "number", "text")
    hits = (_best_phrase(header_text, group) for header_text in (bare, text) for group in groups)
    best = max(hits, key=lambda hit: hit[1])
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


def _reads(read: Callable[..., object], cell: Cell, **how: str | None) -> bool:
    try:
        read(cell, **how)
    except Refused:
        return False
    return True


def _means(group: str, cell: Cell) -> str | None:
    """Give the meaning of a word of one of our lists."""
    meaning: str | None = words()[group].get(folded(text_of(cell)))
    return meaning


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


def _event_in(text: str) -> str | None:
    known = (_means("event", text), _means("outcome", text))
    return next((word for word in known if word in EVENTS), None)


def _state_in(text: str) -> str | None:
    said = [_means("state", clause) for clause in reading_plan.fault_clauses(text)]
    told = ", ".join(dict.fromkeys(filter(None, said)))
    return told if None not in said and reading_plan.state_of(told) else None


_STATES = f"found ({', '.join(FOUND)}), done ({', '.join(ACTIONS)}), both (failed, replaced), {UNKNOWN}"
#: What finds the meaning of the words of a column, by its role, and the question about those without one.
_MEANINGS: dict[str, tuple[Callable[[str], str | None], str]] = {
    "kind": (_kind_in, f"{', '.join(list(USUAL_COMPONENTS)[:-1])}, or a word of your own"),
    "event": (_event_in, f"what happened then? {', '.join(EVENTS)}, or {LEAVE_OUT} (the row)"),
    "component": (lambda text: _component_of(text) or _component_of(text.split()[-1]) or text, ""),
    **dict.fromkeys(("found", "action", "finding"), (_state_in, _STATES)),
}


def _with_maker(name: str, maker: str) -> str:
    """Spell the maker in a name as in all others."""
    tokens, size = name.split(), len(maker.split())
    is_first = maker and maker_key(" ".join(tokens[:size])) == maker_key(maker)
    return " ".join([maker, *tokens[size:]]) if is_first else name


def _short(text: str) -> str:
    return toml_text(text if len(text) <= 40 else text[:39] + "…")


def _some(cells: Sequence[Cell]) -> str:
    """Show a few different cells, and how many there are."""
    return f"{', '.join(dict.fromkeys(map(text_of, cells[:5])))} ({counted(len(cells), 'row')})"


def _counted(counts: Counter[str]) -> str:
    return ", ".join(f"{text} {count}" for text, count in counts.most_common())
