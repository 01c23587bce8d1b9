"""Tables as fields of a form: a widget for each column, shown where the rules leave it to be asked."""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import KW_ONLY, InitVar, dataclass, field
from functools import cache, cached_property, partial
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


@cache
def _alike(look: Any, **said: Any) -> Any:
    """Give many widgets one look: a kernel drops messages once a thousand wait, and each look is one."""
    return look(**said)


def _plain(widget: Any, **said: Any) -> Any:
    return widget(**said, layout=_alike(widgets.Layout), style=_alike(widget.style.klass))


def _of_field(is_shown: bool) -> Any:
    return _alike(widgets.Layout, margin="0", display=None if is_shown else "none")


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
        self.column, self.label, self._asks_new = column, label, asks_new
        self.known: frozenset[str] = frozenset()
        self._is_quiet = False
        self._question, self._complaints = "", list[str]()
        self._acts: list[Callable[[], object]] = []  # done whenever something else is said
        look: dict[str, Any] = {"description": label, "tooltip": column.meaning}
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
            look |= {"options": offered, "value": start or column.default or ""}
            self.widget: Any = _plain(widgets.Dropdown, **look)
        elif column.multiline:
            self.widget = _plain(widgets.Textarea, rows=2, **line)
        elif names is None:
            self.widget = _plain(widgets.Text, **line)
        else:
            self.widget = _plain(widgets.Combobox, continuous_update=False, options=tuple(names), **line)
        self.box = widgets.VBox([self.widget], layout=_of_field(True), _dom_classes=("bench-field",))
        if names is not None:
            self.offer(names)
            self.widget.observe(lambda _: self._ask(), names="value")
        self.widget.observe(self._changed, names="value")

    @cached_property
    def _tick(self) -> Any:
        tick = _plain(widgets.Checkbox, description=f"{self.label} is new to the ledger", indent=False)
        tick.observe(self._changed, names="value")
        return tick

    def _tell(self) -> None:
        """Show below the widget what there is to ask and to complain of."""
        wrong = "".join(paragraph(f"✗ {text(each)}", kind="bench-wrong") for each in self._complaints)
        asked = paragraph(text(self._question), kind="bench-soft")
        self.box.children = [
            self.widget,
            *([_plain(widgets.HTML, value=asked)] if self._question else []),
            *([self._tick] if self.new_name else []),
            *([_plain(widgets.HTML, value=wrong)] if wrong else []),
        ]

    def _changed(self, _: object) -> None:
        for act in self._acts if not self._is_quiet else ():
            act()

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
        self._question = f"{value!r} was never seen here.{nearest(value, self.known)}" if is_asked else ""
        self._tell()
        if not self.new_name and "_tick" in vars(self):
            self._tick.value = False

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

    @property
    def is_new(self) -> bool:
        """Whether the name in it is ticked as new."""
        return self.new_name is not None and bool(self._tick.value)

    def complain(self, messages: Sequence[str]) -> None:
        """Show what is wrong with it, in place of earlier complaints."""
        self._complaints = list(messages)
        self._tell()
        (self.box.add_class if messages else self.box.remove_class)("bench-faulty")

    def on_change(self, act: Callable[[], object]) -> None:
        """Do something whenever another value stands in it, or its tick is set."""
        self._acts.append(act)


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


@dataclass(eq=False)
class Row:
    """The fields of one row of a table: what its rules leave to be asked is shown."""

    table: Table
    names: InitVar[Iterable[str]]  # ``built_from`` and ``built_to`` are one field ``built``, for a window
    known: Known
    _: KW_ONLY
    part: str = ""  # what faults call the row; by the table otherwise
    prefix: str = ""  # stands before every label
    head: str = ""  # its field is laid out elsewhere, called `prefix`; once it is said, others are made
    blank: str = NOT_SAID  # "nothing said" in a list of words that no row leaves empty
    start: Mapping[str, str] = field(default_factory=dict)
    asks_new: Collection[str] = ("component", "kind", "sign")
    options: Mapping[str, Callable[[Known], _Options]] = field(default_factory=dict)

    def __post_init__(self, names: Iterable[str]) -> None:
        self.part = self.part or PARTS.get(self.table.name, self.table.name)
        asked = [self.table[each] for each in names]
        self.columns = {
            each.name.removesuffix("_from") if each.kind == "year" else each.name: each
            for each in asked if each.kind != "year" or not each.name.endswith("_to")
        }  # fmt: skip
        self.by_key: dict[str, Field] = {}
        self._acts: list[Callable[[], object]] = [self._unfold]
        for key in [self.head] if self.head else self.columns:
            self._make(key)
        self._unfold()

    def __getitem__(self, key: str) -> Field:
        return self.by_key[key]

    @cached_property
    def box(self) -> Any:
        """All fields but that of its head."""
        return grid([], "9rem" if self.head else "13rem")

    @property
    def fields(self) -> list[Field]:
        """All that there are by now."""
        return list(self.by_key.values())

    def on_change(self, act: Callable[[], object]) -> None:
        """Do something whenever anything is said in it."""
        self._acts.append(act)
        for each in self.fields:
            each.on_change(act)

    def _make(self, key: str) -> Field:
        """Give the field of a column, made when it is first needed."""
        if key in self.by_key:
            return self.by_key[key]
        column, known = self.columns[key], self.known
        is_window = key != column.name
        unit = known.currency if column.kind == "money" else column.unit
        label = "from the shelf" if key == "from" else key.replace("_", " ")
        label += f" ({unit})" if unit and unit not in key else ""
        label = f"{self.prefix}: {label}" if self.prefix else label[0].upper() + label[1:]
        made = Field(
            column, self.prefix if key == self.head else label, names=known.names.get(key),
            hint=WINDOW if is_window else "", asks_new=key in self.asks_new, start=self.start.get(key, ""),
            options=self.options[key](known) if key in self.options else None,
            blank=self.blank if column.required else NOT_SAID,
        )  # fmt: skip
        for act in self._acts:
            made.on_change(act)
        fields = {**self.by_key, key: made}
        self.by_key = {each: fields[each] for each in self.columns if each in fields}
        return made

    def _unfold(self) -> None:
        """Ask for what is left to be asked beside what is said."""
        said = {column.name: (key in self.by_key and self[key].value) or column.default
                for key, column in self.columns.items()}  # fmt: skip
        if not self.head or said[self.head]:
            for key, column in self.columns.items():
                may_be = may_be_filled(self.table, column.name, said)
                if may_be or key in self.by_key:
                    each = self._make(key)
                    each.box.layout = _of_field(may_be and each.asks)
        below = [each.box for key, each in self.by_key.items() if key != self.head]
        if below or not self.head:
            self.box.children = below
        if self.head and len(self.columns) > 1:
            self.box.layout.display = None if said[self.head] else "none"
            # One question each stands side by side; more of them need the width.
            is_long = sum(each.is_shown for each in self.fields) > 2
            self.box.layout.grid_column = "1 / -1" if is_long else None

    def reload(self, known: Known) -> None:
        """Offer what the ledger knows now."""
        self.known = known
        for key in self.by_key.keys() & known.names.keys():
            self[key].offer(known.names[key])
        for key in self.by_key.keys() & self.options.keys():
            self[key].choose_from(self.options[key](known))
        self._unfold()

    @property
    def is_said(self) -> bool:
        """Whether anything is said that no default says."""
        asked = [self[self.head]] if self.head else self.fields
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
            if each.new_name and not each.is_new and key not in self.table.references:
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
        for key in self.columns:
            years = (row.get(f"{key}_from"), row.get(f"{key}_to"))
            window = "-".join(dict.fromkeys(str(year) for year in years if year is not None))
            value = row.get(key) if key in self.table.names else window
            if value not in (None, ""):
                self._make(key).put(value)
        self._unfold()


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
        self.heads, self._details = grid([], "10rem"), grid([], "10rem")
        wide = {"width": "auto"}
        self.rest = widgets.Button(description=rest or NOT_SAID, layout=wide)
        self.another = widgets.Button(description=f"Add a {called} {self.subject}", layout=wide)
        self.rest.on_click(lambda _: self._call_rest())
        self.another.on_click(lambda _: self.add())
        below = widgets.HBox([self.rest, self.another] if rest else [self.another])
        top = heading(title, paragraph(text(says), kind="bench-soft"))
        self.box = widgets.VBox([top, self.note, self.heads, self._details, self._further, below])

    def _made(self, subject: str = "") -> Row:
        whose = (self.table.key[0], subject and self.subject)
        columns = [each for each in self._columns if each not in whose]
        prefix, head = subject or f"{self._called} {len(self.others) + 1}", subject and self.state
        row = Row(self.table, columns, self._known, part=self._part, prefix=prefix, head=head,
                  blank=self._blank, options={"from": partial(Known.parts, component=subject)})  # fmt: skip
        row.on_change(self._touch)
        return row

    def ask_for(self, subjects: Iterable[str]) -> None:
        """Show a row for each of these; what was said of those that stay, stays."""
        self.usual = {each: self.usual.get(each) or self._made(each) for each in subjects}
        rows = self.usual.values()
        self.heads.children = [row[self.state].box for row in rows]
        self._details.children = [row.box for row in rows if len(row.columns) > 1]

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
