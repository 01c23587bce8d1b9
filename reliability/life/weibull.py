"""Weibull lives of many strata by maximum likelihood."""

import numpy as np

from reliability.errors import InvalidInput
from reliability.life.collapse import collapse
from reliability.life.existence import NO_AGEING, OK, Knowledge, examine
from reliability.life.life_records import FloatArray, LifeRecords
from reliability.life.newton import Peak
from reliability.life.peaks import find_peaks
from reliability.life.weibull_fit import WeibullFit, among

__all__ = ["WeibullFit", "fit_weibull"]

# A scale beyond exp(690) years is no number any more: the curve is flat over every age there is.
_LOG_SCALE_LIMIT = 690.0


def fit_weibull(records: LifeRecords, *, level: float = 0.90) -> WeibullFit:
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
    maximum are found beforehand by an exact rule, see `reliability.life.existence`.

    References
    ----------
    .. [1] J. F. Lawless (2003), *Statistical Models and Methods for Lifetime Data*, 2nd ed., Wiley.

    Examples
    --------
    Three of ten were found failed at 30 years, eight of ten at 40.

    >>> inf = float("inf")
    >>> lives = LifeRecords([0, 30, 0, 40], [30, inf, 40, inf], count=[3, 7, 8, 2])
    >>> fit = fit_weibull(lives)
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
