"""For whom entries are fitted: each family, an unknown family of each kind, an unknown kind."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from reliability.worth.bench import Bench
from reliability.worth.lives import MIDDLE_YEAR


@dataclass(frozen=True)
class Slot:
    """A family, an unknown family of a kind, or a unit of an unknown kind."""

    family: str
    kind: str
    family_at: int
    first_year: float
    last_year: float
    mean_age: float
    mean_year: float
    oldest: float


def read_slots(bench: Bench) -> list[Slot]:
    """List the slots: families in their order, then kinds, then the unknown kind.

    Parameters
    ----------
    bench : Bench

    Returns
    -------
    list of Slot
        Length n_families + n_kinds + 1.
    """
    table = bench.records.families.set_index("family").reindex(list(bench.families))
    ages = bench.ages
    family_at = bench.jobs["family_at"].to_numpy(np.int64)[ages["at"].to_numpy(np.int64)]
    of_family = {int(at): rows for at, rows in ages.groupby(family_at, sort=False)}
    of_kind = {int(at): rows for at, rows in ages.groupby(bench.family_kind[family_at], sort=False)}
    first, last = (table[name].to_numpy(float) for name in ("first_year", "last_year"))
    slots = []
    for i, family in enumerate(bench.families):
        kind = bench.kinds[bench.family_kind[i]]
        slots.append(_slot(family, kind, i, (first[i], last[i]), of_family.get(i)))
    for k, kind in enumerate(bench.kinds):
        here = table.iloc[np.flatnonzero(bench.family_kind == k)]
        slots.append(_slot("", kind, -1, (here["first_year"].min(), here["last_year"].max()), of_kind.get(k)))
    slots.append(_slot("", "", -1, (table["first_year"].min(), table["last_year"].max()), ages))
    return slots


def _slot(family: str, kind: str, at: int, span: tuple[float, float], rows: pd.DataFrame | None) -> Slot:
    """Where no span is written down, the years of the units that were seen must serve."""
    if rows is None or rows.empty:
        first, last = span
        known = [y for y in (first, last) if not np.isnan(y)]
        year = float(np.mean(known)) if known else MIDDLE_YEAR
        return Slot(family, kind, at, *_both(first, last), np.nan, year, np.nan)
    w = rows["weight"].to_numpy(float)
    year = float(np.average(rows["year"], weights=w))
    age = float(np.average(rows["age_years"], weights=w))
    seen = float(rows["year"].min()), float(rows["year"].max())
    first, last = (s if not np.isnan(s) else o for s, o in zip(span, seen, strict=True))
    return Slot(family, kind, at, float(first), float(last), age, year, float(rows["age_years"].max()))


def _both(first: float, last: float) -> tuple[float, float]:
    first, last = (last if np.isnan(first) else first), (first if np.isnan(last) else last)
    return float(first), float(last)
