"""States of knowledge: the fixed points under which every unit is judged."""

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

Floats = NDArray[np.float64]

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
