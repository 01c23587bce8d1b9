"""Shares of small counts: one share with its interval, and many shares drawn towards each other."""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, betaln, ndtri

from reliability.errors import InvalidInput

Floats = NDArray[np.float64]

INTERVALS = ("Jeffreys", "exact", "Wilson")


def share_interval(
    successes: ArrayLike, trials: ArrayLike, *, level: float = 0.90, method: str = "Jeffreys"
) -> tuple[Floats, Floats]:
    """Interval for a share.

    Parameters
    ----------
    successes, trials : array_like, shape (n,)
        ``0 <= successes <= trials``; with no trials the interval is (0, 1).
    level : float
        Between 0 and 1.
    method : {"Jeffreys", "exact", "Wilson"}
        Equal tails of the Beta(1/2, 1/2) posterior, Clopper-Pearson, or the score interval.

    Returns
    -------
    low, high : ndarray, shape (n,)
        Inside [0, 1]; 0 and 1 where nothing, or everything, succeeded.

    Raises
    ------
    InvalidInput
        If the method is unknown or successes do not lie between 0 and trials.

    References
    ----------
    L. D. Brown, T. T. Cai, A. DasGupta, "Interval estimation for a binomial proportion", *Statistical
    Science* 16 (2001) 101-133.
    """
    k, n = np.asarray(successes, float), np.asarray(trials, float)
    if method not in INTERVALS:
        raise InvalidInput(f"`method` must be one of {', '.join(INTERVALS)}; got {method!r}.")
    bad = (k < 0) | (k > n)
    if np.any(bad):
        raise InvalidInput(f"Successes must lie between 0 and trials; {int(np.sum(bad))} of {k.size} do not.")
    tail = (1.0 - level) / 2.0
    if method == "Wilson":
        z2 = float(ndtri(1.0 - tail)) ** 2
        m = n + z2
        middle, half = (k + z2 / 2) / m, np.sqrt(z2 * (k * (n - k) / np.where(n > 0, n, 1) + z2 / 4)) / m
        low, high = middle - half, middle + half
    else:
        more = (0.5, 0.5) if method == "Jeffreys" else (0.0, 1.0)
        with np.errstate(invalid="ignore"):  # no successes, or nothing but: set below
            low = betaincinv(k + more[0], n - k + more[1], tail)
            high = betaincinv(k + more[1], n - k + more[0], 1.0 - tail)
    return np.where(k == 0, 0.0, low), np.where(k == n, 1.0, high)


def beta_binomial_log_likelihood(a: ArrayLike, b: ArrayLike, successes: Floats, trials: Floats) -> Floats:
    """Log-likelihood of groups whose shares vary as Beta(a, b), binomial constants left out.

    Parameters
    ----------
    a, b : array_like, shape (...)
        Both > 0.
    successes, trials : ndarray, shape (n_groups,)

    Returns
    -------
    ndarray, shape (...)
    """
    a, b = np.asarray(a, float)[..., None], np.asarray(b, float)[..., None]
    return (betaln(a + successes, b + trials - successes) - betaln(a, b)).sum(axis=-1)


def shrunk_shares(successes: ArrayLike, trials: ArrayLike, *, usual: float, usual_worth: float) -> Floats:
    """Draw the shares of many groups towards their common mean, as far as the groups are alike.

    Parameters
    ----------
    successes, trials : array_like, shape (n_groups,)
        Counts; a group without trials gets the common mean.
    usual : float
        Common mean believed beforehand, between 0 and 1.
    usual_worth : float
        How many trials that belief is worth, > 0.

    Returns
    -------
    ndarray, shape (n_groups,)
        Posterior means, strictly inside (0, 1).

    Raises
    ------
    InvalidInput
        If `usual` is not inside (0, 1).

    Notes
    -----
    Beta-binomial model on a grid of mean and size (how many trials the common mean is worth to one
    group, 2 to 300, log-uniform), averaged over and not plugged in.
    """
    if not 0.0 < usual < 1.0:
        raise InvalidInput(f"`usual` must lie between 0 and 1, both excluded; got {usual!r}.")
    k, n = np.asarray(successes, float), np.asarray(trials, float)
    mean = betaincinv(usual * usual_worth, (1 - usual) * usual_worth, (np.arange(40) + 0.5) / 40)
    mean = np.clip(mean, 1e-6, 1 - 1e-6)
    size = np.geomspace(2.0, 300.0, 16)
    a, b = mean[:, None] * size, (1 - mean[:, None]) * size
    weight = beta_binomial_log_likelihood(a, b, k, n)
    weight = np.exp(weight - weight.max())
    weight /= weight.sum()
    posterior = (a[..., None] + k) / (size[:, None] + n)
    return (weight[..., None] * posterior).sum(axis=(0, 1))
