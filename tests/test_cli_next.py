"""What to do next: every topic by hand, on one screen."""

import datetime

import numpy as np
import pandas as pd
import pytest

from reliability.records.frames import records_from_rows
from reliability.records.ledger import open_ledger
from reliability.worth.appraiser import fit_appraiser, kept_folder
from reliability.worth.next_steps import NEXT_COLUMNS, next_steps, outlooks
from reliability.worth.plan import plan_unit
from tests.worth.ledgers import finding, job

DAY = datetime.date(2025, 1, 10)
FAMILY = "Larkov T1"


def ago(days):
    return (DAY - datetime.timedelta(days=days)).isoformat()


@pytest.fixture(scope="module")
def records():
    jobs = [job(n, FAMILY, "repaired") for n in range(1, 9)]
    jobs += [
        job(11, FAMILY, "open", taken_in=ago(200)),
        job(12, FAMILY, "open", taken_in=ago(10)),
        job(13, FAMILY, "open", taken_in=ago(3)),
        job(21, FAMILY, "repaired", taken_in=ago(150), closed=ago(90), sold_for=None, sold_on=None),
        job(22, FAMILY, "repaired", taken_in=ago(150), closed=ago(89), sold_for=None, sold_on=None),
        *(job(30 + n, FAMILY, "repaired", taken_in=ago(150), closed=ago(140), sold_on=ago(days))
          for n, days in enumerate((69, 70, 100, 101, 80))),
        job(41, FAMILY, "sold as is", taken_in=ago(70), closed=ago(60), sold_for=None, sold_on=ago(60)),
    ]  # fmt: skip
    return records_from_rows({
        "families": [{"family": FAMILY, "kind": "tape deck", "working_price": 110.0}],
        "jobs": jobs,
        "findings": [*(finding(n, "belt", "failed", action="replaced", part_cost=6.0) for n in range(1, 9)),
                     finding(13, "belt", "failed", action="no part")],
        "followups": [{"job": "34", "checked_on": ago(20), "working": "yes"}],
        "sightings": [
            {"sighting": "a", "seen_on": ago(5), "family": FAMILY, "asked": 30.0, "verdict": "take"},
            {"sighting": "b", "seen_on": ago(5), "model": "unheard of"},
            {"sighting": "c", "seen_on": ago(5), "family": FAMILY, "left_because": "gone"},
            {"sighting": "d", "seen_on": ago(5), "family": FAMILY, "job": "12"},
        ],
        "settings": [{"setting": "warranty_days", "value": "100"}, {"setting": "hour_rate", "value": "10"}],
    })  # fmt: skip


@pytest.fixture(scope="module")
def appraiser(records):
    return fit_appraiser(records, DAY)


@pytest.fixture(scope="module")
def table(appraiser, records):
    return next_steps(appraiser, records, outlooks(appraiser, records), DAY)


def of(table, topic):
    return table[table["topic"] == topic].set_index("what")


def test_the_columns_and_the_order_of_the_topics(table):
    assert tuple(table.columns) == NEXT_COLUMNS
    assert list(dict.fromkeys(table["topic"])) == [
        "on the bench", "open for long", "unsold for long", "check due", "sold without a price", "not decided"]  # fmt: skip


def test_open_jobs_come_by_what_an_hour_of_going_on_is_worth(table, appraiser, records):
    rows = of(table, "on the bench")
    assert set(rows.index) == {"11", "12", "13"}
    rates = rows["per_hour"].dropna().to_numpy()
    assert (np.diff(rates) <= 0).all()
    # The belt of 13 has failed and no part is to be had: there is nothing to go on for, and it stands last.
    assert rows.index[-1] == "13"
    assert rows.loc["13", "gain"] <= 0
    assert np.isnan(rows.loc["13", "per_hour"])
    assert rows.loc["13", "advice"].startswith("Stop, break it for parts")
    assert rows.loc["12", "per_hour"] == pytest.approx(rows.loc["12", "gain"] / rows.loc["12", "hours"])
    plan = plan_unit(appraiser, family=FAMILY, built_from=1982, built_to=1984,
                     seen_on=DAY - datetime.timedelta(days=10))  # fmt: skip
    assert (rows.loc["12", "gain"], rows.loc["12", "hours"]) == pytest.approx((plan.gain, plan.hours))


def test_hours_of_going_on_are_those_of_the_moves_as_far_as_the_job_comes(appraiser):
    """Added up again from the table of the plan: looks, mending where it is worth it, and the chance to get there."""
    plan = plan_unit(appraiser, family=FAMILY, built_from=1983, built_to=1983)
    entry, shared = appraiser.families[FAMILY], appraiser.shared
    look = entry.hours_repaired / len(entry.lives.components)
    hours, reached = 0.0, 1.0
    for row in plan.moves.to_dict("records"):
        mending = shared.repair_hours[shared.components.index(row["component"])] * (
            row["if_failed"] != "stop"
        )
        hours += reached * (look * (row["move"] == "look at") + row["failed"] * mending)
        reached *= 1 - row["ends_job"]
    assert plan.hours == pytest.approx(hours)
    assert 0 < plan.hours < 3 * entry.hours_repaired


def test_what_has_lain_for_long(table):
    assert list(of(table, "open for long").index) == ["11"]
    assert of(table, "open for long").loc["11", "advice"] == (
        "finish it, or give it up: benchodds blank 'Larkov T1' --job 11"
    )
    unsold = of(table, "unsold for long")
    assert list(unsold.index) == ["21"]
    assert unsold.loc["21", "advice"].startswith("ask ")


def test_checks_are_due_in_the_last_month_of_the_warranty_once(table):
    due = of(table, "check due")
    assert list(due.index) == ["32", "31"]  # 69 days is too soon, 101 too late, 34 was asked about
    assert due.loc["32", "advice"] == "0 days of warranty left: benchodds followup 32 --working yes|no"


def test_sales_without_a_price_and_units_not_decided(table):
    assert (
        of(table, "sold without a price").loc["41", "advice"]
        == "benchodds amend 41 --set sold_for=PRICE --why …"
    )
    seen = of(table, "not decided")
    assert list(seen.index) == ["a", "b"]
    assert seen.loc["a", "advice"].startswith("take was said, 30.00 asked; bought, or left?")
    assert seen.loc["b", "family"] == "unheard of"
    assert seen.loc["b", "advice"].startswith("no price asked; ")


def test_one_screen_from_the_command_line(bench):
    out = bench.ok("next")
    assert out.startswith("On the bench:\n  1, Tarnwick T2, 0 days")
    for _ in range(6):
        bench.ok("intake", "Tarnwick T2")
    told = bench.ok("next").splitlines()
    assert len(told) == 7
    assert told[-1] == "  and 2 more: benchodds next --all"
    assert len(bench.ok("next", "--all").splitlines()) == 8
    assert bench.ok("next", "--out", "todo.csv") == "7 rows: todo.csv\n"
    assert list(pd.read_csv("todo.csv").columns) == list(NEXT_COLUMNS)


def test_plans_are_kept_until_something_is_written(bench):
    before = bench.ok("next")
    with open_ledger(bench.file) as ledger:
        folder = kept_folder(ledger)
    (path,) = (each for each in folder.glob("*.json") if "sentence" in each.read_text())
    path.write_text(path.read_text().replace("first", "FIRST"))
    assert "FIRST" in bench.ok("next")
    path.write_text("[1, 2")  # damaged
    assert bench.ok("next") == before
    path.chmod(0o666)
    path.write_text(path.read_text().replace("first", "FIRST"))
    assert bench.ok("next") == before  # others may have written it
    bench.ok("intake", "Tarnwick T2")
    assert "2, Tarnwick T2" in bench.ok("next")


def test_nothing_to_do(command_line):
    file = command_line.sheet("family,kind\nLarkov T1,tape deck\n", "families.csv")
    command_line.ok("import", file)
    assert command_line.ok("next") == "Nothing is open, unsold for long, due for a check or undecided.\n"


def test_a_unit_that_is_open_is_not_sold_yet(bench):
    assert bench.refused("sold", "1", "90") == (
        "Job 1 is still open: first say how it ended (`benchodds blank 'Tarnwick T2' --job 1` prints its sheet, in "
        "which the sale may stand too), then add it.\n"
    )
    bench.ok("add", bench.sheet('job = 1\noutcome = "repaired"'))
    assert bench.ok("sold", "1", "90").startswith("Job 1: Tarnwick T2, sold for 90.00")
