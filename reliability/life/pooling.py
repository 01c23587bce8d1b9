"""Lives of parts pooled over families: an answer for three records, for none, and for many.

Every family has a lattice of log scale and log shape, laid where its posterior is. One product of its
likelihood there gives the chance of its records under everything that families may have in common;
another, with what all families together say of that, gives its posterior.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from typing import Any, NamedTuple, cast

import numpy as np
import pandas as pd
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array

from reliability.errors import InvalidInput, unknown
from reliability.life.lives import FloatArray, IntArray, LifeRecords, rows_of, run_starts

ObjectArray = NDArray[np.object_]
SingleArray = NDArray[np.float32]

YEARS_PER_DECADE = 10.0

# ---- What is believed beforehand, and what is heard


@dataclass(frozen=True)
class Hyperprior:
    r"""Prior beliefs about the parts of home electronics, weak enough to be overruled.

    The defaults are common practice, no source.

    For family f of kind k, built d decades after the reference year:
    log scale = centre_k + slope d + normal(0, spread of scales), log shape = mean + normal(0, spread of
    shapes), centre_k = mean + normal(0, spread of kinds). The spreads are ``hypot(least_spread, s)``
    with s lognormal.

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
        Two families are never closer than this.

    Raises
    ------
    InvalidInput
        If a value is not above 0 and finite, or `least_spread` is below 0.02.
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

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if not 0 < value < np.inf:
                raise InvalidInput(f"Hyperprior: `{name}` must be above 0 and finite, got {value!r}.")
        if self.least_spread < 0.02:
            raise InvalidInput(
                "Hyperprior: `least_spread` must be 0.02 or above (lattices are no finer), "
                f"got {self.least_spread!r}."
            )

    def spread(self, log_s: FloatArray | float) -> FloatArray:
        """Spread that belongs to a value of log s."""
        return np.hypot(self.least_spread, np.exp(log_s))

    @property
    def centre_sd(self) -> float:
        """Standard deviation of the centre of one kind."""
        return float(np.hypot(self.scale_sd, self.spread(np.log(self.kind_spread))))

    @property
    def common(self) -> tuple[FloatArray, FloatArray]:
        """Means and standard deviations of mean log shape, log s of the shapes, log s of the scales."""
        mean = np.log([self.shape, self.shape_spread, self.scale_spread])
        return mean, np.array([self.shape_sd, self.spread_sd, self.spread_sd])


@dataclass(frozen=True)
class Hearsay:
    """What somebody says about lives before the bench has seen any, weighed like records.

    Parameters
    ----------
    component : str
    age_years : float
        Age the saying is about, years, > 0 and finite.
    share_failed : float
        Share of original parts that have failed by that age, 0 to 1.
    worth_jobs : float
        How many records it is worth, > 0 and finite.
    family : str, keyword-only, optional
        The family it is about.
    kind : str, keyword-only, optional
        Without `family`: the kind it is about, as if that many families of the kind had sent one
        record each. Together with `family`: the kind that this family belongs to.

    Raises
    ------
    InvalidInput
        If a number is outside its range, or neither family nor kind is given.
    """

    component: str
    age_years: float
    share_failed: float
    worth_jobs: float
    family: str | None = field(default=None, kw_only=True)
    kind: str | None = field(default=None, kw_only=True)

    def __post_init__(self) -> None:
        for name in ("component", "family", "kind"):
            object.__setattr__(self, name, _label(name, getattr(self, name)))
        what = f"Hearsay about {self.component!r}"
        if not 0 < self.age_years < np.inf:
            raise InvalidInput(f"{what}: `age_years` must be above 0 and finite, got {self.age_years!r}.")
        if not 0 <= self.share_failed <= 1:
            raise InvalidInput(f"{what}: `share_failed` must lie in 0 to 1, got {self.share_failed!r}.")
        if not 0 < self.worth_jobs < np.inf:
            raise InvalidInput(f"{what}: `worth_jobs` must be above 0 and finite, got {self.worth_jobs!r}.")
        if self.family is None and self.kind is None:
            raise InvalidInput(f"{what}: it must name a family or a kind, got neither.")


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
        first = int(np.argmax(empty))
        raise InvalidInput(
            f"`{name}` must not be empty; {empty.sum()} of {size} are (first: position {first})."
        )
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
    """Add each saying as the records that it stands for: some failed by the age, the others not."""
    pairs = frame.drop_duplicates(["component", "family"])
    kind_of = dict(zip(zip(pairs["component"], pairs["family"], strict=True), pairs["kind"], strict=True))
    next_record = 0 if frame.empty else int(frame["record"].max()) + 1
    rows: list[dict[str, object]] = []
    for saying in hearsay:
        kind = _kind_of(saying, kind_of, has_kinds=has_kinds or frame.empty)
        failed = saying.share_failed * saying.worth_jobs
        for lower, upper, count in (
            (0.0, saying.age_years, failed),
            (saying.age_years, np.inf, saying.worth_jobs - failed),
        ):
            # About a kind: one unnamed family, as often as it counts. About a family: its own records.
            own, power = (1.0, count) if saying.family is None else (count, 1.0)
            if count > 0:
                rows.append(
                    {
                        "component": saying.component, "family": saying.family, "kind": kind, "year": np.nan,
                        "heard": True, "power": power, "lower": lower, "upper": upper, "count": own,
                        "weight": 1.0, "record": next_record + len(rows), "alternatives": 1,
                    }
                )  # fmt: skip
    added = pd.DataFrame(rows, columns=frame.columns)
    if frame.empty and rows:
        return added
    return pd.concat([frame, added.astype(frame.dtypes)], ignore_index=True) if rows else frame


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


class _Pile(NamedTuple):
    """Rows of life records, in the order of their families; every array has the shape (n_rows,)."""

    family: IntArray
    log_lower: FloatArray  # -inf for never seen working
    log_upper: FloatArray  # inf for still working
    offset: FloatArray  # production year less the family's mean one, decades
    number: FloatArray
    weight: FloatArray  # probability of an alternative
    record: FloatArray  # rows of one record are alternatives

    def take(self, rows: NDArray[np.generic]) -> "_Pile":
        return _Pile(*[column[rows] for column in cast(tuple[Any, ...], self)])


@dataclass(frozen=True, eq=False)
class Rows:
    """Records of some families, by what they say: failed, sound, between two ages, exact, or mixed."""

    piles: dict[str, _Pile]
    n_families: int

    @cached_property
    def sizes(self) -> IntArray:
        """Rows that each family has; (n_families,)."""
        counts = [np.bincount(pile.family, minlength=self.n_families) for pile in self.piles.values()]
        return np.asarray(np.sum(counts, axis=0))

    @cached_property
    def greatest(self) -> FloatArray:
        """Greatest finite log age among each family's records, 0 without any; (n_families,)."""
        top = np.full(self.n_families, -np.inf)
        for pile in self.piles.values():
            bound = np.where(np.isfinite(pile.log_upper), pile.log_upper, pile.log_lower)
            np.maximum.at(top, pile.family, bound)
        return np.where(np.isfinite(top), top, 0.0)

    @cached_property
    def adding(self) -> dict[str, csr_array]:
        """Matrices that add rows up to families, counted, and weighted alternatives to records."""
        found = {}
        for name, pile in self.piles.items():
            if name == "mixed":
                start = np.append(run_starts(pile.record), pile.record.size)
                shape = (start.size - 1, start[-1])
                found["alternatives"] = csr_array((pile.weight, np.arange(start[-1]), start), shape=shape)
                pile = pile.take(start[:-1])
            at = np.searchsorted(pile.family, np.arange(self.n_families + 1))
            found[name] = csr_array((pile.number, np.arange(at[-1]), at), shape=(self.n_families, at[-1]))
        return found

    def take(self, families: IntArray) -> "Rows":
        """Rows of the families listed (ascending), renumbered in that order."""
        if families.size == self.n_families:
            return self
        piles = {}
        for name, pile in self.piles.items():
            at, place = rows_of(pile.family, families)
            piles[name] = pile.take(at)._replace(family=place)
        return Rows(piles, families.size)


@dataclass(frozen=True, eq=False)
class ComponentRecords:
    """All that is known about one component; its families, then those that nobody has seen.

    Those are one of each kind and one of an unseen kind: arrays have the shape (n_families + n_kinds + 1,).
    """

    component: str
    families: list[str | None]  # None where hearsay is about a kind
    kinds: list[str | None]  # None where it is not told
    kind: IntArray
    power: FloatArray  # how many such there are: 1 but for hearsay about a kind, 0 of the unseen
    n_records: FloatArray  # hearsay not counted
    reference_year: float  # mean of all records, a whole year; NaN if years are not told apart
    mean_year: FloatArray  # decades from the reference year
    rows: Rows


def gather(
    records: LifeRecords | None,
    *,
    component: ArrayLike,
    family: ArrayLike,
    kind: ArrayLike | None = None,
    year: ArrayLike | None = None,
    hearsay: Sequence[Hearsay] = (),
) -> list[ComponentRecords]:
    """Lay labels and hearsay beside life records; sort them into components, families and sorts of record."""
    size = 0 if records is None else len(records)
    columns = ("lower", "upper", "count", "weight", "record")
    frame = pd.DataFrame(
        {
            "component": _row_labels("component", component, size),
            "family": _row_labels("family", family, size),
            "kind": np.full(size, None) if kind is None else _row_labels("kind", kind, size, needed=False),
            "year": np.full(size, np.nan) if year is None else _row_years(year, size),
            "heard": False,
            "power": 1.0,
            **{name: np.zeros(0) if records is None else getattr(records, name) for name in columns},
        }
    )
    _check_labels(frame)
    frame["alternatives"] = frame.groupby("record")["record"].transform("size")
    frame = _with_hearsay(frame, hearsay, has_kinds=kind is not None)
    told = frame[(frame["lower"] > 0) | np.isfinite(frame["upper"]) | frame["alternatives"].gt(1)]
    order = ["component", "family", "power", "record", "lower", "upper", "year"]
    told = told.sort_values(order, kind="stable", na_position="last")
    ranked = {name: told[name].to_numpy() for name in told.columns}
    start = run_starts(ranked["component"])
    has_kinds = bool(frame["kind"].notna().any())
    return [
        _one_component({name: values[a:b] for name, values in ranked.items()}, has_kinds=has_kinds)
        for a, b in zip(start, np.append(start, len(told))[1:], strict=True)
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
    with np.errstate(divide="ignore"):  # log 0 = -inf stands for "never seen working"
        bounds = np.log(rows["lower"]), np.log(rows["upper"])
    offset = np.where(has_year, decades - mean_year[code], 0.0)
    pile = _Pile(code, *bounds, offset, *(rows[name].astype(float) for name in ("count", "weight", "record")))
    is_mixed = rows["alternatives"] > 1
    piles = {"mixed": pile.take(is_mixed)}
    for name, of_sort in _sorts(pile).items():
        one = pile.take(of_sort & ~is_mixed)
        one = one.take(np.lexsort((one.offset, one.log_upper, one.log_lower, one.family)))
        start = run_starts(one.family, one.log_lower, one.log_upper, one.offset)  # equal rows become one
        number = np.add.reduceat(one.number, start) if start.size else one.number
        piles[name] = one.take(start)._replace(number=number)
    return ComponentRecords(
        component=rows["component"][0],
        families=list(rows["family"][first]),
        kinds=kinds,
        kind=np.array([*map(kinds.index, rows["kind"][first]), *range(len(kinds)), len(kinds) * has_kinds]),
        power=np.append(rows["power"][first].astype(np.float64), unseen),
        n_records=n_records,
        reference_year=reference,
        mean_year=mean_year,
        rows=Rows(piles, n_records.size),
    )


def _sorts(pile: _Pile) -> dict[str, NDArray[np.bool_]]:
    """Which rows are of which sort; those that say nothing are of none."""
    never, always = np.isneginf(pile.log_lower), np.isposinf(pile.log_upper)
    exact = pile.log_lower == pile.log_upper
    between = ~never & ~always & ~exact
    return {"failed": never & ~always, "sound": always & ~never, "between": between, "exact": exact}


# ---- Likelihoods of many families at once, at the nodes of their lattices


# Numbers held in one block of work: about what a processor keeps near by
ELEMENTS_AT_ONCE = 250_000
# Log hazards are cut to these: no failure ever, certain failure; nothing under- or overflows between
NEVER, CERTAIN = -340.0, 40.0
# Stands for a probability of zero under a logarithm
SMALLEST = 1e-300


def log_likelihood(rows: Rows, log_scale: FloatArray, log_shape: FloatArray, slope: float) -> FloatArray:
    """Log-likelihood of each family's records at the nodes of its lattice."""
    # Log scale (F, I, 1) or (F, I, J) for units of the family's mean production year, log shape (F, J), slope
    # of log scale per decade; gives (F, I, J). With a reference age r of the family, (t / scale)^shape =
    # (t / r)^shape (r / scale)^shape: the second factor is one table per family and the first knows no scale,
    # so that sound records cost next to nothing and the others no power of their own at each node.
    total = np.zeros((rows.n_families, log_scale.shape[1], log_shape.shape[1]))
    if rows.sizes.any():
        for at in _blocks((1 + rows.sizes) * total[0].size):
            hazards = _Hazards(rows.greatest[at], log_scale[at], log_shape[at], slope)
            hazards.add_to(total[at], rows.take(np.arange(at.start, at.stop)))
    return total


def _blocks(sizes: NDArray[np.generic]) -> Iterator[slice]:
    """Cut families into runs that fit one block of work."""
    work, first = np.cumsum(sizes), 0
    while first < sizes.size:
        done = work[first - 1] if first else 0
        last = max(int(np.searchsorted(work, done + ELEMENTS_AT_ONCE)), first + 1)
        yield slice(first, last)
        first = last


class _Hazards:
    """Cumulative hazards of one block of families."""

    def __init__(
        self, reference: FloatArray, log_scale: FloatArray, log_shape: FloatArray, slope: float
    ) -> None:
        self.slope, self.reference = slope, reference
        self.log_shape, self.shape = log_shape, np.exp(log_shape)
        exponent = self.shape[:, None, :] * (reference[:, None, None] - log_scale)
        self.log_table = np.clip(exponent, NEVER, CERTAIN)
        self.minus_table = -np.exp(self.log_table)

    def add_to(self, total: FloatArray, rows: Rows) -> None:
        """Add the log-likelihood of all records, in place; (F, I, J)."""
        flat = total.reshape(len(total), -1)
        for name, pile in rows.piles.items():
            n_rows = pile.family.size
            if n_rows == 0:
                continue
            if name == "sound":
                relative = rows.adding[name] @ self._relative(pile, pile.log_lower)
                total += self.minus_table * relative[:, None]
            elif name == "mixed":
                # Alternatives are added with their weights before the logarithm is taken.
                terms = np.ones((n_rows, *total.shape[1:]))
                for sort, of_sort in _sorts(pile).items():
                    if of_sort.all():
                        terms = self._terms(sort, pile, is_log=False)
                    elif of_sort.any():
                        terms[of_sort] = self._terms(sort, pile.take(of_sort), is_log=False)
                terms = np.maximum(rows.adding["alternatives"] @ terms.reshape(n_rows, -1), SMALLEST)
                flat += rows.adding[name] @ np.log(terms, out=terms)
            else:
                flat += rows.adding[name] @ self._terms(name, pile, is_log=True).reshape(n_rows, -1)

    def _log_relative(self, pile: _Pile, log_age: FloatArray) -> FloatArray:
        """Log of the hazard at an age relative to that at the reference age; (n_rows, J)."""
        distance = log_age - self.slope * pile.offset - self.reference[pile.family]
        return self.shape[pile.family] * distance[:, None]

    def _relative(self, pile: _Pile, log_age: FloatArray) -> FloatArray:
        return np.exp(np.clip(self._log_relative(pile, log_age), NEVER, CERTAIN))

    def _minus(self, pile: _Pile, log_age: FloatArray) -> FloatArray:
        """Cumulative hazard at an age, times -1; (n_rows, I, J)."""
        hazard = self.minus_table[pile.family]
        hazard *= self._relative(pile, log_age)[:, None]
        return hazard

    def _terms(self, sort: str, pile: _Pile, *, is_log: bool) -> FloatArray:
        """Likelihoods of single rows, or their logs; (n_rows, I, J)."""
        if sort == "sound":
            terms = self._minus(pile, pile.log_lower)  # this is where the time goes: no further copy
            return np.exp(terms, out=terms)
        if sort == "failed":
            terms = self._minus(pile, pile.log_upper)
            np.negative(np.expm1(terms, out=terms), out=terms)
            return np.log(terms, out=terms) if is_log else terms
        if sort == "between":
            # log(exp(-a) - exp(-b)) = -a + log(1 - exp(a - b)) stays finite where both survivals vanish.
            lower, upper = self._minus(pile, pile.log_lower), self._minus(pile, pile.log_upper)
            terms = lower + np.log(np.maximum(-np.expm1(upper - lower), SMALLEST))
        else:  # Density shape / t * hazard * exp(-hazard).
            log_hazard = self.log_table[pile.family] + self._log_relative(pile, pile.log_lower)[:, None, :]
            constant = self.log_shape[pile.family] - pile.log_lower[:, None]
            terms = constant[:, None, :] + log_hazard - np.exp(np.minimum(log_hazard, CERTAIN))
        return terms if is_log else np.exp(terms, out=terms)


# ---- Lattices: for every family where its posterior lies, as fine as it needs


# A lattice reaches to where the log posterior is this far below its peak: 4.2 standard deviations
DEPTH = 9.0
# The same depth in standard deviations of a normal distribution: sqrt(2 DEPTH)
REACH = 4.2
# Families without records have longer tails than a normal distribution
UNSEEN_REACH = 5.5
# The search begins this much beyond the reach of the prior in log scale and log shape, so that a family
# unlike all others is found
FARTHER = np.array([4.0, 1.5])
LINES, NODES_IN_LINE = 11, 14
MOST_SEARCHES = 12
DRAFT_NUMBERS = (24,)
# Few different numbers of nodes of log scale, so that families share a block of work
NODE_NUMBERS = (24, 40, 64, 120, 270, 600, 1500)
MOST_SHAPES = 200

# Widest steps of a lattice in standard deviations of a posterior, and of the narrowest prior that may be: a
# sum over a normal density is then off by 0.03 and by 1.4 %
STEP, PRIOR_STEP = 1.5, 2.0


def _find_boxes(rows: Rows, mean: FloatArray, sd: FloatArray, slope: float) -> tuple[FloatArray, ...]:
    """Box around the posterior of each family, under one normal prior each.

    Gives its low and high ends and the widest steps that a lattice there may have; (F, 2).
    """
    # For a given shape the log posterior is concave in log scale (nearly so where records are mixtures over
    # years), so nodes along that line enclose its upper part safely, however narrow it is. A family is looked
    # at again, ever closer, until its box stops shrinking. Those without records have their prior's box.
    has_records = rows.sizes > 0
    reach = np.where(has_records[:, None], REACH * sd + FARTHER, UNSEEN_REACH * sd)
    low, high, thinnest = mean - reach, mean + reach, sd[:, 0].copy()
    line_low, line_high = (np.repeat(edge[:, :1], LINES, axis=1) for edge in (low, high))
    share = np.linspace(0.0, 1.0, NODES_IN_LINE)[:, None]
    left = np.flatnonzero(has_records)
    picked = rows.take(left)
    for _ in range(MOST_SEARCHES):
        if left.size == 0:
            break
        y = _regular(low[left, 1], high[left, 1], LINES)
        x = line_low[left][:, None] + (line_high - line_low)[left][:, None] * share
        value = log_likelihood(picked, x, y, slope)
        value -= 0.5 * ((x - mean[left, :1, None]) / sd[left, :1, None]) ** 2
        value -= 0.5 * ((y - mean[left, 1:]) / sd[left, 1:])[:, None] ** 2
        top = value.max(axis=1)
        level = top.max(axis=1) - DEPTH
        matters = top > level[:, None]
        # Closer ends of every line, and how thin the thinnest is near the peak.
        x, value = np.swapaxes(x, 1, 2), np.swapaxes(value, 1, 2)
        inside = value > top[:, :, None] - DEPTH
        first, last = _ends(inside)
        line_low[left], line_high[left] = _at(x, first), _at(x, last)
        near = top > level[:, None] + DEPTH - 1.0
        width = inside.sum(axis=2) * (x[:, :, 1] - x[:, :, 0])
        thinnest[left] = np.where(near, width, np.inf).min(axis=1) / (2 * REACH)
        ends = _crossings(x, value, level[:, None])
        low[left, 0] = np.where(matters, ends[0], np.inf).min(axis=1)
        high[left, 0] = np.where(matters, ends[1], -np.inf).max(axis=1)
        # Shapes are narrowed only once the lines along the scales have settled.
        settled = ~((last - first < 0.6 * (NODES_IN_LINE - 1)) & matters).any(axis=1)
        was = high[left, 1] - low[left, 1]
        ends = _crossings(y, top, level)
        closer = settled & (ends[1] - ends[0] < 0.6 * was)
        for edge, end in zip((low, high), ends, strict=True):
            edge[left, 1] = np.where(settled, end, edge[left, 1])
        between = (y >= ends[0][:, None] - 1e-9) & (y <= ends[1][:, None] + 1e-9)
        for line, worst, least in ((line_low, np.inf, np.min), (line_high, -np.inf, np.max)):
            hull = least(np.where(between, line[left], worst), axis=1)
            line[left[closer]] = hull[closer, None]
        is_left = ~settled | closer
        left, picked = left[is_left], picked.take(np.flatnonzero(is_left))
    return low, high, STEP * np.stack([thinnest, (high[:, 1] - low[:, 1]) / (2 * REACH)], axis=1)


def _crossings(x: FloatArray, value: FloatArray, level: FloatArray) -> list[FloatArray]:
    """Where values first and last cross a level along the last axis, by straight lines; else the ends."""
    inside = value > level[..., None]
    found = []
    for outer, inward in zip(_ends(inside), (1, -1), strict=True):
        inner = np.clip(outer + inward, 0, x.shape[-1] - 1)
        x0, x1, v0, v1 = (_at(array, node) for array in (x, value) for node in (outer, inner))
        is_outside = v0 < level
        part = np.where(is_outside, level - v0, 0.0) / np.where(is_outside & (v1 > v0), v1 - v0, 1.0)
        # Between few nodes inside, the peak may lie anywhere up to their neighbours.
        part = np.where(inside.sum(axis=-1) > 3, np.minimum(part, 1.0), 0.0)
        found.append(x0 + part * (x1 - x0))
    return found


def _at(array: FloatArray, node: IntArray) -> FloatArray:
    """Value at one node of the last axis."""
    return np.take_along_axis(array, node[..., None], axis=-1)[..., 0]


def _ends(inside: NDArray[np.bool_]) -> tuple[IntArray, IntArray]:
    """Nodes just outside the first and last true one along the last axis, or the very last ones."""
    last = inside.shape[-1] - 1
    first_in, last_in = np.argmax(inside, axis=-1), last - np.argmax(inside[..., ::-1], axis=-1)
    return np.maximum(first_in - 1, 0), np.minimum(last_in + 1, last)


def _regular(low: FloatArray, high: FloatArray, n: int) -> FloatArray:
    """`n` regular nodes from `low` to `high`; shape (F, n)."""
    return low[:, None] + (high - low)[:, None] * np.linspace(0.0, 1.0, n)


class _Lattice:
    """Regular lattices of some families (F,) with equally many nodes, and their likelihoods for one slope."""

    def __init__(
        self,
        family: IntArray,  # (F,): their positions
        rows: Rows,
        log_scale: FloatArray,  # (F, I), for units of the family's mean production year
        log_shape: FloatArray,  # (F, J)
        # (F,): power of the likelihood, below 1 where it is a ridge too thin for the lattice and is widened
        belief: FloatArray,
        slope: float,
    ) -> None:
        self.family, self.log_scale, self.log_shape = family, log_scale, log_shape
        log_like = log_likelihood(rows, log_scale[:, :, None], log_shape, slope)
        log_like *= belief[:, None, None]
        peak = log_like.max(axis=(1, 2))
        log_like -= peak[:, None, None]
        # (F, I, J), relative to its greatest value; log of that value times the area that a node stands for
        self.likelihood: SingleArray = np.exp(log_like.astype(np.float32))
        steps = [axis[:, 1] - axis[:, 0] for axis in (log_scale, log_shape)]
        self.log_unit = peak + np.log(steps[0] * steps[1])


def _lay_lattices(
    rows: Rows, boxes: tuple[FloatArray, ...], widest: FloatArray, numbers: Sequence[int]
) -> Sequence[Callable[[float], _Lattice]]:
    """Lattices over the boxes by slope, in groups of families with equally many nodes of log scale."""
    low, high, step = boxes
    wanted = np.ceil((high - low) / np.minimum(step, widest)) + 1
    choice = np.minimum(np.searchsorted(numbers, wanted[:, 0]), len(numbers) - 1)
    belief = np.minimum(1.0, numbers[-1] / wanted[:, 0]) ** 2
    lattices = []
    for group in np.unique(choice):
        family = np.flatnonzero(choice == group)
        n_shapes = int(np.clip(wanted[family, 1].max(), 8, MOST_SHAPES))
        sides = (low[family].T, high[family].T, (numbers[group], n_shapes))
        x, y = (_regular(*side) for side in zip(*sides, strict=True))
        lattices.append(partial(_Lattice, family, rows.take(family), x, y, belief[family]))
    return lattices


# ---- What the families of one component have in common: nodes laid where it is likely, and weighed


# Stands for a sum that vanished in single precision
SMALLEST_SINGLE = 1e-37
# Nodes along each of the mean log shape and log s of both spreads, and their step in standard deviations
N_COMMON, COMMON_STEP = 4, 1.5
# Nodes of a kind's centre, and of an unseen kind's with its longer tails, reach so many deviations
CENTRE_REACH, NEW_REACH = 4.5, 6.0
CENTRE_STEP, MOST_CENTRES = 0.8, 41

# Nodes of log s for the spread of kinds, and how many prior standard deviations they reach
N_SPREADS, SPREAD_REACH = 7, 2.5
# Nodes of the mean of kinds for each spread
N_MEANS, MEANS_REACH = 11, 3.6
# How often nodes are laid anew until they lie where the posterior is
MOST_MOVES = 12


def _log_normal(x: FloatArray, mean: FloatArray | float, sd: FloatArray | float) -> FloatArray:
    return -0.5 * ((x - mean) / sd) ** 2 - np.log(sd * np.sqrt(2 * np.pi))


def _normalised(log_weight: FloatArray, axes: int = 1) -> tuple[FloatArray, FloatArray]:
    """Log of the sum over the last axes, and the weights divided by it."""
    over = tuple(range(-axes, 0))
    top = log_weight.max(axis=over, keepdims=True)
    weight = np.exp(log_weight - top)
    total = weight.sum(axis=over, keepdims=True)
    return (np.log(total) + top).squeeze(over), weight / total


@dataclass(frozen=True, eq=False)
class _Guess:
    """Where the common parameters lie, as normal distributions."""

    # (3 + n_kinds,): mean log shape, log s of the shapes, log s of the scales, and the centres of the kinds,
    # the last one unseen if kinds are told apart; and how these change per unit of slope.
    place: FloatArray
    trend: FloatArray
    covariance: FloatArray  # (3, 3), of the first three
    centre_sd: FloatArray  # (n_kinds,)
    centre_given: float  # the smallest of these when the other parameters are known

    @property
    def mean(self) -> FloatArray:
        return self.place[:3]

    @property
    def centre(self) -> FloatArray:
        return self.place[3:]

    @property
    def sd(self) -> FloatArray:
        return np.sqrt(np.diag(self.covariance))

    def family_sd(self, prior: Hyperprior) -> tuple[FloatArray, float]:
        """Give ample standard deviations of a family's log scale, by kind, and of its log shape."""
        shape_spread, scale_spread = prior.spread(self.mean[1:] + 1.3 * self.sd[1:])
        return np.hypot(scale_spread, self.centre_sd), float(np.hypot(shape_spread, self.sd[0]))

    def is_within(self, other: "_Guess", prior: Hyperprior) -> bool:
        """Whether lattices laid for another guess do for this one."""
        (scale_sd, shape_sd), (own_scale_sd, own_shape_sd) = other.family_sd(prior), self.family_sd(prior)
        shifts = np.abs(self.centre - other.centre) / scale_sd
        shift = max(shifts.max(), abs(self.mean[0] - other.mean[0]) / shape_sd)
        return bool(shift < 1.0 and max((own_scale_sd / scale_sd).max(), own_shape_sd / shape_sd) < 1.3)


class _Average:
    """What the records of one component say, at one slope, of nodes of the common parameters.

    A nodes of log s of the scales with B of the other two for each, laid around a guess, and Q of the centre
    of each kind.
    """

    def __init__(
        self,
        lattices: list[_Lattice],
        records: ComponentRecords,
        slope: float,
        prior: Hyperprior,
        guess: _Guess,
    ) -> None:
        self.lattices, self.records, self.slope = lattices, records, slope
        self.prior, self.guess = prior, guess
        axis = COMMON_STEP * (np.arange(N_COMMON) - (N_COMMON - 1) / 2)
        z = np.stack(np.meshgrid(axis, axis, axis, indexing="ij")[::-1], axis=-1)
        # (A, B, 3): places on the axes of the guess, and the parameters there. The root of the covariance is
        # an upper triangle: the last parameter moves along one axis only.
        self.z = z.reshape(N_COMMON, -1, 3)
        self.root = np.linalg.cholesky(guess.covariance[::-1, ::-1])[::-1, ::-1]
        self.common = guess.mean + self.z @ self.root.T
        self.scale_spread = prior.spread(self.common[:, :1, 2])  # (A, 1)
        self.shape_spread = prior.spread(self.common[:, :, 1])  # (A, B)
        n_kinds = guess.centre.size
        reach, widest = np.full(n_kinds, CENTRE_REACH), CENTRE_STEP * guess.centre_given
        if n_kinds > 1:
            reach[-1], widest = NEW_REACH, min(widest, STEP * prior.least_spread)
        half = reach * guess.centre_sd
        n_steps = np.clip(np.ceil(2 * half[: max(n_kinds - 1, 1)].max() / widest), 8, MOST_CENTRES - 1)
        self.centre = _regular(guess.centre - half, guess.centre + half, int(n_steps) + 1)  # (n_kinds, Q)
        self.log_step = np.log(2 * half / n_steps)  # (n_kinds,)
        self.log_marginal = [self._marginals(lattice) for lattice in lattices]
        log_z, self.centre_weight = self._average_kinds()
        log_cell = np.log(np.diag(self.root)).sum() + 3 * np.log(COMMON_STEP)  # volume of each node
        log_z += _log_normal(self.common, *prior.common).sum(axis=2) + log_cell
        # Log marginal likelihood of all records, and posterior probabilities of the nodes (A, B); those of
        # the centres given the node are `centre_weight` (n_kinds, A, B, Q).
        log_evidence, self.weight = _normalised(log_z, axes=2)
        self.log_evidence = float(log_evidence)

    def _densities(
        self, lattice: _Lattice
    ) -> Iterator[tuple[slice, SingleArray, SingleArray, FloatArray, FloatArray]]:
        """Prior densities at the nodes of lattices, by blocks of families."""
        # Of log scale (F, A, Q, I) and log shape (F, A, J, B), relative to their greatest values, whose logs
        # (F, A, 1, Q) and (F, A, B, 1) follow: none vanishes however far a family lies from the others. All
        # products of them are small: large ones are spread over threads, which costs more than it saves.
        constant = -np.log(2 * np.pi * self.scale_spread * self.shape_spread)[:, :, None]
        largest = max(lattice.log_scale.shape[1], self.shape_spread.shape[1]) * self.centre.shape[1]
        for rows in _blocks(np.full(lattice.family.size, largest * len(self.shape_spread))):
            family = lattice.family[rows]
            centre = self.centre[self.records.kind[family]]
            centre = centre + self.slope * self.records.mean_year[family, None]
            axis, spread = lattice.log_scale[rows, None, None], self.scale_spread[:, :, None]
            scale, top_scale = _relative_density(axis, 3, centre[:, None, :, None], spread)
            axis, spread = lattice.log_shape[rows, None, :, None], self.shape_spread[:, None]
            shape, top_shape = _relative_density(axis, 2, self.common[None, :, None, :, 0], spread)
            yield rows, scale, shape, np.swapaxes(top_scale, 2, 3), np.swapaxes(top_shape, 2, 3) + constant

    def _marginals(self, lattice: _Lattice) -> FloatArray:
        """Log marginal likelihoods of the families of one lattice; (F, A, B, Q)."""
        found = np.empty((lattice.family.size, *self.shape_spread.shape, self.centre.shape[1]))
        for rows, scale, shape, top_scale, top_shape in self._densities(lattice):
            n, a, q, i = scale.shape
            over_scales = scale.reshape(n, a * q, i) @ lattice.likelihood[rows]
            mass = np.swapaxes(over_scales.reshape(n, a, q, -1) @ shape, 2, 3)
            found[rows] = np.log(np.maximum(mass, SMALLEST_SINGLE))
            found[rows] += top_scale
            found[rows] += top_shape
        found += lattice.log_unit[:, None, None, None]
        return found

    def _average_kinds(self) -> tuple[FloatArray, FloatArray]:
        """Integrate the centres of the kinds, and their own mean and spread."""
        # The log marginal likelihoods (A, B) of the other parameters, and the probabilities of the centres
        # given them, from the log likelihoods (n_kinds, A, B, Q) of the kinds' families.
        prior, middle, n_kinds = self.prior, np.log(self.prior.scale_years), len(self.centre)
        of_kind = self.log_step[:, None, None, None] + np.zeros_like(self.log_marginal[0][:1])
        for lattice, found in zip(self.lattices, self.log_marginal, strict=True):
            kind, power = self.records.kind[lattice.family], self.records.power[lattice.family]
            for k in np.unique(kind[power > 0]):
                of_kind[k] += np.einsum("f,fabq->abq", power * (kind == k), found)
        if n_kinds == 1:
            log_z, weight = _normalised(of_kind + _log_normal(self.centre[0], middle, prior.scale_sd))
            return log_z[0], weight
        z = np.linspace(-SPREAD_REACH, SPREAD_REACH, N_SPREADS)
        spread = prior.spread(np.log(prior.kind_spread) + prior.spread_sd * z)[:, None]
        mean, log_mean = self._means_of_kinds(of_kind, spread)
        log_mean += _log_normal(z, 0.0, 1.0)[:, None] + np.log(z[1] - z[0])
        density = np.exp(_log_normal(self.centre[:, :, None, None], mean, spread))
        density = density.reshape(n_kinds, 1, density.shape[1], -1)
        top = of_kind.max(axis=3, keepdims=True)
        likelihood = np.exp(of_kind - top)
        own = np.maximum(likelihood @ density, SMALLEST)
        # The kind that nobody has seen says nothing of the others.
        log_z, posterior = _normalised(log_mean.ravel() + (np.log(own) + top)[:-1].sum(axis=0))
        weight = likelihood * ((posterior / own) @ np.swapaxes(density, 2, 3))
        return log_z, weight / weight.sum(axis=3, keepdims=True)

    def _means_of_kinds(self, of_kind: FloatArray, spread: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Nodes of the kinds' mean for each spread (R, S), with the log prior times their step."""
        # A normal summary of what each kind says tells where the mean must lie, given a spread.
        around, sd = np.log(self.prior.scale_years), self.prior.centre_sd
        said = of_kind.max(axis=(1, 2)) + _log_normal(self.centre, around, sd)
        weight, centre = _normalised(said[:-1])[1], self.centre[:-1]
        middle = (weight * centre).sum(axis=1)
        variance = np.maximum((weight * (centre - middle[:, None]) ** 2).sum(axis=1), 1e-12)
        precision = np.maximum(1 / variance - 1 / sd**2, 1e-3)
        share = 1 / (spread**2 + 1 / precision)
        own = 1 / self.prior.scale_sd**2
        total = own + share.sum(axis=1)
        at = (own * around + share @ ((middle / variance - around / sd**2) / precision)) / total
        z = np.linspace(-MEANS_REACH, MEANS_REACH, N_MEANS)
        mean = (at[:, None] + z / np.sqrt(total)[:, None]).reshape(-1, N_MEANS)
        log_step = np.log(z[1] - z[0]) - 0.5 * np.log(total)
        return mean, _log_normal(mean, around, self.prior.scale_sd) + log_step[:, None]

    def posteriors(self) -> Iterator[SingleArray]:
        """Posteriors of the families (F, I, J), averaged over the common parameters, by lattice."""
        log_weight = np.log(np.maximum(self.weight[:, :, None] * self.centre_weight, SMALLEST))
        for lattice, log_marginal in zip(self.lattices, self.log_marginal, strict=True):
            posterior = np.empty_like(lattice.likelihood)
            for rows, scale, shape, top_scale, top_shape in self._densities(lattice):
                # Given the nodes, a family's posterior is likelihood x prior / marginal likelihood.
                log_ratio = log_weight[self.records.kind[lattice.family[rows]]] - log_marginal[rows]
                log_ratio += top_scale
                log_ratio += top_shape
                log_ratio -= log_ratio.max(axis=(1, 2, 3), keepdims=True)
                ratio = np.exp(log_ratio.astype(np.float32))
                mixture = np.swapaxes(ratio @ scale, 2, 3)
                posterior[rows] = (mixture @ np.swapaxes(shape, 2, 3)).sum(axis=1)
            posterior *= lattice.likelihood
            posterior /= posterior.sum(axis=(1, 2), keepdims=True)
            yield posterior

    def moved(self) -> tuple[_Guess, bool]:
        """Place where the posterior was found to lie, and whether that is where the nodes were."""
        guess, weight = self.guess, self.weight[:, :, None]
        shift = (weight * self.z).sum(axis=(0, 1))
        apart = self.z - shift
        values, vectors = np.linalg.eigh(np.einsum("abi,abj->ij", weight * apart, apart))
        size = np.sqrt(np.maximum(values, 0.0))
        half = vectors * size
        if size.min() < 0.5 or np.abs(shift).max() > 1.0:
            shift, half = _parabola(self.z.reshape(-1, 3), np.log(np.maximum(weight, SMALLEST)).ravel())
        half = self.root @ half
        # Each centre, given the other parameters and by itself.
        centre, chance = self.centre[:, None, None], self.centre_weight
        given = (chance * centre).sum(axis=3)
        middle = (given * self.weight).sum(axis=(1, 2))
        variance = (chance * (centre - given[..., None]) ** 2).sum(axis=3) * self.weight
        variance = variance.sum(axis=(1, 2))
        sd = np.sqrt(variance + ((given - middle[:, None, None]) ** 2 * self.weight).sum(axis=(1, 2)))
        step, known = np.exp(self.log_step), slice(max(len(sd) - 1, 1))
        narrow = np.sqrt(variance[known])
        away = (middle - guess.centre) / guess.centre_sd
        is_settled = (
            max(np.abs(shift).max(), np.abs(away).max()) < 0.5
            and min(size.min(), (sd / guess.centre_sd).min(), (narrow / step[known]).min()) > 0.7
            and max(size.max(), (sd / guess.centre_sd).max()) < 1.25
        )
        narrow = np.maximum(narrow, 0.4 * step[known]).min()
        # Nodes that reached a centre only with their tails do not tell how wide it is.
        beyond = np.where(np.abs(away) > 1.2, away, 0.0) * guess.centre_sd
        sd = np.hypot(np.maximum(sd, 0.4 * step), beyond)
        place = np.append(guess.mean + self.root @ shift, middle)
        return _Guess(place, guess.trend, half @ half.T, sd, float(narrow)), bool(is_settled)


def _relative_density(
    axis: FloatArray, along: int, centre: FloatArray, spread: FloatArray
) -> tuple[SingleArray, FloatArray]:
    """Give normal densities at nodes along an axis, and logs of what they are relative to, one node there."""
    first, last = np.take(axis, [0], along), np.take(axis, [-1], along)
    nearest = -0.5 * ((np.clip(centre, first, last) - centre) / spread) ** 2
    unit = np.sqrt(0.5) / spread
    density = (axis - first).astype(np.float32) * unit.astype(np.float32)
    density = density - ((centre - first) * unit).astype(np.float32)
    np.square(density, out=density)
    np.subtract(-nearest.astype(np.float32), density, out=density)
    return np.exp(density, out=density), nearest


def _parabola(z: FloatArray, value: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Peak (3,) and root of the covariance of a density whose logs at few nodes are those of a normal one."""
    pairs = [(a, b) for a in range(3) for b in range(a, 3)]
    terms = np.column_stack([np.ones(len(z)), z, *(z[:, a] * z[:, b] for a, b in pairs)])
    closeness = 1 / (1 + 0.2 * (value.max() - value))
    found = np.linalg.lstsq(terms * closeness[:, None], value * closeness)[0]
    bend = np.zeros((3, 3))
    for (a, b), each in zip(pairs, found[4:], strict=True):
        bend[a, b] -= each
        bend[b, a] -= each
    values, vectors = np.linalg.eigh(bend)
    values = np.clip(values, 1 / 2.5**2, 1 / 0.1**2)
    peak = vectors @ ((vectors.T @ found[1:4]) / values)
    return peak * min(1.0, 5.0 / np.abs(peak).max()), vectors / np.sqrt(values)


# ---- One component, from its records to the posteriors of its families, seen and unseen


DRAFT_FAMILIES = 60
# With so many times more families, those of the draft are looked at with care first
MANY = 2.0
# Least spread while only the rough place of the common parameters is sought
DRAFT_SPREAD = 0.3
# A negative probability of a slope this small is set to 0
SLIGHT = 0.12
# How often lattices are laid anew until the slopes lie where the posterior is
ROUNDS = 5


@dataclass(frozen=True)
class _Slope:
    """Normal approximation of the posterior of the slope; without years its width is 0."""

    mean: float
    sd: float

    def nodes(self) -> FloatArray:
        """Three slopes that can stand for a normal distribution."""
        return self.mean + np.sqrt(3.0) * self.sd * np.arange(-1, 2) if self.sd else np.zeros(1)

    def found(self, averages: Sequence[_Average], prior: Hyperprior) -> "_Slope":
        """Peak of the log posterior that is known at the nodes, a parabola."""
        if not self.sd:
            return self
        log_prior = _log_normal(self.nodes(), 0.0, prior.slope_sd)
        low, middle, high = log_prior + [each.log_evidence for each in averages]
        half = np.sqrt(3.0) * self.sd
        bend = max((2 * middle - low - high) / half**2, 0.3 / prior.slope_sd**2)
        shift = float(np.clip((high - low) / (2 * half * bend), -2 * half, 2 * half))
        return _Slope(self.mean + shift, float(bend**-0.5))

    def next(self, found: "_Slope") -> "_Slope":
        """Where to look next; a peak outside of the nodes does not yet tell how wide it is."""
        is_outside = abs(found.mean - self.mean) > self.sd
        return _Slope(found.mean, max(found.sd, (0.9 if is_outside else 0.4) * self.sd))

    def chances(self, found: "_Slope") -> FloatArray:
        """Probabilities of the nodes that give them the mean and the variance found; some may be negative."""
        if not self.sd:
            return np.ones(1)
        shift, spread = (found.mean - self.mean) / self.sd, found.sd / self.sd
        outer = (spread**2 + shift**2) / 3
        return np.array([(outer - shift / 3**0.5) / 2, 1 - outer, (outer + shift / 3**0.5) / 2])


def _fit_component(records: ComponentRecords, prior: Hyperprior) -> "_Posterior":
    """Posteriors of the families of one component, seen and unseen."""
    has_years = bool(np.isfinite(records.reference_year))
    n_kinds = int(records.kind.max()) + 1
    # Some families of each kind are enough for a draft.
    told = [np.flatnonzero((records.kind == k) & (records.power > 0)) for k in range(n_kinds)]
    at = np.sort(np.concatenate([each[:: each.size // DRAFT_FAMILIES + 1] for each in told]))
    arrays = {name: getattr(records, name)[at] for name in ("kind", "power", "mean_year")}
    some = replace(records, **arrays, rows=records.rows.take(at))
    # On wide lattices, without years, the common parameters are sought roughly.
    draft = replace(prior, least_spread=max(DRAFT_SPREAD, prior.least_spread))
    mean, sd = draft.common
    place = np.append(mean, np.full(n_kinds, np.log(prior.scale_years)))
    centre_sd = np.full(n_kinds, draft.centre_sd)
    guess = _Guess(place, 0.0 * place, np.diag(sd**2), centre_sd, draft.centre_sd)
    _, guess = _look(some, draft, guess, _Slope(0.0, 0.0), np.full(2, draft.least_spread), DRAFT_NUMBERS)
    spreads = np.log(draft.spread(guess.mean[1:]))
    guess.place[1:3] = np.clip(spreads, *(mean[1:] + 2.5 * prior.spread_sd * np.array([[-1], [1]])))
    # Families differ by about a third, and by some six years: a first guess at what can be told.
    slope_sd = float(np.clip(1.6 / np.sqrt(at.size), 0.03, prior.slope_sd)) if has_years else 0.0
    start = guess, _Slope(0.0, slope_sd), np.full(2, prior.least_spread)
    if sum(each.size for each in told) > MANY * at.size:
        start, _ = _settle(some, prior, *start)
    _, (slope, found, averages) = _settle(records, prior, *start)
    chance = np.maximum(slope.chances(found), 0.0)
    posteriors = [each.posteriors() for each in averages]
    return _combine(averages[0].lattices, posteriors, slope.nodes(), chance / chance.sum(), found.sd)


def _settle(
    records: ComponentRecords, prior: Hyperprior, guess: _Guess, slope: _Slope, narrowest: FloatArray
) -> Any:
    """Look again until lattices and slopes lie where the posterior is.

    Gives where to look next (the guess, slopes and narrowest spreads), and what was found: the slopes looked
    at, the one found, and what the records say at each.
    """
    for _ in range(ROUNDS):
        laid_for, looked = guess, slope
        averages, guess = _look(records, prior, guess, looked, narrowest, NODE_NUMBERS)
        found = looked.found(averages, prior)
        is_there = looked.chances(found).min() > -SLIGHT and guess.is_within(laid_for, prior)
        narrowest = prior.spread((guess.mean - 3 * guess.sd)[[2, 1]])
        slope = looked.next(found)
        guess = replace(guess, place=guess.place + (slope.mean - looked.mean) * guess.trend)
        if is_there:
            break
    return (guess, slope, narrowest), (looked, found, averages)


def _look(
    records: ComponentRecords,
    prior: Hyperprior,
    guess: _Guess,
    slope: _Slope,
    narrowest: FloatArray,
    numbers: Sequence[int],
) -> tuple[list[_Average], _Guess]:
    """Weigh the common parameters at each slope, on lattices fine enough for the narrowest spreads."""
    scale_sd, shape_sd = guess.family_sd(prior)
    mean, sd = np.full((records.kind.size, 2), guess.mean[0]), np.full((records.kind.size, 2), shape_sd)
    mean[:, 0] = guess.centre[records.kind] + slope.mean * records.mean_year
    sd[:, 0] = np.hypot(scale_sd[records.kind], 2 * slope.sd * records.mean_year)
    boxes = _find_boxes(records.rows, mean, sd, slope.mean)
    lattices = _lay_lattices(records.rows, boxes, PRIOR_STEP * narrowest, numbers)
    nodes = slope.nodes()
    averages: dict[int, _Average] = {}
    for i in np.argsort(np.abs(nodes - slope.mean), kind="stable"):  # the middle one first
        at_slope, apart = [lattice(nodes[i]) for lattice in lattices], float(nodes[i] - slope.mean)
        found = replace(guess, place=guess.place + apart * guess.trend)
        for _ in range(MOST_MOVES):  # until the nodes lie where the posterior is
            averages[i] = _Average(at_slope, records, float(nodes[i]), prior, found)
            found, is_settled = averages[i].moved()
            if is_settled:
                break
        guess = replace(guess, trend=(found.place - guess.place) / apart) if apart else found
    return [averages[i] for i in range(nodes.size)], guess


# ---- Posterior of P(failed by age) along lines of constant shape


BISECTIONS = 36
# Quantiles are sought between a probability of 4e-18 and one that cannot be told from 1
SMALLEST_LOG_HAZARD, LARGEST_LOG_HAZARD = -40.0, 5.0


class _Lines:
    """Posteriors of n families as R lines of constant shape, with I regular nodes of log scale each.

    First nodes (n, R), step (n,), shapes (n, R), weights (n, R, I).
    """

    def __init__(self, first: FloatArray, step: FloatArray, shape: FloatArray, weight: FloatArray) -> None:
        self.first, self.shape = first, shape
        self.step = np.maximum(step, 1e-9)
        self.weight = weight / weight.sum(axis=(1, 2), keepdims=True)

    def mean_and_square(self, log_age: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean of the probability of having failed by an age, and of its square; two ndarrays, shape (n,)."""
        node = np.arange(self.weight.shape[2])
        work = log_age[:, None, None] - self.first[:, :, None] - self.step[:, None, None] * node
        work *= self.shape[:, :, None]
        with np.errstate(over="ignore"):  # certain death
            np.exp(work, out=work)
        np.negative(work, out=work)
        np.expm1(work, out=work)
        mean = -np.einsum("nri,nri->n", self.weight, work)
        return mean, np.einsum("nri,nri->n", self.weight, np.square(work, out=work))

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
        found = []
        for share in shares:
            low, high = np.full((2, ages.size), [[SMALLEST_LOG_HAZARD], [LARGEST_LOG_HAZARD]])
            for _ in range(BISECTIONS):
                middle = 0.5 * (low + high)
                is_below = (
                    self._chance_below(ages[:, None] - middle[:, None] / self.shape, below, rise) < share
                )
                low, high = np.where(is_below, middle, low), np.where(is_below, high, middle)
            middle = np.where(np.isfinite(log_age), 0.5 * (low + high), log_age)
            with np.errstate(over="ignore"):
                found.append(-np.expm1(-np.exp(middle)))
        return found

    def _chance_below(self, scale: FloatArray, below: FloatArray, rise: FloatArray) -> FloatArray:
        edge = np.clip((scale - self.first) / self.step[:, None] + 0.5, 0.0, self.weight.shape[2])
        left = np.minimum(edge.astype(np.int64), self.weight.shape[2] - 1)[:, :, None]
        a, b, bend = (
            np.take_along_axis(values, at, axis=2)[:, :, 0]
            for values, at in ((below, left), (below, left + 1), (rise, left))
        )
        part = edge - left[:, :, 0]
        return (below[:, :, -1] - a - (b - a) * part - 0.5 * bend * (part**2 - part)).sum(axis=1)


# ---- The normal distribution of (log scale, log shape) that says the same of P(failed)
# A posterior of lives is often one-sided: where all parts failed, only the log scale's upper end is
# sharp. A normal with its mean and covariance then puts a share of lives beyond that end. What such a
# summary is for is P(failed by age), so that is what is fitted: its mean, and its spread with half the
# weight, at the ages by which 5 to 95 % are expected to have failed.


SHARES = np.array([0.05, 0.2, 0.4, 0.6, 0.8, 0.95])
SPREAD_WEIGHT = 0.5
# Weight of staying near the moments, where P(failed) does not decide
TIE = 0.003
STEPS = 8
N_AGES = 14

_Z, _W = hermegauss(13)
_NODES = np.stack(np.meshgrid(_Z, _Z, indexing="ij")).reshape(2, -1)
_WEIGHTS = np.outer(_W, _W).ravel() / _W.sum() ** 2
_TIMES_NODES = _WEIGHTS[:, None] * np.column_stack([np.ones(_WEIGHTS.size), *_NODES])


def _normal_summary(lines: _Lines, mean: FloatArray, covariance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Fit one normal to each posterior, from its mean (n, 2) and covariance (n, 2, 2)."""
    # Levenberg-Marquardt steps on the root of the covariance; expectations under the normal by a product of
    # Gauss-Hermite rules. The result is never farther off than the moments.
    grid = mean[:, :1] + np.sqrt(covariance[:, 0, :1]) * np.linspace(-4.5, 3.0, N_AGES)
    failed = np.stack([lines.mean_and_square(log_age)[0] for log_age in grid.T], axis=1)
    # (n, 6): log ages by which `SHARES` are expected to have failed; (n, 12): what is to be met there
    log_age = np.stack([np.interp(SHARES, f, g) for f, g in zip(failed, grid, strict=True)])
    both = [lines.mean_and_square(a) for a in log_age.T]
    share, square = (np.stack(values, axis=1) for values in zip(*both, strict=True))
    spread = np.sqrt(np.maximum(square - share**2, 1e-12))
    target = np.concatenate([share, SPREAD_WEIGHT * spread], axis=1)
    root = np.linalg.cholesky(covariance)
    start = np.stack(
        [mean[:, 0], mean[:, 1], np.log(root[:, 0, 0]), np.log(root[:, 1, 1]), root[:, 1, 0]], axis=1
    )
    at, damping = start, np.full(len(start), 1e-3)
    residual, slopes = _residuals(at, start, log_age, target)
    for _ in range(STEPS):
        normal = np.swapaxes(slopes, 1, 2) @ slopes
        normal += damping[:, None, None] * np.eye(5) * np.trace(normal, axis1=1, axis2=2)[:, None, None]
        step = np.linalg.solve(normal, np.swapaxes(slopes, 1, 2) @ residual[:, :, None])[:, :, 0]
        trial = at - np.clip(step, -0.5, 0.5)
        new_residual, new_slopes = _residuals(trial, start, log_age, target)
        better = (new_residual**2).sum(axis=1) < (residual**2).sum(axis=1)
        at = np.where(better[:, None], trial, at)
        residual = np.where(better[:, None], new_residual, residual)
        slopes = np.where(better[:, None, None], new_slopes, slopes)
        damping = np.where(better, damping / 10, damping * 10)
    root = _root(at)
    return at[:, :2], root @ np.swapaxes(root, 1, 2)


def _root(at: FloatArray) -> FloatArray:
    root = np.zeros((len(at), 2, 2))
    root[:, 0, 0], root[:, 1, 1], root[:, 1, 0] = np.exp(at[:, 2]), np.exp(at[:, 3]), at[:, 4]
    return root


def _residuals(
    at: FloatArray, start: FloatArray, log_age: FloatArray, target: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Residuals (n, 17) and their derivatives (n, 17, 5)."""
    root = _root(at)
    x = at[:, 0, None] + root[:, 0, 0, None] * _NODES[0]
    y = at[:, 1, None] + root[:, 1, 0, None] * _NODES[0] + root[:, 1, 1, None] * _NODES[1]
    shape = np.exp(y)[:, None, :]
    log_hazard = np.clip(shape * (log_age[:, :, None] - x[:, None, :]), -500.0, 5.0)
    hazard = np.exp(log_hazard)
    share, density = -np.expm1(-hazard), hazard * np.exp(-hazard)
    by_x, by_y = -shape * density, log_hazard * density
    mean = share @ _WEIGHTS
    sd = np.sqrt(np.maximum((share**2) @ _WEIGHTS - mean**2, 1e-12))
    mean_slope = _slopes(by_x, by_y, root)
    both = _slopes(by_x * share, by_y * share, root)
    sd_slope = (both - mean[:, :, None] * mean_slope) / sd[:, :, None]
    residual = np.concatenate([mean, SPREAD_WEIGHT * sd], axis=1) - target
    tie = np.broadcast_to(TIE * np.eye(5), (len(at), 5, 5))
    slopes = np.concatenate([mean_slope, SPREAD_WEIGHT * sd_slope, tie], axis=1)
    return np.concatenate([residual, TIE * (at - start)], axis=1), slopes


def _slopes(by_x: FloatArray, by_y: FloatArray, root: FloatArray) -> FloatArray:
    """Mean slopes by mean log scale and shape, log of the diagonal roots, the root below; (n, ages, 5)."""
    of_x, of_y = by_x @ _TIMES_NODES[:, :2], by_y @ _TIMES_NODES
    return np.stack(
        [of_x[:, :, 0], of_y[:, :, 0], of_x[:, :, 1] * root[:, 0, 0, None],
         of_y[:, :, 2] * root[:, 1, 1, None], of_y[:, :, 1]],
        axis=-1,
    )  # fmt: skip


# ---- Posteriors of families kept as weights on lattices, and what they answer


# Of each posterior at most so many lines of constant shape are kept, and nodes on them
LINES_KEPT, NODES_KEPT = 40, 40
# Weights in half precision: the greatest of a family, and what is left out beside it
LARGEST_KEPT, SMALLEST_KEPT = 1000.0, 0.02
# About what a processor keeps near by
QUESTIONS_AT_ONCE = 32


@dataclass(frozen=True, eq=False)
class _Posterior:
    """Posteriors of n families of a component, thinned to what answers need."""

    weight: NDArray[np.float16]  # (n, R, I), on lines of constant log shape
    log_shape: FloatArray  # (n, R)
    first: FloatArray  # (n, R): first node of log scale, for units of the family's mean production year
    step: FloatArray  # (n,)
    mean: FloatArray  # (n, 2), of (log scale, log shape)
    covariance: FloatArray  # (n, 2, 2)
    slope: float  # change of log scale per decade: posterior mean and standard deviation,
    slope_sd: float
    lean: FloatArray  # (n, 2): how that mean changes with the two,
    slope_rest: FloatArray  # (n,): and its variance given them

    def normal(self, family: IntArray, decades: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Fit normals (n, 2), (n, 2, 2) of (log scale, log shape) that say the same of P(failed)."""
        shear = np.broadcast_to(np.eye(2), (family.size, 2, 2)).copy()
        shear[:, 0] += decades[:, None] * self.lean[family]
        mean = self.mean[family] + np.outer(decades, [self.slope, 0.0])
        covariance = shear @ self.covariance[family] @ np.swapaxes(shear, 1, 2)
        covariance[:, 0, 0] += decades**2 * self.slope_rest[family]
        for first in range(0, family.size, QUESTIONS_AT_ONCE):
            at = slice(first, first + QUESTIONS_AT_ONCE)
            lines = self._lines(family[at], decades[at])
            mean[at], covariance[at] = _normal_summary(lines, mean[at], covariance[at])
        return mean, covariance

    def failed_by(
        self, family: IntArray, age_years: FloatArray, decades: FloatArray, level: float
    ) -> FloatArray:
        """Posterior mean and equal-tailed band of P(failed by age); shape (3, n)."""
        out = np.empty((3, family.size))
        with np.errstate(divide="ignore"):  # age 0
            log_age = np.log(age_years)
        for first in range(0, family.size, QUESTIONS_AT_ONCE):
            at = slice(first, first + QUESTIONS_AT_ONCE)
            lines = self._lines(family[at], decades[at])
            ends = lines.quantiles(log_age[at], (0.5 - level / 2, 0.5 + level / 2))
            out[:, at] = np.stack([lines.mean_and_square(log_age[at])[0], *ends])
        return out

    def _lines(self, family: IntArray, decades: FloatArray) -> _Lines:
        """Lines of constant shape, moved to another production year."""
        y, mean, lean = self.log_shape[family], self.mean[family], decades[:, None] * self.lean[family]
        stretch = 1 + lean[:, :1]
        first = mean[:, :1] + stretch * (self.first[family] - mean[:, :1]) + lean[:, 1:] * (y - mean[:, 1:])
        first += (decades * self.slope)[:, None]
        step = stretch[:, 0] * self.step[family]
        weight = self.weight[family].astype(np.float64)
        # A guess far beyond the years on record may turn a line round.
        is_turned = step < 0
        first[is_turned] += step[is_turned, None] * (weight.shape[2] - 1)
        weight[is_turned] = weight[is_turned, :, ::-1]
        # What is not known of the slope beyond that spreads the scale by a normal of its own.
        rest = np.abs(decades) * np.sqrt(self.slope_rest[family])
        z, chance = hermegauss(3) if rest.any() else (np.zeros(1), np.ones(1))
        first = first[:, :, None] + rest[:, None, None] * z
        weight = weight[:, :, None] * chance[:, None]
        n, shape = family.size, np.repeat(np.exp(y), z.size, axis=1)
        return _Lines(first.reshape(n, -1), np.abs(step), shape, weight.reshape(n, -1, self.weight.shape[2]))


def _combine(
    lattices: list[_Lattice],
    at_slopes: Sequence[Iterator[SingleArray]],
    slopes: FloatArray,
    chance: FloatArray,
    slope_sd: float,
) -> _Posterior:
    """Average posteriors, one iterator over the lattices for each slope, by the chances of the slopes."""
    n = sum(lattice.family.size for lattice in lattices)
    mean, covariance, with_slope = np.empty((n, 2)), np.empty((n, 2, 2)), np.empty((n, 2))
    first, log_shape, step = np.empty((n, LINES_KEPT)), np.empty((n, LINES_KEPT)), np.empty(n)
    kept = np.zeros((n, LINES_KEPT, NODES_KEPT), dtype=np.float16)
    for lattice, *weights in zip(lattices, *at_slopes, strict=True):
        total = sum(p * weight.astype(np.float64) for p, weight in zip(chance, weights, strict=True))
        at, axes = lattice.family, (lattice.log_scale, lattice.log_shape)
        mean[at], covariance[at] = _moments(*axes, total)
        means = [np.stack([_along(w, a, axis) for a, axis in enumerate(axes)], axis=1) for w in weights]
        with_slope[at] = np.einsum("b,b,bfa->fa", chance, slopes - chance @ slopes, means)
        kept[at], first[at], step[at], log_shape[at] = _thinned(*axes, total)
    lean = np.linalg.solve(covariance, with_slope[:, :, None])[:, :, 0].astype(np.float64)
    rest: FloatArray = chance @ (slopes - chance @ slopes) ** 2 - (lean * with_slope).sum(axis=1)
    rest, slope = np.maximum(rest, 0.0).astype(np.float64), float(chance @ slopes)
    lines, nodes = (int(np.flatnonzero((kept > 0).any(axis=over)).max()) + 1 for over in ((0, 2), (0, 1)))
    return _Posterior(
        kept[:, :lines, :nodes].copy(), log_shape[:, :lines], first[:, :lines], step, mean, covariance,
        slope, slope_sd, lean, rest,
    )  # fmt: skip


def _thinned(
    log_scale: FloatArray, log_shape: FloatArray, weight: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Keep equally many lines and nodes of every family, where its weight is."""
    # Weights (F, LINES_KEPT, NODES_KEPT), first nodes of the lines, step along them, their log shapes.
    weight = weight * (LARGEST_KEPT / weight.max(axis=(1, 2), keepdims=True))
    inside = np.swapaxes(weight, 1, 2) > SMALLEST_KEPT
    family, (n_lines, n_nodes) = np.arange(len(inside))[:, None], inside.shape[1:]
    along = np.any(inside, axis=2)
    first_line = np.argmax(along, axis=1)
    length = n_lines - np.argmax(along[:, ::-1], axis=1) - first_line
    line = first_line[:, None] + -(-length // LINES_KEPT)[:, None] * np.arange(LINES_KEPT)
    at = np.minimum(line, n_lines - 1)
    first_node = np.argmax(inside, axis=2)
    length = np.where(along, n_nodes - np.argmax(inside[:, :, ::-1], axis=2) - first_node, 0).max(axis=1)
    stride, start = -(-length // NODES_KEPT), first_node[family, at]
    node = start[:, :, None] + stride[:, None, None] * np.arange(NODES_KEPT)
    kept = weight[family[:, :, None], np.minimum(node, n_nodes - 1), at[:, :, None]]
    kept[(node >= n_nodes) | (line[:, :, None] >= n_lines)] = 0.0
    steps = [axis[:, 1:2] - axis[:, :1] for axis in (log_scale, log_shape)]
    first = log_scale[:, :1] + start * steps[0]
    return kept, first, stride * steps[0][:, 0], log_shape[:, :1] + line * steps[1]


def _along(weight: FloatArray, axis: int, values: FloatArray) -> FloatArray:
    """Mean of values (F, n) along one axis of the weights; shape (F,)."""
    total: FloatArray = (weight.sum(axis=2 - axis, dtype=np.float64) * values).sum(axis=1)
    return total


def _moments(
    log_scale: FloatArray, log_shape: FloatArray, weight: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Means (F, 2) and covariances (F, 2, 2) of (log scale, log shape)."""
    axes = (log_scale, log_shape)
    mean = np.stack([_along(weight, a, axis) for a, axis in enumerate(axes)], axis=1)
    apart = [axis - mean[:, a, None] for a, axis in enumerate(axes)]
    covariance = np.empty((len(mean), 2, 2))
    for a, axis in enumerate(axes):
        # All on one node (thousands of witnessed lives that agree): the node still has a width.
        width = 1e-6 * (axis[:, 1] - axis[:, 0]) ** 2
        covariance[:, a, a] = _along(weight, a, apart[a] ** 2) + width
    mixed = ((weight @ apart[1][:, :, None])[:, :, 0] * apart[0]).sum(axis=1)
    covariance[:, 0, 1] = covariance[:, 1, 0] = mixed
    return mean, covariance


# ---- Posterior of lives, and the questions it answers


@dataclass(frozen=True, eq=False)
class PooledComponent:
    """One component of `PooledLives`."""

    families: dict[str, int]  # positions of those that records or hearsay name,
    kinds: dict[str | None, int]  # and of the kinds
    kind_of: dict[str, str | None]
    n_records: FloatArray  # these three as in `ComponentRecords`
    reference_year: float
    mean_year: FloatArray
    posterior: _Posterior

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
    other : _Posterior
        The one entry for a component that nobody has spoken of.
    prior : Hyperprior
    has_years, has_kinds : bool
        Whether production years, and kinds, were told apart.
    """

    parts: dict[str, PooledComponent]
    other: _Posterior
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
        """
        if not 0 < level < 1:
            raise InvalidInput(f"`level` must lie between 0 and 1, got {level!r}.")
        asked = {"component": component, "family": family, "kind": kind}
        names = [_labels(name, labels) for name, labels in asked.items()]
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
        """Nearest thing that records or hearsay speak of, and that answers for a family."""
        asked = {"component": component, "family": family, "kind": kind}
        names = [_labels(name, labels) for name, labels in asked.items()]
        every = np.broadcast(*names)
        found = np.empty(every.size, dtype=object)
        found[:] = [
            self.parts[c].place(f, k)[1] if c in self.parts else "all components" for c, f, k in every
        ]
        return found.reshape(every.shape)

    def summaries(
        self, component: str, family: Sequence[str | None], *, year: FloatArray, kind: Sequence[str | None]
    ) -> tuple[FloatArray, FloatArray]:
        """Summarise families' (log scale, log shape) by normals that say the same of P(failed).

        Means (n, 2) and covariances (n, 2, 2); NaN is no year. They are not of equal moments: posteriors of
        lives are one-sided, and it is P(failed) that must come out right.
        """
        names, kinds = np.empty((2, len(family)), dtype=object)
        names[:], kinds[:] = family, kind
        names, kinds = _labels("family", names), _labels("kind", kinds)
        posterior, entry, decades = self._places(_label("component", component), names, kinds, year)
        # Families of one kind without records of their own are one entry: many of them are asked for at once.
        each, place = np.unique(np.stack([entry, decades]), axis=1, return_inverse=True)
        mean, covariance = posterior.normal(each[0].astype(np.int64), each[1])
        return mean[place], covariance[place]

    def _places(
        self, component: str | None, family: np.ndarray, kind: np.ndarray, year: FloatArray
    ) -> tuple[_Posterior, IntArray, FloatArray]:
        """_Posterior, entries in it, and decades from each entry's mean year."""
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
        name = _label("component", component) or ""
        if name not in self.parts:
            raise unknown("There are no records or hearsay of component", name, self.components)
        return self.parts[name]

    def year_slope(self, component: str) -> tuple[float, float]:
        """Change of log scale per decade of production year, mean and standard deviation."""
        part = self._part(component)
        if not self.has_years:
            raise InvalidInput(f"The records of {component!r} were pooled without production years.")
        return part.posterior.slope, part.posterior.slope_sd

    def reference_year(self, component: str) -> float:
        """Mean production year of the component's records, NaN without years; UnknownName if not known."""
        return self._part(component).reference_year

    def n_records(self, component: str, family: str | None) -> float:
        """Count the records of a component in a family, without hearsay; 0 if nobody has seen it."""
        part = self.parts.get(_label("component", component) or "")
        place = part.families.get(_label("family", family) or "") if part else None
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


# ---- The door


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
    gathered = gather(records, component=component, family=family, kind=kind, year=year, hearsay=hearsay)
    has_kinds = any(name is not None for one in gathered for name in one.kinds)
    fit = partial(_fit_component, prior=prior)
    fitted = executor.map(fit, gathered) if executor else map(fit, gathered)
    parts = {one.component: _part(one, found) for one, found in zip(gathered, fitted, strict=True)}
    return PooledLives(parts, _other(parts, prior), prior, year is not None, has_kinds)


def _part(records: ComponentRecords, posterior: _Posterior) -> PooledComponent:
    """Keep of a component what answers questions: no records, and no families without a name."""
    families = {name: i for i, name in enumerate(records.families) if name is not None}
    # Families of sayings about a kind are in the posterior too, but nobody can ask for them.
    return PooledComponent(
        families=families,
        kinds={kind: i for i, kind in enumerate(records.kinds)},
        kind_of={name: records.kinds[records.kind[i]] for name, i in families.items()},
        n_records=records.n_records,
        reference_year=records.reference_year,
        mean_year=records.mean_year,
        posterior=posterior,
    )


OTHER_REACH, OTHER_NODES = 6.0, (128, 80)


def _other(parts: dict[str, PooledComponent], prior: Hyperprior) -> _Posterior:
    """Take an unheard-of component to be like an unseen kind of any known one, or as the prior has it."""
    # All are equally likely, each as a normal distribution.
    # The mean square of a spread hypot(least, s) with s lognormal.
    typical = np.array([prior.scale_spread, prior.kind_spread, prior.shape_spread])
    spread = prior.least_spread**2 + typical**2 * np.exp(2 * prior.spread_sd**2)
    variance = np.diag([prior.scale_sd**2 + spread[:2].sum(), prior.shape_sd**2 + spread[2]])
    known = [part.posterior for _, part in sorted(parts.items())]
    mean = np.stack([np.log([prior.scale_years, prior.shape]), *(p.mean[-1] for p in known)])
    covariance = np.stack([variance, *(p.covariance[-1] for p in known)])
    reach = OTHER_REACH * np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
    low, high = (mean - reach).min(axis=0), (mean + reach).max(axis=0)
    axes = [np.linspace(low[a], high[a], n) for a, n in enumerate(OTHER_NODES)]
    apart = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1) - mean[:, None, None]
    square = np.einsum("cija,cab,cijb->cij", apart, np.linalg.inv(covariance), apart, optimize=True)
    weight = (np.exp(-0.5 * square) / np.sqrt(np.linalg.det(covariance))[:, None, None]).sum(axis=0)[None]
    one = np.ones(1)
    lattice = _Lattice(np.zeros(1, dtype=np.int64), Rows({}, 1), axes[0][None], axes[1][None], one, 0.0)
    weight = (weight / weight.sum()).astype(np.float32)
    return _combine([lattice], [iter([weight])], np.zeros(1), one, 0.0)
