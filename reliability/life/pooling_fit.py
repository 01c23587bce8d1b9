"""One component, from its records to the posteriors of its families, seen and unseen."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial.hermite_e import hermegauss

from reliability.life.lives import FloatArray, IntArray
from reliability.life.pooling_lattice import (
    N_COMMON,
    SMALLEST_SINGLE,
    STEP,
    Axes,
    Boxes,
    Evidence,
    Hyperprior,
    Lattice,
    Nodes,
    NormalPrior,
    SingleArray,
    find_boxes,
    lay_axes,
    log_normal,
    marginals,
    normalised,
    posteriors,
)
from reliability.life.pooling_posterior import Posterior, combine
from reliability.life.pooling_records import SMALLEST, ComponentRecords

# ---- Centres of the kinds of one component, averaged over their own mean and spread


N_SPREADS = 9
SPREAD_REACH = 2.5
"""Nodes of log s for the spread of kinds reach this many prior standard deviations."""

N_MEANS = 5

N_NEW, NEW_REACH = 41, 6.0
"""Centres of an unseen kind, up to this many standard deviations out: no normal, its tails are longer."""


def average_kinds(
    of_kind: FloatArray, centre: FloatArray, prior: Hyperprior
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Integrate the centres of the kinds, their mean and their spread.

    Parameters
    ----------
    of_kind : ndarray of float64, shape (n_kinds, H, Q)
        Log likelihood of each kind's families at its centres, plus the log length of each node.
    centre : ndarray of float64, shape (n_kinds, H, Q)
    prior : Hyperprior

    Returns
    -------
    log_z : ndarray of float64, shape (H,)
        Log marginal likelihood at each common node.
    centre_weight : ndarray of float64, shape (n_kinds, H, Q)
        Posterior probabilities of the centres, given the common node.
    new_centre, new_weight : ndarray of float64, shape (H, N_NEW)
        Centres of a kind that nobody has seen, and their probabilities given the common node.
    """
    spread, mean, log_z = _place(of_kind, centre, prior)
    n_common = log_z.shape[0]
    shares = []
    for kind, at in zip(of_kind, centre, strict=True):
        # Axes: common node, centre, spread of kinds, mean of kinds; the last two as one.
        density = np.exp(log_normal(at[:, :, None, None], mean[:, None], spread)).reshape(*at.shape, -1)
        top = kind.max(axis=1)
        likelihood = np.exp(kind - top[:, None])
        own = np.maximum((likelihood[:, None, :] @ density)[:, 0], SMALLEST)
        log_z = log_z + (np.log(own) + top[:, None]).reshape(log_z.shape)
        shares.append((likelihood, density, own))
    total, posterior = normalised(log_z.reshape(n_common, -1))
    weights = [
        likelihood * (density @ (posterior / own)[:, :, None])[:, :, 0] for likelihood, density, own in shares
    ]
    posterior = posterior.reshape(log_z.shape)
    new_mean = (posterior * mean).sum(axis=(1, 2))
    apart = (mean - new_mean[:, None, None]) ** 2 + spread**2
    new_sd = np.sqrt((posterior * apart).sum(axis=(1, 2)))
    new_centre = new_mean[:, None] + new_sd[:, None] * np.linspace(-NEW_REACH, NEW_REACH, N_NEW)
    density = np.exp(log_normal(new_centre[:, :, None, None], mean[:, None], spread))
    new_weight = np.einsum("hqrs,hrs->hq", density, posterior)
    return total, np.stack(weights), new_centre, new_weight / new_weight.sum(axis=1, keepdims=True)


def _place(
    of_kind: FloatArray, centre: FloatArray, prior: Hyperprior
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Nodes of the spread (R, 1) and the mean (H, R, S) of kinds, with log prior and log volume (H, R, S)."""
    mean, precision = _normal_summaries(of_kind, centre, prior)
    z = np.linspace(-SPREAD_REACH, SPREAD_REACH, N_SPREADS)
    spread = prior.spread(np.log(prior.kind_spread) + prior.spread_sd * z)[:, None]
    log_spread_weight = log_normal(z, 0.0, 1.0) + np.log(z[1] - z[0])
    # Given the spread, a normal summary of each kind says where the mean of the kinds must lie.
    share = 1 / (spread[None, :, :] ** 2 + 1 / precision.T[:, None, :])
    own = 1 / prior.scale_sd**2
    total = own + share.sum(axis=2)
    middle = (own * np.log(prior.scale_years) + (share * mean.T[:, None, :]).sum(axis=2)) / total
    z, weight = hermegauss(N_MEANS)
    means = middle[:, :, None] + z / np.sqrt(total)[:, :, None]
    log_weight = np.log(weight) + 0.5 * z**2 - 0.5 * np.log(total)[:, :, None]
    log_weight += log_normal(means, np.log(prior.scale_years), prior.scale_sd) + log_spread_weight[:, None]
    return spread, means, log_weight


def _normal_summaries(
    of_kind: FloatArray, centre: FloatArray, prior: Hyperprior
) -> tuple[FloatArray, FloatArray]:
    """Mean and precision of a normal likelihood for each centre; arrays of shape (n_kinds, H)."""
    around, sd = np.log(prior.scale_years), prior.centre_sd
    _, weight = normalised(of_kind + log_normal(centre, around, sd))
    mean = (weight * centre).sum(axis=2)
    variance = (weight * (centre - mean[:, :, None]) ** 2).sum(axis=2)
    precision = np.maximum(1 / np.maximum(variance, 1e-12) - 1 / sd**2, 1e-3)
    return (mean / np.maximum(variance, 1e-12) - around / sd**2) / precision, precision


# ---- Most likely common parameters of a component, with the curvature around them


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


# ---- Averaging over what the families have in common, by quadrature around its most likely value


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


# ---- Families that nobody has seen: what their kind, or their component, says of them


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


# ---- One component, from its records to the posteriors of its families


DRAFT_SPREAD = 0.3
"""Least spread while only the rough place of the common parameters is sought."""

SLIGHT = 0.12
"""A negative probability of a slope this small is set to 0."""

ROUNDS = 5
"""How often nodes are laid anew until they lie where the posterior is."""


@dataclass(frozen=True, eq=False)
class Common:
    """What the families of one component share, as far as it is known.

    Attributes
    ----------
    mean, sd : ndarray of float64, shape (3,)
        Mean log shape, log s of the scales, log s of the shapes (see `Hyperprior`).
    slope_mean, slope_sd : float
        Change of log scale per decade of production year.
    log_evidence : float
        Log marginal likelihood of all records.
    """

    mean: FloatArray
    sd: FloatArray
    slope_mean: float
    slope_sd: float
    log_evidence: float


@dataclass(frozen=True, eq=False)
class _AtSlope:
    """Common parameters at one slope; `log_prior` is that of the slope."""

    slope: float
    log_prior: float
    evidence: Evidence
    peak: Peak


@dataclass(frozen=True)
class _Slope:
    """Normal approximation of the posterior of the slope, and the log marginal likelihood."""

    mean: float
    sd: float
    log_evidence: float


@dataclass(frozen=True, eq=False)
class _Place:
    """Rough slope with its standard deviation, and the common parameters there under some prior."""

    slope: float
    slope_sd: float
    peak: Peak
    prior: Hyperprior

    def nodes(self) -> FloatArray:
        """Slopes to look at: three that can stand for a normal distribution, or 0 without years."""
        return self.slope + np.sqrt(3.0) * self.slope_sd * np.arange(-1, 2) if self.slope_sd else np.zeros(1)

    def found(self, log_posterior: Sequence[float]) -> _Slope:
        """Slope by the log posterior at the nodes."""
        if not self.slope_sd:
            return _Slope(0.0, self.prior.slope_sd, log_posterior[0])
        mean, sd, top = _parabola(log_posterior, self.slope, np.sqrt(3.0) * self.slope_sd, self.prior)
        return _Slope(mean, sd, top + float(np.log(sd * np.sqrt(2 * np.pi))))

    def next(self, found: _Slope, peak: Peak, prior: Hyperprior) -> "_Place":
        """Where to look next; a peak outside of the nodes does not yet tell how wide it is."""
        is_outside = abs(found.mean - self.slope) > self.slope_sd
        least = (0.9 if is_outside else 0.1) * self.slope_sd
        return _Place(found.mean, max(found.sd, least), peak, prior)

    def chances(self, found: _Slope) -> FloatArray:
        """Probabilities of the nodes that give them the mean and the variance found; some may be negative."""
        if not self.slope_sd:
            return np.ones(1)
        shift, spread = (found.mean - self.slope) / self.slope_sd, found.sd / self.slope_sd
        outer = (spread**2 + shift**2) / 3
        return np.array([(outer - shift / 3**0.5) / 2, 1 - outer, (outer + shift / 3**0.5) / 2])


def _parabola(
    values: Sequence[float], middle: float, half: float, prior: Hyperprior
) -> tuple[float, float, float]:
    """Place, standard deviation and height of the peak of a log posterior known at three slopes."""
    rise = (values[2] - values[0]) / (2 * half)
    bend = max((2 * values[1] - values[0] - values[2]) / half**2, 0.3 / prior.slope_sd**2)
    shift = float(np.clip(rise / bend, -2 * half, 2 * half))
    top = values[1] + rise * shift - 0.5 * bend * shift**2
    return middle + shift, float(bend**-0.5), float(top)


def fit_component(
    records: ComponentRecords, prior: Hyperprior, *, has_kinds: bool
) -> tuple[Posterior, Common]:
    """Posteriors of the families of one component.

    A draft on wide lattices finds where the common parameters and the slope lie. Lattices are then laid
    where that puts each family, and the common parameters are averaged over at three slopes.

    Parameters
    ----------
    records : ComponentRecords
    prior : Hyperprior
    has_kinds : bool
        Whether kinds vary around a mean of their own.

    Returns
    -------
    Posterior
        One entry for each family of the records, then one for an unseen family of each kind, then
        one for an unseen family of an unseen kind.
    Common
    """
    fit = _Fit(records, prior, has_kinds)
    place = fit.draft()
    for _ in range(ROUNDS):
        at_slopes = fit.at_slopes(place)
        found = place.found([a.peak.log_evidence + a.log_prior for a in at_slopes])
        if place.chances(found).min() > -SLIGHT:
            break
        place = place.next(found, at_slopes[1].peak, prior)
    middle = at_slopes[len(at_slopes) // 2]
    bends = find_bends(middle.evidence, middle.peak, prior)
    averages = [average(a.evidence, a.peak, bends, prior, has_kinds=has_kinds) for a in at_slopes]
    found = place.found([m.log_evidence + a.log_prior for a, m in zip(at_slopes, averages, strict=True)])
    chance = np.maximum(place.chances(found), 0.0)
    return fit.finish(at_slopes, averages, chance / chance.sum(), found)


class _Fit:
    """The steps of a fit, with what they share."""

    def __init__(self, records: ComponentRecords, prior: Hyperprior, has_kinds: bool) -> None:
        self.records, self.prior, self.has_kinds = records, prior, has_kinds
        self.has_years = bool(np.isfinite(records.reference_year))
        self.n_families, self.n_kinds = len(records), len(records.kinds)

    def evidence(self, axes: list[Axes], slope: float) -> Evidence:
        """Likelihoods on the lattices at one slope."""
        records = self.records
        lattices = [a.evaluate(records.rows, self.n_families, slope) for a in axes]
        return Evidence(lattices, records.kind, self.n_kinds, slope * records.mean_year, records.power)

    def draft(self) -> _Place:
        """Rough slope, its standard deviation, and the common parameters there."""
        prior = replace(self.prior, least_spread=max(DRAFT_SPREAD, self.prior.least_spread))
        mean, sd = prior.common_mean(), prior.common_sd()
        spread = prior.spread(mean[1:] + sd[1:])
        normal = self._normal_prior(
            np.full(self.n_kinds, np.log(prior.scale_years)),
            np.hypot(np.hypot(prior.centre_sd, spread[0]), prior.slope_sd * np.abs(self.records.mean_year)),
            (mean[0], np.hypot(sd[0], spread[1])),
        )
        boxes = find_boxes(self.records.rows, normal, 0.0)
        step = STEP * prior.least_spread
        axes = lay_axes(boxes, step, step)
        # Families differ by about a third, and by some six years: a first guess at what can be told.
        slope_sd = float(np.clip(1.6 / np.sqrt(max(self.n_families, 1)), 0.03, prior.slope_sd))
        place = _Place(0.0, slope_sd if self.has_years else 0.0, find_start(prior, self.n_kinds), prior)
        at_slopes = self._look(place, axes, prior, place.peak.mode)
        if not self.has_years:
            return replace(place, peak=at_slopes[0].peak)
        # Wide lattices make the slope look better known than it is.
        found = place.found([a.peak.log_evidence + a.log_prior for a in at_slopes])
        return replace(place.next(found, at_slopes[1].peak, prior), slope_sd=1.3 * found.sd)

    def _normal_prior(
        self, centre: FloatArray, scale_sd: FloatArray, shape: tuple[float, float], slope: float = 0.0
    ) -> NormalPrior:
        """Priors of the families under rough common parameters."""
        scale_mean = centre[self.records.kind] + slope * self.records.mean_year
        flat = np.ones(self.n_families)
        return NormalPrior(scale_mean, scale_sd * flat, shape[0] * flat, shape[1] * flat)

    def _boxes(self, place: _Place) -> Boxes:
        """Where the posteriors lie under the rough common parameters."""
        mode, sd = place.peak.mode, np.sqrt(np.diag(np.linalg.inv(place.peak.precision)))
        widest = place.prior.spread(mode[1:N_COMMON] + 1.3 * sd[1:N_COMMON])
        centre_sd = sd[N_COMMON + self.records.kind]
        scale_sd = np.sqrt(widest[0] ** 2 + centre_sd**2 + (2 * place.slope_sd * self.records.mean_year) ** 2)
        shape = (mode[0], float(np.hypot(widest[1], sd[0])))
        normal = self._normal_prior(mode[N_COMMON:], scale_sd, shape, place.slope)
        return find_boxes(self.records.rows, normal, place.slope)

    def at_slopes(self, place: _Place) -> list[_AtSlope]:
        """Most likely common parameters at each slope, on lattices that are fine enough for them."""
        sd = np.sqrt(np.diag(place.peak.common_covariance))[1:]
        start = place.peak.mode.copy()
        if place.prior is self.prior:
            narrowest = self.prior.spread(start[1:N_COMMON] - 3 * sd)
        else:  # a draft
            narrowest = np.full(2, self.prior.least_spread)
            start[1:N_COMMON] = np.log(place.prior.spread(start[1:N_COMMON]))
        axes = lay_axes(self._boxes(place), STEP * narrowest[0], STEP * narrowest[1])
        return self._look(place, axes, self.prior, start)

    def _look(self, place: _Place, axes: list[Axes], prior: Hyperprior, start: FloatArray) -> list[_AtSlope]:
        """Most likely common parameters at each slope, on given lattices."""
        found: list[_AtSlope] = []
        for slope in place.nodes():
            evidence = self.evidence(axes, float(slope))
            peak = find_peak(evidence, prior, start)
            log_prior = float(log_normal(slope, 0.0, prior.slope_sd)) if self.has_years else 0.0
            found.append(_AtSlope(float(slope), log_prior, evidence, peak))
            start = peak.mode
        return found

    def finish(
        self, at_slopes: list[_AtSlope], averages: list[Averaged], chance: FloatArray, slope: _Slope
    ) -> tuple[Posterior, Common]:
        """Average over the slopes; add the families that nobody has seen."""
        slopes = np.array([a.slope for a in at_slopes])
        families = [
            posteriors(a.evidence, m.nodes, self.prior, m.weight[:, None] * m.centre_weight, m.log_marginal)
            for a, m in zip(at_slopes, averages, strict=True)
        ]
        seen = combine(at_slopes[0].evidence.lattices, families, slopes, chance)
        unseen = unseen_families(averages, slopes, chance, self.prior)
        nodes = np.concatenate([m.nodes.common for m in averages])
        weight = np.concatenate([p * m.weight for p, m in zip(chance, averages, strict=True)])
        mean = weight @ nodes
        sd = np.sqrt(weight @ (nodes - mean) ** 2)
        return seen.with_more(unseen), Common(mean, sd, slope.mean, slope.sd, slope.log_evidence)
