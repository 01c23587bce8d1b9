import datetime
import json
import os
from dataclasses import replace

import pytest

from reliability.errors import InvalidInput
from reliability.records import database
from reliability.records.frames import Records
from reliability.records.ledger import open_ledger
from reliability.worth import appraiser as kept
from reliability.worth.appraiser import appraiser_of, kept_folder, last_day, load_appraiser

JOB = {"family": "Larkov T1", "taken_in": "2024-05-01", "closed": "2024-05-03", "outcome": "repaired"}
LAST = datetime.date(2024, 5, 3)


@pytest.fixture
def ledger(tmp_path):
    with open_ledger(tmp_path / "bench.db", create=True) as opened:
        opened.put("families", [{"family": "Larkov T1", "kind": "tape deck"}], reason="first")
        opened.add({"job": JOB})
        yield opened


@pytest.fixture
def fits(bench_appraiser, monkeypatch):
    """Days for which something was fitted; the fit itself is one made before."""
    days = []

    def fit(records, as_of):
        days.append((as_of, len(records.jobs)))
        return replace(bench_appraiser, as_of=as_of)

    monkeypatch.setattr(kept, "fit_appraiser", fit)
    return days


def test_it_is_fitted_once_and_again_after_a_write(ledger, fits, tmp_path):
    first = appraiser_of(ledger)
    again = appraiser_of(ledger)
    assert fits == [(LAST, 1)]
    assert again.to_export() == first.to_export()
    assert appraiser_of(ledger, as_of=datetime.date(2030, 1, 1)).as_of == LAST
    assert kept_folder(ledger) == tmp_path / ".benchodds"
    assert len(list(kept_folder(ledger).glob("*.json"))) == len(fits) == 1
    ledger.add({"job": {**JOB, "closed": "2024-06-01"}})
    assert appraiser_of(ledger).as_of == datetime.date(2024, 6, 1)
    assert fits[1:] == [(datetime.date(2024, 6, 1), 2)]


def test_an_earlier_day_knows_nothing_of_later_jobs_and_is_not_kept(ledger, fits):
    ledger.add({"job": {**JOB, "taken_in": "2024-07-01", "closed": "2024-07-02"}})
    day = datetime.date(2024, 6, 1)
    assert appraiser_of(ledger, as_of=day).as_of == day
    assert fits == [(day, 1)]
    appraiser_of(ledger)
    appraiser_of(ledger, as_of=day)
    assert len(fits) == 3


def test_a_day_before_a_correction_is_served_by_what_was_written_then(ledger, fits, monkeypatch):
    ledger.add({"job": JOB})
    appraiser_of(ledger)
    monkeypatch.setattr(database, "utc_now", lambda: "2031-05-01T12:00:00.000Z")
    ledger.withdraw("2", reason="never was one")
    appraiser_of(ledger)
    assert fits == [(LAST, 2), (LAST, 1)]
    before, after = datetime.date(2031, 4, 30), datetime.date(2031, 5, 1)
    assert appraiser_of(ledger, as_of=before).as_of == LAST
    assert fits[2:] == [(LAST, 2)]
    appraiser_of(ledger, as_of=after)
    assert len(fits) == 3  # the kept one knows of the withdrawal


@pytest.mark.parametrize("damage", ["", '{"format": 1}', "[1, 2", "half"])
def test_a_damaged_one_is_made_again(ledger, fits, bench_appraiser, damage):
    appraiser_of(ledger)
    (file,) = kept_folder(ledger).glob("*.json")
    whole, half = file.read_text(), {**bench_appraiser.to_export(), "shared": {}}
    file.write_text(json.dumps(half) if damage == "half" else damage)
    appraiser_of(ledger)
    assert len(fits) == 2
    assert file.read_text() == whole


def test_where_it_cannot_be_kept_the_user_is_told(ledger, fits, tmp_path):
    (tmp_path / ".benchodds").write_text("a file in the way")
    said = []
    appraiser_of(ledger, warn=said.append)
    (sentence,) = said
    assert sentence.startswith(f"The odds could not be kept in {tmp_path / '.benchodds'} (")
    assert sentence.endswith("): the next run fits them again.")


def test_old_ones_make_room(ledger, fits):
    for number in range(kept.MOST_KEPT + 3):
        ledger.put("settings", [{"setting": "margin", "value": str(number + 1)}], reason="dearer")
        appraiser_of(ledger)
    assert len(list(kept_folder(ledger).glob("*.json"))) == kept.MOST_KEPT
    appraiser_of(ledger)
    assert len(fits) == kept.MOST_KEPT + 3


def test_without_any_date_the_day_is_today():
    assert last_day(Records.empty()) == datetime.date.today()


@pytest.mark.skipif(os.name != "posix", reason="file permissions of POSIX")
def test_odds_that_others_may_have_written_are_not_read(ledger, fits):
    appraiser_of(ledger)
    folder = kept_folder(ledger)
    assert folder.stat().st_mode & 0o777 == 0o700
    (file,) = folder.glob("*.json")
    assert file.stat().st_mode & 0o777 == 0o600
    said = []
    for place, mode in ((file, 0o622), (folder, 0o777), (file, 0o660)):
        place.chmod(mode)
        appraiser_of(ledger, warn=said.append)
        assert appraiser_of(ledger, warn=said.append)  # written anew, and closed to others
    told = f"Odds kept in {folder} are not used, for others may write there: they are fitted anew."
    assert said == [told] * 3
    assert len(fits) == 4
    file.chmod(0o666)
    with pytest.raises(
        InvalidInput, match=r"is not a kept appraiser \(it or its folder is not yours alone to write\)"
    ):
        load_appraiser(file)
