"""Chance of a repair: states of knowledge, what can be seen, components; the card goes the same steps.

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

COMMON_DIMENSIONS = 6
"""Draws 0 to 5: tilt, price, worth unrepaired, costs repaired, costs unrepaired, signs."""


def normal_draws(n_components: int, seed: int = 20) -> Floats:
    """Evenly spread standard normal points."""
    # Gives (N_DRAWS, COMMON_DIMENSIONS + 3 * n_components): every column has mean 0 and variance 1 exactly;
    # rounded to three decimals, so that a card for the phone can carry the very same points.
    # A Latin hypercube: each column holds every N-th part of the distribution once.
    # Source: M. D. McKay, R. J. Beckman, W. J. Conover, Technometrics 21 (1979) 239-245.
    rng = np.random.default_rng(seed)
    points = np.array([NormalDist().inv_cdf((i + 0.5) / N_DRAWS) for i in range(N_DRAWS)])
    points /= points.std()
    columns = [rng.permutation(points) for _ in range(COMMON_DIMENSIONS + 3 * n_components)]
    return np.round(np.stack(columns, axis=1), 3)


# ---- What the signs of a unit say of its components: all causes of what was seen weighed together
MOST_SEEN = 5
"""Signs seen on one unit that are weighed together. Sums over their subsets grow as 2 to their number, and
lose the more digits the more rare signs come together: of five about nine, which leaves the cents alike on
the card. Of more signs, those that components show most are kept."""


@dataclass(frozen=True)
class SignTerms:
    """A unit's signs as a sum: each term is a set of signs that stay away, with a factor of 1 or -1."""

    absent: Floats  # (n_terms, n_signs): 1 for the signs that stay away in a term
    factor: Floats  # (n_terms,)


def sign_terms(signs: Floats, shows: Floats) -> SignTerms:
    """Write what was seen as a sum over signs that stay away."""
    # `signs` (n_signs,): 1 seen, 0 not seen, NaN nobody looked; `shows` (n_components, n_signs): log odds
    # that a failed component shows a sign.
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
    return SignTerms(absent, np.array([(-1.0) ** len(subset) for subset in subsets]))


def log_unshown(shows: Floats, doubt: Floats, draws: Floats, absent: Floats) -> Floats:
    """Log chance that a failed component shows none of the signs that stay away."""
    # `shows` (c, n_signs): log odds; `draws` (n_draws,); `absent` (n_terms, n_signs).
    # Gives (n_draws, n_terms, c).
    each = -np.logaddexp(0.0, shows + draws[:, None, None] * doubt)  # log of 1 - chance; (draw, c, sign)
    return np.asarray(absent @ each.transpose(0, 2, 1))


def log_not_alone(alone: Floats, stored: Floats, nodes: Floats, absent: Floats) -> Floats:
    """Log chance that storage and chance show none of the signs that stay away."""
    # `nodes` (n_nodes,): how badly a unit was stored; `absent` (n_terms, n_signs). Gives (n_nodes, n_terms).
    return np.asarray(-np.logaddexp(0.0, alone + nodes[:, None] * stored) @ absent.T)


def weigh_by_signs(
    arrived: Floats, weight: Floats, unshown: Floats, not_alone: Floats, factor: Floats
) -> tuple[Floats, Floats]:
    """Condition the states of the components on the signs."""
    # `arrived` (n_draws, n_alternatives, n_nodes, c): chance that each component has failed, whatever can be
    # seen; `weight` (n_alternatives, n_nodes); the others from `log_unshown`, `log_not_alone`, `SignTerms`.
    # Gives the same by class of units (n_draws, n_alternatives, n_nodes * n_terms, c), and the weight of each
    # class, below zero for some; the weights of a draw sum to 1.
    left = np.exp(unshown)[:, None, None]
    hidden = arrived[:, :, :, None, :] * left  # (draw, alternative, node, term, c)
    possible = 1.0 - arrived[:, :, :, None, :] + hidden
    classes = weight[None, :, :, None] * (factor * np.exp(not_alone)) * possible.prod(axis=4)
    classes /= classes.sum(axis=(1, 2, 3), keepdims=True)
    shape = (*arrived.shape[:2], -1)
    return (hidden / possible).reshape(*shape, arrived.shape[3]), classes.reshape(shape)


# ---- Chance of a repair: the states of a unit's components, and what the bench makes of them
TINY = 1e-9
LOGIT_SLOPE = 0.346
"""Averaging a logit over a normal of variance v shrinks it by about sqrt(1 + 0.346 v)."""

NODES, NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(5)
NODE_WEIGHTS /= NODE_WEIGHTS.sum()
"""Five-point Gauss-Hermite rule for a standard normal (Abramowitz & Stegun, table 25.10, rescaled)."""


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
    sign_doubt: Floats  # (n_signs,): standard deviation of what the `sign_shows` of one sign have in common
    state_shift: Floats  # (n_components,)
    storage_sd: float  # spread, from unit to unit, of a shift that all components of one unit share
    collateral: Floats  # (n_components,): chance that a component that arrived alive dies on the bench
    repair_hours: Floats  # (n_components,): bench hours that a failed component adds
    known_components: tuple[str, ...]  # named by the ledger; no other one is called the chief risk
    kinds: tuple[str, ...]
    chain_weight: float  # the log odds of the components count by so much around `chain_centre`
    chain_centre: float
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
    return Shared(
        components=components,
        signs=signs,
        reference_year=np.zeros(n_c),
        year_slope=np.zeros(n_c),
        sign_mean=np.full(n_s, 0.5),
        sign_shows=np.zeros((n_c, n_s)),
        sign_alone=np.zeros(n_s),
        sign_stored=np.zeros(n_s),
        sign_doubt=np.zeros(n_s),
        state_shift=np.zeros(n_c),
        storage_sd=0.0,
        collateral=np.zeros(n_c),
        repair_hours=np.zeros(n_c),
        known_components=components,
        kinds=kinds,
        chain_weight=1.0,
        chain_centre=0.0,
        age_effect=np.zeros(2),
        age_se=np.zeros(2),
        age_range=np.full(3, np.nan),
        outcome_signs=np.zeros((n_k + 1, n_s)),
        outcome_signs_se=np.zeros((n_k + 1, n_s)),
        price_signs=np.zeros(n_s),
        draws=normal_draws(most_components),
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
    z = shared.draws[:, COMMON_DIMENSIONS : COMMON_DIMENSIONS + 3 * c.size].reshape(
        len(shared.draws), c.size, 3
    )
    decades = (year[:, None] - shared.reference_year[c]) / 10.0
    log_ratio = np.log(age_years)[:, None] - shared.year_slope[c] * decades  # (alternatives, c)
    exponent = _log_hazard(family.life, z, log_ratio)
    late = year[:, None] >= family.change_year  # never true where there was no change
    if late.any():
        exponent = np.where(late[None], _log_hazard(family.life_after, z, log_ratio), exponent)
    hazard = np.clip(np.exp(np.minimum(exponent, 30.0)), TINY, 30.0)
    stretch = np.sqrt(1.0 + LOGIT_SLOPE * shared.storage_sd**2)
    return (hazard + np.log(-np.expm1(-hazard))) * stretch + shared.state_shift[c]


def _log_hazard(life: Floats, z: Floats, log_ratio: Floats) -> Floats:
    """Log of the cumulative hazard; ndarray, shape (N_DRAWS, n_alternatives, c)."""
    log_scale = life[:, 0] + life[:, 2] * z[:, :, 0]
    shape = np.exp(life[:, 1] + life[:, 3] * z[:, :, 0] + life[:, 4] * z[:, :, 1])
    return shape[:, None, :] * (log_ratio[None] - log_scale[:, None, :])


def failed_by_age(family: FamilyLives, shared: Shared, age_years: Floats, year: Floats) -> Floats:
    """Chance that each component of a unit at which nobody looked has failed, by state of knowledge."""
    # `age_years, year` (n,): ages, each with its production year.
    # Gives (N_DRAWS, n, c).
    log_odds = component_odds(family, shared, age_years, year)
    return np.tensordot(expit(log_odds[..., None] + shared.storage_sd * NODES), NODE_WEIGHTS, axes=1)


def given_signs(
    family: FamilyLives, shared: Shared, arrived: Floats, weight: Floats, signs: Floats
) -> tuple[Floats, Floats]:
    """Lay out the classes of units that one may belong to; within each its components are independent."""
    # `arrived` (N_DRAWS, n_alternatives, n_nodes, c): chance that each component has failed, by storage,
    # whatever can be seen; `weight` (n_alternatives,): sums to 1; `signs` (n_signs,): 1 seen, 0 not, NaN not
    # looked. Gives what `weigh_by_signs` does.
    shows = shared.sign_shows[family.components]
    terms = sign_terms(signs, shared.sign_shows)
    unshown = log_unshown(shows, shared.sign_doubt, shared.draws[:, 5], terms.absent)
    not_alone = log_not_alone(shared.sign_alone, shared.sign_stored, NODES, terms.absent)
    return weigh_by_signs(arrived, weight[:, None] * NODE_WEIGHTS, unshown, not_alone, terms.factor)


def unit_states(
    family: FamilyLives,
    shared: Shared,
    age_years: Floats,
    year: Floats,
    weight: Floats,
    signs: Floats,
) -> UnitStates:
    """States of the components of one unit."""
    # `age_years, year, weight` (n_alternatives,): ages and production years that the unit may have; weights
    # sum to 1; `signs` (n_signs,): 1 seen, 0 not seen, NaN nobody looked.
    c = family.components
    log_odds = component_odds(family, shared, age_years, year)
    before = expit(log_odds[:, :, None, :] + shared.storage_sd * NODES[:, None])
    arrived, w = given_signs(family, shared, before, weight, signs)
    z = shared.draws[:, COMMON_DIMENSIONS + 2 : COMMON_DIMENSIONS + 3 * c.size : 3]
    fixable = expit(family.repair[:, 0] + family.repair[:, 1] * z)[:, None, None, :]
    failed = arrived + (1.0 - arrived) * shared.collateral[c]
    goes_on = 1.0 - failed * (1.0 - fixable)
    chain = goes_on.prod(axis=3)
    joint = chain * w
    success = joint.sum(axis=(1, 2))
    mended = (joint[..., None] * failed * fixable / goes_on).sum(axis=(1, 2)) / success[:, None]
    hazard = -np.log(goes_on)
    share = hazard / np.maximum(hazard.sum(axis=3, keepdims=True), TINY)
    ends = (((1.0 - chain) * w)[..., None] * share).sum(axis=(1, 2)).mean(axis=0)
    mean_failed = (arrived * w[..., None]).sum(axis=(1, 2)).mean(axis=0)
    return UnitStates(success, mean_failed, mended, ends)


def unseen_success(family: FamilyLives, shared: Shared, age_years: float, year: float) -> Floats:
    """Chance that no component ends the job of a unit at which nobody looked; ndarray, shape (N_DRAWS,)."""
    # What `unit_states` gives as `success`, and nothing else.
    c = family.components
    log_odds = component_odds(family, shared, np.array([age_years]), np.array([year]))
    arrived = expit(log_odds + shared.storage_sd * NODES[:, None])  # (draw, node, c)
    z = shared.draws[:, COMMON_DIMENSIONS + 2 : COMMON_DIMENSIONS + 3 * c.size : 3]
    ends = 1.0 - expit(family.repair[:, 0] + family.repair[:, 1] * z)
    failed = arrived + (1.0 - arrived) * shared.collateral[c]
    return np.asarray((1.0 - failed * ends[:, None]).prod(axis=2) @ NODE_WEIGHTS)


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
