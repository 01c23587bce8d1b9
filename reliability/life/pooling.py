"""Lives of parts pooled over families: an answer for three records, for none, and for many."""

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from reliability.errors import InvalidInput, unknown
from reliability.life.lives import FloatArray, IntArray, LifeRecords
from reliability.life.pooling_fit import Common, fit_component, unseen_component
from reliability.life.pooling_lattice import Hyperprior
from reliability.life.pooling_posterior import Posterior
from reliability.life.pooling_records import (
    YEARS_PER_DECADE,
    ComponentRecords,
    Hearsay,
    gather,
    label_text,
    label_texts,
    no_records,
)

# ---- Labels that come with life records: checked, and laid beside the rows that they belong to


ObjectArray = NDArray[np.object_]

COLUMNS = ("component", "family", "kind", "lower", "upper", "count", "weight", "record", "alternatives")


def label_rows(
    records: LifeRecords | None,
    *,
    component: ArrayLike,
    family: ArrayLike,
    kind: ArrayLike | None,
    year: ArrayLike | None,
    hearsay: Sequence[Hearsay],
) -> pd.DataFrame:
    """Lay labels beside life records, with hearsay as further rows.

    Parameters
    ----------
    records : LifeRecords or None
    component, family, kind, year : array_like, shape (n_rows,)
        As in `pool`.
    hearsay : sequence of Hearsay

    Returns
    -------
    DataFrame
        Columns component, family (None for hearsay about a kind), kind, lower, upper, count, weight,
        record, alternatives (how many rows share the record), year, heard, power.

    Raises
    ------
    InvalidInput
        If labels are missing or of the wrong length, a record or a family is torn between labels, or
        hearsay does not fit the records.
    """
    size = 0 if records is None else len(records)
    frame = pd.DataFrame(
        {
            "component": _labels("component", component, size),
            "family": _labels("family", family, size),
            "kind": _labels("kind", kind, size, is_optional=True),
            "year": _years(year, size),
            "heard": False,
            "power": 1.0,
        }
    )
    for name in ("lower", "upper", "count", "weight", "record"):
        frame[name] = np.zeros(0) if records is None else getattr(records, name)
    _check_whole_records(frame)
    frame["alternatives"] = frame.groupby("record")["record"].transform("size")
    _check_one_kind(frame)
    return _with_hearsay(frame, hearsay, has_kinds=kind is not None)


def _labels(name: str, values: ArrayLike | None, size: int, *, is_optional: bool = False) -> ObjectArray:
    if values is None and is_optional:
        return np.full(size, None, dtype=object)
    labels = np.asarray(values, dtype=object)
    if labels.shape != (size,):
        raise InvalidInput(
            f"`{name}` must hold one label for each of the {size} rows; its shape is {labels.shape}."
        )
    labels = label_texts(name, labels)
    empty = pd.isna(labels) | (labels == "")
    labels[empty] = None
    if empty.any() and not is_optional:
        first = int(np.argmax(empty))
        raise InvalidInput(
            f"`{name}` must not be empty; {empty.sum()} of {size} are (first: position {first})."
        )
    return labels


def _years(year: ArrayLike | None, size: int) -> NDArray[np.float64]:
    if year is None:
        return np.full(size, np.nan)
    years = np.asarray(year, dtype=np.float64)
    if years.shape != (size,):
        raise InvalidInput(
            f"`year` must hold one year for each of the {size} rows; its shape is {years.shape}."
        )
    bad = ~np.isfinite(years)
    if bad.any():
        raise InvalidInput(
            f"`year` must be known in every row, or left out altogether; {bad.sum()} of {size} are not "
            f"finite (first: position {int(np.argmax(bad))}). An age comes from a year, so use that one."
        )
    return years


def _check_whole_records(frame: pd.DataFrame) -> None:
    """Alternatives of one record are about one part of one family."""
    ranked = frame.sort_values("record", kind="stable")
    record, position = ranked["record"].to_numpy(), ranked.index.to_numpy()
    same = record[1:] == record[:-1]
    for name in ("component", "family", "kind"):
        labels = ranked[name].to_numpy()
        torn = same & (labels[1:] != labels[:-1])
        if torn.any():
            i = int(np.argmax(torn))
            raise InvalidInput(
                f"Alternatives of one record must share their {name}; record {record[i]:g} has "
                f"{labels[i]!r} (position {position[i]}) and {labels[i + 1]!r} (position {position[i + 1]})."
            )


def _check_one_kind(frame: pd.DataFrame) -> None:
    pairs = frame[["component", "family", "kind"]].drop_duplicates()
    twice = pairs.duplicated(["component", "family"])
    if twice.any():
        name, family, _ = pairs[twice].iloc[0]
        kinds = pairs[(pairs["component"] == name) & (pairs["family"] == family)]["kind"].tolist()
        raise InvalidInput(
            f"A family belongs to one kind; {family!r} (component {name!r}) is labelled "
            f"{' and '.join(map(repr, kinds))}."
        )


def _with_hearsay(frame: pd.DataFrame, hearsay: Sequence[Hearsay], *, has_kinds: bool) -> pd.DataFrame:
    if not hearsay:
        return frame
    pairs = frame.drop_duplicates(["component", "family"])
    kind_of = dict(zip(zip(pairs["component"], pairs["family"], strict=True), pairs["kind"], strict=True))
    next_record = 0 if frame.empty else int(frame["record"].max()) + 1
    rows: list[dict[str, object]] = []
    for saying in hearsay:
        kind = _kind_of(saying, kind_of, has_kinds=has_kinds or frame.empty)
        for lower, upper, count in saying.halves():
            # About a kind: one unnamed family, as often as it counts. About a family: its own records.
            own, power = (1.0, count) if saying.family is None else (count, 1.0)
            rows.append(
                {
                    "component": saying.component, "family": saying.family, "kind": kind, "year": np.nan,
                    "heard": True, "power": power, "lower": lower, "upper": upper, "count": own,
                    "weight": 1.0, "record": next_record + len(rows), "alternatives": 1,
                }
            )  # fmt: skip
    added = pd.DataFrame(rows, columns=frame.columns)
    return added if frame.empty else pd.concat([frame, added.astype(frame.dtypes)], ignore_index=True)


def _kind_of(saying: Hearsay, kind_of: dict[tuple[str, str], str | None], *, has_kinds: bool) -> str | None:
    """Kind under which a saying is pooled, after checking it against the records."""
    if saying.kind is not None and not has_kinds:
        raise InvalidInput(
            f"Hearsay about {saying.component!r} names the kind {saying.kind!r}, but the records came "
            "without kinds; give `kind` with the records."
        )
    if saying.family is None:
        return saying.kind
    known = kind_of.setdefault((saying.component, saying.family), saying.kind)
    if saying.kind is not None and known != saying.kind:
        raise InvalidInput(
            f"Hearsay about {saying.component!r} puts the family {saying.family!r} into the kind "
            f"{saying.kind!r}; elsewhere it belongs to {known!r}."
        )
    return known


# ---- Posterior of lives, and the questions it answers


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


# ---- Lives of parts pooled over families: an answer for three records, for none, and for many


def pool(
    records: LifeRecords | None,
    *,
    component: ArrayLike,
    family: ArrayLike,
    kind: ArrayLike | None = None,
    year: ArrayLike | None = None,
    hearsay: Sequence[Hearsay] = (),
    prior: Hyperprior | None = None,
    executor: Executor | None = None,
) -> PooledLives:
    r"""Pool the lives of each component over its families.

    Families are alike, not equal. For family f of kind k, built d decades after the component's
    reference year, a life is Weibull with

    .. math::
        \log \mathrm{scale} = M_k + \beta d + \tau_1 a_f, \qquad
        \log \mathrm{shape} = \nu + \tau_2 b_f, \qquad M_k = \mu + \omega c_k

    and standard normal a, b, c. What the families share (M, nu, both tau, mu, omega, beta) is averaged
    over with the priors of `Hyperprior`, not estimated and plugged in: with few families a plugged-in
    spread makes bands far too narrow. Windows of production years are added up inside the likelihood.

    Parameters
    ----------
    records : LifeRecords or None
        Their `stratum` is not used. None (with empty labels) where there is nothing but hearsay.
    component, family : array_like of str, shape (n_rows,)
        Labels of each row of the records. Alternatives of one record must agree on them.
    kind : array_like of str, shape (n_rows,), optional
        Kind of the row's family; None where it is not known. Without it kinds are not told apart.
    year : array_like of float, shape (n_rows,), optional
        Production year that the row's alternative assumes. Without it the year makes no difference.
    hearsay : sequence of Hearsay
    prior : Hyperprior, optional
        Other prior beliefs than the default ones.
    executor : concurrent.futures.Executor, optional
        Fits the components side by side; the answers are the same.

    Returns
    -------
    PooledLives

    Raises
    ------
    InvalidInput
        If labels are missing, of another length than the records, or contradict each other; if a year
        is missing; if hearsay contradicts the records.

    Notes
    -----
    Posteriors are computed on lattices of (log scale, log shape), one per family, laid where its
    posterior is; the shared parameters by Gauss-Hermite quadrature around their mode. Nothing is drawn at
    random. The band of a probability near 0 or 1 does not cover at its nominal level in each such
    family, only over all families together: pooling pulls the extreme ones to the middle.

    References
    ----------
    .. [1] A. Gelman et al., *Bayesian Data Analysis*, 3rd ed., Chapman & Hall, 2013, chapter 5.
    .. [2] T. A. Louis, Finding the observed information matrix when using the EM algorithm, *Journal
       of the Royal Statistical Society B* 44 (1982) 226-233.

    Examples
    --------
    >>> lives = LifeRecords([0, 30, 0], [30, float("inf"), 40])
    >>> pooled = pool(lives, component=["belt"] * 3, family=["Tarnwick T2", "Tarnwick T2", "Dallow 80"])
    >>> mean, low, high = pooled.failed_by("belt", "Dallow 80", 35)
    >>> bool(low < mean < high)
    True
    """
    prior = prior or Hyperprior()
    rows = label_rows(records, component=component, family=family, kind=kind, year=year, hearsay=hearsay)
    has_years = year is not None
    has_kinds = bool(rows["kind"].notna().any())
    gathered = gather(rows)
    fit = partial(fit_component, prior=prior, has_kinds=has_kinds)
    fitted = executor.map(fit, gathered) if executor else map(fit, gathered)
    parts = {one.component: _part(one, *found) for one, found in zip(gathered, fitted, strict=True)}
    return PooledLives(parts, _other(parts, prior), prior, has_years, has_kinds)


def _part(records: ComponentRecords, posterior: Posterior, common: Common) -> PooledComponent:
    """Keep of a component what answers questions: no records, and no families without a name."""
    families = {name: i for i, name in enumerate(records.families) if name is not None}
    mean_year = np.append(records.mean_year, np.zeros(len(records.kinds) + 1))
    return PooledComponent(
        families=families,
        kinds={kind: i for i, kind in enumerate(records.kinds)},
        kind_of={name: records.kinds[records.kind[i]] for name, i in families.items()},
        n_records=records.n_records,
        reference_year=records.reference_year,
        mean_year=mean_year,
        posterior=posterior,
        common=common,
    )


def _other(parts: dict[str, PooledComponent], prior: Hyperprior) -> Posterior:
    """Take an unheard-of component to be like an unseen kind of any known one, or as the prior has it."""
    prior_only, _ = fit_component(no_records(), prior, has_kinds=True)
    known = [prior_only, *(part.posterior for _, part in sorted(parts.items()))]
    return unseen_component(
        np.stack([p.mean[-1] for p in known]), np.stack([p.covariance[-1] for p in known])
    )
