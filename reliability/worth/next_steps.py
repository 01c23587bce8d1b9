"""What to do next: on the bench, with what is unsold, after sales, and with what was only looked at."""

import datetime
from collections.abc import Mapping
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reliability.records.audit import LONG_OPEN_DAYS
from reliability.records.frames import Records, plain_rows
from reliability.records.ledger import ledger_mark
from reliability.records.values import missing_numbers
from reliability.worth.appraiser import Appraiser, kept, kept_folder
from reliability.worth.bench import REPAIRED, read_bench
from reliability.worth.judging import price_to_ask
from reliability.worth.odds import sale_price

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger

NEXT_COLUMNS = ("topic", "what", "family", "days", "gain", "hours", "per_hour", "advice")

ON_THE_BENCH, OPEN_FOR_LONG, UNSOLD = "on the bench", "open for long", "unsold for long"
CHECK_DUE, NO_PRICE, NOT_DECIDED = "check due", "sold without a price", "not decided"

#: A repaired unit that nobody has bought for so long is overdue (common practice, no source).
LONG_UNSOLD_DAYS = 90
#: So many days before its warranty ends it is time to ask after a unit (common practice, no source).
CHECK_DAYS = 30

FINISH, SELL, CHECK, WRITE_UP, PRICE = TASKS = ("finish", "sell", "check", "write up", "price")
TO_DO_COLUMNS = ("task", "job", "family", "day", "days", "price")


def on_hand(records: Records, odds: Appraiser, gains: pd.DataFrame, day: datetime.date) -> pd.DataFrame:
    """List the bench's own units that have not brought money back yet, the ones that wait longest first.

    `gains`: from `job_gains`, as of the same day. `state` is "open" since its intake, or "unsold" since it
    was repaired. `money_in` is what was paid for the unit and, once it is finished, for parts and other
    things, without hours; `is_predicted` where a part of it is not on record. `price` is what an unsold unit
    should sell for.
    """
    # Loaded here: what waits is told without the regressions that amounts need.
    from reliability.worth.money import usual_prices

    bench = read_bench(records, day)
    done = gains[_is_unsold(bench.jobs[bench.jobs["own"]]).to_numpy()]
    predicted = ({*each.split(", ")} & {"purchase", "parts", "other costs"} for each in done["predicted"])
    unsold = done[["job", "family"]].assign(
        state="unsold", since=done["closed"],
        money_in=done["bought_for"] + done["part_costs"] + done["other_costs"],
        is_predicted=[bool(each) for each in predicted],
        price=[sale_price(odds.families[each]) for each in done["family"]],
    )  # fmt: skip
    work = bench.open_jobs
    bought = work["bought_for"].fillna(work["family"].map(usual_prices(bench.records))).astype(float)
    begun = work[["job", "family"]].assign(
        state="open", since=work["taken_in"], money_in=bought, is_predicted=work["bought_for"].isna(),
        price=np.nan,
    )  # fmt: skip
    table = pd.concat([each for each in (unsold, begun) if len(each)] or [begun], ignore_index=True)
    table.insert(4, "days", (pd.Timestamp(day) - pd.to_datetime(table["since"])).dt.days)
    return table.sort_values(["since", "job"], ignore_index=True)


def _is_unsold(jobs: pd.DataFrame) -> "pd.Series[bool]":
    """Repaired, without a sale on record."""
    return (jobs["outcome"] == REPAIRED) & jobs["sold_for"].isna() & jobs["sold_on"].isna()


def to_do(records: Records, odds: Appraiser, today: datetime.date) -> pd.DataFrame:
    """List what waits at the bench, in the order of `TASKS`, the longest wait first.

    "finish": open for long; "sell": repaired and unsold for long; "check": its warranty ends on `day`, soon,
    and nobody has asked after it since its sale; "write up": numbers given out that belong to no job;
    "price": sold on `day` for a price that nobody wrote down. `days`: how long ago; below 0: still to come.
    """
    day = pd.Timestamp(today)
    bench = read_bench(records, today)
    known = bench.records
    own = known.jobs[known.jobs["origin"].isna()]
    rows: list[tuple[str, str, str, pd.Timestamp, float]] = []
    waits = [
        (FINISH, own["outcome"] == "open", own["taken_in"], LONG_OPEN_DAYS),
        (SELL, _is_unsold(own), own["closed"], LONG_UNSOLD_DAYS),
    ]
    for task, which, since, longest in waits:
        late = own.assign(since=since)[(which & ((day - since).dt.days >= longest)).to_numpy(bool)]
        for unit in late.sort_values(["since", "job"]).itertuples():
            price = sale_price(odds.families[unit.family]) if task == SELL else np.nan
            rows.append((task, unit.job, unit.family, unit.since, price))
    sold = own[own["sold_on"].notna()].sort_values(["sold_on", "job"])
    checks = known.followups.merge(sold[["job", "sold_on"]], on="job")
    asked = checks.loc[checks["checked_on"] >= checks["sold_on"], "job"]
    warranty = pd.Timedelta(days=records.settings.warranty_days)
    ends = sold["sold_on"] + warranty
    is_ending = (day <= ends) & (ends <= day + pd.Timedelta(days=CHECK_DAYS)) & bool(warranty)
    is_due = is_ending & (sold["outcome"] == REPAIRED) & ~sold["job"].isin(asked)
    for task, units in ((CHECK, sold.assign(sold_on=ends)[is_due]), (PRICE, sold[sold["sold_for"].isna()])):
        rows += [(task, unit.job, unit.family, unit.sold_on, np.nan) for unit in units.itertuples()]
    for gap in missing_numbers([*own["job"], *known.withdrawn]) if bench.gaps_count else ():
        name = gap.first if gap.size == 1 else f"{gap.first} to {gap.last}"
        rows.append((WRITE_UP, name, "", pd.NaT, np.nan))
    rows.sort(key=lambda row: TASKS.index(row[0]))
    table = pd.DataFrame(rows, columns=["task", "job", "family", "day", "price"])
    days = (day - pd.to_datetime(table["day"])).dt.days
    return table.assign(days=days)[list(TO_DO_COLUMNS)]


# ---- The same with plans of the open jobs, on one screen

#: What is told of a plan: gain and expected hours of going on, and what to do now.
OUTLOOK = ("gain", "hours", "sentence")


def outlooks(appraiser: Appraiser, records: Records) -> dict[str, dict[str, Any]]:
    """Plan every open job of this bench: `OUTLOOK` by job."""
    # Loaded here: kept plans start sooner.
    from reliability.worth.plan import plan_job

    found, jobs = {}, records.jobs
    for job in plain_rows(jobs[(jobs["outcome"] == "open") & jobs["origin"].isna()]):
        parts = {"findings": records.findings, "signs": records.signs}
        its_own = {name: plain_rows(each[each["job"] == job["job"]]) for name, each in parts.items()}
        plan = plan_job(appraiser, {"job": job, **its_own})
        found[job["job"]] = {name: getattr(plan, name) for name in OUTLOOK}
    return found


def kept_outlooks(ledger: "Ledger", appraiser: Appraiser, records: Records) -> dict[str, dict[str, Any]]:
    """Plan every open job, or take the plans that are kept beside the odds if nothing was written since."""
    # Whoever could not keep the odds was told so.
    key, make = ("plans", ledger_mark(ledger)), partial(outlooks, appraiser, records)
    found: dict[str, dict[str, Any]] = kept(kept_folder(ledger), key, make)
    return found


def next_steps(
    appraiser: Appraiser, records: Records, plans: Mapping[str, Mapping[str, Any]], today: datetime.date
) -> pd.DataFrame:
    """List what to do next, topic by topic; numbers are NaN where they have no meaning.

    Open jobs come by gain per hour of going on, those to stop last; then what `to_do` says; then units that
    were looked at and neither bought nor left.
    """
    day, jobs, nothing = pd.Timestamp(today), records.jobs, (np.nan,) * 3
    work = []
    for unit in jobs[(jobs["outcome"] == "open") & jobs["origin"].isna()].itertuples():
        gain, hours, sentence = (plans[unit.job][name] for name in OUTLOOK)
        per_hour = gain / hours if gain > 0 and hours > 0 else np.nan
        rank = per_hour if per_hour == per_hour else np.inf if gain > 0 or not hours else -np.inf
        days = (day - unit.taken_in).days
        told = (ON_THE_BENCH, unit.job, unit.family, days, gain, hours, per_hour, sentence)
        work.append((-rank, unit.job, told))
    rows = [told for *_, told in sorted(work, key=lambda each: each[:2])]
    waiting = to_do(records, appraiser, today)
    for row in waiting[waiting["task"] != WRITE_UP].to_dict("records"):
        topic, days, advice = _waiting(row, appraiser, records)
        rows.append((topic, row["job"], row["family"], days, *nothing, advice))
    seen = records.sightings
    for row in seen[seen["job"].isna() & seen["left_because"].isna()].to_dict("records"):
        said = [f"{row['verdict']} was said"] if row["verdict"] else []
        said += [f"{row['asked']:.2f} asked"] if row["asked"] == row["asked"] else []
        asked = ", ".join(said) or "no price asked"
        advice = f"{asked}; bought, or left? Say so in its file, and benchodds saw it"
        family, days = row["family"] or row["model"] or row["kind"], (day - row["seen_on"]).days
        rows.append((NOT_DECIDED, row["sighting"], family, days, *nothing, advice))
    table = pd.DataFrame(rows, columns=list(NEXT_COLUMNS))
    numbers = ["days", "gain", "hours", "per_hour"]
    return table.astype({name: float if name in numbers else object for name in NEXT_COLUMNS})


def _waiting(row: Mapping[str, Any], odds: Appraiser, records: Records) -> tuple[str, int, str]:
    """Say what to do with a unit that `to_do` lists: topic, days, advice."""
    job, task, days = row["job"], row["task"], row["days"]
    if task == FINISH:
        return OPEN_FOR_LONG, days, f"finish it, or give it up: benchodds blank {row['family']!r} --job {job}"
    if task == SELL:
        signs = records.signs[records.signs["job"] == job].to_dict("records")
        asked, between = price_to_ask(odds, {"job": row, "signs": signs})
        return UNSOLD, days, f"ask {asked:.2f} {odds.currency}; {between}"
    if task == CHECK:
        left = f"{int(-days)} days of warranty left"
        since_sale = records.settings.warranty_days + days
        return CHECK_DUE, since_sale, f"{left}: benchodds followup {job} --working yes|no"
    return NO_PRICE, days, f"benchodds amend {job} --set sold_for=PRICE --why …"
