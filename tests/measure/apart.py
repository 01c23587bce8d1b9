"""Rows of a study, told alike; and steps in processes of their own, so that none hides what another needs."""

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import pandas as pd

ROOT = Path(__file__).parents[2]
Row = dict[str, Any]

STEP = """
import json, sys
from importlib import import_module
from pathlib import Path
module, function, *arguments = json.loads(sys.argv[1])
found = getattr(import_module(module), function)(*arguments)
# Not getrusage: what it says of a new process includes what its parent held.
status = Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0]
sys.stdout.write(json.dumps({**found, "peak_gb": int(status) / 1024**2}))
"""


def run(module: str, function: str, *arguments: Any) -> dict[str, Any]:
    """Call a function of a module in a new process; give the dict that it gives, and `peak_gb`."""
    words = json.dumps([module, function, *arguments])
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run(
        [sys.executable, "-c", STEP, words],
        cwd=ROOT,
        env=environment,
        check=True,
        stdout=subprocess.PIPE,
        text=True,
    )
    return json.loads(done.stdout)


def frames(work: Callable[..., pd.DataFrame], *given: Sequence[Any], workers: int) -> pd.DataFrame:
    """Call a function once for each of what is given, in processes; what it gives, one below the other."""
    with ProcessPoolExecutor(workers) as pool:
        return pd.concat(list(pool.map(work, *given)), ignore_index=True)


def row(what: str, measured: str, target: str = "", ok: bool | None = None) -> Row:
    return {"what": what, "measured": measured, "target": target, "ok": ok}


def tell(rows: Iterable[Row]) -> None:
    for each in rows:
        said = {True: "ok", False: "MISSED", None: ""}[each["ok"]]
        sys.stdout.write(f"{each['what']:60s} {each['measured']:60s} {each['target']:14s} {said}\n")


def tell_parts(**parts: Callable[[], list[Row]]) -> None:
    """Tell the parts of a study that the command line names, or all of them."""
    for name in sys.argv[1:] or parts:
        tell(parts[name]())
