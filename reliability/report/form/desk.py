"""The ledger behind the form: what it offers to choose from, and how the form writes to it."""

import datetime
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reliability.errors import BenchoddsError
from reliability.records.checks import JobDocument
from reliability.records.database import parse_url, shown_url
from reliability.records.ledger import open_ledger
from reliability.records.tables import USUAL_COMPONENTS, USUAL_SIGNS, usual_components
from reliability.records.values import FaultsFound, refuse
from reliability.records.write_up import (
    Names,
    Written,
    check_sheets,
    check_unit,
    open_jobs,
    take_in,
    write_up,
)
from reliability.report import words
from reliability.report.form.answers import Answers, renumbered
from reliability.report.form.standing import Snapshot, Standing, snapshot_of
from reliability.report.html import name, paragraph, text
from reliability.report.opening import ledger_address

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger
    from reliability.report.form.intake_form import IntakeForm
    from reliability.report.form.job_form import JobForm

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
        from reliability.report.form.intake_form import IntakeForm

        return IntakeForm(self)

    def job_form(self) -> "JobForm":
        """Make the form in which a job is written up."""
        from reliability.report.form.job_form import JobForm

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
        """Take a unit in, as `benchodds intake` does.

        Raises
        ------
        FaultsFound
            With every fault; nothing is written then.
        """
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
        """Write up a finished job, as `benchodds add` does, and work out what it changed.

        Parameters
        ----------
        answers : Answers
            One that names an open job finishes it.
        say : callable
            Told in one line what is being done.

        Raises
        ------
        FaultsFound
            With every fault; nothing is written then.
        """
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
    """Choose the ledger as the commands do, and look whether it can be read.

    Parameters
    ----------
    ledger : str
        File or URL; empty for ``$BENCHODDS_LEDGER``, else the project's own. A relative path starts at
        the project's folder, wherever the notebook runs.
    today : date, optional
        Taken for today, whatever the calendar says.

    Returns
    -------
    Desk
        Shows in a notebook which ledger it is and what waits on the bench.

    Raises
    ------
    LedgerError
        If it is there and cannot be read.
    """
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
        families = words.counted(len(choices.families), "family", "families")
        told = f"It knows {text(families)}. Open on the bench: {words.listed(waiting) or 'nothing'}."
    where = shown_url(parse_url(desk.address))
    return paragraph(f"Ledger: <code>{text(where)}</code>{origin}.", told)
