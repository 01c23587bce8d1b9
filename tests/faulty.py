"""Commands under faults at file calls: a server forks a child for each, with tests/faults.c preloaded.

Run as a program (under the preloaded library) it is that server; `faulty_commands` starts it.
"""

import ctypes
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]
SOURCE = Path(__file__).with_name("faults.c")
#: In the order of the enumeration in faults.c.
KINDS = ("none", "kill", "torn", "io error", "dead", "full", "fsync", "stale", "no lock")
LONGEST_SECONDS = 60
#: What the child exits with where an exception got out of the command line.
TRACEBACK = 99


def compiler() -> str | None:
    """Find a C compiler for a library that can be preloaded; None where there is none."""
    return shutil.which("cc") if sys.platform == "linux" else None


@dataclass(frozen=True)
class Said:
    """How a command ended: its exit code (negative: the signal), what it printed, and its file calls."""

    code: int
    out: str
    err: str
    calls: int


class FaultyCommands:
    """Runs commands, each in a process of its own, with at most one kind of fault."""

    def __init__(self, server: "subprocess.Popen[str]") -> None:
        self._server = server

    def run(
        self,
        line: list[str],
        folder: Path,
        kind: str = "none",
        at: int = 0,
        busy_seconds: float | None = None,
    ) -> Said:
        """Run a command in a folder; the fault strikes the call number `at` (from 0) on files in it."""
        order = {"line": list(map(str, line)), "folder": str(folder), "kind": KINDS.index(kind), "at": at,
                 "busy_seconds": busy_seconds}  # fmt: skip
        self._server.stdin.write(json.dumps(order) + "\n")
        self._server.stdin.flush()
        return Said(**json.loads(self._server.stdout.readline()))


@contextmanager
def faulty_commands(folder: Path) -> Iterator[FaultyCommands]:
    """Build the library and start the server, for as long as a test takes."""
    library = folder / "faults.so"
    subprocess.run([str(compiler()), "-shared", "-fPIC", "-O1", "-o", str(library), str(SOURCE), "-ldl"],
                   check=True)  # fmt: skip
    environment = {**os.environ, "LD_PRELOAD": str(library), "PYTHONPATH": str(ROOT)}
    server = subprocess.Popen([sys.executable, __file__], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                              text=True, env=environment, cwd=ROOT)  # fmt: skip
    try:
        yield FaultyCommands(server)
    finally:
        server.stdin.close()
        server.wait()
        server.stdout.close()


def serve() -> None:
    """Carry out orders, one JSON line each, until there are no more."""
    import importlib
    import pkgutil

    records = importlib.import_module("reliability.records")
    rooms = [f"reliability.records.{each.name}" for each in pkgutil.iter_modules(records.__path__)]
    for module in ("reliability.cli", "reliability.worth.judging", *rooms):
        importlib.import_module(module)
    _warm_up()
    for line in sys.stdin:
        with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
            calls = tempfile.TemporaryFile()
            child = os.fork()
            if child == 0:
                _carry_out(json.loads(line), out.fileno(), err.fileno(), calls.fileno())
            code = _wait(child)
            texts = []
            for stream in (out, err, calls):
                stream.seek(0)
                texts.append(stream.read().decode("utf-8", "backslashreplace"))
            calls.close()
        said = {"code": code, "out": texts[0], "err": texts[1], "calls": int(texts[2] or 0)}
        sys.stdout.write(json.dumps(said) + "\n")
        sys.stdout.flush()


def _warm_up() -> None:
    """Do once what every child would do anew: compile statements, read the tables."""
    from reliability.cli import main

    with tempfile.TemporaryDirectory() as folder, open(os.devnull, "w") as nowhere:
        said, sys.stdout = sys.stdout, nowhere
        for line in ("intake|T|--new-family|--kind|radio|-m|M", "amend|1|--set|hours=1|--why|x", "check",
                     f"backup|{folder}/copy.db", f"export|{folder}/csv", f"import|{folder}/csv"):  # fmt: skip
            if main(["--ledger", f"{folder}/bench.db", *line.split("|")], standalone_mode=False):
                raise RuntimeError(line)
        sys.stdout = said


def _wait(child: int) -> int:
    end = time.monotonic() + LONGEST_SECONDS
    while time.monotonic() < end:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.001)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return -signal.SIGALRM


def _carry_out(order: dict, out: int, err: int, calls: int) -> None:
    """Be the child: run one command, armed."""
    import traceback

    from reliability.cli import main
    from reliability.records import database

    os.chdir(order["folder"])
    os.dup2(out, 1)
    os.dup2(err, 2)
    null = os.open(os.devnull, os.O_RDONLY)
    os.dup2(null, 0)
    if order["busy_seconds"] is not None:
        database.BUSY_SECONDS = order["busy_seconds"]
    library = ctypes.CDLL(None)
    library.faults_arm(order["folder"].encode(), order["kind"], ctypes.c_long(order["at"]))
    code = 0
    try:
        main(order["line"], standalone_mode=True)
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else 1
    except BaseException:
        traceback.print_exc()
        code = TRACEBACK
    library.faults_seen.restype = ctypes.c_long
    sys.stdout.flush()
    sys.stderr.flush()
    os.write(calls, str(library.faults_seen()).encode())
    os._exit(code)


if __name__ == "__main__":
    serve()
