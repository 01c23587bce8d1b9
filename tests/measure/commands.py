"""Times of whole processes, as a user waits for them: add, judge, report."""

import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

import nbformat

from tests.measure.apart import ROOT, Row, row

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
FAMILY, OFFERS, SIGHTINGS = "Obbelin 310", 400, 40
ONE = f"judge --family '{FAMILY}' --built 1982 --asked 30"
PAGES = "report --all --out reports"
#: What is done in turn, how often (the quickest counts), and the most seconds that it may take.
STEPS = (
    ("add a job, best of 5", 5, "add job.toml", 0.5),
    ("take a unit in, best of 3", 3, f"intake '{FAMILY}' --price 25 --year 1982 --sign rust=no", 0.5),
    (f"judge {OFFERS} offers, cold", 1, "judge offers.csv --out verdicts.csv", 10.0),
    ("judge one offer, kept, best of 3", 3, ONE, 1.0),
    ("next, odds and plans not kept yet", 1, "next", 20.0),
    ("next, kept, best of 3", 3, "next", 1.0),
    ("demo pages from nothing", 1, PAGES, 20.0),
)
# What a family's page loads.
IMPORTS = """
import reliability.report.data, reliability.report.pages
import reliability.report.render
"""


def rows() -> list[Row]:
    """Measure on a copy of the demo, in a folder of its own."""
    with tempfile.TemporaryDirectory() as folder:
        return _measure(Path(folder))


def _measure(folder: Path) -> list[Row]:
    (folder / "job.toml").write_text(SHEET.format(family=FAMILY), encoding="utf-8")
    lines = ["offer,family,built_from,asked,rust"]
    lines += [f"{i},{FAMILY},{1979 + i % 8},{i % 90},{('yes', 'no', '')[i % 3]}" for i in range(OFFERS)]
    (folder / "offers.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    lines = ["offer,family,built_from,asked,bought,left_because,rust"]
    lines += [f"{i},{FAMILY},{1979 + i % 8},{10 + i},{('yes,', ',too dear')[i % 8 > 0]},yes"
              for i in range(SIGHTINGS)]  # fmt: skip
    (folder / "seen.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    _bench(folder, f"import {DEMO}")
    found = [_row(what, min(_bench(folder, line) for _ in range(times)), most)
             for what, times, line, most in STEPS]  # fmt: skip
    before = _pages(folder)
    unchanged = _bench(folder, PAGES)
    touched = sum(made != before[path][0] for path, (made, _) in _pages(folder).items())
    found.append(_row(f"nothing changed ({touched} of {len(before)} pages touched)", unchanged, 0.5))
    found[-1]["ok"] = found[-1]["ok"] and touched == 0
    found += _one_family(folder)
    _bench(folder, ONE)  # the odds are kept again
    found.append(_row(f"saw {SIGHTINGS} sightings, 5 of them bought", _bench(folder, "saw seen.csv"), 2.0))
    _bench(folder, "add job.toml")
    added, pages = _bench(folder, PAGES), _pages(folder)
    made = [path for path in pages if pages[path][0] != before.get(path, (0, ""))[0]]
    needless = sum(pages[path][1] == before.get(path, (0, ""))[1] for path in made)
    what = (
        f"one job added ({len(made)} of {len(before)} pages made, {needless} of them with nothing new to see)"
    )
    return [*found, row(what, f"{added:.1f} s", "none needless", not needless)]


def _one_family(folder: Path) -> list[Row]:
    """Time a family's pages after one added job, in turn with a notebook that only imports."""
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(IMPORTS)])
    notebook.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3", "language": "python"}
    nbformat.write(notebook, folder / "bare.ipynb")
    reports, imports = [], []
    for _ in range(3):
        imports.append(_seconds(folder, "papermill", "bare.ipynb", "ran.ipynb"))
        _bench(folder, "add job.toml")
        reports.append(_bench(folder, f"report --family '{FAMILY}' --out reports"))
    report, bare = median(reports), median(imports)
    told = f"{report / bare:.1f} times its {bare:.2f} s"
    return [
        _row("one job added, its family's page and the first one, median of 3", report, 5.0),
        row("the same beside a notebook that only imports what ours does", told, "<= 2", report <= 2 * bare),
    ]


def _pages(folder: Path) -> dict[Path, tuple[int, str]]:
    """When each page was made, and its text but for the line that tells of which records it is."""
    return {path: (path.stat().st_mtime_ns, re.sub("(?m)^.*<dt>Ledger</dt>.*$", "", path.read_text("utf-8")))
            for path in folder.rglob("reports/**/*.html")}  # fmt: skip


def _bench(folder: Path, line: str) -> float:
    return _seconds(folder, "benchodds", "--ledger", "bench.db", *shlex.split(line))


def _program(name: str) -> str:
    return shutil.which(name, path=str(Path(sys.executable).parent)) or name


def _seconds(folder: Path, name: str, *words: str) -> float:
    environment, start = {**os.environ, "PYTHONPATH": str(ROOT)}, time.perf_counter()
    subprocess.run([_program(name), *words], check=True, capture_output=True, cwd=folder, env=environment)
    return time.perf_counter() - start


def _row(what: str, seconds: float, target: float) -> Row:
    return row(what, f"{seconds:.2f} s", f"<= {target:g} s", seconds <= target)
