"""Begin the groundwork of a report: what can be fitted side by side is handed to the workers first."""

import datetime
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import pandas as pd

from reliability.life.findings import EVENTS
from reliability.records.frames import Records, known_by
from reliability.report.groundwork import MONTH_DAYS, Groundwork, pool_lives_of
from reliability.report.keeping import Keeper
from reliability.worth.bench import read_bench
from reliability.worth.calibration import FEWEST_EARLIER_JOBS, calibrate
from reliability.worth.ranking import RANKING_COLUMNS, ranking

_KEEPS_NOTHING = Keeper()


def lay_ground(
    records: Records,
    as_of: datetime.date | None = None,
    *,
    executor: Executor | None = None,
    keeper: Keeper = _KEEPS_NOTHING,
) -> Groundwork:
    """Fit once what all pages show.

    Parameters
    ----------
    records : Records
        The whole ledger.
    as_of : date, optional
        The last date in the ledger if not given.
    executor : Executor, optional
        Takes over what can be fitted side by side; without it, each is fitted when it is first needed.
    keeper : Keeper, optional
        Keeps what was fitted for the next run.

    Returns
    -------
    Groundwork
        The same for the same records and day.

    Raises
    ------
    InvalidInput
        If no day is given and the ledger holds no date.
    """
    day = as_of if as_of is not None else records.last_date()
    known = records if as_of is None else known_by(records, day)
    start = _starter(executor)
    pools = {event: start(pool_lives_of, known, day, event) for event in EVENTS}
    rankings = {
        "a month ago": start(ranking_before, known, day, keeper),
        "all written": start(ranking_if_written, known, day, keeper),
    }
    appraiser = start(keeper.fit, known, day)
    earlier = {before: start(keeper.fit, known, before) for before in turns_of_years(known)}
    forecasts = partial(calibrate, known, day, fit=lambda _, before: earlier[before]())
    return Groundwork(known, day, records.fingerprint(), appraiser(), pools, rankings, forecasts)


@dataclass(frozen=True, eq=False)
class Given:
    """Gives what is known already; unlike the result of a worker it can be sent to another one."""

    value: Any

    def __call__(self) -> Any:
        """Give it."""
        return self.value


def settled(ground: Groundwork) -> Groundwork:
    """Wait for all that the pages of families and components need, and make the groundwork portable.

    Parameters
    ----------
    ground : Groundwork
        Begun by `lay_ground`.

    Returns
    -------
    Groundwork
        With the same content, ready to be sent to a worker.
    """
    pools = {event: Given(pooled) for event, pooled in ground.pooled.items()}
    return replace(ground, pools=pools, rankings={}, forecasts=Given(ground.calibration))


def turns_of_years(records: Records) -> list[datetime.date]:
    """List the last days of years by which enough jobs were finished to forecast the next year's."""
    own = records.jobs[records.jobs["origin"].isna()]
    closed = own.loc[own["outcome"] != "open", "closed"].dropna()
    years = sorted(own["taken_in"].dt.year.unique())
    days = [datetime.date(int(year) - 1, 12, 31) for year in years]
    return [day for day in days if int((closed <= pd.Timestamp(day)).sum()) >= FEWEST_EARLIER_JOBS]


def _starter(executor: Executor | None) -> Callable[..., Callable[[], Any]]:
    def start(function: Callable[..., Any], *given: Any) -> Callable[[], Any]:
        return partial(function, *given) if executor is None else executor.submit(function, *given).result

    return start


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
