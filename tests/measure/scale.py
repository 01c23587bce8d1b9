"""How cost grows: slopes against records, strata, families; a large import.

``python -m tests.measure.scale`` prints the rows. A slope of 1 means twice as much for twice the size.
Seconds are of one processor.
"""

import csv
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from reliability.life.bulk import Counts, count_findings
from reliability.records.archive import open_archives
from reliability.records.ledger import open_ledger
from reliability.records.package import import_package
from tests.measure import apart
from tests.measure.apart import Row, row, tell
from tests.measure.archive import fit_piece, pool_piece, write_trade

THIS = "tests.measure.scale"
JOBS, PER_JOB, FAMILIES = 100_000, 10, 120
MOST_SECONDS, MOST_GB = 60.0, 1.0
STEEPEST = 1.2


def write_package(folder: str, jobs: int) -> dict[str, Any]:
    """Write so many jobs with ten findings each as the CSV files of an import."""
    rng = np.random.default_rng(20261125)
    names = [f"Family {i:03d}" for i in range(FAMILIES)]
    parts = [f"component {i:02d}" for i in range(PER_JOB)]
    families = [(name, f"kind {i % 6}", 1970 + i % 15, 1980 + i % 15) for i, name in enumerate(names)]
    day = np.datetime64("2016-01-01") + np.sort(rng.integers(0, 3600, jobs))
    taken_in = day.astype(str)
    built = 1970 + rng.integers(0, 20, jobs)
    failed = rng.random((jobs, PER_JOB)) < 0.4
    repaired = rng.random(jobs) < 0.7
    job_rows = (
        (i + 1, names[i % FAMILIES], built[i], built[i], taken_in[i], taken_in[i], "repaired" if repaired[i]
         else "donor", 25)
        for i in range(jobs)
    )  # fmt: skip
    found = (
        (i + 1, parts[c], "failed" if failed[i, c] else "sound", "yes")
        for i in range(jobs)
        for c in range(PER_JOB)
    )
    for name, heads, rows in (
        ("families", "family,kind,first_year,last_year", families),
        ("jobs", "job,family,built_from,built_to,taken_in,closed,outcome,bought_for", job_rows),
        ("findings", "job,component,found,original", found),
    ):
        with (Path(folder) / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
            file.write(heads + "\r\n")
            csv.writer(file).writerows(rows)
    return {}


def import_it(folder: str, ledger: str) -> dict[str, Any]:
    """Import a package into a new ledger; by the clock, for it waits for the disk too, and the processor."""
    start, busy = time.perf_counter(), time.process_time()
    with open_ledger(ledger, create=True) as opened:
        summary = import_package(folder, opened)
    taken = {"seconds": time.perf_counter() - start, "processor": time.process_time() - busy}
    return {**taken, "findings": summary.written["findings"]}


def slope(sizes: list[float], seconds: list[float]) -> float:
    """Slope of log time against log size, by least squares."""
    return float(np.polyfit(np.log(sizes), np.log(seconds), 1)[0])


def counted(findings: int, families: int) -> tuple[Counts, float]:
    """Counts of an invented archive, and the seconds that reading and counting took."""
    with tempfile.TemporaryDirectory() as name:
        write_trade(Path(name), findings, families)
        start = time.process_time()
        counts = count_findings(open_archives([name]))
        return counts, time.process_time() - start


def timed(function: Any, *arguments: Any) -> float:
    start = time.process_time()
    function(*arguments)
    return time.process_time() - start


def slopes(scale: float = 1.0) -> dict[str, dict[str, list[float]]]:
    """Sizes and seconds of each kind of growth; `scale` makes all of it smaller for a test."""
    found: dict[str, dict[str, list[float]]] = {}

    def grow(name: str, sizes: list[float], seconds: list[float]) -> None:
        found[name] = {"sizes": sizes, "seconds": seconds}

    records = [int(scale * n) for n in (1_000_000, 2_000_000, 4_000_000)]
    grow("records, counted", list(records), [counted(n, 500)[1] for n in records])
    families = [max(2, int(scale * n)) for n in (200, 400, 800, 1_600)]
    made = [counted(n * 20 * 20, n)[0] for n in families]
    strata = [20.0 * n for n in families]
    grow("strata, fitted", strata, [timed(lambda c=c: list(map(fit_piece, c.pieces(1000)))) for c in made])
    grow("families, pooled", list(families), [timed(pool_piece, next(iter(c.pieces()))) for c in made])
    return found


def import_rows(jobs: int = JOBS) -> list[Row]:
    """An import of a million findings."""
    with tempfile.TemporaryDirectory() as name:
        write_package(name, jobs)
        done = apart.run(THIS, "import_it", name, f"{name}/bench.db")
    told = f"{done['seconds']:.0f} s ({done['processor']:.0f} s of processor), {done['peak_gb']:.2f} GB"
    fine = done["seconds"] <= MOST_SECONDS and done["peak_gb"] <= MOST_GB
    return [row(f"{done['findings']:,} findings imported", told, "60 s, 1 GB", fine)]


def slope_rows(scale: float = 1.0) -> list[Row]:
    """Slopes of each kind of growth."""
    rows = []
    for name, grown in slopes(scale).items():
        steep = slope(grown["sizes"], grown["seconds"])
        times = ", ".join(
            f"{size:,.0f}: {seconds:.2f} s"
            for size, seconds in zip(grown["sizes"], grown["seconds"], strict=True)
        )
        rows.append(
            row(f"slope against {name}", f"{steep:.2f} ({times})", f"<= {STEEPEST:g}", steep <= STEEPEST)
        )
    return rows


def rows() -> list[Row]:
    """Every row."""
    return [*import_rows(), *slope_rows()]


if __name__ == "__main__":
    tell(rows())
