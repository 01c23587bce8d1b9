"""Exact and right-censored lives: the product-limit curve and its band."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import chdtri, ndtri, xlogy

from reliability.life.ages import BoolArray, FloatArray


@dataclass(frozen=True, eq=False)
class ProductLimit:
    """Product-limit estimate at the distinct times.

    Attributes
    ----------
    time : ndarray of float64, shape (n_times,)
        Distinct times, ascending.
    at_risk, events : ndarray of float64, shape (n_times,)
        Under observation just before each time; events at it.
    surviving : ndarray of float64, shape (n_times,)
        Share without the event after each time.
    standard_error : ndarray of float64, shape (n_times,)
        Greenwood's, of the surviving share; NaN once nobody survives.
    """

    time: FloatArray
    at_risk: FloatArray
    events: FloatArray
    surviving: FloatArray
    standard_error: FloatArray


def product_limit(time: FloatArray, event: BoolArray, count: FloatArray) -> ProductLimit:
    """Kaplan-Meier curve with Greenwood's standard errors; events come before censorings at ties.

    Parameters
    ----------
    time : ndarray of float64, shape (n,)
        Time of the event, or until which it had not happened.
    event : ndarray of bool, shape (n,)
    count : ndarray of float64, shape (n,)

    Returns
    -------
    ProductLimit
    """
    times, place = np.unique(time, return_inverse=True)
    events, leaving = np.zeros(times.size), np.zeros(times.size)
    np.add.at(events, place, count * event)
    np.add.at(leaving, place, count)
    at_risk = np.asarray(np.cumsum(leaving[::-1])[::-1], dtype=np.float64)
    surviving = np.cumprod(1 - events / at_risk, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = np.sqrt(np.cumsum(events / (at_risk * (at_risk - events))))
        error = np.where(surviving > 0, surviving * relative, np.nan)
    return ProductLimit(times, at_risk, events, surviving, error)


def failed_band(curve: ProductLimit, level: float) -> tuple[FloatArray, FloatArray]:
    """Pointwise band for the share failed.

    On the log(-log) scale of the surviving share where it lies strictly between 0 and 1. Before the
    first event and after the last survivor that scale has no answer; there the likelihood ratio gives
    the limit that remains [1]_.

    Parameters
    ----------
    curve : ProductLimit
    level : float
        Between 0 and 1.

    Returns
    -------
    low, high : ndarray of float64, shape (n_times,)

    References
    ----------
    .. [1] D. R. Thomas and G. L. Grunkemeier, "Confidence interval estimation of survival probabilities
       for censored data", J. Am. Stat. Assoc. 70 (1975) 865-871.
    """
    surviving, error = curve.surviving, curve.standard_error
    with np.errstate(divide="ignore", invalid="ignore"):
        half = ndtri((1 + level) / 2) * error / (surviving * np.log(surviving))
        low, high = 1 - surviving ** np.exp(half), 1 - surviving ** np.exp(-half)
    allowed = float(chdtri(1, 1 - level)) / 2
    untouched = surviving >= 1
    # All at risk at the end of this time survived it: (1 - failed) ** at_risk is the likelihood.
    low[untouched] = 0.0
    high[untouched] = -np.expm1(-allowed / curve.at_risk[untouched])
    gone = surviving <= 0
    if gone.any():
        low[gone], high[gone] = _low_when_gone(curve, allowed), 1.0
    return low, high


def _low_when_gone(curve: ProductLimit, allowed: float) -> float:
    """Lowest share failed that is still allowed where the estimate says that all have failed."""
    last = int(np.argmax(curve.surviving <= 0)) + 1
    events, at_risk = curve.events[:last], curve.at_risk[:last]
    rest = at_risk - events

    def loss(log_extra: float) -> float:
        extra = np.exp(log_extra)  # units without event that are imagined to have been at risk as well
        gain = xlogy(at_risk, 1 + extra / at_risk) - xlogy(
            rest, 1 + np.divide(extra, rest, out=np.zeros_like(rest), where=rest > 0)
        )
        return float(gain.sum()) - allowed

    extra = np.exp(brentq(loss, -40.0, 40.0, xtol=1e-12))
    return float(1 - np.prod(1 - events / (at_risk + extra)))
