"""Files as people keep them, and the dates, amounts, hours and years in them."""

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
    currency_signs,
    date_readings,
    header_names,
    number_readings,
    plain,
    read_built,
    read_date,
    read_hours,
    read_number,
    read_sheets,
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
    assert read_sheets(write(text, encoding=encoding))[0].rows == rows


def test_cells_are_plain_and_a_ditto_mark_is_no_open_quotation(write):
    (sheet,) = read_sheets(write('Nr;Unit;Note\n1;Larkov T1\n2;";motor\n3;Dallow 80;"x" marks\n'))
    assert sheet.rows[1:3] == [["1", "Larkov T1", None], ["2", '"', "motor"]]
    cells = ["Larkov &amp; Sons", datetime.datetime(2024, 5, 1, 12), datetime.time(1, 30), 3.0, True, ""]
    assert list(map(plain, cells)) == [
        "Larkov & Sons", datetime.date(2024, 5, 1), datetime.timedelta(minutes=90), 3, "yes", None
    ]  # fmt: skip


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
        assert told in refused(read_sheets, place, form).message
    monkeypatch.setattr(spreadsheets, "MOST_BYTES", 3)
    assert "has more than 3 bytes: no sheet that somebody keeps by hand" in refused(read_sheets, path).message


CELL = '<row r="{row}"><c r="{column}{row}" t="inlineStr"><is><t>x</t></is></c></row>'
STRAY = r"(a stray cell far off, perhaps): no sheet that somebody keeps by hand. Nothing was read."


def test_a_workbook_formatted_to_the_last_row_is_read(tmp_path):
    empty = '<row r="1048576" s="1"><c r="A1048576" s="1"/></row>'  # a cell without content is none
    (sheet,) = read_sheets(write_xlsx(tmp_path / "a.xlsx", CELL.format(row=1, column="A") + empty))
    assert sheet.rows == [["x"]]


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
    ],
)  # fmt: skip
def test_what_would_fill_the_memory_is_refused_at_once(tmp_path, name, content, message):
    writer = {"ods": write_ods, "xlsx": write_xlsx}.get(name[2:], lambda path, text: path.write_text(text))
    writer(tmp_path / name, content)
    started = time.process_time()
    assert refused(read_sheets, tmp_path / name).message == message
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
            read_sheets(tmp_path / "a.xlsx")
        except InvalidInput as error:
            told.add(error.message.partition(":")[0])
    # A damaged list of contents may claim any size.
    assert told - {"a.xlsx unpacks to more than 50,000,000 bytes"} == {"a.xlsx cannot be read as a workbook"}


def test_a_merged_cell_stands_in_each_of_its_rows():
    (sheet,) = read_sheets(SHEETS / "08_nkem_lots.xlsx")
    assert header_names(sheet, [1, 2])[:4] == ["Photo", "BUYING Where", "BUYING When", "BUYING €"]
    rows, passed = table_rows(sheet, [1, 2], set())
    third = {row.number: row for row in rows}[5]
    assert (third.cells["BUYING €"], third.merged["BUYING €"]) == (25, (4, 2))
    heading = "a heading, or only its first cell is filled"
    assert passed == [*((number, heading) for number in (3, 22, 55, 87)), (110, "sums")]
    assert third.cells["(heading above)"] == "2024"


def test_a_table_is_told_from_what_stands_around_it(write):
    text = (
        "My repairs;;;\nNo;Unit;Price;Notes\n1;Larkov T1;12;x\n------;-----;----;---\n;;;\n2;Larkov T1;13;\n"
        "Total;;25;\nNo;Unit;Price;Notes\n== 2024 ==;;;\n3;Dallow 80;4;sum of all evils\n;;29;\n"
        "Unit;No;Notes;Price\nDallow 80;4;late;5\n3.4.2024;5;;\n"
    )
    rows, passed = table_rows(read_sheets(write(text))[0], [2], set(), [3])
    assert passed == [
        (1, "above the header"), (3, "left out by the plan"), (4, "a line between rows"), (7, "sums"),
        (8, "the header again"), (9, "a heading, or only its first cell is filled"), (11, "numbers only"),
        (12, "a header"),
    ]  # fmt: skip
    assert [(row.number, row.text("No"), row.text("Unit"), row.text("Price")) for row in rows] == [
        (6, "2", "Larkov T1", "13"), (10, "3", "Dallow 80", "4"), (13, "4", "Dallow 80", "5"),
        (14, "5", "3.4.2024", ""),  # a day is no number
    ]  # fmt: skip
    assert [row.year for row in rows] == [None, 2024, 2024, 2024]


def test_a_header_of_two_rows_and_empty_or_equal_names(write):
    (sheet,) = read_sheets(write("Buy;;Sell;;\nDate;Price;Date;Price;\n1;2;3;4;5\n"))
    assert header_names(sheet, [1, 2]) == ["Buy Date", "Buy Price", "Sell Date", "Sell Price", "column E"]
    assert header_names(sheet, [2]) == ["Date", "Price", "Date (2)", "Price (2)", "column E"]


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
        ("1.234.567", None, "1234567"), ("1.250", "comma", "1250"), ("1.250", "point", "1.250"),
        ("0,125", None, "0.125"), ("€ 12,-", None, "12"), ("12,– €", None, "12"), ("£7", None, "7"),
        ("-3,5 EUR", None, "-3.5"), ("7 quid", None, "7"), ("$1,250.00", None, "1250.00"),
        ("(27.50)", None, "-27.50"),
    ],
)  # fmt: skip
def test_numbers_as_written(cell, mark, number):
    assert read_number(cell, mark) == Decimal(number)


def test_numbers_that_are_none_or_two():
    assert number_readings("1.250") == {"comma": 1250, "point": Decimal("1.250")}
    assert number_readings("12,5") == {"comma": Decimal("12.5")}
    for cell, mark, told in (
        ("1.250", None, "'1.250' is read differently with a decimal comma and a point; say which"),
        ("12.50", "comma", "'12.50' is not written with the decimal comma"),
        *((cell, None, f"{cell!r} is no number that can be read")
          for cell in ("VB 75", "12 + 3", "free", "3.4.2024", "€345.,,345€")),
    ):  # fmt: skip
        assert refused(read_number, cell, mark).message == told


def test_signs_of_currencies():
    assert [currency_signs(cell) for cell in ("12 €", "£3", "$3", "belt", 3)] == [
        {"EUR"},
        {"GBP"},
        {"?"},
        set(),
        set(),
    ]


@pytest.mark.parametrize(
    ("cell", "unit", "hours"),
    [
        ("1:30", None, "1.5"), ("1h30", None, "1.5"), ("90 min", None, "1.5"), ("1,5 h", None, "1.5"),
        ("2h", None, "2"), ("1 h 15 min", None, "1.25"), (datetime.timedelta(minutes=45), None, "0.75"),
        (1.5, "hours", "1.5"), (90, "minutes", "1.5"), ("~2h", None, "2"),
    ],
)  # fmt: skip
def test_spans_of_time_as_written(cell, unit, hours):
    assert read_hours(cell, None, unit) == Decimal(hours)


def test_a_bare_number_needs_a_unit():
    said = refused(read_hours, 90, None, None).message
    assert said == "'90' may be hours or minutes; the plan does not say"


@pytest.mark.parametrize(
    ("cells", "window"),
    [
        ([1979, "'79", datetime.date(1979, 1, 1)], (1979, 1979, False)), (["1978-81", "1978 - 1981"], (1978, 1981, False)),
        (["70s"], (1970, 1979, False)), (["80er"], (1980, 1989, False)), (["early 80s"], (1980, 1984, False)),
        (["Ende 70er"], (1975, 1979, False)), (["mid-'80s"], (1983, 1987, False)),
        (["ca. 1979", "1979?", "~1979", "c1979", "um 1979"], (1979, 1979, True)),
    ],
)  # fmt: skip
def test_years_of_production_as_written(cells, window):
    assert [read_built(cell) for cell in cells] == [window] * len(cells)
    for cell in ("old", "1981-78"):
        assert refused(read_built, cell).message == f"{cell!r} is no year of production that can be read"
