from contextlib import ExitStack
from decimal import Decimal
from itertools import count

import pytest

from reliability.records.ledger import open_ledger

FAMILY = {
    "family": "Tarnwick T2", "kind": "tape deck", "maker": "Tarnwick", "first_year": 1975, "last_year": 1984,
}  # fmt: skip


#: What these ask of a database, others ask of both.
ON_A_FILE = {"test_audit", "test_sheet"}


def pytest_generate_tests(metafunc):
    """Run a test on every database that a ledger can live in, unless it asks for the file of SQLite."""
    is_on_a_file = "file" in metafunc.fixturenames or metafunc.module.__name__.split(".")[-1] in ON_A_FILE
    if "database" in metafunc.fixturenames and not is_on_a_file:
        metafunc.parametrize("database", ["sqlite", "postgresql"], indirect=True)


@pytest.fixture
def database(request):
    return getattr(request, "param", "sqlite")


@pytest.fixture
def file(tmp_path):
    """The file of the ledger: a test that asks for it runs on SQLite only."""
    return tmp_path / "bench.db"


@pytest.fixture
def new_url(database, request, tmp_path):
    """Make up places for further ledgers on the same kind of database."""
    if database == "sqlite":
        numbers = count(1)
        yield lambda: tmp_path / f"another-{next(numbers)}.db"
        return
    server = request.getfixturevalue("server")
    with ExitStack() as made:
        yield lambda: made.enter_context(server.database())


@pytest.fixture
def url(database, request, tmp_path):
    """Where the ledger of the test is."""
    return tmp_path / "bench.db" if database == "sqlite" else request.getfixturevalue("shared_url")


@pytest.fixture
def ledger(url):
    with open_ledger(url, create=True) as opened:
        opened.put("families", [FAMILY], reason="first family")
        yield opened


@pytest.fixture
def finished():
    """Build a finished job; keywords are columns of jobs, or findings, signs, followups."""

    def build(**given):
        parts = {part: given.pop(part, []) for part in ("findings", "signs", "followups")}
        job = {
            "family": "Tarnwick T2",
            "taken_in": "2026-05-01",
            "closed": "2026-05-10",
            "outcome": "repaired",
        }
        return {"job": {**job, **given}, **parts}

    return build


@pytest.fixture
def full():
    """Build a job that fills every column of every part."""

    def build():
        return {
            "job": {
                "family": "Tarnwick T2", "model": "T2 mk II", "lot": None,
                "built_from": 1978, "built_to": 1979, "year_basis": "serial number",
                "taken_in": "2026-05-01", "closed": "2026-05-10", "outcome": "repaired",
                "bought_for": Decimal("12.50"), "hours": 2.25, "other_costs": 4,
                "sold_for": 99.9, "sold_on": "2026-06", "salvage_value": Decimal("0"), "origin": None,
                "remarks": "=SUM(A1)\nsecond line, with \"quotes\"",
            },
            "findings": [
                {"component": "belt", "found": "failed", "original": "no", "fitted_from": 1990,
                 "fitted_to": 1995, "failed_from": "2020-01", "failed_to": "2026-04-30",
                 "action": "replaced", "part_cost": 3.2,
                 "part_source": "new"},
                {"component": "head", "position": "left", "found": "failed", "arose": "during work",
                 "failed_from": "2026-05-02", "failed_to": "2026-05-02", "action": "rebuilt"},
                {"component": "motor", "found": "sound"},
            ],
            "signs": [{"sign": "rust", "seen": "yes"}, {"sign": "hum", "seen": "no"}],
            "followups": [
                {"checked_on": "2026-09-01", "working": "no", "failed_on": "2026-08-15", "component": "belt",
                 "hours": 0.5, "cost": "1.00"},
            ],
        }  # fmt: skip

    return build
