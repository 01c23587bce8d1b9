"""The card as it is used: by thumb and keyboard, what it advises and keeps, what it says of a fault."""

import datetime
import re

import pytest
from playwright.sync_api import expect

from reliability.records.frames import records_from_rows
from reliability.report.format import limit, money, share
from reliability.worth.judging import judge, offers_from, read_offers
from reliability.worth.review import ranking, signs_by_worth
from tests.report.cards import (
    BROWSER,
    FORMULA,
    LONG,
    SIGNS,
    TURNED,
    choose,
    fill_in,
    make_card_of,
    nasty_rows,
    random_offers,
    settle,
    tick,
)

pytestmark = BROWSER

SPACES = str.maketrans("\xa0\u202f", "  ")


def bar(page):
    """Read the bar as one line with plain spaces, verdicts as they are called."""
    settle(page)
    return re.sub(r"\s+", " ", page.inner_text("#said")).strip().replace("TRY ONE", "try one")


def said(verdict, asked):
    """Say a row of `judge` as the bar does, worked out from its columns."""
    word, ceiling = verdict["verdict"], verdict["ceiling"]
    up_to = f"{money(int(ceiling), 'EUR')}".translate(SPACES)
    if word == "try one":
        reach = "to learn from it"
    elif word == "skip" and asked <= ceiling:
        reach = "while one is open"
    elif ceiling < 0:
        reach = "not even for free"
    elif ceiling < 1:
        reach = "unless it is free" if word == "skip" else "only for free"
    else:
        before = {"take": "up to", "haggle": "down to", "skip": "above"}.get(word, "worth up to")
        reach = f"{before} {up_to}"
    odds = f"repair {share(verdict['success_chance'])}".translate(SPACES)
    if word is None:
        return f"{reach} {odds} · price?"
    loses = share(verdict["chance_of_loss"]).translate(SPACES)
    return f"{word.upper() if word != 'try one' else word} {reach} {odds} · loses {loses}"


def test_the_bar_says_what_judge_says_in_whole_amounts(open_card, nasty_card):
    card = nasty_card
    page = open_card(card)
    day, signs = page.input_value("#seen_on"), list(card.appraiser.shared.signs)
    kinds = card.appraiser.kinds
    rows = [
        {**row, "seen_on": day, "moon phase": ""}
        for row in random_offers(card.appraiser, 60, seed=5)
        if row.get("kind", "") in kinds and not row.get("model")
    ][:16]
    words, no_name = set(), 0
    for row in rows:
        fill_in(page, row, signs)
        verdict = judge(offers_from([row]), card.appraiser).iloc[0].to_dict()
        asked = float(row.get("asked") or "nan")
        assert bar(page) == said(verdict, asked)
        words.add(verdict["verdict"])
        no_name += "family" not in row
        why = re.sub(r"\s+", " ", page.inner_text("#why")).translate(SPACES)
        assert re.sub(r"\s+", " ", verdict["chief_risk"]) in why
        behind = {"pooled only": "its kind", "hearsay": "what people say"}.get(
            verdict["evidence"], f"{verdict['jobs_seen']} job"
        )
        if verdict["evidence"] == "pooled only" and "judged from all kinds" in verdict["note"]:
            behind = "all kinds"
        assert f"from {behind}" in why
        if verdict["verdict"]:
            assert f"Mean gain {money(verdict['expected_gain'], 'EUR')};".translate(SPACES) in why
            low, high = (money(verdict[each], "EUR").translate(SPACES) for each in ("gain_low", "gain_high"))
            assert f"will bring {low.removesuffix(' EUR')} to {high}." in why
    assert len(rows) == 16
    assert no_name > 0
    assert {"take", "skip", None} <= words


TAPS = "addEventListener('pointerdown', () => { window.taps = (window.taps ?? 0) + 1; }, true)"


def test_the_first_verdict_takes_two_taps_and_the_digits_of_the_price(open_card, nasty_card):
    page = open_card(nasty_card, before=TAPS, has_touch=True, is_mobile=True)
    page.locator("#name").tap()
    page.locator("#names li", has_text="STRASSE").tap()
    page.keyboard.type("12")  # the price has the focus
    page.locator("#said b").wait_for()
    assert page.evaluate("window.taps") == 2
    assert page.input_value("#asked") == "12"
    assert bar(page).split()[0] in ("TAKE", "HAGGLE", "SKIP", "try")


def test_a_unit_that_nobody_knows_is_judged_by_its_kind_in_three_taps(open_card, nasty_card):
    page = open_card(nasty_card)
    page.select_option("#kind", "tape deck")  # a tap on the field, and one on the kind
    page.locator("#asked").click()
    page.keyboard.type("9")
    row = judge(
        offers_from(
            [{"offer": "1", "kind": "tape deck", "asked": 9, "seen_on": page.input_value("#seen_on")}]
        ),
        nasty_card.appraiser,
    )
    assert bar(page) == said(row.iloc[0].to_dict(), 9)
    choose(page, LONG)
    settle(page)
    assert page.is_disabled("#kind")
    assert page.input_value("#kind") == "tape deck"
    choose(page, "")
    settle(page)
    assert page.is_enabled("#kind")
    assert page.input_value("#kind") == ""


PLACES = """() => Object.fromEntries(['bar', 'act', 'name', 'asked', 'kind', 'built_from', 'built_to', 'lot',
    'lot_asked', 'look', 'others', 'more'].map((id) => [id, (({x, y, width, height}) =>
        [x, y, width, height].join(' '))(document.getElementById(id).getBoundingClientRect())]))"""


@pytest.mark.parametrize("width", [360, 1280])
def test_nothing_moves_while_the_form_is_used(open_card, nasty_card, width):
    page = open_card(nasty_card, viewport={"width": width, "height": 740})
    first = page.evaluate(PLACES)
    steps = [lambda: page.click("#name")]
    steps += [lambda key=key: page.keyboard.type(key) for key in "stra"]
    steps += [lambda: page.keyboard.press("ArrowDown"), lambda: page.keyboard.press("Enter")]
    steps += [lambda key=key: page.keyboard.type(key) for key in "120,505"]
    steps += [lambda price=price: page.fill("#asked", price) for price in ("0", "20", "9999", "")]
    steps += [lambda year=year: page.fill("#built_from", year) for year in ("8", "1985", "")]
    steps += [lambda: choose(page, "strase"), lambda: choose(page, LONG)]
    steps += [
        lambda: tick(page, page.locator("#look bdi").first.inner_text(), "yes"),
        lambda: page.click("#act"),
        lambda: page.select_option("#lot", label="in a new lot"),
    ]
    for price in ("5", "9999", "", "x"):
        steps += [lambda: page.click("#act"), lambda: choose(page, LONG)]
        steps += [lambda price=price: page.fill("#lot_asked", price)]
    said = set()
    for step in steps:
        step()
        said.add(bar(page))
        page.evaluate("scrollTo(0, 0)")
        assert (bar(page), page.evaluate(PLACES)) == (bar(page), first)
    assert len(said) > 8
    page.evaluate("scrollTo(0, 2000)")
    assert page.locator("#bar").bounding_box()["y"] == 0


def test_three_signs_of_the_kind_stand_open_and_the_rest_is_folded(open_card, nasty_card):
    page, card = open_card(nasty_card), nasty_card
    assert page.locator("#look .sign").count() == 0
    for name, kind in ((LONG, "tape deck"), ("STRASSE", "turntable <u>")):
        choose(page, name)
        settle(page)
        worth = signs_by_worth(card.appraiser, card.records, kind)
        assert page.locator("#look bdi").all_inner_texts() == list(worth[:3])
        assert set(page.locator("#rest bdi").all_text_contents()) == set(SIGNS) - set(worth[:3])
        if not worth:
            assert page.inner_text("#look") == "Nobody has looked for signs on this kind yet."
    assert not worth
    assert page.get_attribute("#others", "open") is None


def test_advice_is_given_where_an_answer_changes_the_verdict_and_nowhere_else(open_card, nasty_card):
    page, card = open_card(nasty_card), nasty_card
    day = page.input_value("#seen_on")
    unit = {"offer": "1", "family": LONG, "built_from": "1982", "built_to": "1982", "seen_on": day}
    ceiling = judge(offers_from([unit]), card.appraiser)["ceiling"][0]
    given = 0
    for asked in ("0", f"{ceiling - 1:.2f}", f"{ceiling + 1:.2f}", "9999"):
        fill_in(page, {**unit, "asked": asked}, [])
        now = judge(offers_from([{**unit, "asked": asked}]), card.appraiser)["verdict"][0]
        for sign in SIGNS:
            rows = [{**unit, "offer": word, "asked": asked, sign: word} for word in ("yes", "no")]
            answers = judge(offers_from(rows), card.appraiser).to_dict("records")
            row = page.locator(".sign", has=page.get_by_text(sign, exact=True))
            advice = row.locator(".advice")
            if all(answer["verdict"] == now for answer in answers):
                expect(advice).to_have_text("")
                continue
            given += 1
            parts = []
            for word, answer in zip(("yes", "no"), answers, strict=True):
                told = said(answer, float(asked)).split(" repair")[0].replace(" EUR", "").lower()
                if answer["verdict"] == "skip":
                    told = told.replace("skip not", "skip, not")
                parts.append(f"{word}: {told}")
            expect(advice).to_have_text("; ".join(parts))
    assert given > 2
    for sign in SIGNS:
        tick(page, sign, "no")
    expect(page.locator(".advice")).to_have_text([""] * len(SIGNS))


def test_form_and_list_speak_for_the_same_day(open_card, tmp_path):
    # The small ledger, bought so dear that whether to take a unit turns with its age.
    rows = nasty_rows()
    rows["jobs"] = [row | {"bought_for": row["bought_for"] + 60} for row in rows["jobs"]]
    card = make_card_of(records_from_rows(rows), tmp_path / "card.html")
    page = open_card(card)

    def listed():
        script = """() => Object.fromEntries([...document.querySelectorAll('#list tbody')].flatMap((group) =>
            [...group.rows].slice(1).map((row) => [row.querySelector('bdi').textContent,
                [group.hidden ? "" : group.className,
                        ...[...row.cells].slice(1).map((cell) => cell.textContent)]])))"""
        return {family: tuple(told) for family, told in page.evaluate(script).items()}

    def expected(day):
        table = ranking(card.appraiser, card.records, as_of=datetime.date.fromisoformat(day))
        shares = {each: table[each].map(share) for each in ("success_chance", "chance_of_loss")}
        return {
            row.family: (
                (row.verdict or "none").replace(" ", "-"),
                limit(row.ceiling),
                money(row.usual_price),
                row.success_chance,
                row.chance_of_loss,
                str(row.jobs_seen),
            )
            for row in table.assign(**shares).itertuples()
        }

    own = page.input_value("#seen_on")
    fill_in(page, {}, [])
    moved = []
    for day in (own, "1990-05-01", "2090-01-01", ""):
        page.fill("#seen_on", day)
        day = day or card.appraiser.as_of.isoformat()
        page.locator("#list-day", has_text=day).wait_for()
        assert listed() == expected(day)
        moved.append(listed())
    assert len({tuple(sorted(each.items())) for each in moved}) > 2
    assert len({tuple(told[0] for _, told in sorted(each.items())) for each in moved}) > 1  # groups changed


def test_what_was_looked_at_is_kept_and_judged_alike_at_home(open_card, nasty_card, tmp_path):
    page = open_card(nasty_card)
    fill_in(page, {"family": FORMULA, "built_from": "1979", "asked": "22"}, [])
    tick(page, SIGNS[0], "yes")
    page.click("#act")
    page.click("#name")
    page.press("#name", "Tab")
    settle(page)
    assert page.inner_text("#act") == "Next"  # nothing has changed: it is not saved twice
    page.fill("#asked", "23")
    settle(page)
    assert page.inner_text("#act") == "Save"
    page.fill("#asked", "22")
    settle(page)
    fill_in(
        page, {"family": '-Unheard "of", 1', "kind": "tape deck", "asked": "7,5", "working_price": "90"}, []
    )
    page.click("#act")
    page.get_by_label("What became of unit 1").select_option("bought")
    page.get_by_label("What became of unit 2").select_option("left: too dear")
    page.get_by_label("What became of unit 2").select_option("left: no room")
    page.reload()  # kept on the phone
    assert page.locator("#kept li").count() == 2
    assert page.get_by_label("What became of unit 1").input_value() == "bought"
    fill_in(page, {"model": TURNED}, [])
    page.fill("#seen_on", "")  # then it counts as seen on the day of the card
    page.fill("#offer", "＠ the door")
    page.click("#act")
    fill_in(page, {"kind": "tape deck", "asked": "4"}, [])
    page.click("#act")
    with page.expect_download() as download:
        page.click("#save")
    assert download.value.suggested_filename == "offers.csv"
    path = tmp_path / "offers.csv"
    download.value.save_as(path)
    text = path.read_text("utf-8")
    for cell in ("'=1+1 Straße?", '"\'-Unheard ""of"", 1"', "'＠ the door", ",'=damp,", ",7.5,"):
        assert cell in text
    assert page.input_value("#as-text").replace("\n", "\r\n") == path.read_bytes().decode("utf-8")
    offers = read_offers(path)
    assert offers["offer"].tolist() == ["unit 1", "unit 2", "＠ the door", "unit 3"]
    assert offers["bought"].tolist() == ["yes", None, None, None]
    assert offers["left_because"].tolist() == [None, "no room", None, None]
    assert offers["family"].tolist()[:2] == [FORMULA, '-Unheard "of", 1']
    verdicts = judge(offers, nasty_card.appraiser)
    assert offers["seen_on"][2].date() == nasty_card.appraiser.as_of
    undecided = offers.assign(bought=None, left_because=None)
    assert judge(undecided, nasty_card.appraiser).equals(verdicts)  # no verdict depends on them
    told = page.locator("#kept li p").all_inner_texts()[::-1]  # the newest is on top
    for text, verdict, asked in zip(told, verdicts.to_dict("records"), offers["asked"], strict=True):
        first = said(verdict, asked).split(" repair")[0].lower()
        assert re.sub(r"\s+", " ", text.translate(SPACES)).strip().lower().startswith(first)


def in_lot(row, lot, price):
    return {**row, "lot": lot, "lot_asked": price}


def lot_said(rows, card):
    """Say what `judge` makes of a lot as the bar does, worked out from its columns."""
    verdict = judge(offers_from(rows), card.appraiser).iloc[0]
    asked, number = float(rows[0]["lot_asked"] or "nan"), f"{len(rows)} unit{'s' if len(rows) > 1 else ''}"
    told = {**verdict, "ceiling": verdict["lot_ceiling"], "chance_of_loss": verdict["lot_chance_of_loss"]}
    if asked != asked:
        return said({**told, "verdict": None}, asked).split(" repair")[0] + f" {number} · price of the lot?"
    before, _, loses = said(told, asked).partition(" · ")
    return f"{before.split(' repair')[0]} {number} · {loses}"


def test_a_lot_is_one_price_for_several_units(open_card, nasty_card, tmp_path):
    page = open_card(nasty_card, before=TAPS, has_touch=True, is_mobile=True)
    day = page.input_value("#seen_on")
    page.select_option("#lot", label="in a new lot")
    assert bar(page) == "Unit by unit: family or model. Then the price of the lot."
    names, rows = (LONG, FORMULA, LONG), []
    page.locator("#name").tap()
    for number, family in enumerate(names, 1):
        page.keyboard.type(family[:9])
        page.locator("#names li", has_text=family).tap()
        rows.append(in_lot({"offer": f"unit {number}", "family": family, "seen_on": day}, "lot 1", ""))
        assert bar(page) == lot_said(rows, nasty_card)
        page.locator("#act", has_text="Add").tap()  # and the next name has the focus
        assert bar(page) == lot_said(rows, nasty_card)
    assert page.evaluate("window.taps") == 1 + 2 * len(names)
    page.locator("#lot_asked").tap()
    words = set()
    for price in ("3", "30", "300", "3000"):
        page.fill("#lot_asked", price)
        priced = [in_lot(row, "lot 1", price) for row in rows]
        assert bar(page) == lot_said(priced, nasty_card)
        verdicts = judge(offers_from(priced), nasty_card.appraiser)
        why = page.inner_text("#why").translate(SPACES)
        gain = money(verdicts["lot_expected_gain"][0], "EUR").translate(SPACES)
        assert f"Mean gain of the lot {gain}." in why
        assert [f"worth {int(worth)} EUR" for worth in verdicts["worth"]] == re.findall(r"worth \d+ EUR", why)
        words.add(verdicts["verdict"][0])
    assert len(words) > 1
    page.locator("#act", has_text="Done").tap()
    assert bar(page) == "Family or model, then the price asked."
    assert page.inner_text("#kept li >> nth=0").strip().startswith("skip above")
    page.get_by_label("What became of lot 1").select_option("bought")
    page.reload()
    with page.expect_download() as download:
        page.click("#save")
    download.value.save_as(tmp_path / "offers.csv")
    offers = read_offers(tmp_path / "offers.csv")
    assert offers[["offer", "lot", "lot_asked", "bought"]].to_numpy().tolist() == [
        [f"unit {number}", "lot 1", 3000, "yes"] for number in (1, 2, 3)
    ]


def test_a_unit_moves_from_lot_to_lot_and_may_be_bought_singly(open_card, nasty_card):
    page = open_card(nasty_card)
    day = page.input_value("#seen_on")
    fill_in(page, {"family": LONG, "built_from": "1982", "asked": "1", "seen_on": day}, [])
    page.click("#act")
    page.get_by_role("button", name="Open unit 1").click()
    page.select_option("#lot", label="in a new lot")
    page.fill("#lot_asked", "500,5")
    page.locator("#act", has_text="Save").click()
    choose(page, FORMULA)
    page.fill("#asked", "9999")
    settle(page)
    rows = [{"offer": "unit 1", "family": LONG, "built_from": "1982", "asked": "1"}]
    rows += [{"offer": "this one", "family": FORMULA, "asked": "9999"}]
    rows = [in_lot({**row, "seen_on": day}, "lot 1", "500.5") for row in rows]
    assert bar(page) == lot_said(rows, nasty_card)
    (note, *_) = (each for each in judge(offers_from(rows), nasty_card.appraiser)["note"])
    (gain,) = re.findall(r"better bought singly: unit 1 for 1.00 EUR, mean gain ([\d.]+)", note)
    why = page.inner_text("#why").translate(SPACES)
    told = f"Better bought singly: unit 1 for 1 EUR, mean gain {money(float(gain), 'EUR')}."
    assert told.translate(SPACES) in why
    single = judge(offers_from([{**rows[1], "lot": "", "lot_asked": ""}]), nasty_card.appraiser)
    assert f"For the price asked singly: {single['verdict'][0]}" in why
    page.click("#act")
    assert page.locator("#kept > li").count() == 1
    page.get_by_label("What became of unit 1").select_option("bought")
    whole = page.get_by_label("What became of lot 1")
    assert whole.input_value() == "each"
    element = whole.element_handle()
    whole.select_option("left: gone")
    assert element.evaluate("each => each.isConnected")  # whoever types a word there goes on typing
    assert page.get_by_label("What became of unit 1").input_value() == "gone"
    page.get_by_role("button", name="Open unit 2").click()
    page.select_option("#lot", label="in a new lot")
    assert page.input_value("#lot_asked") == ""
    page.click("#act")
    assert page.locator("#lot option").all_inner_texts() == [
        "by itself", "in lot 1", "in lot 2", "in a new lot"]  # fmt: skip
    page.get_by_role("button", name="Open lot 1").click()
    assert page.input_value("#lot_asked") == "500.5"
    assert bar(page) == lot_said(rows[:1], nasty_card)
    page.fill("#lot_asked", "x")
    assert bar(page).startswith("Write an amount")
    page.fill("#lot_asked", "")
    assert bar(page) == lot_said([in_lot(rows[0], "lot 1", "")], nasty_card)
    page.get_by_role("button", name="Remove unit 1").click()
    assert bar(page) == "Unit by unit: family or model. Then the price of the lot."


def test_advice_for_a_unit_of_a_lot_is_about_the_lot(open_card, nasty_card):
    page, card = open_card(nasty_card), nasty_card
    day = page.input_value("#seen_on")
    unit = {"family": LONG, "built_from": "1982", "built_to": "1982", "seen_on": day}
    rows = [in_lot({**unit, "offer": offer}, "lot 1", "") for offer in ("unit 1", "this one")]
    ceiling = judge(offers_from(rows), card.appraiser)["lot_ceiling"][0]
    page.select_option("#lot", label="in a new lot")
    page.fill("#lot_asked", f"{ceiling - 1:.2f}")
    for _ in range(2):
        fill_in(page, unit, [])
        if not page.locator("#kept li").count():
            page.click("#act")
    rows = [in_lot(row, "lot 1", f"{ceiling - 1:.2f}") for row in rows]
    given = 0
    for sign in SIGNS:
        answers = [judge(offers_from([rows[0], {**rows[1], sign: word}]), card.appraiser).iloc[0]
                   for word in ("yes", "no")]  # fmt: skip
        row = page.locator(".sign", has=page.get_by_text(sign, exact=True))
        if all(answer["verdict"] == "take" for answer in answers):
            expect(row.locator(".advice")).to_have_text("")
            continue
        given += 1
        reach = {"take": "take up to", "haggle": "haggle down to", "skip": "skip above"}
        yes, no = (f"{reach[each['verdict']]} {money(int(each['lot_ceiling']), '')}" for each in answers)
        expect(row.locator(".advice")).to_have_text(f"yes: {yes.strip()}; no: {no.strip()}")
    assert given > 0


def test_a_label_stands_once_and_a_kept_unit_comes_back(open_card, nasty_card):
    page = open_card(nasty_card)
    fill_in(page, {"family": LONG, "built_to": "1982", "asked": "25"}, [])
    tick(page, SIGNS[2], "no")
    page.fill("#offer", "fair 1")
    before = bar(page)
    page.click("#act")
    page.locator("#spoken", has_text="Saved as fair 1.").wait_for(state="attached")
    page.fill("#offer", "fair 1")
    settle(page)
    page.click("#act")
    assert bar(page) == "This label is in the list already; every label stands once."
    assert page.get_attribute("#offer", "aria-invalid") == "true"
    page.fill("#offer", "fair 2")
    settle(page)
    page.click("#act")
    page.click("#act")
    assert bar(page) == "Family or model, then the price asked."
    page.get_by_label("What became of fair 1").select_option("bought")
    page.get_by_role("button", name="Open fair 1").click()
    assert bar(page) == before
    assert page.get_by_role("radiogroup", name=SIGNS[2]).get_by_label("no", exact=True).is_checked()
    page.fill("#asked", "24")
    settle(page)
    page.click("#act")  # takes its own place, and stays bought
    assert page.locator("#kept li").count() == 2
    assert page.inner_text("#looked-number") == "2"
    assert "asked 24" in page.locator("#kept li").last.inner_text().translate(SPACES)
    assert page.get_by_label("What became of fair 1").input_value() == "bought"
    page.get_by_role("button", name="Remove fair 1").click()
    page.get_by_role("button", name="Remove fair 2").click()
    assert page.is_hidden("#looked-at")
    fill_in(page, {"family": LONG, "asked": "25"}, [])
    page.click("#act")
    page.click("#clear")
    assert page.said.pop() == "Remove all that was looked at?"
    assert page.locator("#kept li").count() == 0


NO_STORAGE = """Object.defineProperty(window, 'localStorage', {
    get() { throw new DOMException('no', 'SecurityError'); },
})"""


def test_where_nothing_can_be_kept_it_is_said(open_card, nasty_card):
    page = open_card(nasty_card, before=NO_STORAGE)
    fill_in(page, {"family": LONG, "asked": "25"}, [])
    page.click("#act")
    assert page.locator("#kept li").count() == 1
    assert "keeps nothing once the card is closed" in page.inner_text("#forgetful")


def test_a_spoilt_store_does_not_stop_the_card(open_card, nasty_card):
    page = open_card(nasty_card)
    for spoilt in ("{", "7", '[null, {"x": 1}, "y"]'):
        page.evaluate(f"localStorage.setItem('benchodds.looked-at', {spoilt!r})")
        page.reload()
        fill_in(page, {"family": LONG, "asked": "25"}, [])
        assert bar(page).split()[0] in ("TAKE", "HAGGLE", "SKIP")
        assert page.is_hidden("#looked-at")


FAULTS = [
    ("built_from", "82", "Write a year of four digits, 1800 to 2100, or nothing."),
    ("built_from", "2099", r"Built in 2099, after the day it was seen \(20\d\d-\d\d-\d\d\)."),
    ("built_to", "1900", "The years must run forwards and span at most 60 years."),
    ("asked", "-3", "A price is at least 0."),
    ("asked", "12,505", "Write an amount with at most two decimals, such as 12.50, or nothing."),
    ("working_price", "0", "A working price is above 0. Leave it empty if it is not known."),
]


def test_a_fault_is_told_in_the_bar_and_marked_at_its_field(open_card, nasty_card):
    page = open_card(nasty_card)
    fill_in(page, {"family": LONG, "asked": "25"}, [])
    for field, text, message in FAULTS:
        if field == "built_to":
            page.fill("#built_from", "1980")
        page.fill(f"#{field}", text)
        assert re.fullmatch(message, bar(page))
        assert page.is_disabled("#act")
        assert page.get_attribute(f"#{field}", "aria-invalid") == "true"
        assert page.get_attribute(f"#{field}", "aria-describedby") == "said"
        assert page.inner_text("#why") == ""
        page.fill(f"#{field}", "")
        page.fill("#built_from", "")
        settle(page)
        assert page.get_attribute(f"#{field}", "aria-invalid") is None
        assert page.is_enabled("#act")


def test_a_near_miss_asks_and_is_mended_with_one_tap(open_card, nasty_card):
    page = open_card(nasty_card)
    fill_in(page, {"family": "strase", "asked": "25"}, [])
    assert bar(page) == ("Not on record. Is it STRASSE? If not, give its kind and its price when working.")
    assert page.inner_text("#act") == "Yes"
    page.select_option("#kind", "other")
    page.fill("#working_price", "90")
    page.locator("#said b").wait_for()
    assert "unknown family strase; unknown kind other; judged from all kinds" in page.inner_text("#why")
    page.fill("#working_price", "")
    settle(page)
    page.click("#act")
    assert page.input_value("#name") == "STRASSE"
    assert bar(page).split()[0] in ("TAKE", "HAGGLE", "SKIP", "try")


def test_by_keyboard_alone(open_card, nasty_card):
    page = open_card(nasty_card)
    page.focus("#name")
    page.keyboard.type("stra")
    settle(page)
    assert page.get_attribute("#name", "aria-expanded") == "true"
    assert "Choose a name" in bar(page)
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    active = page.get_attribute("#name", "aria-activedescendant")
    chosen = page.locator(f"#{active}")
    assert chosen.get_attribute("aria-selected") == "true"
    assert chosen.get_attribute("role") == "option"
    name = chosen.inner_text().splitlines()[0]
    page.keyboard.press("Enter")
    assert (page.input_value("#name"), page.get_attribute("#name", "aria-expanded")) == (name, "false")
    page.keyboard.type("30")
    page.keyboard.press("Tab")  # the kind is known: on to the years
    page.keyboard.type("1981")
    for _ in range(3):
        page.keyboard.press("Tab")  # past the last year and the lot to the first sign
    page.keyboard.press("ArrowRight")
    page.wait_for_timeout(150)
    assert (page.input_value("#asked"), page.input_value("#built_from")) == ("30", "1981")
    first = page.locator("[role=radiogroup]").first
    assert first.get_by_label("no", exact=True).is_checked()
    assert bar(page).split()[0] in ("TAKE", "HAGGLE", "SKIP", "try")
    page.locator("#spoken", has_text=re.compile(r"^(take|haggle|try one|skip), .*repair")).wait_for(
        state="attached"
    )
    page.focus("#name")
    page.keyboard.press("Escape")
    assert page.input_value("#name") == ""
