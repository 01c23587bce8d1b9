"""The order in which the pieces are fitted: lives, mending, signs, outcomes, money."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from reliability.worth.appraisal import FEW_JOBS, FamilyEntry, Spread, Terms
from reliability.worth.bench import UNREPAIRED, Bench
from reliability.worth.lives import (
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
    PartCosts,
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
from reliability.worth.odds import FamilyLives, Shared, component_odds, log_odds, nothing_shared
from reliability.worth.recalibration import (
    JobAges,
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


ManySlots = Floats | tuple[Floats, Floats, Floats | float]
"""A field of `FamilyEntry` by slot: numbers (n_slots,), or mean, doubt and spread."""

OWN_RECORDS, FEW_RECORDS, POOLED_ONLY, HEARSAY = "own records", "few records", "pooled only", "hearsay"


def fit_amounts(
    bench: Bench,
    signs: Floats,
    failed: Floats,
    components: tuple[str, ...],
    price: Amount,
    news: Floats,
) -> tuple[dict[str, ManySlots], Floats, Floats, PartCosts]:
    """Fit prices, costs, hours and what remains: fields of `FamilyEntry` by slot, and what slots share."""
    # `signs` (n_jobs, n_signs): centred signs, 0 where nobody looked; `failed` (n_jobs, n_components): from
    # `failed_in_job`; `price`: from `working_prices`; `news` (n_slots,): from `purchase_news`. Shared are
    # what signs add to the log price, hours by component, and costs of parts.
    own = bench.jobs["own"]
    repaired = own & (bench.jobs["repaired"] == 1)
    unrepaired = own & bench.jobs["outcome"].isin(UNREPAIRED)
    level = float(np.median(price.mean))
    parts = replace(fit_part_costs(bench, components), shelf=_worth_on_shelf(bench, components))
    beside, _ = part_costs_by_job(bench, parts, failed=False)
    spent, _ = part_costs_by_job(bench, parts)
    other = bench.jobs["other_costs"].to_numpy(float)
    settings = bench.records.settings
    rate = settings.hour_rate
    left = remains(bench)
    by_price = left / price.mean[bench.jobs["family_at"].to_numpy(np.int64)] if len(own) else left
    share = fit_by_family(bench, unrepaired, by_price, USUAL_REMAINS, 0.15)
    other_repaired = fit_by_family(bench, repaired, other, 0.05 * level, 0.05 * level)
    other_unrepaired = fit_by_family(bench, unrepaired, other, 0.02 * level, 0.05 * level)
    hours = fit_hours(bench, failed, USUAL_HOURS, USUAL_HOURS_SD)
    worked = bench.jobs["hours"].to_numpy(float)
    hours_unrepaired = fit_by_family(bench, unrepaired, worked, USUAL_HOURS, USUAL_HOURS_SD)
    worn = fit_by_family(bench, repaired, beside, 0.0, 0.05 * level)
    lost = fit_by_family(bench, unrepaired, spent, 0.01 * level, 0.05 * level)
    costs_repaired = total(total(other_repaired, worn), hours.base, rate=rate)
    prices = fit_prices(bench, price, signs, news)
    costs_unrepaired = total(total(other_unrepaired, lost), hours_unrepaired, rate=rate)
    selling = settings.selling_hours * rate
    by_slot: dict[str, ManySlots] = {
        "working_price": price.mean,
        "price_doubt": price.doubt,
        "ratio": (prices.ratio.mean, prices.ratio.doubt, prices.spread),
        "remains": (share.mean * price.mean, share.doubt * price.mean, share.spread * price.mean),
        "costs_repaired": (costs_repaired.mean + selling, costs_repaired.doubt, costs_repaired.spread),
        "costs_unrepaired": (costs_unrepaired.mean, costs_unrepaired.doubt, costs_unrepaired.spread),
        "other_repaired": other_repaired.mean,
        "other_unrepaired": other_unrepaired.mean,
        "hours_repaired": hours.base.mean,
        "hours_unrepaired": hours_unrepaired.mean,
    }
    return by_slot, prices.signs, hours.by_component, parts


def _worth_on_shelf(bench: Bench, components: tuple[str, ...]) -> dict[tuple[int, int], float]:
    """Give the worth of parts on the shelf by the places of family (-1: any) and component; those known."""
    families = {"": -1, **{name: i for i, name in enumerate(bench.families)}}
    return {
        (families[family], components.index(component)): worth
        for (component, family), worth in read_shelf(bench.records.shelf).items()
        if component in components and worth >= 0
    }


def _counts(bench: Bench, slot: Slot, rates: Floats) -> dict[str, Any]:
    """Give what an entry says of jobs seen and of units to come."""
    at = slot.family_at
    jobs_seen = int(bench.jobs_seen[at]) if at >= 0 else 0
    rate = rates[at] if at >= 0 and rates[at] > 0 else rates[rates > 0].mean() if (rates > 0).any() else 1.0
    stated = bench.records.settings.offers_expected
    return {
        "jobs_seen": jobs_seen,
        "kind_jobs": int(bench.jobs_by_kind[bench.kinds.index(slot.kind), 0]) if slot.kind else 0,
        "open_jobs": int(bench.open_seen[at]) if at >= 0 else 0,
        "offers_expected": float(rate if stated is None else stated),
        "evidence": _evidence(bench, slot, jobs_seen),
    }


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
    supply = read_supply(
        bench.records.parts, bench.jobs[bench.jobs["own"]], bench.records.findings, components
    )
    supply = replace(supply, shelf=read_shelf(bench.records.shelf))
    mending = fit_repairability(
        trials(bench.jobs, bench.records.findings), components, bench.families, supply
    )
    pooled = pool_lives(bench, findings)
    lives = _family_lives(pooled, mending, names, slots)
    failed = failed_in_job(bench, components)
    arrived = _arrived(bench, findings, components, failed)
    ages = ages_by_family(bench, slots, np.asarray(np.isfinite(arrived).any(axis=1)))
    shared = _fit_states(bench, pooled, lives, components, arrived, ages)
    signs = np.where(np.isnan(bench.sign_values), 0.0, bench.sign_values - shared.sign_mean)
    raw = chain_log_odds(bench, lives, mending, shared, ages)
    usual = usual_log_odds(bench, lives, shared, slots)
    price = working_prices(bench)
    news = purchase_news(bench, price, usual.log_odds)
    outcomes = gather_outcomes(bench, raw, mean_ages(ages, len(bench.jobs)), usual.log_odds)
    of_slots, of_all = fit_recalibration(bench, outcomes, signs, news, usual)
    amounts, price_signs, repair_hours, parts = fit_amounts(bench, signs, failed, components, price, news)
    shared = replace(shared, repair_hours=repair_hours, price_signs=price_signs, **of_all)
    sizes = [of_slot.components.size for of_slot in lives]
    part_costs = parts.of(
        np.repeat([slot.family_at for slot in slots], sizes),
        np.concatenate([of_slot.components for of_slot in lives]),
    )
    by_slot: dict[str, Any] = {**amounts, **of_slots, "reference_age": usual.age_years}
    rates = bench.seen_per_year
    entries = [
        FamilyEntry(
            family=slot.family,
            kind=slot.kind,
            lives=of_slot,
            part_cost=part_cost,
            reference_year=slot.mean_year,
            first_year=slot.first_year,
            last_year=slot.last_year,
            oldest_seen=slot.oldest,
            **_counts(bench, slot, rates),
            **{name: _of_slot(values, i) for name, values in by_slot.items()},
        )
        for i, (slot, of_slot, part_cost) in enumerate(
            zip(slots, lives, np.split(part_costs, np.cumsum(sizes)[:-1]), strict=True)
        )
    ]
    n_f = len(bench.families)
    families = {entry.family: entry for entry in entries[:n_f]}
    kinds = {entry.kind: entry for entry in entries[n_f:]}
    terms = Terms(
        settings.hour_rate,
        settings.selling_fee,
        settings.margin,
        settings.caution,
        settings.haggle_room,
        comeback_cost(bench),
    )
    return shared, families, kinds, terms


def _of_slot(values: ManySlots, i: int) -> Any:
    if isinstance(values, tuple):
        return Spread(*(float(np.broadcast_to(of, values[0].shape)[i]) for of in values))
    return float(values[i])


def _family_lives(
    lives: BenchLives, mending: Repairability, lists: list[tuple[str, ...]], slots: list[Slot]
) -> list[FamilyLives]:
    index = pd.Index(mending.components)
    places = [index.get_indexer(list(names)).astype(np.int64) for names in lists]
    sizes = [at.size for at in places]
    repair = mending.of(
        np.repeat([slot.family for slot in slots], sizes).tolist(),
        np.repeat([slot.family_at for slot in slots], sizes),
        np.concatenate(places),
        np.array([np.inf]),
    )[0]
    each = zip(places, lives_of(lives, slots, lists), np.split(repair, np.cumsum(sizes)[:-1]), strict=True)
    return [FamilyLives(at, *life, of_slot) for at, life, of_slot in each]


def _fit_states(
    bench: Bench,
    pooled: BenchLives,
    lives: list[FamilyLives],
    components: tuple[str, ...],
    arrived: Floats,
    ages: Mapping[int, JobAges],
) -> Shared:
    """Fit signs, storage and deaths on the bench, given lives by age and family alone."""
    slope, reference = np.array([year_effect(pooled.pooled, c) for c in components]).T
    shared = replace(
        nothing_shared(components, bench.signs, bench.kinds, max(f.components.size for f in lives)),
        reference_year=reference,
        year_slope=slope,
        collateral=collateral_shares(bench.records.findings, components),
        known_components=tuple(sorted(bench.records.named_components())),
    )
    odds = np.full(arrived.shape, np.nan)
    for family_at, of in ages.items():
        family, at = lives[family_at], of.at
        mean = np.zeros((at.size, family.components.size))
        for some in blocks(family, shared, of.age.size):
            by_draw = component_odds(family, shared, of.age[some], of.year[some])
            p = expit(by_draw).mean(axis=0)
            np.add.at(mean, of.unit[some], p * of.weight[some, None])
        odds[np.ix_(at, family.components)] = log_odds(mean)
    arrived[np.isnan(odds)] = np.nan
    causes = fit_sign_causes(arrived, odds, bench.sign_values)
    return replace(shared, **vars(causes))


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
