import os
import shutil
from unittest.mock import Mock

import pandas as pd
import pytest

from reliability.worth.stock import STOCK_COLUMNS
from tests.packages import write_package
from tests.worth.ledgers import bench_rows

OFFERS = """offer,family,model,kind,built_from,built_to,asked,seen_on,rust
one,Larkov T1,,,1982,1984,5,2024-12-01,no
two,Larkov T2,,,,,500,,yes
three,,T3 S,,,,,,
four,Skolm 1,,tape deck,,,12,,
"""


@pytest.fixture(scope="module")
def judged(new_command_line):
    """A command line whose odds are fitted already."""
    made = new_command_line()
    write_package({**bench_rows(), "models": [{"model": "T3 S", "family": "Larkov T3"}]}, made.folder / "csv")
    made.ok("import", made.folder / "csv")
    (made.folder / "offers.csv").write_text(OFFERS, encoding="utf-8")
    made.ok("judge", made.folder / "offers.csv", "--out", made.folder / "verdicts.csv")
    return made


@pytest.fixture
def bench(judged, monkeypatch):
    monkeypatch.chdir(judged.folder)
    return judged


@pytest.mark.parametrize("command", [("judge", "offers.csv"), ("ranking",), ("lives",), ("stock",)])
def test_a_file_that_cannot_be_written(bench, command, monkeypatch):
    said = bench.refused(*command, "--out", "none/table.csv", code=2)
    assert "the folder 'none' does not exist" in said
    (bench.folder / "ready.csv").mkdir(exist_ok=True)

    with monkeypatch.context() as patched:
        patched.setattr(os, "fsync", Mock(side_effect=OSError(28, "No space left on device")))
        assert (
            bench.refused(*command, "--out", "table.csv")
            == "table.csv cannot be written: the disk is full.\n"
        )
    assert not list(bench.folder.glob("*table.csv*"))
    assert "'ready.csv' is a directory" in bench.refused(*command, "--out", "ready.csv", code=2)


def test_one_thing_is_told_once_and_a_sign_is_no_column(bench):
    unit = ("--family", "Larkov T1", "--sign", "rust=yes")
    for command in ("judge", "plan"):
        said = bench.refused(command, *unit, "--sign", "rust=no", code=2)
        assert "Invalid value for '-s' / '--sign': 'rust' is told 2 times" in said
        assert "A sign cannot be called 'family'" in bench.refused(command, *unit, "--sign", "family=no")
    said = bench.refused("plan", *unit, "--found", "belt=failed", "--found", "belt=sound", code=2)
    assert "'--found': 'belt' is told 2 times" in said


def test_lives_by_production_year(bench, command_line):
    shutil.copy(bench.file, command_line.file)
    # A window that reaches over two cohorts belongs to neither.
    for year, found in ((1981, "failed"), (1982, "sound"), (1986, "failed"), ("'1983-1986'", "worn")):
        sheet = f"family = 'Larkov T1'\noutcome = 'repaired'\n{found} = ['lift']\nbuilt = {year}"
        command_line.ok("add", command_line.sheet(sheet), "--new-component", "lift")
    command_line.ok("lives", "--cohort", "5", "--component", "lift", "--out", "g.csv")
    table = pd.read_csv("g.csv")
    counts = table[["built_from", "built_to", "n_failed", "n_sound"]].to_numpy().tolist()
    assert counts == [[1980, 1984, 1, 1], [1985, 1989, 1, 0]]


def test_a_ledger_without_jobs_is_judged_by_what_is_known_of_nothing(command_line):
    command_line.ok("intake", "Larkov T1", "--new-family", "--kind", "tape deck", "--on", "2024-01-01")
    assert "pooled only: 0 finished jobs" in command_line.ok("judge", "--family", "Larkov T1", "--asked", "5")
    assert command_line.ok("lives").splitlines()[-1].startswith("component")
    assert "Larkov T1" in command_line.ok("ranking")


def test_parts_for_the_next_year(bench, command_line):
    assert bench.ok("stock", "--out", "order.csv").endswith(" parts: order.csv\n")
    assert list(pd.read_csv("order.csv").columns) == list(STOCK_COLUMNS)
    command_line.ok("import", command_line.sheet("family,kind\nLarkov T1,tape deck\n", "families.csv"))
    assert command_line.ok("stock").startswith("No part is likely to be needed")
