"""One life in one number: quick to sort, to count, and to send away."""

import numpy as np

from reliability.life.ages import BoolArray, FloatArray, IntArray

# One life in 64 bits, from the high ones: stratum 31, first year 9, further years 9, months of age 12,
# whether the part was fitted later 1, whether the event has happened 1.
FIRST_YEAR = 1800
LARGEST_SPAN = 2**9 - 1
MOST_MONTHS = 2**12 - 1
MOST_STRATA = 2**31
_MOST_REPEATS = 1.5
_STRATUM, _FIRST, _SPAN, _MONTHS, _FITTED = 32, 23, 14, 2, 1
_LIFE = 2**_STRATUM - 1


def pack(
    stratum: IntArray,
    first: FloatArray,
    last: FloatArray,
    months: FloatArray,
    *,
    fitted: BoolArray,
    happened: BoolArray,
) -> IntArray:
    """Pack lives into one number each; arrays of shape (n,), see `Lives` for their meaning."""
    start = first.astype(np.int64)
    span = last.astype(np.int64) - start
    parts = (
        (stratum, _STRATUM),
        (start - FIRST_YEAR, _FIRST),
        (span, _SPAN),
        (months.astype(np.int64), _MONTHS),
    )
    key = np.zeros(start.size, dtype=np.int64)
    for values, shift in parts:
        key |= values << shift
    return key | (fitted.astype(np.int64) << _FITTED) | happened


def tallied(key: IntArray, count: IntArray) -> tuple[IntArray, IntArray]:
    """Sort keys and add up the counts of equal ones."""
    if not key.size:
        return key, count
    if count.sum() <= _MOST_REPEATS * key.size:
        # Where hardly two are equal, keys alone sort faster than keys with their counts beside them.
        ranked = np.repeat(key, count)
        ranked.sort()
        start = _runs(ranked)
        return ranked[start], np.diff(start, append=ranked.size)
    # Batches that are joined are sorted runs, which this kind of sorting merely merges.
    order = np.argsort(key, kind="stable")
    ranked = key[order]
    start = _runs(ranked)
    return ranked[start], np.add.reduceat(count[order], start)


def _runs(ranked: IntArray) -> IntArray:
    """Where each run of equal keys starts."""
    is_first = np.empty(ranked.size, dtype=bool)
    is_first[0] = True
    np.not_equal(ranked[1:], ranked[:-1], out=is_first[1:])
    return np.flatnonzero(is_first)


def stratum_of(key: IntArray) -> IntArray:
    """Stratum of each packed life."""
    return np.asarray(key >> _STRATUM)


def life_of(key: IntArray) -> IntArray:
    """Packed lives without their stratum: below 2**32."""
    return np.asarray(key & _LIFE)


def in_stratum(key: IntArray, stratum: IntArray) -> IntArray:
    """Packed lives moved to other strata."""
    return np.asarray((stratum << _STRATUM) | (key & _LIFE))


def unpack(key: IntArray) -> tuple[FloatArray, FloatArray, IntArray, BoolArray, BoolArray]:
    """Give first and last year, months of age, whether fitted, whether it has happened; shape (n,) each."""
    first = (key >> _FIRST) + FIRST_YEAR
    last = first + ((key >> _SPAN) & LARGEST_SPAN)
    months = (key >> _MONTHS) & MOST_MONTHS
    return first.astype(float), last.astype(float), months, (key >> _FITTED & 1) == 1, (key & 1) == 1
