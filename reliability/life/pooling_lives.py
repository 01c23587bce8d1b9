"""Posterior of lives, and the questions it answers."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from reliability.errors import InvalidInput, unknown
from reliability.life.life_records import FloatArray, IntArray
from reliability.life.pooling_fit import Common
from reliability.life.pooling_hyper import Hyperprior
from reliability.life.pooling_posterior import Posterior
from reliability.life.pooling_records import YEARS_PER_DECADE, label_text, label_texts


@dataclass(frozen=True, eq=False)
class LifeSummary:
    """Normal summary of what is known of one family's lives.

    Attributes
    ----------
    mean : ndarray of float64, shape (2,)
        Of (log scale, log shape), the scale in years.
    covariance : ndarray of float64, shape (2, 2)
    n_records : float
        Records of the family itself; hearsay is not counted.
    basis : str
        "family", "kind", "component" or "all components": the nearest thing that records or hearsay
        speak of.
    """

    mean: FloatArray
    covariance: FloatArray
    n_records: float
    basis: str


@dataclass(frozen=True, eq=False)
class PooledComponent:
    """One component of `PooledLives`.

    Attributes
    ----------
    families : dict of str to int
        Position of each family that records or hearsay name.
    kinds : dict of (str or None) to int
        Position of each kind.
    kind_of : dict of str to (str or None)
        Kind of each family.
    n_records : ndarray of float64, shape (n_families,)
    reference_year : float
        NaN if there is no record with a year.
    mean_year : ndarray of float64, shape (n_families + n_kinds + 1,)
        Mean production year of each entry of `posterior`, decades from the reference year.
    posterior : Posterior
        Families, then an unseen family of each kind, then one of an unseen kind.
    common : Common
    """

    families: dict[str, int]
    kinds: dict[str | None, int]
    kind_of: dict[str, str | None]
    n_records: FloatArray
    reference_year: float
    mean_year: FloatArray
    posterior: Posterior
    common: Common

    def place(self, family: str | None, kind: str | None) -> tuple[int, str]:
        """Entry of the posterior that answers for a family, and its basis."""
        if family in self.families:
            return self.families[family], "family"
        n_entries = self.mean_year.size
        if kind is not None and kind in self.kinds:
            return n_entries - 1 - len(self.kinds) + self.kinds[kind], "kind"
        return n_entries - 1, "component"


@dataclass(frozen=True, eq=False)
class PooledLives:
    """Posterior of the lives of every component in every family.

    Attributes
    ----------
    parts : dict of str to PooledComponent
    other : Posterior
        The one entry for a component that nobody has spoken of.
    prior : Hyperprior
    has_years, has_kinds : bool
        Whether production years, and kinds, were told apart.
    """

    parts: dict[str, PooledComponent]
    other: Posterior
    prior: Hyperprior
    has_years: bool
    has_kinds: bool

    @property
    def components(self) -> tuple[str, ...]:
        """Components that records or hearsay name, sorted."""
        return tuple(sorted(self.parts))

    @property
    def families(self) -> Mapping[str, tuple[str, ...]]:
        """Families that records or hearsay name, sorted, by component."""
        return {name: tuple(sorted(self.parts[name].families)) for name in self.components}

    def failed_by(
        self,
        component: ArrayLike,
        family: ArrayLike,
        age_years: ArrayLike,
        *,
        year: ArrayLike | None = None,
        kind: ArrayLike | None = None,
        level: float = 0.90,
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Probability that a part has failed by an age.

        Parameters
        ----------
        component, family : array_like of str
            A family that nobody has seen is answered from its kind, else from the component; a
            component that nobody has seen from all components together; `basis` tells which. A whole
            number is the same label as its digits. All arguments broadcast.
        age_years : array_like of float
            Age, years, >= 0.
        year : array_like of float, optional
            Production year. Without it (or NaN): the family's own mean year, for a family without
            records the component's reference year. Without effect where there is no record at all.
        kind : array_like of str, optional
            Kind of the family, where the family is not known.
        level : float
            Level of the band, between 0 and 1.

        Returns
        -------
        mean, low, high : ndarray of float64
            Posterior mean and equal-tailed band, of the broadcast shape.

        Raises
        ------
        InvalidInput
            If an age is negative or not a number, the level is not between 0 and 1, a family is said to
            be of another kind than its records, a year is given although the records had none, or a
            label is neither a text nor a whole number.
        """
        if not 0 < level < 1:
            raise InvalidInput(f"`level` must lie between 0 and 1, got {level!r}.")
        asked = {"component": component, "family": family, "kind": kind}
        names = [label_texts(name, np.asarray(labels, dtype=object)) for name, labels in asked.items()]
        numbers = [np.asarray(np.nan if v is None else v, dtype=np.float64) for v in (age_years, year)]
        flat = [values.ravel() for values in np.broadcast_arrays(*names, *numbers)]
        shape = np.broadcast_shapes(*(values.shape for values in (*names, *numbers)))
        age = flat[3]
        bad = ~(age >= 0)
        if bad.any():
            first = int(np.argmax(bad))
            raise InvalidInput(
                f"`age_years` must be 0 or above; {bad.sum()} of {bad.size} are not "
                f"(first: position {first}, {age[first]:g})."
            )
        out = np.empty((3, age.size))
        for name in dict.fromkeys(flat[0]):
            at = np.flatnonzero(flat[0] == name)
            posterior, entry, decades = self._places(name, flat[1][at], flat[2][at], flat[4][at])
            out[:, at] = posterior.failed_by(entry, age[at], decades, level)
        mean, low, high = out.reshape(3, *shape)
        return mean, low, high

    def basis(
        self, component: ArrayLike, family: ArrayLike | None, *, kind: ArrayLike | None = None
    ) -> NDArray[np.object_]:
        """Nearest thing that records or hearsay speak of, and that answers for a family.

        Parameters
        ----------
        component, family, kind : array_like of str
            As in `failed_by`.

        Returns
        -------
        ndarray of object
            "family"; or, of a family that nobody has seen, "kind", "component" or "all components".
        """
        asked = {"component": component, "family": family, "kind": kind}
        names = [label_texts(name, np.asarray(labels, dtype=object)) for name, labels in asked.items()]
        every = np.broadcast(*names)
        found = np.empty(every.size, dtype=object)
        found[:] = [
            self.parts[c].place(f, k)[1] if c in self.parts else "all components" for c, f, k in every
        ]
        return found.reshape(every.shape)

    def summary(
        self, component: str, family: str | None, *, year: float | None = None, kind: str | None = None
    ) -> LifeSummary:
        """Summarise a family's (log scale, log shape) by a normal that says the same of P(failed).

        Arguments and errors as in `failed_by`. The normal is not the one of equal moments: posteriors of
        lives are one-sided, and it is P(failed) that must come out right.
        """
        years = np.array([np.nan if year is None else year], dtype=np.float64)
        mean, covariance = self.summaries(component, [family], year=years, kind=[kind])
        basis = str(self.basis(component, family, kind=kind))
        return LifeSummary(mean[0], covariance[0], self.n_records(component, family), basis)

    def summaries(
        self, component: str, family: Sequence[str | None], *, year: FloatArray, kind: Sequence[str | None]
    ) -> tuple[FloatArray, FloatArray]:
        """Means (n, 2) and covariances (n, 2, 2) of many families' summaries; NaN is no year."""
        names, kinds = np.empty((2, len(family)), dtype=object)
        names[:], kinds[:] = family, kind
        names, kinds = label_texts("family", names), label_texts("kind", kinds)
        posterior, entry, decades = self._places(label_text("component", component), names, kinds, year)
        return posterior.normal(entry, decades)

    def _places(
        self, component: str | None, family: np.ndarray, kind: np.ndarray, year: FloatArray
    ) -> tuple[Posterior, IntArray, FloatArray]:
        """Posterior, entries in it, and decades from each entry's mean year."""
        if not self.has_years and not np.isnan(year).all():
            raise InvalidInput(
                f"The records of {component!r} were pooled without production years, so `year` has no "
                "meaning; leave it out, or give `year` to `pool`."
            )
        part = self.parts.get(component or "")
        if part is None:
            return self.other, np.zeros(year.size, dtype=np.int64), np.zeros(year.size)
        for name, of_kind in zip(family, kind, strict=True):
            known = part.kind_of.get(name, of_kind)
            if self.has_kinds and of_kind is not None and known != of_kind:
                raise InvalidInput(
                    f"The family {name!r} is of kind {known!r} in the records, not {of_kind!r}."
                )
        entry = np.array([part.place(f, k)[0] for f, k in zip(family, kind, strict=True)], dtype=np.int64)
        decades = (year - part.reference_year) / YEARS_PER_DECADE - part.mean_year[entry]
        return part.posterior, entry, np.nan_to_num(decades)

    def _part(self, component: str) -> PooledComponent:
        name = label_text("component", component) or ""
        if name not in self.parts:
            raise unknown("There are no records or hearsay of component", name, self.components)
        return self.parts[name]

    def year_slope(self, component: str) -> tuple[float, float]:
        """Change of log scale per decade of production year, mean and standard deviation.

        Raises
        ------
        InvalidInput
            If the component is not known, or production years were not told apart.
        """
        common = self._part(component).common
        if not self.has_years:
            raise InvalidInput(f"The records of {component!r} were pooled without production years.")
        return common.slope_mean, common.slope_sd

    def reference_year(self, component: str) -> float:
        """Mean production year of the component's records, NaN without years; UnknownName if not known."""
        return self._part(component).reference_year

    def n_records(self, component: str, family: str | None) -> float:
        """Count the records of a component in a family, without hearsay; 0 if nobody has seen it."""
        part = self.parts.get(label_text("component", component) or "")
        place = part.families.get(label_text("family", family) or "") if part else None
        return float(part.n_records[place]) if part and place is not None else 0.0

    def table(self) -> pd.DataFrame:
        """Every family that records or hearsay name, sorted by component and family.

        Returns
        -------
        DataFrame
            Columns component, family, kind, n_records, mean_year (NaN if not known), scale_years, shape
            (posterior medians, nearly: exponentials of mean logs), log_scale_sd, log_shape_sd,
            correlation; for units of the family's mean production year.
        """
        rows = []
        for component in self.components:
            part = self.parts[component]
            for family in self.families[component]:
                i = part.families[family]
                mean, sd = part.posterior.mean[i], np.sqrt(np.diag(part.posterior.covariance[i]))
                correlation = part.posterior.covariance[i][0, 1] / sd.prod()
                year = part.reference_year + YEARS_PER_DECADE * part.mean_year[i]
                year = year if part.n_records[i] > 0 else np.nan
                start = (component, family, part.kind_of[family], part.n_records[i], year)
                rows.append((*start, *np.exp(mean), *sd, correlation))
        columns = ["component", "family", "kind", "n_records", "mean_year", "scale_years", "shape"]
        return pd.DataFrame(rows, columns=[*columns, "log_scale_sd", "log_shape_sd", "correlation"])

    def component_table(self) -> pd.DataFrame:
        """Tell what the families of each component share, sorted by component.

        Returns
        -------
        DataFrame
            Columns component, n_families, n_records, reference_year, shape (typical one), scale_spread,
            shape_spread (standard deviations of families in log scale and log shape, at the mean of log
            s), slope_per_decade, slope_sd (of log scale; NaN without production years).
        """
        rows = []
        for component in self.components:
            part = self.parts[component]
            mean, spread = part.common.mean, self.prior.spread(part.common.mean[1:])
            slope = (part.common.slope_mean, part.common.slope_sd) if self.has_years else (np.nan, np.nan)
            start = (component, len(part.families), part.n_records.sum(), part.reference_year)
            rows.append((*start, np.exp(mean[0]), *spread, *slope))
        columns = ["component", "n_families", "n_records", "reference_year", "shape", "scale_spread"]
        return pd.DataFrame(rows, columns=[*columns, "shape_spread", "slope_per_decade", "slope_sd"])
