"""The order in which the pieces are fitted: lives, mending, signs, outcomes, money."""

import datetime
from collections import Counter
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from reliability.records.frames import Records
from reliability.worth.appraiser import COUNTED, ESTIMATES, LEFT_OUT, SPREADS, TOO_MANY, Appraiser, Tally
from reliability.worth.bench import Bench, counts, place, read_bench
from reliability.worth.judging import FEW_JOBS
from reliability.worth.lives import (
    BenchLives,
    family_components,
    kind_components,
    lives_of,
    pool_lives,
    unit_findings,
    year_effect,
)
from reliability.worth.money import (
    Amount,
    collateral_shares,
    comeback_cost,
    failed_in_job,
    fit_amounts,
    purchase_news,
    working_prices,
)
from reliability.worth.odds import (
    FamilyEntry,
    FamilyLives,
    Shared,
    Spread,
    Terms,
    component_odds,
    log_odds,
    nothing_shared,
)
from reliability.worth.recalibration import (
    ages_of_jobs,
    blocks,
    chain_log_odds,
    fit_recalibration,
    gather_outcomes,
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


def fit_everything(records: Records, as_of: datetime.date) -> Appraiser:
    """Fit all pieces of a bench as it was on a day."""
    bench = read_bench(records, as_of)
    known, settings, slots = bench.records, bench.records.settings, bench.slots
    lists = kind_components(bench)
    components = tuple(dict.fromkeys(c for names in lists.values() for c in names))
    of_family = family_components(bench, lists)
    names = [
        of_family.get(family, lists[kind])
        for family, kind in zip(slots["family"], slots["kind"], strict=True)
    ]
    findings = unit_findings(bench, of_family)
    supply = read_supply(known.parts, bench.jobs[bench.jobs["own"]], known.findings, components)
    supply = replace(supply, shelf=read_shelf(known.shelf))
    mending = fit_repairability(trials(bench.jobs, known.findings), components, bench.families, supply)
    pooled = pool_lives(bench, findings)
    lives = _family_lives(pooled, mending, names, slots)
    arrived = _arrived(bench, findings, components)
    ages = ages_of_jobs(bench, np.asarray(np.isfinite(arrived).any(axis=1)))
    shared = _fit_states(bench, pooled, lives, components, arrived, ages)
    signs = np.where(np.isnan(bench.sign_values), 0.0, bench.sign_values - shared.sign_mean)
    usual = usual_log_odds(bench, lives, shared)
    price = working_prices(bench)
    news = purchase_news(bench, price, usual["log_odds"].to_numpy())
    chain = chain_log_odds(bench, lives, mending, shared, ages)
    age = (ages["weight"] * ages["age_years"]).groupby(ages["at"]).sum().reindex(range(len(chain)))
    outcomes = gather_outcomes(bench, chain, age.to_numpy(), usual["log_odds"].to_numpy())
    of_slots, of_all = fit_recalibration(bench, outcomes, signs, news, usual)
    amounts, shared_amounts, parts = fit_amounts(bench, signs, components, price, news)
    shared = replace(shared, **of_all, **shared_amounts)
    by_slot = {**amounts, **of_slots, "reference_age": usual["age_years"].to_numpy()}
    sizes = [each.components.size for each in lives]
    of_components = np.concatenate([each.components for each in lives])
    part_costs = parts.of(np.repeat(slots["family_at"].to_numpy(), sizes), of_components)
    told = _told_of(bench).to_dict("records")
    entries = []
    for i, part_cost in enumerate(np.split(part_costs, np.cumsum(sizes)[:-1])):
        fitted: dict[str, Any] = {
            name: values.of_slot(i) if isinstance(values, Amount) else float(values[i])
            for name, values in by_slot.items()
        }
        entry = FamilyEntry(lives=lives[i], part_cost=part_cost, **told[i], **fitted)
        entries.append(_in_singles(entry))
    own = bench.jobs["own"]
    gaps = COUNTED if bench.gaps_count else LEFT_OUT if settings.count_gaps else TOO_MANY
    return Appraiser(
        as_of=as_of,
        fingerprint=records.fingerprint(),
        currency=settings.currency,
        terms=Terms(
            settings.hour_rate,
            settings.selling_fee,
            settings.margin,
            settings.caution,
            settings.haggle_room,
            comeback_cost(bench),
        ),
        shared=shared,
        families={entry.family: entry for entry in entries if entry.family},
        kinds={entry.kind: entry for entry in entries if not entry.family},
        models=dict(zip(known.models["model"], known.models["family"], strict=True)),
        tally=Tally(
            jobs_finished=int(own.sum()),
            jobs_imported=int((~own).sum()),
            jobs_open=len(bench.open_jobs),
            jobs_missing=bench.n_missing,
            gaps=gaps,
            repaired=int(bench.jobs.loc[own, "repaired"].sum()),
        ),
    )


def _in_singles(entry: FamilyEntry) -> FamilyEntry:
    """Round what was estimated to single precision: no more is known, and the card has room for no more."""

    def rounded(value: Any) -> Any:
        if isinstance(value, Spread | FamilyLives):
            return replace(value, **{name: rounded(each) for name, each in vars(value).items()})
        return np.float32(value).astype(float) if np.asarray(value).dtype == float else value

    estimated = (*ESTIMATES, *SPREADS, "part_cost", "lives")
    return replace(entry, **{name: rounded(getattr(entry, name)) for name in estimated})


def _told_of(bench: Bench) -> pd.DataFrame:
    """Tell what stands behind each slot: names, years, jobs seen, units to come, evidence."""
    slots, jobs = bench.slots, bench.jobs
    kind, family = bench.slot_places
    none = np.zeros(1)  # stands last, for an unknown family or kind (-1)
    seen = np.append(bench.jobs_seen, none)[family].astype(int)
    on_bench = np.append(counts(bench.open_jobs["family"], bench.families), none)
    own, other = (
        np.append(counts(jobs.loc[jobs["own"] == which, "kind_at"], range(len(bench.kinds))), none)
        for which in (True, False)
    )
    rates = bench.seen_per_year
    usual = rates[rates > 0].mean() if (rates > 0).any() else 1.0
    rate = np.append(rates, none)[family]
    stated = bench.records.settings.offers_expected
    pooled = own + ORIGIN_DISCOUNT * other
    pooled[-1] = pooled.sum()
    table = slots[["family", "kind", "first_year", "last_year"]].assign(
        reference_year=slots["mean_year"],
        oldest_seen=slots["oldest"],
        jobs_seen=seen,
        kind_jobs=own[kind].astype(int),
        open_jobs=on_bench[family].astype(int),
        offers_expected=np.where(rate > 0, rate, usual) if stated is None else float(stated),
    )
    heard = bench.records.hearsay.to_dict("records")

    def evidence(family: str, kind: str, n: int, pooled: float) -> str:
        if n > 0:
            return OWN_RECORDS if n >= FEW_JOBS else FEW_RECORDS
        # What weighs on one component is not what weighs on another: the loudest voice is compared.
        worth: Counter[str | None] = Counter()
        for row in heard:
            if row["family"] == family or (row["family"] is None and row["kind"] == kind):
                worth[row["component"]] += row["worth_jobs"]
        return HEARSAY if max(worth.values(), default=0.0) > pooled else POOLED_ONLY

    told = zip(slots["family"], slots["kind"], seen, pooled[kind], strict=True)
    return table.assign(evidence=[evidence(*each) for each in told])


def _family_lives(
    pooled: BenchLives, mending: Repairability, lists: list[tuple[str, ...]], slots: pd.DataFrame
) -> list[FamilyLives]:
    sizes = [len(names) for names in lists]
    places = pd.Index(mending.components).get_indexer(np.concatenate(lists)).astype(np.int64)
    family, at = (np.repeat(slots[name].to_numpy(), sizes) for name in ("family", "family_at"))
    repair = mending.of(family.tolist(), at, places, np.array([np.inf]))[0]
    columns = (places, *lives_of(pooled, slots, lists), repair)
    each = zip(*(np.split(column, np.cumsum(sizes)[:-1]) for column in columns), strict=True)
    return [FamilyLives(*of_slot) for of_slot in each]


def _fit_states(
    bench: Bench,
    pooled: BenchLives,
    lives: list[FamilyLives],
    components: tuple[str, ...],
    arrived: Floats,
    ages: pd.DataFrame,
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
    for family_at, rows in ages.groupby("family_at"):
        family = lives[family_at]
        at, unit = np.unique(rows["at"], return_inverse=True)
        age, year, weight = (rows[name].to_numpy() for name in ("age_years", "year", "weight"))
        mean = np.zeros((at.size, family.components.size))
        for some in blocks(family, shared, age.size):
            p = expit(component_odds(family, shared, age[some], year[some])).mean(axis=0)
            np.add.at(mean, unit[some], p * weight[some, None])
        odds[np.ix_(at, family.components)] = log_odds(mean)
    arrived[np.isnan(odds)] = np.nan
    return replace(shared, **fit_sign_causes(arrived, odds, bench.sign_values))


def _arrived(bench: Bench, findings: pd.DataFrame, components: tuple[str, ...]) -> Floats:
    """State in which each component arrived: 1 failed, 0 alive, NaN not examined."""
    failed = failed_in_job(bench, components)
    state = np.full(failed.shape, np.nan)
    there, cells = place(findings["job"], findings["component"], bench.jobs["job"], components)
    alive = (findings["found"] != "failed") | (findings["arose"] == "during work")
    state[cells] = np.where(alive, 0.0, 1.0)[there]
    state[np.isnan(state) & (failed == 1)] = 1.0  # it ended the job and nobody wrote a finding
    return state
