"""A unit comes in: what it is, what it cost, what could be seen; it gets its number."""

from typing import Any

from reliability.report.form.answers import Answers, Spot
from reliability.report.form.desk import Desk, Done
from reliability.report.form.fields import Field
from reliability.report.form.sheet_form import SheetForm
from reliability.report.html import bullets, name, text


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
        for each in {id(field): field for field in (*self.unit.spots.values(), *self.signs.fields)}.values():
            each.clear()
        self.remarks.clear()
