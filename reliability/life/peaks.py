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
from reliability.life.starts import best_of_many, put
from reliability.life.weibull_likelihood import Likelihood

_USUAL_START = 3.0
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
        best, several[np.flatnonzero(candidate)[mixed]] = best_of_many(part, peak.take(mixed))
        put(peak, mixed, best)
        outcome[mixed] = _judge(best, steep[candidate][mixed], flat_limit(part.data), part.unit)
    status[candidate] = outcome
    ok = outcome == OK
    return Peaks(status, several, peak.take(ok), likelihood if ok.all() else likelihood.take(ok))


def _judge(peak: Peak, steep: FloatArray, flat: FloatArray, unit: FloatArray) -> NDArray[np.object_]:
    """Judge mixtures: a maximum has to beat both limits, and one that is beaten is no maximum."""
    value = np.where(peak.converged, peak.value, -np.inf)
    status = np.where(peak.converged, OK, NOT_FOUND).astype(object)
    beaten = value <= np.maximum(steep, flat) + _BEATS_BY * unit
    status[beaten & (flat > -np.inf)] = NO_AGEING
    status[beaten & (steep >= flat) & (steep > -np.inf)] = ONE_AGE
    return status
