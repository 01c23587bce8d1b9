"""The pocket card: one HTML file that judges units on a phone without signal."""

import base64
import datetime
import json
from hashlib import sha256
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

from jinja2 import Environment, StrictUndefined, select_autoescape
from markupsafe import Markup

from reliability import __version__
from reliability.report.card_data import card_data
from reliability.report.card_list import HEADINGS, Group, list_groups
from reliability.report.cautions import cautions
from reliability.report.html import verdict_mark
from reliability.report.pages import whose
from reliability.report.study import write_whole
from reliability.report.words import counted

if TYPE_CHECKING:
    from reliability.records.frames import Records
    from reliability.worth.appraiser import Appraiser

SCRIPTS = (
    "numbers",
    "data",
    "odds",
    "appraisal",
    "verdict",
    "names",
    "offers",
    "judging",
    "telling",
    "finder",
    "looked_at",
    "form",
)
"""Sources of the card's script, in the order in which they are joined."""


def write_card(
    appraiser: "Appraiser",
    records: "Records",
    out: Path,
    *,
    as_of: datetime.date | None = None,
    demo: bool = False,
) -> int:
    """Write the card; the file is replaced in one step.

    Parameters
    ----------
    appraiser : Appraiser
    records : Records
        For the prices that were paid.
    out : Path
    as_of : datetime.date, optional
        Day of the sale where an offer does not say; the appraiser's own if not given.
    demo : bool
        Whether to say that the records are invented.

    Returns
    -------
    int
        Its size in bytes.
    """
    page = make_card(appraiser, records, as_of=as_of, demo=demo)
    write_whole(out, page)
    return len(page.encode("utf-8"))


def make_card(
    appraiser: "Appraiser", records: "Records", *, as_of: datetime.date | None = None, demo: bool = False
) -> str:
    """Make the card; see `write_card`.

    Returns
    -------
    str
        HTML that asks for nothing from outside; the same for the same ledger and day.
    """
    from reliability.worth.review import ranking

    day = as_of or appraiser.as_of
    script, style = _script(), _style()
    numbers = {**card_data(appraiser, day), "demo": demo, "marks": _marks()}
    groups = list_groups(ranking(appraiser, records, as_of=day))
    template = Environment(
        autoescape=select_autoescape(default=True), undefined=StrictUndefined, trim_blocks=True
    ).from_string(_source("card.html.j2"))
    return template.render(
        style=Markup(style),
        script=Markup(script),
        style_hash=_hash(style),
        script_hash=_hash(script),
        numbers=Markup(_json_in_html(numbers)),
        groups=[_marked(group) for group in groups],
        demo=demo,
        day=day.isoformat(),
        ledger=whose(records, demo),
        facts=_facts(appraiser),
        cautions=cautions(),
        source=_provenance(appraiser, day),
    )


def _source(name: str) -> str:
    return files("reliability.report").joinpath("templates", "card", name).read_text(encoding="utf-8").strip()


def _script() -> str:
    lines = (line.strip() for name in SCRIPTS for line in _source(f"{name}.js").splitlines())
    joined = "\n".join(line for line in lines if line and not line.startswith("//"))
    return f'(() => {{\n"use strict";\n{joined}\n}})();'


def _style() -> str:
    return "\n".join(line.strip() for line in _source("card.css").splitlines())


def _hash(text: str) -> str:
    """Give what the content security policy calls a source that it trusts."""
    return f"sha256-{base64.b64encode(sha256(text.encode('utf-8')).digest()).decode('ascii')}"


def _json_in_html(value: Any) -> str:
    r"""Write JSON that nothing in it can end: every ``<`` becomes ``\u003c``."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _marks() -> dict[str, list[tuple[str, dict[str, str]]]]:
    """Take the marks of the verdicts apart, so that the script draws the same ones."""
    shapes = {verdict: ElementTree.fromstring(verdict_mark(verdict)).find("svg") for verdict in HEADINGS}
    return {
        verdict: [(shape.tag, dict(shape.attrib)) for shape in svg if svg is not None]
        for verdict, svg in shapes.items()
        if svg is not None
    }


def _marked(group: Group) -> dict[str, Any]:
    return {**vars(group), "mark": Markup(group.mark)}


def _facts(appraiser: "Appraiser") -> dict[str, str]:
    return {
        "as_of": appraiser.as_of.isoformat(),
        "jobs": counted(appraiser.tally.jobs_finished, "finished job"),
        "currency": appraiser.currency,
    }


def _provenance(appraiser: "Appraiser", day: datetime.date) -> list[tuple[str, str]]:
    tally, terms = appraiser.tally, appraiser.terms
    jobs = f"{counted(tally.jobs_finished, 'finished job')}, {tally.repaired} of them repaired"
    others = (
        (tally.jobs_open, "open"),
        (tally.jobs_missing, "never written up"),
        (tally.jobs_imported, "from elsewhere"),
    )
    money = appraiser.currency
    counted_in = (
        f"hours at {terms.hour_rate:g} {money}, fee {100 * terms.selling_fee:g} %, "
        f"margin {terms.margin:g} {money}, caution {terms.caution:g}"
    )
    more = ", ".join(f"{number} {what}" for number, what in others if number)
    return [
        ("Records", f"{jobs}; {more}" if more else jobs),
        ("Last entry", appraiser.as_of.isoformat()),
        ("Card of", day.isoformat()),
        ("Counted in", counted_in),
        ("Fingerprint", appraiser.fingerprint[:16]),
        ("Made by", f"benchodds card, version {__version__}"),
    ]
