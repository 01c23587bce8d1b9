import shutil

import pytest

from reliability.records import database
from reliability.records.package import Layout, import_package, import_table, take_back_import
from tests.packages import next_number, write_package
from tests.records.refusals import everything, grave, refused

JOB = {"family": "Dallow 80", "taken_in": "2026-05-01", "closed": "2026-05-10", "outcome": "repaired"}


@pytest.fixture
def package(tmp_path):
    """Write a small package; keywords replace the rows of tables."""

    def write(**tables):
        rows = {
            "families": [{"family": "Dallow 80", "kind": "radio", "working_price": 80}],
            "jobs": [{"job": f"D{n:03d}", **JOB, "bought_for": n} for n in range(1, 4)],
            "findings": [
                {"job": f"D{n:03d}", "component": c, "found": "sound"}
                for n in (1, 2)
                for c in ("belt", "coil")
            ],
            "signs": [{"job": "D001", "sign": "moths", "seen": "yes"}],
        }
        shutil.rmtree(tmp_path / "package", ignore_errors=True)
        write_package({**rows, **tables}, tmp_path / "package")
        return tmp_path / "package"

    return write


def test_a_row_that_differs_is_a_fault_and_nothing_is_imported(ledger, package):
    import_package(package(), ledger)
    before = everything(ledger)
    jobs = [{"job": f"D{n:03d}", **JOB, "bought_for": n} for n in range(1, 5)]
    jobs[1].update(bought_for=None, model="T2 mk II")
    said = refused(import_package, package(jobs=jobs), ledger)
    assert (
        said.message == "2 faults found. Nothing was imported: 10 rows were read, 9 of them without a fault."
    )
    assert said.faults == (
        "jobs.csv, line 3, column model: the ledger says nothing, the file 'T2 mk II'; correct one of them",
        "jobs.csv, line 3, column bought_for: the ledger says '2.00', the file nothing; correct one of them",
    )
    assert everything(ledger) == before


def test_a_fault_in_the_last_file_undoes_the_first(ledger, package, monkeypatch):
    monkeypatch.setattr(database, "CHUNK", 2)  # rows are being written long before the fault is found
    folder = package()
    (folder / "signs.csv").write_text("job,sign,seen\nD001,moths,yes\nD002,moths,maybe\n")
    before = everything(ledger)
    said = refused(import_package, folder, ledger)
    assert (
        said.message == "1 fault found. Nothing was imported: 10 rows were read, 9 of them without a fault."
    )
    assert said.faults[0].startswith("signs.csv, line 3, column seen")
    assert everything(ledger) == before
    assert next_number(ledger) == "1"
    (folder / "signs.csv").write_text("job,sign,seen\nD001,moths,yes\n")
    assert import_package(folder, ledger).written["jobs"] == 3
    assert [len(ledger.history(f"D{n:03d}")) for n in (1, 2, 3)] == [1, 1, 1]
    assert grave(ledger) == []


def test_a_package_brings_its_currency_to_a_ledger_without_amounts(ledger, package):
    import_package(package(settings=[{"setting": "currency", "value": "JPY"}]), ledger)
    assert str(ledger.job("D002")["job"]["bought_for"]) == "2"
    assert grave(ledger) == []


def test_a_withdrawn_number_comes_back_only_as_a_next_version(ledger, package):
    import_package(package(), ledger)
    ledger.withdraw("D001", reason="never was one")
    import_package(package(), ledger)
    assert [row["version"] for row in ledger.history("D001")] == [1, 2, 3]
    assert grave(ledger) == []


def test_one_file_comes_in_as_the_rows_of_a_table(ledger, tmp_path):
    sheet = tmp_path / "Reparaturen 2026.csv"
    sheet.write_text("\ufeffNr;Gerät\r\n17;Tarnwick T2\r\n", encoding="utf-8")
    said = refused(import_table, sheet, "jobs", ledger, layout=Layout(delimiter=";")).faults
    assert said[0].startswith("Reparaturen 2026.csv, line 1, column Nr: jobs has no such column; it has")
    assert said[-1] == (
        "A sheet with headers of its own comes in by a reading plan: `benchodds import Reparaturen 2026.csv --draft "
        "plan.toml` proposes one."
    )
    assert refused(import_table, sheet, "job", ledger).message.startswith("There is no table 'job'; known: ")
    said = refused(import_table, tmp_path / "x.csv", "jobs", ledger).message
    assert said == f"There is no file {tmp_path}/x.csv. Nothing was imported."


def test_a_folder_of_every_table_is_taken_back_as_a_whole(ledger, package):
    donor = {"job": "D001", **JOB, "outcome": "donor", "lot": "attic"}
    folder = package(
        jobs=[donor], signs=[], findings=[{"job": "D001", "component": "belt", "found": "sound"}],
        lots=[{"lot": "attic", "price": 20}], spending=[{"spent_on": "2026-05-01", "what": "fair", "amount": 4}],
        sightings=[{"sighting": "1", "seen_on": "2026-05-01", "family": "Dallow 80"}],
        sighting_signs=[{"sighting": "1", "sign": "rust", "seen": "yes"}],
        shelf=[{"part": 1, "component": "belt", "family": "Dallow 80", "job": "D001", "kept_on": "2026-05-10"}],
    )  # fmt: skip
    before = everything(ledger)
    import_package(folder, ledger)
    assert take_back_import(ledger, "imported") == {
        "spending": 1, "shelf": 1, "sighting_signs": 1, "sightings": 1, "jobs": 1, "lots": 1, "families": 1
    }  # fmt: skip
    assert everything(ledger) == before
    assert grave(ledger) == []
    import_package(folder, ledger)
    seen = {"sighting": "2", "seen_on": "2026-05-01", "job": "D001", "family": "Dallow 80"}
    ledger.put("sightings", [seen], reason="x")
    said = refused(take_back_import, ledger, "imported")
    assert said.message == "1 fault found. Nothing was taken back."
    assert said.faults == ("job D001 is named on the shelf or by a sighting that came in otherwise",)
    ledger.amend("D001", {"job": {"hours": 2}}, reason="clock found")
    said = refused(take_back_import, ledger, "imported")
    assert said.faults == ("jobs D001 was changed since: clock found",)
    said = refused(take_back_import, ledger, "bought").message
    assert said == "Nothing in the ledger was bought. Nothing was taken back."


def test_what_others_name_stays_when_an_import_is_taken_back(ledger, package):
    import_package(package(), ledger)
    assert take_back_import(ledger, "imported", dry_run=True) == {"jobs": 3, "families": 1}
    ledger.intake({"job": {"family": "Dallow 80", "taken_in": "2026-05-01"}})
    assert take_back_import(ledger, "imported") == {"jobs": 3}
    assert [row["family"] for row in ledger.rows("families")] == ["Dallow 80", "Tarnwick T2"]
    assert grave(ledger) == []
    assert ledger.history("D001")[-1]["reason"] == "taken back: imported"
