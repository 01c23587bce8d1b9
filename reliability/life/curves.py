"""One nonparametric curve of the share failed by each age, whatever is known of the lives."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import chdtri

from reliability.errors import InvalidInput
from reliability.life.ages import BoolArray, FloatArray
from reliability.life.isotonic import likelihood_ratio_band, monotone_share, status_counts
from reliability.life.kaplan_meier import failed_band, product_limit
from reliability.life.life_records import LifeRecords
from reliability.life.turnbull import Masses, turnbull
from reliability.life.turnbull_band import share_limits

__all__ = ["Curve", "fit_curve"]

# A gap in log-likelihood that no figure could show; above it the masses are not shown at all.
_CONVERGED = 1e-5
_MAX_BAND_AGES = 32
_RATIO_NOTE = "likelihood ratio against the chi-square quantile; on the wide side between inspections"
_GREENWOOD_NOTE = (
    "Greenwood's error on the log(-log) scale; likelihood ratio before the first failure and after the "
    "last survivor"
)


@dataclass(frozen=True, eq=False)
class Curve:
    """Share failed by each age, without assuming a form.

    Attributes
    ----------
    method : str
        "Kaplan-Meier", "isotonic" or "Turnbull".
    status : str
        "ok"; "no failures" or "all failed", where only one side of the band says anything; "no
        records"; "not converged", then without numbers.
    level : float
        Probability that the band promises at each age.
    age_years : ndarray of float64, shape (n_ages,)
        Ages at which the curve is determined, ascending from 0.
    age_from_years : ndarray of float64, shape (n_ages,)
        The rise to `failed` happens after this age and by `age_years`; equal for exact lives.
    failed : ndarray of float64, shape (n_ages,)
        Share failed by each age.
    low, high : ndarray of float64, shape (n_ages,)
        Pointwise band.
    standard_error : ndarray of float64, shape (n_ages,)
        Greenwood's for Kaplan-Meier, else NaN.
    at_risk, events : ndarray of float64, shape (n_ages,)
        Kaplan-Meier: under observation before each age, and failures at it. Isotonic: inspected at
        each age, and found failed. Turnbull: NaN.
    n_records : float
        Weighed number of records that say anything.
    band_note : str
        What the band is.
    """

    method: str
    status: str
    level: float
    age_years: FloatArray
    age_from_years: FloatArray
    failed: FloatArray
    low: FloatArray
    high: FloatArray
    standard_error: FloatArray
    at_risk: FloatArray
    events: FloatArray
    n_records: float
    band_note: str

    @property
    def usable(self) -> bool:
        """Whether both failures and survivors were seen and the curve was found."""
        return self.status == "ok"

    def at(self, age_years: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Share failed by given ages.

        Between two ages of the curve the share already reached is returned, with a band that holds
        wherever in between the curve rises. Beyond the last age nothing is known but that the
        share does not fall: NaN, up to 1.

        Parameters
        ----------
        age_years : array_like, shape (n,)
            Ages in years, >= 0.

        Returns
        -------
        estimate, low, high : ndarray of float64, shape (n,)
        """
        age = np.atleast_1d(np.asarray(age_years, dtype=np.float64))
        if not np.all(age >= 0):
            raise InvalidInput(f"Ages must be numbers >= 0; got {age[~(age >= 0)][0]:g}.")
        if self.age_years.size == 0:
            nothing = np.full(age.shape, np.nan)
            return nothing, nothing.copy(), nothing.copy()
        at = np.searchsorted(self.age_years, age, side="right") - 1
        beyond = age > self.age_years[-1]
        after = at if self.method == "Kaplan-Meier" else np.searchsorted(self.age_years, age, side="left")
        high = np.append(self.high, 1.0)[np.where(beyond, self.age_years.size, after)]
        unknown = beyond & (self.failed[-1] < 1)
        return np.where(unknown, np.nan, self.failed[at]), self.low[at], high

    def life(self, share: float) -> tuple[float, float, float]:
        """Age by which a share has failed: 0.10 for the age that one in ten does not reach.

        Parameters
        ----------
        share : float
            Between 0 and 1.

        Returns
        -------
        estimate, low, high : float
            The first age at which the curve reaches the share (NaN if it never does), and where its
            upper and lower limits reach it (the latter infinite if it never does).
        """
        if not 0 < share < 1:
            raise InvalidInput(f"`share` must lie between 0 and 1; got {share!r}.")
        nearly = share - 1e-12  # sums of masses reach a half only up to rounding
        return (
            _first(self.age_years, self.failed >= nearly, np.nan),
            _first(self.age_from_years, self.high >= nearly, np.nan),
            _first(self.age_years, self.low >= nearly, np.inf),
        )

    def table(self) -> pd.DataFrame:
        """One row per age: age_years, age_from_years, failed, low, high, standard_error, at_risk, events."""
        names = (
            "age_years",
            "age_from_years",
            "failed",
            "low",
            "high",
            "standard_error",
            "at_risk",
            "events",
        )
        return pd.DataFrame({name: getattr(self, name) for name in names})


def fit_curve(records: LifeRecords, *, level: float = 0.90, has_band: bool = True) -> Curve:
    """Fit the nonparametric maximum-likelihood curve that suits what is known.

    Exact and right-censored lives get the Kaplan-Meier curve; parts that were each inspected once the
    weighted isotonic regression; everything else, mixtures over years included, Turnbull's curve.

    Parameters
    ----------
    records : LifeRecords
        One stratum. Records (0, inf) say nothing and are dropped.
    level : float
        Probability that the band promises at each age.
    has_band : bool
        False leaves `low` and `high` NaN beyond age 0, where only the curve is asked for: the band takes
        most of the time.

    Returns
    -------
    Curve

    Raises
    ------
    InvalidInput
        If the records hold several strata or `level` is not between 0 and 1.
    """
    if not 0 < level < 1:
        raise InvalidInput(f"`level` must lie between 0 and 1; got {level!r}.")
    if records.strata.size > 1:
        raise InvalidInput(
            f"A curve is fitted to one stratum at a time; these records hold {records.strata.size}. "
            "Take one with `records.subset(records.stratum == …)`."
        )
    empty = (records.lower == 0) & np.isinf(records.upper)
    told = np.isin(records.record, records.record[~empty])
    if not told.any():
        return _curve(records, level, {}, method="Turnbull", status="no records", band_note="no records")
    records = records.subset(told)
    exact, right = records.lower == records.upper, np.isinf(records.upper)
    left = (records.lower == 0) & ~right
    fit: Callable[[LifeRecords, float, bool], Curve] = _turnbull_curve
    if not records.is_alternative.any():
        if np.all(left | right):
            fit = _isotonic_curve
        elif np.all(exact | right):
            fit = _kaplan_meier_curve
    return fit(records, level, has_band)


def _curve(
    records: LifeRecords,
    level: float,
    columns: dict[str, FloatArray],
    *,
    method: str,
    status: str,
    band_note: str,
) -> Curve:
    """Complete the columns by the beginning of life and by NaN where a method has no such number."""
    size = columns["age_years"].size if columns else -1
    begin = {"age_years": 0.0, "age_from_years": 0.0, "failed": 0.0, "low": 0.0, "high": 0.0}
    arrays = {}
    for name in (*begin, "standard_error", "at_risk", "events"):
        values = columns.get(name, np.full(max(size, 0), np.nan))
        arrays[name] = np.append(begin.get(name, np.nan), values) if size >= 0 else np.empty(0)
    first = np.unique(records.record, return_index=True)[1]
    number = float(records.count[first].sum()) if columns else 0.0
    return Curve(method=method, status=status, level=level, n_records=number, band_note=band_note, **arrays)


def _status(records: LifeRecords) -> str:
    if np.all(np.isinf(records.upper)):
        return "no failures"
    never_seen_working = (records.lower == 0) & np.isfinite(records.upper)
    return "all failed" if np.all(never_seen_working) else "ok"


def _kaplan_meier_curve(records: LifeRecords, level: float, has_band: bool) -> Curve:
    fitted = product_limit(records.lower, np.isfinite(records.upper), records.count)
    columns = {
        "age_years": fitted.time,
        "age_from_years": fitted.time,
        "failed": 1 - fitted.surviving,
        "standard_error": fitted.standard_error,
        "at_risk": fitted.at_risk,
        "events": fitted.events,
    }
    if has_band:
        columns["low"], columns["high"] = failed_band(fitted, level)
    curve = _curve(
        records, level, columns, method="Kaplan-Meier", status=_status(records), band_note=_GREENWOOD_NOTE
    )
    # Until the first age nobody has failed, but somebody might have.
    curve.high[0] = -np.expm1(-chdtri(1, 1 - level) / 2 / curve.n_records)
    return curve


def _isotonic_curve(records: LifeRecords, level: float, has_band: bool) -> Curve:
    failed = np.isfinite(records.upper)
    counts = status_counts(np.where(failed, records.upper, records.lower), failed, records.count)
    columns = {
        "age_years": counts.age_years,
        "age_from_years": np.append(0.0, counts.age_years[:-1]),
        "failed": monotone_share(counts),
        "at_risk": counts.inspected,
        "events": counts.failed,
    }
    if has_band:
        columns["low"], columns["high"] = likelihood_ratio_band(counts, level)
    return _curve(records, level, columns, method="isotonic", status=_status(records), band_note=_RATIO_NOTE)


def _turnbull_curve(records: LifeRecords, level: float, has_band: bool) -> Curve:
    masses = turnbull(records)
    if masses.maximum.gap > _CONVERGED * masses.likelihood.count.sum():
        note = f"the masses were not found: gap in log-likelihood {masses.maximum.gap:.2g}"
        return _curve(records, level, {}, method="Turnbull", status="not converged", band_note=note)
    columns = _determined(records, masses)
    if has_band:
        columns["low"], columns["high"] = _turnbull_band(masses, columns["age_years"], level)
    return _curve(records, level, columns, method="Turnbull", status=_status(records), band_note=_RATIO_NOTE)


def _determined(records: LifeRecords, masses: Masses) -> dict[str, FloatArray]:
    """Ages at which the masses determine the share failed: the ends of cells, and the last survivor's."""
    carries = (masses.mass > 1e-9) & np.isfinite(masses.right)
    ages, begins, failed = masses.right[carries], masses.left[carries], np.cumsum(masses.mass[carries])
    last = float(records.lower.max())
    if ages.size == 0 or last > ages[-1]:
        ages, begins = np.append(ages, last), np.append(begins, last)
        failed = np.append(failed, failed[-1] if failed.size else 0.0)
    if not np.isinf(masses.right[masses.mass > 1e-9]).any():
        failed[-1] = 1.0  # up to rounding
    return {"age_years": ages, "age_from_years": begins, "failed": np.minimum(failed, 1.0)}


def _turnbull_band(masses: Masses, ages: FloatArray, level: float) -> tuple[FloatArray, FloatArray]:
    at = np.unique(np.linspace(0, ages.size - 1, min(ages.size, _MAX_BAND_AGES)).round().astype(np.int64))
    limits = np.array([share_limits(masses, ages[i], level) for i in at])
    place = np.arange(ages.size)
    # An age in between has at least the share of the younger one and at most that of the older one.
    low = limits[np.searchsorted(at, place, side="right") - 1, 0]
    return low, limits[np.searchsorted(at, place, side="left"), 1]


def _first(ages: FloatArray, reached: BoolArray, otherwise: float) -> float:
    return float(ages[np.argmax(reached)]) if reached.any() else otherwise
