"""Parameters of notebooks are checked before anything runs."""

import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import nbformat
import papermill
import pytest

from reliability.errors import InvalidInput, ReportError, UnknownName
from reliability.report.pages import Page, PageJob
from reliability.report.render import check_parameters, render

WriteNotebook = Callable[..., Path]


def test_a_parameter_that_the_notebook_does_not_have_is_refused(write_notebook: WriteNotebook) -> None:
    path = write_notebook("family", {})
    check_parameters(path, {"family": "T2", "study": "x"})
    with pytest.raises(
        UnknownName, match=r"family\.ipynb has no parameter 'famly'; known: family, study\. Did you"
    ):
        check_parameters(path, {"famly": "T2"})


def test_a_parameter_of_another_type_is_refused(write_notebook: WriteNotebook) -> None:
    path = write_notebook("family", {})
    with pytest.raises(InvalidInput, match=r"parameter family must be of type str; got 3 \(int\)"):
        check_parameters(path, {"family": 3})


@pytest.mark.parametrize("tagged", [0, 2])
def test_a_notebook_has_one_parameters_cell(write_notebook: WriteNotebook, tagged: int) -> None:
    path = write_notebook("family", {}, tagged=tagged)
    with pytest.raises(
        InvalidInput, match=rf"family\.ipynb must have one cell tagged 'parameters'; it has {tagged}"
    ):
        check_parameters(path, {})


def test_an_unknown_parameter_stops_before_the_notebook_runs(
    write_notebook: WriteNotebook, tmp_path: Path
) -> None:
    path = write_notebook("family", {"answer": "1 / 0"})
    job = PageJob(path, tmp_path / "page.html", "family 'T2'", {"yaer": "1980"}, {})
    with pytest.raises(UnknownName, match="no parameter 'yaer'"):
        render(job)
    assert not (tmp_path / "page.html").exists()


def test_threads_of_one_process_take_turns_at_its_shell(
    write_notebook: WriteNotebook,
    make_page: Callable[..., Page],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    at_work: list[int] = []

    def execute(*_given: object, **_more: object) -> nbformat.NotebookNode:
        at_work.append(1)
        time.sleep(0.05)
        assert at_work.pop() == 1
        assert at_work == []
        return nbformat.v4.new_notebook()

    monkeypatch.setattr(papermill, "execute_notebook", execute)
    path, around = write_notebook("family", {}), make_page().around("key")
    jobs = [PageJob(path, tmp_path / f"{each}.html", "family 'T2'", {}, around) for each in range(3)]
    with ThreadPoolExecutor(3) as threads:
        assert list(threads.map(render, jobs)) == [[], [], []]


def test_a_picture_without_text_names_the_family(
    write_notebook: WriteNotebook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    picture = nbformat.v4.new_output("display_data", {"image/png": "AAAA"})
    cell = nbformat.v4.new_code_cell("draw()", id="lives", outputs=[picture])
    executed = nbformat.v4.new_notebook(cells=[cell])
    monkeypatch.setattr(papermill, "execute_notebook", lambda *_, **__: executed)
    job = PageJob(write_notebook("family", {}), tmp_path / "page.html", "family 'T2'", {}, {})
    with pytest.raises(ReportError, match=r"family 'T2': family\.ipynb: Cell 'lives' shows image/png"):
        render(job)
