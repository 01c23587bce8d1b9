"""Times of whole processes, as a user waits for them: add, judge, report."""

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
OFFERS, SIGHTINGS = 400, 40
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
    ledger = folder / "bench.db"
    _seconds(ledger, "import", str(DEMO))
    family = "Obbelin 310"
    sheet = folder / "job.toml"
    sheet.write_text(SHEET.format(family=family), encoding="utf-8")
    offers = folder / "offers.csv"
    lines = ["offer,family,built_from,asked,rust"]
    lines += [f"{i},{family},{1979 + i % 8},{i % 90},{('yes', 'no', '')[i % 3]}" for i in range(OFFERS)]
    offers.write_text("\n".join(lines) + "\n", encoding="utf-8")
    looked = folder / "seen.csv"
    lines = ["offer,family,built_from,asked,bought,left_because,rust"]
    lines += [f"{i},{family},{1979 + i % 8},{10 + i},{('yes,', ',too dear')[i % 8 > 0]},yes"
              for i in range(SIGHTINGS)]  # fmt: skip
    looked.write_text("\n".join(lines) + "\n", encoding="utf-8")
    pages = folder / "reports"
    out = str(folder / "verdicts.csv")
    one = ("judge", "--family", family, "--built", "1982", "--asked", "30")
    taken_in = ("intake", family, "--price", "25", "--year", "1982", "--sign", "rust=no")
    found = [
        _row("add a job, best of 5", min(_seconds(ledger, "add", str(sheet)) for _ in range(5)), 0.5),
        _row("take a unit in, best of 3", min(_seconds(ledger, *taken_in) for _ in range(3)), 0.5),
        _row(f"judge {OFFERS} offers, cold", _seconds(ledger, "judge", str(offers), "--out", out), 10.0),
        _row("judge one offer, kept, best of 3", min(_seconds(ledger, *one) for _ in range(3)), 1.0),
        _row("next, odds and plans not kept yet", _seconds(ledger, "next"), 20.0),
        _row("next, kept, best of 3", min(_seconds(ledger, "next") for _ in range(3)), 1.0),
        _row("demo pages from nothing", _seconds(ledger, "report", "--all", "--out", str(pages)), 20.0),
    ]
    before = {path: path.stat().st_mtime_ns for path in pages.rglob("*.html")}
    seen = {path: _seen(path) for path in before}
    unchanged = _seconds(ledger, "report", "--all", "--out", str(pages))
    touched = sum(path.stat().st_mtime_ns != before[path] for path in before)
    found.append(_row(f"nothing changed ({touched} of {len(before)} pages touched)", unchanged, 0.5))
    found[-1]["ok"] = found[-1]["ok"] and touched == 0
    found += _one_family(ledger, sheet, family, pages)
    _seconds(ledger, *one)  # the odds are kept again
    found.append(
        _row(f"saw {SIGHTINGS} sightings, 5 of them bought", _seconds(ledger, "saw", str(looked)), 2.0)
    )
    _seconds(ledger, "add", str(sheet))
    added = _seconds(ledger, "report", "--all", "--out", str(pages))
    made = [path for path in pages.rglob("*.html") if path.stat().st_mtime_ns != before.get(path)]
    needless = sum(_seen(path) == seen.get(path) for path in made)
    what = (
        f"one job added ({len(made)} of {len(before)} pages made, {needless} of them with nothing new to see)"
    )
    found.append(row(what, f"{added:.1f} s", "none needless", not needless))
    return found


def _one_family(ledger: Path, sheet: Path, family: str, pages: Path) -> list[Row]:
    """Time a family's pages after one added job, in turn with a notebook that only imports."""
    bare = ledger.with_name("bare.ipynb")
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(IMPORTS)])
    notebook.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3", "language": "python"}
    nbformat.write(notebook, bare)
    reports, imports = [], []
    for _ in range(3):
        imports.append(_seconds_of(_program("papermill"), str(bare), str(ledger.with_name("ran.ipynb"))))
        _seconds(ledger, "add", str(sheet))
        reports.append(_seconds(ledger, "report", "--family", family, "--out", str(pages)))
    report, bare_notebook = median(reports), median(imports)
    return [
        _row("one job added, its family's page and the first one, median of 3", report, 5.0),
        row(
            "the same beside a notebook that only imports what ours does",
            f"{report / bare_notebook:.1f} times its {bare_notebook:.2f} s",
            "<= 2",
            report <= 2 * bare_notebook,
        ),
    ]


def _seen(path: Path) -> list[str]:
    """Give the lines of a page but for the one that tells of which records it is."""
    return [line for line in path.read_text("utf-8").splitlines() if "<dt>Ledger</dt>" not in line]


def _seconds(ledger: Path, *command: str) -> float:
    return _seconds_of(_program("benchodds"), "--ledger", str(ledger), *command)


def _program(name: str) -> str:
    return shutil.which(name, path=str(Path(sys.executable).parent)) or name


def _seconds_of(*line: str) -> float:
    start = time.perf_counter()
    subprocess.run(line, check=True, capture_output=True, cwd=ROOT)
    return time.perf_counter() - start


def _row(what: str, seconds: float, target: float) -> Row:
    return row(what, f"{seconds:.2f} s", f"<= {target:g} s", seconds <= target)
