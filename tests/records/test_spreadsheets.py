"""Files as people keep them, and the dates, amounts, hours and years in them."""

# Messages are quoted whole.
# ruff: noqa: E501

import datetime
import time
from decimal import Decimal
from pathlib import Path
from random import Random

import pytest

from reliability.errors import InvalidInput
from reliability.records import spreadsheets
from reliability.records.spreadsheets import (
    ORDERS,
    CsvForm,
    csv_forms,
    currency_signs,
    date_readings,
    decimal_marks,
    header_names,
    read_built,
    read_date,
    read_grids,
    read_hours,
    read_number,
    table_rows,
)
from tests.records.refusals import refused
from tests.records.workbooks import write_ods, write_xlsx

SHEETS = Path(__file__).parents[1] / "data" / "sheets"
DMY, MDY, YMD = ORDERS


@pytest.fixture
def write(tmp_path):
    def write(content, name="jobs.csv", encoding="utf-8"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode(encoding))
        return path

    return write


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252", "mac_roman", "cp850"])
@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_a_file_of_any_encoding_and_separator(write, encoding, separator):
    rows = [["Nr", "Gerät", "Preis"], ["1", "Köhler Präzision", "zwölf"], ["2", "Süß, Maß", "3"]]
    text = "\r\n".join(separator.join(f'"{cell}"' for cell in row) for row in rows)
    (grid,) = read_grids(write(text, encoding=encoding))
    assert [cells for _, cells in grid.rows] == rows
    assert [number for number, _ in grid.rows] == [1, 2, 3]


def test_words_that_two_encodings_read_well_are_shown_in_both(write):
    # 0xE9 is é for Windows and È for an old Mac; both are letters.
    forms = csv_forms(write(b"Nr;Zustand\n1;caf\xe9\n"))
    assert [(form.encoding, words) for form, words in forms] == [
        ("cp1252", ["café"]),
        ("mac_roman", ["cafÈ"]),
    ]


def test_a_ditto_mark_is_no_open_quotation(write):
    (grid,) = read_grids(write('Nr;Unit;Note\n1;Larkov T1;belt\n2;";motor\n3;Dallow 80;"x" marks\n'))
    assert [cells for _, cells in grid.rows][2] == ["2", '"', "motor"]


def test_entities_clocks_and_whole_numbers_are_plain(write):
    (grid,) = read_grids(write("a,b\nDallow &amp; Sons,2\n"))
    assert grid.rows[1][1] == ["Dallow & Sons", "2"]
    assert spreadsheets._plain(datetime.datetime(2024, 5, 1, 12)) == datetime.date(2024, 5, 1)
    assert spreadsheets._plain(datetime.time(1, 30)) == datetime.timedelta(minutes=90)
    assert (spreadsheets._plain(3.0), spreadsheets._plain(True), spreadsheets._plain("")) == (3, "yes", None)


def test_what_cannot_be_read_is_said(write, tmp_path, monkeypatch):
    path, quoted = write(b"a;b\ncaf\xe9;1\n"), write('a;b\n";1\n', "quoted.csv")
    for place, form, told in (
        (tmp_path / "none.csv", None, "none.csv cannot be read: No such file"),
        (write(b"PK\x03\x04 and no more", "jobs.xlsx"), None, "jobs.xlsx cannot be read as a workbook: "),
        (write_xlsx(tmp_path / "a.xlsx", "", **{"xl/workbook.bin": b"x"}), None,
         "a.xlsx is a binary workbook; save it as XLSX. Nothing was read."),
        (path, CsvForm("utf-8", ";", True), "jobs.csv is not written in utf-8: "),
        (path, CsvForm("klingon", ";", True), "jobs.csv is not written in klingon: unknown encoding"),
        (quoted, CsvForm("utf-8", ";", True), "quoted.csv is not CSV divided by the semicolon: a quotation mark is not closed"),
    ):  # fmt: skip
        assert told in refused(read_grids, place, form).message
    monkeypatch.setattr(spreadsheets, "MOST_BYTES", 3)
    assert "has more than 3 bytes: no sheet that somebody keeps by hand" in refused(read_grids, path).message


CELL = '<row r="{row}"><c r="{column}{row}" t="inlineStr"><is><t>x</t></is></c></row>'
STRAY = r"(a stray cell far off, perhaps): no sheet that somebody keeps by hand. Nothing was read."


def test_a_workbook_of_no_more_than_a_few_cells_is_read(write, tmp_path):
    (grid,) = read_grids(write_ods(tmp_path / "a.ods", {"jobs": [["No", "Unit"], ["1", "x"]]}))
    assert (grid.name, grid.rows) == ("jobs", [(1, ["No", "Unit"]), (2, ["1", "x"])])
    # Formatted to the last row, as programs do: a cell without content is none.
    empty = '<row r="1048576" s="1"><c r="A1048576" s="1"/></row>'
    (grid,) = read_grids(write_xlsx(tmp_path / "a.xlsx", CELL.format(row=1, column="A") + empty))
    assert grid.rows == [(1, ["x"])]


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("a.csv", "x\n" * 100_001, f"a.csv reaches 100,001 rows down and 1 columns across {STRAY}"),
        ("a.csv", "No" + "," * 1000, f"a.csv reaches 1 rows down and 1,001 columns across {STRAY}"),
        ("a.csv", f"No,Unit\n1,{'x' * 40_000}\n",
         "a.csv, row 2: a cell has 40,000 characters; at most 32,767 are read. Nothing was read."),
        ("a.xlsx", CELL.format(row=1048576, column="XFD"),
         f"a.xlsx reaches 1,048,576 rows down and 16,384 columns across {STRAY}"),
        ("a.xlsx", CELL.format(row=90_000, column="ALL"),
         f"a.xlsx reaches 90,000 rows down and 1,000 columns across {STRAY}"),
        ("a.xlsx", " " * 60_000_000,
         f"a.xlsx unpacks to more than 50,000,000 bytes: {STRAY.partition(': ')[2]}"),
        ("a.ods", {"jobs": [[""]] * 100_000 + [["x"]]},
         f"a.ods reaches 100,001 rows down and 1 columns across {STRAY}"),
        ("a.ods", {"jobs": [["x", "y" * 32_768]]},
         "a.ods, row 1: a cell has 32,768 characters; at most 32,767 are read. Nothing was read."),
    ],
)  # fmt: skip
def test_what_would_fill_the_memory_is_refused_at_once(write, tmp_path, name, content, message):
    writer = {"ods": write_ods, "xlsx": write_xlsx}.get(name[2:], lambda path, text: path.write_text(text))
    writer(tmp_path / name, content)
    started = time.process_time()
    assert refused(read_grids, tmp_path / name).message == message
    assert time.process_time() - started < 2


def test_any_damage_to_a_workbook_is_told(tmp_path):
    whole, random = (SHEETS / "01_harold_bench_book.xlsx").read_bytes(), Random(7)
    told = set()
    for _ in range(60):
        torn = bytearray(whole[: random.choice([len(whole), random.randrange(100, len(whole))])])
        for _ in range(3):
            torn[random.randrange(len(torn))] = random.randrange(256)
        (tmp_path / "a.xlsx").write_bytes(torn)
        try:
            read_grids(tmp_path / "a.xlsx")
        except InvalidInput as error:
            told.add(error.message.partition(":")[0])
    # A damaged list of contents may claim any size.
    assert told - {"a.xlsx unpacks to more than 50,000,000 bytes"} == {"a.xlsx cannot be read as a workbook"}


def test_a_merged_cell_stands_in_each_of_its_rows():
    (grid,) = read_grids(SHEETS / "08_nkem_lots.xlsx")
    names = header_names(grid, [1, 2])
    assert names[:4] == ["Photo", "BUYING Where", "BUYING When", "BUYING €"]
    rows, passed = table_rows(grid, [1, 2], set())
    third = {row.number: row for row in rows}[5]
    assert (third.cells["BUYING €"], third.merged["BUYING €"]) == (25, (4, 2))
    heading = "a heading, or only its first cell is filled"
    assert passed == [*((number, heading) for number in (3, 22, 55, 87)), (110, "sums")]
    assert third.cells["(heading above)"] == "2024"


def test_a_table_is_told_from_what_stands_around_it(write):
    text = (
        "My repairs;;;\nNo;Unit;Price;Notes\n1;Larkov T1;12;x\n------;-----;----;---\n;;;\n2;Larkov T1;13;\n"
        "Total;;25;\nNo;Unit;Price;Notes\n== 2024 ==;;;\n3;Dallow 80;4;sum of all evils\n;;29;\n"
        "Unit;No;Notes;Price\nDallow 80;4;late;5\n"
    )
    (grid,) = read_grids(write(text))
    rows, passed = table_rows(grid, [2], set(), [3])
    assert passed == [
        (1, "above the header"), (3, "left out by the plan"), (4, "a line between rows"), (7, "sums"),
        (8, "the header again"), (9, "a heading, or only its first cell is filled"), (11, "numbers only"),
        (12, "a header"),
    ]  # fmt: skip
    assert [(row.number, row.cells["No"], row.cells["Unit"], row.cells["Price"]) for row in rows] == [
        (6, "2", "Larkov T1", "13"), (10, "3", "Dallow 80", "4"), (13, "4", "Dallow 80", "5")
    ]  # fmt: skip
    assert [row.year for row in rows] == [None, 2024, 2024]


def test_a_header_of_two_rows_and_empty_or_equal_names(write):
    (grid,) = read_grids(write("Buy;;Sell;;\nDate;Price;Date;Price;\n1;2;3;4;5\n"))
    assert header_names(grid, [1, 2]) == ["Buy Date", "Buy Price", "Sell Date", "Sell Price", "column E"]
    assert header_names(grid, [2]) == ["Date", "Price", "Date (2)", "Price (2)", "column E"]


@pytest.mark.parametrize(
    ("cells", "readings"),
    [
        ([datetime.date(2021, 4, 3), "2021-04-03", "2021/4/3", "20210403", "3 Apr 2021", "Apr 3rd, 2021", "Sat 3 Apr 2021",
          "2021-04-03 14:30", 44289], {"": "2021-04-03"}),
        (["3.4.2021"], {DMY: "2021-04-03", MDY: "2021-03-04"}),
        (["13.4.21"], {DMY: "2021-04-13"}), (["4/13/21"], {MDY: "2021-04-13"}),
        (["03-04-05"], {DMY: "2005-04-03", MDY: "2005-03-04", YMD: "2003-04-05"}),
        (["3/4/98"], {DMY: "1998-04-03", MDY: "1998-03-04"}),
        (["MAR 5 2021"], {"": "2021-03-05"}), (["3. März 2021"], {"": "2021-03-03"}), (["5-Mai-21"], {"": "2021-05-05"}),
        (["Apr 2021", "04/2021", "2021-04"], {"": "2021-04"}),
        (["31.2.2021", "3.4.2921", "summer", 12, "12.50", "3.4.", None], {}),
    ],
)  # fmt: skip
def test_every_way_to_read_a_date(cells, readings):
    assert [date_readings(cell) for cell in cells] == [readings] * len(cells)


def test_a_date_is_read_by_the_order_that_is_given_and_never_guessed():
    assert read_date("3.4.2021", [DMY]) == "2021-04-03"
    assert read_date("3.4.2021", [MDY, DMY]) == "2021-03-04"
    assert read_date("4/13/2021", [DMY, MDY]) == "2021-04-13"
    assert read_date("5/5/2021", []) == "2021-05-05"
    assert date_readings("3.10.", 2022) == {DMY: "2022-10-03", MDY: "2022-03-10"}
    assert read_date("3 Oct", [], 2022) == "2022-10-03"
    said = refused(read_date, "3.4.2021", []).message
    assert said == "'3.4.2021' may be 2021-03-04 or 2021-04-03; the plan does not say"
    assert refused(read_date, "summer", [DMY]).message == "'summer' is no date that can be read"


@pytest.mark.parametrize(
    ("cell", "mark", "number"),
    [
        ("12", None, "12"), (12.5, None, "12.5"), ("12,50", None, "12.50"), ("12.50", None, "12.50"),
        ("1.250,00", None, "1250.00"), ("1,250.00", None, "1250.00"), ("1'250.00", None, "1250.00"),
        ("1.234.567", None, "1234567"), ("1.250", ",", "1250"), ("1.250", ".", "1.250"), ("0,125", None,
        "0.125"),
        ("€ 12,-", None, "12"), ("12,– €", None, "12"), ("£7", None, "7"), ("-3,5 EUR", None, "-3.5"),
        ("7 quid", None, "7"), ("$1,250.00", None, "1250.00"), ("(27.50)", None, "-27.50"),
    ],
)  # fmt: skip
def test_numbers_as_written(cell, mark, number):
    assert read_number(cell, mark) == Decimal(number)


def test_numbers_that_are_none_or_two():
    assert decimal_marks("1.250") == {",", "."}
    assert (decimal_marks("12,5"), decimal_marks("12"), decimal_marks(12)) == ({","}, set(), set())
    for cell, mark, told in (
        ("1.250", None, "'1.250' is read differently with a decimal comma and a point; say which"),
        ("12.50", ",", "'12.50' is not written with the decimal comma"),
        *((cell, None, f"{cell!r} is no number that can be read") for cell in ("VB 75", "12 + 3", "free")),
    ):
        assert refused(read_number, cell, mark).message == told


def test_signs_of_currencies():
    assert currency_signs("12 €") == {"EUR"}
    assert currency_signs("£3") == {"GBP"}
    assert currency_signs("$3") == {"?"}
    assert currency_signs("belt") == currency_signs(3) == set()


@pytest.mark.parametrize(
    ("cell", "unit", "hours"),
    [
        ("1:30", None, "1.5"), ("1h30", None, "1.5"), ("90 min", None, "1.5"), ("1,5 h", None, "1.5"),
        ("2h", None, "2"),
        ("1 h 15 min", None, "1.25"), (datetime.timedelta(minutes=45), None, "0.75"), (1.5, "hours", "1.5"),
        (90, "minutes", "1.5"), ("~2h", None, "2"),
    ],
)  # fmt: skip
def test_spans_of_time_as_written(cell, unit, hours):
    assert read_hours(cell, None, unit) == Decimal(hours)


def test_a_bare_number_needs_a_unit():
    said = refused(read_hours, 90, None, None).message
    assert said == "'90' may be hours or minutes; the plan does not say"


@pytest.mark.parametrize(
    ("cell", "window"),
    [
        (1979, (1979, 1979, False)), ("'79", (1979, 1979, False)), ("1978-81", (1978, 1981, False)),
        ("1978 - 1981", (1978, 1981, False)), ("70s", (1970, 1979, False)), ("80er", (1980, 1989, False)),
        ("ca. 1979", (1977, 1981, True)), ("1979?", (1977, 1981, True)), ("~1979", (1977, 1981, True)),
        ("um 1987", (1985, 1989, True)), ("early 80s", (1980, 1984, False)),
        ("Ende 70er", (1975, 1979, False)), ("mid-'80s", (1983, 1987, False)), ("c1979", (1977, 1981, True)),
        (datetime.date(1979, 1, 1), (1979, 1979, False)),
    ],
)  # fmt: skip
def test_years_of_production_as_written(cell, window):
    assert read_built(cell, 2) == window


def test_a_year_that_is_none_or_rough():
    for cell, about, told in (
        ("old", 2, "'old' is no year of production that can be read"),
        ("1981-78", 2, "'1981-78' is no year of production that can be read"),
        ("ca. 1979", None, "'ca. 1979' is a rough year; the plan does not say how rough"),
    ):
        assert refused(read_built, cell, about).message == told
