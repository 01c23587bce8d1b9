"""What fitting the appraiser takes: large benches, and a small one that imported many families.

Seconds are of one processor.
"""

import time
from typing import Any

from reliability.worth.appraiser import fit_appraiser
from tests.measure import apart
from tests.measure.apart import Row, row
from tests.measure.big_ledger import AS_OF, big_ledger

THIS = "tests.measure.appraiser_scale"
LEDGERS = ((400, 40, 1_200, 60.0), (20_000, 600, 0, 90.0), (100_000, 2_000, 0, 300.0))
"""Own jobs, families, imported families, and most seconds."""

MOST_GB = 4.0


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
