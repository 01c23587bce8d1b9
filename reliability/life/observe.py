"""Findings of the ledger as lives: from dates and years to intervals of age."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from reliability.errors import InvalidInput, unknown
from reliability.life.ages import (
    FAMILY_COLUMNS,
    MONTHS,
    BoolArray,
    FloatArray,
    IntArray,
    begin_windows,
    decimal_year,
    production_windows,
    require_columns,
    require_unique,
    since_middle,
    spread_years,
    unit_ages,
)
from reliability.life.findings import FINDING_COLUMNS, JOB_COLUMNS, settled_findings
from reliability.life.life_records import LifeRecords

__all__ = ["EVENTS", "Observations", "observe", "unit_ages"]

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
