"""Do later production years last longer? The year effect as a slope of the log scale."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtrc, chdtri

from reliability.errors import InvalidInput
from reliability.life.ages import FloatArray
from reliability.life.dated_records import CONFOUNDED, DatedRecords, dated_records
from reliability.life.life_records import LifeRecords
from reliability.life.weibull import fit_weibull

# Slopes beyond this (lives longer by a factor of 22,000 per decade) count as infinite.
STEEPEST = 10.0
_GRID = 61
_REFINED = 25
_ROUNDS = 3


@dataclass(frozen=True)
class YearSlope:
    """How the scale of a Weibull life changes with the year of production, at one common shape.

    Attributes
    ----------
    status : str
        "ok"; "one year only"; "cannot tell ageing from vintage"; "no bound" (no slope is most likely:
        age may play no part beside the year); "one age fits all" (at some slope one age agrees with
        every record); or why there is no Weibull fit at any slope: "no records", "no failures", "all
        failed", "not found".
    slope : float
        Rise of the log scale per decade of production; NaN unless "ok". 0.1 means that lives are
        about 10 % longer for units made ten years later.
    low, high : float
        Profile-likelihood interval; infinite where the records set no bound.
    level : float
        Probability that the interval promises.
    p_value : float
        Likelihood-ratio test of no slope.
    shape, scale_years : float
        At the slope; the scale is that of the reference year.
    reference_year : float
        Mean year of the records.
    correlation : float
        Of age at inspection and year of production.
    n_records : float
        Weighed number of records that were used.
    note : str
        What the reader must know.
    """

    status: str
    slope: float
    low: float
    high: float
    level: float
    p_value: float
    shape: float
    scale_years: float
    reference_year: float
    correlation: float
    n_records: float
    note: str

    @property
    def usable(self) -> bool:
        """Whether there is a slope."""
        return self.status == "ok"


def year_slope(
    records: LifeRecords, year: ArrayLike, *, age_years: ArrayLike | None = None, level: float = 0.90
) -> YearSlope:
    r"""Estimate how the Weibull scale changes with the year of production.

    Parameters
    ----------
    records : LifeRecords
        One stratum. Records whose year is one of several are left out and counted in the note.
    year : array_like of float, shape (n_rows,)
        Year of production (or fitting) of each row.
    age_years : array_like of float, shape (n_rows,), optional
        Age at inspection, for the correlation with the year only.
    level : float
        Probability that the interval promises.

    Returns
    -------
    YearSlope

    Raises
    ------
    InvalidInput
        If there are several strata, a length does not match, or `level` is not between 0 and 1.

    Notes
    -----
    The log scale is :math:`\log s_0 + b (year - year_0) / 10`, which multiplies the time of each life by
    :math:`e^{-b (year - year_0) / 10}`. For each slope :math:`b` the rest is a plain Weibull fit, and the
    profile has one hill: the likelihood is concave in :math:`(k, k \log s_0, k b)`, of which a slope is a
    ray. So slopes on a grid, refined where it matters, give estimate and interval.
    """
    if not 0 < level < 1:
        raise InvalidInput(f"`level` must lie between 0 and 1; got {level!r}.")
    dated = dated_records(records, year, age_years)
    if dated.year.size == 0:
        return _unanswered("no records", dated, level)
    if np.ptp(dated.year) == 0:
        return _unanswered("one year only", dated, level)
    if dated.confounded:
        return _unanswered(CONFOUNDED, dated, level)
    profile = _Profile(dated)
    grid = np.sort(np.append(np.tan(np.linspace(-1, 1, _GRID - 1) * np.arctan(STEEPEST)), 0.0))
    profile.add(grid)
    allowed = float(chdtri(1, 1 - level)) / 2
    for _ in range(_ROUNDS):
        if profile.status == "ok":
            profile.add(profile.gaps(allowed))
    if profile.status != "ok":
        return _unanswered(profile.status, dated, level)
    return _answer(dated, profile, allowed, level)


class _Profile:
    """Log-likelihood at given slopes, each maximised over shape and scale."""

    def __init__(self, dated: DatedRecords) -> None:
        self.dated = dated
        self.reference = float(np.average(dated.year, weights=dated.count))
        self.decades = (dated.year - self.reference) / 10
        self.slope = np.empty(0)
        self.value = np.empty(0)
        self.shape = np.empty(0)
        self.scale = np.empty(0)
        self.status = "ok"

    def add(self, slopes: FloatArray) -> None:
        """Evaluate more slopes, all in one fit."""
        dated, size = self.dated, self.decades.size
        factor = np.exp(-slopes[:, None] * self.decades)
        fit = fit_weibull(
            LifeRecords(
                (factor * dated.lower).ravel(),
                (factor * dated.upper).ravel(),
                count=np.tile(dated.count, slopes.size),
                stratum=np.repeat(np.arange(slopes.size), size),
            )
        )
        value = np.where(fit.usable, fit.log_likelihood, np.nan)
        # Where no curve is most likely the supremum is known: without ageing every part has failed with
        # one probability; if one age explains all, with certainty.
        value = np.where(fit.status == "no ageing visible", self._without_ageing(), value)
        value = np.where(fit.status == "one age fits all", 0.0, value)
        if np.isnan(value).any():
            self.status = str(fit.status[np.isnan(value)][0])
        elif np.any(fit.status == "one age fits all"):
            self.status = "one age fits all"
        exact = dated.lower == dated.upper
        value = value - slopes * float(dated.count[exact] @ self.decades[exact])
        order = np.argsort(np.append(self.slope, slopes), kind="stable")
        for name, new in (("slope", slopes), ("value", value), ("shape", fit.shape), ("scale", fit.scale)):
            setattr(self, name, np.append(getattr(self, name), new)[order])

    def _without_ageing(self) -> float:
        failed = float(self.dated.count[self.dated.failed].sum())
        total = float(self.dated.count.sum())
        rest = total - failed
        return float(failed * np.log(failed / total) + rest * np.log(rest / total)) if failed * rest else 0.0

    def gaps(self, allowed: float) -> FloatArray:
        """Slopes between those that bracket the maximum and the two ends of the interval."""
        best = int(np.argmax(self.value))
        inside = np.flatnonzero(self.value >= self.value[best] - allowed)
        last = self.slope.size - 1
        pairs = {(max(i - 1, 0), min(i + 1, last)) for i in (best, int(inside[0]), int(inside[-1]))}
        between = [np.linspace(self.slope[i], self.slope[j], _REFINED)[1:-1] for i, j in sorted(pairs)]
        return np.setdiff1d(np.concatenate(between), self.slope)


def _answer(dated: DatedRecords, profile: _Profile, allowed: float, level: float) -> YearSlope:
    best = int(np.argmax(profile.value))
    inside = profile.slope[profile.value >= profile.value[best] - allowed]
    ends = [inside[0], inside[-1]]
    low, high = (np.copysign(np.inf, end) if abs(end) >= STEEPEST * 0.999 else float(end) for end in ends)
    flat = np.isnan(profile.shape[best]) or abs(profile.slope[best]) >= STEEPEST * 0.999
    at_zero = profile.value[np.argmin(np.abs(profile.slope))]
    return YearSlope(
        status="no bound" if flat else "ok",
        slope=np.nan if flat else float(profile.slope[best]),
        low=low,
        high=high,
        level=level,
        p_value=float(chdtrc(1, 2 * (profile.value[best] - at_zero))),
        shape=float(profile.shape[best]),
        scale_years=float(profile.scale[best]),
        reference_year=profile.reference,
        correlation=dated.correlation,
        n_records=float(dated.count.sum()),
        note=dated.note,
    )


def _unanswered(status: str, dated: DatedRecords, level: float) -> YearSlope:
    return YearSlope(
        status=status,
        slope=np.nan,
        low=np.nan,
        high=np.nan,
        level=level,
        p_value=np.nan,
        shape=np.nan,
        scale_years=np.nan,
        reference_year=float(np.average(dated.year, weights=dated.count)) if dated.year.size else np.nan,
        correlation=dated.correlation,
        n_records=float(dated.count.sum()),
        note=dated.note,
    )
