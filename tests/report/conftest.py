"""Small notebooks and pages for the tests of the report."""

from collections.abc import Callable, Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import nbformat
import pandas as pd
import pytest

from reliability.records.frames import Records, records_from_rows
from reliability.report.pages import Page
from reliability.report.planning import plan
from reliability.report.render import export_page
from reliability.report.run import NOTEBOOKS
from reliability.report.study import Study, load_study
from tests.report.cards import Card, chromium, make_card_of, nasty_records

# Names that try to be markup, to be cut, to fill the page and to turn its direction.
EVIL = "<script>alert('x')</script> \"T2\" & <b onmouseover=alert(2)>co</b>"
LONG = "Tarnwick" + "interminable" * 14
TURNED = "טייפ דק 80 (B)"
PARTS = ("belt", "gear", "<i>motor</i>")

# What a thin notebook does: load the study, show it.
PARAMETERS = 'family: str = ""  # the family to show\nstudy: str = ""  # file with the computed study'
SHOW = (
    "from reliability.report.html import section\n"
    "from reliability.report.study import load_study\n"
    "section('answer', load_study(study).subject, '<p>shown</p>')"
)


@pytest.fixture
def show() -> str:
    """Give a cell that shows the name of the study's subject."""
    return SHOW


@pytest.fixture
def write_notebook(tmp_path: Path) -> Callable[..., Path]:
    """Write a notebook with a parameters cell and cells of the given sources into its own folder."""

    def write(name: str, cells: dict[str, str], parameters: str = PARAMETERS, tagged: int = 1) -> Path:
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
def make_page() -> Callable[..., Page]:
    """Make a page about a family, to be shown by the notebook ``family``."""

    def make(subject: str = "Tarnwick T2", target: str = "families/t2.html", **facts: object) -> Page:
        study = Study(
            "family", subject, facts, {"parts": pd.DataFrame({"component": ["belt"], "share": [0.5]})}
        )
        return Page(study, target, parameters={"family": subject}, source={"Jobs": "12"})

    return make


def _ledger_rows() -> dict[str, list[dict[str, object]]]:
    """Write three families with awkward names; their parts fail the more often the older they are."""
    families = [
        {
            "family": EVIL,
            "kind": "tape deck",
            "maker": EVIL,
            "first_year": 1976,
            "last_year": 1984,
            "notes": EVIL,
        },
        {"family": LONG, "kind": "tape deck", "first_year": 1970, "last_year": 1990, "working_price": 150},
        {"family": TURNED, "kind": "turntable <u>", "first_year": 1979, "last_year": 1979},
    ]
    jobs, findings, signs = [], [], []
    for i in range(30):
        job, year, repaired = f"{i + 1 + (i > 20)}", 1976 + i % 9, i % 3 > 0
        jobs.append(
            {
                "job": job,
                "family": EVIL if i % 2 else LONG,
                "built_from": year,
                "built_to": year + i % 4 // 3,
                "taken_in": f"20{22 + i // 15}-{1 + i % 12:02}-10",
                "closed": f"20{22 + i // 15}-{1 + i % 12:02}-20",
                "outcome": "repaired" if repaired else "donor",
                "bought_for": 20 + i,
                "hours": 3.5 if i % 5 else None,
                "sold_for": 140 + i if repaired else None,
                "salvage_value": None if repaired else 15,
                "ended_by": None if repaired else PARTS[1],
                "remarks": EVIL,
            }
        )
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
    return {"families": families, "jobs": jobs, "findings": findings, "signs": signs, "followups": checks}


@pytest.fixture(scope="session")
def awkward_records() -> Records:
    """Give a small ledger whose names try to break the pages."""
    return records_from_rows(_ledger_rows())


@pytest.fixture(scope="session")
def awkward_pages(awkward_records: Records) -> list[Page]:
    """Plan all pages of the awkward ledger."""
    return plan(awkward_records, demo=True)


@pytest.fixture(scope="session")
def awkward_report(awkward_pages: list[Page], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the report of the awkward ledger: the notebooks' own commands, run without a kernel."""
    out = tmp_path_factory.mktemp("report")
    for page in awkward_pages:
        write_without_kernel(page, out)
    return out


@pytest.fixture
def show_page() -> Callable[[Page, Path], Path]:
    """Give what writes a page without a kernel."""
    return write_without_kernel


def write_without_kernel(page: Page, out: Path) -> Path:
    """Show a page as its notebook does, and write it."""
    shown = load_study(page.study.save(out / "studies"))
    module = import_module(f"reliability.report.{page.study.kind}_page")
    notebook = nbformat.read(NOTEBOOKS / f"{page.study.kind}.ipynb", as_version=4)
    for cell in notebook.cells:
        if cell.source.startswith("page."):
            made = getattr(module, cell.source.removeprefix("page.").removesuffix("(shown)"))(shown)
            data = {"text/html": made.html}
            cell.outputs = [nbformat.v4.new_output("execute_result", data, execution_count=1)]
    target = out / page.target
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_text(export_page(notebook, page.around("k")), "utf-8")
    return target


@pytest.fixture(scope="session")
def nasty_card(tmp_path_factory: pytest.TempPathFactory) -> Card:
    """Write the card of a small ledger whose names try to break it."""
    return make_card_of(nasty_records(), tmp_path_factory.mktemp("nasty") / "card.html")


@pytest.fixture(scope="module")
def card_browser() -> Iterator[Any]:
    """Open Chromium for the tests of one file."""
    with chromium() as opened:
        yield opened


@pytest.fixture
def open_card(card_browser: Any) -> Iterator[Callable[..., Any]]:
    """Open a card in a context of its own; afterwards no request left it and no script complained."""
    asked: list[str] = []
    said: list[str] = []
    contexts = []

    def open_card(card: Card, before: str = "", **more: Any) -> Any:
        contexts.append(card_browser.new_context(**{"viewport": {"width": 360, "height": 740}, **more}))
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
