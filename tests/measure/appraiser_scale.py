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
import pandas as pd

from reliability.records.frames import Records
from reliability.records.package import load_package_records
from reliability.worth.appraiser import fit_appraiser
from tests.measure import apart
from tests.measure.apart import Row, row
from tests.measure.commands import DEMO, ROOT, _program

THIS = "tests.measure.appraiser_scale"
LEDGERS = ((1, 3, 86, 60.0), (65, 43, 0, 90.0), (325, 143, 0, 300.0))
"""Copies of the demo, sets of names for its families, imported copies, and most seconds."""

IMPORTED_JOBS = 4  # of each imported family

MOST_GB = 4.0

FOREIGN_FAMILIES, FOREIGN_JOBS, MOST_TIMES = 1_203, 2_825, 2.0
"""Families that only imported jobs name, as many as a movement's sample brings; and what they may cost."""


def copy_of(demo: Records, jobs: pd.DataFrame, number: int, names: int) -> dict[str, pd.DataFrame]:
    """Tables of one copy: its jobs have numbers of their own, its families the names of some other copies."""
    tables = {}
    for name in ("families", "jobs", "findings", "signs", "followups", "parts"):
        table = demo.frames()[name] if name != "jobs" else jobs.assign(lot=None, model=None)
        if "job" in table:
            table = table[table["job"].isin(jobs["job"])]
            table = table.assign(job=f"K{number}-" + table["job"].str.removeprefix("B"))
        if "family" in table:
            table = table.assign(family=table["family"] + f" {number % names}")
        tables[name] = table
    return tables


def big_ledger(copies: int, names: int, imported: int) -> Records:
    """Lay copies of the demo side by side; of those imported there are but some jobs, of another bench."""
    demo = load_package_records(DEMO)
    few = demo.jobs.groupby("family").head(IMPORTED_JOBS).assign(origin="another bench")
    laid = [copy_of(demo, demo.jobs, i, names) for i in range(copies)]
    beyond = copies + imported
    laid += [copy_of(demo, few, i, beyond) for i in range(copies, beyond)]
    tables = {name: pd.concat([each[name] for each in laid], ignore_index=True) for name in laid[0]}
    tables["families"] = tables["families"].drop_duplicates("family", ignore_index=True)
    tables["parts"] = tables["parts"].drop_duplicates(["family", "component"], ignore_index=True)
    tables["jobs"] = tables["jobs"].sort_values("taken_in", kind="stable", ignore_index=True)
    return Records(settings=demo.settings, **tables)


def fit_one(copies: int, names: int, imported: int) -> dict[str, Any]:
    """Fit one ledger; the seconds of the fit alone, and what it judges."""
    records = big_ledger(copies, names, imported)
    start = time.process_time()
    appraiser = fit_appraiser(records, records.last_date())
    taken, tally = time.process_time() - start, appraiser.tally
    found = {"own": tally.jobs_finished, "imported": tally.jobs_imported, "families": len(appraiser.families)}
    return {"seconds": taken, "findings": len(records.findings), **found}


def rows() -> list[Row]:
    """One row for each ledger that is fitted, and for each command beside imported families."""
    return [*fit_rows(), *foreign_rows()]


def fit_rows() -> list[Row]:
    """One row for each ledger."""
    found = []
    for *ledger, most_seconds in LEDGERS:
        took = apart.run(THIS, "fit_one", *ledger)
        beside = f" beside {took['imported']:,} imported ones" if took["imported"] else ""
        told = f"{took['seconds']:.0f} s, {took['peak_gb']:.1f} GB ({took['findings']:,} findings)"
        fine = took["seconds"] <= most_seconds and took["peak_gb"] <= MOST_GB
        what = f"{took['own']:,} jobs{beside} in {took['families']:,} families, fitted"
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
