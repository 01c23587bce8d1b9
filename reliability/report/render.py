"""One page: its notebook's parameters checked, its cells run here, what they show set in our frame.

Notebooks run through papermill, by its own way of putting another engine in: no kernel is started. The page
is one file without a script, to be read offline.
"""

import ast
import sys
import warnings
from collections.abc import Mapping
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path
from typing import Any

from markupsafe import Markup

from reliability.errors import InvalidInput, ReportError, unknown
from reliability.report.show import style_sheet, templates

# What checks notebooks would build a grammar of web addresses with it, for a second in every process; no
# notebook has one to check.
_GRAMMAR = "rfc3987_syntax"
sys.modules.setdefault(_GRAMMAR, None)  # type: ignore[arg-type]
import papermill  # noqa: E402
from papermill.engines import Engine, NotebookExecutionManager, papermill_engines  # noqa: E402
from papermill.iorw import load_notebook_node  # noqa: E402

if sys.modules[_GRAMMAR] is None:
    del sys.modules[_GRAMMAR]


def render(
    notebook: Path, subject: str, parameters: Mapping[str, str], around: Mapping[str, Any]
) -> tuple[str, list[str]]:
    """Run a notebook in this process and make a page of what it shows; and what it printed, by cell."""
    shown: list[Markup] = []
    printed: list[str] = []
    papermill.execute_notebook(
        _checked(notebook, parameters),
        None,
        parameters=dict(parameters),
        engine_name=EngineHere.__name__,
        kernel_name="python3",
        progress_bar=False,
        place=f"{subject}: cell {{!r}} of {notebook.name}",
        shown=shown,
        printed=printed,
    )
    style = style_sheet("style.css")
    page = templates().get_template("page.html.j2").render(page=around, style=Markup(style), shown=shown)
    lines = (line.rstrip() for line in page.splitlines())
    return "\n".join(line for line in lines if line) + "\n", printed


def _checked(notebook: Path, parameters: Mapping[str, str]) -> Any:
    """Read a notebook; refuse parameters that it does not have."""
    book = load_notebook_node(str(notebook))
    tagged = sum("parameters" in cell.metadata.tags for cell in book.cells)
    if tagged != 1:
        raise InvalidInput(f"{notebook.name} must have one cell tagged 'parameters'; it has {tagged}.")
    known = papermill.inspect_notebook(book)
    for each in parameters:
        if each not in known:
            raise unknown(f"{notebook.name} has no parameter", each, known)
    return book


class EngineHere(Engine):
    """papermill's engine without a kernel."""

    @classmethod
    def execute_managed_notebook(
        cls, nb_man: NotebookExecutionManager, kernel_name: str, *, place: str, shown: list[Markup],
        printed: list[str], **_: Any,
    ) -> None:  # fmt: skip
        """Run the cells up to the first that fails; keep what they show, and the lines that they print."""
        names: dict[str, Any] = {
            "__name__": "page",
            "display": lambda *some: shown.extend(map(_markup, some)),
        }
        if pyplot := sys.modules.get("matplotlib.pyplot"):  # the page before may have drawn with it
            pyplot.close("all")
            pyplot.rcdefaults()
        with warnings.catch_warnings():
            for cell in nb_man.nb.cells:
                if cell.cell_type == "markdown":
                    from nbconvert.filters import markdown2html  # no page of ours has such a cell

                    shown.append(Markup(f'<div class="prose">\n{markdown2html(cell.source)}\n</div>'))
                elif cell.cell_type == "code":
                    said = StringIO()  # caught for the whole process
                    try:
                        with redirect_stdout(said), redirect_stderr(said):
                            _run_cell(cell.source, names)
                    except (Exception, SystemExit) as error:
                        told = f"failed: {type(error).__name__}: {error}"
                        raise ReportError(f"{place.format(cell.id)} {told}") from None
                    lines = said.getvalue().splitlines()
                    printed += [f"{cell.id}: {line}" for line in lines if line.strip()]


papermill_engines.register(EngineHere.__name__, EngineHere)


def _run_cell(source: str, names: dict[str, Any]) -> None:
    """Run a cell, and show the value that it ends with, unless a semicolon follows it."""
    cell = ast.parse(source)
    last = cell.body.pop() if cell.body and isinstance(cell.body[-1], ast.Expr) else None
    exec(compile(cell, "<cell>", "exec"), names)
    if isinstance(last, ast.Expr):
        value = eval(compile(ast.Expression(last.value), "<cell>", "eval"), names)
        if value is not None and not source.rstrip().endswith(";"):
            names["display"](value)


def _markup(value: object) -> Markup:
    """Give a value as HTML, else as text."""
    if say := getattr(type(value), "_repr_html_", None):
        if (html := say(value)) is not None:
            return Markup(html)
    elif pictures := [f"image/{each}" for each in ("png", "jpeg", "svg") if hasattr(value, f"_repr_{each}_")]:
        raise ReportError(
            f"it shows {', '.join(pictures)}; a page carries text and HTML. Show pictures through "
            "reliability.report.figures, which gives them a text too."
        )
    return Markup("<pre>{}</pre>").format(repr(value))
