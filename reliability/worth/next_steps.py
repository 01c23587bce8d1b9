"""What to do next: on the bench, with what is unsold, after sales, and with what was only looked at."""

import datetime
import json
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reliability.records.files import belongs_to_user, fresh_file, own_folder
from reliability.records.frames import Records
from reliability.worth.appraiser import Appraiser, kept_name
from reliability.worth.judging import price_to_ask

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger

NEXT_COLUMNS = ("topic", "what", "family", "days", "gain", "hours", "per_hour", "advice")

ON_THE_BENCH, OPEN_FOR_LONG, UNSOLD = "on the bench", "open for long", "unsold for long"
CHECK_DUE, NO_PRICE, NOT_DECIDED = "check due", "sold without a price", "not decided"

LONG_OPEN_DAYS, LONG_UNSOLD_DAYS = 180, 90
"""From when on an open job is long open, and a repaired unit long unsold (common practice, no source)."""


@dataclass(frozen=True)
class Outlook:
    """What a plan says of an open job: gain and expected hours of going on, and what to do now."""

    gain: float
    hours: float
    sentence: str


def outlooks(appraiser: Appraiser, records: Records) -> dict[str, Outlook]:
    """Plan every open job of this bench.

    Returns
    -------
    dict of str to Outlook
        By job.
    """
    # Loaded here: kept plans start sooner.
    from reliability.worth.plan import plan_job

    found = {}
    jobs = records.jobs
    for row in jobs[(jobs["outcome"] == "open") & jobs["origin"].isna()].to_dict("records"):
        plan = plan_job(appraiser, _document(records, row))
        found[row["job"]] = Outlook(plan.gain, plan.hours, plan.sentence)
    return found


def _document(records: Records, job: Mapping[str, Any]) -> dict[str, Any]:
    """Give a job with its findings and signs as the ledger gives it, as far as a plan reads it."""
    row: dict[str, Any] = {name: None if pd.isna(value) else value for name, value in job.items()}
    row |= {name: int(row[name]) for name in ("built_from", "built_to") if row[name] is not None}
    row["taken_in"] = row["taken_in"].date()
    parts = {name: getattr(records, name) for name in ("findings", "signs")}
    return {
        "job": row,
        **{name: frame[frame["job"] == row["job"]].to_dict("records") for name, frame in parts.items()},
    }


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
    """List what to do next.

    Parameters
    ----------
    appraiser : Appraiser
    records : Records
    plans : mapping of str to Outlook
        From `outlooks` or `kept_outlooks`.
    today : datetime.date

    Returns
    -------
    DataFrame
        `NEXT_COLUMNS`, topic by topic: open jobs by gain per hour of going on, those to stop last; jobs
        open for `LONG_OPEN_DAYS`; repaired units unsold for `LONG_UNSOLD_DAYS`, with the price to ask; sold
        units in the second half of their warranty that nobody asked about; sales without a price; units that
        were looked at and neither bought nor left. `what` is the job or the sighting; `days` since it came,
        was finished, sold or seen; gain, hours and per_hour (money by hour) of going on, NaN elsewhere.
    """
    day = pd.Timestamp(today)
    own = records.jobs[records.jobs["origin"].isna()]
    rows = [
        *_open_jobs(own[own["outcome"] == "open"], plans, day),
        *_unsold(appraiser, records, own, day),
        *_after_sales(records, own, day),
        *_not_decided(records, day),
    ]
    table = pd.DataFrame(rows, columns=list(NEXT_COLUMNS))
    numbers = ["days", "gain", "hours", "per_hour"]
    return table.astype({name: float if name in numbers else object for name in NEXT_COLUMNS})


def _row(topic: str, what: str, family: str, days: float, advice: str, **more: float) -> dict[str, Any]:
    blank = dict.fromkeys(("gain", "hours", "per_hour"), np.nan)
    return {"topic": topic, "what": what, "family": family, "days": days, **blank, "advice": advice, **more}


def _open_jobs(
    jobs: pd.DataFrame, plans: Mapping[str, Outlook], day: pd.Timestamp
) -> Iterator[dict[str, Any]]:
    found = []
    for job, family, taken_in in zip(jobs["job"], jobs["family"], jobs["taken_in"], strict=True):
        plan = plans[job]
        goes_on = plan.gain > 0
        per_hour = plan.gain / plan.hours if goes_on and plan.hours > 0 else np.nan
        rank = per_hour if per_hour == per_hour else np.inf if goes_on or not plan.hours else -np.inf
        row = _row(ON_THE_BENCH, job, family, (day - taken_in).days, plan.sentence, gain=plan.gain,
                   hours=plan.hours, per_hour=per_hour)  # fmt: skip
        found.append((-rank, job, row))
    yield from (row for *_, row in sorted(found, key=lambda each: each[:2]))
    for row in sorted(
        (row for *_, row in found if row["days"] >= LONG_OPEN_DAYS), key=lambda row: -row["days"]
    ):
        sheet = f"finish it, or give it up: benchodds blank {row['family']!r} --job {row['what']}"
        yield _row(OPEN_FOR_LONG, row["what"], row["family"], row["days"], sheet)


def _unsold(
    appraiser: Appraiser, records: Records, own: pd.DataFrame, day: pd.Timestamp
) -> Iterator[dict[str, Any]]:
    since = (day - own["closed"]).dt.days
    waits = (own["outcome"] == "repaired") & own["sold_for"].isna() & own["sold_on"].isna()
    for row in own[waits & (since >= LONG_UNSOLD_DAYS)].sort_values(["closed", "job"]).to_dict("records"):
        asked = price_to_ask(appraiser, _document(records, row))
        between = f"80 % of such sales: {asked.low:.2f} to {asked.high:.2f}"
        advice = f"ask {asked.mean:.2f} {appraiser.currency}; {between}"
        yield _row(UNSOLD, row["job"], row["family"], (day - row["closed"]).days, advice)


def _after_sales(records: Records, own: pd.DataFrame, day: pd.Timestamp) -> Iterator[dict[str, Any]]:
    sold = own[own["sold_on"].notna() & (own["sold_on"] <= day)].sort_values(["sold_on", "job"])
    warranty = records.settings.warranty_days
    checks = records.followups.groupby("job")["checked_on"].max()
    for row in sold[sold["outcome"] == "repaired"].to_dict("records"):
        days = (day - row["sold_on"]).days
        is_checked = row["job"] in checks.index and checks[row["job"]] >= row["sold_on"]
        if warranty / 2 <= days <= warranty > 0 and not is_checked:
            advice = (
                f"{warranty - days} days of warranty left: benchodds followup {row['job']} --working yes|no"
            )
            yield _row(CHECK_DUE, row["job"], row["family"], days, advice)
    for row in sold[sold["sold_for"].isna()].to_dict("records"):
        advice = f"benchodds amend {row['job']} --set sold_for=PRICE --why …"
        yield _row(NO_PRICE, row["job"], row["family"], (day - row["sold_on"]).days, advice)


def _not_decided(records: Records, day: pd.Timestamp) -> Iterator[dict[str, Any]]:
    seen = records.sightings
    for row in seen[seen["job"].isna() & seen["left_because"].isna()].to_dict("records"):
        named = row["family"] or row["model"] or row["kind"]
        said = [f"{row['verdict']} was said"] if row["verdict"] else []
        said += [f"{row['asked']:.2f} asked"] if row["asked"] == row["asked"] else []
        told = ", ".join(said) or "no price asked"
        advice = f"{told}; bought, or left? Say so in its file, and benchodds saw it"
        yield _row(NOT_DECIDED, row["sighting"], named, (day - row["seen_on"]).days, advice)
