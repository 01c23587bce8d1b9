"""What to do next: on the bench, with what is unsold, after sales, and with what was only looked at."""

import datetime
import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reliability.records.audit import LONG_OPEN_DAYS
from reliability.records.files import belongs_to_user, fresh_file, own_folder
from reliability.records.frames import Records, plain_rows
from reliability.records.values import missing_numbers
from reliability.worth.appraiser import Appraiser, kept_name
from reliability.worth.bench import REPAIRED, read_bench
from reliability.worth.judging import price_to_ask
from reliability.worth.odds import sale_price

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger

NEXT_COLUMNS = ("topic", "what", "family", "days", "gain", "hours", "per_hour", "advice")

ON_THE_BENCH, OPEN_FOR_LONG, UNSOLD = "on the bench", "open for long", "unsold for long"
CHECK_DUE, NO_PRICE, NOT_DECIDED = "check due", "sold without a price", "not decided"

LONG_UNSOLD_DAYS = 90
"""A repaired unit that nobody has bought for so long is overdue (common practice, no source)."""

CHECK_DAYS = 30
"""So many days before its warranty ends it is time to ask after a unit (common practice, no source)."""

FINISH, SELL, CHECK, WRITE_UP, PRICE = TASKS = ("finish", "sell", "check", "write up", "price")

ON_HAND_COLUMNS = ("job", "family", "state", "since", "days", "money_in", "is_predicted", "price")
TO_DO_COLUMNS = ("task", "job", "family", "day", "days", "price")


def on_hand(
    records: Records,
    odds: Appraiser,
    *,
    as_of: datetime.date | None = None,
    gains: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """List the bench's own units that have not brought money back yet, the ones that wait longest first.

    `state` is "open" since its intake, or "unsold" since it was repaired. `money_in` is what was paid for the
    unit and, once it is finished, for parts and other things, without hours; `is_predicted` where a part of
    it is not on record. `price` is what an unsold unit should sell for.
    """
    # Loaded here: what waits is told without the regressions that amounts need.
    from reliability.worth.money import job_gains, usual_prices

    day = as_of or odds.as_of
    bench = read_bench(records, day)
    found = job_gains(records, odds, as_of=day) if gains is None else gains
    jobs = bench.jobs[bench.jobs["own"]].set_index("job").loc[found["job"]].reset_index()
    done = found[_is_unsold(jobs).to_numpy()]
    predicted = ({*each.split(", ")} & {"purchase", "parts", "other costs"} for each in done["predicted"])
    unsold = done[["job", "family"]].assign(
        state="unsold",
        since=done["closed"],
        money_in=done["bought_for"] + done["part_costs"] + done["other_costs"],
        is_predicted=[bool(each) for each in predicted],
        price=[sale_price(odds.families[each]) for each in done["family"]],
    )
    work = bench.open_jobs
    begun = work[["job", "family"]].assign(
        state="open",
        since=work["taken_in"],
        money_in=work["bought_for"].fillna(work["family"].map(usual_prices(bench.records))).astype(float),
        is_predicted=work["bought_for"].isna(),
        price=np.nan,
    )
    table = pd.concat([each for each in (unsold, begun) if len(each)] or [begun], ignore_index=True)
    table["days"] = (pd.Timestamp(day) - pd.to_datetime(table["since"])).dt.days
    order = table.sort_values(["since", "job"], ignore_index=True)
    return order[list(ON_HAND_COLUMNS)]


def _is_unsold(jobs: pd.DataFrame) -> "pd.Series[bool]":
    """Repaired, without a sale on record."""
    return (jobs["outcome"] == REPAIRED) & jobs["sold_for"].isna() & jobs["sold_on"].isna()


def to_do(records: Records, odds: Appraiser, *, as_of: datetime.date | None = None) -> pd.DataFrame:
    """List what waits at the bench, in the order of `TASKS`, the longest wait first.

    "finish": open for long; "sell": repaired and unsold for long; "check": its warranty ends on `day`, soon,
    and nobody has asked after it since its sale; "write up": numbers given out that belong to no job;
    "price": sold on `day` for a price that nobody wrote down. `days`: how long ago; below 0: still to come.
    """
    today = as_of or odds.as_of
    day = pd.Timestamp(today)
    known = read_bench(records, today).records
    own = known.jobs[known.jobs["origin"].isna()]
    rows: list[tuple[str, str, str, pd.Timestamp, float]] = []
    waits = [
        (FINISH, own["outcome"] == "open", own["taken_in"], LONG_OPEN_DAYS),
        (SELL, _is_unsold(own), own["closed"], LONG_UNSOLD_DAYS),
    ]
    for task, which, since, longest in waits:
        is_late = which & ((day - since).dt.days >= longest)
        late = own[is_late.to_numpy(bool)].assign(since=since[is_late.to_numpy(bool)])
        for unit in late.sort_values(["since", "job"]).itertuples():
            price = sale_price(odds.families[unit.family]) if task == SELL else np.nan
            rows.append((task, unit.job, unit.family, unit.since, price))
    sold = own[own["sold_on"].notna()].sort_values(["sold_on", "job"])
    checks = known.followups.merge(sold[["job", "sold_on"]], on="job")
    asked = set(checks.loc[checks["checked_on"] >= checks["sold_on"], "job"])
    warranty = pd.Timedelta(days=records.settings.warranty_days)
    for unit in sold.itertuples():
        ends = unit.sold_on + warranty
        is_ending = day <= ends <= day + pd.Timedelta(days=CHECK_DAYS)
        if warranty and unit.outcome == REPAIRED and is_ending and unit.job not in asked:
            rows.append((CHECK, unit.job, unit.family, ends, np.nan))
        if pd.isna(unit.sold_for):
            rows.append((PRICE, unit.job, unit.family, unit.sold_on, np.nan))
    for gap in missing_numbers([*own["job"], *known.withdrawn]):
        name = gap.first if gap.size == 1 else f"{gap.first} to {gap.last}"
        rows.append((WRITE_UP, name, "", pd.NaT, np.nan))
    table = pd.DataFrame(
        sorted(rows, key=lambda row: TASKS.index(row[0])), columns=["task", "job", "family", "day", "price"]
    )
    days = (day - pd.to_datetime(table["day"])).dt.days
    return table.assign(days=days)[list(TO_DO_COLUMNS)]


# ---- The same with plans of the open jobs, on one screen


@dataclass(frozen=True)
class Outlook:
    """What a plan says of an open job: gain and expected hours of going on, and what to do now."""

    gain: float
    hours: float
    sentence: str


def outlooks(appraiser: Appraiser, records: Records) -> dict[str, Outlook]:
    """Plan every open job of this bench."""
    # Loaded here: kept plans start sooner.
    from reliability.worth.plan import plan_job

    found, jobs = {}, records.jobs
    for job in plain_rows(jobs[(jobs["outcome"] == "open") & jobs["origin"].isna()]):
        findings, signs = (
            plain_rows(each[each["job"] == job["job"]]) for each in (records.findings, records.signs)
        )
        plan = plan_job(appraiser, {"job": job, "findings": findings, "signs": signs})
        found[job["job"]] = Outlook(plan.gain, plan.hours, plan.sentence)
    return found


def kept_outlooks(ledger: "Ledger", appraiser: Appraiser, records: Records) -> dict[str, Outlook]:
    """Plan every open job, or take the plans that are kept beside the odds if nothing was written since."""
    path = kept_name(ledger).with_suffix(".plans")
    try:
        if belongs_to_user(path.parent, path):
            kept = json.loads(path.read_text(encoding="utf-8"))
            return {job: Outlook(**outlook) for job, outlook in kept.items()}
    except (OSError, ValueError, TypeError, AttributeError):
        pass  # there are none, or they are damaged: they are made again
    found = outlooks(appraiser, records)
    try:
        own_folder(path.parent)
        for old in path.parent.glob("*.plans"):
            old.unlink(missing_ok=True)
        with fresh_file(path, private=True) as draft:
            draft.stream.write(json.dumps({job: asdict(outlook) for job, outlook in found.items()}).encode())
    except OSError:
        pass  # whoever could not keep the odds was told so
    return found


def next_steps(
    appraiser: Appraiser, records: Records, plans: Mapping[str, Outlook], today: datetime.date
) -> pd.DataFrame:
    """List what to do next, topic by topic; numbers are NaN where they have no meaning.

    Open jobs come by gain per hour of going on, those to stop last; then what `to_do` says; then units that
    were looked at and neither bought nor left.
    """
    day = pd.Timestamp(today)
    waiting = to_do(records, appraiser, as_of=today)
    rows = [
        *_open_jobs(records.jobs[records.jobs["origin"].isna()], plans, day),
        *(
            _waiting(row, appraiser, records)
            for row in waiting[waiting["task"] != WRITE_UP].to_dict("records")
        ),
        *_not_decided(records, day),
    ]
    table = pd.DataFrame(rows, columns=list(NEXT_COLUMNS))
    numbers = ["days", "gain", "hours", "per_hour"]
    return table.astype({name: float if name in numbers else object for name in NEXT_COLUMNS})


def _open_jobs(
    jobs: pd.DataFrame, plans: Mapping[str, Outlook], day: pd.Timestamp
) -> Iterator[dict[str, Any]]:
    found = []
    for row in jobs[jobs["outcome"] == "open"].itertuples():
        plan = plans[row.job]
        goes_on = plan.gain > 0
        per_hour = plan.gain / plan.hours if goes_on and plan.hours > 0 else np.nan
        rank = per_hour if per_hour == per_hour else np.inf if goes_on or not plan.hours else -np.inf
        told = {
            "topic": ON_THE_BENCH,
            "what": row.job,
            "family": row.family,
            "days": (day - row.taken_in).days,
            "gain": plan.gain,
            "hours": plan.hours,
            "per_hour": per_hour,
            "advice": plan.sentence,
        }
        found.append((-rank, row.job, told))
    yield from (told for *_, told in sorted(found, key=lambda each: each[:2]))


def _waiting(row: Mapping[str, Any], odds: Appraiser, records: Records) -> dict[str, Any]:
    """Say what to do with a unit that `to_do` lists."""
    job, task, days = row["job"], row["task"], row["days"]
    if task == FINISH:
        topic = OPEN_FOR_LONG
        advice = f"finish it, or give it up: benchodds blank {row['family']!r} --job {job}"
    elif task == SELL:
        topic = UNSOLD
        signs = records.signs[records.signs["job"] == job]
        asked = price_to_ask(odds, {"job": row, "signs": signs.to_dict("records")})
        between = f"80 % of such sales: {asked.low:.2f} to {asked.high:.2f}"
        advice = f"ask {asked.mean:.2f} {odds.currency}; {between}"
    elif task == CHECK:
        topic, days = CHECK_DUE, records.settings.warranty_days + days
        left = f"{int(-row['days'])} days of warranty left"
        advice = f"{left}: benchodds followup {job} --working yes|no"
    else:
        topic = NO_PRICE
        advice = f"benchodds amend {job} --set sold_for=PRICE --why …"
    return {"topic": topic, "what": job, "family": row["family"], "days": days, "advice": advice}


def _not_decided(records: Records, day: pd.Timestamp) -> Iterator[dict[str, Any]]:
    seen = records.sightings
    for row in seen[seen["job"].isna() & seen["left_because"].isna()].to_dict("records"):
        said = [f"{row['verdict']} was said"] if row["verdict"] else []
        said += [f"{row['asked']:.2f} asked"] if row["asked"] == row["asked"] else []
        told = ", ".join(said) or "no price asked"
        yield {
            "topic": NOT_DECIDED,
            "what": row["sighting"],
            "family": row["family"] or row["model"] or row["kind"],
            "days": (day - row["seen_on"]).days,
            "advice": f"{told}; bought, or left? Say so in its file, and benchodds saw it",
        }
