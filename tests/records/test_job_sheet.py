# Messages are quoted whole.
# ruff: noqa: E501

import datetime
import time
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reliability.errors import InvalidInput
from reliability.records.checks import clean_document
from reliability.records.sheet import decode_sheet, load_sheet, read_sheet, read_window
from reliability.records.values import Refused

SMALLEST = """
family = "Tarnwick T2"
outcome = "repaired"
bought_for = 25
failed = ["belt"]
rest_sound = true
sold_for = 160
"""


def faults(text):
    return [str(fault) for fault in read_sheet(text, "deck.toml").faults]


def test_the_smallest_sheet():
    sheet = read_sheet(SMALLEST)
    assert sheet.faults == ()
    assert sheet.document == {
        "job": {"family": "Tarnwick T2", "outcome": "repaired", "bought_for": 25, "sold_for": 160},
        "findings": [{"component": "belt", "found": "failed"}],
        "signs": [],
        "followups": [],
    }
    assert sheet.new_family is None
    assert sheet.rest(["belt", "motor", "head"]) == [
        {"component": "motor", "found": "sound"},
        {"component": "head", "found": "sound"},
    ]


def test_a_sheet_that_says_everything():
    sheet = read_sheet("""
        job = 17
        family = "Tarnwick T2"
        model = " T2 mk II "
        built = "1978-1981"
        taken_in = 2026-05-01
        closed = "2026-05"
        outcome = "repaired"
        bought_for = 12.50
        hours = 2.25
        lot = ""
        failed = ["belt"]
        worn = ["head"]
        sound = ["motor"]
        remarks = '''
        two
        lines'''

        [signs]
        rust = true
        hum = "no"
        "no power" = false
        "burnt smell" = ""

        [[finding]]
        component = "switch"
        position = "left"
        found = "failed"
        part_cost = 3.2

        [[followup]]
        checked_on = 2026-09-01
        working = true

        [new_family]
        kind = "tape deck"
        maker = "Tarnwick"
        """)
    assert sheet.faults == ()
    job = sheet.document["job"]
    assert job["job"] == "17"
    assert job["model"] == "T2 mk II"
    assert (job["built_from"], job["built_to"]) == (1978, 1981)
    assert job["taken_in"] == datetime.date(2026, 5, 1)
    assert job["closed"] == "2026-05"
    assert job["bought_for"] == Decimal("12.50")
    assert job["lot"] is None
    assert "lines" in job["remarks"]
    assert sheet.document["findings"] == [
        {"component": "switch", "position": "left", "found": "failed", "part_cost": Decimal("3.2")},
        {"component": "belt", "found": "failed"},
        {"component": "head", "found": "worn"},
        {"component": "motor", "found": "sound"},
    ]
    # Where nobody looked there is no row.
    assert sheet.document["signs"] == [
        {"sign": "rust", "seen": True},
        {"sign": "hum", "seen": "no"},
        {"sign": "no power", "seen": False},
    ]
    assert sheet.document["followups"] == [{"checked_on": datetime.date(2026, 9, 1), "working": True}]
    assert sheet.new_family == {"family": "Tarnwick T2", "kind": "tape deck", "maker": "Tarnwick"}


def test_the_rest_leaves_out_what_ended_the_job_and_what_was_written_before():
    sheet = read_sheet('outcome = "donor"\nended_by = "gear"\nworn = ["head"]\nrest_sound = true')
    usual = ["belt", "gear", "head", "motor"]
    assert [row["component"] for row in sheet.rest(usual, said={"motor"})] == ["belt"]


def test_without_rest_sound_nothing_is_assumed():
    assert read_sheet('failed = ["belt"]').rest(["belt", "motor"]) == []


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "sold_fr = 5",
            "deck.toml, 'sold_fr': a sheet has no such entry; it has job, family, model, lot, built_from, "
            "built_to, year_basis, taken_in, closed, outcome, bought_for, hours, other_costs, sold_for, sold_on, "
            "salvage_value, ended_by, ended_why, origin, remarks, built, failed, worn, sound, rest_sound, kept, signs, "
            "finding, followup, new_family. Did you mean 'sold_for'?",
        ),
        (
            "[[finding]]\ncomponet = 'belt'",
            "deck.toml, finding 1, 'componet': there is no such column; there are component, position, found, "
            "original, fitted_from, fitted_to, arose, failed_from, failed_to, action, part_cost, part_source, "
            "from. "
            "Did you mean 'component'?",
        ),
        (
            "[[followup]]\nworking = true\nsold_for = 9",
            "deck.toml, followup 1, 'sold_for': there is no such column; there are checked_on, working, "
            "failed_on, component, hours, cost. Perhaps it belongs to the job: write it above the first heading in brackets.",
        ),
        (
            "[new_family]\nknd = 'radio'",
            "deck.toml, new_family, 'knd': there is no such column; there are kind, maker, first_year, last_year, "
            "working_price, priced_on, price_spread, notes. Did you mean 'kind'?",
        ),
        (
            "[signs]\nrust = true\noutcome = 'donor'",
            "deck.toml, signs, 'outcome': is no sign; it belongs to the job: write it above the first heading in brackets",
        ),
        ("signs = ['rust']", "deck.toml, signs: is a table with the heading [signs] and lines such as rust = true"),
        ("finding = 3", "deck.toml, finding: is a table of its own, with the heading [[finding]]"),
        ("[followup]\nworking = true", "deck.toml, followup: is a table of its own, with the heading [[followup]]"),
        (
            "new_family = 'radio'",
            "deck.toml, new_family: is a table with the heading [new_family] and lines such as kind = \"tape deck\"",
        ),
        ("rest_sound = 'yes'", "deck.toml, rest_sound: 'yes' is neither true nor false"),
        ("failed = 'belt'", "deck.toml, failed: 'belt' is not a list of components such as [\"belt\", \"motor\"]"),
        ("worn = ['belt', 3]", "deck.toml, worn: ['belt', 3] is not a list of components such as [\"belt\", \"motor\"]"),
        ("sound = [' ']", "deck.toml, sound: holds an empty name"),
        (
            "failed = ['belt']\nsound = ['belt']",
            "deck.toml, sound: 'belt' is named here and in failed too; a component has one state. "
            "Where a unit has several, give each a [[finding]] with its position",
        ),
        (
            "worn = ['belt', 'belt ']",
            "deck.toml, worn: 'belt' is named here twice; a component has one state. "
            "Where a unit has several, give each a [[finding]] with its position",
        ),
        (
            "failed = ['belt']\n[[finding]]\ncomponent = 'belt'\nfound = 'failed'",
            "deck.toml, failed: 'belt' is named here and in a [[finding]] too; keep the finding alone",
        ),
        ("built = '1981-1978'", "deck.toml, built: '1981-1978' ends before it begins"),
        (
            "built = '197?'",
            "deck.toml, built: '197?' is neither a year such as 1979 nor a window such as 1978-1981",
        ),
        (
            "built = 1979\nbuilt_to = 1980",
            "deck.toml, built: is given beside built_from or built_to; write one or the other",
        ),
    ],
)  # fmt: skip
def test_each_fault_is_named_with_its_place(text, expected):
    assert faults(text) == [expected]


def test_every_fault_is_listed():
    assert len(faults("a = 1\nb = 2\nfailed = 3\n[signs]\njob = 1\n[[finding]]\nc = 1\nd = 2")) == 6


@pytest.mark.parametrize("value", [True, 1979.5, Decimal("1979"), None, "79", "1978-81", [1979]])
def test_a_window_is_written_in_one_way(value):
    with pytest.raises(Refused, match="is neither a year such as 1979 nor a window such as 1978-1981"):
        read_window(value)


def test_windows():
    assert read_window(1979) == (1979, 1979)
    assert read_window(" 1979 ") == (1979, 1979)
    assert read_window("1978 - 1981") == (1978, 1981)


def test_what_is_no_toml_names_line_and_column():
    with pytest.raises(
        InvalidInput, match=r"^deck is not written in TOML: .*line 2, column 12\)\. Nothing was"
    ):
        read_sheet("failed = []\nsold_on = 03/04/2024", "deck")


@pytest.mark.parametrize("text", ["hours = " + "9" * 5000, "sold_on = 2026-02-30", "failed = " + "[" * 5000])
def test_what_no_parser_can_read(text):
    with pytest.raises(
        InvalidInput, match=r"^deck (holds a number, a date|is not written in TOML).*Nothing was"
    ):
        read_sheet(text, "deck")


def test_a_sheet_has_an_end():
    with pytest.raises(InvalidInput, match=r"^deck has 300001 characters; a sheet has at most 200000"):
        read_sheet("#" * 300_001, "deck")


def test_numbers_beyond_64_bits_are_no_numbers():
    assert read_sheet(f"hours = {2**63}").document["job"]["hours"] == str(2**63)


def test_a_byte_order_mark_is_no_part_of_the_sheet(tmp_path):
    path = tmp_path / "deck.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SMALLEST.encode())
    assert load_sheet(path).document == read_sheet(SMALLEST).document
    assert load_sheet(path).source == str(path)


def test_other_encodings_are_refused():
    with pytest.raises(InvalidInput, match=r"^deck, line 2: byte 0xE9 is not UTF-8; save the sheet as UTF-8"):
        decode_sheet("family = 'x'\nremarks = 'décor'".encode("latin-1"), "deck")


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(
        InvalidInput, match=r"none\.toml cannot be read: No such file or directory\. Nothing was"
    ):
        load_sheet(tmp_path / "none.toml")


@settings(max_examples=200)
@given(st.text())
def test_any_text_is_a_sheet_or_one_clear_error(text):
    try:
        said = read_sheet(text, "deck").source
    except InvalidInput as error:
        said = error.message
    assert said.startswith("deck")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("x" + ".a" * 90_000 + " = 1", r"^deck, line 2: no name in a sheet has 30 dots\."),
        ("[" + "a." * 90_000 + "b]", r"^deck, line 2: no name in a sheet has 30 dots\."),
        ("y = {x" + " . a" * 40_000 + " = 1}", r"^deck, line 2: no name in a sheet has 30 dots\."),
        (
            "\n".join(f"k{n} = 1" for n in range(15_000)),
            r"^deck has 15001 entries; a sheet has at most 3000\.",
        ),
        ("[[finding]]\n" * 15_000, r"^deck has 15002 entries; a sheet has at most 3000\."),
        ("y = " + "[" * 90_000, r"^deck holds a number, a date or a list that cannot be read\."),
        ("hours = " + "9" * 100_000, r"^deck holds a number, a date or a list that cannot be read\."),
        ("hours = " + "9" * 200_000, r"^deck has 200\d+ characters; a sheet has at most 200000\."),
    ],
    ids=["dots", "dots of a heading", "dots within", "keys", "findings", "depth", "digits", "length"],
)
def test_a_sheet_that_would_never_be_read_is_refused_at_once(text, message):
    start = time.process_time()
    with pytest.raises(InvalidInput, match=message):
        read_sheet(f"family = 'x'\n{text}", "deck")
    assert time.process_time() - start < 1


@pytest.mark.parametrize("number", ["1e999999999", "1e-999999999", "-1e999999999999", "nan", "inf"])
def test_numbers_that_no_computer_could_hold_are_refused_at_once(number):
    document = read_sheet(f"family = 'x'\nhours = {number}\nbought_for = {number}", "deck").document
    start = time.process_time()
    _, faults = clean_document({**document, "job": {**document["job"], "job": "1"}})
    assert {fault.column for fault in faults} >= {"hours", "bought_for"}
    assert time.process_time() - start < 1


def test_dots_in_a_text_are_no_name():
    leader = "belt " + "." * 200 + " 3 EUR"
    job = read_sheet(f"family = 'x'\nremarks = '{leader}'", "deck").document["job"]
    assert job["remarks"] == leader
