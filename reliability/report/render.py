"""One page: check the notebook's parameters, run it, export it, replace the file in one step.

papermill only warns about a parameter that a notebook does not have, so the check is made here before
anything runs. Loading this module loads all that pages need.
"""

from collections.abc import Mapping
from pathlib import Path
from threading import Lock
from typing import Any

from reliability.errors import InvalidInput, ReportError, unknown
from reliability.report.engine import NAME, nbformat, papermill
from reliability.report.export import export_page, printed
from reliability.report.pages import PageJob
from reliability.report.study import write_whole

_KERNEL = "python3"
# A process has one shell and one exporter, and a worker of a cluster may have several threads.
_one_at_a_time = Lock()


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
    check_parameters(job.notebook, job.parameters)
    try:
        with _one_at_a_time:
            executed = papermill.execute_notebook(
                _unformatted(job.notebook),
                None,
                parameters=dict(job.parameters),
                kernel_name=_KERNEL,
                engine_name=NAME,
                progress_bar=False,
            )
            page = export_page(executed, job.around)
    except papermill.PapermillExecutionError as error:
        cell = _cell_of(job.notebook, error.source)
        raise ReportError(
            f"{job.subject}: cell {cell!r} of {job.notebook.name} failed: {error.ename}: {error.evalue}"
        ) from None
    except ReportError as error:
        raise ReportError(f"{job.subject}: {job.notebook.name}: {error}") from None
    write_whole(job.target, page)
    return printed(executed)


def _unformatted(path: Path) -> str:
    """Keep papermill from reading braces in a folder's name as placeholders."""
    return str(path).replace("{", "{{").replace("}", "}}")


def _cell_of(notebook: Path, source: str) -> str:
    cells = nbformat.read(str(notebook), as_version=4).cells
    return next((cell.id for cell in cells if cell.source == source), "parameters")
