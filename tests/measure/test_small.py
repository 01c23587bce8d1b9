"""The measurements in small: each runs, measures what it says, and tells a miss from a hit."""

import numpy as np
import pandas as pd
import pytest

from reliability.records.archive import open_archives
from reliability.records.frames import load
from tests.measure import apart, appraiser_scale, archive, changes, lives, scale


@pytest.fixture
def few(monkeypatch):
    monkeypatch.setattr(lives, "BY_LIFELINES", 2)
    monkeypatch.setattr(lives, "BY_SURVREG", 3)


@pytest.mark.parametrize(
    ("study", "told"),
    [
        (lambda: archive.rows(40_000, 20, pooled_components=2), {"peak memory of all that": True}),
        (lambda: scale.import_rows(200), {"2,000 findings imported": True}),
        (lambda: scale.slope_rows(0.01), {"slope against families, pooled": ...}),
        (lambda: lives.speed_rows(60), {"strata without a maximum": True,
                                        "log-likelihood below lifelines, 2 strata": True}),
        (lambda: lives.answer_rows(30, 5, 40), {"curve of 5 mixtures of 20 years": True}),
        (lambda: changes.bench_rows(1, (12,)), {"12 units, two parts in a unit": None}),
        (lambda: changes.discovery_rows(2, (12,)),
         {"false discoveries at q 0.10, 64 searches a report": True}),
    ],
    ids=["archive", "import", "slopes", "speed", "answers", "benches", "discoveries"],
)  # fmt: skip
def test_a_study_runs(few, study, told):
    found = {row["what"]: row["ok"] for row in study()}
    for what, ok in told.items():  # of seconds so few nothing is asked
        assert found[what] is ok or ok is ...


SLOW = {
    "seconds": 301.0, "processor": 40.0, "peak_gb": 2.0, "findings": 9, "families": 2_000, "framed": 1.0,
    "arrow": 0.5, "whole": 7.0, "fitting": 1.0, "strata": 1, "fitted": 1, "pooling": 1.0,
}  # fmt: skip


def test_what_is_slow_or_large_is_missed(few, monkeypatch):
    monkeypatch.setattr(apart, "run", lambda *_: SLOW)
    assert [row["ok"] for row in archive.rows(1_000, 10) if row["target"]] == [False, False]
    assert scale.import_rows(5)[0]["ok"] is False
    for changed, fine in (
        ({}, False),
        ({"seconds": 299.0}, True),
        ({"seconds": 299.0, "peak_gb": 4.1}, False),
    ):
        monkeypatch.setattr(apart, "run", lambda *_, changed=changed: SLOW | changed)
        assert appraiser_scale.fit_rows()[-1]["ok"] is fine
    sizes = [1.0, 2.0]
    growing = {name: {"sizes": sizes, "seconds": [1.0, 2.0**power]} for name, power in (("a", 2), ("b", 1))}
    monkeypatch.setattr(scale, "slopes", lambda scale: growing)
    assert [row["measured"].split()[0] for row in scale.slope_rows()] == ["2.00", "1.00"]
    assert [row["ok"] for row in scale.slope_rows()] == [False, True]
    clock = iter([0.0, 5.1, 0.0, 4.9, 0.0, 2.1])
    monkeypatch.setattr(lives.time, "process_time", lambda: next(clock))
    assert [row["ok"] for row in lives.answer_rows(30, 5, 40)] == [False, True, False]


def test_a_better_library_would_be_seen(few, monkeypatch):
    monkeypatch.setattr(lives, "lifelines_answers", lambda strata, which: (0.0, np.zeros(which.size)))
    monkeypatch.setattr(lives.shutil, "which", lambda name: None)
    rows = {row["what"]: row for row in lives.speed_rows(60)}
    assert rows["times as fast as lifelines"]["ok"] is False
    assert rows["log-likelihood below lifelines, 2 strata"]["ok"] is False
    assert "not there" in rows["beside survreg"]["measured"]


def test_a_search_that_never_or_always_finds_is_missed(monkeypatch):
    for p_value in (0.5, 0.01):
        answer = pd.DataFrame({"status": ["ok"], "p_value": p_value, "change_year": 1982.0})
        monkeypatch.setattr(changes, "find_changes", lambda *given, answer=answer, **options: answer)
        found = changes.alarm_rows(60, (30,))
        assert [row["ok"] for row in found if row["what"] == "30 units, forms with enough"] == [False]
    assert "100 % of them within a year" in changes.power_rows(3, (30,))[0]["measured"]


def test_the_trade_of_the_archive_leaves_nothing_easy(tmp_path):
    archive.write_trade(tmp_path, 20_000, 25)
    batch = open_archives([tmp_path]).execute("SELECT * FROM findings").df()
    assert (len(batch), batch["family"].nunique(), batch["component"].nunique()) == (20_000, 25, 20)
    assert 0.25 < batch["ended_by"].notna().mean() < 0.4
    assert 0.15 < batch["built_from"].ne(batch["built_to"]).mean() < 0.25
    for column, word in (("original", "no"), ("arose", "during work")):
        assert 0 < batch[column].eq(word).mean() < 0.1


def test_a_ledger_drawn_in_columns_can_be_fitted():
    told = appraiser_scale.fit_one(60, 6, 3)
    assert (told["families"], told["findings"] > 300) == (9, True)


def test_foreign_families_can_be_imported(monkeypatch, tmp_path):
    monkeypatch.setattr(appraiser_scale, "FOREIGN_FAMILIES", 5)
    monkeypatch.setattr(appraiser_scale, "FOREIGN_JOBS", 12)
    appraiser_scale.write_foreign(tmp_path)
    records = load(tmp_path)
    assert len(records.families) == records.jobs["family"].nunique() == 5
    assert len(records.jobs) == records.jobs["origin"].notna().sum() == 12
