"""The form for the bench: a unit taken in, a job written up, and what the job changed."""

import datetime
import re
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import ipywidgets as widgets

from reliability.errors import BenchoddsError
from reliability.records.checks import JobDocument, merge_document
from reliability.records.database import parse_url, shown_url
from reliability.records.ledger import open_ledger
from reliability.records.sheet import JobSheet, read_window
from reliability.records.tables import TABLES, USUAL_COMPONENTS, USUAL_SIGNS, usual_components
from reliability.records.values import Fault, FaultsFound, Refused, clean_text, nearest, refuse
from reliability.records.write_up import (
    Names,
    Written,
    check_sheets,
    check_unit,
    open_jobs,
    take_in,
    write_up,
)
from reliability.report import format
from reliability.report.data import ledger_address
from reliability.report.format import Shown, bullets, cautions, name, paragraph, text, verdict_mark

if TYPE_CHECKING:
    from reliability.records.frames import Records
    from reliability.records.ledger import Ledger
    from reliability.worth.appraiser import Appraiser

# From the fields of the form to what the ledger takes, and from its faults back to the fields.


SOURCE = "form"
_PLACE = re.compile(rf"(?:{SOURCE}, )?(job|finding|sign|new.family)(?: ([0-9]+)( .*)?)?")


class Spot(NamedTuple):
    """One field of the form: its part, its row from 0 where a part has several, its column."""

    part: str
    row: int
    column: str


@dataclass
class Answers:
    """What stands in the fields, empty ones left out.

    Parameters
    ----------
    job : dict
        Columns of jobs as they were typed, and ``built``, the short way to write a window of years.
    findings, signs : list of dict
        Rows as they were typed; a finding may hold ``fitted``, a window too, and ``is_new``, that the
        component is meant although the ledger has never seen it.
    new_family : dict or None
        Columns of a family that the ledger does not know.
    """

    job: dict[str, Any] = field(default_factory=dict)
    findings: list[dict[str, Any]] = field(default_factory=list)
    signs: list[dict[str, Any]] = field(default_factory=list)
    new_family: dict[str, Any] | None = None

    def read(self, components: Iterable[str]) -> "ReadAnswers":
        """Spell the windows out, and look for components that the ledger does not know."""
        known = set(components)
        faults: list[Fault] = []
        job = _spelt_out(self.job, "built", f"{SOURCE}, job", faults)
        findings, new = [], []
        for number, row in enumerate(self.findings, 1):
            component = row.get("component", "")
            place = f"{SOURCE}, finding {number} ({component})"
            typed = {name: value for name, value in row.items() if name != "is_new"}
            findings.append(_spelt_out(typed, "fitted", place, faults))
            if component and component not in known:
                new.append(component)
                if not row.get("is_new"):
                    faults.append(Fault(place, "component", _unknown(component, known)))
        by = job.get("ended_by", "")
        if by and by not in {*known, *new}:
            new.append(by)
            faults.append(
                Fault(f"{SOURCE}, job", "ended_by", _unknown(by, known, "name it among what was found"))
            )
        described = None if self.new_family is None else {"family": job.get("family"), **self.new_family}
        document = {"job": job, "findings": findings, "signs": list(self.signs), "followups": []}
        return ReadAnswers(document, described, tuple(dict.fromkeys(new)), tuple(faults))


@dataclass(frozen=True)
class ReadAnswers:
    """Answers in the shape that the ledger takes, and what could not be read."""

    document: JobDocument
    new_family: Mapping[str, Any] | None
    new_components: tuple[str, ...]
    faults: tuple[Fault, ...]

    @property
    def sheet(self) -> JobSheet:
        """Give them as a job sheet."""
        family = None if self.new_family is None else dict(self.new_family)
        return JobSheet(SOURCE, self.document, family, faults=self.faults)


def _spelt_out(row: Mapping[str, Any], window: str, place: str, faults: list[Fault]) -> dict[str, Any]:
    """Write the short form of a window as its two years."""
    spelt = {name: value for name, value in row.items() if name != window}
    if not row.get(window):
        return spelt
    try:
        spelt[f"{window}_from"], spelt[f"{window}_to"] = read_window(row[window])
    except Refused as error:
        faults.append(Fault(place, f"{window}_from", error.message))
    return spelt


def _unknown(component: str, known: Iterable[str], remedy: str = "tick that it is new") -> str:
    return (
        f"component {component!r} was never seen here.{nearest(component, known)} If it is meant so, {remedy}"
    )


def renumbered(found: Sequence[Fault | str], old: JobDocument, document: JobDocument) -> list[Fault | str]:
    """Give findings and signs the numbers that they have in the form.

    A job that was taken in may hold some already; the ledger counts those first.
    """
    tagged = {part: [{**row, "asked": number} for number, row in enumerate(document[part], 1)]
              for part in ("findings", "signs")}  # fmt: skip
    merged = merge_document(old, {**document, **tagged}, emptying=False)
    order = {part[:-1]: [row.get("asked") for row in merged[part]] for part in tagged}
    return [_numbered(each, order) if isinstance(each, Fault) else each for each in found]


def _numbered(fault: Fault, order: Mapping[str, list[int | None]]) -> Fault:
    match = _PLACE.fullmatch(fault.place)
    if match is None or match[2] is None or match[1] not in order:
        return fault
    asked = order[match[1]][int(match[2]) - 1]
    told = f"{SOURCE}, {match[1]} {asked}" if asked else f"as taken in, {match[1]} {match[2]}"
    return Fault(told + (match[3] or ""), fault.column, fault.message)


def spot_of(fault: Fault) -> Spot | None:
    """Tell which field a fault belongs to; None where no field does."""
    match = _PLACE.fullmatch(fault.place)
    if match is None:
        return None
    part = match[1].replace(" ", "_")
    return Spot(part, int(match[2]) - 1 if match[2] else 0, fault.column)


def sorted_out(
    found: Sequence[Fault | str], spots: Iterable[Spot]
) -> tuple[dict[Spot, list[str]], list[str]]:
    """Deal faults out to the fields that are there."""
    there = set(spots)
    beside: dict[Spot, list[str]] = {}
    others: list[str] = []
    for each in found:
        spot = spot_of(each) if isinstance(each, Fault) else None
        if isinstance(each, Fault) and spot in there and spot is not None:
            beside.setdefault(spot, []).append(each.message)
        else:
            others.append(str(each).removeprefix(f"{SOURCE}, "))
    return beside, others


# Fields of the form: a widget with its label above it, and room for what is wrong below it.


# Colours of JupyterLab itself, so that the form is dark where the rest is; a fault has a mark and
# words as well as its colour.
STYLE = """<style>
.bench-form { max-width: 62rem; }
.bench-form h3 { font-size: 1.05rem; margin: 1.1rem 0 .2rem; padding-top: .6rem;
  border-top: 1px solid var(--jp-border-color1, #999); }
.bench-form p, .bench-form li { font-size: .95rem; line-height: 1.45; margin: .25rem 0; max-width: 46rem;
  overflow-wrap: anywhere; }
.bench-form .bench-field, .bench-form .widget-vbox, .bench-form .widget-gridbox { overflow: visible; }
.bench-form .widget-gridbox { margin: .3rem 0; }
.bench-form > .bench-field, .bench-form .widget-vbox > .bench-field { margin: .3rem 0 !important; }
.bench-form .bench-field > .jupyter-widgets.widget-inline-hbox { flex-direction: column; align-items: stretch;
  width: auto; height: auto; margin: 0; }
.bench-form .bench-field .widget-label { width: auto; min-width: 0; max-width: none; height: auto;
  text-align: left; line-height: 1.3; font-size: .85rem; padding: 0 0 .15rem;
  color: var(--jp-ui-font-color1, #333);
  white-space: normal; overflow: visible; }
.bench-form .bench-field input[type=text], .bench-form .bench-field select { flex: none; width: 100%;
  height: 1.9rem; box-sizing: border-box; font-size: .95rem; }
.bench-form .bench-field.widget-checkbox, .bench-form .bench-tick > .widget-checkbox { width: auto; }
.bench-form .bench-faulty input, .bench-form .bench-faulty select, .bench-form .bench-faulty textarea {
  border: 2px solid var(--jp-error-color1, #b00020); }
.bench-form p.bench-wrong { color: var(--jp-error-color0, #9b0019); font-size: .85rem;
  line-height: 1.35; margin: .15rem 0 0; }
.bench-form .bench-caution { border-left: 5px solid #c77700; padding: .35rem .8rem; margin: .3rem 0 .6rem; }
.bench-form .bench-refused { border: 2px solid var(--jp-error-color1, #b00020); padding: .4rem .8rem; }
.bench-form .bench-done { border: 2px solid var(--jp-brand-color1, #1976d2); padding: .4rem .8rem; }
.bench-form p.bench-number { font-size: 1.25rem; font-weight: 600; }
.bench-form p.bench-soft { color: var(--jp-ui-font-color1, #444); font-size: .9rem; }
.bench-form table.bench-change { border-collapse: collapse; margin: .5rem 0; font-size: .95rem; }
.bench-form .bench-change caption { text-align: left; font-weight: 600; padding-bottom: .3rem;
  color: inherit; }
.bench-form .bench-change th, .bench-form .bench-change td { padding: .25rem .9rem .25rem 0; text-align: left;
  border-bottom: 1px solid var(--jp-border-color2, #ccc); vertical-align: top; }
</style>"""

NOT_SAID = "–"


class Field:
    """A labelled widget and the faults of what stands in it.

    Parameters
    ----------
    widget : ipywidgets.DOMWidget
        With its label as `description`.
    kind : str
        Class of the box around it, beside ``bench-field``.
    """

    def __init__(self, widget: Any, kind: str = "") -> None:
        self.widget = widget
        self._blank = widget.value
        self._wrong = widgets.HTML(layout=widgets.Layout(display="none"))
        self.box = widgets.VBox([widget, self._wrong], layout=widgets.Layout(margin="0"))
        self.box.add_class("bench-field")
        if kind:
            self.box.add_class(kind)

    @property
    def label(self) -> str:
        """What the field asks for."""
        return str(self.widget.description)

    @property
    def value(self) -> str | None:
        """What stands in it, without the space around it; None where that is nothing."""
        return clean_text(str(self.widget.value or "")) or None

    @property
    def is_ticked(self) -> bool:
        """Whether a tick box is ticked."""
        return self.widget.value is True

    def put(self, value: object) -> None:
        """Fill the field; None makes it blank."""
        self.widget.value = self._blank if value is None else value

    def clear(self) -> None:
        """Make it as it was at first."""
        self.widget.value = self._blank
        self.complain(())

    def show(self, is_shown: bool) -> None:
        """Show it or take it away."""
        self.box.layout.display = None if is_shown else "none"

    def complain(self, messages: Sequence[str]) -> None:
        """Show beside the field what is wrong with it; nothing takes earlier complaints away."""
        self._wrong.value = "".join(f'<p class="bench-wrong">✗ {text(each)}</p>' for each in messages)
        self._wrong.layout.display = None if messages else "none"
        (self.box.add_class if messages else self.box.remove_class)("bench-faulty")

    def on_change(self, act: Callable[[], object]) -> None:
        """Do something whenever another value stands in it."""
        self.widget.observe(lambda _: act(), names="value")


def line(label: str, *, hint: str = "", value: str = "") -> Field:
    """Make a field for one line of text."""
    return Field(widgets.Text(value=value, description=label, placeholder=hint, style=_style()))


def lines(label: str) -> Field:
    """Make a field for several lines."""
    return Field(widgets.Textarea(description=label, rows=2, style=_style()))


def offered(label: str, names: Iterable[str], *, hint: str = "") -> Field:
    """Make a field that offers names and takes others, too."""
    return Field(widgets.Combobox(description=label, options=tuple(names), placeholder=hint, style=_style()))


def choice(label: str, options: Iterable[str | tuple[str, str]], *, blank: str = NOT_SAID) -> Field:
    """Make a field for one word of a closed list, or for none."""
    listed = [(each, each) if isinstance(each, str) else each for each in options]
    first = [(blank, "")] if blank else []
    return Field(widgets.Dropdown(description=label, options=[*first, *listed], style=_style()))


def tick(label: str) -> Field:
    """Make a box to be ticked."""
    return Field(widgets.Checkbox(value=False, description=label, indent=False, style=_style()), "bench-tick")


def _style() -> dict[str, str]:
    return {"description_width": "initial"}


def heading(said: str, *more: str) -> Any:
    """Make a heading with paragraphs (markup) below it."""
    return widgets.HTML(f"<h3>{text(said)}</h3>{''.join(more)}")


def grid(fields: Iterable[Field], width: str = "13rem") -> Any:
    """Lay fields out in as many columns as there is room for."""
    return boxes([field.box for field in fields], width)


def boxes(children: Sequence[Any], width: str = "10rem") -> Any:
    """Lay widgets out in as many columns as there is room for."""
    columns = f"repeat(auto-fill, minmax({width}, 1fr))"
    layout = widgets.Layout(
        grid_template_columns=columns, grid_gap=".55rem 1rem", width="100%", overflow="visible"
    )
    return widgets.GridBox(list(children), layout=layout)


def refused(count: int, others: Sequence[str], labels: Sequence[str]) -> str:
    """Say that nothing was written and where the faults are; markup."""
    head = f"{count} fault{'' if count == 1 else 's'} found; nothing was written."
    beside = f" See beside: {', '.join(labels)}." if labels else ""
    listed = bullets([text(each) for each in others])
    return f'<div class="bench-refused" role="alert"><p>✗ {text(head)}{text(beside)}</p>{listed}</div>'


# What a job changed: odds, ceiling and verdict of its family before and after, in words.


_NUMBERS = ("usual_price", "ceiling", "expected_gain", "success_chance", "success_low", "success_high")
_NEVER_BOUGHT = "no verdict: what such a unit usually costs is not known"


@dataclass(frozen=True)
class Standing:
    """How a family stands: a usual unit of it, at the price usually paid, nobody having looked yet.

    Money in whole cents of `currency`, NaN where not known; shares 0 to 1.
    """

    currency: str
    verdict: str | None
    jobs_seen: int
    usual_price: float
    ceiling: float
    expected_gain: float
    success_chance: float
    success_low: float
    success_high: float


@dataclass(frozen=True)
class Snapshot:
    """A ledger at one moment: what it held, and what was fitted to that."""

    appraiser: "Appraiser"
    records: "Records"

    @property
    def day(self) -> datetime.date:
        """The day that pages about it speak for."""
        from reliability.worth.appraiser import last_day

        return last_day(self.records)

    def standing(self, family: str, day: datetime.date) -> Standing | None:
        """Work out how a family stands, as the pages do."""
        from reliability.worth.review import ranking

        if family not in self.appraiser.families:
            return None
        alone = replace(self.appraiser, families={family: self.appraiser.families[family]})
        row = ranking(alone, self.records, as_of=day).iloc[0]
        numbers = {each: float(row[each]) for each in _NUMBERS}
        verdict = row["verdict"] if format.is_known(row["verdict"]) else None
        return Standing(self.appraiser.currency, verdict, int(row["jobs_seen"]), **numbers)


def snapshot_of(ledger: "Ledger", *, warn: Callable[[str], object]) -> Snapshot:
    """Read a ledger and fit what is known."""
    from reliability.records.frames import read_records
    from reliability.worth.appraiser import appraiser_of

    return Snapshot(appraiser_of(ledger, warn=warn), read_records(ledger))


def change_shown(family: str, job: str, before: Standing | None, after: Standing) -> Shown:
    """Show what a job changed for its family."""
    rows = [
        ("Verdict at the usual price", _verdict(before), _verdict(after)),
        ("Usual price", _usual(before), _usual(after)),
        ("Take up to (ceiling)", _ceiling(before), _ceiling(after)),
        ("Chance of a repair", _chance(before), _chance(after)),
        ("90 % interval of that chance", _interval(before), _interval(after)),
        ("Mean gain at the usual price", _gain(before), _gain(after)),
        ("Finished jobs of the family", _jobs(before), _jobs(after)),
    ]
    lines = "".join(
        f'<tr><th scope="row">{text(label)}</th><td>{first}</td><td>{then}</td></tr>'
        for label, first, then in rows
    )
    caption = f"{name(family)}, before and after job {name(job)}"
    table = (
        f'<table class="bench-change"><caption>{caption}</caption><thead><tr><td></td>'
        f'<th scope="col">before</th><th scope="col">after</th></tr></thead><tbody>{lines}</tbody></table>'
    )
    return Shown(paragraph(_sentence(family, before, after)) + table)


def _sentence(family: str, before: Standing | None, after: Standing) -> str:
    """Say in words what changed; markup."""
    whose = name(family)
    if before is None:
        return (
            f"{whose} is new to the ledger: a repair works out in {text(_chance(after))} of such units, "
            f"most of that borrowed from its kind. {_advice(after)}"
        )
    if all(each(before) == each(after) for each in (_verdict, _ceiling, _chance)):
        return f"Of {whose}, verdict, ceiling and odds stay as they were. {_advice(after)}"
    moved = "stays" if _chance(before) == _chance(after) else f"was {text(_chance(before))} and is now"
    odds = f"Of {whose}, the chance of a repair {moved} {text(_chance(after))}"
    if _ceiling(before) != _ceiling(after):
        odds += f"; the ceiling moves from {text(_ceiling(before))} to {text(_ceiling(after))}"
    return f"{odds}. {_turn(before, after)}{_advice(after)}"


def _turn(before: Standing, after: Standing) -> str:
    if before.verdict == after.verdict or None in (before.verdict, after.verdict):
        return ""
    return f"The verdict turns from {text(before.verdict)} to {text(after.verdict)}. "


def _advice(after: Standing) -> str:
    if after.verdict is None:
        return f"There is {text(_NEVER_BOUGHT)}."
    price = text(format.money(after.usual_price, after.currency))
    return f"At {price}, the price usually paid, the verdict is now: {text(after.verdict)}."


def _verdict(standing: Standing | None) -> str:
    if standing is None or standing.verdict is None:
        return format.NOTHING
    return verdict_mark(standing.verdict)


def _ceiling(standing: Standing | None) -> str:
    if standing is None:
        return format.NOTHING
    return (
        format.money(standing.ceiling, standing.currency)
        if standing.ceiling > 0
        else "nothing, not even as a gift"
    )


def _usual(standing: Standing | None) -> str:
    return format.NOTHING if standing is None else format.money(standing.usual_price, standing.currency)


def _gain(standing: Standing | None) -> str:
    return format.NOTHING if standing is None else format.money(standing.expected_gain, standing.currency)


def _chance(standing: Standing | None) -> str:
    return format.NOTHING if standing is None else format.share(standing.success_chance)


def _interval(standing: Standing | None) -> str:
    return format.NOTHING if standing is None else format.span(standing.success_low, standing.success_high)


def _jobs(standing: Standing | None) -> str:
    return "0" if standing is None else str(standing.jobs_seen)


# The ledger behind the form: what it offers to choose from, and how the form writes to it.


_HOW_TO_ADD = "tick that it is new, and say what kind it is"


@dataclass(frozen=True)
class Choices:
    """What the form offers: names that the ledger knows, and jobs that are still open.

    Parameters
    ----------
    families, models : dict of str to str
        Kind of each family; family of each model.
    components, signs, kinds : list of str
        Usual ones included.
    waiting : list of dict
        Open jobs, oldest first: job, family, model, taken_in.
    """

    families: dict[str, str] = field(default_factory=dict)
    models: dict[str, str] = field(default_factory=dict)
    components: list[str] = field(default_factory=list)
    signs: list[str] = field(default_factory=list)
    kinds: list[str] = field(default_factory=list)
    waiting: list[dict[str, Any]] = field(default_factory=list)

    def usual(self, family: str | None, kind: str | None = None) -> tuple[str, ...]:
        """Give the components to look at in a unit of a family, or of a kind for a new one."""
        return usual_components(self.families.get(family or "", kind or None))


@dataclass(frozen=True)
class Done:
    """What was written, and how its family stood before and after.

    Parameters
    ----------
    written : Written
        Number, family and notes.
    before, after : Standing or None
        None where it was not asked, the family was not known yet, or it could not be worked out.
    trouble : tuple of str
        Why something could not be worked out or kept.
    """

    written: Written
    before: Standing | None = None
    after: Standing | None = None
    trouble: tuple[str, ...] = ()


@dataclass
class Desk:
    """A ledger as the form uses it.

    Parameters
    ----------
    address : str
        File or URL.
    origin : str
        Who named it.
    fixed_day : date, optional
        Taken for today; a notebook that stays open goes with the calendar.
    """

    address: str
    origin: str = ""
    fixed_day: datetime.date | None = None
    _watchers: list[Callable[[], None]] = field(default_factory=list, repr=False)

    def _repr_html_(self) -> str:
        return desk_shown(self)

    @property
    def today(self) -> datetime.date:
        """The day that stands for what a job does not date."""
        return self.fixed_day or datetime.date.today()

    @property
    def is_missing(self) -> bool:
        """Whether the ledger is a file that is still to be made."""
        return "://" not in self.address and not Path(self.address).exists()

    def intake_form(self) -> "IntakeForm":
        """Make the form in which a unit is taken in."""
        return IntakeForm(self)

    def job_form(self) -> "JobForm":
        """Make the form in which a job is written up."""
        return JobForm(self)

    def watch(self, watcher: Callable[[], None]) -> None:
        """Call `watcher` whenever something was written."""
        self._watchers.append(watcher)

    def choices(self) -> Choices:
        """Read what the ledger knows; only the usual names where there is none yet."""
        if self.is_missing:
            return _choices(Names.of(None), [])
        with open_ledger(self.address) as ledger:
            return _choices(Names.of(ledger), open_jobs(ledger))

    def job(self, number: str) -> JobDocument:
        """Read an open job."""
        with open_ledger(self.address) as ledger:
            return ledger.job(number)

    def take_in(self, answers: Answers) -> Done:
        """Take a unit in, as `benchodds intake` does."""
        read = answers.read(self.choices().components)
        unit, family = read.document, read.new_family
        unit["job"].setdefault("taken_in", self.today.isoformat())

        def check(ledger: "Ledger | None") -> None:
            check_unit(ledger, unit, family, how_to_add=_HOW_TO_ADD)

        self._check(check, read.faults)
        with open_ledger(self.address, create=True) as ledger:
            done = Done(take_in(ledger, unit, new_family=family, how_to_add=_HOW_TO_ADD))
        self._tell()
        return done

    def write_up(self, answers: Answers, *, say: Callable[[str], object] = lambda _: None) -> Done:
        """Write up a finished job, as `benchodds add` does, and work out what it changed."""
        read = answers.read(self.choices().components)
        given: dict[str, Any] = {
            "today": self.today, "new_components": read.new_components, "how_to_add": _HOW_TO_ADD,
        }  # fmt: skip
        try:
            self._check(lambda ledger: check_sheets(ledger, [read.sheet], **given))
        except FaultsFound as error:
            if not (number := read.document["job"].get("job")):
                raise
            refuse(renumbered(error.found, self.job(number), read.document))
        trouble: list[str] = []
        with open_ledger(self.address, create=True) as ledger:
            say("No fault found. Fitting what is known without this job …")
            before = _attempt(partial(snapshot_of, ledger, warn=trouble.append), trouble)
            (written,) = write_up(ledger, [read.sheet], **given)
            self._tell()
            say(f"Job {written.job} is written. Fitting what is known with it …")
            after = _attempt(partial(snapshot_of, ledger, warn=trouble.append), trouble)
        if before is None or after is None:
            return Done(written, trouble=tuple(trouble))
        first, then = (each.standing(written.family, after.day) for each in (before, after))
        return Done(written, first, then, tuple(dict.fromkeys(trouble)))

    def _tell(self) -> None:
        for watcher in self._watchers:
            watcher()

    def _check(self, check: Callable[["Ledger | None"], object], faults: tuple[Any, ...] = ()) -> None:
        """Check everything before the ledger is made or written; list all faults together."""
        found = list(faults)
        try:
            if self.is_missing:
                check(None)
            else:
                with open_ledger(self.address) as ledger:
                    check(ledger)
        except FaultsFound as error:
            found += error.found
        refuse(found)


def _attempt(fit: Callable[[], Snapshot], trouble: list[str]) -> Snapshot | None:
    """Fit; where that cannot be done say why, for the job is worth more than what it teaches."""
    try:
        return fit()
    except BenchoddsError as error:
        trouble.append(f"What the job changed cannot be told: {error}")
        return None


def _choices(names: Names, waiting: list[dict[str, Any]]) -> Choices:
    kinds = {kind for kind in USUAL_COMPONENTS if kind != "other"} | set(names.families.values())
    others = sorted(names.signs - set(USUAL_SIGNS))
    return Choices(
        names.families,
        names.models,
        sorted(names.components),
        [*USUAL_SIGNS, *others],
        sorted(kinds),
        waiting,
    )


def open_desk(ledger: str = "", *, today: datetime.date | None = None) -> Desk:
    """Choose the ledger as the commands do, and look whether it can be read."""
    address, origin = ledger_address(ledger)
    desk = Desk(address, origin, today)
    desk.choices()
    return desk


def desk_shown(desk: Desk) -> str:
    """Say which ledger it is, who named it, and what waits on the bench; markup."""
    origin = f" ({text(desk.origin)})" if desk.origin else ""
    if desk.is_missing:
        told = "It does not exist yet: the first unit or job makes it."
    else:
        choices = desk.choices()
        waiting = [f"{name(row['job'])} ({name(row['family'])})" for row in choices.waiting]
        families = format.counted(len(choices.families), "family", "families")
        told = f"It knows {text(families)}. Open on the bench: {format.listed(waiting) or 'nothing'}."
    where = shown_url(parse_url(desk.address))
    return paragraph(f"Ledger: <code>{text(where)}</code>{origin}.", told)


# Parts that both forms have: the unit and its signs.


_JOBS = TABLES["jobs"]
DAY = "2026-05-17, or 2026-05"
YEARS = "1979, or 1978-1981"


class UnitPart:
    """What the unit is, how old it is and what it cost.

    Parameters
    ----------
    choices : Choices
        What the ledger knows.
    day : str
        Offered as the day on which it came.
    """

    def __init__(self, choices: Choices, day: str) -> None:
        self.family = offered("Family", sorted(choices.families), hint="as the ledger writes it")
        self.is_new = tick("This family is new to the ledger")
        self.kind = offered("Kind of the new family", choices.kinds, hint="tape deck, receiver …")
        self.maker = line("Maker of the new family")
        self.working_price = line("A serviced unit of it fetches", hint="your estimate")
        self._new = (self.kind, self.maker, self.working_price)
        self._job = {
            "model": offered("Model (front panel)", ()),
            "built": line("Built in", hint=YEARS),
            "year_basis": choice("How the year is known", _JOBS["year_basis"].allowed),
            "taken_in": line("Came in on", hint=DAY, value=day),
            "bought_for": line("Bought for", hint="25.00"),
            "lot": line("Lot (bought together)"),
        }
        self.reload(choices)
        self._show_new()
        self.is_new.on_change(self._show_new)
        self.family.on_change(self._offer_models)
        self.box = widgets.VBox(
            [heading("The unit"), grid([self.family, self.is_new, *self._new, *self._job.values()])]
        )

    def reload(self, choices: Choices) -> None:
        """Offer what the ledger knows now."""
        self._choices = choices
        self.family.widget.options = tuple(sorted(choices.families))
        self.kind.widget.options = tuple(choices.kinds)
        self._offer_models()

    def _offer_models(self) -> None:
        family = self.family.value
        models = self._choices.models
        self._job["model"].widget.options = tuple(
            sorted(each for each in models if models[each] == family or family not in self._choices.families)
        )

    def _show_new(self) -> None:
        for each in self._new:
            each.show(self.is_new.is_ticked)

    @property
    def spots(self) -> dict[Spot, Field]:
        """Which field shows the faults of which column."""
        found = {Spot("job", 0, column): field for column, field in self._job.items()}
        found |= {Spot("job", 0, column): self._job["built"] for column in ("built_from", "built_to")}
        found |= {Spot("job", 0, "family"): self.family, Spot("new_family", 0, ""): self.is_new}
        found |= {Spot("new_family", 0, "kind"): self.kind, Spot("new_family", 0, "maker"): self.maker}
        return found | {Spot("new_family", 0, "working_price"): self.working_price}

    def job(self) -> dict[str, Any]:
        """Give the columns of the job, empty ones left out."""
        said: dict[str, Any] = {
            "family": self.family.value,
            **{name: each.value for name, each in self._job.items()},
        }
        return {name: value for name, value in said.items() if value is not None}

    def new_family(self, today: str) -> dict[str, Any] | None:
        """Give the columns of a new family; None where it is known."""
        if not self.is_new.is_ticked:
            return None
        price = self.working_price.value
        said = {"kind": self.kind.value, "maker": self.maker.value, "working_price": price}
        return {**said, "priced_on": today if price else None}

    def fill(self, job: dict[str, Any]) -> None:
        """Show what the ledger knows of an open job; its family is fixed."""
        self.family.put(job["family"])
        years = [str(job[each]) for each in ("built_from", "built_to") if job[each] is not None]
        self._job["built"].put("-".join(dict.fromkeys(years)) or None)
        for column in ("model", "year_basis", "taken_in", "bought_for", "lot"):
            self._job[column].put(None if job[column] is None else str(job[column]))
        self.hold(True)

    def hold(self, is_held: bool) -> None:
        """Fix the family of a job that was taken in, or let it be chosen."""
        self.family.widget.disabled = is_held
        self.is_new.show(not is_held)


class SignsPart:
    """What could be seen before any tool was picked up.

    Parameters
    ----------
    signs : sequence of str
        Usual and known ones.
    """

    def __init__(self, signs: list[str]) -> None:
        self._rows = {sign: choice(sign, ("yes", "no"), blank="nobody looked") for sign in signs}
        self.other = line("Another sign", hint="in your own words")
        self.other_seen = choice("Was the other sign there?", ("yes", "no"), blank="nobody looked")
        self.box = widgets.VBox(
            [
                heading(
                    "Signs", '<p class="bench-soft">What could be seen before any tool was picked up.</p>'
                ),
                grid(self._rows.values(), "9.5rem"),
                grid([self.other, self.other_seen]),
            ]
        )

    def rows(self) -> list[dict[str, Any]]:
        """Give the signs that somebody looked for."""
        said: list[dict[str, Any]] = [
            {"sign": sign, "seen": each.value} for sign, each in self._rows.items() if each.value
        ]
        if self.other.value or self.other_seen.value:
            said.append({"sign": self.other.value, "seen": self.other_seen.value})
        return said

    @property
    def spots(self) -> dict[Spot, Field]:
        """Which field shows the faults of which row, in the order of `rows`."""
        looked = [each for each in self._rows.values() if each.value]
        found = {Spot("sign", row, "seen"): each for row, each in enumerate(looked)}
        found[Spot("sign", len(looked), "sign")] = self.other
        found[Spot("sign", len(looked), "seen")] = self.other_seen
        return found

    def fill(self, rows: list[dict[str, Any]]) -> None:
        """Show the signs that the ledger knows of an open job."""
        for row in rows:
            if row["sign"] in self._rows:
                self._rows[row["sign"]].put(row["seen"])

    @property
    def fields(self) -> list[Field]:
        """All of them."""
        return [*self._rows.values(), self.other, self.other_seen]


def remarks() -> Field:
    """Make the field for anything else."""
    return lines("Anything else")


# What was found: one line per component, more fields where there is more to say.


_FINDINGS = TABLES["findings"]
_FOUND = [("sound", "sound"), ("worn: works, but is replaced", "worn"), ("failed", "failed")]
_BY_STATE = ("arose", "action", "part_cost", "part_source")


class FindingRow:
    """One component of the unit.

    Parameters
    ----------
    component : str
        Its name; empty for a row whose component is still to be named.
    known : iterable of str
        Components to offer for such a row.
    number : int
        Of such a row, so that no two fields are called the same.
    """

    def __init__(self, component: str = "", known: Iterable[str] = (), number: int = 0) -> None:
        self._component = component
        what = component or f"further {number}"
        self.name = offered(f"Further component {number}", known, hint="or a second one, with its position")
        self.is_new = tick(f"Further {number} is new to the ledger")
        self.found = choice(component or f"{what}: state", _FOUND, blank="not examined")
        self._more = {
            "position": line(f"{what}: position", hint="left, right …"),
            "original": choice(f"{what}: original part?", _FINDINGS["original"].allowed),
            "fitted": line(f"{what}: fitted in", hint=YEARS),
            "arose": choice(f"{what}: failed when?", ("as received", "during work"), blank=""),
            "action": choice(f"{what}: what was done", _FINDINGS["action"].allowed),
            "part_cost": line(f"{what}: part cost", hint="4.50"),
            "part_source": choice(f"{what}: part was", _FINDINGS["part_source"].allowed),
        }
        self.head = self.found.box if component else grid([self.name, self.is_new, self.found])
        self.details = grid(self._more.values(), "10rem")
        self._unfold()
        for each in (self.found, self._more["original"], self.name):
            each.on_change(self._unfold)

    def _unfold(self) -> None:
        """Ask only what the state leaves to be asked."""
        state = self.found.value
        is_bad = state in ("worn", "failed")
        self.details.layout.display = "none" if state is None else None
        # Of a sound part one thing is asked; such questions stand side by side.
        self.details.layout.grid_column = "1 / -1" if is_bad or not self._component else None
        self._more["position"].show(is_bad or not self._component)
        self._more["fitted"].show(self._more["original"].value == "no")
        for column in _BY_STATE:
            self._more[column].show(is_bad and (column != "arose" or state == "failed"))

    @property
    def is_said(self) -> bool:
        """Whether the row says anything."""
        return bool(self.found.value or self.name.value)

    @property
    def fields(self) -> list[Field]:
        """All of them."""
        return [self.name, self.is_new, self.found, *self._more.values()]

    def row(self) -> dict[str, Any]:
        """Give the finding; fields that are folded away say nothing."""
        state = self.found.value
        said: dict[str, Any] = {"component": self._component or self.name.value or "", "found": state}
        columns = ["original"] if state == "sound" and self._component else ["position", "original"]
        columns += ["fitted"] if self._more["original"].value == "no" else []
        columns += [each for each in _BY_STATE if state == "failed" or (state == "worn" and each != "arose")]
        said |= {column: self._more[column].value for column in columns}
        said["is_new"] = self.is_new.is_ticked
        return {name: value for name, value in said.items() if value is not None}

    def spots(self, number: int) -> dict[Spot, Field]:
        """Which field shows the faults of which column of the finding with this number."""
        found = {Spot("finding", number, column): field for column, field in self._more.items()}
        found |= {
            Spot("finding", number, each): self._more["fitted"] for each in ("fitted_from", "fitted_to")
        }
        found[Spot("finding", number, "component")] = self.found if self._component else self.name
        return found | {Spot("finding", number, "found"): self.found}

    def fill(self, row: dict[str, Any]) -> None:
        """Show a finding that the ledger holds."""
        years = [str(row[each]) for each in ("fitted_from", "fitted_to") if row[each] is not None]
        self.name.put(row["component"])
        for column in ("position", "original", *_BY_STATE):
            self._more[column].put(None if row[column] is None else str(row[column]))
        self._more["fitted"].put("-".join(dict.fromkeys(years)) or None)
        self.found.put(row["found"])


class FindingsPart:
    """The usual components of the unit's kind, and any others.

    Parameters
    ----------
    components : iterable of str
        Known ones, offered for further rows.
    cautions : str
        Markup that stands before the rows.
    on_new_row : callable
        Told of each row that is added, to watch its fields.
    """

    def __init__(
        self, components: Iterable[str], cautions: str, on_new_row: Callable[[FindingRow], object]
    ) -> None:
        self._known = sorted(components)
        self._on_new_row = on_new_row
        self._usual: dict[str, FindingRow] = {}
        self._others: list[FindingRow] = []
        self.cautions = widgets.HTML(cautions)
        self._states = boxes([])
        self._details = boxes([])
        self._further = widgets.VBox([])
        self.rest_sound = widgets.Button(
            description="All others were examined and are sound", layout=widgets.Layout(width="auto")
        )
        self.another = widgets.Button(
            description="Add a further component", layout=widgets.Layout(width="auto")
        )
        self.rest_sound.on_click(lambda _: self._call_rest_sound())
        self.another.on_click(lambda _: self.add_row())
        self.box = widgets.VBox(
            [
                heading(
                    "What was found",
                    '<p class="bench-soft">Leave what nobody examined as it is: it counts neither way.</p>',
                ),
                self.cautions,
                self._states,
                self._details,
                self._further,
                widgets.HBox([self.rest_sound, self.another], layout=widgets.Layout(flex_flow="row wrap")),
            ]
        )

    def ask_for(self, components: Iterable[str]) -> None:
        """Show these usual components; what was said of those that stay, stays."""
        before = self._usual
        self._usual = {}
        for component in components:
            self._usual[component] = before.get(component) or self._made(FindingRow(component))
        self._lay()

    def add_row(self) -> FindingRow:
        """Add a row for a component that is not among the usual ones, or for a second one of them."""
        row = self._made(FindingRow(known=self._known, number=len(self._others) + 1))
        self._others.append(row)
        self._lay()
        return row

    def _made(self, row: FindingRow) -> FindingRow:
        self._on_new_row(row)
        return row

    def _lay(self) -> None:
        self._states.children = [row.head for row in self._usual.values()]
        self._details.children = [row.details for row in self._usual.values()]
        self._further.children = [box for row in self._others for box in (row.head, row.details)]

    def _call_rest_sound(self) -> None:
        for row in self._usual.values():
            if row.found.value is None:
                row.found.put("sound")

    def rows(self) -> list[dict[str, Any]]:
        """Give what was found, row by row."""
        return [row.row() for row in self._said()]

    def _said(self) -> list[FindingRow]:
        return [row for row in (*self._usual.values(), *self._others) if row.is_said]

    @property
    def spots(self) -> dict[Spot, Field]:
        """Which field shows the faults of which row, in the order of `rows`."""
        found: dict[Spot, Field] = {}
        for number, row in enumerate(self._said()):
            found |= row.spots(number)
        return found

    @property
    def fields(self) -> list[Field]:
        """All of them."""
        return [field for row in (*self._usual.values(), *self._others) for field in row.fields]

    def fill(self, rows: Iterable[dict[str, Any]]) -> None:
        """Show the findings that the ledger holds of an open job."""
        for row in rows:
            usual = self._usual.get(row["component"])
            is_free = usual is not None and not usual.is_said and not row["position"]
            (usual if is_free and usual is not None else self.add_row()).fill(row)

    def clear(self) -> None:
        """Forget everything that was found."""
        self._usual, self._others = {}, []
        self._lay()


# What both forms do: show faults beside their fields, save once, tell what came of it.


class SheetForm(ABC):
    """A form over one ledger; shown as the last value of a notebook's cell.

    Parameters
    ----------
    desk : Desk
        The ledger.
    button : str
        What the button says.
    """

    def __init__(self, desk: Desk, button: str) -> None:
        self._desk = desk
        self._is_quiet = False
        self.choices = desk.choices()
        self.remarks = remarks()
        self.button = widgets.Button(
            description=button,
            button_style="primary",
            layout=widgets.Layout(width="auto", align_self="flex-start", margin=".8rem 0"),
        )
        self.button.on_click(lambda _: self.save())
        self.message = widgets.HTML()
        self.result = widgets.HTML()
        self._begin()
        desk.watch(self._reload)

    def _begin(self) -> None:
        """Put empty parts into the form."""
        self.unit = UnitPart(self.choices, self._desk.today.isoformat())
        self.signs = SignsPart(self.choices.signs)

    def _laid_out(self, *parts: Any) -> Any:
        """Put the parts one below the other, with the button and what it answers at the foot."""
        box = widgets.VBox([widgets.HTML(STYLE), *parts, self.button, self.message, self.result])
        box.add_class("bench-form")
        return box

    @property
    @abstractmethod
    def box(self) -> Any:
        """The widget that holds the form."""

    def _ipython_display_(self) -> None:
        from IPython.display import display

        display(self.box)

    @abstractmethod
    def answers(self) -> Answers:
        """Give what stands in the fields."""

    @property
    @abstractmethod
    def spots(self) -> dict[Spot, Field]:
        """Which field shows the faults of which column."""

    @abstractmethod
    def _write(self, answers: Answers) -> Done:
        """Write it into the ledger."""

    @abstractmethod
    def _told(self, done: Done) -> str:
        """Say what was written; markup."""

    @abstractmethod
    def _clear(self) -> None:
        """Make the form ready for the next one."""

    def _reload(self) -> None:
        """Offer what the ledger knows now."""
        self.choices = self._desk.choices()
        self.unit.reload(self.choices)

    def watch(self, fields: Iterable[Field]) -> None:
        """Let a change in any of these fields unlock the button again."""
        for each in fields:
            each.on_change(self._unlock)

    def _unlock(self) -> None:
        if not self._is_quiet:
            self.button.disabled = False

    @contextmanager
    def _quietly(self) -> Iterator[None]:
        """Change fields without taking it for a change that somebody made."""
        before, self._is_quiet = self._is_quiet, True
        try:
            yield
        finally:
            self._is_quiet = before

    def say(self, line: str) -> None:
        """Say in one line what is being done."""
        self.message.value = f'<p role="status">{text(line)}</p>'

    def save(self) -> None:
        """Check and write; a second press before anything was changed does nothing."""
        if self.button.disabled:
            return
        self.button.disabled = True
        self.result.value = ""
        self.say("Checking …")
        for spot in self.spots.values():
            spot.complain(())
        try:
            done = self._write(self.answers())
        except FaultsFound as error:
            self._show_faults(error.found)
            self.button.disabled = False
        except BenchoddsError as error:
            self.message.value = refused(1, [str(error)], [])
            self.button.disabled = False
        except BaseException:
            self.button.disabled = False
            raise
        else:
            self.message.value = ""
            self.result.value = self._told(done)
            with self._quietly():
                self._clear()

    def _show_faults(self, found: tuple[Fault | str, ...]) -> None:
        spots = self.spots
        beside, others = sorted_out(found, spots)
        labels = []
        for spot, messages in beside.items():
            spots[spot].complain(messages)
            labels.append(spots[spot].label)
        self.message.value = refused(len(found), others, list(dict.fromkeys(labels)))


# A unit comes in: what it is, what it cost, what could be seen; it gets its number.


class IntakeForm(SheetForm):
    """Writes what `benchodds intake` writes.

    Parameters
    ----------
    desk : Desk
        The ledger.
    """

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk, "Take it in")
        self._box = self._laid_out(self.unit.box, self.signs.box, self.remarks.box)
        self.watch([*self.spots.values(), *self.signs.fields, self.unit.is_new])

    @property
    def box(self) -> Any:
        """The widget that holds the form."""
        return self._box

    def answers(self) -> Answers:
        """Give what stands in the fields."""
        job = self.unit.job()
        if self.remarks.value:
            job["remarks"] = self.remarks.value
        return Answers(job, [], self.signs.rows(), self.unit.new_family(self._desk.today.isoformat()))

    @property
    def spots(self) -> dict[Spot, Field]:
        """Which field shows the faults of which column."""
        return {**self.unit.spots, **self.signs.spots, Spot("job", 0, "remarks"): self.remarks}

    def _write(self, answers: Answers) -> Done:
        return self._desk.take_in(answers)

    def _told(self, done: Done) -> str:
        written = done.written
        return (
            '<div class="bench-done" role="status"><p class="bench-number">'
            f"Job {name(written.job)}: write this number on its label</p>"
            f"<p>{name(written.family)} is taken in.</p>"
            f"{bullets([text(each) for each in written.notes])}</div>"
        )

    def _clear(self) -> None:
        for each in {id(spot): spot for spot in (*self.unit.spots.values(), *self.signs.fields)}.values():
            each.clear()
        self.remarks.clear()


# A job is written up: what was found and done, how it ended, and what that changed.


_UNREPAIRED = ("ended_by", "ended_why")
_SALE = ("sold_for", "sold_on")
_OUTCOMES = [
    ("repaired", "repaired"),
    ("donor: kept for parts", "donor"),
    ("scrapped", "scrapped"),
    ("sold as is: unrepaired", "sold as is"),
]


class EndingPart:
    """How the job ended, and what it took and brought.

    Parameters
    ----------
    components : list of str
        Offered for what ended it.
    day : str
        Offered as the day on which it ended.
    """

    def __init__(self, components: list[str], day: str) -> None:
        self._day = day
        self.fields: dict[str, Field] = {
            "outcome": choice("Outcome", _OUTCOMES),
            "closed": line("Ended on", hint=DAY, value=day),
            "ended_by": offered("Which component ended it?", components),
            "ended_why": choice("Why?", _JOBS["ended_why"].allowed),
            "hours": line("Bench hours", hint="3.5"),
            "other_costs": line("Other costs", hint="postage, consumables, travel"),
            "sold_for": line("Sold for", hint="empty while unsold"),
            "sold_on": line("Sold on", hint=DAY),
            "salvage_value": line("Worth of the parts kept", hint="at what used ones cost"),
        }
        self._unfold()
        self.fields["outcome"].on_change(self._unfold)
        self.box = widgets.VBox([heading("How it ended"), grid(self.fields.values())])

    def _unfold(self) -> None:
        for column, each in self.fields.items():
            each.show(self._is_asked(column))

    def _is_asked(self, column: str) -> bool:
        """Tell whether a column says anything of a job that ended this way."""
        outcome = self.fields["outcome"].value
        if column in _UNREPAIRED:
            return outcome not in (None, "repaired")
        return column not in _SALE or outcome in (None, "repaired", "sold as is")

    def job(self) -> dict[str, Any]:
        """Give the columns of the job, empty and folded ones left out."""
        said = {column: each.value for column, each in self.fields.items() if self._is_asked(column)}
        return {column: value for column, value in said.items() if value is not None}

    @property
    def spots(self) -> dict[Spot, Field]:
        """Which field shows the faults of which column."""
        return {Spot("job", 0, column): each for column, each in self.fields.items()}


class JobForm(SheetForm):
    """Writes what `benchodds add` writes, and shows what the job changed.

    Parameters
    ----------
    desk : Desk
        The ledger.
    """

    def __init__(self, desk: Desk) -> None:
        self.which = choice("Which unit?", (), blank="one that was not taken in before")
        self._parts = widgets.VBox([])
        super().__init__(desk, "Write it up")
        self._offer_open()
        self.which.on_change(self._chosen)
        self._box = self._laid_out(self.which.box, self._parts)
        self.watch([self.which, self.remarks])

    def _begin(self) -> None:
        super()._begin()
        self.findings = FindingsPart(self.choices.components, "", lambda row: self.watch(row.fields))
        self.ending = EndingPart(self.choices.components, self._desk.today.isoformat())
        self.unit.family.on_change(self._ask_usual)
        self.unit.kind.on_change(self._ask_usual)
        self._ask_usual()
        self._parts.children = [
            self.unit.box, self.signs.box, self.findings.box, self.ending.box, self.remarks.box
        ]  # fmt: skip
        ours = [*self.unit.spots.values(), self.unit.is_new, *self.signs.fields, *self.ending.fields.values()]
        self.watch(ours)

    @property
    def box(self) -> Any:
        """The widget that holds the form."""
        return self._box

    def _offer_open(self) -> None:
        labels = [
            (f"job {row['job']}: {row['family']}, in since {row['taken_in']}", row["job"])
            for row in self.choices.waiting
        ]
        self.which.widget.options = [("one that was not taken in before", ""), *labels]

    def _reload(self) -> None:
        super()._reload()
        chosen = self.which.value
        with self._quietly():
            self._offer_open()
            if chosen in [row["job"] for row in self.choices.waiting]:
                self.which.put(chosen)

    def _chosen(self) -> None:
        """Show what is known of the open job, or an empty form."""
        if self._is_quiet:
            return
        self._begin()
        self.result.value = self.message.value = ""
        if self.which.value is None:
            return
        document = self._desk.job(self.which.value)
        self.unit.fill(document["job"])
        self.signs.fill(document["signs"])
        self.findings.fill(document["findings"])
        self.remarks.put(document["job"]["remarks"])

    def _ask_usual(self) -> None:
        kind = self.choices.families.get(self.unit.family.value or "") or self.unit.kind.value
        self.findings.cautions.value = _cautions(kind or "")
        self.findings.ask_for(self.choices.usual(self.unit.family.value, self.unit.kind.value))

    def answers(self) -> Answers:
        """Give what stands in the fields."""
        job = {**self.unit.job(), **self.ending.job()}
        job |= {"job": self.which.value} if self.which.value else {}
        job |= {"remarks": self.remarks.value} if self.remarks.value else {}
        family = self.unit.new_family(self._desk.today.isoformat())
        return Answers(job, self.findings.rows(), self.signs.rows(), family)

    @property
    def spots(self) -> dict[Spot, Field]:
        """Which field shows the faults of which column."""
        whole = {Spot("job", 0, "remarks"): self.remarks, Spot("job", 0, "job"): self.which}
        return {**self.unit.spots, **self.signs.spots, **self.findings.spots, **self.ending.spots, **whole}

    def _write(self, answers: Answers) -> Done:
        return self._desk.write_up(answers, say=self.say)

    def _told(self, done: Done) -> str:
        written = done.written
        said = [text(each) for each in (*written.notes, *done.trouble)]
        changed = ""
        if done.after is not None:
            changed = change_shown(written.family, written.job, done.before, done.after).html
            changed += paragraph(
                "The other families learn from it too; <code>benchodds report</code> remakes their pages.",
                kind="bench-soft",
            )
        return (
            '<div class="bench-done" role="status"><p class="bench-number">'
            f"Job {name(written.job)} is written: {name(written.family)}, {text(written.outcome)}</p>"
            f"{bullets(said)}{changed}</div>"
        )

    def _clear(self) -> None:
        self.which.clear()
        self.remarks.clear()
        self._begin()


def _cautions(kind: str) -> str:
    """Say what can hurt, where the hands are about to go in; markup."""
    first, *rest = cautions(kind or "of no kind yet")
    more = bullets([text(each) for each in rest])
    return f'<div class="bench-caution"><p><strong>Before you open it.</strong> {text(first)}</p>{more}</div>'
