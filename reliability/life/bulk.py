"""Findings by the million: packed, counted, cut into pieces, and fitted by any executor."""

from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass
from functools import partial
from typing import Any, Protocol, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.errors import InvalidInput, unknown
from reliability.life.findings import (
    EVENTS,
    FINDING_COLUMNS,
    LEFT_OUT,
    MONTHS,
    BoolArray,
    FloatArray,
    IntArray,
    Observations,
    age_at,
    begin_windows,
    closed_windows,
    decimal_year,
    observe,
    since_middle,
    spread_years,
)
from reliability.life.lives import LifeRecords
from reliability.life.pooling import pool
from reliability.life.weibull import weibull_fits

# ---- One life in one number: quick to sort, to count, and to send away


# One life in 64 bits, from the high ones: stratum 31, first year 9, further years 9, months of age 12,
# whether the part was fitted later 1, whether the event has happened 1.
FIRST_YEAR = 1800
LARGEST_SPAN = 2**9 - 1
MOST_MONTHS = 2**12 - 1
MOST_STRATA = 2**31
_MOST_REPEATS = 1.5
_STRATUM, _FIRST, _SPAN, _MONTHS, _FITTED = 32, 23, 14, 2, 1
_LIFE = 2**_STRATUM - 1


def pack(
    stratum: IntArray,
    first: FloatArray,
    last: FloatArray,
    months: FloatArray,
    *,
    fitted: BoolArray,
    happened: BoolArray,
) -> IntArray:
    """Pack lives into one number each; arrays of shape (n,), see `Lives` for their meaning."""
    start = first.astype(np.int64)
    span = last.astype(np.int64) - start
    parts = (
        (stratum, _STRATUM),
        (start - FIRST_YEAR, _FIRST),
        (span, _SPAN),
        (months.astype(np.int64), _MONTHS),
    )
    key = np.zeros(start.size, dtype=np.int64)
    for values, shift in parts:
        key |= values << shift
    return key | (fitted.astype(np.int64) << _FITTED) | happened


def tallied(key: IntArray, count: IntArray) -> tuple[IntArray, IntArray]:
    """Sort keys and add up the counts of equal ones."""
    if not key.size:
        return key, count
    if count.sum() <= _MOST_REPEATS * key.size:
        # Where hardly two are equal, keys alone sort faster than keys with their counts beside them.
        ranked = np.repeat(key, count)
        ranked.sort()
        start = _runs(ranked)
        return ranked[start], np.diff(start, append=ranked.size)
    # Batches that are joined are sorted runs, which this kind of sorting merely merges.
    order = np.argsort(key, kind="stable")
    ranked = key[order]
    start = _runs(ranked)
    return ranked[start], np.add.reduceat(count[order], start)


def _runs(ranked: IntArray) -> IntArray:
    """Where each run of equal keys starts."""
    is_first = np.empty(ranked.size, dtype=bool)
    is_first[0] = True
    np.not_equal(ranked[1:], ranked[:-1], out=is_first[1:])
    return np.flatnonzero(is_first)


def stratum_of(key: IntArray) -> IntArray:
    """Stratum of each packed life."""
    return np.asarray(key >> _STRATUM)


def life_of(key: IntArray) -> IntArray:
    """Packed lives without their stratum: below 2**32."""
    return np.asarray(key & _LIFE)


def in_stratum(key: IntArray, stratum: IntArray) -> IntArray:
    """Packed lives moved to other strata."""
    return np.asarray((stratum << _STRATUM) | (key & _LIFE))


def unpack(key: IntArray) -> tuple[FloatArray, FloatArray, IntArray, BoolArray, BoolArray]:
    """Give first and last year, months of age, whether fitted, whether it has happened; shape (n,) each."""
    first = (key >> _FIRST) + FIRST_YEAR
    last = first + ((key >> _SPAN) & LARGEST_SPAN)
    months = (key >> _MONTHS) & MOST_MONTHS
    return first.astype(float), last.astype(float), months, (key >> _FITTED & 1) == 1, (key & 1) == 1


# ---- Counted lives cut into pieces, each to be fitted by itself


ObjectArray = NDArray[np.object_]


@dataclass(frozen=True, eq=False)
class Piece:
    """Counted lives of one component in some families, small enough to be sent to a fit.

    Attributes
    ----------
    component : str
    families, kinds : ndarray of object, shape (n_strata,)
        The strata, in this order.
    key, stratum, count : ndarray, shape (n_lives,)
        Packed lives without their stratum; position of the stratum; how often.
    apart : DataFrame
        As in `Counts`.
    """

    component: str
    families: ObjectArray
    kinds: ObjectArray
    key: NDArray[np.uint32]
    stratum: NDArray[np.int32]
    count: NDArray[np.int32]
    apart: pd.DataFrame

    def lives(self) -> "Lives":
        """Unpack into life records; windows of years become equally likely alternatives."""
        first, last, months, fitted, happened = unpack(self.key.astype(np.int64))
        source, year, weight = spread_years(first, last)
        age = np.maximum(months[source] - MONTHS * (year - first[source]), 1) / MONTHS
        happened = happened[source]
        apart, n_plain = self.apart, self.key.size
        # Pieces and batches number the records of `apart` by themselves: only their order counts here.
        record = n_plain + pd.factorize(apart["record"])[0]
        stratum = pd.Index(self.families).get_indexer(apart["family"])
        records = LifeRecords(
            np.append(np.where(happened, 0.0, age), apart["lower"]),
            np.append(np.where(happened, age, np.inf), apart["upper"]),
            count=np.append(self.count[source].astype(float), np.ones(len(apart))),
            stratum=np.append(self.stratum[source], stratum),
            record=np.append(source, record),
            weight=np.append(weight, apart["weight"]),
        )
        years = np.append(year, apart["year"].astype(float))
        return Lives(records, years, np.append(fitted[source], apart["fitted"].astype(bool)))


@dataclass(frozen=True, eq=False)
class Lives:
    """Life records of a piece, with the year that each row assumes.

    Attributes
    ----------
    records : LifeRecords
    year : ndarray of float64, shape (n_rows,)
        Of production, or of fitting.
    fitted : ndarray of bool, shape (n_rows,)
        Whether it is that of fitting.
    """

    records: LifeRecords
    year: FloatArray
    fitted: BoolArray


# ---- Counted lives: distinct ones with how often they were found, to be added up batch by batch


#: Columns of `observe`'s table that a fit needs.
APART = ("component", "family", "kind", "year", "weight", "record", "lower", "upper", "fitted")


@dataclass(frozen=True, eq=False)
class Counts:
    """What findings say of lives, each distinct life once.

    Attributes
    ----------
    event : str
        What ends a life.
    components, families : ndarray of object
        Names, sorted.
    kinds : ndarray of object, shape (n_families,)
        Kind of each family.
    key, count : ndarray of int64, shape (n_lives,)
        Packed lives, ascending, and how often each was found.
    apart : DataFrame
        `APART` of the findings that do not pack.
    left_out, assumed : Series of int
        As in `Observations`.
    last_day : datetime64[D]
        Last day on which a unit was taken in; NaT if there was none.
    """

    event: str
    components: ObjectArray
    families: ObjectArray
    kinds: ObjectArray
    key: IntArray
    count: IntArray
    apart: pd.DataFrame
    left_out: pd.Series
    assumed: pd.Series
    last_day: np.datetime64

    def __post_init__(self) -> None:
        if self.components.size * self.families.size > MOST_STRATA:
            raise InvalidInput(
                f"{self.components.size} components in {self.families.size} families are more strata than "
                f"can be counted at once ({MOST_STRATA}); count some of the archives by themselves."
            )

    @property
    def n_findings(self) -> int:
        """How many findings say something of lives."""
        return int(self.count.sum()) + int(self.apart["record"].nunique())

    def mean_years(self) -> FloatArray:
        """Mean production year of the parts of each family, parts fitted later left out.

        Returns
        -------
        ndarray of float64, shape (n_families,)
            NaN where no part of a known production year was found.
        """
        first, last, _, fitted, _ = unpack(life_of(self.key))
        family = stratum_of(self.key) % max(self.families.size, 1)
        built = self.apart[~self.apart["fitted"].astype(bool)]
        family = np.append(family, pd.Index(self.families).get_indexer(built["family"]))
        weight = np.append(np.where(fitted, 0, self.count), built["weight"].astype(float))
        year = np.append((first + last) / 2, built["year"].astype(float))
        size = self.families.size
        with np.errstate(invalid="ignore"):  # nothing over nothing is not known
            return np.asarray(np.bincount(family, weight * year, size) / np.bincount(family, weight, size))

    def pieces(self, most: int | None = None) -> Iterator[Piece]:
        """Cut into pieces to be fitted by themselves, none across two components.

        Parameters
        ----------
        most : int, optional
            Most strata in a piece; without it a piece is a whole component.
        """
        n_families = self.families.size
        of_key = stratum_of(self.key)
        apart = pd.Index(self.components).get_indexer(self.apart["component"]) * n_families
        apart += pd.Index(self.families).get_indexer(self.apart["family"])
        strata = np.union1d(np.unique(of_key), np.unique(apart))
        for i, component in enumerate(self.components):
            mine = strata[slice(*np.searchsorted(strata, (i * n_families, (i + 1) * n_families)))]
            for start in range(0, mine.size, most or max(mine.size, 1)):
                part = mine[start : start + (most or mine.size)]
                cut = slice(*np.searchsorted(of_key, (part[0], part[-1] + 1)))
                yield Piece(
                    component=str(component),
                    families=self.families[part - i * n_families],
                    kinds=self.kinds[part - i * n_families],
                    key=life_of(self.key[cut]).astype(np.uint32),
                    stratum=np.searchsorted(part, of_key[cut]).astype(np.int32),
                    count=self.count[cut].astype(np.int32),
                    apart=self.apart[(apart >= part[0]) & (apart <= part[-1])],
                )


def add_counts(parts: Iterable[Counts]) -> Counts:
    """Add up counts of several batches, in one archive or many.

    Parameters
    ----------
    parts : iterable of Counts
        Of one and the same event. They are added as they come: the memory needed is a few times that of
        the result.

    Returns
    -------
    Counts
        The same whatever the order, but for that of `apart`.

    Raises
    ------
    InvalidInput
        If there is none, they are of different events, or a family is of two kinds.
    """
    waiting: list[Counts] = []
    n_waiting, limit = 0, 0
    for part in parts:
        waiting.append(part)
        n_waiting += part.key.size
        if n_waiting > limit:
            waiting = [_joined(waiting)]
            n_waiting = waiting[0].key.size
            limit = 4 * n_waiting
    if not waiting:
        raise InvalidInput("There are no findings to add up: at least one batch is needed, 0 were given.")
    return _joined(waiting)


def _joined(parts: list[Counts]) -> Counts:
    first = parts[0]
    if len(parts) == 1:
        return first
    events = sorted({part.event for part in parts})
    if len(events) > 1:
        raise InvalidInput(
            f"Counts of different events cannot be added up; these are of {', '.join(events)}."
        )
    components = _union([part.components for part in parts])
    families = _union([part.families for part in parts])
    pairs = [np.concatenate([getattr(part, name) for part in parts]) for name in ("families", "kinds")]
    start = np.cumsum([0, *(len(part.apart) for part in parts)])
    apart = [part.apart.assign(record=pd.factorize(part.apart["record"])[0] + s)
             for part, s in zip(parts, start, strict=False) if len(part.apart)]  # fmt: skip
    key, count = tallied(
        np.concatenate([_renumbered(part, components, families) for part in parts]),
        np.concatenate([part.count for part in parts]),
    )
    return Counts(
        event=events[0],
        components=components,
        families=families,
        kinds=kinds_of(families, *pairs),
        key=key,
        count=count,
        apart=pd.concat(apart, ignore_index=True) if apart else first.apart,
        left_out=sum((part.left_out for part in parts[1:]), first.left_out),
        assumed=sum((part.assumed for part in parts[1:]), first.assumed),
        last_day=np.fmax.reduce([part.last_day for part in parts]),
    )


def _union(names: list[ObjectArray]) -> ObjectArray:
    return np.array(sorted(set().union(*names)), dtype=object)


def _renumbered(part: Counts, components: ObjectArray, families: ObjectArray) -> IntArray:
    if np.array_equal(part.components, components) and np.array_equal(part.families, families):
        return part.key
    component, family = np.divmod(stratum_of(part.key), max(part.families.size, 1))
    component = pd.Index(components).get_indexer(part.components)[component]
    family = pd.Index(families).get_indexer(part.families)[family]
    stratum = component.astype(np.int64) * families.size + family
    return in_stratum(part.key, stratum)


def kinds_of(families: ObjectArray, family: ObjectArray, kind: ObjectArray) -> ObjectArray:
    """Kind of each family, from pairs of family and kind that may repeat.

    Raises
    ------
    InvalidInput
        If one family is of two kinds.
    """
    pairs = pd.DataFrame({"family": family, "kind": kind}).drop_duplicates()
    twice = pairs["family"].duplicated()
    if twice.any():
        name = pairs["family"][twice].iloc[0]
        said = " and ".join(map(repr, sorted(pairs["kind"][pairs["family"] == name])))
        raise InvalidInput(f"A family belongs to one kind; {name!r} is said to be {said}.")
    return pairs.set_index("family")["kind"].reindex(families).to_numpy(dtype=object)


# ---- Findings counted batch by batch: what `observe` says of them, in a few bytes for each distinct life
# Nearly every finding is told by its component and family, the years in which its part can have begun its
# life, its age in months, and whether the event had happened: these five are packed into one number, and
# equal numbers are counted. What needs more (days of failure, a component that ended a job against its
# finding, several positions) goes through `observe` itself and is kept apart, row by row.


Worst = Callable[[pd.DataFrame], pd.DataFrame]
BATCH_COLUMNS = (
    "job", "family", "kind", "first_year", "last_year", "built_from", "built_to", "taken_in", "ended_by",
    "ended_why", "component", "position", "found", "original", "fitted_from", "fitted_to", "arose",
    "failed_from", "failed_to",
)  # fmt: skip
_UNKNOWN_ORIGINAL = "original not known, taken as original"
_FROM_SPAN = "production year taken from the family's span"


def count_findings(batch: pd.DataFrame, *, event: str = "failed", worst: Worst | None = None) -> Counts:
    """Count a batch of findings by the lives that they tell of.

    Parameters
    ----------
    batch : DataFrame
        `BATCH_COLUMNS` with the documented types, texts as objects or categories: findings with what is
        needed of their jobs and families. Whole jobs only; rows of one job stand together, those of one
        component in it too. A row without a component stands for a job that a component ended which has
        no finding. Rows without a job are findings that say all by themselves. An optional column `count`
        says how many such findings there are.
    event : {"failed", "needs work"}
        What ends a life.
    worst : callable, optional
        Chooses among several findings of one component in one job; takes and gives a table of findings.
        Without it each position is a life of its own.

    Returns
    -------
    Counts
        Says what `observe` says of the same findings.

    Raises
    ------
    InvalidInput
        If the event is not one of the two, a column is missing, or a family has two kinds.
    """
    if event not in EVENTS:
        raise unknown("There is no event", event, EVENTS)
    missing = [name for name in BATCH_COLUMNS if name not in batch.columns]
    if missing:
        raise InvalidInput(f"A batch of findings lacks the columns {', '.join(missing)}.")
    names = ("job", "family", "kind", "component", "ended_by")
    texts = {name: batch[name].astype("category") for name in names}
    apart, ended, implied = _special(batch, texts)
    taken_year, since = _moments(batch["taken_in"].to_numpy())
    starts, reasons = _starts(batch, taken_year)
    months = np.maximum(since - MONTHS * starts["first"], 1)
    apart |= _too_large(starts["first"], starts["last"], months)
    plain = (texts["component"].cat.codes.to_numpy() >= 0) & ~apart
    number = batch["count"].to_numpy(np.int64) if "count" in batch.columns else np.ones(len(batch), np.int64)
    used, left_out = _sift(plain, reasons, number)
    seen = _observed(batch, apart, ended, implied, event, worst)
    families, components = (_names(texts[name], seen.table[name]) for name in ("family", "component"))
    stratum = _position(texts["component"], components) * families.size + _position(texts["family"], families)
    happened = _happened(batch, event)
    key = pack(
        stratum[used],
        starts["first"][used],
        starts["last"][used],
        months[used],
        fitted=starts["fitted"][used],
        happened=happened[used],
    )
    assumed = seen.assumed.copy()
    for assumption in (_UNKNOWN_ORIGINAL, _FROM_SPAN):
        assumed[assumption] += number[used & starts[assumption]].sum()
    key, count = tallied(key, number[used])
    return Counts(
        event=event,
        components=components,
        families=families,
        kinds=_kinds(texts, families),
        key=key,
        count=count,
        apart=seen.table[list(APART)],
        left_out=seen.left_out + left_out,
        assumed=assumed,
        last_day=np.datetime64(batch["taken_in"].max(), "D") if len(batch) else np.datetime64("NaT", "D"),
    )


def _special(batch: pd.DataFrame, texts: dict[str, pd.Series]) -> tuple[BoolArray, BoolArray, BoolArray]:
    """Rows that `observe` must see, rows of the component that ended their job, rows of jobs without one."""
    job, component = (texts[name].cat.codes.to_numpy() for name in ("job", "component"))
    named = component >= 0
    new_job = np.append(True, (job[1:] != job[:-1]) | (job[1:] < 0))[: job.size]
    new_run = new_job | np.append(True, component[1:] != component[:-1])[: job.size]
    run = np.cumsum(new_run) - 1
    several = np.bincount(run)[run] > 1 if run.size else np.zeros(0, dtype=bool)
    was_ended = texts["ended_by"].cat.codes.to_numpy() >= 0
    ended = was_ended & named & (_position(texts["ended_by"], texts["component"].cat.categories) == component)
    against = ended & ~_equals(batch["found"], "failed")
    dated = (batch["failed_from"].notna() | batch["failed_to"].notna()).to_numpy()
    first = np.flatnonzero(new_job)
    told = np.logical_or.reduceat(ended, first) if first.size else np.zeros(0, dtype=bool)
    implied = was_ended & new_job & ~told[np.cumsum(new_job) - 1] if first.size else was_ended
    return named & (several | against | dated), ended, implied


def _starts(batch: pd.DataFrame, taken_year: FloatArray) -> tuple[dict[str, Any], dict[str, BoolArray]]:
    """Windows in which each life began, and what was assumed of it, by the rules of `observe`."""
    names = ("built_from", "built_to", "first_year", "last_year", "fitted_from", "fitted_to")
    year = {name: batch[name].to_numpy(dtype=np.float64) for name in names}
    built = closed_windows(
        year["built_from"], year["built_to"], year["first_year"], year["last_year"], taken_year
    )
    fitted = _equals(batch["original"], "no")
    first, last, reasons = begin_windows(
        built_first=built[0],
        built_last=built[1],
        fitted_from=year["fitted_from"],
        fitted_to=year["fitted_to"],
        taken_year=taken_year,
        fitted=fitted,
    )
    undated = np.isnan(year["built_from"]) & np.isnan(year["built_to"])
    starts = {
        "first": first,
        "last": last,
        "fitted": fitted,
        _UNKNOWN_ORIGINAL: ~fitted & ~_equals(batch["original"], "yes"),
        _FROM_SPAN: ~fitted & undated,
    }
    return starts, reasons


def _moments(taken_in: NDArray[np.datetime64]) -> tuple[FloatArray, FloatArray]:
    """Calendar year of each day, and its distance in months from the middle of the year 0."""
    if not taken_in.size:
        return np.zeros(0), np.zeros(0)
    day = taken_in.astype("datetime64[D]").astype(np.int64)
    every = np.arange(day.min(), day.max() + 1).astype("datetime64[D]")
    # Worked out once per day: a year earlier or later is 12 months more or less, whatever the day.
    years = every.astype("datetime64[Y]").astype(np.int64) + 1970.0
    months = np.rint(since_middle(decimal_year(every), np.zeros(every.size)) * MONTHS)
    return years[day - day.min()], months[day - day.min()]


def _too_large(first: FloatArray, last: FloatArray, months: FloatArray) -> BoolArray:
    """Lives that a packed number has no room for: `observe` takes them as they are."""
    with np.errstate(invalid="ignore"):  # unknown years are left out elsewhere
        return np.asarray((months > MOST_MONTHS) | (first < FIRST_YEAR) | (last - first > LARGEST_SPAN))


def _sift(plain: BoolArray, reasons: dict[str, BoolArray], number: IntArray) -> tuple[BoolArray, pd.Series]:
    """Plain rows that can be used, and how many cannot, each under the first reason that holds."""
    used = plain.copy()
    counts = dict.fromkeys(LEFT_OUT, 0)
    for reason in LEFT_OUT:
        if reason in reasons:
            hit = reasons[reason] & used
            counts[reason] = int(number[hit].sum())
            used &= ~hit
    return used, pd.Series(counts, name="findings", dtype=np.int64)


def _observed(
    batch: pd.DataFrame,
    apart: BoolArray,
    ended: BoolArray,
    implied: BoolArray,
    event: str,
    worst: Worst | None,
) -> Observations:
    """Ask `observe` of the rows that need it."""
    rows = _plain_objects(batch[apart | implied])
    units = rows.drop_duplicates("job").assign(origin=None)
    # Elsewhere the finding of the component that ended the job says so itself, and is counted by itself.
    needed = set(batch["job"][(apart & ended) | implied])
    units.loc[~units["job"].isin(needed), ["ended_by", "ended_why"]] = None
    findings = rows[rows["component"].notna().to_numpy() & apart[apart | implied]][list(FINDING_COLUMNS)]
    families = rows.drop_duplicates("family")[["family", "kind", "first_year", "last_year"]]
    return observe(units, worst(findings) if worst and len(findings) else findings, families, event=event)


def _plain_objects(rows: pd.DataFrame) -> pd.DataFrame:
    texts = {}
    for name in rows.columns:
        if isinstance(rows[name].dtype, pd.CategoricalDtype):
            values = rows[name].astype(object)
            texts[name] = values.where(values.notna(), None)
    days = {name: rows[name].astype("datetime64[ns]") for name in ("taken_in", "failed_from", "failed_to")}
    return rows.assign(**texts, **days)


def _happened(batch: pd.DataFrame, event: str) -> BoolArray:
    found = ~_equals(batch["found"], "sound") if event == "needs work" else _equals(batch["found"], "failed")
    return found & ~_equals(batch["arose"], "during work")


def _equals(texts: pd.Series, word: str) -> BoolArray:
    return texts.eq(word).to_numpy(dtype=bool)


def _names(texts: pd.Series, more: pd.Series) -> ObjectArray:
    used = np.zeros(len(texts.cat.categories) + 1, dtype=bool)
    used[texts.cat.codes.to_numpy()] = True  # the last place is that of empty texts
    return np.array(sorted({*texts.cat.categories[used[:-1]], *more}), dtype=object)


def _position(texts: pd.Series, names: Sequence[str] | ObjectArray | pd.Index) -> IntArray:
    """Place of each text among the names; -1 where it is empty or not among them."""
    place = np.append(pd.Index(names).get_indexer(pd.Index(texts.cat.categories)), -1)
    return place[texts.cat.codes.to_numpy()].astype(np.int64)


def _kinds(texts: dict[str, pd.Series], families: ObjectArray) -> ObjectArray:
    """Kind of each family."""
    family, kind = (texts[name].cat.codes.to_numpy() for name in ("family", "kind"))
    last = np.full(len(texts["family"].cat.categories), -1)
    last[family] = kind
    pairs = np.stack([np.flatnonzero(last >= 0), last[last >= 0]])
    if (other := last[family] != kind).any():  # of two kinds: named by the check below
        pairs = np.append(pairs, np.stack([family[other], kind[other]]), axis=1)
    names = (texts[name].cat.categories.to_numpy(dtype=object) for name in ("family", "kind"))
    return kinds_of(families, *(of[codes] for of, codes in zip(names, pairs, strict=True)))


# ---- Work that can be spread over processes or machines: counts, fits of pieces, pools of components
# Everything here takes a `concurrent.futures.Executor`, or None to do the work in this process. The pieces
# are cut the same way in either case and put together in their order, so the answers are the same too.


#: Strata that are fitted at once: a piece of so many weighs about a megabyte.
STRATA_PER_PIECE = 1_000
_AHEAD = 16
LIFE_COLUMNS = (
    "component", "family", "kind", "n_failed", "n_sound", "status", "shape", "shape_low", "shape_high",
    "b10_years", "b10_low_years", "b10_high_years", "b50_years", "b50_low_years", "b50_high_years",
    "age_years", "failed_own", "failed_own_low", "failed_own_high", "failed", "failed_low", "failed_high",
)  # fmt: skip

Item = TypeVar("Item")
Answer = TypeVar("Answer")


class Source(Protocol):
    """Something that gives a batch of findings when it is asked, wherever it is asked."""

    def read(self) -> pd.DataFrame:
        """Give the batch; see `count_findings` for its columns."""


def spread(
    function: Callable[[Item], Answer],
    items: Iterable[Item],
    executor: Executor | None = None,
    *,
    ahead: int = _AHEAD,
) -> Iterator[Answer]:
    """Apply a function to each item; the answers come in the order of the items.

    Parameters
    ----------
    function : callable
        Of one item. With an executor of processes it must be importable there.
    items : iterable
        Taken as they are needed.
    executor : concurrent.futures.Executor, optional
        Where the work is done.
    ahead : int
        How many items are under way at most, so that neither they nor their answers pile up.

    Yields
    ------
    Answer
    """
    if executor is None:
        yield from map(function, items)
        return
    under_way: deque[Future[Answer]] = deque()
    for item in items:
        under_way.append(executor.submit(function, item))
        if len(under_way) >= ahead:
            yield under_way.popleft().result()
    while under_way:
        yield under_way.popleft().result()


def count_all(
    sources: Sequence[Source],
    *,
    event: str = "failed",
    worst: Worst | None = None,
    executor: Executor | None = None,
) -> Counts:
    """Count the findings of many batches, each read where it is counted.

    Parameters
    ----------
    sources : sequence of Source
    event, worst
        As in `count_findings`.
    executor : concurrent.futures.Executor, optional

    Returns
    -------
    Counts

    Raises
    ------
    InvalidInput
        As `count_findings` and `add_counts` do.
    """
    return add_counts(spread(partial(_read_and_count, event=event, worst=worst), sources, executor))


def _read_and_count(source: Source, *, event: str, worst: Worst | None) -> Counts:
    return count_findings(source.read(), event=event, worst=worst)


@dataclass(frozen=True, eq=False)
class _Asked:
    """A piece, and at which age of units of which production year its families are looked at."""

    piece: Piece
    age_years: FloatArray
    year: FloatArray
    level: float
    intervals: bool


def lives_of_counts(
    counts: Counts,
    *,
    components: Collection[str] = (),
    intervals: bool = True,
    level: float = 0.90,
    executor: Executor | None = None,
) -> pd.DataFrame:
    """Tell the life of every component in every family: from its own findings, and pooled.

    Parameters
    ----------
    counts : Counts
    components : collection of str
        Only these; all if it is empty.
    intervals : bool
        Whether to work out the intervals of a family's own estimates, which takes longer than all else.
    level : float
        Of intervals and bands.
    executor : concurrent.futures.Executor, optional
        Fits pieces of strata, and pools components, side by side.

    Returns
    -------
    DataFrame
        `LIFE_COLUMNS`, sorted by component and family. `age_years` is the age, on the last day on which
        any unit was taken in, of a unit of the family's mean production year; `failed_own` the share that
        has failed by then from the family's own findings, `failed` from all families together. NaN where
        the year, or an estimate, is not known.
    """
    year = counts.mean_years()
    age = age_at(np.full(year.size, counts.last_day), year)
    ask = partial(
        _asked, families=pd.Index(counts.families), age=age, year=year, level=level, intervals=intervals
    )

    def wanted(most: int | None) -> Iterator[_Asked]:
        chosen = (piece for piece in counts.pieces(most) if not components or piece.component in components)
        return map(ask, chosen)

    own = list(spread(_own_lives, wanted(STRATA_PER_PIECE), executor))
    if not own:
        return pd.DataFrame(columns=list(LIFE_COLUMNS))
    pooled = list(spread(_pooled_lives, wanted(None), executor))
    table = pd.concat(own, ignore_index=True)
    both = table.merge(pd.concat(pooled), on=["component", "family"], validate="one_to_one")
    return both[list(LIFE_COLUMNS)]


def _asked(
    piece: Piece, *, families: pd.Index, age: FloatArray, year: FloatArray, level: float, intervals: bool
) -> _Asked:
    at = families.get_indexer(piece.families)
    return _Asked(piece, age[at], year[at], level, intervals)


def _own_lives(asked: _Asked) -> pd.DataFrame:
    """Fit each family by itself."""
    piece = asked.piece
    fit = weibull_fits(piece.lives().records, level=asked.level)
    known = np.isfinite(asked.age_years)
    columns = {
        "component": piece.component,
        "family": piece.families,
        "kind": piece.kinds,
        "n_failed": fit.n_failed,
        "n_sound": fit.n_sound,
        "status": fit.status,
        "age_years": asked.age_years,
    }
    z = {"b10": -np.log1p(-0.10), "b50": -np.log1p(-0.50)}
    estimates = {f"{name}_years": fit.scale * part ** (1 / fit.shape) for name, part in z.items()}
    ends = dict.fromkeys(LIFE_COLUMNS[6:15], np.nan) | {"shape": fit.shape, **estimates}
    own = np.full((3, piece.families.size), np.nan)
    own[0] = -np.expm1(-((asked.age_years / fit.scale) ** fit.shape))
    if asked.intervals:
        _, ends["shape_low"], ends["shape_high"] = fit.shape_interval()
        for name, share in (("b10", 0.10), ("b50", 0.50)):
            _, ends[f"{name}_low_years"], ends[f"{name}_high_years"] = fit.life(share)
        own = np.where(known, fit.failed_by(np.nan_to_num(asked.age_years)), np.nan)
    shares = dict(zip(("failed_own", "failed_own_low", "failed_own_high"), own, strict=True))
    return pd.DataFrame(columns | ends | shares)


def _pooled_lives(asked: _Asked) -> pd.DataFrame:
    """Pool one component over its families, and look at each at its age."""
    piece, lives = asked.piece, asked.piece.lives()
    at = lives.records.stratum
    pooled = pool(
        lives.records,
        component=np.full(at.size, piece.component, dtype=object),
        family=piece.families[at],
        kind=piece.kinds[at],
        year=lives.year,
    )
    known = np.isfinite(asked.age_years)
    shares = np.full((3, piece.families.size), np.nan)
    if known.any():
        shares[:, known] = pooled.failed_by(
            piece.component,
            piece.families[known],
            asked.age_years[known],
            year=asked.year[known],
            kind=piece.kinds[known],
            level=asked.level,
        )
    named = dict(zip(("failed", "failed_low", "failed_high"), shares, strict=True))
    return pd.DataFrame({"component": piece.component, "family": piece.families, **named})
