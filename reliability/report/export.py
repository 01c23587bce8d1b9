"""An executed notebook becomes one page: one file, offline, without a script.

The template shows Markdown and outputs only. What a cell prints is for the maker of the report, not
for its reader: it is handed back as remarks.
"""

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from nbconvert.exporters.templateexporter import TemplateExporter
from nbformat import NotebookNode
from traitlets.config import Config

from reliability.errors import ReportError

TEMPLATES = Path(__file__).parent / "templates"
_SHOWN = {"text/html", "text/plain"}


class PageExporter(TemplateExporter):
    """Renders our template as it is; the library's HTML exporter would rewrite every tag afterwards."""

    file_extension = ".html"
    template_extension = ".html.j2"
    output_mimetype = "text/html"


@cache
def _exporter() -> PageExporter:
    settings = Config()
    settings.PageExporter.extra_template_basedirs = [str(TEMPLATES)]
    settings.PageExporter.template_name = "page"
    settings.NbConvertBase.display_data_priority = ["text/html", "text/plain"]
    return PageExporter(config=settings)


def export_page(notebook: NotebookNode, page: Mapping[str, Any]) -> str:
    """Turn an executed notebook into the text of a page.

    Parameters
    ----------
    notebook : NotebookNode
        The notebook with its outputs.
    page : mapping
        What stands around them: ``title``, ``key`` (of the shown content), ``demo``, ``navigation``
        (label, target, current), ``cautions`` (texts) and ``source`` (label, value).

    Returns
    -------
    str
        HTML that needs no other file and makes no request.

    Raises
    ------
    ReportError
        If a cell shows something that a page cannot carry, such as a bare picture, which has no text
        for those who cannot see it.
    """
    _check_outputs(notebook)
    style = (TEMPLATES / "style.css").read_text("utf-8").strip()
    html, _ = _exporter().from_notebook_node(notebook, resources={"page": dict(page), "style": style})
    lines = (line.rstrip() for line in html.splitlines())
    return "\n".join(line for line in lines if line) + "\n"


def _check_outputs(notebook: NotebookNode) -> None:
    for cell, output in _outputs(notebook):
        kinds = set(output.get("data", {}))
        if output.output_type == "error":
            raise ReportError(f"Cell {cell!r} ended with {output.ename}: {output.evalue}")
        if kinds and "text/html" not in kinds and kinds - _SHOWN:
            found = ", ".join(sorted(kinds - _SHOWN))
            raise ReportError(
                f"Cell {cell!r} shows {found}; a page carries text and HTML. "
                "Show pictures through reliability.report.figures, which gives them a text too."
            )


def printed(notebook: NotebookNode) -> list[str]:
    """Lines that the cells printed or warned, each with the name of its cell."""
    said = []
    for cell, output in _outputs(notebook):
        if output.output_type == "stream":
            said += [f"{cell}: {line}" for line in output.text.splitlines() if line.strip()]
    return said


def _outputs(notebook: NotebookNode) -> list[tuple[str, NotebookNode]]:
    return [
        (cell.get("id", "?"), output)
        for cell in notebook.cells
        if cell.cell_type == "code"
        for output in cell.outputs
    ]
