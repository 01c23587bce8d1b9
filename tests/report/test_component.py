"""The page of a component: should this part scare me."""

import re

import pytest

from reliability.report.pages import part
from tests.report.conftest import A_FAMILY, A_FINDING, A_JOB, reads, report_of, said_by, thin

CELLS = ("answer", "families", "ages", "years")


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
    assert "no change can be told" in reads(demo, "component", "years", component="belt")


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


def test_a_component_seen_once_says_one():
    report = thin("one component seen once")
    said = said_by(*[part(report, "component", each, component="belt") for each in CELLS])
    assert "1 job of this bench names it; it ended that one." in said
    assert "1 of 1" in said
    assert "%" in said
    assert "over 99 %" not in said
