"""Linear algebra of shrunk effects: groups are eliminated from the inside out, so few dense columns remain.

Each row of a regression may belong to an innermost group, to one nested variable (a family's level, or
its slope), and has a few dense variables. Innermost groups do not touch each other; nested variables do
not either, once the groups are gone, provided that each group lies within one of them. Both are therefore
divided out one by one, and what is left to factor is as large as the dense variables are many.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse import csr_matrix

from reliability.errors import InvalidInput

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Nested:
    """One variable per family or the like, of which each row has at most one.

    Parameters
    ----------
    at : ndarray of int, shape (n_rows,)
        Which variable a row has; below 0 none.
    n : int
        How many there are.
    value : ndarray, shape (n_rows,)
        Its value in the row.
    """

    at: Ints
    n: int
    value: Floats

    def times(self, effects: Floats) -> Floats:
        """Sum of value times effect; ndarray, shape (n_rows,)."""
        if self.n == 0:
            return np.zeros(self.at.size)
        return np.where(self.at >= 0, self.value * effects[self.at], 0.0)


@dataclass(frozen=True)
class Moments:
    """Weighted sums of products of the variables of all rows; p dense, k nested variables, m groups."""

    dense: Floats  # (p, p)
    nested: Floats  # (k,)
    nested_dense: Floats  # (k, p)
    inner: Floats  # (m,)
    inner_dense: Floats  # (m, p)
    inner_nested: Floats  # (m,): with the one nested variable that the group lies in

    def scaled(self, factor: float) -> "Moments":
        """Moments for weights that are all changed by one factor."""
        return Moments(*(getattr(self, name) * factor for name in Moments.__dataclass_fields__))


@dataclass(frozen=True)
class Score:
    """Gradient with respect to each set of variables."""

    dense: Floats
    nested: Floats
    inner: Floats


@dataclass(frozen=True)
class Posterior:
    """Solution of one system, and the inverse of its matrix in pieces.

    An inner effect is its mean, less `inner_on_dense` and `inner_on_nested` times what the others are off
    theirs, plus a deviation of its own; a nested effect likewise with `nested_on_dense`.
    """

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
    """Variables of all rows, with the sums that are taken again and again.

    Parameters
    ----------
    dense : ndarray, shape (n_rows, p)
    nested : Nested
    group : ndarray of int, shape (n_rows,), or None
        Innermost group of each row.
    n_groups : int
    """

    def __init__(self, dense: Floats, nested: Nested, group: Ints | None, n_groups: int) -> None:
        n = dense.shape[0]
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
