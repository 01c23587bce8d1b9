"""Take the README's pictures from the demo pages; run by `make pictures` (needs Chromium)."""

import shutil
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

from reliability.records.exchange import load_package_records
from reliability.report.run import make_pages

ROOT = Path(__file__).parents[1]
OUT = ROOT / "reports" / "pictures"
SHOTS = {
    "at-a-glance": ("index.html", 900, 760),
    "family": ("families/pellowick-22.html", 900, 1500),
}


def main() -> int:
    chromium = shutil.which("chromium")
    if chromium is None:
        sys.stderr.write("Chromium is not installed; on Debian or Ubuntu: apt-get install chromium\n")
        return 1
    OUT.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as browsers:
        make_pages(load_package_records(ROOT / "data" / "demo"), folder, demo=True, progress=False)
        browser = browsers.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        for name, (page, width, height) in SHOTS.items():
            tab = browser.new_page(viewport={"width": width, "height": height}, color_scheme="light")
            tab.goto((Path(folder) / page).as_uri())
            tab.screenshot(path=str(OUT / f"{name}.png"))
        browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
