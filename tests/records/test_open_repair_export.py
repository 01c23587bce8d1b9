# Messages are quoted whole.
# ruff: noqa: E501

"""The bench's own jobs as open repair data."""

import csv

import frictionless
import pytest

from reliability.errors import InvalidInput
from reliability.records.ledger import open_ledger
from reliability.records.open_repair import (
    CATEGORIES,
    COLUMNS,
    STATUS_OF,
    export_open_repair,
    import_open_repair,
)
from reliability.records.package import export_package
from reliability.records.tables import ENDED_WHY, OUTCOMES
from tests.records.repair_rows import grave, jobs


@pytest.fixture
def bench_jobs(ledger, finished):
    """Jobs of every outcome, kind of window and reason; one of them not the bench's own, one open."""
    ledger.put("families", [{"family": "Dallow 80", "kind": "wire recorder", "maker": "@Dallow"},
                            {"family": "Nameless", "kind": "Coffee maker"}], reason="x")  # fmt: skip
    ledger.put("settings", [{"setting": "hour_rate", "value": 12}], reason="x")
    whys = iter(ENDED_WHY)
    for number in range(24):
        outcome = [word for word in OUTCOMES if word != "open"][number % 4]
        ended = {} if outcome == "repaired" else {"ended_why": next(whys, None)}
        window = [(None, None), (1980, 1980), (1978, 1983), (1980, None)][number // 4 % 4]
        family = ("Tarnwick T2", "Dallow 80", "Nameless")[number % 3]
        ledger.add(finished(job=f"B-{number:03}", family=family, outcome=outcome, bought_for=77.77, hours=3.33,
                            built_from=window[0], built_to=window[1], remarks="secret", **ended,
                            taken_in=f"2026-0{number % 9 + 1}" + "-11" * (number % 2), closed="2026-10-01"))  # fmt: skip
    ledger.add(finished(job="mendit_1", origin="Mend It"))
    ledger.intake({"job": {"family": "Dallow 80", "taken_in": "2026-05-01"}})
    return ledger


def read(folder):
    with (folder / "open-repair-data.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_own_jobs_go_out_in_the_standard_and_an_independent_validator_accepts_them(bench_jobs, tmp_path):
    done = export_open_repair(bench_jobs, tmp_path / "out", provider="Corner Bench", country="BEL")
    assert (done.written, done.still_open) == (24, 1)
    report = frictionless.validate(str(tmp_path / "out" / "datapackage.json"))
    assert report.valid, report.flatten(["type", "note"])
    rows = read(tmp_path / "out")
    assert tuple(rows[0]) == COLUMNS
    assert len(rows) == len({row["id"] for row in rows}) == 24
    assert {row["product_category"] for row in rows} == {"Hi-Fi separates", "Misc", "Coffee maker"}
    assert all(CATEGORIES[int(row["product_category_id"]) - 1] == row["product_category"] for row in rows)
    assert {row["brand"] for row in rows} == {"Tarnwick", "'@Dallow", "Unknown"}
    assert all(
        not row["repair_barrier_if_end_of_life"] or row["repair_status"] == "End of life" for row in rows
    )
    text = (tmp_path / "out" / "open-repair-data.csv").read_text(encoding="utf-8")
    for private in ("77.77", "3.33", "secret", "EUR", "12.00"):
        assert private not in text


@pytest.mark.parametrize(
    ("old", "new", "kind"),
    [("Fixed", "Mended", "constraint-error"), ("2026-02-11", "11.2.2026", "type-error"),
     ("corner_B-001", "corner_B-000", "primary-key"), (",BEL,", ",Belgium,", "constraint-error"),
     (",Misc,", ",Odd,", "constraint-error"), (",1980,", ",80,", "constraint-error")],
)  # fmt: skip
def test_that_validator_finds_in_the_schema_what_the_standard_forbids(bench_jobs, tmp_path, old, new, kind):
    export_open_repair(bench_jobs, tmp_path / "out", provider="corner", country="BEL")
    file = tmp_path / "out" / "open-repair-data.csv"
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new, 1), encoding="utf-8")
    report = frictionless.validate(str(tmp_path / "out" / "datapackage.json"))
    assert kind in {row[0] for row in report.flatten(["type"])}


def test_the_round_trip_keeps_id_date_outcome_kind_maker_and_year(bench_jobs, tmp_path, new_url):
    export_open_repair(bench_jobs, tmp_path / "out")
    rows = {row["id"]: row for row in read(tmp_path / "out")}
    families = {row["family"]: row for row in bench_jobs.rows("families")}
    with open_ledger(new_url(), create=True) as other:
        summary = import_open_repair(tmp_path / "out", other, kinds=None)
        assert (summary.written["jobs"], summary.left_out) == (24, {})
        held, named = jobs(other), {row["family"]: row for row in other.rows("families")}
        assert grave(other) == []
    for number, before in jobs(bench_jobs).items():
        if before["origin"] or before["outcome"] == "open":
            continue
        after = held.pop(f"bench_{number}")
        row = rows[f"bench_{number}"]
        assert after["taken_in"][: len(before["taken_in"])] == before["taken_in"]
        assert STATUS_OF[after["outcome"]] == STATUS_OF[before["outcome"]] == row["repair_status"]
        for column in ("kind", "maker"):
            assert named[after["family"]][column] == families[before["family"]][column]
        if before["built_to"] is None:
            assert (row["year_of_manufacture"], after["built_from"]) == ("", None)
        else:
            year = int(row["year_of_manufacture"])
            assert before["built_from"] <= year <= before["built_to"]
            assert after["built_from"] <= year <= after["built_to"]
        if row["repair_barrier_if_end_of_life"]:
            assert after["ended_why"] == before["ended_why"]
    assert held == {}


def test_an_export_goes_into_a_folder_of_its_own(bench_jobs, tmp_path):
    export_package(bench_jobs, tmp_path / "tables")
    with pytest.raises(
        InvalidInput, match=r"tables holds the package 'bench-ledger'; name another folder\. Nothing"
    ):
        export_open_repair(bench_jobs, tmp_path / "tables")
    export_open_repair(bench_jobs, tmp_path / "shared")
    export_open_repair(bench_jobs, tmp_path / "shared")
    assert sorted(file.name for file in (tmp_path / "shared").iterdir()) == [
        "datapackage.json",
        "open-repair-data.csv",
    ]
    with pytest.raises(
        InvalidInput, match=r"shared holds the package 'bench-open-repair-data'; name another"
    ):
        export_package(bench_jobs, tmp_path / "shared")
    (tmp_path / "shared" / "datapackage.json").write_text("[]")
    with pytest.raises(InvalidInput, match=r"shared holds files that no export wrote; name another folder"):
        export_open_repair(bench_jobs, tmp_path / "shared")
    (tmp_path / "file").write_text("mine")
    with pytest.raises(
        InvalidInput, match=r"file is a file; an export needs a folder\. Nothing was written\.$"
    ):
        export_open_repair(bench_jobs, tmp_path / "file")
    with pytest.raises(InvalidInput, match=r"cannot be written: Not a directory$"):
        export_open_repair(bench_jobs, tmp_path / "file" / "deeper")


def test_providers_and_countries_that_are_none(ledger, tmp_path):
    with pytest.raises(
        InvalidInput, match=r"^The provider '1 A' needs two letters from a to z; they begin every id"
    ):
        export_open_repair(ledger, tmp_path / "out", provider="1 A")
    with pytest.raises(
        InvalidInput, match=r"^'Belgium' is no country code of three capital letters, such as BEL\.$"
    ):
        export_open_repair(ledger, tmp_path / "out", country="Belgium")
    assert not (tmp_path / "out").exists()
