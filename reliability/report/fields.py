"""Tables as fields of a form: a widget for each column, shown where the rules leave it to be asked."""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from time import sleep
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import ipywidgets as widgets

from reliability.errors import Fault, Refused, near_twin, nearest
from reliability.records.sheet import Names, read_window
from reliability.records.tables import (
    OUTCOMES,
    SETTINGS,
    USUAL_COMPONENTS,
    USUAL_SIGNS,
    Column,
    Table,
    may_be_filled,
)
from reliability.records.values import clean_text
from reliability.report.format import paragraph, text

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger

_Options = Iterable[tuple[str, str]]
"""What can be chosen: how it is called, and what it stands for."""


@dataclass(frozen=True)
class Known:
    """What the ledger knows, and fields offer."""

    names: Mapping[str, tuple[str, ...]]  # by column
    currency: str
    kinds: Mapping[str, str]  # of each family
    models: Mapping[str, str]  # the family of each
    jobs: Sequence[Mapping[str, Any]]
    lying: Sequence[Mapping[str, Any]]  # parts on the shelf

    @classmethod
    def of(cls, ledger: "Ledger") -> "Known":
        """Read it from a ledger."""
        known = Names(ledger)
        names: dict[str, Iterable[str]] = {
            "family": known.families, "kind": {*USUAL_COMPONENTS, *known.families.values()} - {"other"},
            "model": known.models, "component": known.components, "ended_by": known.components,
            "maker": ledger.names("maker"), "lot": ledger.names("lot"),
        }  # fmt: skip
        offered = {column: tuple(sorted(each)) for column, each in names.items()}
        offered |= {
            "sign": (*USUAL_SIGNS, *sorted(known.signs - set(USUAL_SIGNS))),
            "setting": tuple(SETTINGS),
        }
        currency, jobs = str(ledger.setting("currency")), ledger.rows("jobs")
        lying = [row for row in ledger.rows("shelf") if row["gone_on"] is None]
        return cls(offered, currency, known.families, known.models, jobs, lying)

    def parts(self, component: str = "") -> list[tuple[str, str]]:
        """Describe the parts of a component that lie on the shelf, or all of them."""
        return [
            (f"part {row['part']}: {row['component']}, {row['family'] or 'any family'}", str(row["part"]))
            for row in self.lying if component in ("", row["component"])
        ]  # fmt: skip

    def chosen(self, *outcomes: str, unsold: bool = False) -> list[tuple[str, str]]:
        """Describe the jobs with these outcomes, or all of them, the newest first."""
        return [
            (f"job {job['job']}: {job['family']}, in since {job['taken_in']}"
             + ("" if job["outcome"] == "open" else f", {job['outcome']}")
             + (f", sold {job['sold_on']}" if job["sold_on"] else ""), job["job"])
            for job in reversed(self.jobs) if job["outcome"] in (outcomes or OUTCOMES)
            and not (unsold and (job["sold_for"] is not None or job["sold_on"]))
        ]  # fmt: skip


# A field: the widget that a column asks for, with its label above and what is wrong below.


NOT_SAID = "–"
#: What stands in an empty field of each kind; a text shows the meaning of its column.
HINTS = {"date": "2026-05-17, or 2026-05", "money": "25.00", "hours": "3.5", "year": "1979",
         "number": "0.25", "count": "1"}  # fmt: skip
WINDOW = "1979, or 1978-1981"
_HIDDEN = {"display": "none"}


#: Before each field: a kernel drops what it has to tell once a thousand messages wait, and a form has more.
PAUSE_SECONDS = 0.006


class Field:
    """A labelled widget for a column, what is asked about a name in it, and what is wrong with it."""

    def __init__(
        self,
        column: Column,  # a list of words, one line of text, or several
        label: str,  # no two fields of a form have the same
        *,
        names: Iterable[str] | None = None,  # offered for an open list; others are taken, and asked about
        options: _Options | None = None,  # chosen in place of the column's own words
        asks_new: bool = False,  # whether a name that was never seen has to be ticked as new
        start: str = "",  # what stands in it at first
        hint: str = "",  # shown while it is empty, in place of what `HINTS` say
        blank: str = NOT_SAID,  # how "nothing said" is called among words
    ) -> None:
        sleep(PAUSE_SECONDS)
        self.column, self.label, self._asks_new = column, label, asks_new
        self.known: frozenset[str] = frozenset()
        self._is_quiet = False
        look: dict[str, Any] = {"description": label, "tooltip": column.meaning}
        look["style"] = {"description_width": "initial"}
        line = {**look, "value": start, "placeholder": hint or HINTS.get(column.kind, column.meaning)}
        self._first = [] if column.default else [(blank, "")]
        self._is_list = bool(column.allowed) or options is not None
        if self._is_list:
            # "donor: kept for parts; open: not finished" explains some of the words that it allows.
            clauses = dict(each.partition(": ")[::2] for each in column.meaning.split("; "))
            words = [
                (f"{word}: {clauses[word]}" if clauses.get(word) else word, word) for word in column.allowed
            ]
            offered = [*self._first, *(words if options is None else options)]
            self.widget: Any = widgets.Dropdown(options=offered, value=start or column.default or "", **look)
        elif column.multiline:
            self.widget = widgets.Textarea(rows=2, **line)
        else:
            make = widgets.Text if names is None else partial(widgets.Combobox, continuous_update=False)
            self.widget = make(**line)
        self._asked, self._wrong = widgets.HTML(layout=_HIDDEN), widgets.HTML(layout=_HIDDEN)
        self.new = widgets.Checkbox(description=f"{label} is new to the ledger", indent=False, layout=_HIDDEN)
        below = [self._asked, *([self.new] if asks_new else []), self._wrong]
        self.box = widgets.VBox([self.widget, *below], layout={"margin": "0"})
        self.box.add_class("bench-field")
        if names is not None:
            self.offer(names)
            self.widget.observe(lambda _: self._ask(), names="value")

    def offer(self, names: Iterable[str]) -> None:
        """Offer other names; what stands in the field stays."""
        self.widget.options = tuple(names)
        self.known = frozenset(self.widget.options)
        self._ask()

    def choose_from(self, options: _Options) -> None:
        """Let something else be chosen; what is chosen stays if it is still there."""
        offered, chosen = [*self._first, *options], self.widget.value
        if offered != list(self.widget.options):
            self._is_quiet = chosen in [value for _, value in offered]
            self.widget.options = offered  # and nothing is chosen
            self.widget.value = chosen if self._is_quiet else ""
            self._is_quiet = False

    def _ask(self) -> None:
        """Ask about a name that was never seen."""
        value = self.value or ""
        is_asked = bool(value) and value not in self.known and bool(self._asks_new or self.known)
        asked = f"{value!r} was never seen here.{nearest(value, self.known)}" if is_asked else ""
        self._asked.value = paragraph(text(asked), kind="bench-soft")
        self._asked.layout.display = None if is_asked else "none"
        self.new.layout.display = None if self.new_name else "none"
        self.new.value = self.new.value and self.new_name is not None

    @property
    def value(self) -> str | None:
        """What stands in it, without the space around it; None where that is nothing."""
        return clean_text(str(self.widget.value or "")) or None

    @property
    def new_name(self) -> str | None:
        """The name in it, if it has to be ticked as new; of signs, only one that is nearly a known one."""
        value = self.value
        if value is None or not self._asks_new or value in self.known:
            return None
        return value if self.column.name != "sign" or near_twin(value, self.known) else None

    @property
    def asks(self) -> bool:
        """Whether there is anything to say; a list without a choice asks nothing, unless it is needed."""
        return self.column.required or not self._is_list or len(self.widget.options) > len(self._first)

    @property
    def is_shown(self) -> bool:
        """Whether it is asked at all."""
        return bool(self.box.layout.display != "none")

    def put(self, value: object) -> None:
        """Fill it."""
        self.widget.value = str(value)

    def complain(self, messages: Sequence[str]) -> None:
        """Show what is wrong with it, in place of earlier complaints."""
        self._wrong.value = "".join(paragraph(f"✗ {text(each)}", kind="bench-wrong") for each in messages)
        self._wrong.layout.display = None if messages else "none"
        (self.box.add_class if messages else self.box.remove_class)("bench-faulty")

    def on_change(self, act: Callable[[], object]) -> None:
        """Do something whenever another value stands in it, or its tick is set."""
        for each in (self.widget, self.new):
            each.observe(lambda _: None if self._is_quiet else act(), names="value")


def unseen(what: str, value: str, known: Iterable[str], remedy: str) -> str:
    """Ask about a name that was never seen, and say what to do if it is meant."""
    return f"{what} {value!r} was never seen here.{nearest(value, known)} If it is meant so, {remedy}"


def grid(children: Iterable[Any], width: str = "13rem") -> Any:
    """Lay widgets out in as many columns as there is room for."""
    columns = f"repeat(auto-fill, minmax({width}, 1fr))"
    layout = {"grid_template_columns": columns, "grid_gap": ".55rem 1rem", "width": "100%"}
    return widgets.GridBox(list(children), layout=layout)


def heading(said: str, *more: str) -> Any:
    """Make a heading with paragraphs (markup) below it."""
    return widgets.HTML(f"<h3>{text(said)}</h3>{''.join(more)}")


# A row of a table as fields: what its columns and rules say decides what is asked, and when.


Spots = dict[tuple[str, str], Field]
"""Which field shows the faults of which place and column."""

PARTS = {"jobs": "job", "findings": "finding", "signs": "sign", "followups": "followup"}


class Row:
    """The fields of one row of a table: what its rules leave to be asked is shown."""

    def __init__(
        self,
        table: Table,
        columns: Iterable[str],  # ``built_from`` and ``built_to`` are one field ``built``, for a window
        known: Known,
        *,
        part: str = "",  # what faults call the row; by the table otherwise
        prefix: str = "",  # stands before every label
        head: str = "",  # its field is laid out elsewhere, called `prefix`; once it is said, the others show
        blank: str = NOT_SAID,  # "nothing said" in a list of words that no row leaves empty
        start: Mapping[str, str] = MappingProxyType({}),
        asks_new: Collection[str] = ("component", "kind", "sign"),
        options: Mapping[str, Callable[[Known], _Options]] = MappingProxyType({}),
    ) -> None:
        self.table, self.part = table, part or PARTS.get(table.name, table.name)
        self._head, self._options = head, options
        self.by_key: dict[str, Field] = {}
        for column in (table[each] for each in columns if table[each].kind != "year" or each[-3:] != "_to"):
            is_window = column.kind == "year" and column.name.endswith("_from")
            key = column.name.removesuffix("_from") if is_window else column.name
            unit = known.currency if column.kind == "money" else column.unit
            label = "from the shelf" if key == "from" else key.replace("_", " ")
            label += f" ({unit})" if unit and unit not in key else ""
            label = f"{prefix}: {label}" if prefix else label[0].upper() + label[1:]
            self.by_key[key] = Field(
                column, prefix if key == head else label, names=known.names.get(key),
                hint=WINDOW if is_window else "", asks_new=key in asks_new, start=start.get(key, ""),
                options=options[key](known) if key in options else None,
                blank=blank if column.required else NOT_SAID,
            )  # fmt: skip
        below = [each.box for key, each in self.by_key.items() if key != head]
        self.box = grid(below, "9rem" if head else "13rem")
        self._unfold()
        for each in self.fields:
            each.on_change(self._unfold)

    def __getitem__(self, key: str) -> Field:
        return self.by_key[key]

    @property
    def fields(self) -> list[Field]:
        """All of them."""
        return list(self.by_key.values())

    def _unfold(self) -> None:
        """Ask for what is left to be asked beside what is said."""
        said = {each.column.name: each.value or each.column.default for each in self.fields}
        for each in self.fields:
            is_asked = each.asks and may_be_filled(self.table, each.column.name, said)
            each.box.layout.display = None if is_asked else "none"
        if self._head:
            self.box.layout.display = None if said[self._head] else "none"
            # One question each stands side by side; more of them need the width.
            is_long = sum(each.is_shown for each in self.fields) > 2
            self.box.layout.grid_column = "1 / -1" if is_long else None

    def reload(self, known: Known) -> None:
        """Offer what the ledger knows now."""
        for key in self.by_key.keys() & known.names.keys():
            self[key].offer(known.names[key])
        for key in self.by_key.keys() & self._options.keys():
            self[key].choose_from(self._options[key](known))
        self._unfold()

    @property
    def is_said(self) -> bool:
        """Whether anything is said that no default says."""
        asked = [self[self._head]] if self._head else self.fields
        return any(each.value for each in asked if each.column.default is None)

    def read(self, place: str = "") -> tuple[dict[str, Any], list[Fault], Spots]:
        """Give what is said and asked, what only a form can find wrong, and where faults are shown."""
        row: dict[str, Any] = {}
        faults: list[Fault] = []
        spots: Spots = {}
        place = place or self.part
        for key, each in self.by_key.items():
            is_window = key not in self.table.names
            columns = (f"{key}_from", f"{key}_to") if is_window else (key,)
            spots |= {(place, column): each for column in columns}
            if each.value is None or not each.is_shown:
                continue
            # An unknown row of another table is refused by the ledger itself.
            if each.new_name and not each.new.value and key not in self.table.references:
                told = unseen(key, each.new_name, each.known, "tick that it is new")
                faults.append(Fault(place, key, told))
            try:
                said = read_window(each.value) if is_window else [each.value]
                row |= zip(columns, said, strict=True)
            except Refused as error:
                faults.append(Fault(place, columns[0], error.message))
        return row, faults, spots

    def fill(self, row: Mapping[str, Any]) -> None:
        """Show a row that the ledger holds; what it leaves empty stays as it is."""
        for key, each in self.by_key.items():
            years = (row.get(f"{key}_from"), row.get(f"{key}_to"))
            window = "-".join(dict.fromkeys(str(year) for year in years if year is not None))
            value = row.get(key) if key in self.table.names else window
            if value not in (None, ""):
                each.put(value)


class Rows:
    """Rows that belong to one row: one for each usual name, asked by a list of words, others as needed."""

    def __init__(
        self,
        table: Table,  # the first list of words that no row leaves empty is asked first
        known: Known,
        touch: Callable[[], object],  # told of every change
        *,
        title: str,
        says: str,  # a sentence below the title
        blank: str = NOT_SAID,  # how a row is called of which nothing is said
        rest: str = "",  # a button says this and puts the first word into every usual row that says nothing
        columns: Sequence[str] = (),  # what a row is about, then what is said of it; all of them if empty
        part: str = "",
        called: str = "further",  # rows that are not usual, and their number
    ) -> None:
        self.table, self._known, self._touch, self._blank = table, known, touch, blank
        self._columns, self._part, self._called = columns or table.names, part, called
        self.subject = columns[0] if columns else table.key[1]
        self.state = next((each.name for each in table if each.required and each.allowed), self.subject)
        self.usual: dict[str, Row] = {}
        self.others: list[Row] = []
        self._held: list[Row] = []
        self.note, self._further = widgets.HTML(), widgets.VBox([])
        self._heads, self._details = grid([], "10rem"), grid([], "10rem")
        wide = {"width": "auto"}
        self.rest = widgets.Button(description=rest or NOT_SAID, layout=wide)
        self.another = widgets.Button(description=f"Add a {called} {self.subject}", layout=wide)
        self.rest.on_click(lambda _: self._call_rest())
        self.another.on_click(lambda _: self.add())
        below = widgets.HBox([self.rest, self.another] if rest else [self.another])
        top = heading(title, paragraph(text(says), kind="bench-soft"))
        self.box = widgets.VBox([top, self.note, self._heads, self._details, self._further, below])

    def _made(self, subject: str = "") -> Row:
        whose = (self.table.key[0], subject and self.subject)
        columns = [each for each in self._columns if each not in whose]
        prefix, head = subject or f"{self._called} {len(self.others) + 1}", subject and self.state
        row = Row(self.table, columns, self._known, part=self._part, prefix=prefix, head=head,
                  blank=self._blank, options={"from": partial(Known.parts, component=subject)})  # fmt: skip
        for each in row.fields:
            each.on_change(self._touch)
        return row

    def ask_for(self, subjects: Iterable[str]) -> None:
        """Show a row for each of these; what was said of those that stay, stays."""
        self.usual = {each: self.usual.get(each) or self._made(each) for each in subjects}
        rows = self.usual.values()
        self._heads.children = [row[self.state].box for row in rows]
        self._details.children = [row.box for row in rows if len(row.fields) > 1]

    def add(self) -> Row:
        """Add a row whose name is still to be said: one that is not usual, or a second one of a name."""
        self.others.append(self._made())
        self._further.children = [row.box for row in self.others]
        return self.others[-1]

    def _call_rest(self) -> None:
        for row in self.usual.values():
            row[self.state].put(row[self.state].value or self.table[self.state].allowed[0])

    def reload(self, known: Known) -> None:
        """Offer what the ledger knows now."""
        self._known = known
        for row in (*self.usual.values(), *self.others):
            row.reload(known)

    def read(self) -> tuple[list[dict[str, Any]], list[Fault], Spots]:
        """Give the rows that say anything, what only a form can find wrong, and where faults are shown."""
        asked = [*self.usual.items(), *(("", row) for row in self.others)]
        # The ledger counts those first that it holds, and tells faults by their number.
        asked.sort(key=lambda pair: self._held.index(pair[1]) if pair[1] in self._held else len(self._held))
        rows: list[dict[str, Any]] = []
        faults: list[Fault] = []
        spots: Spots = {}
        for subject, row in [(subject, row) for subject, row in asked if row in self._held or row.is_said]:
            place = f"{row.part} {len(rows) + 1}"
            said, found, shown = row.read(place)
            rows.append({self.subject: subject, **said} if subject else said)
            faults += found
            # Where a check looks at all parts together, it tells a row by what it is about.
            named = f"{row.part} ({rows[-1].get(self.subject)})"
            spots |= shown | {(named, column): each for (_, column), each in shown.items()}
            spots |= {(place, self.subject): row[self.state]} if subject else {}
        return rows, faults, spots

    def fill(self, rows: Iterable[Mapping[str, Any]]) -> None:
        """Show rows that the ledger holds; their keys stay, or they would be other rows."""
        for each in rows:
            usual = self.usual.get(each[self.subject])
            is_free = usual is not None and usual not in self._held and not each.get("position")
            row = usual if usual is not None and is_free else self.add()
            row.fill(each)
            for key in row.by_key.keys() & {*self.table.key}:
                row[key].widget.disabled = True
            self._held.append(row)
