"""Likelihood-ratio limits for the share failed by an age, from intervals of any kind."""

import numpy as np
from scipy.special import chdtri, expit, logit

from reliability.life.ages import FloatArray
from reliability.life.mass_likelihood import Maximum, maximise
from reliability.life.turnbull import Masses, cells_of

_STEPS = 40
_CLOSE = 1e-4  # in likelihood ratio: far below what a band can be read to
_PRECISION = 1e-8
_EDGE = 1e-9


def share_limits(masses: Masses, age_years: float, level: float) -> tuple[float, float]:
    """Limits for the share failed by an age.

    The share is held at a value while all masses adapt; the values whose likelihood ratio stays below
    the chi-square quantile make the interval. Between inspections the true law has smaller quantiles,
    so the interval errs on the wide side there.

    Parameters
    ----------
    masses : Masses
        The fitted distribution.
    age_years : float
        Above 0 and finite.
    level : float
        Between 0 and 1.

    Returns
    -------
    low, high : float
        0 or 1 where no share on that side is ruled out.
    """
    profile = _Profile(masses, age_years, float(chdtri(1, 1 - level)))
    return profile.limit(0.0), profile.limit(1.0)


class _Profile:
    """Likelihood ratio as a function of the share failed by one age."""

    def __init__(self, masses: Masses, age_years: float, allowed: float) -> None:
        _, right, self.likelihood = cells_of(masses.records, age_years)
        self.free = maximise(self.likelihood)
        self.allowed = allowed
        self.group = (right > age_years).astype(np.int64)
        self.best = float(self.free.mass[self.group == 0].sum())

    def fit(self, share: float, start: FloatArray) -> tuple[Maximum, float]:
        """Maximum with this share, and its likelihood ratio less what is allowed."""
        total = np.array([share, 1.0 - share])
        found = maximise(self.likelihood, self.group, total, start, _PRECISION)
        return found, 2 * (self.free.log_likelihood - found.log_likelihood) - self.allowed

    def limit(self, end: float) -> float:
        """Share towards `end` at which the likelihood ratio reaches what is allowed."""
        sign = 1.0 if end else -1.0
        if abs(self.best - end) <= _EDGE:
            return end
        if self._possible_without(1 if end else 0) and self.fit(end, self.free.mass)[1] <= 0:
            return end
        # The ratio is convex in the share: Newton from outside comes monotonically closer, on the
        # log-odds scale with the square root of the ratio it is nearly straight.
        inside, outside = logit(np.clip(self.best, _EDGE, 1 - _EDGE)), logit(abs(end - _EDGE))
        share, start = self._first_guess(sign), self.free.mass
        for _ in range(_STEPS):
            found, over = self.fit(share, start)
            if abs(over) < _CLOSE:
                return share
            start, place = found.mass, logit(share)
            inside, outside = (place, outside) if over < 0 else (inside, place)
            slope = -2 * (found.multiplier[0] - found.multiplier[1]) * share * (1 - share)
            root = np.sqrt(max(over + self.allowed, _CLOSE))
            step = (np.sqrt(self.allowed) - root) * 2 * root / slope if slope * sign > 0 else np.inf
            place = place + step
            if not min(inside, outside) < place < max(inside, outside):
                place = (inside + outside) / 2
            share = float(expit(place))
            if abs(outside - inside) < 1e-9:
                break
        return share

    def _possible_without(self, group: int) -> bool:
        """Tell whether every record can have happened with no mass in a group of cells."""
        rest = (self.group != group) / self.group.size
        return bool(np.all(self.likelihood.of_records(rest) > _EDGE))

    def _first_guess(self, sign: float) -> float:
        n = float(self.likelihood.count.sum())
        centre = (self.best * n + 0.5) / (n + 1)
        wide = np.sqrt(2 * self.allowed / (n * centre * (1 - centre)))
        return float(expit(logit(centre) + sign * min(wide, 4.0)))
