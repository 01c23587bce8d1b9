"""One unit: odds, gain and verdict, in steps that a browser can follow."""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from reliability.worth.odds import (
    FamilyLives,
    Shared,
    UnitStates,
    centred_signs,
    expit,
    log_odds,
    unit_states,
    unseen_success,
)

Floats = NDArray[np.float64]


# ---- One unit, everything known of it: odds, gain and their doubt


N_CASES = 16
"""Equally likely cases that stand for the chance in one unit, under each state of knowledge."""

CASES = np.array([NormalDist().inv_cdf((i + 0.5) / N_CASES) for i in range(N_CASES)])

MOST_YEARS = 16
"""Production years at most that are told apart of a unit whose year nobody knows."""


@dataclass(frozen=True)
class Spread:
    """An amount of money: its mean, the doubt about that mean, the spread of single cases."""

    mean: float
    doubt: float
    spread: float

    def drawn(self, z: Floats) -> Floats:
        """Mean under each state of knowledge, from standard normal draws."""
        return self.mean + self.doubt * z


@dataclass(frozen=True)
class FamilyEntry:
    """All that judging a unit of one family needs (or of an unknown family of a kind)."""

    family: str  # "" where not known, and so the kind
    kind: str
    lives: FamilyLives
    part_cost: Floats  # (c,): mean cost of mending a failed component
    shift: float  # what outcomes add to the log odds of a typical unit
    shift_se: float
    own_weight: float  # how far the family's own outcomes hold at its reference age and year, 0 to 1
    reference_age: float  # mean age and year of the family's jobs
    reference_year: float
    working_price: float
    price_doubt: float  # standard deviation of the log working price; 0: the owner's estimate
    ratio: Spread  # log of realised over working price
    remains: Spread  # worth of an unrepaired unit
    costs_repaired: Spread  # beside purchase and failed parts, bench time included
    costs_unrepaired: Spread
    other_repaired: float  # part of those costs that belongs to no component
    other_unrepaired: float
    hours_repaired: float  # beside those of failed components
    hours_unrepaired: float  # in all
    jobs_seen: int  # finished here, of the family
    kind_jobs: int  # and of its kind
    open_jobs: int
    offers_expected: float
    evidence: str
    first_year: float  # of units without a year; NaN: not known
    last_year: float
    oldest_seen: float  # greatest age on record of this kind, NaN: none


@dataclass(frozen=True)
class Terms:
    """What the owner decided: the part of the settings that judging needs."""

    hour_rate: float
    selling_fee: float
    margin: float
    caution: float
    haggle_room: float
    comeback_cost: float


@dataclass(frozen=True)
class Unit:
    """What is known of a unit on offer."""

    age_years: Floats  # (n_alternatives,), as the next two
    year: Floats
    weight: Floats
    signs: Floats  # (n_signs,): 1 seen, 0 not seen, NaN nobody looked
    working_price: float = np.nan  # the offer's own, NaN: the family's


@dataclass(frozen=True)
class Appraisal:
    """Odds and gain of one unit if it cost nothing."""

    success: Floats  # (n_draws,): chance of a repair under each state of knowledge
    gain_free: Floats  # (n_draws,): mean gain at a price of 0
    cases: Floats  # (n_draws * 2 * N_CASES,): gains of single units at a price of 0
    case_weight: Floats  # their probabilities
    gain_repaired: float  # mean gain at a price of 0 by outcome
    gain_unrepaired: float
    hours: float
    states: UnitStates


def assumed_years(first_year: float, last_year: float, usual: float, seen_in: int) -> Floats:
    """Production years that a unit without a year may have, equally likely, in jobs and in offers alike.

    Every past year of the span, or every so many of a long one; without a span (NaN) the usual one.
    """
    last = min(last_year, float(seen_in))
    if np.isnan(first_year) or first_year > last:
        return np.array([min(usual, float(seen_in))])
    step = int(np.ceil((last - first_year + 1.0) / MOST_YEARS))
    return np.arange(first_year + (step - 1) // 2, last + 1.0, step)


def unit_chances(entry: FamilyEntry, shared: Shared, unit: Unit) -> tuple[UnitStates, Floats]:
    """States of a unit's components, and its recalibrated chance of a repair (n_draws,)."""
    states = unit_states(entry.lives, shared, unit.age_years, unit.year, unit.weight, unit.signs)
    chain = log_odds(states.success) - shared.chain_centre
    kind = shared.kinds.index(entry.kind) if entry.kind in shared.kinds else len(shared.kinds)
    signs = centred_signs(unit.signs, shared)
    terms = age_terms(float(unit.weight @ unit.age_years), shared.age_range)
    shift = entry.shift + shared.outcome_signs[kind] @ signs + shared.age_effect @ terms
    beyond = terms - age_terms(entry.reference_age, shared.age_range)
    variance = (
        entry.shift_se**2 + signs**2 @ shared.outcome_signs_se[kind] ** 2 + beyond**2 @ shared.age_se**2
    )
    if entry.own_weight > 0:
        # Its outcomes were fitted at the ages at which its units came: a state of knowledge that makes lives
        # too rosy there is taken back by as much as they weigh.
        there = log_odds(unseen_success(entry.lives, shared, entry.reference_age, entry.reference_year))
        chain = chain - entry.own_weight * (there - there.mean())
    log = shared.chain_centre + shared.chain_weight * chain + shift + np.sqrt(variance) * shared.draws[:, 0]
    return states, expit(log)


def age_terms(age_years: float, within: Floats) -> Floats:
    """Decades from the middle age and their square, held within what was seen; ndarray, shape (2,)."""
    low, high, middle = within
    decades = 0.0 if np.isnan(middle) else (min(max(age_years, low), high) - middle) / 10.0
    return np.array([decades, decades**2])


def price_draws(entry: FamilyEntry, shared: Shared, unit: Unit) -> tuple[float, Floats]:
    """Working price of a unit, and the log of what a typical sale brings over that, under each draw."""
    own_price = not np.isnan(unit.working_price)
    unstated = 0.0 if own_price else entry.price_doubt
    doubt = np.hypot(entry.ratio.doubt, unstated)
    by_signs = shared.price_signs @ centred_signs(unit.signs, shared)
    # A price that nobody stated must not gain from its own doubt: its mean is the price that is told.
    log_ratio = entry.ratio.mean - 0.5 * unstated**2 + doubt * shared.draws[:, 1] + by_signs
    return unit.working_price if own_price else entry.working_price, log_ratio


def mean_price(entry: FamilyEntry, shared: Shared, unit: Unit) -> Floats:
    """Mean price of a unit once it works, before any fee; ndarray, shape (n_draws,)."""
    price, log_ratio = price_draws(entry, shared, unit)
    return price * np.exp(log_ratio + 0.5 * entry.ratio.spread**2)


def sale_price(entry: FamilyEntry) -> float:
    """Give what a repaired unit of a family should sell for on average, before any fee."""
    return float(entry.working_price * np.exp(entry.ratio.mean + 0.5 * entry.ratio.spread**2))


def paired_cases(n_draws: int) -> Floats:
    """Second of two independent spreads in each case; ndarray, shape (n_draws, N_CASES)."""
    # Each state takes the cases one place further on, so that over all states every case of one spread meets
    # every case of the other: one order for all would leave gaps between their sums, and chances that jump.
    return CASES[(np.arange(N_CASES) + np.arange(n_draws)[:, None]) % N_CASES]


def appraise(entry: FamilyEntry, shared: Shared, terms: Terms, unit: Unit) -> Appraisal:
    """Work out odds and gain of one unit."""
    states, success = unit_chances(entry, shared, unit)
    z, lost = shared.draws, 1.0 - success
    added_hours = states.mended @ shared.repair_hours[entry.lives.components]
    each = entry.part_cost + terms.hour_rate * shared.repair_hours[entry.lives.components]
    added_costs = states.mended @ each + terms.comeback_cost
    # Which components will have to be mended is chance too.
    mended_spread = np.sqrt(np.clip(states.mended * (1.0 - states.mended), 0.0, None) @ each**2)
    repaired_spread = np.hypot(entry.costs_repaired.spread, mended_spread)
    costs_repaired = entry.costs_repaired.drawn(z[:, 3]) + added_costs
    net = 1.0 - terms.selling_fee
    repaired = net * mean_price(entry, shared, unit) - costs_repaired
    unrepaired = entry.remains.drawn(z[:, 2]) - entry.costs_unrepaired.drawn(z[:, 4])
    other = paired_cases(len(z))
    price, log_ratio = price_draws(entry, shared, unit)
    sale = price * np.exp(log_ratio[:, None] + entry.ratio.spread * CASES)
    cases = np.concatenate(
        [
            net * sale - costs_repaired[:, None] - repaired_spread[:, None] * other,
            unrepaired[:, None] + entry.remains.spread * CASES - entry.costs_unrepaired.spread * other,
        ],
        axis=1,
    )
    weight = np.repeat(np.stack([success, lost], axis=1), N_CASES, axis=1) / (N_CASES * success.size)
    return Appraisal(
        success=success,
        gain_free=success * repaired + lost * unrepaired,
        cases=cases.ravel(),
        case_weight=weight.ravel(),
        gain_repaired=float(success @ repaired / success.sum()),
        gain_unrepaired=float(lost @ unrepaired / lost.sum()),
        hours=float((success * (entry.hours_repaired + added_hours) + lost * entry.hours_unrepaired).mean()),
        states=states,
    )


# ---- From an appraisal and an asked price to one of four words


TAKE, HAGGLE, TRY_ONE, SKIP = "take", "haggle", "try one", "skip"
FEW_JOBS = 10
"""Below this many jobs of a family its records are few, and trying one can be worth its price."""


def cents(amount: float) -> float:
    """Round money to two decimals, halves up, as a browser does it too."""
    return float(np.floor(amount * 100.0 + 0.5) / 100.0)


def weighted_quantile(values: Floats, weights: Floats, share: float) -> float:
    """Smallest value with at least `share` of the weight at or below it."""
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    at = min(int(np.searchsorted(total, share * total[-1] - 1e-12)), values.size - 1)
    return float(values[order][at])


def draw_quantile(draws: Floats, share: float) -> float:
    """Quantile of equally likely draws, linear between them."""
    ordered = np.sort(draws)
    at = share * (ordered.size - 1)
    low = int(np.floor(at))
    high = min(low + 1, ordered.size - 1)
    return float(ordered[low] + (at - low) * (ordered[high] - ordered[low]))


def ceiling_price(gain_free: Floats, terms: Terms) -> float:
    """Highest price at which the verdict is take; below 0 where even a gift would cost money."""
    mean = cents(float(gain_free.mean())) - terms.margin
    if terms.caution <= 0:
        return cents(mean)
    return cents(min(mean, draw_quantile(gain_free, 1.0 - terms.caution) - terms.margin))


def lesson_worth(appraisal: Appraisal, terms: Terms, asked: float, offers_expected: float) -> float:
    """Worth of what one more job would teach."""
    # Preposterior analysis over the two outcomes of the job: each reweighs the states of knowledge by the
    # chance that they gave it (Raiffa, Schlaifer, Applied Statistical Decision Theory, Harvard, 1961, ch. 4).
    over_margin = appraisal.gain_free - asked - terms.margin
    repaired = float((appraisal.success * over_margin).mean())
    unrepaired = float(((1.0 - appraisal.success) * over_margin).mean())
    return offers_expected * worth_of_knowing(repaired, unrepaired)


def worth_of_knowing(one: float, other: float) -> float:
    """Rise in gain if it is known which of two cases holds before deciding; never below 0."""
    return max(0.0, min(one, -other), min(other, -one))


def decide(entry: FamilyEntry, appraisal: Appraisal, terms: Terms, asked: float, ceiling: float) -> str:
    """Choose the verdict."""
    is_founded = entry.kind_jobs > 0
    if asked <= ceiling and is_founded:
        return TAKE
    if 0 < ceiling < asked <= ceiling * (1.0 + terms.haggle_room) and is_founded:
        return HAGGLE
    if entry.jobs_seen >= FEW_JOBS or entry.open_jobs > 0:
        return SKIP
    short = max(0.0, terms.margin - (cents(float(appraisal.gain_free.mean())) - asked))
    teaches = lesson_worth(appraisal, terms, asked, entry.offers_expected) > short
    return TRY_ONE if asked <= ceiling or teaches else SKIP


# ---- Units that are offered together for one price: each is tried, broken for parts, or passed on


TRY, BREAK, PASS_ON = "try", "break for parts", "pass on"
LEAST_BINS = 2048
"""Bins of an amount at least, in which the gains of several units are added up."""


@dataclass(frozen=True)
class LotUnit:
    """One unit of a lot, and the best that can be done with it."""

    entry: FamilyEntry
    appraisal: Appraisal
    share: float  # what it costs of the lot's price; NaN: none is asked
    way: str  # TRY, BREAK at once, or PASS_ON for nothing
    worth: float  # what it adds to the highest price for the lot, 0 or more
    gain_free: float  # its mean gain at a price of 0
    cases: Floats  # (n_draws, n_cases): gains at a price of 0 by state of knowledge
    case_weight: Floats  # sums to 1 in each state

    @property
    def name(self) -> str:
        """What it shares its doubts with."""
        return f"{self.entry.kind}\n{self.entry.family}"


def lot_unit(
    entry: FamilyEntry, shared: Shared, terms: Terms, appraisal: Appraisal, share: float = np.nan
) -> LotUnit:
    """Choose what to do with a unit of a lot; broken for parts it brings what a plan says of stopping."""
    parts = entry.remains.drawn(shared.draws[:, 2]) - entry.other_unrepaired
    tried, broken = ceiling_price(appraisal.gain_free, terms), ceiling_price(parts, terms)
    n = len(parts)
    if max(tried, broken) <= 0:
        return LotUnit(entry, appraisal, share, PASS_ON, 0.0, 0.0, np.zeros((n, 1)), np.ones((n, 1)))
    if tried >= broken:
        cases, weight = appraisal.cases.reshape(n, -1), n * appraisal.case_weight.reshape(n, -1)
        mean = cents(float(appraisal.gain_free.mean()))
        return LotUnit(entry, appraisal, share, TRY, tried, mean, cases, weight)
    cases = parts[:, None] + entry.remains.spread * CASES
    mean = cents(float(parts.mean()))
    return LotUnit(entry, appraisal, share, BREAK, broken, mean, cases, np.full(cases.shape, 1.0 / N_CASES))


def lot_chance_of_loss(units: Sequence[LotUnit], asked: float) -> float:
    """Chance that all units of a lot together bring less than it costs."""
    units = [unit for unit in units if unit.way != PASS_ON]
    if not units:
        return float(asked > 0)
    if len(units) == 1:
        return float(units[0].case_weight[units[0].cases < asked].sum() / len(units[0].cases))
    lows = [float(unit.cases.min()) for unit in units]
    span = sum(float(unit.cases.max()) for unit in units) - sum(lows)
    bins = LEAST_BINS
    while bins < 4 * (len(units) + 2):
        bins *= 2
    width = max(span, 1e-9) / (bins - len(units) - 2)
    by_family: dict[str, NDArray[np.complex128]] = {}
    for unit, low in zip(units, lows, strict=True):
        at = (unit.cases - low) / width
        below = np.floor(at).astype(np.int64)
        share = np.zeros((len(at), bins))
        rows = np.arange(len(at))[:, None]
        np.add.at(share, (rows, below), unit.case_weight * (1.0 - (at - below)))
        np.add.at(share, (rows, below + 1), unit.case_weight * (at - below))
        by_family[unit.name] = by_family.get(unit.name, np.ones(1)) * np.fft.rfft(share, axis=1)
    whole = np.prod([wave.mean(axis=0) for wave in by_family.values()], axis=0)
    chance = np.fft.irfft(whole, bins)
    until = (asked - sum(lows)) / width - np.arange(bins)
    return float(np.clip(chance @ np.clip(until + 0.5, 0.0, 1.0), 0.0, 1.0))


def lot_ceiling(units: Sequence[LotUnit]) -> float:
    """Highest price at which a lot is one to take: units of kinds without a finished job are no ground."""
    return cents(sum(unit.worth for unit in units if unit.entry.kind_jobs > 0))


def decide_lot(units: Sequence[LotUnit], terms: Terms, asked: float) -> str:
    """Choose the verdict on a lot."""
    ceiling = lot_ceiling(units)
    if asked <= ceiling:
        return TAKE
    if 0 < ceiling and asked <= ceiling * (1.0 + terms.haggle_room):
        return HAGGLE
    lessons: dict[str, float] = {}
    for unit in units:
        if unit.entry.jobs_seen < FEW_JOBS and unit.entry.open_jobs == 0:
            lesson = lesson_worth(unit.appraisal, terms, unit.share, unit.entry.offers_expected)
            lessons[unit.name] = max(lesson, lessons.get(unit.name, 0.0))
    if not lessons:
        return SKIP
    promised = sum(unit.gain_free - terms.margin for unit in units if unit.way != PASS_ON)
    teaches = sum(lessons.values()) > max(0.0, asked - promised)
    return TRY_ONE if asked <= cents(sum(unit.worth for unit in units)) or teaches else SKIP
