"""The card as a file: its size, its policy, its list, the same bytes for the same ledger."""

import base64
import datetime
import json
import re
from dataclasses import replace
from hashlib import sha256
from html import unescape
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest

from reliability.records.files import replace_file
from reliability.records.frames import Records, records_from_rows
from reliability.report.card import make_card
from reliability.report.format import limit, money, share
from reliability.report.run import CARD, card_day, mark_in
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.review import ranking
from tests.report.cards import EVIL
from tests.simulate.fleet import make_world, run_bench
from tests.simulate.world import NAMED_WORLDS


@pytest.fixture(scope="module")
def nasty(nasty_card):
    return nasty_card.appraiser, nasty_card.records


@pytest.fixture(scope="module")
def page(nasty_card):
    return nasty_card.path.read_text("utf-8")


class Elements(HTMLParser):
    """Gather the elements of a page, and what stands inside scripts and styles."""

    def __init__(self, page):
        super().__init__()
        self.found, self.inside = [], {}
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))

    def handle_data(self, data):
        if self.found and self.found[-1][0] in ("script", "style"):
            key = (self.found[-1][0], self.found[-1][1].get("id"))
            self.inside[key] = self.inside.get(key, "") + data


def simulated(families):
    """Draw the ledger of a simulated trade, with two names on front panels for each family."""
    world = make_world(replace(NAMED_WORLDS["many families"], families=families), 3)
    rows = run_bench(world, 120, 3)
    names = [(f"{row['family']} mark {n} special", row["family"]) for row in rows["families"] for n in (1, 2)]
    records = records_from_rows({**rows, "models": [{"model": m, "family": f} for m, f in names]})
    return fit_appraiser(records, records.last_date()), records


def fits_the_pocket(appraiser, records):
    assert (len(appraiser.families), len(appraiser.models)) == (200, 400)
    assert np.mean([entry.lives.components.size for entry in appraiser.families.values()]) > 8
    return len(make_card(appraiser, records, demo=True).encode()) < 300_000


def test_two_hundred_families_fit_into_the_pocket():
    # Numbers are packed at a fixed width: a copy under another name weighs as much as any family.
    few, records = simulated(20)
    families = {
        f"{name} {i}": replace(e, family=f"{name} {i}") for i in range(10) for name, e in few.families.items()
    }
    models = {f"{name} {i}": f"{family} {i}" for i in range(10) for name, family in few.models.items()}
    table = pd.concat(
        [records.families.assign(family=records.families["family"] + f" {i}") for i in range(10)]
    )
    many = replace(records, families=table.reset_index(drop=True), jobs=records.jobs.assign(
        family=records.jobs["family"] + " 0"))  # fmt: skip
    assert fits_the_pocket(replace(few, families=families, models=models), many)


@pytest.mark.soak
def test_two_hundred_families_of_one_ledger_fit_into_the_pocket():
    assert fits_the_pocket(*simulated(200))


def test_the_same_ledger_gives_the_same_bytes(nasty, page):
    appraiser, records = nasty
    assert make_card(appraiser, records) == page
    later = make_card(appraiser, records, as_of=datetime.date(2030, 1, 1))
    assert '"day":"2030-01-01"' in later


def test_a_card_says_whose_it_is_and_for_which_day(nasty, tmp_path):
    appraiser, records = nasty
    mine = replace(records, ledger="mine")
    replace_file(tmp_path / CARD, make_card(appraiser, mine, as_of=datetime.date(2030, 1, 1)))
    assert mark_in(tmp_path / CARD, "page") == ""
    assert card_day(tmp_path, "mine") == "2030-01-01"
    assert card_day(tmp_path, "other") == card_day(tmp_path / "none", "") == ""
    replace_file(tmp_path / CARD, make_card(appraiser, mine, demo=True))
    assert card_day(tmp_path, "demo") == appraiser.as_of.isoformat()


def test_nothing_comes_from_outside_and_only_what_is_trusted_runs(page):
    elements = Elements(page)
    policy = next(attrs["content"] for tag, attrs in elements.found if "http-equiv" in attrs)
    parts = dict(part.strip().split(" ", 1) for part in policy.split(";"))
    assert set(parts) == {"default-src", "style-src", "script-src", "base-uri", "form-action"}
    assert parts["default-src"] == parts["base-uri"] == parts["form-action"] == "'none'"
    for kind in ("style", "script"):
        text = re.search(rf"<{kind}>(.*?)</{kind}>", page, re.S)[1]
        digest = base64.b64encode(sha256(text.encode()).digest()).decode()
        assert parts[f"{kind}-src"] == f"'sha256-{digest}'"
    links = [attrs for _, attrs in elements.found if {"src", "style", "action", "background"} & set(attrs)]
    assert links == []
    assert [attrs["href"] for _, attrs in elements.found if "href" in attrs] == []
    assert not any(name.startswith("on") for _, attrs in elements.found for name in attrs)
    style = elements.inside[("style", None)]
    assert "url(" not in style
    assert "@import" not in style


def test_names_stay_names(page):
    elements = Elements(page)
    assert [attrs.get("id") for tag, attrs in elements.found if tag == "script"] == ["numbers", None]
    assert {tag for tag, _ in elements.found} & {"b", "i", "em", "u", "img"} == set()
    numbers = json.loads(elements.inside[("script", "numbers")])
    assert EVIL in [entry[0] for entry in numbers["families"]]
    assert "<" not in elements.inside[("script", "numbers")]


def rows_by_verdict(page):
    """Give what the rows of the list say, by the class of their group."""
    said = {}
    for css, body in re.findall(r'<tbody class="([a-z-]+)"(?: hidden)?>(.*?)(?=<tbody|</table>)', page, re.S):
        rows = re.findall(r'<th scope="row">(.*?)(?=<tr>|$)', body, re.S)
        said[css] = [
            [unescape(re.sub("<[^>]+>", "", each)).strip() for each in row.split("<td>")] for row in rows
        ]
    return said


def test_the_list_is_the_ranking_by_verdict_and_name(nasty, page):
    appraiser, records = nasty
    table, said = ranking(appraiser, records), rows_by_verdict(page)
    assert sum(map(len, said.values())) == len(table)
    for row in table.itertuples():
        about = [f"{row.family} {row.kind}", limit(row.ceiling), money(row.usual_price)]
        about += [share(row.success_chance), share(row.chance_of_loss), str(row.jobs_seen)]
        assert about in said[(row.verdict or "none").replace(" ", "-")]
    for rows in said.values():
        names = [row[0].casefold() for row in rows]
        assert names == sorted(names)
    assert re.findall(r'<tbody class="([a-z-]+)" hidden>', page) == [
        css for css, rows in said.items() if not rows
    ]


def test_families_without_a_price_have_no_verdict(nasty, monkeypatch):
    row = {"family": "F", "kind": "k", "verdict": None, "usual_price": np.nan, "ceiling": 1012.99}
    row |= {"success_chance": 0.999, "chance_of_loss": np.nan, "jobs_seen": 0}
    monkeypatch.setattr("reliability.worth.review.ranking", lambda *_, **__: pd.DataFrame([row]))
    page = make_card(*nasty)
    assert rows_by_verdict(page) == {
        **{key: [] for key in ("take", "haggle", "try-one", "skip")},
        "none": [["F k", "1\u202f012", "–", "over 99\xa0%", "–", "0"]],
    }
    assert 'scope="rowgroup">No usual price, no verdict<tr>' in page


def test_an_empty_ledger_makes_a_card_too():
    appraiser = fit_appraiser(Records(), datetime.date(2026, 1, 1))
    page = make_card(appraiser, Records())
    assert "The ledger holds no family yet." in page
    assert "no finished jobs up to" in page


def test_it_says_what_it_rests_on(nasty, page):
    appraiser, records = nasty
    for said in (
        f'<time datetime="{appraiser.as_of}">',
        appraiser.fingerprint[:16],
        "60 finished jobs",
        "1 never written up",
        "margin 7.50\N{NO-BREAK SPACE}EUR, caution 0.7",
        "Capacitors keep their charge",
        "Local codes come first",
        "licensed people",
        "isolating transformer",
    ):
        assert said in page
    assert "DEMO" not in page
    assert "<strong>DEMO</strong>" in make_card(appraiser, records, demo=True)
