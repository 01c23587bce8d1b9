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
    A_FINDING,
    A_JOB,
    THIN,
    data_of,
    plain,
    reads,
    report_of,
    rows_of,
    said_by,
    thin,
)

CELLS = ("answer", "brought", "components", "lives", "years", "back", "jobs", "basis")


def cells(report, family):
    """Give all that the notebook shows of a family."""
    found = plan_unit(report.odds, family=family)
    shown = [part(report, "family", each, family=family) for each in CELLS]
    return [*shown, part(report, "family", "plan", family=family, found=found)]


DEMO = (
    "Crowmarl 60", "Fennimoor Reel 4", "Hulverby D2", "Obbelin 310", "Obbelin R9", "Pellowick 22",
    "Ploverine P5", "Tavisk 700",
)  # fmt: skip


def finished(report, family):
    jobs = report.records.jobs
    return jobs[(jobs["family"] == family) & jobs["origin"].isna() & (jobs["outcome"] != "open")]


# ---- The answer


@pytest.mark.parametrize(("family", "is_found"), [("Obbelin 310", True), ("Obbelin R9", False)])
def test_the_table_explains_only_marks_that_it_has(demo, family, is_found):
    assert ("Tick: share found failed" in part(demo, "family", "components", family=family).html) == is_found


@pytest.mark.parametrize("family", DEMO)
def test_the_verdict_and_its_prices_are_those_of_the_ranking_rounded_down(demo, family):
    row = demo.ranking.set_index("family").loc[family]
    said = reads(demo, "family", "answer", family=family)
    ceiling, paid = int(np.floor(row["ceiling"])), plain(format.money(row["usual_price"], "EUR"))
    if ceiling < 0:
        assert "Skip it: not even for free" in said
        assert "Asked" not in said
        return
    leads = {
        "take": f"Take it up to {ceiling} EUR",
        "haggle": f"Haggle it down to {ceiling} EUR",
        "skip": f"Skip it at {paid}; take it " + (f"up to {ceiling} EUR" if ceiling else "only for free"),
    }
    assert leads[row["verdict"]] in said
    top = int(np.floor(1.25 * row["ceiling"]))  # haggle_room of the demo
    # Where no whole amount lies between, there is nothing to haggle over.
    is_told = f"haggle, and pay {ceiling} at most. Above {top}: skip." in said
    assert is_told == (top > ceiling > 0)


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


@pytest.mark.parametrize("family", DEMO)
def test_forecast_and_record_stand_side_by_side_and_never_for_each_other(demo, family):
    said = reads(demo, "family", "answer", family=family)
    row, jobs = demo.ranking.set_index("family").loc[family], finished(demo, family)
    low, high = (round(100 * row[each]) for each in ("success_low", "success_high"))
    assert f"{plain(format.in_hundred(row['success_chance']))} will be repaired ({low} to {high})" in said
    done = int((jobs["outcome"] == "repaired").sum())
    assert (f"So far {done} of {len(jobs)}" in said) == (len(jobs) > 0)
    lost = jobs[jobs["outcome"] != "repaired"]
    for component, n in lost["ended_by"].value_counts().head(1).items():
        assert f"{component} {n}" in said
        assert f"of {len(lost)} not repaired" in said


@pytest.mark.parametrize("family", DEMO)
def test_the_gain_and_its_spread_are_those_of_a_unit_at_the_price_usually_paid(demo, family):
    row = demo.ranking.set_index("family").loc[family]
    told = explain(demo.odds, family=family, asked=float(row["usual_price"]), seen_on=demo.as_of).verdict
    said = reads(demo, "family", "answer", family=family)
    whose = "" if len(finished(demo, family)) else f" for a {row['kind']}"
    assert (
        f"{plain(format.in_hundred(row['chance_of_loss']))} lose money at the "
        f"{plain(format.money(row['usual_price'], 'EUR'))} usually paid{whose}."
    ) in said
    ends = [plain(format.money(told[each], "EUR")) for each in ("gain_low", "gain_high")]
    assert f"Mean gain {plain(format.money(row['expected_gain'], 'EUR'))}; 8 of 10 between" in said
    assert f"{ends[0].removesuffix(' EUR')} and {ends[1]}." in said


def test_components_that_end_as_many_jobs_are_named_together(demo):
    for family in demo.family_pages:
        frame = explain(demo.odds, family=family, seen_on=demo.as_of).components
        frame = format.coarse(frame[frame["is_named"]], "ends_job")
        whole = (100 * frame["ends_job"]).round()
        tied = list(frame.loc[whole == whole.max(), "component"])
        said = reads(demo, "family", "answer", family=family)
        lead = re.search(r"([^.)]*) is most likely to end a job: (\d+) in 100( each)?", said)
        assert lead is not None
        assert {each.strip().lower() for each in re.split(r" or |, ", lead[1].split("EUR .")[-1])} >= set(
            tied[1:]
        )
        assert all(each in lead[1].lower() for each in tied)
        assert int(lead[2]) == whole.max()
        assert bool(lead[3]) == (len(tied) > 1)


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


@pytest.mark.parametrize("family", DEMO)
def test_counts_of_components_are_those_of_the_jobs(demo, family):
    jobs = demo.records.jobs[demo.records.jobs["family"] == family].set_index("job")
    findings = demo.records.findings
    odds = explain(demo.odds, family=family, seen_on=demo.as_of).components.set_index("component")
    rows = {
        row.split("%")[0].rsplit(" ", 2)[0].strip(): row
        for row in rows_of(part(demo, "family", "components", family=family).html)[1:]
    }
    assert set(rows) == set(odds.index)
    for component, row in rows.items():
        failed = seen = ended = 0
        for job, about in jobs.iterrows():  # one by one, as one would count by hand
            here = findings[(findings["job"] == job) & (findings["component"] == component)]
            ended_by = about["ended_by"] == component
            if here.empty and not ended_by:
                continue
            seen += 1
            ended += bool(ended_by)
            received = here[here["arose"] != "during work"]
            died = (here["arose"] == "during work").any()
            failed += bool((received["found"] == "failed").any() or (ended_by and not died))
        assert (f"{failed} of {seen}" if seen else "no record") in row
        assert re.search(rf"\b{ended or 'none'}\b", row)
        chance = format.coarse(odds.loc[[component]], "failed")["failed"].iloc[0]
        assert plain(format.share(chance)) in row


def test_components_stand_in_one_order_everywhere(demo):
    family = "Obbelin 310"
    order = list(demo.components(family)["component"])
    titles = re.findall(
        r"<figcaption><strong>(.*?)</strong>", part(demo, "family", "lives", family=family).html
    )
    assert [each.lower() for each in titles] == [
        each for each in order if each in {t.lower() for t in titles}
    ]
    ended = finished(demo, family)["ended_by"].value_counts()
    assert order[0] == ended.index[0]


def test_each_job_is_one_line_with_what_had_failed(demo):
    family = "Hulverby D2"
    jobs = demo.records.jobs[demo.records.jobs["family"] == family].set_index("job")
    html = part(demo, "family", "jobs", family=family).html
    rows = rows_of(html)[1:]
    assert [row.split()[0] for row in rows] == list(
        jobs.reset_index().sort_values(["taken_in", "job"], ascending=False)["job"]
    )
    gains = demo.gains.set_index("job")
    for row in rows:
        job, day, rest = row.split(" ", 2)
        about = jobs.loc[job]
        assert day == f"{about['taken_in']:%Y-%m-%d}"
        assert rest.startswith(about["outcome"])
        assert (f"ended by {about['ended_by']}" in row) == isinstance(about["ended_by"], str)
        if about["outcome"] != "open":
            mark = "≈ " if gains.loc[job, "predicted"] else ""
            assert f"{mark}{plain(format.money(gains.loc[job, 'gain'], 'EUR'))}" in row
    assert html.count('class="unbroken"') >= 2 * len(rows)


def test_the_order_of_inspection_is_that_of_the_command_plan(demo):
    found = plan_unit(demo.odds, family="Obbelin 310", seen_on=demo.as_of)
    html = part(
        demo, "family", "plan", family="Obbelin 310", found=plan_unit(demo.odds, family="Obbelin 310")
    ).html
    looks = found.moves[found.moves["move"] == "look at"]
    assert [re.split(r" (?:under |over )?\d", row)[0] for row in rows_of(html)[1:]] == list(
        looks["component"]
    )
    assert "Failed, if all above is sound" in html  # chances that depend on more say so
    assert plain(format.money(found.gain, "EUR")) in said_by(html)


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


def test_comebacks_are_counted_among_those_asked_after(demo):
    checks = demo.records.followups
    repaired = finished(demo, "Obbelin 310").query("outcome == 'repaired'")
    asked = set(checks["job"]) & set(repaired["job"])
    said = reads(demo, "family", "back", family="Obbelin 310")
    broken = set(checks.loc[checks["working"] == "no", "job"]) & asked
    assert f"Comebacks: {len(broken)} of {len(asked)} asked after" in said
    assert f"Nobody has asked after {len(repaired) - len(asked)} more" in said


def test_a_repaired_unit_that_nobody_asked_after_is_no_unit_repaired_yet():
    said = reads(report_of(**a_bench(2)), "family", "back", family="T2")
    assert "Nobody has asked after the one repaired unit since its sale." in said
    said = reads(report_of(**a_bench(6)), "family", "back", family="T2")
    assert "Nobody has asked after any of 3 repaired units since its sale." in said
    assert reads(thin("one job"), "family", "back", family="T2").endswith("No unit was repaired yet.")


def test_what_it_rests_on_is_told_with_the_weights(demo):
    for family in ("Obbelin 310", "Obbelin R9"):
        told = demo.explained(family).appraisal
        said = reads(demo, "family", "basis", family=family)
        assert f"{plain(format.in_hundred(told.states.success.mean()))} would be repaired" in said
        assert f"the components count {demo.odds.shared.chain_weight:.2f} times" in said
        own = f"decide {plain(format.share(demo.odds.families[family].own_weight))} of what sets"
        assert (own in said) == (family == "Obbelin 310")  # nothing of its own is on record of the other


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
