"""Centres of the kinds of one component, averaged over their own mean and spread."""

import numpy as np
from numpy.polynomial.hermite_e import hermegauss

from reliability.life.life_records import FloatArray
from reliability.life.pooling_hyper import Hyperprior
from reliability.life.pooling_kernels import SMALLEST, log_normal, normalised

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
