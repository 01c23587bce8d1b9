"""Small ledgers of invented makers, written out by hand."""

import datetime

import pytest

from reliability.records.frames import Records, records_from_rows
from reliability.records.package import load_package_records
from reliability.worth.appraiser import Appraiser, fit_appraiser
from tests.worth import ledgers


@pytest.fixture(scope="session")
def bench_rows():
    return ledgers.bench_rows()


@pytest.fixture(scope="session")
def bench_records(bench_rows) -> Records:
    return records_from_rows(bench_rows)


@pytest.fixture(scope="session")
def bench_appraiser(bench_records) -> Appraiser:
    return fit_appraiser(bench_records, datetime.date(2025, 1, 10))


@pytest.fixture(scope="session")
def demo_records() -> Records:
    return load_package_records(ledgers.DEMO)


@pytest.fixture(scope="session")
def demo_appraiser(demo_records) -> Appraiser:
    return fit_appraiser(demo_records, demo_records.last_date())
