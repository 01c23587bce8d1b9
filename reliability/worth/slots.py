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
    whole = _slot("", "", -1, (table["first_year"].min(), table["last_year"].max()), ages, None)
    of_kinds = []
    for k, kind in enumerate(bench.kinds):
        here = table.iloc[np.flatnonzero(bench.family_kind == k)]
        span = here["first_year"].min(), here["last_year"].max()
        of_kinds.append(_slot("", kind, -1, span, of_kind.get(k), whole))
    slots = [
        _slot(family, bench.kinds[k], i, (first[i], last[i]), of_family.get(i), of_kinds[k])
        for i, (family, k) in enumerate(zip(bench.families, bench.family_kind, strict=True))
    ]
    return [*slots, *of_kinds, whole]


def _slot(
    family: str, kind: str, at: int, span: tuple[float, float], rows: pd.DataFrame | None, wider: Slot | None
) -> Slot:
    """Lay out a slot: where no years are written down, those of the units seen serve, or the kin's."""
    first, last = _both(*span)
    if rows is None or rows.empty:
        age, oldest = np.nan, np.nan
        if np.isnan(first) and wider is not None:
            first, last = wider.first_year, wider.last_year
        year = wider.mean_year if wider is not None else MIDDLE_YEAR
        year = year if np.isnan(first) else (first + last) / 2.0
    else:
        w = rows["weight"].to_numpy(float)
        year = float(np.average(rows["year"], weights=w))
        age, oldest = float(np.average(rows["age_years"], weights=w)), float(rows["age_years"].max())
        if np.isnan(first):
            first, last = float(rows["year"].min()), float(rows["year"].max())
    return Slot(family, kind, at, first, last, age, year, oldest)


def _both(first: float, last: float) -> tuple[float, float]:
    first, last = (last if np.isnan(first) else first), (first if np.isnan(last) else last)
    return float(first), float(last)
