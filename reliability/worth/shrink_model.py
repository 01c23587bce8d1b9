"""One regression with shrunk effects for one choice of their spreads: the linear algebra of `shrink`."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.special import expit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Block:
    """Effects that share one prior.

    Parameters
    ----------
    name : str
        For messages.
    design : array_like, shape (n_rows, n_effects)
        Value of each effect's variable in each row.
    sds : sequence of float
        Prior standard deviations to average over; one value is taken as known.
    mean : float or array_like, shape (n_effects,)
        Prior mean of the effects.
    """

    name: str
    design: Floats
    sds: tuple[float, ...]
    mean: float | Floats = 0.0


@dataclass(frozen=True)
class Fit:
    """One combination of spreads: posterior of the upper effects and of the innermost groups."""

    weight: float
    upper: Floats  # (p,)
    covariance: Floats  # (p, p)
    inner: Floats  # (m,)
    inner_precision: Floats  # (m,)
    inner_on_upper: Floats  # (m, p): how an inner effect answers to the upper ones
    inner_sd: float
    inner_prior: Floats  # (m,): prior variance
    residual_sd: float
    evidence: float = 0.0


def predict_one(fit: Fit, x: Floats, group: Ints) -> tuple[Floats, Floats, Floats]:
    """Mean, variance and own share of the linear predictor under one fit; see `ShrunkFit.predict`."""
    seen = group >= 0
    at = np.where(seen, group, 0)
    if fit.inner.size == 0:
        seen, mean_inner = np.zeros(group.size, bool), np.zeros(group.size)
        left = x
        own = np.full(group.size, fit.inner_sd**2)
        share = np.zeros(group.size)
    else:
        mean_inner = np.where(seen, fit.inner[at], 0.0)
        left = x - np.where(seen[:, None], fit.inner_on_upper[at], 0.0)
        own = np.where(seen, 1.0 / fit.inner_precision[at], fit.inner_sd**2)
        share = np.where(seen, 1.0 - own / fit.inner_prior[at], 0.0)
    variance = own + np.einsum("ij,jk,ik->i", left, fit.covariance, left)
    return x @ fit.upper + mean_inner, variance, share


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
        parts = [np.asarray(b.design, float) for b in blocks]
        self.sizes = [p.shape[1] for p in parts]
        self.x = np.hstack(parts) if parts else np.zeros((y.size, 0))
        self.prior_mean = np.concatenate(
            [
                np.broadcast_to(np.asarray(b.mean, float), (k,))
                for b, k in zip(blocks, self.sizes, strict=True)
            ]
            or [np.zeros(0)]
        )
        self.group = None if inner is None else np.asarray(inner, np.int64)
        self.n_inner = 0 if self.group is None else max(n_inner or 0, int(self.group.max(initial=-1)) + 1)
        self.inner_extra = np.broadcast_to(np.asarray(inner_extra, float), (self.n_inner,))
        self.offset = np.broadcast_to(np.asarray(offset, float), y.shape)

    def fit(self, sds: Sequence[float], inner_sd: float) -> Fit:
        """Posterior for the given prior spreads, with its approximate log evidence."""
        precision = np.concatenate(
            [np.full(k, s**-2.0) for k, s in zip(self.sizes, sds, strict=True)] or [np.zeros(0)]
        )
        return (
            self._logit(precision, inner_sd) if self.residual is None else self._amount(precision, inner_sd)
        )

    def _linear(self, upper: Floats, inner: Floats) -> Floats:
        eta = self.offset + self.x @ upper
        return eta if self.group is None else eta + inner[self.group]

    def _logit(self, precision: Floats, inner_sd: float) -> Fit:
        prior = inner_sd**2 + self.inner_extra
        upper, inner = self.prior_mean.copy(), np.zeros(self.n_inner)

        def objective(up: Floats, inn: Floats) -> float:
            eta = self._linear(up, inn)
            fit = float(self.y @ eta - self.n @ np.logaddexp(0.0, eta))
            return fit - 0.5 * self._penalty(up, inn, precision, prior)

        value = objective(upper, inner)
        for _ in range(60):
            p = expit(self._linear(upper, inner))
            solved = self._solve(self.n * p * (1 - p), self.y - self.n * p, upper, inner, precision, prior)
            step, length = solved, 1.0
            while True:
                up, inn = upper + length * step.d_upper, inner + length * step.d_inner
                new = objective(up, inn)
                if new >= value - 1e-12 or length < 1e-6:
                    break
                length /= 2
            gained, upper, inner, value = new - value, up, inn, new
            if gained < 1e-10:
                break
        p = expit(self._linear(upper, inner))
        last = self._solve(self.n * p * (1 - p), self.y - self.n * p, upper, inner, precision, prior)
        evidence = value + 0.5 * (np.log(precision).sum() - np.log(prior).sum()) - 0.5 * last.log_det
        return Fit(
            1.0,
            upper,
            last.covariance,
            inner,
            last.inner_precision,
            last.inner_on_upper,
            inner_sd,
            prior,
            np.nan,
            evidence,
        )

    def _amount(self, precision: Floats, inner_sd: float) -> Fit:
        prior = inner_sd**2 + self.inner_extra
        assert self.residual is not None
        usual_sd, worth = self.residual
        variance = usual_sd**2
        zeros = np.zeros(self.n_inner)
        for _ in range(30):
            gap = self.y - self._linear(self.prior_mean, zeros)
            w = self.n / variance
            solved = self._solve(w, w * gap, self.prior_mean, zeros, precision, prior)
            upper, inner = self.prior_mean + solved.d_upper, solved.d_inner
            left = self.y - self._linear(upper, inner)
            # An EM step: the expected residual sum of squares, with the prior as so many observations.
            rss = float(self.n @ left**2) + variance * self._used(solved, precision, prior)
            new = (rss + worth * usual_sd**2) / (self.y.size + worth)
            done, variance = abs(new - variance) < 1e-8 * variance, new
            if done:
                break
        fit_term = -0.5 * float(self.n @ left**2) / variance - 0.5 * (self.y.size + worth) * np.log(variance)
        fit_term -= 0.5 * worth * usual_sd**2 / variance
        evidence = fit_term - 0.5 * self._penalty(upper, inner, precision, prior)
        evidence += 0.5 * (np.log(precision).sum() - np.log(prior).sum()) - 0.5 * solved.log_det
        return Fit(
            1.0,
            upper,
            solved.covariance,
            inner,
            solved.inner_precision,
            solved.inner_on_upper,
            inner_sd,
            prior,
            float(np.sqrt(variance)),
            evidence,
        )

    def _used(self, solved: "_Step", precision: Floats, prior: Floats) -> float:
        """Effective number of effects that the rows determine."""
        upper = precision.size - float(precision @ np.diag(solved.covariance))
        if self.n_inner == 0:
            return upper
        from_upper = np.einsum("ij,jk,ik->i", solved.inner_on_upper, solved.covariance, solved.inner_on_upper)
        return upper + self.n_inner - float(((1.0 / solved.inner_precision + from_upper) / prior).sum())

    def _penalty(self, upper: Floats, inner: Floats, precision: Floats, prior: Floats) -> float:
        return float(precision @ (upper - self.prior_mean) ** 2) + float(inner @ (inner / prior))

    def _solve(
        self, w: Floats, score: Floats, upper: Floats, inner: Floats, precision: Floats, prior: Floats
    ) -> "_Step":
        """One Newton step; the innermost groups form a diagonal and are eliminated first."""
        xw = self.x * w[:, None]
        a = self.x.T @ xw + np.diag(precision)
        g_upper = self.x.T @ score - precision * (upper - self.prior_mean)
        if self.group is None:
            d, b, g_inner = np.ones(0), np.zeros((0, precision.size)), np.zeros(0)
        else:
            d = np.bincount(self.group, w, self.n_inner) + 1.0 / prior
            b = np.zeros((self.n_inner, precision.size))
            np.add.at(b, self.group, xw)
            g_inner = np.bincount(self.group, score, self.n_inner) - inner / prior
        on_upper = b / d[:, None]
        schur = a - b.T @ on_upper
        factor = cho_factor(schur) if precision.size else None
        if factor is None:
            covariance, d_upper, log_det = np.zeros((0, 0)), np.zeros(0), 0.0
        else:
            covariance = cho_solve(factor, np.eye(precision.size))
            d_upper = cho_solve(factor, g_upper - on_upper.T @ g_inner)
            log_det = 2 * float(np.log(np.diag(factor[0])).sum())
        d_inner = g_inner / d - on_upper @ d_upper
        return _Step(d_upper, d_inner, covariance, d, on_upper, log_det + float(np.log(d).sum()))


@dataclass(frozen=True)
class _Step:
    d_upper: Floats
    d_inner: Floats
    covariance: Floats
    inner_precision: Floats
    inner_on_upper: Floats
    log_det: float
