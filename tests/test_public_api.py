"""The names that a user imports, the README's lines, and the examples of the docstrings."""

import doctest
import inspect
import re
import tomllib
from pathlib import Path

import pytest

import reliability
from reliability import api
from reliability.life import curves, lives, pooling, weibull
from reliability.records import frames
from tests.conftest import run_python

ROOT = Path(__file__).parents[1]
PUBLIC = [
    "BenchoddsError", "LifeCurves", "LifeRecords", "Lives", "Odds", "Plan", "PooledFamilies", "Records",
    "WeibullLives", "fit", "lives", "load", "open_ledger", "pool",
]  # fmt: skip


@pytest.fixture(autouse=True)
def at_root(monkeypatch, no_windows):
    """Examples name the demo as one does who stands in the project's folder; nothing opens a window."""
    monkeypatch.chdir(ROOT)


def test_the_public_names_are_these():
    assert sorted(reliability.__all__) == PUBLIC
    assert dir(reliability) == sorted([*PUBLIC, "__version__"])


@pytest.mark.parametrize("name", PUBLIC)
def test_each_can_be_imported_and_is_described(name):
    value = getattr(reliability, name)
    assert value.__name__ == name
    assert inspect.getdoc(value)


@pytest.mark.parametrize(
    ("line", "heavy"),
    [("reliability", ("reliability.", "numpy", "pandas")), ("reliability.fit", ("matplotlib",))],
)
def test_nothing_is_loaded_before_it_is_needed(line, heavy):
    code = (
        f"import sys, reliability; {line}; print([name for name in sys.modules if name.startswith({heavy})])"
    )
    assert run_python(code) == "[]\n"


def test_other_names_are_refused():
    with pytest.raises(AttributeError, match="module 'reliability' has no attribute 'fits'"):
        reliability.fits  # noqa: B018
    with pytest.raises(ImportError, match="cannot import name 'odds'"):
        from reliability import odds  # noqa: F401


def test_the_version_is_that_of_the_distribution():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert reliability.__version__ == project["version"]


@pytest.fixture(scope="module")
def names():
    """Names that the README's lines leave behind, for the examples that go on from there."""
    return {}


def examples(test, names):
    """Run the examples of one text; give what went wrong."""
    test.globs.update(names)
    said = []
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
    runner.run(test, out=said.append, clear_globs=False)
    names.update({name: test.globs[name] for name in ("rel", "records", "odds") if name in test.globs})
    assert runner.tries > 0
    return "".join(said)


def test_readme_shows_what_its_lines_print(names):
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    section = re.search(r"^## From Python$(.*?)^## ", readme, re.M | re.S).group(1)
    lines = "\n".join(re.findall(r"^```python\n(.*?)^```$", section, re.M | re.S))
    assert not examples(doctest.DocTestParser().get_doctest(lines, {}, "README", "README.md", 0), names)
    assert set(names) == {"rel", "records", "odds"}


TESTS = [
    test
    for module in (api, curves, frames, lives, pooling, weibull)
    for test in doctest.DocTestFinder(exclude_empty=True).find(module)
    if test.examples
]


@pytest.mark.parametrize("test", TESTS, ids=[test.name for test in TESTS])
def test_examples_print_what_they_say(test, names):
    if "odds" not in names:  # run alone: the lines of the README first
        test_readme_shows_what_its_lines_print(names)
    assert not examples(test, dict(names))


def test_every_function_and_method_that_computes_has_an_example():
    shown = {test.name.partition(".")[2].split(".", 1)[-1].removeprefix("frames.") for test in TESTS}
    assert {"load", "lives", "fit", "Lives.weibull", "Lives.curve", "Lives.pooled"} <= shown
    assert {"Odds.judge", "Odds.ranking", "Odds.plan", "Odds.stock"} <= shown
