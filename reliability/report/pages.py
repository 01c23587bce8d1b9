"""A page of the report: its study, its file, and what stands around the content."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reliability import __version__
from reliability.report.format import cautions
from reliability.report.study import Study

if TYPE_CHECKING:
    from reliability.records.frames import Records

KINDS = ("index", "fleet", "family", "component", "ledger")
"""Kinds of pages; each is shown by the notebook of its name."""

_TITLES = {"index": "At a glance", "fleet": "Fleet", "ledger": "Ledger"}


def whose(records: "Records", demo: bool) -> str:
    """Tell whose pages are made: the mark of the ledger, or that it is the demo."""
    return "demo" if demo else records.ledger


def called(kind: str, subject: str) -> str:
    """Name a page in messages."""
    return f"{kind} {subject!r}" if subject else f"the {kind} page"


@dataclass(frozen=True)
class Unmade:
    """A page whose content could not be worked out.

    Parameters
    ----------
    kind, subject : str
        As of a study.
    why : str
        What went wrong, with the name of the page.
    target : str
        File, relative to the report's folder.
    """

    kind: str
    subject: str
    why: str
    target: str = ""


@dataclass(frozen=True)
class PageJob:
    """What a worker needs to make one page.

    Parameters
    ----------
    notebook : Path
        The notebook that shows it.
    target : Path
        The file to write.
    subject : str
        What the page is about, for messages: ``family 'Tarnwick T2'``.
    parameters : mapping
        Values for the notebook's parameters cell.
    around : mapping
        What the template puts around the content; see `export.export_page`.
    """

    notebook: Path
    target: Path
    subject: str
    parameters: Mapping[str, Any]
    around: Mapping[str, Any]


@dataclass(frozen=True)
class Page:
    """One page to be made.

    Parameters
    ----------
    study : Study
        What it shows.
    target : str
        File, relative to the report's folder, with ``/``.
    demo : bool
        Whether the records are the demo's.
    parameters : mapping
        The notebook's parameters for this page, without the study's file.
    source : mapping of str to str
        Where the content comes from: label -> value, in the order in which it is shown.
    kind_of_unit : str
        Kind of the family, for the cautions; empty for pages about several kinds.
    ledger : str
        Tells the ledger from every other one.
    """

    study: Study
    target: str
    demo: bool = False
    parameters: Mapping[str, str] = field(default_factory=dict)
    source: Mapping[str, str] = field(default_factory=dict)
    kind_of_unit: str = ""
    ledger: str = ""

    @property
    def subject(self) -> str:
        """What the page is about, for messages."""
        return called(self.study.kind, self.study.subject)

    @property
    def title(self) -> str:
        """Title of the browser's window."""
        return f"{_TITLES.get(self.study.kind, self.study.subject)} · benchodds"

    @property
    def shown(self) -> str:
        """Everything that the page shows, as one text: it changes if and only if the page would."""
        return json.dumps([self.around(""), self.study.fingerprint], sort_keys=True, ensure_ascii=False)

    def around(self, key: str) -> dict[str, Any]:
        """Give the template's values; `key` stands for the content in the page's head."""
        parameters = [f"{each} = {value}" for each, value in self.parameters.items() if value]
        source = {
            **self.source,
            "Parameters": "; ".join(parameters) or "none",
            "Notebook": f"{self.study.kind}.ipynb",
            "Version": f"benchodds {__version__}",
            "Content": self.study.fingerprint[:16],
        }
        return {
            "key": key,
            "ledger": self.ledger,
            "title": self.title,
            "demo": self.demo,
            "navigation": self._navigation(),
            "cautions": list(cautions(self.kind_of_unit)),
            "source": [{"label": label, "value": value} for label, value in source.items()],
        }

    def _navigation(self) -> list[dict[str, Any]]:
        up = "../" * self.target.count("/")
        entries = (
            ("At a glance", "index.html", "index"),
            ("Fleet", "fleet.html", "fleet"),
            ("Families", "index.html#families", "family"),
            ("Components", "index.html#components", "component"),
            ("Ledger", "ledger.html", "ledger"),
        )
        return [
            {"label": label, "target": up + target, "current": kind == self.study.kind}
            for label, target, kind in entries
        ]
