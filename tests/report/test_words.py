"""How numbers are said."""

import datetime

import pytest

from reliability.report import words


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0.347, "35\u00a0%"),
        (0.0, "under 1\u00a0%"),
        (0.005, "1\u00a0%"),
        (0.99, "99\u00a0%"),
        (0.995, "over 99\u00a0%"),
        (1.0, "over 99\u00a0%"),
        (None, "–"),
    ],
)
def test_share_never_claims_certainty(value: float | None, said: str) -> None:
    assert words.share(value) == said


def test_share_of_nan_is_a_dash() -> None:
    assert words.share(float("nan")) == words.NOTHING


def test_halves_are_rounded_away_from_zero() -> None:
    # Python's round() would give 0 and 2.
    assert words.money(0.5, "EUR") == "1\u00a0EUR"
    assert words.money(2.5, "EUR") == "3\u00a0EUR"


def test_money_has_a_real_minus_and_no_minus_zero() -> None:
    assert words.money(-12.4, "EUR") == "−12\u00a0EUR"
    assert words.money(-0.2, "EUR") == "0\u00a0EUR"
    assert words.money(12345, "EUR") == "12\u202f345\u00a0EUR"
    assert words.money(float("nan"), "EUR") == words.NOTHING


def test_spans() -> None:
    assert words.span(0.214, 0.5) == "21 to 50\u00a0%"
    assert words.span(None, 0.5) == words.NOTHING


def test_hours_and_years_say_no_more_than_is_known() -> None:
    assert words.hours(1.64) == "1.6\u00a0h"
    assert words.hours(2.0) == "2\u00a0h"
    assert words.hours(12.4) == "12\u00a0h"
    assert words.hours(None) == words.NOTHING
    assert words.years(41.2) == "41\u00a0years"
    assert words.years(1.0) == "1\u00a0year"
    assert words.years(2.25) == "2.2\u00a0years"
    assert words.years(900.0) == "over 200\u00a0years"
    assert words.years(float("nan")) == words.NOTHING


def test_counts_and_lists() -> None:
    assert [words.counted(n, "job") for n in (0, 1, 12)] == ["no jobs", "1 job", "12 jobs"]
    assert words.counted(2, "family", "families") == "2 families"
    assert words.listed([]) == ""
    assert words.listed(["belt"]) == "belt"
    assert words.listed(["belt", "gear", "head"]) == "belt, gear and head"


def test_days_and_long_names() -> None:
    assert words.day(datetime.date(2026, 5, 17)) == "2026-05-17"
    assert words.day(None) == words.NOTHING
    assert words.shortened("a" * 40) == "a" * 27 + "…"
    assert words.shortened("Tarnwick T2") == "Tarnwick T2"
