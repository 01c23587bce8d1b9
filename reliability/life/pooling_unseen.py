"""Families that nobody has seen: what their kind, or their component, says of them."""

from dataclasses import replace

import numpy as np
from numpy.polynomial.hermite_e import hermegauss

from reliability.life.life_records import FloatArray
from reliability.life.pooling_average import Averaged
from reliability.life.pooling_grid import Lattice
from reliability.life.pooling_hyper import Evidence, Hyperprior
from reliability.life.pooling_kernels import marginals, posteriors
from reliability.life.pooling_posterior import Posterior, combine

N_SCALES, N_SHAPES = 40, 28
REACH = 4.5
"""The lattices reach this many standard deviations of the predictive distribution."""


def unseen_families(
    averages: list[Averaged], slopes: FloatArray, chance: FloatArray, prior: Hyperprior, *, has_kinds: bool
) -> Posterior:
    """Posterior of a family without records, for each kind and for a kind that nobody has seen.

    Parameters
    ----------
    averages : list of Averaged
        One for each slope.
    slopes, chance : ndarray of float64, shape (B,)
        The slopes and their posterior probabilities.
    prior : Hyperprior
    has_kinds : bool
        Without kinds an unseen one is the one there is.

    Returns
    -------
    Posterior
        Of n_kinds + 1 families, at the reference year.
    """
    averages = [_with_new_kind(averaged, has_kinds=has_kinds) for averaged in averages]
    lattice = _lattice(averages, chance, prior)
    at_slopes = []
    for averaged in averages:
        n = lattice.family.size
        evidence = Evidence([lattice], lattice.family, n, np.zeros(n), np.ones(n))
        log_marginal = marginals(evidence, averaged.nodes, prior)
        weight = averaged.weight[:, None] * averaged.centre_weight
        at_slopes.append(posteriors(evidence, averaged.nodes, prior, weight, log_marginal))
    return combine([lattice], at_slopes, slopes, chance)


def _with_new_kind(averaged: Averaged, *, has_kinds: bool) -> Averaged:
    """Add the centre of a kind that nobody has seen behind those of the others."""
    nodes = averaged.nodes
    if has_kinds:
        z, weight = hermegauss(nodes.centre.shape[2])
        centre = averaged.new_mean[:, None] + averaged.new_sd[:, None] * z
        chances = np.broadcast_to(weight / weight.sum(), centre.shape)
    else:
        centre, chances = nodes.centre[0], averaged.centre_weight[0]
    nodes = replace(nodes, centre=np.concatenate([nodes.centre, centre[None]]))
    centre_weight = np.concatenate([averaged.centre_weight, chances[None]])
    return replace(averaged, nodes=nodes, centre_weight=centre_weight)


def _lattice(averages: list[Averaged], chance: FloatArray, prior: Hyperprior) -> Lattice:
    """Lattice over the predictive distributions; every likelihood on it is 1."""
    weight = [p * a.weight[:, None] * a.centre_weight for p, a in zip(chance, averages, strict=True)]
    spread = [prior.spread(a.nodes.common[:, 1:]) for a in averages]
    scale_mean, scale_sd = _moments(
        weight, [a.nodes.centre for a in averages], [s[None, :, None, 0] for s in spread]
    )
    shape_mean, shape_sd = _moments(
        weight,
        [a.nodes.common[None, :, None, 0] for a in averages],
        [s[None, :, None, 1] for s in spread],
    )
    n = scale_mean.size
    log_scale = scale_mean[:, None] + scale_sd[:, None] * np.linspace(-REACH, REACH, N_SCALES)
    log_shape = shape_mean[:, None] + shape_sd[:, None] * np.linspace(-REACH, REACH, N_SHAPES)
    return Lattice(
        np.arange(n), log_scale, log_shape, np.ones((n, N_SCALES, N_SHAPES), dtype=np.float32), np.zeros(n)
    )


def _moments(
    weight: list[FloatArray], mean: list[FloatArray], sd: list[FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation of a mixture of normals, for each family."""
    total = sum((w * m).sum(axis=(1, 2)) for w, m in zip(weight, mean, strict=True))
    square = sum((w * (m**2 + s**2)).sum(axis=(1, 2)) for w, m, s in zip(weight, mean, sd, strict=True))
    return total, np.sqrt(square - total**2)


def unseen_component(mean: FloatArray, covariance: FloatArray) -> Posterior:
    """Posterior for a component that nobody has spoken of: a mixture of normals, all equally likely.

    Parameters
    ----------
    mean : ndarray of float64, shape (C, 2)
        Of (log scale, log shape).
    covariance : ndarray of float64, shape (C, 2, 2)

    Returns
    -------
    Posterior
        Of one family.
    """
    sd = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
    low, high = (mean - REACH * sd).min(axis=0), (mean + REACH * sd).max(axis=0)
    log_scale, log_shape = (
        np.linspace(low[0], high[0], 2 * N_SCALES),
        np.linspace(low[1], high[1], 2 * N_SHAPES),
    )
    node = np.stack(np.meshgrid(log_scale, log_shape, indexing="ij"), axis=-1)
    weight = np.zeros(node.shape[:2])
    for middle, spread in zip(mean, covariance, strict=True):
        apart = node - middle
        square = np.einsum("ija,ab,ijb->ij", apart, np.linalg.inv(spread), apart)
        weight += np.exp(-0.5 * square) / np.sqrt(np.linalg.det(spread))
    weight /= weight.sum()
    lattice = Lattice(
        np.zeros(1, dtype=np.int64),
        log_scale[None],
        log_shape[None],
        weight[None].astype(np.float32),
        np.zeros(1),
    )
    return combine([lattice], [[weight[None]]], np.zeros(1), np.ones(1))
