"""Findings counted batch by batch: what `observe` says of them, in a few bytes for each distinct life.

Nearly every finding is told by its component and family, the years in which its part can have begun its
life, its age in months, and whether the event had happened: these five are packed into one number, and
equal numbers are counted. What needs more (days of failure, a component that ended a job against its
finding, several positions) goes through `observe` itself and is kept apart, row by row.
"""

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.errors import InvalidInput, unknown
from reliability.life.ages import (
    MONTHS,
    BoolArray,
    FloatArray,
    IntArray,
    begin_windows,
    closed_windows,
    decimal_year,
    since_middle,
)
from reliability.life.counts import APART, Counts, kinds_of
from reliability.life.findings import FINDING_COLUMNS
from reliability.life.observe import EVENTS, LEFT_OUT, Observations, observe
from reliability.life.packing import FIRST_YEAR, LARGEST_SPAN, MOST_MONTHS, pack, tallied
from reliability.life.pieces import ObjectArray

__all__ = ["BATCH_COLUMNS", "count_findings"]

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
