"""Parameters of notebooks are checked before anything runs."""

import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import nbformat
import papermill
import pytest

from reliability.errors import InvalidInput, ReportError, UnknownName
from reliability.report.render import check_parameters, render
from reliability.report.run import Page, Run, around


def test_a_parameter_that_the_notebook_does_not_have_is_refused(write_notebook):
    path = write_notebook("family", {"answer": "1 / 0"})
    check_parameters(path, {"family": "T2", "as_of": "x"})
    told = r"family\.ipynb has no parameter 'famly'; known: as_of, family, ledger\. Did you"
    with pytest.raises(UnknownName, match=told):
        render(path, "family 'T2'", {"famly": "T2"}, {})  # before any cell runs


def test_a_parameter_of_another_type_is_refused(write_notebook):
    path = write_notebook("family", {})
    with pytest.raises(InvalidInput, match=r"parameter family must be of type str; got 3 \(int\)"):
        check_parameters(path, {"family": 3})


@pytest.mark.parametrize("tagged", [0, 2])
def test_a_notebook_has_one_parameters_cell(write_notebook, tagged):
    path = write_notebook("family", {}, tagged=tagged)
    told = rf"family\.ipynb must have one cell tagged 'parameters'; it has {tagged}"
    with pytest.raises(InvalidInput, match=told):
        check_parameters(path, {})


def test_threads_of_one_process_take_turns_at_its_shell(write_notebook, awkward, monkeypatch):
    at_work = []

    def execute(*_given, **_more):
        at_work.append(1)
        time.sleep(0.05)
        assert at_work.pop() == 1
        assert at_work == []
        return nbformat.v4.new_notebook()

    monkeypatch.setattr(papermill, "execute_notebook", execute)
    path, order = write_notebook("fleet", {}), Run(Path(), "mine")
    outside = around(Page("fleet", "", "fleet.html"), awkward, order)
    with ThreadPoolExecutor(3) as threads:
        made = list(threads.map(lambda _: render(path, "the fleet page", {}, outside), range(3)))
    assert [remarks for _, remarks in made] == [[], [], []]
    assert len({page for page, _ in made}) == 1


def test_a_picture_without_text_names_the_family(write_notebook, monkeypatch):
    picture = nbformat.v4.new_output("display_data", {"image/png": "AAAA"})
    cell = nbformat.v4.new_code_cell("draw()", id="lives", outputs=[picture])
    executed = nbformat.v4.new_notebook(cells=[cell])
    monkeypatch.setattr(papermill, "execute_notebook", lambda *_, **__: executed)
    told = r"family 'T2': family\.ipynb: Cell 'lives' shows image/png; .*report\.figures"
    with pytest.raises(ReportError, match=told):
        render(write_notebook("family", {}), "family 'T2'", {}, {})
