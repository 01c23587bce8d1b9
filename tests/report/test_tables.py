"""Tables: captions, units, and text that never becomes markup."""

import pandas as pd
import pytest

from reliability.report import format
from reliability.report.format import Shown, bullets, paragraph, section, verdict_mark

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
    frame = pd.DataFrame({"component": [None], "none": [float("nan")]})
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
    said = [format.limit(each, "EUR") for each in (40.9, 1.0, 0.99, 0.0, -0.2, None, float("nan"))]
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


def test_a_name_is_a_link_only_where_there_is_a_page() -> None:
    frame = pd.DataFrame({"component": ["belt", "head"], "page": ["../components/belt.html", None]})
    html = format.table(frame, [format.linked("Component", "component")], caption="Parts")
    assert '<a href="../components/belt.html"><bdi>belt</bdi></a>' in html
    assert '<th scope="row"><bdi>head</bdi></th>' in html
