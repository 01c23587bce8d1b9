"""A small ledger for the form: two families, some finished jobs, one unit on the bench."""

import datetime
import shutil
from pathlib import Path

import pytest

from reliability.records.ledger import open_ledger
from reliability.records.sheet import read_sheet, take_in, write_up
from reliability.report.form import Desk, open_desk

TODAY = datetime.date(2026, 11, 20)
SHEET = """
family = "{family}"
model = "{family} S"
outcome = "{outcome}"
built = {built}
taken_in = 2026-0{month}-03
closed = 2026-0{month}-20
bought_for = {price}
hours = 3
failed = ["belt"]
rest_sound = true
{end}
"""


@pytest.fixture(scope="session")
def small_ledger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write sixteen finished jobs and an open one, once for all tests."""
    path = tmp_path_factory.mktemp("form") / "bench.db"
    sheets = []
    for i in range(16):
        repaired = i % 4 > 0
        end = f"sold_for = {120 + i}" if repaired else 'ended_by = "belt"'
        text = SHEET.format(
            family=("Tarnwick T2", "Dallow 80")[i % 2],
            outcome="repaired" if repaired else "donor",
            built=1976 + i % 7,
            month=1 + i // 2,
            price=20 + i,
            end=end,
        )
        sheets.append(read_sheet(text, f"sheet {i}"))
    with open_ledger(path, create=True) as ledger:
        rows = [
            {"family": "Tarnwick T2", "kind": "tape deck", "working_price": 150},
            {"family": "Dallow 80", "kind": "turntable"},
        ]
        ledger.put("families", rows, reason="for a test")
        write_up(ledger, sheets, today=TODAY)
        job = {"family": "Tarnwick T2", "taken_in": "2026-11-02", "bought_for": 25, "built_from": 1979}
        job |= {"built_to": 1979}
        take_in(ledger, {"job": job, "signs": [{"sign": "rust", "seen": "yes"}]})
    return path


@pytest.fixture
def ledger_file(small_ledger: Path, tmp_path: Path) -> Path:
    """Copy the small ledger for one test."""
    return Path(shutil.copy(small_ledger, tmp_path / "bench.db"))


@pytest.fixture
def desk(ledger_file: Path) -> Desk:
    """Open it as the notebook does."""
    return open_desk(str(ledger_file), today=TODAY)


@pytest.fixture
def empty_desk(tmp_path: Path) -> Desk:
    """Choose a ledger that is still to be made."""
    return open_desk(str(tmp_path / "new.db"), today=TODAY)
