"""What fitting the appraiser takes: large benches, and small ones that imported many families.

Seconds are of one processor, of whole processes where commands are told beside each other.
"""

import csv
import os
import subprocess
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from reliability.worth.appraiser import fit_appraiser
from tests.measure import apart
from tests.measure.apart import Row, row
from tests.measure.big_ledger import AS_OF, big_ledger
from tests.measure.commands import DEMO, ROOT, _program

THIS = "tests.measure.appraiser_scale"
LEDGERS = ((400, 40, 1_200, 60.0), (20_000, 600, 0, 90.0), (100_000, 2_000, 0, 300.0))
"""Own jobs, families, imported families, and most seconds."""

MOST_GB = 4.0

FOREIGN_FAMILIES, FOREIGN_JOBS, MOST_TIMES = 1_203, 2_825, 2.0
"""Families that only imported jobs name, as many as a movement's sample brings; and what they may cost."""


def fit_one(jobs: int, families: int, imported: int) -> dict[str, Any]:
    """Fit one ledger; the seconds of the fit alone, and what it judges."""
    records = big_ledger(jobs, families, imported=imported)
    start = time.process_time()
    appraiser = fit_appraiser(records, AS_OF)
    return {
        "seconds": time.process_time() - start,
        "findings": len(records.findings),
        "families": len(appraiser.families),
    }


def rows() -> list[Row]:
    """One row for each ledger that is fitted, and for each command beside imported families."""
    return [*fit_rows(), *foreign_rows()]


def fit_rows() -> list[Row]:
    """One row for each ledger."""
    found = []
    for jobs, families, imported, most_seconds in LEDGERS:
        took = apart.run(THIS, "fit_one", jobs, families, imported)
        beside = f" and {imported:,} imported ones" if imported else ""
        told = f"{took['seconds']:.0f} s, {took['peak_gb']:.1f} GB ({took['findings']:,} findings)"
        fine = took["seconds"] <= most_seconds and took["peak_gb"] <= MOST_GB
        fine = fine and took["families"] == families + imported
        what = f"{jobs:,} jobs in {families:,} families{beside}, fitted"
        found.append(row(what, told, f"{most_seconds:.0f} s, {MOST_GB:.0f} GB", fine))
    return found


def write_foreign(folder: Path) -> None:
    """Write outcomes of a repair movement: many families, few jobs of each, years of half, no finding."""
    rng = np.random.default_rng(41)
    family = np.concatenate([np.arange(FOREIGN_FAMILIES), rng.integers(FOREIGN_FAMILIES, size=FOREIGN_JOBS)])
    tables: dict[str, list[dict[str, object]]] = {
        "families": [
            {"family": f"Fremd {i}", "kind": f"foreign kind {i % 39}", "maker": f"Fremd {i % 800}"}
            for i in range(FOREIGN_FAMILIES)
        ],
        "jobs": [],
    }
    for number, at in enumerate(family[:FOREIGN_JOBS]):
        day = np.datetime64("2020-01-01") + int(rng.integers(1_900))
        built = int(rng.integers(1985, 2019)) if rng.random() < 0.5 else ""
        outcome = "repaired" if rng.random() < 0.55 else "sold as is"
        tables["jobs"].append({"job": f"foreign_{number}", "family": f"Fremd {at}", "built_from": built,
                               "built_to": built, "taken_in": day, "closed": day, "outcome": outcome,
                               "origin": "a repair movement"})  # fmt: skip
    for name, rows in tables.items():
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)


def foreign_rows() -> list[Row]:
    """Give what commands take in a ledger with many imported families beside the same one without them."""
    commands = (("ranking",), ("report", "--family", "Obbelin 310"))
    took: dict[tuple[str, ...], list[float]] = {command: [] for command in commands}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        ledger, out = folder / "bench.db", folder / "reports"
        write_foreign(folder)
        _user_seconds(ledger, "import", str(DEMO))
        for more in ((), ("import", str(folder))):
            if more:
                _user_seconds(ledger, *more)
            for command in commands:
                place = ("--out", str(out / str(len(took[command])))) if command[0] == "report" else ()
                took[command].append(_user_seconds(ledger, *command, *place))
    found = []
    for command, (without, beside) in took.items():
        times = beside / without
        what = f"{' '.join(command)} beside {FOREIGN_FAMILIES:,} imported families"
        told = f"{times:.1f} times its {without:.1f} s"
        found.append(row(what, told, f"<= {MOST_TIMES:g}", times <= MOST_TIMES))
    return found


def _user_seconds(ledger: Path, *command: str) -> float:
    before = os.times().children_user
    subprocess.run(
        [_program("benchodds"), "--ledger", str(ledger), *command], check=True, capture_output=True, cwd=ROOT
    )
    return os.times().children_user - before
