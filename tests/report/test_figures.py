"""Figures: a question, a text for those who cannot see it, marks for the records, the same bytes twice."""

import re
import xml.etree.ElementTree as ElementTree

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


def life(**changed):
    given = {"steps": STEPS, "model": MODEL, "pooled": MODEL, "marks": MARKS, "today_years": 41.0, **WORDS}
    return figures.life_curve(**{**given, **changed})


def years():
    marks = pd.DataFrame({"year": [1980.0, 1984.0], "age_years": [40.0, 41.0], "is_failed": [True, False]})
    return figures.years(marks.assign(count=1), change_year=1983.0, **WORDS)


def comebacks():
    curve = pd.DataFrame({"days": [0, 90], "failed": [0, 0.1], "low": [0, np.nan], "high": [0, np.nan]})
    return figures.comebacks(curve, np.array([30.0, 90.0, 200.0]), **WORDS)


ALL = pytest.mark.parametrize("draw", [life, years, comebacks])


@ALL
def test_a_figure_carries_its_text_needs_nothing_from_outside_and_follows_the_style(
    draw,
):
    html = draw()
    figure = ElementTree.fromstring(html)
    strong, svg = figure.find("figcaption/strong"), figure.find("svg")
    assert strong is not None
    assert svg is not None
    assert strong.text == WORDS["title"]
    # A view box would scale its letters.
    given = {each: svg.get(each) for each in ("role", "aria-label", "width", "viewBox")}
    assert given == {"role": "img", "aria-label": WORDS["alt"], "width": "100%", "viewBox": None}
    # A colour of its own would vanish in one of the two schemes.
    assert not re.search(r"https?:|<style|<metadata|<!--|xlink|#[0-9a-f]{3}|\bid=", html)


def curves(html, kind):
    """Points of the lines of one kind, in thousandths of the frame: x from the left, y from the top."""
    found = re.findall(rf'<path d="M([^"z]+)" class="{kind}"/>', html)
    return [np.array(each.split(), dtype=float).reshape(-1, 2) for each in found]


def test_a_curve_without_a_model_shows_the_one_of_all_families():
    assert curves(life(), "model")
    assert curves(life(model=None), "model") == []
    assert curves(life(model=None), "pooled")
    assert 'class="pooled band"' in life(model=None)


def test_curves_are_placed_by_age_and_share_and_dashed_beyond_the_last_record():
    html = life(last_record=30.0)
    (seen,), (beyond,) = curves(html, "model"), curves(html, "model dashed")
    # 50 years wide, shares from -16 to 116 % high; the model says age / 60.
    for points, ages in ((seen, (0, 30)), (beyond, (30, 50))):
        for (x, y), age in zip(points[[0, -1]], ages, strict=True):
            assert x == pytest.approx(20 * age, abs=1)
            assert y == pytest.approx(1000 * (1.16 - age / 60) / 1.32, abs=1)
    assert curves(life(last_record=60.0), "model dashed") == []


def test_a_step_keeps_its_height_and_ends_at_the_last_record():
    (points,) = curves(life(last_record=44.0), "step")
    ages, failed = points[:, 0] / 20, 1.16 - 1.32 * points[:, 1] / 1000
    assert ages == pytest.approx([0, 20, 20, 40, 40, 40, 40], abs=0.05)
    assert failed == pytest.approx([0, 0, 0.4, 0.4, 0.8, 0.8, 0.8], abs=0.001)
    stopped = life(steps=STEPS.iloc[:2], last_record=30.0)
    assert curves(stopped, "step")[0][-1, 0] == 600


def test_neighbouring_ages_share_a_mark_and_none_is_lost():
    marks = pd.DataFrame({"age_years": [30.0, 31.0, 32.0, 40.0], "is_failed": False, "count": [1, 1, 1, 1]})
    # Of 30, 31 and 32 two marks are left, so that none is printed on another.
    assert life(marks=marks, steps=NOTHING).count('class="sound"') == 3


def test_a_mark_grows_with_what_it_stands_for():
    few, many = (
        re.findall(r'r="([0-9.]+)" class="sound"', life(marks=MARKS.assign(count=n)))[0] for n in (1, 9)
    )
    assert float(few) < float(many)


def test_comebacks_say_how_many_were_still_watched():
    said = re.findall(r">([^<>]+)</text>", comebacks())
    # Units last heard of after 30, 90 and 200 days: three are watched at the sale, two after 50 days.
    at = said.index("50")
    assert said[at - 2 : at + 8] == ["0", "3", "50", "2", "100", "1", "150", "1", "200", "1"]


def test_axes_are_written_in_round_numbers():
    assert figures.round_numbers(0, 97) == (0, 20, 40, 60, 80, 100)
    assert figures.round_numbers(-112, 243) == (-200, -100, 0, 100, 200, 300)
    assert figures.round_numbers(1979, 1986, 5, 1) == (1978, 1980, 1982, 1984, 1986)
    assert figures.round_numbers(4, 5, 5, 1) == (4, 5)


# ---- Marks that flow with the page


def drawn(svg, kind):
    tree = ElementTree.fromstring(f"<p>{svg}</p>")
    (found,) = [each for each in tree if kind in str(each.get("class")).split()]
    return list(found.iter())


MONEY = pd.DataFrame(
    {"value": [0.0, 10.0, 10.2, 80.0, -40.0], "dot": ["full", "full", "open other", "other", "open"]}
)


@pytest.mark.parametrize("width", ["desk", "phone"])
def test_every_amount_is_one_mark_and_none_lies_on_another(width):
    scale = figures.scale_of(*MONEY["value"])
    parts = drawn(figures.dots(MONEY, scale, currency="EUR", alt="x"), width)
    places = [(each.get("cx") or each.get("x"), each.get("cy") or each.get("y")) for each in parts
              if each.tag in ("circle", "rect")]  # fmt: skip
    assert len(places) == len(set(places)) == len(MONEY)
    assert all(0 <= float(str(x).rstrip("%")) <= 100 for x, _ in places)


def test_too_many_amounts_of_one_value_share_marks_and_their_number_is_told():
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


def test_a_scale_holds_nothing_and_all_values_between_round_numbers():
    scale = figures.scale_of(-112.0, 243.0, float("nan"))
    assert (scale.low, scale.high) == (-200.0, 300.0)
    assert 0.0 in scale.ticks
    assert scale.at(-500.0) == 0.0
    assert scale.at(300.0) == 100.0
    assert figures.scale_of().high > 0


def test_a_price_line_writes_its_bounds_and_words_that_fit():
    zones = [("take", 43.0), ("haggle", 54.0), ("skip", np.inf)]
    svg = figures.dots(MONEY[:0], figures.scale_of(80.0), currency="EUR", alt="x", zones=zones, paid=36.0)
    desk, phone = (
        [each.text for each in drawn(svg, width) if each.tag == "text"] for width in ("desk", "phone")
    )
    assert {"take", "haggle", "skip", "43", "54", "usually paid 36", "0"} <= set(desk)
    # A word that does not fit on a phone is left out, its bounds stay; and no number lies on another.
    assert "haggle" not in phone
    assert {"take", "43", "54"} <= set(phone)
    assert "40" not in desk
    assert any(str(each).startswith("80") and str(each).endswith("EUR") for each in desk)


def test_a_cell_draws_estimate_interval_and_what_was_found():
    cell = figures.interval_cell(0.25, 0.1, 0.4, found=0.17)
    assert 'cx="25.0%"' in cell
    assert 'x1="10.0%" x2="40.0%"' in cell
    assert 'x1="17.0%"' in cell
    assert "aria-hidden" in cell
    assert 'class="open"' in figures.interval_cell(0.25, 0.1, 0.4, is_own=False)


def test_the_key_explains_marks_in_words():
    html = figures.key({"failed": "found <failed>", "sound": "still working", "part bad": "scrapped"})
    assert html.count("<li>") == 3
    assert "found &lt;failed&gt;" in html
    with pytest.raises(KeyError, match="arrow"):
        figures.key({"arrow": "?"})
