"""`set`, `family`, `part`, `heard`, `rename`, `import --correct`, and what a first hour meets."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from reliability.cli import main
from reliability.records.ledger import open_ledger
from reliability.report.data import DEMO


def test_what_is_told_of_a_part_is_of_today(bench):
    assert bench.ok("part") == "No row of parts\n"
    assert bench.ok("part", "belt", "--obtainable", "yes", "--price", "4") == (
        f"Part belt: obtainable = yes; price = 4.00; as_of = {bench.today}\n{bench.written}"
    )
    bench.ok("part", "belt", "--as-of", "2026-11-01")
    bench.ok("part", "reel table", "--obtainable", "no", "--new", "reel table")
    assert bench.ok("part", "belt", "--price", "9").endswith(
        f"price: 4.00 -> 9.00; as_of: 2026-11-01 -> {bench.today}\n{bench.written}"
    )
    assert bench.ok("part", "gear") == "No row of parts with component gear\n"


def test_a_merge_says_what_is_dropped(bench):
    bench.ok("family", "Tarnwick T-2", "--new-family", "--kind", "tape deck", "--first-year", "1972")
    assert bench.ok("rename", "family", "Tarnwick T-2", "Tarnwick T2", "--merge") == (
        "family Tarnwick T-2 merged into Tarnwick T2: 1 family\n"
        f"Dropped with Tarnwick T-2: families, first_year 1972\n{bench.written}"
    )


def test_corrections_make_no_ledger(command_line):
    command_line.sheet("job,sold_for\n1,75\n", "jobs.csv")
    assert command_line.refused("import", "jobs.csv", "--correct").startswith("There is no ledger ")
    assert not command_line.file.exists()


# New names and near misses.


def test_a_new_kind_and_a_sign_like_a_known_one_are_asked_about(command_line):
    line = ("intake", "Dallow W1", "--new-family", "--kind", "wire recorder", "-s", "rsut=yes")
    said = command_line.refused(*line).splitlines()
    assert said[0] == "2 faults found. Nothing was written."
    assert said[1].startswith(
        "new family, column kind: kind 'wire recorder' was never seen here; known: amplifier,"
    )
    assert said[2].endswith("Did you mean 'rust'? If it is new, say so: --new 'rsut'")
    assert not command_line.file.exists()
    command_line.ok(*line, "--new", "wire recorder", "--new", "rsut")
    command_line.ok("intake", "Dallow W2", "--new-family", "--kind", "wire recorder")
    line = ("amend", "1", command_line.sheet("[signs]\nhumm = true"), "--why", "x")
    said = command_line.refused(*line)
    assert said.startswith("sign 'humm' was never seen here; known: ")
    assert said.endswith("Did you mean 'hum'? If it is new, say so: --new 'humm'. Nothing was written.\n")
    command_line.ok(*line, "--new", "humm")


def test_questions_at_a_prompt_ask_about_near_misses(command_line):
    lines = ["Dallow W1", "y", "tapedeck", "n", "6", "", "", "", "", "", "rsut", "n", "rust", "", "repaired",
             "", "", "n", "", "", "", "", "", "", "y"]  # fmt: skip
    out = command_line.ok("add", "--ask", input="\n".join(lines) + "\n")
    assert "No kind 'tapedeck' is known. Did you mean 'tape deck'? Is it new? [y/N]: n" in out
    assert "Sign 'rsut' was never seen here. Did you mean 'rust'? Is it new? [y/N]: n" in out
    assert command_line.rows("families")[0]["kind"] == "tape deck"
    assert [row["sign"] for row in command_line.rows("signs")] == ["rust"]


# The first hour.


def test_the_demo_goes_into_no_ledger_of_ones_own(command_line):
    result = CliRunner().invoke(main, ["import", str(DEMO)])
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr == (
        f"{DEMO} is the demo, and data/bench.db is for units of your own. Try it in another ledger: "
        f"benchodds --ledger data/trial.db import {DEMO}. Nothing was imported.\n"
    )
    assert not (command_line.folder / "data").exists()
    command_line.ok("intake", "Tarnwick T2", "--new-family", "--kind", "tape deck")
    assert command_line.refused("import", DEMO).startswith(
        f"{DEMO} is the demo, and {command_line.file} is for"
    )


def test_a_trial_ledger_says_that_it_holds_the_demo(command_line):
    said = command_line.ok("import", DEMO)
    assert said.endswith(f"Written to {command_line.file}\n")
    assert "not set" not in said
    assert command_line.ok("import", DEMO).startswith("Nothing new imported\n")
    assert command_line.ok("set", "margin", "7").endswith(
        f"Written to {command_line.file}, which holds the demo\n"
    )
    command_line.ok("export", "copy")
    command_line.file.rename(command_line.folder / "trial.db")
    command_line.ok("intake", "Tarnwick T2", "--new-family", "--kind", "tape deck")
    assert command_line.refused("import", "copy").startswith("copy is the demo, and ")


@pytest.mark.skipif(os.name != "posix", reason="terminals of this kind are POSIX")
def test_settings_are_asked_for_once_on_a_new_ledger(tmp_path):
    leader, follower = os.openpty()
    line = [sys.executable, "-m", "reliability.cli", "--ledger", "own.db", "intake", "Tarnwick T2"]
    run = {"stdin": follower, "stdout": follower, "stderr": follower, "cwd": tmp_path, "timeout": 60,
           "env": {**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])}}  # fmt: skip
    os.write(leader, b"12,5\n12.5\n\n5\n")  # the first answer is none, and asked for again
    for more in (["--new-family", "--kind", "tape deck"], []):
        assert subprocess.run([*line, *more], check=False, **run).returncode == 0
    os.close(follower)
    os.close(leader)
    with open_ledger(tmp_path / "own.db") as ledger:
        assert len(ledger.rows("jobs")) == 2
        assert ledger.history("margin", "settings")[0]["reason"] == "asked on a new ledger"
        said = {row["setting"]: row["value"] for row in ledger.rows("settings")}
    assert said == {"hour_rate": "12.50", "selling_fee": "0", "margin": "5.00"}


def test_a_prompt_takes_what_the_setting_says(bench):
    #        unit: came in, price; findings: belt replaced, its cost; ended, hours, other costs, sold for, on
    lines = ["another one", "1", "", "1.11.2026", "", "25,50", "", "", "repaired", "belt", "replaced", "3,20", "new",
             "", "n", "24.11.2026", "1h30", "1.250", "12,5", "1.100,00", "11.2026", "", "", "y"]  # fmt: skip
    bench.ok("set", "typing", "comma")
    out = bench.ok("add", "--ask", input="\n".join(lines) + "\n")
    assert "Error: '1.250' is read differently with a decimal comma and a point; say which\n" in out
    job = bench.job("2")
    row = {name: str(job["job"][name]) for name in ("taken_in", "closed", "bought_for", "hours", "other_costs",
                                                     "sold_for", "sold_on")}  # fmt: skip
    assert row == {
        "taken_in": "2026-11-01", "closed": "2026-11-24", "bought_for": "25.50", "hours": "1.5",
        "other_costs": "12.50", "sold_for": "1100.00", "sold_on": "2026-11",
    }  # fmt: skip
    assert str(job["findings"][0]["part_cost"]) == "3.20"
    bench.ok("set", "typing", "--default")
    refused = bench.run("add", "--ask", input="another one\n1\n\n1.11.2026\n")
    assert "'1.11.2026' is not a date such as" in refused.output
