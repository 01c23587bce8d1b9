"""The page of the fleet: what goes wrong, what it cost, whether the odds were right."""

import re
from types import SimpleNamespace

import pandas as pd
import pytest

from reliability.report import format
from reliability.report.pages import part
from reliability.report.show import show
from tests.report.conftest import A_JOB, plain, reads, report_of, rows_of, said_by


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


def test_what_each_component_cost_is_the_gain_of_the_jobs_that_it_ended(demo):
    jobs = demo.gains.merge(demo.records.jobs[["job", "ended_by"]], on="job")
    by = jobs.groupby("ended_by")["gain"].agg(["sum", "count"]).sort_values("sum")
    html = part(demo, "fleet", "cost").html
    shown = rows_of(html)[1:]
    wanted = [
        plain(f"{name} {format.money(gain, 'EUR')} {n}") for name, (gain, n) in by.astype(object).iterrows()
    ]
    assert shown == wanted
    failed = jobs[jobs["outcome"] != "repaired"]
    unnamed = int(failed["ended_by"].isna().sum())
    total = plain(format.money(failed["gain"].sum(), "EUR"))
    said = said_by(html)
    told = f"All {len(failed)} jobs without a repair came to {total}; {unnamed} of them name no component."
    assert told in said
    predicted = int((demo.gains["predicted"] != "").sum())
    assert f"In {predicted} of 300 finished jobs an amount is not on record and is predicted instead." in said
    worst = by.head(3)
    lead = plain(f"{format.money(-worst['sum'].sum(), 'EUR')} in {worst['count'].sum()} jobs.")
    names = format.listed(list(worst.index)).capitalize()
    assert f"{names} ended the jobs that lost most: {lead}" in re.sub(
        r" ,", ",", reads(demo, "fleet", "answer")
    )


def test_the_grid_shows_the_chances_of_the_verdicts_and_counts_the_records(demo):
    html = part(demo, "fleet", "faults").html
    heads = re.findall(r'<th scope="col"><span>.*?<bdi>(.*?)</bdi>', html)
    dear = re.findall(r'<th scope="row">.*?<bdi>(.*?)</bdi>', part(demo, "fleet", "cost").html)
    assert heads[: len(dear)] == dear  # one order of components on the page
    seen = demo.own.table.drop_duplicates("record").value_counts(["family", "component"])
    rows = re.findall(r'<tr><th scope="row">.*?<bdi>(.*?)</bdi>.*?</th>(.*?)</tr>', html, re.DOTALL)
    assert sorted(family for family, _ in rows) == sorted(demo.ranking["family"])
    for family, cells in rows:
        chances = demo.explained(family).components.set_index("component")["failed"]
        shown = re.findall(r"<td[^>]*>(.*?)</td>", cells, re.DOTALL)
        assert len(shown) == len(heads)
        for component, cell in zip(heads, shown, strict=True):
            if component not in chances:
                assert cell == ""
                continue
            value = format.coarse(pd.DataFrame({"p": [chances[component]]}), "p")["p"][0]
            n = int(seen.get((family, component), 0))
            said = plain(format.share(value)).removesuffix(" %").replace("over ", ">").replace("under ", "<")
            assert said_by(cell) == f"{component} {said} % failed, {format.counted(n, 'record')}"
            assert ('class="no"' in cell) == (n == 0)


def test_forecasts_stand_beside_their_outcomes(demo):
    said, jobs = reads(demo, "fleet", "forecasts"), demo.calibration.jobs
    total = f"{jobs['repaired'].sum():.0f} of {len(jobs)} jobs were repaired"
    assert f"{total}; the forecasts add up to {jobs['success_chance'].astype(float).sum():.0f}." in said
    pairs = [(int(k), int(n)) for k, n in re.findall(r"(\d+) of (\d+) repaired", said)]
    assert sum(k for k, _ in pairs) == jobs["repaired"].sum()
    assert sum(n for _, n in pairs) == len(jobs)
    found = demo.calibration
    assert f"{found.brier:.3f}, against {found.brier_usual:.3f}" in said
    assert "p-value" not in said


@pytest.mark.parametrize(
    ("repaired", "says"),
    [(20, "That may be chance."), (38, "the forecasts were too low."), (3, "the forecasts were too high.")],
)
def test_only_what_chance_does_not_explain_is_called_wrong(demo, repaired, says):
    # Forty jobs at even odds: 20 repaired, give or take 1.96 times the root of 10.
    jobs = pd.DataFrame({"success_chance": [0.5] * 40, "repaired": [1] * repaired + [0] * (40 - repaired)})
    scores = dict.fromkeys(("brier", "brier_usual", "log_loss", "log_loss_usual"), 0.25)
    said = reads(SimpleNamespace(calibration=SimpleNamespace(jobs=jobs, **scores)), "fleet", "forecasts")
    assert says in said
    assert "lies within 6 of the forecast in 19 of 20 cases" in said


def test_each_year_counts_its_outcomes(demo):
    jobs = demo.records.jobs[demo.records.jobs["outcome"] != "open"]
    rows = rows_of(part(demo, "fleet", "years").html)[1:]
    years = jobs["closed"].dt.year
    assert len(rows) == years.max() - years.min() + 1
    for year, row in zip(range(years.min(), years.max() + 1), rows, strict=True):
        counts = jobs[years == year]["outcome"].value_counts()
        each = [int(counts.get(name, 0)) for name in ("repaired", "sold as is", "donor", "scrapped")]
        assert row == f"{year} {each[0]} of {sum(each)} repaired {each[1]} {each[2]} {each[3]}"
    assert "8 jobs are still open." in reads(demo, "fleet", "years")


def test_a_year_without_a_job_is_there_with_none():
    jobs = [A_JOB, {**A_JOB, "job": "2", "taken_in": "2026-02-01", "closed": "2026-02-02"}]
    report = report_of(jobs=jobs)
    assert "2025 0 of 0 repaired 0 0 0" in reads(report, "fleet", "years")


def test_a_component_is_not_told_to_cost_most_where_jobs_without_one_cost_more():
    other = {**A_JOB, "job": "2", "ended_by": None}
    for bought_for, told in ((1, "lost most: "), (90, "lost most, of those that name a component: ")):
        report = report_of(jobs=[A_JOB, {**other, "bought_for": bought_for}])
        assert f"Belt ended the jobs that {told}5" in plain(reads(report, "fleet", "answer"))
