"""The measurements of the batch fit, in small: they must run, and reject what misses a target."""

import numpy as np
import pytest

from tests.measure import lives


@pytest.fixture
def small(monkeypatch):
    monkeypatch.setattr(lives, "BY_LIFELINES", 2)
    monkeypatch.setattr(lives, "BY_SURVREG", 3)


def test_small_strata_are_what_they_say():
    strata = lives.small_strata(50)
    assert np.unique(strata.stratum).size == 50
    sizes = np.bincount(strata.stratum)
    assert 3 <= sizes.min() <= sizes.max() <= 20
    np.testing.assert_allclose(strata.lower * 12, np.round(strata.lower * 12), atol=1e-9)
    assert (np.isfinite(strata.upper) & (strata.lower > 0)).any()


def test_speed_rows_hold_time_ratio_and_gap(small):
    rows = {row["what"]: row for row in lives.speed_rows(60)}
    assert rows["strata without a maximum"]["ok"]
    assert rows["log-likelihood below lifelines, 2 strata"]["ok"]
    # Sixty strata fitted at once are no match of speed for ten thousand, but are faster than one by one.
    assert float(rows["times as fast as lifelines"]["measured"].replace(",", "")) > 20


def test_a_better_library_would_be_seen(small, monkeypatch):
    monkeypatch.setattr(lives, "lifelines_answers", lambda strata, which: (0.0, np.zeros(which.size)))
    monkeypatch.setattr(lives, "survreg_answers", lambda strata, which: None)
    rows = {row["what"]: row for row in lives.speed_rows(60)}
    assert rows["times as fast as lifelines"]["ok"] is False
    assert rows["log-likelihood below lifelines, 2 strata"]["ok"] is False
    assert "not there" in rows["beside survreg"]["measured"]


def test_without_r_there_is_no_comparison(monkeypatch):
    monkeypatch.setattr(lives.shutil, "which", lambda name: None)
    assert lives.survreg_answers(lives.small_strata(3), np.arange(3)) is None


def test_answer_rows_name_what_they_time(monkeypatch):
    found = lives.answer_rows(n_intervals=30, n_mixtures=5, n_strata=40)
    assert [row["what"] for row in found] == [
        "curve of 30 distinct intervals",
        "curve of 5 mixtures of 20 years",
        "table of 40 strata",
    ]
    clock = iter([0.0, 5.1, 0.0, 4.9, 0.0, 2.1])
    monkeypatch.setattr(lives.time, "process_time", lambda: next(clock))
    found = lives.answer_rows(n_intervals=30, n_mixtures=5, n_strata=40)
    assert [row["ok"] for row in found] == [False, True, False]


def test_records_of_the_answers_are_what_they_say():
    records = lives.intervals(50)
    assert np.unique(np.column_stack((records.lower, records.upper)), axis=0).shape == (50, 2)
    assert np.all(np.isfinite(records.upper))
    assert np.bincount(lives.unknown_years(7).record).tolist() == [20] * 7
