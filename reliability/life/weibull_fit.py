"""What a batch of Weibull fits says: estimates, intervals, and a status for what cannot be said."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from reliability.errors import InvalidInput
from reliability.life.existence import OK
from reliability.life.life_records import BoolArray, FloatArray, IntArray
from reliability.life.newton import Peak
from reliability.life.profile import Quantity, profile_interval
from reliability.life.weibull_likelihood import Likelihood

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
