"""Ten million findings in 100,000 strata: from a Parquet archive to fitted and pooled lives.

``python -m tests.measure.archive 20`` pools all twenty components, not the first alone. An archive of an
invented trade is written into a temporary folder and read back, each step in a process of its own, so that
its peak memory is its own. One job in five has a window of production years, one in three ended without a
repair, parts were fitted later, died on the bench or failed on a known day: nothing is made easier for being
measured. Each stratum has about a hundred findings, nearly all of a different age, so hardly any two are
counted as one.
"""

import sys
import tempfile
import time
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from reliability.life.bulk import STRATA_PER_PIECE, Piece, count_findings
from reliability.life.pooling import pool
from reliability.life.weibull import weibull_fits
from reliability.records.archive import ARCHIVED, FILE, NAME, VERSION, open_archives
from tests.measure import apart
from tests.measure.apart import Row, row, tell

SEED = 20261125
FINDINGS, FAMILIES, COMPONENTS = 10_000_000, 5_000, 20
PER_JOB = 10
ROWS_PER_GROUP = 500_000
YEARS = range(2017, 2027)
MOST_TIMES, MOST_GB = 5.0, 1.5

THIS = "tests.measure.archive"


def write_trade(folder: Path, findings: int = FINDINGS, families: int = FAMILIES) -> None:
    """Write an archive of so many findings in `families` x 20 strata."""
    words = pa.dictionary(pa.int32(), pa.string())
    types = {"year": pa.int16(), "date": pa.date32()}
    stamp = {"name": NAME, "version": VERSION, "content": "invented"}
    schema = pa.schema([(column.name, types.get(column.kind, words)) for column in ARCHIVED], stamp)
    rng = np.random.default_rng(SEED)
    truth = {
        "scale": rng.lognormal(np.log(35), 0.3, (COMPONENTS, 1))
        * rng.lognormal(0, 0.3, (COMPONENTS, families)),
        "shape": rng.lognormal(np.log(2.5), 0.2, (COMPONENTS, families)),
        "first_year": rng.integers(1965, 1990, families),
    }
    with pq.ParquetWriter(folder / FILE, schema, compression="zstd") as writer:
        for year in YEARS:
            left = findings // len(YEARS)
            while left > 0:
                size = min(left, ROWS_PER_GROUP)
                rows = _some_jobs(rng, truth, year, max(1, size // PER_JOB), first=left)
                writer.write_table(pa.Table.from_pandas(rows, schema, False), row_group_size=size)
                left -= size


#: A text for each row by its code; -1 is empty.
_texts = pd.Categorical.from_codes


def _some_jobs(
    rng: np.random.Generator, truth: dict[str, np.ndarray], year: int, n_jobs: int, first: int
) -> pd.DataFrame:
    """Rows of some jobs, ten findings each; `first` is a number that no others of the year have reached."""
    n_families = truth["first_year"].size
    family = rng.integers(0, n_families, n_jobs)
    begin = truth["first_year"][family]
    built = begin + rng.integers(0, 8, n_jobs)
    window = np.where(rng.random(n_jobs) < 0.2, rng.integers(1, 5, n_jobs), 0)
    day = rng.integers(0, 365, n_jobs)
    component = np.sort(np.argsort(rng.random((n_jobs, COMPONENTS)), axis=1)[:, :PER_JOB], axis=1)
    at = (component, np.broadcast_to(family[:, None], component.shape))
    age = (year + day / 365 - built - 0.5)[:, None]
    failed = truth["scale"][at] * rng.weibull(truth["shape"][at]) <= age
    worn = ~failed & (rng.random(failed.shape) < 0.15)
    on_bench = ~failed & ~worn & (rng.random(failed.shape) < 0.01)
    ended = (rng.random(n_jobs) < 1 / 3) & failed.any(axis=1)
    # Who ended a job is nearly always a finding that says failed; now and then nobody wrote one.
    ender = component[np.arange(n_jobs), np.argmax(failed, axis=1)]
    ender = np.where(rng.random(n_jobs) < 0.05, rng.integers(0, COMPONENTS, n_jobs), ender)
    components, taken_in = [f"component {i:02d}" for i in range(COMPONENTS)], np.datetime64(f"{year}-01-01")
    jobs = pd.DataFrame({
        "job": _texts(np.arange(n_jobs), [f"{year}{first - i:07d}" for i in range(n_jobs)]),
        "family": _texts(family, [f"Family {i:04d}" for i in range(n_families)]),
        "kind": _texts(family % 8, [f"kind {i}" for i in range(8)]),
        "first_year": begin, "last_year": begin + 11, "built_from": built, "built_to": built + window,
        "taken_in": taken_in + np.sort(day),
        "ended_by": _texts(np.where(ended, ender, -1), components),
        "ended_why": _texts(np.where(ended, 0, -1), ["too worn"]),
    })  # fmt: skip
    size = component.size
    fitted = rng.random(size) < 0.05
    since = np.where(fitted, year - rng.integers(0, 15, size), np.nan)
    witnessed = failed.ravel() & (rng.random(size) < 0.02)
    rows = jobs.iloc[np.repeat(np.arange(n_jobs), PER_JOB)]
    days = (rows["taken_in"] - pd.to_timedelta(rng.integers(1, 2000, size), unit="D")).where(witnessed)
    found = np.where(failed | on_bench, 2, np.where(worn, 1, 0)).ravel()
    return rows.assign(
        component=_texts(component.ravel(), components), position="",
        found=_texts(found, ["sound", "worn", "failed"]),
        original=_texts(np.where(fitted, 1, 0), ["yes", "no"]), fitted_from=since, fitted_to=since,
        arose=_texts(on_bench.ravel().astype(int), ["as received", "during work"]),
        failed_from=days, failed_to=days,
    )  # fmt: skip


def read_bare(folder: str) -> dict[str, Any]:
    """Read every column of every row, and do nothing with them: into data frames, and to Arrow memory."""
    start = time.process_time()
    with pq.ParquetFile(Path(folder) / FILE) as file:
        for group in range(file.num_row_groups):
            file.read_row_group(group, use_threads=False).to_pandas(use_threads=False)
    framed = time.process_time() - start
    start = time.process_time()
    with pq.ParquetFile(Path(folder) / FILE) as file:
        for group in range(file.num_row_groups):
            file.read_row_group(group, use_threads=False)
    return {"framed": framed, "arrow": time.process_time() - start}


def count(folder: str) -> dict[str, Any]:
    """Check, read and count."""
    start = time.process_time()
    counts = count_findings(open_archives([folder]))
    whole = time.process_time() - start
    return {"whole": whole, "findings": counts.n_findings}


def fit_piece(piece: Piece) -> np.ndarray:
    """Fit strata; whether each has a maximum."""
    return weibull_fits(piece.lives()[0]).usable


def pool_piece(piece: Piece) -> None:
    """Pool one component."""
    records, year = piece.lives()
    at = records.stratum
    names = np.full(at.size, piece.component, dtype=object)
    pool(records, component=names, family=piece.families[at], kind=piece.kinds[at], year=year)


def whole(folder: str, pooled_components: int = 1) -> dict[str, Any]:
    """From the files to fitted strata, and to so many pooled components."""
    start = time.process_time()
    counts = count_findings(open_archives([folder]))
    counted = time.process_time() - start
    start = time.process_time()
    usable = np.concatenate([fit_piece(piece) for piece in counts.pieces(STRATA_PER_PIECE)])
    fitting = time.process_time() - start
    start = time.process_time()
    for piece in islice(counts.pieces(), pooled_components):
        pool_piece(piece)
    pooling = time.process_time() - start
    return {"counted": counted, "fitting": fitting, "pooling": pooling, "strata": usable.size,
            "fitted": int(usable.sum())}  # fmt: skip


def rows(findings: int = FINDINGS, families: int = FAMILIES, pooled_components: int = 1) -> list[Row]:
    """Every row; seconds are of one processor, so that other work on the machine does not count."""
    with tempfile.TemporaryDirectory() as name:
        start = time.process_time()
        write_trade(Path(name), findings, families)
        made = time.process_time() - start
        size = (Path(name) / FILE).stat().st_size / 1e6
        bare, counted = (apart.run(THIS, step, name) for step in ("read_bare", "count"))
        all_of_it = apart.run(THIS, "whole", name, pooled_components)
    ratio, strictest = counted["whole"] / bare["framed"], counted["whole"] / bare["arrow"]
    peak = all_of_it["peak_gb"]
    return [
        row(f"archive of {findings:,} findings", f"{size:.0f} MB, invented in {made:.0f} s"),
        row("bare read", f"{bare['framed']:.2f} s into frames, {bare['arrow']:.2f} s into Arrow memory"),
        row(
            "checked, read and counted",
            f"{counted['whole']:.2f} s: {ratio:.1f} x the read into frames, {strictest:.1f} x Arrow's",
            f"<= {MOST_TIMES:g} x",
            ratio <= MOST_TIMES,
        ),
        row("findings that say something of lives", f"{counted['findings']:,}"),
        row(
            "strata fitted in pieces",
            f"{all_of_it['fitting']:.0f} s for {all_of_it['strata']:,}; {all_of_it['fitted']:,} with maximum",
        ),
        row(f"pooled: {pooled_components} of {COMPONENTS} components", f"{all_of_it['pooling']:.0f} s"),
        row("peak memory of all that", f"{peak:.2f} GB", f"<= {MOST_GB:g} GB", peak <= MOST_GB),
    ]


if __name__ == "__main__":
    tell(rows(pooled_components=int(sys.argv[1]) if len(sys.argv) > 1 else 1))
