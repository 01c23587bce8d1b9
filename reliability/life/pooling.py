"""Lives of parts pooled over families: an answer for three records, for none, and for many.

All families of a component share one lattice of log scale and log shape. One product of their likelihoods
there with the priors that families may have in common gives the chance of their records under each; another,
with what all families together say of these priors, gives every family's posterior.
"""

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import cache, cached_property, partial
from itertools import pairwise
from typing import Any, NamedTuple, TypeAlias

import numpy as np
import pandas as pd
from numpy.lib.stride_tricks import sliding_window_view
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array
from threadpoolctl import threadpool_limits

from reliability.errors import InvalidInput, unknown
from reliability.life.lives import FloatArray, IntArray, LifeRecords, run_starts

ObjectArray = NDArray[np.object_]
HearsayRows: TypeAlias = pd.DataFrame | Sequence[Mapping[str, object]]

YEARS_PER_DECADE = 10.0

# ---- What is believed beforehand


@dataclass(frozen=True)
class Hyperprior:
    r"""Prior beliefs about the parts of home electronics, weak enough to be overruled.

    The defaults are common practice, no source. The model is that of `pool`; its spreads of families in log
    scale and log shape (both tau) and of kinds (omega) are ``hypot(least_spread, s)`` with s lognormal.

    Parameters
    ----------
    scale_years, scale_sd : float
        Mean log scale is normal around ``log(scale_years)``. The defaults, 30 years and 1, put the
        typical scale of a component between 4 and 213 years (95 %).
    shape, shape_sd : float
        Mean log shape is normal around ``log(shape)``. The defaults, 2 and 0.5, put the typical shape
        between 0.75 and 5.3: from no ageing at all to sudden wear-out.
    scale_spread, shape_spread, kind_spread : float
        Medians of s for the spread of families in log scale (0.35: a factor of 1.4 either way) and log
        shape (0.2), and of kinds in log scale (0.2).
    spread_sd : float
        Standard deviation of log s; 0.7 puts each spread within a factor of 4 of its median (95 %).
    slope_sd : float
        The change of log scale per decade of production year is normal around 0; 0.25 means a third
        longer or shorter per decade is nothing unusual.
    least_spread : float
        Two families are never closer than this; 0.02 or above, for lattices are no finer.
    """

    scale_years: float = 30.0
    scale_sd: float = 1.0
    shape: float = 2.0
    shape_sd: float = 0.5
    scale_spread: float = 0.35
    shape_spread: float = 0.2
    kind_spread: float = 0.2
    spread_sd: float = 0.7
    slope_sd: float = 0.25
    least_spread: float = 0.1

    def spread(self, log_s: FloatArray | float) -> FloatArray:
        """Spread that belongs to a value of log s."""
        return np.hypot(self.least_spread, np.exp(log_s))

    @property
    def common(self) -> tuple[FloatArray, FloatArray]:
        """Means and standard deviations of mean log shape, log s of the shapes, log s of the scales."""
        mean = np.log([self.shape, self.shape_spread, self.scale_spread])
        return mean, np.array([self.shape_sd, self.spread_sd, self.spread_sd])

    @property
    def variances(self) -> tuple[FloatArray, float]:
        """Variances of a family's log scale and log shape beforehand, and of a kind's centre."""
        # The mean square of a spread hypot(least, s) with s lognormal.
        typical = np.array([self.scale_spread, self.kind_spread, self.shape_spread])
        scales, kinds, shapes = self.least_spread**2 + typical**2 * np.exp(2 * self.spread_sd**2)
        return np.array([self.scale_sd**2 + scales + kinds, self.shape_sd**2 + shapes]), float(kinds)


# ---- Records of one component, sorted by family and by what they say; their labels checked


def _label(name: str, label: object) -> str | None:
    """Label as the text that it is stored and looked up by; None for one that is missing."""
    if isinstance(label, str):
        return str(label)
    if isinstance(label, int | np.integer) and not isinstance(label, bool):
        return str(int(label))
    if label is None or label is pd.NA or label is pd.NaT or label != label:
        return None
    raise InvalidInput(f"`{name}` must hold texts or whole numbers as labels; it holds {label!r}.")


def _labels(name: str, labels: ArrayLike | None) -> ObjectArray:
    """Many labels as texts, of the same shape."""
    given = np.asarray(labels, dtype=object)
    found = np.empty(given.size, dtype=object)
    found[:] = [_label(name, label) for label in given.flat]
    return found.reshape(given.shape)


def _check_size(name: str, what: str, values: np.ndarray, size: int) -> None:
    if values.shape != (size,):
        raise InvalidInput(
            f"`{name}` must hold one {what} for each of the {size} rows; its shape is {values.shape}."
        )


def _row_labels(name: str, values: ArrayLike, size: int, *, needed: bool = True) -> ObjectArray:
    labels = _labels(name, values)
    _check_size(name, "label", labels, size)
    empty = pd.isna(labels) | (labels == "")
    labels[empty] = None
    if needed and empty.any():
        found = f"{empty.sum()} of {size} are (first: position {int(np.argmax(empty))})"
        raise InvalidInput(f"`{name}` must not be empty; {found}.")
    return labels


def _row_years(values: ArrayLike, size: int) -> FloatArray:
    years = np.asarray(values, dtype=np.float64)
    _check_size("year", "year", years, size)
    bad = ~np.isfinite(years)
    if bad.any():
        raise InvalidInput(
            f"`year` must be known in every row, or left out altogether; {bad.sum()} of {size} are not "
            f"finite (first: position {int(np.argmax(bad))}). An age comes from a year, so use that one."
        )
    return years


def _check_labels(frame: pd.DataFrame) -> None:
    """Alternatives of one record are about one part of one family, and a family is of one kind."""
    ranked = frame.sort_values("record", kind="stable")
    record, position = ranked["record"].to_numpy(), ranked.index.to_numpy()
    for name in ("component", "family", "kind"):
        labels = ranked[name].to_numpy()
        torn = (record[1:] == record[:-1]) & (labels[1:] != labels[:-1])
        if torn.any():
            i = int(np.argmax(torn))
            raise InvalidInput(
                f"Alternatives of one record must share their {name}; record {record[i]:g} has "
                f"{labels[i]!r} (position {position[i]}) and {labels[i + 1]!r} (position {position[i + 1]})."
            )
    pairs = frame.loc[frame["family"].notna(), ["component", "family", "kind"]].drop_duplicates()
    twice = pairs.duplicated(["component", "family"])
    if twice.any():
        name, family, _ = pairs[twice].iloc[0]
        kinds = pairs[(pairs["component"] == name) & (pairs["family"] == family)]["kind"].tolist()
        raise InvalidInput(
            f"A family belongs to one kind; {family!r} (component {name!r}) is labelled "
            f"{' and '.join(map(repr, kinds))}."
        )


def _with_hearsay(frame: pd.DataFrame, hearsay: HearsayRows) -> pd.DataFrame:
    """Add each saying as the records that it stands for: some failed by the age, the others not."""
    said = pd.DataFrame(hearsay)
    if said.empty:
        return frame
    labels, numbers = ["component", "family", "kind"], ["age_years", "share_failed", "worth_jobs"]
    said = said.reindex(columns=[*labels, *numbers]).reset_index(drop=True)
    said = said.assign(**{name: _labels(name, said[name]) for name in labels})
    age, share, worth = (said[name].to_numpy(float) for name in numbers)
    good = (age > 0) & np.isfinite(age) & (share >= 0) & (share <= 1) & (worth > 0) & np.isfinite(worth)
    good &= (said["component"].notna() & (said["family"].notna() | said["kind"].notna())).to_numpy()
    if not good.all():
        i = int(np.argmin(good))
        raise InvalidInput(
            "`hearsay` must name a component, a family or a kind, an age above 0, a share failed from 0 to 1 "
            f"and a worth above 0; row {i} holds {said.iloc[i].to_dict()}."
        )
    known = frame.drop_duplicates(labels[:2]).set_index(labels[:2])["kind"]
    known = known.reindex(pd.MultiIndex.from_frame(said[labels[:2]]))
    said["kind"] = said["kind"].fillna(known.set_axis(said.index))
    ends = [(0.0, age, share * worth), (age, np.inf, worth - share * worth)]
    rows = pd.concat([said.assign(lower=a, upper=b, count=n) for a, b, n in ends]).sort_index(kind="stable")
    rows = rows[rows["count"] > 0]
    # About a kind: one unnamed family, as often as it counts. About a family: its own records.
    power = np.where(rows["family"].isna(), rows["count"], 1.0)
    record = np.arange(len(rows)) + (0 if frame.empty else int(frame["record"].max()) + 1)
    rows = rows.assign(count=rows["count"] / power, power=power, record=record)
    rows = rows.assign(year=np.nan, heard=True, weight=1.0)[frame.columns]
    return rows if frame.empty else pd.concat([frame, rows.astype(frame.dtypes)], ignore_index=True)


def _distinct(*columns: np.ndarray) -> tuple[IntArray, IntArray]:
    """Where each distinct row of some columns occurs first, in order, and which of these each row is."""
    order = np.lexsort(columns[::-1])
    start = run_starts(*(column[order] for column in columns))
    place = np.empty(order.size, dtype=np.int64)
    place[order] = np.repeat(np.arange(start.size), np.diff(start, append=order.size))
    return order[start], place


# Failed by an age, failed between two, sound, failed at an age, and what says nothing
SORTS = ("failed", "between", "sound", "exact", "nothing")


class _Pieces(NamedTuple):
    """Distinct findings of K different things, sorted by what they say."""

    sort: IntArray  # (K,), ascending: places in `SORTS`
    log_lower: FloatArray  # (K,): -inf for never seen working
    log_upper: FloatArray  # (K,): inf for still working
    decades: FloatArray  # (K,): production year less the reference year

    def take(self, at: NDArray[np.integer[Any]]) -> "_Pieces":
        return _Pieces(self.sort[at], self.log_lower[at], self.log_upper[at], self.decades[at])

    def chances(
        self, log_scale: FloatArray, log_shape: FloatArray, slope: float, *, is_log: bool
    ) -> FloatArray:
        """Probability of each (density, for a life that was witnessed), or its log; (K, I, J)."""
        # With a reference age r, the hazard (t / scale)^shape = (t / r)^shape (r / scale)^shape: the first
        # factor knows no scale and the second no age, so that no power is taken at each node.
        shape, reference = np.exp(log_shape), 0.5 * (log_scale[0] + log_scale[-1])
        distance = shape * (reference - log_scale[:, None])
        table = np.exp(np.clip(distance, -CERTAIN, CERTAIN))
        found = np.empty((self.sort.size, log_scale.size, log_shape.size))
        failed, between, sound, exact, nothing = (
            slice(*np.searchsorted(self.sort, [sort, sort + 1])) for sort in range(len(SORTS))
        )

        def log_relative(log_age: FloatArray, at: slice) -> FloatArray:
            return shape * ((log_age[at] - slope * self.decades[at])[:, None] - reference)

        def minus_hazard(log_age: FloatArray, at: slice) -> FloatArray:
            relative = -np.exp(np.clip(log_relative(log_age, at), -CERTAIN, CERTAIN))
            return np.multiply(relative[:, None], table, out=found[at])

        found[nothing] = 0.0 if is_log else 1.0
        minus_hazard(self.log_lower, sound)
        # exp(-a) - exp(-b) = exp(-a) (1 - exp(a - b)), whose log stays finite where both survivals vanish.
        lower = minus_hazard(self.log_lower, between).copy()
        minus_hazard(self.log_upper, between)
        found[between] -= lower
        minus_hazard(self.log_upper, failed)
        ended = found[: between.stop]
        np.subtract(1.0, np.exp(ended, out=ended), out=ended)
        if is_log:
            np.log(np.maximum(ended, SMALLEST, out=ended), out=ended)
            found[between] += lower
        else:
            found[between] *= np.exp(lower)
            np.exp(found[sound], out=found[sound])
        if exact.start < exact.stop:  # density shape / t * hazard * exp(-hazard)
            log_density = minus_hazard(self.log_lower, exact)
            log_density += log_relative(self.log_lower, exact)[:, None] + distance
            log_density += log_shape - self.log_lower[exact, None, None]
            if not is_log:
                np.exp(log_density, out=log_density)
        return found


@dataclass(frozen=True, eq=False)
class Findings:
    """Records of n families as counts of K distinct findings, and of M distinct sets of alternatives."""

    pieces: _Pieces
    single: csr_array  # (n, K): how often a family had each finding,
    mixed: csr_array  # (n, M): and each set of alternatives,
    alternatives: csr_array  # (M, K): which gives probabilities to these

    def of(self, family: int) -> "Findings":
        """Give those of one family."""
        mixed = self.mixed[[family]]
        alternatives, mixed_of = self.alternatives[mixed.indices], mixed[:, mixed.indices]
        return Findings(self.pieces, self.single[[family]], mixed_of, alternatives)

    @cached_property
    def used(self) -> list[tuple[_Pieces, csr_array]]:
        """Pieces that single records and alternatives need, each with the counts of these alone."""
        needed = [(np.unique(counts.indices), counts) for counts in (self.single, self.alternatives)]
        return [(self.pieces.take(at), counts[:, at]) for at, counts in needed]

    def log_likelihood(self, log_scale: FloatArray, log_shape: FloatArray, slope: float) -> FloatArray:
        """Log-likelihood of each family at the nodes of a lattice; shape (n, I, J).

        Scales are those of the reference year; `slope` is their change per decade.
        """
        found = np.empty((self.single.shape[0], log_scale.size, log_shape.size))
        # Probabilities of alternatives are added up, single ones are wanted as logarithms only.
        (pieces, single), (mixed_pieces, alternatives) = self.used
        work = (1 + sum(single.shape) + sum(alternatives.shape)) * log_shape.size
        at_once = max(1, ELEMENTS_AT_ONCE // work)
        for first in range(0, log_scale.size, at_once):
            x = log_scale[first : first + at_once]
            chances = pieces.chances(x, log_shape, slope, is_log=True)
            total = single @ chances.reshape(len(chances), x.size * log_shape.size)
            if alternatives.shape[0]:
                chances = mixed_pieces.chances(x, log_shape, slope, is_log=False)
                chances = alternatives @ chances.reshape(len(chances), -1)
                total += self.mixed @ np.log(np.maximum(chances, SMALLEST))
            found[:, first : first + at_once] = total.reshape(len(found), -1, log_shape.size)
        return found


@dataclass(frozen=True, eq=False)
class ComponentRecords:
    """All that is known about one component; its families, then those that nobody has seen.

    Those are one of each kind and one of an unseen kind: arrays have the shape (n_families + n_kinds + 1,).
    """

    component: str
    families: list[str | None]  # None where hearsay is about a kind
    kinds: list[str | None]  # None where it is not told
    kind: IntArray
    has_kinds: bool
    power: FloatArray  # how many such there are: 1 but for hearsay about a kind, 0 of the unseen
    n_records: FloatArray  # hearsay not counted
    size: FloatArray  # hearsay counted
    reference_year: float  # mean of all records, a whole year; NaN if years are not told apart
    mean_year: FloatArray  # decades from the reference year
    findings: Findings  # of the families that somebody has seen


def gather(
    records: LifeRecords | None, *, component: ArrayLike, family: ArrayLike,
    kind: ArrayLike | None = None, year: ArrayLike | None = None, hearsay: HearsayRows = (),
) -> list[ComponentRecords]:  # fmt: skip
    """Lay labels and hearsay beside life records; sort them into components, families and findings."""
    size = 0 if records is None else len(records)
    columns = ("lower", "upper", "count", "weight", "record")
    told = {
        "component": _row_labels("component", component, size),
        "family": _row_labels("family", family, size),
        "kind": np.full(size, None) if kind is None else _row_labels("kind", kind, size, needed=False),
        "year": np.full(size, np.nan) if year is None else _row_years(year, size),
        **{name: np.zeros(0) if records is None else getattr(records, name) for name in columns},
    }
    frame = _with_hearsay(pd.DataFrame(told).assign(heard=False, power=1.0), hearsay)
    _check_labels(frame)
    frame["alternatives"] = frame.groupby("record")["record"].transform("size")
    rows = frame[(frame["lower"] > 0) | np.isfinite(frame["upper"]) | frame["alternatives"].gt(1)]
    order = ["component", "family", "power", "record", "lower", "upper", "year"]
    rows = rows.sort_values(order, kind="stable", na_position="last")
    ranked = {name: rows[name].to_numpy() for name in rows.columns}
    has_kinds = bool(frame["kind"].notna().any())
    return [
        _one_component({name: values[a:b] for name, values in ranked.items()}, has_kinds=has_kinds)
        for a, b in pairwise(np.append(run_starts(ranked["component"]), len(rows)))
    ]


def _one_component(rows: dict[str, np.ndarray], *, has_kinds: bool) -> ComponentRecords:
    # A saying about a kind is as many families as it has parts, all without a name.
    first = run_starts(np.where(pd.isna(rows["family"]), np.arange(rows["family"].size), rows["family"]))
    code = np.repeat(np.arange(first.size), np.diff(first, append=rows["family"].size))
    kinds = sorted(set(rows["kind"][first]), key=lambda k: (k is not None, k or ""))
    unseen = np.zeros(len(kinds) + 1)
    known = rows["count"] * rows["weight"] * ~rows["heard"].astype(bool)
    n_records: FloatArray = np.append(np.bincount(code, known), unseen).astype(np.float64)
    has_year = (known > 0) & np.isfinite(rows["year"])
    reference, decades = np.nan, np.zeros(code.size)
    if has_year.any():
        reference = float(np.round(np.average(rows["year"][has_year], weights=known[has_year])))
        decades[has_year] = (rows["year"][has_year] - reference) / YEARS_PER_DECADE
    mean_year = np.bincount(code, known * decades, n_records.size) / np.maximum(n_records, SMALLEST)
    decades = np.where(has_year, decades, mean_year[code])
    counted = rows["count"] * rows["weight"]
    return ComponentRecords(
        component=rows["component"][0], families=list(rows["family"][first]), kinds=kinds,
        kind=np.array([*map(kinds.index, rows["kind"][first]), *range(len(kinds)), len(kinds) * has_kinds]),
        has_kinds=has_kinds, power=np.append(rows["power"][first].astype(np.float64), unseen),
        n_records=n_records, size=np.append(np.bincount(code, counted.astype(np.float64)), unseen),
        reference_year=reference, mean_year=mean_year, findings=_findings(rows, code, decades),
    )  # fmt: skip


def _findings(rows: dict[str, np.ndarray], code: IntArray, decades: FloatArray) -> Findings:
    """Count what says the same: equal findings, and equal sets of alternatives."""
    with np.errstate(divide="ignore"):  # log 0 = -inf stands for "never seen working"
        bounds = np.log(rows["lower"].astype(np.float64)), np.log(rows["upper"].astype(np.float64))
    never, always, exact = np.isneginf(bounds[0]), np.isposinf(bounds[1]), bounds[0] == bounds[1]
    sort = np.select([never & ~always, ~(never | always | exact), always & ~never, exact], range(4), 4)
    at, finding = _distinct(sort, *bounds, decades)
    pieces = _Pieces(sort[at], bounds[0][at], bounds[1][at], decades[at])
    # Alternatives of one record that say the same are one; a record with a single one is no mixture.
    row, place = _distinct(rows["record"].astype(np.float64), finding)
    weight, finding = np.bincount(place, rows["weight"].astype(np.float64)), finding[row]
    start = run_starts(rows["record"][row])
    length = np.diff(start, append=row.size)
    family, number = code[row][start], rows["count"][row][start].astype(np.float64)
    shape = (int(code[-1]) + 1, at.size)
    one = length == 1
    single = csr_array((number[one], (family[one], finding[start[one]])), shape=shape)
    # Sets are told apart one alternative after the other, then by their length.
    start, length, family, number = start[~one], length[~one], family[~one], number[~one]
    alike = np.zeros(start.size, dtype=np.int64)
    for k in range(length.max(initial=0)):
        longer = length > k
        _, alike[longer] = _distinct(alike[longer], finding[start[longer] + k], weight[start[longer] + k])
    example, alike = _distinct(alike, length)
    mixed = csr_array((number, (family, alike)), shape=(shape[0], example.size))
    ends = np.append(0, np.cumsum(length[example]))
    of_set = np.arange(ends[-1]) + np.repeat(start[example] - ends[:-1], length[example])
    alternatives = csr_array((weight[of_set], finding[of_set], ends), shape=(example.size, at.size))
    return Findings(pieces, single, mixed, alternatives)


# ---- The lattice of a component, and a finer one for each family with many records

# Numbers held in one block of work: about what a processor keeps near by
ELEMENTS_AT_ONCE = 250_000
# Factors of a hazard are cut to the exponentials of these, so that nothing under- or overflows
CERTAIN = 300.0
# Stands for a probability of zero under a logarithm
SMALLEST = 1e-300

# The lattice reaches so many standard deviations of all that is believed of a family beforehand, and in log
# scale this much beyond the ages on record: what lies farther is left out
EDGE, BEYOND = 4.0, 2.0
# Steps of log scale and log shape, in least spreads of families, and no longer than these. With a step of two
# standard deviations a sum over a normal density is off by 1.4 %, which matters where many families add up.
STEPS_IN_SPREADS, STEPS_AMONG_MANY = np.array([1.25, 2.0]), np.array([1.0, 1.5])
LONGEST_STEPS, MANY_FAMILIES = np.array([0.125, 0.2]), 40
# No more families than this in one product
FAMILIES_AT_ONCE = 128
# With more records than this a likelihood may fall between the nodes, and gets a lattice of its own
MANY_RECORDS = 25.7
# Its nodes of log scale, and how many standard deviations of the posterior it reaches
FINE_NODES, FINE_REACH = 40, 4.5
# As many records as the shared nodes can place, and by how much more the next, finer ones can
RESOLVED, SHARPENING = 100.0, 16.0


class Lattice(NamedTuple):
    """Likelihoods of families of one kind at common nodes of log scale and log shape."""

    family: IntArray  # (N,)
    kind: int
    log_scale: FloatArray  # (I,), of the reference year
    log_shape: FloatArray  # (J,)
    likelihood: FloatArray  # (N, I, J), relative to its greatest value
    log_unit: FloatArray  # (N,): log of that value times the area that a node stands for

    @classmethod
    def of(
        cls, family: IntArray, kind: int, x: FloatArray, y: FloatArray, log_likelihood: FloatArray
    ) -> "Lattice":
        """Scale the likelihoods."""
        top = log_likelihood.max(axis=(1, 2))
        log_unit = top + np.log((x[1] - x[0]) * (y[1] - y[0]))
        return cls(family, kind, x, y, np.exp(log_likelihood - top[:, None, None]), log_unit)


# ---- What the families of one component have in common: where it is likeliest

# A Newton step is no longer than this, and no direction is taken as flatter, in prior standard deviations
LONGEST_STEP, FLATTEST = 1.5, 0.3
MOST_STEPS = 60
# Nodes along each of the mean log shape and log s of both spreads, and their step in standard deviations
N_COMMON, COMMON_STEP = 5, 1.5
COMMON_REACH = 3.8
# Nodes of a kind's centre given these
N_CENTRES, CENTRE_STEP = 12, 0.9
# Nodes of log s for the spread of kinds, how many prior standard deviations they reach, and of their mean
N_SPREADS, SPREAD_REACH = 9, 3.0
N_MEANS, MEANS_REACH = 13, 4.8


ROOT_TWO_PI = float(np.sqrt(2 * np.pi))


def _log_normal(x: FloatArray, mean: FloatArray | float, sd: FloatArray | float) -> FloatArray:
    return -0.5 * ((x - mean) / sd) ** 2 - np.log(sd * ROOT_TWO_PI)


def _normal(x: FloatArray, mean: FloatArray | float, sd: FloatArray | float) -> FloatArray:
    return np.exp(_log_normal(x, mean, sd))


def _normalised(log_weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Log of the sum over the last axis, and the weights divided by it."""
    top = log_weight.max(axis=-1, keepdims=True)
    weight = np.exp(log_weight - top)
    total = weight.sum(axis=-1, keepdims=True)
    return (np.log(total) + top)[..., 0], weight / total


# Powers of (log scale, log shape) whose means are the slopes of a family's log marginal likelihood
_POWERS = np.array([[0, 1], [0, 2], [2, 0], [1, 0]])


class Peak:
    """Likeliest common parameters at one slope, and the normal distribution around them.

    They are mean log shape, log s of the shapes, log s of the scales, and the centre of each kind.
    """

    def __init__(
        self, records: ComponentRecords, lattices: list[Lattice], prior: Hyperprior, start: FloatArray
    ) -> None:
        self.records, self.lattices, self.prior = records, lattices, prior
        n_kinds = len(records.kinds)
        mean, sd = prior.common
        self.prior_mean = np.append(mean, np.full(n_kinds, np.log(prior.scale_years)))
        covariance = np.zeros((3 + n_kinds, 3 + n_kinds))
        covariance[:3, :3] = np.diag(sd**2)
        covariance[3:, 3:] = prior.scale_sd**2 + records.has_kinds * np.eye(n_kinds) * prior.variances[1]
        self.prior_root = np.linalg.cholesky(covariance)
        # Newton's method in units of the prior's standard deviations.
        z, (value, slope, bend) = start, self._look(start)
        for _ in range(MOST_STEPS):
            sizes, ways = np.linalg.eigh(bend)
            step = ways @ ((ways.T @ slope) / np.maximum(np.abs(sizes), FLATTEST))
            if slope @ step < 1e-10:
                break
            step *= min(1.0, LONGEST_STEP / np.linalg.norm(step))
            found = self._look(z + step)
            while found[0] < value - 1e-9 and np.linalg.norm(step) > 1e-6:
                step /= 4
                found = self._look(z + step)
            z, (value, slope, bend) = z + step, found
        sizes, ways = np.linalg.eigh(bend)
        sizes = np.maximum(sizes, FLATTEST)
        self.log_evidence = float(value - 0.5 * np.log(sizes).sum())
        self.z, self.place = z, self.prior_mean + self.prior_root @ z
        half = self.prior_root @ (ways / np.sqrt(sizes))
        self.covariance = half @ half.T

    def _look(self, z: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Log posterior density, its slope, and minus its second derivative."""
        place = self.prior_mean + self.prior_root @ z
        middle, spread = place[0], self.prior.spread(place[1:3])
        shares = (np.exp(place[1:3]) / spread) ** 2  # how log spread changes with log s
        value, slope, bend = 0.0, np.zeros(place.size), np.zeros((place.size, place.size))
        self.information = np.zeros(place.size - 3), np.zeros(place.size - 3)
        scale = np.array([1 / spread[0], shares[0], shares[1], 1 / spread[1]])
        for lattice in self.lattices:
            # Moments of a family's posterior given the common parameters: for an exponential family they are
            # all that the derivatives of its log marginal likelihood need.
            of_u, of_v = (
                np.vander((axis - mean) / sd, 5, increasing=True) * _normal(axis, mean, sd)[:, None]
                for axis, mean, sd in (
                    (lattice.log_scale, place[3 + lattice.kind], spread[1]),
                    (lattice.log_shape, middle, spread[0]),
                )
            )
            moment = of_u.T @ (lattice.likelihood @ of_v)
            mass = np.maximum(moment[:, 0, 0], SMALLEST)
            moment /= mass[:, None, None]
            power = self.records.power[lattice.family]
            value += float(power @ (np.log(mass) + lattice.log_unit))
            first = moment[:, _POWERS[:, 0], _POWERS[:, 1]]
            both = _POWERS[:, None] + _POWERS
            covariance = moment[:, both[..., 0], both[..., 1]] - first[:, :, None] * first[:, None]
            total = np.einsum("f,fi->i", power, first)
            second = scale[:, None] * scale * np.einsum("f,fij->ij", power, covariance)
            n = power.sum()
            for one, two, mean, square, sd, share in (
                (0, 1, total[0], total[1], spread[0], shares[0]),
                (3, 2, total[3], total[2], spread[1], shares[1]),
            ):
                second[one, one] -= n / sd**2
                second[[one, two], [two, one]] -= 2 * share * mean / sd
                second[two, two] += 2 * share * (1 - share) * (square - n) - 2 * share**2 * square
            at = np.array([0, 1, 2, 3 + lattice.kind])
            slope[at] += scale * (total - [0.0, n, n, 0.0])
            bend[np.ix_(at, at)] -= second
        self.information = slope[3:].copy(), np.diag(bend)[3:].copy()
        root = self.prior_root
        return value - 0.5 * float(z @ z), root.T @ slope - z, root.T @ bend @ root + np.eye(z.size)


# ---- The same, averaged over, and the posteriors of the families


class Average:
    """Common parameters at one slope: C nodes of the first three, Q of the centre of each kind given them."""

    def __init__(self, peak: Peak, lattices: list[Lattice], log_scale: FloatArray) -> None:
        self.peak, self.prior, self.log_scale = peak, peak.prior, log_scale
        axis = COMMON_STEP * (np.arange(N_COMMON) - (N_COMMON - 1) / 2)
        z = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
        z = z[np.linalg.norm(z, axis=1) < COMMON_REACH]
        cross, root = peak.covariance[:3, 3:], np.linalg.cholesky(peak.covariance[:3, :3])
        common = peak.place[:3] + z @ root.T
        # The root is a lower triangle: B runs of nodes share the prior of log shape.
        self.run = run = run_starts(*z[:, :2].T)
        self.middle_shape, self.shape_spread = common[run, 0], self.prior.spread(common[run, 1])
        self.runs = [slice(a, b) for a, b in pairwise(N_CENTRES * np.append(run, len(z)))]
        self.scale_spread = self.prior.spread(common[:, 2])
        lean = np.linalg.solve(peak.covariance[:3, :3], cross)
        centre = (peak.place[3:] + (common - peak.place[:3]) @ lean).T  # (n_kinds, C)
        sd = np.sqrt(np.diag(peak.covariance[3:, 3:] - cross.T @ lean))
        z = CENTRE_STEP * (np.arange(N_CENTRES) - (N_CENTRES - 1) / 2)
        self.centre = list(centre[:, :, None] + sd[:, None, None] * z)  # (C, Q) of each kind
        log_weight = _log_normal(common, *self.prior.common).sum(axis=1)
        log_weight += np.log(np.diag(root)).sum() + 3 * np.log(COMMON_STEP)
        self.log_marginal = [self._marginals(lattice) for lattice in lattices]
        of_kind = np.zeros((len(centre), *self.centre[0].shape)) + np.log(CENTRE_STEP * sd)[:, None, None]
        for lattice, found in zip(lattices, self.log_marginal, strict=True):
            of_kind[lattice.kind] += np.tensordot(peak.records.power[lattice.family], found, 1)
        log_z, self.centre_weight = self._average_kinds(of_kind)
        self.log_evidence, weight = _normalised(log_weight + log_z)
        self.weight = [weight[:, None] * each for each in self.centre_weight]

    def _densities(
        self, kind: int, log_scale: FloatArray, log_shape: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Prior densities of log scale (C x Q, I) and log shape (B, J) at the nodes of a lattice."""
        centre, spread = self.centre[kind][:, :, None], self.scale_spread[:, None, None]
        of_scale = _normal(log_scale, centre, spread).reshape(-1, log_scale.size)
        return of_scale, _normal(log_shape, self.middle_shape[:, None], self.shape_spread[:, None])

    def _marginals(self, lattice: Lattice) -> FloatArray:
        """Log marginal likelihoods of the families of one lattice; (N, C, Q)."""
        of_scale, of_shape = self._densities(lattice.kind, lattice.log_scale, lattice.log_shape)
        over_shapes = np.moveaxis(np.tensordot(lattice.likelihood, of_shape, (2, 1)), 2, 0)  # (B, N, I)
        mass = [over @ of_scale[run].T for over, run in zip(over_shapes, self.runs, strict=True)]
        log_mass = np.log(np.maximum(np.concatenate(mass, axis=1), SMALLEST))
        return log_mass.reshape(len(log_mass), *self.centre[0].shape) + lattice.log_unit[:, None, None]

    def _average_kinds(self, of_kind: FloatArray) -> tuple[FloatArray, list[FloatArray]]:
        """Integrate the centres of the kinds, and their own mean and spread."""
        # Log marginal likelihoods (C,) of the other parameters, and probabilities of the centres (C, Q) given
        # them, from the log likelihoods (n_kinds, C, Q) of the kinds' families.
        prior, around = self.prior, np.log(self.prior.scale_years)
        if not self.peak.records.has_kinds:
            log_z, weight = _normalised(of_kind[0] + _log_normal(self.centre[0], around, prior.scale_sd))
            return log_z, [weight]
        z = np.linspace(-SPREAD_REACH, SPREAD_REACH, N_SPREADS)
        spread = prior.spread(np.log(prior.kind_spread) + prior.spread_sd * z)[:, None]
        # Where the mean of kinds must lie, given a spread, follows from what each kind's records say.
        rise, bend = self.peak.information
        precision = np.maximum(bend, 1e-3)
        said = self.peak.place[3:] + rise / precision
        share = 1 / (spread**2 + 1 / precision)
        total = 1 / prior.scale_sd**2 + share.sum(axis=1, keepdims=True)
        sd = 1 / np.sqrt(total)
        steps = np.linspace(-MEANS_REACH, MEANS_REACH, N_MEANS)
        mean = (around / prior.scale_sd**2 + share @ said[:, None]) / total + sd * steps  # (spreads, means)
        log_mean = _log_normal(mean, around, prior.scale_sd) + np.log(sd * (steps[1] - steps[0]))
        log_mean += _log_normal(z, 0.0, 1.0)[:, None] + np.log(z[1] - z[0])
        centres = np.stack(self.centre)[..., None, None]
        density = _normal(centres, mean, spread).reshape(*of_kind.shape, -1)
        top = of_kind.max(axis=2, keepdims=True)
        likelihood = np.exp(of_kind - top)[:, :, None]
        own = np.maximum(likelihood @ density, SMALLEST)  # (n_kinds, C, 1, spreads x means)
        log_z, posterior = _normalised(log_mean.ravel() + (np.log(own[:, :, 0]) + top).sum(axis=0))
        weight = likelihood * ((posterior[:, None] / own) @ np.swapaxes(density, 2, 3))
        # The centre of a kind that nobody has seen has the nodes of log scale: it may lie anywhere.
        anywhere = _normal(self.log_scale, mean[..., None], spread[..., None])
        new = posterior @ anywhere.reshape(-1, self.log_scale.size)
        shares = [each / each.sum(axis=1, keepdims=True) for each in (*weight[:, :, 0], new)]
        return log_z, shares

    def posterior(self, lattice: Lattice, log_marginal: FloatArray) -> FloatArray:
        """Posteriors (N, I, J) of the families of a lattice, averaged over the common parameters."""
        # Given these, a family's posterior is likelihood x prior / marginal likelihood.
        of_scale, of_shape = self._densities(lattice.kind, lattice.log_scale, lattice.log_shape)
        weight = np.log(np.maximum(self.weight[lattice.kind], SMALLEST)) - log_marginal
        weight = np.exp(weight - weight.max(axis=(1, 2), keepdims=True)).reshape(len(weight), -1)
        mixture = [weight[:, run] @ of_scale[run] for run in self.runs]
        found = np.tensordot(np.stack(mixture, axis=2), of_shape, 1) * lattice.likelihood
        return found / found.sum(axis=(1, 2), keepdims=True)

    def unseen(self, kind: int, log_shape: FloatArray) -> FloatArray:
        """Posterior (I, J), on the shared lattice, of a family of some kind that nobody has seen."""
        of_scale, of_shape = self._densities(min(kind, len(self.centre) - 1), self.log_scale, log_shape)
        if kind == len(self.centre):  # the centre of a new kind may be at any node
            apart = self.log_scale - self.log_scale[0]
            of_distance = _normal(apart, 0.0, self.scale_spread[:, None])
            both_ways = np.hstack([of_distance[:, :0:-1], of_distance])
            of_scale = sliding_window_view(both_ways, apart.size, axis=1)[:, ::-1]
        weight = self.weight[kind]
        mixture = (weight[:, None] @ of_scale.reshape(*weight.shape, -1))[:, 0]
        found = np.add.reduceat(mixture, self.run).T @ of_shape
        return found / found.sum()


# ---- One component, from its records to the posteriors of its families, seen and unseen

# Before the three slopes that count, three are looked at, so many standard deviations apart; of more records
# than these, three more. What is found may be narrower than what was believed by no more than this.
APART, PLENTY, NARROWING = 1.0, 400.0, 0.25
# They are looked at on every second scale, so a likelihood of more records than this is widened for them
ROUGH_RECORDS = 12.0


class _Fit:
    """Lattices of one component, and what they say."""

    def __init__(self, records: ComponentRecords, prior: Hyperprior) -> None:
        self.records, self.prior = records, prior
        is_many = len(records.families) > MANY_FAMILIES
        steps = prior.least_spread * (STEPS_AMONG_MANY if is_many else STEPS_IN_SPREADS)
        steps = np.minimum(LONGEST_STEPS, steps)
        ages = np.append(records.findings.pieces.log_lower, records.findings.pieces.log_upper)
        ages = ages[np.isfinite(ages)]
        middle, reach = np.log([prior.scale_years, prior.shape]), EDGE * np.sqrt(prior.variances[0])
        low, high = middle - reach, middle + reach
        low[0], high[0] = min(low[0], ages.min() - BEYOND), max(high[0], ages.max() + BEYOND)
        ends = np.round((np.stack([low, high], axis=1) - middle[:, None]) / steps[:, None]).astype(int)
        self.log_scale, self.log_shape = (
            m + h * np.arange(a, b + 1) for m, h, (a, b) in zip(middle, steps, ends, strict=True)
        )
        self.findings_of = cache(records.findings.of)  # asked for at every slope

    def lattices(self, slope: float, *, is_rough: bool = False) -> list[Lattice]:
        """Likelihoods of all families at a slope, by kind."""
        x, y = self.log_scale[:: 1 + is_rough], self.log_shape
        log_likelihood = self.records.findings.log_likelihood(x, y, slope)
        size, kind = self.records.size[: len(log_likelihood)], self.records.kind[: len(log_likelihood)]
        is_fine = size > MANY_RECORDS
        is_fine &= not is_rough or is_fine.sum() <= MANY_FAMILIES
        fine = np.flatnonzero(is_fine)
        found = [self._fine_lattice(family, x, log_likelihood[family], slope) for family in fine]
        if is_rough:
            log_likelihood *= np.minimum(1.0, ROUGH_RECORDS / size)[:, None, None]
        for k in range(len(self.records.kinds)):
            families = np.flatnonzero((kind == k) & ~is_fine)
            for at in np.split(families, range(FAMILIES_AT_ONCE, families.size, FAMILIES_AT_ONCE)):
                if at.size:
                    found.append(Lattice.of(at, k, x, y, log_likelihood[at]))
        return found

    def _fine_lattice(
        self, family: np.integer[Any], log_scale: FloatArray, log_likelihood: FloatArray, slope: float
    ) -> Lattice:
        """Lay a lattice where one family's likelihood is, or what the widest prior leaves of it."""
        # Its likelihood is looked at as if it came of fewer records, then of ever more on ever finer nodes.
        findings, nodes = self.findings_of(int(family)), [log_scale, self.log_shape]
        middle = np.log([self.prior.scale_years, self.prior.shape])
        sd, power = np.sqrt(self.prior.variances[0]), min(1.0, RESOLVED / self.records.size[family])
        while True:
            x, y = ((axis - m) / s for axis, m, s in zip(nodes, middle, sd, strict=True))
            log_weight = power * log_likelihood - 0.5 * (x[:, None] ** 2 + y**2)
            weight = np.exp(log_weight - log_weight.max())
            for a, axis in enumerate(nodes):
                share = weight.sum(axis=1 - a) / weight.sum()
                mean = share @ axis
                half = FINE_REACH * max(np.sqrt(share @ (axis - mean) ** 2), 0.5 * (axis[1] - axis[0]))
                low, high = max(mean - half, axis[0]), min(mean + half, axis[-1])
                n = self.log_shape.size if a else max(FINE_NODES, int((high - low) / LONGEST_STEPS[0]) + 2)
                nodes[a] = np.linspace(low, high, n)
            at, kind = np.array([family]), int(self.records.kind[family])
            log_likelihood = findings.log_likelihood(nodes[0], nodes[1], slope)[0]
            if power == 1.0:
                return Lattice.of(at, kind, nodes[0], nodes[1], log_likelihood[None])
            power = min(1.0, SHARPENING * power)

    def component(self) -> "PooledComponent":
        """Average over what the families share, and over the slopes."""
        middle, sd, start = 0.0, 0.0, np.zeros(3 + len(self.records.kinds))
        if np.isfinite(self.records.reference_year):
            sd = self.prior.slope_sd
            for _ in range(1 + (self.records.n_records.sum() > PLENTY)):
                slopes, log_evidence = middle + APART * sd * np.arange(-1.0, 2.0), []
                for slope in slopes:
                    peak = Peak(self.records, self.lattices(slope, is_rough=True), self.prior, start)
                    log_evidence.append(peak.log_evidence)
                    start = peak.z
                middle, found_sd = self._slope(slopes, np.array(log_evidence))
                sd = float(np.clip(found_sd, NARROWING * sd, sd))
        z, chance = hermegauss(3) if sd else (np.zeros(1), np.ones(1))
        slopes = middle + sd * z
        found, at_slopes = zip(*(self._at_slope(slope, start) for slope in slopes), strict=True)
        log_chance = np.log(chance) + found
        if sd:
            log_chance += _log_normal(slopes, 0.0, self.prior.slope_sd) + 0.5 * z**2
            middle, sd = self._slope(slopes, np.array(found))
        pairs = zip(at_slopes, _normalised(log_chance)[1], strict=True)
        weighed = [each._replace(weight=each.weight * np.float32(p)) for each, p in pairs]
        lines = _Lines(*(np.concatenate(parts, axis=1) for parts in zip(*weighed, strict=True)))
        records = self.records
        # Families of sayings about a kind are among the lines too, but nobody can ask for them.
        families = {name: i for i, name in enumerate(records.families) if name is not None}
        return PooledComponent(
            families=families, kinds={kind: i for i, kind in enumerate(records.kinds)},
            kind_of={name: records.kinds[records.kind[i]] for name, i in families.items()},
            n_records=records.n_records, reference_year=records.reference_year, mean_year=records.mean_year,
            every=lines, line_slope=np.repeat(slopes, self.log_shape.size), slope=middle, slope_sd=sd,
        )  # fmt: skip

    def _slope(self, slopes: FloatArray, log_evidence: FloatArray) -> tuple[float, float]:
        """Mean and standard deviation of the slope, whose log posterior at three is taken as a parabola."""
        low, middle, high = log_evidence + _log_normal(slopes, 0.0, self.prior.slope_sd)
        half = slopes[1] - slopes[0]
        bend = max((2 * middle - low - high) / half**2, 1 / self.prior.slope_sd**2)
        shift = np.clip((high - low) / (2 * half * bend), -half, half)
        return float(slopes[1] + shift), float(bend**-0.5)

    def _at_slope(self, slope: float, start: FloatArray) -> tuple[float, "_Lines"]:
        """Log evidence of a slope, and the posteriors there."""
        lattices = self.lattices(slope)
        average = Average(Peak(self.records, lattices, self.prior, start), lattices, self.log_scale)
        kept = [
            _Lines.of(lattice.log_scale, lattice.log_shape, average.posterior(lattice, log_marginal))
            for lattice, log_marginal in zip(lattices, average.log_marginal, strict=True)
        ]
        unseen = [average.unseen(k, self.log_shape) for k in self.records.kind[-len(average.centre) - 1 :]]
        kept.append(_Lines.of(self.log_scale, self.log_shape, np.stack(unseen)))
        seen = np.argsort(np.concatenate([lattice.family for lattice in lattices]))
        order = np.append(seen, seen.size + np.arange(len(unseen)))
        lines = _Lines(*(np.concatenate(arrays)[order] for arrays in zip(*kept, strict=True)))
        return float(average.log_evidence), lines


# ---- Posterior of P(failed by age) along lines of constant shape

# Nodes kept of each line, and the weight left out, relative to a family's greatest
NODES_KEPT, LEFT_OUT = 40, 1e-6
BISECTIONS = 36
# Quantiles are sought between a probability of 4e-18 and one that cannot be told from 1
SMALLEST_LOG_HAZARD, LARGEST_LOG_HAZARD = -40.0, 5.0


class _Lines(NamedTuple):
    """Posteriors of n families as R lines of constant shape, with I regular nodes of log scale each."""

    first: FloatArray  # (n, R): first node of each line
    step: FloatArray  # (n, R)
    log_shape: FloatArray  # (n, R)
    weight: NDArray[np.floating[Any]]  # (n, R, I); those of a family add up to 1

    @classmethod
    def of(cls, axis: FloatArray, log_shape: FloatArray, posterior: FloatArray) -> "_Lines":
        """Keep of each line the nodes that matter, or every second or third where they are too many."""
        line = np.swapaxes(posterior, 1, 2)
        inside = line > LEFT_OUT * line.max(axis=(1, 2), keepdims=True)
        start, end = np.argmax(inside, axis=2), axis.size - np.argmax(inside[:, :, ::-1], axis=2)
        stride = -(-np.where(inside.any(axis=2), end - start, 1) // NODES_KEPT)
        node = start[:, :, None] + stride[:, :, None] * np.arange(NODES_KEPT)
        weight = np.take_along_axis(line, np.minimum(node, axis.size - 1), axis=2) * stride[:, :, None]
        weight[node >= axis.size] = 0.0
        weight /= weight.sum(axis=(1, 2), keepdims=True)
        every = np.broadcast_to(log_shape, start.shape)
        return cls(axis[start], (axis[1] - axis[0]) * stride, every, weight.astype(np.float32))

    def moments(self) -> tuple[FloatArray, FloatArray]:
        """Means (n, 2) and covariances (n, 2, 2) of (log scale, log shape)."""
        scale = self.first[:, :, None] + self.step[:, :, None] * np.arange(self.weight.shape[2])
        both = np.stack(np.broadcast_arrays(scale, self.log_shape[:, :, None]), axis=-1)
        mean = np.einsum("nri,nria->na", self.weight, both)
        both -= mean[:, None, None]
        covariance = np.einsum("nri,nria,nrib->nab", self.weight, both, both, optimize=True)
        # All on one node (thousands of witnessed lives that agree): the node still has a width.
        return mean, covariance + 1e-9 * np.eye(2)

    def mean(self, log_age: FloatArray) -> FloatArray:
        """Mean of the probability of having failed by an age; shape (n,)."""
        node = np.arange(self.weight.shape[2])
        work = log_age[:, None, None] - self.first[:, :, None] - self.step[:, :, None] * node
        work *= np.exp(self.log_shape)[:, :, None]
        with np.errstate(over="ignore"):  # certain death
            np.exp(work, out=work)
        np.negative(work, out=work)
        np.expm1(work, out=work)
        return np.asarray(-np.einsum("nri,nri->n", self.weight, work))

    def quantiles(self, log_age: FloatArray, shares: Sequence[float]) -> list[FloatArray]:
        """Quantiles of that probability, by bisection; ndarrays of float64, shape (n,)."""
        # Along a line the log hazard falls as the scale rises, so the chance of a smaller one is the weight
        # beyond one scale.
        # The density is smooth: within a step it is taken as a straight line through the neighbours, and
        # a sum up to an edge differs from the integral by rise / 24 (Euler and Maclaurin).
        padded = np.pad(self.weight, ((0, 0), (0, 0), (1, 1)))
        rise = 0.5 * (padded[:, :, 2:] - padded[:, :, :-2])
        below = np.diff(padded, axis=2) / 24
        below[:, :, 1:] += np.cumsum(self.weight, axis=2)
        ages = np.where(np.isfinite(log_age), log_age, 0.0)  # 0 and infinite ages are settled below
        found, shape = [], np.exp(self.log_shape)
        for share in shares:
            low, high = np.full((2, ages.size), [[SMALLEST_LOG_HAZARD], [LARGEST_LOG_HAZARD]])
            for _ in range(BISECTIONS):
                middle = 0.5 * (low + high)
                is_below = self._chance_below(ages[:, None] - middle[:, None] / shape, below, rise) < share
                low, high = np.where(is_below, middle, low), np.where(is_below, high, middle)
            middle = np.where(np.isfinite(log_age), 0.5 * (low + high), log_age)
            with np.errstate(over="ignore"):
                found.append(-np.expm1(-np.exp(middle)))
        return found

    def _chance_below(self, scale: FloatArray, below: FloatArray, rise: FloatArray) -> FloatArray:
        edge = np.clip((scale - self.first) / self.step + 0.5, 0.0, self.weight.shape[2])
        left = np.minimum(edge.astype(np.int64), self.weight.shape[2] - 1)[:, :, None]
        places = ((below, left), (below, left + 1), (rise, left))
        a, b, bend = (np.take_along_axis(values, at, axis=2)[:, :, 0] for values, at in places)
        part = edge - left[:, :, 0]
        return (below[:, :, -1] - a - (b - a) * part - 0.5 * bend * (part**2 - part)).sum(axis=1)


# ---- Posterior of lives, and the questions it answers

# About what a processor keeps near by
QUESTIONS_AT_ONCE = 32


@dataclass(frozen=True, eq=False)
class PooledComponent:
    """One component of `PooledLives`."""

    families: dict[str, int]  # positions of those that records or hearsay name,
    kinds: dict[str | None, int]  # and of the kinds
    kind_of: dict[str, str | None]
    n_records: FloatArray  # these three as in `ComponentRecords`
    reference_year: float
    mean_year: FloatArray
    every: _Lines  # of all slopes side by side, for units of the reference year
    line_slope: FloatArray  # (R,): the slope that a line belongs to
    slope: float  # change of log scale per decade: posterior mean and standard deviation
    slope_sd: float

    def place(self, family: str | None, kind: str | None) -> int:
        """Entry that answers for a family: its own, its kind's or the component's."""
        if family in self.families:
            return self.families[family]
        last = self.mean_year.size - 1
        return last - len(self.kinds) + self.kinds[kind] if kind is not None and kind in self.kinds else last

    def lines(self, entry: IntArray, decades: FloatArray) -> _Lines:
        """Lines of some entries, for units built so many decades after the reference year."""
        first, step, log_shape, weight = (part[entry].astype(np.float64) for part in self.every)
        weight /= weight.sum(axis=(1, 2), keepdims=True)
        return _Lines(first + decades[:, None] * self.line_slope, step, log_shape, weight)

    def moments(self, entry: IntArray, decades: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Means (n, 2) and covariances (n, 2, 2) of (log scale, log shape)."""
        parts = [self.lines(entry[at], decades[at]).moments() for at in _batches(entry.size)]
        mean, covariance = (np.concatenate(each) for each in zip(*parts, strict=True))
        return mean, covariance

    def failed_by(
        self, entry: IntArray, age_years: FloatArray, decades: FloatArray, level: float
    ) -> FloatArray:
        """Posterior mean and equal-tailed band of P(failed by age); shape (3, n)."""
        out = np.empty((3, entry.size))
        with np.errstate(divide="ignore"):  # age 0
            log_age = np.log(age_years)
        for at in _batches(entry.size):
            lines = self.lines(entry[at], decades[at])
            ends = lines.quantiles(log_age[at], (0.5 - level / 2, 0.5 + level / 2))
            out[:, at] = np.stack([lines.mean(log_age[at]), *ends])
        return out


def _batches(size: int) -> list[slice]:
    return [slice(first, first + QUESTIONS_AT_ONCE) for first in range(0, size, QUESTIONS_AT_ONCE)]


@dataclass(frozen=True, eq=False, repr=False)
class PooledLives:
    """Posterior of the lives of every component in every family."""

    parts: dict[str, PooledComponent]
    other: PooledComponent  # one that nobody has spoken of, without families
    has_years: bool  # whether production years, and kinds, were told apart
    has_kinds: bool

    def __repr__(self) -> str:
        return f"Pooled lives of {', '.join(self.components) or 'no component'}"

    @property
    def components(self) -> tuple[str, ...]:
        """Components that records or hearsay name, sorted."""
        return tuple(sorted(self.parts))

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
            component that nobody has seen from all components together. A whole number is the same label
            as its digits. All arguments broadcast.
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
        """
        if not 0 < level < 1:
            raise InvalidInput(f"`level` must lie between 0 and 1, got {level!r}.")
        asked = {"component": component, "family": family, "kind": kind}
        names = [_labels(name, labels) for name, labels in asked.items()]
        numbers = [np.asarray(np.nan if v is None else v, dtype=np.float64) for v in (age_years, year)]
        each = np.broadcast_arrays(*names, *numbers)
        labels, families, kinds, age, years = (values.ravel() for values in each)
        bad = ~(age >= 0)
        if bad.any():
            first = int(np.argmax(bad))
            raise InvalidInput(
                f"`age_years` must be 0 or above; {bad.sum()} of {bad.size} are not "
                f"(first: position {first}, {age[first]:g})."
            )
        out = np.empty((3, age.size))
        for name in dict.fromkeys(labels):
            at = np.flatnonzero(labels == name)
            part, entry, decades = self._places(name, families[at], kinds[at], years[at])
            out[:, at] = part.failed_by(entry, age[at], decades, level)
        mean, low, high = out.reshape(3, *each[0].shape)
        return mean, low, high

    def summaries(
        self, component: str, family: Sequence[str | None], *, year: FloatArray, kind: Sequence[str | None]
    ) -> tuple[FloatArray, FloatArray]:
        """Means (n, 2) and covariances (n, 2, 2) of families' (log scale, log shape); NaN is no year."""
        names, kinds = (np.array(labels, dtype=object) for labels in (family, kind))
        part, entry, decades = self._places(component, names, kinds, year)
        # Families of one kind without records of their own are one entry: many of them are asked for at once.
        each, place = np.unique(np.stack([entry, decades]), axis=1, return_inverse=True)
        mean, covariance = part.moments(each[0].astype(np.int64), each[1])
        return mean[place], covariance[place]

    def _places(
        self, component: str | None, family: np.ndarray, kind: np.ndarray, year: FloatArray
    ) -> tuple[PooledComponent, IntArray, FloatArray]:
        """Give the component, entries in it, and decades from the reference year."""
        if not self.has_years and not np.isnan(year).all():
            raise InvalidInput(
                f"The records of {component!r} were pooled without production years, so `year` has no "
                "meaning; leave it out, or give `year` to `pool`."
            )
        part = self.parts.get(component or "", self.other)
        for name, of_kind in zip(family, kind, strict=True):
            known = part.kind_of.get(name, of_kind)
            if self.has_kinds and of_kind is not None and known != of_kind:
                raise InvalidInput(
                    f"The family {name!r} is of kind {known!r} in the records, not {of_kind!r}."
                )
        entry = np.array([part.place(f, k) for f, k in zip(family, kind, strict=True)], dtype=np.int64)
        decades = (year - part.reference_year) / YEARS_PER_DECADE
        return part, entry, np.where(np.isnan(decades), part.mean_year[entry], decades)

    def _part(self, component: str) -> PooledComponent:
        name = _label("component", component) or ""
        if name not in self.parts:
            raise unknown("There are no records or hearsay of component", name, self.components)
        return self.parts[name]

    def year_slope(self, component: str) -> tuple[float, float]:
        """Change of log scale per decade of production year, mean and standard deviation."""
        part = self._part(component)
        if not self.has_years:
            raise InvalidInput(f"The records of {component!r} were pooled without production years.")
        return part.slope, part.slope_sd

    def reference_year(self, component: str) -> float:
        """Mean production year of the component's records, NaN without years; UnknownName if not known."""
        return self._part(component).reference_year

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
            families = sorted(part.families)
            at = np.array([part.families[family] for family in families], dtype=np.int64)
            means, covariances = part.moments(at, part.mean_year[at])
            for family, i, mean, covariance in zip(families, at, means, covariances, strict=True):
                sd, n = np.sqrt(np.diag(covariance)), part.n_records[i]
                year = part.reference_year + YEARS_PER_DECADE * part.mean_year[i] if n > 0 else np.nan
                told = (component, family, part.kind_of[family], n, year)
                rows.append((*told, *np.exp(mean), *sd, covariance[0, 1] / sd.prod()))
        columns = ["component", "family", "kind", "n_records", "mean_year", "scale_years", "shape"]
        return pd.DataFrame(rows, columns=[*columns, "log_scale_sd", "log_shape_sd", "correlation"])


# ---- The door


def pool(
    records: LifeRecords | None,
    *,
    component: ArrayLike,
    family: ArrayLike,
    kind: ArrayLike | None = None,
    year: ArrayLike | None = None,
    hearsay: HearsayRows = (),
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
    hearsay : DataFrame or sequence of dict, optional
        Rows of a ledger's table of hearsay about shares of failed parts. One about a kind counts as if
        `worth_jobs` families of it had sent one record each; one about a family may name its kind too.
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
        is missing; if hearsay is out of range or contradicts the records.

    Notes
    -----
    Likelihoods are computed on one lattice of (log scale, log shape) for all families of a component, those
    of many records on a finer one of their own; shared parameters by quadrature around their mode. The
    lattice reaches beyond the ages on record and 4 standard deviations of what is believed of a family
    beforehand: shapes above some 25 are taken as 25. Nothing is drawn at random or settled in rounds, so
    answers are smooth functions of the records, but for a small step where a component of known years passes
    400 of them and its slope is looked at once more. The band of a probability near 0 or 1 does not cover at
    its nominal level in each such family, only over all families together: pooling pulls the extreme ones to
    the middle.

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
    gathered = gather(records, component=component, family=family, kind=kind, year=year, hearsay=hearsay)
    has_kinds = any(name is not None for one in gathered for name in one.kinds)
    fit = partial(_pooled, prior=prior)
    with threadpool_limits(1):  # more threads would only wait for each other: the matrices are small
        fitted = list(executor.map(fit, gathered) if executor else map(fit, gathered))
    parts = {one.component: part for one, part in zip(gathered, fitted, strict=True)}
    return PooledLives(parts, _other(parts, prior), year is not None, has_kinds)


def _pooled(records: ComponentRecords, prior: Hyperprior) -> PooledComponent:
    return _Fit(records, prior).component()


OTHER_REACH, OTHER_NODES = 6.0, (128, 80)


def _other(parts: dict[str, PooledComponent], prior: Hyperprior) -> PooledComponent:
    """Take an unheard-of component to be like an unseen kind of any known one, or as the prior has it."""
    # All are equally likely, each as a normal distribution.
    known = [part.moments(np.array([-1]), np.zeros(1)) for _, part in sorted(parts.items())]
    mean = np.stack([np.log([prior.scale_years, prior.shape]), *(m[0] for m, _ in known)])
    covariance = np.stack([np.diag(prior.variances[0]), *(c[0] for _, c in known)])
    reach = OTHER_REACH * np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
    low, high = (mean - reach).min(axis=0), (mean + reach).max(axis=0)
    x, y = (np.linspace(low[a], high[a], n) for a, n in enumerate(OTHER_NODES))
    apart = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1) - mean[:, None, None]
    square = np.einsum("cija,cab,cijb->cij", apart, np.linalg.inv(covariance), apart, optimize=True)
    weight = (np.exp(-0.5 * square) / np.sqrt(np.linalg.det(covariance))[:, None, None]).sum(axis=0)
    lines, nothing = _Lines.of(x, y, weight[None]), np.zeros(1)
    return PooledComponent(
        families={}, kinds={}, kind_of={}, n_records=nothing, reference_year=np.nan, mean_year=nothing,
        every=lines, line_slope=np.zeros(y.size), slope=0.0, slope_sd=0.0,
    )  # fmt: skip
