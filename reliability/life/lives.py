"""Lives as intervals of age: the one type of records, ages and windows of years, what findings say."""

from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from reliability.errors import InvalidInput, unknown

# ---- The one type for lives that are only partly known

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class LifeRecords:
    """Lives known to lie in an interval of age, in one flat table.

    The part still worked at age `lower` and had failed by age `upper`. 0 stands for "never seen
    working", ``inf`` for "still working when last seen"; equal bounds are a life that somebody
    witnessed. So a part found failed at 30 years is (0, 30], a sound one (30, inf).

    Rows that share `record` are alternatives of one and the same finding, of which exactly one is
    true (a unit built in one of several years). Their likelihoods are added with `weight`.

    Parameters
    ----------
    lower, upper : array_like, shape (n_rows,)
        Bounds of each life in years, ``0 <= lower <= upper``, `lower` finite. Every argument may
        also be a scalar that holds for all rows.
    count : array_like, shape (n_rows,), keyword-only
        How many such lives there are, 1e-100 or above. Need not be whole (a weighed opinion).
    stratum : array_like of int, shape (n_rows,), keyword-only
        The group of each row, >= 0; each group gets a fit of its own.
    record : array_like of int, shape (n_rows,), keyword-only, optional
        Which rows belong together. Without it every row is a record of its own.
    weight : array_like, shape (n_rows,), keyword-only
        Relative probability of each alternative, > 0; scaled here to a sum of 1 in each record.

    Attributes
    ----------
    lower, upper, count, weight : ndarray of float64, shape (n_rows,), read-only
    stratum, record : ndarray of int64, shape (n_rows,), read-only

    Raises
    ------
    InvalidInput
        If there is no row, or a row breaks one of the rules above; the message names its position.

    Examples
    --------
    >>> lives = LifeRecords([0, 30], [30, float("inf")], count=[2, 5])
    >>> len(lives), lives.strata.tolist()
    (2, [0])
    """

    lower: Any
    upper: Any
    count: Any = field(default=1.0, kw_only=True)
    stratum: Any = field(default=0, kw_only=True)
    record: Any = field(default=None, kw_only=True)
    weight: Any = field(default=1.0, kw_only=True)

    def __post_init__(self) -> None:
        floats = ("lower", "upper", "count", "weight")
        given = {name: _as_floats(name, getattr(self, name)) for name in floats}
        given["stratum"] = _as_integers("stratum", self.stratum)
        if self.record is not None:
            given["record"] = _as_integers("record", self.record)
        arrays = _same_length(given)
        _check_rows(arrays)
        if self.record is None:
            arrays["record"] = np.arange(arrays["lower"].size, dtype=np.int64)
            arrays["weight"] = np.ones(arrays["lower"].size)
        else:
            arrays["weight"] = _shared_weight(arrays)
        for name, values in arrays.items():
            values.setflags(write=False)
            object.__setattr__(self, name, values)

    def __len__(self) -> int:
        return int(self.lower.size)

    @property
    def strata(self) -> IntArray:
        """Strata that occur, ascending; ndarray of int64, shape (n_strata,)."""
        return np.unique(self.stratum)

    @property
    def is_alternative(self) -> BoolArray:
        """Rows that share their record with another row; ndarray of bool, shape (n_rows,)."""
        return pd.Series(self.record).duplicated(keep=False).to_numpy()

    def subset(self, mask: ArrayLike) -> "LifeRecords":
        """Take some of the rows, whole records only."""
        keep = np.asarray(mask)
        if keep.dtype != bool or keep.shape != self.lower.shape:
            raise InvalidInput(
                f"`mask` must hold one truth value for each of the {len(self)} rows; "
                f"it has type {keep.dtype} and shape {keep.shape}."
            )
        torn = np.isin(self.record, self.record[keep]) & ~keep
        if torn.any():
            raise InvalidInput(
                f"`mask` must keep or drop all alternatives of a record together; it tears record "
                f"{self.record[torn][0]} apart (position {np.argmax(torn)} is left out)."
            )
        return LifeRecords(**{each.name: getattr(self, each.name)[keep] for each in fields(self)})


def _as_floats(name: str, values: ArrayLike) -> Any:
    try:
        return np.array(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise InvalidInput(f"`{name}` must hold numbers only; it holds {values!r}.") from None


def _as_integers(name: str, values: ArrayLike) -> Any:
    numbers = np.asarray(values)
    if numbers.dtype.kind not in "iu":
        as_float = _as_floats(name, values)
        with np.errstate(invalid="ignore"):  # NaN and inf are caught by the comparison
            numbers = as_float.astype(np.int64)
        bad = np.atleast_1d(numbers != as_float)
        if bad.any():
            first = int(np.argmax(bad))
            raise InvalidInput(
                f"`{name}` must hold whole numbers; {bad.sum()} of {bad.size} are not "
                f"(first: position {first}, {np.atleast_1d(as_float)[first]:g})."
            )
    return np.array(numbers, dtype=np.int64)


def _same_length(given: dict[str, Any]) -> dict[str, Any]:
    """Stretch scalars to the length of the longest argument."""
    sizes = {name: values.size for name, values in given.items() if values.ndim > 0}
    if any(values.ndim > 1 for values in given.values()) or len(set(sizes.values())) > 1:
        listed = ", ".join(f"{name} {values.shape}" for name, values in given.items())
        raise InvalidInput(
            f"All columns must be flat and equally long, or scalars; their shapes are {listed}."
        )
    size = next(iter(sizes.values()), 1)
    if size == 0:
        raise InvalidInput("There are no life records: at least one row is needed, 0 were given.")
    return {name: values if values.ndim else np.full(size, values) for name, values in given.items()}


def _check_rows(arrays: dict[str, Any]) -> None:
    """Every rule that one row can break by itself, in the order in which it is best mended."""
    lower, upper, count, weight = (arrays[name] for name in ("lower", "upper", "count", "weight"))
    rules: tuple[tuple[str, BoolArray], ...] = (
        ("`lower` and `upper` must be numbers, not NaN", np.isnan(lower) | np.isnan(upper)),
        ("`lower` must not be negative", lower < 0),
        ("`lower` must be finite (a part was last seen working at some age)", np.isinf(lower)),
        ("`upper` must not be below `lower`", upper < lower),
        (
            "a life of exactly 0 years cannot be; give the shortest time that the records tell apart",
            upper == 0,
        ),
        ("`count` must be finite and above 0", ~((count > 0) & (count < np.inf))),
        ("`count` must be 1e-100 or above; less is nothing", count < 1e-100),
        ("`stratum` must be 0 or above", arrays["stratum"] < 0),
        ("`weight` must be finite and above 0", ~((weight > 0) & (weight < np.inf))),
    )
    for rule, bad in rules:
        if bad.any():
            i = int(np.argmax(bad))
            raise InvalidInput(
                f"Life records: {rule}. Broken by {bad.sum()} of {bad.size} records (first: position {i}, "
                f"lower {lower[i]:g}, upper {upper[i]:g}, count {count[i]:g}, "
                f"stratum {arrays['stratum'][i]}, weight {weight[i]:g})."
            )


def run_starts(*columns: NDArray[np.generic]) -> IntArray:
    """Where runs of equal values begin; the columns count together."""
    changed = np.ones(columns[0].size, dtype=bool)
    changed[1:] = np.any([values[1:] != values[:-1] for values in columns], axis=0)
    return np.flatnonzero(changed)


def _shared_weight(arrays: dict[str, Any]) -> FloatArray:
    """Weights that add up to 1 within each record, after checking that its rows belong together."""
    order = np.argsort(arrays["record"], kind="stable")
    start = run_starts(arrays["record"][order])
    length = np.diff(start, append=order.size)
    for name in ("stratum", "count"):
        ranked = arrays[name][order]
        bad = ranked != np.repeat(ranked[start], length)
        if bad.any():
            position = int(order[np.argmax(bad)])
            raise InvalidInput(
                f"Alternatives of one record must share their {name}; record {arrays['record'][position]} "
                f"does not (position {position} has {name} {arrays[name][position]:g}, its first row "
                f"{np.repeat(ranked[start], length)[np.argmax(bad)]:g})."
            )
    total = np.add.reduceat(arrays["weight"][order], start)
    weight = np.empty(order.size)
    weight[order] = arrays["weight"][order] / np.repeat(total, length)
    return weight


# ---- Life records gathered into the fewest rows that say the same


@dataclass(frozen=True, eq=False)
class Collapsed:
    """Rows of all strata in the order of (stratum, record): single lives by their bounds, then mixtures."""

    strata: IntArray  # (n_strata,)
    stratum: IntArray  # (n_rows,): positions in `strata`
    lower: FloatArray  # (n_rows,)
    upper: FloatArray  # (n_rows,)
    count: FloatArray  # (n_rows,)
    weight: FloatArray  # (n_rows,)
    start: IntArray  # (n_records,)

    def __len__(self) -> int:
        return int(self.stratum.size)

    @property
    def length(self) -> IntArray:
        """How many rows each record has; (n_records,)."""
        return np.diff(self.start, append=len(self))

    @property
    def record(self) -> IntArray:
        """Record of each row, counted from 0; (n_rows,)."""
        return np.repeat(np.arange(self.start.size), self.length)

    @property
    def has_mixture(self) -> BoolArray:
        """Strata with records of several alternatives; (n_strata,)."""
        return np.isin(np.arange(self.strata.size), self.stratum[self.start[self.length > 1]])

    def take(self, which: BoolArray | IntArray) -> "Collapsed":
        """Take some strata, by a mask over them or by their positions, which may repeat."""
        strata: IntArray = np.arange(self.strata.size)[which]
        first, last = (np.searchsorted(self.stratum, strata, side=side) for side in ("left", "right"))
        length = last - first
        at = np.arange(length.sum()) - np.repeat(np.cumsum(length) - length - first, length)
        place = np.repeat(np.arange(strata.size), length)
        begins = np.zeros(len(self), dtype=bool)
        begins[self.start] = True
        lower, upper, count, weight = (x[at] for x in (self.lower, self.upper, self.count, self.weight))
        start = np.flatnonzero(begins[at])
        return Collapsed(self.strata[strata], place, lower, upper, count, weight, start)


def collapse(records: LifeRecords) -> Collapsed:
    """Drop what says nothing, add up what says the same, and sort by stratum."""
    # A row (0, inf] says nothing; a record whose alternatives all say nothing is dropped as a whole. Equal
    # single lives of one stratum become one row with the sum of their counts, so a million findings whose
    # ages are rounded to a month cost a few hundred rows.
    stratum, strata = pd.factorize(records.stratum, sort=True)
    shared, told = records.is_alternative, (records.lower > 0) | np.isfinite(records.upper)
    if shared.any():
        told = np.isin(records.record, records.record[told])
    mixture = np.where(shared, records.record - records.record.min(), -1)
    columns = (stratum, mixture, records.lower, records.upper, records.count, records.weight)
    stratum, mixture, *bounds, count, weight = (values[told] for values in columns)
    order = np.lexsort((*bounds[::-1], mixture, stratum))
    stratum, mixture, lower, upper = (values[order] for values in (stratum, mixture, *bounds))
    fresh = mixture >= 0
    fresh[run_starts(stratum, mixture, lower, upper)] = True
    kept = np.flatnonzero(fresh)
    count = np.add.reduceat(count[order], kept) if kept.size else np.zeros(0)
    begins = mixture[kept] < 0
    begins[run_starts(stratum[kept], mixture[kept])] = True
    start = np.flatnonzero(begins)
    return Collapsed(strata, stratum[kept], lower[kept], upper[kept], count, weight[order][kept], start)


# ---- Ages by the documented rule, and windows of years as equally likely alternatives
# Everything that turns a date and a year into an age goes through here, so that a finding of the
# ledger, a unit offered for sale and a page of the report agree on how old a part is.

MONTHS = 12
FAMILY_COLUMNS = ("family", "kind", "first_year", "last_year")


def decimal_year(dates: ArrayLike) -> FloatArray:
    """Date as a year with its fraction: 1 January 2026 is 2026.0, 2 July 2026 about 2026.5."""
    days = np.asarray(dates, dtype="datetime64[D]")
    years = days.astype("datetime64[Y]")
    start = years.astype("datetime64[D]")
    length = (years + 1).astype("datetime64[D]") - start
    with np.errstate(invalid="ignore"):  # NaT minus NaT, set to NaN below
        fraction = (days - start) / length
    whole = years.astype(np.int64) + 1970.0
    return np.where(np.isnat(days), np.nan, whole + fraction)


def age_at(dates: ArrayLike, years: ArrayLike) -> FloatArray:
    """Age on a day of something made in a known year."""
    return np.maximum(since_middle(decimal_year(dates), years), 1 / MONTHS)


def since_middle(moments: ArrayLike, years: ArrayLike) -> FloatArray:
    """Time from the middle of a year to a moment, to a twelfth of a year (halves up); may be negative."""
    apart = np.asarray(moments, dtype=np.float64) - (np.asarray(years, dtype=np.float64) + 0.5)
    return np.floor(apart * MONTHS + 0.5) / MONTHS


def production_windows(jobs: pd.DataFrame, families: pd.DataFrame) -> tuple[FloatArray, FloatArray]:
    """First and last possible production year of each unit."""
    # An end that the job leaves empty is taken from the family's span; a last year after the unit was taken
    # in is cut to that year. NaN where the year is not known; a first above the last contradicts the span or
    # dates.
    row = pd.Index(families["family"]).get_indexer(pd.Index(jobs["family"]))
    built, span = (
        [frame[name].to_numpy(dtype=np.float64) for name in names]
        for frame, names in ((jobs, ("built_from", "built_to")), (families, ("first_year", "last_year")))
    )
    first, last = (np.where(np.isnan(own), of_all[row], own) for own, of_all in zip(built, span, strict=True))
    known = ~(np.isnan(first) | np.isnan(last))
    last = np.minimum(last, jobs["taken_in"].dt.year.to_numpy(dtype=np.float64))
    return np.where(known, first, np.nan), np.where(known, last, np.nan)


def spread_years(first: FloatArray, last: FloatArray) -> tuple[IntArray, FloatArray, FloatArray]:
    """Write every window of years out as one row per year."""
    n_years = np.where(np.isnan(first), 1, last - first + 1).astype(np.int64)
    source = np.repeat(np.arange(first.size, dtype=np.int64), n_years)
    start = np.cumsum(n_years) - n_years
    step = np.arange(source.size) - start[source]
    return source, first[source] + step, 1.0 / n_years[source]


def unit_ages(jobs: pd.DataFrame, families: pd.DataFrame) -> pd.DataFrame:
    """Possible production years of units, with their probability and the age at intake."""
    first, last = production_windows(jobs, families)
    first = np.where(first > last, np.nan, first)
    source, year, weight = spread_years(first, last)
    job, taken_in = (jobs[name].to_numpy()[source] for name in ("job", "taken_in"))
    return pd.DataFrame({"job": job, "year": year, "weight": weight, "age_years": age_at(taken_in, year)})


# ---- Settle what each finding says before ages come in: implied rows, repeated rows, order

JOB_COLUMNS = (
    "job", "family", "built_from", "built_to", "taken_in", "ended_by", "ended_why", "origin",
)  # fmt: skip
FINDING_COLUMNS = (
    "job", "component", "position", "found", "original", "fitted_from", "fitted_to", "arose",
    "failed_from", "failed_to",
)  # fmt: skip
KEY = ["unit", "component", "position"]


def settled_findings(jobs: pd.DataFrame, findings: pd.DataFrame) -> tuple[pd.DataFrame, pd.Series]:
    """Complete the findings by what the end of a job implies."""
    # The component that ended a job counts as failed. If no finding of it in that job says so, the worst of
    # its findings as received is taken as failed; if there is none, a row is added. Where the part died on
    # the bench, its findings as received stand and an added row says "during work".
    unit = pd.Index(jobs["job"]).get_indexer(pd.Index(findings["job"]))
    rows = findings[list(FINDING_COLUMNS)].assign(unit=unit)
    # One row per job that a component ended, with what its findings say of that component.
    ended = jobs.assign(unit=np.arange(len(jobs)), on_bench=jobs["ended_why"].eq("died on the bench"))
    ended = ended.loc[jobs["ended_by"].notna(), ["unit", "job", "ended_by", "on_bench"]]
    ended = ended.rename(columns={"ended_by": "component"}).astype({"component": object})
    told = rows.assign(failed=rows["found"].eq("failed")).groupby(["unit", "component"])["failed"]
    told = told.agg(n_rows="size", n_failed="sum").reset_index()
    ended = ended.merge(told, how="left", on=["unit", "component"]).fillna({"n_rows": 0, "n_failed": 0})
    changed = _worst_received(rows, ended[ended["n_failed"].eq(0) & ~ended["on_bench"]])
    rows["found"] = rows["found"].mask(rows.index.isin(changed), "failed")
    implied = ended[ended["n_rows"].eq(0)].assign(position="", found="failed")
    if len(implied):
        implied["arose"] = np.where(implied["on_bench"], "during work", "as received")
        # Alike types, or a column that is empty in one part would decide the other's.
        rows = pd.concat([rows, implied.reindex(columns=rows.columns).astype(rows.dtypes)], ignore_index=True)
    received = rows["arose"].ne("during work")
    rows["repeated"] = ~received & received.groupby([rows[k] for k in KEY]).transform("sum").gt(0)
    counts = {
        "ended the job without a finding, taken as failed": len(implied),
        "ended the job against a finding, taken as failed": len(changed),
    }
    assumed = pd.Series(counts, name="findings", dtype=np.int64)
    return rows.sort_values(KEY, kind="stable", ignore_index=True), assumed


def _worst_received(rows: pd.DataFrame, ended: pd.DataFrame) -> pd.Index:
    """Index of the finding that is taken as failed: worn before sound, then the first position."""
    wanted = pd.MultiIndex.from_frame(ended[["unit", "component"]])
    hit = pd.MultiIndex.from_frame(rows[["unit", "component"]]).isin(wanted)
    candidates = rows[hit & rows["arose"].ne("during work").to_numpy()]
    ranked = candidates.assign(rank=candidates["found"].map({"worn": 0, "sound": 1}))
    ranked = ranked.sort_values(["unit", "component", "rank", "position"], kind="stable")
    return ranked.index[~ranked.duplicated(["unit", "component"])]


# ---- Findings of the ledger as lives: from dates and years to intervals of age

EVENTS = ("failed", "needs work")
TABLE_COLUMNS = (
    "job", "component", "position", "family", "kind", "year", "weight", "record", "lower", "upper",
    "age_years", "taken_in", "original_unknown", "fitted", "own",
)  # fmt: skip
START_COLUMNS = ["family", "component", "start_first", "start_last"]
LEFT_OUT = (
    "no production year",
    "production year contradicts the family's span",
    "not original, year of fitting unknown",
    "fitted before the unit was built or after it was taken in",
    "said to have failed after it was taken in",
    "also recorded as received",
)


@dataclass(frozen=True, eq=False)
class Observations:
    """What the findings of a ledger say about lives."""

    event: str  # "failed" or "needs work"
    # One row per finding and possible year: job, component, position, family, kind, year (of production, or
    # of fitting where the part is not original), weight (of that year), record (equal for the alternatives of
    # one finding), lower, upper (years), age_years (at intake), taken_in, original_unknown (taken as original
    # without anyone knowing), fitted (not original), own (found at this bench rather than imported).
    table: pd.DataFrame
    left_out: pd.Series  # how many findings say nothing about lives, by reason; every reason is listed
    assumed: pd.Series  # how many findings rest on an assumption, by assumption
    _starts: pd.DataFrame = field(repr=False)

    @cached_property
    def same_window(self) -> pd.DataFrame:
        """Where all records share one and the same unknown year, and what cannot be learned from them."""
        spans = self._starts.groupby(["family", "component"], sort=True).agg(
            first_year=("start_first", "min"),
            latest_first=("start_first", "max"),
            last_year=("start_last", "max"),
            earliest_last=("start_last", "min"),
            n_records=("start_first", "size"),
        )
        first, last = spans["first_year"], spans["last_year"]
        shared = first.eq(spans["latest_first"]) & last.eq(spans["earliest_last"]) & first.lt(last)
        found = spans.loc[shared, ["first_year", "last_year", "n_records"]].astype(np.int64).reset_index()
        found["note"] = [
            f"All {n} records begin in the same unknown year between {first} and {last}: nothing can be "
            "learned of that year from them, and every age is uncertain by as much."
            for first, last, n in zip(*(found[name] for name in found.columns[2:]), strict=True)
        ]
        return found

    def life_records(self, by: Sequence[str] = ("component", "family")) -> tuple[LifeRecords, pd.DataFrame]:
        """Group the observations into strata for a fit."""
        stratum = self.table.groupby(list(by), sort=True, dropna=False).ngroup().to_numpy()
        first = np.unique(stratum, return_index=True)[1]
        labels = self.table[list(by)].iloc[first].reset_index(drop=True)
        labels.insert(0, "stratum", np.arange(first.size))
        told = {name: self.table[name].to_numpy() for name in ("lower", "upper", "record", "weight")}
        return LifeRecords(**told, stratum=stratum), labels


def observe(
    jobs: pd.DataFrame, findings: pd.DataFrame, families: pd.DataFrame, *, event: str = "failed"
) -> Observations:
    """Turn findings into intervals of age in which the event happened.

    A part that failed had failed by its age at intake: (0, age]. A sound one outlives that age: (age, inf).
    Known days of failure narrow the interval; both ends on one day, or within the same twelfth of a year, are
    an exact life. A part that died on the bench was alive at its age. Parts that are not original begin their
    life in the year they were fitted; a part of unknown origin is taken as original and flagged. A window of
    years becomes equally likely alternatives that share one record. The component that ended a job counts as
    failed even if no finding says so. The event "needs work" ends the life of a worn part too. Columns that
    are looked at: `JOB_COLUMNS`, `FINDING_COLUMNS`, `FAMILY_COLUMNS`.
    """
    if event not in EVENTS:
        raise unknown("There is no event", event, EVENTS)
    rows, assumed = settled_findings(jobs, findings)
    rows, reasons = _with_units(rows, jobs, families)
    late = rows["failed_from"].gt(rows["taken_in"]) | rows["failed_to"].gt(rows["taken_in"])
    received_failed = rows["arose"].ne("during work") & rows["found"].eq("failed")
    reasons["said to have failed after it was taken in"] = (received_failed & late).to_numpy()
    reasons["also recorded as received"] = rows["repeated"].to_numpy()
    # Each row that cannot be used is counted under the first reason that holds.
    gone, counts = np.zeros(len(rows), dtype=bool), dict.fromkeys(LEFT_OUT, 0)
    for reason in ("also recorded as received", *LEFT_OUT[:-1]):
        hit = reasons[reason] & ~gone
        counts[reason] = int(hit.sum())
        gone |= hit
    rows = rows[~gone].reset_index(drop=True)
    left_out = pd.Series(counts, name="findings", dtype=np.int64)
    assumed["original not known, taken as original"] = int(rows["original_unknown"].sum())
    assumed["production year taken from the family's span"] = int(rows["from_span"].sum())
    return Observations(event, _table(rows, event), left_out, assumed, rows[START_COLUMNS])


def _with_units(
    rows: pd.DataFrame, jobs: pd.DataFrame, families: pd.DataFrame
) -> tuple[pd.DataFrame, dict[str, BoolArray]]:
    """Add the unit of each part, the window of years in which its life began, and why it may be unusable."""
    kind = families[list(FAMILY_COLUMNS)].set_index("family")["kind"]
    units = jobs[["job", "family", "taken_in"]].assign(
        kind=kind.loc[jobs["family"]].to_numpy(),
        own=jobs["origin"].isna(),
        undated=jobs[["built_from", "built_to"]].isna().all(axis=1),
    )
    at = rows["unit"].to_numpy()
    rows = rows.assign(**{name: units[name].to_numpy()[at] for name in units.columns})
    built_first, built_last = (years[at] for years in production_windows(jobs, families))
    fitted_from, fitted_to = (rows[name].to_numpy(dtype=float) for name in ("fitted_from", "fitted_to"))
    taken_year = rows["taken_in"].dt.year.to_numpy(dtype=float)
    fitted = rows["original"].eq("no").to_numpy()
    # One known end is closed by what bounds it anyway: the unit's first year, the year of intake.
    begin = np.where(np.isnan(fitted_from), built_first, np.fmax(fitted_from, built_first))
    end = np.where(np.isnan(fitted_to), taken_year, np.fmin(fitted_to, taken_year))
    first, last = np.where(fitted, begin, built_first), np.where(fitted, end, built_last)
    no_year, crossed = np.isnan(first) | np.isnan(last), first > last
    unknown_fit = np.isnan(fitted_from) & np.isnan(fitted_to)
    reasons = {
        "not original, year of fitting unknown": fitted & (unknown_fit | no_year),
        "no production year": ~fitted & no_year,
        "production year contradicts the family's span": ~fitted & crossed,
        "fitted before the unit was built or after it was taken in": fitted & crossed,
    }
    rows = rows.assign(start_first=first, start_last=last, fitted=fitted)
    original_unknown = ~rows["original"].isin(["yes", "no"])
    from_span = ~fitted & rows["undated"].to_numpy(dtype=bool)
    return rows.assign(original_unknown=original_unknown, from_span=from_span), reasons


def _table(rows: pd.DataFrame, event: str) -> pd.DataFrame:
    """Write one row per finding and possible year, with its interval."""
    source, year, weight = spread_years(rows["start_first"].to_numpy(), rows["start_last"].to_numpy())
    age = np.maximum(since_middle(decimal_year(rows["taken_in"])[source], year), 1 / MONTHS)
    happened = rows["found"].ne("sound") if event == "needs work" else rows["found"].eq("failed")
    hit = (happened & rows["arose"].ne("during work")).to_numpy()[source]
    # Interval of age in which a failed part failed; (0, age] where no day is known.
    days = (rows["failed_from"], rows["failed_to"])
    lower, upper = (since_middle(decimal_year(day)[source], year) for day in days)
    upper = np.where(np.isnan(upper), age, np.clip(upper, 1 / MONTHS, age))
    lower = np.where(np.isnan(lower), 0.0, np.clip(lower, 0.0, upper))
    if event == "needs work":  # it may have needed work long before the day it failed
        lower = np.zeros(source.size)
    lower, upper = np.where(hit, lower, age), np.where(hit, upper, np.inf)
    computed = {"year": year, "weight": weight, "record": source, "age_years": age}
    computed |= {"lower": lower, "upper": upper}
    kept = {name: rows[name].to_numpy()[source] for name in TABLE_COLUMNS if name not in computed}
    return pd.DataFrame({name: computed.get(name, kept.get(name)) for name in TABLE_COLUMNS})
