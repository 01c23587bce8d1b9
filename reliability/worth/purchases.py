"""What the prices that a bench paid say of a family: sellers know something of what they sell."""

import numpy as np
from numpy.typing import NDArray

from reliability.worth.bench import Bench
from reliability.worth.money import Amount, one_hot, slot_index
from reliability.worth.regression import Block, fit_shrunk_amount

Floats = NDArray[np.float64]

PAID_LEVEL, PAID_LEVEL_SD = -1.6, 1.0
"""Log of the price paid over that of a working unit, believed beforehand (common practice, no source)."""

PAID_SPREAD = 0.5
"""Log spread of single purchases of one family, believed beforehand (common practice, no source)."""

ODDS_NEWS, ODDS_NEWS_SDS = 0.8, (0.4, 1.0)
PRICE_NEWS, PRICE_NEWS_SDS = 0.2, (0.1, 0.3)
"""Prior of what a price paid above the expected says of the log odds of a repair and of the log price, per
unit of its logarithm; found useful on simulated trades whose sellers half know what a unit is worth, and
left to the records otherwise (common practice, no source)."""


def purchase_news(bench: Bench, price: Amount, usual: Floats) -> Floats:
    """Find by how much each family was dearer to buy than its price and its components explain.

    A market that asks little for a dear unit knows something that the ledger may not know yet: that its
    faults are hard to mend, or that it sells badly. The news enters the recalibration and the prices as
    one variable each, whose weight the outcomes and the sales decide.

    Parameters
    ----------
    bench : Bench
    price : Amount
        Working prices by slot.
    usual : ndarray, shape (n_families + n_kinds + 1,)
        Log odds of a repair of a typical unit, by its components.

    Returns
    -------
    ndarray, shape (n_families + n_kinds + 1,)
        Log of the price paid over the expected one, drawn towards 0; 0 where nothing was bought.

    Notes
    -----
    A variable of the group in a nested regression, as in [1]_, chapter 12. Purchases are noisy, so the
    family effects of a regression of their own are taken, not the plain means.

    References
    ----------
    .. [1] A. Gelman, J. Hill, *Data Analysis Using Regression and Multilevel/Hierarchical Models*,
       Cambridge, 2007.
    """
    known = (bench.jobs["own"] & (bench.jobs["bought_for"] > 0)).to_numpy(bool)
    at = bench.jobs["family_at"].to_numpy(np.int64)[known]
    bought = bench.jobs["bought_for"].to_numpy(float)[known]
    n_f, n_k = len(bench.families), len(bench.kinds)
    kind, family = slot_index(bench)
    if not at.size:
        return np.zeros(kind.size)
    log_price = np.log(price.mean)
    fit = fit_shrunk_amount(
        np.log(bought) - log_price[at],
        [
            Block("level", np.ones((at.size, 1)), (PAID_LEVEL_SD,), PAID_LEVEL),
            Block("kind", one_hot(bench.family_kind[at], n_k), (0.1, 0.3)),
            Block("odds", (usual[at] - usual[at].mean())[:, None], (0.3,)),
            Block("price", (log_price[at] - log_price[at].mean())[:, None], (0.3,)),
        ],
        inner=at,
        n_inner=n_f,
        inner_sds=(0.05, 0.15, 0.3, 0.5),
        usual_sd=PAID_SPREAD,
    )
    own = np.sum([f.weight * f.inner for f in fit.fits], axis=0)
    return np.where(family >= 0, own[np.maximum(family, 0)], 0.0)
