"""Weibull lives of many strata: maximum likelihood, profile intervals, and whether Weibull is fair."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import chdtrc, chdtri, log_expit, log_ndtr

from reliability.errors import InvalidInput
from reliability.life.likelihood import FEW, OK, Curvature, Likelihood, Peak, climb, find_peaks, flat_limit
from reliability.life.lives import BoolArray, Collapsed, FloatArray, IntArray, LifeRecords, collapse

# ---- Search for the ends of profile-likelihood intervals, one bracket per stratum

_CLOSE = 1e-10
_MOST_STEPS = 100


def _ends_in_brackets(
    lines: "Lines", peak: Peak, step: FloatArray, target: float, likely: FloatArray
) -> FloatArray:
    """Find one end of the interval of every stratum; infinite where the profile never drops far enough.

    The root of twice the drop of the profile is nearly straight in the line number, so regula falsi
    (in its Illinois form, which does not get stuck on one side) meets the target in few steps. The first
    `step` away from the peak tells low ends (below 0) from high ones; where they may be is `likely`, NaN if
    nothing is known. Where the search could not be finished, a line beyond the end: the interval is too wide
    rather than too narrow.
    """
    # Slopes are told by their logs, which must not run away from all numbers; the others may.
    longest = 2.0 if lines.quantity == "shape" else 1e100
    step = np.clip(step, -longest, longest)
    run, inside, _ = lines.at_peak(peak)
    run = run.copy()
    outside, root_outside = np.full((2, step.size), np.nan)
    root_inside, last_side = np.zeros((2, step.size))

    def look(line: FloatArray, who: BoolArray) -> FloatArray:
        """Evaluate some strata at new lines and move their brackets; their roots, NaN for the others."""
        value, found = lines.take(who).highest(run[who], line[who])
        root = np.full(line.size, np.nan)
        root[who] = np.sqrt(np.maximum(2.0 * (peak.value[who] - value), 0.0))
        beyond, within = who & (root > target), who & (root <= target)
        run[within] = found[within[who]]
        # An end that stays a second time counts half, or the bracket would shrink from one side only.
        stale_inside, stale_outside = beyond & (last_side > 0), within & (last_side < 0)
        root_inside[stale_inside] = 0.5 * (root_inside[stale_inside] + target)
        root_outside[stale_outside] = 0.5 * (root_outside[stale_outside] + target)
        last_side[:] = np.where(beyond, 1.0, np.where(within, -1.0, last_side))
        inside[within], root_inside[within] = line[within], root[within]
        outside[beyond], root_outside[beyond] = line[beyond], root[beyond]
        return root

    first, going = step, np.ones(step.size, dtype=bool)
    for _ in range(_MOST_STEPS):
        root = look(inside + step, going)
        going &= ~(root > target)
        if not going.any():
            break
        step = np.clip(step * np.where(np.isnan(root), 0.5, 2.0), -longest, longest)
    end = np.where(going, np.copysign(np.inf, first), outside)
    is_it = (likely - inside) * (outside - likely) > 0
    end = np.where(is_it, likely, end)
    going = ~going & ~is_it
    for _ in range(_MOST_STEPS):
        going &= np.abs(outside - inside) > 1e-13 * np.abs(outside)
        if not going.any():
            break
        # Next line: where the chord of the bracket meets the target.
        chord = np.isfinite(root_outside)
        rise = np.where(chord, root_outside - root_inside, 1.0)
        share = np.where(chord, (target - root_inside) / rise, 0.5)
        trial = inside + np.clip(share, 0.001, 0.999) * (outside - inside)
        root = look(trial, going)
        met = going & (np.abs(root - target) <= _CLOSE)
        end = np.where(met, trial, np.where(going, outside, end))
        going &= ~met & ~np.isnan(root)
    return end


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


@dataclass(frozen=True, eq=False)
class Lines:
    """The log-likelihood along lines on which one quantity is fixed: a surface for `climb`.

    The first coordinate runs along the line, the second one tells the lines apart. Shape: the line of equal
    slope, told by its log; the level runs. Failed: all curves through one share failed at the log age
    `fixed`, told by their z there. Life: all curves that reach the z value `fixed` at one log age, told by
    that log age. On the last two the slope runs.
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
        if keep.all():
            return self
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
        slope = np.column_stack((rise, nothing))
        return Curvature(at.value, slope, along(at.information), along(at.complete))

    def on_ridge(self, run: FloatArray, line: FloatArray) -> tuple[FloatArray, ...]:
        """Parabola at a place, in the line and in a number along it that changes little from line to line.

        That number is the log of the slope or, where the slope is fixed, the level over the slope.
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
            across = (1.0 / slope, np.zeros_like(slope))
        elif self.quantity == "failed":
            run, line = slope, slope * self.fixed + level
            across = (self.fixed, np.ones_like(slope))
        else:
            run, line = slope, (self.fixed - level) / slope
            across = (-line / slope, -1.0 / slope)
        variance = peak.variance(*across)
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
    """Both ends of the interval, as lines of the quantity (log slope, z or log age), or infinite."""
    lines = Lines(likelihood, quantity, fixed)
    drop = 0.5 * float(chdtri(1, 1.0 - level))
    ends = []
    for side, is_open in zip((-1.0, 1.0), _open_ends(lines, peak.value - drop), strict=True):
        end, shut = np.where(is_open, side * np.inf, 0.0), ~is_open
        if shut.any():
            end[shut] = _ends(lines.take(shut), peak.take(shut), side, float(np.sqrt(2 * drop)))
        ends.append(end)
    return ends[0], ends[1]


def _ends(lines: Lines, peak: Peak, side: float, target: float) -> FloatArray:
    """Find the ends of one side, by Newton's method or, where that does not arrive, in brackets."""
    run, line, error = lines.at_peak(peak)
    step = side * target * error
    end = _newton_ends(lines, peak.value, run, line, step, target)
    # With alternatives the ridge may be one of several: what was met must lie where the profile drops first.
    left = np.isnan(end) | lines.likelihood.data.has_mixture
    if left.any():
        end[left] = _ends_in_brackets(lines.take(left), peak.take(left), step[left], target, end[left])
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
            ridge = np.where(near, ridge_there, ridge)
            correction = np.where(near, correction_there, correction)
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
            if left.sum() < FEW * left.size:
                lines, who = lines.take(left), who[left]
                state = (top, run, line, step, ridge, correction, inside, outside, width)
                top, run, line, step, ridge, correction, inside, outside, width = (x[left] for x in state)
    return end


def _open_ends(lines: Lines, threshold: FloatArray) -> tuple[BoolArray, BoolArray]:
    """Sides on which curves that do not depend on age are still likely enough."""
    data = lines.likelihood.data
    if lines.quantity == "shape":
        return flat_limit(data) >= threshold, lines.likelihood.jumps() >= threshold
    if lines.quantity == "failed":
        none, all_ = (lines.likelihood.jumps(lines.fixed, share) for share in (0.0, 1.0))
        return none >= threshold, all_ >= threshold
    share = -np.expm1(-np.exp(lines.fixed))
    # A flat curve below the share reaches it never (age infinite), one above it at once (age 0).
    return flat_limit(data, lowest=share) >= threshold, flat_limit(data, highest=share) >= threshold


# ---- What a batch of Weibull fits says: estimates, intervals, and a status for what cannot be said

Interval = tuple[FloatArray, FloatArray, FloatArray]


@dataclass(frozen=True, eq=False)
class WeibullFit:
    """Weibull lives of strata; every array is aligned with `stratum` and has shape (n_strata,).

    The share failed by age t is ``1 - exp(-(t / scale) ** shape)``. A stratum whose records have no single
    most likely curve carries a status other than "ok", and NaN instead of every number that would need one.

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
    n_failed, n_sound : ndarray
        Lives whose end is known to some age, and lives whose end is not; records that say nothing (0, inf]
        are not counted.
    bracket_low, bracket_high : ndarray
        Ages in years that hold without any model. Without a maximum because one age fits all, or
        all failed, or none: each life can have ended between the two. Otherwise lives differ, and
        are spread over at least this range.
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
    bracket_low: FloatArray
    bracket_high: FloatArray
    level: float
    _likelihood: Likelihood = field(repr=False)
    _peak: Peak = field(repr=False)

    @property
    def usable(self) -> BoolArray:
        """Strata with an estimate; ndarray of bool, shape (n_strata,)."""
        return np.asarray(self.status == OK)

    @property
    def n_records(self) -> FloatArray:
        """Lives that say anything; ndarray, shape (n_strata,)."""
        return self.n_failed + self.n_sound

    def failed_by(self, age_years: ArrayLike) -> Interval:
        """Share failed by an age, with its profile-likelihood interval.

        Parameters
        ----------
        age_years : array_like, scalar or shape (n_strata,) or (n_strata, n_ages)
            Finite and >= 0; one age for all strata, or one or several for each.

        Returns
        -------
        estimate, low, high : ndarray, shape (n_strata,) or (n_strata, n_ages)
            Within [0, 1]; NaN where the stratum is not usable.
        """
        ages = np.asarray(age_years, dtype=float)
        if ages.ndim == 2 and len(ages) == self.stratum.size:
            # Every stratum is asked as often as there are ages, in one pass.
            each = np.repeat(np.arange(self._peak.slope.size), ages.shape[1])
            likelihood, peak = self._likelihood.take(each), self._peak.take(each)
            stratum, status = np.arange(ages.size), np.repeat(self.status, ages.shape[1])
            many = replace(self, stratum=stratum, status=status, _likelihood=likelihood, _peak=peak)
            return tuple(found.reshape(ages.shape) for found in many.failed_by(ages.ravel()))  # type: ignore[return-value]
        age = np.broadcast_to(ages, self.stratum.shape)
        good = (age >= 0) & np.isfinite(age)
        if not good.all():
            raise InvalidInput(f"`age_years` must be finite and 0 or above; it holds {age[~good][0]:g}.")
        born = age == 0
        with np.errstate(divide="ignore"):  # standardised log age
            log_age = np.log(np.where(born, 1.0, age)[self.usable] / self._likelihood.first_age)
        place = log_age / self._likelihood.spread
        ends = profile_interval(self._likelihood, self._peak, "failed", place, self.level)
        return tuple(  # type: ignore[return-value]
            among(self.usable, np.where(born[self.usable], 0.0, -np.expm1(-np.exp(np.minimum(z, 700.0)))))
            for z in (self._peak.slope * place + self._peak.level, *ends)
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
        """
        part = np.broadcast_to(np.asarray(share, dtype=float), self.stratum.shape)
        good = (part > 0) & (part < 1)
        if not good.all():
            raise InvalidInput(f"`share` must be above 0 and below 1; it holds {part[~good][0]:g}.")
        return self._life(np.log(-np.log1p(-part[self.usable])))

    def scale_interval(self) -> Interval:
        """Scale in years with its profile-likelihood interval: ``life`` of the share 1 - 1/e."""
        return self._life(np.zeros(self._peak.slope.size))

    def shape_interval(self) -> Interval:
        """Shape with its profile-likelihood interval.

        The low end is 0 where the records agree well enough with a risk that does not depend on age, the high
        end ``inf`` where they agree with one age of failure for all.
        """
        fixed = np.zeros(self._peak.slope.size)
        ends = profile_interval(self._likelihood, self._peak, "shape", fixed, self.level)
        with np.errstate(over="ignore"):
            low, high = (among(self.usable, np.exp(end) / self._likelihood.spread) for end in ends)
        return self.shape, low, high

    def table(self) -> pd.DataFrame:
        """One row per stratum with everything above but the intervals of `failed_by` and `life`."""
        frame = pd.DataFrame({name: getattr(self, name) for name in _TABLE[:5]})
        intervals = ("shape", "", self.shape_interval()), ("scale", "_years", self.scale_interval())
        for name, unit, ends in intervals:
            frame[f"{name}{unit}"], frame[f"{name}_se{unit}"] = ends[0], getattr(self, f"{name}_se")
            frame[f"{name}_low{unit}"], frame[f"{name}_high{unit}"] = ends[1:]
        frame["bracket_low_years"], frame["bracket_high_years"] = self.bracket_low, self.bracket_high
        return frame.assign(**{name: getattr(self, name) for name in _TABLE[5:]})

    def _life(self, z: FloatArray) -> Interval:
        """Age at which curves reach a z, for the usable strata."""
        ends = profile_interval(self._likelihood, self._peak, "life", z, self.level)
        with np.errstate(over="ignore"):  # an age beyond every number is infinite
            return tuple(  # type: ignore[return-value]
                among(self.usable, self._likelihood.first_age * np.exp(place * self._likelihood.spread))
                for place in ((z - self._peak.level) / self._peak.slope, *ends)
            )


_TABLE = ("stratum", "status", "n_records", "n_failed", "n_sound", "log_likelihood")


def among(usable: BoolArray, values: FloatArray) -> FloatArray:
    """Spread the values of the usable strata out among all, with NaN for the others."""
    out = np.full(usable.size, np.nan)
    out[usable] = values
    return out


# ---- Weibull lives of many strata by maximum likelihood


def weibull_fits(records: LifeRecords, *, level: float = 0.90) -> WeibullFit:
    """Fit a Weibull life to every stratum in one pass.

    Notes
    -----
    Newton's method on the log-likelihood in (shape, -shape * log scale), where it is concave for
    single lives. Records with alternatives make it non-concave: it is climbed from several starts, and that
    the highest maximum was found cannot be proved. Strata without a finite maximum are found beforehand by
    an exact rule, see `reliability.life.likelihood`.

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
    known, peak, likelihood = find_peaks(data)
    shape = peak.slope / likelihood.spread
    scale = np.exp(np.log(likelihood.first_age) - peak.level / shape)
    with np.errstate(divide="ignore", invalid="ignore"):  # a ridge of a mixture has no standard error
        shape_se = shape * np.sqrt(peak.variance(1.0 / peak.slope, 0.0))
        scale_se = scale * np.sqrt(peak.variance(peak.level / peak.slope, -1.0)) / shape
    estimates = {"shape": shape, "scale": scale, "shape_se": shape_se, "scale_se": scale_se}
    estimates["log_likelihood"] = peak.value
    usable = np.asarray(known["status"] == OK)
    known |= {name: among(usable, values) for name, values in estimates.items()}
    return WeibullFit(stratum=data.strata, level=level, _likelihood=likelihood, _peak=peak, **known)


# ---- Whether a Weibull curve sums up the lives of one stratum fairly, and whether risk changes with age

# Standard distributions of log life, F((log t - location) / spread) has failed by age t, by the logs of their
# density, of F and of 1 - F: either tail keeps its digits.
LOG_SHAPES: dict[str, tuple[Callable[[FloatArray], FloatArray], ...]] = {
    # F(z) = 1 - exp(-exp(z)); at spread 1 lives are exponential.
    "Weibull": (lambda z: z - np.exp(z), lambda z: np.log(-np.expm1(-np.exp(z))), lambda z: -np.exp(z)),
    "lognormal": (lambda z: -0.5 * z**2 - 0.5 * np.log(2.0 * np.pi), log_ndtr, lambda z: log_ndtr(-z)),
    # F(z) = 1 / (1 + exp(-z)).
    "log-logistic": (lambda z: log_expit(z) + log_expit(-z), log_expit, lambda z: log_expit(-z)),
}

FAIR = "fair summary"
ANOTHER = "another shape fits better"
TOO_FEW = "too few to tell"

# Differences of AIC, after K. P. Burnham and D. R. Anderson (2002), Model Selection and Multimodel Inference,
# 2nd ed., sec. 2.6: up to 2 the poorer model keeps substantial support, from 4 on considerably less.
_NO_DIFFERENCE = 2.0
_CLEARLY_WORSE = 4.0
# Below this many lives neither answer should be given: common practice, no source.
_FEWEST_LIVES = 10.0


@dataclass(frozen=True, eq=False)
class ModelCheck:
    """How four shapes of life fit the same records."""

    verdict: str  # `FAIR`, `ANOTHER` or `TOO_FEW`
    best: str  # shape with the smallest AIC
    shape: float  # Weibull shape, dimensionless
    # Of the likelihood ratio against shape 1 (risk does not depend on age): two-sided p-value from chi-square
    # with 1 degree of freedom
    ageing_p: float
    # One row per shape of life, the best first. Location and spread are log(scale) and 1 / shape for Weibull
    # and exponential, mean and standard deviation of log life for lognormal, their like for log-logistic;
    # ages in years.
    table: pd.DataFrame


def check_model(records: LifeRecords, fit: WeibullFit) -> ModelCheck:
    """Compare Weibull, exponential, lognormal and log-logistic lives on the records of one usable stratum.

    `fit` is of these records or of more strata beside them.

    AIC is 2 x parameters - 2 x log-likelihood. "Too few to tell" is said below ten lives, or where no
    shape is worse than another by 2 or more; "another shape fits better" where Weibull is worse than
    the best by 4 or more.
    """
    k = int(np.flatnonzero(fit.stratum == records.strata[0])[0])
    data, place = collapse(records), (float(np.log(fit.scale[k])), -float(np.log(fit.shape[k])))
    found = [("Weibull", 2, float(fit.log_likelihood[k]), *place)]
    found += [(name, 2, *_best(data, name, place)) for name in ("lognormal", "log-logistic")]
    found.append(("exponential", 1, *_best(data, "Weibull", place[:1])))
    table = pd.DataFrame(found, columns=["model", "n_parameters", "log_likelihood", "location", "spread"])
    table["spread"] = np.exp(table["spread"])
    table["aic"] = 2.0 * table["n_parameters"] - 2.0 * table["log_likelihood"]
    table["aic_difference"] = table["aic"] - table["aic"].min()
    behind, worst = float(table["aic_difference"][0]), float(table["aic_difference"].max())
    verdict = ANOTHER if behind >= _CLEARLY_WORSE else FAIR
    if fit.n_records[k] < _FEWEST_LIVES or worst < _NO_DIFFERENCE:
        verdict = TOO_FEW
    ratio = max(0.0, 2.0 * (found[0][2] - found[-1][2]))
    table = table.sort_values("aic", kind="stable", ignore_index=True)
    return ModelCheck(verdict, str(table["model"][0]), float(fit.shape[k]), float(chdtrc(1, ratio)), table)


def _best(data: Collapsed, shape: str, start: tuple[float, ...]) -> tuple[float, float, float]:
    """Find the largest log-likelihood, its location and its log spread, which is 0 where `start` has none."""
    log_density, log_cdf, log_sf = LOG_SHAPES[shape]
    count, known, log_weight = data.count[data.start], data.lower == data.upper, np.log(data.weight)
    with np.errstate(divide="ignore"):  # never seen working is minus infinity
        low, high = np.log(data.lower), np.log(data.upper)

    def loss(at: FloatArray) -> float:
        location, log_spread = (*at, 0.0)[:2]
        z, end = ((age - location) * np.exp(-log_spread) for age in (low, high))
        # In the upper tail survivors are subtracted: there F rounds to 1.
        more, less = (np.where(z > 0, log_sf(x), log_cdf(y)) for x, y in ((z, end), (end, z)))
        joint = np.where(known, log_density(z) - log_spread - low, more + np.log(-np.expm1(less - more)))
        joint += log_weight
        top = np.maximum.reduceat(joint, data.start)
        likelihood = np.add.reduceat(np.exp(joint - np.repeat(top, data.length)), data.start)
        value = float((top + np.log(likelihood)) @ count)
        return -value if np.isfinite(value) else 1e100

    with np.errstate(all="ignore"):  # a place at which records are impossible is very bad
        best = minimize(loss, start, method="BFGS", tol=1e-7)
    location, log_spread = (*best.x, 0.0)[:2]
    return -float(best.fun), float(location), float(log_spread)
