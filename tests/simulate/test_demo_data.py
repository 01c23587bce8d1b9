"""The demo in the repository: what the command writes, valid, and as instructive as its page says."""

import csv
from pathlib import Path

import pytest
from click.testing import CliRunner

from reliability.records.ledger import open_ledger
from reliability.records.package import export_package, import_package, read_package
from tests.simulate.__main__ import main
from tests.simulate.demo import demo_world
from tests.simulate.truth import appraise

DEMO = Path(__file__).parents[2] / "data" / "demo"


@pytest.fixture(scope="module")
def package():
    return read_package(DEMO)


@pytest.fixture(scope="module")
def world():
    return demo_world()


@pytest.fixture(scope="module")
def offers():
    with (DEMO / "offers.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_the_command_writes_the_same_bytes_again(tmp_path):
    for _ in range(2):  # an earlier demo is replaced
        result = CliRunner().invoke(main, ["demo", "--out", str(tmp_path / "demo")])
        assert result.exit_code == 0, result.output
    written = {path.name: path.read_bytes() for path in (tmp_path / "demo").iterdir()}
    assert written == {path.name: path.read_bytes() for path in DEMO.iterdir()}
    assert f"The demo is in {tmp_path / 'demo'}" in result.output


def test_a_folder_with_something_else_is_left_alone(tmp_path):
    (tmp_path / "notes.txt").write_text("mine")
    result = CliRunner().invoke(main, ["demo", "--out", str(tmp_path)])
    assert result.exit_code == 1
    assert "is not empty; name a new folder." in result.output
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]


def test_import_into_a_ledger_and_export_gives_the_same_tables(tmp_path):
    ledger = open_ledger(f"sqlite:///{tmp_path / 'bench.db'}", create=True)
    import_package(DEMO, ledger)
    export_package(ledger, tmp_path / "out")
    names = {path.name for path in DEMO.iterdir() if path.suffix in (".csv", ".json")} - {"offers.csv"}
    assert {path.name for path in (tmp_path / "out").iterdir()} == names
    for path in (tmp_path / "out").iterdir():
        assert path.read_bytes() == (DEMO / path.name).read_bytes(), path.name


def test_everything_that_a_ledger_can_hold_occurs(package):
    jobs, findings = package["jobs"], package["findings"]
    assert {job["outcome"] for job in jobs} == {"repaired", "donor", "scrapped", "sold as is", "open"}
    assert {job["year_basis"] for job in jobs} >= {None, "guess", "document", "nameplate", "date code"}
    assert {job["ended_why"] for job in jobs} >= {
        "parts not available",
        "parts too expensive",
        "died on the bench",
    }
    assert {row["found"] for row in findings} == {"sound", "worn", "failed"}
    assert {row["action"] for row in findings} == {"none", "serviced", "replaced", "rebuilt", "no part"}
    assert {row["position"] for row in findings} == {"", "left", "right"}
    assert {row["original"] for row in findings} == {"yes", "no", None}
    assert any(row["arose"] == "during work" for row in findings)
    assert any(row["failed_from"] for row in findings)
    assert any(row["fitted_from"] for row in findings)
    assert {row["working"] for row in package["followups"]} == {"yes", "no"}
    assert {row["obtainable"] for row in package["parts"]} == {"yes", "salvage only", "no"}
    assert any(row["pack_size"] > 1 for row in package["parts"])
    assert any(job["lot"] for job in jobs)
    assert any(job["hours"] is None and job["closed"] for job in jobs)


def test_offers_are_plain_and_awkward(package, offers):
    families = {row["family"] for row in package["families"]}
    models = {row["model"] for row in package["models"]}
    recorded = {row["sign"] for row in package["signs"]}
    assert 24 <= len(offers) <= 30
    assert len({row["offer"] for row in offers}) == len(offers)
    assert any(row["family"] not in families and row["family"] and row["kind"] for row in offers)
    assert any(row["family"] not in families and row["family"] and not row["kind"] for row in offers)
    assert any(not row["asked"] for row in offers)
    assert any(row["smells of smoke"] for row in offers)
    assert "smells of smoke" not in recorded
    assert any(row["built_from"] != row["built_to"] for row in offers)
    assert {row["model"] for row in offers if row["model"]} <= models
    assert any(row["family"] == "Obbelin R9" for row in offers)


def test_page_says_that_all_is_invented_how_it_was_made_and_what_is_true(world):
    page = (DEMO / "README.md").read_text(encoding="utf-8")
    assert "Everything in this folder is invented" in page
    assert "python -m tests.simulate demo --out data/demo" in page
    # Truth of one offer, worked out apart from the page: an early unit without bad signs.
    family = world.family("Pellowick 22")
    signs = {"rust": False, "no power": False}
    truth = appraise(world, family, when=2026 + (305 + 0.5) / 365, years=[1981], signs=signs)
    line = (
        f"| fair-06 | Pellowick 22 | 30 | {truth.success:.0%} | {truth.worth - 5:.0f} | {truth.chief_risk} |"
    )
    assert line in page.splitlines()
