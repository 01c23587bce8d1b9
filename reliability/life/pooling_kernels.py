"""What the common parameters make of each family: marginal likelihoods and posteriors on lattices."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from reliability.life.life_records import FloatArray, IntArray
from reliability.life.pooling_grid import SMALLEST_SINGLE, Lattice, SingleArray
from reliability.life.pooling_hyper import Evidence, Hyperprior
from reliability.life.pooling_likelihood import SMALLEST

ELEMENTS_AT_ONCE = 500_000
"""Numbers held in one block of work."""


@dataclass(frozen=True, eq=False)
class Nodes:
    """Quadrature nodes of the common parameters, for one slope.

    Attributes
    ----------
    common : ndarray of float64, shape (H, 3)
        Mean log shape, log s of the scales, log s of the shapes.
    log_weight : ndarray of float64, shape (H,)
        Log of the volume that each stands for.
    centre : ndarray of float64, shape (n_kinds, H, Q)
        Centres of the kinds, for each of the H.
    log_width : ndarray of float64, shape (n_kinds, Q)
        Log of the length that each centre stands for.
    """

    common: FloatArray
    log_weight: FloatArray
    centre: FloatArray
    log_width: FloatArray


def log_normal(x: FloatArray, mean: FloatArray | float, sd: FloatArray | float) -> FloatArray:
    """Log density of a normal distribution."""
    return -0.5 * ((x - mean) / sd) ** 2 - np.log(sd * np.sqrt(2 * np.pi))


def normalised(log_weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Log of the sum along the last axis, and the weights divided by it."""
    top = log_weight.max(axis=-1, keepdims=True)
    weight = np.exp(log_weight - top)
    total = weight.sum(axis=-1, keepdims=True)
    return (np.log(total) + top)[..., 0], weight / total


@dataclass(frozen=True, eq=False)
class _Block:
    """Prior densities at the nodes of some families' lattices, for every node of the common parameters.

    The densities are relative to their greatest value within reach of the lattice, so that none of
    them vanishes however far a family lies from the others.

    Attributes
    ----------
    rows : slice
        The families, among those of the lattice.
    family : ndarray of int64, shape (F,)
    scale : ndarray of float32, shape (F, I, H, Q)
        Relative density of log scale.
    shape : ndarray of float32, shape (F, J, H)
        Relative density of log shape.
    log_greatest : ndarray of float64, shape (F, H, Q)
        Log density that both are relative to.
    """

    rows: slice
    family: IntArray
    scale: SingleArray
    shape: SingleArray
    log_greatest: FloatArray


def _blocks(lattice: Lattice, evidence: Evidence, nodes: Nodes, spread: FloatArray) -> Iterator[_Block]:
    n_families, n_scales = lattice.log_scale.shape
    n_rows = max(1, ELEMENTS_AT_ONCE // (n_scales * nodes.centre[0].size))
    constant = -np.log(2 * np.pi * spread[:, 0] * spread[:, 1])[:, None]
    for first in range(0, n_families, n_rows):
        rows = slice(first, min(first + n_rows, n_families))
        family = lattice.family[rows]
        centre = nodes.centre[evidence.kind[family]] + evidence.shift[family, None, None]
        scale, top_scale = _relative_density(lattice.log_scale[rows], centre, spread[:, :1])
        shape, top_shape = _relative_density(
            lattice.log_shape[rows],
            np.broadcast_to(nodes.common[:, 0], (family.size, len(spread))),
            spread[:, 1],
        )
        yield _Block(rows, family, scale, shape, top_scale + top_shape[:, :, None] + constant)


def _relative_density(
    axis: FloatArray, centre: FloatArray, spread: FloatArray
) -> tuple[SingleArray, FloatArray]:
    """Find normal densities on axes (F, n) for centres (F, ...), and the log of what they are relative to."""
    ends = (axis[:, edge].reshape(-1, *[1] * (centre.ndim - 1)) for edge in (0, -1))
    nearest = 0.5 * ((np.clip(centre, *ends) - centre) / spread) ** 2
    at = axis.reshape(*axis.shape, *[1] * (centre.ndim - 1))
    density = (at - centre[:, None]).astype(np.float32)
    density /= spread.astype(np.float32)
    np.square(density, out=density)
    density *= -0.5
    density += nearest[:, None].astype(np.float32)
    return np.exp(density, out=density), -nearest


def marginals(evidence: Evidence, nodes: Nodes, prior: Hyperprior) -> FloatArray:
    """Log marginal likelihood of each family at each node.

    Returns
    -------
    ndarray of float64, shape (n_families, H, Q)
    """
    spread = prior.spread(nodes.common[:, 1:])
    log_marginal = np.empty((evidence.kind.size, *nodes.centre.shape[1:]))
    for lattice in evidence.lattices:
        own = (lattice.log_cell + lattice.log_peak)[:, None, None]
        for block in _blocks(lattice, evidence, nodes, spread):
            over_shapes = lattice.likelihood[block.rows] @ block.shape
            mass = np.einsum("fih,fihq->fhq", over_shapes, block.scale).astype(np.float64)
            log_marginal[block.family] = (
                np.log(np.maximum(mass, SMALLEST_SINGLE)) + block.log_greatest + own[block.rows]
            )
    return log_marginal


def posteriors(
    evidence: Evidence, nodes: Nodes, prior: Hyperprior, weight: FloatArray, log_marginal: FloatArray
) -> Iterator[FloatArray]:
    """Posterior of each family, averaged over the common parameters.

    Parameters
    ----------
    evidence : Evidence
    nodes : Nodes
    prior : Hyperprior
    weight : ndarray of float64, shape (n_kinds, H, Q)
        Posterior probabilities of the nodes.
    log_marginal : ndarray of float64, shape (n_families, H, Q)

    Yields
    ------
    ndarray of float64, shape (F, I, J)
        Probabilities of a lattice's nodes, in the order of ``evidence.lattices``.
    """
    spread = prior.spread(nodes.common[:, 1:])
    log_weight = np.log(np.maximum(weight, SMALLEST))
    for lattice in evidence.lattices:
        posterior = np.empty(lattice.likelihood.shape)
        for block in _blocks(lattice, evidence, nodes, spread):
            # Given the nodes, a family's posterior is likelihood x prior / marginal likelihood.
            log_ratio = (
                log_weight[evidence.kind[block.family]] - log_marginal[block.family] + block.log_greatest
            )
            ratio = np.exp(log_ratio - log_ratio.max(axis=(1, 2), keepdims=True)).astype(np.float32)
            mixture = np.einsum("fihq,fhq->fih", block.scale, ratio)
            posterior[block.rows] = mixture @ np.swapaxes(block.shape, 1, 2)
        posterior *= lattice.likelihood
        posterior /= posterior.sum(axis=(1, 2), keepdims=True)
        yield posterior
