"""The order in which the pieces are fitted: lives, mending, signs, outcomes, money."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from reliability.worth.appraisal import FamilyEntry, Terms
from reliability.worth.batch_odds import blocks
from reliability.worth.bench import Bench
from reliability.worth.components import family_components, kind_components
from reliability.worth.costs import (
    collateral_shares,
    comeback_cost,
    failed_in_job,
)
from reliability.worth.draws import normal_draws
from reliability.worth.entries import fit_amounts, make_entry
from reliability.worth.job_odds import JobAges, ages_by_family, chain_log_odds, mean_ages, usual_log_odds
from reliability.worth.lives import (
    Asked,
    BenchLives,
    lives_of,
    pool_lives,
    unit_findings,
    year_effect,
)
from reliability.worth.odds import FamilyLives, Shared, component_odds, log_odds
from reliability.worth.prices import working_prices
from reliability.worth.purchases import purchase_news
from reliability.worth.recalibration import fit_recalibration, gather_outcomes
from reliability.worth.repairability import Repairability, fit_repairability, trials
from reliability.worth.signs import fit_sign_causes
from reliability.worth.slots import Slot, read_slots
from reliability.worth.supply import read_supply

Floats = NDArray[np.float64]


def fit_everything(
    bench: Bench,
) -> tuple[Shared, dict[str, FamilyEntry], dict[str, FamilyEntry], Terms]:
    """Fit all pieces of a bench.

    Parameters
    ----------
    bench : Bench

    Returns
    -------
    shared : Shared
    families : dict of str to FamilyEntry
    kinds : dict of str to FamilyEntry
        "" is an unknown kind.
    terms : Terms
    """
    settings = bench.records.settings
    lists = kind_components(bench)
    components = tuple(dict.fromkeys(c for names in lists.values() for c in names))
    of_family = family_components(bench, lists)
    slots = read_slots(bench)
    names = [of_family[slot.family] if slot.family else lists[slot.kind] for slot in slots]
    findings = unit_findings(bench, of_family)
    lives = _family_lives(bench, pool_lives(bench, findings), names, components, slots)
    failed = failed_in_job(bench, components)
    ages = ages_by_family(bench, slots)
    shared = _fit_states(bench, lives, components, _arrived(bench, findings, components, failed), ages)
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
        comeback_cost(bench, settings),
    )
    shared = _with(
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
    entries = [
        make_entry(bench, slot, i, lives.families[i], usual, outcome, amounts) for i, slot in enumerate(slots)
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
    mending = fit_repairability(
        trials(bench.jobs, bench.records.findings), components, bench.families, supply
    )
    index = pd.Index(components)
    asked = [
        Asked(slot.family or None, slot.kind or None, names, slot.mean_year)
        for slot, names in zip(slots, lists, strict=True)
    ]
    families = []
    for slot, names, life in zip(slots, lists, lives_of(lives, asked), strict=True):
        at = index.get_indexer(list(names)).astype(np.int64)
        repair = mending.of(slot.family, slot.family_at, at, np.array([np.inf]))[0]
        families.append(FamilyLives(at, *life, repair))
    slope, reference = np.array([year_effect(lives.pooled, c) for c in components]).T
    return _Lives(families, reference, slope, mending)


def _with(shared: Shared, **changes: object) -> Shared:
    values = {name: getattr(shared, name) for name in Shared.__dataclass_fields__}
    return Shared(**{**values, **changes})


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
    return _with(
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
