"""Families that nobody has seen: what their kind, or their component, says of them."""

import numpy as np

from reliability.life.life_records import FloatArray
from reliability.life.pooling_average import Averaged
from reliability.life.pooling_grid import Lattice
from reliability.life.pooling_hyper import Hyperprior
from reliability.life.pooling_kernels import log_normal
from reliability.life.pooling_posterior import Posterior, combine

N_SCALES, N_SHAPES = 64, 40
REACH = 6.0
"""The lattices reach this many standard deviations of the predictive distribution, which has long tails."""


def unseen_families(
    averages: list[Averaged], slopes: FloatArray, chance: FloatArray, prior: Hyperprior
) -> Posterior:
    """Posterior of a family without records, for each kind and for a kind that nobody has seen.

    Parameters
    ----------
    averages : list of Averaged
        One for each slope.
    slopes, chance : ndarray of float64, shape (B,)
        The slopes and their posterior probabilities.
    prior : Hyperprior

    Returns
    -------
    Posterior
        Of n_kinds + 1 families, at the reference year.
    """
    known = [(a.nodes.centre, a.weight[:, None] * a.centre_weight) for a in averages]
    new = [(a.new_centre[None], (a.weight[:, None] * a.new_weight)[None]) for a in averages]
    posteriors = []
    for centres in (known, new):
        lattice = _lattice(averages, centres, chance, prior)
        pairs = zip(averages, centres, strict=True)
        at_slopes = [[_predicted(lattice, averaged, *at, prior)] for averaged, at in pairs]
        posteriors.append(combine([lattice], at_slopes, slopes, chance))
    return posteriors[0].with_more(posteriors[1])


def _predicted(
    lattice: Lattice, averaged: Averaged, centre: FloatArray, weight: FloatArray, prior: Hyperprior
) -> FloatArray:
    """Probabilities of the lattice's nodes; `centre` and `weight` have the shape (F, H, Q)."""
    common = averaged.nodes.common
    spread = prior.spread(common[:, 1:])
    out = np.empty(lattice.likelihood.shape)
    for i, (x, y) in enumerate(zip(lattice.log_scale, lattice.log_shape, strict=True)):
        scale = np.exp(log_normal(x[:, None, None], centre[i], spread[:, :1]))
        shape = np.exp(log_normal(y[:, None], common[:, 0], spread[:, 1]))
        out[i] = np.einsum("ihq,hq->ih", scale, weight[i]) @ shape.T
    return out / out.sum(axis=(1, 2), keepdims=True)


def _lattice(
    averages: list[Averaged],
    centres: list[tuple[FloatArray, FloatArray]],
    chance: FloatArray,
    prior: Hyperprior,
) -> Lattice:
    """Lattice over the predictive distributions; every likelihood on it is 1."""
    weight = [p * w for p, (_, w) in zip(chance, centres, strict=True)]
    spread = [prior.spread(a.nodes.common[:, 1:]) for a in averages]
    scale_mean, scale_sd = _moments(weight, [c for c, _ in centres], [s[None, :, None, 0] for s in spread])
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
