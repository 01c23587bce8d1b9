"""Regressions whose many effects are shrunk towards each other: odds and amounts of thin groups.

One routine serves every rate and every amount that differs by bench, kind, family and component.
Effects come in blocks with a normal prior; how far a block may spread is not known, so a few spreads
are tried and averaged over by their evidence.

Each row may belong to an innermost group, to one nested variable (a maker's level, say), and has a few
dense variables. Innermost groups do not touch each other; nested variables do not either, once the groups
are gone, provided that each group lies within one of them. Both are therefore divided out one by one, and
what is left to factor is as large as the dense variables are many: thousands of groups cost no more than
the few above them.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse import csr_matrix
from scipy.special import betaincinv, betaln, expit

from reliability.errors import InvalidInput

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_COMBINED = 12
"""Combinations of spreads up to which all are tried."""

HYPERCUBE, MOST_ROUNDS = 12, 4
"""Of more, so many stand for all; and how often the best spread of each block is searched."""

WEIGHT_KEPT = 0.01
"""Combinations of spreads with less than this part of the best one's evidence are dropped."""


@dataclass(frozen=True)
class Nested:
    """One variable per family or the like, of which each row has at most one."""

    at: Ints  # (n_rows,): which variable a row has; below 0 none
    n: int  # how many there are
    value: Floats  # (n_rows,): its value in the row

    def times(self, effects: Floats) -> Floats:
        """Sum of value times effect; ndarray, shape (n_rows,)."""
        if self.n == 0:
            return np.zeros(self.at.size)
        return np.where(self.at >= 0, self.value * effects[self.at], 0.0)


class Moments(NamedTuple):
    """Weighted sums of products of the variables of all rows; p dense, k nested variables, m groups."""

    dense: Floats  # (p, p)
    nested: Floats  # (k,)
    nested_dense: Floats  # (k, p)
    inner: Floats  # (m,)
    inner_dense: Floats  # (m, p)
    inner_nested: Floats  # (m,): with the one nested variable that the group lies in


class Score(NamedTuple):
    """Gradient with respect to each set of variables, or another number for each effect of the three sets."""

    dense: Floats
    nested: Floats
    inner: Floats


@dataclass(frozen=True)
class Posterior:
    """Solution of one system, and the inverse of its matrix in pieces."""

    # An inner effect is its mean, less `inner_on_dense` and `inner_on_nested` times what the others are off
    # theirs, plus a deviation of its own; a nested effect likewise with `nested_on_dense`.
    step: Score
    covariance: Floats  # (p, p)
    nested_precision: Floats  # (k,)
    nested_on_dense: Floats  # (k, p)
    inner_precision: Floats  # (m,)
    inner_on_dense: Floats  # (m, p)
    inner_on_nested: Floats  # (m,)
    log_det: float

    def variance(self, dense: Floats) -> Floats:
        """Variance of sums of dense effects; ndarray, shape (n,)."""
        return np.asarray(((dense @ self.covariance) * dense).sum(axis=1))

    def nested_variance(self) -> Floats:
        """Variance of each nested effect; ndarray, shape (k,)."""
        return 1.0 / self.nested_precision + self.variance(self.nested_on_dense)

    def inner_variance(self, within: Ints) -> Floats:
        """Variance of each inner effect; `within` is the nested variable of each; ndarray, shape (m,)."""
        own = 1.0 / self.inner_precision
        if self.nested_precision.size == 0:
            return own + self.variance(self.inner_on_dense)
        on = self.inner_on_nested
        left = self.inner_on_dense - on[:, None] * self.nested_on_dense[within]
        return own + on**2 / self.nested_precision[within] + self.variance(left)


class Rows:
    """Variables of all rows, with the sums that are taken again and again."""

    def __init__(self, dense: Floats, nested: Nested, group: Ints | None, n_groups: int) -> None:
        n = dense.shape[0]  # dense (n, p), group (n,)
        self.dense, self.nested, self.group, self.n_groups = dense, nested, group, n_groups
        has = np.flatnonzero(nested.at >= 0)
        self.of_nested = csr_matrix((nested.value[has], (nested.at[has], has)), shape=(nested.n, n))
        groups = (np.ones(n), (group, np.arange(n))) if group is not None else ((0, n))
        self.of_group = csr_matrix(groups, shape=(n_groups, n))
        self.within = np.zeros(n_groups, dtype=np.int64)
        if group is not None and nested.n:
            self.within[group[has]] = nested.at[has]
            if (self.within[group[has]] != nested.at[has]).any():
                raise InvalidInput("Each innermost group must lie in one nested variable; some lie in two.")

    def linear(self, dense: Floats, nested: Floats, inner: Floats) -> Floats:
        """Sum of all effects in each row."""
        eta = self.dense @ dense + self.nested.times(nested)
        return eta if self.group is None else eta + inner[self.group]

    def moments(self, w: Floats) -> Moments:
        """Weighted sums of products."""
        xw = self.dense * w[:, None]
        value = np.where(self.nested.at >= 0, self.nested.value, 0.0)
        return Moments(
            self.dense.T @ xw,
            _times(self.of_nested, w * value),
            _times(self.of_nested, xw),
            _times(self.of_group, w),
            _times(self.of_group, xw),
            _times(self.of_group, w * value),
        )

    def score(self, slope: Floats) -> Score:
        """Sum each variable times the slope of the log-likelihood of the rows."""
        return Score(self.dense.T @ slope, _times(self.of_nested, slope), _times(self.of_group, slope))

    def solve(self, sums: Moments, score: Score, precision: Score) -> Posterior:
        """Solve for a step, given the prior precision of every effect."""
        p, within = sums.dense.shape[0], self.within
        d = sums.inner + precision.inner
        on_dense, on_nested = sums.inner_dense / d[:, None], sums.inner_nested / d
        schur = sums.dense + np.diag(precision.dense) - sums.inner_dense.T @ on_dense
        g_dense = score.dense - on_dense.T @ score.inner
        nested = sums.nested + precision.nested
        g_nested, nested_dense = score.nested, sums.nested_dense
        if nested.size and d.size:
            to_nested = csr_matrix((on_nested, (within, np.arange(d.size))), shape=(nested.size, d.size))
            nested = nested - _times(to_nested, sums.inner_nested)
            g_nested = g_nested - _times(to_nested, score.inner)
            nested_dense = nested_dense - _times(to_nested, sums.inner_dense)
        nested_on_dense = nested_dense / nested[:, None]
        schur = schur - nested_dense.T @ nested_on_dense
        g_dense = g_dense - nested_on_dense.T @ g_nested
        covariance, d_dense, log_det = np.zeros((0, 0)), np.zeros(0), 0.0
        if p:
            factor = cho_factor(schur)
            covariance, d_dense = cho_solve(factor, np.eye(p)), cho_solve(factor, g_dense)
            log_det = 2 * float(np.log(np.diag(factor[0])).sum())
        d_nested = g_nested / nested - nested_on_dense @ d_dense
        d_inner = score.inner / d - on_dense @ d_dense
        if nested.size and d.size:
            d_inner = d_inner - on_nested * d_nested[within]
        log_det += float(np.log(d).sum()) + float(np.log(nested).sum())
        step = Score(d_dense, d_nested, d_inner)
        return Posterior(step, covariance, nested, nested_on_dense, d, on_dense, on_nested, log_det)


def _times(sparse: csr_matrix, dense: Floats) -> Floats:
    return np.asarray(sparse @ dense)


@dataclass(frozen=True)
class Block:
    """Effects that share one prior."""

    name: str  # for the reader
    # (n_rows, n_effects): value of each effect's variable in each row. At most one block is `Nested`: one
    # effect for each family, say, with all rows of an innermost group in one of them.
    design: Floats | Nested
    sds: tuple[float, ...]  # prior standard deviations to average over; one value is taken as known
    mean: float | Floats = 0.0  # prior mean of the effects


@dataclass(frozen=True)
class Fit:
    """One combination of spreads: posterior of the upper, the nested and the innermost effects."""

    weight: float
    upper: Floats  # (p,): effects of the blocks that are not nested
    nested: Floats  # (k,)
    inner: Floats  # (m,)
    within: Ints  # (m,): nested effect of each innermost group
    posterior: Posterior
    inner_sd: float
    inner_prior: Floats  # (m,): prior variance
    residual_sd: float
    evidence: float = 0.0


def predict_one(fit: Fit, x: Floats, group: Ints, nested: Nested) -> tuple[Floats, Floats, Floats]:
    """Mean, variance and own share of the linear predictor under one fit; see `ShrunkFit.predict`."""
    seen = group >= 0
    at = np.where(seen, group, 0)
    mean, left, said = x @ fit.upper + nested.times(fit.nested), x, fit.posterior
    own, share = np.full(group.size, fit.inner_sd**2), np.zeros(group.size)
    of_nested, value = nested.at, np.where(nested.at >= 0, nested.value, 0.0)
    if fit.inner.size:
        mean = mean + np.where(seen, fit.inner[at], 0.0)
        left = left - np.where(seen[:, None], said.inner_on_dense[at], 0.0)
        own = np.where(seen, 1.0 / said.inner_precision[at], own)
        share = np.where(seen, 1.0 - own / fit.inner_prior[at], 0.0)
        on_nested = np.where(seen, said.inner_on_nested[at], 0.0)
        if ((on_nested != 0) & (of_nested >= 0) & (of_nested != fit.within[at])).any():
            raise InvalidInput("A group was asked for within another nested variable than its rows had.")
        of_nested = np.where(on_nested != 0, fit.within[at], of_nested)
        value = value - on_nested
    variance = own
    if fit.nested.size:
        there = np.maximum(of_nested, 0)
        left = left - value[:, None] * said.nested_on_dense[there]
        variance = variance + value**2 / said.nested_precision[there]
    return mean, variance + said.variance(left), share


class Model:
    """The rows of one regression, and its fit for one combination of spreads."""

    def __init__(
        self,
        y: Floats,
        n: Floats,
        blocks: Sequence[Block],
        inner: ArrayLike | None,
        n_inner: int | None,
        offset: ArrayLike,
        residual: tuple[float, float] | None,
        inner_extra: ArrayLike = 0.0,
    ) -> None:
        self.y, self.n, self.residual = y, n, residual
        nested = [b.design for b in blocks if isinstance(b.design, Nested)]
        if len(nested) > 1:
            raise InvalidInput(f"At most one block may be nested; {len(nested)} are.")
        self.is_nested = [isinstance(b.design, Nested) for b in blocks]
        dense = [np.asarray(b.design, float) for b in blocks if not isinstance(b.design, Nested)]
        self.sizes = [b.design.n if isinstance(b.design, Nested) else np.shape(b.design)[1] for b in blocks]
        group = None if inner is None else np.asarray(inner, np.int64)
        n_groups = 0 if group is None else max(n_inner or 0, int(group.max(initial=-1)) + 1)
        self.rows = Rows(
            np.hstack(dense) if dense else np.zeros((y.size, 0)),
            nested[0] if nested else Nested(np.full(y.size, -1), 0, np.zeros(y.size)),
            group,
            n_groups,
        )
        self.prior_mean = self._by_set([np.asarray(b.mean, float) for b in blocks], np.zeros(n_groups))
        self.inner_extra = np.broadcast_to(np.asarray(inner_extra, float), (n_groups,))
        self.offset = np.broadcast_to(np.asarray(offset, float), y.shape)
        self._sums: Moments | None = None
        self.start = self.prior_mean  # the next combination of spreads has its best effects nearby

    def _by_set(self, values: Sequence[Floats], inner: Floats) -> Score:
        """Spread one value or array per block over the dense and the nested effects."""
        wide = [np.broadcast_to(v, (k,)) for v, k in zip(values, self.sizes, strict=True)]
        dense = [v for v, is_nested in zip(wide, self.is_nested, strict=True) if not is_nested]
        nested = [v for v, is_nested in zip(wide, self.is_nested, strict=True) if is_nested]
        return Score(np.concatenate([*dense, np.zeros(0)]), np.concatenate([*nested, np.zeros(0)]), inner)

    def fit(self, sds: Sequence[float], inner_sd: float) -> Fit:
        """Posterior for the given prior spreads, with its approximate log evidence."""
        prior = inner_sd**2 + self.inner_extra
        precision = self._by_set([np.asarray(s**-2.0) for s in sds], 1.0 / prior)
        search = self._logit if self.residual is None else self._amount
        return search(precision, inner_sd)

    def _linear(self, at: Score) -> Floats:
        return self.offset + self.rows.linear(at.dense, at.nested, at.inner)

    def _logit(self, precision: Score, inner_sd: float) -> Fit:
        at = self.start

        def objective(eta: Floats, at: Score) -> float:
            fit = float(self.y @ eta - self.n @ np.logaddexp(0.0, eta))
            return fit - 0.5 * self._penalty(at, precision)

        def newton(eta: Floats, at: Score) -> Posterior:
            p = expit(eta)
            score = self.rows.score(self.y - self.n * p)
            parts = zip(score, precision, at, self.prior_mean, strict=True)
            pull = Score(*(g - q * (a - m) for g, q, a, m in parts))
            return self.rows.solve(self.rows.moments(self.n * p * (1 - p)), pull, precision)

        eta = self._linear(at)
        value = objective(eta, at)
        for _ in range(60):
            step, length = newton(eta, at).step, 1.0
            while True:
                trial = Score(*(a + length * by for a, by in zip(at, step, strict=True)))
                new_eta = self._linear(trial)
                new = objective(new_eta, trial)
                if new >= value - 1e-12 or length < 1e-6:
                    break
                length /= 2
            gained, at, eta, value = new - value, trial, new_eta, new
            if gained < 1e-10:
                break
        self.start = at
        return self._finish(at, newton(eta, at), precision, inner_sd, np.nan, value)

    def _amount(self, precision: Score, inner_sd: float) -> Fit:
        assert self.residual is not None
        usual_sd, worth = self.residual
        variance = usual_sd**2
        if self._sums is None:
            self._sums = self.rows.moments(self.n)
        gap = self.rows.score(self.n * (self.y - self._linear(self.prior_mean)))
        for _ in range(30):
            pull = Score(*(part / variance for part in gap))
            solved = self.rows.solve(Moments(*(part / variance for part in self._sums)), pull, precision)
            at = Score(*(m + by for m, by in zip(self.prior_mean, solved.step, strict=True)))
            left = self.y - self._linear(at)
            # An EM step: the expected residual sum of squares, with the prior as so many observations.
            rss = float(self.n @ left**2) + variance * self._used(solved, precision)
            new = (rss + worth * usual_sd**2) / (self.y.size + worth)
            done, variance = abs(new - variance) < 1e-8 * variance, new
            if done:
                break
        value = -0.5 * float(self.n @ left**2) / variance - 0.5 * (self.y.size + worth) * np.log(variance)
        value -= 0.5 * worth * usual_sd**2 / variance + 0.5 * self._penalty(at, precision)
        return self._finish(at, solved, precision, inner_sd, float(np.sqrt(variance)), value)

    def _finish(
        self, at: Score, solved: Posterior, precision: Score, inner_sd: float, residual: float, value: float
    ) -> Fit:
        """Put a fit together; Laplace's approximation adds the volume of the posterior to its height."""
        evidence = value + 0.5 * (sum(float(np.log(part).sum()) for part in precision) - solved.log_det)
        prior, within = 1.0 / precision.inner, self.rows.within
        return Fit(1.0, *at, within, solved, inner_sd, prior, residual, evidence)

    def _used(self, solved: Posterior, precision: Score) -> float:
        """Effective number of effects that the rows determine."""
        known = sum(self.sizes) - float(precision.dense @ np.diag(solved.covariance))
        if precision.nested.size:
            known -= float(precision.nested @ solved.nested_variance())
        if precision.inner.size:
            known += precision.inner.size - float(precision.inner @ solved.inner_variance(self.rows.within))
        return known

    def _penalty(self, at: Score, precision: Score) -> float:
        return sum(float(q @ (a - m) ** 2) for q, a, m in zip(precision, at, self.prior_mean, strict=True))


@dataclass(frozen=True)
class ShrunkFit:
    """Posterior of a regression with shrunk effects."""

    # number of effects in the blocks that are not nested, in the one that is, and of innermost groups
    n_upper: int
    n_nested: int
    n_inner: int
    residual_sd: float  # spread of single amounts around their mean; NaN for odds
    fits: tuple[Fit, ...] = field(repr=False)
    told: Ints | None = None  # the groups that the fits hold, ascending; all if not given

    def predict(
        self, design: ArrayLike, inner: ArrayLike = -1, nested: Nested | None = None
    ) -> tuple[Floats, Floats, Floats]:
        """Posterior of the linear predictor."""
        # `design` (n, n_upper): values of the upper variables, those of a nested block left out; `inner`
        # (n,): innermost group of each row; -1 is a group that has not been seen; `nested`: values of the
        # variables of the nested block; none if not given.
        # Gives `mean, sd, weight_of_data` (n,): `weight_of_data` is the share of the answer that the group's
        # own records carry (0 to 1).
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
        if self.told is not None:
            group = np.where(np.isin(group, self.told), np.searchsorted(self.told, group), -1)
        each = [predict_one(fit, x, group, nested) for fit in self.fits]
        share = sum(fit.weight * s for fit, (_, _, s) in zip(self.fits, each, strict=True))
        return *self._averaged([m for m, _, _ in each], [v for _, v, _ in each]), np.asarray(share)

    def effects(self, design: ArrayLike) -> tuple[Floats, Floats]:
        """Posterior mean and standard deviation of sums of upper effects alone; `design` as in `predict`."""
        x = np.atleast_2d(np.asarray(design, float))
        return self._averaged([x @ f.upper for f in self.fits], [f.posterior.variance(x) for f in self.fits])

    def _averaged(self, means: list[Floats], variances: list[Floats]) -> tuple[Floats, Floats]:
        weight = np.array([fit.weight for fit in self.fits])
        mean = weight @ np.stack(means)
        second = weight @ (np.stack(variances) + np.square(means))
        return mean, np.sqrt(np.maximum(second - mean**2, 0.0))


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
    """Fit log odds with shrunk effects; counts may be fractions of a trial."""
    # `successes, trials` (n_rows,): ``0 <= successes <= trials``; `blocks`: upper effects; `inner` (n_rows,):
    # innermost group of each row; `n_inner`: how many innermost groups there are, those without rows
    # included; `inner_sds`: spreads of the innermost groups to average over; `offset` (n_rows,): part of the
    # log odds that is known; `inner_extra` (n_inner,): prior variance of each innermost group beyond the
    # common one.
    # Laplace's approximation around the penalised maximum, once for every combination of spreads;
    # combinations are weighed by their approximate evidence.
    # Source: L. Tierney, J. B. Kadane, "Accurate approximations for posterior moments and marginal
    # densities", JASA 81 (1986) 82-86.
    y, n = np.asarray(successes, float), np.asarray(trials, float)
    if y.size == 0 or ((y < 0) | (y > n)).any():
        raise InvalidInput(
            f"Successes must lie between 0 and trials in at least one row; {y.size} rows were given, "
            f"{int(((y < 0) | (y > n)).sum())} of them break this."
        )
    model = Model(y, n, blocks, inner, n_inner, offset, None, inner_extra)
    return _average(model, blocks, inner_sds if inner is not None else (0.0,))


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
    """Fit amounts (or their logarithms) with shrunk effects and an unknown residual spread."""
    # `amounts` (n_rows,): what was observed; may be empty, then the priors answer alone; `blocks, inner,
    # n_inner, inner_sds`: as in `fit_shrunk_logit`; `weights` (n_rows,): how many observations each row is
    # worth, > 0; `usual_sd, usual_sd_worth`: residual spread believed beforehand, and the number of
    # observations that this belief is worth.
    y = np.asarray(amounts, float)
    if not np.isfinite(y).all():
        raise InvalidInput(f"Amounts must be finite; {int((~np.isfinite(y)).sum())} of {y.size} are not.")
    w = np.broadcast_to(np.asarray(weights, float), y.shape)
    if inner is None:
        return _average(Model(y, w, blocks, None, None, 0.0, (usual_sd, usual_sd_worth)), blocks, (0.0,))
    # Groups without a row stay as they were believed to be, which is what a group not seen is given.
    told, place = np.unique(np.asarray(inner, np.int64), return_inverse=True)
    model = Model(y, w, blocks, place, None, 0.0, (usual_sd, usual_sd_worth))
    fit = _average(model, blocks, inner_sds)
    return replace(fit, n_inner=max(n_inner or 0, int(told.max(initial=-1)) + 1), told=told)


def _average(model: Model, blocks: Sequence[Block], inner_sds: Sequence[float]) -> ShrunkFit:
    choices = [tuple(b.sds) for b in blocks] + [tuple(inner_sds)]
    seen: dict[tuple[int, ...], Fit] = {}

    def fit(index: Sequence[int]) -> Fit:
        key = tuple(index)
        if key not in seen:
            sds = [c[i] for c, i in zip(choices, key, strict=True)]
            seen[key] = model.fit(sds[:-1], sds[-1])
        return seen[key]

    sizes = [len(c) for c in choices]
    if math.prod(sizes) <= MOST_COMBINED:
        fits = [fit(index) for index in np.ndindex(*sizes)]
        weight = _relative(fits)
    else:
        fits = [fit(index) for index in _likely(sizes, fit)]
        weight = np.ones(len(fits))
    kept = [(w, f) for w, f in zip(weight, fits, strict=True) if w >= WEIGHT_KEPT]
    total = sum(w for w, _ in kept)
    averaged = tuple(replace(f, weight=w / total) for w, f in kept)
    spread = float(np.sqrt(sum(f.weight * f.residual_sd**2 for f in averaged)))
    rows = model.rows
    return ShrunkFit(rows.dense.shape[1], rows.nested.n, rows.n_groups, spread, averaged)


def _relative(fits: Sequence[Fit]) -> Floats:
    """Evidence of each fit over that of the best."""
    evidence = np.array([f.evidence for f in fits])
    return np.asarray(np.exp(evidence - evidence.max()))


def _likely(sizes: Sequence[int], fit: Callable[[Sequence[int]], Fit]) -> NDArray[np.int64]:
    """Choose combinations that stand for all: each spread as often as it is likely."""
    # The best spread of each block is searched in turn. How likely the others are is then read off one block
    # at a time, the rest at their best, and the combinations are a Latin hypercube of these distributions.
    at = [size // 2 for size in sizes]
    ways = [[[*at[:b], i, *at[b + 1 :]] for i in range(size)] for b, size in enumerate(sizes)]
    for _ in range(MOST_ROUNDS):
        before = list(at)
        for block, size in enumerate(sizes):
            ways[block] = [[*at[:block], i, *at[block + 1 :]] for i in range(size)]
            at = max(ways[block], key=lambda index: fit(index).evidence)
        if at == before:
            break
    rng, places = np.random.default_rng(0), (np.arange(HYPERCUBE) + 0.5) / HYPERCUBE
    columns = []
    for some in ways:
        share = np.cumsum(_relative([fit(index) for index in some]))
        columns.append(rng.permutation(np.searchsorted(share / share[-1], places)))
    return np.stack(columns, axis=1)


# ---- Shares of small counts: one share with its interval, and many shares drawn towards each other


def share_interval(successes: ArrayLike, trials: ArrayLike, *, level: float = 0.90) -> tuple[Floats, Floats]:
    """Equal tails of the Beta(1/2, 1/2) posterior of a share: low and high, each of the shape (n,)."""
    # 0 and 1 where nothing, or everything, succeeded. Source: L. D. Brown, T. T. Cai, A. DasGupta, "Interval
    # estimation for a binomial proportion", Statistical Science 16 (2001) 101-133.
    k, n = np.asarray(successes, float), np.asarray(trials, float)
    bad = (k < 0) | (k > n)
    if np.any(bad):
        raise InvalidInput(f"Successes must lie between 0 and trials; {int(np.sum(bad))} of {k.size} do not.")
    tail = (1.0 - level) / 2.0
    low, high = (betaincinv(k + 0.5, n - k + 0.5, at) for at in (tail, 1.0 - tail))
    return np.where(k == 0, 0.0, low), np.where(k == n, 1.0, high)


def beta_binomial_log_likelihood(a: ArrayLike, b: ArrayLike, successes: Floats, trials: Floats) -> Floats:
    """Log-likelihood of groups whose shares vary as Beta(a, b), binomial constants left out."""
    # a, b: any shape, > 0; successes, trials (n_groups,).
    a, b = np.asarray(a, float)[..., None], np.asarray(b, float)[..., None]
    return (betaln(a + successes, b + trials - successes) - betaln(a, b)).sum(axis=-1)


def shrunk_shares(successes: ArrayLike, trials: ArrayLike, *, usual: float, usual_worth: float) -> Floats:
    """Draw the shares of many groups towards their common mean, as far as the groups are alike."""
    # `successes, trials` (n_groups,): counts; a group without trials gets the common mean; `usual`: common
    # mean believed beforehand, between 0 and 1; `usual_worth`: how many trials that belief is worth, > 0.
    # Gives (n_groups,): posterior means, strictly inside (0, 1).
    # Beta-binomial model on a grid of mean and size (how many trials the common mean is worth to one group, 2
    # to 300, log-uniform), averaged over and not plugged in.
    if not 0.0 < usual < 1.0:
        raise InvalidInput(f"`usual` must lie between 0 and 1, both excluded; got {usual!r}.")
    k, n = np.asarray(successes, float), np.asarray(trials, float)
    mean = betaincinv(usual * usual_worth, (1 - usual) * usual_worth, (np.arange(40) + 0.5) / 40)
    mean = np.clip(mean, 1e-6, 1 - 1e-6)
    size = np.geomspace(2.0, 300.0, 16)
    a, b = mean[:, None] * size, (1 - mean[:, None]) * size
    weight = beta_binomial_log_likelihood(a, b, k, n)
    weight = np.exp(weight - weight.max())
    weight /= weight.sum()
    posterior = (a[..., None] + k) / (size[:, None] + n)
    return (weight[..., None] * posterior).sum(axis=(0, 1))
