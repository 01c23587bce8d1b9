# Messages are quoted whole.
# ruff: noqa: E501

import csv

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reliability.records.package import CsvTable, Layout, neutralised, restored, write_table
from reliability.records.tables import TABLES


def write_csv(file, table, rows):
    write_table(file, table.names, ([row[name] for name in table.names] for row in rows))


@pytest.fixture
def read(tmp_path):
    def read(content, table="signs", layout=None, exponent=2):
        file = tmp_path / f"{table}.csv"
        file.write_bytes(content if isinstance(content, bytes) else content.encode())
        source = CsvTable(file, TABLES[table], exponent, layout)
        lines = list(source.lines())
        faults = [str(source.fault(line.number, *c)) for line in lines for c in line.complaints]
        return lines, faults + [str(fault) for fault in source.faults]

    return read


def rows(lines):
    return [(line.number, *line.row.values()) for line in lines]


@pytest.mark.parametrize(
    "content",
    [
        "job,sign,seen\r\n1,rust,yes\r\n2,hum,no\r\n",
        "job,sign,seen\n1,rust,yes\n2,hum,no",
        "\ufeffjob,sign,seen\n1,rust,yes\n2,hum,no\n",
        '"job","sign","seen"\n"1","rust","yes"\n"2","hum","no"\n',
        "seen,job,sign\nyes,1,rust\nno,2,hum\n",
        " job , sign,seen \n 1 , rust\u00a0, yes\n\t2,hum,no \n",
    ],
)
def test_ways_of_writing_the_same_file(read, content):
    lines, faults = read(content)
    assert faults == []
    assert rows(lines) == [(2, "1", "rust", "yes"), (3, "2", "hum", "no")]


def test_empty_rows_are_passed_over_and_lines_counted_as_an_editor_does(read):
    lines, faults = read(
        'job,family,taken_in,outcome,remarks\n\n1,F,2026-05,open,"one\r\ntwo"\n,,,,\n2,F,2026-05,open, \n',
        "jobs",
    )
    assert faults == []
    assert [(line.number, line.row["job"], line.row["remarks"]) for line in lines] == [
        (3, "1", "one\ntwo"),
        (6, "2", None),
    ]


@pytest.mark.parametrize(
    ("content", "faults"),
    [
        ("job,sign,seen\n1,rust,maybe\n2,hum\n3,a,no,\n",
         ["signs.csv, line 2, column seen: 'maybe' is not one of yes, no.",
          "signs.csv, line 3: has 2 cells, but the header has 3",
          "signs.csv, line 4: has 4 cells, but the header has 3"]),
        ("job,sign,sene\n1,rust,yes\n",
         ["signs.csv, line 1, column sene: signs has no such column; it has job, sign, seen. Did you mean 'seen'?"]),
        ("job,sign,seen,seen\n1,rust,yes,yes\n", ["signs.csv, line 1, column seen: stands in the header more than once"]),
        ("job,sign\n1,rust\n", ["signs.csv, line 1: the header lacks seen, which every row needs"]),
        ("", ["signs.csv, line 1: the header lacks job, sign, seen, which every row needs"]),
        ("job;sign;seen\n1;rust;yes\n",
         ["signs.csv, line 1: the header is separated by semicolons; name the delimiter, or save with commas"]),
        ("job\tsign\tseen\n", ["signs.csv, line 1: the header is separated by tabs; name the delimiter, or save with commas"]),
        ('job,sign,seen\n1,"rust,yes\n2,hum,no\n',
         ["signs.csv, line 3: is not CSV: unexpected end of data; the rest of the file was not read"]),
        ('job,sign,seen\n1,rust,yes\n2,"h"um,no\n3,a,b\n',
         ["signs.csv, line 3: is not CSV: ',' expected after '\"'; the rest of the file was not read"]),
        (b"job,sign,seen\n1,rust,yes\n2,br\xfbl\xe9,no\n",
         ["signs.csv, line 3, column sign: is not UTF-8 (byte 0xFB after 'br'); save the file as UTF-8"]),
        (b"job,s\xefgn,seen\n1,rust,yes\n",
         ["signs.csv, line 1: the 2. header is not UTF-8 (byte 0xEF after 's'); save the file as UTF-8"]),
        (b'job,sign,seen\n1,"a\nb\xff",yes\n2,hum,no\n3,caf\xe9,n\xf6\n',
         ["signs.csv, line 2, column sign: is not UTF-8 (byte 0xFF after 'a\\nb'); save the file as UTF-8",
          "signs.csv, line 5, column sign: is not UTF-8 (byte 0xE9 after 'caf'); save the file as UTF-8",
          "signs.csv, line 5, column seen: is not UTF-8 (byte 0xF6 after 'n'); save the file as UTF-8"]),
        (b"PK\x03\x04\x14\x00\x08", ["signs.csv, line 1: is a spreadsheet or an archive; save the sheet as CSV in UTF-8"]),
        (b"\xd0\xcf\x11\xe0\xa1\xb1", ["signs.csv, line 1: is a spreadsheet of an old form; save the sheet as CSV in UTF-8"]),
        ("job,si\0gn,seen\n",
         ["signs.csv, line 1, column 'si\\x00gn': signs has no such column; it has job, sign, seen. Did you mean 'sign'?"]),
        ("job,sign,seen\n".encode("utf-16"), ["signs.csv, line 1: is written in UTF-16; save it as UTF-8"]),
        (b"job,sign,seen\n1,rust,yes\n2,caf\xc3", ["signs.csv, line 3: has 2 cells, but the header has 3"]),
        ("job,sign,seen\n1,ru\0st,yes\n",
         ["signs.csv, line 2, column sign: 'ru\\x00st' holds the character U+0000, which a text of one line may not"]),
        ("job,sign,seen\n#NAME?,rust,yes\n",
         ["signs.csv, line 2, column job: '#NAME?' is the error of a spreadsheet formula; mend it there or leave the cell empty"]),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_with_file_line_and_column(read, content, faults):
    assert read(content)[1] == faults


def test_a_folder_in_place_of_a_file_is_a_fault(tmp_path):
    (tmp_path / "signs.csv").mkdir()
    source = CsvTable(tmp_path / "signs.csv", TABLES["signs"], 2)
    assert list(source.lines()) == []
    assert [str(fault) for fault in source.faults] == ["signs.csv: cannot be read: Is a directory"]


def test_semicolons_and_decimal_commas_by_explicit_layout(read):
    layout = Layout(delimiter=";", decimal_comma=True)
    lines, faults = read(
        "family;kind;working_price;price_spread\nT2;tape deck;1250,5;0,2\nT3;radio;1.250,50;\n",
        "families",
        layout,
    )
    assert faults == [
        "families.csv, line 3, column working_price: '1.250,50' has a point, but numbers were announced with a decimal comma"
    ]
    assert (lines[0].row["family"], str(lines[0].row["working_price"]), lines[0].row["price_spread"]) == (
        "T2",
        "1250.50",
        0.2,
    )


@pytest.mark.parametrize(
    ("text", "written"),
    [("=1+1", "'=1+1"), ("+49 30", "'+49 30"), ("-", "'-"), ("@home", "'@home"), ("'=x", "''=x"), ("''-x", "'''-x"),
     ("'tis", "'tis"), ("a=b", "a=b"), ("", "")],
)  # fmt: skip
def test_formulas_are_made_harmless_and_come_back(text, written):
    assert neutralised(text) == written
    assert restored(written) == text


@settings(deadline=None)
@given(st.text(alphabet="'=+-@ab\t＝－\u200b\ufeff", max_size=6))
def test_no_text_is_lost_to_a_spreadsheet(text):
    assert restored(neutralised(text)) == text
    assert not neutralised(text).lstrip("\t\u200b\ufeff").startswith(tuple("=+-@＝＋－＠"))


def test_a_foreign_apostrophe_before_a_formula_is_taken_for_ours(read):
    lines, faults = read("job,sign,seen\n'-5,'twas,yes\n")
    assert faults == []
    assert rows(lines) == [(2, "-5", "'twas", "yes")]


CELLS = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Zl", "Zp")), max_size=20)


@settings(deadline=None)
@given(st.lists(st.tuples(CELLS, st.lists(CELLS, max_size=3).map("\n".join)), max_size=5))
def test_any_text_survives_a_file(tmp_path_factory, texts):
    table, file = TABLES["families"], tmp_path_factory.mktemp("csv") / "families.csv"
    empty = dict.fromkeys(table.names)
    given_rows = [{**empty, "family": f"F{n}", "kind": "radio", "maker": maker.strip() or None, "notes": notes.strip() or None}
                  for n, (maker, notes) in enumerate(texts)]  # fmt: skip
    write_csv(file, table, given_rows)
    first = [line.row for line in CsvTable(file, table, 2).lines()]
    # Accents may have been composed and inner line breaks at the ends trimmed on the way in: once, and never again.
    write_csv(file, table, first)
    content = file.read_bytes()
    second = list(CsvTable(file, table, 2).lines())
    assert [line.row for line in second] == first
    assert not any(line.complaints for line in second)
    write_csv(file, table, first)
    assert file.read_bytes() == content
    assert len(first) == len(given_rows)
    with file.open(encoding="utf-8", newline="") as stream:
        cells = [cell for row in csv.reader(stream) for cell in row]
    assert not any(cell.lstrip().startswith(tuple("=+-@＝＋－＠")) for cell in cells)


def test_a_file_ends_its_lines_as_the_standard_says(tmp_path):
    # RFC 4180, section 2: each record on its own line, ended by CRLF; line breaks inside cells are quoted.
    file = tmp_path / "signs.csv"
    write_csv(file, TABLES["signs"], [{"job": "1", "sign": 'a "b", c', "seen": "yes"}])
    assert file.read_bytes() == b'job,sign,seen\r\n1,"a ""b"", c",yes\r\n'
