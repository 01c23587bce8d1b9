"""The plainer methods that decisions are compared with do what their names say."""

import numpy as np
import pandas as pd
import pytest

from reliability.records.frames import records_from_rows
from reliability.worth.judging import offers_from
from tests.measure import baselines
from tests.simulate.fleet import make_offers, make_world, run_bench
from tests.simulate.truth import score


def drawn(name, jobs, offers, seed):
    world = make_world(name, seed)
    records = records_from_rows(run_bench(world, jobs, seed))
    rows, truth = make_offers(world, offers, seed)
    return baselines.read_bench(records, offers_from(rows)), truth, records


@pytest.fixture(scope="module")
def setting():
    return drawn("many families", 150, 80, 11)


def test_every_method_can_be_scored(setting):
    bench, truth, _ = setting
    for name, method in baselines.BASELINES.items():
        result = score(method(bench), truth)
        assert -5 < result["gain_share"] <= 1, name
    assert score(baselines.take_none(bench), truth)["taken"] == 0
    everything = score(baselines.take_all(bench), truth)
    assert everything["gain"] == pytest.approx(sum(row["expected_gain"] for row in truth))


def test_family_mean_takes_the_untried_and_skips_the_hardly_tried(setting):
    bench, _, _ = setting
    said = baselines.family_mean(bench)
    count = bench.jobs["family"].value_counts()
    for offer, verdict in zip(bench.offers.to_dict("records"), said["verdict"], strict=True):
        n = count.get(offer["family"], 0)
        mean = bench.jobs.loc[bench.jobs["family"] == offer["family"], "worth"].mean()
        better = n >= 3 and mean - offer["asked"] > 0
        assert verdict == ("take" if n == 0 or better else "skip")
    assert {0, 1}.issubset({int(count.get(family, 0)) for family in bench.offers["family"]})


def test_beta_binomial_lies_between_the_family_and_the_bench(setting):
    bench, _, _ = setting
    chance = baselines.beta_binomial(bench)["success_chance"].to_numpy()
    by_family = bench.jobs.groupby("family")["repaired"].mean()
    overall = chance[~bench.offers["family"].isin(by_family.index)]
    assert np.ptp(overall) < 1e-12
    for family, said in zip(bench.offers["family"], chance, strict=True):
        if family in by_family:
            low, high = sorted((by_family[family], overall[0]))
            assert low - 1e-9 <= said <= high + 1e-9


def test_worth_of_a_job_is_counted_as_documented(setting):
    bench, _, records = setting
    settings = records.settings
    full = bench.jobs[bench.jobs["sold_for"].notna() & bench.jobs["hours"].notna()]
    job = full[full["other_costs"].notna()].iloc[0]
    parts = records.findings.loc[records.findings["job"] == job["job"], "part_cost"].sum()
    expected = job["sold_for"] * (1 - settings.selling_fee) - job["hours"] * settings.hour_rate
    assert job["worth"] == pytest.approx(expected - job["other_costs"] - parts)
    assert bench.jobs["worth"].notna().all()


def test_age_is_from_the_middle_of_the_year_of_production():
    table = pd.DataFrame({"built_from": [1980.0, np.nan], "built_to": [1980.0, np.nan],
                          "first_year": [1970, 1970], "last_year": [1990, 1980]})  # fmt: skip
    when = pd.to_datetime(pd.Series(["2020-07-02", "2020-07-02"]))
    assert baselines._age(table, when).to_numpy() == pytest.approx([40.0, 45.0], abs=0.01)


def test_signs_tell_the_regression_something():
    """With strong signs, knowing them must lower the loss of the odds below the beta-binomial's."""
    bench, truth, _ = drawn("strong signs", 300, 150, 12)
    ridge, shrunk = (
        score(method(bench), truth) for method in (baselines.ridge_logistic, baselines.beta_binomial)
    )
    assert ridge["excess_log_loss"] < shrunk["excess_log_loss"]
