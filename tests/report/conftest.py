"""Small notebooks and pages for the tests of the report."""

import re
from html import unescape

import nbformat
import pytest

from reliability.records.frames import records_from_rows
from reliability.records.package import load_package_records
from reliability.report import data as data_module
from reliability.report import pages
from reliability.report.data import ReportData
from reliability.report.run import PAGE_NOTEBOOKS, make_pages
from reliability.worth.appraiser import fit_appraiser
from tests.report.cards import EVIL, LONG, TURNED, chromium, make_card_of, nasty_records

PARTS = ("belt", "gear", "<i>motor</i>")

PARAMETERS = 'family: str = ""  # the family to show\nledger: str = ""\nas_of: str = ""'
# What every page shows where a test is of the run, and not of what pages say.
QUICK = (
    "from reliability.report.format import paragraph, text\n"
    "from reliability.report.show import Shown\n"
    "Shown(paragraph(text(globals().get('family'))))"
)


@pytest.fixture
def write_notebook(tmp_path):
    """Write a notebook with a parameters cell and cells of the given sources into its own folder."""

    def write(name, cells, parameters=PARAMETERS, tagged=1):
        notebook = nbformat.v4.new_notebook(
            metadata={"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}}
        )
        for i in range(tagged):
            cell = nbformat.v4.new_code_cell(parameters, id=f"parameters{i or ''}")
            cell.metadata["tags"] = ["parameters"]
            notebook.cells.append(cell)
        for key, source in cells.items():
            new = nbformat.v4.new_markdown_cell if key.startswith("text") else nbformat.v4.new_code_cell
            notebook.cells.append(new(source, id=key))
        folder = tmp_path / "books"
        folder.mkdir(exist_ok=True)
        path = folder / f"{name}.ipynb"
        nbformat.write(notebook, path)
        return path

    return write


@pytest.fixture
def quick_books(write_notebook):
    """Give a folder of notebooks that show next to nothing."""
    for name in PAGE_NOTEBOOKS:
        kind = name.removesuffix(".ipynb")
        own = f'{kind}: str = ""\n' if kind in ("family", "component") else ""
        write_notebook(kind, {"answer": QUICK}, f'{own}ledger: str = ""\nas_of: str = ""')
    return next(iter(write_notebook("spare", {}).parents))


def _ledger_rows():
    """Write three families with awkward names; their parts fail the more often the older they are."""
    families = [
        {"family": EVIL, "kind": "tape deck", "maker": EVIL, "first_year": 1976, "last_year": 1984,
         "notes": EVIL},
        {"family": LONG, "kind": "tape deck", "first_year": 1970, "last_year": 1990, "working_price": 150},
        {"family": TURNED, "kind": "turntable <u>", "first_year": 1979, "last_year": 1979},
    ]  # fmt: skip
    jobs, findings, signs = [], [], []
    for i in range(30):
        job, year, repaired = f"{i + 1 + (i > 20)}", 1976 + i % 9, i % 3 > 0
        jobs.append(
            {
                "job": job, "family": EVIL if i % 2 else LONG, "built_from": year,
                "built_to": year + i % 4 // 3, "taken_in": f"20{22 + i // 15}-{1 + i % 12:02}-10",
                "closed": f"20{22 + i // 15}-{1 + i % 12:02}-20",
                "outcome": "repaired" if repaired else "donor", "bought_for": 20 + i,
                "hours": 3.5 if i % 5 else None, "sold_for": 140 + i if repaired else None,
                "salvage_value": None if repaired else 15, "ended_by": None if repaired else PARTS[1],
                "remarks": EVIL,
            }
        )  # fmt: skip
        for j, part in enumerate(PARTS):
            is_bad = (i * 7 + j * 3 + 4 * (i // 10)) % 10 > 5 or (part == PARTS[1] and not repaired)
            found = {
                "job": job,
                "component": part,
                "found": "failed" if is_bad else "sound",
                "original": "yes",
            }
            findings.append(found | {"action": "replaced" if is_bad and repaired else "none"})
        signs.append({"job": job, "sign": "<em>rust</em>", "seen": "yes" if i % 4 else "no"})
    checks = [
        {
            "job": job["job"],
            "checked_on": f"{int(str(job['closed'])[:4]) + 1}-06-01",
            "working": "yes" if n else "no",
        }
        | ({} if n else {"component": PARTS[0]})
        for n, job in enumerate(
            each for each in jobs if each["outcome"] == "repaired" and each["job"] != "31"
        )
    ]
    spent = [{"spent_on": "2023-05-06", "what": EVIL, "amount": 12345678, "hours": 12}]
    return {
        "families": families, "jobs": jobs, "findings": findings, "signs": signs, "followups": checks,
        "spending": spent,
    }  # fmt: skip


@pytest.fixture(scope="session")
def awkward_records():
    """Give a small ledger whose names try to break the pages."""
    return records_from_rows(_ledger_rows())


_FITTED = {}


def fit_once(records, day):
    """Fit the odds of a day, once for all tests of a process."""
    key = records.fingerprint(), day
    if key not in _FITTED:
        _FITTED[key] = fit_appraiser(records, day)
    return _FITTED[key]


@pytest.fixture(autouse=True)
def odds_fitted_once(monkeypatch):
    """Spare the tests of pages what they are not about."""
    monkeypatch.setattr(data_module, "fit_appraiser", fit_once)


def data_of(records, **given):
    """Give what pages of a ledger are made from."""
    return ReportData(records, odds=lambda: fit_once(records, data_module.last_day(records)), **given)


def report_of(**tables):
    """Give what the pages of a small ledger are made from; its family is `A_FAMILY`, if none is told."""
    return data_of(records_from_rows({"families": [A_FAMILY], **tables}))


def said_by(*pieces):
    """Give what a reader sees of pieces of a page, or of its markup: words with single spaces."""
    html = " ".join(getattr(each, "html", each) for each in pieces)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


def reads(report, page, name, **given):
    """Give what a reader sees of one part of a page."""
    return said_by(pages.part(report, page, name, **given))


def plain(said):
    """Take no-break spaces for spaces, as `said_by` does."""
    return " ".join(said.split())


def rows_of(html):
    """Give what the rows of tables say."""
    return [said_by(row) for row in re.findall(r"<tr>(.*?)</tr>", html, flags=re.DOTALL)]


A_FAMILY = {"family": "T2", "kind": "tape deck", "first_year": 1976, "last_year": 1984, "working_price": 150}
A_JOB = {"job": "1", "family": "T2", "taken_in": "2024-02-01", "closed": "2024-03-05", "outcome": "donor"}
A_JOB |= {"bought_for": 20, "hours": 2, "salvage_value": 15, "other_costs": 0, "ended_by": "belt"}
A_FINDING = {"job": "1", "component": "belt", "found": "failed", "original": "yes", "action": "none"}
THIN = {
    "no family": {},
    "no job": {"families": [A_FAMILY]},
    "one open job": {
        "families": [A_FAMILY],
        "jobs": [{"job": "1", "family": "T2", "taken_in": "2024-02-01", "outcome": "open", "bought_for": 20}],
    },
    "one job": {"families": [A_FAMILY], "jobs": [{**A_JOB, "ended_by": None}]},
    "one component seen once": {"families": [A_FAMILY], "jobs": [A_JOB], "findings": [A_FINDING]},
    "imported only": {"families": [A_FAMILY], "jobs": [{**A_JOB, "origin": "elsewhere"}]},
}
"""Ledgers of next to nothing: each makes whole pages that say so."""


def thin(name):
    """Give what the pages of one of the `THIN` ledgers are made from."""
    return report_of(**{"families": [], **THIN[name]})


@pytest.fixture(scope="session")
def awkward(awkward_records):
    """Give what the pages of the awkward ledger are made from."""
    return data_of(awkward_records)


@pytest.fixture(scope="session")
def demo_records():
    """Give the demo."""
    return load_package_records(data_module.DEMO)


@pytest.fixture(scope="session")
def demo(demo_records):
    """Give what the pages of the demo are made from."""
    return data_of(demo_records)


@pytest.fixture(scope="session")
def awkward_report(awkward_records, tmp_path_factory):
    """Write the report of the awkward ledger."""
    out = tmp_path_factory.mktemp("report")
    make_pages(awkward_records, out, demo=True, workers=1)
    return out


@pytest.fixture(scope="session")
def nasty_card(tmp_path_factory):
    """Write the card of a small ledger whose names try to break it."""
    return make_card_of(nasty_records(), tmp_path_factory.mktemp("nasty") / "card.html")


@pytest.fixture(scope="module")
def browser():
    """Open Chromium for the tests of one file."""
    with chromium() as opened:
        yield opened


@pytest.fixture
def open_card(browser):
    """Open a card in a context of its own; afterwards no request left it and no script complained."""
    asked = []
    said = []
    contexts = []

    def open_card(card, before="", **more):
        contexts.append(browser.new_context(**{"viewport": {"width": 360, "height": 740}, **more}))
        page = contexts[-1].new_page()
        page.on("request", lambda request: asked.append(request.url))
        page.on("dialog", lambda dialog: (said.append(dialog.message), dialog.accept()))
        page.on("console", lambda message: said.append(message.text) if message.type == "error" else None)
        page.on("pageerror", lambda error: said.append(str(error)))
        if before:
            page.add_init_script(before)
        page.goto(card.path.as_uri())
        page.said = said
        return page

    yield open_card
    for context in contexts:
        context.close()
    assert [url for url in asked if not url.startswith(("file:", "blob:"))] == []
    assert [text for text in said if text != "Remove all that was looked at?"] == []
