"""Every kind of page in a real browser: narrow and wide, light and dark, on its own, readable by all."""

import pytest

from reliability.report.run import all_pages
from reliability.report.show import Shown
from tests.report.cards import BROWSER

WIDTHS = (360, 480, 767, 768, 1024, 1440)
LEAST_LETTERS = 11

pytestmark = BROWSER


def kinds(report):
    """Take one page of each kind: the family and component of most jobs."""
    wanted = {"": "", "family": report.family(), "component": report.component()}
    return [page for page in all_pages(report) if page.subject in wanted.values()]


#: By how much a page is wider than its window.
TOO_WIDE = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


@pytest.fixture
def opened(browser, awkward_report):
    """Open a page of the report with all that is folded; what it asks for and says is kept with it."""
    pages = []

    def opened(wanted, width, scheme="light"):
        page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
        pages.append(page)
        page.asked, page.said = [], []
        page.on("request", lambda request: page.asked.append(request.url))
        page.on("dialog", lambda dialog: (page.said.append(dialog.message), dialog.dismiss()))
        page.on(
            "console", lambda message: page.said.append(message.text) if message.type == "error" else None
        )
        page.goto((awkward_report / wanted.target).as_uri())
        page.evaluate("document.querySelectorAll('details').forEach(each => each.open = true)")
        return page

    yield opened
    for page in pages:
        page.close()


@pytest.mark.parametrize(("scheme", "axe_width"), [("light", 360), ("dark", 1440)])
def test_pages_fit_every_screen_ask_for_nothing_and_can_be_read_by_all(
    opened, awkward_report, awkward, scheme, axe_width
):
    from axe_playwright_python.sync_playwright import Axe

    for wanted in kinds(awkward):
        page = opened(wanted, WIDTHS[0], scheme)
        too_wide = {}
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": 900})
            too_wide[width] = page.evaluate(TOO_WIDE)
            if width == axe_width:
                found = Axe().run(page).response["violations"]
        assert (wanted.target, too_wide) == (wanted.target, dict.fromkeys(WIDTHS, 0))
        assert (page.asked, page.said) == ([(awkward_report / wanted.target).as_uri()], [])
        assert [(each["id"], each["nodes"][0]["html"]) for each in found] == []


def test_names_of_the_ledger_never_become_markup(opened, awkward):
    tags = "script, b, i, em, u, [onmouseover], [onerror]"
    for wanted in all_pages(awkward):
        page = opened(wanted, 768)
        found = page.evaluate(f"document.querySelectorAll({tags!r}).length")
        assert (wanted.target, found, page.said) == (wanted.target, 0, [])
        if wanted.subject:
            assert page.inner_text("h1").lower() == wanted.subject.lower()
            assert page.title() == f"{wanted.subject} · benchodds"


SMALL = """() => [...document.querySelectorAll('svg text, td, td small, th small, li, p')].filter(each => {
  const svg = each.ownerSVGElement, m = svg && each.getScreenCTM();
  if (each.getBoundingClientRect().width === 0) return false;
  return parseFloat(getComputedStyle(each).fontSize) * (m ? Math.hypot(m.a, m.b) : 1) < LEAST - 0.05;
}).map(each => each.textContent)"""


@pytest.mark.parametrize("width", [360, 1440])
def test_letters_are_large_enough_at_every_width_in_charts_too(opened, awkward, width):
    for wanted in kinds(awkward):
        page = opened(wanted, width)
        small = page.evaluate(SMALL.replace("LEAST", str(LEAST_LETTERS)))
        assert (wanted.target, small) == (wanted.target, [])
        assert page.evaluate(
            SMALL.replace("LEAST", "40")
        )  # the same look finds letters below a size that none has


def test_a_number_that_stands_below_its_name_on_a_phone_says_what_it_is(opened, awkward):
    (family,) = [page for page in kinds(awkward) if page.kind == "family"]
    said = opened(family, 360).evaluate(
        "[...document.querySelectorAll('table.rows td[data-head]:not(.leads):not(.wide):not(.long)')]"
        ".map(each => [each.dataset.head, getComputedStyle(each, '::before').content])"
    )
    assert ["Mended", '"Mended "'] in said
    assert all(shown == f'"{head} "' for head, shown in said)


def test_a_page_prints_on_paper(opened, awkward):
    for wanted in (page for page in kinds(awkward) if page.kind in ("fleet", "family")):
        page = opened(wanted, 768, "dark")
        page.emulate_media(media="print")
        width_mm = 184  # A4 less the margins
        page.set_viewport_size({"width": int(width_mm / 25.4 * 96), "height": 1000})
        paper = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
        navigation = page.evaluate("getComputedStyle(document.querySelector('nav')).display")
        found = (wanted.target, page.evaluate(TOO_WIDE), paper, navigation)
        assert found == (wanted.target, 0, "rgb(255, 255, 255)", "none")
        assert page.pdf(format="A4").startswith(b"%PDF")


@pytest.mark.parametrize(
    ("is_light", "blue"), [("true", "rgb(22, 85, 127)"), ("false", "rgb(140, 196, 236)")]
)
def test_a_part_looks_in_jupyterlab_as_it_does_on_its_page(browser, is_light, blue):
    from IPython.core.formatters import DisplayFormatter

    drawn = '<svg class="marks phone"></svg><svg class="marks"><rect class="take"/></svg>'
    given, _ = DisplayFormatter().format(Shown(f"{drawn}<table><tr><td><a href='belt.html'>belt</a></table>"))
    assert given["text/plain"].startswith("<part of a page")
    # JupyterLab's rules for tables, by its class of shown HTML.
    own = ".lab table { table-layout: fixed; } .lab td { text-align: right; } .lab tr { background: red; }"
    page = browser.new_page(color_scheme="dark")  # of the machine; JupyterLab has a theme of its own
    page.set_content(
        f"<style>{own}</style><body data-jp-theme-light={is_light}>"
        f'<div class="lab"><p>beside</p>{given["text/html"]}</div>'
    )
    looks = {
        "rect": ("fill", blue), "svg.phone": ("display", "none"), "table": ("tableLayout", "auto"),
        "td": ("textAlign", "left"), "tr": ("backgroundColor", "rgba(0, 0, 0, 0)"),
        ".lab > p": ("color", "rgb(0, 0, 0)"),
    }  # fmt: skip
    for name, (look, wanted) in looks.items():
        assert (name, page.locator(name).evaluate(f"each => getComputedStyle(each).{look}")) == (name, wanted)
    assert page.locator("a").count() == 0  # the page of the belt lies elsewhere
    page.close()
