"""Rerun the measurements: ``python -m tests.measure [rows]``, rows such as ``lives,pooling``.

Each set is a module beside this one with a function `rows`, which gives what was measured, its target
and whether it was met. Ratios compare methods within one run on the same data.
"""

import json
import os
import platform
import sys
import time
from importlib import import_module

from tests.measure.apart import ROOT, tell

SETS = (
    "commands", "lives", "archive", "scale", "appraiser_scale", "pooling", "changes", "decisions",
    "real_ledgers",
)  # fmt: skip


def main(asked: str = "") -> int:
    chosen = [name for name in asked.split(",") if name] or SETS
    strange = [name for name in chosen if name not in SETS]
    if strange:
        sys.stderr.write(f"There are no rows {', '.join(strange)}; there are: {', '.join(SETS)}.\n")
        return 2
    machine = f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}"
    sys.stdout.write(f"{machine}\n")
    found = []
    for name in chosen:
        start = time.perf_counter()
        rows = import_module(f"tests.measure.{name}").rows()
        sys.stdout.write(f"\n{name} ({time.perf_counter() - start:.0f} s)\n")
        tell(rows)
        sys.stdout.flush()
        found += [{"set": name, **row} for row in rows]
        # After every set: a run of everything takes long, and may be stopped.
        told = json.dumps({"machine": machine, "rows": found}, indent=1, default=float)
        (ROOT / "reports" / "measure.json").write_text(told, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:2]))
