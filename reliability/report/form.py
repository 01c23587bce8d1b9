"""The forms for the bench in JupyterLab: writes first, fits afterwards."""

import datetime
import re
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Any, NamedTuple

import ipywidgets as widgets

from reliability.errors import BenchoddsError, Fault, FaultsFound, InvalidInput, refuse, unknown
from reliability.records import tables
from reliability.records.checks import JobDocument, Taken, clean_row
from reliability.records.database import parse_url, shown_url
from reliability.records.ledger import REFERENCE_TABLES, ledger_mark, open_ledger, trial_ledger
from reliability.records.sheet import JobSheet, Written, write_up
from reliability.records.tables import AT_INTAKE, AT_THE_END, TABLES, UNREPAIRED, Column, usual_components
from reliability.records.values import exponent_of
from reliability.report import format
from reliability.report.data import ledger_address
from reliability.report.fields import Field, Known, Row, Rows, Spots, heading, unseen
from reliability.report.format import bullets, name, paragraph, text
from reliability.report.show import TEMPLATES, templates

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger

# The ledger behind the forms, and how they write to it.


@dataclass
class Desk:
    """A ledger as the forms use it; `open_desk` makes one."""

    address: str  # a file or URL
    origin: str = ""  # who named it
    fixed_day: datetime.date | None = None  # taken for today; a notebook left open goes with the calendar
    _forms: list["_Form"] = field(default_factory=list, repr=False)

    def _repr_html_(self) -> str:
        told = "It does not exist yet: the first unit or job makes it."
        if not self.is_missing:
            known = self.known()
            waiting = [f"{name(job['job'])} ({name(job['family'])})"
                       for job in known.jobs if job["outcome"] == "open"]  # fmt: skip
            families = format.counted(len(known.kinds), "family", "families")
            told = f"It knows {text(families)}. Open on the bench: {format.listed(waiting) or 'nothing'}."
        return paragraph(f"Ledger: {self.shown}.", told)

    @property
    def shown(self) -> str:
        """Which ledger it is, and who named it; markup."""
        origin = f" ({text(self.origin)})" if self.origin else ""
        return f"<code>{text(shown_url(parse_url(self.address)))}</code>{origin}"

    @property
    def today(self) -> datetime.date:
        """The day that stands for what a job does not date."""
        return self.fixed_day or datetime.date.today()

    @property
    def is_missing(self) -> bool:
        """Whether the ledger is a file that is still to be made."""
        return "://" not in self.address and not Path(self.address).exists()

    def known(self) -> Known:
        """Read what the ledger knows."""
        with trial_ledger() if self.is_missing else open_ledger(self.address) as ledger:
            return Known.of(ledger)

    def form(self, what: str) -> "_Form":
        """Make a form, to be shown as the last value of a notebook's cell."""
        if what in ("intake", "job"):
            made: _Form = _JobForm(self, ends=what == "job")
        elif what in _TASKS or what in REFERENCE_TABLES:
            made = _RowForm(self, _TASKS.get(what) or _Task(what, f"A row of {what}", "Write it", _put))
        else:
            raise unknown("There is no form", what, ("intake", "job", *_TASKS, *REFERENCE_TABLES))
        self._forms.append(made)
        return made

    def open(self, write: Callable[["Ledger"], object]) -> "AbstractContextManager[Ledger]":
        """Open the ledger for what is to be written; where that makes it, another one is tried before."""
        if self.is_missing:
            with trial_ledger() as trial:
                write(trial)
        return open_ledger(self.address, create=True)

    def tell(self) -> str:
        """Let every form offer what the ledger knows now; say why that cannot be done, if it cannot."""
        try:
            known = self.known()
        except BenchoddsError as error:
            return f"What the ledger knows now cannot be read: {error}"
        for form in self._forms:
            form.reload(known)
        return ""


def open_desk(ledger: str = "", *, today: datetime.date | None = None) -> Desk:
    """Choose the ledger as the commands do, and look whether it can be read."""
    address, origin = ledger_address(ledger)
    desk = Desk(address, origin, today)
    desk.known()
    return desk


# What a job changed for its family: the second step, worked out while the next one is written.


class Moment(NamedTuple):
    """A ledger at one moment: what it held, and where odds of that are kept; or why it could not be read."""

    records: Any  # `Records`; None where there was trouble
    mark: str = ""
    folder: Path | None = None
    trouble: str = ""

    @classmethod
    def of(cls, ledger: "Ledger") -> "Moment":
        """Read it. A fault is told later: a job is worth more than what it teaches."""
        from reliability.records.frames import read_records
        from reliability.worth.appraiser import kept_folder

        try:
            mark = ledger_mark(ledger)  # before its rows: no others may ever be kept under it
            return cls(read_records(ledger), mark, kept_folder(ledger))
        except BenchoddsError as error:
            return cls(None, trouble=str(error))


def what_changed(
    family: str, job: str, before: Moment, after: Moment, *, warn: Callable[[str], object]
) -> str:
    """Show how a usual unit of a family is judged before and after a job was written."""
    from reliability.worth.appraiser import fit_appraiser, kept_odds, last_day
    from reliability.worth.review import ranking

    if before.records is None or after.records is None:
        raise BenchoddsError(before.trouble or after.trouble)
    rows: list[Any] = []
    for records, mark, folder, _ in (before, after):
        odds = kept_odds(folder, [mark], partial(fit_appraiser, records, last_day(records)), warn=warn)
        families = {each: odds.families[each] for each in odds.families if each == family}
        table = ranking(replace(odds, families=families), records, as_of=last_day(after.records))
        rows += table.reset_index(drop=True).reindex([0]).itertuples()  # empty before a family's first job
    then, now = rows
    change = templates().get_template("parts/change.html.j2")
    return change.render(family=family, job=job, then=then, now=now, report=odds)


_AS_WIDE_AS_ITS_WORDS = {"width": "auto", "align_self": "flex-start", "margin": ".6rem 0"}


class _Change:
    """A button that works out what a job changed, and shows it."""

    def __init__(self, family: str, job: str, before: Moment, after: Moment) -> None:
        self._told: list[str] = []
        self._work_out = partial(what_changed, family, job, before, after, warn=self._told.append)
        asked = "What did this job change?"
        self.button = widgets.Button(description=asked, layout=_AS_WIDE_AS_ITS_WORDS)
        self.button.on_click(lambda _: self.start())
        self.shown = widgets.HTML()
        self.box = widgets.VBox([self.button, self.shown])
        self.work = Thread(target=self._tell, daemon=True)

    def start(self) -> None:
        """Begin; once is enough."""
        if not self.button.disabled:
            self.button.disabled = True
            said = "Working it out; that can take minutes. You can go on writing meanwhile."
            self.shown.value = f'<p role="status">{said}</p>'
            self.work.start()

    def _tell(self) -> None:
        shown = paragraph("What the job changed cannot be told; the log of the kernel says why.")
        try:
            shown = self._work_out()
        except BenchoddsError as error:
            shown = paragraph(text(f"What the job changed cannot be told: {error}"))
        finally:
            self.shown.value = shown + bullets([text(each) for each in dict.fromkeys(self._told)])


# What all forms do: show faults beside their fields, write once and at once, tell what was written.


class _Form(ABC):
    """A form over one ledger. Its own are `begin`, which lays out empty parts, and `write`."""

    def __init__(self, desk: Desk, button: str, above: Sequence[Any] = ()) -> None:
        self.desk, self.known = desk, desk.known()
        self.change: _Change | None = None
        self.faults: list[Fault] = []
        self.spots: Spots = {}
        self._is_written = False
        self.button = widgets.Button(description=button, button_style="primary", layout=_AS_WIDE_AS_ITS_WORDS)
        self.button.on_click(lambda _: self.save())
        self.message, self.result, self._second = widgets.HTML(), widgets.HTML(), widgets.VBox([])
        self._middle = widgets.VBox([])
        style = widgets.HTML(f"<style>{(TEMPLATES / 'form.css').read_text('utf-8')}</style>")
        below = [self.button, self.message, self.result, self._second]
        self.box = widgets.VBox([style, *above, self._middle, *below])
        self.box.add_class("bench-form")
        self.begin()

    def _ipython_display_(self) -> None:
        from IPython.display import display

        display(self.box)

    @abstractmethod
    def begin(self) -> None: ...

    @abstractmethod
    def write(self) -> tuple[str, _Change | None]:
        """Check what stands in the fields and write it; say so in markup."""

    def lay(self, *parts: Any) -> None:
        """Put parts one below the other."""
        self.parts = [each for each in parts if isinstance(each, Row | Rows)]
        self._middle.children = [getattr(each, "box", each) for each in parts]
        for each in self.parts:
            if isinstance(each, Row):
                each.on_change(self.touch)

    def touch(self) -> None:
        """Note that something was changed since the last write."""
        self._is_written = False

    def reload(self, known: Known) -> None:
        """Offer what the ledger knows now."""
        self.known = known
        for each in self.parts:
            each.reload(known)

    def read(self, part: Row | Rows) -> Any:
        """Give what is said in a part; note what is wrong there, and where its faults are shown."""
        said, faults, spots = part.read()
        self.faults += faults
        self.spots |= spots
        return said

    def place_of(self, fault: Fault) -> str:
        """Give the place of a fault as `spots` names it: "finding 2" for "form, finding 2 (belt)"."""
        return _NAMED.sub(r"\1", fault.place.removeprefix(f"{_SOURCE}, ")).replace("new ", "new_")

    def save(self) -> None:
        """Write; a second press before anything was changed does nothing."""
        if self._is_written:
            return
        self.button.disabled = True
        self.message.value = self.result.value = ""
        self._second.children = []
        for each in self.spots.values():
            each.complain(())
        self.faults, self.spots = [], {}
        try:
            said, self.change = self.write()
        except FaultsFound as error:
            self._show_faults(error.found)
        except BenchoddsError as error:
            self._refuse(text(error))
        else:
            where = paragraph(f"It stands in the ledger {self.desk.shown}.", text(self.desk.tell()))
            self.result.value = f'<div class="bench-done" role="status">{said}{where}</div>'
            self._second.children = [self.change.box] if self.change else []
            self.begin()
            self._is_written = True
        finally:
            self.button.disabled = False

    def _refuse(self, said: str, more: str = "") -> None:
        self.message.value = f'<div class="bench-refused" role="alert"><p>✗ {said}</p>{more}</div>'

    def _show_faults(self, found: Sequence[Fault | str]) -> None:
        """Show each fault beside its field; below the button where no field is about it."""
        beside: dict[Field, list[str]] = {}
        others = []
        for each in found:
            shown = self.spots.get((self.place_of(each), each.column)) if isinstance(each, Fault) else None
            if isinstance(each, Fault) and shown is not None and shown.is_shown:
                beside.setdefault(shown, []).append(each.message)
            else:
                others.append(text(str(each).removeprefix(f"{_SOURCE}, ")))
        for shown, messages in beside.items():
            shown.complain(messages)
        labels = ", ".join(each.label for each in beside)
        head = f"{format.counted(len(found), 'fault')} found; nothing was written."
        self._refuse(text(f"{head} See beside: {labels}." if labels else head), bullets(others))


_SOURCE = "form"
_NAMED = re.compile(r"( [0-9]+) \(.*\)$", re.DOTALL)


# A unit comes in, and its job is written up.


_JOBS = TABLES["jobs"]
_ENDS = replace(_JOBS["outcome"], allowed=tuple(word for word in _JOBS["outcome"].allowed if word != "open"))
_FINISHED = replace(_JOBS, columns=tuple(_ENDS if each.name == "outcome" else each for each in _JOBS))
_FROM = Column("from", "text", "the part that was fitted, if it lay on the shelf")
#: What was done is asked of components that are not sound.
_DONE = [tables.only_where(name, "found", "worn", "failed")
         for name in ("action", "part_cost", "part_source", "from")]  # fmt: skip
_FINDINGS = replace(TABLES["findings"], columns=(*TABLES["findings"].columns, _FROM),
                    rules=(*TABLES["findings"].rules, *_DONE))  # fmt: skip
_SIGNS: Any = {"title": "Signs", "says": "What could be seen before any tool was picked up.",
          "blank": "nobody looked"}  # fmt: skip
_HOW_TO_ADD = "tick that it is new, and say what kind it is"


class _JobForm(_Form):
    """Writes what `benchodds intake` writes; or, at the end of a job, what `benchodds add` writes."""

    def __init__(self, desk: Desk, *, ends: bool) -> None:
        self._ends = ends
        self.which = Field(_JOBS["job"], "Which unit?", options=desk.known().chosen("open"),
                           blank="one that was not taken in before")  # fmt: skip
        self.which.on_change(self._chosen)
        super().__init__(desk, "Write it up" if ends else "Take it in", [self.which.box] if ends else [])

    def begin(self) -> None:
        known, touch = self.known, self.touch
        start = dict.fromkeys(("taken_in", "priced_on", "bought_on", "closed"), self.desk.today.isoformat())
        news = ("family",) if self._ends else ("family", "lot")
        self.unit = Row(_JOBS, (*AT_INTAKE, "remarks"), known, start=start, asks_new=news)
        self.new: dict[str, Row] = {}
        for key in news:
            table = TABLES[_JOBS.references[key]]
            columns = [each for each in table.names if each != key]
            self.new[key] = Row(table, columns, known, part=f"new_{key}", prefix=f"New {key}", start=start)
        self.signs = Rows(TABLES["signs"], known, touch, **_SIGNS)
        self.signs.ask_for(known.names["sign"])
        self.findings = Rows(_FINDINGS, known, touch, title="What was found", blank="not examined",
                             says="Leave what nobody examined as it is: it counts neither way.",
                             rest="All others were examined and are sound")  # fmt: skip
        self.kept = Rows(TABLES["shelf"], known, touch, title="Parts kept", columns=("component", "worth"),
                         says="What goes on the shelf gets a number; a later job may take it from there.",
                         part="kept", called="kept")  # fmt: skip
        self.ending = Row(_FINISHED, AT_THE_END, known, start=start)
        ending = [self.findings, self.kept, heading("How it ended"), self.ending] if self._ends else []
        self.lay(heading("The unit"), self.unit, *self.new.values(), self.signs, *ending)
        for each in (*(self.unit[key] for key in self.new), self.new["family"]["kind"]):
            each.on_change(self._follow)
        self._follow()

    def _follow(self) -> None:
        """Ask what is new; offer models, ask for usual components, and say what can hurt."""
        family, kinds, models = self.unit["family"], self.known.kinds, self.known.models
        for key, row in self.new.items():
            row.box.layout.display = None if self.unit[key].is_new else "none"
        fitting = {each for each in models if models[each] == family.value}
        self.unit["model"].offer(sorted(fitting if family.value in kinds else models))
        if self._ends:
            from reliability.worth.plan import all_cautions  # only a job's form says them

            kind = kinds.get(family.value or "", self.new["family"]["kind"].value or "")
            first, *rest = all_cautions(kind or "of no kind yet")
            said = paragraph("<strong>Before you open it.</strong>", text(first))
            said += bullets([text(each) for each in rest])
            self.findings.note.value = f'<div class="bench-caution">{said}</div>'
            self.findings.ask_for(usual_components(kind or None))

    def _chosen(self) -> None:
        """Show what is known of the open job, or an empty form."""
        self.begin()
        self.touch()
        self.result.value = self.message.value = ""
        if self.which.value is None:
            return
        try:
            with open_ledger(self.desk.address) as ledger:
                document = ledger.job(self.which.value)
        except BenchoddsError as error:
            self._refuse(text(error))
            return
        self.unit["family"].widget.disabled = True
        self.unit.fill(document["job"])
        self.ending.fill({**document["job"], "outcome": None})
        self.signs.fill(document["signs"])
        self.findings.fill(document["findings"])

    def reload(self, known: Known) -> None:
        super().reload(known)
        self._follow()
        self.which.choose_from(known.chosen("open"))

    def write(self) -> tuple[str, _Change | None]:
        job, signs = self.read(self.unit), self.read(self.signs)
        self.spots |= {(f"new_{key}", each): self.unit[key] for key in self.new for each in ("", key)}
        asked = [key for key in self.new if self.unit[key].is_new]
        news: dict[str, Any] = {
            f"new_{key}": {**self.read(self.new[key]), key: job.get(key)} for key in asked
        }
        document: JobDocument = {"job": job, "findings": [], "signs": signs, "followups": []}
        how: dict[str, Any] = {"today": self.desk.today, "how_to_add": _HOW_TO_ADD}
        if self._ends:
            job |= {"job": self.which.value} if self.which.value else {}
            kept, how["new_components"] = self._end(document)
            self.spots["job", "job"] = self.which
            taken = [Taken(int(row.pop("from")), str(row.get("component")), row.get("position", ""))
                     for row in document["findings"] if "from" in row]  # fmt: skip
            news |= {"kept": tuple(kept), "taken": tuple(taken)}
        else:
            job.setdefault("taken_in", self.desk.today.isoformat())
        sheet = JobSheet(_SOURCE, document, faults=tuple(self.faults), comes_in=not self._ends, **news)

        def write(ledger: "Ledger") -> Written:
            return write_up(ledger, [sheet], **how)[0]

        with self.desk.open(write) as ledger:
            before = Moment.of(ledger) if self._ends else None
            written = write(ledger)
            after = Moment.of(ledger) if self._ends else None
        notes, family = bullets([text(each) for each in written.notes]), name(written.family)
        if before is None or after is None:
            said = paragraph(f"Job {name(written.job)}: write this number on its label", kind="bench-number")
            return said + paragraph(f"{family} is taken in.") + notes, None
        said = f"Job {name(written.job)} is written: {family}, {text(written.outcome)}"
        change = _Change(written.family, written.job, before, after)
        return paragraph(said, kind="bench-number") + notes, change

    def _end(self, document: JobDocument) -> tuple[list[dict[str, Any]], set[str]]:
        """Read how a job ended into its document; give the parts kept, and new components."""
        document["findings"], kept = self.read(self.findings), self.read(self.kept)
        document["job"] |= (ending := self.read(self.ending))
        self.faults += [Fault(f"kept {place}", "component", "is empty, but every row needs it")
                        for place, row in enumerate(kept, 1) if "component" not in row]  # fmt: skip
        kept = [{"worth": None, **row} for row in kept if "component" in row]
        known = self.known.names["component"]
        new = {row["component"] for row in [*document["findings"], *kept] if "component" in row} - {*known}
        if (by := ending.get("ended_by")) and by not in {*known, *new}:
            told = unseen("component", by, known, "name it among what was found")
            self.faults.append(Fault("job", "ended_by", told))
            new.add(by)
        return kept, new


# One row of one table: a sale, a check, rows that jobs refer to.


_Typed = dict[str, Any]


@dataclass(frozen=True)
class _Task:
    """What a form for one row asks for, and how the row is written."""

    table: str
    title: str
    button: str
    # Given the task, the row, rows that belong to it, and names that are new; says in markup what it wrote.
    write: Callable[["Ledger", "_Task", _Typed, list[_Typed], list[str]], str]
    columns: tuple[str, ...] = ()  # all of them if none is named
    needed: tuple[str, ...] = ()  # beside those that no row of the table leaves empty
    days: tuple[str, ...] = ()  # today's at first
    options: Mapping[str, Callable[[Known], list[tuple[str, str]]]] = field(default_factory=dict)
    meanings: Mapping[str, str] = field(default_factory=dict)  # where a column is typed otherwise than kept
    rows: str = ""  # the table of signs that belong to the row
    changes_odds: bool = False  # whether to go on to what it changed for the family of its job


class _RowForm(_Form):
    """Asks for one row of a table."""

    def __init__(self, desk: Desk, task: _Task) -> None:
        table, self._task = TABLES[task.table], task
        columns = tuple(replace(column, required=column.required or column.name in task.needed,
                                meaning=task.meanings.get(column.name, column.meaning))
                        for column in table if column.name in (task.columns or table.names))  # fmt: skip
        names = {column.name for column in columns}
        rules = tuple(rule for rule in table.rules if names.issuperset(rule.columns))
        self._table = replace(table, columns=columns, rules=rules)
        super().__init__(desk, task.button)

    def begin(self) -> None:
        start = dict.fromkeys(self._task.days, self.desk.today.isoformat())
        self.row = Row(self._table, self._table.names, self.known, options=self._task.options, start=start)
        self.signs: Rows | None = None
        if self._task.rows:
            self.signs = Rows(TABLES[self._task.rows], self.known, self.touch, **_SIGNS)
            self.signs.ask_for(self.known.names["sign"])
        self.lay(heading(self._task.title), self.row, *filter(None, [self.signs]))

    def place_of(self, fault: Fault) -> str:
        place = super().place_of(fault)
        # Whatever number the ledger gives its row.
        return self.row.part if re.fullmatch(rf"{self.row.part}(,? (row )?[0-9]+)?", place) else place

    def write(self) -> tuple[str, _Change | None]:
        row = self.read(self.row)
        complaints = clean_row(self._table, row, exponent_of(self.known.currency))[1]
        self.faults += [Fault(self.row.part, *each) for each in complaints]
        rows: list[_Typed] = self.read(self.signs) if self.signs else []
        refuse(self.faults)
        if self.desk.is_missing:
            raise InvalidInput("There is no ledger yet: the first unit or job makes it. Nothing was written.")
        new = [each.new_name for each in self.row.fields if each.new_name]
        with open_ledger(self.desk.address) as ledger:
            before = Moment.of(ledger) if self._task.changes_odds else None
            said = paragraph(self._task.write(ledger, self._task, row, rows, new), kind="bench-number")
            if before is None:
                return said, None
            family = ledger.job(row["job"])["job"]["family"]
            return said, _Change(family, row["job"], before, Moment.of(ledger))


def _sell(ledger: "Ledger", _task: _Task, row: _Typed, _rows: list[_Typed], _new: list[str]) -> str:
    currency = ledger.setting("currency")
    job = ledger.sold(row["job"], row["sold_for"], row["sold_on"])
    sold = f"sold for {job['sold_for']} {currency} on {job['sold_on']}"
    return f"Job {name(row['job'])}: {name(job['family'])}, {text(sold)}"


def _check(ledger: "Ledger", _task: _Task, row: _Typed, _rows: list[_Typed], new: list[str]) -> str:
    family = ledger.job(row["job"])["job"]["family"]
    ledger.followup(row["job"], {key: each for key, each in row.items() if key != "job"}, new_components=new)
    state = "working" if row["working"] == "yes" else "not working"
    return f"Job {name(row['job'])}: {name(family)}, {state} on {text(row['checked_on'])}"


def _put(ledger: "Ledger", task: _Task, row: _Typed, _rows: list[_Typed], _new: list[str]) -> str:
    ledger.put(task.table, [row], reason="written at the bench")
    key = ", ".join(name(row[each]) for each in TABLES[task.table].key if each in row)
    return f"{text(task.table)}: {key}"


def _see(ledger: "Ledger", _task: _Task, row: _Typed, rows: list[_Typed], _new: list[str]) -> str:
    from reliability.records.sheet import record_sightings
    from reliability.worth.judging import NAMES

    offer = {**dict.fromkeys(NAMES), **row, "offer": row["sighting"], "bought": row.get("job")}
    seen = (offer, {each["sign"]: each["seen"] for each in rows})
    (written,) = record_sightings(ledger, [seen], place=row.get("place"))
    left = f"left, {written.left_because}" if written.left_because else "not decided"
    return f"{name(written.sighting)}: {text(f'job {written.job}' if written.job else left)}"


def _keep(ledger: "Ledger", _task: _Task, row: _Typed, _rows: list[_Typed], new: list[str]) -> str:
    number = ledger.keep_part(row, new_components=new)
    return f"Part {number}: {name(row['component'])}. Write this number on it"


_THROWN_OUT = "none: it is thrown out"


def _use(ledger: "Ledger", _task: _Task, row: _Typed, _rows: list[_Typed], _new: list[str]) -> str:
    part, job = int(row["part"]), row["used_in"]
    if job == _THROWN_OUT:
        ledger.drop_part(part, row["gone_on"])
        return f"Part {part} is thrown out"
    ledger.use_part(part, job, row["gone_on"])
    return f"Part {part} is fitted in job {name(job)}"


# fmt: off
#: Forms for one row, by name. One for another table takes these few lines.
_TASKS: dict[str, _Task] = {
    "sighting": _Task(
        "sightings", "A unit is looked at", "Record what was looked at", _see, days=("seen_on",),
        columns=tuple(each for each in TABLES["sightings"].names if each not in ("verdict", "ceiling")),
        meanings={"sighting": "what it was called there"}, rows="sighting_signs",
        options={"job": Known.chosen}),
    "sale": _Task(
        "jobs", "A unit is sold", "Record the sale", _sell, ("job", "sold_for", "sold_on"),
        needed=("sold_for", "sold_on"), days=("sold_on",), changes_odds=True,
        options={"job": lambda known: known.chosen("repaired", "sold as is", unsold=True)}),
    "check": _Task(
        "followups", "A repaired unit is seen again", "Record the check", _check, days=("checked_on",),
        options={"job": lambda known: known.chosen("repaired")}, changes_odds=True),
    "keep": _Task(
        "shelf", "A part is kept", "Put it on the shelf", _keep,
        ("component", "family", "job", "worth", "kept_on"), days=("kept_on",),
        options={"job": lambda known: known.chosen("repaired", *UNREPAIRED)}),
    "use": _Task(
        "shelf", "A part leaves the shelf", "Take it off the shelf", _use,
        ("part", "used_in", "gone_on"), needed=("used_in", "gone_on"), days=("gone_on",),
        options={"part": Known.parts,
                 "used_in": lambda known: [(_THROWN_OUT, _THROWN_OUT), *known.chosen()]}),
}
# fmt: on
