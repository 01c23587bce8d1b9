"""Lives that are only partly known, and the fewest rows that say the same."""

from dataclasses import dataclass, field
from typing import Any, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from reliability.errors import InvalidInput

# ---- The one type for lives that are only partly known


FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class LifeRecords:
    """Lives known to lie in an interval of age, in one flat table.

    The part still worked at age `lower` and had failed by age `upper`. 0 stands for "never seen
    working", ``inf`` for "still working when last seen"; equal bounds are a life that somebody
    witnessed. So a part found failed at 30 years is (0, 30], a sound one (30, inf).

    Rows that share `record` are alternatives of one and the same finding, of which exactly one is
    true (a unit built in one of several years). Their likelihoods are added with `weight`.

    Parameters
    ----------
    lower, upper : array_like, shape (n_rows,)
        Bounds of each life in years, ``0 <= lower <= upper``, `lower` finite. Every argument may
        also be a scalar that holds for all rows.
    count : array_like, shape (n_rows,), keyword-only
        How many such lives there are, 1e-100 or above. Need not be whole (a weighed opinion).
    stratum : array_like of int, shape (n_rows,), keyword-only
        The group of each row, >= 0; each group gets a fit of its own.
    record : array_like of int, shape (n_rows,), keyword-only, optional
        Which rows belong together. Without it every row is a record of its own.
    weight : array_like, shape (n_rows,), keyword-only
        Relative probability of each alternative, > 0; scaled here to a sum of 1 in each record.

    Attributes
    ----------
    lower, upper, count, weight : ndarray of float64, shape (n_rows,), read-only
    stratum, record : ndarray of int64, shape (n_rows,), read-only

    Raises
    ------
    InvalidInput
        If there is no row, or a row breaks one of the rules above; the message names its position.

    Examples
    --------
    >>> lives = LifeRecords([0, 30], [30, float("inf")], count=[2, 5])
    >>> len(lives), lives.strata.tolist()
    (2, [0])
    """

    lower: Any
    upper: Any
    count: Any = field(default=1.0, kw_only=True)
    stratum: Any = field(default=0, kw_only=True)
    record: Any = field(default=None, kw_only=True)
    weight: Any = field(default=1.0, kw_only=True)

    def __post_init__(self) -> None:
        given = {
            name: _as_floats(name, getattr(self, name)) for name in ("lower", "upper", "count", "weight")
        }
        given["stratum"] = _as_integers("stratum", self.stratum)
        if self.record is not None:
            given["record"] = _as_integers("record", self.record)
        arrays = _same_length(given)
        _check_rows(arrays)
        if self.record is None:
            arrays["record"] = np.arange(arrays["lower"].size, dtype=np.int64)
            arrays["weight"] = np.ones(arrays["lower"].size)
        else:
            arrays["weight"] = _shared_weight(arrays)
        for name, values in arrays.items():
            values.setflags(write=False)
            object.__setattr__(self, name, values)

    def __len__(self) -> int:
        return int(self.lower.size)

    @property
    def strata(self) -> IntArray:
        """Strata that occur, ascending; ndarray of int64, shape (n_strata,)."""
        return np.unique(self.stratum)

    @property
    def is_alternative(self) -> BoolArray:
        """Rows that share their record with another row; ndarray of bool, shape (n_rows,)."""
        order, start = _runs(self.record)
        length = np.diff(np.append(start, self.record.size))
        shared = np.empty(self.record.size, dtype=bool)
        shared[order] = np.repeat(length > 1, length)
        return shared

    def subset(self, mask: ArrayLike) -> "LifeRecords":
        """Take some of the rows, whole records only.

        Parameters
        ----------
        mask : array_like of bool, shape (n_rows,)
            True for the rows to keep.

        Returns
        -------
        LifeRecords
            The kept rows in their old order, with their old record numbers.

        Raises
        ------
        InvalidInput
            If the mask is not one truth value per row, keeps nothing, or keeps only some of the
            alternatives of a record.
        """
        keep = np.asarray(mask)
        if keep.dtype != bool or keep.shape != self.lower.shape:
            raise InvalidInput(
                f"`mask` must hold one truth value for each of the {len(self)} rows; "
                f"it has type {keep.dtype} and shape {keep.shape}."
            )
        torn = np.isin(self.record, self.record[keep]) & ~keep
        if torn.any():
            raise InvalidInput(
                f"`mask` must keep or drop all alternatives of a record together; it tears record "
                f"{self.record[torn][0]} apart (position {np.argmax(torn)} is left out)."
            )
        names = ("count", "stratum", "record", "weight")
        rest = {name: getattr(self, name)[keep] for name in names}
        return LifeRecords(self.lower[keep], self.upper[keep], **rest)


def _as_floats(name: str, values: ArrayLike) -> Any:
    try:
        return np.array(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise InvalidInput(f"`{name}` must hold numbers only; it holds {values!r}.") from None


def _as_integers(name: str, values: ArrayLike) -> Any:
    numbers = np.asarray(values)
    if numbers.dtype.kind not in "iu":
        as_float = _as_floats(name, values)
        with np.errstate(invalid="ignore"):  # NaN and inf are caught by the comparison
            numbers = as_float.astype(np.int64)
        bad = np.atleast_1d(numbers != as_float)
        if bad.any():
            first = int(np.argmax(bad))
            raise InvalidInput(
                f"`{name}` must hold whole numbers; {bad.sum()} of {bad.size} are not "
                f"(first: position {first}, {np.atleast_1d(as_float)[first]:g})."
            )
    return np.array(numbers, dtype=np.int64)


def _same_length(given: dict[str, Any]) -> dict[str, Any]:
    """Stretch scalars to the length of the longest argument."""
    sizes = {name: values.size for name, values in given.items() if values.ndim > 0}
    if any(values.ndim > 1 for values in given.values()) or len(set(sizes.values())) > 1:
        listed = ", ".join(f"{name} {values.shape}" for name, values in given.items())
        raise InvalidInput(
            f"All columns must be flat and equally long, or scalars; their shapes are {listed}."
        )
    size = next(iter(sizes.values()), 1)
    if size == 0:
        raise InvalidInput("There are no life records: at least one row is needed, 0 were given.")
    return {
        name: values if values.ndim else np.full(size, values, dtype=values.dtype)
        for name, values in given.items()
    }


def _check_rows(arrays: dict[str, Any]) -> None:
    """Every rule that one row can break by itself, in the order in which it is best mended."""
    lower, upper, count, weight = (arrays[name] for name in ("lower", "upper", "count", "weight"))
    rules: tuple[tuple[str, BoolArray], ...] = (
        ("`lower` and `upper` must be numbers, not NaN", np.isnan(lower) | np.isnan(upper)),
        ("`lower` must not be negative", lower < 0),
        ("`lower` must be finite (a part was last seen working at some age)", np.isinf(lower)),
        ("`upper` must not be below `lower`", upper < lower),
        (
            "a life of exactly 0 years cannot be; give the shortest time that the records tell apart",
            upper == 0,
        ),
        ("`count` must be finite and above 0", ~((count > 0) & (count < np.inf))),
        ("`count` must be 1e-100 or above; less is nothing", count < 1e-100),
        ("`stratum` must be 0 or above", arrays["stratum"] < 0),
        ("`weight` must be finite and above 0", ~((weight > 0) & (weight < np.inf))),
    )
    for rule, bad in rules:
        if bad.any():
            i = int(np.argmax(bad))
            raise InvalidInput(
                f"Life records: {rule}. Broken by {bad.sum()} of {bad.size} records (first: position {i}, "
                f"lower {lower[i]:g}, upper {upper[i]:g}, count {count[i]:g}, "
                f"stratum {arrays['stratum'][i]}, weight {weight[i]:g})."
            )


def _runs(values: IntArray) -> tuple[IntArray, IntArray]:
    """Order that sorts the values, and where each run of equal ones starts in it."""
    if values.size < 2 or np.all(values[1:] >= values[:-1]):
        order = np.arange(values.size, dtype=np.int64)
    else:
        order = np.argsort(values, kind="stable")
    ranked = values[order]
    start = np.flatnonzero(np.append(True, ranked[1:] != ranked[:-1]))
    return order, start


def _shared_weight(arrays: dict[str, Any]) -> FloatArray:
    """Weights that add up to 1 within each record, after checking that its rows belong together."""
    order, start = _runs(arrays["record"])
    length = np.diff(np.append(start, order.size))
    for name in ("stratum", "count"):
        ranked = arrays[name][order]
        bad = ranked != np.repeat(ranked[start], length)
        if bad.any():
            position = int(order[np.argmax(bad)])
            raise InvalidInput(
                f"Alternatives of one record must share their {name}; record {arrays['record'][position]} "
                f"does not (position {position} has {name} {arrays[name][position]:g}, its first row "
                f"{np.repeat(ranked[start], length)[np.argmax(bad)]:g})."
            )
    total = np.add.reduceat(arrays["weight"][order], start)
    weight = np.empty(order.size)
    weight[order] = arrays["weight"][order] / np.repeat(total, length)
    return weight


# ---- Life records gathered into the fewest rows that say the same


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
