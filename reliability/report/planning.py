"""Which pages there are, and what each of them shows."""

import datetime
import shlex
from collections.abc import Sequence
from concurrent.futures import CancelledError, Executor
from dataclasses import replace

import pandas as pd

from reliability.errors import BenchoddsError, is_end_of_process
from reliability.records.frames import Records
from reliability.report import format
from reliability.report.component_study import component_study
from reliability.report.family_study import family_study
from reliability.report.fleet_study import fleet_study, index_study
from reliability.report.groundwork import FAILED, Groundwork
from reliability.report.keeping import Keeper
from reliability.report.laying import lay_ground
from reliability.report.ledger_study import ledger_study
from reliability.report.own_lives import OwnLives
from reliability.report.pages import KINDS, Page, Unmade, called, whose
from reliability.report.study import Study

_PARTS = 4


def plan(
    records: Records,
    *,
    families: Sequence[str] | None = None,
    demo: bool = False,
    as_of: datetime.date | None = None,
    command: str = "benchodds report",
    executor: Executor | None = None,
    keeper: Keeper | None = None,
    card: str = "",
) -> list[Page | Unmade]:
    """Work out every page: what it shows and where its content comes from.

    Parameters
    ----------
    records : Records
        The ledger.
    families : sequence of str, optional
        Only these families' pages, and the first page; every page if not given.
    demo : bool
        Mark the pages DEMO.
    as_of : date, optional
        The day the pages speak for; the last date in the ledger if not given.
    command : str
        What makes the pages again.
    executor : Executor, optional
        Takes over what can be fitted side by side.
    keeper : Keeper, optional
        Keeps what was fitted for the next run.
    card : str
        The day that the pocket card beside the pages is for, if there is one.

    Returns
    -------
    list of Page or Unmade
        Families in the order of the ranking, then components, the pages about the whole bench last. A page
        whose content cannot be worked out leaves the others alone.
    """
    kinds = KINDS if families is None else ("family", "index")
    ground = lay_ground(
        records,
        as_of,
        kinds=kinds,
        families=families,
        executor=executor,
        keeper=keeper or Keeper(),
        card=card,
    )
    own = own_lives(ground, families)
    if executor is not None:
        own.prepare()  # while the workers fit
        _ = ground.changes
    ranked = list(ground.ranking["family"])
    subjects = [("family", each) for each in ranked if families is None or each in families]
    if families is None:
        subjects += [("component", each) for each in ground.component_pages]
    whole = [(kind, "") for kind in ("fleet", "ledger", "index") if kind in kinds]
    found = _side_by_side(ground, own, subjects, executor) + gather(ground, own, whole)
    maker = PageMaker(ground, demo, command, as_of)
    return [maker.page(each) for each in found]


def _side_by_side(
    ground: Groundwork, own: OwnLives, subjects: list[tuple[str, str]], executor: Executor | None
) -> list[Study | Unmade]:
    """Gather studies of families and components, in some parts where there are enough; in the given order."""
    if executor is None or len(subjects) < _PARTS:
        return gather(ground, own, subjects)
    _ = own.today, own.models, ground.gains, ground.pooled, ground.calibration
    parts = [subjects[first::_PARTS] for first in range(_PARTS)]
    running = [executor.submit(gather, ground, own, part) for part in parts]
    found = {(each.kind, each.subject): each for part in running for each in part.result()}
    return [found[subject] for subject in subjects]


def gather(ground: Groundwork, own: OwnLives, subjects: Sequence[tuple[str, str]]) -> list[Study | Unmade]:
    """Gather the studies of some pages; one that fails leaves the others alone.

    Parameters
    ----------
    ground : Groundwork
        Everything fitted.
    own : OwnLives
        Fits to each family's own records.
    subjects : sequence of (str, str)
        Kind of the page, and the name of its family or component.

    Returns
    -------
    list of Study or Unmade
        One for each subject, in their order.
    """
    found: list[Study | Unmade] = []
    for kind, name in subjects:
        try:
            found.append(make_study(ground, own, kind, name))
        except Exception as error:
            if isinstance(error, CancelledError) or is_end_of_process(error):
                raise
            found.append(Unmade(kind, name, _worded(kind, name, error)))
    return found


def make_study(ground: Groundwork, own: OwnLives, kind: str, name: str = "") -> Study:
    """Gather what one page shows.

    Parameters
    ----------
    ground : Groundwork
        Everything fitted.
    own : OwnLives
        Fits to each family's own records.
    kind : str
        One of `KINDS`.
    name : str
        Of the family or component.

    Returns
    -------
    Study
    """
    about_one = {"family": family_study, "component": component_study}
    if kind in about_one:
        return about_one[kind](ground, own, name)
    return {"index": index_study, "fleet": fleet_study, "ledger": ledger_study}[kind](ground)


def _worded(kind: str, name: str, error: Exception) -> str:
    """Say what went wrong, and where its notebook would have met it: in the cell that loads the study."""
    what = str(error) if isinstance(error, BenchoddsError) else f"{type(error).__name__}: {error}"
    return f"{called(kind, name)}: cell 'load' of {kind}.ipynb failed: {what}"


def own_lives(ground: Groundwork, families: Sequence[str] | None = None) -> OwnLives:
    """Fit each family's own records; those of some families only, if so asked."""
    seen = ground.own[FAILED]
    if families is not None:
        table = seen.table[seen.table["family"].isin(families)]
        seen = replace(seen, table=table.reset_index(drop=True))
    return OwnLives(seen, ground.usual_age)


class PageMaker:
    """Puts a study, its file and its provenance together.

    Parameters
    ----------
    ground : Groundwork
        Everything fitted.
    demo : bool
        Mark the pages DEMO.
    command : str
        What makes the pages again.
    as_of : date or None
        The day that was asked for, if any.
    """

    def __init__(self, ground: Groundwork, demo: bool, command: str, as_of: datetime.date | None) -> None:
        self._ground = ground
        self._demo = demo
        self._command = command + (f" --as-of {as_of}" if as_of is not None else "")
        self._as_of = "" if as_of is None else as_of.isoformat()

    def page(self, study: Study | Unmade) -> Page | Unmade:
        """Make a page of any kind."""
        if isinstance(study, Unmade):
            pages = {"family": self._ground.family_pages, "component": self._ground.component_pages}
            target = pages.get(study.kind, {}).get(study.subject, f"{study.kind}.html")
            return replace(study, target=target)
        makers = {"family": self.family, "component": self.component}
        page = makers.get(study.kind, self.bench)(study)
        return replace(page, ledger=whose(self._ground.records, self._demo))

    def family(self, study: Study) -> Page:
        """Make the page of a family; its provenance speaks of its own jobs only."""
        jobs = self._ground.records.jobs
        source = {
            "Made again by": f"{self._command} --family {shlex.quote(study.subject)}",
            **_jobs_source(jobs[jobs["family"] == study.subject]),
            "Ages as of": self._ground.month,
        }
        kind = self._ground.entry(study.subject).kind
        parameters = {"family": study.subject, "as_of": self._as_of}
        return Page(study, self._ground.family_pages[study.subject], self._demo, parameters, source, kind)

    def component(self, study: Study) -> Page:
        """Make the page of a component."""
        findings = self._ground.records.findings
        jobs = self._ground.records.jobs
        with_it = set(findings.loc[findings["component"] == study.subject, "job"])
        source = {
            "Made again by": self._command,
            **_jobs_source(jobs[jobs["job"].isin(with_it)]),
            "Ages as of": self._ground.month,
        }
        parameters = {"component": study.subject, "as_of": self._as_of}
        return Page(study, self._ground.component_pages[study.subject], self._demo, parameters, source)

    def bench(self, study: Study) -> Page:
        """Make a page about the whole bench; only the first one names the whole ledger's fingerprint."""
        source = {
            "Made again by": self._command,
            **_jobs_source(self._ground.records.jobs),
            "As of": self._ground.as_of.isoformat(),
        }
        if study.kind == "index":
            source["Ledger"] = self._ground.fingerprint[:16]
        return Page(study, f"{study.kind}.html", self._demo, {"as_of": self._as_of}, source)


def _jobs_source(jobs: pd.DataFrame) -> dict[str, str]:
    is_open = jobs["outcome"] == "open"
    days = pd.concat([jobs["taken_in"], jobs["closed"], jobs["sold_on"]]).dropna()
    dates = f"{days.min():%Y-%m-%d} to {days.max():%Y-%m-%d}" if len(days) else "none"
    return {
        "Jobs": f"{format.counted(int((~is_open).sum()), 'finished job')}, {int(is_open.sum())} open",
        "Dates": dates,
    }
