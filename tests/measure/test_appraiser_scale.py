"""What fitting the appraiser takes, in small: the ledgers must be such as a bench could keep."""

import pytest

from reliability.records.frames import load
from reliability.records.tables import TABLES
from tests.measure import apart, appraiser_scale
from tests.measure.big_ledger import big_ledger


@pytest.fixture(scope="module")
def ledger():
    return big_ledger(300, 20, imported=15, jobs_each=3)


def test_a_drawn_ledger_has_the_documented_columns(ledger):
    for name, frame in ledger.frames().items():
        assert list(frame.columns) == list(TABLES[name].names)


def test_a_drawn_ledger_holds_together(ledger):
    jobs, findings = ledger.jobs, ledger.findings
    assert jobs["origin"].isna().sum() == 300
    assert jobs["family"].nunique() == 35
    assert not jobs["job"].duplicated().any()
    assert not findings.duplicated(["job", "component"]).any()
    assert set(findings["job"]) <= set(jobs["job"])
    assert (jobs["closed"] >= jobs["taken_in"]).all()
    assert (jobs["built_from"] <= jobs["built_to"]).sum() == jobs["built_from"].notna().sum()
    ended = jobs[jobs["outcome"] == "donor"].merge(
        findings[findings["found"] == "failed"], left_on=["job", "ended_by"], right_on=["job", "component"]
    )
    assert len(ended) == (jobs["outcome"] == "donor").sum()


def test_a_slow_or_large_fit_is_a_miss(monkeypatch):
    for seconds, gb, fine in ((301.0, 1.0, False), (299.0, 4.1, False), (299.0, 3.9, True)):
        told = {"seconds": seconds, "peak_gb": gb, "findings": 9, "families": 2_000}
        monkeypatch.setattr(apart, "run", lambda *_, told=told: told)
        found = appraiser_scale.fit_rows()[-1]
        assert (found["what"], found["ok"]) == ("100,000 jobs in 2,000 families, fitted", fine)


def test_foreign_families_can_be_imported(monkeypatch, tmp_path):
    monkeypatch.setattr(appraiser_scale, "FOREIGN_FAMILIES", 5)
    monkeypatch.setattr(appraiser_scale, "FOREIGN_JOBS", 12)
    appraiser_scale.write_foreign(tmp_path)
    records = load(tmp_path)
    assert len(records.families) == records.jobs["family"].nunique() == 5
    assert len(records.jobs) == records.jobs["origin"].notna().sum() == 12


def test_commands_beside_foreign_families_are_told_by_how_many_times(monkeypatch):
    seconds = iter((0.0, 2.0, 4.0, 0.0, 3.0, 9.0))
    monkeypatch.setattr(appraiser_scale, "_user_seconds", lambda *_: next(seconds))
    ranking, report = appraiser_scale.foreign_rows()
    assert ranking["what"] == "ranking beside 1,203 imported families"
    assert (ranking["measured"], ranking["ok"]) == ("1.5 times its 2.0 s", True)
    assert (report["measured"], report["ok"]) == ("2.2 times its 4.0 s", False)
