"""A ledger taken back to a day: what it said then, not what was corrected since."""

import datetime

import pytest

from reliability.records import database
from reliability.records.frames import read_records
from reliability.records.importing import import_package
from reliability.records.ledger import open_ledger
from reliability.records.package import export_package

MAY, JUNE, JULY = (datetime.date(2026, month, 15) for month in (5, 6, 7))


@pytest.fixture
def on(monkeypatch):
    """Set the clock by which versions are written."""

    def on(day):
        for module in (database, database):
            monkeypatch.setattr(module, "utc_now", lambda: f"{day}T23:59:59.999Z")

    return on


def outcomes(ledger, as_of=None):
    jobs = read_records(ledger, as_of=as_of).jobs
    return dict(zip(jobs["job"], jobs["outcome"], strict=True))


def test_a_correction_counts_from_the_day_it_was_written(ledger, finished, on):
    on("2026-05-12")
    number = ledger.add(finished(hours=2, bought_for="12.50", remarks="a\nb",
                                 findings=[{"component": "belt", "found": "failed", "part_cost": "3.20"},
                                           {"component": "motor", "found": "sound"}],
                                 signs=[{"sign": "rust", "seen": "yes"}]))  # fmt: skip
    before = read_records(ledger, as_of=MAY)
    on("2026-06-15")
    ledger.amend(number, {"job": {"hours": 3, "outcome": "donor", "bought_for": 13},
                          "findings": [{"component": "belt", "found": None},
                                       {"component": "head", "found": "worn"}],
                          "signs": [{"sign": "rust", "seen": "no"}]}, reason="looked again")  # fmt: skip
    ledger.put("families", [{"family": "Dallow 80", "kind": "radio"}], reason="x")
    assert ledger.changed_since(MAY)
    assert not ledger.changed_since(JUNE)
    then = read_records(ledger, as_of=MAY)
    for name, frame in then.frames().items():
        if name != "families":
            assert frame.equals(getattr(before, name)), name
            assert frame.dtypes.equals(getattr(before, name).dtypes)
    assert then.jobs.loc[0, "bought_for"] == 12.5
    assert list(then.findings["component"]) == ["belt", "motor"]
    assert then.findings.loc[0, "part_cost"] == 3.2
    for day in (JUNE, None):
        now = read_records(ledger, as_of=day)
        assert (now.jobs.loc[0, "hours"], now.jobs.loc[0, "outcome"]) == (3.0, "donor")
        assert list(now.findings["component"]) == ["head", "motor"]
        assert list(now.signs["seen"]) == ["no"]


def test_a_job_finished_later_was_open_then(ledger, on):
    on("2026-05-02")
    number = ledger.intake({"job": {"family": "Tarnwick T2", "taken_in": "2026-05-01"}})
    on("2026-06-01")  # written up weeks after it was closed
    ledger.add({"job": {"job": number, "outcome": "repaired", "closed": "2026-05-03"}})
    assert outcomes(ledger, MAY) == {number: "open"}
    assert outcomes(ledger, JUNE) == {number: "repaired"}


def test_a_job_withdrawn_later_was_there_then(ledger, finished, on):
    on("2026-05-12")
    for _ in range(3):
        ledger.add(finished(findings=[{"component": "belt", "found": "sound"}]))
    on("2026-06-12")
    ledger.withdraw("2", reason="never was one")
    assert outcomes(ledger, MAY) == dict.fromkeys("123", "repaired")
    assert len(read_records(ledger, as_of=MAY).findings) == 3
    assert read_records(ledger, as_of=MAY).withdrawn == ()
    assert list(outcomes(ledger, JUNE)) == ["1", "3"]
    assert read_records(ledger, as_of=JUNE).withdrawn == ("2",)
    on("2026-07-12")
    ledger.add(finished(job="2", outcome="donor"))
    assert read_records(ledger, as_of=JUNE).withdrawn == ("2",)
    assert list(outcomes(ledger, JUNE)) == ["1", "3"]
    assert outcomes(ledger, JULY)["2"] == "donor"


def test_what_was_written_down_only_later_counts_from_when_it_happened(
    ledger, finished, on, tmp_path, new_url
):
    on("2026-05-12")
    ledger.add(finished())
    export_package(ledger, tmp_path / "out")
    on("2026-11-01")
    with open_ledger(new_url(), create=True) as other:
        import_package(tmp_path / "out", other)
        assert outcomes(other, MAY) == {"1": "repaired"}
        assert outcomes(other, datetime.date(2026, 5, 5)) == {"1": "open"}
        assert not other.changed_since(MAY)


def test_a_sale_is_known_when_it_was_written_and_had_happened(ledger, finished, on):
    on("2026-05-12")
    ledger.add(finished())
    on("2026-06-20")
    ledger.sold("1", 80, "2026-05-13")
    sold = [read_records(ledger, as_of=day).jobs.loc[0, "sold_for"] for day in (MAY, JULY)]
    assert (sold[0] != sold[0], sold[1]) == (True, 80.0)
