"""One page: check the parameters of its notebook, run it in this process, export it as one file.

Notebooks run by papermill's own way of putting another engine in, without a kernel, and become HTML without a
script, offline.
"""

import sys
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from functools import cache
from io import StringIO
from pathlib import Path
from threading import Lock
from types import ModuleType
from typing import Any

from IPython.core.displayhook import DisplayHook
from IPython.core.displaypub import DisplayPublisher
from IPython.core.interactiveshell import InteractiveShell
from traitlets.config import Config

from reliability.errors import InvalidInput, ReportError, unknown
from reliability.report.show import TEMPLATES


@contextmanager
def _left_out(module: str) -> Iterator[None]:
    """Import without a module that others can do without."""
    if module in sys.modules:
        yield
        return
    sys.modules[module] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        del sys.modules[module]


# What checks notebooks would build a grammar of web addresses with it, for a second in every process; no
# notebook has one to check.
with _left_out("rfc3987_syntax"):
    import nbformat
    import papermill
    from papermill.engines import Engine, NotebookExecutionManager, papermill_engines

ENGINE = "here"


# ---- Cells run in a shell of this process, which keeps what they show


class _Values(DisplayHook):
    """Keeps what a cell ends with."""

    shell: "PageShell"

    def __call__(self, result: Any = None) -> None:
        if result is not None and not self.quiet():
            data, metadata = self.compute_format_data(result)
            self.shell.keep("execute_result", data=data, metadata=metadata, execution_count=None)


class _Displays(DisplayPublisher):
    """Keeps what a cell displays on its way."""

    def publish(self, data: Any, metadata: Any = None, *_given: Any, **_more: Any) -> None:
        self.shell.keep("display_data", data=data, metadata=metadata or {})


class PageShell(InteractiveShell):
    """Runs cells, and keeps their outputs instead of printing them."""

    displayhook_class = _Values
    display_pub_class = _Displays

    def __init__(self, **given: Any) -> None:
        self.outputs: list[nbformat.NotebookNode] = []
        config = Config({"HistoryManager": {"enabled": False, "hist_file": ":memory:"}})
        super().__init__(user_module=ModuleType("page"), cache_size=0, config=config, **given)

    def init_ipython_dir(self, _folder: Any) -> None:
        """Leave the user's own settings alone: they may change no page."""

    def init_profile_dir(self, _folder: Any) -> None:
        """Keep no settings, as above."""

    def keep(self, kind: str, **parts: Any) -> None:
        """Keep one output of the running cell."""
        self.outputs.append(nbformat.v4.new_output(kind, **parts))

    def _showtraceback(self, etype: Any, evalue: Any, stb: Any) -> None:
        """Keep an error as an output; whoever asked for the page words it."""
        self.keep("error", ename=etype.__name__, evalue=str(evalue), traceback=[])

    def run(self, source: str) -> tuple[list[nbformat.NotebookNode], bool]:
        """Run a cell; give its outputs, and whether it came to its end."""
        self.outputs = []
        out, err = StringIO(), StringIO()
        with redirect_stdout(out), redirect_stderr(err):
            found = self.run_cell(source, store_history=True)
        error = found.error_before_exec or found.error_in_exec
        if isinstance(error, KeyboardInterrupt):
            raise error
        for name, said in (("stdout", out.getvalue()), ("stderr", err.getvalue())):
            if said:
                self.keep("stream", name=name, text=said)
        return self.outputs, bool(found.success)


class EngineHere(Engine):
    """papermill's engine without a kernel."""

    @classmethod
    def execute_managed_notebook(cls, nb_man: NotebookExecutionManager, kernel_name: str, **_: Any) -> None:
        """Run all cells of a notebook up to the first that fails."""
        with _apart() as shell:
            for index, cell in enumerate(nb_man.nb.cells):
                if cell.cell_type != "code":
                    continue
                nb_man.cell_start(cell, index)
                cell.outputs, is_done = shell.run(cell.source)
                if not is_done:
                    nb_man.cell_exception(cell, index)
                    return
                nb_man.cell_complete(cell, index)


papermill_engines.register(ENGINE, EngineHere)


@contextmanager
def _apart() -> Iterator[PageShell]:
    """Lend this process's shell, empty, and put back afterwards what a page may have changed."""
    shell = PageShell.instance()
    try:
        with warnings.catch_warnings():
            yield shell
    finally:
        shell.reset(new_session=False)
        # Only somebody's own cell draws with it, and not for long: a page takes no picture of that kind.
        if pyplot := sys.modules.get("matplotlib.pyplot"):
            pyplot.close("all")
            pyplot.rcdefaults()


# ---- An executed notebook becomes one page


@cache
def _exporter() -> Any:
    """Render our template as it is; the library's HTML exporter would rewrite every tag afterwards."""
    # Loaded after what checks notebooks, above.
    from nbconvert.exporters.templateexporter import TemplateExporter

    class PageExporter(TemplateExporter):
        file_extension = ".html"
        template_extension = ".html.j2"
        output_mimetype = "text/html"

    settings = Config()
    settings.PageExporter.extra_template_basedirs = [str(TEMPLATES)]
    settings.PageExporter.template_name = "page"
    settings.NbConvertBase.display_data_priority = ["text/html", "text/plain"]
    return PageExporter(config=settings)


def export_page(notebook: nbformat.NotebookNode, page: Mapping[str, Any]) -> str:
    """Turn an executed notebook into the text of a page."""
    for cell, output in _outputs(notebook):
        shows = set(output.get("data", {}))
        if output.output_type == "error":
            raise ReportError(f"Cell {cell!r} ended with {output.ename}: {output.evalue}")
        if shows and "text/html" not in shows and shows != {"text/plain"}:
            raise ReportError(
                f"Cell {cell!r} shows {', '.join(sorted(shows - {'text/plain'}))}; a page carries text and "
                "HTML. Show pictures through reliability.report.figures, which gives them a text too."
            )
    style = (TEMPLATES / "style.css").read_text("utf-8").strip()
    html, _ = _exporter().from_notebook_node(notebook, resources={"page": dict(page), "style": style})
    lines = (line.rstrip() for line in html.splitlines())
    return "\n".join(line for line in lines if line) + "\n"


def printed(notebook: nbformat.NotebookNode) -> list[str]:
    """Lines that the cells printed or warned, each with the name of its cell."""
    streams = [(cell, output) for cell, output in _outputs(notebook) if output.output_type == "stream"]
    return [f"{cell}: {line}" for cell, said in streams for line in said.text.splitlines() if line.strip()]


def _outputs(notebook: nbformat.NotebookNode) -> Iterator[tuple[str, nbformat.NotebookNode]]:
    for cell in notebook.cells:
        for output in cell.get("outputs", ()):
            yield cell.get("id", "?"), output


# ---- From parameters to a page


# A process has one shell and one exporter, and a worker of a cluster may have several threads.
_one_at_a_time = Lock()


def check_parameters(notebook: Path, parameters: Mapping[str, Any]) -> None:
    """Refuse parameters that the notebook does not have, or of another type than it says."""
    cells = nbformat.read(str(notebook), as_version=4).cells
    tagged = sum("parameters" in cell.metadata.get("tags", ()) for cell in cells)
    if tagged != 1:
        raise InvalidInput(f"{notebook.name} must have one cell tagged 'parameters'; it has {tagged}.")
    known = papermill.inspect_notebook(_unformatted(notebook))
    for each, value in parameters.items():
        if each not in known:
            raise unknown(f"{notebook.name} has no parameter", each, known)
        wanted = known[each]["inferred_type_name"]
        if wanted != type(value).__name__:
            raise InvalidInput(
                f"{notebook.name}: parameter {each} must be of type {wanted}; "
                f"got {value!r} ({type(value).__name__})."
            )


def render(
    notebook: Path, subject: str, parameters: Mapping[str, Any], around: Mapping[str, Any]
) -> tuple[str, list[str]]:
    """Run a notebook in this process and make a page of what it shows; and what it printed."""
    check_parameters(notebook, parameters)
    try:
        with _one_at_a_time:
            executed = papermill.execute_notebook(
                _unformatted(notebook),
                None,
                parameters=dict(parameters),
                kernel_name="python3",
                engine_name=ENGINE,
                progress_bar=False,
            )
            return export_page(executed, around), printed(executed)
    except papermill.PapermillExecutionError as error:
        cells = nbformat.read(str(notebook), as_version=4).cells
        cell = next((cell.id for cell in cells if cell.source == error.source), "parameters")
        raise ReportError(
            f"{subject}: cell {cell!r} of {notebook.name} failed: {error.ename}: {error.evalue}"
        ) from None
    except ReportError as error:
        raise ReportError(f"{subject}: {notebook.name}: {error}") from None


def _unformatted(path: Path) -> str:
    """Keep papermill from reading braces in a folder's name as placeholders."""
    return str(path).replace("{", "{{").replace("}", "}}")
