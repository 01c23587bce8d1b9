import datetime
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest

from reliability.errors import InvalidInput
from reliability.records.checks import Settings
from reliability.records.frames import Records, known_by, read_records, records_from_rows
from reliability.records.ledger import open_ledger
from reliability.records.tables import TABLES
from reliability.records.values import missing_numbers


@pytest.fixture
def records(ledger, full, finished):
    ledger.put(
        "families", [{"family": "Tarnwick T2", "working_price": 120, "priced_on": "2026-07"}], reason="x"
    )
    ledger.put("parts", [{"component": "belt", "obtainable": "yes", "as_of": "2026-04-01"},
                         {"component": "head", "obtainable": "no", "as_of": "2026-08-01"}], reason="x")  # fmt: skip
    ledger.add(full())
    ledger.add(
        finished(taken_in="2026-04", closed="2026-04-20", outcome="donor", salvage_value=5, ended_by="motor")
    )
    ledger.intake({"job": {"family": "Tarnwick T2", "taken_in": "2026-08-01"}})
    return read_records(ledger)


KINDS = {"text": "object", "choice": "object", "date": "datetime64[ns]"}


def test_frames_have_the_documented_columns_and_types_full_or_empty(records):
    for some in (records, Records()):
        for name, frame in some.frames().items():
            assert list(frame.columns) == list(TABLES[name].names)
            assert isinstance(frame.index, pd.RangeIndex)
            for column in TABLES[name]:
                kind = KINDS.get(column.kind, "float64")
                assert str(frame[column.name].dtype) == kind, (name, column.name)
    assert list(Records().frames()) == [name for name in TABLES if name != "settings"]
    assert list(records.jobs["job"]) == ["2", "1", "3"]
    assert records.jobs["taken_in"].iloc[0] == pd.Timestamp("2026-04-16")  # a month alone is its 16th
    jobs = records.jobs.set_index("job")
    assert list(jobs.loc["1", ["bought_for", "sold_for", "hours", "built_from"]]) == [
        12.5,
        99.9,
        2.25,
        1978.0,
    ]
    assert jobs.loc["3", "model"] is None
    assert np.isnan(jobs.loc["3", "bought_for"])
    assert jobs.loc["3", "closed"] is pd.NaT
    assert list(records.findings["component"]) == ["belt", "head", "motor"]
    assert list(records.findings["position"]) == ["", "left", ""]
    assert list(records.findings["arose"]) == ["as received", "during work", "as received"]


def test_records_tell_their_ledger_from_every_other(ledger, tmp_path):
    first = read_records(ledger)
    assert len(first.ledger) == 16
    assert read_records(ledger).ledger == first.ledger
    with open_ledger(tmp_path / "other.db", create=True) as other:
        assert read_records(other).ledger not in ("", first.ledger)
    assert replace(first, ledger="").fingerprint() == first.fingerprint()
    assert records_from_rows({}).ledger == ""


def test_the_fingerprint_follows_the_content(records, ledger):
    assert len(records.fingerprint()) == 64
    rows = {name: ledger.rows(name) for name in TABLES}
    seen = {records.fingerprint(), Records().fingerprint()}
    # Empty is not a text that looks empty.
    for table, column, value in (("jobs", "remarks", "x"), ("jobs", "hours", 0.5), ("findings", "position", "right"),
                                 ("jobs", "sold_on", "2026-06-17"), ("parts", "family", "x"), ("jobs", "lot", ""),
                                 ("jobs", "lot", "nan"), ("jobs", "lot", "None"), ("jobs", "lot", "NaT")):  # fmt: skip
        changed = [dict(row) for row in rows[table]]
        changed[-1][column] = value
        seen.add(records_from_rows({**rows, table: changed}).fingerprint())
    seen.add(records_from_rows({**rows, "settings": [{"setting": "caution", "value": "0.1"}]}).fingerprint())
    assert len(seen) == 12


def test_the_last_date_of_all(records):
    assert records.last_date() == datetime.date(2026, 9, 1)  # a check after the sale
    with pytest.raises(
        InvalidInput, match=r"^The ledger holds no date yet: it has no job\. Add one first\.$"
    ):
        Records().last_date()


def test_rows_become_frames_or_a_message():
    records = records_from_rows(
        {"jobs": [{"job": "1", "taken_in": "2026-05-01", "bought_for": Decimal("1.10")}]}
    )
    assert (records.jobs.loc[0, "bought_for"], records.jobs.loc[0, "outcome"]) == (1.1, None)
    assert len(records.findings) == 0
    for rows, message in (
        ({"jobs": [{"hours": "two"}]}, r"^jobs, column hours: could not convert string to float: 'two'$"),
        (
            {"jobs": [{"closed": "1.5.2026"}]},
            r"^jobs, column closed: '1.5.2026' is not a date such as 2026-05-17, or",
        ),
        ({"jobs": [{"closed": "2026-02-30"}]}, r"^jobs, column closed: .*2026-02-30"),
    ):
        with pytest.raises(InvalidInput, match=message):
            records_from_rows(rows)


def test_settings_of_rows():
    rows = [{"setting": "currency", "value": "SEK"}, {"setting": "warranty_days", "value": "90"},
            {"setting": "offers_expected", "value": 12.5}, {"setting": "hour_rate", "value": Decimal("80.50")}]  # fmt: skip
    stated = Settings(currency="SEK", warranty_days=90, offers_expected=12.5, hour_rate=80.5)
    assert Settings.from_rows(rows) == stated
    for name, value, message in (
        (
            "margins",
            "1",
            r"settings, margins, column setting: 'margins' is not one of .* Did you mean 'margin'\?$",
        ),
        (
            "caution",
            "2",
            r"settings, caution, column value: caution: '2' is not at least 0 and at most 0\.95$",
        ),
        (
            "offers_expected",
            None,
            r"settings, offers_expected, column value: is empty, but every row needs it$",
        ),
    ):
        with pytest.raises(InvalidInput, match=message):
            Settings.from_rows([{"setting": name, "value": value}])


def test_what_was_known_by_a_day(records, ledger):
    then = read_records(ledger, as_of=datetime.date(2026, 5, 5))
    jobs = then.jobs.set_index("job")
    assert list(jobs.index) == ["2", "1"]
    assert jobs.loc["2", "outcome"] == "donor"
    assert jobs.loc["2", "salvage_value"] == 5.0
    assert jobs.loc["1", "outcome"] == "open"
    for name in ("closed", "hours", "other_costs", "sold_for", "sold_on", "salvage_value"):
        assert pd.isna(jobs.loc["1", name]), name
    assert jobs.loc["1", "bought_for"] == 12.5
    assert len(then.findings) == len(then.followups) == 0
    assert list(then.signs["sign"]) == ["hum", "rust"]
    assert then.families.loc[0, "working_price"] != then.families.loc[0, "working_price"]  # NaN: priced later
    assert list(then.parts["component"]) == ["belt"]
    assert then.jobs.dtypes.equals(records.jobs.dtypes)
    assert then.families.dtypes.equals(records.families.dtypes)
    later = known_by(records, datetime.date(2026, 6, 1))
    assert len(later.findings) == 3
    assert pd.isna(later.jobs.set_index("job").loc["1", "sold_for"])
    assert len(later.followups) == 0
    assert known_by(records, datetime.date(2026, 9, 1)).fingerprint() == records.fingerprint()
    assert len(known_by(records, datetime.date(2020, 1, 1)).jobs) == 0
    assert known_by(Records(), datetime.date(2020, 1, 1)).fingerprint() == Records().fingerprint()


def test_numbers_that_came_in_late_are_no_gap_on_an_earlier_day():
    days = {"1": "2026-01-10", "4": "2026-02-01", "2": "2026-05-01", "9": "2026-06-01", "7": "2026-07-01"}
    jobs = [{"job": job, "family": "T", "taken_in": day, "outcome": "open"} for job, day in days.items()]
    records = records_from_rows({"families": [{"family": "T", "kind": "tape deck"}], "jobs": jobs})

    def missing(known):
        gaps = missing_numbers([*known.jobs["job"], *known.withdrawn])
        return [(gap.first, gap.last) for gap in gaps]

    march, june = datetime.date(2026, 3, 1), datetime.date(2026, 6, 15)
    for then in (known_by(records, march), known_by(known_by(records, june), march)):
        assert then.withdrawn == ("2",)
        assert missing(then) == [("3", "3")]
    assert missing(known_by(records, june)) == [("3", "3"), ("5", "6"), ("8", "8")]
    assert missing(known_by(records, datetime.date(2026, 1, 31))) == []
    assert known_by(records, datetime.date(2026, 8, 1)).withdrawn == ()
