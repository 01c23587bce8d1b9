"""Notebooks run in this process: what their cells show, and that no page leaves anything to the next one."""

import sys
import warnings
from pathlib import Path

import papermill
import pytest

from reliability.report.render import ENGINE, PageShell
from tests.conftest import run_python


def outputs(path):
    """Run a notebook and give the outputs of its cells, without those of the parameters."""
    ran = papermill.execute_notebook(
        str(path), None, kernel_name="python3", engine_name=ENGINE, progress_bar=False
    )
    return [cell.get("outputs", []) for cell in ran.cells[1:]]


def test_a_cell_shows_its_value_what_it_displays_and_what_it_prints(write_notebook):
    path = write_notebook("family", {
        "value": "from reliability.report.show import Shown\nShown('<p>shown</p>')",
        "silent": "x = 1\nx;",
        "text": "Some *words*.",
        "display": "from IPython.display import HTML, display\n"
        "display(HTML('<b>on the way</b>'))\nprint('said')",
    })  # fmt: skip
    value, silent, text, displayed = outputs(path)
    assert text == []
    assert [(each.output_type, each.data["text/html"]) for each in value] == [
        ("execute_result", "<p>shown</p>")
    ]
    assert silent == []
    shown, said = displayed
    assert (shown.output_type, shown.data["text/html"]) == ("display_data", "<b>on the way</b>")
    assert (said.output_type, said.name, said.text) == ("stream", "stdout", "said\n")


@pytest.mark.parametrize(("source", "name"), [("1 / 0", "ZeroDivisionError"), ("1 +", "SyntaxError")])
def test_the_first_cell_that_fails_ends_the_page(write_notebook, source, name):
    path = write_notebook("family", {"one": source, "two": "open('left', 'w')"})
    with pytest.raises(papermill.PapermillExecutionError) as caught:
        outputs(path)
    assert (caught.value.ename, caught.value.source) == (name, source)
    assert not Path("left").exists()


def test_whoever_interrupts_a_page_interrupts_the_run(write_notebook):
    with pytest.raises(KeyboardInterrupt):
        outputs(write_notebook("family", {"one": "raise KeyboardInterrupt"}))


# A page that leaves behind all that it can.
MESS = """
import warnings
import matplotlib as mpl
import matplotlib.pyplot as plt
left = 1
mpl.rcParams["font.size"] = 40
mpl.rcParams["svg.fonttype"] = "path"
plt.figure()
warnings.simplefilter("ignore")
"""
DRAWS = """
import matplotlib
matplotlib.rcParams["font.size"], "left" in globals()
"""


def test_a_page_leaves_nothing_to_the_next_one(write_notebook):
    draws = write_notebook("family", {"one": DRAWS})
    first = outputs(draws)
    before = list(warnings.filters), list(sys.path)
    outputs(write_notebook("fleet", {"one": MESS, "two": "left"}))
    assert (list(warnings.filters), list(sys.path)) == before
    assert sys.modules["matplotlib.pyplot"].get_fignums() == []
    again = outputs(draws)
    assert again == first
    assert again[0][0].data["text/plain"] == "(10.0, False)"


def test_a_warning_is_told_of_each_page_that_gives_it(write_notebook):
    path = write_notebook("family", {"answer": "import warnings\nwarnings.warn('thin ice')"})
    code = (
        "from pathlib import Path\nfrom reliability.report.render import render\n"
        f"given = Path({str(path)!r}), 'family', {{}}, {{'navigation': [], 'cautions': [], 'source': {{}}}}\n"
        "print(*render(*given)[1], *render(*given)[1], sep='\\n')"
    )
    told = [line for line in run_python(code).splitlines() if "UserWarning: thin ice" in line]
    assert len(told) == 2
    assert all(line.startswith("answer: ") for line in told)


def test_the_users_own_settings_and_history_are_left_alone(tmp_path, monkeypatch):
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path / "ipython"))
    shell = PageShell()
    shell.run("1 + 1")
    assert not shell.history_manager.enabled
    assert list(tmp_path.iterdir()) == []


def test_no_page_waits_for_a_grammar_that_it_does_not_need():
    code = (
        "import sys\nimport reliability.report.render\nprint('rfc3987_syntax' in sys.modules)\n"
        "import rfc3987_syntax\nprint('rfc3987_syntax' in sys.modules)"
    )
    assert run_python(code) == "False\nTrue\n"  # left out for a moment, not for good
