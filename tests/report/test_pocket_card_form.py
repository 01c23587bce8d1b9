"""The card as it is used: by thumb and by keyboard, what it keeps, and what it says of a fault."""

import re
from typing import Any

import pytest

from reliability.report.format import share
from reliability.worth.judging import judge, offers_from, read_offers
from tests.report.cards import (
    CHROMIUM,
    FORMULA,
    LONG,
    SIGNS,
    TURNED,
    fill_in,
    random_offers,
    tick,
)

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]


REACH = {"take": "up to", "haggle": "down to", "try one": "ceiling", "skip": "above"}


def shown(page: Any) -> dict[str, str]:
    """Read the answer off the page, as texts with plain spaces."""
    cells = "[...row.children].map((cell) => cell.innerText)"
    rows = page.evaluate(f"[...document.querySelectorAll('.told div')].map((row) => {cells})")
    texts = {head: re.sub(r"\s+", " ", text).strip() for head, text in rows}
    return {"word": page.inner_text(".tag .word").strip().lower(), **texts}


def reach(verdict: str | None, ceiling: str) -> str:
    """Word how far to go; `ceiling` with its currency."""
    if ceiling.startswith("\u2212") and verdict != "try one":
        return "even for free" if verdict else "not even free"
    return f"{REACH.get(verdict or '', 'up to')} {ceiling}"


def minus(value: float) -> str:
    return f"{value:.2f}".replace("-", "\u2212")


def test_the_form_shows_what_judge_says(open_card, nasty_card):
    card = nasty_card
    page = open_card(card)
    day, signs = page.input_value("#seen_on"), list(card.appraiser.shared.signs)
    kinds = card.appraiser.kinds
    rows = [
        {**row, "seen_on": day, "moon phase": ""}
        for row in random_offers(card.appraiser, 40, seed=5)
        if row.get("family") and row.get("kind", "") in kinds
    ][:10]
    for row in rows:
        fill_in(page, row, signs)
        verdict = judge(offers_from([row]), card.appraiser).iloc[0]
        got = shown(page)
        assert got["word"] == (verdict["verdict"] or "no price asked")
        assert got["Ceiling"].startswith(f"{minus(verdict['ceiling'])} {card.appraiser.currency}")
        assert got["Chance of a repair"].startswith(share(verdict["success_chance"]).replace("\xa0", " "))
        assert got["Chief risk"].startswith(re.sub(r"\s+", " ", verdict["chief_risk"]))
        assert got.get("Note", "") == re.sub(r"\s+", " ", verdict["note"])
        if verdict["verdict"]:
            assert got["Expected gain"].startswith(
                f"{minus(verdict['expected_gain'])} {card.appraiser.currency}"
            )
    assert len(rows) == 10


def test_what_was_looked_at_is_kept_and_judged_alike_at_home(open_card, nasty_card, tmp_path):
    page = open_card(nasty_card)
    fill_in(page, {"family": FORMULA, "built_from": "1979", "asked": "22"}, [])
    tick(page, SIGNS[0], "yes")
    page.click("#keep")
    fill_in(
        page, {"family": '-Unheard "of", 1', "kind": "tape deck", "asked": "7,5", "working_price": "90"}, []
    )
    page.click("#keep")
    page.reload()  # kept on the phone
    assert page.locator("#kept li").count() == 2
    fill_in(page, {"model": TURNED}, [])
    page.locator("#more summary").click()
    page.fill("#seen_on", "")  # then it counts as seen on the day of the card
    page.fill("#offer", "＠ the door")
    page.click("#keep")
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
    assert offers["offer"].tolist() == ["unit 1", "unit 2", "＠ the door"]
    assert offers["family"].tolist() == [FORMULA, '-Unheard "of", 1', None] or offers["model"][2] is None
    verdicts = judge(offers, nasty_card.appraiser)
    assert offers["seen_on"][2].date() == nasty_card.appraiser.as_of
    told = page.locator("#kept li").all_inner_texts()
    for text, verdict in zip(told, verdicts.to_dict("records"), strict=True):
        assert (verdict["verdict"] or "no price asked").lower() in text.lower()
        assert reach(verdict["verdict"], f"{minus(verdict['ceiling'])} EUR") in text.replace("\xa0", " ")


def test_a_label_stands_once_and_a_kept_unit_comes_back(open_card, nasty_card):
    page = open_card(nasty_card)
    fill_in(page, {"family": LONG, "built_to": "1982", "asked": "25"}, [])
    tick(page, SIGNS[2], "no")
    page.evaluate("document.getElementById('more').open = true")
    page.fill("#offer", "fair 1")
    page.click("#keep")
    page.fill("#offer", "fair 1")
    page.click("#keep")
    assert (
        page.inner_text("#offer-fault") == "There is a fair 1 in the list already; every label stands once."
    )
    before = shown(page)
    page.click("#next")
    page.get_by_role("button", name="Open fair 1").click()
    page.wait_for_timeout(70)
    after = shown(page)
    assert {k: v for k, v in after.items() if k != "Look first at"} == {
        k: v for k, v in before.items() if k != "Look first at"
    }
    assert page.get_by_role("radiogroup", name=SIGNS[2]).get_by_label("no", exact=True).is_checked()
    page.get_by_role("button", name="Remove fair 1").click()
    assert page.is_hidden("#looked-at")
    page.click("#keep")
    page.click("#clear")
    assert page.said.pop() == "Remove all that was looked at?"
    assert page.locator("#kept li").count() == 0


NO_STORAGE = """Object.defineProperty(window, 'localStorage', {
    get() { throw new DOMException('no', 'SecurityError'); },
})"""


def test_where_nothing_can_be_kept_it_is_said(open_card, nasty_card):
    page = open_card(nasty_card, before=NO_STORAGE)
    fill_in(page, {"family": LONG, "asked": "25"}, [])
    page.click("#keep")
    assert page.locator("#kept li").count() == 1
    assert "keeps nothing once the card is closed" in page.inner_text("#forgetful")


def test_a_spoilt_store_does_not_stop_the_card(open_card, nasty_card):
    page = open_card(nasty_card)
    for spoilt in ("{", "7", '[null, {"x": 1}, "y"]'):
        page.evaluate(f"localStorage.setItem('benchodds.looked-at', {spoilt!r})")
        page.reload()
        fill_in(page, {"family": LONG, "asked": "25"}, [])
        assert shown(page)["word"] in ("take", "haggle", "skip")
        assert page.is_hidden("#looked-at")


FAULTS = [
    ("built_from", "82", "Write a year of four digits, 1800 to 2100, or nothing."),
    ("built_from", "2099", r"Built in 2099, after the day it was seen \(20\d\d-\d\d-\d\d\)."),
    ("built_to", "1900", "The years must run forwards and span at most 60 years."),
    ("asked", "-3", "A price is at least 0."),
    ("asked", "12,505", "Write an amount with at most two decimals, such as 12.50, or nothing."),
    ("working_price", "0", "A working price is above 0. Leave it empty if it is not known."),
]


def test_a_fault_stands_beside_its_field_and_is_read_out(open_card, nasty_card):
    page = open_card(nasty_card)
    fill_in(page, {"family": LONG, "asked": "25"}, [])
    for field, text, message in FAULTS:
        if field == "built_to":
            page.fill("#built_from", "1980")
        page.fill(f"#{field}", text)
        page.wait_for_timeout(70)
        assert re.fullmatch(message, page.inner_text(f"#{field}-fault"))
        assert page.get_attribute(f"#{field}", "aria-invalid") == "true"
        assert f"{field}-fault" in page.get_attribute(f"#{field}", "aria-describedby")
        assert page.locator(".tag").count() == 0
        page.fill(f"#{field}", "")
        page.fill("#built_from", "")
        page.wait_for_timeout(70)
        assert page.get_attribute(f"#{field}", "aria-invalid") is None
        assert page.locator(".tag").count() == 1


def test_a_near_miss_asks_until_kind_and_price_are_given(open_card, nasty_card):
    page = open_card(nasty_card)
    fill_in(page, {"family": "strase", "asked": "25"}, [])
    assert page.inner_text("#name-fault") == (
        "The ledger has no family strase. Did you mean STRASSE? Correct it, or if it is new indeed, choose "
        "its kind and say what it sells for."
    )
    assert page.locator(".tag").count() == 0
    page.select_option("#kind", "other")
    page.fill("#working_price", "90")
    page.locator(".tag").wait_for()
    assert page.inner_text("#name-fault") == ""
    assert "unknown family strase; unknown kind other; judged from all kinds" in shown(page)["Note"]


def test_by_keyboard_alone(open_card, nasty_card):
    page = open_card(nasty_card)
    page.focus("#name")
    page.keyboard.type("stra")
    page.wait_for_timeout(70)
    assert page.get_attribute("#name", "aria-expanded") == "true"
    assert "Choose a name" in page.inner_text("#waiting")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    active = page.get_attribute("#name", "aria-activedescendant")
    chosen = page.locator(f"#{active}")
    assert chosen.get_attribute("aria-selected") == "true"
    assert chosen.get_attribute("role") == "option"
    name = chosen.inner_text().splitlines()[0]
    page.keyboard.press("Enter")
    assert (page.input_value("#name"), page.get_attribute("#name", "aria-expanded")) == (name, "false")
    for text in ("1981", "", "30", ""):
        page.keyboard.press("Tab")
        page.keyboard.type(text)
    page.keyboard.press("Tab")  # the first sign
    page.keyboard.press("ArrowRight")
    page.wait_for_timeout(150)
    first = page.locator("[role=radiogroup]").first
    assert first.get_by_label("no", exact=True).is_checked()
    assert shown(page)["word"] in ("take", "haggle", "try one", "skip")
    page.locator(
        "#spoken", has_text=re.compile(r"^(take|haggle|try one|skip)\. .*Chance of a repair")
    ).wait_for(state="attached")
    page.focus("#name")
    page.keyboard.press("Escape")
    assert page.input_value("#name") == ""


@pytest.mark.parametrize("touch", [True, False])
def test_by_thumb_and_by_mouse(open_card, nasty_card, touch):
    page = open_card(nasty_card, has_touch=touch, is_mobile=touch)
    page.fill("#name", "strasse")
    option = page.locator("#names li", has_text="STRASSE")
    if touch:
        option.tap()
    else:
        option.click()
    assert page.input_value("#name") == "STRASSE"
    assert page.is_hidden("#names")
    page.fill("#asked", "12")
    page.locator(".tag").wait_for()
    assert "STRASSE" in page.inner_text(".tag")


def test_what_to_look_at_first_is_told_with_both_answers(open_card, nasty_card):
    page = open_card(nasty_card)
    unit = {"offer": "1", "family": LONG, "built_from": "1982", "asked": "0"}
    gain = judge(offers_from([unit]), nasty_card.appraiser)["expected_gain"][0]
    # At this price the mean gain just reaches the margin, so that an answer decides.
    fill_in(page, {**unit, "asked": f"{gain - nasty_card.appraiser.terms.margin:.2f}"}, [])
    # Read in the same step as it is awaited: on a busy machine the last keystroke may judge once more.
    told = page.wait_for_function("() => /no:/.test(look.innerText) && look.innerText")
    sign, seen, absent = told.json_value().splitlines()
    page.wait_for_timeout(70)
    beside = page.locator(".sign:has(small:visible)")
    assert beside.locator("bdi").all_inner_texts() == [sign]
    tick(page, sign, "yes")
    page.wait_for_timeout(70)
    now = shown(page)
    ceiling = now["Ceiling"].removesuffix(" the most to pay")
    assert seen.replace("\xa0", " ") == f"yes: {now['word']} {reach(now['word'], ceiling)}"
    assert absent.startswith("no: ")
    for each in nasty_card.appraiser.shared.signs:
        tick(page, each, "no")
    page.locator("#look", has_text="every sign was looked at").wait_for()
    assert not beside.is_visible()
