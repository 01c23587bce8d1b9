"""How cost grows, in small: the rows must run, and tell a steep slope from a flat one."""

import pytest

from tests.measure import apart, scale
from tests.measure.__main__ import SETS, main


def test_a_slope_is_that_of_a_power():
    assert scale.slope([1, 2, 4], [3.0, 6.0, 12.0]) == pytest.approx(1.0)
    assert scale.slope([10, 100], [1.0, 100.0]) == pytest.approx(2.0)


def test_slope_rows_tell_sizes_and_seconds(monkeypatch):
    monkeypatch.setattr(scale, "workers", lambda scale: [(1, 4.0), (2, 2.0)])
    rows = {row["what"]: row for row in scale.slope_rows(0.01)}
    assert set(rows) == {f"slope against {name}" for name in (
        "records, counted", "strata, fitted", "families, pooled", "workers, fitted")}  # fmt: skip
    assert "10,000: " in rows["slope against records, counted"]["measured"]
    assert rows["slope against workers, fitted"]["measured"] == "-1.00 (4.0 s, 2.0 s)"


def test_a_steep_slope_is_a_miss(monkeypatch):
    steep = {"sizes": [1.0, 2.0], "seconds": [1.0, 4.0]}
    flat = {"sizes": [1.0, 2.0], "seconds": [1.0, 2.0]}
    monkeypatch.setattr(scale, "slopes", lambda scale: {"a": steep, "b": flat})
    monkeypatch.setattr(scale, "workers", lambda scale: [(1, 1.0), (2, 1.0)])
    assert [row["ok"] for row in scale.slope_rows()] == [False, True, None]


def test_import_rows_count_every_finding():
    imported, counted = scale.import_rows(200)
    assert imported["what"] == "2,000 findings imported"
    assert imported["ok"] is True
    assert counted["ok"] is True


def test_a_slow_import_is_a_miss(monkeypatch):
    told = {"seconds": 61.0, "processor": 40.0, "peak_gb": 0.1, "findings": 1}
    monkeypatch.setattr(apart, "run", lambda *_: told)
    assert scale.import_rows(5)[0]["ok"] is False


def test_the_table_knows_these_rows(capsys):
    assert {"archive", "scale"} <= set(SETS)
    assert main("sclae") == 2
    assert "There are no rows sclae; there are: commands, lives, archive, scale" in capsys.readouterr().err
