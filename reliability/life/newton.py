"""Damped Newton ascent to the maximum of many two-parameter log-likelihoods at once."""

from dataclasses import dataclass
from typing import Protocol, Self

import numpy as np

from reliability.life.life_records import BoolArray, FloatArray
from reliability.life.weibull_likelihood import Curvature, Likelihood

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
