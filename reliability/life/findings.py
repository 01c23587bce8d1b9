"""From findings of the ledger to lives: what is settled, ages and windows of years, intervals."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from reliability.errors import InvalidInput, unknown
from reliability.life.lives import LifeRecords

# ---- Ages by the documented rule, and windows of years as equally likely alternatives
# Everything that turns a date and a year into an age goes through here, so that a finding of the
# ledger, a unit offered for sale and a page of the report agree on how old a part is.


FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

MONTHS = 12
AGE_COLUMNS = ("job", "family", "built_from", "built_to", "taken_in")
FAMILY_COLUMNS = ("family", "kind", "first_year", "last_year")


def decimal_year(dates: ArrayLike) -> FloatArray:
    """Date as a year with its fraction: 1 January 2026 is 2026.0, 2 July 2026 about 2026.5.

    Parameters
    ----------
    dates : array_like of datetime64, shape (n,)
        Dates; NaT is allowed.

    Returns
    -------
    ndarray of float64, shape (n,)
        Decimal years, NaN for NaT.
    """
    days = np.asarray(dates, dtype="datetime64[D]")
    years = days.astype("datetime64[Y]")
    start = years.astype("datetime64[D]")
    length = (years + 1).astype("datetime64[D]") - start
    with np.errstate(invalid="ignore"):  # NaT minus NaT, set to NaN below
        fraction = (days - start) / length
    whole = years.astype(np.int64) + 1970.0
    return np.where(np.isnat(days), np.nan, whole + fraction)


def to_months(years: ArrayLike) -> FloatArray:
    """Round to a twelfth of a year, halves up; ndarray of float64 in years, of the same shape."""
    return np.floor(np.asarray(years, dtype=np.float64) * MONTHS + 0.5) / MONTHS


def age_at(dates: ArrayLike, years: ArrayLike) -> FloatArray:
    """Age on a day of something made in a known year.

    Parameters
    ----------
    dates : array_like of datetime64, shape (n,)
        Days on which the age is wanted.
    years : array_like of float, shape (n,)
        Years of production or fitting. Their middle counts as the beginning of the life.

    Returns
    -------
    ndarray of float64, shape (n,)
        Age in years, a multiple of 1/12 and at least 1/12; NaN where date or year is not known.
    """
    return np.maximum(since_middle(decimal_year(dates), years), 1 / MONTHS)


def since_middle(moments: ArrayLike, years: ArrayLike) -> FloatArray:
    """Time from the middle of a year to a moment, to a twelfth of a year; may be negative.

    Parameters
    ----------
    moments : array_like of float, shape (n,)
        Decimal years.
    years : array_like of float, shape (n,)
        Years whose middle counts as the beginning.

    Returns
    -------
    ndarray of float64, shape (n,)
        Years, a multiple of 1/12; NaN where either is not known.
    """
    return to_months(np.asarray(moments, dtype=np.float64) - (np.asarray(years, dtype=np.float64) + 0.5))


def production_windows(jobs: pd.DataFrame, families: pd.DataFrame) -> tuple[FloatArray, FloatArray]:
    """First and last possible production year of each unit.

    An end that the job leaves empty is taken from the family's span; a last year after the unit
    was taken in is cut to that year.

    Parameters
    ----------
    jobs : DataFrame, n_jobs rows
        With the columns job, family, built_from, built_to, taken_in.
    families : DataFrame
        With the columns family, kind, first_year, last_year.

    Returns
    -------
    first, last : ndarray of float64, shape (n_jobs,)
        Both ends included; NaN where the year is not known. `first` above `last` means that the
        job contradicts the family's span or its own dates.

    Raises
    ------
    InvalidInput
        If a column is missing, a job has no date of intake, its family is not in `families`, or a job
        or family occurs twice.
    """
    require_columns("jobs", jobs, AGE_COLUMNS)
    require_unique("jobs", jobs["job"])
    row = family_rows(jobs, families)
    undated = jobs["taken_in"].isna().to_numpy()
    if undated.any():
        raise InvalidInput(
            f"Every job needs the date it was taken in; {undated.sum()} of {len(jobs)} have none "
            f"(first: job {jobs['job'].iloc[int(np.argmax(undated))]!r})."
        )
    return closed_windows(
        jobs["built_from"].to_numpy(dtype=np.float64),
        jobs["built_to"].to_numpy(dtype=np.float64),
        families["first_year"].to_numpy(dtype=np.float64)[row],
        families["last_year"].to_numpy(dtype=np.float64)[row],
        jobs["taken_in"].dt.year.to_numpy(dtype=np.float64),
    )


def closed_windows(
    built_from: FloatArray,
    built_to: FloatArray,
    first_year: FloatArray,
    last_year: FloatArray,
    taken_year: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Close windows of production years by the family's span and by the year of intake.

    Parameters
    ----------
    built_from, built_to : ndarray of float64, shape (n,)
        As the jobs have them; NaN where an end is not known.
    first_year, last_year : ndarray of float64, shape (n,)
        Span of each unit's family.
    taken_year : ndarray of float64, shape (n,)
        Calendar year in which the unit was taken in.

    Returns
    -------
    first, last : ndarray of float64, shape (n,)
        As in `production_windows`.
    """
    first = np.where(np.isnan(built_from), first_year, built_from)
    last = np.where(np.isnan(built_to), last_year, built_to)
    known = ~(np.isnan(first) | np.isnan(last))
    last = np.minimum(last, taken_year)
    return np.where(known, first, np.nan), np.where(known, last, np.nan)


def begin_windows(
    *,
    built_first: FloatArray,
    built_last: FloatArray,
    fitted_from: FloatArray,
    fitted_to: FloatArray,
    taken_year: FloatArray,
    fitted: BoolArray,
) -> tuple[FloatArray, FloatArray, dict[str, BoolArray]]:
    """Find the window of years in which each life began, and why it may be unusable.

    Parameters
    ----------
    built_first, built_last : ndarray of float64, shape (n,)
        As `production_windows` gives them.
    fitted_from, fitted_to : ndarray of float64, shape (n,)
        Of parts that are not original; NaN where an end is not known.
    taken_year : ndarray of float64, shape (n,)
        Calendar year in which the unit was taken in.
    fitted : ndarray of bool, shape (n,)
        Whether the part is not original.

    Returns
    -------
    first, last : ndarray of float64, shape (n,)
    reasons : dict of str to ndarray of bool
        Which cannot be used, by reason.
    """
    unknown_fit = fitted & np.isnan(fitted_from) & np.isnan(fitted_to)
    # One known end is closed by what bounds it anyway: the unit's first year, the year of intake.
    begin = np.where(np.isnan(fitted_from), built_first, np.fmax(fitted_from, built_first))
    end = np.where(np.isnan(fitted_to), taken_year, np.fmin(fitted_to, taken_year))
    first = np.where(fitted, begin, built_first)
    last = np.where(fitted, end, built_last)
    no_year = np.isnan(first) | np.isnan(last)
    crossed = first > last
    reasons = {
        "not original, year of fitting unknown": unknown_fit | (fitted & no_year),
        "no production year": ~fitted & no_year,
        "production year contradicts the family's span": ~fitted & crossed,
        "fitted before the unit was built or after it was taken in": fitted & crossed,
    }
    return first, last, reasons


def family_rows(jobs: pd.DataFrame, families: pd.DataFrame) -> IntArray:
    """Position of each job's family in `families`; ndarray of int64, shape (n_jobs,)."""
    require_columns("families", families, FAMILY_COLUMNS)
    require_unique("families", families["family"])
    row = pd.Index(families["family"]).get_indexer(pd.Index(jobs["family"]))
    if (row < 0).any():
        position = int(np.argmax(row < 0))
        job, family = jobs["job"].iloc[position], jobs["family"].iloc[position]
        raise unknown(f"Job {job!r} is of a family that is not listed:", family, families["family"])
    return row.astype(np.int64)


def spread_years(first: FloatArray, last: FloatArray) -> tuple[IntArray, FloatArray, FloatArray]:
    """Write every window of years out as one row per year.

    Parameters
    ----------
    first, last : ndarray of float64, shape (n,)
        Ends of each window, both included, ``first <= last``; NaN twice for an unknown year.

    Returns
    -------
    source : ndarray of int64, shape (n_rows,)
        Position of the window that the row came from.
    year : ndarray of float64, shape (n_rows,)
        The year; NaN (one row) where it is not known.
    weight : ndarray of float64, shape (n_rows,)
        Probability of that year, equal within a window.
    """
    n_years = np.where(np.isnan(first), 1, last - first + 1).astype(np.int64)
    source = np.repeat(np.arange(first.size, dtype=np.int64), n_years)
    start = np.cumsum(n_years) - n_years
    step = np.arange(source.size) - start[source]
    return source, first[source] + step, 1.0 / n_years[source]


def unit_ages(jobs: pd.DataFrame, families: pd.DataFrame) -> pd.DataFrame:
    """Possible production years of units, with their probability and the age at intake.

    Parameters
    ----------
    jobs : DataFrame
        With the columns job, family, built_from, built_to, taken_in.
    families : DataFrame
        With the columns family, kind, first_year, last_year.

    Returns
    -------
    DataFrame
        Columns job, year, weight, age_years; one row per job and possible year, in the order of
        `jobs`. A job whose year is not known, or contradicts the family's span, has one row with
        year and age NaN.

    Raises
    ------
    InvalidInput
        If a column is missing, a job has no date of intake, its family is not in `families`, or a job
        or family occurs twice.
    """
    first, last = production_windows(jobs, families)
    first = np.where(first > last, np.nan, first)
    source, year, weight = spread_years(first, last)
    taken_in = jobs["taken_in"].to_numpy()[source]
    return pd.DataFrame(
        {
            "job": jobs["job"].to_numpy()[source],
            "year": year,
            "weight": weight,
            "age_years": age_at(taken_in, year),
        }
    )


def require_columns(table: str, frame: pd.DataFrame, columns: tuple[str, ...]) -> None:
    """Refuse a frame that lacks a column that is about to be read."""
    missing = [name for name in columns if name not in frame.columns]
    if missing:
        raise InvalidInput(
            f"The table {table} lacks the columns {', '.join(missing)}; "
            f"it has {', '.join(map(str, frame.columns)) or 'none'}."
        )


def require_unique(table: str, keys: pd.Series) -> None:
    """Refuse a table in which a name that others refer to occurs twice."""
    twice = keys.duplicated()
    if twice.any():
        raise InvalidInput(f"The table {table} holds {keys.name} {keys[twice].iloc[0]!r} more than once.")


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
    """Complete the findings by what the end of a job implies.

    The component that ended a job counts as failed. If no finding of it in that job says so, the
    worst of its findings as received is taken as failed; if there is none, a row is added. Where the
    part died on the bench, its findings as received stand and an added row says "during work".

    Parameters
    ----------
    jobs, findings : DataFrame
        Tables of the ledger.

    Returns
    -------
    rows : DataFrame
        The columns of the findings; `unit` (position of the job in `jobs`); `repeated`, true for a
        part that died on the bench and has a row as received as well. Sorted by job, component,
        position.
    assumed : Series of int
        How many rows were added or changed, by assumption.

    Raises
    ------
    InvalidInput
        If a finding belongs to a job that is not in `jobs`.
    """
    unit = pd.Index(jobs["job"]).get_indexer(pd.Index(findings["job"]))
    if (unit < 0).any():
        lost = findings["job"].iloc[int(np.argmax(unit < 0))]
        raise unknown("A finding belongs to a job that is not listed:", lost, jobs["job"])
    rows = findings[list(FINDING_COLUMNS)].assign(unit=unit)
    ended = _ended(jobs, rows)
    changed = _worst_received(rows, ended[ended["n_failed"].eq(0) & ~ended["on_bench"]])
    rows["found"] = rows["found"].mask(rows.index.isin(changed), "failed")
    implied = _implied(ended[ended["n_rows"].eq(0)])
    if len(implied):
        # Alike types, or a column that is empty in one part would decide the other's.
        rows = pd.concat([rows, implied.astype(rows.dtypes)], ignore_index=True)
    received = rows["arose"].ne("during work")
    order = {"received": received, "n_received": received.groupby([rows[k] for k in KEY]).transform("sum")}
    rows["repeated"] = ~order["received"] & order["n_received"].gt(0)
    assumed = pd.Series(
        {
            "ended the job without a finding, taken as failed": len(implied),
            "ended the job against a finding, taken as failed": len(changed),
        },
        name="findings",
        dtype=np.int64,
    )
    return rows.sort_values(KEY, kind="stable", ignore_index=True), assumed


def _ended(jobs: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """One row per job that a component ended, with what its findings say of that component."""
    at = np.flatnonzero(jobs["ended_by"].notna().to_numpy())
    ended = pd.DataFrame(
        {
            "unit": at,
            "job": jobs["job"].to_numpy()[at],
            "component": jobs["ended_by"].to_numpy(dtype=object)[at],
            "on_bench": jobs["ended_why"].eq("died on the bench").to_numpy()[at],
        }
    )
    said = rows[["unit", "component"]].assign(failed=rows["found"].eq("failed"))
    told = said.groupby(["unit", "component"])["failed"].agg(n_rows="size", n_failed="sum").reset_index()
    ended = ended.merge(told, how="left", on=["unit", "component"])
    return ended.fillna({"n_rows": 0, "n_failed": 0})


def _worst_received(rows: pd.DataFrame, ended: pd.DataFrame) -> pd.Index:
    """Index of the finding that is taken as failed: worn before sound, then the first position."""
    wanted = pd.MultiIndex.from_frame(ended[["unit", "component"]])
    hit = pd.MultiIndex.from_frame(rows[["unit", "component"]]).isin(wanted)
    candidates = rows[hit & rows["arose"].ne("during work").to_numpy()]
    ranked = candidates.assign(rank=candidates["found"].map({"worn": 0, "sound": 1}))
    ranked = ranked.sort_values(["unit", "component", "rank", "position"], kind="stable")
    return ranked.index[~ranked.duplicated(["unit", "component"])]


def _implied(ended: pd.DataFrame) -> pd.DataFrame:
    size = len(ended)
    empty_dates = pd.Series(pd.NaT, index=ended.index, dtype="datetime64[ns]")
    return pd.DataFrame(
        {
            "job": ended["job"],
            "component": ended["component"],
            "position": "",
            "found": "failed",
            "original": pd.Series([None] * size, index=ended.index, dtype=object),
            "fitted_from": np.nan,
            "fitted_to": np.nan,
            "arose": np.where(ended["on_bench"], "during work", "as received"),
            "failed_from": empty_dates,
            "failed_to": empty_dates,
            "unit": ended["unit"],
        },
        columns=[*FINDING_COLUMNS, "unit"],
    )


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
    """What the findings of a ledger say about lives.

    Attributes
    ----------
    event : str
        "failed" or "needs work".
    table : DataFrame
        One row per finding and possible year: job, component, position, family, kind, year (of
        production, or of fitting where the part is not original), weight (of that year), record
        (equal for the alternatives of one finding), lower, upper (years), age_years (at intake),
        taken_in, original_unknown (taken as original without anyone knowing), fitted (not original:
        the year is that of fitting, not of production), own (found at this bench rather than
        imported).
    left_out : Series of int
        How many findings say nothing about lives, by reason; every reason is listed.
    assumed : Series of int
        How many findings rest on an assumption, by assumption.
    """

    event: str
    table: pd.DataFrame
    left_out: pd.Series
    assumed: pd.Series
    _starts: pd.DataFrame = field(repr=False)

    @cached_property
    def same_window(self) -> pd.DataFrame:
        """Where all records share one and the same unknown year, and what cannot be learned from them.

        Returns
        -------
        DataFrame
            Columns family, component, first_year, last_year, n_records, note.
        """
        return _same_window(self._starts)

    def life_records(self, by: Sequence[str] = ("component", "family")) -> tuple[LifeRecords, pd.DataFrame]:
        """Group the observations into strata for a fit.

        Parameters
        ----------
        by : sequence of str
            Columns of the table that tell the strata apart; none for one stratum.

        Returns
        -------
        records : LifeRecords
            Rows in the order of the table.
        labels : DataFrame
            Column stratum and the columns of `by`, one row per stratum, sorted by them.

        Raises
        ------
        InvalidInput
            If a column does not exist or there is no observation at all.
        """
        for name in by:
            if name not in self.table.columns:
                raise unknown("Observations have no column", name, self.table.columns)
        if self.table.empty:
            reasons = ", ".join(f"{reason}: {n}" for reason, n in self.left_out.items() if n)
            raise InvalidInput(f"No finding tells anything about lives ({reasons or 'there is none'}).")
        columns = list(by)
        if columns:
            stratum = self.table.groupby(columns, sort=True, dropna=False).ngroup().to_numpy()
        else:
            stratum = np.zeros(len(self.table), dtype=np.int64)
        first = np.unique(stratum, return_index=True)[1]
        labels = self.table[columns].iloc[first].reset_index(drop=True)
        labels.insert(0, "stratum", np.arange(first.size))
        records = LifeRecords(
            self.table["lower"].to_numpy(),
            self.table["upper"].to_numpy(),
            stratum=stratum,
            record=self.table["record"].to_numpy(),
            weight=self.table["weight"].to_numpy(),
        )
        return records, labels


def observe(
    jobs: pd.DataFrame, findings: pd.DataFrame, families: pd.DataFrame, *, event: str = "failed"
) -> Observations:
    """Turn findings into intervals of age in which the event happened.

    A part that failed had failed by its age at intake: (0, age]. A sound one outlives that age:
    (age, inf). Known days of failure narrow the interval; both ends on one day, or within the same
    twelfth of a year, are an exact life. A part that died on the bench was alive at its age. Parts
    that are not original begin their life in the year they were fitted; a part of unknown origin is
    taken as original and flagged. A window of years becomes equally likely alternatives that share
    one record. The component that ended a job counts as failed even if no finding says so.

    Parameters
    ----------
    jobs, findings, families : DataFrame
        The tables of the ledger, with their documented columns and types. Findings of open jobs
        count like any other.
    event : {"failed", "needs work"}
        What ends a life. Worn parts still work: they survive "failed", not "needs work". Days of
        failure say when a part needed work at the latest, not when it began to.

    Returns
    -------
    Observations

    Raises
    ------
    InvalidInput
        If the event is not one of the two, a column is missing, a job or family occurs twice, a job
        has no date of intake, or a finding or job refers to one that does not exist.
    """
    if event not in EVENTS:
        raise unknown("There is no event", event, EVENTS)
    require_columns("jobs", jobs, JOB_COLUMNS)
    require_unique("jobs", jobs["job"])
    require_columns("findings", findings, FINDING_COLUMNS)
    rows, assumed = settled_findings(jobs, findings)
    rows = _with_units(rows, jobs, families)
    rows, reasons = _with_start(rows)
    reasons |= _died_later(rows)
    reasons["also recorded as received"] = rows["repeated"].to_numpy()
    rows, left_out = _sift(rows, reasons)
    assumed["original not known, taken as original"] = int(rows["original_unknown"].sum())
    assumed["production year taken from the family's span"] = int(rows["from_span"].sum())
    return Observations(event, _table(rows, event), left_out, assumed, rows[START_COLUMNS])


def _with_units(rows: pd.DataFrame, jobs: pd.DataFrame, families: pd.DataFrame) -> pd.DataFrame:
    """Add what is known of the unit that each part sits in."""
    first, last = production_windows(jobs, families)
    kind = families[list(FAMILY_COLUMNS)].set_index("family")["kind"]
    units = pd.DataFrame(
        {
            "job": jobs["job"].to_numpy(),
            "family": jobs["family"].to_numpy(),
            "kind": kind.loc[jobs["family"]].to_numpy(),
            "taken_in": jobs["taken_in"].to_numpy(),
            "taken_year": jobs["taken_in"].dt.year.to_numpy(dtype=float),
            "built_first": first,
            "built_last": last,
            "own": jobs["origin"].isna().to_numpy(),
            "undated": jobs[["built_from", "built_to"]].isna().all(axis=1).to_numpy(),
        }
    )
    at = rows["unit"].to_numpy()
    added = {name: units[name].to_numpy()[at] for name in units.columns}
    return rows.assign(**added, original_unknown=~rows["original"].isin(["yes", "no"]))


def _with_start(rows: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, BoolArray]]:
    """Add the window of years in which each life began, and why it may be unusable."""
    fitted = rows["original"].eq("no").to_numpy()
    years = {
        name: rows[name].to_numpy(dtype=float)
        for name in ("built_first", "built_last", "fitted_from", "fitted_to", "taken_year")
    }
    first, last, reasons = begin_windows(**years, fitted=fitted)
    from_span = ~fitted & rows["undated"].to_numpy(dtype=bool)
    return rows.assign(start_first=first, start_last=last, fitted=fitted, from_span=from_span), reasons


def _died_later(rows: pd.DataFrame) -> dict[str, BoolArray]:
    received = rows["arose"].ne("during work")
    late = rows["failed_from"].gt(rows["taken_in"]) | rows["failed_to"].gt(rows["taken_in"])
    failed = rows["found"].eq("failed")
    return {"said to have failed after it was taken in": (received & failed & late).to_numpy()}


def _sift(rows: pd.DataFrame, reasons: dict[str, BoolArray]) -> tuple[pd.DataFrame, pd.Series]:
    """Drop what cannot be used, each row counted under the first reason that holds."""
    gone = np.zeros(len(rows), dtype=bool)
    counts = dict.fromkeys(LEFT_OUT, 0)
    for reason in ("also recorded as received", *LEFT_OUT[:-1]):
        hit = reasons[reason] & ~gone
        counts[reason] = int(hit.sum())
        gone |= hit
    return rows[~gone].reset_index(drop=True), pd.Series(counts, name="findings", dtype=np.int64)


def _table(rows: pd.DataFrame, event: str) -> pd.DataFrame:
    """Write one row per finding and possible year, with its interval."""
    source, year, weight = spread_years(rows["start_first"].to_numpy(), rows["start_last"].to_numpy())
    age = np.maximum(since_middle(decimal_year(rows["taken_in"])[source], year), 1 / MONTHS)
    happened = rows["found"].ne("sound") if event == "needs work" else rows["found"].eq("failed")
    hit = (happened & rows["arose"].ne("during work")).to_numpy()[source]
    lower, upper = _failure_window(rows, source, year, age)
    if event == "needs work":  # it may have needed work long before the day it failed
        lower = np.zeros(source.size)
    computed = {
        "year": year,
        "weight": weight,
        "record": source,
        "lower": np.where(hit, lower, age),
        "upper": np.where(hit, upper, np.inf),
        "age_years": age,
    }
    kept = {name: rows[name].to_numpy()[source] for name in TABLE_COLUMNS if name not in computed}
    return pd.DataFrame({name: computed.get(name, kept.get(name)) for name in TABLE_COLUMNS})


def _failure_window(
    rows: pd.DataFrame, source: IntArray, year: FloatArray, age: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Interval of age in which a failed part failed; (0, age] where no day is known."""
    lower = since_middle(decimal_year(rows["failed_from"])[source], year)
    upper = since_middle(decimal_year(rows["failed_to"])[source], year)
    upper = np.where(np.isnan(upper), age, np.clip(upper, 1 / MONTHS, age))
    return np.where(np.isnan(lower), 0.0, np.clip(lower, 0.0, upper)), upper


def _same_window(rows: pd.DataFrame) -> pd.DataFrame:
    """Find where all records share one unknown year."""
    columns = ["family", "component", "first_year", "last_year", "n_records", "note"]
    grouped = rows.groupby(["family", "component"], sort=True)
    spans = grouped.agg(
        first_year=("start_first", "min"),
        latest_first=("start_first", "max"),
        last_year=("start_last", "max"),
        earliest_last=("start_last", "min"),
        n_records=("start_first", "size"),
    ).reset_index()
    shared = spans["first_year"].eq(spans["latest_first"]) & spans["last_year"].eq(spans["earliest_last"])
    found = spans[shared & spans["first_year"].lt(spans["last_year"])].reset_index(drop=True)
    found = found.astype({"first_year": np.int64, "last_year": np.int64, "n_records": np.int64})
    found["note"] = [
        f"All {n} records begin in the same unknown year between {first} and {last}: nothing can be "
        "learned of that year from them, and every age is uncertain by as much."
        for first, last, n in zip(found["first_year"], found["last_year"], found["n_records"], strict=True)
    ]
    return found[columns]
