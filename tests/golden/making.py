"""Make what must not change, through the doors that a user has: commands, CSV files, public names.

What this module imports from the package, and the functions that use it, are all that a move inside the
package can touch here.
"""

import contextlib
import csv
import hashlib
import io
import math
import os
import random
import re
import shlex
import shutil
import tempfile
from collections.abc import Callable, Iterator
from functools import cache, partial
from html import unescape
from pathlib import Path
from typing import Any

import time_machine
from click.testing import CliRunner

from reliability.cli import main
from reliability.life.lives import LifeRecords
from reliability.life.weibull import weibull_fits
from tests.simulate.fleet import make_offers, make_world, run_bench

HERE = Path(__file__).parent
KEPT = HERE / "kept"
DEMO = HERE.parents[1] / "data" / "demo"
Files = dict[str, str]

OFFERS, STRATA = 40, 300
#: Ages, open jobs and verdicts without a day of their own are those of this day, whenever the set is made.
TODAY = "2026-11-30T12:00:00Z"
#: Simulated ledgers: world, finished jobs, seed, settings of its owner, and what its tables lack.
LEDGERS: dict[str, tuple[str, int, int, dict[str, str], str]] = {
    "cautious": ("few families", 110, 31, {"caution": "0.7", "margin": "12"}, ""),
    "careless": ("careless", 100, 32, {}, ""),
    "cold-start": ("cold start", 60, 33, {"offers_expected": "6"}, "hearsay"),
    "year-effect": ("year effect", 130, 34, {"hour_rate": "0"}, "parts"),
    "outcomes-only": ("strong signs", 80, 35, {}, "findings"),
    "imported": ("damp", 100, 36, {}, "every fourth job came from another bench"),
    "gaps": ("left out", 70, 37, {"count_gaps": "yes", "gap_repaired_share": "0.3"}, ""),
}


# ---- Verdicts


@cache
def drawn(ledger: str) -> tuple[dict[str, str], str]:
    """Draw the tables of a simulated ledger and the offers to it, as CSV."""
    if ledger == "demo":
        texts = {path.stem: path.read_text(encoding="utf-8") for path in sorted(DEMO.glob("*.csv"))}
        return texts, texts.pop("offers")
    name, jobs, seed, settings, lacks = LEDGERS[ledger]
    world = make_world(name, seed)
    tables: dict[str, list[dict[str, Any]]] = {**run_bench(world, jobs, seed)}
    stated = {row["setting"]: row["value"] for row in tables["settings"]} | settings
    tables["settings"] = [{"setting": name, "value": value} for name, value in stated.items()]
    if lacks in tables:
        del tables[lacks]
    elif lacks:
        for row in tables["jobs"][::4]:
            row["origin"] = "another bench"
    texts = {name: csv_text(rows) for name, rows in sorted(tables.items()) if rows}
    return texts, csv_text(make_offers(world, OFFERS, seed)[0])


def csv_text(rows: list[dict[str, Any]]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def worlds() -> Files:
    """Sum up what is judged, so that a changed draw is not taken for a changed verdict."""
    rows = []
    for ledger in ("demo", *LEDGERS):
        tables, offers = drawn(ledger)
        for name, text in {**tables, "offers": offers}.items():
            digest = hashlib.sha256(text.encode()).hexdigest()[:16]
            rows.append({"table": f"{ledger} {name}", "rows": text.count("\n") - 1, "digest": digest})
    return {"worlds.csv": csv_text(rows)}


def verdicts(ledger: str) -> Files:
    """Judge the offers to the demo or to a simulated ledger; each verdict beside the price asked."""
    tables, offers = drawn(ledger)
    with bench_folder() as run:
        Path("tables").mkdir()
        for path, text in {"offers.csv": offers, **{f"tables/{n}.csv": t for n, t in tables.items()}}.items():
            Path(path).write_text(text, encoding="utf-8")
        for line in ("import tables", "judge offers.csv --out verdicts.csv"):
            result = run(*line.split())
            assert result.exit_code == 0, result.output
        said = Path("verdicts.csv").read_text(encoding="utf-8")
    rows, asked = (list(csv.DictReader(io.StringIO(text))) for text in (said, offers))
    both = [{**row, "asked": offer["asked"]} for row, offer in zip(rows, asked, strict=True)]
    return {f"verdicts/{ledger}.csv": csv_text(both)}


# ---- Commands


@contextlib.contextmanager
def bench_folder() -> Iterator[Callable[..., Any]]:
    """Go to an empty folder; give what runs a command there."""
    # Processes that a command starts must find this tree, whichever one is installed.
    runner = CliRunner(env={"BENCHODDS_LEDGER": "bench.db", "PYTHONPATH": str(HERE.parents[1])})
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        yield lambda *line, **more: runner.invoke(main, [*map(str, line)], prog_name="benchodds", **more)


def scripted() -> Files:
    """Run the commands of both records again: each line that starts with ``$`` is one."""
    made: Files = {}
    with time_machine.travel(TODAY), bench_folder() as run:
        shutil.copytree(HERE / "inputs", ".", dirs_exist_ok=True)
        for name in ("scripted/commands.txt", "scripted/refusals.txt"):
            kept = (KEPT / name).read_text(encoding="utf-8").splitlines()
            made[name] = "\n".join(told(line, run) for line in kept if line.startswith("$ "))
        for path in Path("export").iterdir():
            made[f"scripted/export/{path.name}"] = path.read_bytes().decode("utf-8")
        for pattern in ("[!c]*.html", "families/*.html", "components/[b-i]*.html"):
            for path in Path("reports").glob(pattern):
                made[f"scripted/pages/{path.stem}.txt"] = words_of(path.read_text("utf-8"))
    return made


def words_of(html: str) -> str:
    """Give what a reader is told by a page, also by its pictures: a line for each paragraph or row."""
    body = html[html.index("<body") :].replace("\n", " ")
    body = re.sub(r'<[^>]*aria-label="([^"]*)"[^>]*>', r" [\1] ", body)
    lines = re.split(r"</?(?:p|li|tr|h\d|summary|caption|figcaption|section|ul)\b[^>]*>", body)
    told = (" ".join(unescape(re.sub(r"<[^>]+>", " ", line)).split()) for line in lines)
    text = "\n".join(["$ benchodds report", *filter(None, told), ""])
    return re.sub(r"\b[0-9a-f]{16}\b", "FINGERPRINT", text)


def told(line: str, run: Callable[..., Any]) -> str:
    """Run a line of a record; give it with what was said, errors marked by ``!``."""
    words, sheet = shlex.split(line)[2:], None
    if "<" in words:
        sheet = Path(words[-1]).read_bytes()
        words = words[: words.index("<")]
    result = run(*words, input=sheet, catch_exceptions=False)
    said = [*result.stdout.splitlines(), *(f"! {each}" for each in result.stderr.splitlines())]
    said = [each for each in said if not re.match(r"! +\d+/\d+ ", each)]  # pages are ready in any order
    said += [f"[ends with {result.exit_code}]"] if result.exit_code else []
    text = "\n".join([line, *said, ""])
    text = text.replace(os.getcwd(), "FOLDER")
    text = re.sub(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d[\d.]*(Z|\+00:00)?", "TIME", text)
    return re.sub(r"\b\d+ kB|\b\d+(\.\d+)? s\b", "SOME", text)


# ---- Fits


def fits() -> Files:
    """Fit a Weibull life to every stratum of the recipe."""
    rows = [row for stratum in range(STRATA) for row in records_of(stratum)]
    lower, upper, count, stratum, record, weight = (list(column) for column in zip(*rows, strict=True))
    more = {"count": count, "stratum": stratum, "record": record, "weight": weight}
    fit = weibull_fits(LifeRecords(lower, upper, **more))
    _, low, high = fit.failed_by(30.0)
    numbers = {"shape": fit.shape, "scale": fit.scale, "log_likelihood": fit.log_likelihood}
    numbers |= {"failed_by_30_low": low, "failed_by_30_high": high}
    written = [
        {"stratum": n, "form": FORMS[n % len(FORMS)], "status": fit.status[n]}
        | {name: "" if math.isnan(values[n]) else f"{values[n]:.12g}" for name, values in numbers.items()}
        for n in range(STRATA)
    ]
    return {"fits.csv": csv_text(written)}


FORMS = (
    "exact", "exact and sound", "seen once", "between two looks", "all kinds", "years", "weighed years",
    "counted", "none failed", "all failed", "one age fits all", "odd",
)  # fmt: skip
Row = tuple[float, float, float, int, int, float]


def records_of(stratum: int) -> Iterator[Row]:
    """Draw the lives of a stratum: lower, upper, count, stratum, record, weight."""
    form = FORMS[stratum % len(FORMS)]
    draw = random.Random(stratum).random  # its stream is the same in every Python
    shape, scale = 0.7 + 3.5 * draw(), 12 + 40 * draw()
    for record in range(2 + stratum // len(FORMS)):
        life, age = scale * (-math.log(1 - draw())) ** (1 / shape), 5 + 45 * draw()
        kind = FORMS[int(4 * draw())] if form == "all kinds" else form
        count = 0.25 + 4 * draw() if form == "counted" else 1.0
        window = range(2 + int(5 * draw())) if "years" in form else range(1)
        for year in window:
            weight = 1.0 + 3 * draw() if form == "weighed years" else 1.0
            yield (*bounds(kind, life, age, record, year), count, stratum, 100 * stratum + record, weight)


def bounds(kind: str, life: float, age: float, record: int, year: int) -> tuple[float, float]:
    """Say what is known of a life; ages are whole twelfths of a year where a bench looked."""
    looked = round(12 * (age + year)) / 12
    if kind == "exact" or (kind == "exact and sound" and life <= age):
        return life, life
    if kind == "between two looks" and life > looked / 2:
        return (looked / 2, looked) if life <= looked else (looked, math.inf)
    if kind == "one age fits all":
        return (0.0, 20 + age) if record % 2 else (age / 3, math.inf)
    if kind == "odd":  # failed early and sound late, at ages far apart, or nothing known at all
        return ((0.0, 1e-3 * looked), (1e3 * looked, math.inf), (0.0, math.inf))[record % 3]
    failed = kind == "all failed" or (kind != "none failed" and kind != "exact and sound" and life <= age)
    return (0.0, looked) if failed else (looked, math.inf)


#: Kept files, by pattern, and what makes them.
PARTS: dict[str, Callable[[], Files]] = {
    "worlds.csv": worlds,
    **{f"verdicts/{ledger}.csv": partial(verdicts, ledger) for ledger in ("demo", *LEDGERS)},
    "scripted/**/*": scripted,
    "fits.csv": fits,
}


def kept_files(part: str) -> Files:
    paths = [path for path in KEPT.glob(part) if path.is_file()]
    return {path.relative_to(KEPT).as_posix(): path.read_bytes().decode("utf-8") for path in paths}
