"""What both forms do: show faults beside their fields, save once, tell what came of it."""

from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any

import ipywidgets as widgets  # type: ignore[import-untyped]

from reliability.errors import BenchoddsError
from reliability.records.values import Fault, FaultsFound
from reliability.report.form.answers import Answers, Spot, sorted_out
from reliability.report.form.desk import Desk, Done
from reliability.report.form.fields import STYLE, Field, refused
from reliability.report.form.parts import SignsPart, UnitPart, remarks
from reliability.report.html import text


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
        for field in self.spots.values():
            field.complain(())
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
