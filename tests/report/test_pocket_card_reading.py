"""The card as it is read: by all, on every screen, on paper, without scripts; names like markup."""

import pytest

from tests.report.cards import CHROMIUM, EVIL, FORMULA, LONG, TURNED, choose, fill_in

WIDTHS = (360, 768, 1440)
SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]


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


def test_the_policy_lets_nothing_else_run_or_leave(card_browser, nasty_card):
    page = card_browser.new_page()
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
    assert page.is_visible("#list td.wide >> nth=0")
    assert page.evaluate(SIDEWAYS) == 0
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(255, 255, 255)"
    assert page.pdf(format="A4").startswith(b"%PDF")


def test_without_scripts_the_list_is_there(open_card, nasty_card):
    page = open_card(nasty_card, java_script_enabled=False)
    assert page.is_hidden("#card")
    assert page.is_visible("noscript p")
    assert page.is_visible("#list th bdi >> nth=0")


def test_an_old_card_says_so(open_card, nasty_card):
    for days, told in (
        (0, ""),
        (1, "1 day old."),
        (61, "61 days old. Make a new card: prices and odds have moved on."),
    ):
        later = f"Date.parse('{nasty_card.appraiser.as_of}T12:00:00') + {days} * 86400000"
        clock = "class extends Date { constructor(...all) { super(...(all.length ? all : [NOW])); } }"
        page = open_card(
            nasty_card, before=f"{{ const NOW = {later}; window.Date = {clock}; }}", timezone_id="UTC"
        )
        assert page.inner_text("#age") == told
        assert page.input_value("#seen_on") >= nasty_card.appraiser.as_of.isoformat()
