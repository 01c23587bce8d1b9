"""Families side by side, why a unit is judged as it is, and what came of forecasts."""

import datetime
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.errors import unknown
from reliability.records.frames import Records
from reliability.worth.appraisal import Appraisal, FamilyEntry, appraise
from reliability.worth.appraiser import Appraiser, fit_appraiser
from reliability.worth.bench import read_bench
from reliability.worth.judging import NAMES, find_entry, judge, offers_from, read_unit, verdict_row
from reliability.worth.odds import expit, failed_by_age
from reliability.worth.prices import asked_prices, seen_units
from reliability.worth.regression import share_interval

# ---- Families side by side: which to take, haggle over or skip at the price usually asked


RANKING_COLUMNS = (
    "family",
    "kind",
    "verdict",
    "usual_price",
    "ceiling",
    "expected_gain",
    "chance_of_loss",
    "success_chance",
    "success_low",
    "success_high",
    "hours",
    "chief_risk",
    "rival_risk",
    "jobs_seen",
    "evidence",
    "left",
    "left_gain",
)

ORDER = {"take": 0, "haggle": 1, "try one": 2, "skip": 3}


def families_of_interest(records: Records) -> list[str]:
    """List the families that this bench has to do with, in the ledger's order."""
    families, jobs = records.families, records.jobs
    foreign = jobs["origin"].notna()
    elsewhere = families["family"].isin(jobs.loc[foreign, "family"])
    here = families["family"].isin(jobs.loc[~foreign, "family"])
    stated = families["working_price"].notna() | families["family"].isin(records.hearsay["family"])
    mine = here | stated | ~elsewhere
    return list(families.loc[mine if mine.any() else ~mine, "family"])


def ranking(appraiser: Appraiser, records: Records, *, as_of: datetime.date | None = None) -> pd.DataFrame:
    """Judge a typical unit of every family at the price usually asked for one.

    Returns
    -------
    DataFrame
        `RANKING_COLUMNS`, takes first, then by expected gain. `left` and `left_gain` are as
        `left_behind` gives them. A typical unit is one of the family's years, at which nobody looked for
        signs. Families without a usual price have no verdict and stand last; those that only imported jobs
        name are left out.
    """
    prices = asked_prices(records)
    left = left_behind(appraiser, records).set_index("family")
    rows = []
    mine = set(families_of_interest(records))
    for family, entry in appraiser.families.items():
        if family not in mine:
            continue
        blank = {**dict.fromkeys(NAMES), "offer": family, "family": family}
        blank |= {"built_from": np.nan, "built_to": np.nan, "working_price": np.nan, "seen_on": pd.NaT}
        unit, _ = read_unit(blank, entry, appraiser, as_of or appraiser.as_of)
        appraisal = appraise(entry, appraiser.shared, appraiser.terms, unit)
        price = float(prices.get(family, np.nan))
        row = verdict_row(entry, appraisal, appraiser, price)
        row |= {"left": 0, "left_gain": np.nan, **(left.loc[family] if family in left.index else {})}
        rows.append({"family": family, "kind": entry.kind, "usual_price": price, **row})
    table = pd.DataFrame(rows, columns=list(RANKING_COLUMNS))
    place = table["verdict"].map(ORDER).fillna(len(ORDER))
    order = table.assign(place=place).sort_values(
        ["place", "expected_gain", "ceiling", "family"], ascending=[True, False, False, True]
    )
    return order.drop(columns="place").reset_index(drop=True)


def left_behind(appraiser: Appraiser, records: Records) -> pd.DataFrame:
    """Count the units that were seen and not bought, and what they would have brought by today's odds.

    Returns
    -------
    DataFrame
        family; left (units); left_gain (sum of the mean gains at the prices asked, over those of them that
        had one; NaN where none had).

    Notes
    -----
    The odds are learned from units that were bought. Those that were left looked worse to the buyer, or
    cost more, so that the gain told of them is an upper guess.
    """
    seen = seen_units(records)
    seen = seen[seen["job"].isna() & seen["family"].isin(list(appraiser.families))]
    looked: dict[str, dict[str, str]] = {}
    for name, sign, there in records.sighting_signs.itertuples(index=False):
        looked.setdefault(name, {})[sign] = there
    columns = ["family", "built_from", "built_to", "asked", "seen_on"]
    offers = seen.rename(columns={"sighting": "offer"})[["offer", *columns]].to_dict("records")
    rows = [{**looked.get(offer["offer"], {}), **offer} for offer in offers]
    gains = judge(offers_from(rows), appraiser)["expected_gain"].to_numpy(float) if rows else np.zeros(0)
    table = seen.assign(gain=gains).groupby("family")
    return (
        pd.DataFrame(
            {"left": table.size(), "left_gain": table["gain"].sum(min_count=1)}, columns=["left", "left_gain"]
        )
        .rename_axis("family")
        .reset_index()
    )


# ---- Why a unit is judged as it is: its components, one by one, and its money by outcome


@dataclass(frozen=True)
class Explanation:
    """One unit taken apart.

    Attributes
    ----------
    entry : FamilyEntry
    appraisal : Appraisal
    verdict : dict
        The verdict's columns.
    components : DataFrame
        component, failed (chance that it arrives failed), failed_low, failed_high (90 % interval, whatever
        can be seen), repairable (chance that a failed one does not end the job), ends_job (chance that the
        job ends by it), part_cost, hours (added by a failed one), is_named (whether the ledger ever named
        it); the chief risk first.
    money : DataFrame
        One row per outcome (repaired, not repaired): chance, gain_free (mean gain at a price of 0).
    """

    entry: FamilyEntry
    appraisal: Appraisal
    verdict: dict[str, object]
    components: pd.DataFrame
    money: pd.DataFrame


def explain(
    appraiser: Appraiser,
    *,
    family: str,
    built_from: int | None = None,
    built_to: int | None = None,
    signs: Mapping[str, str] | None = None,
    asked: float | None = None,
    seen_on: datetime.date | None = None,
) -> Explanation:
    """Take the appraisal of one unit apart.

    Parameters
    ----------
    built_from, built_to : int, optional
        Window of production years; the family's span if not given.
    signs : mapping of str to str, optional
        "yes" or "no" by sign.
    asked : float, optional
    seen_on : datetime.date, optional
        The appraiser's day if not given.
    """
    if family not in appraiser.families:
        raise unknown("The ledger holds no family", family, appraiser.families)
    row = {**dict.fromkeys(NAMES), "offer": family, "family": family, "asked": asked, **(signs or {})}
    row |= {"built_from": built_from, "built_to": built_to, "seen_on": seen_on}
    offer = offers_from([row]).to_dict("records")[0]
    entry, _ = find_entry(offer, appraiser)
    unit, _ = read_unit(offer, entry, appraiser, appraiser.as_of)
    appraisal = appraise(entry, appraiser.shared, appraiser.terms, unit)
    at = entry.lives.components
    drawn = np.tensordot(
        failed_by_age(entry.lives, appraiser.shared, unit.age_years, unit.year), unit.weight, axes=([1], [0])
    )
    failed_low, failed_high = np.quantile(drawn, (0.05, 0.95), axis=0)
    mending = expit(entry.lives.repair[:, :1] + entry.lives.repair[:, 1:] * np.linspace(-1.5, 1.5, 7))
    components = pd.DataFrame(
        {
            "component": [appraiser.shared.components[c] for c in at],
            "failed": appraisal.states.failed,
            "failed_low": failed_low,
            "failed_high": failed_high,
            "repairable": mending.mean(axis=1),
            "ends_job": appraisal.states.ends,
            "part_cost": entry.part_cost,
            "hours": appraiser.shared.repair_hours[at],
            "is_named": [appraiser.shared.components[c] in appraiser.shared.known_components for c in at],
        }
    ).sort_values(["is_named", "ends_job", "component"], ascending=[False, False, True], ignore_index=True)
    chance = float(appraisal.success.mean())
    money = pd.DataFrame(
        {
            "outcome": ["repaired", "not repaired"],
            "chance": [chance, 1.0 - chance],
            "gain_free": [appraisal.gain_repaired, appraisal.gain_unrepaired],
        }
    )
    price = np.nan if asked is None else float(asked)
    return Explanation(entry, appraisal, verdict_row(entry, appraisal, appraiser, price), components, money)


# ---- What to look at before the price is paid


def signs_by_worth(
    appraiser: Appraiser, records: Records, kind: str, *, as_of: datetime.date | None = None
) -> tuple[str, ...]:
    """List the signs that somebody has looked for on a kind, those first that tell most about a unit."""
    jobs = records.jobs.merge(records.families[["family", "kind"]], on="family")
    here = jobs if kind == "" else jobs[jobs["kind"] == kind]
    looked_for = set(records.signs.loc[records.signs["job"].isin(here["job"]), "sign"])
    entry = appraiser.kinds[kind]
    (offer,) = offers_from([{"offer": "any", "kind": kind or "any"}]).to_dict("records")
    unit, _ = read_unit(offer, entry, appraiser, as_of or appraiser.as_of)
    moves = {}
    for i, sign in enumerate(appraiser.shared.signs):
        if sign not in looked_for:
            continue
        there, absent = unit.signs.copy(), unit.signs.copy()
        there[i], absent[i] = 1.0, 0.0
        gain, without = (
            appraise(entry, appraiser.shared, appraiser.terms, replace(unit, signs=signs)).gain_free.mean()
            for signs in (there, absent)
        )
        share = appraiser.shared.sign_mean[i]
        moves[sign] = round(float(np.sqrt(share * (1.0 - share)) * abs(gain - without)), 2)
    return tuple(sorted(moves, key=lambda sign: -moves[sign]))


# ---- Forecasts held against what came of them: each job judged by what was known before its year


Floats = NDArray[np.float64]

FEWEST_EARLIER_JOBS = 10
"""A year is forecast once this many jobs were finished before it."""

GROUPS = 5


@dataclass(frozen=True, eq=False)
class Calibration:
    """How good the forecasts were.

    Attributes
    ----------
    status : str
        "ok" or "too few jobs".
    jobs : DataFrame
        job, family, taken_in, success_chance, success_low, success_high (forecast), usual_rate (share
        repaired of all jobs finished before that year), repaired (0 or 1).
    groups : DataFrame
        Jobs in groups of rising forecast: n_jobs, forecast (mean), repaired (share), low, high (90 %
        interval of that share).
    brier, log_loss : float
        Mean squared error and mean negative log-likelihood of the forecasts; lower is better.
    brier_usual, log_loss_usual : float
        The same for the bench's overall rate as the forecast of every job.
    """

    status: str
    jobs: pd.DataFrame
    groups: pd.DataFrame
    brier: float
    log_loss: float
    brier_usual: float
    log_loss_usual: float


def calibrate(records: Records, as_of: datetime.date) -> Calibration:
    """Judge every finished job by what was known at the turn of the year before it was taken in.

    Notes
    -----
    Only what changes hands with a unit is used: its family, year window and the signs seen. Working
    prices do not enter odds, so that today's estimates may stand in for those of the time.
    """
    return scored([forecasts(records, as_of, day) for day in forecast_days(records, as_of)])


def forecast_days(records: Records, as_of: datetime.date) -> list[datetime.date]:
    """Last days of years by which enough jobs were finished to forecast the next year's."""
    own = _finished(records, as_of)
    days = [datetime.date(int(year) - 1, 12, 31) for year in sorted(own["season"].unique())]
    return [day for day in days if int((own["closed"] <= pd.Timestamp(day)).sum()) >= FEWEST_EARLIER_JOBS]


def judged_then(offers: pd.DataFrame, records: Records, day: datetime.date) -> pd.DataFrame:
    """Judge offers by what was known on a day."""
    return judge(offers, fit_appraiser(records, day))


def forecasts(
    records: Records,
    as_of: datetime.date,
    day: datetime.date,
    judged: Callable[[pd.DataFrame, Records, datetime.date], pd.DataFrame] = judged_then,
) -> pd.DataFrame:
    """Forecast the jobs of the year after a day: the columns of `Calibration.jobs`.

    What `judged` keeps of its results saves the work of closed years.
    """
    own = _finished(records, as_of)
    earlier, jobs = own[own["closed"] <= pd.Timestamp(day)], own[own["season"] == day.year + 1]
    verdicts = judged(_as_offers(jobs, records), records, day)
    return pd.DataFrame(
        {
            "job": jobs["job"].to_numpy(),
            "family": jobs["family"].to_numpy(),
            "taken_in": jobs["taken_in"].to_numpy(),
            **{name: verdicts[name] for name in ("success_chance", "success_low", "success_high")},
            "usual_rate": (earlier["repaired"].sum() + 1) / (len(earlier) + 2),
            "repaired": jobs["repaired"].to_numpy(),
        }
    )


def _finished(records: Records, as_of: datetime.date) -> pd.DataFrame:
    jobs = read_bench(records, as_of).jobs
    return jobs[jobs["own"]]


def scored(found: Sequence[pd.DataFrame]) -> Calibration:
    """Put the forecasts of some years together, and score them."""
    if not found:
        empty = pd.DataFrame(columns=["job", "family", "taken_in", "success_chance", "repaired"])
        return Calibration("too few jobs", empty, _groups(np.zeros(0), np.zeros(0)), *[np.nan] * 4)
    table = pd.concat(found, ignore_index=True)
    forecast, repaired, usual = (
        table[name].to_numpy(float) for name in ("success_chance", "repaired", "usual_rate")
    )
    scores = (
        brier(forecast, repaired),
        log_loss(forecast, repaired),
        brier(usual, repaired),
        log_loss(usual, repaired),
    )
    return Calibration("ok", table, _groups(forecast, repaired), *scores)


def brier(forecast: Floats, outcome: Floats) -> float:
    """Mean squared distance of forecasts from outcomes (G. W. Brier, *Monthly Weather Review* 78, 1950)."""
    return float(np.mean((forecast - outcome) ** 2))


def log_loss(forecast: Floats, outcome: Floats) -> float:
    """Mean negative log-likelihood of outcomes under the forecasts."""
    p = np.clip(forecast, 1e-9, 1 - 1e-9)
    return float(-np.mean(outcome * np.log(p) + (1 - outcome) * np.log1p(-p)))


def _as_offers(jobs: pd.DataFrame, records: Records) -> pd.DataFrame:
    signs = records.signs[records.signs["job"].isin(jobs["job"])]
    seen = signs.pivot(index="job", columns="sign", values="seen").reindex(jobs["job"])
    rows = []
    for (_, job), (_, looked) in zip(jobs.iterrows(), seen.iterrows(), strict=True):
        row = {
            **dict.fromkeys(NAMES),
            "offer": job["job"],
            "family": job["family"],
            "seen_on": job["taken_in"],
        }
        row |= {"built_from": job["built_from"], "built_to": job["built_to"]}
        rows.append(row | looked.where(looked.notna(), None).to_dict())
    return offers_from(rows)


def _groups(forecast: Floats, repaired: Floats) -> pd.DataFrame:
    order = np.argsort(forecast, kind="stable")
    parts = [part for part in np.array_split(order, GROUPS) if part.size]
    n = np.array([part.size for part in parts], dtype=float)
    k = np.array([repaired[part].sum() for part in parts])
    low, high = share_interval(k, n) if parts else (n, n)
    mean = [float(forecast[part].mean()) for part in parts]
    return pd.DataFrame(
        {"n_jobs": n.astype(int), "forecast": mean, "repaired": k / n, "low": low, "high": high}
    )
