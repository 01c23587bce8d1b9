"""How numbers, names and rows are said and shown, and what pages' files are called."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reliability.report import format
from reliability.report.format import (
    Shown,
    bullets,
    found_by_job,
    paragraph,
    section,
    slugs,
    verdict_mark,
    window,
)

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


# ---- Tables, and text that never becomes markup

EVIL = "<script>alert('1')</script>\"&"
SAFE = "&lt;script&gt;alert(&#x27;1&#x27;)&lt;/script&gt;&quot;&amp;"


def test_a_table_has_a_caption_and_each_cell_knows_its_head() -> None:
    frame = pd.DataFrame({"component": ["belt"], "failed": [0.25], "cost": [14.0]})
    fields = [
        format.label("Component", "component"),
        format.number("Failed", "failed", format.share),
        format.Field("Ended jobs", lambda row: "3", short="Ended"),
        format.amount("Part", "cost", "EUR"),
    ]
    html = format.table(frame, fields, caption="Parts & more", says="How to read it.")
    assert html.startswith('<table class="rows">')  # the style sheet stacks its rows on a phone
    assert (
        "<caption><div><strong>Parts &amp; more</strong><span>How to read it.</span></div></caption>" in html
    )
    assert '<th scope="row"><bdi>belt</bdi></th>' in html
    assert '<td class="number" data-head="Failed">25\u00a0%</td>' in html
    assert (
        '<td class="text" data-head="Ended">3</td>' in html
    )  # a shorter word where the head is out of sight
    assert '<th scope="col" class="number">Part</th>' in html
    assert "14\u00a0EUR" in html


def test_missing_values_are_dashes() -> None:
    frame = pd.DataFrame({"component": [None], "none": [NAN]})
    fields = [format.label("Component", "component"), format.number("Records", "none")]
    html = format.table(frame, fields, caption="Lives")
    assert f'<th scope="row">{format.NOTHING}</th>' in html
    assert f'<td class="number" data-head="Records">{format.NOTHING}</td>' in html


def test_rows_stand_in_their_groups_under_their_heads() -> None:
    frame = pd.DataFrame({"family": ["T2", "D80", "X1"]})
    groups = [("<b>take</b>", [True, False, True]), ("skip", [False, True, False])]
    html = format.table(
        frame, [format.label("Family", "family")], caption="All", groups=groups, kind="verdicts"
    )
    assert html.startswith('<table class="rows verdicts">')
    first, second = html.split("<tbody>")[1:]
    assert '<tr class="group"><th scope="rowgroup" colspan="1"><b>take</b></th></tr>' in first
    assert [name in first for name in ("T2", "D80", "X1")] == [True, False, True]
    assert [name in second for name in ("T2", "D80", "X1")] == [False, True, False]


def test_a_price_to_go_up_to_is_rounded_down_and_has_one_word_below_zero() -> None:
    said = [format.limit(each, "EUR") for each in (40.9, 1.0, 0.99, 0.0, -0.2, None, NAN)]
    zero = ["only for free", "only for free", "not even for free", format.NOTHING, format.NOTHING]
    assert said == ["40\u00a0EUR", "1\u00a0EUR", *zero]


def test_text_of_the_ledger_stays_text_everywhere() -> None:
    frame = pd.DataFrame({"name": [EVIL]})
    html = format.table(frame, [format.label(EVIL, "name")], caption=EVIL, says=EVIL)
    assert "<script" not in html
    assert SAFE in html


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
    shown = section("why", "Why <so>", "<p>A.</p>", "")
    assert isinstance(shown, Shown)
    assert '<h2 id="why">Why &lt;so&gt;</h2>' in shown._repr_html_()
    assert repr(shown) == f"<part of a page, {len(shown.html)} characters>"


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
