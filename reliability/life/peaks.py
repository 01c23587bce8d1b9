"""From what is known of each stratum to its maximum, and the status that says whether there is one."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.life.collapse import Collapsed
from reliability.life.existence import (
    NO_AGEING,
    NOT_FOUND,
    OK,
    ONE_AGE,
    Knowledge,
    flat_limit,
    steep_limit,
)
from reliability.life.life_records import BoolArray, FloatArray
from reliability.life.newton import Peak, climb, first_guess
from reliability.life.weibull_likelihood import Likelihood

_USUAL_START = 3.0
# Grid of starts for likelihoods that may have several maxima: from nearly flat to steep, with the age at
# which 63 % have failed from below the youngest bound (x = 0) to above the oldest (x = 1).
_GRID_SLOPES = (0.5, 1.5, 4.0, 10.0, 25.0, 60.0)
_GRID_MIDDLES = tuple(np.linspace(-0.1, 1.3, 29))
_MOST_HILLS = 5
# A maximum that beats a limiting curve by less than this does not beat it.
_BEATS_BY = 1e-9


@dataclass(frozen=True, eq=False)
class Peaks:
    """Status of all strata, and the maximum of those with status "ok".

    Attributes
    ----------
    status : ndarray of object, shape (n_strata,)
    several : ndarray of bool, shape (n_strata,)
        Searches from different starts ended at different maxima.
    peak : Peak
        Arrays of shape (n_ok,).
    likelihood : Likelihood
        Of the strata with status "ok".
    """

    status: NDArray[np.object_]
    several: BoolArray
    peak: Peak
    likelihood: Likelihood


def find_peaks(data: Collapsed, known: Knowledge) -> Peaks:
    """Climb every stratum that can have a finite maximum.

    Parameters
    ----------
    data : Collapsed
    known : Knowledge
        Of the same data.

    Returns
    -------
    Peaks
    """
    status = known.status.copy()
    several = np.zeros(status.size, dtype=bool)
    steep = np.full(status.size, -np.inf)
    mixed = (status == OK) & known.has_mixture
    if mixed.any():
        steep[mixed] = steep_limit(data.take(mixed))
        status[np.isposinf(steep)] = ONE_AGE  # no use to climb a hill without a top
    candidate = status == OK
    likelihood = Likelihood(data.take(candidate))
    mixed = known.has_mixture[candidate]
    peak = climb(likelihood, *first_guess(likelihood, _USUAL_START))
    outcome = np.where(peak.converged, OK, NOT_FOUND).astype(object)
    if mixed.any():
        part = likelihood.take(mixed)
        best, several[np.flatnonzero(candidate)[mixed]] = _best_of_many(part, peak.take(mixed))
        _put(peak, mixed, best)
        outcome[mixed] = _judge(best, steep[candidate][mixed], flat_limit(part.data))
    status[candidate] = outcome
    ok = outcome == OK
    return Peaks(status, several, peak.take(ok), likelihood if ok.all() else likelihood.take(ok))


def _best_of_many(likelihood: Likelihood, usual: Peak) -> tuple[Peak, BoolArray]:
    """Find the highest maximum with a slope above 0 from several starts, and whether there were several."""
    tries = [usual, *_climbs_from_grid(likelihood)]
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


def _climbs_from_grid(likelihood: Likelihood) -> list[Peak]:
    """Climb from the highest places of a coarse grid that no neighbour exceeds."""
    slopes, middles = np.meshgrid(_GRID_SLOPES, _GRID_MIDDLES, indexing="ij")
    one = np.ones(likelihood.n_strata)
    values = np.array(
        [
            [likelihood.evaluate(one * slope, -one * slope * middle).value for middle in _GRID_MIDDLES]
            for slope in _GRID_SLOPES
        ]
    )
    hill = _no_neighbour_exceeds(np.where(np.isnan(values), -np.inf, values))
    ranked = np.where(hill, values, -np.inf).reshape(slopes.size, -1)
    order = np.argsort(-ranked, axis=0)[:_MOST_HILLS]
    peaks = []
    for place in order:
        there = np.isfinite(ranked[place, np.arange(place.size)])
        nowhere = np.zeros(one.size, dtype=bool)
        peak = Peak(one.copy(), one.copy(), -np.inf * one, np.ones((one.size, 3)), nowhere)
        if there.any():
            slope = slopes.ravel()[place[there]]
            part = likelihood.take(there)
            _put(peak, there, climb(part, slope, -slope * middles.ravel()[place[there]]))
        peaks.append(peak)
    return peaks


def _no_neighbour_exceeds(values: FloatArray) -> BoolArray:
    """Cells of the first two axes that are at least as high as the eight around them."""
    padded = np.pad(values, ((1, 1), (1, 1), (0, 0)), constant_values=-np.inf)
    rows, columns = values.shape[:2]
    around = [padded[i : i + rows, j : j + columns] for i in range(3) for j in range(3) if (i, j) != (1, 1)]
    return np.asarray(values >= np.max(around, axis=0))


def _pick(arrays: list[FloatArray], winner: NDArray[np.intp]) -> FloatArray:
    return np.stack(arrays)[winner, np.arange(winner.size)]


def _put(into: Peak, where: BoolArray, peak: Peak) -> None:
    for name in Peak.__dataclass_fields__:
        getattr(into, name)[where] = getattr(peak, name)


def _judge(peak: Peak, steep: FloatArray, flat: FloatArray) -> NDArray[np.object_]:
    """Judge mixtures: a maximum has to beat both limits, and one that is beaten is no maximum."""
    value = np.where(peak.converged, peak.value, -np.inf)
    status = np.where(peak.converged, OK, NOT_FOUND).astype(object)
    beaten = value <= np.maximum(steep, flat) + _BEATS_BY
    status[beaten & (flat > -np.inf)] = NO_AGEING
    status[beaten & (steep >= flat) & (steep > -np.inf)] = ONE_AGE
    return status
