"""A job is written up: what was found and done, how it ended, and what that changed."""

from typing import Any

import ipywidgets as widgets  # type: ignore[import-untyped]

from reliability.records.tables import TABLES
from reliability.report.cautions import cautions
from reliability.report.form.answers import Answers, Spot
from reliability.report.form.desk import Desk, Done
from reliability.report.form.fields import Field, choice, grid, heading, line, offered
from reliability.report.form.findings_part import FindingsPart
from reliability.report.form.parts import DAY
from reliability.report.form.sheet_form import SheetForm
from reliability.report.form.standing import change_shown
from reliability.report.html import bullets, name, paragraph, text

_JOBS = TABLES["jobs"]
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
