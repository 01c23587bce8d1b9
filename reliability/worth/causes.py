"""What the signs of a unit say of its components: all causes of what was seen weighed together.

Everything here is a plain function of numbers that were fitted before; the pocket card goes through the
same steps in a browser, so a change here is a change there.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

Floats = NDArray[np.float64]

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

    Returns
    -------
    SignTerms

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
