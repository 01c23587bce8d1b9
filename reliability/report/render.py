"""One page: check the notebook's parameters, run it, export it, replace the file in one step.

Runs in a process of its own. papermill only warns about a parameter that a notebook does not have,
so the check is made here before anything runs.
"""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING, Any

from reliability.errors import InvalidInput, ReportError, unknown
from reliability.report.study import write_whole

if TYPE_CHECKING:
    from nbformat import NotebookNode

_KERNEL = "python3"
_LONGEST_CELL_SECONDS = 600
# A process has one kernel and one exporter, and a worker of a cluster may have several threads.
_one_at_a_time = Lock()


@dataclass(frozen=True)
class PageJob:
    """What a worker needs to make one page.

    Parameters
    ----------
    notebook : Path
        The notebook that shows it.
    target : Path
        The file to write.
    subject : str
        What the page is about, for messages: ``family 'Tarnwick T2'``.
    parameters : mapping
        Values for the notebook's parameters cell.
    around : mapping
        What the template puts around the content; see `export.export_page`.
    """

    notebook: Path
    target: Path
    subject: str
    parameters: Mapping[str, Any]
    around: Mapping[str, Any]


def check_parameters(notebook: Path, parameters: Mapping[str, Any]) -> None:
    """Refuse parameters that the notebook does not have, or of another type than it says.

    Parameters
    ----------
    notebook : Path
        Notebook with exactly one cell tagged ``parameters``, one typed name per line.
    parameters : mapping
        Name -> value.

    Raises
    ------
    InvalidInput
        If a value has another type, or the notebook has no or several parameters cells.
    UnknownName
        If a name is not among them; the message lists what the notebook has.
    """
    import nbformat
    from papermill import inspect_notebook

    cells = nbformat.read(str(notebook), as_version=4).cells
    tagged = sum("parameters" in cell.metadata.get("tags", ()) for cell in cells)
    if tagged != 1:
        raise InvalidInput(f"{notebook.name} must have one cell tagged 'parameters'; it has {tagged}.")
    known = inspect_notebook(_unformatted(notebook))
    for each, value in parameters.items():
        if each not in known:
            raise unknown(f"{notebook.name} has no parameter", each, known)
        wanted = known[each]["inferred_type_name"]
        if wanted != type(value).__name__:
            raise InvalidInput(
                f"{notebook.name}: parameter {each} must be of type {wanted}; "
                f"got {value!r} ({type(value).__name__})."
            )


def render(job: PageJob) -> list[str]:
    """Make one page.

    Parameters
    ----------
    job : PageJob
        What to make.

    Returns
    -------
    list of str
        What the notebook printed or warned; usually nothing.

    Raises
    ------
    ReportError
        If a cell fails or shows what a page cannot carry; the message names the subject and the cell.
        The old page, if there is one, is still there.
    """
    from papermill import PapermillExecutionError

    from reliability.report.export import export_page, printed

    check_parameters(job.notebook, job.parameters)
    try:
        with _one_at_a_time:
            executed = _executed(job)
            page = export_page(executed, job.around)
    except PapermillExecutionError as error:
        cell = _cell_of(job.notebook, error.source)
        raise ReportError(
            f"{job.subject}: cell {cell!r} of {job.notebook.name} failed: {error.ename}: {error.evalue}"
        ) from None
    except ReportError as error:
        raise ReportError(f"{job.subject}: {job.notebook.name}: {error}") from None
    write_whole(job.target, page)
    return printed(executed)


def _executed(job: PageJob) -> "NotebookNode":
    """Run the notebook in this process's kernel; after a failure the next one gets another kernel."""
    os.environ.setdefault("PYDEVD_DISABLE_FILE_VALIDATION", "1")  # else the kernel prints a debugger's advice
    from papermill import execute_notebook

    from reliability.report.kernel import fresh_kernel, give_up_kernel

    try:
        return execute_notebook(
            _unformatted(job.notebook),
            None,
            parameters=dict(job.parameters),
            kernel_name=_KERNEL,
            progress_bar=False,
            execution_timeout=_LONGEST_CELL_SECONDS,
            km=fresh_kernel(job.notebook.parent),
        )
    except BaseException:
        give_up_kernel()
        raise


def _unformatted(path: Path) -> str:
    """Keep papermill from reading braces in a folder's name as placeholders."""
    return str(path).replace("{", "{{").replace("}", "}}")


def _cell_of(notebook: Path, source: str) -> str:
    import nbformat

    cells = nbformat.read(str(notebook), as_version=4).cells
    return next((cell.id for cell in cells if cell.source == source), "parameters")
