"""From an executed notebook to a page."""

from pathlib import Path

import nbformat
import pytest
from markupsafe import escape

from reliability.errors import ReportError
from reliability.report.render import export_page, printed
from reliability.report.run import Page, Run, around
from tests.report.conftest import EVIL as EVIL_FAMILY

EVIL = "</title><script>alert(1)</script>"


def executed(*outputs, source="study.show()"):
    cell = nbformat.v4.new_code_cell(source, id="answer", outputs=list(outputs))
    text = nbformat.v4.new_markdown_cell("How to *read* it.", id="reading")
    return nbformat.v4.new_notebook(cells=[cell, text])


def result(**data):
    bundle = {key.replace("_", "/"): value for key, value in data.items()}
    return nbformat.v4.new_output("execute_result", bundle, execution_count=1)


@pytest.fixture
def outside(awkward):
    """What stands around the content of a family's page."""
    return outside_of(awkward)


def outside_of(data, *, demo=False):
    page = Page("family", EVIL_FAMILY, "families/t2.html")
    return around(page, data, Run(Path(), "mine", demo))


def test_only_text_and_outputs_are_shown(outside):
    html = export_page(executed(result(text_html="<p>shown</p>", text_plain="plain")), outside)
    assert "<p>shown</p>" in html
    assert "How to <em>read</em> it." in html
    assert "study.show" not in html
    assert "plain" not in html
    assert "In [" not in html


def test_the_page_runs_nothing_and_fetches_nothing(outside):
    html = export_page(executed(), outside)
    assert "default-src 'none'; style-src 'unsafe-inline'; img-src data:" in html
    for banned in ("<script", "http:", "https:", "@import", "<link", "<iframe", "url("):
        assert banned not in html


def test_head_and_foot_say_what_and_whence(awkward, outside):
    html = export_page(executed(), outside_of(awkward, demo=True))
    assert '<meta name="benchodds-ledger" content="mine">' in html[:4096]
    assert f"<title>{escape(EVIL_FAMILY)} · benchodds</title>" in html
    assert "<strong>DEMO</strong>" in html
    assert '<a href="../index.html">What to take</a>' in html
    assert "<dt>Made again by</dt><dd><bdi>benchodds report --family " in html
    assert f"<dt>Parameters</dt><dd><bdi>family = {escape(EVIL_FAMILY)}</bdi></dd>" in html
    assert "Local codes come first" in html
    assert "moving parts" in html.lower()
    assert "laser" not in html
    assert "DEMO" not in export_page(executed(), outside)


def test_names_from_the_ledger_stay_text(outside):
    html = export_page(executed(result(text_plain=EVIL)), outside)
    assert "<script" not in html
    assert "&lt;script&gt;" in html


def test_an_error_kept_in_a_notebook_is_refused(outside):
    error = nbformat.v4.new_output("error", ename="ValueError", evalue="no lives", traceback=[])
    with pytest.raises(ReportError, match=r"Cell 'answer' ended with ValueError: no lives"):
        export_page(executed(error), outside)


def test_what_was_printed_is_handed_back(outside):
    stream = nbformat.v4.new_output("stream", name="stderr", text="careful\n\n")
    notebook = executed(stream)
    assert printed(notebook) == ["answer: careful"]
    assert "careful" not in export_page(notebook, outside)
