"""The way up: Newton's method for all strata at once, from one start or from many."""

from dataclasses import dataclass
from typing import Protocol, Self

import numpy as np
from numpy.typing import NDArray

from reliability.life.lives import BoolArray, Collapsed, FloatArray
from reliability.life.weibull_likelihood import (
    NO_AGEING,
    NOT_FOUND,
    OK,
    ONE_AGE,
    Curvature,
    Knowledge,
    Likelihood,
    flat_limit,
    steep_limit,
)

# ---- Damped Newton ascent to the maximum of many two-parameter log-likelihoods at once


# A step that promises less than this much log-likelihood (times the `unit`) ends the ascent; the error of a
# Newton step is of second order, so what is left after it is far below the rounding of the sums.
_GAIN_LEFT = 1e-11
_MOST_ROUNDS = 400


class Surface(Protocol):
    """One function of two coordinates per stratum, to be climbed."""

    @property
    def steep(self) -> BoolArray:
        """Strata whose first coordinate has to stay above 0."""

    @property
    def unit(self) -> FloatArray:
        """What differences of the function are measured by, at most 1."""

    def evaluate(self, first: FloatArray, second: FloatArray, /) -> Curvature:
        """Evaluate every stratum at its own two coordinates."""

    def take(self, keep: BoolArray, /) -> Self:
        """Keep some strata, by a mask."""


@dataclass(frozen=True, eq=False)
class Peak:
    """Where the ascent ended; every array has shape (n_strata,) but `information`, (n_strata, 3)."""

    slope: FloatArray
    level: FloatArray
    value: FloatArray
    information: FloatArray
    converged: BoolArray

    def take(self, keep: BoolArray) -> "Peak":
        """Keep some strata, by a mask."""
        return Peak(
            self.slope[keep],
            self.level[keep],
            self.value[keep],
            self.information[keep],
            self.converged[keep],
        )


def first_guess(likelihood: Likelihood, steepness: float) -> tuple[FloatArray, FloatArray]:
    """Give all strata one slope, and the level at which their hazards add up to the number of failed.

    Parameters
    ----------
    likelihood : Likelihood
    steepness : float
        Slope by standardised log age.

    Returns
    -------
    slope, level : ndarray, shape (n_strata,)
    """
    failed = np.zeros(likelihood.n_strata)
    hazard = np.zeros(likelihood.n_strata)
    for rows, x in likelihood.places():
        worth = rows.count * rows.weight
        ended = np.isfinite(rows.upper)
        failed += np.bincount(rows.stratum, worth * ended, minlength=likelihood.n_strata)
        hazard += np.bincount(rows.stratum, worth * np.exp(steepness * x), minlength=likelihood.n_strata)
    return np.full(likelihood.n_strata, steepness), np.log(failed / hazard)


def climb(surface: Surface, slope: FloatArray, level: FloatArray) -> Peak:
    """Go uphill from (slope, level) in every stratum until nothing is left to gain.

    Each round tries one step in every stratum that is still on its way; a step that loses ground is
    cut to a quarter in the next round. Strata do not influence each other.

    Parameters
    ----------
    surface : Surface
        A `Likelihood`, say.
    slope, level : ndarray, shape (n_strata,)
        Start; the slope above 0 where the surface is steep.

    Returns
    -------
    Peak
        `converged` is False where the ascent got stuck or was still moving after 400 rounds.
    """
    peak = Peak(
        slope.astype(float),
        level.astype(float),
        np.full(slope.size, -np.inf),
        np.zeros((slope.size, 3)),
        np.zeros(slope.size, dtype=bool),
    )
    if slope.size:
        _climb(surface, peak)
    return peak


def _climb(surface: Surface, peak: Peak) -> None:
    """Fill in the peak, round by round, dropping strata as they arrive."""
    who = np.arange(peak.slope.size)
    here = np.column_stack((peak.slope, peak.level))
    now = surface.evaluate(here[:, 0], here[:, 1])
    step, gain = newton_step(now, _lowest(here[:, 0], surface.steep))
    step = _within_reach(here, step)
    factor = np.ones(who.size)
    for _ in range(_MOST_ROUNDS):
        arrived = gain < _GAIN_LEFT * surface.unit
        if arrived.any():
            done = who[arrived]
            peak.slope[done], peak.level[done] = (here + factor[:, None] * step)[arrived].T
            peak.value[done], peak.information[done] = now.value[arrived], now.information[arrived]
            peak.converged[done] = True
        going = ~arrived & (factor > 1e-14)
        if not going.any():
            return
        if not going.all():
            who, here, step, gain, factor = who[going], here[going], step[going], gain[going], factor[going]
            surface, now = surface.take(going), now.take(going)
        there = here + step * factor[:, None]
        then = surface.evaluate(there[:, 0], there[:, 1])
        with np.errstate(invalid="ignore"):  # a step out of range gives NaN and is not taken
            slack = 1e-13 * (surface.unit + np.abs(now.value))
            hoped = factor * (step * now.slope).sum(axis=1)
            better = then.value >= now.value + 1e-4 * hoped - slack
        here = np.where(better[:, None], there, here)
        now = now.where(better, then)
        new_step, new_gain = newton_step(now, _lowest(here[:, 0], surface.steep))
        step = np.where(better[:, None], _within_reach(here, new_step), step)
        gain = np.where(better, new_gain, gain)
        factor = np.where(better, 1.0, 0.25 * factor)


def newton_step(at: Curvature, lowest: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Newton step of every stratum and the gain that it promises.

    The step goes to the top of a parabola, under the condition that the first coordinate changes by
    `lowest` or more. Where the curvature points the wrong way (only mixtures), the curvature of the
    completed records takes its place: an ascent direction always.

    Parameters
    ----------
    at : Curvature
    lowest : ndarray, shape (n_strata,)
        Below 0, or ``-inf`` where the first coordinate is free.

    Returns
    -------
    step : ndarray, shape (n_strata, 2)
    gain : ndarray, shape (n_strata,)
        Log-likelihood to be gained if the surface were its own parabola, >= 0.
    """
    bent = _determinant(at.information) > 1e-13 * at.information[:, 0] * at.information[:, 2]
    curve = np.where((bent & (at.information[:, 0] > 0))[:, None], at.information, at.complete)
    # A ridge of relative size 1e-13 leaves steps alone but keeps a flat direction from dividing by 0.
    ss, sl, ll = curve[:, 0] * (1 + 1e-13) + 1e-120, curve[:, 1], curve[:, 2] * (1 + 1e-13) + 1e-120
    g0, g1 = at.slope.T
    first = np.maximum((ll * g0 - sl * g1) / (ss * ll - sl**2), lowest)
    second = (g1 - sl * first) / ll
    gain = first * (g0 - 0.5 * ss * first - sl * second) + second * (g1 - 0.5 * ll * second)
    return np.column_stack((first, second)), gain


def _determinant(information: FloatArray) -> FloatArray:
    return np.asarray(information[:, 0] * information[:, 2] - information[:, 1] ** 2)


def _lowest(first: FloatArray, steep: BoolArray) -> FloatArray:
    """Change that leaves a coordinate that must stay above 0 at a tenth of its size."""
    return np.where(steep, -0.9 * first, -np.inf)


def _within_reach(here: FloatArray, step: FloatArray) -> FloatArray:
    """Cut a step to some ten times the distance already covered: on a plateau it would be far too long."""
    reach = 10.0 * (1.0 + np.abs(here).max(axis=1))
    size = np.abs(step).max(axis=1)
    return step * np.where(size > reach, reach / np.maximum(size, reach), 1.0)[:, None]


# ---- Climbs from many places, for likelihoods that may have several maxima (records with alternatives)


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


# ---- From what is known of each stratum to its maximum, and the status that says whether there is one


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
