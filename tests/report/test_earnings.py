"""The page of earnings, on a bench whose every amount was set by hand."""

import re

from reliability.report.pages import part
from tests.report.conftest import reads, report_of, rows_of

SOLD = {"family": "T2", "outcome": "repaired", "other_costs": 2}
JOBS = [
    # 100 less a tenth, less 20, 2 and two hours at 10: 48.
    {"job": "1", **SOLD, "taken_in": "2026-01-05", "closed": "2026-02-10", "bought_for": 20, "hours": 2,
     "sold_for": 100, "sold_on": "2026-03-01"},
    # 50 less a tenth, less 30, 2, 8 for a part and four hours at 10: -35.
    {"job": "2", **SOLD, "taken_in": "2026-02-05", "closed": "2026-02-20", "bought_for": 30, "hours": 4,
     "sold_for": 50, "sold_on": "2026-02-25"},
    # 15 kept, less 10 and an hour at 10: -5.
    {"job": "3", "family": "T2", "outcome": "donor", "taken_in": "2026-03-01", "closed": "2026-03-02",
     "bought_for": 10, "hours": 1, "other_costs": 0, "salvage_value": 15},
    {"job": "4", "family": "T2", "outcome": "open", "taken_in": "2026-03-20", "bought_for": 25},
]  # fmt: skip


def bench(**more):
    """Give a bench with four jobs, and more tables."""
    settings = [{"setting": "hour_rate", "value": "10"}, {"setting": "selling_fee", "value": "0.1"}]
    belt = {"job": "2", "component": "belt", "found": "failed", "action": "replaced", "part_cost": 8}
    return report_of(**{"jobs": JOBS, "findings": [belt], "settings": settings, **more})


def test_the_answer_is_the_gain_of_the_last_months_and_of_an_hour():
    said = reads(bench(), "earnings", "answer")
    # 48 - 35 - 5 in 7 hours.
    assert (
        "The last 3 months gained 8 EUR in 3 jobs and 7 h: 1 EUR an hour, on top of 10 EUR for the hour "
        "itself." in said
    )
    assert "25 EUR is tied up in 1 unit." in said
    assert "and 10 EUR for each hour." in said


def test_each_month_and_year_has_what_came_in_and_went_out_and_the_gain():
    assert rows_of(part(bench(), "earnings", "months").html)[1:] == [
        "2026-03 gain −5 EUR −5 EUR 1 h 1 35 EUR 100 EUR",
        "2026-02 gain 13 EUR 2 EUR 6 h 2 30 EUR 50 EUR",
        "2026-01 gain – – 0 h 0 20 EUR 0 EUR",
    ]
    # 90 and 45 for the sales, 15 kept; 60 for units, 8 for a part, 4 other costs, 7 hours.
    said = "2026 150 60 8 4 0 70 gain 8"
    assert rows_of(part(bench(), "earnings", "spent").html)[1:] == [said]


def test_amounts_that_nobody_wrote_down_are_said():
    jobs = [*JOBS[:3], {**JOBS[1], "job": "4", "bought_for": None, "sold_on": None}]
    said = reads(bench(jobs=jobs), "earnings", "months")
    told = "What 1 unit cost was never written down: not counted in Bought, taken at the usual price in Gain."
    assert told in said
    assert "1 sale without a day is not in Sold." in said
    assert "In 1 of 4 finished jobs an amount is not on record and is predicted instead." in reads(
        bench(jobs=jobs), "earnings", "answer"
    )


def test_a_loss_is_called_one_and_free_hours_are_said():
    jobs = [JOBS[1], JOBS[2]]
    said = reads(bench(jobs=jobs, settings=[]), "earnings", "answer")
    # 50 - 30 - 2 - 8, and 15 - 10: no fee, no rate.
    assert "gained 15 EUR in 2 jobs and 5 h: 3 EUR an hour." in said
    assert "hours count nothing." in said
    assert "The last 2 months lost 40 EUR" in reads(bench(jobs=jobs), "earnings", "answer")


def test_one_month_bears_its_name_and_a_gain_that_is_partly_predicted_says_about():
    unsold = {**JOBS[1], "sold_for": None, "sold_on": None}
    said = reads(bench(jobs=[unsold]), "earnings", "answer")
    assert re.search(r"The month of 2026-02 gained about \d+ EUR in 1 job and 4 h", said)
    assert "In 1 of 1 finished job an amount is not on record and is predicted instead." in said


def test_rate_and_fee_are_told_as_they_were_set():
    settings = [{"setting": "hour_rate", "value": "7.5"}, {"setting": "selling_fee", "value": "0.125"}]
    report = bench(settings=settings)
    assert "on top of 7.50 EUR for the hour itself" in reads(report, "earnings", "answer")
    said = reads(report, "earnings", "spent")
    assert "In EUR; an hour at 7.50 EUR. Brought: sales less 12.5 % for selling, and parts kept," in said


def test_what_was_spent_beside_the_jobs_is_told_by_itself():
    spending = [
        {"spent_on": "2026-02-07", "what": "fair", "amount": 18, "hours": 3},
        {"spent_on": "2026-03-02", "what": "files", "amount": 31},
    ]
    beside = bench(spending=spending)
    # 49 and three hours at 10, of a gain of 8.
    assert "79 EUR went beside the jobs, to travel, tools and the like, which leaves −71 EUR." in reads(
        beside, "earnings", "answer"
    )
    assert rows_of(part(beside, "earnings", "spent").html)[1].endswith("gain 8 79 −71")
