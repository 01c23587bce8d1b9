"""Life records gathered into the fewest rows that say the same."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.errors import InvalidInput
from reliability.life.life_records import BoolArray, FloatArray, IntArray, LifeRecords

_LARGEST_KEY = 2**62
_Number = TypeVar("_Number", np.float64, np.int64)


@dataclass(frozen=True, eq=False)
class Rows:
    """Rows in the order of (stratum, record); single lives are also in the order of their bounds.

    Attributes
    ----------
    stratum : ndarray of int64, shape (n_rows,)
        Position of the row's stratum among all strata.
    lower, upper, count, weight : ndarray of float64, shape (n_rows,)
        As in `LifeRecords`.
    start : ndarray of int64, shape (n_records,)
        First row of each record; a single life is a record of one row.
    """

    stratum: IntArray
    lower: FloatArray
    upper: FloatArray
    count: FloatArray
    weight: FloatArray
    start: IntArray

    def __len__(self) -> int:
        return int(self.stratum.size)

    def take(self, keep: BoolArray, position: IntArray) -> "Rows":
        """Keep the rows of some strata (a mask by position), and renumber them to `position`."""
        rows = keep[self.stratum]
        records = keep[self.stratum[self.start]]
        length = np.diff(np.append(self.start, len(self)))[records]
        return Rows(
            stratum=position[self.stratum[rows]],
            lower=self.lower[rows],
            upper=self.upper[rows],
            count=self.count[rows],
            weight=self.weight[rows],
            start=np.cumsum(length) - length,
        )


@dataclass(frozen=True, eq=False)
class Collapsed:
    """Records of all strata, split into single lives and mixtures over alternatives.

    Attributes
    ----------
    strata : ndarray of int64, shape (n_strata,)
        The strata's own numbers, ascending. Rows name them by position.
    single, mixed : Rows
        Lives with one row; lives with several alternatives.
    """

    strata: IntArray
    single: Rows
    mixed: Rows

    def take(self, keep: BoolArray) -> "Collapsed":
        """Keep some strata, by a mask over them."""
        position = np.cumsum(keep) - 1
        return Collapsed(self.strata[keep], self.single.take(keep, position), self.mixed.take(keep, position))


def collapse(records: LifeRecords) -> Collapsed:
    """Drop what says nothing, add up what says the same, and sort by stratum.

    A row (0, inf] says nothing. Equal single lives of one stratum become one row with the sum of
    their counts, so a million findings whose ages are rounded to a month cost a few hundred rows.
    A record whose alternatives all say nothing is dropped as a whole.

    Parameters
    ----------
    records : LifeRecords

    Returns
    -------
    Collapsed
        Every stratum of the records is kept, also one that is left without any row.
    """
    shared = records.is_alternative
    strata, position = _codes(records.stratum)
    empty = (records.lower == 0) & np.isposinf(records.upper)
    if not shared.any():
        return Collapsed(strata, _single(records, position, ~empty), _mixed(records, position, shared))
    told = np.isin(records.record, records.record[~empty])
    single = _single(records, position, ~shared & told)
    return Collapsed(strata, single, _mixed(records, position, shared & told))


def _codes(values: NDArray[_Number]) -> tuple[NDArray[_Number], IntArray]:
    """Sort the distinct values, and find each value's place among them (by hashing: quick when few)."""
    codes, distinct = pd.factorize(values)
    order = np.argsort(distinct)
    rank = np.empty(order.size, dtype=np.int64)
    rank[order] = np.arange(order.size)
    return distinct[order], rank[codes]


def _sorted_runs(stratum: IntArray, lower: FloatArray, upper: FloatArray) -> tuple[IntArray, IntArray]:
    """Order by (stratum, lower, upper), and the first row of each run of equal ones in that order."""
    lowers, lower_code = _codes(lower)
    uppers, upper_code = _codes(upper)
    n_strata = int(stratum.max()) + 1
    if n_strata * lowers.size * uppers.size < _LARGEST_KEY:
        key = (stratum * lowers.size + lower_code) * uppers.size + upper_code
        order = np.argsort(key)
        ranked = key[order]
        return order, np.flatnonzero(np.append(True, ranked[1:] != ranked[:-1]))
    order = np.lexsort((upper_code, lower_code, stratum))
    changed = np.zeros(order.size - 1, dtype=bool)
    for values in (stratum, lower_code, upper_code):
        changed |= np.diff(values[order]) != 0
    return order, np.flatnonzero(np.append(True, changed))


def _single(records: LifeRecords, position: IntArray, keep: BoolArray) -> Rows:
    stratum, lower, upper = position[keep], records.lower[keep], records.upper[keep]
    count = records.count[keep]
    if stratum.size:
        order, start = _sorted_runs(stratum, lower, upper)
        count = np.add.reduceat(count[order], start)
        first = order[start]
        stratum, lower, upper = stratum[first], lower[first], upper[first]
    return Rows(stratum, lower, upper, count, np.ones(count.size), np.arange(count.size))


def _mixed(records: LifeRecords, position: IntArray, keep: BoolArray) -> Rows:
    """Sort records with alternatives; within a record by the bounds, whatever the order of the input."""
    rows = np.flatnonzero(keep)
    order = rows[np.lexsort((records.upper[rows], records.lower[rows], records.record[rows], position[rows]))]
    label = records.record[order]
    start = np.flatnonzero(np.append(True, label[1:] != label[:-1])) if order.size else np.empty(0, np.int64)
    return Rows(
        stratum=position[order],
        lower=records.lower[order],
        upper=records.upper[order],
        count=records.count[order],
        weight=records.weight[order],
        start=start,
    )


def add_up(batches: Iterable[LifeRecords]) -> LifeRecords:
    """Gather records that come in batches (from a file too large for memory, say) into few rows.

    Parameters
    ----------
    batches : iterable of LifeRecords
        Strata mean the same in all batches; a record with alternatives lies in one batch only, and
        its number counts in that batch only.

    Returns
    -------
    LifeRecords
        Says the same as all batches together: equal single lives are one row with their counts
        added, alternatives stay apart. The memory needed is that of the result and of one batch.

    Raises
    ------
    InvalidInput
        If there is no batch.
    """
    gathered: list[LifeRecords] = []
    n_rows, limit = 0, 0
    for batch in batches:
        gathered.append(_expand(collapse(batch)))
        n_rows += len(gathered[-1])
        if n_rows > limit:
            gathered = [_expand(collapse(_joined(gathered)))]
            n_rows = len(gathered[0])
            limit = 4 * n_rows
    if not gathered:
        raise InvalidInput("There are no life records: at least one batch is needed, 0 were given.")
    return _expand(collapse(_joined(gathered)))


def _joined(parts: list[LifeRecords]) -> LifeRecords:
    """Rows of several tables in one, with records numbered apart."""
    first = np.cumsum([0] + [int(part.record.max()) + 1 for part in parts])
    columns = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in ("lower", "upper", "count", "stratum", "weight")
    }
    record = np.concatenate([part.record + start for part, start in zip(parts, first, strict=False)])
    return LifeRecords(**columns, record=record)


def _expand(data: Collapsed) -> LifeRecords:
    """Collapsed rows as records again; a stratum without a row keeps one that says nothing."""
    empty = np.setdiff1d(np.arange(data.strata.size), np.append(data.single.stratum, data.mixed.stratum))
    length = np.diff(np.append(data.mixed.start, len(data.mixed)))
    first = len(data.single)
    mixed = first + np.repeat(np.arange(length.size), length)
    nothing = np.zeros(empty.size)
    return LifeRecords(
        np.concatenate((data.single.lower, data.mixed.lower, nothing)),
        np.concatenate((data.single.upper, data.mixed.upper, nothing + np.inf)),
        count=np.concatenate((data.single.count, data.mixed.count, nothing + 1)),
        stratum=data.strata[np.concatenate((data.single.stratum, data.mixed.stratum, empty))],
        record=np.concatenate((np.arange(first), mixed, first + length.size + np.arange(empty.size))),
        weight=np.concatenate((data.single.weight, data.mixed.weight, nothing + 1)),
    )
