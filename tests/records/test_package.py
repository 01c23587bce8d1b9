"""A folder of CSV files in and out, and each file strictly read."""

import csv
import errno
import json
import os
import shutil
from decimal import Decimal
from unittest.mock import Mock

import frictionless
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reliability.records.checks import Known
from reliability.records.frames import read_records
from reliability.records.ledger import open_ledger
from reliability.records.package import (
    Layout,
    csv_lines,
    export_package,
    import_package,
    load_package_records,
    neutralised,
    read_package,
    restored,
    write_table,
)
from reliability.records.tables import TABLES
from tests.packages import next_number, write_package
from tests.records.refusals import everything, grave, refused


@pytest.fixture
def filled(ledger, full):
    """Fill every column of every table."""
    document = full()
    donor = {**document["job"], "outcome": "donor", "ended_by": "belt", "ended_why": "too worn", "sold_for": None,
             "sold_on": None, "origin": "swap shop", "job": "s/17"}  # fmt: skip
    rows = {
        "settings": [{"setting": "hour_rate", "value": 12}, {"setting": "caution", "value": 0.5}],
        "families": [{"family": "Tarnwick T2", "working_price": 120, "priced_on": "2026-05", "price_spread": 0.2,
                      "notes": "-first\nsecond"}, {"family": "@Dallow", "kind": "radio"}],
        "models": [{"model": "T2 mk II", "family": "Tarnwick T2", "first_year": 1977, "last_year": 1980}],
        "parts": [{"component": "belt", "obtainable": "yes", "price": 3, "pack_size": 10, "per_unit": 2, "as_of": "2026-05"},
                  {"component": "belt", "family": "Tarnwick T2", "obtainable": "no"}],
        "hearsay": [{"kind": "radio", "share_repaired": 0.6, "worth_jobs": 4},
                    {"family": "Tarnwick T2", "component": "gear", "age_years": 40, "share_failed": 1 / 3,
                     "worth_jobs": 2.5, "told_by": "a friend"}],
        "lots": [{"lot": "attic", "price": 40, "bought_on": "2026-05-31", "remarks": "two\nboxes"}],
        "jobs": [document, {**document, "job": donor, "followups": []}],
        "sightings": [
            {"sighting": "a", "seen_on": "2026-05", "place": "hall", "family": "Unheard U1", "model": "U1", "kind": "radio",
             "built_from": 1960, "built_to": 1962, "asked": 10, "verdict": "skip", "ceiling": "-4.05",
             "left_because": "poor odds"},
            {"sighting": "b", "seen_on": "2026-05-01", "family": "Tarnwick T2", "job": "1"}],
        "sighting_signs": [{"sighting": "a", "sign": "rust", "seen": "yes"}],
        "shelf": [{"part": 31, "component": "motor", "family": "Tarnwick T2", "job": "s/17", "worth": 12,
                   "kept_on": "2026-05-10", "used_in": "1", "gone_on": "2026-05-11"}],
        "spending": [{"spent_on": "2026-05-02", "what": "travel", "amount": 8, "hours": 1.5}],
    }  # fmt: skip
    for name, of_table in rows.items():
        for row in of_table if name == "jobs" else ():
            ledger.add(row)
        if name != "jobs":
            ledger.put(name, of_table, reason="x")
    ledger.intake({"job": {"family": "@Dallow", "taken_in": "2026-06-01", "lot": "attic"}})
    return ledger


def contents(folder):
    return {file.name: file.read_bytes() for file in folder.iterdir()}


def test_export_import_export_gives_the_same_bytes(filled, tmp_path, new_url):
    for name, table in TABLES.items():  # of every table every column is filled
        assert {column for row in filled.rows(name) for column in row if row[column] is not None} == set(
            table.names
        )
    export_package(filled, tmp_path / "one")
    assert contents(tmp_path / "one").keys() == {*(f"{name}.csv" for name in TABLES), "datapackage.json"}
    with open_ledger(new_url(), create=True) as again:
        summary = import_package(tmp_path / "one", again)
        export_package(again, tmp_path / "two")
        assert contents(tmp_path / "two") == contents(tmp_path / "one")
        assert everything(again) == everything(filled)
        assert next_number(again) == next_number(filled)
        assert grave(again) == []
    assert summary.written == {name: len(filled.rows(name)) for name in TABLES}
    assert summary.equal == {}
    # With and without a ledger, with and without a descriptor.
    records, rows = load_package_records(tmp_path / "one"), read_package(tmp_path / "one")
    assert records.fingerprint() == read_records(filled).fingerprint()
    assert records.settings.hour_rate == 12.0
    (tmp_path / "one" / "datapackage.json").unlink()
    assert read_package(tmp_path / "one") == rows
    assert rows["jobs"][0]["bought_for"] == Decimal("12.50")
    assert "'@Dallow,radio" in (tmp_path / "one" / "families.csv").read_text(encoding="utf-8")


def test_an_independent_validator_accepts_what_we_write_and_finds_what_we_refuse(filled, file, tmp_path):
    export_package(filled, tmp_path / "one")
    descriptor = str(tmp_path / "one" / "datapackage.json")
    report = frictionless.validate(descriptor)
    assert report.valid, report.flatten(["type", "note"])
    assert len(report.tasks) == len(TABLES)
    for name, *changes in (
        ("jobs.csv", (b"repaired", b"mended"), (b"2026-05-10", b"10.5.2026"), (b"12.50", b"12;50")),
        ("findings.csv", (b"\r\n1,belt", b"\r\n99,belt"), (b"\r\n1,motor,", b"\r\n1,,")),
        ("signs.csv", (b"\r\n1,hum", b"\r\n1,rust")),
    ):
        content = (tmp_path / "one" / name).read_bytes()
        for old, new in changes:
            assert old in content
            content = content.replace(old, new, 1)
        (tmp_path / "one" / name).write_bytes(content)
    found = {tuple(row) for row in frictionless.validate(descriptor).flatten(["type", "fieldName"])}
    assert found >= {("constraint-error", name) for name in ("outcome", "closed", "component")}
    assert found >= {("type-error", "bought_for"), ("foreign-key", None), ("primary-key", None)}
    assert len(refused(read_package, tmp_path / "one").faults) == 6


def test_wrong_rows_become_no_package(tmp_path, finished):
    job = {"job": "1", **finished()["job"]}
    rows = {"families": [{"family": "A"}], "jobs": [job]}
    assert refused(write_package, rows, tmp_path / "one").faults == (
        "families, row 1, column kind: is empty, but every row needs it",
        "jobs, row 1, column family: no family 'Tarnwick T2' is known; known: A.",
    )
    said = refused(write_package, {"job": []}, tmp_path / "one").message
    assert said.startswith("There is no table 'job'; known: ")
    assert not (tmp_path / "one").exists()


def test_an_export_goes_into_a_new_or_an_empty_folder(ledger, tmp_path, monkeypatch):
    folder, own, link = tmp_path / "mine", tmp_path / "own", tmp_path / "link"
    folder.mkdir()
    (folder / "notes.txt").write_text("mine")
    own.mkdir()
    for place in (own, tmp_path / "deeper" / "new"):
        export_package(ledger, place)
        assert contents(place).keys() == {*(f"{name}.csv" for name in TABLES), "datapackage.json"}
    link.symlink_to(own)
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    for place, told in (
        (folder, "is not empty; name a new folder. Nothing was written."),
        (own, "is not empty; name a new folder. Nothing was written."),
        (folder / "notes.txt", "is a file; an export needs a folder. Nothing was written."),
        (folder / "notes.txt" / "deeper", "cannot be written: Not a directory"),
        (link, "is a link; name the folder that it leads to. Nothing was written."),
        (tmp_path / "here", "is the folder you are in; name a new one. Nothing was written."),
    ):
        assert refused(export_package, ledger, place).message == f"{place} {told}"
    assert contents(folder) == {"notes.txt": b"mine"}
    before = sorted(tmp_path.rglob("*"))
    (tmp_path / "empty").mkdir()
    for place, number, told in (
        ("new", errno.ENOSPC, "the disk is full"),
        ("empty", errno.EACCES, "Permission denied; name a new folder in it"),
    ):
        with monkeypatch.context() as patched:
            patched.setattr(os, "fsync", Mock(side_effect=OSError(number, os.strerror(number))))
            said = refused(export_package, ledger, tmp_path / place).message
        assert said == f"{tmp_path / place} cannot be written: {told}"
    (tmp_path / "empty").rmdir()
    assert sorted(tmp_path.rglob("*")) == before


@pytest.fixture
def package(ledger, finished, file, tmp_path):
    ledger.add(finished(findings=[{"component": "belt", "found": "sound"}]))
    export_package(ledger, tmp_path / "package")
    return tmp_path / "package"


def faults_of(folder):
    said = refused(read_package, folder)
    assert said.message.endswith("Nothing was read.")
    return list(said.faults)


def test_places_that_hold_no_package(package, tmp_path):
    names = ", ".join(f"{name}.csv" for name in TABLES)
    (tmp_path / "empty").mkdir()
    for place, told in (
        (tmp_path / "nowhere", f"is not there; name a folder that holds {names}"),
        (package / "jobs.csv", f"is a file; name a folder that holds {names}"),
        (tmp_path / "empty", f"holds no table; it may hold {names}"),
    ):
        assert refused(read_package, place).message == f"{place} {told}"
    (package / "signs.csv").unlink()
    (package / "signs.csv").mkdir()
    assert faults_of(package) == ["signs.csv: cannot be read: Is a directory"]


def test_a_misspelt_file_is_not_passed_over(package):
    (package / "my letters.csv").write_text("no table, and not listed")
    read_package(package)
    (package / "datapackage.json").unlink()
    shutil.copy(package / "findings.csv", package / "finding.csv")
    shutil.copy(package / "findings.csv", package / "offers.csv")  # documented, and no table
    listed = ", ".join(TABLES)
    (package / "signs.csv").rename(package / "Signs.CSV")
    (package / "parts.csv").rename(package / "parts.xlsx")
    (package / "readme.txt").write_text("mine")
    assert faults_of(package) == [
        f"Signs.CSV: is no table; there are {listed}. Did you mean 'signs'?",
        f"finding.csv: is no table; there are {listed}. Did you mean 'findings'?",
        f"my letters.csv: is no table; there are {listed}.",
        "parts.xlsx: is no CSV file; save it as parts.csv",
    ]


WHERE = "where no table lies: each is the file of its name in the folder."
NO_LIST = "withdrawnJobs is not a list of job numbers, each in quotation marks"


@pytest.mark.parametrize(
    ("at", "change", "told"),
    [
        (5, {"name": "finding"}, f"'finding' has the path 'findings.csv', {WHERE} Did you mean 'findings'?"),
        (5, {"name": ["x"]}, f"['x'] has the path 'findings.csv', {WHERE}"),
        (5, {"path": "csv/findings.csv"}, f"'findings' has the path 'csv/findings.csv', {WHERE}"),
        (6, {"path": "../signs.csv"}, f"'signs' has the path '../signs.csv', {WHERE}"),
        (6, {"path": ["signs.csv"]}, f"'signs' has the path ['signs.csv'], {WHERE}"),
        (None, {"withdrawnJobs": "B2"}, NO_LIST),
        (None, {"withdrawnJobs": [2]}, NO_LIST),
        (None, {"withdrawnJobs": ["B"]},
         "withdrawnJobs: 'B' is not a job number: an optional prefix, then 1 to 15 digits, such as 42 or B-0042"),
        *((None, change, "is not a data package: an object in JSON with a list of resources")
          for change in ("{}", '{"resources": ["jobs"]}')),
        (None, "[]", "is not a data package: it is no object in JSON"),
        (None, "[" * 100_000, "cannot be read: it is nested too deep"),
        (None, "{", "cannot be read: Expecting property name enclosed in double quotes: line 1 column 2 (char 1)"),
    ],
    ids=lambda value: str(value)[:20],
)  # fmt: skip
def test_a_descriptor_that_does_not_fit_its_folder(package, ledger, at, change, told):
    descriptor = json.loads((package / "datapackage.json").read_text())
    found = descriptor if at is None else descriptor["resources"][at]
    if isinstance(change, dict):
        found |= change
    (package / "datapackage.json").write_text(change if isinstance(change, str) else json.dumps(descriptor))
    said = f"datapackage.json: {'resource ' if at else ''}{told}"
    assert refused(load_package_records, package).faults[0] == said
    assert refused(import_package, package, ledger).faults[0] == said


def test_faults_of_all_files_come_together(package):
    (package / "jobs.csv").write_text(
        "job,family,taken_in,closed,outcome,ended_by\n"
        "1,Tarnwick T3,2026-05-01,2026-05-02,repaired,\n"
        "2,Tarnwick T2,03/04/2024,2026-05-02,repaired,\n"
        "3,Tarnwick T2,2026-05-01,2026-05-02,donor,belt\n"
        "3,Tarnwick T2,2026-05-01,2026-05-02,donor,belt\n"
    )
    (package / "findings.csv").write_text(
        "job,component,found,arose\n2,belt,sound,\n3,belt,sound,\n4,belt,brokn,\n5,belt,sound,\n3,belt,sound,as received\n"
    )
    assert faults_of(package) == [
        "jobs.csv, line 2, column family: no family 'Tarnwick T3' is known; known: Tarnwick T2. Did you mean 'Tarnwick T2'?",
        "jobs.csv, line 3, column taken_in: '03/04/2024' is not a date such as 2026-05-17, or 2026-05 where only the month is known (years 1800 to 2100)",
        "jobs.csv, line 5, column job: jobs.csv, line 4 has the same job '3'",
        "findings.csv, line 4, column found: 'brokn' is not one of sound, worn, failed.",
        "findings.csv, line 4, column job: there is no job '4'.",
        "findings.csv, line 5, column job: there is no job '5'.",
        "findings.csv, line 6, column component: findings.csv, line 3 has the same job '3', component 'belt', position '', arose 'as received'",
    ]


def test_the_currency_of_the_package_rules_its_amounts(package):
    (package / "settings.csv").write_text("setting,value\nhour_rate,1500\ncurrency,JPY\n")
    assert {"setting": "currency", "value": "JPY"} in read_package(package)["settings"]
    (package / "settings.csv").write_text("setting,value\nhour_rate,15.5\ncurrency,JPY\ncurrencies,x\n")
    assert [fault.split(":")[0] for fault in faults_of(package)] == [
        "settings.csv, line 2, column value", "settings.csv, line 4, column setting",
    ]  # fmt: skip


def test_the_history_is_exported_on_demand_and_passed_over_by_an_import(filled, tmp_path, new_url):
    filled.amend("1", {"job": {"hours": 9}}, reason="=typo")
    filled.withdraw("2", reason="never was one")
    export_package(filled, tmp_path / "one", history=True)
    with (tmp_path / "one" / "history.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    told = [(row["key"], row["version"], row["reason"]) for row in rows if row["what"] == "jobs"]
    assert told == [("1", "1", "added"), ("s/17", "1", "added"), ("2", "1", "taken in"), ("1", "2", "'=typo"),
                    ("2", "2", "never was one")]  # fmt: skip
    assert json.loads(rows[-2]["content"])["job"]["hours"] == 9.0
    assert rows[-1]["content"] == ""
    with open_ledger(new_url(), create=True) as again:
        import_package(tmp_path / "one", again)
        assert again.job("1") == filled.job("1")


def test_withdrawn_jobs_go_along_so_that_no_number_is_given_out_again(ledger, finished, tmp_path, new_url):
    for number in ("B1", "B2", "B3"):
        ledger.add(finished(job=number, taken_in="2026-05-03"))
    ledger.add(finished(job="C1"))
    ledger.add(finished(job="B4", taken_in="2026-05-04"))
    for number in ("B2", "B4"):
        ledger.withdraw(number, reason="never was one")
    export_package(ledger, tmp_path / "one")
    assert load_package_records(tmp_path / "one").fingerprint() == read_records(ledger).fingerprint()
    with open_ledger(new_url(), create=True) as again:
        for _ in range(2):
            import_package(tmp_path / "one", again)
            assert read_records(again).withdrawn == ("B2", "B4")
            assert read_records(again).fingerprint() == read_records(ledger).fingerprint()
            assert next_number(again) == "B5"
            assert [row["content"] for row in again.history("B4")] == [None]
            assert [str(problem) for problem in again.check() if "number" in str(problem)] == []
        export_package(again, tmp_path / "two")
        assert contents(tmp_path / "two") == contents(tmp_path / "one")
        again.add(finished(job="B2"))
        told = "datapackage.json: withdrawnJobs: there is a job B2; withdraw it, or take the number out"
        assert refused(import_package, tmp_path / "one", again).faults == (told,)


@pytest.fixture
def read(tmp_path):
    def read(content, table="signs", **how):
        file = tmp_path / f"{table}.csv"
        file.write_bytes(content if isinstance(content, bytes) else content.encode())
        rows, faults = [], []
        for line in csv_lines(file, TABLES[table], **how):
            row, found = Known().read(TABLES[table], line, 2)
            rows += [(int(line.place.split()[-1]), *row.values())] if row else []
            faults += map(str, found)
        return rows, faults

    return read


@pytest.mark.parametrize(
    "content",
    [
        "job,sign,seen\r\n1,rust,yes\r\n2,hum,no\r\n",
        "job,sign,seen\n1,rust,yes\n2,hum,no",
        "\ufeffjob,sign,seen\n1,rust,yes\n2,hum,no\n",
        '"job","sign","seen"\n"1","rust","yes"\n"2","hum","no"\n',
        "seen,job,sign\nyes,1,rust\nno,2,hum\n",
        " job , sign,seen \n 1 , rust\u00a0, yes\n\t2,hum,no \n",
    ],
)
def test_ways_of_writing_the_same_file(read, content):
    rows, faults = read(content)
    assert faults == []
    assert rows == [(2, "1", "rust", "yes"), (3, "2", "hum", "no")]


@pytest.mark.parametrize(
    ("content", "faults"),
    [
        ("job,sign,seen\n1,rust,maybe\n2,hum\n3,a,no,\n",
         ["signs.csv, line 2, column seen: 'maybe' is not one of yes, no.",
          "signs.csv, line 3: has 2 cells, but the header has 3",
          "signs.csv, line 4: has 4 cells, but the header has 3"]),
        ("job,sign,sene\n1,rust,yes\n",
         ["signs.csv, line 1, column sene: signs has no such column; it has job, sign, seen. Did you mean 'seen'?"]),
        ("job,sign,seen,seen\n1,rust,yes,yes\n", ["signs.csv, line 1, column seen: stands in the header more than once"]),
        ("job,sign\n1,rust\n", ["signs.csv, line 1: the header lacks seen, which every row needs"]),
        ("", ["signs.csv, line 1: the header lacks job, sign, seen, which every row needs"]),
        ("job;sign;seen\n1;rust;yes\n",
         ["signs.csv, line 1: the header is separated by semicolons; say --semicolons, or save with commas"]),
        ("job\tsign\tseen\n", ["signs.csv, line 1: the header is separated by tabs; save with commas"]),
        ('job,sign,seen\n1,"rust,yes\n2,hum,no\n',
         ["signs.csv, line 3: is not CSV: unexpected end of data; the rest of the file was not read"]),
        ('job,sign,seen\n1,rust,yes\n2,"h"um,no\n3,a,b\n',
         ["signs.csv, line 3: is not CSV: ',' expected after '\"'; the rest of the file was not read"]),
        (b"job,sign,seen\n1,rust,yes\n2,br\xfbl\xe9,no\n",
         ["signs.csv, line 3, column sign: is not UTF-8 (byte 0xFB after 'br'); save the file as UTF-8"]),
        (b"job,s\xefgn,seen\n1,rust,yes\n",
         ["signs.csv, line 1: the 2. header is not UTF-8 (byte 0xEF after 's'); save the file as UTF-8"]),
        (b'job,sign,seen\n1,"a\nb\xff",yes\n2,hum,no\n3,caf\xe9,n\xf6\n',
         ["signs.csv, line 2, column sign: is not UTF-8 (byte 0xFF after 'a\\nb'); save the file as UTF-8",
          "signs.csv, line 5, column sign: is not UTF-8 (byte 0xE9 after 'caf'); save the file as UTF-8",
          "signs.csv, line 5, column seen: is not UTF-8 (byte 0xF6 after 'n'); save the file as UTF-8"]),
        (b"PK\x03\x04\x14\x00\x08", ["signs.csv, line 1: is a spreadsheet or an archive; save the sheet as CSV in UTF-8"]),
        (b"\xd0\xcf\x11\xe0\xa1\xb1", ["signs.csv, line 1: is a spreadsheet of an old form; save the sheet as CSV in UTF-8"]),
        ("job,si\0gn,seen\n",
         ["signs.csv, line 1, column 'si\\x00gn': signs has no such column; it has job, sign, seen. Did you mean 'sign'?"]),
        ("job,sign,seen\n".encode("utf-16"), ["signs.csv, line 1: is written in UTF-16; save it as UTF-8"]),
        (b"job,sign,seen\n1,rust,yes\n2,caf\xc3", ["signs.csv, line 3: has 2 cells, but the header has 3"]),
        ("job,sign,seen\n1,ru\0st,yes\n",
         ["signs.csv, line 2, column sign: 'ru\\x00st' holds the character U+0000, which a text of one line may not"]),
        ("job,sign,seen\n#NAME?,rust,yes\n",
         ["signs.csv, line 2, column job: '#NAME?' is the error of a spreadsheet formula; mend it there or leave the cell empty"]),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_with_file_line_and_column(read, content, faults):
    assert read(content)[1] == faults


def test_a_point_among_decimal_commas_is_a_fault(read):
    rows, faults = read("lot;price\na;12,50\nb;12.50\n", "lots", layout=Layout(";", decimal_comma=True))
    assert rows[0][2] == Decimal("12.50")
    told = "'12.50' has a point, but numbers were announced with a decimal comma"
    assert faults == [f"lots.csv, line 3, column price: {told}"]


@settings(deadline=None)
@given(st.text(alphabet="'=+-@ab\t＝－＠\u200b\ufeff", max_size=6))
def test_no_text_is_lost_to_a_spreadsheet(text):
    assert restored(neutralised(text)) == text
    assert not neutralised(text).lstrip("\t\u200b\ufeff").startswith(tuple("=+-@＝＋－＠"))


def test_a_file_ends_its_lines_as_the_standard_says(tmp_path):
    # RFC 4180, section 2: each record on its own line, ended by CRLF; line breaks inside cells are quoted.
    file = tmp_path / "signs.csv"
    write_table(file, TABLES["signs"].names, [["1", 'a "b", c', "yes"]])
    assert file.read_bytes() == b'job,sign,seen\r\n1,"a ""b"", c",yes\r\n'


@pytest.mark.skipif(os.name != "posix", reason="links of POSIX")
def test_links_that_leave_the_folder_are_not_followed(package, tmp_path):
    (tmp_path / "secret.csv").write_bytes((package / "signs.csv").read_bytes())
    (package / "signs.csv").unlink()
    (package / "signs.csv").symlink_to(tmp_path / "secret.csv")
    left = "signs.csv: is a link that leaves the folder; put a copy of what it leads to in its place"
    assert faults_of(package) == [left]
    (package / "within.csv").write_bytes((tmp_path / "secret.csv").read_bytes())
    (package / "signs.csv").unlink()
    (package / "signs.csv").symlink_to("within.csv")
    read_package(package)  # one that stays within is as good as a file
    (tmp_path / "datapackage.json").write_bytes((package / "datapackage.json").read_bytes())
    (package / "datapackage.json").unlink()
    (package / "datapackage.json").symlink_to(tmp_path / "datapackage.json")
    assert faults_of(package) == [left.replace("signs.csv", "datapackage.json")]
    (package / "datapackage.json").unlink()
    (package / "datapackage.json").mkdir()
    assert faults_of(package)[0] == "datapackage.json: cannot be read: Is a directory"
