"""How a notebook gets what it shows."""

import datetime
import shutil
from pathlib import Path

import pytest

from reliability.errors import InvalidInput, UnknownName
from reliability.records.frames import Records
from reliability.report import opening
from reliability.report.opening import find_records, open_study
from reliability.report.pages import Page
from reliability.report.study import Study


@pytest.fixture
def at_hand(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, awkward_records: Records) -> Records:
    """Let notebooks find the awkward ledger, and keep nothing among the project's own files."""
    monkeypatch.setattr(opening, "find_records", lambda ledger, as_of: awkward_records)
    monkeypatch.setattr(opening, "KEPT", tmp_path / "kept")
    return awkward_records


def test_a_kept_study_is_loaded_and_nothing_is_computed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(opening, "find_records", lambda ledger, as_of: pytest.fail("the ledger was read"))
    path = Study("family", "Tarnwick T2", {"ceiling": 35}).save(tmp_path)
    assert open_study("family", "Tarnwick T2", study=str(path)).facts == {"ceiling": 35}


def test_a_study_of_another_page_is_refused(tmp_path: Path) -> None:
    path = Study("family", "Tarnwick T2").save(tmp_path)
    with pytest.raises(InvalidInput, match=r"is of family 'Tarnwick T2', not of family 'Dallow 80'"):
        open_study("family", "Dallow 80", study=str(path))


def test_without_a_study_it_is_computed_as_a_run_of_the_report_would(
    at_hand: Records, awkward_pages: list[Page]
) -> None:
    made = {(page.study.kind, page.study.subject): page.study.fingerprint for page in awkward_pages}
    most = at_hand.jobs["family"].value_counts()
    opened = open_study("family")
    assert most[opened.subject] == most.max()
    assert opened.fingerprint == made["family", opened.subject]
    assert open_study("ledger").fingerprint == made["ledger", ""]
    component = open_study("component", "belt")
    assert component.fingerprint == made["component", "belt"]


def test_names_that_are_not_there_are_refused(at_hand: Records) -> None:
    with pytest.raises(UnknownName, match="There is no page 'fleets'; known: component, family, fleet"):
        open_study("fleets")
    with pytest.raises(UnknownName, match=r"The ledger holds no family 'Quillmarsh'; known: "):
        open_study("family", "Quillmarsh")
    with pytest.raises(
        UnknownName, match=r"No job tells of a component 'bell'; known: .* Did you mean 'belt'"
    ):
        open_study("component", "bell")
    with pytest.raises(InvalidInput, match=r"`as_of` must be a date such as 2026-05-17; got 'May'"):
        open_study("fleet", as_of="May")


def test_the_demo_stands_in_only_where_there_is_no_ledger(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("BENCHODDS_LEDGER", raising=False)
    monkeypatch.setattr(opening, "DEFAULT_LEDGER", tmp_path / "none.db")
    assert len(find_records().jobs) > 100

    from reliability.records.ledger import open_ledger

    with open_ledger(tmp_path / "own.db", create=True) as ledger:
        assert ledger.name
    assert find_records(str(tmp_path / "own.db")).jobs.empty
    monkeypatch.setenv("BENCHODDS_LEDGER", str(tmp_path / "own.db"))
    assert find_records().jobs.empty
    monkeypatch.delenv("BENCHODDS_LEDGER")
    shutil.copy(tmp_path / "own.db", tmp_path / "none.db")
    assert find_records().jobs.empty


def test_a_day_in_the_past_forgets_what_came_later(at_hand: Records) -> None:
    day = datetime.date(2023, 6, 30)
    early = open_study("ledger", as_of=day.isoformat())
    assert early.facts["summary"] != open_study("ledger").facts["summary"]
