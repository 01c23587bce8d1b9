"""Rows and names corrected: versions, days, nothing half written; what a ledger said on a day."""

import datetime
from unittest.mock import Mock

import pytest

from reliability.errors import InvalidInput, LedgerError, UnknownName
from reliability.records import database
from reliability.records.frames import read_records
from reliability.records.ledger import open_ledger
from reliability.records.package import export_package, import_package, import_table, read_package
from reliability.records.tables import TABLES
from tests.records.refusals import everything, grave

MAY, JULY = datetime.date(2026, 5, 15), datetime.date(2026, 7, 15)
SOUND = [{"component": "belt", "found": "failed"}, {"component": "motor", "found": "sound"}]


@pytest.fixture
def on(monkeypatch):
    """Set the clock by which versions are written."""
    return lambda day: monkeypatch.setattr(database, "utc_now", lambda: f"{day}T12:00:00.000Z")


@pytest.fixture
def begun(url, on):
    """A ledger that was begun on the first of May, with a family, a job, a part and hearsay."""
    on("2026-05-01")
    with open_ledger(url, create=True) as ledger:
        ledger.put("settings", [{"setting": "hour_rate", "value": "10"}], reason="x")
        price = {"working_price": "100", "priced_on": "2026-05-01"}
        ledger.put("families", [{"family": "Tarnwick T2", "kind": "tape deck", **price},
                                {"family": "Larkov T1", "kind": "tape deck", "first_year": 1970}], reason="x")  # fmt: skip
        ledger.put("models", [{"model": "T2 S", "family": "Tarnwick T2"}], reason="x")
        ledger.put("parts", [{"component": "belt", "family": "Tarnwick T2", "obtainable": "yes", "price": 4}],
                   reason="x")  # fmt: skip
        ledger.put("hearsay", [{"kind": "tape deck", "share_repaired": 0.5, "worth_jobs": 3}], reason="x")
        for family, model in (("Tarnwick T2", "T2 S"), ("Tarnwick T2", None), ("Larkov T1", None)):
            ledger.add({
                "job": {"family": family, "model": model, "taken_in": "2026-05-01", "closed": "2026-05-02",
                        "outcome": "repaired", "sold_for": 90},
                "findings": SOUND, "signs": [{"sign": "rust", "seen": "yes"}],
            })  # fmt: skip
        yield ledger


def test_what_was_taken_out_keeps_its_versions_and_may_come_back(begun):
    key = {"component": "belt", "family": "Tarnwick T2"}
    assert begun.correct("parts", key, remove=True)[1] is None
    assert begun.rows("parts") == []
    begun.correct("parts", {**key, "obtainable": "no"})
    said = [each["content"] and each["content"]["obtainable"]
            for each in begun.history('["belt", "Tarnwick T2"]', "parts")]  # fmt: skip
    assert said == ["yes", None, "no"]
    assert grave(begun) == []


def correct(table, row, **more):
    return lambda ledger: ledger.correct(table, row, **more)


def rename(*names, merge=False):
    return lambda ledger: ledger.rename(*names, merge=merge)


#: What cannot be corrected or renamed, and what is said of it.
REFUSED = [
    (correct("families", {"family": "Tarnwick T2", "kind": "tape deck"}),
     r"^The ledger says so already \(families\)\. Nothing was written\.$"),
    (correct("parts", {"component": "head"}, remove=True), r"^There is no such row in parts\. Nothing was written\.$"),
    (correct("families", {"family": "Tarnwick T2"}, remove=True),
     r"^1 row of models refer to family 'Tarnwick T2': it cannot be taken out\. Nothing was written\.$"),
    (correct("parts", {"component": "head", "price": 3}),
     r"^1 fault found\. Nothing was written\.\nparts, row 1, column obtainable: is empty, but every row"),
    (correct("jobs", {"job": "1"}), r"^correct writes no table 'jobs'; known: families, hearsay, lots, models, parts, set"),
    (rename("maker", "a", "b"), r"^Renamed are 'maker'; known: component, family, kind, model, sign\."),
    (rename("sign", "rost", "hum"), r"^The ledger holds no sign 'rost'; known: rust\. Did you mean 'rust'\?$"),
    (rename("sign", "rust", "rust"), r"^The sign is called 'rust' already\. Nothing was written\.$"),
    (rename("component", "belt", "motor"),
     r"^There is a component 'motor' already, in 3 rows; --merge puts the two together\. Nothing was written\.$"),
    (rename("component", "belt", "motr", merge=True),
     r"^There is no component 'motr' to merge into; leave out --merge to rename\. Nothing was written\.$"),
    (rename("sign", "rust", " "), r"^The new name is empty, but every row needs it\. Nothing was written\.$"),
    (rename("sign", "rust", "x" * 300), r"^The new name 'x.*' has 300 characters; at most 200 are allowed\. Noth"),
    (rename("family", "Larkov T1", "Dallow 80", merge=True),
     r"^'Larkov T1' is of kind 'tape deck', 'Dallow 80' of 'radio': they are merged only once they agree; "
     r"correct one of them first\. Nothing was written\.$"),
    (rename("model", "T2 S", "T1", merge=True), r"^'T2 S' is of family 'Tarnwick T2', 'T1' of 'Larkov T1': they"),
]  # fmt: skip


def test_a_correction_that_cannot_be_is_refused(begun):
    begun.put("families", [{"family": "Dallow 80", "kind": "radio"}], reason="x")
    begun.put("models", [{"model": "T1", "family": "Larkov T1"}], reason="x")
    before = everything(begun)
    for action, message in REFUSED:
        with pytest.raises(UnknownName if "known: " in message else InvalidInput, match=message):
            action(begun)
        assert everything(begun) == before


def test_a_day_is_answered_with_what_the_ledger_said_then(begun, on):
    then = read_records(begun, as_of=MAY)
    on("2026-06-01")
    begun.correct("settings", {"setting": "hour_rate", "value": "25"})
    begun.correct("settings", {"setting": "margin", "value": "9"})
    begun.correct("families", {"family": "Larkov T1", "kind": "radio", "first_year": None})
    begun.correct("families", {"family": "Tarnwick T2", "working_price": 500})
    begun.correct("families", {"family": "Dallow 80", "kind": "radio"})
    begun.correct("models", {"model": "T2 S", "family": "Larkov T1"})
    begun.correct("parts", {"component": "belt", "family": "Tarnwick T2"}, remove=True)
    begun.correct("parts", {"component": "head", "obtainable": "no"})
    begun.correct("hearsay", {"kind": "tape deck", "share_repaired": 0.9})
    begun.correct("hearsay", {"kind": "radio", "share_repaired": 0.1, "worth_jobs": 1})
    found = [{"component": "belt", "found": None}, {"component": "head", "found": "worn"}]
    job = {"hours": 3, "outcome": "donor", "sold_for": None, "model": None}
    changes = {"job": job, "findings": found, "signs": [{"sign": "rust", "seen": "no"}]}
    begun.amend("1", changes, reason="looked again", new_components=["head"])
    begun.withdraw("2", reason="never was one")
    same_day = datetime.date(2026, 6, 1)
    assert begun.changed_since(MAY)
    assert not begun.changed_since(same_day)
    again = read_records(begun, as_of=MAY)
    assert again.withdrawn == ()
    assert again.settings == then.settings
    assert (again.settings.hour_rate, again.settings.margin) == (10.0, 0.0)
    for name, frame in then.frames().items():
        assert getattr(again, name).equals(frame), name
        assert getattr(again, name).dtypes.equals(frame.dtypes)
    now = read_records(begun, as_of=same_day)
    assert (now.settings.hour_rate, now.settings.margin) == (25.0, 9.0)
    assert list(now.families["family"]) == ["Dallow 80", "Larkov T1", "Tarnwick T2"]
    assert list(now.parts["component"]) == ["head"]
    assert list(now.hearsay["share_repaired"]) == [0.1, 0.9]
    assert list(now.findings["component"]) == ["head", "motor", "belt", "motor"]
    assert list(now.signs["seen"]) == ["no", "yes"]
    assert now.jobs.loc[0, "hours"] == 3.0
    on("2026-07-20")
    begun.add({"job": {"job": "2", "family": "Larkov T1", "taken_in": "2026-05-01", "outcome": "open"}})
    for day, jobs, withdrawn in (
        (MAY, "123", ()),
        (JULY, "13", ("2",)),
        (datetime.date(2026, 8, 1), "123", ()),
    ):
        then = read_records(begun, as_of=day)
        assert (sorted(then.jobs["job"]), then.withdrawn) == ([*jobs], withdrawn)


def test_a_ledger_begun_later_answers_by_when_things_happened(begun, on, tmp_path, new_url):
    export_package(begun, tmp_path / "out")
    on("2026-09-01")
    with open_ledger(new_url(), create=True) as other:
        import_package(tmp_path / "out", other)
        assert not other.changed_since(MAY)
        assert set(outcomes(other, MAY).values()) == {"repaired"}
        assert set(outcomes(other, datetime.date(2026, 5, 1)).values()) == {"open"}
        then = read_records(other, as_of=MAY)
    assert (then.settings.hour_rate, len(then.parts), len(then.hearsay)) == (10.0, 1, 1)


def test_the_currency_is_that_of_the_amounts_on_every_day(url, on):
    on("2026-05-01")
    with open_ledger(url, create=True) as ledger:
        ledger.put("families", [{"family": "A", "kind": "radio"}], reason="x")
        on("2026-06-01")
        ledger.put("settings", [{"setting": "currency", "value": "JPY"}], reason="x")
        ledger.intake({"job": {"family": "A", "taken_in": "2026-05-01", "bought_for": 900}})
        records = read_records(ledger, as_of=MAY)
    assert (records.settings.currency, list(records.jobs["bought_for"])) == ("JPY", [900.0])


# Names.


CASES = [("family", "Tarnwick T2", "Tarnwick T-2"), ("model", "T2 S", "T2 Special"), ("kind", "tape deck", "deck"),
         ("component", "belt", "drive belt"), ("sign", "rust", "corrosion")]  # fmt: skip


@pytest.mark.parametrize(("what", "old", "new"), CASES)
def test_a_renamed_ledger_is_equal_but_for_the_name(begun, tmp_path, what, old, new):
    ended = {"family": "Tarnwick T2", "taken_in": "2026-05-01", "closed": "2026-05-02", "outcome": "donor"}
    begun.add({"job": {**ended, "ended_by": "belt"}})
    begun.amend("1", {"followups": [{"checked_on": "2026-05-09", "working": "no", "component": "belt"}]},
                reason="came back")  # fmt: skip
    part = {"component": "belt", "share_failed": 0.5, "age_years": 30, "worth_jobs": 1}
    begun.put("hearsay", [{"family": "Tarnwick T2", **part}], reason="x")
    export_package(begun, tmp_path / "before")
    done, dropped = begun.rename(what, old, new, reason="as its plate says")
    assert dropped == []
    export_package(begun, tmp_path / "after")
    before, after = (read_package(tmp_path / name) for name in ("before", "after"))
    columns = {what, "ended_by"} if what == "component" else {what}
    changed = 0
    for table, rows in before.items():
        for row in rows:
            for column in columns & row.keys():
                if row[column] == old:
                    row[column], changed = new, changed + 1
        rows.sort(key=lambda row, table=table: database.sort_key(TABLES[table], row))
    assert after == before
    assert changed == sum(done.values()) > 0
    versions = begun.history("1")
    assert versions[-1]["reason"] == f"{what} {old!r} renamed {new!r}: as its plate says" or what == "kind"
    assert grave(begun) == []
    begun.rename(what, new, old)
    export_package(begun, tmp_path / "back")
    assert read_package(tmp_path / "back") == read_package(tmp_path / "before")
    assert grave(begun) == []


def test_a_merged_family_has_the_jobs_of_both_and_says_what_is_dropped(begun, on):
    part = {"obtainable": "salvage only", "price": 9}
    begun.put("parts", [{"component": "belt", "family": "Larkov T1", **part},
                        {"component": "head", "family": "Larkov T1", **part}], reason="x")  # fmt: skip
    begun.put("families", [{"family": "Larkov T1", "last_year": 1980, "maker": "Larkov"},
                           {"family": "Tarnwick T2", "first_year": 1972, "last_year": 1978}], reason="x")  # fmt: skip
    on("2026-06-01")
    stands = begun.rows("families")[1]
    done, dropped = begun.rename("family", "Larkov T1", "Tarnwick T2", merge=True)
    assert done == {"families": 1, "jobs": 1, "parts": 2}
    assert dropped == ["families, maker Larkov, first_year 1970, last_year 1980",
                       "parts, obtainable salvage only, price 9.00"]  # fmt: skip
    assert begun.rows("families") == [stands]
    assert {row["family"] for row in begun.rows("jobs")} == {"Tarnwick T2"}
    prices = {row["component"]: str(row["price"]) for row in begun.rows("parts")}
    assert prices == {"belt": "4.00", "head": "9.00"}
    assert grave(begun) == []
    then = read_records(begun, as_of=MAY)
    assert sorted(then.jobs["family"]) == ["Larkov T1", "Tarnwick T2", "Tarnwick T2"]
    assert list(then.families["family"]) == ["Larkov T1", "Tarnwick T2"]
    assert len(then.parts) == 3


def test_components_and_signs_of_one_job_fall_together_only_if_they_say_the_same(begun):
    begun.amend("1", {"findings": [{"component": "drive belt", "found": "sound"}],
                      "signs": [{"sign": "corrosion", "seen": "yes"}]}, reason="x",
                new_components=["drive belt"])  # fmt: skip
    before = everything(begun)
    with pytest.raises(InvalidInput) as caught:
        begun.rename("component", "drive belt", "belt", merge=True)
    assert caught.value.faults == (
        "job 1, column component: holds 'drive belt' and 'belt', which say different things (found sound and "
        "failed); amend the job first, so that one of them is left",
    )
    assert everything(begun) == before
    begun.amend("1", {"findings": [{"component": "belt", "found": "sound"}]}, reason="x")
    begun.rename("component", "drive belt", "belt", merge=True)
    begun.rename("sign", "corrosion", "rust", merge=True)
    document = begun.job("1")
    assert [row["component"] for row in document["findings"]] == ["belt", "motor"]
    assert document["signs"] == [{"sign": "rust", "seen": "yes"}]
    assert grave(begun) == []


@pytest.mark.parametrize(("step", "action"), [
    *((step, lambda ledger, _: ledger.rename("family", "Larkov T1", "Tarnwick T2", merge=True))
      for step in ("keep_jobs", "keep_rows")),
    ("keep_jobs", lambda ledger, file: import_table(file, "jobs", ledger, correct=True)),
], ids=["jobs renamed", "rows renamed", "import"])  # fmt: skip
def test_a_correction_that_breaks_off_leaves_the_ledger_as_it_was(begun, tmp_path, monkeypatch, step, action):
    before, said = everything(begun), begun.history("1")
    (tmp_path / "jobs.csv").write_text("job,hours\n1,3\n2,3\n")
    monkeypatch.setattr(database, step, Mock(side_effect=LedgerError("the disk is full")))
    with pytest.raises(LedgerError):
        action(begun, tmp_path / "jobs.csv")
    monkeypatch.undo()
    assert (everything(begun), begun.history("1")) == (before, said)
    assert grave(begun) == []


# Corrections by import.


def test_changed_rows_of_a_package_are_corrections(begun, tmp_path):
    export_package(begun, tmp_path / "out")
    for name, old, new in (("jobs", "90.00", "75.50"), ("parts", "4.00", "6.00"), ("settings", "10.00", "12.00"),
                           ("findings", ",failed,", ",worn,"), ("hearsay", "0.5", "0.6")):  # fmt: skip
        file = tmp_path / "out" / f"{name}.csv"
        file.write_text(file.read_text().replace(old, new))
    dry = import_package(tmp_path / "out", begun, correct=True, reason="looked again", dry_run=True)
    assert begun.rows("settings")[0]["value"] == "10.00"
    done = import_package(tmp_path / "out", begun, correct=True, reason="looked again")
    assert dry == done
    assert done.changes[:3] == (
        "settings, setting hour_rate: value 10.00 -> 12.00",
        "jobs, job 1: sold_for 90.00 -> 75.50",
        "jobs, job 2: sold_for 90.00 -> 75.50",
    )
    assert len(done.changes) == 1 + 3 + 3 + 1 + 1
    assert done.written == {}
    assert [each["reason"] for each in begun.history("1")][-1] == "looked again"
    assert len(begun.history("1")) == 2
    assert begun.history("hour_rate", "settings")[1]["content"] == {"setting": "hour_rate", "value": "12.00"}
    export_package(begun, tmp_path / "again")
    assert read_package(tmp_path / "again") == read_package(tmp_path / "out")
    assert grave(begun) == []
    assert import_package(tmp_path / "out", begun, correct=True).changes == ()


@pytest.mark.parametrize(("table", "text", "message"), [
    ("jobs", "sold_for\n3\n", "jobs.csv, line 1: the header lacks job, which every row needs"),
    ("jobs", "job,hours\n9,3\n", "jobs.csv, line 2, column family: is empty, but every row needs it"),
    ("jobs", "job,family\n1,\n", "jobs.csv, line 2, column family: is empty, but every row needs it"),
    ("jobs", "job,outcome\n1,open\n",
     "jobs.csv, line 2, column closed: closed is empty where outcome is open, and only there; found closed"),
    ("jobs", "job,family\n1,Tarnwik\n", "jobs.csv, line 2, column family: no family 'Tarnwik' is known; known: "),
    ("jobs", "job,taken_in,built_from\n1,2026-05-02,2026\n1,2026-05-02,2026\n",
     "jobs.csv, line 3, column job: jobs.csv, line 2 has the same job '1'"),
    ("jobs", "job,built_from\n2,2024\n", "job 2, finding 1 (belt), column fitted_to: fitted_to is not before "),
    ("findings", "job,component,found,original\n2,motor,sound,\n2,belt,sound,yes\n",
     "findings.csv, line 3, column fitted_from: fitted_from is given only where original is no; found fitted"),
    ("settings", "setting,value\ncurrency,JPY\n",
     "settings.csv, line 2, column value: the ledger holds amounts in EUR; JPY needs another ledger"),
])  # fmt: skip
def test_corrections_that_break_a_rule_are_refused_and_nothing_is_written(
    begun, tmp_path, table, text, message
):
    fitted = {"component": "belt", "original": "no", "fitted_from": 1990, "fitted_to": 1991}
    begun.amend("2", {"findings": [fitted]}, reason="x")
    before = everything(begun)
    file = tmp_path / f"{table}.csv"
    file.write_text(text)
    with pytest.raises(InvalidInput) as caught:
        import_table(file, table, begun, correct=True)
    assert any(fault.startswith(message) for fault in caught.value.faults), caught.value.faults
    assert everything(begun) == before


def test_names_are_asked_about_once_each(begun, tmp_path):
    folder = tmp_path / "more"
    folder.mkdir()
    (folder / "families.csv").write_text(
        "family,kind\nDallow 80,tapedeck\nDallow 90,wire recorder\nE,radio\n"
    )
    (folder / "findings.csv").write_text("job,component,found\n1,caps,sound\n2,caps,sound\n1,pinch roler,sound\n"
                                         "1,lift,sound\n")  # fmt: skip
    (folder / "signs.csv").write_text("job,sign,seen\n1,rsut,yes\n1,moths,no\n")
    with pytest.raises(InvalidInput) as caught:
        import_package(folder, begun, new_names=[])
    told = [fault.partition(" was never seen here")[0] for fault in caught.value.faults]
    assert told == [
        "families.csv, line 2, column kind: kind 'tapedeck'",
        "families.csv, line 3, column kind: kind 'wire recorder'",
        "findings.csv, line 2, column component: component 'caps'",
        "findings.csv, line 4, column component: component 'pinch roler'",
        "signs.csv, line 2, column sign: sign 'rsut'",
    ]
    for fault, meant in zip(
        caught.value.faults, ("tape deck", "", "capacitor", "pinch roller", "rust"), strict=True
    ):
        assert f"Did you mean {meant!r}? If it is new, say so: --new " in fault or not meant
    meant = ["tapedeck", "wire recorder", "caps", "pinch roler", "rsut"]
    done = import_package(folder, begun, new_names=meant)
    assert done.new_names["component"] == ("caps", "lift", "pinch roler")
    assert done.new_names["kind"] == ("radio", "tapedeck", "wire recorder")
    assert done.new_names["sign"] == ("moths", "rsut")


def test_a_whole_export_makes_a_new_ledger_without_a_question(begun, tmp_path, new_url):
    begun.put("families", [{"family": "W", "kind": "wire recorder"}], reason="x")
    export_package(begun, tmp_path / "out")
    with open_ledger(new_url(), create=True) as other:
        assert import_package(tmp_path / "out", other, new_names=[]).written["families"] == 3
    begun.rename("kind", "wire recorder", "radio")
    with pytest.raises(InvalidInput, match="kind 'wire recorder' was never seen here; known: amplifier, "):
        import_package(tmp_path / "out", begun, correct=True, new_names=[])


JUNE = datetime.date(2026, 6, 15)


def outcomes(ledger, as_of=None):
    jobs = read_records(ledger, as_of=as_of).jobs
    return dict(zip(jobs["job"], jobs["outcome"], strict=True))


def test_what_is_written_later_was_not_known_then(ledger, on):
    on("2026-05-02")
    for _ in range(2):
        ledger.intake({"job": {"family": "Tarnwick T2", "taken_in": "2026-05-01"}})
    ledger.add({"job": {"job": "2", "outcome": "repaired", "closed": "2026-05-02"}})
    on("2026-06-01")  # written up weeks after it was closed
    ledger.add({"job": {"job": "1", "outcome": "repaired", "closed": "2026-05-03"}})
    assert outcomes(ledger, MAY) == {"1": "open", "2": "repaired"}
    assert outcomes(ledger, JUNE) == {"1": "repaired", "2": "repaired"}
    on("2026-06-20")
    ledger.sold("2", 80, "2026-05-13")  # known when it was written and had happened
    sold = [read_records(ledger, as_of=day).jobs.loc[1, "sold_for"] for day in (MAY, JULY)]
    assert (sold[0] != sold[0], sold[1]) == (True, 80.0)
