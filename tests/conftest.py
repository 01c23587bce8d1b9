"""What holds for all tests, and the command line as they call it."""

import datetime
import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from reliability.records.ledger import open_ledger
from tests import cluster as clusters
from tests import postgresql

# Our matrices are small and tests run side by side: threads of the linear algebra library would only
# wait for each other. Set before anything numerical is imported.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")


ROOT = Path(__file__).parents[1]


def run_python(code: str, cwd: Path | None = None) -> str:
    """Run a few lines in a process of its own that finds the package; give what it printed."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    line = [sys.executable, "-c", code]
    done = subprocess.run(line, cwd=cwd, env=environment, capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout


@dataclass(frozen=True)
class CommandLine:
    """The command line on a ledger of its own, in an empty folder."""

    folder: Path
    url: str | None = None

    @property
    def file(self) -> Path:
        return self.folder / "bench.db"

    @property
    def written(self) -> str:
        """What every command that wrote to the ledger says last."""
        return f"Written to {self.url or self.file}\n"

    @property
    def unchanged(self) -> str:
        """What it says instead where the ledger held all of it already."""
        return f"Nothing new: nothing was written to {self.url or self.file}\n"

    @property
    def today(self) -> str:
        return datetime.date.today().isoformat()

    def run(self, *line: object, input: str | bytes | None = None) -> Result:
        from reliability.cli import main

        words = ["--ledger", self.url or str(self.file), *map(str, line)]
        result = CliRunner().invoke(main, words, input=input, catch_exceptions=False)
        if self.url and "@" in self.url:  # whatever is done, the password is not told
            assert self.url.partition("@")[0].rpartition(":")[2] not in result.output
        return result

    def ok(self, *line: object, input: str | bytes | None = None) -> str:
        """Run a command that must succeed; give what it printed."""
        result = self.run(*line, input=input)
        assert (result.exit_code, result.stderr) == (0, ""), result.output
        return result.stdout

    def refused(self, *line: object, input: str | bytes | None = None, code: int = 1) -> str:
        """Run a command that must be refused; give its message."""
        result = self.run(*line, input=input)
        assert result.exit_code == code, result.output
        assert result.stdout == ""
        return result.stderr

    def rows(self, table: str) -> list[dict[str, Any]]:
        with open_ledger(self.url or self.file) as ledger:
            return ledger.rows(table)

    def job(self, number: str) -> dict[str, Any]:
        with open_ledger(self.url or self.file) as ledger:
            return ledger.job(number)

    def sheet(self, text: str, name: str = "deck.toml") -> Path:
        path = self.folder / name
        path.write_text(text, encoding="utf-8")
        return path


@pytest.fixture
def no_windows():
    """Draw into memory, and close what was drawn."""
    import matplotlib
    from matplotlib import pyplot

    backend = matplotlib.get_backend()
    matplotlib.use("Agg")
    yield
    pyplot.close("all")
    matplotlib.use(backend)


@pytest.fixture(scope="session")
def server():
    """A PostgreSQL server, started by the first test of each process that asks for it."""
    found = postgresql.binaries()
    if found is None:
        pytest.skip("PostgreSQL is not installed; on Debian: apt-get install postgresql")
    with postgresql.running(found) as running:
        yield running


@pytest.fixture
def shared_url(server):
    """The URL of an empty ledger in PostgreSQL."""
    return server.empty_ledger()


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    """A scheduler and two workers of dask.distributed."""
    pytest.importorskip("distributed", reason="the extra `scale` is not installed")
    with clusters.running(tmp_path_factory.mktemp("cluster"), workers=2) as running:
        yield running


@pytest.fixture(scope="module")
def new_command_line(tmp_path_factory):
    """Build command lines that live as long as the tests of one file."""
    return lambda: CommandLine(tmp_path_factory.mktemp("bench"))


@pytest.fixture
def command_line(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("BENCHODDS_LEDGER", raising=False)
    return CommandLine(tmp_path)


@pytest.fixture(scope="module")
def one_open(new_command_line):
    """A ledger that knows one family and holds the open job 1, made once and copied by each test."""
    made = new_command_line()
    line = "intake|Tarnwick T2|--new-family|--kind|tape deck|-p|25|-y|1979|-s|rust=yes"
    made.ok(*line.split("|"))
    return made.file


@pytest.fixture
def bench(command_line, one_open):
    shutil.copy(one_open, command_line.file)
    return command_line
