"""Forecasts held against outcomes; signs in the order of what they tell."""

import datetime
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from sklearn.metrics import brier_score_loss
from sklearn.metrics import log_loss as their_log_loss

from reliability.records.frames import records_from_rows
from reliability.worth.judging import judge, offers_from
from reliability.worth.review import brier, forecast_days, forecasts, log_loss, scored, signs_by_worth
from tests.worth.ledgers import finding, job
from tests.worth.units import judged_then

DAY = datetime.date(2027, 1, 1)


def calibrate(records):
    return scored([forecasts(records, DAY, day, judged_then) for day in forecast_days(records, DAY)])


@pytest.fixture(scope="module")
def years():
    """Three years: a family that is always repaired, one that never is; fifteen of each a year."""
    rows = {"families": [], "jobs": [], "findings": []}
    for name in ("Larkov T1", "Larkov T2"):
        rows["families"].append({"family": name, "kind": "tape deck", "working_price": 100.0})
    for n in range(1, 91):
        good = n % 2 == 0
        day = f"{2024 + (n - 1) // 30}-{1 + n % 12:02d}-{1 + n % 27:02d}"
        more = {"taken_in": day, "closed": day, "sold_on": None, "sold_for": None}
        more |= {} if good else {"ended_by": "gear"}
        rows["jobs"].append(job(n, f"Larkov T{1 if good else 2}", "repaired" if good else "scrapped", **more))
        rows["findings"].append(finding(n, "gear", "sound" if good else "failed"))
        rows["findings"].append(finding(n, "belt", "sound"))
    return rows


def test_each_year_is_forecast_from_the_years_before(years):
    records = records_from_rows(years)
    assert forecast_days(records, DAY) == [datetime.date(2024, 12, 31), datetime.date(2025, 12, 31)]
    found = calibrate(records)
    assert len(found.jobs) == 60
    chance = found.jobs.groupby("family")["success_chance"].mean()
    assert chance["Larkov T1"] > 0.8
    assert chance["Larkov T2"] < 0.2
    assert found.brier < 0.1 < found.brier_usual
    assert found.log_loss < 0.3 < found.log_loss_usual


def test_the_future_does_not_leak_into_a_forecast(years):
    records = records_from_rows(years)
    # Turn the last year upside down: what was forecast of the years before stays as it was.
    flipped = {**years, "jobs": [dict(row) for row in years["jobs"]]}
    for row in flipped["jobs"]:
        if row["taken_in"] >= "2026":
            row.update(outcome="scrapped" if row["outcome"] == "repaired" else "repaired", ended_by=None)
    was, now = (calibrate(r).jobs for r in (records, records_from_rows(flipped)))
    assert_allclose(was["success_chance"], now["success_chance"])
    assert (was["repaired"] != now["repaired"]).sum() == 30


def test_a_young_ledger_is_too_few(bench_records):
    found = calibrate(bench_records)
    assert found.jobs.empty
    assert np.isnan(found.brier)


def test_scores_agree_with_scikit_learn():
    rng = np.random.default_rng(8)
    p, y = rng.uniform(0.05, 0.95, 200), rng.integers(0, 2, 200)
    assert_allclose(brier(p, y), brier_score_loss(y, p), rtol=1e-12)
    assert_allclose(log_loss(p, y), their_log_loss(y, p), rtol=1e-9)


# ---- signs by what they tell


def moved(appraiser, kind, sign):
    """Spread of the expected gain over the answer, from the printed cents of `judge`."""
    rows = [{"offer": word, "kind": kind, "asked": 0, sign: word} for word in ("yes", "no")]
    gain = judge(offers_from(rows), appraiser).set_index("offer")["expected_gain"]
    share = appraiser.shared.sign_mean[appraiser.shared.signs.index(sign)]
    return np.sqrt(share * (1 - share)) * abs(gain["yes"] - gain["no"])


@pytest.mark.parametrize("kind", ["tape deck", "receiver"])
def test_the_signs_of_a_kind_are_those_that_tell_most_first(demo_appraiser, demo_records, kind):
    signs = signs_by_worth(demo_appraiser, demo_records, kind)
    told = [moved(demo_appraiser, kind, sign) for sign in signs]
    assert np.all(np.diff(told) < 0.03)  # two amounts that were rounded to the cent
    assert told[0] > 5


def test_only_signs_that_somebody_has_looked_for_on_a_kind_are_named(demo_appraiser, demo_records):
    jobs = demo_records.jobs.merge(demo_records.families, on="family").merge(demo_records.signs, on="job")
    for kind in ("tape deck", "receiver", "turntable", "disc player"):
        looked = set(jobs.loc[jobs["kind"] == kind, "sign"])
        assert set(signs_by_worth(demo_appraiser, demo_records, kind)) == looked
    assert set(signs_by_worth(demo_appraiser, demo_records, "")) == set(demo_appraiser.shared.signs)
    decks = jobs.loc[jobs["kind"] == "tape deck", "job"]
    unlooked = replace(demo_records, signs=demo_records.signs[~demo_records.signs["job"].isin(decks)])
    assert signs_by_worth(demo_appraiser, unlooked, "tape deck") == ()
