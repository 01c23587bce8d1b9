"""What everyone in the trade knows must come out. Common practice, no source."""

import datetime

import pytest

from reliability.records.frames import records_from_rows
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.review import explain

DAY = datetime.date(2025, 1, 10)


def test_visible_rust_lowers_the_odds(demo_appraiser, bench_appraiser):
    for appraiser in (demo_appraiser, bench_appraiser):
        for family in appraiser.families:
            chance = {
                s: explain(appraiser, family=family, signs={"rust": s}).verdict["success_chance"]
                for s in ("yes", "no")
            }
            assert chance["yes"] < chance["no"], family


MONEY = {
    "families": ("working_price",),
    "jobs": ("bought_for", "sold_for", "salvage_value", "other_costs"),
    "findings": ("part_cost",),
    "followups": ("cost",),
    "parts": ("price",),
}


def test_another_currency_changes_the_money_and_nothing_else(bench_rows):
    settings = {"hour_rate": 8, "selling_fee": 0.1, "disposal_cost": 4, "warranty_days": 180}
    verdicts = []
    for times in (1, 150):
        rows = {
            table: [
                {k: v * times if k in MONEY.get(table, ()) and v else v for k, v in row.items()}
                for row in rows
            ]
            for table, rows in bench_rows.items()
        }
        owner = {k: v * times if k in ("hour_rate", "disposal_cost") else v for k, v in settings.items()}
        rows["settings"] = [{"setting": k, "value": str(v)} for k, v in owner.items()]
        appraiser = fit_appraiser(records_from_rows(rows), DAY)
        verdicts += [
            explain(appraiser, family=name, asked=30.0 * times).verdict for name in ("Larkov T1", "Larkov T3")
        ]
    for here, there in zip(verdicts[:2], verdicts[2:], strict=True):
        assert there["success_chance"] == here["success_chance"]
        assert there["chance_of_loss"] == pytest.approx(here["chance_of_loss"], abs=0.0002)
        for name in ("ceiling", "expected_gain", "gain_low", "gain_high"):
            assert there[name] == pytest.approx(
                150 * here[name], abs=1.5
            )  # a cent of the smaller unit, twice
