"""Take the README's pictures from the demo pages; run by `make pictures` (needs Chromium)."""

import shutil
import sys
import tempfile
from base64 import b64encode
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

from reliability.records.files import replace_file
from reliability.records.package import load_package_records
from reliability.report.card import make_card
from reliability.report.run import make_pages
from reliability.worth.appraiser import fit_appraiser

ROOT = Path(__file__).parents[1]
OUT = ROOT / "reports" / "pictures"
FAMILY = "Pellowick 22"
SHOTS = {
    "at-a-glance": ("index.html", 900, 760),
    "family": ("families/pellowick-22.html", 900, 1500),
}


CARD = (384, 800)


def take_card(browser: Browser, folder: Path) -> None:
    """Take the pocket card with a unit entered, once light and once dark, side by side."""
    records = load_package_records(ROOT / "data" / "demo")
    day = records.last_date()
    replace_file(folder / "card.html", make_card(fit_appraiser(records, day), records, demo=True))
    width, height = CARD
    both = browser.new_page(viewport={"width": 2 * width + 24, "height": height})
    shots = []
    for scheme, at in (("light", "header"), ("dark", "#others")):
        tab = browser.new_page(viewport={"width": width, "height": height}, color_scheme=scheme)
        tab.clock.set_fixed_time(f"{day}T12:00:00")
        tab.goto((folder / "card.html").as_uri())
        tab.fill("#name", "Obbelin 310")
        tab.press("#name", "Tab")
        for field, text in (("built_from", "1980"), ("built_to", "1984"), ("asked", "35")):
            tab.fill(f"#{field}", text)
        tab.get_by_role("radiogroup", name="no power").get_by_label("no", exact=True).check()
        tab.wait_for_timeout(300)
        tab.locator(".advice", has_text="no:").first.wait_for()
        tab.evaluate("at => document.querySelector(at).scrollIntoView()", at)
        shots.append(b64encode(tab.screenshot()).decode("ascii"))
    images = "".join(f'<img src="data:image/png;base64,{shot}">' for shot in shots)
    both.set_content(f"<body style='margin:0;display:flex;justify-content:space-between'>{images}")
    both.screenshot(path=str(OUT / "card.png"), omit_background=True)


def main() -> int:
    chromium = shutil.which("chromium")
    if chromium is None:
        sys.stderr.write("Chromium is not installed; on Debian or Ubuntu: apt-get install chromium\n")
        return 1
    OUT.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as browsers:
        demo = load_package_records(ROOT / "data" / "demo")
        make_pages(demo, Path(folder), families=[FAMILY], demo=True)
        browser = browsers.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        take_card(browser, Path(folder))
        for name, (page, width, height) in SHOTS.items():
            tab = browser.new_page(viewport={"width": width, "height": height}, color_scheme="light")
            tab.goto((Path(folder) / page).as_uri())
            tab.screenshot(path=str(OUT / f"{name}.png"))
        browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
