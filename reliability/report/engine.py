"""Runs the notebooks of the pages in this process: papermill's own way of putting another engine in.

A kernel would be a process of its own, spoken to through sockets; starting it and waiting for it took longer
than most pages. A page leaves nothing to the next one: no name, no setting of the library that draws, and no
warning that is given but once.
"""

import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from io import StringIO
from types import ModuleType
from typing import Any

import matplotlib as mpl
from IPython.core.displayhook import DisplayHook
from IPython.core.displaypub import DisplayPublisher
from IPython.core.interactiveshell import InteractiveShell
from traitlets.config import Config


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

__all__ = ["NAME", "EngineHere", "PageShell", "nbformat", "papermill"]

NAME = "here"
_NO_HISTORY = Config({"HistoryManager": {"enabled": False, "hist_file": ":memory:"}})


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
        super().__init__(user_module=ModuleType("page"), cache_size=0, config=_NO_HISTORY, **given)

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


@contextmanager
def _apart() -> Iterator[PageShell]:
    """Lend this process's shell, empty, and put back afterwards what a page may have changed."""
    shell = PageShell.instance()
    try:
        with warnings.catch_warnings(), mpl.rc_context():
            yield shell
    finally:
        shell.reset(new_session=False)
        if pyplot := sys.modules.get("matplotlib.pyplot"):
            pyplot.close("all")


papermill_engines.register(NAME, EngineHere)
