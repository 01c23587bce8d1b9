"""The form as its user meets it: JupyterLab in Chromium, on a ledger of its own, nothing from outside."""

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from reliability.records.ledger import open_ledger
from reliability.report.run import NOTEBOOKS

CHROMIUM = shutil.which("chromium") or shutil.which("google-chrome")
TOKEN = "bench"
HOST = "127.0.0.1"
QUIET = '{"fetchNews": "false", "checkForUpdates": false, "doNotDisturbMode": true}'

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed"),
    # Playwright's own event loop is closed when its process ends.
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]


@dataclass(frozen=True)
class Lab:
    """A running JupyterLab with a copy of the notebook."""

    port: int
    ledger: Path

    @property
    def origin(self) -> str:
        return f"http://{HOST}:{self.port}"

    @property
    def url(self) -> str:
        return f"{self.origin}/lab/tree/bench.ipynb?reset&token={TOKEN}"


def free_port() -> int:
    with socket.socket() as taken:
        taken.bind((HOST, 0))
        return int(taken.getsockname()[1])


def wait_until_it_answers(server: subprocess.Popen[bytes], url: str, log: Path) -> None:
    for _ in range(900):
        assert server.poll() is None, log.read_text()
        try:
            urllib.request.urlopen(url).close()
            return
        except urllib.error.URLError:
            time.sleep(0.1)
    pytest.fail(f"JupyterLab does not answer:\n{log.read_text()}")


@pytest.fixture
def lab(tmp_path: Path, ledger_file: Path) -> Iterator[Lab]:
    """Start JupyterLab with settings of its own and the kernels of this environment."""
    books = tmp_path / "notebooks"
    books.mkdir()
    shutil.copy(NOTEBOOKS / "bench.ipynb", books)
    settings = tmp_path / "config" / "lab" / "user-settings" / "@jupyterlab" / "apputils-extension"
    settings.mkdir(parents=True)
    (settings / "notification.jupyterlab-settings").write_text(QUIET)
    folders = {"CONFIG_DIR": "config", "DATA_DIR": "data", "RUNTIME_DIR": "runtime"}
    environment = {
        **os.environ,
        "BENCHODDS_LEDGER": str(ledger_file),
        "IPYTHONDIR": str(tmp_path / "ipython"),
    }
    environment |= {f"JUPYTER_{name}": str(tmp_path / folder) for name, folder in folders.items()}
    port = free_port()
    line = [sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", "--LabApp.news_url=None",
            "--LabApp.extension_manager=readonly",
            f"--ServerApp.ip={HOST}", f"--ServerApp.port={port}", "--ServerApp.port_retries=0",
            f"--IdentityProvider.token={TOKEN}", f"--ServerApp.root_dir={books}"]  # fmt: skip
    log = tmp_path / "log.txt"
    with log.open("wb") as told:
        server = subprocess.Popen(line, env=environment, cwd=tmp_path, stdout=told, stderr=subprocess.STDOUT)
    try:
        wait_until_it_answers(server, f"http://{HOST}:{port}/api/status?token={TOKEN}", log)
        yield Lab(port, ledger_file)
    finally:
        server.terminate()  # it ends its kernels itself
        server.wait(30)


@pytest.fixture
def page(lab: Lab) -> Iterator[Any]:
    """Open a page that can reach this JupyterLab alone, and fail if it asked for anything else."""
    from playwright.sync_api import sync_playwright

    strayed: list[str] = []

    def let_through(route: Any) -> None:
        if route.request.url.startswith((f"{lab.origin}/", "data:", "blob:")):
            route.continue_()
        else:
            strayed.append(route.request.url)
            route.abort()

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        opened = browser.new_page(viewport={"width": 1200, "height": 2400})
        opened.set_default_timeout(60_000)  # a busy machine is no fault
        opened.route("**/*", let_through)
        yield opened
        browser.close()
    assert strayed == []


def run_all_cells(page: Any, lab: Lab) -> None:
    page.goto(lab.url)
    page.get_by_text("| Idle").first.wait_for()
    page.locator(".jp-Cell").nth(8).wait_for()
    page.locator(".lm-MenuBar-itemLabel", has_text="Run").first.click()
    page.locator(".lm-Menu-itemLabel", has_text="Run All Cells").first.click()
    page.get_by_role("button", name="Put it on the shelf").wait_for()


def axe_faults(page: Any) -> list[tuple[str, str]]:
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page, context=".bench-form").response
    assert len(found["passes"]) > 5
    return [(each["id"], each["nodes"][0]["html"]) for each in found["violations"]]


def test_a_unit_comes_in_and_its_job_is_written_up(page: Any, lab: Lab) -> None:
    run_all_cells(page, lab)
    page.locator(".jp-OutputArea-output code", has_text=str(lab.ledger)).wait_for()
    intake, job, sale = (page.locator(".bench-form").nth(place) for place in (1, 2, 3))

    intake.get_by_label("Family", exact=True).fill("Tarnwick T2")
    intake.get_by_label("Bought for").fill("30")
    intake.get_by_label("hum", exact=True).select_option("no")
    intake.get_by_role("button", name="Take it in").click()
    intake.get_by_text("write this number on its label").wait_for()

    which = job.get_by_label("Which unit?")
    label = f"job 18: Tarnwick T2, in since {time.strftime('%Y-%m-%d')}"
    which.locator("option", has_text="job 18").wait_for(state="attached")
    which.select_option(label=label)
    # A tape deck's components take the place of the general ones.
    job.get_by_label("pinch roller", exact=True).wait_for()
    job.get_by_label("motor", exact=True).select_option("failed")
    job.get_by_label("motor: action").select_option("replaced")
    cost = job.get_by_label("motor: part cost")
    cost.fill("four and a half")
    job.get_by_role("button", name="All others were examined and are sound").click()
    job.get_by_label("Outcome").select_option("repaired")
    job.get_by_role("button", name="Write it up").click()

    # The fault stands in the field's own box, under the field.
    wrong = job.locator(".bench-field", has=page.get_by_label("motor: part cost")).locator(".bench-wrong")
    wrong.wait_for()
    assert "'four and a half' is not an amount" in wrong.inner_text()
    assert wrong.bounding_box()["y"] > cost.bounding_box()["y"]
    assert "nothing was written" in job.get_by_role("alert").inner_text()
    assert axe_faults(page) == []

    cost.fill("4.50")
    job.get_by_role("button", name="Write it up").click()
    change = job.get_by_role("button", name="What did this job change?")
    change.wait_for()
    assert "Job 18 is written: Tarnwick T2, repaired" in job.inner_text()
    assert str(lab.ledger) in job.inner_text()
    assert job.locator(".bench-wrong").count() == 0
    change.click()
    job.get_by_text("You can go on writing meanwhile").wait_for()

    # While that is worked out, the sale is written.
    sale.get_by_label("Job", exact=True).select_option(label=f"{label}, repaired")
    sale.get_by_label("Sold for").fill("155")
    sale.get_by_role("button", name="Record the sale").click()
    sale.get_by_text("Job 18: Tarnwick T2, sold for 155.00 EUR").wait_for()
    assert axe_faults(page) == []

    table = job.get_by_role("table")
    table.wait_for(timeout=600_000)
    heads = table.locator("tr").nth(0).inner_text().split()
    jobs = table.locator("tr", has_text="Finished jobs of the family").inner_text().split("\t")
    assert (heads, jobs[1:]) == (["before", "after"], ["8", "9"])
    assert axe_faults(page) == []

    with open_ledger(lab.ledger) as ledger:
        document = ledger.job("18")
        assert [each["reason"] for each in ledger.history("18")] == ["taken in", "added", "sold"]
    found = {each["component"]: each for each in document["findings"]}
    assert (document["job"]["outcome"], document["job"]["sold_for"]) == ("repaired", 155)
    assert (document["job"]["bought_for"], document["signs"][0]["seen"]) == (30, "no")
    assert (found["motor"]["found"], found["motor"]["action"]) == ("failed", "replaced")
    assert str(found["motor"]["part_cost"]) == "4.50"
    assert {each["found"] for name, each in found.items() if name != "motor"} == {"sound"}
    assert len(found) == 8
