"""Regressions whose many effects are drawn towards each other: odds and amounts of thin groups.

One routine serves every rate and every amount that differs by bench, kind, family and component.
Effects come in blocks with a normal prior; how far a block may spread is not known, so a few spreads
are tried and averaged over by their evidence. The innermost grouping (families, or family x component)
and one block of effects that the groups lie in are eliminated by hand, so that thousands of groups
cost no more than the few effects above them.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import product

import numpy as np
from numpy.typing import ArrayLike

from reliability.errors import InvalidInput
from reliability.worth.shrink_model import Block, Fit, Floats, Model, predict_one
from reliability.worth.shrink_solve import Nested

MOST_WORK = 1e9
"""Multiplications (combinations of spreads x rows, or effects if they are more, x effects squared) above
which the spreads are searched one block at a time: a second or two, and records enough to tell them."""

WEIGHT_KEPT = 0.01
"""Combinations of spreads with less than this part of the best one's evidence are dropped."""


@dataclass(frozen=True)
class ShrunkFit:
    """Posterior of a regression with shrunk effects.

    Attributes
    ----------
    n_upper, n_nested, n_inner : int
        Number of effects in the blocks that are not nested, in the one that is, and of innermost groups.
    residual_sd : float
        Spread of single amounts around their mean; NaN for odds.
    """

    n_upper: int
    n_nested: int
    n_inner: int
    residual_sd: float
    fits: tuple[Fit, ...] = field(repr=False)

    def predict(
        self, design: ArrayLike, inner: ArrayLike = -1, nested: Nested | None = None
    ) -> tuple[Floats, Floats, Floats]:
        """Posterior of the linear predictor.

        Parameters
        ----------
        design : array_like, shape (n, n_upper)
            Values of the upper variables, those of a nested block left out.
        inner : array_like of int, shape (n,) or scalar
            Innermost group of each row; -1 is a group that has not been seen.
        nested : Nested, optional
            Values of the variables of the nested block; none if not given.

        Returns
        -------
        mean, sd, weight_of_data : ndarray, shape (n,)
            `weight_of_data` is the share of the answer that the group's own records carry (0 to 1).
        """
        x = np.atleast_2d(np.asarray(design, float))
        group = np.broadcast_to(np.asarray(inner, np.int64), (x.shape[0],))
        if x.shape[1] != self.n_upper or group.max(initial=-1) >= self.n_inner:
            raise InvalidInput(
                f"This fit has {self.n_upper} upper effects and {self.n_inner} groups; the rows to "
                f"predict have {x.shape[1]} columns and groups up to {group.max(initial=-1)}."
            )
        if nested is None:
            nested = Nested(np.full(x.shape[0], -1), self.n_nested, np.zeros(x.shape[0]))
        if nested.n != self.n_nested or nested.at.shape != group.shape:
            raise InvalidInput(
                f"This fit has {self.n_nested} nested effects, for {group.size} rows to predict; it was "
                f"given {nested.n} for {nested.at.size}."
            )
        mean, second, share = (np.zeros(x.shape[0]) for _ in range(3))
        for fit in self.fits:
            m, v, s = predict_one(fit, x, group, nested)
            mean += fit.weight * m
            second += fit.weight * (v + m**2)
            share += fit.weight * s
        return mean, np.sqrt(np.maximum(second - mean**2, 0.0)), share


def fit_shrunk_logit(
    successes: ArrayLike,
    trials: ArrayLike,
    blocks: Sequence[Block],
    *,
    inner: ArrayLike | None = None,
    n_inner: int | None = None,
    inner_sds: Sequence[float] = (0.5,),
    offset: ArrayLike = 0.0,
    inner_extra: ArrayLike = 0.0,
) -> ShrunkFit:
    """Fit log odds with shrunk effects; counts may be fractions of a trial.

    Parameters
    ----------
    successes, trials : array_like, shape (n_rows,)
        ``0 <= successes <= trials``.
    blocks : sequence of Block
        Upper effects.
    inner : array_like of int, shape (n_rows,), optional
        Innermost group of each row.
    n_inner : int, optional
        How many innermost groups there are, those without rows included.
    inner_sds : sequence of float
        Spreads of the innermost groups to average over.
    offset : array_like, shape (n_rows,)
        Part of the log odds that is known.
    inner_extra : array_like, shape (n_inner,) or scalar
        Prior variance of each innermost group beyond the common one.

    Returns
    -------
    ShrunkFit

    Raises
    ------
    InvalidInput
        If there are no rows, or successes exceed trials.

    Notes
    -----
    Laplace's approximation around the penalised maximum [1]_, once for every combination of spreads;
    combinations are weighed by their approximate evidence.

    References
    ----------
    .. [1] L. Tierney, J. B. Kadane, "Accurate approximations for posterior moments and marginal
       densities", *JASA* 81 (1986) 82-86.
    """
    y, n = np.asarray(successes, float), np.asarray(trials, float)
    if y.size == 0 or ((y < 0) | (y > n)).any():
        raise InvalidInput(
            f"Successes must lie between 0 and trials in at least one row; {y.size} rows were given, "
            f"{int(((y < 0) | (y > n)).sum())} of them break this."
        )
    model = Model(y, n, blocks, inner, n_inner, offset, None, inner_extra)
    return _average(model, blocks, inner_sds if inner is not None else (1.0,))


def fit_shrunk_amount(
    amounts: ArrayLike,
    blocks: Sequence[Block],
    *,
    inner: ArrayLike | None = None,
    n_inner: int | None = None,
    inner_sds: Sequence[float] = (0.2,),
    weights: ArrayLike = 1.0,
    usual_sd: float = 0.25,
    usual_sd_worth: float = 4.0,
) -> ShrunkFit:
    """Fit amounts (or their logarithms) with shrunk effects and an unknown residual spread.

    Parameters
    ----------
    amounts : array_like, shape (n_rows,)
        What was observed; may be empty, then the priors answer alone.
    blocks, inner, n_inner, inner_sds
        As in `fit_shrunk_logit`.
    weights : array_like, shape (n_rows,)
        How many observations each row is worth, > 0.
    usual_sd, usual_sd_worth : float
        Residual spread believed beforehand, and the number of observations that this belief is worth.

    Returns
    -------
    ShrunkFit

    Raises
    ------
    InvalidInput
        If an amount is not finite.
    """
    y = np.asarray(amounts, float)
    if not np.isfinite(y).all():
        raise InvalidInput(f"Amounts must be finite; {int((~np.isfinite(y)).sum())} of {y.size} are not.")
    w = np.broadcast_to(np.asarray(weights, float), y.shape)
    model = Model(y, w, blocks, inner, n_inner, 0.0, (usual_sd, usual_sd_worth))
    return _average(model, blocks, inner_sds if inner is not None else (1.0,))


def _average(model: Model, blocks: Sequence[Block], inner_sds: Sequence[float]) -> ShrunkFit:
    choices = [tuple(b.sds) for b in blocks] + [tuple(inner_sds)]
    by_combination = max(model.y.size, model.n_effects) * model.n_effects**2
    if math.prod(map(len, choices)) * by_combination <= MOST_WORK:
        fits = [model.fit(combo[:-1], combo[-1]) for combo in product(*choices)]
    else:
        fits = _one_block_at_a_time(model, choices)
    evidence = np.array([f.evidence for f in fits])
    weight = np.exp(evidence - evidence.max())
    kept = [(w, f) for w, f in zip(weight, fits, strict=True) if w >= WEIGHT_KEPT]
    total = sum(w for w, _ in kept)
    averaged = tuple(replace(f, weight=w / total) for w, f in kept)
    spread = float(np.sqrt(sum(f.weight * f.residual_sd**2 for f in averaged)))
    rows = model.rows
    return ShrunkFit(rows.dense.shape[1], rows.nested.n, rows.n_groups, spread, averaged)


def _one_block_at_a_time(model: Model, choices: list[tuple[float, ...]]) -> list[Fit]:
    """Best spread of each block in turn, twice round: with many groups the evidence is sharp anyway."""
    at = [len(c) // 2 for c in choices]
    seen: dict[tuple[int, ...], Fit] = {}

    def fit(index: list[int]) -> Fit:
        key = tuple(index)
        if key not in seen:
            sds = [c[i] for c, i in zip(choices, key, strict=True)]
            seen[key] = model.fit(sds[:-1], sds[-1])
        return seen[key]

    for _ in range(2):
        for block, options in enumerate(choices):
            trials = [[*at[:block], i, *at[block + 1 :]] for i in range(len(options))]
            at = max(trials, key=lambda index: fit(index).evidence)
    return [fit(at)]
