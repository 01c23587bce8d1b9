"""The page of a component: should this part scare me."""

import re

import pytest

from reliability.report import pages
from reliability.report.pages import part
from tests.report.conftest import A_FAMILY, A_FINDING, A_JOB, reads, report_of, said_by, thin

CELLS = ("answer", "families", "ages", "years")


@pytest.mark.parametrize("component", ["belt", "gear", "display", "laser"])
def test_the_answer_counts_jobs_and_says_whether_to_fear_it(demo, component):
    said = reads(demo, "component", "answer", component=component)
    jobs = demo.records.jobs
    named = set(demo.records.findings.loc[demo.records.findings["component"] == component, "job"])
    named |= set(jobs.loc[jobs["ended_by"] == component, "job"])
    ended = int((jobs["ended_by"] == component).sum())
    assert f"{len(named)} jobs of this bench name it; it ended {ended or 'none'} of them." in said
    assert "little of its own" not in said  # there are ten jobs or more
    ends = {
        family: demo.explained(family).components.set_index("component").loc[component, "ends_job"]
        for family in demo.family_pages
        if component in demo.components_of(family)
    }
    worst = max(ends, key=lambda each: ends[each])
    if ends[worst] < pages.HARMLESS - 0.005:
        assert "Do not fear it" in said
    else:
        word = "Fear it" if ends[worst] >= pages.DREADED else "Mind it"
        told = re.search(rf"{word}: it will end (\d+) in 100 jobs at worst \((.*?)\)", said)
        # Chances that are hardly known are told to 5 in 100; families that read alike are named together.
        assert abs(int(told[1]) - 100 * ends[worst]) <= 2.5
        named = {family.strip(): ends[family.strip()] for family in re.split(" and |, ", told[2])}
        assert worst in named
        assert min(named.values()) > ends[worst] - 0.05


@pytest.mark.parametrize("component", ["belt", "tonearm"])
def test_it_says_how_often_mending_was_tried_and_worked(demo, component):
    counts = demo.counts[demo.counts["component"] == component]
    tried, mended = int(counts["tried"].sum()), int(counts["mended"].sum())
    assert tried > 2 < mended
    worked = {"belt": "each time", "tonearm": f"{mended} times"}[component]
    assert (tried == mended) == (component == "belt")
    said = reads(demo, "component", "answer", component=component)
    assert f"Mending was tried {tried} times and worked {worked}." in said


@pytest.mark.parametrize(
    ("action", "said"),
    [
        ("replaced", "Mending was tried once and worked."),
        ("none", "Mending was tried once and did not work."),
    ],
)
def test_one_trial_is_told_in_words(action, said):
    job = {**A_JOB, "outcome": "repaired", "ended_by": None} if action == "replaced" else A_JOB
    report = report_of(jobs=[job], findings=[{**A_FINDING, "action": action}])
    told = reads(report, "component", "answer", component="belt")
    assert said in told
    assert told.endswith("The chance rests on little of its own: look again when there are more jobs.")


def test_pictures_by_age_share_one_axis(demo):
    html = part(demo, "component", "ages", component="gear").html
    judged = [each for each in demo.family_pages if "gear" in demo.components_of(each)]
    assert html.count("<figure") == len(judged)
    axes = {tuple(re.findall(r">(\d+)</text>", each)) for each in html.split("<figure")[1:]}
    assert len(axes) == 1
    assert axes.pop()[:3] == ("0", "10", "20")


def test_a_change_of_year_is_named_with_its_family(demo):
    said = reads(demo, "component", "years", component="gear")
    assert "Production years: a change in 1 family" in said
    assert "Pellowick 22 : lives differ from" in said
    assert "nothing can be told" in reads(demo, "component", "years", component="belt")


def test_a_component_that_no_family_is_judged_by_gets_bare_counts():
    family = {**A_FAMILY, "kind": "unheard of"}
    jobs = [{**A_JOB, "job": str(i), "ended_by": None if i > 1 else "flap"} for i in (1, 2)]
    findings = [{**A_FINDING, "job": str(i), "component": "flap", "found": "worn"} for i in (2,)]
    # The one job that says "flap" ended it is imported, so this bench's own say that it was worn, once.
    jobs[0]["origin"] = "elsewhere"
    report = report_of(families=[family], jobs=jobs, findings=findings)
    assert "flap" not in report.components_of("T2")
    said = said_by(*[part(report, "component", each, component="flap") for each in CELLS])
    assert "1 job of this bench names it; it had failed in 0 and ended 0." in said
    assert "No family is judged by it: here are counts, and no odds." in said
    assert "in 100" not in said


def test_a_component_seen_once_says_one(demo):
    report = thin("one component seen once")
    said = said_by(*[part(report, "component", each, component="belt") for each in CELLS])
    assert "1 job of this bench names it; it ended 1 of them." in said
    assert "1 of 1" in said
    assert "%" in said
    assert "over 99 %" not in said
