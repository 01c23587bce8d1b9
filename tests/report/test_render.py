"""From a notebook to a page: parameters, what cells show, what stands around that, nothing left behind."""

import sys
import warnings
from pathlib import Path

import pytest
from markupsafe import escape

from reliability.errors import InvalidInput, ReportError, UnknownName
from reliability.report.render import render
from reliability.report.run import Page, Run, around
from tests.conftest import run_python
from tests.report.conftest import EVIL

AROUND = {"ledger": "mine", "title": "t", "demo": False, "titles": {}, "cautions": [], "source": {}}


def content_of(path):
    """Give what stands between header and footer of a page, and what its notebook printed."""
    page, said = render(path, "family 'T2'", {}, AROUND)
    return page.partition('<main id="content">\n')[2].partition("</main>")[0], said


# ---- Parameters are checked before anything runs


def test_a_parameter_that_the_notebook_does_not_have_is_refused(write_notebook):
    path = write_notebook("family", {"answer": "1 / 0"})
    told = r"family\.ipynb has no parameter 'famly'; known: as_of, family, ledger\. Did you"
    with pytest.raises(UnknownName, match=told):
        render(path, "family 'T2'", {"famly": "T2"}, AROUND)  # before any cell runs


@pytest.mark.parametrize("tagged", [0, 2])
def test_a_notebook_has_one_parameters_cell(write_notebook, tagged):
    path = write_notebook("family", {}, tagged=tagged)
    told = rf"family\.ipynb must have one cell tagged 'parameters'; it has {tagged}"
    with pytest.raises(InvalidInput, match=told):
        content_of(path)


# ---- What cells show


def test_a_cell_shows_its_value_what_it_displays_and_what_it_prints(write_notebook):
    path = write_notebook("family", {
        "value": "from reliability.report.show import Shown\nShown('<p>shown</p>')",
        "silent": "x = 1\nx;",
        "none": "# nothing at all",
        "text": "How to *read* it.",
        "display": "display(Shown('<b>on the way</b>'), 'text <too>')\nprint('said')\n2 + 2",
    })  # fmt: skip
    shown, said = content_of(path)
    prose = '<div class="prose">\n<p>How to <em>read</em> it.</p>\n</div>\n'
    after = "<b>on the way</b>\n<pre>&#39;text &lt;too&gt;&#39;</pre>\n<pre>4</pre>\n"
    assert shown == f"<p>shown</p>\n{prose}{after}"
    assert said == ["display: said"]


@pytest.mark.parametrize(
    ("source", "told"),
    [
        ("1 / 0", "ZeroDivisionError: division by zero"),
        ("1 +", "SyntaxError: "),
        ("exit(3)", "SystemExit: 3"),
    ],
)
def test_the_first_cell_that_fails_ends_the_page(write_notebook, source, told):
    path = write_notebook("family", {"one": source, "two": "open('left', 'w')"})
    with pytest.raises(ReportError, match=rf"family 'T2': cell 'one' of family\.ipynb failed: {told}"):
        content_of(path)
    assert not Path("left").exists()


def test_whoever_interrupts_a_page_interrupts_the_run(write_notebook):
    with pytest.raises(KeyboardInterrupt):
        content_of(write_notebook("family", {"one": "raise KeyboardInterrupt"}))


def test_a_picture_without_text_names_the_family(write_notebook):
    draw = "class Picture:\n    def _repr_png_(self):\n        return b'AAAA'\nPicture()"
    told = r"family 'T2': cell 'lives' of family\.ipynb failed: .* shows image/png; .*report\.figures"
    with pytest.raises(ReportError, match=told):
        content_of(write_notebook("family", {"lives": draw}))


# ---- What stands around that


@pytest.fixture
def page_of(awkward, write_notebook):
    """Make the page of a family from cells."""

    def page_of(cells=None, *, demo=False):
        page, run = Page("family", EVIL, "families/t2.html"), Run(Path(), "mine", demo)
        return render(write_notebook("family", cells or {}), page.called, {}, around(page, awkward, run))[0]

    return page_of


def test_the_page_runs_nothing_and_fetches_nothing(page_of):
    html = page_of()
    assert "default-src 'none'; style-src 'unsafe-inline'; img-src data:" in html
    for banned in ("<script", "http:", "https:", "@import", "<link", "<iframe", "url("):
        assert banned not in html


def test_head_and_foot_say_what_and_whence(page_of):
    html = page_of(demo=True)
    assert '<meta name="benchodds-ledger" content="mine">' in html[:4096]
    assert f"<title>{escape(EVIL)} · benchodds</title>" in html
    assert "<strong>DEMO</strong>" in html
    assert '<a href="../index.html">What to take</a>' in html
    assert "<dt>Made again by</dt><dd><bdi>benchodds report --family " in html
    assert f"<dt>Parameters</dt><dd><bdi>family = {escape(EVIL)}</bdi></dd>" in html
    assert "Local codes come first" in html
    assert "moving parts" in html.lower()
    assert "laser" not in html
    assert "DEMO" not in page_of()


# ---- No page leaves anything to the next one


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
    first = content_of(draws)
    before = list(warnings.filters), list(sys.path)
    content_of(write_notebook("fleet", {"one": MESS, "two": "left"}))
    assert (list(warnings.filters), list(sys.path)) == before
    assert content_of(draws) == first == ("<pre>(10.0, False)</pre>\n", [])
    assert sys.modules["matplotlib.pyplot"].get_fignums() == []


def test_a_warning_is_told_of_each_page_that_gives_it(write_notebook):
    path = write_notebook("family", {"answer": "import warnings\nwarnings.warn('thin ice')"})
    code = (
        "from pathlib import Path\nfrom reliability.report.render import render\n"
        f"given = Path({str(path)!r}), 'family', {{}}, {AROUND!r}\n"
        "print(*render(*given)[1], *render(*given)[1], sep='\\n')"
    )
    told = [line for line in run_python(code).splitlines() if "UserWarning: thin ice" in line]
    assert len(told) == 2
    assert all(line.startswith("answer: ") for line in told)


def test_no_page_waits_for_a_grammar_that_it_does_not_need():
    code = (
        "import sys\nimport reliability.report.render\nprint('rfc3987_syntax' in sys.modules)\n"
        "import rfc3987_syntax\nprint('rfc3987_syntax' in sys.modules)"
    )
    assert run_python(code) == "False\nTrue\n"  # left out for a moment, not for good
