"""Records whose year of production is known, as the cohort analyses need them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from reliability.errors import InvalidInput
from reliability.life.ages import BoolArray, FloatArray, IntArray
from reliability.life.life_records import LifeRecords

# Above this, age and year of production say the same, and no method can tell which of them matters.
TOO_CORRELATED = 0.95
CONFOUNDED = "cannot tell ageing from vintage"


@dataclass(frozen=True, eq=False)
class DatedRecords:
    """Records of one stratum with a known year.

    Attributes
    ----------
    lower, upper, count : ndarray of float64, shape (n,)
        As in `LifeRecords`.
    year : ndarray of float64, shape (n,)
        Year of production or fitting.
    age_years : ndarray of float64, shape (n,)
        Age at inspection.
    rows : ndarray of int64, shape (n,)
        Their positions among the records that were given.
    n_left_out : float
        Weighed number of records whose year is not known.
    correlation : float
        Of age at inspection and year; NaN if all ages or all years are equal.
    """

    lower: FloatArray
    upper: FloatArray
    count: FloatArray
    year: FloatArray
    age_years: FloatArray
    rows: IntArray
    n_left_out: float
    correlation: float

    @property
    def failed(self) -> BoolArray:
        """Whether each part had failed when it was inspected; ndarray of bool, shape (n,)."""
        return np.isfinite(self.upper)

    @property
    def confounded(self) -> bool:
        """Whether age and year move together so closely that neither can be held fixed."""
        return bool(abs(self.correlation) > TOO_CORRELATED)

    @property
    def note(self) -> str:
        """What a reader must know of these records; empty if nothing."""
        said = []
        if self.confounded:
            said.append(
                f"age and production year move together (correlation {self.correlation:.2f}): "
                "what looks like ageing may be vintage, and the other way round"
            )
        if self.n_left_out:
            said.append(f"{self.n_left_out:g} records without a known year are left out")
        return "; ".join(said)


def dated_records(records: LifeRecords, year: ArrayLike, age_years: ArrayLike | None = None) -> DatedRecords:
    """Keep the records whose year is known.

    Parameters
    ----------
    records : LifeRecords
        One stratum. Records with alternatives have no known year and are left out.
    year : array_like of float, shape (n_rows,)
        Year of each row; NaN if not known.
    age_years : array_like of float, shape (n_rows,), optional
        Age at inspection. Without it, the upper bound of a failed part and the lower one of a sound
        part.

    Returns
    -------
    DatedRecords

    Raises
    ------
    InvalidInput
        If there are several strata, a length does not match, or an age is not a number above 0.
    """
    if records.strata.size > 1:
        raise InvalidInput(
            f"Cohorts are compared within one stratum; these records hold {records.strata.size}."
        )
    years = _column("year", year, len(records))
    sound = np.isinf(records.upper)
    ages = np.where(sound, records.lower, records.upper)
    if age_years is not None:
        ages = _column("age_years", age_years, len(records))
    keep = ~records.is_alternative & ~np.isnan(years) & ~((records.lower == 0) & sound)
    if not np.all(ages[keep] > 0):
        raise InvalidInput(f"`age_years` must be above 0 in every record; got {ages[keep].min():g}.")
    distinct = np.unique(records.record[~keep], return_index=True)[1]
    left_out = float(records.count[~keep][distinct].sum())
    weight = records.count[keep]
    return DatedRecords(
        lower=records.lower[keep],
        upper=records.upper[keep],
        count=weight,
        year=years[keep],
        age_years=ages[keep],
        rows=np.flatnonzero(keep),
        n_left_out=left_out,
        correlation=_correlation(ages[keep], years[keep], weight),
    )


def _column(name: str, values: ArrayLike, size: int) -> FloatArray:
    column = np.asarray(values, dtype=np.float64)
    if column.shape != (size,):
        raise InvalidInput(
            f"`{name}` needs one number for each of the {size} rows; its shape is {column.shape}."
        )
    return column


def _correlation(x: FloatArray, y: FloatArray, weight: FloatArray) -> float:
    if x.size < 2:
        return np.nan
    covariance = np.cov(np.vstack((x, y)), aweights=weight, ddof=0)
    spread = np.sqrt(covariance[0, 0] * covariance[1, 1])
    return float(covariance[0, 1] / spread) if spread > 1e-12 else np.nan
