"""Lots at intake, what is spent beside the jobs, selling time, and the price to ask."""

import re

import pytest

from reliability.records.frames import read_records
from reliability.records.ledger import open_ledger


def test_the_first_unit_of_a_lot_brings_its_price_and_the_others_share_it(bench):
    bench.ok("intake", "Tarnwick T2", "--lot", "attic", "--lot-price", "60")
    bench.ok("intake", "Tarnwick T2", "--lot", "attic")
    bench.ok(
        "intake",
        "Dallow 80",
        "--lot",
        "attic",
        "--new-family",
        "--kind",
        "receiver",
        "--working-price",
        "120",
    )
    with open_ledger(bench.file) as ledger:
        (lot,) = ledger.rows("lots")
        records = read_records(ledger)
    assert (lot["lot"], str(lot["price"]), lot["bought_on"]) == ("attic", "60.00", bench.today)
    # Nobody stated a working price of the T2: the three share alike.
    assert list(records.jobs["bought_for"]) == pytest.approx([25.0, 20.0, 20.0, 20.0])
    with open_ledger(bench.file) as ledger:
        ledger.put("families", [{"family": "Tarnwick T2", "working_price": 90}], reason="priced")
        assert list(read_records(ledger).jobs["bought_for"]) == pytest.approx([25.0, 18.0, 18.0, 24.0])


def test_a_lot_has_one_price_and_a_name(bench):
    assert bench.refused("intake", "Tarnwick T2", "--lot", "attic") == (
        "1 fault found. Nothing was written.\n"
        "job, column lot: there is no row of lots named 'attic'; there are none yet.\n"
    )
    bench.ok("intake", "Tarnwick T2", "--lot", "attic", "--lot-price", "60")
    assert "new lot, column lot: 'attic' is in the ledger already; leave its price out" in bench.refused(
        "intake", "Tarnwick T2", "--lot", "attic", "--lot-price", "70"
    )
    assert "Did you mean 'attic'?" in bench.refused("intake", "Tarnwick T2", "--lot", "atic")
    assert "--lot-price is the price of a lot: name it by --lot." in bench.refused(
        "intake", "Tarnwick T2", "--lot-price", "70", code=2
    )
    assert "--price is that of one unit; the units of a --lot share its --lot-price." in bench.refused(
        "intake", "Tarnwick T2", "--lot", "attic", "-p", "7", code=2
    )


def test_show_tells_the_price_to_ask_until_it_is_sold(bench):
    assert bench.ok("show", "1").endswith("Price to ask: benchodds show 1 --price\n")
    told = bench.ok("show", "1", "--price").splitlines()[-1]
    mean, low, high = map(float, re.findall(r"[0-9]+\.[0-9]{2}", told))
    assert low < mean < high
    assert bench.ok("show", "1").splitlines()[-1] == told  # the odds are kept now
    bench.ok("add", bench.sheet('job = 1\noutcome = "repaired"\nsold_for = 90'))
    assert "rice to ask" not in bench.ok("show", "1")
    assert bench.ok("show", "1", "--price").endswith(
        "No price to ask: it is sold, was given up, or is another bench's.\n"
    )


def test_what_is_spent_says_how_much(bench):
    assert bench.ok("spend") == "Nothing is written down as spent beside the jobs.\n"
    assert "at least one of amount, hours is given" in bench.refused("spend", "stamps")
