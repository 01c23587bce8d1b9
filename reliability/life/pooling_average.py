"""Averaging over what the families have in common, by quadrature around its most likely value."""

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.hermite_e import hermegauss

from reliability.life.life_records import FloatArray
from reliability.life.pooling_hyper import N_COMMON, Evidence, Hyperprior
from reliability.life.pooling_kernels import Nodes, log_normal, marginals, normalised
from reliability.life.pooling_kinds import average_kinds
from reliability.life.pooling_peak import Peak

MANY_FAMILIES = 60
"""From here on the common parameters are nearly normal and fewer nodes do."""


@dataclass(frozen=True, eq=False)
class Averaged:
    """Posterior weights of the nodes.

    Attributes
    ----------
    log_evidence : float
        Log marginal likelihood of the slope.
    nodes : Nodes
    weight : ndarray of float64, shape (H,)
        Posterior probability of each common node.
    centre_weight : ndarray of float64, shape (n_kinds, H, Q)
        Posterior probability of each centre given the common node.
    new_mean, new_sd : ndarray of float64, shape (H,)
        Centre of a kind that nobody has seen, given the common node.
    log_marginal : ndarray of float64, shape (n_families, H, Q)
        Log marginal likelihood of each family.
    """

    log_evidence: float
    nodes: Nodes
    weight: FloatArray
    centre_weight: FloatArray
    new_mean: FloatArray
    new_sd: FloatArray
    log_marginal: FloatArray


def average(evidence: Evidence, peak: Peak, prior: Hyperprior, *, has_kinds: bool) -> Averaged:
    """Weigh the nodes of the common parameters by what the families say.

    Parameters
    ----------
    evidence : Evidence
    peak : Peak
        Of the same evidence; where it lies decides where the nodes lie.
    prior : Hyperprior
    has_kinds : bool
        Whether kinds vary around a mean of their own.

    Returns
    -------
    Averaged
    """
    moments = peak.mode[:N_COMMON], peak.common_covariance
    for _ in range(3):
        nodes = place_nodes(moments, peak, prior, evidence, has_kinds=has_kinds)
        averaged = _weigh(evidence, nodes, prior, has_kinds=has_kinds)
        mean = averaged.weight @ nodes.common
        apart = nodes.common - mean
        covariance = (averaged.weight[:, None] * apart).T @ apart
        if _is_close(moments, (mean, covariance)):
            break
        moments = mean, covariance
    return averaged


def _is_close(placed: tuple[FloatArray, FloatArray], found: tuple[FloatArray, FloatArray]) -> bool:
    """Whether the nodes lie where the posterior turned out to be."""
    sd = np.sqrt(np.diag(placed[1]))
    ratio = np.sqrt(np.diag(found[1])) / sd
    return bool(np.all(np.abs(found[0] - placed[0]) < 0.7 * sd) and np.all((ratio > 0.6) & (ratio < 1.4)))


def place_nodes(
    moments: tuple[FloatArray, FloatArray], peak: Peak, prior: Hyperprior, evidence: Evidence, *, has_kinds: bool
) -> Nodes:
    """Gauss-Hermite nodes of the common parameters, and of the centres given those."""
    mean, covariance = moments
    is_many = evidence.kind.size >= MANY_FAMILIES
    grid, log_weight = _product_rule((3, 3, 3) if is_many else (5, 5, 3))
    root = np.linalg.cholesky(covariance)
    common = mean + grid @ root.T
    log_weight = log_weight + np.log(np.diag(root)).sum()
    own = np.diag(peak.precision)[N_COMMON:]
    lean = -peak.precision[N_COMMON:, :N_COMMON] / own[:, None]
    middle = peak.mode[N_COMMON:, None] + lean @ (common - peak.mode[:N_COMMON]).T
    sd = 1 / np.sqrt(own)
    z, log_w = _hermite(3 if is_many else 5)
    if has_kinds:
        z, log_w = _regular(sd.max() / prior.least_spread)
    centre = middle[:, :, None] + sd[:, None, None] * z
    return Nodes(common, log_weight, centre, np.log(sd)[:, None] + log_w)


def _hermite(n: int) -> tuple[FloatArray, FloatArray]:
    """Nodes z, and log weights for the integral of f(z) dz."""
    z, weight = hermegauss(n)
    return z, np.log(weight) + 0.5 * z**2


def _product_rule(numbers: tuple[int, ...]) -> tuple[FloatArray, FloatArray]:
    """Product of Gauss-Hermite rules, without corners that weigh less than a ten-thousandth of the middle."""
    z, log_w = zip(*(_hermite(n) for n in numbers), strict=True)
    grid = np.stack(np.meshgrid(*z, indexing="ij"), axis=-1).reshape(-1, len(numbers))
    log_weight = sum(np.meshgrid(*log_w, indexing="ij")).ravel()
    mass = log_weight - 0.5 * (grid**2).sum(axis=1)
    kept = mass > mass.max() + np.log(1e-4)
    return grid[kept], log_weight[kept]


def _regular(widest: float) -> tuple[FloatArray, FloatArray]:
    """Regular nodes of steps below 1 and below 1.5 / `widest` (a narrow spread of the kinds)."""
    n = int(np.clip(np.ceil(8 * widest / 1.5), 8, 40)) + 1
    z = np.linspace(-4, 4, n)
    return z, np.full(n, np.log(z[1] - z[0]))


def _weigh(evidence: Evidence, nodes: Nodes, prior: Hyperprior, *, has_kinds: bool) -> Averaged:
    log_marginal = marginals(evidence, nodes, prior)
    n_kinds = evidence.n_kinds
    of_kind = np.zeros((n_kinds, *log_marginal.shape[1:]))
    np.add.at(of_kind, evidence.kind, log_marginal * evidence.power[:, None, None])
    of_kind += nodes.log_width[:, None, :]
    if has_kinds:
        log_z, centre_weight, new_mean, new_sd = average_kinds(of_kind, nodes.centre, prior)
    else:
        log_prior = log_normal(nodes.centre, np.log(prior.scale_years), prior.scale_sd)
        log_z, weight = normalised(of_kind[0] + log_prior[0])
        centre_weight = weight[None]
        new_mean = (centre_weight * nodes.centre).sum(axis=2)[0]
        new_sd = np.sqrt((centre_weight * (nodes.centre - new_mean[:, None]) ** 2).sum(axis=2)[0])
    log_prior = log_normal(nodes.common, prior.common_mean(), prior.common_sd()).sum(axis=1)
    total, weight = normalised(log_z + log_prior + nodes.log_weight)
    return Averaged(float(total), nodes, weight, centre_weight, new_mean, new_sd, log_marginal)
