"""What everyone in the trade knows must come out. Common practice, no source."""

import datetime

import pytest

from reliability.records.frames import records_from_rows
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.judging import judge, offers_from
from reliability.worth.review import explain
from tests.worth.ledgers import finding, job

DAY = datetime.date(2025, 1, 10)


def test_visible_rust_lowers_the_odds(demo_appraiser, bench_appraiser):
    for appraiser in (demo_appraiser, bench_appraiser):
        for family in appraiser.families:
            chance = {
                s: explain(appraiser, family=family, signs={"rust": s}).verdict["success_chance"]
                for s in ("yes", "no")
            }
            assert chance["yes"] < chance["no"], family


def ledger(part_cost, hour_rate="0"):
    jobs, findings = [], []
    for n in range(1, 25):
        jobs.append(job(n, "Larkov T4", "repaired"))
        findings.append(finding(n, "motor", "failed", action="replaced", part_cost=part_cost))
        findings.append(finding(n, "gear", "sound"))
    families = [{"family": "Larkov T4", "kind": "tape deck", "working_price": 100.0}]
    settings = [{"setting": "hour_rate", "value": hour_rate}]
    return {"families": families, "jobs": jobs, "findings": findings, "settings": settings}


def verdict(rows, asked=20):
    appraiser = fit_appraiser(records_from_rows(rows), DAY)
    offer = {"offer": "1", "family": "Larkov T4", "built_from": 1982, "built_to": 1984, "asked": asked}
    return judge(offers_from([offer]), appraiser).iloc[0]


def test_parts_that_cost_what_the_unit_fetches_mean_skip_even_if_time_is_free():
    dear, cheap = verdict(ledger(95.0)), verdict(ledger(5.0))
    assert dear["success_chance"] > 0.6
    assert dear["verdict"] == "skip"
    assert cheap["verdict"] == "take"


def test_time_has_a_price_only_if_its_owner_says_so():
    free, paid = verdict(ledger(5.0)), verdict(ledger(5.0, hour_rate="15"))
    # Three hours a job at 15.
    assert free["ceiling"] - paid["ceiling"] == pytest.approx(45.0, abs=8.0)
    assert free["hours"] == paid["hours"]


def test_an_untried_failure_is_no_failure_to_repair(bench_rows):
    # Every donor ended by its gear; that its motor was found failed too and left alone says nothing.
    extra = [
        {**row, "found": "failed", "action": "none", "part_cost": None}
        if row["component"] == "motor" and int(row["job"]) % 4 == 0
        else row
        for row in bench_rows["findings"]
    ]
    was, now = (
        explain(
            fit_appraiser(records_from_rows({**bench_rows, "findings": f}), DAY), family="Larkov T1"
        ).components
        for f in (bench_rows["findings"], extra)
    )
    was, now = (table.set_index("component").loc["motor"] for table in (was, now))
    assert now["failed"] > was["failed"]
    assert now["repairable"] == pytest.approx(was["repairable"], abs=1e-9)


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
