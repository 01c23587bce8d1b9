"""The order in which the pieces are fitted: lives, mending, signs, outcomes, money."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.life.pooling import PooledLives
from reliability.worth import money
from reliability.worth.appraisal import FamilyEntry, Spread, Terms
from reliability.worth.bench import UNREPAIRED, Bench
from reliability.worth.costs import (
    Hours,
    PartCosts,
    collateral_shares,
    comeback_cost,
    failed_in_job,
    fit_hours,
    fit_part_costs,
    part_costs_by_job,
)
from reliability.worth.lives import (
    MIDDLE_YEAR,
    kind_components,
    lives_of,
    pool_lives,
    worst_findings,
    year_effect,
)
from reliability.worth.money import Amount, total
from reliability.worth.odds import FamilyLives, Shared, component_odds, log_odds, normal_draws, unit_states
from reliability.worth.repairability import fit_repairability, obtainable_table, trials
from reliability.worth.signs import fit_sign_effects
from reliability.worth.tilt import Tilt, fit_tilt, gather_outcomes

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

OWN_RECORDS, FEW_RECORDS, POOLED_ONLY, HEARSAY = "own records", "few records", "pooled only", "hearsay"


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
    slots = _slots(bench)
    lives = _family_lives(bench, pool_lives(bench), lists, components, slots)
    failed = failed_in_job(bench, components)
    shared = _fit_states(bench, lives, components, failed)
    signs = np.where(np.isnan(bench.sign_values), 0.0, bench.sign_values - shared.sign_mean)
    raw = _raw_log_odds(bench, lives, shared)
    tilt = fit_tilt(bench, gather_outcomes(bench, raw, signs, settings.gap_repaired_share))
    amounts = _fit_amounts(bench, signs, failed, components)
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
        tilt_slope=tilt.slope,
        tilt_centre=tilt.centre,
        tilt_signs=tilt.signs,
        price_signs=amounts.prices.signs,
    )
    entries = [_entry(bench, slot, i, lives.families[i], tilt, amounts) for i, slot in enumerate(slots)]
    n_f = len(bench.families)
    families = {entry.family: entry for entry in entries[:n_f]}
    kinds = {entry.kind: entry for entry in entries[n_f:]}
    return shared, families, kinds, terms


@dataclass(frozen=True)
class _Slot:
    """A family, an unknown family of a kind, or a unit of an unknown kind."""

    family: str
    kind: str
    family_at: int
    first_year: float
    last_year: float
    mean_age: float
    mean_year: float
    oldest: float


def _slots(bench: Bench) -> list[_Slot]:
    table = bench.records.families.set_index("family").reindex(list(bench.families))
    ages = (
        bench.ages.assign(family_at=bench.jobs["family_at"].to_numpy()[bench.ages["at"]])
        if len(bench.ages)
        else None
    )
    slots = []
    for i, family in enumerate(bench.families):
        rows = ages[ages["family_at"] == i] if ages is not None else None
        span = table.loc[family, "first_year"], table.loc[family, "last_year"]
        slots.append(_slot(family, bench.kinds[bench.family_kind[i]], i, span, rows))
    for k, kind in enumerate(bench.kinds):
        members = np.flatnonzero(bench.family_kind == k)
        rows = ages[ages["family_at"].isin(members)] if ages is not None else None
        here = table.iloc[members]
        slots.append(_slot("", kind, -1, (here["first_year"].min(), here["last_year"].max()), rows))
    slots.append(_slot("", "", -1, (table["first_year"].min(), table["last_year"].max()), ages))
    return slots


def _slot(family: str, kind: str, at: int, span: tuple[float, float], rows: pd.DataFrame | None) -> _Slot:
    """Where no span is written down, the years of the units that were seen must serve."""
    if rows is None or rows.empty:
        first, last = span
        known = [y for y in (first, last) if not np.isnan(y)]
        year = float(np.mean(known)) if known else MIDDLE_YEAR
        return _Slot(family, kind, at, *_both(first, last), np.nan, year, np.nan)
    w = rows["weight"].to_numpy(float)
    year = float(np.average(rows["year"], weights=w))
    age = float(np.average(rows["age_years"], weights=w))
    seen = float(rows["year"].min()), float(rows["year"].max())
    first, last = (s if not np.isnan(s) else o for s, o in zip(span, seen, strict=True))
    return _Slot(family, kind, at, float(first), float(last), age, year, float(rows["age_years"].max()))


def _both(first: float, last: float) -> tuple[float, float]:
    first, last = (last if np.isnan(first) else first), (first if np.isnan(last) else last)
    return float(first), float(last)


@dataclass(frozen=True)
class _Lives:
    families: list[FamilyLives]
    reference_year: Floats
    year_slope: Floats


def _family_lives(
    bench: Bench,
    pooled: PooledLives,
    lists: dict[str, tuple[str, ...]],
    components: tuple[str, ...],
    slots: list[_Slot],
) -> _Lives:
    obtainable = obtainable_table(bench.records.parts)
    mending = fit_repairability(
        trials(bench.jobs, bench.records.findings), components, bench.families, obtainable
    )
    index = pd.Index(components)
    families = []
    for slot in slots:
        names = lists[slot.kind]
        at = index.get_indexer(list(names)).astype(np.int64)
        life = lives_of(pooled, slot.family or None, slot.kind or None, names, slot.mean_year)
        mean, sd = mending.of(slot.family, slot.family_at, at)
        families.append(FamilyLives(at, life, np.column_stack([mean, sd])))
    slope, reference = np.array([year_effect(pooled, c) for c in components]).T
    return _Lives(families, reference, slope)


def _with(shared: Shared, **changes: object) -> Shared:
    values = {name: getattr(shared, name) for name in Shared.__dataclass_fields__}
    return Shared(**{**values, **changes})


def _fit_states(bench: Bench, lives: _Lives, components: tuple[str, ...], failed: Floats) -> Shared:
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
        np.zeros((n_s, n_s)),
        np.zeros(n_c),
        0.0,
        collateral_shares(bench.records.findings, components),
        np.zeros(n_c),
        0.0,
        0.5,
        np.zeros(n_s),
        np.zeros(n_s),
        normal_draws(largest),
    )
    arrived = _arrived(bench, components, failed)
    odds = np.full(arrived.shape, np.nan)
    for at, family, ages in _by_family(bench, lives):
        p = 1.0 / (
            1.0
            + np.exp(-component_odds(family, shared, ages.age, ages.year, np.zeros(family.components.size)))
        )
        mean = np.zeros((at.size, family.components.size))
        np.add.at(mean, ages.unit, p.mean(axis=0) * ages.weight[:, None])
        odds[np.ix_(at, family.components)] = log_odds(mean)
    arrived[np.isnan(odds)] = np.nan
    effects = fit_sign_effects(arrived, np.nan_to_num(odds), bench.sign_values)
    return _with(
        shared,
        sign_mean=effects.mean,
        sign_effect=effects.effect,
        sign_covariance=effects.covariance,
        state_shift=effects.shift,
        storage_sd=effects.storage_sd,
    )


def _arrived(bench: Bench, components: tuple[str, ...], failed: Floats) -> Floats:
    """State in which each component arrived: 1 failed, 0 alive, NaN not examined."""
    findings = worst_findings(bench.records.findings)
    state = np.full(failed.shape, np.nan)
    row = pd.Index(bench.jobs["job"]).get_indexer(findings["job"])
    column = pd.Index(components).get_indexer(findings["component"])
    there = (row >= 0) & (column >= 0)
    alive = (findings["found"] != "failed") | (findings["arose"] == "during work")
    state[row[there], column[there]] = np.where(alive, 0.0, 1.0)[there]
    state[np.isnan(state) & (failed == 1)] = 1.0  # it ended the job and nobody wrote a finding
    return state


@dataclass(frozen=True)
class _Ages:
    unit: Ints  # position among the family's jobs
    age: Floats
    year: Floats
    weight: Floats


def _by_family(bench: Bench, lives: _Lives) -> list[tuple[Ints, FamilyLives, _Ages]]:
    """Jobs with an age, family by family: their rows, the family's lives, their alternatives."""
    if bench.ages.empty:
        return []
    table = bench.ages.assign(family_at=bench.jobs["family_at"].to_numpy()[bench.ages["at"]])
    groups = []
    for family_at, rows in table.groupby("family_at", sort=True):
        at, unit = np.unique(rows["at"].to_numpy(np.int64), return_inverse=True)
        columns = (rows[name].to_numpy(float) for name in ("age_years", "year", "weight"))
        groups.append((at, lives.families[int(family_at)], _Ages(unit, *columns)))
    return groups


def _raw_log_odds(bench: Bench, lives: _Lives, shared: Shared) -> Floats:
    """Log odds of a repair of every finished job by its components; shape (n_jobs,)."""
    raw = np.full(len(bench.jobs), np.nan)
    for at, family, ages in _by_family(bench, lives):
        for i, row in enumerate(at):
            mine = ages.unit == i
            states = unit_states(
                family, shared, ages.age[mine], ages.year[mine], ages.weight[mine], bench.sign_values[row]
            )
            raw[row] = log_odds(states.success.mean())
    known = ~np.isnan(raw)
    # A job without any production year says nothing of age: it is given the usual odds.
    return np.where(known, raw, raw[known].mean() if known.any() else 0.5)


@dataclass(frozen=True)
class _Amounts:
    price: Amount
    prices: money.PriceModel
    remains: Amount
    other_repaired: Amount
    other_unrepaired: Amount
    costs_repaired: Amount
    costs_unrepaired: Amount
    hours: Hours
    hours_unrepaired: Amount
    parts: PartCosts


def _fit_amounts(bench: Bench, signs: Floats, failed: Floats, components: tuple[str, ...]) -> _Amounts:
    own = bench.jobs["own"]
    repaired = own & (bench.jobs["repaired"] == 1)
    unrepaired = own & bench.jobs["outcome"].isin(UNREPAIRED)
    price = money.working_prices(bench)
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
    return _Amounts(
        price,
        money.fit_prices(bench, price, signs),
        Amount(share.mean * price.mean, share.doubt * price.mean, share.spread),
        other_repaired,
        other_unrepaired,
        total(total(other_repaired, worn), hours.base, rate=rate),
        total(total(other_unrepaired, lost), hours_unrepaired, rate=rate),
        hours,
        hours_unrepaired,
        parts,
    )


def _entry(
    bench: Bench, slot: _Slot, i: int, lives: FamilyLives, tilt: Tilt, amounts: _Amounts
) -> FamilyEntry:
    at = slot.family_at
    jobs_seen = int(bench.jobs_seen[at]) if at >= 0 else 0
    rates = bench.taken_in_per_year
    usual_rate = float(rates[rates > 0].mean()) if (rates > 0).any() else 1.0
    rate = float(rates[at]) if at >= 0 and rates[at] > 0 else usual_rate
    stated = bench.records.settings.offers_expected

    def at_slot(amount: Amount) -> Spread:
        return Spread(float(amount.mean[i]), float(amount.doubt[i]), amount.spread)

    has_jobs = at >= 0 and not np.isnan(slot.mean_age)
    return FamilyEntry(
        slot.family,
        slot.kind,
        lives,
        amounts.parts.of(at, lives.components),
        float(tilt.mean[i]),
        float(tilt.doubt[i]),
        float(tilt.pull[i]) if has_jobs else 0.0,
        slot.mean_age if has_jobs else 1.0,
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
        int((bench.open_jobs["family"] == slot.family).sum()) if at >= 0 else 0,
        float(stated) if stated is not None else rate,
        _evidence(bench, slot, jobs_seen),
        slot.first_year,
        slot.last_year,
        slot.oldest,
    )


def _evidence(bench: Bench, slot: _Slot, jobs_seen: int) -> str:
    if jobs_seen >= 10:
        return OWN_RECORDS
    if jobs_seen > 0:
        return FEW_RECORDS
    heard = bench.records.hearsay
    about = heard[(heard["family"] == slot.family) | (heard["family"].isna() & (heard["kind"] == slot.kind))]
    kin = bench.jobs
    if slot.kind:
        kin = kin[kin["kind_at"] == bench.kinds.index(slot.kind)]
    # What weighs on one component is not what weighs on another: the loudest voice is compared.
    pooled = kin["own"].sum() + 0.3 * (~kin["own"]).sum()
    loudest = about.groupby(about["component"].fillna(""))["worth_jobs"].sum().max() if len(about) else 0.0
    return HEARSAY if loudest > pooled else POOLED_ONLY
