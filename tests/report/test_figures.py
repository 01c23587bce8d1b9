"""Figures: a question, a text for those who cannot see it, marks for the records, the same bytes twice."""

import re
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from reliability.report import figures

AGES = np.linspace(0, 50, 11)
STEPS = pd.DataFrame({"age_years": [0.0, 20.0, 40.0], "failed": [0.0, 0.4, 0.8]})
MODEL = pd.DataFrame({"age_years": AGES, "failed": AGES / 60, "low": AGES / 80, "high": AGES / 50})
MARKS = pd.DataFrame({"age_years": [20.0, 30.0, 40.0], "is_failed": [True, False, True], "count": [1, 4, 2]})
NOTHING = pd.DataFrame({"age_years": [], "failed": [], "low": [], "high": []})
WORDS = {"title": "When does <it> fail?", "alt": 'Failed by age: "2" of 7', "says": "Read it so."}


def life(**changed: object) -> str:
    given = {"steps": STEPS, "model": MODEL, "marks": MARKS, "today_years": 41.0, **WORDS, **changed}
    return figures.life_curve(**given)  # type: ignore[arg-type]


def groups() -> str:
    frame = pd.DataFrame(
        {
            "group": ["T2 <b>", "ד"],
            "mean": [0.5, 0.2],
            "low": [0.3, 0.0],
            "high": [0.7, 0.6],
            "records": [12, 0],
        }
    )
    return figures.intervals(frame, label="Failed by today", **WORDS)


def prices() -> str:
    frame = pd.DataFrame({"family": ["T2", "D80"], "asked": [20.0, 30.0], "ceiling": [45.0, -5.0]})
    return figures.price_gaps(frame, currency="EUR", **WORDS)


def gains() -> str:
    frame = pd.DataFrame({"outcome": ["repaired", "repaired", "donor"], "gain": [40.0, 60.0, -12.0]})
    return figures.gains(frame, currency="EUR", **WORDS)


def comebacks() -> str:
    curve = pd.DataFrame({"days": [0, 90], "failed": [0, 0.1], "low": [0, np.nan], "high": [0, np.nan]})
    return figures.comebacks(curve, **WORDS)


ALL = pytest.mark.parametrize("draw", [life, groups, prices, gains, comebacks])


@ALL
def test_a_figure_is_well_formed_and_carries_its_text(draw: Callable[[], str]) -> None:
    html = draw()
    figure = ElementTree.fromstring(html)
    strong = figure.find("figcaption/strong")
    assert strong is not None
    assert strong.text == WORDS["title"]
    svg = figure.find("svg")
    assert svg is not None
    assert svg.get("role") == "img"
    assert svg.get("aria-label") == WORDS["alt"]
    assert svg.get("width") is None


@ALL
def test_a_figure_needs_nothing_from_outside_and_follows_the_style(draw: Callable[[], str]) -> None:
    html = draw()
    assert not re.search(r"https?:|<style|<metadata|<!--|DejaVu|xlink", html)
    assert "var(--soft, #55616d)" in html
    # Black or white of matplotlib's own would vanish in one of the two schemes.
    assert not re.search(r"#(000000|ffffff)\b(?!\))", html)


@ALL
def test_the_same_figure_has_the_same_bytes(draw: Callable[[], str]) -> None:
    assert draw() == draw()


def test_two_figures_never_share_a_name() -> None:
    names = [
        set(re.findall(r' id="([^"]+)"', html))
        for html in (life(), life(today_years=20.0), groups(), prices())
    ]
    assert all(names)
    assert sum(map(len, names)) == len(set().union(*names))


def test_every_reference_inside_a_figure_has_its_target() -> None:
    html = life()
    assert set(re.findall(r'(?:href="#|url\(#)([^")]+)', html)) == set(re.findall(r' id="([^"]+)"', html))


def test_a_curve_without_a_model_shows_records_alone() -> None:
    assert "var(--model" not in life(model=NOTHING)
    assert "var(--other" in life(model=NOTHING, today_years=None)


def test_the_key_explains_marks_in_words() -> None:
    html = figures.key(failed="found <failed>", sound="still working")
    assert html.count("<li>") == 2
    assert "found &lt;failed&gt;" in html
    with pytest.raises(KeyError, match="arrow"):
        figures.key(arrow="?")
