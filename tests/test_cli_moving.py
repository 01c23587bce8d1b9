"""Into the ledger and out of it: folders, single files, sheets by a plan, open repair data."""

import sqlite3
from contextlib import closing
from unittest.mock import Mock

import pytest

SHEET = """
family = "Tarnwick T2"
outcome = "repaired"
failed = ["reel table"]
[signs]
tape = true
[new_family]
kind = "wire recorder"
maker = "Tarnwick"
"""


@pytest.fixture
def exported(command_line):
    command_line.ok(
        "add", command_line.sheet(SHEET), "--new-component", "reel table", "--new", "wire recorder"
    )
    command_line.ok("export", "csv")
    command_line.file.rename(command_line.folder / "old.db")
    return command_line


def test_a_fault_leaves_no_ledger_behind(exported):
    path = exported.folder / "csv" / "families.csv"
    path.write_text(path.read_text().replace("Tarnwick,", "Tarnwick,1881x"))
    assert exported.refused("import", "csv").startswith(
        "1 fault found. Nothing was imported: 4 rows were read"
    )
    assert not exported.file.exists()


def test_check_names_what_is_broken_and_ends_with_1(exported):
    exported.ok("import", "csv")
    with closing(sqlite3.connect(exported.file)) as connection, connection:
        connection.execute("PRAGMA ignore_check_constraints = ON")
        connection.execute("UPDATE jobs SET ended_by = 'belt'")
    result = exported.run("check")
    assert (result.exit_code, result.stdout[:10]) == (1, "Broken:\n  ")
    assert "ended_by" in result.stdout


@pytest.fixture
def spreadsheet(command_line):
    """Write a spreadsheet of jobs, whose family the ledger knows."""
    command_line.sheet("family,kind\nLarkov T1,tape deck\n", "families.csv")
    command_line.ok("import", "families.csv")
    headers = "No;Unit;Bought on;Done on;How it ended;Price paid;Hours;Built;Notes"

    def write(*rows, head=headers, encoding="utf-8"):
        path = command_line.folder / "jobs 2025.csv"
        path.write_bytes("\r\n".join([head, *rows, ""]).encode(encoding))
        return path

    return write


def test_a_draft_that_cannot_be_written_is_said(command_line, spreadsheet, monkeypatch):
    path = spreadsheet("17;Larkov T1;01.03.2025;;open;;;;")
    full = OSError(28, "No space left on device")
    monkeypatch.setattr("reliability.records.files.fresh_file", Mock(side_effect=full))
    said = command_line.refused("import", path, "--draft", "plan.toml")
    assert said == "plan.toml cannot be written: the disk is full.\n"


def test_a_single_file_holds_jobs_or_the_table_it_is_named_after(command_line, spreadsheet):
    row, head = "1,Larkov {},2025-03-01,open", "job,family,taken_in,outcome"
    said = command_line.refused("import", spreadsheet(row.format("T2"), head=head)).splitlines()
    assert len(said) == 3
    assert said[0] == "1 fault found. Nothing was imported: 1 row was read, 0 of them without a fault."
    assert said[1].endswith("no family 'Larkov T2' is known; known: Larkov T1. Did you mean 'Larkov T1'?")
    assert said[2].startswith("Families that are new are described first: put them into a families.csv with")
    assert command_line.ok("import", spreadsheet(row.format("T1"), head=head)).startswith("1 job imported\n")
    command_line.sheet("component,obtainable,price\nbelt,yes,3\n", "parts.csv")
    assert command_line.ok("import", "parts.csv") == f"1 part imported\n{command_line.written}"


REPAIRS = """id,data_provider,product_category,brand,year_of_manufacture,repair_status,event_date
mendit_1,Mend It,Hi-Fi separates,Larkov,????,Fixed,2021-05-08
mendit_3,Mend It,Hi-Fi separates,LARKOV,,Unknown,2021-05-08
"""


def test_open_repair_data_come_in_beside_the_jobs_of_the_bench(exported):
    exported.ok("import", "csv")
    line = ["import", exported.sheet(REPAIRS, "repairs.csv"), "--standard", "open-repair"]
    assert exported.ok(*line) == (
        "Nothing new imported\n  1 row left out: repair status Unknown\n  1 row left out: of kinds "
        "that the ledger has no family of (--kind NAME takes one in): Hi-Fi separates 1\n"
    )
    line += ["--kind", "Hi-Fi separates"]
    said = exported.ok(*line, "--dry-run")
    assert said.startswith("1 family, 1 job would be imported\n  1 row left out: repair status Unknown\n")
    assert "  years not believed, not a year: 1 ('????' (repairs.csv, line 2))\n" in said
    assert exported.ok(*line) == said.replace("would be imported", "imported") + exported.written
    assert exported.ok("intake", "Tarnwick T2").startswith("Job 2:")
