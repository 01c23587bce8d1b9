"""`report --cluster`: odds fitted by real workers, and what is said where they cannot or are gone."""

import signal
import subprocess
import threading
import time
from concurrent.futures import Executor, wait
from contextlib import nullcontext
from dataclasses import replace
from hashlib import sha256

import pytest

from reliability import cluster as cluster_module
from reliability.cluster import check_workers, code_here, executor_for
from reliability.errors import BenchoddsError, InvalidInput
from reliability.records.frames import read_records
from reliability.records.ledger import open_ledger
from reliability.report import run
from reliability.report.run import make_pages

FAMILY = "Tarnwick T2"
SHEET = """
family = "{family}"
outcome = "{outcome}"
built_from = {year}
built_to = {year}
taken_in = {taken_in}-05
closed = {taken_in}-15
bought_for = 20
failed = ["{failed}"]
"""


@pytest.fixture(scope="module")
def ledger(new_command_line):
    """Jobs of one family in three years: odds of two earlier days are fitted to them."""
    line = new_command_line()
    for n in range(24):
        outcome, failed = ("donor", "gear") if n % 3 else ("repaired", "belt")
        month = f"{2024 + n // 11}-{n % 11 + 1:02}"
        text = SHEET.format(family=FAMILY, outcome=outcome, failed=failed, year=1978 + n % 4, taken_in=month)
        text += '[new_family]\nkind = "tape deck"\n' if n == 0 else ""
        line.ok("add", line.sheet(text, f"{n}.toml"))
    return line


@pytest.fixture(scope="module")
def records(ledger):
    with open_ledger(ledger.file) as opened:
        return read_records(opened)


@pytest.fixture(scope="module")
def plain(records, tmp_path_factory):
    """Every file of a plain run, with its checksum."""
    out = tmp_path_factory.mktemp("plain")
    made = make_pages(records, out, families=[FAMILY], workers=1)
    assert len(made.made) == 2
    return checksums(out)


def checksums(folder):
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): sha256(path.read_bytes()).hexdigest() for path in files}


def test_a_worker_killed_in_the_middle_of_the_fits_changes_no_byte(
    cluster, ledger, plain, command_line, monkeypatch
):
    # Without processes here, who fitted the odds of earlier days can only have been the cluster.
    monkeypatch.setattr(run, "processes", lambda executor, _count: nullcontext(executor))
    victim = cluster.workers[1]
    killer = threading.Timer(1.0, victim.kill)  # a worker's first fit takes longer: it loads what fits

    def begin(*given, **more):
        killer.start()
        return make_pages(*given, **more)

    monkeypatch.setattr(run, "make_pages", begin)
    there = replace(command_line, url=str(ledger.file))
    # The workers have another working directory.
    said = there.run("report", "--family", FAMILY, "--out", "pages", "--cluster", cluster.address)
    assert victim.wait(timeout=60) == -signal.SIGKILL
    assert said.stdout == "2 pages made, 0 unchanged: pages/index.html\n"
    # Only a command knows the file that the records came from: it keeps its digest with the state, and the
    # odds of today beside the file.
    pages, state = checksums(command_line.folder / "pages"), ".state.json"
    (today,) = plain.keys() - pages.keys()
    assert today.startswith(".kept/")
    assert pages | {each: plain[each] for each in (state, today)} == plain


# This takes the cluster apart, so it comes last of those that use it.


def test_work_whose_scheduler_is_gone_ends_with_a_reason(cluster, monkeypatch):
    cluster.add_workers(1)
    monkeypatch.setattr(cluster_module, "_SECONDS_TO_CONNECT", 3)
    with (
        pytest.raises(BenchoddsError, match=r"scheduler of tcp.* is gone\. What is there is whole; start"),
        executor_for(cluster.address, 1, left="What is there is whole") as executor,
    ):
        end_in_the_middle(executor, cluster.scheduler)


def end_in_the_middle(executor: Executor, *processes: subprocess.Popen) -> None:
    running = executor.submit(time.sleep, 60)
    for process in processes:
        process.kill()
        process.wait()
    if wait([running], timeout=30).not_done:
        pytest.fail("The work would have been waited for without end.")
    running.result()


def test_a_scheduler_without_workers_is_refused(monkeypatch):
    distributed = pytest.importorskip("distributed", reason="the extra `scale` is not installed")
    # Long enough to connect on a busy machine; then as long again without a worker.
    monkeypatch.setattr(cluster_module, "_SECONDS_TO_CONNECT", 2)
    with (
        distributed.LocalCluster(n_workers=0, host="127.0.0.1", dashboard_address="127.0.0.1:0") as empty,
        pytest.raises(InvalidInput, match=r"The scheduler at tcp://\S+ has no worker yet\. Start some from"),
        executor_for(empty.scheduler_address, 1),
    ):
        pass


# ---- what the workers have in common with this process


class Workers:
    """Two workers that are asked one after the other; the second one answers something else."""

    def __init__(self, second):
        self.second = second

    def wait_for_workers(self, number, *, timeout):
        assert number == 1

    def run(self, function, *, on_error):
        assert on_error == "return"
        return {"tcp://a:1": function(), "tcp://b:1": self.second}


@pytest.mark.parametrize("found", ["other", Exception("ModuleNotFoundError"), OSError("broken")])
def test_a_worker_that_runs_something_else_is_refused(found):
    check_workers(Workers(code_here()), "tcp://s:1")
    with pytest.raises(InvalidInput) as refused:
        check_workers(Workers(found), "tcp://s:1")
    assert str(refused.value) == (
        "1 of 2 workers of tcp://s:1 cannot do this work: each must run the same code with the same "
        "libraries. Nothing was written. Start them from this checkout, and anew when it has changed."
    )


def test_code_is_that_which_a_process_loaded(tmp_path, monkeypatch):
    before = code_here()
    monkeypatch.setattr(cluster_module, "PACKAGE", tmp_path)
    assert code_here() == before  # files that changed since do not count
    assert code_here.__wrapped__() != before
