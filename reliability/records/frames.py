"""The ledger as data frames: what every statistic starts from; and as it was on a day."""

import csv
import datetime
import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from functools import partial
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
import pandas as pd
from sqlalchemy import Connection, select, tuple_

from reliability.errors import InvalidInput, counted
from reliability.records import database
from reliability.records.checks import Settings
from reliability.records.database import HISTORY, SQL_TABLES, VERSION
from reliability.records.ledger import REFERENCE_TABLES, Ledger, open_ledger
from reliability.records.package import check_tables, load_package_records
from reliability.records.tables import NUMERIC, TABLES, Table, full_date
from reliability.records.values import exponent_of, split_number

# What the ledger said on a day, out of the versions that it keeps.

#: Rows that bear no day of their own: they count from the day on which they were written.
UNDATED = ("settings", "parts", "hearsay")
Then: TypeAlias = dict[str, dict[str, Any]]


def told_then(connection: Connection, day: datetime.date | None) -> Then:
    """Find what was written again after a day as it stood then, by table and key; None if it was not there.

    Whole jobs stand under "jobs"; one that was first written later is left out, for its rows bear days.
    Without a day everything stands as it is.
    """
    entries, end = HISTORY.c, f"{day}T~"  # every time within the day sorts before
    found: Then = {name: {} for name in ("jobs", *REFERENCE_TABLES)}
    by_its_end = select(entries.entry).where(entries.written_at <= end).limit(1)
    if day is None or not connection.execute(by_its_end).first():
        return found  # the ledger was begun later
    later = select(entries.what, entries.key).where(entries.what.in_(found), entries.written_at > end)
    for what, key in connection.execute(later.where(entries.what != "jobs")):
        found[what][key] = None
    by_then = select(HISTORY).where(entries.written_at <= end, tuple_(entries.what, entries.key).in_(later))
    for entry in connection.execute(by_then.order_by(entries.version)):
        found[entry.what][entry.key] = entry
    for rows in found.values():
        for key, entry in rows.items():
            rows[key] = None if entry is None else database.read_entry(entry)
    found["settings"].pop("currency", None)  # all amounts are in the one that holds now
    return found


def as_told(name: str, rows: Iterable[Mapping[str, Any]], then: Then) -> list[Mapping[str, Any]]:
    """Put the rows of a table as they stood on a day in place of those that were written later.

    A family or model that was not known then stays: jobs of the time may be of it.
    """
    table, of_job = TABLES[name], "job" in TABLES[name].key
    told = then["jobs" if of_job else name]
    keyed = ((row["job"] if of_job else database.key_text(table, row), row) for row in rows)
    kept = [row for key, row in keyed
            if key not in told or (told[key] is None and not of_job and name not in UNDATED)]  # fmt: skip
    there = {key: row for key, row in told.items() if row is not None}
    if not of_job:
        return [*kept, *there.values()]
    return kept + [{**row, "job": job} for job, document in there.items()
                   for row in ([document["job"]] if name == "jobs" else document[name])]  # fmt: skip


# The ledger as data frames: what every statistic starts from.


def _empty(name: str) -> pd.DataFrame:
    return frame_from_columns(TABLES[name], [[] for _ in TABLES[name].columns])


@dataclass(frozen=True, eq=False)
class Records:
    """Everything that a ledger holds at one time.

    Attributes
    ----------
    families, models, lots, jobs, findings, signs, followups, parts, hearsay : DataFrame
    sightings, sighting_signs, shelf, spending : DataFrame
        The documented tables, always with all their columns and in their order. Text is object
        with None where empty; numbers are float64 with NaN; dates are datetime64[ns] with NaT,
        a month alone standing for its 16th. Jobs are sorted by (taken_in, job), all others by
        key; the index counts from 0. In `jobs`, the share of a lot's price stands as `bought_for`, and the
        worth of what was put on the shelf as a `salvage_value` that is not stated.
    settings : Settings
        With the defaults for what the ledger does not set.
    withdrawn : tuple of str
        Numbers that were given out and belong to no job here, but are no jobs that nobody wrote up: jobs that
        were taken out again, out of the history; as of a past day also those that came in later.
    ledger : str
        Tells the ledger from every other, wherever it is moved; empty where they were read from none. No part
        of the content.
    """

    families: pd.DataFrame = field(default_factory=partial(_empty, "families"))
    models: pd.DataFrame = field(default_factory=partial(_empty, "models"))
    lots: pd.DataFrame = field(default_factory=partial(_empty, "lots"))
    jobs: pd.DataFrame = field(default_factory=partial(_empty, "jobs"))
    findings: pd.DataFrame = field(default_factory=partial(_empty, "findings"))
    signs: pd.DataFrame = field(default_factory=partial(_empty, "signs"))
    followups: pd.DataFrame = field(default_factory=partial(_empty, "followups"))
    parts: pd.DataFrame = field(default_factory=partial(_empty, "parts"))
    hearsay: pd.DataFrame = field(default_factory=partial(_empty, "hearsay"))
    sightings: pd.DataFrame = field(default_factory=partial(_empty, "sightings"))
    sighting_signs: pd.DataFrame = field(default_factory=partial(_empty, "sighting_signs"))
    shelf: pd.DataFrame = field(default_factory=partial(_empty, "shelf"))
    spending: pd.DataFrame = field(default_factory=partial(_empty, "spending"))
    settings: Settings = field(default_factory=Settings)
    withdrawn: tuple[str, ...] = ()
    ledger: str = ""

    def __repr__(self) -> str:
        families, jobs = counted(len(self.families), "family", "families"), counted(len(self.jobs), "job")
        until = "" if self.jobs.empty else f", up to {self.last_date()}"
        return f"Records of {families} and {jobs}{until}"

    def frames(self) -> dict[str, pd.DataFrame]:
        """Give every table by name."""
        return {name: getattr(self, name) for name in TABLES if name != "settings"}

    def named_components(self) -> frozenset[str]:
        """Name the components that anything at all speaks of: findings, ends of jobs, parts, hearsay."""
        tables = (self.findings["component"], self.jobs["ended_by"], self.parts["component"])
        return frozenset().union(*(column.dropna() for column in (*tables, self.hearsay["component"])))

    def fingerprint(self) -> str:
        """Digest the content: equal for equal content, whatever the order in which it came.

        Returns
        -------
        str
            SHA-256 in 64 hexadecimal digits.
        """
        digest = hashlib.sha256()
        for item in fields(Settings):
            digest.update(f"{item.name}={getattr(self.settings, item.name)!r}\n".encode())
        for name, frame in self.frames().items():
            # U+0000 can stand in no cell, so "empty" differs from every text.
            text = frame.to_csv(index=False, lineterminator="\n", date_format="%Y-%m-%d", na_rep="\0",
                                quoting=csv.QUOTE_ALL)  # fmt: skip
            digest.update(f"{name}\n{text}".encode())
        if self.withdrawn:
            digest.update("\0".join(("withdrawn", *self.withdrawn)).encode())
        return digest.hexdigest()

    def last_date(self) -> datetime.date:
        """Give the last date that any row holds.

        Raises
        ------
        InvalidInput
            If no row holds a date.
        """
        dates = [frame[column.name].max() for name, frame in self.frames().items()
                 for column in TABLES[name] if column.kind == "date"]  # fmt: skip
        known = [date for date in dates if not pd.isna(date)]
        if not known:
            raise InvalidInput("The ledger holds no date yet: it has no job. Add one first.")
        return max(known).date()


def frame_from_columns(table: Table, columns: Sequence[Sequence[Any]]) -> pd.DataFrame:
    """Build the sorted frame of a table."""
    arrays = {}
    for column, values in zip(table.columns, columns, strict=True):
        cells = np.empty(len(values), dtype=object)
        try:
            if column.kind in NUMERIC:
                cells = np.array([np.nan if each is None else float(each) for each in values], dtype=float)
            elif column.kind == "date":
                days = np.array(list(map(_day, values)), dtype="datetime64[D]")
                cells = days.astype("datetime64[ns]")
            else:
                cells[:] = [column.default if each is None else each for each in values]
        except (TypeError, ValueError) as error:
            raise InvalidInput(f"{table.name}, column {column.name}: {error}") from None
        arrays[column.name] = cells
    frame = pd.DataFrame(arrays, columns=list(table.names))
    keys = ["taken_in", "job"] if table.name == "jobs" else list(table.key)
    return frame.sort_values(keys, kind="stable", na_position="first", ignore_index=True)


def _day(value: str | None) -> str:
    if value is None:
        return "NaT"
    if not isinstance(value, str) or len(value) not in (7, 10):
        raise ValueError(f"{value!r} is not a date such as 2026-05-17, or 2026-05")
    return full_date(value)


def records_from_rows(rows: Mapping[str, Sequence[Mapping[str, Any]]]) -> Records:
    """Build records from rows of plain values, of which names of tables and columns were checked."""
    frames = {}
    for name, given in rows.items():
        if name != "settings":
            columns = [[row.get(column) for row in given] for column in TABLES[name].names]
            frames[name] = frame_from_columns(TABLES[name], columns)
    return _shared(Records(**frames, settings=Settings.from_rows(rows.get("settings", ()))))


def read_records(ledger: Ledger, *, as_of: datetime.date | None = None) -> Records:
    """Read a ledger into data frames, as one state of it."""
    frames = {}
    with ledger.reading() as connection:
        made_at = str(connection.execute(select(VERSION.c.made_at)).scalar_one())
        then = told_then(connection, as_of)
        stated: dict[str, Any] = {**database.settings_in(connection)}
        for name, row in then["settings"].items():
            stated[name] = None if row is None else row["value"]
        settings = Settings.from_rows({"setting": name, "value": value}
                                      for name, value in stated.items() if value is not None)  # fmt: skip
        unit = 10 ** exponent_of(settings.currency)
        for name, table in TABLES.items():
            if name == "settings":
                continue
            if then["jobs" if "job" in table.key else name]:
                rows = as_told(name, database.fetch_rows(connection, name), then)
                columns: list[Any] = [[row[c] for row in rows] for c in table.names]
            else:
                found = connection.execute(select(SQL_TABLES[name])).all()
                columns = list(zip(*found, strict=True)) if found else [() for _ in table.columns]
                columns = [[None if minor is None else minor / unit for minor in values]
                           if column.kind == "money" else values
                           for column, values in zip(table.columns, columns, strict=True)]  # fmt: skip
            frames[name] = frame_from_columns(table, columns)
        gone = set(database.withdrawn_numbers(connection)) - set(then["jobs"])
        gone |= {job for job, document in then["jobs"].items() if document is None}
    mark = hashlib.sha256(made_at.encode()).hexdigest()[:16]
    records = _shared(Records(**frames, settings=settings, withdrawn=tuple(sorted(gone)), ledger=mark))
    if as_of is None:
        return records
    records = known_by(records, as_of)
    # What was first described later, and no job of the time is of, was not known.
    kept = {}
    for name, column in (("families", "family"), ("models", "model")):
        frame = getattr(records, name)
        new = {key for key, row in then[name].items() if row is None} - set(records.jobs[column])
        kept[name] = frame[~frame[column].isin(new)].reset_index(drop=True)
    return replace(records, **kept)


def _shared(records: Records) -> Records:
    """Give each unit of a lot its share of the price, and each donor the worth of what is on the shelf."""
    jobs, of_lot = records.jobs, records.jobs["lot"].notna()
    kept = records.shelf.groupby("job")["worth"].sum(min_count=1)
    worth = jobs["salvage_value"].fillna(jobs["job"].map(kept)).astype(float)
    jobs = jobs.assign(salvage_value=worth)
    if of_lot.any():
        units = jobs.loc[of_lot, ["lot", "family"]]
        price = units["lot"].map(records.lots.set_index("lot")["price"])
        works_for = units["family"].map(records.families.set_index("family")["working_price"]).astype(float)
        unknown = ~(works_for > 0).groupby(units["lot"]).transform("all")
        weight = works_for.mask(unknown, 1.0)
        share = price * weight / weight.groupby(units["lot"]).transform("sum")
        jobs["bought_for"] = jobs["bought_for"].fillna(share)
    return replace(records, jobs=jobs)


def known_by(records: Records, as_of: datetime.date, *, with_estimates: bool = False) -> Records:
    """Take out what had not happened by the end of a day, as far as the rows are dated.

    Jobs taken in later go with all that belongs to them; those of their numbers that had been passed by then
    are no gap. Jobs closed later become open: what only the finished job tells (findings, hours, costs, end,
    kept parts) goes, the signs stay. Later sales, follow-ups, sightings and spending go, and so do later
    estimates of prices and notes on parts, unless they are to stay. Families, models, hearsay and settings
    bear no date and stay, and what was corrected later stays corrected: only the ledger itself knows what it
    said before, and `read_records` asks it.
    """
    day = pd.Timestamp(as_of)
    is_known = records.jobs["taken_in"] <= day
    jobs = records.jobs[is_known].copy()
    later = jobs["closed"] > day
    told_at_end = ["closed", "hours", "other_costs", "salvage_value", "ended_by", "ended_why"]
    _blank(jobs, later, told_at_end)
    _blank(jobs, later | (jobs["sold_on"] > day), ["sold_for", "sold_on"])
    jobs.loc[later, "outcome"] = "open"
    here, finished = set(jobs["job"]), set(jobs.loc[~later, "job"])
    followups, signs_seen = records.followups, records.sighting_signs
    seen = records.sightings[records.sightings["seen_on"] <= day].copy()
    _blank(seen, seen["job"].notna() & ~seen["job"].isin(here), ["job"])
    shelf = records.shelf[records.shelf["kept_on"] <= day].copy()
    _blank(shelf, shelf["gone_on"] > day, ["used_in", "gone_on"])
    kept = {
        "jobs": jobs,
        "findings": records.findings[records.findings["job"].isin(finished)],
        "signs": records.signs[records.signs["job"].isin(here)],
        "followups": followups[followups["job"].isin(finished) & (followups["checked_on"] <= day)],
        "sightings": seen,
        "sighting_signs": signs_seen[signs_seen["sighting"].isin(set(seen["sighting"]))],
        "shelf": shelf,
        "spending": records.spending[records.spending["spent_on"] <= day],
    }
    if not with_estimates:
        families = records.families.copy()
        _blank(families, families["priced_on"] > day, ["working_price", "priced_on", "price_spread"])
        kept |= {"families": families, "parts": records.parts[~(records.parts["as_of"] > day)]}
    own = records.jobs["origin"].isna()
    withdrawn, came_later = records.withdrawn, records.jobs.loc[own & ~is_known, "job"]
    if len(came_later):
        withdrawn = _passed_by(records.jobs.loc[own & is_known, "job"], {*withdrawn, *came_later})
    frames = {name: frame.reset_index(drop=True) for name, frame in kept.items()}
    return replace(records, **frames, withdrawn=withdrawn)


def _passed_by(given: Iterable[str], others: Iterable[str]) -> tuple[str, ...]:
    """Find the other numbers between the lowest and the highest given of their prefix."""
    digits: dict[str, list[int]] = {}
    for number in filter(None, map(split_number, given)):
        digits.setdefault(number.prefix, []).append(number.digits)
    ends = {prefix: (min(of), max(of)) for prefix, of in digits.items()}
    return tuple(job for job in sorted(others) if (other := split_number(job)) and other.prefix in ends
                 and ends[other.prefix][0] < other.digits < ends[other.prefix][1])  # fmt: skip


def _blank(frame: pd.DataFrame, rows: pd.Series, columns: Sequence[str]) -> None:
    for name in columns:
        frame[name] = frame[name].mask(rows, None)


# Records from a ledger, a folder, or tables at hand.

Day: TypeAlias = datetime.date | str
Rows: TypeAlias = pd.DataFrame | Iterable[Mapping[str, Any]]
Source: TypeAlias = Records | Ledger | str | Path | Mapping[str, Rows]


def load(where: Source, *, as_of: Day | None = None) -> Records:
    """Load what a bench has on record.

    Parameters
    ----------
    where : str, Path, Ledger, mapping or Records
        A ledger's file or URL, or an open one; a folder of CSV files; or tables by name, each a data
        frame or rows as mappings (a missing table is empty, a missing column an empty cell).
    as_of : datetime.date or str, optional
        Leave out what had not happened by the end of this day. Only a ledger also knows what it said of
        earlier jobs before they were corrected.

    Returns
    -------
    Records
        The documented tables as data frames.

    Raises
    ------
    LedgerError
        If there is no such ledger, or it cannot be opened.
    InvalidInput
        With every fault of the files or tables; or if `as_of` is no date.

    Examples
    --------
    >>> load("data/demo")
    Records of 14 families and 308 jobs, up to 2026-10-31
    >>> deck = {"family": "Larkov T1", "kind": "tape deck"}
    >>> job = {"job": "1", "family": "Larkov T1", "taken_in": "2026-05-17", "outcome": "open"}
    >>> load({"families": [deck], "jobs": pd.DataFrame([job])})
    Records of 1 family and 1 job, up to 2026-05-17
    """
    day = read_day("as_of", as_of)
    if isinstance(where, Ledger):
        return read_records(where, as_of=day)
    if isinstance(where, str | Path) and not Path(where).is_dir():
        with open_ledger(where) as ledger:
            return read_records(ledger, as_of=day)
    if isinstance(where, str | Path):
        records = load_package_records(where)
    elif isinstance(where, Mapping):
        tables = {name: plain_rows(rows) for name, rows in where.items()}
        records = records_from_rows(check_tables(tables, "Nothing was read."))
    elif isinstance(where, Records):
        records = where
    else:
        told = "Records come from a ledger (a file, a URL or an open one), a folder of CSV files, or tables"
        raise InvalidInput(f"{told} by name; got {type(where).__name__}.")
    return records if day is None else known_by(records, day)


def read_day(name: str, given: Day | None) -> datetime.date | None:
    """Read a day that may be given as text; InvalidInput names the argument."""
    if given is None or (isinstance(given, datetime.date) and not isinstance(given, datetime.datetime)):
        return given
    try:
        return datetime.date.fromisoformat(given)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        raise InvalidInput(f"`{name}` must be a date such as 2026-05-17; got {given!r}.") from None


def plain_rows(given: Rows) -> list[dict[str, Any]]:
    """Give rows of a data frame, or rows as mappings, the plain values that tables are checked with."""
    rows = given
    if isinstance(given, pd.DataFrame):
        for name in ("job", "offer", "lot", "family", "model"):
            if name in given and pd.api.types.is_numeric_dtype(given[name]) and given[name].notna().any():
                how = f"pd.read_csv(..., dtype={{{name!r}: str}})"
                raise InvalidInput(f"Column {name} of the frame holds numbers, which keep no zeros in front; "
                                   f"read it as text: {how}.")  # fmt: skip
        rows = given.to_dict("records")
    rows = list(rows) if isinstance(rows, Iterable) else [rows]
    for row in rows:
        if not isinstance(row, Mapping):
            raise InvalidInput(
                f"Rows are a data frame, or cells by column such as {{'job': '1'}}; got {row!r}."
            )
    return [{str(name): _plain(value) for name, value in row.items()} for row in rows]


def _plain(value: Any) -> Any:
    """Turn what pandas or numpy made of a cell back into a plain value; missing ones into None."""
    if value is pd.NA or value is pd.NaT or value != value:
        return None
    if isinstance(value, np.datetime64 | datetime.datetime):
        return pd.Timestamp(value).date()
    if isinstance(value, np.generic):
        value = value.item()
    # One empty cell makes pandas write all years of a column with decimals.
    return int(value) if isinstance(value, float) and value.is_integer() else value
