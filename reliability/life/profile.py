"""Profile-likelihood intervals, all strata at once.

The end of an interval is where the log-likelihood, made as large as it can be with the quantity held
fixed, has dropped by half the chi-square quantile (S. S. Wilks 1938, Annals of Mathematical Statistics
9, 60-62). Holding a quantity fixed leaves a line in the plane of (slope, level), so each step is a
concave search along that line. Ends stay inside the range of the quantity by themselves.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import chdtri

from reliability.life.ends import EndSearch
from reliability.life.existence import flat_limit, steep_limit
from reliability.life.life_records import BoolArray, FloatArray
from reliability.life.newton import Peak, climb
from reliability.life.weibull_likelihood import Curvature, Likelihood

Quantity = Literal["shape", "failed", "life"]

# Newton's method: most rounds, and how close (in root of twice the drop) the last place but one must be; the
# error of the last is the square of that.
_ROUNDS = 30
_MET = 1e-5
_NEAR = 0.5
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
            inside = np.where(near & (root < target), line, inside)
            outside = np.where(near & (root > target), line, outside)
            newton = line + (root - target) * root / rise
            met = (np.abs(root - target) < _MET) & (gain < _MET**2) & (rise * side < 0)
            end[who[met]] = newton[met]
            # Between what is known to lie on either side of the end; a step too far from the ridge is cut.
            wild = ~((newton - inside) * side > 0) | ~((outside - newton) * side > 0)
            middle = np.where(np.isinf(outside), line + side * width, 0.5 * (inside + outside))
            newton = np.clip(np.where(wild, middle, newton) - line, -width, width)
            step = np.where(near, newton, 0.3 * step)
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
