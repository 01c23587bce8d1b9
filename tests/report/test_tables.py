"""Tables: captions, units, and text that never becomes markup."""

import pandas as pd
import pytest

from reliability.report import format
from reliability.report.format import Shown, bullets, paragraph, section, verdict_mark

EVIL = "<script>alert('1')</script>\"&"
SAFE = "&lt;script&gt;alert(&#x27;1&#x27;)&lt;/script&gt;&quot;&amp;"


def test_a_table_scrolls_by_itself_and_has_a_caption() -> None:
    frame = pd.DataFrame(
        {"component": ["belt"], "failed": [0.25], "low": [0.1], "high": [0.5], "cost": [14.0]}
    )
    fields = [
        format.label("Component", "component"),
        format.chance("Failed", "failed", "low", "high"),
        format.amount("Part", "cost", "EUR"),
    ]
    html = format.table(frame, fields, caption="Parts & more", says="How to read it.")
    assert 'role="region" tabindex="0" aria-label="Parts &amp; more"' in html
    assert (
        "<caption><div><strong>Parts &amp; more</strong><span>How to read it.</span></div></caption>" in html
    )
    assert '<th scope="row"><bdi>belt</bdi></th>' in html
    assert '<td class="number">25\u00a0%<small>10 to 50\u00a0%</small></td>' in html
    assert '<th scope="col" class="number">Part</th>' in html
    assert "14\u00a0EUR" in html


def test_missing_values_are_dashes_and_open_ends_are_said() -> None:
    frame = pd.DataFrame(
        {"component": [None], "life": [20.0], "low": [11.0], "high": [None], "none": [float("nan")]}
    )
    fields = [
        format.label("Component", "component"),
        format.age("Half failed by", "life", "low", "high"),
        format.number("Records", "none"),
    ]
    html = format.table(frame, fields, caption="Lives")
    assert f'<th scope="row">{format.NOTHING}</th>' in html
    assert "20\u00a0years<small>11 to no end</small>" in html
    assert f'<td class="number">{format.NOTHING}</td>' in html


def test_text_of_the_ledger_stays_text_everywhere() -> None:
    frame = pd.DataFrame({"name": [EVIL]})
    grid = pd.DataFrame({EVIL: [0.4]}, index=[EVIL])
    remarks = pd.DataFrame({EVIL: [EVIL]}, index=[EVIL])
    made = [
        format.table(frame, [format.label(EVIL, "name")], caption=EVIL, says=EVIL),
        format.heat_map(grid, remarks, caption=EVIL, says=EVIL, row_head=EVIL, links={EVIL: EVIL}),
    ]
    for html in made:
        assert "<script" not in html
        assert SAFE in html


def test_a_heat_map_says_every_number() -> None:
    grid = pd.DataFrame({"belt": [0.04, 1.0], "gear": [float("nan"), 0.5]}, index=["T2", "Dallow"])
    remarks = pd.DataFrame("3 records", index=grid.index, columns=grid.columns)
    html = format.heat_map(
        grid, remarks, caption="Failed", says="", row_head="Family", links={"T2": "families/t2.html"}
    )
    assert '<a href="families/t2.html"><bdi>T2</bdi></a>' in html
    assert f'<td class="heat">{format.NOTHING}</td>' in html
    assert "var(--heat) 0%" in html
    assert "var(--heat) 55%" in html
    assert "over 99\u00a0%<small>3 records</small>" in html


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


def test_a_range_of_ages_says_its_unit_once() -> None:
    assert format.years_span(11.0, 19.0) == "11 to 19\u00a0years"
    assert format.years_span(37.0, 400.0) == "37 to over 200\u00a0years"
    assert format.years_span(None, 19.0) == "up to 19\u00a0years"


def test_both_chief_risks_are_named_where_there_are_two() -> None:
    rows = pd.DataFrame({"chief_risk": ["<belt>", "gear", None], "rival_risk": ["motor", None, None]})
    said = [format.risks(row) for row in rows.itertuples()]
    assert said == ["<bdi>&lt;belt&gt;</bdi> and <bdi>motor</bdi>", "<bdi>gear</bdi>", ""]
