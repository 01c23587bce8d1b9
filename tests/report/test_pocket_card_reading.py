"""The card as it is read: by all, on every screen, on paper, without scripts; names like markup."""

import pytest

from tests.report.cards import BROWSER, EVIL, FORMULA, LONG, SIGNS, TURNED, choose, fill_in, settle, tick

WIDTHS = (360, 768, 1440)
SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
# Elements whose text is wider than they are; a long entry in a field scrolls as it is typed.
CUT = """[...document.querySelectorAll('body *:not(input, select, option, textarea, .unseen)')]
    .filter((each) => each.clientWidth && each.scrollWidth > each.clientWidth + 1)
    .map((each) => each.outerHTML)"""

pytestmark = BROWSER


@pytest.mark.parametrize(("scheme", "width"), [("light", 360), ("dark", 1440)])
def test_it_can_be_read_by_all_and_fits(open_card, nasty_card, scheme, width):
    from axe_playwright_python.sync_playwright import Axe

    page = open_card(nasty_card, color_scheme=scheme, viewport={"width": width, "height": 740})
    states = {"empty": lambda: None}
    states["answer and what was kept"] = lambda: (
        fill_in(page, {"family": LONG, "asked": "20"}, []),  # with both folds open
        page.click("#act"),
        page.locator("#looked-at summary").click(),
        page.wait_for_timeout(500),
    )
    states["lot"] = lambda: (
        page.click("#act"),
        settle(page),
        page.select_option("#lot", label="in a new lot"),
        [(choose(page, name), settle(page), page.click("#act")) for name in (LONG, FORMULA)],
        choose(page, LONG),
        page.fill("#lot_asked", "20"),
        page.wait_for_timeout(500),
    )
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
            wide[each] = (page.evaluate(SIDEWAYS), page.evaluate(CUT))
        page.set_viewport_size({"width": width, "height": 740})
        assert (name, wide) == (name, dict.fromkeys(WIDTHS, (0, [])))


CHOICES = """() => [...document.querySelectorAll('.answers')].map((group) =>
    [...group.querySelectorAll('span')].map((each) => {
        const {backgroundColor, color} = getComputedStyle(each);
        return `${backgroundColor} ${color}`;
    }))"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_in_forced_colours_every_choice_is_visible(open_card, nasty_card, scheme):
    page = open_card(nasty_card, color_scheme=scheme, forced_colors="active")
    fill_in(page, {"family": LONG, "asked": "20"}, [])
    for at, answer in enumerate(("not looked", "no", "yes")):
        for sign in SIGNS:
            tick(page, sign, answer)
        for shown in page.evaluate(CHOICES):
            others = {each for i, each in enumerate(shown) if i != at}
            assert len(others) == 1
            assert shown[at] not in others
    page.click("#name")
    page.keyboard.press("ArrowDown")
    colours = "[...document.querySelectorAll('#names li')].map((li) => getComputedStyle(li).backgroundColor)"
    chosen, *others = page.evaluate(colours)
    assert chosen not in others
    assert page.is_visible("#bar svg")  # the verdict's mark and word, whatever becomes of its colour


def test_text_never_becomes_markup(open_card, nasty_card):
    page = open_card(nasty_card)
    for name in (EVIL, LONG, TURNED, FORMULA, "<img src=x onerror=alert(1)>"):
        fill_in(page, {"family": name, "asked": "20"}, [])
        page.click("#act")
        page.wait_for_timeout(150)
        assert page.locator("#kept li >> nth=0").locator("bdi").all_inner_texts()[1] == name
    page.fill("#name", "")
    page.click("#name")
    assert EVIL in page.locator("#names bdi").all_inner_texts()
    strange = "script:not(#numbers), b bdi ~ *, i, em, u, img, [onmouseover], [onerror]"
    assert page.evaluate(f"document.querySelectorAll({strange!r}).length") == 1  # the card's own script
    assert EVIL in page.locator("#list th bdi").all_inner_texts()
    assert set(page.locator(".sign bdi").all_inner_texts()) == set(nasty_card.appraiser.shared.signs)


def test_the_policy_lets_nothing_else_run_or_leave(browser, nasty_card):
    page = browser.new_page()
    page.goto(nasty_card.path.as_uri())
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


def test_on_paper_it_is_the_list(open_card, nasty_card):
    page = open_card(nasty_card, color_scheme="dark", viewport={"width": 703, "height": 1000})
    page.emulate_media(media="print")
    assert page.is_hidden("#unit")
    assert page.is_visible("#list")
    assert page.is_visible(".safety")
    assert page.is_hidden("#bar")
    assert page.is_visible("#list td:nth-child(6) >> nth=0")
    assert page.evaluate(SIDEWAYS) == 0
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
    assert page.pdf(format="A4").startswith(b"%PDF")


def test_without_scripts_the_list_is_there(open_card, nasty_card):
    page = open_card(nasty_card, java_script_enabled=False)
    assert page.is_hidden("#card")
    assert page.is_hidden("#bar")
    assert page.is_visible("noscript p")
    assert page.is_visible("#list th bdi >> nth=0")


def test_an_old_card_says_so(open_card, nasty_card):
    for days, told in (
        (0, ""),
        (1, "; 1 day old"),
        (61, "; 61 days old: make a new card, prices and odds have moved on."),
    ):
        later = f"Date.parse('{nasty_card.appraiser.as_of}T12:00:00') + {days} * 86400000"
        clock = "class extends Date { constructor(...all) { super(...(all.length ? all : [NOW])); } }"
        page = open_card(
            nasty_card, before=f"{{ const NOW = {later}; window.Date = {clock}; }}", timezone_id="UTC"
        )
        assert page.inner_text("#age") == told
        assert page.input_value("#seen_on") >= nasty_card.appraiser.as_of.isoformat()
