"""The page of the fleet: what goes wrong, what it cost, whether the odds were right."""

from types import SimpleNamespace

import pandas as pd
import pytest

from reliability.report.show import show
from tests.report.conftest import A_JOB, plain, reads, report_of, said_by


def found(chances, repaired):
    """Give the outcome of some forecasts."""
    return SimpleNamespace(jobs=pd.DataFrame({"success_chance": chances, "repaired": repaired}))


@pytest.mark.parametrize(
    ("chances", "repaired", "says"),
    [
        ([], [], "No forecast can be checked against its outcome yet."),
        ([0.7], [1], "1 of 1 job was repaired where 0.7 had been forecast."),
        ([0.5] * 40, [1] * 25 + [0] * 15, "25 of 40 jobs were repaired where 20 had been forecast."),
        (
            [0.54] * 200,
            [1] * 118 + [0] * 82,
            "Of every 100 jobs 59 were repaired where 54 had been forecast.",
        ),
    ],
)
def test_few_forecasts_are_counted_and_many_told_in_a_hundred(chances, repaired, says):
    report = SimpleNamespace(gains=pd.DataFrame({"gain": [1.0]}), calibration=found(chances, repaired))
    html = show(report, "fleet", "answer", worst=pd.DataFrame(), told=True).html
    assert plain(said_by(html)).endswith(f"No component has ended a job at a loss yet. {says}")


@pytest.mark.parametrize(
    ("repaired", "says"),
    [(20, "That may be chance."), (38, "the forecasts were too low."), (3, "the forecasts were too high.")],
)
def test_only_what_chance_does_not_explain_is_called_wrong(repaired, says):
    # Forty jobs at even odds: 20 repaired, give or take 1.96 times the root of 10.
    jobs = pd.DataFrame({"success_chance": [0.5] * 40, "repaired": [1] * repaired + [0] * (40 - repaired)})
    scores = dict.fromkeys(("brier", "brier_usual", "log_loss", "log_loss_usual"), 0.25)
    said = reads(SimpleNamespace(calibration=SimpleNamespace(jobs=jobs, **scores)), "fleet", "forecasts")
    assert says in said
    assert "lies within 6.2 of the 20.0 that were forecast in 19 of 20 cases" in said


def test_a_year_without_a_job_is_there_with_none():
    jobs = [A_JOB, {**A_JOB, "job": "2", "taken_in": "2026-02-01", "closed": "2026-02-02"}]
    report = report_of(jobs=jobs)
    assert "2025 no jobs 0 0 0" in reads(report, "fleet", "years")


def test_a_component_is_not_told_to_cost_most_where_jobs_without_one_cost_more():
    other = {**A_JOB, "job": "2", "ended_by": None}
    for bought_for, told in ((1, "lost most: "), (90, "lost most, of those that name a component: ")):
        report = report_of(jobs=[A_JOB, {**other, "bought_for": bought_for}])
        assert f"Belt ended the jobs that {told}5" in plain(reads(report, "fleet", "answer"))


def test_one_job_is_told_as_one():
    report = report_of(jobs=[A_JOB])
    assert "Finished in 0 to 1 job Repaired" in reads(report, "fleet", "years")
    nameless = {**A_JOB, "job": "2", "ended_by": None}
    said = plain(reads(report_of(jobs=[A_JOB, nameless]), "fleet", "cost"))
    assert "The 2 jobs without a repair came to" in said
    assert "; 1 of them names no component." in said
