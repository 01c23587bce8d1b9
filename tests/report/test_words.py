"""How numbers are said."""

import pytest

from reliability.report import format


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
    assert format.share(value) == said


def test_share_of_nan_is_a_dash() -> None:
    assert format.share(float("nan")) == format.NOTHING


def test_halves_are_rounded_away_from_zero() -> None:
    # Python's round() would give 0 and 2.
    assert format.money(0.5, "EUR") == "1\u00a0EUR"
    assert format.money(2.5, "EUR") == "3\u00a0EUR"


def test_money_has_a_real_minus_and_no_minus_zero() -> None:
    assert format.money(-12.4, "EUR") == "−12\u00a0EUR"
    assert format.money(-0.2, "EUR") == "0\u00a0EUR"
    assert format.money(12345, "EUR") == "12\u202f345\u00a0EUR"
    assert format.money(float("nan"), "EUR") == format.NOTHING


def test_spans() -> None:
    assert format.span(0.214, 0.5) == "21 to 50\u00a0%"
    assert format.span(None, 0.5) == format.NOTHING


def test_hours_and_years_say_no_more_than_is_known() -> None:
    assert format.hours(1.64) == "1.6\u00a0h"
    assert format.hours(2.0) == "2\u00a0h"
    assert format.hours(12.4) == "12\u00a0h"
    assert format.hours(None) == format.NOTHING
    assert format.years(41.2) == "41\u00a0years"
    assert format.years(1.0) == "1\u00a0year"
    assert format.years(2.25) == "2.2\u00a0years"
    assert format.years(900.0) == "over 200\u00a0years"
    assert format.years(float("nan")) == format.NOTHING


def test_counts_and_lists() -> None:
    assert [format.counted(n, "job") for n in (0, 1, 12)] == ["no jobs", "1 job", "12 jobs"]
    assert format.counted(2, "family", "families") == "2 families"
    assert format.listed([]) == ""
    assert format.listed(["belt"]) == "belt"
    assert format.listed(["belt", "gear", "head"]) == "belt, gear and head"
