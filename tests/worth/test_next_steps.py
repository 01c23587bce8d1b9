"""What waits at the bench, on a ledger whose every wait was set by hand."""

import datetime
from dataclasses import replace

import numpy as np
import pytest

from reliability.records.frames import Records, records_from_rows
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.next_steps import CHECK, FINISH, PRICE, SELL, WRITE_UP, on_hand, to_do
from reliability.worth.odds import sale_price

DAY = datetime.date(2026, 6, 30)


def repaired(job, taken_in, closed="2026-01-10", **more):
    amounts = {"bought_for": 20, "hours": 2, "other_costs": 2}
    return (
        {"job": job, "family": "T2", "outcome": "repaired", "taken_in": taken_in, "closed": closed}
        | amounts
        | more
    )


JOBS = [
    repaired("1", "2026-01-01"),  # unsold for 171 days
    repaired("2", "2026-05-01", "2026-06-01", other_costs=None),
    {"job": "3", "family": "T2", "outcome": "open", "taken_in": "2025-11-01", "bought_for": 12},
    {"job": "4", "family": "T2", "outcome": "open", "taken_in": "2026-06-20"},
    repaired("5", "2026-01-02", sold_on="2026-01-15", sold_for=90),
    repaired("6", "2026-01-03", sold_on="2026-01-16", sold_for=90),
    repaired("7", "2026-01-04", sold_on="2026-01-17"),
    repaired("9", "2026-01-05", sold_on="2026-06-30", sold_for=95),
    # Its warranty ends on 2026-07-10, and somebody asked before the sale only.
    repaired("13", "2026-01-06", sold_on="2026-01-11", sold_for=95),
    repaired("X1", "2020-01-05", "2020-01-10", origin="elsewhere"),
]


@pytest.fixture(scope="module")
def records():
    return records_from_rows(
        {
            "families": [{"family": "T2", "kind": "tape deck", "working_price": 100}],
            "jobs": JOBS,
            "findings": [
                {"job": "1", "component": "belt", "found": "failed", "action": "replaced", "part_cost": 8}
            ],
            "followups": [
                {"job": "6", "checked_on": "2026-03-01", "working": "yes"},
                {"job": "13", "checked_on": "2026-01-10", "working": "yes"},
            ],
            "settings": [
                {"setting": "warranty_days", "value": "180"},
                {"setting": "count_gaps", "value": "yes"},
            ],
        }
    )


@pytest.fixture(scope="module")
def odds(records):
    return fit_appraiser(records, DAY)


def test_units_on_hand_with_the_money_in_them(records, odds):
    found = on_hand(records, odds).set_index("job")
    assert list(found.index) == ["3", "1", "2", "4"]  # the longest wait first; others' units are not ours
    assert list(found["state"]) == ["open", "unsold", "unsold", "open"]
    assert list(found["days"]) == [241, 171, 29, 10]
    assert found.loc["1", "money_in"] == 20 + 8 + 2
    assert found.loc["3", "money_in"] == 12
    assert found.loc["4", "money_in"] == 20  # the price usually paid
    assert list(found["is_predicted"]) == [False, False, True, True]
    assert list(found["price"].isna()) == [True, False, False, True]
    assert found.loc["1", "price"] == sale_price(odds.families["T2"])


def test_what_waits_is_listed_by_task(records, odds):
    found = to_do(records, odds)
    rows = list(zip(found["task"], found["job"], found["days"].fillna(0).astype(int), strict=True))
    assert rows == [
        (FINISH, "3", 241),
        (SELL, "1", 171),
        (CHECK, "13", -10),
        (CHECK, "5", -14),
        (CHECK, "7", -16),
        (WRITE_UP, "8", 0),
        (WRITE_UP, "10 to 12", 0),
        (PRICE, "7", 164),
    ]
    assert np.isfinite(found.loc[1, "price"])
    assert found.drop(index=1)["price"].isna().all()


def test_gaps_that_are_not_counted_are_not_to_be_written_up(records, odds):
    left_out = replace(records, settings=replace(records.settings, count_gaps="no"))
    assert WRITE_UP not in set(to_do(left_out, odds)["task"])


def test_without_a_warranty_no_check_is_due(records):
    free = records_from_rows(
        {"families": [{"family": "T2", "kind": "tape deck", "working_price": 100}], "jobs": JOBS}
    )
    assert CHECK not in set(to_do(free, fit_appraiser(free, DAY))["task"])


def test_an_earlier_day_knows_nothing_of_later_ones(records, odds):
    found = to_do(records, odds, as_of=datetime.date(2026, 1, 12))
    assert list(found["job"]) == ["8", "10 to 12"]  # 2 and 4 came in later: no gaps
    assert set(found["task"]) == {WRITE_UP}
    assert len(on_hand(records, odds, as_of=datetime.date(2026, 1, 12))) == 6


def test_an_empty_ledger_has_nothing_to_do():
    empty = Records()
    odds = fit_appraiser(empty, DAY)
    assert to_do(empty, odds).empty
    assert on_hand(empty, odds).empty
