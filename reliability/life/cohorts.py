"""Production year: whether it matters as a trend, and whether something changed in one year.

Within one family age and production year move together, because all units are inspected within a few
calendar years. Every answer here carries their correlation, and where it is above 0.95 no answer is
given.
"""

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from reliability.errors import InvalidInput
from reliability.life.ages import FloatArray, IntArray
from reliability.life.change_year import ChangeYear, change_year
from reliability.life.life_records import LifeRecords
from reliability.life.year_slope import YearSlope, year_slope

__all__ = [
    "ChangeYear",
    "YearSlope",
    "change_year",
    "false_discovery_rate",
    "find_changes",
    "find_slopes",
    "year_slope",
]


def find_changes(
    records: LifeRecords,
    year: ArrayLike,
    labels: pd.DataFrame,
    *,
    age_years: ArrayLike | None = None,
    unit: ArrayLike | None = None,
    n_bootstrap: int = 4999,
    seed: int = 0,
    describe: bool = True,
) -> pd.DataFrame:
    """Search every stratum for a change of production year, with the false discoveries controlled.

    Parameters
    ----------
    records : LifeRecords
        Any number of strata.
    year : array_like of float, shape (n_rows,)
        Year of production (or fitting) of each row.
    labels : DataFrame
        Column stratum, and what the strata are called; one row per stratum.
    age_years, unit : array_like, shape (n_rows,), optional
        As for `change_year`.
    n_bootstrap, seed, describe
        As for `change_year`.

    Returns
    -------
    DataFrame
        The rows of `labels` in their order, with status, change_year, p_value, q_value (share of false
        discoveries expected if this and all smaller p-values are called changes), reference_age_years,
        failed_before, failed_before_low, failed_before_high, failed_after, failed_after_low,
        failed_after_high, correlation, n_records, note.

    Raises
    ------
    InvalidInput
        If the labels do not name each stratum of the records exactly once, or as for `change_year`.
    """
    columns = _columns(records, year=year, age_years=age_years, unit=unit)
    rows = []
    for lives, at in _strata(records, labels):
        part = {name: values[at] for name, values in columns.items()}
        found = change_year(lives, n_bootstrap=n_bootstrap, seed=seed, describe=describe, **part)
        row = {
            "status": found.status,
            "change_year": found.year,
            "p_value": found.p_value,
            "q_value": np.nan,
            "reference_age_years": found.reference_age_years,
        }
        for side, values in (("before", found.before), ("after", found.after)):
            for suffix, value in zip(("", "_low", "_high"), values, strict=True):
                row[f"failed_{side}{suffix}"] = value
        row |= {"correlation": found.correlation, "n_records": found.n_records, "note": found.note}
        rows.append(row)
    table = _beside(labels, rows)
    table["q_value"] = false_discovery_rate(table["p_value"].to_numpy(dtype=np.float64))
    return table


def find_slopes(
    records: LifeRecords,
    year: ArrayLike,
    labels: pd.DataFrame,
    *,
    age_years: ArrayLike | None = None,
    level: float = 0.90,
) -> pd.DataFrame:
    """Estimate the year effect of every stratum.

    Parameters
    ----------
    records, year, labels, age_years
        As for `find_changes`.
    level : float
        Probability that each interval promises.

    Returns
    -------
    DataFrame
        The rows of `labels` in their order, with status, slope, low, high, p_value, q_value,
        shape, scale_years, reference_year, correlation, n_records, note as in `YearSlope`.

    Raises
    ------
    InvalidInput
        If the labels do not name each stratum of the records exactly once, or as for `year_slope`.
    """
    columns = _columns(records, year=year, age_years=age_years)
    names = (
        "status", "slope", "low", "high", "p_value", "shape", "scale_years", "reference_year",
        "correlation", "n_records", "note",
    )  # fmt: skip
    rows = []
    for lives, at in _strata(records, labels):
        part = {name: values[at] for name, values in columns.items()}
        found = year_slope(lives, level=level, **part)
        rows.append({name: getattr(found, name) for name in names})
    table = _beside(labels, rows)
    q_value = false_discovery_rate(table["p_value"].to_numpy(dtype=np.float64))
    table.insert(table.columns.get_loc("p_value") + 1, "q_value", q_value)
    return table


def false_discovery_rate(p_value: ArrayLike) -> FloatArray:
    """Adjust p-values of many searches for the false discoveries among them.

    Parameters
    ----------
    p_value : array_like, shape (n,)
        NaN for a search that gave no answer; it counts for nothing.

    Returns
    -------
    ndarray of float64, shape (n,)
        Calling everything at or below `q` a discovery, a share of at most `q` of them is false in
        the long run.

    References
    ----------
    .. [1] Y. Benjamini and Y. Hochberg, "Controlling the false discovery rate", J. R. Stat. Soc. B 57
       (1995) 289-300.
    """
    p = np.asarray(p_value, dtype=np.float64)
    answered = np.flatnonzero(~np.isnan(p))
    order = answered[np.argsort(-p[answered], kind="stable")]
    rank = np.arange(order.size, 0, -1)
    q = np.full(p.shape, np.nan)
    q[order] = np.minimum.accumulate(p[order] * order.size / rank)
    return q


def _columns(records: LifeRecords, **given: ArrayLike | None) -> dict[str, Any]:
    """Columns that were given, checked for their length before they are cut into strata."""
    columns = {name: np.asarray(values) for name, values in given.items() if values is not None}
    for name, values in columns.items():
        if values.shape != (len(records),):
            raise InvalidInput(
                f"`{name}` needs one number for each of the {len(records)} rows; its shape is {values.shape}."
            )
    return columns


def _strata(records: LifeRecords, labels: pd.DataFrame) -> Iterator[tuple[LifeRecords, IntArray]]:
    """Give the records of each stratum and their positions, in the order of the labels."""
    if "stratum" not in labels.columns or sorted(labels["stratum"]) != records.strata.tolist():
        named = sorted(labels["stratum"]) if "stratum" in labels.columns else "no column stratum"
        raise InvalidInput(
            f"`labels` must name each stratum of the records once; it has {named}, "
            f"the records have {records.strata.tolist()}."
        )
    order = np.argsort(records.stratum, kind="stable")
    begin = np.searchsorted(records.stratum[order], labels["stratum"], side="left")
    end = np.searchsorted(records.stratum[order], labels["stratum"], side="right")
    for first, last in zip(begin, end, strict=True):
        at = order[first:last]
        lives = LifeRecords(
            records.lower[at],
            records.upper[at],
            count=records.count[at],
            record=records.record[at],
            weight=records.weight[at],
        )
        yield lives, at


def _beside(labels: pd.DataFrame, rows: list[dict[str, Any]]) -> pd.DataFrame:
    return pd.concat([labels.reset_index(drop=True), pd.DataFrame(rows)], axis=1)
