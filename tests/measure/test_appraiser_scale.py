"""What fitting the appraiser takes, in small: the ledgers must be such as a bench could keep."""

import pytest

from reliability.records.tables import TABLES
from tests.measure import apart, appraiser_scale
from tests.measure.__main__ import SETS
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


def test_a_ledger_is_drawn_alike_again(ledger):
    assert big_ledger(300, 20, imported=15, jobs_each=3).fingerprint() == ledger.fingerprint()


def test_a_row_tells_the_ledger_and_what_it_took(monkeypatch):
    monkeypatch.setattr(appraiser_scale, "LEDGERS", ((60, 5, 4, 100.0),))
    (row,) = appraiser_scale.rows()
    assert row["what"] == "60 jobs in 5 families and 4 imported ones, fitted"
    assert row["ok"] is True


def test_a_slow_or_large_fit_is_a_miss(monkeypatch):
    for seconds, gb, fine in ((301.0, 1.0, False), (299.0, 4.1, False), (299.0, 3.9, True)):
        told = {"seconds": seconds, "peak_gb": gb, "findings": 9, "families": 2_000}
        monkeypatch.setattr(apart, "run", lambda *_, told=told: told)
        assert appraiser_scale.rows()[-1]["ok"] is fine


def test_the_table_knows_these_rows():
    assert "appraiser_scale" in SETS
