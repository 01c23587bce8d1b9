"""How numbers, names and rows are said, what a table is made of, and what pages' files are called."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reliability.report import format
from reliability.report.data import ReportData
from reliability.report.format import bullets, found_by_job, paragraph, slugs, verdict_mark, window
from reliability.report.show import Shown, show
from tests.report.conftest import rows_of

NAN = float("nan")


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0.347, "35\u00a0%"),
        (0.0, "under 1\u00a0%"),
        (0.005, "1\u00a0%"),
        (0.99, "99\u00a0%"),
        (0.995, "over 99\u00a0%"),
        (1.0, "over 99\u00a0%"),
        (None, "–"),
        (NAN, "–"),
    ],
)
def test_share_never_claims_certainty(value: float | None, said: str) -> None:
    assert format.share(value) == said


def test_halves_are_rounded_away_from_zero() -> None:
    # Python's round() would give 0 and 2.
    assert format.money(0.5, "EUR") == "1\u00a0EUR"
    assert format.money(2.5, "EUR") == "3\u00a0EUR"


def test_money_has_a_real_minus_and_no_minus_zero() -> None:
    assert format.money(-12.4, "EUR") == "−12\u00a0EUR"
    assert format.money(-0.2, "EUR") == "0\u00a0EUR"
    assert format.money(12345, "EUR") == "12\u202f345\u00a0EUR"
    assert format.money(NAN, "EUR") == format.NOTHING


def test_spans() -> None:
    assert format.span(0.214, 0.5) == "21 to 50\u00a0%"
    assert format.span(0.749, 0.751) == "75\u00a0%"
    assert format.span(None, 0.5) == format.NOTHING


def test_hours_and_years_say_no_more_than_is_known() -> None:
    assert format.hours(1.64) == "1.6\u00a0h"
    assert format.hours(2.0) == "2\u00a0h"
    assert format.hours(12.4) == "12\u00a0h"
    assert format.hours(None) == format.NOTHING
    assert format.years(41.2) == "41\u00a0years"
    assert format.years(1.0) == "1\u00a0year"
    assert format.years(2.25) == "2.2\u00a0years"
    assert format.years(900.0) == "over 200\u00a0years"
    assert format.years(NAN) == format.NOTHING


def test_counts_and_lists() -> None:
    assert [format.counted(n, "job") for n in (0, 1, 12)] == ["no jobs", "1 job", "12 jobs"]
    assert format.counted(2, "family", "families") == "2 families"
    assert format.listed([]) == ""
    assert format.listed(["belt"]) == "belt"
    assert format.listed(["belt", "gear", "head"]) == "belt, gear and head"


def test_windows_of_years() -> None:
    assert window(1979, 1979) == "1979"
    assert window(1979, 1984) == "1979 to 1984"
    assert window(1979, NAN) == "from 1979"
    assert window(NAN, 1984) == "until 1984"
    assert window(NAN, NAN) == ""


def test_what_was_found_is_said_worst_first() -> None:
    findings = pd.DataFrame(
        [
            ("1", "belt", "", "sound", "as received", "none"),
            ("1", "gear", "", "worn", "as received", "serviced"),
            ("1", "head", "left", "failed", "as received", "replaced"),
            ("1", "switch", "", "failed", "during work", "none"),
            ("2", "belt", "", "sound", "as received", "none"),
        ],
        columns=["job", "component", "position", "found", "arose", "action"],
    )
    assert found_by_job(findings) == {
        "1": "head (left) failed, replaced; switch failed during work; gear worn, serviced; 1 sound",
        "2": "1 sound",
    }


# ---- Markup: text of the ledger never becomes any


def test_a_price_to_go_up_to_is_rounded_down_and_has_one_word_below_zero() -> None:
    said = [format.limit(each, "EUR") for each in (40.9, 1.0, 0.99, 0.0, -0.2, None, NAN)]
    zero = ["only for free", "only for free", "not even for free", format.NOTHING, format.NOTHING]
    assert said == ["40\u00a0EUR", "1\u00a0EUR", *zero]


def test_a_verdict_is_a_mark_and_a_word() -> None:
    for verdict in ("take", "haggle", "try one", "skip"):
        html = verdict_mark(verdict)
        assert f"</svg> {verdict}</span>" in html
    with pytest.raises(KeyError, match="perhaps"):
        verdict_mark("perhaps")


def test_small_pieces() -> None:
    assert paragraph("", "") == ""
    assert paragraph("A.", "", "B.") == "<p>A. B.</p>"
    assert paragraph("A.", kind="soft") == '<p class="soft">A.</p>'
    assert bullets([]) == ""
    assert bullets(["<b>a</b>", "c"]) == "<ul><li><b>a</b></li><li>c</li></ul>"
    assert format.name(NAN) == format.NOTHING
    assert repr(Shown("<p>A.</p>")) == "<part of a page, 9 characters>"
    assert Shown("<p>A.</p>")._repr_html_() == "<p>A.</p>"


def test_a_table_has_a_caption_and_each_cell_knows_its_head(awkward: ReportData) -> None:
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


def test_plain_names_stay_readable() -> None:
    assert slugs(["Tarnwick T2", "Dallow 80 – S"]) == {
        "Tarnwick T2": "tarnwick-t2",
        "Dallow 80 – S": "dallow-80-s",
    }


def test_names_that_would_share_a_file_are_told_apart() -> None:
    found = slugs(["T-2", "T 2", "t2"])
    assert found["t2"] == "t2"
    assert len(set(found.values())) == 3
    assert all(found[each].startswith("t-2-") for each in ("T-2", "T 2"))


def test_a_name_without_latin_letters_or_of_a_device_gets_a_mark() -> None:
    found = slugs(["עברית", "con", "Ω 3"])
    assert found["con"].startswith("con-")
    assert found["Ω 3"].startswith("3-")
    assert len(found["עברית"]) == 8


@given(st.sets(st.text(min_size=1, max_size=90), max_size=12))
def test_every_name_gets_a_safe_file_of_its_own(names: set[str]) -> None:
    found = slugs(sorted(names))
    assert len(set(found.values())) == len(names)
    for slug in found.values():
        assert slug
        assert len(slug) < 80
        assert set(slug) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")
        assert not slug.startswith("-")
