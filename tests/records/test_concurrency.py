import random
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from reliability.records.ledger import open_ledger
from tests.packages import next_number, write_package
from tests.records.refusals import grave

PROCESSES, JOBS_EACH = 8, 8


def seeds(few, many):
    """Number moments to kill at: few in every run, many in the long campaign."""
    return [*range(few), *(pytest.param(n, marks=pytest.mark.soak) for n in range(few, many))]


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
AMEND = """
import sys
from reliability.records.ledger import open_ledger
with open_ledger(sys.argv[1]) as ledger:
    for turn in range(int(sys.argv[2])):
        ledger.amend("1", {"job": {"remarks": f"turn {turn}"},
                           "findings": [{"component": "belt", "part_cost": turn}]}, reason=f"turn {turn}")
        sys.stdout.write(f"turn {turn}\\n")
        sys.stdout.flush()
"""


@pytest.fixture
def start():
    """Start programs that are ended with the test, whatever becomes of it."""
    started = []

    def start(code, *arguments):
        command = [sys.executable, "-c", code, *map(str, arguments)]
        started.append(subprocess.Popen(command, stdout=subprocess.PIPE, text=True))
        return started[-1]

    yield start
    for program in started:
        if program.poll() is None:
            program.kill()
            program.communicate()


def test_eight_processes_append_at_once(ledger, url, start):
    writers = [start(APPEND, url, JOBS_EACH, f"writer {n}") for n in range(PROCESSES)]
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


def kill_when_it_has_written(writer, lines, wait):
    said = [writer.stdout.readline().strip() for _ in range(lines)]
    time.sleep(wait)
    writer.send_signal(signal.SIGKILL)
    rest, _ = writer.communicate()
    return [line for line in [*said, *rest.split("\n")] if line]


@pytest.mark.parametrize("seed", seeds(10, 100))
def test_a_killed_writer_loses_no_acknowledged_job(ledger, file, start, seed):
    dice = random.Random(seed)
    said = kill_when_it_has_written(
        start(APPEND, file, 10_000, "killed"), dice.randint(1, 12), dice.random() / 50
    )
    jobs = ledger.rows("jobs")
    assert set(said) <= {row["job"] for row in jobs}
    assert len(jobs) - len(said) in (0, 1)  # one may have been written and not yet told
    assert len(ledger.rows("findings")) == 4 * len(jobs)
    assert len(ledger.rows("signs")) == len(jobs)
    assert grave(ledger) == []
    assert next_number(ledger) == str(len(jobs) + 1)


def test_a_backup_is_consistent_while_others_write(ledger, file, start, tmp_path):
    writer = start(APPEND, file, 10_000, "writer")
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


IMPORT = """
import sys
from reliability.records.importing import import_package
from reliability.records.ledger import open_ledger
with open_ledger(sys.argv[1]) as ledger:
    sys.stdout.write("starting\\n")
    sys.stdout.flush()
    import_package(sys.argv[2], ledger)
    sys.stdout.write("done\\n")
    sys.stdout.flush()
"""


@pytest.mark.parametrize("seed", seeds(5, 50))
def test_a_killed_import_leaves_all_or_nothing(ledger, file, start, tmp_path, finished, seed):
    jobs = [{"job": str(n), **finished()["job"]} for n in range(1, 301)]
    findings = [
        {"job": str(n), "component": c, "found": "sound"} for n in range(1, 301) for c in ("belt", "head")
    ]
    families = [{"family": "Tarnwick T2", "kind": "tape deck", "maker": "Tarnwick"}]
    write_package({"families": families, "jobs": jobs, "findings": findings}, tmp_path / "package")
    ledger.put("families", [{"family": "Tarnwick T2", "first_year": None, "last_year": None}], reason="x")
    said = kill_when_it_has_written(
        start(IMPORT, file, tmp_path / "package"), 1, random.Random(seed).random() / 4
    )
    assert said[:1] == ["starting"]
    counts = len(ledger.rows("jobs")), len(ledger.rows("findings"))
    assert counts == (300, 600) if "done" in said else counts in ((0, 0), (300, 600))
    assert grave(ledger) == []


@pytest.mark.parametrize("seed", seeds(5, 50))
def test_a_killed_amendment_leaves_the_old_version_or_the_new_one(ledger, file, start, finished, seed):
    ledger.add(finished(findings=[{"component": "belt", "found": "failed", "action": "replaced"}]))
    dice = random.Random(seed)
    said = kill_when_it_has_written(start(AMEND, file, 10_000), dice.randint(1, 12), dice.random() / 50)
    job, versions = ledger.job("1"), ledger.history("1")
    assert len(versions) - 1 - len(said) in (0, 1)
    assert versions[-1]["content"] == job
    assert job["job"]["remarks"] == f"turn {int(job['findings'][0]['part_cost'])}"
    assert grave(ledger) == []


def judge_and_look_while_others_write(file, start, rounds, jobs_each, with_pages):
    """Judge, and make pages if asked, while two writers append; give what was judged from, round by round."""
    from reliability.records.frames import read_records
    from reliability.report.run import make_pages
    from reliability.worth.appraiser import appraiser_of

    writers = [start(APPEND, file, jobs_each, f"writer {n}") for n in range(2)]
    seen = []
    for _ in range(rounds):
        for writer in writers:
            writer.stdout.readline()
        with open_ledger(file) as reader:
            appraiser = appraiser_of(reader)
            records = read_records(reader)
            if with_pages:
                make_pages(records, file.parent / "pages", families=["Tarnwick T2"], progress=False)
        # Findings and jobs are of one state of the ledger, whenever it was read.
        assert len(records.findings) == 4 * len(records.jobs)
        assert len(records.signs) == len(records.jobs)
        seen.append(appraiser.tally.jobs_finished)
    for writer in writers:
        writer.kill()
        writer.communicate()
    return seen


def test_judging_while_others_write(ledger, file, start):
    (seen,) = judge_and_look_while_others_write(file, start, 1, 40, with_pages=False)
    assert 1 <= seen <= 80
    assert grave(ledger) == []


@pytest.mark.soak
def test_pages_while_others_write(ledger, file, start):
    seen = judge_and_look_while_others_write(file, start, 4, 400, with_pages=True)
    assert seen == sorted(seen)
    assert (file.parent / "pages" / "index.html").exists() or list((file.parent / "pages").rglob("*.html"))
    assert grave(ledger) == []
