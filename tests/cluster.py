"""A cluster of dask.distributed for the tests: each part a process of its own, on loopback."""

import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).parents[1]
_LONGEST_START_SECONDS = 120


class Cluster:
    """A scheduler and its workers; what they say goes into a file of a folder, which is theirs to work in."""

    def __init__(self, folder: Path) -> None:
        self._log = folder / "log"
        self.scheduler = self._start("dask_scheduler", "--port", "0", "--no-show")
        self.workers: list[subprocess.Popen] = []
        self.address = ""

    def find_address(self) -> None:
        """Wait until the scheduler tells where it is."""
        self.address = self._said(r"Scheduler at: +(tcp://\S+)", 1, [self.scheduler])

    def add_workers(self, number: int) -> None:
        """Start workers side by side, and wait until they take part."""
        words = ("dask_worker", self.address, "--nthreads", "1", "--no-nanny")
        started = [self._start(*words) for _ in range(number)]
        self.workers += started
        self._said(r"Registered to: +tcp://", len(self.workers), started)

    def end(self) -> None:
        """End every process that was started."""
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait()

    def _start(self, name: str, *words: str) -> subprocess.Popen:
        place = ("--host", "127.0.0.1", "--dashboard-address", "127.0.0.1:0")
        with self._log.open("a") as said:
            return subprocess.Popen(
                [sys.executable, "-m", f"distributed.cli.{name}", *words, *place],
                env={**os.environ, "PYTHONPATH": str(ROOT)},
                stdout=said,
                stderr=said,
                cwd=self._log.parent,
            )

    def _said(self, pattern: str, times: int, by: list[subprocess.Popen]) -> str:
        """Wait until something was said so many times in all; fail at once where a speaker has ended."""
        deadline = time.monotonic() + _LONGEST_START_SECONDS
        while len(found := re.findall(pattern, self._log.read_text())) < times:
            assert time.monotonic() < deadline, self._log.read_text()
            assert all(process.poll() is None for process in by), self._log.read_text()
            time.sleep(0.05)
        return found[0]


@contextmanager
def running(folder: Path, workers: int) -> Iterator[Cluster]:
    """Start a scheduler and workers, and end them."""
    cluster = Cluster(folder)
    try:
        cluster.find_address()
        cluster.add_workers(workers)
        yield cluster
    finally:
        cluster.end()
