"""How numbers, names and rows are said, what a table is made of, and what pages' files are called."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reliability.report import format
from reliability.report.format import bullets, paragraph, slugs, verdict_mark, window
from reliability.report.show import Shown, show
from tests.report.conftest import rows_of

NAN = float("nan")


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        # A share never claims certainty.
        *((format.share(value), said) for value, said in (
            (0.347, "35\u00a0%"), (0.0, "under 1\u00a0%"), (0.005, "1\u00a0%"), (0.99, "99\u00a0%"),
            (0.995, "over 99\u00a0%"), (1.0, "over 99\u00a0%"), (None, "–"), (NAN, "–"))),
        # Halves are rounded away from zero, where Python's round() would give 0 and 2.
        (format.money(0.5, "EUR"), "1\u00a0EUR"),
        (format.money(2.5, "EUR"), "3\u00a0EUR"),
        # Money has a real minus, and no minus zero.
        (format.money(-12.4, "EUR"), "−12\u00a0EUR"),
        (format.money(-0.2, "EUR"), "0\u00a0EUR"),
        (format.money(12345, "EUR"), "12\u202f345\u00a0EUR"),
        (format.money(NAN, "EUR"), format.NOTHING),
        # A price to go up to is rounded down and has one word below zero.
        *((format.limit(value, "EUR"), said) for value, said in (
            (40.9, "40\u00a0EUR"), (1.0, "1\u00a0EUR"), (0.99, "only for free"), (0.0, "only for free"),
            (-0.2, "not even for free"), (None, format.NOTHING), (NAN, format.NOTHING))),
        (format.span(0.214, 0.5), "21 to 50\u00a0%"),
        (format.span(0.749, 0.751), "75\u00a0%"),
        (format.span(None, 0.5), format.NOTHING),
        # Hours and years say no more than is known.
        (format.hours(1.64), "1.6\u00a0h"),
        (format.set_at(6, "EUR"), "6\u00a0EUR"),
        (format.set_at(7.5, "EUR"), "7.50\u00a0EUR"),
        (format.set_at(0.125, "KWD"), "0.125\u00a0KWD"),
        (format.set_at(1500, "JPY"), "1\u202f500\u00a0JPY"),
        (format.hours(2.0), "2\u00a0h"),
        (format.hours(12.4), "12\u00a0h"),
        (format.hours(None), format.NOTHING),
        (format.years(41.2), "41\u00a0years"),
        (format.years(1.0), "1\u00a0year"),
        (format.years(2.25), "2.2\u00a0years"),
        (format.years(900.0), "over 200\u00a0years"),
        (format.years(NAN), format.NOTHING),
        *((format.counted(n, "job"), said) for n, said in ((0, "no jobs"), (1, "1 job"), (12, "12 jobs"))),
        (format.counted(2, "family", "families"), "2 families"),
        (format.listed([]), ""),
        (format.listed(["belt"]), "belt"),
        (format.listed(["belt", "gear", "head"]), "belt, gear and head"),
        (window(1979, 1979), "1979"),
        (window(1979, 1984), "1979 to 1984"),
        (window(1979, NAN), "from 1979"),
        (window(NAN, 1984), "until 1984"),
        (window(NAN, NAN), ""),
        (paragraph("", ""), ""),
        (paragraph("A.", "", "B."), "<p>A. B.</p>"),
        (paragraph("A.", kind="soft"), '<p class="soft">A.</p>'),
        (bullets([]), ""),
        (bullets(["<b>a</b>", "c"]), "<ul><li><b>a</b></li><li>c</li></ul>"),
        (format.name(NAN), format.NOTHING),
        (repr(Shown("<p>A.</p>")), "<part of a page, 9 characters>"),
        (Shown("<p>A.</p>")._repr_html_(), "<p>A.</p>"),
    ],
)  # fmt: skip
def test_how_each_thing_is_said(said, expected):
    assert said == expected


# ---- Markup: text of the ledger never becomes any


def test_a_verdict_is_a_mark_and_a_word():
    for verdict in ("take", "haggle", "try one", "skip"):
        html = verdict_mark(verdict)
        assert f"</svg> {verdict}</span>" in html
    with pytest.raises(KeyError, match="perhaps"):
        verdict_mark("perhaps")


def test_a_table_has_a_caption_and_each_cell_knows_its_head(awkward):
    evil = "<script>alert('1')</script>\"&"
    rows = pd.DataFrame({"why": [evil, "worn <td>"], "findings": [12, 3], "treated": ["left out", evil]})
    html = show(awkward, "ledger", "left_out", rows=rows).html
    assert '<table class="rows">' in html  # the style sheet stacks its rows on a phone
    assert "<caption><div><strong>By reason</strong></div></caption>" in html
    assert '<th scope="col" class="number">Findings</th>' in html
    assert '<th scope="row">&lt;script&gt;alert(&#39;1&#39;)&lt;/script&gt;&#34;&amp;</th>' in html
    assert '<td class="number leads" data-head="Findings">12</td>' in html
    assert rows_of(html) == ["Why Findings What became of them", f"{evil} 12 left out", f"worn <td> 3 {evil}"]


# ---- File names of pages


def test_plain_names_stay_readable_and_others_are_told_apart_by_a_mark():
    assert slugs(["Tarnwick T2", "Dallow 80 – S"]) == {
        "Tarnwick T2": "tarnwick-t2",
        "Dallow 80 – S": "dallow-80-s",
    }
    found = slugs(["T-2", "T 2", "t2", "עברית", "con", "Ω 3"])
    assert found["t2"] == "t2"
    assert len(set(found.values())) == 6
    starts = {"T-2": "t-2-", "T 2": "t-2-", "con": "con-", "Ω 3": "3-"}  # con is a device on some systems
    assert all(found[name].startswith(start) for name, start in starts.items())
    assert len(found["עברית"]) == 8


@given(st.sets(st.text(min_size=1, max_size=90), max_size=12))
def test_every_name_gets_a_safe_file_of_its_own(names):
    found = slugs(sorted(names))
    assert len(set(found.values())) == len(names)
    for slug in found.values():
        assert slug
        assert len(slug) < 80
        assert set(slug) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")
        assert not slug.startswith("-")
