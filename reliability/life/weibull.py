"""Weibull lives of many strata by maximum likelihood, with profile-likelihood intervals."""

from dataclasses import dataclass, field
from typing import Literal, Protocol, Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtri

from reliability.errors import InvalidInput
from reliability.life.likelihood import (
    NO_AGEING,
    OK,
    Curvature,
    Knowledge,
    Likelihood,
    Peak,
    climb,
    examine,
    find_peaks,
    flat_limit,
    steep_limit,
)
from reliability.life.lives import BoolArray, FloatArray, IntArray, LifeRecords, collapse

# ---- Search for the ends of profile-likelihood intervals, one bracket per stratum


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


# ---- Profile-likelihood intervals, all strata at once
# The end of an interval is where the log-likelihood, made as large as it can be with the quantity held
# fixed, has dropped by half the chi-square quantile (S. S. Wilks 1938, Annals of Mathematical Statistics
# 9, 60-62). Holding a quantity fixed leaves a line in the plane of (slope, level), so each step is a
# concave search along that line. Ends stay inside the range of the quantity by themselves.


Quantity = Literal["shape", "failed", "life"]

# Newton's method: most rounds, and how close (in root of twice the drop) the last place but one must be; the
# error of the last is the square of that.
_ROUNDS = 30
_MET = 1e-5
# From the ridge (by the log-likelihood to be gained): what is still a good step, what bounds the end.
_NEAR = 0.5
_SURE = 1e-3
# Met ends are dropped when no more than this share is left: dropping costs as much as a round.
_FEW = 0.7

# Slopes are told by their logs, which must not run away from all numbers; the others may.
_LONGEST: dict[Quantity, float] = {"shape": 2.0, "failed": np.inf, "life": np.inf}


@dataclass(frozen=True, eq=False)
class Lines:
    """The log-likelihood along lines on which one quantity is fixed: a surface for `climb`.

    The first coordinate runs along the line, the second one tells the lines apart:

    - shape: the line of equal slope, told by its log; the level runs.
    - failed: all curves through one share failed at the log age `fixed`, told by their z there.
    - life: all curves that reach the z value `fixed` at one log age, told by that log age.

    On the last two the slope runs.
    """

    likelihood: Likelihood
    quantity: Quantity
    fixed: FloatArray

    @property
    def steep(self) -> BoolArray:
        """Strata where the running coordinate has to stay above 0."""
        if self.quantity == "shape":
            return np.zeros(self.fixed.size, dtype=bool)
        return self.likelihood.steep

    @property
    def unit(self) -> FloatArray:
        """What differences of log-likelihood are measured by."""
        return self.likelihood.unit

    def take(self, keep: BoolArray) -> "Lines":
        """Keep some strata."""
        return Lines(self.likelihood.take(keep), self.quantity, self.fixed[keep])

    def direction(self, line: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Slope and level at 0 on each line, and how both change along it."""
        zero, one = np.zeros_like(line), np.ones_like(line)
        if self.quantity == "shape":
            return np.exp(line), zero, zero, one
        if self.quantity == "failed":
            return zero, line, one, -self.fixed
        return zero, self.fixed, one, -line

    def point(self, run: FloatArray, line: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Slope and level at a place on each line."""
        slope, level, by_slope, by_level = self.direction(line)
        return slope + run * by_slope, level + run * by_level

    def evaluate(self, run: FloatArray, line: FloatArray) -> Curvature:
        """Value and derivatives along the lines; the second coordinate is left alone."""
        at = self.likelihood.evaluate(*self.point(run, line))
        _, _, by_slope, by_level = self.direction(line)
        nothing, one = np.zeros_like(run), np.ones_like(run)

        def along(curve: FloatArray) -> FloatArray:
            bend = (curve * np.column_stack((by_slope**2, 2 * by_slope * by_level, by_level**2))).sum(axis=1)
            return np.column_stack((bend, nothing, one))

        rise = at.slope[:, 0] * by_slope + at.slope[:, 1] * by_level
        return Curvature(
            at.value, np.column_stack((rise, nothing)), along(at.information), along(at.complete)
        )

    def on_ridge(self, run: FloatArray, line: FloatArray) -> tuple[FloatArray, ...]:
        """Parabola at a place, in the line and in a number along it that changes little from line to line.

        That number is the log of the slope or, where the slope is fixed, the level over the slope.

        Returns
        -------
        ridge : how far the best place on a line moves along it, per line
        correction : how far it is from here
        gain : log-likelihood gained by going there
        value, rise : at that place, and how fast it rises from line to line
        """
        slope, level = self.point(run, line)
        at = self.likelihood.evaluate(slope, level)
        ss, sl, ll = -at.information.T
        none = np.zeros_like(slope)
        # Derivatives of (slope, level): by the line, along it, along it twice, and by both.
        across, along, twice, both = {
            "shape": ((slope, level), (none, slope), (none, none), (none, slope)),
            "failed": ((none, none + 1), *2 * ((slope, -self.fixed * slope),), (none, none)),
            "life": ((none, -slope), *2 * ((slope, -line * slope),), (none, -slope)),
        }[self.quantity]

        def first(way: tuple[FloatArray, FloatArray]) -> FloatArray:
            return at.slope[:, 0] * way[0] + at.slope[:, 1] * way[1]

        bend = ss * along[0] ** 2 + 2 * sl * along[0] * along[1] + ll * along[1] ** 2 + first(twice)
        cross = (ss * along[0] + sl * along[1]) * across[0] + (sl * along[0] + ll * along[1]) * across[1]
        ridge, correction = -(cross + first(both)) / bend, -first(along) / bend
        gain = 0.5 * first(along) * correction
        gain = np.where(bend < 0, gain, np.nan)
        return ridge, correction, gain, at.value + gain, first(across) + ridge * first(along)

    def moved(
        self, run: FloatArray, line: FloatArray, along: FloatArray, step: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Place and line after steps in the numbers of `on_ridge`."""
        if self.quantity == "shape":
            return (run / np.exp(line) + along) * np.exp(line + step), line + step
        return run * np.exp(along), line + step

    def at_peak(self, peak: Peak) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Place on the line and line of the maximum, and the standard error across lines."""
        slope, level = peak.slope, peak.level
        if self.quantity == "shape":
            run, line = level, np.log(slope)
            across = np.column_stack((1.0 / slope, np.zeros_like(slope)))
        elif self.quantity == "failed":
            run, line = slope, slope * self.fixed + level
            across = np.column_stack((self.fixed, np.ones_like(slope)))
        else:
            run, line = slope, (self.fixed - level) / slope
            across = np.column_stack((-line / slope, -1.0 / slope))
        ss, sl, ll = peak.information.T
        a, b = across.T
        variance = (ll * a**2 - 2 * sl * a * b + ss * b**2) / (ss * ll - sl**2)
        return run, line, np.sqrt(np.where(variance > 0, variance, 1.0))

    def highest(self, run: FloatArray, line: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Largest log-likelihood on each line and where it is, at slopes of 0 or more."""
        top = climb(self, run, line)
        value, run = np.where(top.converged, top.value, np.nan), top.slope
        if self.quantity != "shape":
            # Concave along the line: with the top below slope 0, the best that is allowed is at 0.
            below = run < 0
            if below.any():
                run = np.where(below, 0.0, run)
                value = np.where(below, self.evaluate(run, line).value, value)
        return value, run


def profile_interval(
    likelihood: Likelihood, peak: Peak, quantity: Quantity, fixed: FloatArray, level: float
) -> tuple[FloatArray, FloatArray]:
    """Both ends of the interval, as lines of the quantity (log slope, z or log age).

    Parameters
    ----------
    likelihood : Likelihood
    peak : Peak
        Its maximum.
    quantity : {"shape", "failed", "life"}
        See `Lines`.
    fixed : ndarray, shape (n_strata,)
        See `Lines`.
    level : float
        Confidence level.

    Returns
    -------
    low, high : ndarray, shape (n_strata,)
        ``-inf`` or ``inf`` where the records put no bound on that side.
    """
    lines = Lines(likelihood, quantity, fixed)
    drop = 0.5 * float(chdtri(1, 1.0 - level))
    open_low, open_high = _open_ends(lines, peak.value - drop)
    low = np.where(open_low, -np.inf, 0.0)
    high = np.where(open_high, np.inf, 0.0)
    for end, is_open, side in ((low, open_low, -1.0), (high, open_high, 1.0)):
        shut = ~is_open
        if shut.any():
            part, top = (lines, peak) if shut.all() else (lines.take(shut), peak.take(shut))
            end[shut] = _ends(part, top, side, float(np.sqrt(2 * drop)))
    return low, high


def _ends(lines: Lines, peak: Peak, side: float, target: float) -> FloatArray:
    """Find the ends of one side, by Newton's method or, where that does not arrive, in brackets."""
    run, line, error = lines.at_peak(peak)
    end = np.full(line.size, np.nan)
    plain = np.ones(line.size, dtype=bool)
    plain[lines.likelihood.data.mixed.stratum] = False
    if plain.any():
        part = lines if plain.all() else lines.take(plain)
        start = (run[plain], line[plain], side * target * error[plain])
        end[plain] = _newton_ends(part, peak.value[plain], *start, target)
    left = np.isnan(end)
    if left.any():
        part = lines if left.all() else lines.take(left)
        start = (run[left], line[left], side * target * error[left])
        end[left] = EndSearch(part, peak.value[left], *start, target, _LONGEST[lines.quantity]).find()
    return end


def _newton_ends(
    lines: Lines, top: FloatArray, run: FloatArray, line: FloatArray, step: FloatArray, target: float
) -> FloatArray:
    """Follow the ridge to where the root of twice the drop meets the target; NaN where it is not found.

    Each round corrects the place along the line and the line at once. Without alternatives the ridge is
    the only one and falls all the way, so that what is met on the right side is the end.
    """
    end, who = np.full(line.size, np.nan), np.arange(line.size)
    side = float(np.sign(step[0]))
    with np.errstate(all="ignore"):  # what runs away is left to the search in brackets
        ridge, correction, *_ = lines.on_ridge(run, line)
        inside, outside, width = line, np.full(line.size, side * np.inf), np.abs(step)
        for _ in range(_ROUNDS):
            run_there, line_there = lines.moved(run, line, correction + ridge * step, step)
            ridge_there, correction_there, gain, value, rise = lines.on_ridge(run_there, line_there)
            near = gain < _NEAR
            run, line = np.where(near, run_there, run), np.where(near, line_there, line)
            ridge, correction = (
                np.where(near, ridge_there, ridge),
                np.where(near, correction_there, correction),
            )
            root = np.sqrt(np.maximum(2.0 * (top - value), 0.0))
            sure = gain < _SURE
            inside = np.where(sure & (root < target), line, inside)
            outside = np.where(sure & (root > target), line, outside)
            newton = line + (root - target) * root / rise
            met = (np.abs(root - target) < _MET) & (gain < _MET**2) & (rise * side < 0)
            end[who[met]] = newton[met]
            # Between what is known to lie on either side of the end; a step too far from the ridge is cut.
            wild = ~((newton - inside) * side > 0) | ~((outside - newton) * side > 0)
            middle = np.where(np.isinf(outside), line + side * width, 0.5 * (inside + outside))
            newton = np.where(wild, middle, newton) - line
            step = np.where(near, np.clip(newton, -width, width), 0.3 * step)
            width = np.where(near & (np.abs(newton) >= width), 2.0 * width, width)
            left = np.isnan(end[who])
            if not left.any():
                break
            if left.sum() < _FEW * left.size:
                lines, who = lines.take(left), who[left]
                state = (top, run, line, step, ridge, correction, inside, outside, width)
                top, run, line, step, ridge, correction, inside, outside, width = (x[left] for x in state)
    return end


def _open_ends(lines: Lines, threshold: FloatArray) -> tuple[BoolArray, BoolArray]:
    """Sides on which curves that do not depend on age are still likely enough."""
    data = lines.likelihood.data
    if lines.quantity == "shape":
        return flat_limit(data) >= threshold, _steep(lines.likelihood) >= threshold
    if lines.quantity == "failed":
        none, all_ = (_steep(lines.likelihood, lines.fixed, share) for share in (0.0, 1.0))
        return none >= threshold, all_ >= threshold
    share = -np.expm1(-np.exp(lines.fixed))
    # A flat curve below the share reaches it never (age infinite), one above it at once (age 0).
    return flat_limit(data, lowest=share) >= threshold, flat_limit(data, highest=share) >= threshold


def _steep(likelihood: Likelihood, place: FloatArray | None = None, share: float = 0.0) -> FloatArray:
    """Value of jumps (if a place is given: with this share failed there).

    It can be worth anything only where records have alternatives: with single lives there would be
    no maximum.
    """
    value = np.full(likelihood.n_strata, -np.inf)
    mixed = np.zeros(likelihood.n_strata, dtype=bool)
    mixed[likelihood.data.mixed.stratum] = True
    if mixed.any():
        age = None
        if place is not None:
            with np.errstate(over="ignore"):  # an age beyond all numbers is beyond all jumps
                age = likelihood.first_age[mixed] * np.exp(place[mixed] * likelihood.spread[mixed])
        value[mixed] = steep_limit(likelihood.data.take(mixed), age, share)
    return value


# ---- What a batch of Weibull fits says: estimates, intervals, and a status for what cannot be said


Interval = tuple[FloatArray, FloatArray, FloatArray]


@dataclass(frozen=True, eq=False)
class WeibullFit:
    """Weibull lives of strata; every array is aligned with `stratum` and has shape (n_strata,).

    The share failed by age t is ``1 - exp(-(t / scale) ** shape)``. A stratum whose records have no
    single most likely curve carries a status other than "ok", and NaN instead of every number that
    would need one.

    Attributes
    ----------
    stratum : ndarray of int64
        The strata's own numbers, ascending.
    status : ndarray of object
        "ok", or why there is no estimate: "no records"; "no failures"; "all failed" (found failed,
        and never seen working); "one age fits all" (a single age agrees with every record, so any
        steep curve fits); "no ageing visible" (the failed were not older than the sound); "not found"
        (the search ended without a maximum).
    shape : ndarray
        Dimensionless; above 1 the part wears out.
    scale : ndarray
        Years by which 63.2 % have failed.
    shape_se, scale_se : ndarray
        Standard errors from the observed information, for many records; the intervals are of the profile
        likelihood and hold for few ones too. NaN where a mixture lies on a ridge.
    log_likelihood : ndarray
        Natural log, of densities per year for witnessed lives and of probabilities for the others.
    n_failed, n_sound, n_records : ndarray
        Lives whose end is known to some age, lives whose end is not, and both; records that say
        nothing (0, inf] are not counted.
    bracket_low, bracket_high : ndarray
        Ages in years that hold without any model. Without a maximum because one age fits all, or
        all failed, or none: each life can have ended between the two. Otherwise lives differ, and
        are spread over at least this range.
    several_peaks : ndarray of bool
        Records with alternatives can have several local maxima; searches from different starts ended
        at different ones, and the highest was taken.
    level : float
        Confidence level of the intervals.
    """

    stratum: IntArray
    status: NDArray[np.object_]
    shape: FloatArray
    scale: FloatArray
    shape_se: FloatArray
    scale_se: FloatArray
    log_likelihood: FloatArray
    n_failed: FloatArray
    n_sound: FloatArray
    n_records: FloatArray
    bracket_low: FloatArray
    bracket_high: FloatArray
    several_peaks: BoolArray
    level: float
    _likelihood: Likelihood = field(repr=False)
    _peak: Peak = field(repr=False)

    @property
    def usable(self) -> BoolArray:
        """Strata with an estimate; ndarray of bool, shape (n_strata,)."""
        return np.asarray(self.status == OK)

    def failed_by(self, age_years: ArrayLike) -> Interval:
        """Share failed by an age, with its profile-likelihood interval.

        Parameters
        ----------
        age_years : array_like, scalar or shape (n_strata,)
            Finite and >= 0; an array holds one age for each stratum.

        Returns
        -------
        estimate, low, high : ndarray, shape (n_strata,)
            Within [0, 1]; NaN where the stratum is not usable.

        Raises
        ------
        InvalidInput
            If an age is negative or not finite, or the ages do not match the strata.
        """
        age = self._per_stratum("age_years", age_years)
        if not np.all((age >= 0) & np.isfinite(age)):
            bad = _first_bad(age, (age >= 0) & np.isfinite(age))
            raise InvalidInput(f"`age_years` must be finite and 0 or above; it holds {bad:g}.")
        born = age == 0
        place = self._place(np.where(born, 1.0, age))
        z = self._peak.slope * place + self._peak.level
        low, high = self._interval("failed", place)
        return tuple(  # type: ignore[return-value]
            self._spread_out(np.where(born[self.usable], 0.0, -np.expm1(-np.exp(_cut(value)))))
            for value in (z, low, high)
        )

    def life(self, share: ArrayLike) -> Interval:
        """Age in years by which a share has failed, with its profile-likelihood interval.

        Parameters
        ----------
        share : array_like, scalar or shape (n_strata,)
            Above 0 and below 1; 0.10 gives the B10 life.

        Returns
        -------
        estimate, low, high : ndarray, shape (n_strata,)
            Years. An end is 0 or ``inf`` where the records put no bound on that side; NaN where the
            stratum is not usable.

        Raises
        ------
        InvalidInput
            If a share is not between 0 and 1, or the shares do not match the strata.
        """
        part = self._per_stratum("share", share)
        if not np.all((part > 0) & (part < 1)):
            bad = _first_bad(part, (part > 0) & (part < 1))
            raise InvalidInput(f"`share` must be above 0 and below 1; it holds {bad:g}.")
        return self._life(np.log(-np.log1p(-part[self.usable])))

    def scale_interval(self) -> Interval:
        """Scale in years with its profile-likelihood interval: ``life`` of the share 1 - 1/e.

        Returns
        -------
        estimate, low, high : ndarray, shape (n_strata,)
        """
        return self._life(np.zeros(self._peak.slope.size))

    def shape_interval(self) -> Interval:
        """Shape with its profile-likelihood interval.

        Returns
        -------
        estimate, low, high : ndarray, shape (n_strata,)
            The low end is 0 where the records agree well enough with a risk that does not depend on
            age; the high end ``inf`` where they agree with one age of failure for all.
        """
        low, high = self._interval("shape", np.zeros(self._peak.slope.size))
        spread = self._likelihood.spread
        with np.errstate(over="ignore"):
            return self.shape, self._spread_out(np.exp(low) / spread), self._spread_out(np.exp(high) / spread)

    def table(self) -> pd.DataFrame:
        """One row per stratum with everything above but the intervals of `failed_by` and `life`.

        Returns
        -------
        DataFrame
            Columns named as the attributes; ages and scale in years.
        """
        _, shape_low, shape_high = self.shape_interval()
        _, scale_low, scale_high = self.scale_interval()
        return pd.DataFrame(
            {
                "stratum": self.stratum,
                "status": self.status,
                "n_records": self.n_records,
                "n_failed": self.n_failed,
                "n_sound": self.n_sound,
                "shape": self.shape,
                "shape_se": self.shape_se,
                "shape_low": shape_low,
                "shape_high": shape_high,
                "scale_years": self.scale,
                "scale_se_years": self.scale_se,
                "scale_low_years": scale_low,
                "scale_high_years": scale_high,
                "bracket_low_years": self.bracket_low,
                "bracket_high_years": self.bracket_high,
                "log_likelihood": self.log_likelihood,
                "several_peaks": self.several_peaks,
            }
        )

    def _life(self, z: FloatArray) -> Interval:
        """Age at which curves reach a z, for the usable strata."""
        low, high = self._interval("life", z)
        place = (z - self._peak.level) / self._peak.slope
        with np.errstate(over="ignore"):  # an age beyond every number is infinite
            return tuple(  # type: ignore[return-value]
                self._spread_out(self._likelihood.first_age * np.exp(value * self._likelihood.spread))
                for value in (place, low, high)
            )

    def _interval(self, quantity: Quantity, fixed: FloatArray) -> tuple[FloatArray, FloatArray]:
        return profile_interval(self._likelihood, self._peak, quantity, fixed, self.level)

    def _place(self, age: FloatArray) -> FloatArray:
        """Standardised log age in the usable strata."""
        return np.asarray(np.log(age[self.usable] / self._likelihood.first_age) / self._likelihood.spread)

    def _per_stratum(self, name: str, values: ArrayLike) -> FloatArray:
        given = np.asarray(values, dtype=float)
        if given.shape not in ((), self.stratum.shape):
            raise InvalidInput(
                f"`{name}` must be one number or one for each of the {self.stratum.size} strata; "
                f"its shape is {given.shape}."
            )
        return np.broadcast_to(given, self.stratum.shape)

    def _spread_out(self, values: FloatArray) -> FloatArray:
        """Values of the usable strata among all, NaN for the others."""
        return among(self.usable, values)


def among(usable: BoolArray, values: FloatArray) -> FloatArray:
    """Spread the values of the usable strata out among all, with NaN for the others."""
    out = np.full(usable.size, np.nan)
    out[usable] = values
    return out


def _cut(z: FloatArray) -> FloatArray:
    return np.minimum(z, 700.0)


def _first_bad(values: FloatArray, good: BoolArray) -> float:
    return float(values[~good][0])


# ---- Weibull lives of many strata by maximum likelihood


# A scale beyond exp(690) years is no number any more: the curve is flat over every age there is.
_LOG_SCALE_LIMIT = 690.0


def weibull_fits(records: LifeRecords, *, level: float = 0.90) -> WeibullFit:
    """Fit a Weibull life to every stratum in one pass.

    Parameters
    ----------
    records : LifeRecords
        Any mixture of witnessed lives and lives known to lie in an interval. Years of production
        that are not known for sure enter as alternatives of one record.
    level : float, keyword-only
        Confidence level of the intervals, above 0 and below 1.

    Returns
    -------
    WeibullFit
        With the strata in ascending order. Ask `usable` before any number is used.

    Raises
    ------
    InvalidInput
        If the level is not between 0 and 1.

    Notes
    -----
    Newton's method on the log-likelihood in (shape, -shape * log scale), where it is concave for
    single lives. Records with alternatives make it non-concave: it is climbed from many starts (the
    highest places of a grid), and strata where they end at different maxima are marked in
    `several_peaks`. That the highest one was found cannot be proved then. Strata without a finite
    maximum are found beforehand by an exact rule, see `reliability.life.likelihood`.

    References
    ----------
    .. [1] J. F. Lawless (2003), *Statistical Models and Methods for Lifetime Data*, 2nd ed., Wiley.

    Examples
    --------
    Three of ten were found failed at 30 years, eight of ten at 40.

    >>> inf = float("inf")
    >>> lives = LifeRecords([0, 30, 0, 40], [30, inf, 40, inf], count=[3, 7, 8, 2])
    >>> fit = weibull_fits(lives)
    >>> fit.status[0], round(float(fit.scale[0]), 1)
    ('ok', 36.5)
    """
    if not 0 < level < 1:
        raise InvalidInput(f"`level` must be above 0 and below 1; it is {level:g}.")
    data = collapse(records)
    known = examine(data)
    peaks = find_peaks(data, known)
    shape = peaks.peak.slope / peaks.likelihood.spread
    log_scale = np.log(peaks.likelihood.first_age) - peaks.peak.level / shape
    numbered = np.abs(log_scale) < _LOG_SCALE_LIMIT
    status = peaks.status.copy()
    status[np.flatnonzero(status == OK)[~numbered]] = NO_AGEING
    usable = np.asarray(status == OK)
    shape, scale = shape[numbered], np.exp(log_scale[numbered])
    peak, likelihood = peaks.peak.take(numbered), peaks.likelihood
    if not numbered.all():
        likelihood = likelihood.take(numbered)
    return WeibullFit(
        stratum=data.strata,
        status=status,
        shape=among(usable, shape),
        scale=among(usable, scale),
        shape_se=among(usable, shape * _relative_error(peak, (1.0 / peak.slope, 0.0))),
        scale_se=among(usable, scale * _relative_error(peak, (peak.level / peak.slope, -1.0)) / shape),
        log_likelihood=among(usable, peak.value),
        several_peaks=peaks.several & usable,
        level=level,
        _likelihood=likelihood,
        _peak=peak,
        **_told(known),
    )


def _relative_error(peak: Peak, by: tuple[FloatArray, FloatArray | float]) -> FloatArray:
    """Estimate the standard error of a number with these derivatives by (slope, level)."""
    ss, sl, ll = peak.information.T
    with np.errstate(divide="ignore", invalid="ignore"):  # a ridge of a mixture has no standard error
        variance = (ll * by[0] ** 2 - 2 * sl * by[0] * by[1] + ss * by[1] ** 2) / (ss * ll - sl**2)
        return np.sqrt(variance)


def _told(known: Knowledge) -> dict[str, FloatArray]:
    return {
        "n_failed": known.n_failed,
        "n_sound": known.n_sound,
        "n_records": known.n_failed + known.n_sound,
        "bracket_low": known.bracket_low,
        "bracket_high": known.bracket_high,
    }
