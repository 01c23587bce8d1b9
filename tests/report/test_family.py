"""The page of a family: every number it says is held against the records or the odds."""

import re
from types import SimpleNamespace

import numpy as np
import pytest

from reliability.report import format
from reliability.report import pages as page
from reliability.report.pages import part
from reliability.worth.lives import FALSE_CHANGES
from reliability.worth.plan import plan_unit
from reliability.worth.review import explain
from tests.report.conftest import (
    A_FAMILY,
    A_FINDING,
    A_JOB,
    THIN,
    data_of,
    plain,
    reads,
    report_of,
    said_by,
    thin,
)

CELLS = ("answer", "brought", "components", "lives", "years", "back", "jobs", "basis")


def cells(report, family):
    """Give all that the notebook shows of a family."""
    found = plan_unit(report.odds, family=family)
    shown = [part(report, "family", each, family=family) for each in CELLS]
    return [*shown, part(report, "family", "plan", family=family, found=found)]


def finished(report, family):
    jobs = report.records.jobs
    return jobs[(jobs["family"] == family) & jobs["origin"].isna() & (jobs["outcome"] != "open")]


# ---- The answer


@pytest.mark.parametrize(("family", "is_found"), [("Obbelin 310", True), ("Obbelin R9", False)])
def test_the_table_explains_only_marks_that_it_has(demo, family, is_found):
    assert ("Tick: share found failed" in part(demo, "family", "components", family=family).html) == is_found


@pytest.mark.parametrize(
    ("verdict", "ceiling", "paid", "lead", "zones"),
    [
        ("take", 12.9, 9.0, "Take it up to 12 EUR Asked 13 to 16: haggle, and pay 12 at most.",
         "take up to 12; haggle"),
        ("haggle", 4.0, 5.0, "Haggle it down to 4 EUR Asked 5: haggle, and pay 4 at most. Above 5: skip.",
         "haggle up to 5"),
        ("skip", 0.4, 9.0, "Skip it at 9 EUR; take it only for free", "Prices in EUR: skip above"),
        ("skip", -0.4, 9.0, "Skip it: not even for free", "Prices in EUR: skip above"),
        ("try one", 12.9, 20.0, "Try one at 20 EUR By its odds alone it is worth up to 12 EUR;",
         "try one up to 20; skip above"),
        ("try one", -3.0, 2.0, "Try one at 2 EUR By its odds alone it is worth nothing;",
         "EUR: try one up to 2; skip above"),
        ("take", 2310.4, 900.0, "Asked 2 311 to 2 888: haggle, and pay 2 310 at most. Above 2 888: skip.",
         "take up to 2310"),
        (None, np.nan, np.nan, "No price can be named yet", ""),
        (None, 12.9, np.nan, "Take it up to 12 EUR", "take up to 12"),
    ],
)  # fmt: skip
def test_each_verdict_has_one_sentence_and_one_line(verdict, ceiling, paid, lead, zones):
    report = thin("one job")
    report.ranking = report.ranking.assign(verdict=verdict, ceiling=ceiling, usual_price=paid)
    html = part(report, "family", "answer", family="T2").html
    assert lead in said_by(html)
    assert zones in html
    assert ("Asked" in said_by(html)) == (ceiling >= 1 and verdict != "try one")
    assert ("usually paid" in said_by(html)) == (paid == paid and ceiling == ceiling)


def test_a_reason_is_said_only_where_the_numbers_bear_it_out(demo):
    heard = set()
    for family in demo.family_pages:
        jobs = finished(demo, family)
        if jobs.empty:
            continue
        chance = demo.explained(family).appraisal.success.mean()
        gap = chance - (jobs["outcome"] == "repaired").mean()
        middle = jobs["taken_in"].mean().date()
        then = explain(demo.odds, family=family, seen_on=middle).appraisal.success.mean()
        for reason in page.reasons(demo, family):
            if reason == "units are older now":
                assert abs(chance - then) >= page.APART / 3
                assert (chance < then) == (gap < 0)
            elif reason == "jobs never written up count mostly as failures":
                assert demo.odds.tally.gaps == "counted"
                assert gap < 0
            elif reason == "the bench has had more practice":
                assert demo.odds.shared.practice > 0
                assert gap > 0
            elif re.fullmatch(r"\d jobs? says? little", reason):
                assert int(reason[0]) == len(jobs) < page.FEW
            else:
                pytest.fail(f"nobody has checked: {reason}")
            heard.add(re.sub(r"\d jobs? says?", "few jobs say", reason))
    # Each branch above was met.
    assert heard == {
        "units are older now",
        "jobs never written up count mostly as failures",
        "the bench has had more practice",
        "few jobs say little",
    }


SOLD = {"outcome": "repaired", "ended_by": None, "salvage_value": None}
SOLD |= {"sold_for": 120, "sold_on": "2024-12-31"}


def a_bench(n=24, step=1, **changed):
    """Give a bench that repairs every second unit; its numbers run on by `step`."""
    built = {"closed": "2024-12-31", "built_from": 1980, "built_to": 1980}
    days = [f"2024-{1 + i % 12:02}-{1 + i // 12:02}" for i in range(n)]
    jobs = [
        {**A_JOB, **built, "job": str(1 + step * i), "taken_in": day, **(SOLD if i % 2 else {})}
        for i, day in enumerate(days)
    ]
    findings = [
        {**A_FINDING, "job": job["job"], "action": "replaced" if i % 2 else "no part"}
        for i, job in enumerate(jobs)
    ]
    return {"jobs": jobs, "findings": findings, **changed}


@pytest.mark.parametrize(
    ("share", "said"), [(None, "mostly as failures"), ("0", "as failures"), ("0.1", "too")]
)
def test_gaps_are_a_reason_only_where_numbers_are_missing(share, said):
    said = f"jobs never written up count {said}"
    settings = [{"setting": "count_gaps", "value": "yes"}]
    settings += [{"setting": "gap_repaired_share", "value": share}] if share else []
    whole, gaps = (report_of(**a_bench(24, step, settings=settings)) for step in (1, 2))
    assert said not in page.reasons(whole, "T2")
    assert said in page.reasons(gaps, "T2")
    assert "So far 12 of 24; lower from here: " in reads(gaps, "family", "answer", family="T2")


def test_parts_that_are_gone_are_a_reason_only_where_they_were_mended_before():
    rows = a_bench(24)
    rows["jobs"] = [{**each, **SOLD} for each in rows["jobs"]]
    rows["findings"] = [{**each, "action": "replaced"} for each in rows["findings"]]
    gone = {"component": "belt", "family": "T2", "obtainable": "no", "as_of": "2024-12-31"}
    told = page.reasons(report_of(**rows, parts=[gone]), "T2")
    assert "parts for the belt are hard to get" in told
    assert not any("hard to get" in each for each in page.reasons(report_of(**rows), "T2"))


# ---- The records


def test_every_unit_bought_is_a_mark_and_every_gain(demo):
    family = "Obbelin 310"
    gains = demo.gains[demo.gains["family"] == family]
    jobs = finished(demo, family)
    bought = jobs["bought_for"].notna() | jobs["lot"].notna()
    line, brought = (
        part(demo, "family", "answer", family=family).html,
        part(demo, "family", "brought", family=family).html,
    )
    for html, n in ((line, int(bought.sum())), (brought, len(gains))):
        desk = html[html.index('class="marks desk"') : html.index('class="marks phone"')]
        assert len(re.findall(r'<circle|<rect(?![^>]*class="zone)', desk)) == n
    lost = int((gains[gains["job"].isin(jobs.loc[bought, "job"])]["gain"] <= 0).sum())
    assert f"it lost ({lost} of {bought.sum()})" in said_by(line)
    repaired = gains["outcome"] == "repaired"
    middle = plain(format.money(gains.loc[repaired, "gain"].median(), "EUR"))
    assert f"{repaired.sum()} repaired, half of them above {middle}" in said_by(brought)


@pytest.mark.parametrize(
    ("oldest", "half", "low", "said"),
    [
        (46.0, 21.0, 13.0, "Half had failed by about 21 years."),
        (45.0, 133.0, 54.0, "Half failed: not before 45; more cannot be told."),
        (45.0, 60.0, 39.0, "Half failed: not before 39; more cannot be told."),
        (45.0, np.nan, np.nan, "Half failed: not before 45; more cannot be told."),
        (45.0, 60.0, 0.04, "By what age half have failed cannot be told."),
    ],
)
def test_no_age_beyond_the_records_is_told(oldest, half, low, said):
    row = SimpleNamespace(oldest_years=oldest, b50_years=half, b50_low=low)
    assert plain(page.half_failed(row)) == said


def test_p_values_stand_behind_how_we_know_alone(demo):
    for family in ("Obbelin 310", "Pellowick 22"):
        html = "".join(each.html for each in cells(demo, family))
        before, _, behind = html.partition("<summary>How we know</summary>")
        inside, _, after = behind.partition("</details>")
        assert "p = " in plain(inside)
        assert "p = " not in plain(before + after)


def test_a_change_of_production_year_is_told_in_counts(demo):
    found = demo.changes.set_index(["family", "component"]).loc[("Pellowick 22", "gear")]
    assert found["q_value"] <= FALSE_CHANGES
    year = int(found["change_year"])
    said = reads(demo, "family", "years", family="Pellowick 22")
    assert said.startswith(f"Production years: gear from {year} on")
    table = demo.own.table.query("family == 'Pellowick 22' and component == 'gear'")
    later = table[~table["record"].duplicated(keep=False) & (table["year"] >= year)]
    failed = int(np.isfinite(later["upper"]).sum())
    assert f"Gear: {failed} of {len(later)} failed in units built from {year} on" in said
    assert "nothing stands out" in reads(demo, "family", "years", family="Obbelin 310")


def test_cohorts_that_were_never_of_one_age_may_differ_by_ageing(demo):
    report = data_of(demo.records)
    report.__dict__["changes"] = demo.changes.assign(reference_age_years=np.nan)
    said = reads(report, "family", "years", family="Pellowick 22")
    assert "in earlier ones. The two were never seen at one age, so part of it may be ageing." in said


def test_a_repaired_unit_that_nobody_asked_after_is_no_unit_repaired_yet():
    said = reads(report_of(**a_bench(2)), "family", "back", family="T2")
    assert "Nobody has asked after the one repaired unit yet." in said
    said = reads(report_of(**a_bench(6)), "family", "back", family="T2")
    assert "Nobody has asked after any of 3 repaired units yet." in said
    assert reads(thin("one job"), "family", "back", family="T2").endswith("No unit was repaired yet.")


def test_what_the_rest_of_the_odds_comes_from_is_named():
    other = {**A_FAMILY, "family": "D80", "kind": "receiver"}
    jobs = [A_JOB, {**A_JOB, "job": "2", "family": "D80"}]
    said = reads(report_of(families=[A_FAMILY, other], jobs=jobs), "family", "answer", family="T2")
    assert "Only 1 job of its own; the rest comes from 1 job of other kinds and belief." in said


@pytest.mark.parametrize(("rate", "is_said"), [("9", True), ("0", False)])
def test_bench_time_is_said_to_be_counted_only_where_it_is(rate, is_said):
    report = report_of(jobs=[A_JOB], settings=[{"setting": "hour_rate", "value": rate}])
    said = said_by(*cells(report, "T2"))
    assert ("Bench time is counted." in said) == is_said
    assert "The command plan gives the order" in said


# ---- Ledgers of next to nothing


@pytest.mark.parametrize("name", [each for each in THIN if each not in ("no family", "imported only")])
def test_a_thin_ledger_says_so_plainly(name):
    report = thin(name)
    said, n = said_by(*cells(report, "T2")), len(finished(report, "T2"))
    assert format.counted(n, "finished job") in said
    if n:
        assert "Only 1 job of its own; the rest comes from belief alone." in said
        assert "So far 0 of 1" in said
    else:
        assert "No unit of this family has been finished here: the numbers come from belief alone." in said
        assert "So far" not in said
        assert "No finished job of its kind stands behind this" in said
        assert "Take it" not in said
        assert re.search(r"Try one at most, up to \d+ EUR|not even for free", said)
    assert "similar families" not in said
