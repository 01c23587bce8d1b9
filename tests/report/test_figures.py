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
    given = {"steps": STEPS, "model": MODEL, "pooled": MODEL, "marks": MARKS, "today_years": 41.0, **WORDS}
    return figures.life_curve(**{**given, **changed})  # type: ignore[arg-type]


def years() -> str:
    marks = pd.DataFrame({"year": [1980.0, 1984.0], "age_years": [40.0, 41.0], "is_failed": [True, False]})
    return figures.years(marks.assign(count=1), change_year=1983.0, **WORDS)


def comebacks() -> str:
    curve = pd.DataFrame({"days": [0, 90], "failed": [0, 0.1], "low": [0, np.nan], "high": [0, np.nan]})
    return figures.comebacks(curve, np.array([30.0, 90.0, 200.0]), **WORDS)


ALL = pytest.mark.parametrize("draw", [life, years, comebacks])


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
        for html in (life(), life(today_years=20.0), years(), comebacks())
    ]
    assert all(names)
    assert sum(map(len, names)) == len(set().union(*names))


def test_every_reference_inside_a_figure_has_its_target() -> None:
    html = life()
    assert set(re.findall(r'(?:href="#|url\(#)([^")]+)', html)) == set(re.findall(r' id="([^"]+)"', html))


def test_a_curve_without_a_model_shows_the_one_of_all_families() -> None:
    assert "var(--model" in life()
    assert "var(--model" not in life(model=None)
    assert "var(--third" in life(model=None)


def test_curves_are_dashed_beyond_the_last_record_and_a_step_ends_there() -> None:
    dashes = "stroke-dasharray"
    inside = life(today_years=None, last_record=50.0).count(dashes)
    beyond = life(today_years=None, last_record=30.0).count(dashes)
    assert beyond > inside


def test_neighbouring_ages_share_a_mark_and_none_is_lost() -> None:
    marks = pd.DataFrame({"age_years": [30.0, 31.0, 32.0, 40.0], "is_failed": False, "count": [1, 1, 1, 1]})
    # Of 30, 31 and 32 two marks are left, so that none is printed on another; that of 40 is in both pictures.
    few, some = (life(marks=each, steps=NOTHING).count("<path") for each in (marks.iloc[3:], marks))
    assert some - few == 2


def test_comebacks_say_how_many_were_still_watched() -> None:
    said = re.findall(r">([^<>]+)</text>", comebacks())
    # Units last heard of after 30, 90 and 200 days: three are watched at the sale, two after 60 days.
    assert said[:8] == ["0", "3", "60", "2", "120", "1", "180", "1"]


def test_a_picture_without_a_size_is_refused() -> None:
    with pytest.raises(ValueError, match="without a viewBox"):
        figures._tidied("<svg></svg>", "nothing")


# ---- Marks that flow with the page


def drawn(svg: str, kind: str) -> list[ElementTree.Element]:
    tree = ElementTree.fromstring(f"<p>{svg}</p>")
    (found,) = [each for each in tree if kind in str(each.get("class")).split()]
    return list(found.iter())


MONEY = pd.DataFrame(
    {"value": [0.0, 10.0, 10.2, 80.0, -40.0], "dot": ["full", "full", "open other", "other", "open"]}
)


@pytest.mark.parametrize("width", ["desk", "phone"])
def test_every_amount_is_one_mark_and_none_lies_on_another(width: str) -> None:
    scale = figures.scale_of(*MONEY["value"])
    parts = drawn(figures.dots(MONEY, scale, currency="EUR", alt="x"), width)
    places = [(each.get("cx") or each.get("x"), each.get("cy") or each.get("y")) for each in parts
              if each.tag in ("circle", "rect")]  # fmt: skip
    assert len(places) == len(set(places)) == len(MONEY)
    assert all(0 <= float(str(x).rstrip("%")) <= 100 for x, _ in places)


def test_too_many_amounts_of_one_value_share_marks_and_their_number_is_told() -> None:
    many = pd.DataFrame({"value": [5.0] * 100, "dot": ["full"] * 60 + ["open other"] * 40})
    scale = figures.scale_of(5.0, 50.0)
    each = figures.per_dot(many, scale)
    assert each == 8  # 100 in 14 marks of at most 8
    marks = [
        one
        for one in drawn(figures.dots(many, scale, currency="EUR", alt="x"), "desk")
        if one.tag in ("circle", "rect")
    ]
    assert len(marks) == 8 + 5  # 60 and 40 in eights, rounded up
    assert figures.per_dot(many.head(14), scale) == 1


def test_a_scale_holds_nothing_and_all_values_between_round_numbers() -> None:
    scale = figures.scale_of(-112.0, 243.0, float("nan"))
    assert (scale.low, scale.high) == (-200.0, 300.0)
    assert 0.0 in scale.ticks
    assert scale.at(-500.0) == 0.0
    assert scale.at(300.0) == 100.0
    assert figures.scale_of().high > 0


def test_a_price_line_writes_its_bounds_and_words_that_fit() -> None:
    zones = [("take", 43.0), ("haggle", 54.0), ("skip", np.inf)]
    svg = figures.price_line(MONEY[:0], zones, figures.scale_of(80.0), currency="EUR", alt="x", paid=36.0)
    desk, phone = (
        [each.text for each in drawn(svg, width) if each.tag == "text"] for width in ("desk", "phone")
    )
    assert {"take", "haggle", "skip", "43", "54", "usually paid 36", "0"} <= set(desk)
    # A word that does not fit on a phone is left out, its bounds stay; and no number lies on another.
    assert "haggle" not in phone
    assert {"take", "43", "54"} <= set(phone)
    assert "40" not in desk
    assert any(str(each).startswith("80") and str(each).endswith("EUR") for each in desk)


def test_a_cell_draws_estimate_interval_and_what_was_found() -> None:
    cell = figures.interval_cell(0.25, 0.1, 0.4, found=0.17)
    assert 'cx="25.0%"' in cell
    assert 'x1="10.0%" x2="40.0%"' in cell
    assert 'x1="17.0%"' in cell
    assert "aria-hidden" in cell
    never = figures.interval_cell(0.25, 0.1, 0.4, is_own=False, alt="25 %")
    assert 'class="open"' in never
    assert 'role="img" aria-label="25 %"' in never


def test_small_counts_are_dots_with_their_number() -> None:
    assert figures.count_dots(0) == "none"
    assert figures.count_dots(3).count("<circle") == 3
    assert figures.count_dots(15).count("<circle") == 15
    assert figures.count_dots(41) == "41"


def test_the_key_explains_marks_in_words() -> None:
    html = figures.key(failed="found <failed>", sound="still working")
    assert html.count("<li>") == 2
    assert "found &lt;failed&gt;" in html
    with pytest.raises(KeyError, match="arrow"):
        figures.key(arrow="?")
