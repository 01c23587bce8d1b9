"""Money of every slot, and the entry that judging reads."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.worth import money
from reliability.worth.appraisal import FamilyEntry, Spread
from reliability.worth.bench import UNREPAIRED, Bench
from reliability.worth.costs import Hours, PartCosts, fit_hours, fit_part_costs, part_costs_by_job
from reliability.worth.job_odds import UsualOdds
from reliability.worth.money import Amount, total
from reliability.worth.odds import FamilyLives
from reliability.worth.prices import PriceModel, fit_prices
from reliability.worth.recalibration import Recalibration
from reliability.worth.repairability import ORIGIN_DISCOUNT
from reliability.worth.slots import Slot
from reliability.worth.verdict import FEW_JOBS

Floats = NDArray[np.float64]

OWN_RECORDS, FEW_RECORDS, POOLED_ONLY, HEARSAY = "own records", "few records", "pooled only", "hearsay"


@dataclass(frozen=True)
class Amounts:
    """Fitted amounts of money and time, by slot; prices by sign."""

    price: Amount
    prices: PriceModel
    remains: Amount
    other_repaired: Amount
    other_unrepaired: Amount
    costs_repaired: Amount
    costs_unrepaired: Amount
    hours: Hours
    hours_unrepaired: Amount
    parts: PartCosts


def fit_amounts(
    bench: Bench,
    signs: Floats,
    failed: Floats,
    components: tuple[str, ...],
    price: Amount,
    news: Floats,
) -> Amounts:
    """Fit prices, costs, hours and what remains.

    Parameters
    ----------
    bench : Bench
    signs : ndarray, shape (n_jobs, n_signs)
        Centred signs, 0 where nobody looked.
    failed : ndarray, shape (n_jobs, n_components)
        From `failed_in_job`.
    components : tuple of str
    price : Amount
        From `working_prices`.
    news : ndarray, shape (n_slots,)
        From `purchase_news`.

    Returns
    -------
    Amounts
    """
    own = bench.jobs["own"]
    repaired = own & (bench.jobs["repaired"] == 1)
    unrepaired = own & bench.jobs["outcome"].isin(UNREPAIRED)
    level = float(np.median(price.mean))
    parts = fit_part_costs(bench, components)
    beside, _ = part_costs_by_job(bench, parts, failed=False)
    spent, _ = part_costs_by_job(bench, parts)
    other = bench.jobs["other_costs"].to_numpy(float)
    worked = bench.jobs["hours"].to_numpy(float)
    rate = bench.records.settings.hour_rate
    left = money.remains(bench, bench.records.settings)
    by_price = left / price.mean[bench.jobs["family_at"].to_numpy(np.int64)] if len(own) else left
    share = money.fit_by_family(bench, unrepaired, by_price, money.USUAL_REMAINS, 0.15)
    other_repaired = money.fit_by_family(bench, repaired, other, 0.05 * level, 0.05 * level)
    other_unrepaired = money.fit_by_family(bench, unrepaired, other, 0.02 * level, 0.05 * level)
    hours = fit_hours(bench, failed, money.USUAL_HOURS, money.USUAL_HOURS_SD)
    hours_unrepaired = money.fit_by_family(bench, unrepaired, worked, money.USUAL_HOURS, money.USUAL_HOURS_SD)
    worn = money.fit_by_family(bench, repaired, beside, 0.0, 0.05 * level)
    lost = money.fit_by_family(bench, unrepaired, spent, 0.01 * level, 0.05 * level)
    return Amounts(
        price,
        fit_prices(bench, price, signs, news),
        Amount(share.mean * price.mean, share.doubt * price.mean, share.spread),
        other_repaired,
        other_unrepaired,
        total(total(other_repaired, worn), hours.base, rate=rate),
        total(total(other_unrepaired, lost), hours_unrepaired, rate=rate),
        hours,
        hours_unrepaired,
        parts,
    )


def make_entry(
    bench: Bench,
    slot: Slot,
    i: int,
    lives: FamilyLives,
    usual: UsualOdds,
    outcome: Recalibration,
    amounts: Amounts,
) -> FamilyEntry:
    """Put together what judging a unit of one slot needs.

    Parameters
    ----------
    bench : Bench
    slot : Slot
    i : int
        Position of the slot in `usual`, `amounts` and `outcome`.
    lives : FamilyLives
    usual : UsualOdds
    outcome : Recalibration
    amounts : Amounts

    Returns
    -------
    FamilyEntry
    """
    at = slot.family_at
    jobs_seen = int(bench.jobs_seen[at]) if at >= 0 else 0
    rates = bench.taken_in_per_year
    usual_rate = float(rates[rates > 0].mean()) if (rates > 0).any() else 1.0
    rate = float(rates[at]) if at >= 0 and rates[at] > 0 else usual_rate
    stated = bench.records.settings.offers_expected

    def at_slot(amount: Amount) -> Spread:
        return Spread(float(amount.mean[i]), float(amount.doubt[i]), amount.spread)

    return FamilyEntry(
        slot.family,
        slot.kind,
        lives,
        amounts.parts.of(at, lives.components),
        float(outcome.mean[i]),
        float(outcome.se[i]),
        float(outcome.own_weight[i]),
        float(usual.age_years[i]),
        slot.mean_year,
        float(amounts.price.mean[i]),
        float(amounts.price.doubt[i]),
        Spread(
            float(amounts.prices.ratio.mean[i]),
            float(amounts.prices.ratio.doubt[i]),
            float(amounts.prices.spread[i]),
        ),
        Spread(
            float(amounts.remains.mean[i]),
            float(amounts.remains.doubt[i]),
            float(amounts.remains.spread * amounts.price.mean[i]),
        ),
        at_slot(amounts.costs_repaired),
        at_slot(amounts.costs_unrepaired),
        float(amounts.other_repaired.mean[i]),
        float(amounts.other_unrepaired.mean[i]),
        float(amounts.hours.base.mean[i]),
        float(amounts.hours_unrepaired.mean[i]),
        jobs_seen,
        int(bench.jobs_by_kind[bench.kinds.index(slot.kind), 0]) if slot.kind else 0,
        int(bench.open_seen[at]) if at >= 0 else 0,
        float(stated) if stated is not None else rate,
        _evidence(bench, slot, jobs_seen),
        slot.first_year,
        slot.last_year,
        slot.oldest,
    )


def _evidence(bench: Bench, slot: Slot, jobs_seen: int) -> str:
    if jobs_seen >= FEW_JOBS:
        return OWN_RECORDS
    if jobs_seen > 0:
        return FEW_RECORDS
    heard = bench.records.hearsay
    about = heard[(heard["family"] == slot.family) | (heard["family"].isna() & (heard["kind"] == slot.kind))]
    kin = bench.jobs_by_kind
    own, other = kin[bench.kinds.index(slot.kind)] if slot.kind else kin.sum(axis=0)
    # What weighs on one component is not what weighs on another: the loudest voice is compared.
    pooled = own + ORIGIN_DISCOUNT * other
    loudest = about.groupby(about["component"].fillna(""))["worth_jobs"].sum().max() if len(about) else 0.0
    return HEARSAY if loudest > pooled else POOLED_ONLY
