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
# Starts for likelihoods that may have several maxima: nearly flat, usual, steep.
_SPREAD_STARTS = (0.5, _USUAL_START, 12.0)
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
    candidate = status == OK
    likelihood = Likelihood(data.take(candidate))
    mixed = known.has_mixture[candidate]
    peak = climb(likelihood, *first_guess(likelihood, _USUAL_START))
    outcome = np.where(peak.converged, OK, NOT_FOUND).astype(object)
    if mixed.any():
        part = likelihood.take(mixed)
        best, several[np.flatnonzero(candidate)[mixed]] = _best_of_many(part, peak.take(mixed))
        _put(peak, mixed, best)
        outcome[mixed] = _judge(part.data, best)
    status[candidate] = outcome
    ok = outcome == OK
    return Peaks(status, several, peak.take(ok), likelihood if ok.all() else likelihood.take(ok))


def _best_of_many(likelihood: Likelihood, usual: Peak) -> tuple[Peak, BoolArray]:
    """The highest maximum with a slope above 0 from several starts; whether there were several."""
    tries = [usual]
    for steepness in _SPREAD_STARTS:
        if steepness != _USUAL_START:
            tries.append(climb(likelihood, *first_guess(likelihood, steepness)))
    values = np.array([np.where(one.converged & (one.slope > 0), one.value, -np.inf) for one in tries])
    winner = np.argmax(values, axis=0)
    best = Peak(*(_pick([getattr(one, name) for one in tries], winner) for name in Peak.__dataclass_fields__))
    best.converged[:] = np.isfinite(values.max(axis=0))
    apart = np.abs(np.log(np.abs(np.array([one.slope for one in tries]))) - np.log(np.abs(best.slope))) > 1e-3
    return best, np.asarray((np.isfinite(values) & apart).any(axis=0))


def _pick(arrays: list[FloatArray], winner: NDArray[np.intp]) -> FloatArray:
    return np.stack(arrays)[winner, np.arange(winner.size)]


def _put(into: Peak, where: BoolArray, peak: Peak) -> None:
    for name in Peak.__dataclass_fields__:
        getattr(into, name)[where] = getattr(peak, name)


def _judge(data: Collapsed, peak: Peak) -> NDArray[np.object_]:
    """Status of mixtures: the maximum has to beat both limits, and one that is beaten is no maximum."""
    steep, flat = steep_limit(data), flat_limit(data)
    value = np.where(peak.converged, peak.value, -np.inf)
    status = np.where(peak.converged, OK, NOT_FOUND).astype(object)
    beaten = value <= np.maximum(steep, flat) + _BEATS_BY
    status[beaten & (flat > -np.inf)] = NO_AGEING
    status[beaten & (steep >= flat) & (steep > -np.inf)] = ONE_AGE
    return status
