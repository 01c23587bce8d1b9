"""One regression with shrunk effects for one choice of their spreads: how the best effects are found."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit

from reliability.errors import InvalidInput
from reliability.worth.shrink_solve import Moments, Nested, Posterior, Rows, Score

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Block:
    """Effects that share one prior.

    Parameters
    ----------
    name : str
        For messages.
    design : array_like, shape (n_rows, n_effects), or Nested
        Value of each effect's variable in each row. At most one block is `Nested`: one effect for each
        family, say, however many families there are, with all rows of an innermost group in one of them.
    sds : sequence of float
        Prior standard deviations to average over; one value is taken as known.
    mean : float or array_like, shape (n_effects,)
        Prior mean of the effects.
    """

    name: str
    design: Floats | Nested
    sds: tuple[float, ...]
    mean: float | Floats = 0.0


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

    @property
    def n_effects(self) -> int:
        """Effects of all blocks."""
        return sum(self.sizes)

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
        at = self.prior_mean

        def objective(eta: Floats, at: Score) -> float:
            fit = float(self.y @ eta - self.n @ np.logaddexp(0.0, eta))
            return fit - 0.5 * self._penalty(at, precision)

        def newton(eta: Floats, at: Score) -> Posterior:
            p = expit(eta)
            score = self.rows.score(self.y - self.n * p)
            pull = _combine(lambda g, q, a, m: g - q * (a - m), score, precision, at, self.prior_mean)
            return self.rows.solve(self.rows.moments(self.n * p * (1 - p)), pull, precision)

        eta = self._linear(at)
        value = objective(eta, at)
        for _ in range(60):
            step, length = newton(eta, at).step, 1.0
            while True:
                trial = _combine(lambda a, s, by=length: a + by * s, at, step)
                new_eta = self._linear(trial)
                new = objective(new_eta, trial)
                if new >= value - 1e-12 or length < 1e-6:
                    break
                length /= 2
            gained, at, eta, value = new - value, trial, new_eta, new
            if gained < 1e-10:
                break
        return self._finish(at, newton(eta, at), precision, inner_sd, np.nan, value)

    def _amount(self, precision: Score, inner_sd: float) -> Fit:
        assert self.residual is not None
        usual_sd, worth = self.residual
        variance = usual_sd**2
        if self._sums is None:
            self._sums = self.rows.moments(self.n)
        gap = self.rows.score(self.n * (self.y - self._linear(self.prior_mean)))
        for _ in range(30):
            pull = _combine(lambda g, v=variance: g / v, gap)
            solved = self.rows.solve(self._sums.scaled(1.0 / variance), pull, precision)
            at = _combine(lambda m, s: m + s, self.prior_mean, solved.step)
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
        volume = sum(float(np.log(part).sum()) for part in _parts(precision)) - solved.log_det
        prior = 1.0 / precision.inner
        return Fit(
            1.0,
            at.dense,
            at.nested,
            at.inner,
            self.rows.within,
            solved,
            inner_sd,
            prior,
            residual,
            value + 0.5 * volume,
        )

    def _used(self, solved: Posterior, precision: Score) -> float:
        """Effective number of effects that the rows determine."""
        known = self.n_effects - float(precision.dense @ np.diag(solved.covariance))
        if precision.nested.size:
            known -= float(precision.nested @ solved.nested_variance())
        if precision.inner.size:
            known += precision.inner.size - float(precision.inner @ solved.inner_variance(self.rows.within))
        return known

    def _penalty(self, at: Score, precision: Score) -> float:
        off = _combine(lambda a, m: a - m, at, self.prior_mean)
        return sum(float(q @ o**2) for q, o in zip(_parts(precision), _parts(off), strict=True))


def _parts(of: Score) -> tuple[Floats, Floats, Floats]:
    return of.dense, of.nested, of.inner


def _combine(rule: Callable[..., Floats], *of: Score) -> Score:
    return Score(*(rule(*parts) for parts in zip(*map(_parts, of), strict=True)))
