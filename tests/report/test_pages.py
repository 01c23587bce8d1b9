"""All pages of a ledger together: what those of thin ledgers say, and that they hang together."""

import re
from html import unescape
from urllib.parse import unquote

import pytest

from reliability.report.pages import part
from reliability.report.run import all_pages
from tests.report.conftest import THIN, said_by, thin

PARTS = {
    "fleet": ("answer", "cost", "faults", "forecasts", "years"),
    "earnings": ("answer", "months", "waiting", "spent"),
    "index": ("answer", "changed", "waiting", "newest", "components"),
    "ledger": ("answer", "doubtful", "cannot_tell", "left_out"),
}
NO_JOB = (
    "money lost in the jobs that each component ended no jobs yet.",
    "month by month no jobs yet.",
    "what to take, up to what no jobs yet.",
    "it can tell nothing yet: there are no jobs.",
    "no job is finished yet.",
    "; there were none before.",
)
NOTHING_ENDED = ("no component has ended a job yet.", "no component has been examined yet.")
# 15 kept, less 20 for the unit; two hours, which are free.
LOST_5 = ("the last 2 months lost 5 EUR in 1 job and 2 h: −3 EUR an hour.", "0 of 1 so far → next")
SAYS = {
    "no family": NO_JOB,
    "no job": (*NO_JOB, "a verdict needs a price that was paid for a unit"),
    "one open job": (
        "no finished jobs, 1 open; no number is missing.",
        "1 job is open; 20 EUR is in its unit.",
        "what does it earn? no jobs yet.",
        "; there were none before.",
    ),
    "one job": (*LOST_5, *NOTHING_ENDED, "1 finished job, none open; no number is missing."),
    "one component seen once": (
        *LOST_5,
        "belt ended the jobs that lost most: 5 EUR in 1 job.",
        "% failed, 1 record",
    ),
    "imported only": (*NO_JOB, "it also holds 1 job from elsewhere"),
}
"""What the pages about the whole bench say of each thin ledger, capitals apart."""


@pytest.mark.parametrize("name", THIN)
def test_a_ledger_of_next_to_nothing_says_so(name):
    report = thin(name)
    pieces = [part(report, page, name) for page, parts in PARTS.items() for name in parts]
    said = said_by(*pieces, part(report, "index", "verdicts", frame=report.ranking)).lower()
    assert [each for each in SAYS[name] if each.lower() not in said] == []
    assert "no forecast can be checked against its outcome yet" in said
    assert "no repaired unit is unsold." in said
    assert "nan" not in said.split()


def test_every_link_leads_to_a_page_no_name_is_used_twice_and_none_is_markup(awkward_report, awkward):
    for wanted in all_pages(awkward):
        path = awkward_report / wanted.target
        html = path.read_text("utf-8")
        assert not re.search("<script|<b onmouseover|<i>motor|<em>rust|<u>", html)
        ids = re.findall(r' id="([^"]+)"', html)
        assert len(set(ids)) == len(ids)
        for target in re.findall(r' href="([^"#]*)(#[^"]+)?"', html):
            file, anchor = unquote(unescape(target[0])), target[1][1:]
            there = (path.parent / file).resolve() if file else path
            assert there.is_file(), (wanted.target, target)
            assert not anchor or f'id="{anchor}"' in there.read_text("utf-8"), (wanted.target, target)
