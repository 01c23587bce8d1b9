"""Many units of one family at once: the mean chance of a repair that `unit_states` gives one by one."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from reliability.worth.odds import (
    COMMON_DIMENSIONS,
    NODE_WEIGHTS,
    NODES,
    FamilyLives,
    Shared,
    centred_signs,
    component_odds,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ELEMENTS_AT_ONCE = 200_000
"""Draws x alternatives x components of one block of work: about what a processor keeps near by."""


def repair_chances(
    family: FamilyLives,
    shared: Shared,
    unit: Ints,
    age_years: Floats,
    year: Floats,
    weight: Floats,
    signs: Floats,
) -> Floats:
    """Chance that no component ends the job, averaged over all states of knowledge, of many units.

    Parameters
    ----------
    family : FamilyLives
    shared : Shared
    unit : ndarray of int, shape (n_alternatives,)
        Which unit each alternative is one of, a position in `signs`.
    age_years, year, weight : ndarray, shape (n_alternatives,)
        Weights of a unit sum to 1.
    signs : ndarray, shape (n_units, n_signs)
        1 seen, 0 not seen, NaN nobody looked.

    Returns
    -------
    ndarray, shape (n_units,)
        The mean of `unit_states(...).success` of each unit.

    Notes
    -----
    With odds o of having arrived failed, a chance f of mending and a chance k of dying on the bench, a
    component lets the job go on with the chance (1 - k (1 - f) + o f) / (1 + o).
    """
    x = centred_signs(signs, shared)
    doubt = np.sqrt(np.maximum(((x @ shared.sign_covariance) * x).sum(axis=1), 0.0))
    shift = x @ shared.sign_effect[family.components].T
    chance = np.empty(age_years.size)
    for at in blocks(family, shared, age_years.size):
        of = unit[at]
        shifts = shift[of] + (shared.draws[:, 5, None] * doubt[of])[:, :, None]
        chance[at] = _goes_on(family, shared, component_odds(family, shared, age_years[at], year[at], shifts))
    return np.bincount(unit, weight * chance, len(signs)).astype(np.float64)


def blocks(family: FamilyLives, shared: Shared, n_alternatives: int) -> Iterator[slice]:
    """Split alternatives into runs that fit one block of work."""
    size = max(1, ELEMENTS_AT_ONCE // (len(shared.draws) * max(family.components.size, 1)))
    for first in range(0, n_alternatives, size):
        yield slice(first, first + size)


def _goes_on(family: FamilyLives, shared: Shared, log_odds: Floats) -> Floats:
    """Mean over draws and storage of the chance that every component lets the job go on; (alternatives,)."""
    odds = np.exp(log_odds)
    z = shared.draws[:, COMMON_DIMENSIONS + 2 : COMMON_DIMENSIONS + 3 * family.components.size : 3]
    fixable = expit(family.repair[:, 0] + family.repair[:, 1] * z)
    alive = 1.0 - shared.collateral[family.components] * (1.0 - fixable)
    chain = np.ones((NODES.size, *log_odds.shape[:2]))
    for c in range(family.components.size):
        stored = odds[:, :, c] * np.exp(shared.storage_sd * NODES)[:, None, None]
        kept = stored * fixable[:, c, None]
        kept += alive[:, c, None]
        stored += 1.0
        kept /= stored
        chain *= kept
    return np.tensordot(NODE_WEIGHTS, chain.mean(axis=1), axes=1)
