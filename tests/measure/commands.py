"""Times of whole processes, as a user waits for them: add, judge, report."""

import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

Row = dict[str, Any]

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "data" / "demo"
SHEET = """
family = "{family}"
outcome = "repaired"
taken_in = 2026-10-01
closed = 2026-10-20
bought_for = 20
failed = ["belt"]
rest_sound = true
sold_for = 120
"""
OFFERS = 400


def rows() -> list[Row]:
    """Measure on a copy of the demo, in a folder of its own."""
    with tempfile.TemporaryDirectory() as folder:
        return _measure(Path(folder))


def _measure(folder: Path) -> list[Row]:
    ledger = folder / "bench.db"
    _seconds(ledger, "import", str(DEMO))
    family = "Obbelin 310"
    sheet = folder / "job.toml"
    sheet.write_text(SHEET.format(family=family), encoding="utf-8")
    offers = folder / "offers.csv"
    lines = ["offer,family,built_from,asked,rust"]
    lines += [f"{i},{family},{1979 + i % 8},{i % 90},{('yes', 'no', '')[i % 3]}" for i in range(OFFERS)]
    offers.write_text("\n".join(lines) + "\n", encoding="utf-8")
    pages = folder / "reports"
    out = str(folder / "verdicts.csv")
    one = ("judge", "--family", family, "--built", "1982", "--asked", "30")
    found = [
        _row("add a job, best of 5", min(_seconds(ledger, "add", str(sheet)) for _ in range(5)), 0.5),
        _row(f"judge {OFFERS} offers, cold", _seconds(ledger, "judge", str(offers), "--out", out), 20.0),
        _row("judge one offer, kept, best of 3", min(_seconds(ledger, *one) for _ in range(3)), 1.0),
        _row("demo pages from nothing", _seconds(ledger, "report", "--all", "--out", str(pages)), 90.0),
    ]
    before = {path: path.stat().st_mtime_ns for path in pages.rglob("*.html")}
    seen = {path: _seen(path) for path in before}
    unchanged = _seconds(ledger, "report", "--all", "--out", str(pages))
    touched = sum(path.stat().st_mtime_ns != before[path] for path in before)
    found.append(_row(f"nothing changed ({touched} of {len(before)} pages touched)", unchanged, 1.5))
    found[-1]["ok"] = found[-1]["ok"] and touched == 0
    _seconds(ledger, "add", str(sheet))
    added = _seconds(ledger, "report", "--all", "--out", str(pages))
    made = [path for path in pages.rglob("*.html") if path.stat().st_mtime_ns != before.get(path)]
    needless = sum(_seen(path) == seen.get(path) for path in made)
    what = (
        f"one job added ({len(made)} of {len(before)} pages made, {needless} of them with nothing new to see)"
    )
    found.append({"what": what, "measured": f"{added:.1f} s", "target": "none needless", "ok": not needless})
    return found


def _seen(path: Path) -> list[str]:
    """Give the lines of a page but for the two that carry the key of its content."""
    lines = path.read_text("utf-8").splitlines()
    return [line for line in lines if "benchodds-page" not in line and "<dt>Content</dt>" not in line]


def _seconds(ledger: Path, *command: str) -> float:
    program = shutil.which("benchodds", path=str(Path(sys.executable).parent)) or "benchodds"
    start = time.perf_counter()
    subprocess.run([program, "--ledger", str(ledger), *command], check=True, capture_output=True, cwd=ROOT)
    return time.perf_counter() - start


def _row(what: str, seconds: float, target: float) -> Row:
    return {
        "what": what,
        "measured": f"{seconds:.2f} s",
        "target": f"<= {target:g} s",
        "ok": seconds <= target,
    }
