"""A page of the report: what it is about, its file, and what stands around the content."""

import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from reliability import __version__
from reliability.report import format

if TYPE_CHECKING:
    from reliability.records.frames import Records
    from reliability.report.data import ReportData

KINDS = ("index", "fleet", "earnings", "family", "component", "ledger")
"""Kinds of pages; each is shown by the notebook of its name."""

TITLES = {
    "index": "What to take",
    "fleet": "The fleet",
    "earnings": "What does it earn?",
    "ledger": "The ledger",
}
CARD = "card.html"
_HEAD_BYTES = 4096


def whose(records: "Records", demo: bool) -> str:
    """Tell whose pages are made: the mark of the ledger, or that it is the demo."""
    return "demo" if demo else records.ledger


@dataclass(frozen=True)
class Page:
    """One page to be made.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    subject : str
        The family or component; empty for pages about the whole bench.
    target : str
        File, relative to the report's folder, with ``/``.
    """

    kind: str
    subject: str
    target: str

    @property
    def called(self) -> str:
        """What the page is about, for messages."""
        return f"{self.kind} {self.subject!r}" if self.subject else f"the {self.kind} page"

    def parameters(self, as_of: str) -> dict[str, str]:
        """Give the notebook's parameters."""
        return {**({self.kind: self.subject} if self.subject else {}), "as_of": as_of}


@dataclass(frozen=True)
class Order:
    """What all pages of a run have in common: for whom they are made, by what, for which day.

    Parameters
    ----------
    ledger : str
        Tells the ledger from every other one.
    demo : bool
        Whether the records are the demo's.
    command : str
        What makes the pages again.
    as_of : str
        The day that was asked for, as ISO text; empty if none was.
    """

    ledger: str
    demo: bool
    command: str
    as_of: str


def all_pages(data: "ReportData", families: Sequence[str] | None = None) -> list[Page]:
    """List the pages: families in the order of the ranking, components, then those about the whole bench.

    With families, only these, and the first page.
    """
    ranked = [each for each in data.ranking["family"] if families is None or each in families]
    pages = [Page("family", each, data.family_pages[each]) for each in ranked]
    if families is None:
        pages += [Page("component", each, target) for each, target in data.component_pages.items()]
    whole = ("fleet", "earnings", "ledger", "index") if families is None else ("index",)
    return pages + [Page(kind, "", f"{kind}.html") for kind in whole]


def around(page: Page, data: "ReportData", order: Order) -> dict[str, Any]:
    """Give the template what stands around the content of a page."""
    # Loaded here: a run that finds nothing changed shows no page.
    from reliability.worth.plan import cautions

    kind, components = "", tuple[str, ...]()
    if page.kind == "family":
        kind, components = data.entry(page.subject).kind, data.components_of(page.subject)
    elif page.kind == "component":
        components = (page.subject,)
    title = page.subject or TITLES[page.kind]
    up = "../" * page.target.count("/")
    entries = (
        (TITLES["index"], "index.html", "index"),
        (TITLES["fleet"], "fleet.html", "fleet"),
        ("Components", "index.html#components", "component"),
        (TITLES["earnings"], "earnings.html", "earnings"),
        (TITLES["ledger"], "ledger.html", "ledger"),
    )
    return {
        "ledger": order.ledger,
        "title": f"{title} · benchodds",
        "demo": order.demo,
        "navigation": [
            {"label": label, "target": up + target, "current": each == page.kind}
            for label, target, each in entries
        ],
        "cautions": list(cautions(kind, components)),
        "more_cautions": list(format.cautions(kind)),
        "source": [{"label": label, "value": value} for label, value in _source(page, data, order).items()],
    }


def _source(page: Page, data: "ReportData", order: Order) -> dict[str, str]:
    """Where the content comes from: label -> value, in the order in which it is shown."""
    jobs = data.records.jobs
    if page.kind == "family":
        jobs = jobs[jobs["family"] == page.subject]
    elif page.kind == "component":
        findings = data.records.findings
        jobs = jobs[jobs["job"].isin(findings.loc[findings["component"] == page.subject, "job"])]
    is_open = jobs["outcome"] == "open"
    days = pd.concat([jobs["taken_in"], jobs["closed"], jobs["sold_on"]]).dropna()
    command = order.command + (f" --as-of {order.as_of}" if order.as_of else "")
    given = "; ".join(f"{name} = {value}" for name, value in page.parameters(order.as_of).items() if value)
    return {
        "Made again by": command
        + (f" --family {shlex.quote(page.subject)}" if page.kind == "family" else ""),
        "Jobs": f"{format.counted(int((~is_open).sum()), 'finished job')}, {int(is_open.sum())} open",
        "Dates": f"{days.min():%Y-%m-%d} to {days.max():%Y-%m-%d}" if len(days) else "none",
        "As of": data.as_of.isoformat(),
        "Ledger": data.fingerprint[:16],
        "Notebook": f"{page.kind}.ipynb",
        "Parameters": given or "none",
        "Version": f"benchodds {__version__}",
    }


def mark_in(path: Path, name: str) -> str:
    """Read a mark that a page or card carries; empty if the file is missing, or is none of ours."""
    try:
        with path.open("rb") as page:
            head = page.read(_HEAD_BYTES).decode("utf-8", "ignore")
    except OSError:
        return ""
    _, found, rest = head.partition(f'<meta name="benchodds-{name}" content="')
    return rest.partition('"')[0] if found else ""


def card_day(out: Path, ledger: str) -> str:
    """Tell for which day the pocket card beside the pages is; empty if there is none of this ledger."""
    card = out / CARD
    return mark_in(card, "day") if mark_in(card, "ledger") == ledger else ""
