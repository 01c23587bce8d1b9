"""Job after job on one ledger, with a family's pages made again in between: nothing may creep."""

import gc
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import psutil
import pytest

ROOT = Path(__file__).parents[1]
FAMILY = "Obbelin 310"
MOST_MEMORY_GROWTH_MB = 200
MOST_BYTES_GROWTH = 1.5
MOST_LOG_BYTES = 10e6
MOST_APPEND_GROWTH = 4.0
MOST_REPORT_GROWTH = 4.0


def append_and_report(jobs, every, with_pages):
    """Append jobs one by one to a ledger that holds the demo; after every so many, tell where things stand.

    Prints one line of JSON for each stage: jobs appended so far, seconds of each append, bytes of the
    ledger and of its log, megabytes of this process, and the seconds that the pages took. Seconds are of
    the processor, child processes included, so that other work on the machine is not taken for creeping.
    """
    from reliability.records.frames import read_records
    from reliability.records.importing import import_package
    from reliability.records.ledger import open_ledger

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with open_ledger(folder / "bench.db", create=True) as ledger:
            import_package(ROOT / "data" / "demo", ledger)
            seconds = []
            for number in range(jobs):
                start = time.process_time()
                ledger.add(_job(number))
                seconds.append(time.process_time() - start)
                if (number + 1) % every == 0:
                    start = _busy()
                    if with_pages:
                        from reliability.report.run import make_pages

                        make_pages(read_records(ledger), folder / "pages", families=[FAMILY], progress=False)
                    pages = _busy() - start
                    gc.collect()
                    with ledger.reading() as connection:
                        size = [connection.exec_driver_sql(f"PRAGMA page_{what}").scalar_one()
                                for what in ("count", "size")]  # fmt: skip
                    log = (folder / "bench.db-wal").stat().st_size
                    stage = {"jobs": number + 1, "appends": seconds, "bytes": size[0] * size[1], "log": log,
                             "megabytes": _megabytes(), "pages": pages}  # fmt: skip
                    sys.stdout.write(json.dumps(stage) + "\n")
                    sys.stdout.flush()
                    seconds = []


def _job(number):
    """The same few jobs again and again, so that later ones are no larger than earlier ones."""
    failed = ["belt", "capacitor", "motor", "switch"][number % 4]
    others = [name for name in ("belt", "capacitor", "motor", "switch") if name != failed]
    return {
        "job": {"family": FAMILY, "built_from": 1978 + number % 8, "built_to": 1978 + number % 8,
                "taken_in": f"2026-{1 + number % 9:02d}-{1 + number % 28:02d}", "closed": "2026-10-30",
                "outcome": ("repaired", "repaired", "donor")[number % 3], "bought_for": 20 + number % 30,
                "hours": 2.5, "sold_for": 140 if number % 3 < 2 else None},
        "findings": [{"component": failed, "found": "failed", "original": "yes", "action": "replaced"},
                     *({"component": name, "found": "sound", "original": "yes"} for name in others)],
        "signs": [{"sign": "rust", "seen": ("yes", "no")[number % 2]}],
    }  # fmt: skip


def _busy():
    """Seconds of processor time of this process and of all its children, those that have ended included."""
    helpers = psutil.Process().children(recursive=True)
    return sum(os.times()[:4]) + sum(sum(each.cpu_times()[:4]) for each in helpers)


def _megabytes():
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.split("VmRSS:")[1].split()[0]) / 1024


def soak(jobs, every, with_pages):
    """Run it in a process of its own; give its stages."""
    code = f"from tests.test_soak import append_and_report as run; run({jobs}, {every}, {with_pages})"
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, env=environment, check=True,
                          stdout=subprocess.PIPE, text=True)  # fmt: skip
    return [json.loads(line) for line in done.stdout.splitlines() if line.startswith("{")]


def creeping(stages):
    """What has grown more than it may, in words; the first stage, which loads everything, is passed over."""
    later = stages[1:]
    half = len(later) // 2
    append = [statistics.median(stage["appends"]) for stage in later]
    grown = [after["bytes"] - before["bytes"] for before, after in zip(stages, later, strict=False)]
    pages = [stage["pages"] for stage in later]
    memory = later[-1]["megabytes"] - later[0]["megabytes"]
    faults = []
    if memory > MOST_MEMORY_GROWTH_MB:
        faults.append(f"memory grew by {memory:.0f} MB from stage to stage")
    if statistics.mean(grown[half:]) > MOST_BYTES_GROWTH * statistics.mean(grown[:half]):
        faults.append(f"a stage adds more and more bytes: {grown}")
    if max(stage["log"] for stage in stages) > MOST_LOG_BYTES:
        faults.append(f"the ledger's log is not taken back: {[stage['log'] for stage in stages]} bytes")
    if append[-1] > MOST_APPEND_GROWTH * append[0]:
        faults.append(f"appending takes longer and longer: {append}")
    if pages[-1] > MOST_REPORT_GROWTH * pages[0] + 1:
        faults.append(f"the pages take longer and longer: {pages}")
    return faults


@pytest.mark.soak
def test_a_thousand_jobs_with_pages_in_between_do_not_creep(capsys):
    stages = soak(1000, 100, True)
    with capsys.disabled():
        for stage in stages:
            stage = {**stage, "appends": statistics.median(stage["appends"])}
            sys.stdout.write(f"\n{json.dumps(stage)}")
    assert [stage["jobs"] for stage in stages] == list(range(100, 1001, 100))
    assert creeping(stages) == []


def test_appending_does_not_creep():
    stages = soak(120, 20, False)
    assert [stage["jobs"] for stage in stages] == [20, 40, 60, 80, 100, 120]
    assert creeping(stages) == []


def test_creeping_is_seen():
    even = [
        {"jobs": i, "appends": [0.01], "bytes": 1e6 * i, "log": 4e6, "megabytes": 300, "pages": 9.0}
        for i in range(1, 8)
    ]
    assert creeping(even) == []
    for name, step, message in (
        ("megabytes", 60, "memory grew by 300 MB"),
        ("log", 2e6, "log is not taken back"),
        ("bytes", 1e6, "more and more bytes"),
        ("pages", 20, "the pages take longer"),
    ):
        worse = [
            stage | {name: stage[name] + step * i * (i if name == "bytes" else 1)}
            for i, stage in enumerate(even)
        ]
        assert [fault for fault in creeping(worse) if message in fault], name
    slower = [stage | {"appends": [0.01 * (1 + 3 * i)]} for i, stage in enumerate(even)]
    assert "appending takes longer" in creeping(slower)[0]
