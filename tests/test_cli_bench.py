"""A unit over the bench by the commands: what they print, write and refuse."""

import re
import sqlite3
from contextlib import closing

import pytest

from reliability.records.frames import read_records
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


def test_the_first_intake_makes_the_ledger_unless_it_is_refused(command_line):
    command_line.refused("intake", "Tarnwick T2")
    assert list(command_line.folder.iterdir()) == []
    assert command_line.ok(*TAKE_IN, "--working-price", "120", "-m", "T2") == (
        f"A new ledger was made: {command_line.file} (only you can read it)\n"
        f"Job 1: Tarnwick T2, taken in {command_line.today}\n"
        "  model 'T2' is new here, of family 'Tarnwick T2'.\n"
        f"{command_line.written}"
        "Amounts are in EUR; before the first one, another currency can be set: benchodds set currency CODE\n"
        "hour_rate, selling_fee, margin are not set and count as 0 in every verdict: benchodds set hour_rate VALUE\n"
    )
    (family,) = command_line.rows("families")
    assert (str(family["working_price"]), family["priced_on"]) == ("120.00", command_line.today)


def test_the_first_sheet_makes_the_ledger_unless_it_is_refused(command_line):
    sheet = command_line.sheet(SMALLEST)
    assert "describe it: a heading [new_family]" in command_line.refused("add", sheet)
    assert not command_line.file.exists()
    command_line.sheet(SMALLEST + '[new_family]\nkind = "tape deck"')
    assert command_line.ok("add", sheet).startswith(
        f"A new ledger was made: {command_line.file} (only you can read it)\nJob 1: "
    )


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("a\udcff", "is followed by a byte that is no letter in UTF-8"),
        ("a\0b", "cannot hold the character U+0000"),
    ],
)
def test_a_name_that_is_no_text_is_refused(bench, name, expected):
    assert expected in bench.refused("show", name, code=2)


def test_add_lists_every_fault_of_every_sheet_and_writes_none(bench):
    sound, torn = bench.sheet(SMALLEST, "a.toml"), bench.sheet("x = = 3", "torn.toml")
    odd = bench.sheet(SMALLEST.replace("belt", "bellt") + "sold_on = 2020-01-01\nhurs = 3", "odd.toml")
    lines = bench.refused("add", sound, torn, odd).splitlines()
    assert lines[0] == "5 faults found. Nothing was written."
    assert lines[1].startswith(f"{torn} is not written in TOML: Invalid value (at line 1, column 5).")
    assert lines[2].startswith(f"{odd}, 'hurs': a sheet has no such entry; it has job, family,")
    assert lines[3] == f"{odd}, job, column taken_in: is empty, but every row needs it"
    assert "--new-component 'bellt'" in lines[5]
    assert bench.run("show", "2").exit_code == 1


def test_nobody_writes_between_what_is_amended_and_the_amendment(bench, monkeypatch):
    def somebody_else(*given, **told):
        with (
            closing(sqlite3.connect(bench.file, timeout=0)) as other,
            pytest.raises(sqlite3.OperationalError, match="database is locked"),
        ):
            other.execute("BEGIN IMMEDIATE")
        return amendment(*given, **told)

    monkeypatch.setattr("reliability.cli.amendment", somebody_else)
    told = bench.ok("amend", "1", "--set", "bought_for=30", "--why", "receipt")
    assert told.startswith("Job 1: version 2 ")


def test_show_tells_the_price_to_ask_until_it_is_sold(bench):
    told = bench.ok("show", "1", "--price").splitlines()[-1]
    mean, low, high = map(float, re.findall(r"[0-9]+\.[0-9]{2}", told))
    assert low < mean < high
    assert bench.ok("show", "1").splitlines()[-1] == told  # the odds are kept now
    judged = bench.ok("judge", "--family", "Tarnwick T2", "--asked", "5")
    assumed = re.search(r"(no working price given, [0-9]+) EUR( assumed)", judged)
    assert told.endswith(f"; {assumed[1]}{assumed[2]})")
    bench.ok("family", "Tarnwick T2", "--working-price", "150")
    assert "no working price" not in bench.ok("show", "1", "--price")
    bench.ok("add", bench.sheet('job = 1\noutcome = "repaired"\nsold_for = 90'))
    assert "rice to ask" not in bench.ok("show", "1")
    gone = "No price to ask: it is sold, was given up, or is another bench's.\n"
    assert bench.ok("show", "1", "--price").endswith(gone)


def test_the_first_unit_of_a_lot_brings_its_price_and_the_others_share_it(bench):
    assert bench.refused("intake", "Tarnwick T2", "--lot", "attic") == (
        "1 fault found. Nothing was written.\n"
        "job, column lot: there is no row of lots named 'attic'; there are none yet.\n"
    )
    first = ("intake", "Tarnwick T2", "--lot", "attic", "--lot-price", "60")
    bench.ok(*first)
    told = "new lot, column lot: 'attic' is in the ledger already; leave its price out"
    assert told in bench.refused(*first)
    assert "Did you mean 'attic'?" in bench.refused("intake", "Tarnwick T2", "--lot", "atic")
    bench.ok("intake", "Tarnwick T2", "--lot", "attic")
    new = ("--new-family", "--kind", "receiver", "--working-price", "120")
    bench.ok("intake", "Dallow 80", "--lot", "attic", *new)
    with open_ledger(bench.file) as ledger:
        (lot,) = ledger.rows("lots")
        # Nobody stated a working price of the T2: the three share alike.
        assert list(read_records(ledger).jobs["bought_for"]) == pytest.approx([25.0, 20.0, 20.0, 20.0])
        ledger.put("families", [{"family": "Tarnwick T2", "working_price": 90}], reason="priced")
        assert list(read_records(ledger).jobs["bought_for"]) == pytest.approx([25.0, 18.0, 18.0, 24.0])
    assert (lot["lot"], str(lot["price"]), lot["bought_on"]) == ("attic", "60.00", bench.today)
