"""Climbs from many places, for likelihoods that may have several maxima (records with alternatives)."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.life.life_records import BoolArray, FloatArray
from reliability.life.newton import Peak, climb
from reliability.life.weibull_likelihood import Likelihood

_MOST_HILLS = 5
_STRATA_AT_ONCE = 2000
# Hills of their own in narrow places are a matter of few records: many would contradict one another there.
_THIN = 12


@dataclass(frozen=True)
class _Grid:
    """Slopes of curves, and places on the axis of x where 63 % have failed (0 youngest bound, 1 oldest)."""

    slopes: tuple[float, ...]
    middles: tuple[float, ...]


_COARSE = _Grid((0.7, 3.0, 10.0, 30.0), tuple(np.linspace(-0.1, 1.3, 15)))
# The steeper the curve, the closer together the places where it may find a hill of its own.
_FINE = _Grid((0.5, 1.5, 4.0, 10.0, 25.0, 60.0), tuple(np.linspace(-0.1, 1.3, 29)))
_STEEP = _Grid((60.0, 120.0, 250.0), tuple(np.linspace(-0.05, 1.05, 111)))


def best_of_many(likelihood: Likelihood, usual: Peak) -> tuple[Peak, BoolArray]:
    """Find the highest maximum with a slope above 0, starting from many places.

    Parameters
    ----------
    likelihood : Likelihood
    usual : Peak
        Where the climb from the usual start ended.

    Returns
    -------
    best : Peak
        Not converged where no climb ended at a slope above 0.
    several : ndarray of bool, shape (n_strata,)
        Climbs ended at different maxima.
    """
    best, several = usual.take(np.ones(usual.slope.size, dtype=bool)), np.zeros(usual.slope.size, dtype=bool)
    for start in range(0, several.size, _STRATA_AT_ONCE):
        part = np.zeros(several.size, dtype=bool)
        part[start : start + _STRATA_AT_ONCE] = True
        some, several[part] = _best(likelihood.take(part), usual.take(part))
        put(best, part, some)
    return best, several


def put(into: Peak, where: BoolArray, peak: Peak) -> None:
    """Write the peaks of some strata, by a mask, into those of all."""
    for name in Peak.__dataclass_fields__:
        getattr(into, name)[where] = getattr(peak, name)


def _best(likelihood: Likelihood, usual: Peak) -> tuple[Peak, BoolArray]:
    tries, n_strata = [usual], usual.slope.size
    n_records = np.zeros(n_strata)
    for rows, _ in likelihood.places():
        n_records += np.bincount(rows.stratum[rows.start], minlength=n_strata)
    thin = n_records <= _THIN
    for grid, wanted in ((_COARSE, ~thin), (_FINE, thin), (_STEEP, thin)):
        if wanted.any():
            for some in _from_hills(likelihood.take(wanted), grid):
                peak = _nowhere(n_strata)
                put(peak, wanted, some)
                tries.append(peak)
    values = np.array([np.where(one.converged & (one.slope > 0), one.value, -np.inf) for one in tries])
    winner = np.argmax(values, axis=0)
    best = Peak(
        slope=_pick([one.slope for one in tries], winner),
        level=_pick([one.level for one in tries], winner),
        value=_pick([one.value for one in tries], winner),
        information=_pick([one.information for one in tries], winner),
        converged=np.isfinite(values.max(axis=0)),
    )
    logs = np.log(np.maximum(np.array([one.slope for one in tries]), 1e-300))
    apart = np.abs(logs - _pick(list(logs), winner)) > 1e-3
    return best, np.asarray((np.isfinite(values) & apart & [_is_hill(one) for one in tries]).any(axis=0))


def _is_hill(peak: Peak) -> BoolArray:
    """Whether the ascent ended on a hilltop, not on the plateau of curves steeper (or flatter) still."""
    ss, sl, ll = peak.information.T
    bend = (ss - sl**2 / np.maximum(ll, 1e-300)) * peak.slope**2  # by the log of the slope
    return np.asarray(bend > 1e-5)


def _from_hills(likelihood: Likelihood, grid: _Grid) -> list[Peak]:
    """Climb from the highest places of a grid that no neighbour exceeds."""
    slopes, middles = np.meshgrid(grid.slopes, grid.middles, indexing="ij")
    one = np.ones(likelihood.n_strata)
    values = np.array(
        [
            [likelihood.values(one * slope, -one * slope * middle) for middle in grid.middles]
            for slope in grid.slopes
        ]
    )
    hill = _no_neighbour_exceeds(np.where(np.isnan(values), -np.inf, values))
    ranked = np.where(hill, values, -np.inf).reshape(slopes.size, -1)
    peaks = []
    for place in np.argsort(-ranked, axis=0)[:_MOST_HILLS]:
        there = np.isfinite(ranked[place, np.arange(place.size)])
        peak = _nowhere(one.size)
        if there.any():
            slope = slopes.ravel()[place[there]]
            put(peak, there, climb(likelihood.take(there), slope, -slope * middles.ravel()[place[there]]))
        peaks.append(peak)
    return peaks


def _nowhere(n_strata: int) -> Peak:
    """Peaks that lose against any other."""
    one = np.ones(n_strata)
    return Peak(one, one.copy(), -np.inf * one, np.ones((n_strata, 3)), np.zeros(n_strata, dtype=bool))


def _no_neighbour_exceeds(values: FloatArray) -> BoolArray:
    """Cells of the first two axes that are at least as high as the eight around them."""
    padded = np.pad(values, ((1, 1), (1, 1), (0, 0)), constant_values=-np.inf)
    rows, columns = values.shape[:2]
    highest = padded[:rows, :columns].copy()
    for i in range(3):
        for j in range(3):
            if (i, j) != (1, 1):
                np.maximum(highest, padded[i : i + rows, j : j + columns], out=highest)
    return np.asarray(values >= highest)


def _pick(arrays: list[FloatArray], winner: NDArray[np.intp]) -> FloatArray:
    return np.stack(arrays)[winner, np.arange(winner.size)]
