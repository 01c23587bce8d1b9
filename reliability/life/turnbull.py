"""Nonparametric distribution of lives known to lie in intervals (lower, upper]."""

from dataclasses import dataclass

import numpy as np

from reliability.life.ages import FloatArray, IntArray
from reliability.life.life_records import LifeRecords
from reliability.life.mass_likelihood import CellLikelihood, Maximum, maximise

__all__ = ["Masses", "cell_likelihood", "cells_of", "innermost", "turnbull"]


@dataclass(frozen=True, eq=False)
class Masses:
    """Nonparametric maximum-likelihood distribution.

    Attributes
    ----------
    records : LifeRecords
        What it was made from.
    left, right : ndarray of float64, shape (n_cells,)
        Cells (left, right] that can carry mass, in years; equal ends are a single age.
    likelihood : CellLikelihood
        The records, in terms of these cells.
    maximum : Maximum
        The masses, their log-likelihood and how well the optimality conditions hold.
    """

    records: LifeRecords
    left: FloatArray
    right: FloatArray
    likelihood: CellLikelihood
    maximum: Maximum

    @property
    def mass(self) -> FloatArray:
        """Probability of each cell; ndarray of float64, shape (n_cells,)."""
        return self.maximum.mass


def turnbull(records: LifeRecords) -> Masses:
    """Maximise the likelihood of all records over every distribution of lives.

    Only the innermost intervals can carry mass: where a lower end is directly followed by an upper
    one [1]_. For a record with weighted alternatives its likelihood is the weighted sum over them; the
    innermost intervals of all alternatives suffice, because moving mass into one takes it out of no
    alternative. The likelihood stays concave in the masses, so there is one maximum.

    Parameters
    ----------
    records : LifeRecords
        One stratum. Exact lives are intervals of no width.

    Returns
    -------
    Masses

    References
    ----------
    .. [1] B. W. Turnbull, "The empirical distribution function with arbitrarily grouped, censored and
       truncated data", J. R. Stat. Soc. B 38 (1976) 290-295.
    """
    left, right, likelihood = cells_of(records)
    return Masses(records, left, right, likelihood, maximise(likelihood))


def cells_of(
    records: LifeRecords, split_years: float | None = None
) -> tuple[FloatArray, FloatArray, CellLikelihood]:
    """Innermost intervals of the records, and the likelihood in terms of them.

    Parameters
    ----------
    records : LifeRecords
        One stratum.
    split_years : float, optional
        An age that no cell may straddle. Then both sides of it have a cell, as is needed where the
        share failed by that age is held at some value.

    Returns
    -------
    left, right : ndarray of float64, shape (n_cells,)
        Cells (left, right] in years, ascending.
    likelihood : CellLikelihood
    """
    extra = np.empty(0) if split_years is None else np.array([0.0, split_years, np.inf])
    ages, place = np.unique(np.concatenate((records.lower, records.upper, extra)), return_inverse=True)
    # At each age the order is: an exact life begins, an interval ends (end included), an interval
    # begins (end left out). Threefold places on the line keep the three apart.
    n = len(records)
    low = 3 * place[:n] + np.where(records.lower == records.upper, 0, 2)
    high = 3 * place[n : 2 * n] + 1
    split = 3 * place[2 * n :]
    cell_low, cell_high = innermost(
        np.concatenate((low, split[:2] + 2)), np.concatenate((high, split[1:] + 1))
    )
    likelihood = cell_likelihood(
        np.searchsorted(cell_low, low, side="left"),
        np.searchsorted(cell_high, high, side="right"),
        records.weight,
        records.record,
        records.count,
        n_cells=cell_low.size,
    )
    return ages[cell_low // 3], ages[cell_high // 3], likelihood


def innermost(low: IntArray, high: IntArray) -> tuple[IntArray, IntArray]:
    """Pairs of a lower end and the next upper end with no other lower end between them.

    Parameters
    ----------
    low, high : ndarray of int64, shape (n,)
        Places of lower and upper ends on one line; no lower end shares a place with an upper one.

    Returns
    -------
    low, high : ndarray of int64, shape (n_cells,)
        Sorted; the cells do not overlap.
    """
    low, high = np.unique(low), np.unique(high)
    following = np.searchsorted(high, low)
    has_end = following < high.size
    low, next_high = low[has_end], high[following[has_end]]
    next_low = np.append(low[1:], np.iinfo(np.int64).max)
    keep = next_low > next_high
    return low[keep], next_high[keep]


def cell_likelihood(
    first: IntArray,
    last: IntArray,
    weight: FloatArray,
    record: IntArray,
    count: FloatArray,
    *,
    n_cells: int,
) -> CellLikelihood:
    """Gather records that say the same of the cells, and sort their rows together."""
    order = np.lexsort((last, first, record))
    first, last, record = first[order], last[order], record[order]
    weight, count = weight[order], count[order]
    start = np.flatnonzero(np.append(True, record[1:] != record[:-1]))
    length = np.diff(np.append(start, record.size))
    single = length == 1
    at = start[single]
    pairs, inverse = np.unique(
        np.column_stack((first[at], last[at], weight[at])), axis=0, return_inverse=True
    )
    gathered = np.bincount(inverse.ravel(), count[at], len(pairs))
    mixed = np.repeat(~single, length)
    mixed_length = length[~single]
    return CellLikelihood(
        first=np.concatenate((pairs[:, 0].astype(np.int64), first[mixed])),
        last=np.concatenate((pairs[:, 1].astype(np.int64), last[mixed])),
        weight=np.concatenate((pairs[:, 2], weight[mixed])),
        start=np.concatenate(
            (np.arange(len(pairs)), len(pairs) + np.cumsum(mixed_length) - mixed_length)
        ).astype(np.int64),
        count=np.concatenate((gathered, count[start[~single]])),
        n_cells=n_cells,
    )
