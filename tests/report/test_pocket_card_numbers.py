"""The card in a real browser judges as `judge` does: every column, to the cent and to the last digit."""

import csv
import datetime
import io
import random
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reliability.errors import InvalidInput
from reliability.records.files import replace_file
from reliability.records.frames import Records
from reliability.records.package import load_package_records
from reliability.report.card import make_card
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.judging import (
    BREAK,
    MONEY,
    NAMES,
    PASS_ON,
    TRY,
    VERDICT_COLUMNS,
    judge,
    offers_from,
    read_offers,
    write_verdicts,
)
from reliability.worth.odds import MOST_SEEN
from tests.report.cards import (
    BROWSER,
    EVIL,
    TURNED,
    Card,
    choose,
    make_card_of,
    random_offers,
)

DEMO = Path(__file__).parents[2] / "data" / "demo"
DAY = datetime.date(2026, 11, 25)
NOTES = (
    "unknown family", "unknown kind", "judged from all of kind", "judged from all kinds",
    "production year not given", "older than any on record", "is on no record", " end as many jobs",
    "no finished job of its kind stands behind this",
)  # fmt: skip
NUMBERS = ("chance_of_loss", "success_chance", "success_low", "success_high", "hours", "jobs_seen")
NUMBERS += ("lot_chance_of_loss",)

pytestmark = BROWSER


@pytest.fixture(scope="module")
def cards(tmp_path_factory, nasty_card):
    path = tmp_path_factory.mktemp("cards") / "demo.html"
    return {"demo": make_card_of(load_package_records(DEMO), path, demo=True), "nasty": nasty_card}


@pytest.fixture(scope="module")
def pages(cards, browser):
    opened = {name: browser.new_page() for name in cards}
    for name, page in opened.items():
        page.goto(cards[name].path.as_uri())
    return opened


def write_offers(rows, path):
    columns = list(dict.fromkeys(name for row in rows for name in row))
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, columns, restval="")
    writer.writeheader()
    # Texts that a spreadsheet would take for a formula are protected as the card does it.
    safe = [{k: "'" + v if v[:1] in tuple("=+-@") else v for k, v in row.items()} for row in rows]
    writer.writerows(safe)
    path.write_text(text.getvalue().replace(",=damp", ",'=damp"), encoding="utf-8", newline="")
    return path


def judged_by_command(card, rows, folder):
    """Judge through files, as the command line does; give the cells of verdicts.csv."""
    offers = read_offers(write_offers(rows, folder / "offers.csv"))
    write_verdicts(judge(offers, card.appraiser, as_of=DAY), folder / "verdicts.csv")
    with (folder / "verdicts.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def judged_by_card(page, rows):
    return page.evaluate("([offers, day]) => pocketCard.judge(offers, day)", [rows, DAY.isoformat()])


def difference(cells, row):
    """List what differs between a line of verdicts.csv and what the card says."""
    told = []
    for name in VERDICT_COLUMNS:
        value, cell = row[name], cells[name]
        if name in MONEY:
            same = cell == ("" if value != value else f"{value:.2f}")
        elif name in NUMBERS:
            same = (cell == "") if value != value else (cell != "" and float(cell) == value)
        else:
            same = cell == (value or "")
        if not same:
            told.append(f"{name}: {cell!r} by the command, {value!r} on the card")
    return told


def judged_alike(card, page, rows, folder):
    """Judge offers by the command and on the card, which say the same in every column; give what they say."""
    expected, got = judged_by_command(card, rows, folder), judged_by_card(page, rows)
    wrong = {cells["offer"]: difference(cells, row) for cells, row in zip(expected, got, strict=True)}
    assert {offer: told for offer, told in wrong.items() if told} == {}
    return expected


def at_the_edges(rows, card):
    """Ask exactly the ceiling, a cent more, and prices around the last at which one haggles."""
    ceilings = judge(offers_from(rows), card.appraiser, as_of=DAY)["ceiling"]
    room = 1 + card.appraiser.terms.haggle_room
    edged = []
    for row, ceiling in zip(rows, ceilings, strict=True):
        for factor, more in ((1, 0), (1, 0.01), (room, 0), (room, 0.01)):
            price = max(round(ceiling * factor + more, 2), 0.0)
            edged.append({**row, "offer": f"{row['offer']} {factor} {more}", "asked": f"{price:.2f}"})
    return edged


@pytest.mark.parametrize(("name", "number", "edges"), [("demo", 200, 20), ("nasty", 200, 20)])
def test_every_column_is_the_same(cards, pages, tmp_path, name, number, edges):
    card = cards[name]
    rows = random_offers(card.appraiser, number, seed=7)
    rows += at_the_edges(rows[:edges], card)
    expected = judged_alike(card, pages[name], rows, tmp_path)
    assert len(expected) == number + 4 * edges >= 280
    # The offers are of every sort: nothing above is the same because it never occurred.
    assert {cells["verdict"] for cells in expected} == {"", "take", "haggle", "try one", "skip"}
    notes = " ".join(cells["note"] for cells in expected)
    for part in NOTES:
        assert part in notes
    assert {cells["evidence"] for cells in expected} >= {"own records", "pooled only"}


LOT_SIZES = (1, 2, 3, 7, 12)
LOT_WAYS = (TRY, BREAK, PASS_ON)


def lots_of(card, seed):
    """Put random offers into lots of every size, twice over."""
    dice, rows = random.Random(seed), random_offers(card.appraiser, 2 * sum(LOT_SIZES), seed)
    at = 0
    for number, size in enumerate(2 * LOT_SIZES):
        members = rows[at : at + size]
        at += size
        for row in members:
            row["lot"] = f"lot {number}"
            if dice.random() < 0.3:  # of one family, and of next to nothing
                row |= {"family": members[0].get("family", ""), "kind": "", "model": "", "working_price": ""}
                row |= {} if row["family"] else {"model": next(iter(card.appraiser.models))}
            if dice.random() < 0.3:
                row |= {"working_price": "3"}
    return rows


@pytest.mark.parametrize(("name", "ways"), [("demo", LOT_WAYS), ("nasty", LOT_WAYS[:2])])
def test_lots_are_judged_as_wholes_to_the_cent(cards, pages, tmp_path, name, ways):
    card = cards[name]
    rows = [row for row in lots_of(card, 1) if outcome(row, card) is not None]
    ceilings = judge(offers_from(rows), card.appraiser, as_of=DAY)["lot_ceiling"]
    for factor, more in ((0, 0), (1, 0), (1, 0.01), (1.2, 0), (1.4, 0.01), (3, 9)):
        rows += [
            {**row, "lot": f"{row['lot']} {factor} {more}", "offer": f"{row['offer']} {factor} {more}"}
            | {"lot_asked": f"{max(ceiling * factor + more, 0):.2f}"}
            for row, ceiling in zip(rows, ceilings, strict=False)
        ]
    expected = judged_alike(card, pages[name], rows, tmp_path)
    verdicts = {cells["verdict"] for cells in expected if cells["lot_chance_of_loss"]}
    assert verdicts == {"take", "haggle", "try one", "skip"}
    at = {end: {cells["verdict"] == "take" for cells in expected if cells["offer"].endswith(end)}
          for end in (" 0 0", " 1 0", " 1 0.01")}  # fmt: skip
    assert at == {" 0 0": {True}, " 1 0": {True}, " 1 0.01": {False}}
    notes = " ".join(cells["note"] for cells in expected)
    assert [way for way in ways if f": {way}" in notes] == list(ways)
    assert "better bought singly: " in notes


def test_a_lot_with_two_prices_is_refused(pages):
    rows = [{"offer": price, "family": "Obbelin 310", "lot": "a", "lot_asked": price} for price in "57"]
    with pytest.raises(Exception, match=r"A lot has one price; found 5 and 7\."):
        judged_by_card(pages["demo"], rows)


def test_units_with_many_signs_are_judged_alike(cards, pages, tmp_path):
    """Up to as many signs as are weighed together, and all there are, on units of any age."""
    card = cards["demo"]
    signs = card.appraiser.shared.signs
    assert len(signs) > MOST_SEEN + 1
    rows = []
    for k, family in enumerate(card.appraiser.families):
        for n_seen in (MOST_SEEN - 1, MOST_SEEN, MOST_SEEN + 1, len(signs)):
            turned = [*signs[k % len(signs) :], *signs[: k % len(signs)]]
            seen = {sign: "yes" if i < n_seen else "no" for i, sign in enumerate(turned)}
            year = str(1972 + 13 * k % 50)
            age = {"built_from": year, "built_to": year, "asked": "25"}
            rows.append({"offer": f"{k} {n_seen}", "family": family, **age, **seen})
    expected = judged_alike(card, pages["demo"], rows, tmp_path)
    left_out = ["components judged by the 5 signs" in cells["note"] for cells in expected]
    assert left_out == [False, False, True, True] * (len(rows) // 4)
    # What was left out would have told: the odds of units that show everything are not those of the rest.
    assert len({cells["success_chance"] for cells in expected}) > len(rows) / 2


def test_what_is_special_about_the_ledgers_is_there(cards):
    appraiser = cards["nasty"].appraiser
    assert (appraiser.terms.caution, appraiser.terms.hour_rate) == (0.7, 0.0)
    assert appraiser.terms.comeback_cost > 0
    assert appraiser.families["constructor"].evidence == "hearsay"
    assert any(entry.price_doubt > 0 for entry in appraiser.families.values())
    demo = cards["demo"].appraiser.families.values()
    assert any(np.isfinite(entry.lives.change_year).any() for entry in demo)


def test_both_answers_to_a_sign_are_the_verdicts_of_judge(cards, pages):
    """Advice holds: whoever looks gets the verdict that was promised."""
    script = """([cells, sign, day]) => pocketCard.answers(cells, sign, day)
        .map(({verdict, ceiling}) => [verdict, ceiling])"""
    for name, card in cards.items():
        for row in random_offers(card.appraiser, 8, seed=11):
            for sign in card.appraiser.shared.signs:
                answered = [{**row, "offer": word, sign: word} for word in ("yes", "no")]
                expected = judge(offers_from(answered), card.appraiser, as_of=DAY)
                got = pages[name].evaluate(script, [row, sign, DAY.isoformat()])
                assert got == expected[["verdict", "ceiling"]].to_numpy(dtype=object).tolist()


YEARS = ("82", "1979.0", "1799", "2101", "1979 ", " 1980", "١٩٨٠", "2027", "2026")
PRICES = (
    "-1", "-0", "0", "12.5", "12.505", "12.500", "1e3", "1,5", " 12 ", "+3", ".5", "5.", "abc", "٣", "0x10",
)  # fmt: skip
HUGE = ("9999999999999.99", "10000000000000", "Infinity")
DAYS = ("2026-02-30", "2026-13", "17.05.2026", "2026-05", "1799-01-01", "2101-01-01", "2026-5-1",
        "2024-02-29", "2023-02-29", "today")  # fmt: skip
FAMILIES = ("x" * 200, "x" * 201, "a\x07b", "a\nb", "a\u2028b", "#REF!", " Obbelin 310 ", "\ud800", "e\u0301")
CELLS = [
    *({"built_from": year} for year in YEARS),
    *({"built_to": year} for year in ("2027", "1980", "-1980")),
    {"built_from": "1990", "built_to": "1980"},
    {"built_from": "1900", "built_to": "1960"},
    {"built_from": "1900", "built_to": "1961"},
    {"built_from": "1990", "seen_on": "1989-12-31"},
    *({"asked": text} for text in (*PRICES, *HUGE)),
    *({"working_price": text} for text in ("0", "-5", "0.01", "12.345", "1 000")),
    *({"seen_on": text} for text in DAYS),
    *({"rust": text} for text in ("maybe", " yes ", "YES", "no", "1")),
    *({"family": text} for text in FAMILIES),
    {"family": "", "model": ""},
    {"family": "", "kind": "tape deck"},
    {"family": "Obbelin 550", "model": "Obbelin 310 S"},
    {"family": "Obbelin 310", "model": "Obbelin 310 S"},
    {"family": "Obbelin 310", "model": "Nobody 1"},
    {"family": "", "model": "Obbelin 310"},
    {"kind": "receiver"},
    {"kind": "tape deck"},
    {"family": "Unheard", "kind": "Tape Deck"},
    {"family": "Unheard", "kind": "tape dcek", "working_price": "50"},
    {"family": "Unheard", "kind": "radio"},
    {"family": "Obbelin 31O"},
    {"family": "Obbelin 31O", "kind": "tape deck"},
    {"family": "Obbelin 31O", "working_price": "50"},
    {"family": "Obbelin 31O", "kind": "tape deck", "working_price": "50"},
    {"family": "obbelin 310 S"},
    {"family": "", "model": "Obbelin 310 Z"},
    {"family": "", "model": "Obbelin 310 Z", "kind": "tape deck", "working_price": "50"},
    *({"left_because": text} for text in ("too dear", "poor odds", "no room", "gone", "other", "dear")),
    *({"bought": text} for text in ("yes", "1017", "a\nb")),
    *({"lot": text} for text in ("lot 1", "a\nb")),
    *({"lot": "lot 1", "lot_asked": text} for text in ("5", "0", "-5", "12.505")),
    {"lot_asked": "5"},
]


def outcome(row, card):
    """Judge cells that may break a rule; None where they are refused."""
    try:
        return judge(offers_from([row]), card.appraiser, as_of=DAY).to_dict("records")[0]
    except InvalidInput:
        return None


def is_same(one, other):
    return one == other or (pd.isna(one) and (other is None or pd.isna(other)))


def test_the_same_cells_are_refused(cards, pages):
    """Each change of one good offer is refused by both or judged alike by both."""
    good = {"offer": "1", "family": "Obbelin 310", "asked": "20", "seen_on": "2026-11-01"}
    script = """([offers, day]) => offers.map((cells) => {
        try { return pocketCard.judge([cells], day)[0]; }
        catch (fault) { return {field: fault.field, told: fault.message}; }
    })"""
    rows = [{**good, **change} for change in CELLS]
    refused = 0
    for row, got in zip(rows, pages["demo"].evaluate(script, [rows, DAY.isoformat()]), strict=True):
        expected = outcome(row, cards["demo"])
        if expected is None:
            refused += 1
            assert set(got) == {"field", "told"}, row
            assert got["field"] in {*NAMES, *row}
            assert got["told"].endswith(".")
        else:
            assert [name for name in VERDICT_COLUMNS if not is_same(expected[name], got.get(name))] == [], row
    assert 25 < refused < len(rows) - 15


def test_a_name_is_shown_as_it_is_and_found_by_its_model(pages):
    row = judged_by_card(pages["nasty"], [{"offer": EVIL, "model": TURNED}])[0]
    assert row["offer"] == EVIL
    assert "unknown" not in row["note"]


def test_a_ledger_that_holds_nothing_yet_judges_too(browser, tmp_path):
    appraiser = fit_appraiser(Records(), datetime.date(2026, 1, 1))
    card = Card(tmp_path / "card.html", appraiser, Records())
    replace_file(card.path, make_card(appraiser, card.records))
    page = browser.new_page()
    page.goto(card.path.as_uri())
    rows = [{"offer": "1", "family": "Skolm 1", "asked": "20", "built_from": "1980", "rust": "yes"}]
    rows += [{"offer": "2", "kind": "tape deck", "working_price": "150"}]
    judged_alike(card, page, rows, tmp_path)
    choose(page, "Skolm 1")
    page.locator("#why", has_text="No part was ever named.").wait_for()
    assert page.inner_text("#look") == "Nobody has looked for signs on this kind yet."
    assert page.is_hidden("#others")
    page.locator("#more summary").click()
    page.fill("#working_price", "400")
    page.fill("#asked", "0")
    page.locator("#why", has_text="Nothing like it was ever finished here: take one, not more.").wait_for()
    assert page.inner_text("#said b").strip().lower() == "try one"
    page.fill("#asked", "")
    page.locator("#said", has_text="worth up to").wait_for()
    assert page.locator("#list table").count() == 0


@pytest.mark.parametrize("missing", [1, 8768])
def test_gaps_that_are_too_many_to_count_are_in_every_note(cards, browser, tmp_path, missing):
    tally = replace(cards["nasty"].appraiser.tally, gaps="too many", jobs_missing=missing)
    card = replace(cards["nasty"], appraiser=replace(cards["nasty"].appraiser, tally=tally))
    replace_file(tmp_path / "card.html", make_card(card.appraiser, card.records))
    page = browser.new_page()
    page.goto((tmp_path / "card.html").as_uri())
    rows = random_offers(card.appraiser, 10, seed=3)
    expected, got = judged_by_command(card, rows, tmp_path), judged_by_card(page, rows)
    assert [difference(*pair) for pair in zip(expected, got, strict=True)] == [[]] * len(rows)
    assert all("missing and not counted" in row["note"] for row in got)
