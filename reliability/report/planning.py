"""Which pages there are, and what each of them shows."""

import datetime
import shlex
from collections.abc import Sequence
from concurrent.futures import Executor

import pandas as pd

from reliability.records.frames import Records
from reliability.report import words
from reliability.report.component_study import component_study
from reliability.report.family_study import family_study
from reliability.report.fleet_study import fleet_study, index_study
from reliability.report.groundwork import FAILED, Groundwork
from reliability.report.keeping import Keeper
from reliability.report.laying import lay_ground, settled
from reliability.report.ledger_study import ledger_study
from reliability.report.own_lives import OwnLives
from reliability.report.pages import Page
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
) -> list[Page]:
    """Work out every page: what it shows and where its content comes from.

    Parameters
    ----------
    records : Records
        The ledger.
    families : sequence of str, optional
        Only these families' pages, and the three about the whole bench; every page if not given.
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

    Returns
    -------
    list of Page
        Families in the order of the ranking, then components, the pages about the whole bench last.
    """
    ground = lay_ground(records, as_of, executor=executor, keeper=keeper or Keeper())
    maker = PageMaker(ground, demo, command, as_of)
    ranked = list(ground.ranking["family"])
    wanted = ranked if families is None else [each for each in ranked if each in set(families)]
    subjects = [("family", each) for each in wanted]
    if families is None:
        subjects += [("component", each) for each in ground.component_pages]
    studies = _studies(ground, subjects, executor)
    pages = [maker.family(each) if each.kind == "family" else maker.component(each) for each in studies]
    return [*pages, *(maker.bench(study(ground)) for study in (fleet_study, ledger_study, index_study))]


def _studies(ground: Groundwork, subjects: list[tuple[str, str]], executor: Executor | None) -> list[Study]:
    """Gather the studies of families and components, in some parts side by side; in the given order."""
    own = own_lives(ground)
    if executor is None:
        return gather(ground, own, subjects)
    own.prepare()  # while the workers still forecast past years
    portable = settled(ground)
    parts = [subjects[first::_PARTS] for first in range(_PARTS)]
    running = [executor.submit(gather, portable, own, part) for part in parts if part]
    found = {(each.kind, each.subject): each for part in running for each in part.result()}
    return [found[subject] for subject in subjects]


def gather(ground: Groundwork, own: OwnLives, subjects: Sequence[tuple[str, str]]) -> list[Study]:
    """Gather the studies of some families and components.

    Parameters
    ----------
    ground : Groundwork
        Everything fitted.
    own : OwnLives
        Fits to each family's own records.
    subjects : sequence of (str, str)
        "family" or "component", and its name.

    Returns
    -------
    list of Study
        One for each subject, in their order.
    """
    makers = {"family": family_study, "component": component_study}
    return [makers[kind](ground, own, name) for kind, name in subjects]


def own_lives(ground: Groundwork) -> OwnLives:
    """Fit each family's own records."""
    return OwnLives(ground.own[FAILED], {each: ground.usual_age(each) for each in ground.family_pages})


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
        "Jobs": f"{words.counted(int((~is_open).sum()), 'finished job')}, {int(is_open.sum())} open",
        "Dates": dates,
    }
