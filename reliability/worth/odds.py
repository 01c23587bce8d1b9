"""One unit: its chance of a repair and what it gains, in steps that the card follows.

Everything here is a plain function of numbers that were fitted before, with exponentials and logarithms only.
The pocket card evaluates the same numbers by the same steps in a browser: a change here is a change there.
"""

from dataclasses import dataclass
from itertools import combinations
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# ---- States of knowledge: the fixed points under which every unit is judged


N_DRAWS = 192
"""How many states of knowledge a unit is judged under."""

COMMON_DIMENSIONS = 5
"""Draws 0 to 4: tilt, price, worth unrepaired, costs repaired, costs unrepaired."""


def normal_draws(n_components: int, n_draws: int = N_DRAWS) -> Floats:
    """Evenly spread standard normal points."""
    # Gives (n_draws, COMMON_DIMENSIONS + 3 * n_components): every column has mean 0 and variance 1 exactly;
    # rounded to three decimals, so that a card for the phone can carry the very same points.
    # A Latin hypercube: each column holds every N-th part of the distribution once.
    # Source: M. D. McKay, R. J. Beckman, W. J. Conover, Technometrics 21 (1979) 239-245.
    rng = np.random.default_rng(20)
    points = np.array([NormalDist().inv_cdf((i + 0.5) / n_draws) for i in range(n_draws)])
    points /= points.std()
    columns = [rng.permutation(points) for _ in range(COMMON_DIMENSIONS + 3 * n_components)]
    return np.round(np.stack(columns, axis=1), 3)


# ---- What was fitted: numbers that all families share, and those of one


TINY = 1e-9
LOGIT_SLOPE = 0.346
"""Averaging a logit over a normal of variance v shrinks it by about sqrt(1 + 0.346 v)."""

NODES, NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(3)
NODE_WEIGHTS /= NODE_WEIGHTS.sum()
"""Three-point Gauss-Hermite rule for a standard normal (Abramowitz & Stegun, table 25.10, rescaled)."""


@dataclass(frozen=True)
class Shared:
    """What all families have in common."""

    components: tuple[str, ...]
    signs: tuple[str, ...]
    reference_year: Floats  # (n_components,)
    year_slope: Floats  # (n_components,): change of log scale per decade of production year
    sign_mean: Floats  # (n_signs,): share seen; recalibration and price take a sign as its distance from it
    sign_shows: Floats  # (n_components, n_signs): log odds that a failed component shows a sign
    # (n_signs,): log odds of a sign without these causes, and their change by storage worse by one spread
    sign_alone: Floats
    sign_stored: Floats
    storage_sd: float  # spread, from unit to unit, of a shift that all components of one unit share
    collateral: Floats  # (n_components,): chance that a component that arrived alive dies on the bench
    repair_hours: Floats  # (n_components,): bench hours that a failed component adds
    known_components: tuple[str, ...]  # named by the ledger; no other one is called the chief risk
    kinds: tuple[str, ...]
    chain_weight: float  # the log odds of the components count by so much around `chain_centre`
    chain_centre: float
    practice: float  # what the logarithm of jobs done adds to the log odds: it is in the `shift` of today
    age_effect: Floats  # (2,): what ten years and their square add to the log odds, and standard errors
    age_se: Floats
    age_range: Floats  # (3,): youngest, oldest age that is told apart, and the middle; NaN: no age is known
    # (n_kinds + 1, n_signs): what a sign adds beside the components; the last row is an unknown kind
    outcome_signs: Floats
    outcome_signs_se: Floats
    price_signs: Floats  # (n_signs,): shift of the log price by signs
    draws: Floats  # (N_DRAWS, COMMON_DIMENSIONS and three for each component of a family)


def nothing_shared(
    components: tuple[str, ...], signs: tuple[str, ...], kinds: tuple[str, ...], most_components: int
) -> Shared:
    """Lay out what nothing has been fitted of yet: signs, storage, outcomes and years without effect."""
    n_c, n_s, n_k = len(components), len(signs), len(kinds)
    by_component = ("reference_year", "year_slope", "collateral", "repair_hours")
    by_sign = ("sign_alone", "sign_stored", "price_signs")
    return Shared(
        components=components,
        signs=signs,
        known_components=components,
        kinds=kinds,
        sign_mean=np.full(n_s, 0.5),
        sign_shows=np.zeros((n_c, n_s)),
        storage_sd=0.0,
        chain_weight=1.0,
        chain_centre=0.0,
        practice=0.0,
        age_effect=np.zeros(2),
        age_se=np.zeros(2),
        age_range=np.full(3, np.nan),
        outcome_signs=np.zeros((n_k + 1, n_s)),
        outcome_signs_se=np.zeros((n_k + 1, n_s)),
        draws=normal_draws(most_components),
        **dict.fromkeys(by_component, np.zeros(n_c)),
        **dict.fromkeys(by_sign, np.zeros(n_s)),
    )


@dataclass(frozen=True)
class FamilyLives:
    """What is known of one family's components, as normal summaries."""

    components: Ints  # (c,): positions in `Shared.components`
    # (c, 5): log scale and log shape at the reference year, lower triangle of the root of their covariance
    life: Floats
    life_after: Floats  # (c, 5): the same for units built in `change_year` or later
    change_year: Floats  # (c,): production year of a change in the component, NaN where there was none
    # (c, 2): mean and standard deviation of the log odds that a failed one does not end the job
    repair: Floats


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


# ---- What the signs of a unit say of its components: all causes of what was seen weighed together


MOST_SEEN = 5
"""Signs seen on one unit that are weighed together. Sums over their subsets grow as 2 to their number, and
lose the more digits the more rare signs come together: of five about nine, which leaves the cents alike on
the card. Of more signs, those that components show most are kept."""


def sign_terms(signs: Floats, shows: Floats) -> tuple[Floats, Floats]:
    """Write what was seen as a sum over signs that stay away."""
    # `signs` (n_signs,): 1 seen, 0 not seen, NaN nobody looked; `shows` (n_components, n_signs): log odds
    # that a failed component shows a sign. Gives (n_terms, n_signs), 1 for the signs that stay away in a
    # term, and the factor of each, 1 or -1.
    # A sign that stays away is a product over its causes, so what was not seen leaves the components
    # independent; what was seen is one minus that. The product of several such differences is a sum over
    # subsets of what was seen, each of them again independent.
    # Source: D. Heckerman, "A tractable inference algorithm for diagnosing multiple diseases", Uncertainty in
    # Artificial Intelligence 5 (1990) 163-171 (from memory).
    seen = np.flatnonzero(signs == 1.0)
    if seen.size > MOST_SEEN:
        strength = expit(shows[:, seen]).sum(axis=0)
        seen = np.sort(seen[np.argsort(-strength, kind="stable")[:MOST_SEEN]])
    subsets = [list(some) for size in range(seen.size + 1) for some in combinations(seen.tolist(), size)]
    absent = np.tile(signs == 0.0, (len(subsets), 1)).astype(float)
    for term, subset in zip(absent, subsets, strict=True):
        term[subset] = 1.0
    return absent, np.array([(-1.0) ** len(subset) for subset in subsets])


def unshown(shows: Floats, absent: Floats) -> Floats:
    """Chance that a failed component shows none of the signs that stay away."""
    # `shows` (c, n_signs): log odds; `absent` (n_terms, n_signs). Gives (n_terms, c).
    return np.asarray(np.exp(-absent @ np.logaddexp(0.0, shows).T))


def not_alone(shared: Shared, absent: Floats) -> Floats:
    """Chance that storage and chance show none of the signs that stay away."""
    # `absent` (n_terms, n_signs). Gives (n_nodes, n_terms), by how badly a unit was stored.
    log_odds = shared.sign_alone + NODES[:, None] * shared.sign_stored
    return np.asarray(np.exp(-np.logaddexp(0.0, log_odds) @ absent.T))


# ---- Chance of a repair: the states of a unit's components, and what the bench makes of them


@dataclass(frozen=True)
class Unit:
    """What is known of a unit on offer."""

    age_years: Floats  # (n_alternatives,), as the next two
    year: Floats
    weight: Floats
    signs: Floats  # (n_signs,): 1 seen, 0 not seen, NaN nobody looked
    working_price: float = np.nan  # the offer's own, NaN: the family's


@dataclass(frozen=True)
class UnitStates:
    """Components of one unit under every state of knowledge."""

    success: Floats  # (N_DRAWS,): chance that no component ends the job, before recalibration
    failed: Floats  # (c,): mean chance that a component arrives failed
    # (N_DRAWS, c): chance that a component had failed (or died on the bench), in a unit that was repaired
    mended: Floats
    ends: Floats  # (c,): mean chance that the job ends by this component


def component_odds(family: FamilyLives, shared: Shared, age_years: Floats, year: Floats) -> Floats:
    """Log odds that each component has failed, before what storage did to this unit and what it shows."""
    # `age_years, year` (n_alternatives,): ages and production years that the unit may have.
    # Gives (N_DRAWS, n_alternatives, c).
    # With hazard ``h = (age / scale) ** shape`` the odds of failure are ``exp(h) - 1``. The stretch undoes
    # the shrinking towards even odds that averaging over storage brings.
    # Source: S. L. Zeger, K.-Y. Liang, P. S. Albert, Biometrics 44 (1988) 1049-1060, section 3.
    c = family.components
    z = shared.draws[:, COMMON_DIMENSIONS : COMMON_DIMENSIONS + 3 * c.size].reshape(-1, c.size, 3)
    decades = (year[:, None] - shared.reference_year[c]) / 10.0
    log_ratio = np.log(age_years)[:, None] - shared.year_slope[c] * decades  # (alternatives, c)

    def log_hazard(life: Floats) -> Floats:
        log_scale = life[:, 0] + life[:, 2] * z[:, :, 0]
        shape = np.exp(life[:, 1] + life[:, 3] * z[:, :, 0] + life[:, 4] * z[:, :, 1])
        return shape[:, None, :] * (log_ratio[None] - log_scale[:, None, :])

    exponent = log_hazard(family.life)
    late = year[:, None] >= family.change_year  # never true where there was no change
    if late.any():
        exponent = np.where(late[None], log_hazard(family.life_after), exponent)
    hazard = np.clip(np.exp(np.minimum(exponent, 30.0)), TINY, 30.0)
    stretch = np.sqrt(1.0 + LOGIT_SLOPE * shared.storage_sd**2)
    return np.asarray((hazard + np.log(-np.expm1(-hazard))) * stretch)


def failed_by_age(family: FamilyLives, shared: Shared, age_years: Floats, year: Floats) -> Floats:
    """Chance that each component of a unit at which nobody looked has failed, by state of knowledge."""
    # `age_years, year` (n,): ages, each with its production year.
    # Gives (N_DRAWS, n, c).
    log_odds = component_odds(family, shared, age_years, year)
    return np.tensordot(expit(log_odds[..., None] + shared.storage_sd * NODES), NODE_WEIGHTS, axes=1)


def mending_odds(repair: Floats, shared: Shared) -> Floats:
    """Log odds that each failed component does not end the job, from mean and standard deviation."""
    # `repair` (..., c, 2). Gives (N_DRAWS, ..., c).
    first, n = COMMON_DIMENSIONS + 2, repair.shape[-2]
    z = shared.draws[:, first : first + 3 * n : 3]
    return repair[..., 0] + repair[..., 1] * z.reshape(-1, *[1] * (repair.ndim - 2), n)


def unit_classes(
    family: FamilyLives, shared: Shared, unit: Unit, odds: Floats
) -> tuple[Floats, Floats, Floats]:
    """Lay out the classes of units that one may belong to; within each its components are independent."""
    # `odds` (N_DRAWS, n_alternatives, c): from `component_odds`. A class is a way of having been stored and a
    # set of signs that stay away. Gives chances (N_DRAWS, n_alternatives, n_classes, c) that a component
    # arrived failed, and that it did or dies on the bench; and the weight of each class, below zero for some:
    # the weights of a draw sum to 1.
    c, (absent, factor) = family.components, sign_terms(unit.signs, shared.sign_shows)
    before = expit(odds[:, :, None, :] + shared.storage_sd * NODES[:, None])[:, :, :, None, :]
    hidden = before * unshown(shared.sign_shows[c], absent)  # (draw, alternative, node, term, c)
    possible = 1.0 - before + hidden
    by_node = (unit.weight[:, None] * NODE_WEIGHTS)[None, :, :, None]
    weight = by_node * (factor * not_alone(shared, absent)) * possible.prod(axis=4)
    weight /= weight.sum(axis=(1, 2, 3), keepdims=True)
    shape = (*odds.shape[:2], -1)
    arrived = (hidden / possible).reshape(*shape, c.size)
    return arrived, arrived + (1.0 - arrived) * shared.collateral[c], weight.reshape(shape)


def unit_states(family: FamilyLives, shared: Shared, unit: Unit) -> UnitStates:
    """States of the components of one unit."""
    odds = component_odds(family, shared, unit.age_years, unit.year)
    arrived, failed, weight = unit_classes(family, shared, unit, odds)
    fixable = expit(mending_odds(family.repair, shared))[:, None, None, :]
    goes_on = 1.0 - failed * (1.0 - fixable)
    chain = goes_on.prod(axis=3)
    joint = chain * weight
    success = joint.sum(axis=(1, 2))
    mended = (joint[..., None] * failed * fixable / goes_on).sum(axis=(1, 2)) / success[:, None]
    hazard = -np.log(goes_on)
    share = hazard / np.maximum(hazard.sum(axis=3, keepdims=True), TINY)
    ends = (((1.0 - chain) * weight)[..., None] * share).sum(axis=(1, 2)).mean(axis=0)
    mean_failed = (arrived * weight[..., None]).sum(axis=(1, 2)).mean(axis=0)
    return UnitStates(success, mean_failed, mended, ends)


def unseen_success(family: FamilyLives, shared: Shared, age_years: float, year: float) -> Floats:
    """Chance that no component ends the job of a unit at which nobody looked; ndarray, shape (N_DRAWS,)."""
    odds = component_odds(family, shared, np.array([age_years]), np.array([year]))
    arrived = expit(odds + shared.storage_sd * NODES[:, None])  # (draw, node, c)
    failed = arrived + (1.0 - arrived) * shared.collateral[family.components]
    ends = 1.0 - expit(mending_odds(family.repair, shared))
    return np.asarray((1.0 - failed * ends[:, None]).prod(axis=2) @ NODE_WEIGHTS)


MOST_YEARS = 16
"""Production years at most that are told apart of a unit whose year nobody knows."""


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
    states = unit_states(entry.lives, shared, unit)
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


def age_terms(age_years: float | Floats, within: Floats) -> Floats:
    """Decades from the middle age and their square, held within what was seen; 0 where none is known."""
    # `age_years`: any shape; gives (..., 2).
    low, high, middle = within
    decades = np.nan_to_num((np.clip(age_years, low, high) - middle) / 10.0)
    return np.stack([decades, decades**2], axis=-1)


def centred_signs(signs: Floats, shared: Shared) -> Floats:
    """Distance of each sign from what is usual; 0 where nobody looked. ndarray, shape (n_signs,)."""
    return np.where(np.isnan(signs), 0.0, signs - shared.sign_mean)


def log_odds(share: Floats) -> Floats:
    """Logit, kept finite; ndarray of the shape of `share`."""
    inside = np.clip(share, 1e-6, 1 - 1e-6)
    return np.log(inside) - np.log1p(-inside)


def expit(log_odds: Floats) -> Floats:
    """Chance of log odds; as scipy's, which takes longer to load than a kept verdict to tell."""
    return 1.0 / (1.0 + np.exp(-np.maximum(log_odds, -700.0)))


# ---- What it gains: prices and costs under every state of knowledge, and the chance in a single unit


N_CASES = 16
"""Equally likely cases that stand for the chance in one unit, under each state of knowledge."""

CASES = np.array([NormalDist().inv_cdf((i + 0.5) / N_CASES) for i in range(N_CASES)])


@dataclass(frozen=True)
class Appraisal:
    """Odds and gain of one unit if it cost nothing."""

    success: Floats  # (n_draws,): chance of a repair under each state of knowledge
    gain_free: Floats  # (n_draws,): mean gain at a price of 0
    cases: Floats  # (n_draws * 2 * N_CASES,): gains of single units at a price of 0
    case_weight: Floats  # their probabilities
    hours: float
    states: UnitStates


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
    price, log_ratio = price_draws(entry, shared, unit)
    repaired = net * price * np.exp(log_ratio + 0.5 * entry.ratio.spread**2) - costs_repaired
    unrepaired = entry.remains.drawn(z[:, 2]) - entry.costs_unrepaired.drawn(z[:, 4])
    other = paired_cases(len(z))
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
        hours=float((success * (entry.hours_repaired + added_hours) + lost * entry.hours_unrepaired).mean()),
        states=states,
    )
