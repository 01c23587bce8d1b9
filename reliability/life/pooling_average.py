"""Averaging over what the families have in common, by quadrature around its most likely value."""

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.hermite_e import hermegauss

from reliability.life.life_records import FloatArray
from reliability.life.pooling_hyper import N_COMMON, Evidence, Hyperprior
from reliability.life.pooling_kernels import Nodes, log_normal, marginals, normalised
from reliability.life.pooling_kinds import average_kinds
from reliability.life.pooling_peak import Peak, log_posterior

MANY_FAMILIES = 60
"""From here on the common parameters are nearly normal and fewer nodes do."""

CENTRE_REACH = {False: 4.9, True: 3.675}
"""Nodes of a centre reach this many standard deviations; with few families its posterior is skewed."""

CENTRE_STEP = 1.225

WIDER = 1.15
"""Nodes of the common parameters are laid for a posterior this much wider."""


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
    new_centre, new_weight : ndarray of float64, shape (H, Q')
        Centres of a kind that nobody has seen, and their probabilities given the common node.
    log_marginal : ndarray of float64, shape (n_families, H, Q)
        Log marginal likelihood of each family.
    """

    log_evidence: float
    nodes: Nodes
    weight: FloatArray
    centre_weight: FloatArray
    new_centre: FloatArray
    new_weight: FloatArray
    log_marginal: FloatArray


def average(
    evidence: Evidence, peak: Peak, bends: "Bends", prior: Hyperprior, *, has_kinds: bool
) -> Averaged:
    """Weigh the nodes of the common parameters by what the families say.

    Parameters
    ----------
    evidence : Evidence
    peak : Peak
        Of the same evidence; where it lies decides where the nodes lie.
    bends : Bends
    prior : Hyperprior
    has_kinds : bool
        Whether kinds vary around a mean of their own.

    Returns
    -------
    Averaged
    """
    nodes = _place_nodes(evidence.kind.size, peak, bends, prior, has_kinds=has_kinds)
    return _weigh(evidence, nodes, prior, has_kinds=has_kinds)


def _place_nodes(n_families: int, peak: Peak, bends: "Bends", prior: Hyperprior, *, has_kinds: bool) -> Nodes:
    """Nodes of the common parameters along bent axes, and of the centres given those."""
    is_many = n_families >= MANY_FAMILIES
    z, log_weight = _product_rule((3, 3, 3) if is_many else (3, 5, 5))
    root, lean = _directions(peak)
    moved, log_rate = bends.apply(z)
    # Each parameter is bent along its own axis only.
    own_axis = np.diag(root)
    common = peak.mode[:N_COMMON] + z @ (root - np.diag(own_axis)).T + moved * own_axis
    log_weight = log_weight + log_rate + np.log(own_axis).sum()
    sd = 1 / np.sqrt(np.diag(peak.precision)[N_COMMON:])
    y, log_width = _regular(CENTRE_REACH[is_many], sd.max() / prior.least_spread if has_kinds else 0.0)
    middle = peak.mode[N_COMMON:, None] + lean @ z.T
    centre = middle[:, :, None] + sd[:, None, None] * y
    return Nodes(common, log_weight, centre, np.log(sd)[:, None] + log_width)


def _directions(peak: Peak) -> tuple[FloatArray, FloatArray]:
    """How the common parameters (3, 3) and the centres (n_kinds, 3) move along the axes of the nodes."""
    root = _root(peak.common_covariance)
    own = np.diag(peak.precision)[N_COMMON:]
    return root, -peak.precision[N_COMMON:, :N_COMMON] / own[:, None] @ root


def _root(covariance: FloatArray) -> FloatArray:
    """Upper triangular root: the last parameter moves along one axis only, the first along all."""
    flipped = np.linalg.cholesky(covariance[::-1, ::-1]).astype(np.float64)
    return flipped[::-1, ::-1]


@dataclass(frozen=True)
class Bends:
    """Axes bent so that both arms of a posterior fall off along them as a normal one would.

    A position z of a straight axis goes to ``stretch (exp(bend z) - 1) / bend``. The spread of the shapes
    above all has a long arm towards 0, where it makes no difference.

    Attributes
    ----------
    stretch, bend : ndarray of float64, shape (3,)
    """

    stretch: FloatArray
    bend: FloatArray

    def apply(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Positions (H, 3) on the bent axes, and logs of the volume (H,) that they are stretched by."""
        is_bent = np.abs(self.bend) > 1e-3
        safe = np.where(is_bent, self.bend, 1.0)
        moved = WIDER * self.stretch * np.where(is_bent, np.expm1(safe * z) / safe, z)
        return moved, np.sum(np.log(WIDER * self.stretch) + np.where(is_bent, safe * z, 0.0), axis=1)


def find_bends(evidence: Evidence, peak: Peak, prior: Hyperprior) -> Bends:
    """Bend each axis by how far the log posterior has fallen two standard deviations out on either side."""
    directions = np.concatenate(_directions(peak))
    width = np.empty((2, N_COMMON))
    for axis in range(N_COMMON):
        for arm, at in enumerate((-2.0, 2.0)):
            fall = peak.value - log_posterior(evidence, prior, peak.mode + at * directions[:, axis])
            width[arm, axis] = np.clip(2.0 / np.sqrt(2 * max(fall, 0.1)), 0.5, 2.0)
    bend = 0.5 * np.log(width[1] / width[0])
    is_bent = np.abs(bend) > 1e-3
    safe = np.where(is_bent, bend, 1.0)
    stretch = np.where(is_bent, 2 * width[1] * safe / np.expm1(2 * safe), np.sqrt(width[0] * width[1]))
    return Bends(stretch, bend)


def _hermite(n: int) -> tuple[FloatArray, FloatArray]:
    """Nodes z, and log weights for the integral of f(z) dz."""
    z, weight = hermegauss(n)
    return z, np.log(weight) + 0.5 * z**2


def _product_rule(numbers: tuple[int, ...]) -> tuple[FloatArray, FloatArray]:
    """Product of Gauss-Hermite rules, without corners that weigh less than a ten-thousandth of the middle."""
    z, log_w = zip(*(_hermite(n) for n in numbers), strict=True)
    grid = np.stack(np.meshgrid(*z, indexing="ij"), axis=-1).reshape(-1, len(numbers))
    log_weight = np.sum(np.meshgrid(*log_w, indexing="ij"), axis=0).ravel()
    mass = log_weight - 0.5 * (grid**2).sum(axis=1)
    kept = mass > mass.max() + np.log(1e-4)
    return grid[kept], log_weight[kept]


def _regular(reach: float, widest: float) -> tuple[FloatArray, FloatArray]:
    """Regular nodes with steps of at most `CENTRE_STEP`, and 1.5 / `widest` (a narrow spread of kinds)."""
    n = int(np.clip(np.ceil(2 * reach * widest / 1.5), round(2 * reach / CENTRE_STEP), 40)) + 1
    z = np.linspace(-reach, reach, n)
    return z, np.full(n, np.log(z[1] - z[0]))


def _weigh(evidence: Evidence, nodes: Nodes, prior: Hyperprior, *, has_kinds: bool) -> Averaged:
    log_marginal = marginals(evidence, nodes, prior)
    n_kinds = evidence.n_kinds
    of_kind = np.zeros((n_kinds, *log_marginal.shape[1:]))
    np.add.at(of_kind, evidence.kind, log_marginal * evidence.power[:, None, None])
    of_kind += nodes.log_width[:, None, :]
    if has_kinds:
        log_z, centre_weight, new_centre, new_weight = average_kinds(of_kind, nodes.centre, prior)
    else:
        log_prior = log_normal(nodes.centre, np.log(prior.scale_years), prior.scale_sd)
        log_z, weight = normalised(of_kind[0] + log_prior[0])
        centre_weight = weight[None]
        new_centre, new_weight = nodes.centre[0], weight
    log_prior = log_normal(nodes.common, prior.common_mean(), prior.common_sd()).sum(axis=1)
    total, weight = normalised(log_z + log_prior + nodes.log_weight)
    return Averaged(float(total), nodes, weight, centre_weight, new_centre, new_weight, log_marginal)
