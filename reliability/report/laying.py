"""Begin the groundwork of a report: what can be fitted side by side is handed to the workers first."""

import datetime
from collections.abc import Callable, Collection
from concurrent.futures import Executor
from dataclasses import replace
from functools import partial
from typing import Any

import pandas as pd

from reliability.life.lives import EVENTS
from reliability.records.frames import Records, known_by
from reliability.report.groundwork import MONTH_DAYS, Groundwork, pool_lives_of
from reliability.report.keeping import Keeper
from reliability.report.pages import KINDS
from reliability.worth.bench import read_bench
from reliability.worth.review import FEWEST_EARLIER_JOBS, RANKING_COLUMNS, calibrate, ranking

_KEEPS_NOTHING = Keeper()


def lay_ground(
    records: Records,
    as_of: datetime.date | None = None,
    *,
    kinds: Collection[str] = KINDS,
    families: Collection[str] | None = None,
    executor: Executor | None = None,
    keeper: Keeper = _KEEPS_NOTHING,
    card: str = "",
) -> Groundwork:
    """Begin to fit once what the pages show; what only pages show that nobody asked for is left undone.

    Parameters
    ----------
    records : Records
        The whole ledger.
    as_of : date, optional
        The last date in the ledger if not given.
    kinds : collection of str
        Kinds of the pages that are wanted.
    families : collection of str, optional
        Those whose pages are wanted; all if not given.
    executor : Executor, optional
        Takes over what can be fitted side by side; without it, each is fitted when it is first needed.
    keeper : Keeper, optional
        Keeps what was fitted for the next run.
    card : str
        The day that the pocket card beside the pages is for, if there is one.

    Returns
    -------
    Groundwork
        The same for the same records and day, but that forecasts are of the jobs that the pages tell of.

    Raises
    ------
    InvalidInput
        If no day is given and the ledger holds no date.
    """
    day = as_of if as_of is not None else records.last_date()
    known = records if as_of is None else known_by(records, day)

    def start(is_wanted: bool, function: Callable[..., Any], *given: Any) -> Callable[[], Any]:
        if executor is None or not is_wanted:
            return partial(function, *given)
        return executor.submit(function, *given).result

    judged = None if families is None or "fleet" in kinds else families
    looks_back = "fleet" in kinds or "family" in kinds
    fitted = start(True, keeper.fit, known, day)
    rankings = {
        "a month ago": start("index" in kinds, ranking_before, known, day, keeper),
        "all written": start("ledger" in kinds, ranking_if_written, known, day, keeper),
    }
    is_by_component = not {"family", "component", "fleet"}.isdisjoint(kinds)
    pools = {event: start(is_by_component, pool_lives_of, known, day, event, judged) for event in EVENTS}
    earlier = {
        before: start(looks_back, keeper.fit, known, before) for before in turns_of_years(known, judged)
    }
    forecasts = partial(calibrate, known, day, fit=lambda _, before: earlier[before](), families=judged)
    return Groundwork(known, day, records.fingerprint(), fitted, pools, rankings, forecasts, card)


def turns_of_years(records: Records, families: Collection[str] | None = None) -> list[datetime.date]:
    """List the last days of years by which enough jobs were finished to forecast the next year's.

    With families, only years in which a unit of one was taken in.
    """
    own = records.jobs[records.jobs["origin"].isna()]
    closed = own.loc[own["outcome"] != "open", "closed"].dropna()
    asked = own if families is None else own[own["family"].isin(families)]
    years = sorted(asked["taken_in"].dt.year.unique())
    days = [datetime.date(int(year) - 1, 12, 31) for year in years]
    return [day for day in days if int((closed <= pd.Timestamp(day)).sum()) >= FEWEST_EARLIER_JOBS]


def ranking_before(records: Records, as_of: datetime.date, keeper: Keeper) -> pd.DataFrame:
    """Rank the families as the ledger stood `MONTH_DAYS` earlier; empty if it held no finished job."""
    day = as_of - datetime.timedelta(days=MONTH_DAYS)
    known = known_by(records, day)
    if not (known.jobs["outcome"] != "open").any():
        return ranking_columns()
    return ranking(keeper.fit(known, day), known, as_of=day)


def ranking_columns() -> pd.DataFrame:
    """Give a ranking without a family."""
    return pd.DataFrame(columns=list(RANKING_COLUMNS))


def ranking_if_written(records: Records, as_of: datetime.date, keeper: Keeper) -> pd.DataFrame:
    """Rank the families as if the jobs that nobody wrote up had gone like the written ones.

    Where missing numbers are not counted: as if they were jobs after all, none of them repaired.
    """
    finished = records.jobs[records.jobs["origin"].isna() & (records.jobs["outcome"] != "open")]
    if finished.empty:
        return ranking_columns()
    share = float((finished["outcome"] == "repaired").mean())
    if read_bench(records, as_of).gaps_count:
        settings = replace(records.settings, gap_repaired_share=share)
    else:
        settings = replace(records.settings, count_gaps="yes", gap_repaired_share=0.0)
    other = replace(records, settings=settings)
    return ranking(keeper.fit(other, as_of), other, as_of=as_of)
