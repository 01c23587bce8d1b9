"""Families side by side, why a unit is judged as it is, and what came of forecasts."""

import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from reliability.records.frames import Records, known_by
from reliability.worth.appraiser import Appraiser
from reliability.worth.bench import REPAIRED, seen_units
from reliability.worth.judging import judge, offers_from, unit_of, usual_unit, verdict_row
from reliability.worth.money import asked_prices
from reliability.worth.odds import Appraisal, Floats, appraise, expit, failed_by_age

# ---- Families side by side: which to take, haggle over or skip at the price usually asked

RANKING_COLUMNS = (
    "family", "kind", "verdict", "usual_price", "ceiling", "expected_gain", "chance_of_loss",
    "success_chance", "success_low", "success_high", "hours", "chief_risk", "rival_risk", "jobs_seen",
    "evidence", "left", "left_gain",
)  # fmt: skip

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
    """Judge a typical unit of every family of this bench at the price usually asked for one.

    Takes first, then by mean gain. Families without a usual price have no verdict and stand last.
    """
    prices, left = asked_prices(records), left_behind(appraiser, records)
    rows, mine = [], set(families_of_interest(records))
    for family, entry in appraiser.families.items():
        if family not in mine:
            continue
        unit = usual_unit(entry, appraiser, as_of or appraiser.as_of)
        appraisal = appraise(entry, appraiser.shared, appraiser.terms, unit)
        price = float(prices.get(family, np.nan))
        row = verdict_row(entry, appraisal, appraiser, price)
        row |= {"left": 0, "left_gain": np.nan, **(left.loc[family] if family in left.index else {})}
        rows.append({"family": family, "kind": entry.kind, "usual_price": price, **row})
    table = pd.DataFrame(rows, columns=list(RANKING_COLUMNS))
    place = table["verdict"].map(ORDER).fillna(len(ORDER))
    by = ["place", "expected_gain", "ceiling", "family"]
    order = table.assign(place=place).sort_values(by, ascending=[True, False, False, True])
    return order.drop(columns="place").reset_index(drop=True)


def left_behind(appraiser: Appraiser, records: Records) -> pd.DataFrame:
    """Count the units seen and not bought by family, and sum their mean gains at the prices asked.

    The odds are learned from units that were bought. Those that were left looked worse to the buyer, or
    cost more, so that the gain told of them is an upper guess.
    """
    seen = seen_units(records)
    seen = seen[seen["job"].isna() & seen["family"].isin(list(appraiser.families))]
    looked: dict[str, dict[str, str]] = {}
    for name, sign, there in records.sighting_signs.itertuples(index=False):
        looked.setdefault(name, {})[sign] = there
    columns = ["offer", "family", "built_from", "built_to", "asked", "seen_on"]
    offers = seen.rename(columns={"sighting": "offer"})[columns].to_dict("records")
    rows = [{**looked.get(offer["offer"], {}), **offer} for offer in offers]
    gains = judge(offers_from(rows), appraiser)["expected_gain"].to_numpy(float) if rows else np.zeros(0)
    by_family = seen.assign(gain=gains).groupby("family")["gain"]
    return pd.DataFrame({"left": by_family.size(), "left_gain": by_family.sum(min_count=1)})


# ---- Why a unit is judged as it is: its components, one by one


@dataclass(frozen=True)
class Explanation:
    """One unit taken apart."""

    appraisal: Appraisal
    components: pd.DataFrame  # one row each, the chief risk first


def explain(appraiser: Appraiser, *, family: str, **known: Any) -> Explanation:
    """Take the appraisal of one unit of a family apart; `known` as in `judging.unit_of`."""
    entry, unit, _ = unit_of(appraiser, family, **known)
    appraisal = appraise(entry, appraiser.shared, appraiser.terms, unit)
    names = appraiser.components_of(entry)
    by_age = failed_by_age(entry.lives, appraiser.shared, unit.age_years, unit.year)
    drawn = np.tensordot(by_age, unit.weight, axes=([1], [0]))
    failed_low, failed_high = np.quantile(drawn, (0.05, 0.95), axis=0)
    mending = expit(entry.lives.repair[:, :1] + entry.lives.repair[:, 1:] * np.linspace(-1.5, 1.5, 7))
    components = pd.DataFrame(
        {
            "component": names,
            "failed": appraisal.states.failed,
            "failed_low": failed_low,
            "failed_high": failed_high,
            "repairable": mending.mean(axis=1),
            "ends_job": appraisal.states.ends,
            "part_cost": entry.part_cost,
            "hours": appraiser.shared.repair_hours[entry.lives.components],
            "is_named": [name in appraiser.shared.known_components for name in names],
        }
    ).sort_values(["is_named", "ends_job", "component"], ascending=[False, False, True], ignore_index=True)
    return Explanation(appraisal, components)


# ---- What to look at before the price is paid


def signs_by_worth(
    appraiser: Appraiser, records: Records, kind: str, *, as_of: datetime.date | None = None
) -> tuple[str, ...]:
    """List the signs that somebody has looked for on a kind, those first that tell most about a unit."""
    jobs = records.jobs.merge(records.families[["family", "kind"]], on="family")
    here = jobs if kind == "" else jobs[jobs["kind"] == kind]
    looked_for = set(records.signs.loc[records.signs["job"].isin(here["job"]), "sign"])
    entry = appraiser.kinds[kind]
    unit = usual_unit(entry, appraiser, as_of or appraiser.as_of)
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


#: A year is forecast once this many jobs were finished before it.
FEWEST_EARLIER_JOBS = 10


@dataclass(frozen=True, eq=False)
class Calibration:
    """How good the forecasts were; nothing is known of that without a job."""

    jobs: pd.DataFrame  # forecasts and outcome of each, and the share repaired before its year (usual_rate)
    brier: float  # of the forecasts; lower is better
    log_loss: float  # mean negative log-likelihood
    brier_usual: float  # of the usual rate as the forecast of every job
    log_loss_usual: float


def forecast_days(records: Records, as_of: datetime.date) -> list[datetime.date]:
    """Last days of years by which enough jobs were finished to forecast the next year's."""
    own = _finished(records, as_of)
    days = [datetime.date(int(year) - 1, 12, 31) for year in sorted(own["season"].unique())]
    return [day for day in days if int((own["closed"] <= pd.Timestamp(day)).sum()) >= FEWEST_EARLIER_JOBS]


def forecasts(
    records: Records,
    as_of: datetime.date,
    day: datetime.date,
    judged: Callable[[pd.DataFrame, Records, datetime.date], pd.DataFrame],
) -> pd.DataFrame:
    """Forecast the jobs of the year after a day by what was known then: the columns of `Calibration.jobs`.

    Only what changes hands with a unit is used: its family, year window and the signs seen. Working prices do
    not enter odds, so that today's estimates may stand in for those of the time. `judged` judges offers by
    what was known on a day.
    """
    own = _finished(records, as_of)
    earlier, jobs = own[own["closed"] <= pd.Timestamp(day)], own[own["season"] == day.year + 1]
    looked = records.signs[records.signs["job"].isin(jobs["job"])].groupby("job")
    signs = {job: dict(zip(rows["sign"], rows["seen"], strict=True)) for job, rows in looked}
    known = ["job", "family", "built_from", "built_to", "taken_in"]
    named = jobs[known].rename(columns={"job": "offer", "taken_in": "seen_on"}).to_dict("records")
    verdicts = judged(offers_from([{**row, **signs.get(row["offer"], {})} for row in named]), records, day)
    return pd.DataFrame(
        {
            **{name: jobs[name].to_numpy() for name in ("job", "family", "taken_in")},
            **{name: verdicts[name] for name in ("success_chance", "success_low", "success_high")},
            "usual_rate": (earlier["repaired"].sum() + 1) / (len(earlier) + 2),
            "repaired": jobs["repaired"].to_numpy(),
        }
    )


def _finished(records: Records, as_of: datetime.date) -> pd.DataFrame:
    jobs = known_by(records, as_of).jobs
    own = jobs[jobs["origin"].isna() & (jobs["outcome"] != "open")].reset_index(drop=True)
    return own.assign(season=own["taken_in"].dt.year, repaired=(own["outcome"] == REPAIRED).astype(float))


def scored(found: Sequence[pd.DataFrame]) -> Calibration:
    """Put the forecasts of some years together, and score them."""
    if not found:
        empty = pd.DataFrame(columns=["job", "family", "taken_in", "success_chance", "repaired"])
        return Calibration(empty, *[np.nan] * 4)
    table = pd.concat(found, ignore_index=True)
    columns = ("success_chance", "repaired", "usual_rate")
    forecast, repaired, usual = (table[name].to_numpy(float) for name in columns)
    scores = [score(by, repaired) for by in (forecast, usual) for score in (brier, log_loss)]
    return Calibration(table, *scores)


def brier(forecast: Floats, outcome: Floats) -> float:
    """Mean squared distance of forecasts from outcomes (G. W. Brier, *Monthly Weather Review* 78, 1950)."""
    return float(np.mean((forecast - outcome) ** 2))


def log_loss(forecast: Floats, outcome: Floats) -> float:
    """Mean negative log-likelihood of outcomes under the forecasts."""
    p = np.clip(forecast, 1e-9, 1 - 1e-9)
    return float(-np.mean(outcome * np.log(p) + (1 - outcome) * np.log1p(-p)))
