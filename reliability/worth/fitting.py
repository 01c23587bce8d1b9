"""The order in which the pieces are fitted: lives, mending, signs, outcomes, money."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from reliability.worth.appraisal import FEW_JOBS, FamilyEntry, Spread, Terms
from reliability.worth.bench import UNREPAIRED, Bench
from reliability.worth.lives import (
    Asked,
    BenchLives,
    Slot,
    family_components,
    kind_components,
    lives_of,
    pool_lives,
    read_slots,
    unit_findings,
    year_effect,
)
from reliability.worth.money import (
    USUAL_HOURS,
    USUAL_HOURS_SD,
    USUAL_REMAINS,
    Amount,
    Hours,
    PartCosts,
    PriceModel,
    collateral_shares,
    comeback_cost,
    failed_in_job,
    fit_by_family,
    fit_hours,
    fit_part_costs,
    fit_prices,
    part_costs_by_job,
    purchase_news,
    remains,
    total,
    working_prices,
)
from reliability.worth.odds import FamilyLives, Shared, component_odds, log_odds, normal_draws
from reliability.worth.recalibration import (
    JobAges,
    Recalibration,
    UsualOdds,
    ages_by_family,
    blocks,
    chain_log_odds,
    fit_recalibration,
    gather_outcomes,
    mean_ages,
    usual_log_odds,
)
from reliability.worth.signs import fit_sign_causes
from reliability.worth.supply import (
    ORIGIN_DISCOUNT,
    Repairability,
    fit_repairability,
    read_shelf,
    read_supply,
    trials,
)

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
    """Fit prices, costs, hours and what remains."""
    # `signs` (n_jobs, n_signs): centred signs, 0 where nobody looked; `failed` (n_jobs, n_components): from
    # `failed_in_job`; `price`: from `working_prices`; `news` (n_slots,): from `purchase_news`.
    own = bench.jobs["own"]
    repaired = own & (bench.jobs["repaired"] == 1)
    unrepaired = own & bench.jobs["outcome"].isin(UNREPAIRED)
    level = float(np.median(price.mean))
    parts = replace(fit_part_costs(bench, components), shelf=_worth_on_shelf(bench, components))
    beside, _ = part_costs_by_job(bench, parts, failed=False)
    spent, _ = part_costs_by_job(bench, parts)
    other = bench.jobs["other_costs"].to_numpy(float)
    worked = bench.jobs["hours"].to_numpy(float)
    rate = bench.records.settings.hour_rate
    left = remains(bench)
    by_price = left / price.mean[bench.jobs["family_at"].to_numpy(np.int64)] if len(own) else left
    share = fit_by_family(bench, unrepaired, by_price, USUAL_REMAINS, 0.15)
    other_repaired = fit_by_family(bench, repaired, other, 0.05 * level, 0.05 * level)
    other_unrepaired = fit_by_family(bench, unrepaired, other, 0.02 * level, 0.05 * level)
    hours = fit_hours(bench, failed, USUAL_HOURS, USUAL_HOURS_SD)
    hours_unrepaired = fit_by_family(bench, unrepaired, worked, USUAL_HOURS, USUAL_HOURS_SD)
    worn = fit_by_family(bench, repaired, beside, 0.0, 0.05 * level)
    costs_repaired = total(total(other_repaired, worn), hours.base, rate=rate)
    selling = bench.records.settings.selling_hours * rate
    lost = fit_by_family(bench, unrepaired, spent, 0.01 * level, 0.05 * level)
    return Amounts(
        price,
        fit_prices(bench, price, signs, news),
        Amount(share.mean * price.mean, share.doubt * price.mean, share.spread),
        other_repaired,
        other_unrepaired,
        replace(costs_repaired, mean=costs_repaired.mean + selling),
        total(total(other_unrepaired, lost), hours_unrepaired, rate=rate),
        hours,
        hours_unrepaired,
        parts,
    )


def _worth_on_shelf(bench: Bench, components: tuple[str, ...]) -> dict[tuple[int, int], float]:
    """Give the worth of parts on the shelf by the places of family (-1: any) and component; those known."""
    families = {"": -1, **{name: i for i, name in enumerate(bench.families)}}
    return {
        (families[family], components.index(component)): worth
        for (component, family), worth in read_shelf(bench.records.shelf).items()
        if component in components and worth >= 0
    }


def make_entry(
    bench: Bench,
    slot: Slot,
    i: int,
    lives: FamilyLives,
    part_cost: Floats,
    usual: UsualOdds,
    outcome: Recalibration,
    amounts: Amounts,
) -> FamilyEntry:
    """Put together what judging a unit of one slot needs."""
    at = slot.family_at
    jobs_seen = int(bench.jobs_seen[at]) if at >= 0 else 0
    rates = bench.seen_per_year
    usual_rate = float(rates[rates > 0].mean()) if (rates > 0).any() else 1.0
    rate = float(rates[at]) if at >= 0 and rates[at] > 0 else usual_rate
    stated = bench.records.settings.offers_expected

    def at_slot(amount: Amount) -> Spread:
        return Spread(float(amount.mean[i]), float(amount.doubt[i]), amount.spread)

    return FamilyEntry(
        slot.family,
        slot.kind,
        lives,
        part_cost,
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
    kin = bench.jobs_by_kind
    own, other = kin[bench.kinds.index(slot.kind)] if slot.kind else kin.sum(axis=0)
    # What weighs on one component is not what weighs on another: the loudest voice is compared.
    pooled = own + ORIGIN_DISCOUNT * other
    worth: dict[str | None, float] = {}
    for heard in bench.heard:
        if heard["family"] == slot.family or (heard["family"] is None and heard["kind"] == slot.kind):
            worth[heard["component"]] = worth.get(heard["component"], 0.0) + heard["worth_jobs"]
    return HEARSAY if max(worth.values(), default=0.0) > pooled else POOLED_ONLY


# ---- The order in which the pieces are fitted: lives, mending, signs, outcomes, money


def fit_everything(
    bench: Bench,
) -> tuple[Shared, dict[str, FamilyEntry], dict[str, FamilyEntry], Terms]:
    """Fit all pieces of a bench."""
    settings = bench.records.settings
    lists = kind_components(bench)
    components = tuple(dict.fromkeys(c for names in lists.values() for c in names))
    of_family = family_components(bench, lists)
    slots = read_slots(bench)
    names = [of_family[slot.family] if slot.family else lists[slot.kind] for slot in slots]
    findings = unit_findings(bench, of_family)
    lives = _family_lives(bench, pool_lives(bench, findings), names, components, slots)
    failed = failed_in_job(bench, components)
    arrived = _arrived(bench, findings, components, failed)
    ages = ages_by_family(bench, slots, np.asarray(np.isfinite(arrived).any(axis=1)))
    shared = _fit_states(bench, lives, components, arrived, ages)
    signs = np.where(np.isnan(bench.sign_values), 0.0, bench.sign_values - shared.sign_mean)
    raw = chain_log_odds(bench, lives.families, lives.mending, shared, ages)
    usual = usual_log_odds(bench, lives.families, shared, slots)
    price = working_prices(bench)
    news = purchase_news(bench, price, usual.log_odds)
    outcomes = gather_outcomes(bench, raw, mean_ages(ages, len(bench.jobs)), signs, usual.log_odds)
    outcome = fit_recalibration(bench, outcomes, news, usual)
    amounts = fit_amounts(bench, signs, failed, components, price, news)
    terms = Terms(
        settings.hour_rate,
        settings.selling_fee,
        settings.margin,
        settings.caution,
        settings.haggle_room,
        comeback_cost(bench),
    )
    shared = replace(
        shared,
        repair_hours=amounts.hours.by_component,
        chain_weight=outcome.chain_weight,
        chain_centre=outcome.centre,
        age_effect=outcome.age,
        age_se=outcome.age_se,
        age_range=np.array(outcome.age_range),
        outcome_signs=outcome.signs,
        outcome_signs_se=outcome.signs_se,
        price_signs=amounts.prices.signs,
    )
    sizes = [of_slot.components.size for of_slot in lives.families]
    part_costs = amounts.parts.of(
        np.repeat([slot.family_at for slot in slots], sizes),
        np.concatenate([of_slot.components for of_slot in lives.families]),
    )
    entries = [
        make_entry(bench, slot, i, lives.families[i], part_cost, usual, outcome, amounts)
        for i, (slot, part_cost) in enumerate(
            zip(slots, np.split(part_costs, np.cumsum(sizes)[:-1]), strict=True)
        )
    ]
    n_f = len(bench.families)
    families = {entry.family: entry for entry in entries[:n_f]}
    kinds = {entry.kind: entry for entry in entries[n_f:]}
    return shared, families, kinds, terms


@dataclass(frozen=True)
class _Lives:
    families: list[FamilyLives]
    reference_year: Floats
    year_slope: Floats
    mending: Repairability


def _family_lives(
    bench: Bench,
    lives: BenchLives,
    lists: list[tuple[str, ...]],
    components: tuple[str, ...],
    slots: list[Slot],
) -> _Lives:
    own = bench.jobs[bench.jobs["own"]]
    supply = read_supply(bench.records.parts, own, bench.records.findings, components)
    supply = replace(supply, shelf=read_shelf(bench.records.shelf))
    mending = fit_repairability(
        trials(bench.jobs, bench.records.findings), components, bench.families, supply
    )
    index = pd.Index(components)
    asked = [
        Asked(slot.family or None, slot.kind or None, names, slot.mean_year)
        for slot, names in zip(slots, lists, strict=True)
    ]
    places = [index.get_indexer(list(names)).astype(np.int64) for names in lists]
    sizes = [at.size for at in places]
    owners = np.repeat(np.arange(len(slots)), sizes)
    repair = mending.of(
        [slots[i].family for i in owners],
        np.array([slot.family_at for slot in slots])[owners],
        np.concatenate(places),
        np.array([np.inf]),
    )[0]
    families = [
        FamilyLives(at, *life, of_slot)
        for at, life, of_slot in zip(
            places, lives_of(lives, asked), np.split(repair, np.cumsum(sizes)[:-1]), strict=True
        )
    ]
    slope, reference = np.array([year_effect(lives.pooled, c) for c in components]).T
    return _Lives(families, reference, slope, mending)


def _fit_states(
    bench: Bench, lives: _Lives, components: tuple[str, ...], arrived: Floats, ages: Mapping[int, JobAges]
) -> Shared:
    """Fit signs, storage and deaths on the bench, given lives by age and family alone."""
    n_c, n_s = len(components), len(bench.signs)
    largest = max(f.components.size for f in lives.families)
    shared = Shared(
        components,
        bench.signs,
        lives.reference_year,
        lives.year_slope,
        np.full(n_s, 0.5),
        np.zeros((n_c, n_s)),
        np.zeros(n_s),
        np.zeros(n_s),
        np.zeros(n_s),
        np.zeros(n_c),
        0.0,
        collateral_shares(bench.records.findings, components),
        np.zeros(n_c),
        tuple(sorted(bench.records.named_components())),
        bench.kinds,
        1.0,
        0.0,
        np.zeros(2),
        np.zeros(2),
        np.full(3, np.nan),
        np.zeros((len(bench.kinds) + 1, n_s)),
        np.zeros((len(bench.kinds) + 1, n_s)),
        np.zeros(n_s),
        normal_draws(largest),
    )
    odds = np.full(arrived.shape, np.nan)
    for family_at, of in ages.items():
        family, at = lives.families[family_at], of.at
        mean = np.zeros((at.size, family.components.size))
        for some in blocks(family, shared, of.age.size):
            by_draw = component_odds(family, shared, of.age[some], of.year[some])
            p = expit(by_draw).mean(axis=0)
            np.add.at(mean, of.unit[some], p * of.weight[some, None])
        odds[np.ix_(at, family.components)] = log_odds(mean)
    arrived[np.isnan(odds)] = np.nan
    causes = fit_sign_causes(arrived, odds, bench.sign_values)
    return replace(
        shared,
        sign_mean=causes.mean,
        sign_shows=causes.shows,
        sign_alone=causes.alone,
        sign_stored=causes.stored,
        sign_doubt=causes.doubt,
        state_shift=causes.shift,
        storage_sd=causes.storage_sd,
    )


def _arrived(bench: Bench, findings: pd.DataFrame, components: tuple[str, ...], failed: Floats) -> Floats:
    """State in which each component arrived: 1 failed, 0 alive, NaN not examined."""
    state = np.full(failed.shape, np.nan)
    row = pd.Index(bench.jobs["job"]).get_indexer(findings["job"])
    column = pd.Index(components).get_indexer(findings["component"])
    there = (row >= 0) & (column >= 0)
    alive = (findings["found"] != "failed") | (findings["arose"] == "during work")
    state[row[there], column[there]] = np.where(alive, 0.0, 1.0)[there]
    state[np.isnan(state) & (failed == 1)] = 1.0  # it ended the job and nobody wrote a finding
    return state
