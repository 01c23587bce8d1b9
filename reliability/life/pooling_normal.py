"""The normal distribution of (log scale, log shape) that says the same of P(failed) as a posterior does.

A posterior of lives is often one-sided: where all parts failed, only the log scale's upper end is
sharp. A normal with its mean and covariance then puts a share of lives beyond that end. What such a
summary is for is P(failed by age), so that is what is fitted: its mean, and its spread with half the
weight, at the ages by which 5 to 95 % are expected to have failed.
"""

import numpy as np
from numpy.polynomial.hermite_e import hermegauss

from reliability.life.life_records import FloatArray
from reliability.life.pooling_lines import Lines

SHARES = np.array([0.05, 0.2, 0.4, 0.6, 0.8, 0.95])
SPREAD_WEIGHT = 0.5
TIE = 0.003
"""Weight of staying near the moments, where P(failed) does not decide."""

STEPS = 8
N_AGES = 32

_Z, _W = hermegauss(13)
_NODES = np.stack(np.meshgrid(_Z, _Z, indexing="ij")).reshape(2, -1)
_WEIGHTS = np.outer(_W, _W).ravel() / _W.sum() ** 2
_TIMES_NODES = _WEIGHTS[:, None] * np.column_stack([np.ones(_WEIGHTS.size), *_NODES])


def normal_summary(lines: Lines, mean: FloatArray, covariance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Fit one normal to each posterior.

    Parameters
    ----------
    lines : Lines
        Posteriors of n families.
    mean : ndarray of float64, shape (n, 2)
        Their means of (log scale, log shape).
    covariance : ndarray of float64, shape (n, 2, 2)

    Returns
    -------
    mean : ndarray of float64, shape (n, 2)
    covariance : ndarray of float64, shape (n, 2, 2)

    Notes
    -----
    Levenberg-Marquardt steps on the root of the covariance, from the moments; expectations under the normal
    by a product of Gauss-Hermite rules. The result is never farther off than the moments.
    """
    log_age = _ages(lines, mean[:, 0], np.sqrt(covariance[:, 0, 0]))
    target = _moments_of_share(lines, log_age)
    root = np.linalg.cholesky(covariance)
    start = np.stack(
        [mean[:, 0], mean[:, 1], np.log(root[:, 0, 0]), np.log(root[:, 1, 1]), root[:, 1, 0]], axis=1
    )
    at, damping = start, np.full(len(start), 1e-3)
    residual, slopes = _residuals(at, start, log_age, target)
    for _ in range(STEPS):
        normal = np.swapaxes(slopes, 1, 2) @ slopes
        normal += damping[:, None, None] * np.eye(5) * np.trace(normal, axis1=1, axis2=2)[:, None, None]
        step = np.linalg.solve(normal, np.swapaxes(slopes, 1, 2) @ residual[:, :, None])[:, :, 0]
        trial = at - np.clip(step, -0.5, 0.5)
        new_residual, new_slopes = _residuals(trial, start, log_age, target)
        better = (new_residual**2).sum(axis=1) < (residual**2).sum(axis=1)
        at = np.where(better[:, None], trial, at)
        residual = np.where(better[:, None], new_residual, residual)
        slopes = np.where(better[:, None, None], new_slopes, slopes)
        damping = np.where(better, damping / 10, damping * 10)
    root = _root(at)
    return at[:, :2], root @ np.swapaxes(root, 1, 2)


def _root(at: FloatArray) -> FloatArray:
    root = np.zeros((len(at), 2, 2))
    root[:, 0, 0], root[:, 1, 1], root[:, 1, 0] = np.exp(at[:, 2]), np.exp(at[:, 3]), at[:, 4]
    return root


def _ages(lines: Lines, centre: FloatArray, sd: FloatArray) -> FloatArray:
    """Log ages by which `SHARES` are expected to have failed; shape (n, 6)."""
    grid = centre[:, None] + sd[:, None] * np.linspace(-4.5, 3.0, N_AGES)
    failed = np.stack([lines.mean(log_age) for log_age in grid.T], axis=1)
    return np.stack([np.interp(SHARES, f, g) for f, g in zip(failed, grid, strict=True)])


def _moments_of_share(lines: Lines, log_age: FloatArray) -> FloatArray:
    """Mean and weighted standard deviation of P(failed) at each age; shape (n, 12)."""
    both = [lines.mean_and_square(a) for a in log_age.T]
    mean, square = (np.stack(values, axis=1) for values in zip(*both, strict=True))
    return np.concatenate([mean, SPREAD_WEIGHT * np.sqrt(np.maximum(square - mean**2, 1e-12))], axis=1)


def _residuals(
    at: FloatArray, start: FloatArray, log_age: FloatArray, target: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Residuals (n, 17) and their derivatives (n, 17, 5)."""
    root = _root(at)
    x = at[:, 0, None] + root[:, 0, 0, None] * _NODES[0]
    y = at[:, 1, None] + root[:, 1, 0, None] * _NODES[0] + root[:, 1, 1, None] * _NODES[1]
    shape = np.exp(y)[:, None, :]
    log_hazard = np.clip(shape * (log_age[:, :, None] - x[:, None, :]), -500.0, 5.0)
    hazard = np.exp(log_hazard)
    share, density = -np.expm1(-hazard), hazard * np.exp(-hazard)
    by_x, by_y = -shape * density, log_hazard * density
    mean = share @ _WEIGHTS
    sd = np.sqrt(np.maximum((share**2) @ _WEIGHTS - mean**2, 1e-12))
    mean_slope = _slopes(by_x, by_y, root)
    both = _slopes(by_x * share, by_y * share, root)
    sd_slope = (both - mean[:, :, None] * mean_slope) / sd[:, :, None]
    residual = np.concatenate([mean, SPREAD_WEIGHT * sd], axis=1) - target
    tie = np.broadcast_to(TIE * np.eye(5), (len(at), 5, 5))
    slopes = np.concatenate([mean_slope, SPREAD_WEIGHT * sd_slope, tie], axis=1)
    return np.concatenate([residual, TIE * (at - start)], axis=1), slopes


def _slopes(by_x: FloatArray, by_y: FloatArray, root: FloatArray) -> FloatArray:
    """Mean slopes by mean log scale and shape, log of the diagonal roots, the root below; (n, ages, 5)."""
    of_x, of_y = by_x @ _TIMES_NODES[:, :2], by_y @ _TIMES_NODES
    return np.stack(
        [of_x[:, :, 0], of_y[:, :, 0], of_x[:, :, 1] * root[:, 0, 0, None],
         of_y[:, :, 2] * root[:, 1, 1, None], of_y[:, :, 1]],
        axis=-1,
    )  # fmt: skip
