"""Likelihoods of many families at once, at the nodes of their lattices of log scale and log shape."""

from collections.abc import Iterator

import numpy as np

from reliability.life.life_records import FloatArray, IntArray
from reliability.life.pooling_records import Pile, Rows

ELEMENTS_AT_ONCE = 250_000
"""Numbers held in one block of work: about what a processor keeps near by."""

NEVER, CERTAIN = -340.0, 40.0
"""Log hazards are cut to these: no failure ever, certain failure; nothing under- or overflows between."""

SMALLEST = 1e-300
"""Stands for a probability of zero under a logarithm."""


def log_likelihood(rows: Rows, log_scale: FloatArray, log_shape: FloatArray, slope: float) -> FloatArray:
    """Log-likelihood of each family's records at the nodes of its lattice.

    Parameters
    ----------
    rows : Rows
        Records of F families.
    log_scale : ndarray, shape (F, I, 1) or (F, I, J)
        Log years, for units of the family's mean production year.
    log_shape : ndarray, shape (F, J)
    slope : float
        Change of log scale per decade of production year.

    Returns
    -------
    ndarray of float64, shape (F, I, J)

    Notes
    -----
    With a reference age r of the family, (t / scale)^shape = (t / r)^shape (r / scale)^shape. The second
    factor is one table per family and the first knows no scale, so that sound records cost next to
    nothing and the others no power of their own at each node.
    """
    n_nodes = (log_scale.shape[1], log_shape.shape[1])
    total = np.zeros((log_shape.shape[0], *n_nodes))
    reference = _greatest_age(rows, total.shape[0])
    for first, last in _blocks(rows.sizes(total.shape[0]), n_nodes[0] * n_nodes[1]):
        at = slice(first, last)
        hazards = _Hazards(rows.part(first, last), log_scale[at], log_shape[at], reference[at], slope)
        total[at] = hazards.log_likelihood()
    return total


def _blocks(sizes: IntArray, n_nodes: int) -> Iterator[tuple[int, int]]:
    """Split the families into runs whose rows, times the nodes, fit one block of work."""
    work = np.cumsum(np.maximum(sizes, 1)) * n_nodes
    first = 0
    while first < sizes.size:
        done = work[first - 1] if first else 0
        last = max(int(np.searchsorted(work, done + ELEMENTS_AT_ONCE)), first + 1)
        yield first, last
        first = last


class _Hazards:
    """Cumulative hazards of one block of families."""

    def __init__(
        self, rows: Rows, log_scale: FloatArray, log_shape: FloatArray, reference: FloatArray, slope: float
    ) -> None:
        self.rows, self.slope, self.reference = rows, slope, reference
        self.log_shape, self.shape = log_shape, np.exp(log_shape)
        exponent = self.shape[:, None, :] * (reference[:, None, None] - log_scale)
        self.log_table = np.clip(exponent, NEVER, CERTAIN)
        self.minus_table = -np.exp(self.log_table)

    def log_likelihood(self) -> FloatArray:
        """Sum over the records of each family; ndarray of float64, shape (F, I, J)."""
        single = self.rows.single
        sound = single["right"]
        relative = self._relative(sound, sound.log_lower)
        total = self.minus_table * _per_family(sound, sound.count, relative, len(self.shape))[:, None, :]
        for sort, terms in (("left", self._left), ("interval", self._interval), ("exact", self._exact)):
            pile = single[sort]
            if pile.family.size:
                total += _per_family(pile, pile.count, terms(pile), len(self.shape))
        if self.rows.start.size:
            total += self._mixtures()
        return total

    def _relative(self, pile: Pile, log_age: FloatArray) -> FloatArray:
        """Hazard at an age relative to that at the reference age; ndarray, shape (n_rows, J)."""
        distance = log_age - self.slope * pile.offset - self.reference[pile.family]
        return np.exp(np.clip(self.shape[pile.family] * distance[:, None], NEVER, CERTAIN))

    def _minus(self, pile: Pile, log_age: FloatArray) -> FloatArray:
        """Cumulative hazard at an age, times -1; ndarray, shape (n_rows, I, J)."""
        hazard = self.minus_table[pile.family]
        hazard *= self._relative(pile, log_age)[:, None, :]
        return hazard

    def _failed(self, pile: Pile) -> FloatArray:
        terms = self._minus(pile, pile.log_upper)  # this is where the time goes: no further copy
        np.expm1(terms, out=terms)
        return np.negative(terms, out=terms)

    def _survived(self, pile: Pile) -> FloatArray:
        terms = self._minus(pile, pile.log_lower)
        return np.exp(terms, out=terms)

    def _between(self, pile: Pile) -> FloatArray:
        lower, upper = self._minus(pile, pile.log_lower), self._minus(pile, pile.log_upper)
        return np.exp(lower) * -np.expm1(upper - lower)

    def _left(self, pile: Pile) -> FloatArray:
        terms = self._failed(pile)
        return np.log(terms, out=terms)

    def _interval(self, pile: Pile) -> FloatArray:
        # log(exp(-a) - exp(-b)) = -a + log(1 - exp(a - b)) stays finite where both survivals vanish.
        lower, upper = self._minus(pile, pile.log_lower), self._minus(pile, pile.log_upper)
        return lower + np.log(np.maximum(-np.expm1(upper - lower), SMALLEST))

    def _exact(self, pile: Pile) -> FloatArray:
        # Density shape / t * hazard * exp(-hazard).
        distance = pile.log_lower - self.slope * pile.offset - self.reference[pile.family]
        log_relative = self.shape[pile.family] * distance[:, None]
        log_hazard = self.log_table[pile.family] + log_relative[:, None, :]
        constant = self.log_shape[pile.family] - pile.log_lower[:, None]
        return constant[:, None, :] + log_hazard - np.exp(np.minimum(log_hazard, CERTAIN))

    def _mixtures(self) -> FloatArray:
        """Alternatives are added with their weights before the logarithm is taken."""
        pile, start = self.rows.mixed, self.rows.start
        never, always = np.isneginf(pile.log_lower), np.isposinf(pile.log_upper)
        exact = pile.log_lower == pile.log_upper
        likelihood = np.empty((never.size, *self.minus_table.shape[1:]))
        # Most records have one bound only, and need half the exponentials.
        for rows, chances in (
            (never & ~always, self._failed),
            (always & ~never, self._survived),
            (~never & ~always & ~exact, self._between),
            (exact, lambda part: np.exp(self._exact(part))),
            (never & always, lambda part: 1.0),
        ):
            if rows.any():
                likelihood[rows] = chances(pile.take(rows, pile.family[rows]))
        likelihood *= self.rows.weight[:, None, None]
        record = pile.take(start, pile.family[start])
        terms = np.log(np.maximum(np.add.reduceat(likelihood, start), SMALLEST))
        return _per_family(record, record.count, terms, len(self.shape))


def _per_family(pile: Pile, count: FloatArray, terms: FloatArray, n_families: int) -> FloatArray:
    """Sum of count times term over the rows of each family; shape (n_families, ...)."""
    total = np.zeros((n_families, *terms.shape[1:]))
    if pile.family.size:
        if np.any(count != 1):
            terms *= count.reshape(-1, *[1] * (terms.ndim - 1))
        start = np.flatnonzero(np.append(True, pile.family[1:] != pile.family[:-1]))
        total[pile.family[start]] = np.add.reduceat(terms, start)
    return total


def _greatest_age(rows: Rows, n_families: int) -> FloatArray:
    """Greatest finite log age among each family's records; ndarray of float64, shape (n_families,)."""
    top = np.full(n_families, -np.inf)
    for pile in (*rows.single.values(), rows.mixed):
        for bound in (pile.log_lower, pile.log_upper):
            np.maximum.at(top, pile.family, np.where(np.isfinite(bound), bound, -np.inf))
    return np.where(np.isfinite(top), top, 0.0)
