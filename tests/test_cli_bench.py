# Messages are quoted whole.

import sqlite3
from contextlib import closing

import pytest

from reliability.records.ledger import open_ledger
from reliability.records.sheet import amendment

TAKE_IN = ("intake", "Tarnwick T2", "--new-family", "--kind", "tape deck")
SMALLEST = """
family = "Tarnwick T2"
outcome = "repaired"
bought_for = 25
failed = ["belt"]
rest_sound = true
sold_for = 160
"""


def test_intake_prints_the_number_and_makes_the_ledger(command_line):
    out = command_line.ok(*TAKE_IN, "--maker", "Tarnwick", "--working-price", "120", "-p", "25", "-m", "T2",
                          "--year", "1978-1981", "--year-basis", "guess",
                          "-s", "rust=yes", "-s", "no power=no", "--remarks", "heavy")  # fmt: skip
    assert out == (
        f"A new ledger was made: {command_line.file} (only you can read it)\n"
        f"Job 1: Tarnwick T2, taken in {command_line.today}\n"
        "  model 'T2' is new here, of family 'Tarnwick T2'.\n"
        f"{command_line.written}"
        "hour_rate, selling_fee, margin are not set and count as 0 in every verdict: benchodds set hour_rate "
        "VALUE\n"
    )
    with open_ledger(command_line.file) as ledger:
        document = ledger.job("1")
        (family,) = ledger.rows("families")
    job = document["job"]
    assert (job["outcome"], job["model"], job["lot"], job["remarks"]) == ("open", "T2", None, "heavy")
    assert (job["built_from"], job["built_to"], job["year_basis"]) == (1978, 1981, "guess")
    assert str(job["bought_for"]) == "25.00"
    assert document["signs"] == [{"sign": "no power", "seen": "no"}, {"sign": "rust", "seen": "yes"}]
    assert (family["kind"], family["maker"], str(family["working_price"])) == (
        "tape deck",
        "Tarnwick",
        "120.00",
    )
    assert family["priced_on"] == command_line.today


def test_numbers_follow_each_other(bench):
    assert bench.ok("intake", "Tarnwick T2").startswith("Job 2: ")
    assert bench.ok("intake", "Tarnwick T2", "--on", "2026-05").endswith(f"taken in 2026-05\n{bench.written}")


def test_a_refused_intake_leaves_no_ledger_behind(command_line):
    command_line.refused("intake", "Tarnwick T2")
    assert list(command_line.folder.iterdir()) == []


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (("--price", "-1"), "'-1' is not at least 0"),
        (("--sign", "rust=maybe"), "'rust=maybe' is not written as rust=yes or rust=no"),
        (("--on", "03/04/2024"), "'03/04/2024' is not a date such as 2026-05-17"),
        (("--year-basis", "hunch"), "'hunch' is not one of"),
        (("--new-family",), '--new-family needs --kind, such as --kind "tape deck".'),
        (("--prize", "3"), "No such option '--prize'."),
    ],
)
def test_a_wrong_command_line_ends_with_2(command_line, line, expected):
    assert expected in command_line.refused("intake", "Tarnwick T2", *line, code=2)


def test_add_lists_every_fault_of_every_sheet_and_writes_none(bench):
    sound, torn = bench.sheet(SMALLEST, "a.toml"), bench.sheet("x = = 3", "torn.toml")
    odd = bench.sheet(SMALLEST.replace("belt", "bellt") + "sold_on = 2020-01-01\nhurs = 3", "odd.toml")
    lines = bench.refused("add", sound, torn, odd).splitlines()
    assert lines[0] == "5 faults found. Nothing was written."
    assert lines[1].startswith(f"{torn} is not written in TOML: Invalid value (at line 1, column 5).")
    assert lines[2].startswith(f"{odd}, 'hurs': a sheet has no such entry; it has job, family,")
    assert lines[3] == f"{odd}, job, column taken_in: is empty, but every row needs it"
    assert "--new-component 'bellt'" in lines[5]
    assert "there is no job" not in lines
    assert bench.run("show", "2").exit_code == 1


def test_nobody_writes_between_what_is_amended_and_the_amendment(bench, monkeypatch):

    def somebody_else(*given, **told):
        with (
            closing(sqlite3.connect(bench.file, timeout=0)) as other,
            pytest.raises(sqlite3.OperationalError, match="database is locked"),
        ):
            other.execute("BEGIN IMMEDIATE")
        return amendment(*given, **told)

    monkeypatch.setattr("reliability.records.sheet.amendment", somebody_else)
    out = bench.ok("amend", "1", "--set", "bought_for=30", "--why", "receipt")
    assert out.startswith("Job 1: version 2 was written (receipt)\n")


def test_add_to_no_ledger_makes_one_unless_there_is_a_fault(command_line):
    sheet = command_line.sheet(SMALLEST)
    assert "describe it: a heading [new_family]" in command_line.refused("add", sheet)
    assert not command_line.file.exists()
    command_line.sheet(SMALLEST + '[new_family]\nkind = "tape deck"')
    assert command_line.ok("add", sheet).startswith(
        f"A new ledger was made: {command_line.file} (only you can read it)\nJob 1: "
    )


@pytest.mark.parametrize("line", [(), ("--ask", "a.toml"), ("--ask", "--new-component", "reel")])
def test_add_wants_sheets_or_questions(bench, line):
    bench.sheet(SMALLEST, "a.toml")
    assert "Name the sheets to add, or write --ask alone." in bench.refused("add", *line, code=2)


def test_a_sheet_that_is_not_there(bench):
    assert "'none.toml' does not exist" in bench.refused("add", "none.toml", code=2)


def test_amend_from_a_sheet_and_with_a_new_component(bench):
    bench.ok("add", bench.sheet("job = 1\noutcome = 'repaired'\nfailed = ['belt']\n"))
    sheet = bench.sheet('worn = ["reel table"]\n')
    assert "was never seen here" in bench.refused("amend", "1", sheet, "--why", "looked again")
    bench.ok("amend", "1", sheet, "--why", "looked again", "--new-component", "reel table")
    assert "reel table: worn" in bench.ok("show", "1")
    bench.ok("amend", "1", "--drop", "reel table", "--drop-sign", "rust", "--why", "it was not")
    assert "reel" not in bench.ok("show", "1")


@pytest.mark.parametrize("line", [(), ("--withdraw", "--set", "hours=2")])
def test_amend_wants_to_know_what_changes(bench, line):
    assert "Say what changes: --set, --sign, --drop" in bench.refused(
        "amend", "1", *line, "--why", "x", code=2
    )


def test_amend_wants_a_reason(bench):
    assert "Missing option '--why'" in bench.refused("amend", "1", "--set", "hours=2", code=2)
    assert "An amendment needs a reason" in bench.refused("amend", "1", "--set", "hours=2", "--why", " ")
