"""Records of one component, sorted by family and by what they say, and their likelihood."""

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from reliability.errors import InvalidInput
from reliability.life.lives import BoolArray, FloatArray, IntArray

# ---- Records of one component, sorted by family and by what they say, ready for the likelihood


SORTS = ("left", "right", "interval", "exact")
YEARS_PER_DECADE = 10.0


def label_text(name: str, label: object) -> str | None:
    """Label as the text that it is stored and looked up by; None for one that is missing."""
    if isinstance(label, str):
        return str(label)
    if isinstance(label, int | np.integer) and not isinstance(label, bool):
        return str(int(label))
    if label is None or label is pd.NA or label is pd.NaT or label != label:
        return None
    raise InvalidInput(f"`{name}` must hold texts or whole numbers as labels; it holds {label!r}.")


def label_texts(name: str, labels: np.ndarray) -> np.ndarray:
    """Many labels as texts; ndarray of object, of the same shape."""
    found = np.empty(labels.size, dtype=object)
    found[:] = [label_text(name, label) for label in labels.flat]
    return found.reshape(labels.shape)


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
            object.__setattr__(self, name, label_text(name, getattr(self, name)))
        what = f"Hearsay about {self.component!r}"
        if not 0 < self.age_years < np.inf:
            raise InvalidInput(f"{what}: `age_years` must be above 0 and finite, got {self.age_years!r}.")
        if not 0 <= self.share_failed <= 1:
            raise InvalidInput(f"{what}: `share_failed` must lie in 0 to 1, got {self.share_failed!r}.")
        if not 0 < self.worth_jobs < np.inf:
            raise InvalidInput(f"{what}: `worth_jobs` must be above 0 and finite, got {self.worth_jobs!r}.")
        if self.family is None and self.kind is None:
            raise InvalidInput(f"{what}: it must name a family or a kind, got neither.")

    def halves(self) -> list[tuple[float, float, float]]:
        """Split into the two records that it stands for: lower, upper, how many; none that is zero."""
        failed = (0.0, self.age_years, self.share_failed * self.worth_jobs)
        sound = (self.age_years, np.inf, (1 - self.share_failed) * self.worth_jobs)
        return [half for half in (failed, sound) if half[2] > 0]


@dataclass(frozen=True, eq=False)
class Pile:
    """Rows of life records, in the order of their families.

    Attributes
    ----------
    family : ndarray of int64, shape (n_rows,)
    log_lower, log_upper : ndarray of float64, shape (n_rows,)
        Log years; -inf and inf where the bound is 0 or none.
    offset : ndarray of float64, shape (n_rows,)
        Production year of the row less the family's mean one, decades.
    count : ndarray of float64, shape (n_rows,)
    """

    family: IntArray
    log_lower: FloatArray
    log_upper: FloatArray
    offset: FloatArray
    count: FloatArray

    def take(self, rows: IntArray | BoolArray | slice, family: IntArray) -> "Pile":
        """Take some of the rows, with new family numbers."""
        rest = (self.log_lower[rows], self.log_upper[rows], self.offset[rows], self.count[rows])
        return Pile(family, *rest)


@dataclass(frozen=True, eq=False)
class Rows:
    """Records of some families: those of one row each by sort, those of several alternatives apart.

    Attributes
    ----------
    single : dict of str to Pile
        One pile for each of `SORTS`.
    mixed : Pile
        All alternatives of all records that have several.
    weight : ndarray of float64, shape (n_mixed,)
        Probability of each alternative within its record.
    start : ndarray of int64, shape (n_mixed_records,)
        First row of each record in `mixed`.
    """

    single: dict[str, Pile]
    mixed: Pile
    weight: FloatArray
    start: IntArray

    def sizes(self, n_families: int) -> IntArray:
        """Rows that each family has; ndarray of int64, shape (n_families,)."""
        piles = [*self.single.values(), self.mixed]
        return sum(
            (np.bincount(pile.family, minlength=n_families) for pile in piles), np.zeros(n_families, int)
        )

    def part(self, first: int, last: int) -> "Rows":
        """Rows of the families `first` to `last` (not included), renumbered from 0."""
        single = {}
        for sort, pile in self.single.items():
            cut = slice(*np.searchsorted(pile.family, (first, last)))
            single[sort] = pile.take(cut, pile.family[cut] - first)
        cut = slice(*np.searchsorted(self.mixed.family, (first, last)))
        records = slice(*np.searchsorted(self.mixed.family[self.start], (first, last)))
        mixed = self.mixed.take(cut, self.mixed.family[cut] - first)
        return Rows(single, mixed, self.weight[cut], self.start[records] - cut.start)

    def pick(self, families: IntArray, n_families: int) -> "Rows":
        """Rows of the families listed (ascending), renumbered in that order."""
        position = np.full(n_families, -1)
        position[families] = np.arange(families.size)
        single = {}
        for sort, pile in self.single.items():
            rows = position[pile.family] >= 0
            single[sort] = pile.take(rows, position[pile.family[rows]])
        rows = position[self.mixed.family] >= 0
        is_first = np.zeros(rows.size, dtype=bool)
        is_first[self.start] = True
        mixed = self.mixed.take(rows, position[self.mixed.family[rows]])
        return Rows(single, mixed, self.weight[rows], np.flatnonzero(is_first[rows]))


@dataclass(frozen=True, eq=False)
class ComponentRecords:
    """All that is known about one component.

    Attributes
    ----------
    component : str
    families : list of str or None
        Labels; None for hearsay about a kind, which stands for families that nobody has seen.
    kinds : list of str or None
        None stands for "kind not told".
    kind : ndarray of int64, shape (n_families,)
        Position of each family's kind in `kinds`.
    power : ndarray of float64, shape (n_families,)
        How many such families there are; 1 but for hearsay about a kind.
    n_records : ndarray of float64, shape (n_families,)
        Records, hearsay not counted.
    reference_year : float
        Mean production year of all records, a whole year; NaN if years are not told apart.
    mean_year : ndarray of float64, shape (n_families,)
        Mean production year of each family, decades from the reference year.
    rows : Rows
    """

    component: str
    families: list[str | None]
    kinds: list[str | None]
    kind: IntArray
    power: FloatArray
    n_records: FloatArray
    reference_year: float
    mean_year: FloatArray
    rows: Rows

    def __len__(self) -> int:
        return len(self.families)


def gather(frame: pd.DataFrame) -> list[ComponentRecords]:
    """Sort labelled rows into components, families and sorts of record; add up what is equal.

    Parameters
    ----------
    frame : DataFrame
        Columns component, family (None for hearsay about a kind), kind, lower, upper, count, weight,
        record, year, heard, power; as `pooling.label_rows` makes them.

    Returns
    -------
    list of ComponentRecords
        In the order of the components' names.
    """
    told = frame[(frame["lower"] > 0) | np.isfinite(frame["upper"]) | frame["alternatives"].gt(1)]
    order = ["component", "family", "power", "record", "lower", "upper", "year"]
    told = told.sort_values(order, kind="stable", na_position="last")
    columns = {name: told[name].to_numpy() for name in told.columns}
    start = _starts(columns["component"])
    ends = np.append(start, len(told))[1:]
    return [
        _one_component({name: values[a:b] for name, values in columns.items()})
        for a, b in zip(start, ends, strict=True)
    ]


def _starts(*columns: np.ndarray) -> IntArray:
    """Where runs of equal values begin; the columns count together."""
    changed = [values[1:] != values[:-1] for values in columns]
    return np.flatnonzero(np.append(columns[0].size > 0, np.any(changed, axis=0)))


def _one_component(rows: dict[str, np.ndarray]) -> ComponentRecords:
    # A saying about a kind is as many families as it has parts, all without a name: None equals nothing.
    first = _starts(rows["family"])
    size = np.diff(np.append(first, rows["family"].size))
    unnamed = pd.isna(rows["family"][first])
    first = np.concatenate(
        [np.arange(f, f + n) if loose else [f] for f, n, loose in zip(first, size, unnamed, strict=True)]
    )
    code = np.zeros(rows["family"].size, dtype=np.int64)
    code[first[1:]] = 1
    code = np.cumsum(code)
    kinds = sorted(set(rows["kind"][first]), key=lambda k: (k is not None, k or ""))
    seen = ~rows["heard"].astype(bool)
    known = rows["count"] * rows["weight"] * seen
    n_records = np.bincount(code, known, minlength=first.size).astype(np.float64)
    reference, mean_year = _mean_years(rows["year"], known, code, n_records)
    years = np.where(seen, rows["year"], np.nan)
    offset = np.nan_to_num((years - reference) / YEARS_PER_DECADE - mean_year[code])
    return ComponentRecords(
        component=rows["component"][0],
        families=list(rows["family"][first]),
        kinds=kinds,
        kind=np.array([kinds.index(k) for k in rows["kind"][first]], dtype=np.int64),
        power=rows["power"][first].astype(np.float64),
        n_records=n_records,
        reference_year=reference,
        mean_year=mean_year,
        rows=_rows({**rows, "code": code, "offset": offset}),
    )


def _mean_years(
    year: FloatArray, known: FloatArray, code: IntArray, n_records: FloatArray
) -> tuple[float, FloatArray]:
    """Find the component's reference year, and each family's mean in decades from it."""
    has_year = (known > 0) & np.isfinite(year)
    if not has_year.any():
        return np.nan, np.zeros(n_records.size)
    reference = float(np.round(np.average(year[has_year], weights=known[has_year])))
    total = np.bincount(code[has_year], known[has_year] * (year[has_year] - reference), n_records.size)
    return reference, total / np.maximum(n_records, 1e-300) / YEARS_PER_DECADE


def _rows(rows: dict[str, np.ndarray]) -> Rows:
    is_single = rows["alternatives"] == 1
    keys = [rows[name][is_single] for name in ("code", "lower", "upper", "offset")]
    order = np.lexsort(keys[::-1])
    keys = [values[order] for values in keys]
    start = _starts(*keys)
    code, lower, upper, offset = (values[start] for values in keys)
    count = rows["count"][is_single][order]
    count = np.add.reduceat(count, start) if start.size else count
    of_sort = {
        "left": (lower == 0) & np.isfinite(upper),
        "right": (lower > 0) & np.isinf(upper),
        "interval": (lower > 0) & np.isfinite(upper) & (lower < upper),
        "exact": lower == upper,
    }
    single = {sort: _pile(*(v[of_sort[sort]] for v in (code, lower, upper, offset, count))) for sort in SORTS}
    names = ("code", "lower", "upper", "offset", "count", "weight", "record")
    *mixed, weight, record = (rows[name][~is_single] for name in names)
    return Rows(single, _pile(*mixed), weight, _starts(record))


def _pile(
    code: IntArray, lower: FloatArray, upper: FloatArray, offset: FloatArray, count: FloatArray
) -> Pile:
    with np.errstate(divide="ignore"):  # log 0 = -inf stands for "never seen working"
        return Pile(code, np.log(lower), np.log(upper), offset, count)


def no_records() -> ComponentRecords:
    """Component that nothing is known of."""
    nothing, none = np.zeros(0), np.zeros(0, dtype=np.int64)
    pile = Pile(none, nothing, nothing, nothing, nothing)
    rows = Rows(dict.fromkeys(SORTS, pile), pile, nothing, none)
    return ComponentRecords("", [], [None], none, nothing, nothing, np.nan, nothing, rows)


# ---- Likelihoods of many families at once, at the nodes of their lattices of log scale and log shape


ELEMENTS_AT_ONCE = 250_000
"""Numbers held in one block of work: about what a processor keeps near by."""

NEVER, CERTAIN = -340.0, 40.0
"""Log hazards are cut to these: no failure ever, certain failure; nothing under- or overflows between."""

SMALLEST = 1e-300
"""Stands for a probability of zero under a logarithm."""


def log_likelihood(rows: Rows, log_scale: FloatArray, log_shape: FloatArray, slope: float) -> FloatArray:
    """Log-likelihood of each family's records at the nodes of its lattice.

    Parameters
    ----------
    rows : Rows
        Records of F families.
    log_scale : ndarray, shape (F, I, 1) or (F, I, J)
        Log years, for units of the family's mean production year.
    log_shape : ndarray, shape (F, J)
    slope : float
        Change of log scale per decade of production year.

    Returns
    -------
    ndarray of float64, shape (F, I, J)

    Notes
    -----
    With a reference age r of the family, (t / scale)^shape = (t / r)^shape (r / scale)^shape. The second
    factor is one table per family and the first knows no scale, so that sound records cost next to
    nothing and the others no power of their own at each node.
    """
    n_nodes = (log_scale.shape[1], log_shape.shape[1])
    total = np.zeros((log_shape.shape[0], *n_nodes))
    reference = _greatest_age(rows, total.shape[0])
    for first, last in _blocks(rows.sizes(total.shape[0]), n_nodes[0] * n_nodes[1]):
        at = slice(first, last)
        hazards = _Hazards(rows.part(first, last), log_scale[at], log_shape[at], reference[at], slope)
        total[at] = hazards.log_likelihood()
    return total


def _blocks(sizes: IntArray, n_nodes: int) -> Iterator[tuple[int, int]]:
    """Split the families into runs whose rows, times the nodes, fit one block of work."""
    work = np.cumsum(np.maximum(sizes, 1)) * n_nodes
    first = 0
    while first < sizes.size:
        done = work[first - 1] if first else 0
        last = max(int(np.searchsorted(work, done + ELEMENTS_AT_ONCE)), first + 1)
        yield first, last
        first = last


class _Hazards:
    """Cumulative hazards of one block of families."""

    def __init__(
        self, rows: Rows, log_scale: FloatArray, log_shape: FloatArray, reference: FloatArray, slope: float
    ) -> None:
        self.rows, self.slope, self.reference = rows, slope, reference
        self.log_shape, self.shape = log_shape, np.exp(log_shape)
        exponent = self.shape[:, None, :] * (reference[:, None, None] - log_scale)
        self.log_table = np.clip(exponent, NEVER, CERTAIN)
        self.minus_table = -np.exp(self.log_table)

    def log_likelihood(self) -> FloatArray:
        """Sum over the records of each family; ndarray of float64, shape (F, I, J)."""
        single = self.rows.single
        sound = single["right"]
        relative = self._relative(sound, sound.log_lower)
        total = self.minus_table * _per_family(sound, sound.count, relative, len(self.shape))[:, None, :]
        for sort, terms in (("left", self._left), ("interval", self._interval), ("exact", self._exact)):
            pile = single[sort]
            if pile.family.size:
                total += _per_family(pile, pile.count, terms(pile), len(self.shape))
        if self.rows.start.size:
            total += self._mixtures()
        return total

    def _relative(self, pile: Pile, log_age: FloatArray) -> FloatArray:
        """Hazard at an age relative to that at the reference age; ndarray, shape (n_rows, J)."""
        distance = log_age - self.slope * pile.offset - self.reference[pile.family]
        return np.exp(np.clip(self.shape[pile.family] * distance[:, None], NEVER, CERTAIN))

    def _minus(self, pile: Pile, log_age: FloatArray) -> FloatArray:
        """Cumulative hazard at an age, times -1; ndarray, shape (n_rows, I, J)."""
        hazard = self.minus_table[pile.family]
        hazard *= self._relative(pile, log_age)[:, None, :]
        return hazard

    def _failed(self, pile: Pile) -> FloatArray:
        terms = self._minus(pile, pile.log_upper)  # this is where the time goes: no further copy
        np.expm1(terms, out=terms)
        return np.negative(terms, out=terms)

    def _survived(self, pile: Pile) -> FloatArray:
        terms = self._minus(pile, pile.log_lower)
        return np.exp(terms, out=terms)

    def _between(self, pile: Pile) -> FloatArray:
        lower, upper = self._minus(pile, pile.log_lower), self._minus(pile, pile.log_upper)
        return np.exp(lower) * -np.expm1(upper - lower)

    def _left(self, pile: Pile) -> FloatArray:
        terms = self._failed(pile)
        return np.log(terms, out=terms)

    def _interval(self, pile: Pile) -> FloatArray:
        # log(exp(-a) - exp(-b)) = -a + log(1 - exp(a - b)) stays finite where both survivals vanish.
        lower, upper = self._minus(pile, pile.log_lower), self._minus(pile, pile.log_upper)
        return lower + np.log(np.maximum(-np.expm1(upper - lower), SMALLEST))

    def _exact(self, pile: Pile) -> FloatArray:
        # Density shape / t * hazard * exp(-hazard).
        distance = pile.log_lower - self.slope * pile.offset - self.reference[pile.family]
        log_relative = self.shape[pile.family] * distance[:, None]
        log_hazard = self.log_table[pile.family] + log_relative[:, None, :]
        constant = self.log_shape[pile.family] - pile.log_lower[:, None]
        return constant[:, None, :] + log_hazard - np.exp(np.minimum(log_hazard, CERTAIN))

    def _mixtures(self) -> FloatArray:
        """Alternatives are added with their weights before the logarithm is taken."""
        pile, start = self.rows.mixed, self.rows.start
        never, always = np.isneginf(pile.log_lower), np.isposinf(pile.log_upper)
        exact = pile.log_lower == pile.log_upper
        likelihood = np.empty((never.size, *self.minus_table.shape[1:]))
        # Most records have one bound only, and need half the exponentials.
        for rows, chances in (
            (never & ~always, self._failed),
            (always & ~never, self._survived),
            (~never & ~always & ~exact, self._between),
            (exact, lambda part: np.exp(self._exact(part))),
            (never & always, lambda part: 1.0),
        ):
            if rows.any():
                likelihood[rows] = chances(pile.take(rows, pile.family[rows]))
        likelihood *= self.rows.weight[:, None, None]
        record = pile.take(start, pile.family[start])
        terms = np.log(np.maximum(np.add.reduceat(likelihood, start), SMALLEST))
        return _per_family(record, record.count, terms, len(self.shape))


def _per_family(pile: Pile, count: FloatArray, terms: FloatArray, n_families: int) -> FloatArray:
    """Sum of count times term over the rows of each family; shape (n_families, ...)."""
    total = np.zeros((n_families, *terms.shape[1:]))
    if pile.family.size:
        if np.any(count != 1):
            terms *= count.reshape(-1, *[1] * (terms.ndim - 1))
        start = np.flatnonzero(np.append(True, pile.family[1:] != pile.family[:-1]))
        total[pile.family[start]] = np.add.reduceat(terms, start)
    return total


def _greatest_age(rows: Rows, n_families: int) -> FloatArray:
    """Greatest finite log age among each family's records; ndarray of float64, shape (n_families,)."""
    top = np.full(n_families, -np.inf)
    for pile in (*rows.single.values(), rows.mixed):
        for bound in (pile.log_lower, pile.log_upper):
            np.maximum.at(top, pile.family, np.where(np.isfinite(bound), bound, -np.inf))
    return np.where(np.isfinite(top), top, 0.0)
