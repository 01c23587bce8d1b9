"""One cell read and written; what is a gap in the numbers of jobs, and what is none."""

import datetime
import math
from decimal import Decimal

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from reliability.errors import InvalidInput, Refused, nearest
from reliability.records.tables import SETTINGS, TABLES
from reliability.records.values import (
    EXPONENTS,
    exponent_of,
    missing_numbers,
    read_setting,
    read_value,
    write_value,
)
from tests.records.refusals import refused

JOBS, FINDINGS, PARTS, HEARSAY = (TABLES[name] for name in ("jobs", "findings", "parts", "hearsay"))
LIKELY = ["2026-05-17", "yes", "1978", "12.50", "sound", "none"]
ANYTHING = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.decimals(), st.text(), st.dates(),
    st.datetimes(), st.lists(st.integers(), max_size=2), st.sampled_from(LIKELY),
)  # fmt: skip
COLUMNS = [column for table in TABLES.values() for column in table]


@pytest.mark.parametrize(("column", "cells"), [
    (JOBS["family"], {"  Tarnwick T2 ": "Tarnwick T2"}),
    (JOBS["lot"], {"e\u0301tage": "\u00e9tage", "   ": None, "N/A": "N/A"}),
    (JOBS["remarks"], {"one\r\ntwo\rthree": "one\ntwo\nthree"}),
    (JOBS["built_from"], {"1978": 1978, 1979: 1979}),
    (JOBS["taken_in"], {"2026-05": "2026-05", datetime.date(2026, 5, 17): "2026-05-17", "2024-02-29": "2024-02-29"}),
    (JOBS["bought_for"], {"12.5": Decimal("12.50"), 12.1: Decimal("12.10"), "0": Decimal("0.00"),
                          Decimal("-0"): Decimal("0.00")}),
    (JOBS["hours"], {3: 3.0, "0.1": 0.1}), (PARTS["pack_size"], {"10": 10, 11.0: 11}),
    (FINDINGS["position"], {None: ""}), (FINDINGS["arose"], {"": "as received"}),
    (TABLES["signs"]["seen"], {True: "yes", False: "no"}),
])  # fmt: skip
def test_what_a_cell_means(column, cells):
    for value, meant in cells.items():
        read = read_value(column, value)
        assert (read, type(read)) == (meant, type(meant))
        assert str(read) == str(meant)  # decimals of an amount are part of it


A_YEAR = "{} is not a four-digit year from 1800 to 2100; leave it empty if it is not known"
A_DATE = "{} is not a date such as 2026-05-17, or 2026-05 where only the month is known (years 1800 to 2100)"
AN_AMOUNT = "{} is not an amount written as a plain decimal with at most 2 decimals"
A_CHOICE = "{} is not one of repaired, donor, scrapped, sold as is, open."


@pytest.mark.parametrize(("column", "values", "message"), [
    (JOBS["family"], [" "], "is empty, but every row needs it"),
    (JOBS["lot"], [7], "{} is not a text; put it in quotation marks"),
    (JOBS["lot"], ["#NAME?"], "{} is the error of a spreadsheet formula; mend it there or leave the cell empty"),
    (JOBS["lot"], ["x" * 201], f"'{'x' * 39}…{'x' * 9}' has 201 characters; at most 200 are allowed"),
    (JOBS["remarks"], ["x" * 20_001], f"'{'x' * 39}…{'x' * 9}' has 20001 characters; at most 20000 are allowed"),
    (JOBS["lot"], ["one\ntwo"], "{} holds the character U+000A, which a text of one line may not"),
    (JOBS["remarks"], ["a\0b"], "{} holds the character U+0000, which a text of several lines may not"),
    (JOBS["lot"], ["\ud800"], "{} holds the character U+D800, which a text of one line may not"),
    (JOBS["outcome"], ["repared"], f"{A_CHOICE} Did you mean 'repaired'?"), (JOBS["outcome"], [1, True], A_CHOICE),
    (JOBS["outcome"], ["Open"], f"{A_CHOICE} Did you mean 'open'?"),
    (JOBS["built_from"], ["????", "78", 1799, 1978.0, True, "１９７８"], A_YEAR),
    (JOBS["taken_in"], ["03/04/2024", "2026", "2026-5-1", "0001-01-01", datetime.datetime(2026, 5, 1, 12), 20260501], A_DATE),
    (JOBS["taken_in"], ["2026-13", "2023-02-29"], "{} is not a day of the calendar"),
    (JOBS["bought_for"], ["12,50"], f"{AN_AMOUNT}; write 12.50"),
    (JOBS["bought_for"], ["1.234,50", 12.505, 0.1 + 0.2, "12 EUR", "1e3", math.nan, True], AN_AMOUNT),
    (JOBS["bought_for"], [Decimal("Infinity")], AN_AMOUNT.format("Infinity")),
    (JOBS["bought_for"], [-1], "{} is not at least 0"), (JOBS["bought_for"], [10**13], "{} is more than a ledger can hold"),
    (JOBS["hours"], ["10001"], "{} is not at least 0 and at most 10000"),
    (JOBS["hours"], ["½"], "{} is not a number written as a plain decimal"),
    (PARTS["pack_size"], [2.5, "2.0"], "{} is not a whole number"),
    (PARTS["pack_size"], [0], "{} is not at least 1 and at most 100000"),
    (HEARSAY["age_years"], [0], "{} is not above 0 and at most 200"),
    (HEARSAY["share_failed"], ["40 %", "40%"], "{} is not a number written as a plain decimal; write 0.4"),
    (HEARSAY["age_years"], ["40 %"], "{} is not a number written as a plain decimal"),
])  # fmt: skip
def test_what_is_refused_and_how(column, values, message):
    for value in values:
        assert refused(read_value, column, value).message == message.format(repr(value))


# Python words no whole number of more than 4300 digits, and makes a double of none above 1.8e308.
@pytest.mark.parametrize("exponent", [400, 5000])
@pytest.mark.parametrize("column", [*JOBS, *PARTS, *HEARSAY], ids=lambda column: column.name)
def test_no_whole_number_is_too_large_to_be_refused(column, exponent):
    for value in (10**exponent, -(10**exponent)):
        with pytest.raises(Refused, match=r"^a whole number of [0-9]+ bits is more than a ledger can hold$"):
            read_value(column, value)


@pytest.mark.parametrize(
    ("exponent", "value", "meant"),
    [(0, "1250", "1250"), (3, "1.5", "1.500"), (2, "9999999999999.99", "9999999999999.99")],
)
def test_amounts_have_the_decimals_of_the_currency(exponent, value, meant):
    assert str(read_value(JOBS["bought_for"], value, exponent)) == meant
    said = refused(read_value, JOBS["bought_for"], "12.5", 0).message
    assert said == "'12.5' is not an amount written as a plain decimal with no decimals"


def test_currencies_have_the_exponents_of_their_list():
    # ISO 4217 list one, from memory.
    assert list(map(exponent_of, ("EUR", "JPY", "KWD", "GBP", "ISK"))) == [2, 0, 3, 2, 0]
    with pytest.raises(InvalidInput, match=r"^ISO 4217 lists no currency 'EURO'; known: AED, .* 'EUR'\?$"):
        exponent_of("EURO")
    with pytest.raises(Refused, match=r"^ISO 4217 lists no currency 'eur'"):
        read_setting(SETTINGS["currency"], "eur")
    assert all(code.isalpha() and code.isupper() and len(code) == 3 for code in EXPONENTS)


@settings(deadline=None)
@given(st.sampled_from(COLUMNS), ANYTHING, st.sampled_from([0, 2, 3]))
@example(JOBS["bought_for"], Decimal("sNaN"), 2)
@example(JOBS["bought_for"], Decimal("1e999999"), 2)
@example(HEARSAY["share_failed"], 5e-324, 2)
def test_any_value_is_refused_with_a_message_or_survives_being_written(column, value, exponent):
    try:
        read = read_value(column, value, exponent)
    except Refused:
        return
    text = write_value(read)
    again = read_value(column, text, exponent)
    assert again == read
    assert write_value(again) == text


@settings(deadline=None)
@given(st.integers(0, 10**15 - 1), st.sampled_from([0, 2, 3]))
def test_an_amount_comes_back_to_the_last_minor_unit(minor, exponent):
    amount = Decimal(minor).scaleb(-exponent)
    assert read_value(JOBS["bought_for"], write_value(amount), exponent) == amount


def test_a_number_among_the_names_of_a_damaged_ledger_is_read_as_text():
    assert nearest("motr", ["motor", 5]) == " Did you mean 'motor'?"
    assert nearest("51", [5, 512]) == " Did you mean '512'?"


@pytest.mark.parametrize(
    ("jobs", "gaps"),
    [
        (("B-0042", "B-0045"), [("B-0043", "B-0044", 2)]),
        (("20240001", "20240099"), [("20240002", "20240098", 97)]),
        (("240301", "240302", "240305"), [("240303", "240304", 2)]),  # days are numbers like any other
        (("deck2-00101", "deck2-00131"), [("deck2-00102", "deck2-00130", 29)]),
        # Each year begins anew; a counter that stands at such a number is no year, and neither is a year alone.
        (("20230001", "20230002", "20240001", "20240003"), [("20240002", "20240002", 1)]),
        (("B-202401", "B-202404"), [("B-202402", "B-202403", 2)]),
        (("2023-0009", "2024-0017", "2024-0019"), [("2024-0018", "2024-0018", 1)]),
        (("19500009", "19510011"), []),
        (("20980009", "20990011"), []),
        (("19489999", "19490001"), [("19490000", "19490000", 1)]),
        (("21009999", "21010001"), [("21010000", "21010000", 1)]),
        (("1998", "2000"), [("1999", "1999", 1)]),
        (("20239", "20241"), [("20240", "20240", 1)]),
        (("9", "11", "B-"), [("10", "10", 1)]),
        (("1" * 16, "1" * 15 + "3"), [("1" * 15 + "2", "1" * 15 + "2", 1)]),
    ],
)
def test_gaps_lie_between_the_numbers_of_a_prefix(jobs, gaps):
    assert [(gap.first, gap.last, gap.size) for gap in missing_numbers(jobs)] == gaps
