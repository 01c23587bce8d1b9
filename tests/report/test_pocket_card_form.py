"""The card as it is used: by thumb, by keyboard, by screen reader, on paper, with names like markup."""

import re
from pathlib import Path
from typing import Any

import pytest

from reliability.records.exchange import load_package_records
from reliability.report.words import share
from reliability.worth.judging import judge
from reliability.worth.offers import offers_from, read_offers
from tests.report.cards import (
    CHROMIUM,
    EVIL,
    FORMULA,
    LONG,
    SIGNS,
    TURNED,
    Card,
    chromium,
    make_card_of,
    nasty_records,
    random_offers,
)

DEMO = Path(__file__).parents[2] / "data" / "demo"
WIDTHS = (360, 768, 1440)
SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]


@pytest.fixture(scope="module")
def demo_card(tmp_path_factory) -> Card:
    path = tmp_path_factory.mktemp("demo") / "card.html"
    return make_card_of(load_package_records(DEMO), path, demo=True)


@pytest.fixture(scope="module")
def nasty_card(tmp_path_factory) -> Card:
    return make_card_of(nasty_records(), tmp_path_factory.mktemp("nasty") / "card.html")


@pytest.fixture(scope="module")
def browser():
    with chromium() as opened:
        yield opened


@pytest.fixture
def open_card(browser):
    """Open a card in a context of its own; afterwards no request left it and no script complained."""
    asked: list[str] = []
    said: list[str] = []
    contexts = []

    def open_card(card: Card, before: str = "", **more: Any) -> Any:
        contexts.append(browser.new_context(**{"viewport": {"width": 360, "height": 740}, **more}))
        page = contexts[-1].new_page()
        page.on("request", lambda request: asked.append(request.url))
        page.on("dialog", lambda dialog: (said.append(dialog.message), dialog.accept()))
        page.on("console", lambda message: said.append(message.text) if message.type == "error" else None)
        page.on("pageerror", lambda error: said.append(str(error)))
        if before:
            page.add_init_script(before)
        page.goto(card.path.as_uri())
        page.said = said
        return page

    yield open_card
    for context in contexts:
        context.close()
    assert [url for url in asked if not url.startswith(("file:", "blob:"))] == []
    assert [text for text in said if text != "Remove all that was looked at?"] == []


def choose(page: Any, name: str) -> None:
    page.fill("#name", name)
    page.press("#name", "Tab")


def tick(page: Any, sign: str, answer: str) -> None:
    page.get_by_role("radiogroup", name=sign, exact=True).get_by_label(answer, exact=True).check()


def fill_in(page: Any, cells: dict[str, str], signs: list[str]) -> None:
    """Enter an offer the way a person does."""
    if page.is_visible("#next"):
        page.click("#next")
    choose(page, cells.get("family") or cells["model"])
    if cells.get("kind"):
        page.select_option("#kind", cells["kind"])
    for field in ("built_from", "built_to", "asked", "working_price"):
        page.fill(f"#{field}", cells.get(field, ""))
    for sign in signs:
        tick(page, sign, {"": "not looked"}.get(cells.get(sign, ""), cells.get(sign, "")))
    page.locator("#seen_on").evaluate(
        "(field, day) => { field.value = day; field.dispatchEvent(new Event('input', {bubbles: true})); }",
        cells.get("seen_on", ""),
    )
    page.wait_for_timeout(70)


def shown(page: Any) -> dict[str, str]:
    """Read the answer off the page, as texts with plain spaces."""
    cells = "[...row.children].map((cell) => cell.innerText)"
    rows = page.evaluate(f"[...document.querySelectorAll('.told div')].map((row) => {cells})")
    texts = {head: re.sub(r"\s+", " ", text).strip() for head, text in rows}
    return {"word": page.inner_text(".tag .word").strip().lower(), **texts}


def minus(value: float) -> str:
    return f"{value:.2f}".replace("-", "\u2212")


@pytest.mark.parametrize("name", ["demo", "nasty"])
def test_the_form_shows_what_judge_says(open_card, demo_card, nasty_card, name):
    card = {"demo": demo_card, "nasty": nasty_card}[name]
    page = open_card(card)
    day, signs = page.input_value("#seen_on"), list(card.appraiser.shared.signs)
    kinds = card.appraiser.kinds
    rows = [
        {
            **row,
            "seen_on": day,
            "moon phase": "",
            "kind": row.get("kind", "") if row.get("kind") in kinds else "",
        }
        for row in random_offers(card.appraiser, 40, seed=5)
        if row.get("family")
    ][:8]
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
    assert len(rows) == 8


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
    page.fill("#offer", "@ the door")
    page.click("#keep")
    with page.expect_download() as download:
        page.click("#save")
    assert download.value.suggested_filename == "offers.csv"
    path = tmp_path / "offers.csv"
    download.value.save_as(path)
    text = path.read_text("utf-8")
    for cell in ("'=1+1 Straße?", '"\'-Unheard ""of"", 1"', "'@ the door", ",'=damp,", ",7.5,"):
        assert cell in text
    assert page.input_value("#as-text").replace("\n", "\r\n") == path.read_bytes().decode("utf-8")
    offers = read_offers(path)
    assert offers["offer"].tolist() == ["unit 1", "unit 2", "@ the door"]
    assert offers["family"].tolist() == [FORMULA, '-Unheard "of", 1', None] or offers["model"][2] is None
    verdicts = judge(offers, nasty_card.appraiser)
    told = page.locator("#kept li").all_inner_texts()
    for text, verdict in zip(told, verdicts.to_dict("records"), strict=True):
        assert (verdict["verdict"] or "no price asked").lower() in text.lower()
        up_to = f"up to {verdict['ceiling']:.2f}" if verdict["ceiling"] >= 0 else "not even free"
        assert up_to in text


def test_a_label_stands_once_and_a_kept_unit_comes_back(open_card, demo_card):
    page = open_card(demo_card)
    fill_in(page, {"family": "Obbelin 310", "built_to": "1982", "asked": "25"}, [])
    tick(page, "rust", "no")
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
    assert page.get_by_role("radiogroup", name="rust").get_by_label("no", exact=True).is_checked()
    page.get_by_role("button", name="Remove fair 1").click()
    assert page.is_hidden("#looked-at")
    page.click("#keep")
    page.click("#clear")
    assert page.said.pop() == "Remove all that was looked at?"
    assert page.locator("#kept li").count() == 0


NO_STORAGE = """Object.defineProperty(window, 'localStorage', {
    get() { throw new DOMException('no', 'SecurityError'); },
})"""


def test_where_nothing_can_be_kept_it_is_said(open_card, demo_card):
    page = open_card(demo_card, before=NO_STORAGE)
    fill_in(page, {"family": "Obbelin 310", "asked": "25"}, [])
    page.click("#keep")
    assert page.locator("#kept li").count() == 1
    assert "keeps nothing once the card is closed" in page.inner_text("#forgetful")


def test_a_spoilt_store_does_not_stop_the_card(open_card, demo_card):
    page = open_card(demo_card)
    for spoilt in ("{", "7", '[null, {"x": 1}, "y"]'):
        page.evaluate(f"localStorage.setItem('benchodds.looked-at.demo', {spoilt!r})")
        page.reload()
        fill_in(page, {"family": "Obbelin 310", "asked": "25"}, [])
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


def test_a_fault_stands_beside_its_field_and_is_read_out(open_card, demo_card):
    page = open_card(demo_card)
    fill_in(page, {"family": "Obbelin 310", "asked": "25"}, [])
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


def test_by_keyboard_alone(open_card, demo_card):
    page = open_card(demo_card)
    page.focus("#name")
    page.keyboard.type("obb 3")
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
    assert re.match(r"(take|haggle|try one|skip)\. ", page.inner_text("#spoken"))
    page.focus("#name")
    page.keyboard.press("Escape")
    assert page.input_value("#name") == ""


def test_what_to_look_at_first_is_told_with_both_answers(open_card, demo_card):
    page = open_card(demo_card)
    fill_in(page, {"family": "Obbelin 310", "built_from": "1982", "asked": "40"}, [])
    page.locator("#look", has_text="no:").wait_for()
    sign, seen, absent = page.inner_text("#look").splitlines()
    assert sign in demo_card.appraiser.shared.signs
    tick(page, sign, "yes")
    page.wait_for_timeout(70)
    now = shown(page)
    assert seen.replace("\xa0", " ") in (
        f"yes: {now['word']}, up to {now['Ceiling'].removesuffix(' the most to pay')}",
        f"yes: {now['word']}, not even free",
    )
    assert absent.startswith("no: ")
    for each in demo_card.appraiser.shared.signs:
        tick(page, each, "no")
    page.locator("#look", has_text="every sign was looked at").wait_for()


@pytest.mark.parametrize(("scheme", "width"), [("light", 360), ("dark", 1440)])
def test_it_can_be_read_by_all_and_fits(open_card, nasty_card, scheme, width):
    from axe_playwright_python.sync_playwright import Axe

    page = open_card(nasty_card, color_scheme=scheme, viewport={"width": width, "height": 740})
    fill_in(page, {"family": LONG, "asked": "20"}, [])
    page.click("#keep")
    states = {"answer": lambda: page.wait_for_timeout(500)}
    states["list of names"] = lambda: (page.fill("#name", "t"), page.press("#name", "ArrowDown"))
    states["fault"] = lambda: (choose(page, EVIL), page.fill("#asked", "x"), page.fill("#built_from", "8"))
    states["unknown"] = lambda: (
        page.fill("#asked", "3"),
        page.fill("#built_from", ""),
        choose(page, "y" * 200),
    )
    for name, enter in states.items():
        enter()
        page.wait_for_timeout(100)
        found = [(each["id"], each["nodes"][0]["html"]) for each in Axe().run(page).response["violations"]]
        assert (name, found) == (name, [])
        wide = {}
        for each in WIDTHS:
            page.set_viewport_size({"width": each, "height": 740})
            wide[each] = page.evaluate(SIDEWAYS)
        page.set_viewport_size({"width": width, "height": 740})
        assert (name, wide) == (name, dict.fromkeys(WIDTHS, 0))


def test_text_never_becomes_markup(open_card, nasty_card):
    page = open_card(nasty_card)
    for name in (EVIL, LONG, TURNED, FORMULA, "<img src=x onerror=alert(1)>"):
        fill_in(page, {"family": name, "asked": "20"}, [])
        page.click("#keep")
        page.wait_for_timeout(150)
        assert page.inner_text(".tag .soft bdi") == name
    page.fill("#name", "")
    page.click("#name")
    assert EVIL in page.locator("#names bdi").all_inner_texts()
    strange = "script:not(#numbers), b bdi ~ *, i, em, u, img, [onmouseover], [onerror]"
    assert page.evaluate(f"document.querySelectorAll({strange!r}).length") == 1  # the card's own script
    assert EVIL in page.locator("#list th bdi").all_inner_texts()
    assert page.locator("#signs bdi").all_inner_texts() == list(nasty_card.appraiser.shared.signs)


def test_the_policy_lets_nothing_else_run_or_leave(browser, demo_card):
    page = browser.new_page()
    page.goto(demo_card.path.as_uri())
    page.evaluate("""() => {
        window.stopped = [];
        addEventListener('securitypolicyviolation', (event) => stopped.push(event.effectiveDirective));
        const script = document.createElement('script');
        script.textContent = 'window.injected = true';
        document.body.append(script);
        const rest = '<p id=styled style="color:red">x</p><img src="far.png">';
        document.body.insertAdjacentHTML('beforeend', rest);
    }""")
    assert (
        page.evaluate("fetch('https://example.invalid/').then(() => 'answered', () => 'refused')")
        == "refused"
    )
    assert page.evaluate("window.injected") is None
    assert page.evaluate("getComputedStyle(document.getElementById('styled')).color") != "rgb(255, 0, 0)"
    stopped = {"script-src-elem", "style-src-attr", "img-src", "connect-src"}
    assert set(page.evaluate("window.stopped")) == stopped
    page.close()


def test_on_paper_it_is_the_list(open_card, demo_card):
    page = open_card(demo_card, color_scheme="dark", viewport={"width": 703, "height": 1000})
    page.emulate_media(media="print")
    assert page.is_hidden("#unit")
    assert page.is_visible("#list")
    assert page.is_visible(".safety")
    assert page.is_visible("#list td.wide >> nth=0")
    assert page.evaluate(SIDEWAYS) == 0
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
    assert page.pdf(format="A4").startswith(b"%PDF")


def test_without_scripts_the_list_is_there(open_card, demo_card):
    page = open_card(demo_card, java_script_enabled=False)
    assert page.is_hidden("#card")
    assert page.is_visible("noscript p")
    assert page.is_visible("text=Obbelin 310 >> nth=0")


def test_an_old_card_says_so(open_card, demo_card):
    for days, told in (
        (0, ""),
        (1, "1 day old."),
        (61, "61 days old. Make a new card: prices and odds have moved on."),
    ):
        later = f"Date.parse('{demo_card.appraiser.as_of}T12:00:00') + {days} * 86400000"
        clock = "class extends Date { constructor(...all) { super(...(all.length ? all : [NOW])); } }"
        page = open_card(
            demo_card, before=f"{{ const NOW = {later}; window.Date = {clock}; }}", timezone_id="UTC"
        )
        assert page.inner_text("#age") == told
        assert page.input_value("#seen_on") >= demo_card.appraiser.as_of.isoformat()
