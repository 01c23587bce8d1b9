"""What lies on the shelf: it can be had at its worth, and need not be bought."""

import datetime

import pandas as pd
import pytest

from reliability.records.frames import records_from_rows
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.review import explain
from reliability.worth.stock import stock

SHELF = {"component": "gear", "family": "Larkov T1", "worth": 2.0, "kept_on": "2024-12-01"}


def test_what_lies_on_the_shelf_can_be_had_at_its_worth(bench_rows):
    """The gear of the T1 could never be had; with one on the shelf it can, at 2."""

    def gear(shelf):
        records = records_from_rows({**bench_rows, "shelf": shelf})
        told = explain(fit_appraiser(records, datetime.date(2025, 1, 10)), family="Larkov T1")
        return told.components.set_index("component").loc["gear"], told.verdict

    (without, verdict), (with_one, better) = gear([]), gear([{"part": 1, **SHELF}])
    assert with_one["repairable"] > without["repairable"] + 0.05
    assert better["success_chance"] > verdict["success_chance"]
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
        table = stock(appraiser, records_from_rows({**rows, "shelf": shelf})).set_index(
            ["component", "family"]
        )
        return table.loc[("belt", "Larkov T1")]

    one = {**SHELF, "component": "belt"}
    bare, two = (
        belt(),
        belt(
            {"part": 1, **one},
            {"part": 2, **one},
        ),
    )
    assert (bare["on_shelf"], two["on_shelf"], two["cover"]) == (0.0, 2.0, bare["cover"])
    assert two["packs"] == bare["packs"] - 2
    assert two["cost"] == bare["cost"] - 12.0
    many = belt(*({"part": n, **one} for n in range(1, 99)))
    assert (many["packs"], many["cost"]) == (0.0, 0.0)
