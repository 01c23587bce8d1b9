import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from types import SimpleNamespace

import pytest

from reliability.errors import LedgerError
from reliability.records import database
from reliability.records.ledger import open_ledger

APPEND = """
import sys
from reliability.records.ledger import open_ledger
job = {"family": "Tarnwick T2", "taken_in": "2026-05-01", "closed": "2026-05-10", "outcome": "repaired"}
with open_ledger(sys.argv[1]) as ledger:
    while True:
        ledger.add({"job": job, "findings": [{"component": c, "found": "sound"} for c in ("belt", "head")]})
        sys.stdout.write(".")
        sys.stdout.flush()
"""


def test_a_backup_is_a_whole_ledger(ledger, file, full, tmp_path):
    ledger.add(full())
    ledger.backup(tmp_path / "copy.db")
    assert sorted(file.name for file in tmp_path.glob("*copy*")) == ["copy.db"]
    with open_ledger(tmp_path / "copy.db") as copy:
        assert copy.job("1") == ledger.job("1")
        assert copy.history("1") == ledger.history("1")
        assert not [problem for problem in copy.check() if problem.grave]
        assert copy.add(full()) == "2"
    assert len(ledger.rows("jobs")) == 1


def test_a_backup_is_consistent_while_others_write(ledger, file, tmp_path):
    writer = subprocess.Popen([sys.executable, "-c", APPEND, str(file)], stdout=subprocess.PIPE)
    try:
        for turn in range(5):
            writer.stdout.read(3)
            ledger.backup(tmp_path / f"{turn}.db")
    finally:
        writer.kill()
        writer.communicate()
    sizes = []
    for turn in range(5):
        with open_ledger(tmp_path / f"{turn}.db") as copy:
            assert not [problem for problem in copy.check() if problem.grave]
            sizes.append(len(copy.rows("jobs")))
            assert len(copy.rows("findings")) == 2 * sizes[-1]
    assert sizes == sorted(sizes)
    assert sizes[0] >= 3


def test_a_backup_replaces_nothing_and_says_what_is_wrong(ledger, file, tmp_path, monkeypatch):
    taken = tmp_path / "taken.db"
    taken.write_text("mine")
    with pytest.raises(
        LedgerError, match=r"taken\.db exists already; a backup never replaces a file\. Name another"
    ):
        ledger.backup(taken)
    with pytest.raises(LedgerError, match=r"^There is no folder .*nowhere to put the backup into\.$"):
        ledger.backup(tmp_path / "nowhere" / "x.db")

    def quicker(_copy):
        (tmp_path / "x.db").write_text("somebody else's")

    monkeypatch.setattr(database, "_verify", quicker)
    with pytest.raises(LedgerError, match=r"x\.db exists already; a backup never"):
        ledger.backup(tmp_path / "x.db")
    monkeypatch.undo()

    def full(_handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(
        LedgerError, match=r"y\.db cannot be written: the disk is full\. There is no backup\.$"
    ):
        ledger.backup(tmp_path / "y.db")
    assert taken.read_text() == "mine"
    assert sorted(file.name for file in tmp_path.iterdir() if "bench" not in file.name) == [
        "taken.db",
        "x.db",
    ]


def test_a_damaged_ledger_gives_no_backup(ledger, file, full, tmp_path):
    for _ in range(120):
        ledger.add(full())
    ledger.close()
    content = bytearray(file.read_bytes())
    middle = len(content) // 2 // 4096 * 4096
    content[middle : middle + 3 * 4096] = b"\xff" * 3 * 4096
    file.write_bytes(content)
    with (
        open_ledger(file) as damaged,
        pytest.raises(LedgerError, match=r"(damaged|malformed).*There is no backup\.$"),
    ):
        damaged.backup(tmp_path / "copy.db")
    assert not (tmp_path / "copy.db").exists()


def test_a_server_is_copied_by_its_own_tool(tmp_path):
    server = SimpleNamespace(dialect=SimpleNamespace(name="postgresql"))
    with pytest.raises(
        LedgerError, match=r"^A ledger in PostgreSQL is copied with pg_dump, or with `benchodds export`$"
    ):
        database.copy_to(server, tmp_path / "x.db")


def test_a_copy_is_tested_before_it_is_called_a_backup(tmp_path):
    # A file that cannot be read as a database at all, and one whose rows break a rule of its own.
    broken = tmp_path / "broken.db"
    with closing(sqlite3.connect(broken)) as connection:
        connection.execute("CREATE TABLE t (x INTEGER CHECK (x > 0))")
        connection.execute("PRAGMA ignore_check_constraints = ON")
        connection.execute("INSERT INTO t VALUES (-1)")
        connection.commit()
    with pytest.raises(
        LedgerError,
        match=r"^The ledger is damaged, and so would be its copy \(table t: a rule of its own is broken\)",
    ):
        database._verify(broken)
