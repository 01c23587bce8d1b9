"""Most likely common parameters of a component, with the curvature around them."""

from dataclasses import dataclass

import numpy as np

from reliability.life.life_records import FloatArray, IntArray
from reliability.life.pooling_grid import SMALLEST_SINGLE, Lattice, SingleArray
from reliability.life.pooling_hyper import N_COMMON, Evidence, Hyperprior


@dataclass(frozen=True, eq=False)
class Peak:
    """Normal approximation around the most likely common parameters.

    Attributes
    ----------
    mode : ndarray of float64, shape (3 + n_kinds,)
        Mean log shape, log s of the scales, log s of the shapes, centres of the kinds.
    precision : ndarray of float64, shape (3 + n_kinds, 3 + n_kinds)
    value : float
        Log posterior at the mode.
    """

    mode: FloatArray
    precision: FloatArray
    value: float

    @property
    def log_evidence(self) -> float:
        """Laplace's approximation of the log marginal likelihood."""
        _, log_det = np.linalg.slogdet(self.precision / (2 * np.pi))
        return self.value - 0.5 * float(log_det)

    @property
    def common_covariance(self) -> FloatArray:
        """Covariance of the first three parameters; ndarray of float64, shape (3, 3)."""
        return np.linalg.inv(self.precision)[:N_COMMON, :N_COMMON].astype(np.float64)


def find_start(prior: Hyperprior, n_kinds: int) -> Peak:
    """Peak of the prior, where nothing is known yet."""
    mean, sd = prior_moments(prior, n_kinds)
    return Peak(mean, np.diag(1 / sd**2), 0.0)


def find_peak(evidence: Evidence, prior: Hyperprior, start: FloatArray) -> Peak:
    """Most likely common parameters, by damped Newton steps with exact derivatives.

    Parameters
    ----------
    evidence : Evidence
    prior : Hyperprior
    start : ndarray, shape (3 + n_kinds,)
        Where to begin.

    Returns
    -------
    Peak
        The value reached after at most 60 steps. It only steers where the quadrature puts its nodes.
    """
    _, sd = prior_moments(prior, evidence.n_kinds)
    at = start
    value, gradient, hessian = _log_posterior(evidence, prior, at)
    damping = 1e-3
    for _ in range(60):
        precision = _positive(-hessian, sd)
        step = np.linalg.solve(precision + damping * np.diag(np.diag(precision)), gradient)
        step *= min(1.0, 1.5 / np.abs(step).max(initial=1e-300))
        if np.abs(step * np.sqrt(np.diag(precision))).max() < 0.01:
            break
        trial = _log_posterior(evidence, prior, at + step)
        if trial[0] > value - 1e-9:
            at, (value, gradient, hessian), damping = at + step, trial, damping / 5
        else:
            damping = max(damping * 10, 1e-2)
    return Peak(at, _positive(-hessian, sd), value)


def prior_moments(prior: Hyperprior, n_kinds: int) -> tuple[FloatArray, FloatArray]:
    """Prior means and standard deviations of all parameters of `Peak.mode`."""
    mean = np.append(prior.common_mean(), np.full(n_kinds, np.log(prior.scale_years)))
    sd = np.append(prior.common_sd(), np.full(n_kinds, prior.centre_sd))
    return mean, sd


def _positive(precision: FloatArray, sd: FloatArray) -> FloatArray:
    """Raise what is flatter than a fraction of the prior, so that every step goes uphill."""
    scaled = precision * np.outer(sd, sd)
    values, vectors = np.linalg.eigh(0.5 * (scaled + scaled.T))
    scaled = (vectors * np.maximum(values, 0.3)) @ vectors.T
    return scaled / np.outer(sd, sd)


def log_posterior(evidence: Evidence, prior: Hyperprior, at: FloatArray) -> float:
    """Log posterior of the common parameters, up to a constant."""
    return _log_posterior(evidence, prior, at)[0]


def _log_posterior(
    evidence: Evidence, prior: Hyperprior, at: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    """Log posterior of the common parameters, its gradient and its matrix of second derivatives."""
    spread = prior.spread(at[1:N_COMMON])
    value, gradient, hessian = 0.0, np.zeros(at.size), np.zeros((at.size, at.size))
    for lattice in evidence.lattices:
        log_m, first, second = _family_terms(lattice, evidence, at, spread)
        power = evidence.power[lattice.family]
        value += float(power @ log_m)
        _add_terms(gradient, hessian, evidence.kind[lattice.family], power, first, second)
    # From the logs of the spreads to log s: d log(hypot(least, s)) / d log s = (s / spread)^2.
    rate = np.ones(at.size)
    rate[1:N_COMMON] = np.exp(2 * at[1:N_COMMON]) / spread**2
    hessian = hessian * np.outer(rate, rate) + np.diag(2 * rate * (1 - rate) * gradient)
    mean, sd = prior_moments(prior, evidence.n_kinds)
    z = (at - mean) / sd
    return value - 0.5 * float(z @ z), gradient * rate - z / sd, hessian - np.diag(1 / sd**2)


def _family_terms(
    lattice: Lattice, evidence: Evidence, at: FloatArray, spread: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log marginal likelihood of each family and its derivatives.

    The derivatives are with respect to (mean log shape, log spread of scales, log spread of shapes,
    centre): the gradient is the posterior mean of the score u of the family's prior, the second
    derivative is E[u'] + Var[u] (Louis 1982).
    """
    centre = at[N_COMMON + evidence.kind[lattice.family]] + evidence.shift[lattice.family]
    u = (lattice.log_scale - centre[:, None]) / spread[0]
    v = (lattice.log_shape - at[0]) / spread[1]
    log_x, log_y = -0.5 * u**2, -0.5 * v**2
    best_x, best_y = log_x.max(axis=1), log_y.max(axis=1)
    over_shapes = lattice.likelihood @ _with_powers(v, np.exp(log_y - best_y[:, None]))
    moment = np.swapaxes(_with_powers(u, np.exp(log_x - best_x[:, None])), 1, 2) @ over_shapes
    moment = moment.astype(np.float64)
    total = np.maximum(moment[:, 0, 0], SMALLEST_SINGLE)
    log_m = np.log(total) + best_x + best_y + lattice.log_cell + lattice.log_peak
    log_m -= np.log(2 * np.pi * spread[0] * spread[1])
    return log_m, *_louis(moment / total[:, None, None], spread)


def _with_powers(wide: FloatArray, density: FloatArray) -> SingleArray:
    """Density times x to the powers 0 to 4; shape (F, n, 5)."""
    x = wide.astype(np.float32)
    square = x * x
    powers = (np.ones_like(x), x, square, square * x, square * square)
    return np.stack(powers, axis=2) * density.astype(np.float32)[:, :, None]


def _louis(moment: FloatArray, spread: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Derive from the posterior means of u^p v^q; ``moment`` has the shape (F, 5, 5)."""
    u, v = moment[:, :, 0].T, moment[:, 0, :].T
    first = np.stack([v[1] / spread[1], u[2] - 1, v[2] - 1, u[1] / spread[0]], axis=1)
    second = np.empty((first.shape[0], 4, 4))
    # Second moments of (v, u^2, v^2, u), the scores without their constants.
    raw = {
        (0, 0): v[2], (0, 1): moment[:, 2, 1], (0, 2): v[3], (0, 3): moment[:, 1, 1], (1, 1): u[4],
        (1, 2): moment[:, 2, 2], (1, 3): u[3], (2, 2): v[4], (2, 3): moment[:, 1, 2], (3, 3): u[2],
    }  # fmt: skip
    mean = (v[1], u[2], v[2], u[1])
    unit = (1 / spread[1], 1.0, 1.0, 1 / spread[0])
    for (a, b), moment in raw.items():
        second[:, a, b] = second[:, b, a] = (moment - mean[a] * mean[b]) * unit[a] * unit[b]
    second[:, 0, 0] -= 1 / spread[1] ** 2
    second[:, 3, 3] -= 1 / spread[0] ** 2
    second[:, 1, 1] -= 2 * u[2]
    second[:, 2, 2] -= 2 * v[2]
    for a, b, term in ((0, 2, 2 * v[1] / spread[1]), (1, 3, 2 * u[1] / spread[0])):
        second[:, a, b] -= term
        second[:, b, a] -= term
    return first, second


def _add_terms(
    gradient: FloatArray,
    hessian: FloatArray,
    kind: IntArray,
    power: FloatArray,
    first: FloatArray,
    second: FloatArray,
) -> None:
    """Add the families' terms to those of their component, in place."""
    first, second = first * power[:, None], second * power[:, None, None]
    gradient[:N_COMMON] += first[:, :N_COMMON].sum(axis=0)
    hessian[:N_COMMON, :N_COMMON] += second[:, :N_COMMON, :N_COMMON].sum(axis=0)
    n_kinds = gradient.size - N_COMMON
    for k in range(n_kinds):
        of_kind, at = kind == k, N_COMMON + k
        gradient[at] += first[of_kind, 3].sum()
        hessian[at, at] += second[of_kind, 3, 3].sum()
        mixed = second[of_kind, 3, :N_COMMON].sum(axis=0)
        hessian[at, :N_COMMON] += mixed
        hessian[:N_COMMON, at] += mixed
