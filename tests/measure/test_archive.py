"""The measurements of archives and of scale, in small: they must run, and tell a miss from a hit."""

import numpy as np
import pytest

from reliability.life.bulk import count_findings
from reliability.records.archive import open_archives
from tests.measure import apart, archive


@pytest.fixture(scope="module")
def trade(tmp_path_factory):
    folder = tmp_path_factory.mktemp("trade")
    archive.write_trade(folder, 20_000, 25)
    return folder


def test_the_trade_is_what_it_says(trade):
    batch = open_archives([trade]).execute("SELECT * FROM findings").df()
    assert len(batch) == 20_000
    assert batch["family"].nunique() == 25
    assert batch["component"].nunique() == 20
    share = {
        "ended": batch["ended_by"].notna().mean(),
        "fitted": batch["original"].eq("no").mean(),
        "window": batch["built_from"].ne(batch["built_to"]).mean(),
        "dated": batch["failed_from"].notna().mean(),
        "on the bench": batch["arose"].eq("during work").mean(),
    }
    assert {name for name, value in share.items() if value > 0} == set(share)
    assert 0.25 < share["ended"] < 0.4
    assert 0.15 < share["window"] < 0.25


def test_little_has_to_go_the_long_way(trade):
    counts = count_findings(open_archives([trade]))
    assert counts.left_out.sum() < 0.01 * counts.n_findings
    assert 0 < counts.apart["record"].nunique() < 0.05 * counts.n_findings


def test_rows_tell_ratios_and_peak():
    rows = {row["what"]: row for row in archive.rows(40_000, 20, pooled_components=2)}
    assert rows["archive of 40,000 findings"]["ok"] is None
    assert rows["peak memory of all that"]["ok"] is True
    assert rows["pooled: 2 of 20 components"]["measured"].endswith(" s")
    assert rows["strata fitted in pieces"]["measured"].split()[3].startswith("400;")
    assert " x the read into frames" in rows["checked, read and counted"]["measured"]


def test_a_miss_is_called_one(monkeypatch):
    slow = {"framed": 1.0, "arrow": 0.5, "whole": 7.0, "lives": 1, "findings": 1,
            "peak_gb": 2.0,
            "fitting": 1.0, "strata": 1, "fitted": 1, "pooling": 1.0}  # fmt: skip
    monkeypatch.setattr(archive.apart, "run", lambda *_: slow)
    found = {row["what"]: row for row in archive.rows(1_000, 10)}
    assert [row["ok"] for row in found.values() if row["target"]] == [False, False]
    assert "7.00 s: 7.0 x the read into frames, 14.0 x Arrow's" in str(found)


def test_memory_is_that_of_the_step_alone():
    kept = np.ones(30_000_000)  # a quarter of a gigabyte that the step knows nothing of
    assert 0.005 < apart.run("builtins", "dict")["peak_gb"] < 0.2
    assert kept.size == 30_000_000
