import random
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from reliability.records.frames import read_records
from reliability.records.ledger import open_ledger
from tests.packages import next_number
from tests.records.refusals import grave

PROCESSES, JOBS_EACH = 8, 8

# Appends jobs and says each number only after the ledger has acknowledged it.
APPEND = """
import sys
from reliability.records.ledger import open_ledger
url, count, name = sys.argv[1], int(sys.argv[2]), sys.argv[3]
with open_ledger(url) as ledger:
    for turn in range(count):
        number = ledger.add({
            "job": {"family": "Tarnwick T2", "taken_in": "2026-05-01", "closed": "2026-05-10",
                    "outcome": "repaired", "remarks": f"{name} {turn}"},
            "findings": [{"component": c, "found": "sound"} for c in ("belt", "motor", "head", "gear")],
            "signs": [{"sign": "rust", "seen": "no"}],
        })
        sys.stdout.write(number + "\\n")
        sys.stdout.flush()
"""


@pytest.fixture
def start():
    """Start writers that are ended with the test, whatever becomes of it."""
    started = []

    def start(*arguments):
        command = [sys.executable, "-c", APPEND, *map(str, arguments)]
        started.append(subprocess.Popen(command, stdout=subprocess.PIPE, text=True))
        return started[-1]

    yield start
    for program in started:
        program.kill()
        program.wait()
        program.stdout.close()


def test_eight_processes_append_at_once(ledger, url, start):
    writers = [start(url, JOBS_EACH, f"writer {n}") for n in range(PROCESSES)]
    said = [writer.communicate(timeout=120)[0].split() for writer in writers]
    assert [writer.returncode for writer in writers] == [0] * PROCESSES
    total = PROCESSES * JOBS_EACH
    assert sorted(int(number) for numbers in said for number in numbers) == list(range(1, total + 1))
    assert sorted(row["remarks"] for row in ledger.rows("jobs")) == sorted(
        f"writer {n} {turn}" for n in range(PROCESSES) for turn in range(JOBS_EACH)
    )
    assert len(ledger.rows("findings")) == 4 * total
    assert grave(ledger) == []


def test_eight_threads_share_one_open_ledger(ledger, finished):
    def append(turn):
        return ledger.add(finished(findings=[{"component": "belt", "found": "sound"}], remarks=str(turn)))

    with ThreadPoolExecutor(8) as pool:
        numbers = list(pool.map(append, range(64)))
    assert sorted(map(int, numbers)) == list(range(1, 65))
    assert {int(row["job"]): row["remarks"] for row in ledger.rows("jobs")} == {
        int(number): str(turn) for turn, number in enumerate(numbers)
    }
    assert grave(ledger) == []


def test_many_make_the_same_ledger_at_once(tmp_path):
    def make(_turn):
        with open_ledger(tmp_path / "new.db", create=True) as ledger:
            return next_number(ledger)

    with ThreadPoolExecutor(8) as pool:
        assert list(pool.map(make, range(16))) == ["1"] * 16


# How imports, amendments and all else bear it, killed at every file call: tests/test_faults.py.
@pytest.mark.parametrize(
    "seed", [*range(10), *(pytest.param(n, marks=pytest.mark.soak) for n in range(10, 100))]
)
def test_a_killed_writer_loses_no_acknowledged_job(ledger, file, start, seed):
    dice, writer = random.Random(seed), start(file, 10_000, "killed")
    said = [writer.stdout.readline().strip() for _ in range(dice.randint(1, 12))]
    time.sleep(dice.random() / 50)
    writer.send_signal(signal.SIGKILL)
    said += writer.communicate()[0].split()
    jobs = ledger.rows("jobs")
    assert set(said) <= {row["job"] for row in jobs}
    assert len(jobs) - len(said) in (0, 1)  # one may have been written and not yet told
    assert len(ledger.rows("findings")) == 4 * len(jobs)
    assert len(ledger.rows("signs")) == len(jobs)
    assert grave(ledger) == []
    assert next_number(ledger) == str(len(jobs) + 1)


def test_a_backup_is_consistent_while_others_write(ledger, file, start, tmp_path):
    writer = start(file, 10_000, "writer")
    for turn in range(5):
        for _ in range(3):
            writer.stdout.readline()
        ledger.backup(tmp_path / f"{turn}.db")
    sizes = []
    for turn in range(5):
        with open_ledger(tmp_path / f"{turn}.db") as copy:
            assert grave(copy) == []
            sizes.append(len(copy.rows("jobs")))
            assert len(copy.rows("findings")) == 4 * sizes[-1]
    assert sizes == sorted(sizes)
    assert sizes[0] >= 3


@pytest.mark.parametrize(
    ("rounds", "jobs_each", "with_pages"),
    [(1, 40, False), pytest.param(4, 400, True, marks=pytest.mark.soak)],
    ids=["judging", "pages"],
)
def test_judging_while_others_write(ledger, file, start, rounds, jobs_each, with_pages):
    from reliability.report.run import make_pages
    from reliability.worth.appraiser import appraiser_of

    writers = [start(file, jobs_each, f"writer {n}") for n in range(2)]
    seen = []
    for _ in range(rounds):
        for writer in writers:
            writer.stdout.readline()
        with open_ledger(file) as reader:
            seen.append(appraiser_of(reader).tally.jobs_finished)
            records = read_records(reader)
            if with_pages:
                make_pages(records, file.parent / "pages", families=["Tarnwick T2"])
                assert list(file.parent.rglob("pages/**/*.html"))
        # Findings and jobs are of one state of the ledger, whenever it was read.
        assert len(records.findings) == 4 * len(records.jobs)
        assert len(records.signs) == len(records.jobs)
    assert 1 <= seen[0]
    assert seen == sorted(seen)
    assert seen[-1] <= 2 * jobs_each
    assert grave(ledger) == []
