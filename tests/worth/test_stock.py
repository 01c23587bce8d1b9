"""Parts for the next year: counts against tables and the past, packs by hand, sharing by addition."""

import datetime

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.stats import gamma, nbinom

from reliability.records.frames import Records, records_from_rows
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.review import explain
from reliability.worth.stock import ANY, STOCK_COLUMNS, covering, stock
from tests.worth.ledgers import finding

YEARS = 373 / 365.25  # from the first unit, 2024-01-03, to the day of the appraisal, 2025-01-10
DAY = datetime.date(2025, 1, 10)


@pytest.fixture
def with_parts(bench_rows):
    def build(*parts):
        return records_from_rows({**bench_rows, "parts": list(parts)})

    return build


def row(table, component, family):
    (found,) = table[(table["component"] == component) & (table["family"] == family)].to_dict("records")
    return found


@pytest.mark.parametrize(
    ("mean", "number"),
    # Cumulative Poisson table, any handbook: mean 0.1: P(0) = .905; 1: P(2) = .920; 2: P(4) = .947
    # (P(3) = .857); 5: P(8) = .932 (P(7) = .867).
    [(0.0, 0), (0.1, 0), (0.11, 1), (1.0, 2), (2.0, 4), (5.0, 8)],
)
def test_number_that_is_enough_with_90_percent(mean, number):
    assert covering(np.array([mean])) == number


@pytest.mark.parametrize("count", [1, 3, 12, 60])
def test_a_rate_that_few_years_leave_open_makes_the_number_negative_binomial(count):
    # Poisson with a gamma rate is negative binomial: the second opinion is scipy's.
    for years in (1.0, 4.0):
        rates = gamma.ppf((np.arange(2000) + 0.5) / 2000, count) / years
        # Not at the very edge of a step, where 2000 points cannot decide.
        exact = nbinom(count, years / (1 + years))
        if min(abs(exact.cdf(np.arange(200)) - 0.9)) > 1e-3:
            assert covering(rates) == exact.ppf(0.9)


def test_packs_are_bought_whole(bench_appraiser, with_parts):
    packs = {"price": 4.0, "pack_size": 5, "per_unit": 2}
    parts = with_parts({"component": "belt", "family": "Larkov T1", "obtainable": "yes", **packs})
    alone = row(stock(bench_appraiser, with_parts()), "belt", "Larkov T1")
    packed = row(stock(bench_appraiser, parts), "belt", "Larkov T1")
    assert packed["units"] == alone["units"]
    assert packed["pieces"] == 2 * alone["units"]
    assert packed["cover"] == 2 * alone["cover"]
    assert packed["packs"] == np.ceil(packed["cover"] / 5)
    assert packed["cost"] == 4.0 * packed["packs"]
    assert packed["packs"] * 5 >= packed["cover"] > packed["packs"] * 5 - 5
    assert (packed["obtainable"], packed["price"], packed["advice"]) == ("yes", 4.0, "")


def test_families_that_share_a_part_share_the_risk(bench_appraiser, with_parts):
    shared = {"component": "belt", "family": None, "obtainable": "yes", "price": 3.0}
    apart = stock(bench_appraiser, with_parts())
    together = row(stock(bench_appraiser, with_parts(shared)), "belt", ANY)
    each = [row(apart, "belt", name) for name in ("Larkov T1", "Larkov T2")]
    assert_allclose(together["units"], sum(one["units"] for one in each))
    assert together["cover"] < sum(one["cover"] for one in each)
    assert max(one["cover"] for one in each) < together["cover"]
    # A row of one family's own takes that family out.
    own = {"component": "belt", "family": "Larkov T2", "obtainable": "yes", "price": 3.0}
    rest = row(stock(bench_appraiser, with_parts(shared, own)), "belt", ANY)
    assert_allclose(rest["units"], each[0]["units"])


@pytest.mark.parametrize(
    ("state", "advice"), [("no", "keep donors: cannot be had"), ("salvage only", "keep donors: salvage only")]
)
def test_parts_that_are_not_made_any_more_call_for_donors(bench_appraiser, with_parts, state, advice):
    part = {"component": "gear", "family": None, "obtainable": state}
    found = row(stock(bench_appraiser, with_parts(part)), "gear", ANY)
    assert found["advice"].startswith(advice)
    assert found["cover"] >= 1
    assert np.isnan(found["packs"]) == (state == "no")


def test_what_was_paid_stands_in_for_a_price_that_is_not_listed(bench_appraiser, with_parts):
    table = stock(bench_appraiser, with_parts())
    belt, gear = row(table, "belt", "Larkov T1"), row(table, "gear", "Larkov T1")
    assert belt["cost"] == 6.0 * belt["cover"]  # every belt cost 6
    assert belt["advice"] == "not in the parts table; cost as paid so far"
    assert belt["obtainable"] is None
    assert np.isnan(gear["cost"])  # nobody ever bought one
    assert gear["advice"] == "not in the parts table; price not known"


def test_worn_parts_that_are_replaced_are_needed_too(bench_appraiser, bench_rows):
    worn = [finding(n, "motor", "worn", action="replaced") for n in range(1, 16) if n % 4]
    others = [each for each in bench_rows["findings"] if each["component"] != "motor"]
    records = records_from_rows({**bench_rows, "findings": [*others, *worn]})
    before = stock(bench_appraiser, records_from_rows(bench_rows))
    after = stock(bench_appraiser, records)

    def motors(table):
        return table.loc[table["component"] == "motor", "units"].sum()

    assert motors(before) < 2
    # All twelve units that were repaired took one.
    assert motors(after) == pytest.approx(12 / YEARS, rel=0.35)


def test_an_empty_bench_needs_nothing():
    appraiser = fit_appraiser(Records(), DAY)
    table = stock(appraiser, Records())
    assert table.empty
    assert tuple(table.columns) == STOCK_COLUMNS


# ---- what lies on the shelf


SHELF = {"component": "gear", "family": "Larkov T1", "worth": 2.0, "kept_on": "2024-12-01"}


def test_what_lies_on_the_shelf_can_be_had_at_its_worth(bench_rows):
    """The gear of the T1 could never be had; with one on the shelf it can, at 2."""

    def gear(shelf):
        records = records_from_rows({**bench_rows, "shelf": shelf})
        told = explain(fit_appraiser(records, datetime.date(2025, 1, 10)), family="Larkov T1")
        return told.components.set_index("component").loc["gear"], told.appraisal.success.mean()

    (without, chance), (with_one, better) = gear([]), gear([{"part": 1, **SHELF}])
    assert with_one["repairable"] > without["repairable"] + 0.05
    assert better > chance
    assert with_one["part_cost"] <= 2.0 < without["part_cost"]
    gone, _ = gear([{"part": 1, **SHELF, "gone_on": "2024-12-20"}])
    elsewhere, _ = gear([{"part": 1, **SHELF, "family": "Larkov T2"}])
    anywhere, _ = gear([{"part": 1, **SHELF, "family": None, "worth": None}])
    for each in (gone, elsewhere):
        pd.testing.assert_series_equal(each, without)
    assert anywhere["repairable"] == pytest.approx(with_one["repairable"])
    assert anywhere["part_cost"] == pytest.approx(without["part_cost"])


def test_stock_buys_what_does_not_lie_there(bench_rows):
    rows = {
        **bench_rows,
        "parts": [{"component": "belt", "family": "Larkov T1", "obtainable": "yes", "price": 6.0}],
    }
    appraiser = fit_appraiser(records_from_rows(rows), datetime.date(2025, 1, 10))

    def belt(*shelf):
        return row(stock(appraiser, records_from_rows({**rows, "shelf": shelf})), "belt", "Larkov T1")

    one = {**SHELF, "component": "belt"}
    bare, two = belt(), belt(*({"part": n, **one} for n in (1, 2)))
    assert (bare["on_shelf"], two["on_shelf"], two["cover"]) == (0.0, 2.0, bare["cover"])
    assert two["packs"] == bare["packs"] - 2
    assert two["cost"] == bare["cost"] - 12.0
    many = belt(*({"part": n, **one} for n in range(1, 99)))
    assert (many["packs"], many["cost"]) == (0.0, 0.0)
