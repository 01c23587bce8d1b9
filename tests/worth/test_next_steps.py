"""What waits at the bench and what to do next, on a ledger whose every wait was set by hand."""

import datetime
from dataclasses import replace

import numpy as np
import pytest

from reliability.records.frames import Records, records_from_rows
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.money import job_gains
from reliability.worth.next_steps import (
    CHECK,
    FINISH,
    NEXT_COLUMNS,
    PRICE,
    SELL,
    WRITE_UP,
    next_steps,
    on_hand,
    outlooks,
    to_do,
)
from reliability.worth.odds import sale_price
from reliability.worth.plan import plan_unit

DAY = datetime.date(2026, 6, 30)


def repaired(job, taken_in, closed="2026-01-10", **more):
    amounts = {"bought_for": 20, "hours": 2, "other_costs": 2}
    return (
        {"job": job, "family": "T2", "outcome": "repaired", "taken_in": taken_in, "closed": closed}
        | amounts
        | more
    )


def sold(job, day, **more):
    return repaired(job, "2025-12-01", "2025-12-20", sold_on=day, **{"sold_for": 95, **more})


OPEN = {"family": "T2", "outcome": "open"}
FAMILIES = [{"family": "T2", "kind": "tape deck", "working_price": 100}]
JOBS = [
    repaired("1", "2026-01-01", "2026-04-01"),  # unsold for 90 days
    repaired("2", "2026-01-01", "2026-04-02", other_costs=None),  # for 89
    {"job": "3", **OPEN, "taken_in": "2025-11-01", "bought_for": 12},
    {"job": "4", **OPEN, "taken_in": "2026-06-20"},
    # Warranties that end 30 days later, 31, today, yesterday; somebody asked after 6, and after 13 before its sale.
    sold("5", "2026-01-31"),
    sold("6", "2026-01-16"),
    sold("7", "2026-01-17", sold_for=None),
    sold("9", "2026-02-01"),
    sold("13", "2026-01-01"),
    sold("14", "2025-12-31"),
    {"job": "15", **OPEN, "taken_in": "2026-06-27", "bought_for": 25},
    sold("16", "2026-01-20", sold_for=None, outcome="sold as is"),  # without a warranty
    repaired("X1", "2020-01-05", "2020-01-10", origin="elsewhere"),
]
SEEN = {"seen_on": "2026-06-25", "family": "T2"}
ROWS = {
    "families": FAMILIES,
    "jobs": JOBS,
    "findings": [
        *({"job": each, "component": "belt", "found": "failed", "action": "replaced", "part_cost": 8}
          for each in ("1", "5", "6", "7", "9", "13", "14")),
        {"job": "15", "component": "belt", "found": "failed", "action": "no part"},
    ],
    "followups": [{"job": "6", "checked_on": "2026-03-01", "working": "yes"},
                  {"job": "13", "checked_on": "2025-12-30", "working": "yes"}],
    "sightings": [
        {**SEEN, "sighting": "a", "asked": 30.0, "verdict": "take"},
        {**SEEN, "sighting": "b", "family": None, "model": "unheard of"},
        {**SEEN, "sighting": "c", "left_because": "gone"},
        {**SEEN, "sighting": "d", "job": "4"},
    ],
    "settings": [{"setting": "warranty_days", "value": "180"}, {"setting": "count_gaps", "value": "yes"},
                 {"setting": "hour_rate", "value": "10"}],
}  # fmt: skip


@pytest.fixture(scope="module")
def records():
    return records_from_rows(ROWS)


@pytest.fixture(scope="module")
def odds(records):
    return fit_appraiser(records, DAY)


@pytest.fixture(scope="module")
def steps(odds, records):
    return next_steps(odds, records, outlooks(odds, records), DAY)


def of(steps, topic):
    return steps[steps["topic"] == topic].set_index("what")


def test_units_on_hand_with_the_money_in_them(records, odds):
    found = on_hand(records, odds, job_gains(records, odds), DAY).set_index("job")
    assert list(found.index) == [
        "3",
        "1",
        "2",
        "4",
        "15",
    ]  # the longest wait first; others' units are not ours
    assert list(found["state"]) == ["open", "unsold", "unsold", "open", "open"]
    assert list(found["days"]) == [241, 90, 89, 10, 3]
    assert found.loc["1", "money_in"] == 20 + 8 + 2
    assert found.loc["3", "money_in"] == 12
    assert found.loc["4", "money_in"] == 20  # the price usually paid
    assert list(found["is_predicted"]) == [False, False, True, True, False]
    assert list(found["price"].isna()) == [True, False, False, True, True]
    assert found.loc["1", "price"] == sale_price(odds.families["T2"])


def test_what_waits_is_listed_by_task(records, odds):
    found = to_do(records, odds, DAY)
    rows = list(zip(found["task"], found["job"], found["days"].fillna(0).astype(int), strict=True))
    assert rows == [
        (FINISH, "3", 241),
        (SELL, "1", 90),
        (CHECK, "13", 0),
        (CHECK, "7", -16),
        (CHECK, "5", -30),
        (WRITE_UP, "8", 0),
        (WRITE_UP, "10 to 12", 0),
        (PRICE, "7", 164),
        (PRICE, "16", 161),
    ]
    assert np.isfinite(found.loc[1, "price"])
    assert found.drop(index=1)["price"].isna().all()


def test_gaps_that_are_not_counted_are_not_to_be_written_up(records, odds):
    left_out = replace(records, settings=replace(records.settings, count_gaps="no"))
    assert WRITE_UP not in set(to_do(left_out, odds, DAY)["task"])


def test_without_a_warranty_no_check_is_due():
    free = records_from_rows({"families": FAMILIES, "jobs": JOBS})
    assert CHECK not in set(to_do(free, fit_appraiser(free, DAY), DAY)["task"])


def test_an_earlier_day_knows_nothing_of_later_ones(records, odds):
    day = datetime.date(2026, 1, 12)
    found = to_do(records, odds, day)
    assert list(found["job"]) == ["8", "10 to 12"]  # 4 came in later: no gap
    assert set(found["task"]) == {WRITE_UP}
    assert len(on_hand(records, odds, job_gains(records, odds, as_of=day), day)) == 7


def test_an_empty_ledger_has_nothing_to_do():
    empty = Records()
    odds = fit_appraiser(empty, DAY)
    assert to_do(empty, odds, DAY).empty
    assert on_hand(empty, odds, job_gains(empty, odds), DAY).empty


# ---- The same as next steps, with plans of the open jobs


def test_open_jobs_come_by_what_an_hour_of_going_on_is_worth(steps, odds):
    assert tuple(steps.columns) == NEXT_COLUMNS
    rows = of(steps, "on the bench")
    assert set(rows.index) == {"3", "4", "15"}
    assert (np.diff(rows["per_hour"].dropna().to_numpy()) <= 0).all()
    # The belt of 15 has failed and no part is to be had: there is nothing to go on for, and it stands last.
    assert rows.index[-1] == "15"
    assert rows.loc["15", "gain"] <= 0
    assert np.isnan(rows.loc["15", "per_hour"])
    assert rows.loc["15", "advice"].startswith("Stop, break it for parts")
    assert rows.loc["4", "per_hour"] == pytest.approx(rows.loc["4", "gain"] / rows.loc["4", "hours"])
    plan = plan_unit(odds, family="T2", seen_on=datetime.date(2026, 6, 20))
    assert (rows.loc["4", "gain"], rows.loc["4", "hours"]) == pytest.approx((plan.gain, plan.hours))


def test_hours_of_going_on_are_those_of_the_moves_as_far_as_the_job_comes(odds):
    """Added up again from the table of the plan: looks, mending where it is worth it, and the chance to get there."""
    plan = plan_unit(odds, family="T2", built_from=1983, built_to=1983)
    entry, shared = odds.families["T2"], odds.shared
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


def test_what_waits_stands_there_with_what_to_do(steps):
    assert (steps["topic"][:3] == "on the bench").all()
    waiting = steps[3:]
    assert [tuple(row) for row in waiting[["topic", "what", "family", "days"]].to_numpy()] == [
        ("open for long", "3", "T2", 241), ("unsold for long", "1", "T2", 90),
        *(("check due", job, "T2", days) for job, days in (("13", 180), ("7", 164), ("5", 150))),
        ("sold without a price", "7", "T2", 164), ("sold without a price", "16", "T2", 161),
        ("not decided", "a", "T2", 5), ("not decided", "b", "unheard of", 5),
    ]  # fmt: skip
    told = waiting["advice"].tolist()
    assert told[0] == "finish it, or give it up: benchodds blank 'T2' --job 3"
    assert told[1].startswith("ask ")
    assert told[2] == "0 days of warranty left: benchodds followup 13 --working yes|no"
    assert told[5] == "benchodds amend 7 --set sold_for=PRICE --why …"
    assert told[7].startswith("take was said, 30.00 asked; bought, or left?")
    assert told[8].startswith("no price asked; ")
