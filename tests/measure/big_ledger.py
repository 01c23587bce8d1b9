"""Large ledgers drawn column by column: a bench of 100,000 jobs, or a small one with many imported families.

Lives, mending, signs, prices and what gets written down differ by family as in the simulated trades; only
the drawing is in whole columns, so that a million findings take seconds.
"""

import datetime
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.records.checks import Settings
from reliability.records.frames import Records
from reliability.records.tables import TABLES, USUAL_COMPONENTS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

KINDS = ("tape deck", "turntable", "disc player", "receiver", "video recorder")
MORE = ("lamp", "cable")  # further components that this bench writes down of everything
SIGNS = ("rust", "smell of smoke", "broken glass")
SEEN = (0.15, 0.1, 0.25)
AS_OF = datetime.date(2026, 6, 30)
DAYS = 3650
NOTED = 0.95  # share of the components of a unit that get a finding


def big_ledger(jobs: int, families: int, *, imported: int = 0, jobs_each: int = 4, seed: int = 1) -> Records:
    """Draw a ledger of `jobs` in `families` that come unequally often.

    Of the `imported` families only another bench's jobs are there, `jobs_each` of each.
    """
    rng = np.random.default_rng(seed)
    n = families + imported
    kind = np.arange(n) % len(KINDS)
    first = rng.integers(1970, 1990, n)
    price = np.round(np.exp(rng.normal(4.8, 0.5, n)))
    names = np.array([f"Family {i:04d}" for i in range(n)], dtype=object)
    table = frame(
        "families",
        n,
        family=names,
        kind=np.array(KINDS, dtype=object)[kind],
        first_year=first.astype(float),
        last_year=first + 9.0,
        working_price=np.where(rng.random(n) < 0.9, price, np.nan),
    )
    # Every family has two jobs at least; beyond that a few are common and many are rare.
    often = 1.0 / (1.0 + np.arange(families)) ** 0.5
    at = np.concatenate([np.repeat(np.arange(families), 2)[:jobs], np.zeros(0, np.int64)]).astype(np.int64)
    at = np.concatenate([at, rng.choice(families, max(jobs - at.size, 0), p=often / often.sum())])
    own = np.concatenate([np.ones(at.size, bool), np.zeros(imported * jobs_each, bool)])
    at = np.concatenate([rng.permutation(at), np.repeat(np.arange(families, n), jobs_each)])
    order = rng.permutation(at.size)
    return _jobs(rng, table, at[order], own[order], kind, first, price)


def _jobs(
    rng: np.random.Generator,
    families: pd.DataFrame,
    at: Ints,
    own: NDArray[np.bool_],
    kind: Ints,
    first: Ints,
    price: Floats,
) -> Records:
    n = at.size
    day = np.sort(rng.integers(0, DAYS, n))
    taken_in = np.datetime64(AS_OF) - DAYS + day
    built = first[at] + rng.integers(0, 10, n)
    seen = rng.random((n, len(SIGNS))) < SEEN
    age = taken_in.astype("datetime64[Y]").astype(int) + 1970 - built
    components = [(*USUAL_COMPONENTS[name], *MORE) for name in KINDS]
    names = sorted({name for some in components for name in some})
    failed, mended = _states(rng, at, age, seen, len(families), len(names))
    there = np.array([[name in some for name in names] for some in components])[kind[at]]
    failed &= there
    lost = failed & ~mended
    ended = np.where(lost.any(axis=1), lost.argmax(axis=1), -1)
    repaired = ended < 0
    number = np.array([str(i + 1 + i // 50) for i in range(n)], dtype=object)  # one in fifty is missing
    number = np.where(own, number, np.array([f"import-{i}" for i in range(n)], dtype=object))
    sale = price[at] * np.exp(rng.normal(-0.05, 0.2, n) - 0.05 * seen.sum(axis=1))
    closed = taken_in + rng.integers(0, 10, n)
    year_known, wide = rng.random(n) < 0.85, np.where(rng.random(n) < 0.25, 2, 0)
    before = rng.integers(0, wide + 1)
    table = frame(
        "jobs",
        n,
        job=number,
        family=families["family"].to_numpy()[at],
        built_from=np.where(year_known, built - before, np.nan),
        built_to=np.where(year_known, built - before + wide, np.nan),
        taken_in=taken_in,
        closed=closed,
        outcome=np.where(repaired, "repaired", "donor").astype(object),
        bought_for=np.round(0.2 * price[at] * np.exp(rng.normal(0, 0.4, n)), 2),
        hours=np.round(np.maximum(1.0 + 0.6 * failed.sum(axis=1) + rng.normal(0, 0.5, n), 0.1), 1),
        other_costs=np.round(rng.exponential(4.0, n), 2),
        sold_for=np.where(repaired, np.round(sale, 2), np.nan),
        sold_on=np.where(repaired, closed + 20, np.datetime64("NaT")),
        salvage_value=np.where(repaired, np.nan, np.round(0.1 * price[at], 2)),
        ended_by=np.where(repaired, None, np.array(names, dtype=object)[ended]),
        origin=np.where(own, None, "another bench"),
    )
    # What nobody wrote down is what is sound, except in jobs that ended before anyone looked.
    written = there & (failed | (rng.random(there.shape) < NOTED))
    row, column = np.nonzero(written)
    bad = failed[row, column]
    treated = bad & (repaired[row] | (column == ended[row]) | (rng.random(row.size) < 0.5))
    action = np.where(~treated, None, np.where(mended[row, column], "replaced", "no part"))
    paid = (action == "replaced") & (rng.random(row.size) < 0.8)
    findings = frame(
        "findings",
        row.size,
        job=number[row],
        component=np.array(names, dtype=object)[column],
        found=np.where(bad, "failed", np.where(rng.random(row.size) < 0.1, "worn", "sound")).astype(object),
        original=np.where(rng.random(row.size) < 0.9, "yes", None).astype(object),
        action=action.astype(object),
        part_cost=np.where(paid, np.round(np.exp(rng.normal(2.0, 0.5, row.size)), 2), np.nan),
        part_source=np.where(action == "replaced", "new", None).astype(object),
    )
    looked = np.nonzero(rng.random(seen.shape) < 0.8)
    signs = frame(
        "signs",
        looked[0].size,
        job=number[looked[0]],
        sign=np.array(SIGNS, dtype=object)[looked[1]],
        seen=np.where(seen[looked], "yes", "no").astype(object),
    )
    return Records(
        families=families,
        jobs=table.sort_values(["taken_in", "job"], kind="stable", ignore_index=True),
        findings=findings.sort_values(["job", "component"], kind="stable", ignore_index=True),
        signs=signs.sort_values(["job", "sign"], kind="stable", ignore_index=True),
        settings=Settings(hour_rate=8.0, selling_fee=0.1),
    )


def _states(
    rng: np.random.Generator, at: Ints, age: Ints, seen: NDArray[np.bool_], families: int, components: int
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Draw which component of each unit has failed, and which could be mended; shape (n_jobs, components)."""
    scale = np.exp(rng.normal(4.2, 0.5, components) + rng.normal(0, 0.4, (families, components)))
    shape = np.exp(rng.normal(0.6, 0.3, components))
    hazard = (age[:, None] / scale[at]) ** shape
    storage = rng.normal(0, 0.6, at.size) + seen @ np.array([0.6, 0.4, 0.5])
    odds = hazard + np.log(-np.expm1(-hazard)) + storage[:, None]
    failed = rng.random(odds.shape) < 1 / (1 + np.exp(-odds))
    mend = rng.normal(2.2, 1.0, components) + rng.normal(0, 0.6, (families, components))
    mended = rng.random(odds.shape) < 1 / (1 + np.exp(-mend[at]))
    return failed, mended


def frame(name: str, n: int, **given: Any) -> pd.DataFrame:
    """Frame of a documented table with all its columns; what is not given is empty."""
    columns = {}
    for column in TABLES[name].columns:
        if column.name in given:
            columns[column.name] = given[column.name]
        elif column.kind == "date":
            columns[column.name] = np.full(n, np.datetime64("NaT"), "datetime64[ns]")
        elif column.kind in ("text", "choice"):
            columns[column.name] = np.full(n, column.default, dtype=object)
        else:
            columns[column.name] = np.full(n, np.nan)
        if column.kind == "date":
            columns[column.name] = np.asarray(columns[column.name]).astype("datetime64[ns]")
    return pd.DataFrame(columns)
