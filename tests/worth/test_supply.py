"""What could be had, today and on the day of a job."""

import datetime

import numpy as np
import pandas as pd
import pytest

from reliability.records.frames import records_from_rows
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.explain import explain
from reliability.worth.supply import read_supply
from tests.worth.ledgers import finding, job

FAMILY = "Larkov T1"
DAY = datetime.date(2025, 1, 10)


def supply_of(findings, parts=()):
    rows = {
        "families": [{"family": FAMILY, "kind": "tape deck"}],
        "jobs": [
            job(n, FAMILY, "repaired", taken_in=f"201{n}-05-02", closed=f"201{n}-05-02") for n in range(1, 7)
        ],
        "findings": findings,
        "parts": [{"component": "gear", **part} for part in parts],
    }
    records = records_from_rows(rows)
    return read_supply(records.parts, records.jobs, records.findings)


def bought(number):
    return finding(number, "gear", "failed", action="replaced", part_source="new", part_cost=8.0)


def day(year):
    return pd.Timestamp(f"{year}-05-02")


def test_what_the_parts_table_says_is_believed():
    supply = supply_of([finding(5, "gear", "failed", action="no part")], [{"obtainable": "yes"}])
    assert supply.state("gear", FAMILY) == "yes"
    assert supply.state("belt", FAMILY) is None


def test_a_row_of_the_family_overrides_the_general_one():
    parts = [{"obtainable": "yes"}, {"obtainable": "no", "family": FAMILY}]
    assert supply_of([], parts).state("gear", FAMILY) == "no"
    assert supply_of([], parts).state("gear", "Larkov T2") == "yes"


def test_a_part_was_had_until_the_last_new_one():
    supply = supply_of([bought(2), bought(3), bought(1)], [{"obtainable": "no"}])
    assert supply.gone_since("gear", FAMILY) == day(2013)
    assert [supply.state_on("gear", FAMILY, day(year)) for year in (2011, 2013, 2014)] == ["yes", "yes", "no"]


def test_nothing_is_gone_that_can_still_be_had():
    supply = supply_of([bought(2)], [{"obtainable": "yes"}])
    assert supply.gone_since("gear", FAMILY) is None
    assert supply.state_on("gear", FAMILY, day(2016)) == "yes"


@pytest.mark.parametrize(
    ("work", "state"),
    [
        ({"action": "no part"}, "no"),
        ({"action": "rebuilt"}, "no"),
        ({"action": "replaced", "part_source": "salvaged"}, "salvage only"),
        ({"action": "serviced"}, None),
    ],
)
def test_where_the_table_is_silent_the_newest_jobs_tell(work, state):
    assert supply_of([bought(2), finding(5, "gear", "failed", **work)]).state("gear", FAMILY) == state
    # A new part that was had later takes it back.
    assert supply_of([finding(5, "gear", "failed", **work), bought(6)]).state("gear", FAMILY) is None


def test_a_salvaged_part_shows_that_there_are_some():
    work = [finding(4, "gear", "failed", action="replaced", part_source="salvaged")]
    refused = [finding(n, "gear", "failed", action="no part") for n in (3, 5)]
    assert supply_of([*work, *refused]).state("gear", FAMILY) == "salvage only"
    assert supply_of([*refused, *work]).state("gear", FAMILY) == "salvage only"


def repairs_until_it_was_gone(*, gone):
    """Ten units whose gear was replaced by a new one years ago, and two since."""
    jobs, findings = [], []
    for n in range(1, 13):
        year = 2014 + n // 2 if n <= 10 else 2024
        when = f"{year}-0{1 + n % 9}-11"
        lost = n > 10
        more = {"ended_by": "gear"} if lost else {}
        jobs.append(job(n, FAMILY, "donor" if lost else "repaired", taken_in=when, closed=when, **more))
        work = (
            {"action": "no part"} if lost else {"action": "replaced", "part_source": "new", "part_cost": 9.0}
        )
        findings += [finding(n, "gear", "failed", **work), finding(n, "motor", "sound")]
    family = {
        "family": FAMILY,
        "kind": "tape deck",
        "first_year": 1981,
        "last_year": 1986,
        "working_price": 110.0,
    }
    parts = [{"component": "gear", "obtainable": "no" if gone else "yes"}]
    return records_from_rows({"families": [family], "jobs": jobs, "findings": findings, "parts": parts})


def test_repairs_with_new_parts_promise_little_once_those_are_gone():
    gone, still = (
        explain(fit_appraiser(repairs_until_it_was_gone(gone=gone), DAY), family=FAMILY)
        for gone in (True, False)
    )
    mends = [table.components.set_index("component").loc["gear", "repairable"] for table in (gone, still)]
    assert mends[0] < mends[1] - 0.3
    assert gone.verdict["success_chance"] < still.verdict["success_chance"] - 0.15
    assert np.isfinite(gone.verdict["ceiling"])
