"""Job after job on one ledger, with a family's pages made again in between: nothing may creep."""

import gc
import io
import json
import os
import statistics
import tempfile
import time
from contextlib import redirect_stderr
from pathlib import Path

import pandas as pd
import psutil
import pytest

from tests.conftest import ROOT, run_python

FAMILY = "Obbelin 310"


def append_and_report(jobs, every, with_pages):
    """Append jobs one by one to a ledger that holds the demo; after every so many, print a line of JSON.

    Jobs appended so far, seconds of an append (the median), bytes of the ledger and of its log, megabytes of
    this process, and the seconds that the pages took. Seconds are of the processor, child processes included,
    so that other work on the machine is not taken for creeping.
    """
    from reliability.records.frames import read_records
    from reliability.records.ledger import open_ledger
    from reliability.records.package import import_package

    with tempfile.TemporaryDirectory() as name, open_ledger(f"{name}/bench.db", create=True) as ledger:
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

                    with redirect_stderr(io.StringIO()):  # what it tells of its progress
                        make_pages(read_records(ledger), Path(name, "pages"), families=[FAMILY])
                pages = _busy() - start
                gc.collect()
                with ledger.reading() as connection:
                    count, size = (connection.exec_driver_sql(f"PRAGMA page_{what}").scalar_one()
                                   for what in ("count", "size"))  # fmt: skip
                print(json.dumps({  # noqa: T201
                    "jobs": number + 1, "append": statistics.median(seconds[-every:]), "bytes": count * size,
                    "log": Path(name, "bench.db-wal").stat().st_size, "pages": pages,
                    "megabytes": psutil.Process().memory_info().rss / 1e6,
                }), flush=True)  # fmt: skip


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


def soak(jobs, every, with_pages):
    """Run it in a process of its own; give its stages as a table."""
    code = f"from tests.test_soak import append_and_report as run; run({jobs}, {every}, {with_pages})"
    lines = run_python(code).splitlines()
    return pd.DataFrame([json.loads(line) for line in lines if line.startswith("{")])


def creeping(stages):
    """What has grown more than it may; the first stage, which loads everything, is passed over."""
    first, last = stages.iloc[1], stages.iloc[-1]
    grown = stages["bytes"].diff().iloc[1:]
    half = len(grown) // 2
    faults = {
        "memory grows": last["megabytes"] - first["megabytes"] > 200,
        "a stage adds more and more bytes": grown.iloc[half:].mean() > 1.5 * grown.iloc[:half].mean(),
        "the ledger's log is not taken back": stages["log"].max() > 10e6,
        "appending takes longer and longer": last["append"] > 4 * first["append"],
        "the pages take longer and longer": last["pages"] > 4 * first["pages"] + 1,
    }
    return [fault for fault, is_so in faults.items() if is_so]


@pytest.mark.parametrize(
    ("every", "stages", "with_pages"),
    [(20, 6, False), pytest.param(100, 10, True, marks=pytest.mark.soak)],
    ids=["appending", "pages in between"],
)
def test_job_after_job_nothing_creeps(every, stages, with_pages):
    found = soak(every * stages, every, with_pages)
    assert found["jobs"].tolist() == [every * (i + 1) for i in range(stages)]
    assert creeping(found) == [], f"\n{found.to_string()}"


def test_creeping_is_seen():
    i = pd.Series(range(7))
    even = pd.DataFrame({"append": 0.01, "bytes": 1e6 * i + 1e6, "log": 4e6, "megabytes": 300, "pages": 9.0})
    assert creeping(even) == []
    worse = {"megabytes": 60 * i, "log": 2e6 * i, "bytes": 1e6 * i**2, "append": 0.03 * i, "pages": 20 * i}
    told = [creeping(even.assign(**{name: even[name] + more})) for name, more in worse.items()]
    words = ("memory", "log", "more and more bytes", "appending", "pages")
    assert [word in fault for word, (fault,) in zip(words, told, strict=True)] == [True] * 5
