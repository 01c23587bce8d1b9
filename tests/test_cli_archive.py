"""`archive` and `lives --archive`: from ledgers to the lives of many benches, here or on a cluster."""

import os
import signal
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from reliability.cluster import executor_for
from reliability.errors import BenchoddsError, InvalidInput
from reliability.life import bulk
from reliability.life.bulk import count_findings, lives_of_counts
from reliability.records.archive import open_archives, write_archive
from reliability.records.ledger import open_ledger
from reliability.report.lives import LIVES_COLUMNS

ROOT = Path(__file__).parents[1]
DEMO = ROOT / "data" / "demo"
SHEET = """
family = "Tarnwick T2"
outcome = "repaired"
built_from = 1979
built_to = 1979
failed = ["belt"]
[new_family]
kind = "tape deck"
"""


@pytest.fixture(scope="module")
def archives(new_command_line):
    """The demo in an archive."""
    line = new_command_line()
    line.ok("import", DEMO)
    with open_ledger(line.file) as ledger:
        write_archive(ledger, line.folder / "demo")
    return line.folder


def test_unknown_names_are_refused(command_line, archives):
    lives = ("lives", "--archive", archives / "demo", "--no-intervals")
    said = command_line.run(*lives, "--component", "belt", "--family", "Nobody")
    assert said.exit_code == 1
    assert "No records of family 'Nobody'" in said.stderr


def test_findings_of_unknown_years_are_told(command_line):
    undated = SHEET.replace("built_from = 1979\nbuilt_to = 1979\n", "")
    command_line.ok("add", command_line.sheet(undated))
    command_line.ok("archive", "a")
    told = "tells anything about lives (no production year: 1)."
    assert f"No finding of 1 archive {told}" in command_line.refused("lives", "--archive", "a")
    assert f"bench.db {told}" in command_line.refused("lives", "--counted")


def test_a_ledger_without_findings_is_told(bench):
    assert "bench.db holds no finding of its own yet." in bench.refused("lives", "--counted")


def test_a_counted_ledger_shows_what_its_archive_shows(command_line, archives):
    ledger = replace(command_line, url=str(archives / "bench.db"))
    ways = ["--counted"], ["--archive", archives / "demo"]
    words = ("--component", "belt", "--no-intervals", "--out", "lives.csv")
    said, tables = [], []
    for way in ways:
        said.append(ledger.run("lives", *way, *words).stderr)
        tables.append(pd.read_csv("lives.csv"))
    # The last digit printed is not the same from run to run: sums of products round by where arrays lie.
    assert_frame_equal(*tables, rtol=1e-6)
    assert list(tables[0]) == list(LIVES_COLUMNS)
    assert "bench.db; left out: not original, year of fitting unknown: 26" in said[0]
    assert command_line.run("lives", "--archive", archives / "demo", *words).exit_code == 0
    assert not command_line.file.exists()  # no ledger is needed


# ---- spread over processes and machines


@pytest.fixture(scope="module")
def alone(archives):
    return lives_of_counts(count_findings(open_archives([archives / "demo"])), components=["belt", "motor"])


def test_a_worker_killed_in_the_middle_changes_nothing_but_the_time(cluster, archives, alone, monkeypatch):
    monkeypatch.setattr(bulk, "STRATA_PER_PIECE", 1)
    counts = count_findings(open_archives([archives / "demo"]))
    victim = cluster.workers[1]

    def kill():
        time.sleep(1.0)  # a worker's first piece takes longer: it loads what fits
        victim.send_signal(signal.SIGKILL)

    killer = threading.Thread(target=kill)
    with executor_for(cluster.address, 1) as executor:
        killer.start()
        table = lives_of_counts(counts, components=["belt", "motor"], executor=executor)
        killer.join(timeout=30)
    assert victim.wait(timeout=10) == -signal.SIGKILL
    pd.testing.assert_frame_equal(table, alone, rtol=1e-6)


def test_a_cluster_shows_what_one_process_shows(cluster, command_line, archives):
    lives = ("lives", "--archive", archives / "demo", "--component", "belt", "--no-intervals")
    here = command_line.run(*lives)
    assert here.exit_code == 0
    for address in (cluster.address, "local"):
        assert command_line.run(*lives, "--cluster", address).output == here.output, address


def test_no_cluster_is_refused_with_a_reason(command_line, archives, monkeypatch):
    monkeypatch.setattr("reliability.cluster._SECONDS_TO_CONNECT", 0.5)
    lives = ("lives", "--archive", archives / "demo", "--cluster")
    assert "No scheduler answers at tcp://127.0.0.1:9: " in command_line.refused(*lives, "tcp://127.0.0.1:9")
    assert "--cluster 'here' is no address; give tcp://HOST:PORT" in command_line.refused(*lives, "here")
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert "Install the extra `scale`: pip install 'benchodds[scale]'." in command_line.refused(
        *lives, "local"
    )


def test_work_that_ends_its_processes_is_told():
    told = "ended from outside, perhaps for want of memory"
    with pytest.raises(BenchoddsError, match=told), executor_for(None, 2) as executor:
        executor.submit(os._exit, 1).result()
    killed = pytest.importorskip("distributed").scheduler.KilledWorker("piece", None, 3)
    with pytest.raises(BenchoddsError, match=told), executor_for(None, 1):
        raise killed
    with pytest.raises(InvalidInput, match="mine"), executor_for(None, 1):
        raise InvalidInput("mine")
