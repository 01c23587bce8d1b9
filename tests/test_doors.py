"""Input far beyond what anybody means: a message in under a second, whatever door it comes by."""

import json
import time

import pytest
from click.testing import CliRunner

from reliability.cli import main
from reliability.records.ledger import open_ledger

JOB = 'family = "Tarnwick T2"\noutcome = "repaired"\n'
HEAD = "job,family,taken_in,outcome"
ROW = "1,Tarnwick T2,2026-01-01,open"
NO_TOML = "holds a number, a date or a list that cannot be read"
LONG_LINE = "has more than 1,000,000 characters"
LONG = "x" * 5_000
MANY = [{"name": "jobs", "path": "a"}] * 60_000
#: A file's name, what it holds, the command that reads it, and what it says.
FILES = {
    "exponent": ("s.toml", JOB + "bought_for = 1e999999999", "add {}", "is not an amount written as a plain"),
    "negative exponent": ("s.toml", JOB + "hours = 1e-999999999", "add {}", "is not a number written as a"),
    "a long sheet": ("s.toml", JOB + "remarks = 'x'\n" * 90_000, "add {}", "more than 1,000,000 bytes, which no sheet"),
    "columns": ("jobs.csv", HEAD + ",a" * 300 + "\n", "import {}", "the header has 304 cells; no table has more"),
    "a long header": ("jobs.csv", HEAD + "," * 3_000_000, "import {}", "line 1: is not CSV: it " + LONG_LINE),
    "a long line": ("jobs.csv", f"{HEAD}\n{ROW}" + "," * 3_000_000, "import {}", "line 2: is not CSV: it " + LONG_LINE),
    "an open quote": ("jobs.csv", HEAD + '\n1,"' + "x\n" * 900_000, "import {}", "field larger than field limit"),
    "digits in a cell": ("jobs.csv", f"{HEAD},bought_for\n{ROW},{'9' * 90_000}", "import {}", "is not an amount"),
    "depth of JSON": ("p/datapackage.json", '{"a":' * 100_000, "import p", "is nested too deep"),
    "a long descriptor": ("p/datapackage.json", "[" + "1," * 3_000_000, "import p", "more than 5,000,000 bytes"),
    "many files": ("p/datapackage.json", json.dumps({"resources": MANY}), "import p", "lists 60000 resources"),
    "a long path": (
        "p/datapackage.json", json.dumps({"resources": [{"name": "jobs", "path": "a" * 90_000}]}), "import p",
        "where no table lies",
    ),
    "digits in a plan": ("p.toml", "sheets = " + "9" * 9_000, "import {}.csv --plan {}", NO_TOML),
    "dots in a plan": ("p.toml", "a." * 900 + "b = 1", "import {}.csv --plan {}", "no name in a plan has 30 dots"),
    "a long plan": ("p.toml", "x" * 1_000_001, "import {}.csv --plan {}", "has more than 1,000,000 bytes, which no plan"),
    "many offers": ("o.csv", "family,asked\n" + "a,1\n" * 6_000_000, "judge {} --out v.csv", "which no list of offers has"),
    "a long offer": ("o.csv", "family" + "," * 1_500_000, "judge {} --out v.csv", "line 1: is not CSV: it " + LONG_LINE),
}  # fmt: skip
LINES = {
    "a long ledger": (f"--ledger {LONG} check", "its name is too long"),
    "a long folder": (f"export {LONG}", "name is too long"),
    "a long backup": (f"backup {LONG}", "name is too long"),
    "a long import": (f"import {LONG}", "name is too long"),
    "a setting": (f"set hour_rate {'9' * 9_000}", "has 9000 characters; at most 200 are allowed"),
    "an exponent": ("set hour_rate 1e400000000", "is not an amount written as a plain decimal"),
    "no end": ("add /dev/zero", "/dev/zero has more than 1,000,000 bytes, which no sheet has"),
    "offers without end": ("judge /dev/zero --out v.csv", "/dev/zero is not a file."),
}


@pytest.fixture
def said(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with open_ledger(tmp_path / "bench.db", create=True) as ledger:
        ledger.put("families", [{"family": "Tarnwick T2", "kind": "tape deck"}], reason="x")
        before = ledger.rows("jobs"), ledger.rows("settings")

    def run(line):
        CliRunner().invoke(main, [line.replace("--ledger", "").split()[0], "--help"])  # loads what it needs
        start = time.process_time()
        result = CliRunner().invoke(main, line.split(), env={"BENCHODDS_LEDGER": "bench.db"})
        assert time.process_time() - start < 1
        assert result.exit_code == 1
        with open_ledger("bench.db") as ledger:
            assert (ledger.rows("jobs"), ledger.rows("settings")) == before
        return result.stderr

    return run


@pytest.mark.parametrize("name", FILES)
def test_a_file_beyond_all_bounds(said, tmp_path, name):
    file, text, line, message = FILES[name]
    place = tmp_path / file
    place.parent.mkdir(exist_ok=True)
    place.write_text(text, encoding="utf-8")
    place.with_name(place.name + ".csv").write_text("A,B\n1,2\n", encoding="utf-8")
    assert message in said(line.format(place, place))


@pytest.mark.parametrize("name", LINES)
def test_a_line_beyond_all_bounds(said, name):
    line, message = LINES[name]
    assert message in said(line)
