"""Rerun the measurements: ``python -m tests.measure [rows]``, rows such as ``lives,pooling``.

Each set is a module beside this one with a function `rows`, which gives what was measured, its target
and whether it was met. Ratios compare methods within one run on the same data.
"""

import json
import os
import platform
import re
import sys
import time
from importlib import import_module
from pathlib import Path

SETS = (
    "commands",
    "lives",
    "archive",
    "scale",
    "appraiser_scale",
    "pooling",
    "changes",
    "decisions",
    "real_ledgers",
)
OUT = Path(__file__).parents[2] / "reports" / "measure.json"


def ratio_of(row: dict) -> float | None:
    """Divide what was measured by a target that is one bound; None where the target is a range or none."""
    number = r"[\d.,]*\d(?:e[+-]?\d+)?"
    bound = re.match(rf"(?:<=|>=|≤|≥) ({number})", row["target"])
    measured = re.match(number, row["measured"])
    if not bound or not measured:
        return None
    value, limit = (float(found.replace(",", "")) for found in (measured[0], bound[1]))
    return value / limit if limit else None


def main(asked: str = "") -> int:
    chosen = [name for name in asked.split(",") if name] or list(SETS)
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
        for row in rows:
            verdict = {True: "ok", False: "MISSED", None: ""}[row["ok"]]
            ratio = ratio_of(row)
            beside = "" if ratio is None else f"x {ratio:.2f}"
            sys.stdout.write(
                f"  {row['what']:60s} {row['measured']:44s} {row['target']:14s} {beside:8s} {verdict}\n"
            )
            found.append({"set": name, **row, "ratio": ratio})
        sys.stdout.flush()
        # After every set: a run of everything takes long, and may be stopped.
        OUT.write_text(
            json.dumps({"machine": machine, "rows": found}, indent=1, default=float), encoding="utf-8"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:2]))
