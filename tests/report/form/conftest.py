"""For the forms: a ledger of two families, some finished jobs, one unit on the bench; JupyterLab on it."""

import datetime
import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from dataclasses import dataclass
from pathlib import Path

import pytest

from reliability.records.ledger import open_ledger
from reliability.records.sheet import JobSheet, read_sheet, write_up
from reliability.report.form import open_desk
from reliability.report.run import NOTEBOOKS
from tests.report.cards import chromium

TOKEN = "bench"
HOST = "127.0.0.1"
QUIET = '{"fetchNews": "false", "checkForUpdates": false, "doNotDisturbMode": true}'
TODAY = datetime.date(2026, 11, 20)
SHEET = """
family = "{family}"
model = "{family} S"
outcome = "{outcome}"
built = {built}
taken_in = 2026-0{month}-03
closed = 2026-0{month}-20
bought_for = {price}
hours = 3
failed = ["belt"]
rest_sound = true
{end}
"""


@pytest.fixture(scope="session")
def small_ledger(tmp_path_factory):
    """Write sixteen finished jobs and an open one, once for all tests."""
    path = tmp_path_factory.mktemp("form") / "bench.db"
    sheets = []
    for i in range(16):
        repaired = i % 4 > 0
        end = f"sold_for = {120 + i}" if repaired else 'ended_by = "belt"'
        text = SHEET.format(
            family=("Tarnwick T2", "Dallow 80")[i % 2],
            outcome="repaired" if repaired else "donor",
            built=1976 + i % 7,
            month=1 + i // 2,
            price=20 + i,
            end=end,
        )
        sheets.append(read_sheet(text, f"sheet {i}"))
    with open_ledger(path, create=True) as ledger:
        rows = [
            {"family": "Tarnwick T2", "kind": "tape deck", "working_price": 150},
            {"family": "Dallow 80", "kind": "turntable"},
        ]
        ledger.put("families", rows, reason="for a test")
        write_up(ledger, sheets, today=TODAY)
        job = {"family": "Tarnwick T2", "taken_in": "2026-11-02", "bought_for": 25, "built_from": 1979}
        job |= {"built_to": 1979}
        unit = {"job": job, "findings": [], "signs": [{"sign": "rust", "seen": "yes"}], "followups": []}
        write_up(ledger, [JobSheet("", unit, comes_in=True)])
    return path


@pytest.fixture
def ledger_file(small_ledger, tmp_path):
    """Copy the small ledger for one test."""
    return Path(shutil.copy(small_ledger, tmp_path / "bench.db"))


@pytest.fixture
def desk(ledger_file):
    """Open it as the notebook does."""
    return open_desk(str(ledger_file), today=TODAY)


@pytest.fixture
def empty_desk(tmp_path):
    """Choose a ledger that is still to be made."""
    return open_desk(str(tmp_path / "new.db"), today=TODAY)


# JupyterLab, and a page on it.


@dataclass(frozen=True)
class Lab:
    """A running JupyterLab with a copy of the notebook."""

    port: int
    ledger: Path

    @property
    def origin(self):
        return f"http://{HOST}:{self.port}"

    @property
    def url(self):
        return f"{self.origin}/lab/tree/bench.ipynb?reset&token={TOKEN}"


def free_port():
    with socket.socket() as taken:
        taken.bind((HOST, 0))
        return int(taken.getsockname()[1])


def wait_until_it_answers(server, url, log):
    for _ in range(900):
        assert server.poll() is None, log.read_text()
        try:
            urllib.request.urlopen(url).close()
            return
        except urllib.error.URLError:
            time.sleep(0.1)
    pytest.fail(f"JupyterLab does not answer:\n{log.read_text()}")


@pytest.fixture
def lab(tmp_path, ledger_file):
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
def page(lab):
    """Open a page that can reach this JupyterLab alone, and fail if it asked for anything else."""
    strayed = []

    def let_through(route):
        if route.request.url.startswith((f"{lab.origin}/", "data:", "blob:")):
            route.continue_()
        else:
            strayed.append(route.request.url)
            route.abort()

    with chromium() as browser:
        opened = browser.new_page(viewport={"width": 1200, "height": 2400})
        opened.set_default_timeout(60_000)  # a busy machine is no fault
        opened.route("**/*", let_through)
        yield opened
    assert strayed == []


def run_all_cells(page, lab):
    page.goto(lab.url)
    page.get_by_text("| Idle").first.wait_for()
    page.locator(".jp-Cell").nth(8).wait_for()
    page.locator(".lm-MenuBar-itemLabel", has_text="Run").first.click()
    page.locator(".lm-Menu-itemLabel", has_text="Run All Cells").first.click()
    page.get_by_role("button", name="Put it on the shelf").wait_for()
