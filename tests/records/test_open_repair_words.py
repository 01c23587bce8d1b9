"""What the words, makers and years of open repair data become."""

from collections import Counter

import pytest

from reliability.records.open_repair import (
    BARRIERS,
    CATEGORIES,
    STATUS_OF,
    Makers,
    built_window,
    category_name,
    category_of,
    maker_key,
)
from reliability.records.tables import ENDED_WHY, OUTCOMES


@pytest.mark.parametrize(
    ("year", "age", "window"),
    [
        # The window widens with age: a year to both sides, and one more for every full ten years.
        ("2021", "", (2021, 2021)), ("2020", "", (2019, 2021)), ("2015", "", (2014, 2016)),
        ("2010", "", (2008, 2012)), ("1981", "", (1976, 1986)), ("2015.0", "6", (2014, 2016)),
        ("", "0", (2020, 2021)), ("", "3", (2017, 2019)), ("", "2.5", (2017, 2019)), ("", "20", (1998, 2004)),
        ("", "", None),
    ],
)  # fmt: skip
def test_a_year_or_an_age_becomes_a_window(year, age, window):
    assert built_window(year, age, "2021-05-08") == (window, None)


@pytest.mark.parametrize("event", ["2021-01-01", "2021-12-31", "2021-06"])
@pytest.mark.parametrize("age", range(0, 100, 7))
def test_the_year_that_an_age_stands_for_is_in_the_window(event, age):
    # Whoever says "seven years" means anything from seven to almost eight, or the difference of two years.
    window, doubt = built_window("", str(age), event)
    assert doubt is None
    assert window[0] <= 2021 - age - 1 <= 2021 - age <= window[1] <= 2021
    assert (
        window == built_window(str(2021 - age), str(age), event)[0] or age == 0 or window[1] - window[0] >= 2
    )


@pytest.mark.parametrize(
    "spellings",
    [
        [
            "Tarnwick",
            "tarnwick",
            "TARNWICK",
            " Tarnwick. ",
            "Tarn Wick",
            "Tarn-Wick",
            "Tarnwick (?)",
            "Tarnwick Ltd",
        ],
        ["Wöspel & Tarn", "Wospel and Tarn", "wöspel+tarn", "WÖSPEL&TARN GmbH"],
        ["Skærø", "skaero"],
    ],
)
def test_spellings_of_one_maker(spellings):
    assert len({maker_key(spelling) for spelling in spellings}) == 1
    makers = Makers(Counter([*spellings, *spellings[:1]]))
    assert {makers.of(spelling) for spelling in spellings} == {spellings[0]}


def test_makers_that_differ_stay_apart():
    assert maker_key("Dallow") != maker_key("Dallows")
    assert maker_key("2wick") == "2wick"
    assert maker_key("例機械") == "例機械"


def test_a_maker_and_a_product_is_that_maker_if_it_often_stands_alone():
    makers = Makers(Counter({"Dallow": 3, "dallow 80 De Luxe radio with clock": 1, "Skolm": 2,
                             "Skolm Solo": 1, "Dallows": 1, "Dallow, type unknown": 1}))  # fmt: skip
    assert makers.of("dallow 80 De Luxe radio with clock") == "Dallow"
    assert makers.of("Dallow, type unknown") == "Dallow"
    assert makers.of("Skolm Solo") == "Skolm Solo"
    assert makers.of("Dallows") == "Dallows"


def test_categories_and_words_fit_each_other():
    assert len(CATEGORIES) == len(set(CATEGORIES)) == 40
    assert [category_name(str(number + 1)) for number in range(40)] == list(CATEGORIES)
    assert {category_of(name) for name in CATEGORIES} == set(CATEGORIES)
    assert (category_of("tape deck"), category_of("wire recorder")) == ("Hi-Fi separates", "Misc")
    assert (category_name("0"), category_name("41")) == ("0", "41")
    assert set(BARRIERS.values()) <= set(ENDED_WHY)
    assert set(STATUS_OF) == set(OUTCOMES) - {"open"}
