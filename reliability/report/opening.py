"""How a notebook gets what it shows: computed beforehand by a run of the report, or here and now."""

import datetime
import os
from pathlib import Path
from typing import TYPE_CHECKING

from reliability.errors import InvalidInput, unknown
from reliability.records.files import project_folder, shipped
from reliability.records.frames import Records, read_records
from reliability.report.pages import KINDS
from reliability.report.study import Study, load_study

if TYPE_CHECKING:
    import pandas as pd

ROOT = project_folder()
DEMO = shipped("demo")
DEFAULT_LEDGER = ROOT / "data" / "bench.db"
OWN = "the project's own"
KEPT = ROOT / "reports" / ".kept"
"""Where a run of the report keeps what it fitted; a notebook need not fit it again."""


def open_study(kind: str, subject: str = "", *, ledger: str = "", as_of: str = "", study: str = "") -> Study:
    """Load or compute what a page shows.

    Parameters
    ----------
    kind : {"index", "fleet", "family", "component", "ledger"}
        Which page.
    subject : str
        The family or component; empty for the one with most records.
    ledger : str
        File or URL of the ledger; empty for ``$BENCHODDS_LEDGER``, else the project's own, else the demo.
        A relative path starts at the project's folder, as in `ledger_address`.
    as_of : str
        The day the page speaks for, as ISO text; empty for the last date in the ledger.
    study : str
        File kept by a run of the report; then nothing is computed.

    Returns
    -------
    Study
        What the page shows.

    Raises
    ------
    UnknownName
        If there is no such page, family or component.
    InvalidInput
        If the kept study is of another page, or the day is no date.
    """
    if kind not in KINDS:
        raise unknown("There is no page", kind, KINDS)
    if study:
        kept = load_study(study)
        if (kept.kind, kept.subject) != (kind, subject):
            raise InvalidInput(
                f"The study {Path(study).name} is of {kept.kind} {kept.subject!r}, not of {kind} {subject!r}."
            )
        return kept
    return _computed(kind, subject, find_records(ledger, _day(as_of)), _day(as_of))


def find_records(ledger: str = "", as_of: datetime.date | None = None) -> Records:
    """Read the ledger that a notebook speaks of.

    Parameters
    ----------
    ledger : str
        As in `open_study`.
    as_of : date, optional
        The day that the ledger is taken back to.

    Returns
    -------
    Records
        Its records, or the demo's where no ledger is named and there is none yet.
    """
    from reliability.records.ledger import open_ledger
    from reliability.records.package import load_package_records

    address, origin = ledger_address(ledger)
    if origin == OWN and not DEFAULT_LEDGER.exists():
        return load_package_records(DEMO)
    with open_ledger(address) as opened:
        return read_records(opened, as_of=as_of)


def ledger_address(ledger: str = "") -> tuple[str, str]:
    """Tell which ledger a notebook speaks of: the one that the commands choose.

    A notebook runs in its own folder, the commands in the project's. So a relative path starts at
    the project's folder here too: ``data/trial.db`` is the same file for both.

    Parameters
    ----------
    ledger : str
        File or URL; empty for ``$BENCHODDS_LEDGER``, else the project's own.

    Returns
    -------
    address, origin : str
        File or URL, and who named it: the parameter, the environment, or nobody (`OWN`).

    Raises
    ------
    LedgerError
        If it is neither a file nor a database that a ledger can live in.
    """
    from reliability.records.database import parse_url

    environment = os.environ.get("BENCHODDS_LEDGER", "")
    named, origin = (ledger, "the parameter `ledger`") if ledger else (environment, "BENCHODDS_LEDGER")
    if not named:
        return str(DEFAULT_LEDGER), OWN
    parsed = parse_url(named)
    is_file = parsed.get_backend_name() == "sqlite"
    return (str(ROOT / str(parsed.database)) if is_file else named), origin


def _day(as_of: str) -> datetime.date | None:
    try:
        return datetime.date.fromisoformat(as_of) if as_of else None
    except ValueError:
        raise InvalidInput(f"`as_of` must be a date such as 2026-05-17; got {as_of!r}.") from None


def _computed(kind: str, subject: str, records: Records, as_of: datetime.date | None) -> Study:
    from reliability.report.batch import card_day
    from reliability.report.keeping import Keeper
    from reliability.report.laying import lay_ground
    from reliability.report.planning import make_study, own_lives

    card = card_day(KEPT.parent, records.ledger)
    ground, name = lay_ground(records, as_of, keeper=Keeper(KEPT), card=card), ""
    if kind == "family":
        counts, pages = records.jobs["family"].value_counts(), ground.family_pages
        name = _chosen("The ledger holds no family", subject, list(pages), counts)
    elif kind == "component":
        counts, pages = records.findings["component"].value_counts(), ground.component_pages
        name = _chosen("No job tells of a component", subject, list(pages), counts)
    return make_study(ground, own_lives(ground), kind, name)


def _chosen(what: str, subject: str, known: list[str], counts: "pd.Series[int]") -> str:
    if not subject and known:
        return max(known, key=lambda each: (counts.get(each, 0), each))
    if subject not in known:
        raise unknown(what, subject, known)
    return subject
