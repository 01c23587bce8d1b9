"""Regressions whose many effects are shrunk towards each other: odds and amounts of thin groups.

One routine serves every rate and every amount that differs by bench, kind, family and component.
Effects come in blocks with a normal prior; how far a block may spread is not known, so a few spreads
are tried and averaged over by their evidence.

Each row may belong to an innermost group, and has a few variables above it. Groups do not touch each other,
so they are divided out one by one, and what is left to factor is as large as the variables above them are
many: thousands of groups cost no more than those few.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg.lapack import dpotrs
from scipy.sparse import csr_matrix
from scipy.special import betaincinv, betaln, expit

from reliability.worth.odds import Floats, Ints

#: Combinations of spreads up to which all are tried.
MOST_COMBINED = 12
#: Of more, so many stand for all; and how often the best spread of each block is searched.
HYPERCUBE, MOST_ROUNDS = 12, 4
#: Combinations of spreads with less than this part of the best one's evidence are dropped.
WEIGHT_KEPT = 0.01


@dataclass(frozen=True)
class Block:
    """Effects that share one prior."""

    design: Floats  # (n_rows, n_effects): value of each effect's variable in each row
    sds: tuple[float, ...]  # prior standard deviations to average over; one value is taken as known
    mean: float | Floats = 0.0  # prior mean of the effects


def one_hot(at: Ints, n: int) -> Floats:
    """Membership matrix; a position below 0 belongs nowhere. ndarray, shape (len(at), n)."""
    return (np.asarray(at)[:, None] == np.arange(n)).astype(float)


class Posterior(NamedTuple):
    """Inverse of the matrix of one system in pieces."""

    # An inner effect is its mean, less `inner_on_upper` times what the others are off theirs, plus a
    # deviation of its own.
    covariance: Floats  # (p, p)
    inner_precision: Floats  # (m,)
    inner_on_upper: Floats  # (m, p)
    log_det: float

    def variance(self, upper: Floats) -> Floats:
        """Variance of sums of upper effects; ndarray, shape (n,)."""
        return np.asarray(((upper @ self.covariance) * upper).sum(axis=1))


@dataclass(frozen=True)
class Fit:
    """One combination of spreads: posterior of the upper and the innermost effects."""

    weight: float
    upper: Floats  # (p,)
    inner: Floats  # (m,)
    posterior: Posterior
    inner_prior: Floats  # (m,): prior precision
    residual_sd: float
    evidence: float

    def predict(self, x: Floats, group: Ints) -> tuple[Floats, Floats, Floats]:
        """Mean, variance and own share of the linear predictor; see `ShrunkFit.predict`."""
        said, precision = self.posterior, self.posterior.inner_precision[group]
        variance = 1.0 / precision + said.variance(x - said.inner_on_upper[group])
        return x @ self.upper + self.inner[group], variance, 1.0 - self.inner_prior[group] / precision


class Model:
    """The rows of one regression, and its fit for one combination of spreads."""

    # Effects, slopes and prior precisions stand one after another: those of the variables, (p,), then those
    # of the innermost groups, (m,): those told of, and a last one for all without a row.

    def __init__(
        self, y: ArrayLike, n: ArrayLike, blocks: Sequence[Block], inner: ArrayLike, *,
        offset: ArrayLike = 0.0, residual: tuple[float, float] | None = None,
        inner_extra: Floats | None = None,
    ) -> None:  # fmt: skip
        self.y, self.blocks, self.residual = np.asarray(y, float), blocks, residual
        self.n = np.broadcast_to(np.asarray(n, float), self.y.shape)
        self.offset = np.asarray(offset, float)
        self.x = np.hstack([block.design for block in blocks])
        self.sizes = [block.design.shape[1] for block in blocks]
        self.told, self.group = np.unique(np.asarray(inner, np.int64), return_inverse=True)
        shape = self.told.size + 1, self.y.size
        self.of_group = csr_matrix((np.ones(shape[1]), (self.group, np.arange(shape[1]))), shape)
        self.inner_extra = np.zeros(shape[0])
        if inner_extra is not None:
            self.inner_extra[:-1] = inner_extra[self.told]
        means = [np.broadcast_to(block.mean, (k,)) for block, k in zip(blocks, self.sizes, strict=True)]
        self.prior_mean = np.concatenate([*means, np.zeros(shape[0])])
        self.start = self.prior_mean  # the next combination of spreads has its best effects nearby

    def fit(self, sds: Sequence[float], inner_sd: float) -> Fit:
        """Posterior for the given prior spreads, with its approximate log evidence."""
        inner_prior, p = 1.0 / (inner_sd**2 + self.inner_extra), self.x.shape[1]
        precision = np.concatenate([np.repeat(np.array(sds) ** -2.0, self.sizes), inner_prior])
        search = self._logit if self.residual is None else self._amount
        at, solved, residual, value = search(precision)
        # Laplace's approximation adds the volume of the posterior to its height.
        evidence = value + 0.5 * (float(np.log(precision).sum()) - solved.log_det)
        return Fit(1.0, at[:p], at[p:], solved, inner_prior, residual, evidence)

    def _linear(self, at: Floats) -> Floats:
        p = self.x.shape[1]
        return np.asarray(self.offset + self.x @ at[:p] + at[p:][self.group])

    def _sums(self, weight: Floats) -> list[Floats]:
        """Weighted sums of products: of the variables (p, p), of each group (m,), of both (m, p)."""
        xw = self.x * weight[:, None]
        return [self.x.T @ xw, *(np.asarray(self.of_group @ each) for each in (weight, xw))]

    def _solve(
        self, sums: list[Floats], slope: Floats, precision: Floats, at: Floats
    ) -> tuple[Floats, Posterior]:
        """Step from some effects to the best, given the curvature and the slope of the likelihood by row."""
        products, d, inner_x = sums
        p = len(products)
        d = d + precision[p:]
        on_upper = inner_x / d[:, None]
        gradient = np.concatenate([self.x.T @ slope, self.of_group @ slope])
        gradient -= precision * (at - self.prior_mean)
        root = np.linalg.cholesky(products + np.diag(precision[:p]) - inner_x.T @ on_upper)
        covariance = dpotrs(root, np.eye(p), lower=True)[0]
        upper = covariance @ (gradient[:p] - on_upper.T @ gradient[p:])
        log_det = 2 * float(np.log(np.diag(root)).sum()) + float(np.log(d).sum())
        step = np.concatenate([upper, gradient[p:] / d - on_upper @ upper])
        return step, Posterior(covariance, d, on_upper, log_det)

    def _penalty(self, at: Floats, precision: Floats) -> float:
        return 0.5 * float(precision @ (at - self.prior_mean) ** 2)

    def _logit(self, precision: Floats) -> tuple[Floats, Posterior, float, float]:
        def objective(eta: Floats, at: Floats) -> float:
            fit = float(self.y @ eta - self.n @ np.logaddexp(0.0, eta))
            return fit - self._penalty(at, precision)

        def newton(eta: Floats, at: Floats) -> tuple[Floats, Posterior]:
            p = expit(eta)
            return self._solve(self._sums(self.n * p * (1 - p)), self.y - self.n * p, precision, at)

        at, eta = self.start, self._linear(self.start)
        value = objective(eta, at)
        for _ in range(60):
            step, length = newton(eta, at)[0], 1.0
            while True:
                trial = at + length * step
                new_eta = self._linear(trial)
                new = objective(new_eta, trial)
                if new >= value - 1e-12 or length < 1e-6:
                    break
                length /= 2
            gained, at, eta, value = new - value, trial, new_eta, new
            if gained < 1e-10:
                break
        self.start = at
        return at, newton(eta, at)[1], np.nan, value

    def _amount(self, precision: Floats) -> tuple[Floats, Posterior, float, float]:
        assert self.residual is not None
        usual_sd, worth = self.residual
        variance = usual_sd**2
        mean, sums = self.prior_mean, self._sums(self.n)
        p, gap = self.x.shape[1], self.n * (self.y - self._linear(mean))
        for _ in range(30):
            step, solved = self._solve([part / variance for part in sums], gap / variance, precision, mean)
            at = mean + step
            left = self.y - self._linear(at)
            # An EM step: the expected residual sum of squares, with the prior as so many observations. The
            # rows determine as many effects as there are, less what of each is the prior's.
            inner_variance = 1.0 / solved.inner_precision + solved.variance(solved.inner_on_upper)
            from_prior = precision[:p] @ np.diag(solved.covariance) + precision[p:] @ inner_variance
            rss = float(self.n @ left**2) + variance * (mean.size - float(from_prior))
            before, variance = variance, (rss + worth * usual_sd**2) / (self.y.size + worth)
            if abs(variance - before) < 1e-8 * before:
                break
        value = -0.5 * float(self.n @ left**2) / variance - 0.5 * (self.y.size + worth) * np.log(variance)
        value -= 0.5 * worth * usual_sd**2 / variance + self._penalty(at, precision)
        return at, solved, float(np.sqrt(variance)), value


@dataclass(frozen=True)
class ShrunkFit:
    """Posterior of a regression with shrunk effects."""

    residual_sd: float  # spread of single amounts around their mean; NaN for odds
    fits: tuple[Fit, ...] = field(repr=False)
    told: Ints  # the groups that had a row, ascending

    @property
    def n_upper(self) -> int:
        """Number of effects above the innermost groups."""
        return self.fits[0].upper.size

    def predict(self, design: ArrayLike, inner: ArrayLike = -1) -> tuple[Floats, Floats, Floats]:
        """Posterior of the linear predictor."""
        # `design` (n, n_upper): values of the upper variables; `inner` (n,): innermost group of each row; one
        # without a row in the fit, such as -1, is as it was believed to be.
        # Gives `mean, sd, weight_of_data` (n,): `weight_of_data` is the share of the answer that the group's
        # own records carry (0 to 1).
        x = np.atleast_2d(np.asarray(design, float))
        group = np.broadcast_to(np.asarray(inner, np.int64), (x.shape[0],))
        group = np.where(np.isin(group, self.told), np.searchsorted(self.told, group), -1)
        each = [fit.predict(x, group) for fit in self.fits]
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
    successes: ArrayLike, trials: ArrayLike, blocks: Sequence[Block], *, inner: ArrayLike,
    inner_sds: Sequence[float], offset: ArrayLike = 0.0, inner_extra: Floats | None = None,
) -> ShrunkFit:  # fmt: skip
    """Fit log odds with shrunk effects; counts may be fractions of a trial."""
    # `successes, trials` (n_rows,): ``0 <= successes <= trials``; `blocks`: upper effects; `inner` (n_rows,):
    # innermost group of each row; `inner_sds`: their spreads to average over; `offset` (n_rows,): part of the
    # log odds that is known; `inner_extra`: prior variance of each innermost group beyond the common one.
    # Laplace's approximation around the penalised maximum, once for every combination of spreads;
    # combinations are weighed by their approximate evidence.
    # Source: L. Tierney, J. B. Kadane, "Accurate approximations for posterior moments and marginal
    # densities", JASA 81 (1986) 82-86.
    return _average(
        Model(successes, trials, blocks, inner, offset=offset, inner_extra=inner_extra), inner_sds
    )


def fit_shrunk_amount(
    amounts: ArrayLike, blocks: Sequence[Block], *, inner: ArrayLike, inner_sds: Sequence[float],
    weights: ArrayLike = 1.0, usual_sd: float, usual_sd_worth: float = 4.0,
) -> ShrunkFit:  # fmt: skip
    """Fit amounts (or their logarithms) with shrunk effects and an unknown residual spread."""
    # `amounts` (n_rows,): what was observed; may be empty, then the priors answer alone; `blocks, inner,
    # inner_sds`: as in `fit_shrunk_logit`; `weights` (n_rows,): how many observations each row is
    # worth, > 0; `usual_sd, usual_sd_worth`: residual spread believed beforehand, and the number of
    # observations that this belief is worth.
    return _average(Model(amounts, weights, blocks, inner, residual=(usual_sd, usual_sd_worth)), inner_sds)


def _average(model: Model, inner_sds: Sequence[float]) -> ShrunkFit:
    choices = [*(block.sds for block in model.blocks), inner_sds]
    seen: dict[tuple[int, ...], Fit] = {}

    def fit(index: Sequence[int]) -> Fit:
        key = tuple(index)
        if key not in seen:
            sds = [c[i] for c, i in zip(choices, key, strict=True)]
            seen[key] = model.fit(sds[:-1], sds[-1])
        return seen[key]

    sizes = [len(c) for c in choices]
    are_few = math.prod(sizes) <= MOST_COMBINED
    fits = [fit(index) for index in (np.ndindex(*sizes) if are_few else _likely(sizes, fit))]
    weight = _relative(fits) if are_few else np.ones(len(fits))
    kept = [(w, f) for w, f in zip(weight, fits, strict=True) if w >= WEIGHT_KEPT]
    total = sum(w for w, _ in kept)
    averaged = tuple(replace(f, weight=w / total) for w, f in kept)
    residual_sd = float(np.sqrt(sum(f.weight * f.residual_sd**2 for f in averaged)))
    return ShrunkFit(residual_sd, averaged, model.told)


def _relative(fits: Sequence[Fit]) -> Floats:
    """Evidence of each fit over that of the best."""
    evidence = np.array([f.evidence for f in fits])
    return np.asarray(np.exp(evidence - evidence.max()))


def _likely(sizes: Sequence[int], fit: Callable[[Sequence[int]], Fit]) -> Ints:
    """Choose combinations that stand for all: each spread as often as it is likely."""
    # The best spread of each block is searched in turn. How likely the others are is then read off one block
    # at a time, the rest at their best, and the combinations are a Latin hypercube of these distributions.
    at = [size // 2 for size in sizes]
    for _ in range(MOST_ROUNDS):
        before, ways = at, list[list[list[int]]]()
        for block, size in enumerate(sizes):
            ways.append([[*at[:block], i, *at[block + 1 :]] for i in range(size)])
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
