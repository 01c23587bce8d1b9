"""Lives of parts pooled over families: an answer for three records, for none, and for many."""

from collections.abc import Sequence
from concurrent.futures import Executor
from functools import partial

import numpy as np
from numpy.typing import ArrayLike

from reliability.life.life_records import LifeRecords
from reliability.life.pooling_fit import Common, fit_component
from reliability.life.pooling_hyper import Hyperprior
from reliability.life.pooling_labels import label_rows
from reliability.life.pooling_lives import LifeSummary, PooledComponent, PooledLives
from reliability.life.pooling_posterior import Posterior
from reliability.life.pooling_records import ComponentRecords, Hearsay, gather, no_records
from reliability.life.pooling_unseen import unseen_component

__all__ = ["Hearsay", "Hyperprior", "LifeSummary", "PooledComponent", "PooledLives", "pool"]


def pool(
    records: LifeRecords | None,
    *,
    component: ArrayLike,
    family: ArrayLike,
    kind: ArrayLike | None = None,
    year: ArrayLike | None = None,
    hearsay: Sequence[Hearsay] = (),
    prior: Hyperprior | None = None,
    executor: Executor | None = None,
) -> PooledLives:
    r"""Pool the lives of each component over its families.

    Families are alike, not equal. For family f of kind k, built d decades after the component's
    reference year, a life is Weibull with

    .. math::
        \log \mathrm{scale} = M_k + \beta d + \tau_1 a_f, \qquad
        \log \mathrm{shape} = \nu + \tau_2 b_f, \qquad M_k = \mu + \omega c_k

    and standard normal a, b, c. What the families share (M, nu, both tau, mu, omega, beta) is averaged
    over with the priors of `Hyperprior`, not estimated and plugged in: with few families a plugged-in
    spread makes bands far too narrow. Windows of production years are added up inside the likelihood.

    Parameters
    ----------
    records : LifeRecords or None
        Their `stratum` is not used. None (with empty labels) where there is nothing but hearsay.
    component, family : array_like of str, shape (n_rows,)
        Labels of each row of the records. Alternatives of one record must agree on them.
    kind : array_like of str, shape (n_rows,), optional
        Kind of the row's family; None where it is not known. Without it kinds are not told apart.
    year : array_like of float, shape (n_rows,), optional
        Production year that the row's alternative assumes. Without it the year makes no difference.
    hearsay : sequence of Hearsay
    prior : Hyperprior, optional
        Other prior beliefs than the default ones.
    executor : concurrent.futures.Executor, optional
        Fits the components side by side; the answers are the same.

    Returns
    -------
    PooledLives

    Raises
    ------
    InvalidInput
        If labels are missing, of another length than the records, or contradict each other; if a year
        is missing; if hearsay contradicts the records.

    Notes
    -----
    Posteriors are computed on lattices of (log scale, log shape), one per family, laid where its
    posterior is; the shared parameters by Gauss-Hermite quadrature around their mode. Nothing is drawn at
    random. The band of a probability near 0 or 1 does not cover at its nominal level in each such
    family, only over all families together: pooling pulls the extreme ones to the middle.

    References
    ----------
    .. [1] A. Gelman et al., *Bayesian Data Analysis*, 3rd ed., Chapman & Hall, 2013, chapter 5.
    .. [2] T. A. Louis, Finding the observed information matrix when using the EM algorithm, *Journal
       of the Royal Statistical Society B* 44 (1982) 226-233.

    Examples
    --------
    >>> lives = LifeRecords([0, 30, 0], [30, float("inf"), 40])
    >>> pooled = pool(lives, component=["belt"] * 3, family=["Tarnwick T2", "Tarnwick T2", "Dallow 80"])
    >>> mean, low, high = pooled.failed_by("belt", "Dallow 80", 35)
    >>> bool(low < mean < high)
    True
    """
    prior = prior or Hyperprior()
    rows = label_rows(records, component=component, family=family, kind=kind, year=year, hearsay=hearsay)
    has_years = year is not None
    has_kinds = bool(rows["kind"].notna().any())
    gathered = gather(rows)
    fit = partial(fit_component, prior=prior, has_kinds=has_kinds)
    fitted = executor.map(fit, gathered) if executor else map(fit, gathered)
    parts = {one.component: _part(one, *found) for one, found in zip(gathered, fitted, strict=True)}
    return PooledLives(parts, _other(parts, prior), prior, has_years, has_kinds)


def _part(records: ComponentRecords, posterior: Posterior, common: Common) -> PooledComponent:
    """Keep of a component what answers questions: no records, and no families without a name."""
    families = {name: i for i, name in enumerate(records.families) if name is not None}
    mean_year = np.append(records.mean_year, np.zeros(len(records.kinds) + 1))
    return PooledComponent(
        families=families,
        kinds={kind: i for i, kind in enumerate(records.kinds)},
        kind_of={name: records.kinds[records.kind[i]] for name, i in families.items()},
        n_records=records.n_records,
        reference_year=records.reference_year,
        mean_year=mean_year,
        posterior=posterior,
        common=common,
    )


def _other(parts: dict[str, PooledComponent], prior: Hyperprior) -> Posterior:
    """Take an unheard-of component to be like an unseen kind of any known one, or as the prior has it."""
    prior_only, _ = fit_component(no_records(), prior, has_kinds=True)
    known = [prior_only, *(part.posterior for _, part in sorted(parts.items()))]
    return unseen_component(
        np.stack([p.mean[-1] for p in known]), np.stack([p.covariance[-1] for p in known])
    )
