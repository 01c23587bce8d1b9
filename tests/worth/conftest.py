"""Small ledgers of invented makers, written out by hand."""

import datetime

import pytest

from reliability.records.frames import Records, records_from_rows
from reliability.records.package import load_package_records
from reliability.worth.appraiser import Appraiser, fit_appraiser
from tests.worth.ledgers import DEMO, finding, job


@pytest.fixture(scope="session")
def bench_rows():
    """Twelve units of Larkov T1, eight of Larkov T2, one kind, a bench that is sound at its work."""
    jobs, findings, signs = [], [], []
    for n in range(1, 21):
        family = "Larkov T1" if n <= 12 else "Larkov T2"
        broken = n % 4 == 0 or n > 16
        outcome = "donor" if broken else "repaired"
        more = {"ended_by": "gear", "salvage_value": 15.0} if broken else {}
        jobs.append(job(n, family, outcome, **more))
        findings.append(
            finding(n, "gear", "failed" if broken else "sound", action="no part" if broken else None)
        )
        belt = {"action": "replaced", "part_cost": 6.0} if n % 3 else {}
        findings.append(finding(n, "belt", "failed" if n % 3 else "sound", **belt))
        findings.append(finding(n, "motor", "sound"))
        signs.append({"job": str(n), "sign": "rust", "seen": "yes" if broken else "no"})
    families = [
        {"family": name, "kind": "tape deck", "first_year": 1981, "last_year": 1986, "working_price": 110.0}
        for name in ("Larkov T1", "Larkov T2", "Larkov T3")
    ]
    return {"families": families, "jobs": jobs, "findings": findings, "signs": signs}


@pytest.fixture(scope="session")
def bench_records(bench_rows) -> Records:
    return records_from_rows(bench_rows)


@pytest.fixture(scope="session")
def bench_appraiser(bench_records) -> Appraiser:
    return fit_appraiser(bench_records, datetime.date(2025, 1, 10))


@pytest.fixture(scope="session")
def demo_records() -> Records:
    return load_package_records(DEMO)


@pytest.fixture(scope="session")
def demo_appraiser(demo_records) -> Appraiser:
    return fit_appraiser(demo_records, demo_records.last_date())
