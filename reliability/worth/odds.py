"""Chance of a repair: states of knowledge, what can be seen, components; the card goes the same steps."""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit, ndtri

Floats = NDArray[np.float64]


# ---- States of knowledge: the fixed points under which every unit is judged


N_DRAWS = 192
"""How many states of knowledge a unit is judged under."""

COMMON_DIMENSIONS = 6
"""Draws 0 to 5: tilt, price, worth unrepaired, costs repaired, costs unrepaired, signs."""


def normal_draws(n_components: int, seed: int = 20) -> Floats:
    """Evenly spread standard normal points.

    Parameters
    ----------
    n_components : int
        Largest number of components of a family.
    seed : int
        Scrambling of the sequence.

    Returns
    -------
    ndarray, shape (N_DRAWS, COMMON_DIMENSIONS + 3 * n_components)
        Every column has mean 0 and variance 1 exactly; rounded to three decimals, so that a card
        for the phone can carry the very same points.

    Notes
    -----
    A Latin hypercube [1]_: each column holds every N-th part of the distribution once.

    References
    ----------
    .. [1] M. D. McKay, R. J. Beckman, W. J. Conover, *Technometrics* 21 (1979) 239-245.
    """
    rng = np.random.default_rng(seed)
    points = ndtri((np.arange(N_DRAWS) + 0.5) / N_DRAWS)
    points /= points.std()
    columns = [rng.permutation(points) for _ in range(COMMON_DIMENSIONS + 3 * n_components)]
    return np.round(np.stack(columns, axis=1), 3)


# ---- What the signs of a unit say of its components: all causes of what was seen weighed together
# Everything here is a plain function of numbers that were fitted before; the pocket card goes through the
# same steps in a browser, so a change here is a change there.


MOST_SEEN = 5
"""Signs seen on one unit that are weighed together. Sums over their subsets grow as 2 to their number, and
lose the more digits the more rare signs come together: of five about nine, which leaves the cents alike on
the card. Of more signs, those that components show most are kept."""


@dataclass(frozen=True)
class SignTerms:
    """A unit's signs as a sum: each term is a set of signs that stay away, with a factor of 1 or -1.

    Attributes
    ----------
    absent : ndarray, shape (n_terms, n_signs)
        1 for the signs that stay away in a term.
    factor : ndarray, shape (n_terms,)
    """

    absent: Floats
    factor: Floats


def sign_terms(signs: Floats, shows: Floats) -> SignTerms:
    """Write what was seen as a sum over signs that stay away.

    Parameters
    ----------
    signs : ndarray, shape (n_signs,)
        1 seen, 0 not seen, NaN nobody looked.
    shows : ndarray, shape (n_components, n_signs)
        Log odds that a failed component shows a sign.

    Notes
    -----
    A sign that stays away is a product over its causes, so what was not seen leaves the components
    independent; what was seen is one minus that. The product of several such differences is a sum over
    subsets of what was seen, each of them again independent [1]_.

    References
    ----------
    .. [1] D. Heckerman, "A tractable inference algorithm for diagnosing multiple diseases", *Uncertainty in
       Artificial Intelligence* 5 (1990) 163-171 (from memory).
    """
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
    """Log chance that a failed component shows none of the signs that stay away.

    Parameters
    ----------
    shows : ndarray, shape (c, n_signs)
        Log odds.
    doubt : ndarray, shape (n_signs,)
    draws : ndarray, shape (n_draws,)
        Standard normal points, one for each state of knowledge.
    absent : ndarray, shape (n_terms, n_signs)

    Returns
    -------
    ndarray, shape (n_draws, n_terms, c)
    """
    each = -np.logaddexp(0.0, shows + draws[:, None, None] * doubt)  # log of 1 - chance; (draw, c, sign)
    return np.asarray(absent @ each.transpose(0, 2, 1))


def log_not_alone(alone: Floats, stored: Floats, nodes: Floats, absent: Floats) -> Floats:
    """Log chance that storage and chance show none of the signs that stay away.

    Parameters
    ----------
    alone, stored : ndarray, shape (n_signs,)
    nodes : ndarray, shape (n_nodes,)
        How badly a unit was stored.
    absent : ndarray, shape (n_terms, n_signs)

    Returns
    -------
    ndarray, shape (n_nodes, n_terms)
    """
    return np.asarray(-np.logaddexp(0.0, alone + nodes[:, None] * stored) @ absent.T)


def weigh_by_signs(
    arrived: Floats, weight: Floats, unshown: Floats, not_alone: Floats, factor: Floats
) -> tuple[Floats, Floats]:
    """Condition the states of the components on the signs.

    Parameters
    ----------
    arrived : ndarray, shape (n_draws, n_alternatives, n_nodes, c)
        Chance that each component has failed, whatever can be seen.
    weight : ndarray, shape (n_alternatives, n_nodes)
    unshown : ndarray, shape (n_draws, n_terms, c)
        From `log_unshown`.
    not_alone : ndarray, shape (n_nodes, n_terms)
        From `log_not_alone`.
    factor : ndarray, shape (n_terms,)

    Returns
    -------
    arrived : ndarray, shape (n_draws, n_alternatives, n_nodes * n_terms, c)
        Chance that each component has failed in each class of units.
    weight : ndarray, shape (n_draws, n_alternatives, n_nodes * n_terms)
        Weight of each class; below zero for some, sums to 1 in each draw.
    """
    left = np.exp(unshown)[:, None, None]
    hidden = arrived[:, :, :, None, :] * left  # (draw, alternative, node, term, c)
    possible = 1.0 - arrived[:, :, :, None, :] + hidden
    classes = weight[None, :, :, None] * (factor * np.exp(not_alone)) * possible.prod(axis=4)
    classes /= classes.sum(axis=(1, 2, 3), keepdims=True)
    shape = (*arrived.shape[:2], -1)
    return (hidden / possible).reshape(*shape, arrived.shape[3]), classes.reshape(shape)


# ---- Chance of a repair: the states of a unit's components, and what the bench makes of them
# Everything here is a plain function of numbers that were fitted before, with exponentials and logarithms
# only. The pocket card evaluates the same numbers by the same steps in a browser, so a change here is a
# change there.


Ints = NDArray[np.int64]

TINY = 1e-9
LOGIT_SLOPE = 0.346
"""Averaging a logit over a normal of variance v shrinks it by about sqrt(1 + 0.346 v)."""

NODES, NODE_WEIGHTS = (
    np.array([-2.8569700138728056, -1.355626179974266, 0.0, 1.355626179974266, 2.8569700138728056]),
    np.array(
        [
            0.011257411327720689,
            0.2220759220056126,
            0.5333333333333333,
            0.2220759220056126,
            0.011257411327720689,
        ]
    ),
)
"""Five-point Gauss-Hermite rule for a standard normal (Abramowitz & Stegun, table 25.10, rescaled)."""


@dataclass(frozen=True)
class Shared:
    """What all families have in common.

    Attributes
    ----------
    components, signs : tuple of str
    reference_year : ndarray, shape (n_components,)
    year_slope : ndarray, shape (n_components,)
        Change of log scale per decade of production year.
    sign_mean : ndarray, shape (n_signs,)
        Share of the looked-for that was seen; recalibration and price take a sign as its distance from this.
    sign_shows : ndarray, shape (n_components, n_signs)
        Log odds that a failed component shows a sign.
    sign_alone, sign_stored : ndarray, shape (n_signs,)
        Log odds of a sign without these causes, and their change by storage worse by one spread.
    sign_doubt : ndarray, shape (n_signs,)
        Standard deviation of what the `sign_shows` of one sign have in common.
    state_shift : ndarray, shape (n_components,)
    storage_sd : float
        Spread, from unit to unit, of a shift that all components of one unit share.
    collateral : ndarray, shape (n_components,)
        Chance that a component that arrived alive dies on the bench.
    repair_hours : ndarray, shape (n_components,)
        Bench hours that a failed component adds.
    known_components : tuple of str
        Those that the ledger ever named; no other one is called the chief risk.
    kinds : tuple of str
    chain_weight, chain_centre : float
        The log odds of the components count by so much around `chain_centre`.
    age_effect, age_se : ndarray, shape (2,)
        What ten years and their square add to the log odds, and standard errors.
    age_range : ndarray, shape (3,)
        Youngest and oldest age that is told apart, and the middle; NaN where no age is known.
    outcome_signs, outcome_signs_se : ndarray, shape (n_kinds + 1, n_signs)
        What a sign adds to the log odds beside the components; the last row is an unknown kind.
    price_signs : ndarray, shape (n_signs,)
        Shift of the log price by signs.
    draws : ndarray, shape (N_DRAWS, n_dimensions)
        Standard normal points: `COMMON_DIMENSIONS` of them, then three for each component of a family.
    """

    components: tuple[str, ...]
    signs: tuple[str, ...]
    reference_year: Floats
    year_slope: Floats
    sign_mean: Floats
    sign_shows: Floats
    sign_alone: Floats
    sign_stored: Floats
    sign_doubt: Floats
    state_shift: Floats
    storage_sd: float
    collateral: Floats
    repair_hours: Floats
    known_components: tuple[str, ...]
    kinds: tuple[str, ...]
    chain_weight: float
    chain_centre: float
    age_effect: Floats
    age_se: Floats
    age_range: Floats
    outcome_signs: Floats
    outcome_signs_se: Floats
    price_signs: Floats
    draws: Floats


@dataclass(frozen=True)
class FamilyLives:
    """What is known of one family's components, as normal summaries.

    Attributes
    ----------
    components : ndarray of int, shape (c,)
        Positions in `Shared.components`.
    life : ndarray, shape (c, 5)
        Log scale, log shape at the reference year, and the lower triangle of the root of their
        covariance (1,1), (2,1), (2,2).
    life_after : ndarray, shape (c, 5)
        The same for units built in `change_year` or later.
    change_year : ndarray, shape (c,)
        Production year of a change in the component, NaN where there was none.
    repair : ndarray, shape (c, 2)
        Mean and standard deviation of the log odds that a failed one does not end the job.
    """

    components: Ints
    life: Floats
    life_after: Floats
    change_year: Floats
    repair: Floats


@dataclass(frozen=True)
class UnitStates:
    """Components of one unit under every state of knowledge.

    Attributes
    ----------
    success : ndarray, shape (N_DRAWS,)
        Chance that no component ends the job, before recalibration.
    failed : ndarray, shape (c,)
        Mean chance that a component arrives failed.
    mended : ndarray, shape (N_DRAWS, c)
        Chance that a component had failed (or died on the bench), in a unit that was repaired.
    ends : ndarray, shape (c,)
        Mean chance that the job ends by this component.
    """

    success: Floats
    failed: Floats
    mended: Floats
    ends: Floats


def component_odds(family: FamilyLives, shared: Shared, age_years: Floats, year: Floats) -> Floats:
    """Log odds that each component has failed, before what storage did to this unit and what it shows.

    Parameters
    ----------
    age_years, year : ndarray, shape (n_alternatives,)
        Ages and production years that the unit may have.

    Returns
    -------
    ndarray, shape (N_DRAWS, n_alternatives, c)

    Notes
    -----
    With hazard ``h = (age / scale) ** shape`` the odds of failure are ``exp(h) - 1``. The stretch undoes
    the shrinking towards even odds that averaging over storage brings [1]_.

    References
    ----------
    .. [1] S. L. Zeger, K.-Y. Liang, P. S. Albert, *Biometrics* 44 (1988) 1049-1060, section 3.
    """
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
    """Chance that each component of a unit at which nobody looked has failed, under every state of knowledge.

    Parameters
    ----------
    age_years, year : ndarray, shape (n,)
        Ages, each with its production year.

    Returns
    -------
    ndarray, shape (N_DRAWS, n, c)
    """
    log_odds = component_odds(family, shared, age_years, year)
    return np.tensordot(expit(log_odds[..., None] + shared.storage_sd * NODES), NODE_WEIGHTS, axes=1)


def given_signs(
    family: FamilyLives, shared: Shared, arrived: Floats, weight: Floats, signs: Floats
) -> tuple[Floats, Floats]:
    """Lay out the classes of units that one may belong to; within each its components are independent.

    Parameters
    ----------
    arrived : ndarray, shape (N_DRAWS, n_alternatives, n_nodes, c)
        Chance that each component has failed, by how the unit was stored, whatever can be seen.
    weight : ndarray, shape (n_alternatives,)
        Sums to 1.
    signs : ndarray, shape (n_signs,)
        1 seen, 0 not seen, NaN nobody looked.

    Returns
    -------
    arrived : ndarray, shape (N_DRAWS, n_alternatives, n_classes, c)
        Chance that each component arrived failed, given the signs.
    weight : ndarray, shape (N_DRAWS, n_alternatives, n_classes)
        Of each class, some below zero; sums to 1 in each draw.
    """
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
    """States of the components of one unit.

    Parameters
    ----------
    age_years, year, weight : ndarray, shape (n_alternatives,)
        Ages and production years that the unit may have; weights sum to 1.
    signs : ndarray, shape (n_signs,)
        1 seen, 0 not seen, NaN nobody looked.
    """
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


def centred_signs(signs: Floats, shared: Shared) -> Floats:
    """Distance of each sign from what is usual; 0 where nobody looked. ndarray, shape (n_signs,)."""
    return np.where(np.isnan(signs), 0.0, signs - shared.sign_mean)


def log_odds(share: Floats) -> Floats:
    """Logit, kept finite; ndarray of the shape of `share`."""
    return logit(np.clip(share, 1e-6, 1 - 1e-6))
