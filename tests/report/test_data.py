"""What pages share: odds that are kept, a ledger found, one fit behind every number."""

import datetime
import shutil
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from reliability.errors import InvalidInput, UnknownName
from reliability.records.frames import Records
from reliability.report import data as data_module
from reliability.report.data import ReportData, find_records, lent, open_report
from reliability.report.pages import part
from reliability.worth.review import forecast_days, forecasts
from tests.report.conftest import fit_once
from tests.worth.units import judged_then

DAY = datetime.date(2024, 3, 20)


def refuse(*_):
    pytest.fail("odds were fitted again")


def test_kept_odds_answer_like_the_fitted_ones(tmp_path, awkward_records, monkeypatch):
    early = datetime.date(2022, 8, 1)
    fitted, first = (ReportData(awkward_records, day, store=tmp_path).ranking for day in (DAY, early))
    monkeypatch.setattr(data_module, "fit_appraiser", refuse)
    assert ReportData(awkward_records, DAY, store=tmp_path).ranking.equals(fitted)
    # A job of a later day is not known on this day, so nothing has to be fitted.
    later = awkward_records.jobs.copy()
    later.loc[later.index[-1], "taken_in"] += datetime.timedelta(days=3000)
    again = ReportData(replace(awkward_records, jobs=later), early, store=tmp_path)
    assert again.ranking.equals(first)


def test_other_records_or_another_day_are_fitted(tmp_path, awkward_records, monkeypatch):
    asked = []

    def fit(records, day):
        asked.append(day)
        return fit_once(awkward_records, DAY)

    monkeypatch.setattr(data_module, "fit_appraiser", fit)

    def kept_of(records=awkward_records, day=DAY, store=tmp_path):
        return ReportData(records, day, store=store).odds.to_export()

    assert kept_of() == kept_of()
    assert len(asked) == 1
    kept_of(day=DAY + datetime.timedelta(days=1))
    kept_of(replace(awkward_records, jobs=awkward_records.jobs.assign(hours=1.0)))
    assert len(asked) == 3
    kept_of(store=None)
    assert (len(asked), len(list(tmp_path.iterdir()))) == (4, 3)


def test_odds_at_hand_serve_if_they_are_of_the_same_records_and_day(awkward_records, monkeypatch):
    at_hand = fit_once(awkward_records, DAY)
    monkeypatch.setattr(data_module, "fit_appraiser", lambda records, day: (len(records.jobs), day))
    same = replace(at_hand, fingerprint=awkward_records.fingerprint())
    assert ReportData(awkward_records, DAY, odds=lambda: same).odds is same
    for other in (replace(same, as_of=DAY - datetime.timedelta(days=1)), replace(same, fingerprint="other")):
        fitted = ReportData(awkward_records, DAY, odds=lambda other=other: other).odds
        assert fitted == (30, DAY)


def test_the_same_offers_are_judged_once(tmp_path, awkward_records, monkeypatch):
    plain = ReportData(awkward_records).calibration.jobs
    assert len(plain) > 5
    assert ReportData(awkward_records, store=tmp_path).calibration.jobs.equals(plain)
    with monkeypatch.context() as without:
        without.setattr(data_module, "judge", refuse)
        assert ReportData(awkward_records, store=tmp_path).calibration.jobs.equals(plain)
    other = awkward_records.jobs.assign(built_from=awkward_records.jobs["built_from"] - 1)
    changed = ReportData(replace(awkward_records, jobs=other), store=tmp_path).calibration.jobs
    assert not changed.equals(plain)


def test_lives_on_pages_are_those_of_the_verdicts(demo):
    family = demo.family()
    parts = demo.explained(family).components.set_index("component")
    at_usual = demo.failed_by_age(family, [demo.usual_age(family)]).set_index("component")
    # A usual unit is one of all its years; one of the middle year has failed about as often.
    assert np.abs(at_usual["failed"] - parts["failed"]).max() < 0.02
    assert set(at_usual.index) == set(demo.components_of(family))
    assert ((parts["failed_low"] <= parts["failed"]) & (parts["failed"] <= parts["failed_high"])).all()
    curve = demo.failed_by_age(family, np.arange(0, 60, 5.0))
    rises = curve.groupby("component")["failed"].apply(lambda shares: shares.is_monotonic_increasing)
    assert rises.all()
    told = demo.ranking.set_index("family")["success_chance"][family]
    assert demo.explained(family).appraisal.success.mean() == pytest.approx(told, abs=6e-5)  # four digits


def test_forecasts_are_those_of_the_fits_of_earlier_days(awkward):
    records, as_of = awkward.records, awkward.as_of
    plain = [forecasts(records, as_of, day, judged_then) for day in forecast_days(records, as_of)]
    assert awkward.calibration.jobs.equals(pd.concat(plain, ignore_index=True))
    assert awkward.since.day == 1
    assert 30 <= (awkward.as_of - awkward.since).days <= 62
    assert set(awkward.ranking_before.columns) == set(awkward.ranking.columns)


def test_missing_numbers_as_if_they_had_been_written_up(awkward_records):
    jobs = awkward_records.jobs
    gap = replace(awkward_records, jobs=jobs[~jobs["job"].isin(["5", "6", "7"])].reset_index(drop=True))
    data = ReportData(gap)
    told, written = (table.set_index("family") for table in (data.ranking, data.ranking_if_written))
    assert (written["success_chance"] > told["success_chance"].reindex(written.index)).all()
    assert ReportData(Records(), DAY).ranking_if_written.empty


@pytest.fixture
def at_hand(monkeypatch, tmp_path, awkward_records):
    """Let notebooks find the awkward ledger, and keep nothing among the project's own files."""
    monkeypatch.setattr(data_module, "find_records", lambda ledger, as_of: awkward_records)
    monkeypatch.setattr(data_module, "KEPT", tmp_path / "kept")
    return awkward_records


def test_a_notebook_by_itself_sees_what_a_run_sees(at_hand, awkward):
    opened = open_report()
    assert opened.ranking.equals(awkward.ranking)
    most = at_hand.jobs["family"].value_counts()
    assert most[opened.family()] == most.max()
    assert opened.component() in ("belt", "gear", "<i>motor</i>")
    with lent(awkward, ""):
        assert open_report() is awkward
        assert open_report(as_of="2023-06-30") is not awkward
    assert open_report() is not awkward
    early = open_report(as_of="2023-06-30")
    assert len(early.records.jobs) < len(opened.records.jobs)


def test_names_that_are_not_there_are_refused(at_hand):
    data = open_report()
    with pytest.raises(UnknownName, match=r"The ledger holds no family 'Quillmarsh'; known: "):
        data.family("Quillmarsh")
    told = r"No job tells of a component 'bell'; known: .* Did you mean 'belt'"
    with pytest.raises(UnknownName, match=told):
        data.component("bell")
    with pytest.raises(UnknownName, match=r"No job tells of a component ''"):
        ReportData(Records(), DAY).component()
    with pytest.raises(InvalidInput, match=r"`as_of` must be a date such as 2026-05-17; got 'May'"):
        open_report(as_of="May")


def test_the_demo_stands_in_only_where_there_is_no_ledger(tmp_path, monkeypatch):
    monkeypatch.delenv("BENCHODDS_LEDGER", raising=False)
    monkeypatch.setattr(data_module, "DEFAULT_LEDGER", tmp_path / "none.db")
    assert len(find_records().jobs) > 100
    for name, is_marked in (("answer", True), ("years", False)):
        shown = part(open_report(as_of="2019-12-31"), "fleet", name)._repr_mimebundle_()["text/html"]
        assert ("<strong>DEMO</strong> Invented records" in shown) is is_marked

    from reliability.records.ledger import open_ledger

    with open_ledger(tmp_path / "own.db", create=True) as ledger:
        assert ledger.name
    assert find_records(str(tmp_path / "own.db")).jobs.empty
    monkeypatch.setenv("BENCHODDS_LEDGER", str(tmp_path / "own.db"))
    assert find_records().jobs.empty
    monkeypatch.delenv("BENCHODDS_LEDGER")
    shutil.copy(tmp_path / "own.db", tmp_path / "none.db")
    assert find_records().jobs.empty
    assert "DEMO" not in part(open_report(), "ledger", "answer")._repr_mimebundle_()["text/html"]
