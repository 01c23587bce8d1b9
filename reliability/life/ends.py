"""Search for the ends of profile-likelihood intervals, one bracket per stratum."""

from typing import Protocol, Self

import numpy as np

from reliability.life.life_records import BoolArray, FloatArray

_CLOSE = 1e-10
_MOST_STEPS = 100


class Profile(Protocol):
    """Largest log-likelihood on each of a family of lines."""

    def highest(self, run: FloatArray, line: FloatArray, /) -> tuple[FloatArray, FloatArray]:
        """Largest value on each line (NaN if not found), and where on it; searched from `run`."""

    def take(self, keep: BoolArray, /) -> Self:
        """Keep some strata, by a mask."""


class EndSearch:
    """One end of the interval of every stratum.

    The root of twice the drop of the profile is nearly straight in the line number, so regula falsi
    (in its Illinois form, which does not get stuck on one side) meets the target in few steps.

    Parameters
    ----------
    profile : Profile
    top : ndarray, shape (n_strata,)
        Largest log-likelihood of all.
    run, line : ndarray, shape (n_strata,)
        Where it is.
    step : ndarray, shape (n_strata,)
        First step away from it: below 0 for the low end, above 0 for the high end.
    target : float
        Root of twice the drop at the end.
    longest : float
        Steps away from the maximum grow up to this length.
    """

    def __init__(
        self,
        profile: Profile,
        top: FloatArray,
        run: FloatArray,
        line: FloatArray,
        step: FloatArray,
        target: float,
        longest: float,
    ) -> None:
        self._profile, self._top, self._run = profile, top, run.copy()
        self._step, self._target, self._longest = np.clip(step, -longest, longest), target, longest
        self._inside, self._root_inside = line.copy(), np.zeros(line.size)
        self._outside, self._root_outside = np.full(line.size, np.nan), np.full(line.size, np.nan)
        self._last_side = np.zeros(line.size)

    def find(self) -> FloatArray:
        """Find the line numbers of the ends.

        Returns
        -------
        ndarray, shape (n_strata,)
            Infinite where the profile does not drop far enough at any distance. Where the search could
            not be finished, a line beyond the end: the interval is too wide rather than too narrow.
        """
        step, going = self._step, np.ones(self._step.size, dtype=bool)
        for _ in range(_MOST_STEPS):
            root = self._try(self._inside + step, going)
            going &= ~(root > self._target)
            if not going.any():
                break
            step = np.clip(step * np.where(np.isnan(root), 0.5, 2.0), -self._longest, self._longest)
        end = np.where(going, np.copysign(np.inf, self._step), self._outside)
        going = ~going
        for _ in range(_MOST_STEPS):
            going &= np.abs(self._outside - self._inside) > 1e-13 * np.abs(self._outside)
            if not going.any():
                break
            trial = self._between()
            root = self._try(trial, going)
            met = going & (np.abs(root - self._target) <= _CLOSE)
            end = np.where(met, trial, np.where(going, self._outside, end))
            going &= ~met & ~np.isnan(root)
        return end

    def _try(self, line: FloatArray, who: BoolArray) -> FloatArray:
        """Evaluate some strata at new lines and move their brackets; their roots, NaN for the others."""
        profile = self._profile if who.all() else self._profile.take(who)
        value, run = profile.highest(self._run[who], line[who])
        root = np.full(line.size, np.nan)
        root[who] = np.sqrt(np.maximum(2.0 * (self._top[who] - value), 0.0))
        beyond, within = who & (root > self._target), who & (root <= self._target)
        self._run[within] = run[within[who]]
        # An end that stays a second time counts half, or the bracket would shrink from one side only.
        stale_inside, stale_outside = beyond & (self._last_side > 0), within & (self._last_side < 0)
        self._root_inside[stale_inside] = 0.5 * (self._root_inside[stale_inside] + self._target)
        self._root_outside[stale_outside] = 0.5 * (self._root_outside[stale_outside] + self._target)
        self._last_side = np.where(beyond, 1.0, np.where(within, -1.0, self._last_side))
        self._inside[within], self._root_inside[within] = line[within], root[within]
        self._outside[beyond], self._root_outside[beyond] = line[beyond], root[beyond]
        return root

    def _between(self) -> FloatArray:
        """Next line: where the chord of the bracket meets the target."""
        chord = np.isfinite(self._root_outside)
        rise = np.where(chord, self._root_outside - self._root_inside, 1.0)
        share = np.where(chord, (self._target - self._root_inside) / rise, 0.5)
        return self._inside + np.clip(share, 0.001, 0.999) * (self._outside - self._inside)
