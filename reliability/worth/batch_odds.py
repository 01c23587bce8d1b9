"""Many units of one family at once: the mean chance of a repair that `unit_states` gives one by one."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from reliability.worth.causes import log_not_alone, log_unshown, sign_terms
from reliability.worth.draws import COMMON_DIMENSIONS
from reliability.worth.odds import (
    NODE_WEIGHTS,
    NODES,
    FamilyLives,
    Shared,
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
    repair: Floats,
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
    repair : ndarray, shape (n_units, c, 2)
        Log odds of mending when each unit was on the bench, and their standard deviation.

    Returns
    -------
    ndarray, shape (n_units,)
        The mean of `unit_states(...).success` of each unit.

    Notes
    -----
    With odds o of having arrived failed, a chance u that a failed one shows none of the signs that stay
    away, a chance f of mending and a chance k of dying on the bench, a component shows none of them and lets
    the job go on with the chance (1 - k (1 - f) + o u f) / (1 + o).
    """
    terms = [sign_terms(of_unit, shared.sign_shows) for of_unit in signs]
    n_terms = np.array([of_unit.factor.size for of_unit in terms], np.int64)[unit]
    # One row for each term of the signs of each alternative; all terms of a unit are added up in the end.
    row = np.repeat(np.arange(unit.size), n_terms)
    term = np.arange(row.size) - np.repeat(np.cumsum(n_terms) - n_terms, n_terms)
    offset = np.cumsum([0, *(of_unit.factor.size for of_unit in terms)])
    term += offset[unit[row]]
    absent, factor = (
        np.concatenate(values) for values in zip(*((t.absent, t.factor) for t in terms), strict=True)
    )
    going, possible = np.zeros((2, len(shared.draws), len(signs)))
    for at in blocks(family, shared, row.size):
        alternative, of_term = row[at], term[at]
        log_odds = component_odds(family, shared, age_years[alternative], year[alternative])
        both = _goes_on(family, shared, log_odds, absent[of_term], repair[unit[alternative]])
        both *= weight[alternative] * factor[of_term]
        of = unit[alternative]
        for total, values in zip((going, possible), both, strict=True):
            np.add.at(total.T, of, values.T)
    # A unit without an alternative has no chance to tell; nobody asks for it.
    here = possible.max(axis=0) > 0
    return np.where(here, (going / np.where(here, possible, 1.0)).mean(axis=0), 0.0)


def blocks(family: FamilyLives, shared: Shared, n_alternatives: int) -> Iterator[slice]:
    """Split alternatives into runs that fit one block of work."""
    size = max(1, ELEMENTS_AT_ONCE // (len(shared.draws) * max(family.components.size, 1)))
    for first in range(0, n_alternatives, size):
        yield slice(first, first + size)


def _goes_on(family: FamilyLives, shared: Shared, log_odds: Floats, absent: Floats, repair: Floats) -> Floats:
    """Chance that the signs stay away and every component lets the job go on; that the signs stay away.

    ndarray, shape (2, draws, rows), averaged over storage.
    """
    c = family.components
    odds = np.exp(log_odds)
    z = shared.draws[:, COMMON_DIMENSIONS + 2 : COMMON_DIMENSIONS + 3 * c.size : 3]
    fixable = expit(repair[:, :, 0] + repair[:, :, 1] * z[:, None, :])  # (draw, row, c)
    alive = 1.0 - shared.collateral[c] * (1.0 - fixable)
    unshown = np.exp(log_unshown(shared.sign_shows[c], shared.sign_doubt, shared.draws[:, 5], absent))
    not_alone = np.exp(log_not_alone(shared.sign_alone, shared.sign_stored, NODES, absent))  # (node, row)
    chain, any_state = np.ones((2, NODES.size, *log_odds.shape[:2]))
    for i in range(c.size):
        stored = odds[:, :, i] * np.exp(shared.storage_sd * NODES)[:, None, None]
        hidden = stored * unshown[:, :, i]
        stored += 1.0
        any_state *= (1.0 + hidden) / stored
        hidden *= fixable[:, :, i]
        hidden += alive[:, :, i]
        hidden /= stored
        chain *= hidden
    by_node = NODE_WEIGHTS[:, None] * not_alone
    return np.stack([np.einsum("kr,kdr->dr", by_node, table) for table in (chain, any_state)])
