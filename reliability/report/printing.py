"""Pages on paper: Chromium prints them to PDF, if it is there."""

import os
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path

from reliability.errors import ReportError

_NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge")
_LONGEST_SECONDS = 120


def find_chromium() -> str:
    """Find a browser of the Chromium family."""
    found = os.environ.get("BENCHODDS_CHROMIUM") or next(filter(None, map(shutil.which, _NAMES)), None)
    if found is None:
        raise ReportError(
            "The pages are there, but PDF files need Chromium, which was not found. On Debian or Ubuntu: "
            "sudo apt install chromium; elsewhere install it and set BENCHODDS_CHROMIUM to its path."
        )
    return found


def print_pages(out: Path, pages: Sequence[str]) -> tuple[str, ...]:
    """Print pages to PDF files beside them, where those are missing or older."""
    browser = find_chromium()
    written = []
    for page in pages:
        source = (out / page).resolve()
        target = source.with_suffix(".pdf")
        if target.exists() and target.stat().st_mtime_ns >= source.stat().st_mtime_ns:
            continue
        _print(browser, source, target)
        written.append(page.removesuffix(".html") + ".pdf")
    return tuple(written)


def _print(browser: str, source: Path, target: Path) -> None:
    beside = target.with_name(f".{target.name}.{os.getpid()}.part")
    # Chromium refuses its sandbox to root; the page is ours, runs no script and fetches nothing.
    sandbox = ["--no-sandbox"] if getattr(os, "geteuid", lambda: 1)() == 0 else []
    with tempfile.TemporaryDirectory() as profile:
        order = [
            browser,
            "--headless",
            *sandbox,
            "--disable-gpu",
            f"--user-data-dir={profile}",
            "--no-pdf-header-footer",
        ]
        try:
            done = subprocess.run(
                [*order, f"--print-to-pdf={beside}", source.as_uri()],
                capture_output=True,
                text=True,
                timeout=_LONGEST_SECONDS,
                check=False,
            )
            if not beside.exists():
                raise ReportError(f"{source.name}: Chromium printed no PDF ({_last_line(done.stderr)}).")
            os.replace(beside, target)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise ReportError(f"{source.name}: Chromium could not be run ({error}).") from error
        finally:
            beside.unlink(missing_ok=True)


def _last_line(said: str) -> str:
    lines = [line.strip() for line in said.splitlines() if line.strip()]
    return lines[-1] if lines else "it said nothing"
