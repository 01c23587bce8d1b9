"""All pages of a ledger together: what they say, and that they hang together."""

import re
from html import unescape
from pathlib import Path
from urllib.parse import unquote

from reliability.report.data import ReportData
from reliability.report.run import all_pages


def test_every_link_leads_to_a_page_and_no_name_is_used_twice(
    awkward_report: Path, awkward: ReportData
) -> None:
    for wanted in all_pages(awkward):
        path = awkward_report / wanted.target
        html = path.read_text("utf-8")
        ids = re.findall(r' id="([^"]+)"', html)
        assert len(set(ids)) == len(ids)
        for target in re.findall(r' href="([^"#]*)(#[^"]+)?"', html):
            file, anchor = unquote(unescape(target[0])), target[1][1:]
            there = (path.parent / file).resolve() if file else path
            assert there.is_file(), (wanted.target, target)
            assert not anchor or f'id="{anchor}"' in there.read_text("utf-8"), (wanted.target, target)
