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

JOBS, FINDINGS, PARTS, HEARSAY = (TABLES[name] for name in ("jobs", "findings", "parts", "hearsay"))
LIKELY = ["2026-05-17", "yes", "1978", "12.50", "sound", "none"]
ANYTHING = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.decimals(), st.text(), st.dates(),
    st.datetimes(), st.lists(st.integers(), max_size=2), st.sampled_from(LIKELY),
)  # fmt: skip
COLUMNS = [column for table in TABLES.values() for column in table]


@pytest.mark.parametrize(
    ("column", "value", "meant"),
    [
        (JOBS["family"], "  Tarnwick T2 ", "Tarnwick T2"),
        (JOBS["lot"], "e\u0301tage", "\u00e9tage"),
        (JOBS["remarks"], "one\r\ntwo\rthree", "one\ntwo\nthree"),
        (JOBS["lot"], "   ", None),
        (JOBS["lot"], "N/A", "N/A"),
        (JOBS["built_from"], "1978", 1978),
        (JOBS["built_from"], 1978, 1978),
        (JOBS["taken_in"], "2026-05", "2026-05"),
        (JOBS["taken_in"], datetime.date(2026, 5, 17), "2026-05-17"),
        (JOBS["taken_in"], "2024-02-29", "2024-02-29"),
        (JOBS["bought_for"], "12.5", Decimal("12.50")),
        (JOBS["bought_for"], 12.1, Decimal("12.10")),
        (JOBS["bought_for"], "0", Decimal("0.00")),
        (JOBS["bought_for"], Decimal("-0"), Decimal("0.00")),
        (JOBS["hours"], 3, 3.0),
        (JOBS["hours"], "0.1", 0.1),
        (PARTS["pack_size"], "10", 10),
        (PARTS["pack_size"], 10.0, 10),
        (FINDINGS["position"], None, ""),
        (FINDINGS["arose"], "", "as received"),
        (TABLES["signs"]["seen"], True, "yes"),
        (TABLES["signs"]["seen"], False, "no"),
    ],
)
def test_what_a_cell_means(column, value, meant):
    read = read_value(column, value)
    assert read == meant
    assert type(read) is type(meant)
    assert str(read) == str(meant)  # decimals of an amount are part of it


@pytest.mark.parametrize(
    ("column", "value", "message"),
    [
        (JOBS["family"], " ", r"^is empty, but every row needs it$"),
        (JOBS["lot"], 7, r"^7 is not a text; put it in quotation marks$"),
        (JOBS["lot"], "#NAME?", r"^'#NAME\?' is the error of a spreadsheet formula; mend it there or leave"),
        (JOBS["lot"], "x" * 201, r"has 201 characters; at most 200 are allowed$"),
        (JOBS["remarks"], "x" * 20_001, r"has 20001 characters; at most 20000 are allowed$"),
        (JOBS["lot"], "one\ntwo",
         r"^'one\\ntwo' holds the character U\+000A, which a text of one line may not$"),
        (JOBS["remarks"], "a\0b", r"holds the character U\+0000, which a text of several lines may not$"),
        (JOBS["lot"], "\ud800", r"holds the character U\+D800"),
        (JOBS["outcome"], "repared",
         r"^'repared' is not one of repaired, .*, open\. Did you mean 'repaired'\?$"),
        (JOBS["outcome"], "Open", r"Did you mean 'open'\?$"),
        (JOBS["outcome"], 1, r"^1 is not one of repaired, donor, scrapped, sold as is, open\.$"),
        (JOBS["outcome"], True, r"^True is not one of"),
        (JOBS["outcome"], "x" * 300, r"^'x{39}…x{9}' is not one of"),  # a long value is shown cut
        (JOBS["built_from"], "????",
         r"^'\?\?\?\?' is not a four-digit year from 1800 to 2100; leave it empty if"),
        (JOBS["built_from"], "78", r"^'78' is not a four-digit year"),
        (JOBS["built_from"], 1799, r"^1799 is not a four-digit year from 1800"),
        (JOBS["built_from"], 1978.0, r"^1978\.0 is not a four-digit year"),
        (JOBS["built_from"], True, r"^True is not a four-digit year"),
        (JOBS["built_from"], "１９７８", r"is not a four-digit year"),
        (JOBS["taken_in"], "03/04/2024",
         r"^'03/04/2024' is not a date such as 2026-05-17, or 2026-05 where only"),
        (JOBS["taken_in"], "2026", r"^'2026' is not a date"),
        (JOBS["taken_in"], "2026-5-1", r"^'2026-5-1' is not a date"),
        (JOBS["taken_in"], "2026-13", r"^'2026-13' is not a day of the calendar$"),
        (JOBS["taken_in"], "2023-02-29", r"^'2023-02-29' is not a day of the calendar$"),
        (JOBS["taken_in"], "0001-01-01", r"is not a date .*\(years 1800 to 2100\)$"),
        (JOBS["taken_in"], datetime.datetime(2026, 5, 1, 12), r"is not a date such as"),
        (JOBS["taken_in"], 20260501, r"^20260501 is not a date"),
        (JOBS["bought_for"], "12,50", r"^'12,50' is not an amount .* at most 2 decimals; write 12\.50$"),
        (JOBS["bought_for"], "1.234,50",
         r"^'1\.234,50' is not an amount written as a plain decimal with at most 2"),
        (JOBS["bought_for"], 12.505,
         r"^12\.505 is not an amount written as a plain decimal with at most 2 decimals$"),
        (JOBS["bought_for"], 0.1 + 0.2, r"^0\.30000000000000004 is not an amount"),
        (JOBS["bought_for"], "12 EUR", r"^'12 EUR' is not an amount"),
        (JOBS["bought_for"], "1e3", r"^'1e3' is not an amount"),
        (JOBS["bought_for"], math.nan, r"^nan is not an amount"),
        (JOBS["bought_for"], Decimal("Infinity"), r"^Infinity is not an amount"),
        (JOBS["bought_for"], True, r"^True is not an amount"),
        (JOBS["bought_for"], -1, r"^-1 is not at least 0$"),
        (JOBS["bought_for"], 10**13, r"^10000000000000 is more than a ledger can hold$"),
        (JOBS["hours"], "10001", r"^'10001' is not at least 0 and at most 10000$"),
        (JOBS["hours"], "½", r"^'½' is not a number written as a plain decimal$"),
        (PARTS["pack_size"], 2.5, r"^2\.5 is not a whole number$"),
        (PARTS["pack_size"], "2.0", r"^'2\.0' is not a whole number$"),
        (PARTS["pack_size"], 0, r"^0 is not at least 1 and at most 100000$"),
        (HEARSAY["age_years"], 0, r"^0 is not above 0 and at most 200$"),
        (HEARSAY["share_failed"], "40 %", r"^'40 %' is not a number"),
    ],
)  # fmt: skip
def test_what_is_refused_and_how(column, value, message):
    with pytest.raises(Refused, match=message):
        read_value(column, value)


# Python words no whole number of more than 4300 digits, and makes a double of none above 1.8e308.
@pytest.mark.parametrize("exponent", [400, 5000])
@pytest.mark.parametrize("column", [*JOBS, *PARTS, *HEARSAY], ids=lambda column: column.name)
def test_no_whole_number_is_too_large_to_be_refused(column, exponent):
    for value in (10**exponent, -(10**exponent)):
        with pytest.raises(Refused, match=r"^a whole number of [0-9]+ bits is more than a ledger can hold$"):
            read_value(column, value)


def test_amounts_have_the_decimals_of_the_currency():
    for exponent, value, meant in (
        (0, "1250", "1250"),
        (3, "1.5", "1.500"),
        (2, "9999999999999.99", "9999999999999.99"),
    ):
        assert str(read_value(JOBS["bought_for"], value, exponent)) == meant
    with pytest.raises(
        Refused, match=r"^'12\.5' is not an amount written as a plain decimal with no decimals$"
    ):
        read_value(JOBS["bought_for"], "12.5", 0)


def test_currencies_have_the_exponents_of_their_list():
    # ISO 4217 list one, from memory.
    assert list(map(exponent_of, ("EUR", "JPY", "KWD", "GBP", "ISK"))) == [2, 0, 3, 2, 0]
    with pytest.raises(InvalidInput, match=r"^ISO 4217 lists no currency 'EURO'; known: AED, .* 'EUR'\?$"):
        exponent_of("EURO")
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
        # Each year begins anew.
        (("20230001", "20230002", "20240001", "20240003"), [("20240002", "20240002", 1)]),
    ],
)
def test_gaps_lie_between_the_numbers_of_a_prefix(jobs, gaps):
    assert [(gap.first, gap.last, gap.size) for gap in missing_numbers(jobs)] == gaps


def test_a_setting_names_a_currency_of_the_list():
    with pytest.raises(Refused, match=r"^ISO 4217 lists no currency 'eur'"):
        read_setting(SETTINGS["currency"], "eur")
