"""Records of one component, sorted by family and by what they say, ready for the likelihood."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from reliability.errors import InvalidInput
from reliability.life.life_records import BoolArray, FloatArray, IntArray

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
        record, year, heard, power; as `pooling_labels.label_rows` makes them.

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
