"""From an executed notebook to a page."""

import nbformat
import pytest

from reliability.errors import ReportError
from reliability.report.pages import Page
from reliability.report.render import export_page, printed
from reliability.report.study import Study

EVIL = "</title><script>alert(1)</script>"


def executed(*outputs: nbformat.NotebookNode, source: str = "study.show()") -> nbformat.NotebookNode:
    cell = nbformat.v4.new_code_cell(source, id="answer", outputs=list(outputs))
    text = nbformat.v4.new_markdown_cell("How to *read* it.", id="reading")
    return nbformat.v4.new_notebook(cells=[cell, text])


def result(**data: str) -> nbformat.NotebookNode:
    bundle = {key.replace("_", "/"): value for key, value in data.items()}
    return nbformat.v4.new_output("execute_result", bundle, execution_count=1)


def page(subject: str = "Tarnwick T2", *, demo: bool = False) -> Page:
    study = Study("family", subject)
    source = {"Command": "benchodds report", "Jobs": "12"}
    return Page(study, "families/t2.html", demo, {"family": subject, "as_of": ""}, source, "tape deck")


def test_only_text_and_outputs_are_shown() -> None:
    html = export_page(
        executed(result(text_html="<p>shown</p>", text_plain="plain")), page().around("k" * 64)
    )
    assert "<p>shown</p>" in html
    assert "How to <em>read</em> it." in html
    assert "study.show" not in html
    assert "plain" not in html
    assert "In [" not in html


def test_the_page_runs_nothing_and_fetches_nothing() -> None:
    html = export_page(executed(), page().around("k" * 64))
    assert "default-src 'none'; style-src 'unsafe-inline'; img-src data:" in html
    for banned in ("<script", "http:", "https:", "@import", "<link", "<iframe", "url("):
        assert banned not in html


def test_head_and_foot_say_what_and_whence() -> None:
    html = export_page(executed(), page(demo=True).around("k" * 64))
    assert '<meta name="benchodds-page" content="' + "k" * 64 + '">' in html[:4096]
    assert "<title>Tarnwick T2 · benchodds</title>" in html
    assert "<strong>DEMO</strong>" in html
    assert '<a href="../index.html#families" aria-current="page">Families</a>' in html
    assert "<dt>Command</dt><dd><bdi>benchodds report</bdi></dd>" in html
    assert "<dt>Parameters</dt><dd><bdi>family = Tarnwick T2</bdi></dd>" in html
    assert "Local codes come first" in html
    assert "moving parts" in html.lower()
    assert "laser" not in html
    assert "DEMO" not in export_page(executed(), page().around("k"))


def test_names_from_the_ledger_stay_text() -> None:
    html = export_page(executed(result(text_plain=EVIL)), page(EVIL).around("k"))
    assert "<script" not in html
    assert "&lt;script&gt;" in html


def test_a_bare_picture_is_refused() -> None:
    with pytest.raises(ReportError, match=r"Cell 'answer' shows image/png; .*reliability\.report\.figures"):
        export_page(executed(result(image_png="AAAA", text_plain="<Figure>")), page().around("k"))


def test_an_error_kept_in_a_notebook_is_refused() -> None:
    error = nbformat.v4.new_output("error", ename="ValueError", evalue="no lives", traceback=[])
    with pytest.raises(ReportError, match=r"Cell 'answer' ended with ValueError: no lives"):
        export_page(executed(error), page().around("k"))


def test_what_was_printed_is_handed_back() -> None:
    stream = nbformat.v4.new_output("stream", name="stderr", text="careful\n\n")
    notebook = executed(stream)
    assert printed(notebook) == ["answer: careful"]
    assert "careful" not in export_page(notebook, page().around("k"))
