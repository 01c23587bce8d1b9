"""The first page: every number on it is one of the records or of the odds."""

import pandas as pd

from reliability.report import format
from reliability.report.data import ReportData
from reliability.report.pages import part
from reliability.worth.next_steps import to_do
from tests.report.conftest import A_JOB, data_of, reads, report_of, said_by, thin


def test_a_price_of_the_kind_is_not_called_paid_for_the_family(demo):
    bought = demo.records.jobs.dropna(subset=["bought_for"])["family"]
    never = [each for each in demo.ranking["family"] if each not in set(bought)]
    assert len(never) == 1
    assert f"Of {never[0]} no purchase is on record: its price is that of its kind." in reads(
        demo, "index", "verdicts", frame=demo.ranking
    )


def test_pages_and_card_say_their_days(demo, demo_records):
    day = demo.as_of.isoformat()
    assert f"These pages are for {day} ; there is no pocket card beside them." in reads(
        demo, "index", "verdicts", frame=demo.ranking
    )
    beside = ReportData(demo_records, odds=lambda: demo.odds, card="2026-09-30")
    html = part(beside, "index", "verdicts", frame=beside.ranking).html
    assert '<a href="card.html">pocket card</a>' in html
    assert f"These pages are for {day} , the pocket card for 2026-09-30" in said_by(html)


def changed(report, **before):
    """Give what is said of changes where the ranking was another one before."""
    report = data_of(report.records)
    report.__dict__["ranking_before"] = report.ranking.assign(**before)
    return reads(report, "index", "changed")


def test_only_other_verdicts_and_far_moves_are_told_as_changes(demo):
    now = demo.ranking
    new = int((demo.gains["closed"] >= pd.Timestamp(demo.since)).sum())
    assert new > 0
    head = f"What changed {new} jobs have been finished since {demo.since} ; "
    assert changed(demo) == f"{head}no verdict has changed. No ceiling has moved by more than 10 %."
    verdict, family = now["verdict"][0], now["family"][0]
    other = "skip" if verdict != "skip" else "take"
    said = changed(demo, verdict=now["verdict"].where(now.index > 0, other))
    assert said.startswith(f"{head}1 verdict has changed. ")
    assert f"{other} → {verdict} , up to {int(now['ceiling'][0])} EUR" in said
    assert said.count("→") == 1
    near, far = now["ceiling"].copy(), now["ceiling"].copy()
    near[0], far[0] = 0.95 * near[0], 0.7 * far[0]
    assert changed(demo, ceiling=near) == changed(demo)
    moved = f"up to {int(far[0])} EUR → {int(now['ceiling'][0])} EUR"
    assert changed(demo, ceiling=far).startswith(f"{head}no verdict has changed. ")
    assert moved in changed(demo, ceiling=far)
    assert f"{family} : " in changed(demo, ceiling=far)


def test_a_ledger_that_is_new_has_nothing_to_compare_with():
    # The one job was closed after the first of the month that changes are told from.
    report = thin("one job")
    assert report.ranking_before.empty
    assert reads(report, "index", "changed") == (
        f"What changed 1 job has been finished since {report.since} ; there is nothing to compare with: "
        "no job was finished before."
    )


def test_all_that_waits_is_named(demo):
    said, rows = reads(demo, "index", "waiting"), to_do(demo.records, demo.odds, demo.as_of)
    for row in rows.itertuples():
        assert row.job in said
    count = rows["task"].value_counts()
    worth = format.money(rows["price"].sum(), "EUR").replace("\u202f", " ").replace(format.HARD_SPACE, " ")
    assert f"{count['finish']} jobs have been open for more than 180 days" in said
    told = f"{count['sell']} repaired units have been unsold for more than 90 days and should bring {worth}"
    assert told in said
    assert f"Ask after {count['check']} units whose warranty ends soon" in said
    assert f"{demo.odds.tally.jobs_missing} job numbers were given out and never written up" in said
    # One row names two numbers: a count of the rows in the fold would not add up.
    assert count["write up"] < demo.odds.tally.jobs_missing
    assert said.count("and the others") == 1


def test_units_that_nobody_decided_on_wait_too():
    seen = {"seen_on": "2024-03-01", "family": "T2"}
    sightings = [{**seen, "sighting": "a"}, {**seen, "sighting": "b", "left_because": "gone"}]
    told = "To do Decide : 1 unit was looked at and neither bought nor left: T2 ("
    assert reads(report_of(jobs=[A_JOB], sightings=sightings), "index", "waiting").startswith(told)
    decided = report_of(jobs=[A_JOB], sightings=sightings[1:])
    assert reads(decided, "index", "waiting") == "To do Nothing waits."
