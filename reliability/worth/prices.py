"""Worth of a working unit: amounts shrunk over thin families, what sellers know, what sales fetched."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.life.lives import decimal_year
from reliability.records.checks import Settings
from reliability.records.frames import Records
from reliability.worth.bench import REPAIRED, UNREPAIRED, Bench
from reliability.worth.regression import Block, fit_shrunk_amount

Floats = NDArray[np.float64]


# ---- Amounts of money and time, drawn together over thin families; what an unrepaired unit still brings


USUAL_HOURS, USUAL_HOURS_SD = 2.0, 1.5
"""Bench hours of a job believed beforehand (common practice, no source)."""

USUAL_REMAINS = 0.1
"""Worth of an unrepaired unit as a share of the working price beforehand (common practice, no source)."""


@dataclass(frozen=True)
class Amount:
    """What is known of one amount: its mean, the doubt about that mean, the spread of single cases."""

    mean: Floats
    doubt: Floats
    spread: float


def fit_by_family(bench: Bench, rows: pd.Series, values: Floats, usual: float, usual_sd: float) -> Amount:
    """Draw an amount together over bench, kind and family."""
    # `rows`: jobs that say something of the amount; `values` (n_jobs,): the amount in each job, NaN where it
    # is not known; `usual, usual_sd`: what is believed beforehand of a single job.
    # Gives `mean` and `doubt` by slot (n_families + n_kinds + 1,).
    known = rows.to_numpy(bool) & np.isfinite(values)
    y = values[known]
    at = bench.jobs["family_at"].to_numpy(np.int64)[known]
    scale = float(np.std(y)) if y.size >= 8 and np.std(y) > 0 else usual_sd
    n_f, n_k = len(bench.families), len(bench.kinds)
    fit = fit_shrunk_amount(
        y,
        [
            Block("level", np.ones((y.size, 1)), (2 * scale,), usual),
            Block("kind", one_hot(bench.family_kind[at], n_k), (0.1 * scale, 0.4 * scale)),
        ],
        inner=at,
        n_inner=n_f,
        inner_sds=(0.1 * scale, 0.3 * scale, 0.7 * scale),
        usual_sd=scale,
    )
    kind, family = slot_index(bench)
    mean, sd, _ = fit.predict(np.column_stack([np.ones(kind.size), one_hot(kind, n_k)]), family)
    return Amount(mean, sd, fit.residual_sd)


def remains(bench: Bench, settings: Settings) -> Floats:
    """Worth of what was left of each unrepaired unit, NaN where not known; shape (n_jobs,)."""
    # A donor is worth the parts kept. A unit sold as it was is worth its price less the selling fee and the
    # time that selling took. Nothing is kept of a scrapped one unless a salvage value is written down, and
    # its disposal costs.
    jobs = bench.jobs
    salvage = jobs["salvage_value"].to_numpy(float)
    sale = jobs["sold_for"].to_numpy(float) * (1 - settings.selling_fee)
    sale = sale - settings.selling_hours * settings.hour_rate * (sale > 0)
    outcome = jobs["outcome"].to_numpy()
    worth = np.full(len(jobs), np.nan)
    donor, scrapped, as_is = (outcome == name for name in UNREPAIRED)
    worth[donor] = salvage[donor]
    worth[scrapped] = np.nan_to_num(salvage[scrapped]) - settings.disposal_cost
    worth[as_is] = np.nan_to_num(salvage[as_is]) + sale[as_is]
    return worth


def total(first: Amount, second: Amount, *, rate: float = 1.0) -> Amount:
    """Add two amounts that vary independently, the second at a rate."""
    return Amount(
        first.mean + rate * second.mean,
        np.hypot(first.doubt, rate * second.doubt),
        float(np.hypot(first.spread, rate * second.spread)),
    )


def slot_index(bench: Bench) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Kind and family of every slot: families, an unknown family of each kind, an unknown kind (-1)."""
    n_f, n_k = len(bench.families), len(bench.kinds)
    kind = np.concatenate([bench.family_kind, np.arange(n_k), [-1]]).astype(np.int64)
    return kind, np.concatenate([np.arange(n_f), np.full(n_k + 1, -1)]).astype(np.int64)


def one_hot(at: NDArray[np.int64], n: int) -> Floats:
    """Membership matrix; a position below 0 belongs nowhere. ndarray, shape (len(at), n)."""
    table = np.zeros((len(at), n))
    rows = np.flatnonzero(np.asarray(at) >= 0)
    table[rows, np.asarray(at)[rows]] = 1.0
    return table


# ---- What the prices that a bench paid say of a family: sellers know something of what they sell


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
    """Find by how much each family was dearer to buy than its price and its components explain."""
    # A market that asks little for a dear unit knows something that the ledger may not know yet: that its
    # faults are hard to mend, or that it sells badly. The news enters the recalibration and the prices as one
    # variable each, whose weight the outcomes and the sales decide.
    # `usual` (n_slots,): log odds of a repair of a typical unit by its components. Gives the log of the price
    # paid over the expected one by slot, drawn towards 0; 0 where nothing was bought.
    # Purchases are noisy, so the family effects of a regression of their own are taken, not the plain means.
    # Source (a variable of the group): A. Gelman, J. Hill, Data Analysis Using Regression and
    # Multilevel/Hierarchical Models, Cambridge, 2007, chapter 12.
    known = (bench.jobs["own"] & (bench.jobs["bought_for"] > 0)).to_numpy(bool)
    at = bench.jobs["family_at"].to_numpy(np.int64)[known]
    bought = bench.jobs["bought_for"].to_numpy(float)[known]
    n_f, n_k = len(bench.families), len(bench.kinds)
    kind, _ = slot_index(bench)
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
    news = np.zeros(kind.size)
    news[fit.told] = np.sum([f.weight * f.inner for f in fit.fits], axis=0)
    return news


# ---- What units fetch: working prices, and how sales differ from them by sign, kind, family and year


USUAL_SPREAD = 0.25
"""Relative spread of one sale around the working price where the family states none
(common practice, no source)."""

LEAST_SPREAD = 0.01
"""No price is exact: a family whose stated spread is 0 is taken to vary by so much
(common practice, no source)."""

FEWEST_SALES, MOST_SLOPES = 4, 400
"""Sales from which a family may have a price slope of its own, and how many families at most."""

USUAL_PRICE = 100.0
"""Price level believed beforehand, in the ledger's currency, only where no price is stated and nothing was
ever sold (common practice, no source)."""

PRICE_SIGN_MEAN, PRICE_SIGN_SD = -0.03, 0.12
"""Prior of a sign's effect on the log price (common practice, no source)."""

YEARS_AHEAD = 0.5
"""How far prices may still move until a unit on offer is repaired and sold (common practice, no source)."""

ABOVE_KIN, ABOVE_KIN_SD = -0.15, 0.1
"""Prior of how far a stated price that is above (below) those of its kind is above (below) what is fetched,
per unit of its logarithm: part of any spread of estimates is their error (common practice, no source)."""


def working_prices(bench: Bench) -> Amount:
    """Working price of every family, as stated by the owner or from the sales of its kind."""
    # Gives `mean`, shape (n_families + n_kinds + 1,): families, then an unknown family of each kind, then an
    # unknown kind. `doubt` is relative: 0 where the owner states a price.
    stated = bench.records.families.set_index("family")["working_price"].reindex(list(bench.families))
    known = stated.to_numpy(float)
    sold = _sales(bench)
    n_f, n_k = len(bench.families), len(bench.kinds)
    at = np.concatenate([np.flatnonzero(known > 0), sold["family_at"].to_numpy(np.int64)])
    log_price = np.log(np.concatenate([known[known > 0], sold["sold_for"].to_numpy(float)]))
    centre = log_price.mean() if log_price.size else np.log(USUAL_PRICE)
    fit = fit_shrunk_amount(
        log_price,
        [
            Block("level", np.ones((at.size, 1)), (1.0,), centre),
            Block("kind", one_hot(bench.family_kind[at], n_k), (0.2, 0.5)),
        ],
        inner=at,
        n_inner=n_f,
        inner_sds=(0.3, 0.6, 1.0),
        usual_sd=USUAL_SPREAD,
    )
    kind, family = slot_index(bench)
    mean, sd, _ = fit.predict(np.column_stack([np.ones(kind.size), one_hot(kind, n_k)]), family)
    stated_here = np.concatenate([known > 0, np.zeros(n_k + 1, bool)])
    price = np.where(stated_here, np.concatenate([known, np.ones(n_k + 1)]), np.exp(mean))
    return Amount(price, np.where(stated_here, 0.0, sd), 0.0)


def price_level(bench: Bench) -> float:
    """Median of all prices of working units, stated or fetched: what amounts of money are measured by."""
    stated = bench.records.families["working_price"].to_numpy(float)
    prices = np.concatenate([stated[stated > 0], _sales(bench)["sold_for"].to_numpy(float)])
    return float(np.median(prices)) if prices.size else USUAL_PRICE


def _sales(bench: Bench) -> pd.DataFrame:
    jobs = bench.jobs
    sold = jobs["own"] & (jobs["outcome"] == REPAIRED) & (jobs["sold_for"] > 0)
    return jobs[sold]


@dataclass(frozen=True)
class PriceModel:
    """Log ratio of realised to working price."""

    ratio: Amount  # by family, unknown family of a kind, unknown kind; at the day of the appraisal
    signs: Floats  # (n_signs,): shift by a sign
    spread: Floats  # (n_families + n_kinds + 1,): log spread of one sale


def fit_prices(bench: Bench, price: Amount, signs: Floats, news: Floats) -> PriceModel:
    """Fit what units really fetched against what their owner thought they would."""
    # `price`: from `working_prices`; `signs` (n_jobs, n_signs): centred signs, 0 where nobody looked; `news`
    # (n_families + n_kinds + 1,): from `purchase_news`.
    # The level drifts as a random walk from year to year, each kind's around it, and families that sell often
    # have a slope of their own. An estimate of a price counts from the day it was made, so that only what
    # happened since then matters. Until the next sale the walks go on for `YEARS_AHEAD`: doubt only.
    sold = _sales(bench)
    at = sold["family_at"].to_numpy(np.int64)
    table = bench.records.families.set_index("family").reindex(list(bench.families))
    spread = log_spread(table["price_spread"].fillna(USUAL_SPREAD).to_numpy(float))
    usual = float(log_spread(np.array(USUAL_SPREAD)))
    n_f, n_k, n_s = len(bench.families), len(bench.kinds), signs.shape[1]
    now = decimal_year(np.array([bench.as_of], dtype="datetime64[D]"))
    priced = np.concatenate(
        [decimal_year(table["priced_on"].fillna(pd.Timestamp(bench.as_of))), np.repeat(now, n_k + 1)]
    )
    when = decimal_year(sold["sold_on"].fillna(sold["closed"]))
    kind, family = slot_index(bench)
    # Kinds of which nothing was sold share a last place that no sale informs: pure doubt.
    kinds_sold = np.unique(bench.family_kind[at])
    n_places = kinds_sold.size + 1
    place = np.full(n_k + 1, kinds_sold.size)
    place[kinds_sold], place[-1] = np.arange(kinds_sold.size), -1
    clock = _Clock(np.arange(int(when.min(initial=now[0])), int(now[0]) + 1), n_places, _sloped(at, n_f))
    high = _above_kin(bench, price)
    design = [
        np.ones((at.size, 1)),
        *clock.columns(when, priced[at], place[bench.family_kind[at]], at),
        one_hot(place[bench.family_kind[at]], n_places),
        signs[sold.index],
        news[at, None],
        high[at, None],
    ]
    fit = fit_shrunk_amount(
        np.log(sold["sold_for"].to_numpy(float) / price.mean[at]),
        [
            Block("level", design[0], (0.25,)),
            Block("drift", design[1], (0.03, 0.1)),
            Block("drift of a kind", design[2], (0.03, 0.08)),
            Block("slope of a family", design[3], (0.02, 0.05, 0.1)),
            Block("kind", design[4], (0.05, 0.15)),
            Block("signs", design[5], (PRICE_SIGN_SD,), PRICE_SIGN_MEAN),
            Block("purchases", design[6], PRICE_NEWS_SDS, PRICE_NEWS),
            Block("above its kin", design[7], (ABOVE_KIN_SD,), ABOVE_KIN),
        ],
        inner=at,
        n_inner=n_f,
        inner_sds=(0.05, 0.15, 0.3),
        weights=(usual / spread[at]) ** 2,
        usual_sd=usual,
    )
    rows = np.column_stack(
        [
            np.ones(kind.size),
            *clock.columns(np.repeat(now, kind.size), priced, place[kind], family, ahead=YEARS_AHEAD),
            one_hot(place[kind], n_places),
            np.zeros((kind.size, n_s)),
            news[:, None],
            high[:, None],
        ]
    )
    mean, sd, _ = fit.predict(rows, family)
    effects = np.sum([f.weight * f.upper for f in fit.fits], axis=0)
    all_spread = np.concatenate([spread, np.full(n_k + 1, usual)])
    return PriceModel(
        Amount(mean, sd, fit.residual_sd),
        effects[effects.size - n_s - 2 : -2],
        fit.residual_sd * all_spread / usual,
    )


def _above_kin(bench: Bench, price: Amount) -> Floats:
    """Log of each stated working price over the usual one of its kind, 0 where none is stated; by slot."""
    # The fewer other prices of the kind there are, the less they have to say: none for the only one.
    kind, family = slot_index(bench)
    stated = (family >= 0) & (price.doubt == 0.0)
    n = np.bincount(kind[stated], minlength=len(bench.kinds) + 1)[kind]
    others = 1.0 - 1.0 / np.maximum(n, 1)
    usual = price.mean[len(bench.families) + np.maximum(kind, 0)]
    return np.where(stated, others * np.log(price.mean / usual), 0.0)


def log_spread(relative: Floats) -> Floats:
    """Turn a relative standard deviation into that of the logarithm, for a lognormal amount."""
    return np.sqrt(np.log1p(np.maximum(relative, LEAST_SPREAD) ** 2))


def _sloped(at: NDArray[np.int64], n_families: int) -> NDArray[np.int64]:
    """Families whose prices get a slope of their own: those that sell often; ascending positions."""
    n = np.bincount(at, minlength=n_families)
    often = np.argsort(-n, kind="stable")[:MOST_SLOPES]
    return np.sort(often[n[often] >= FEWEST_SALES])


@dataclass(frozen=True)
class _Clock:
    """How prices move between the day of an estimate and the day of a sale."""

    years: NDArray[np.int64]
    n_kinds: int
    sloped: NDArray[np.int64]

    def columns(
        self,
        when: Floats,
        priced: Floats,
        kind: NDArray[np.int64],
        family: NDArray[np.int64],
        ahead: float = 0.0,
    ) -> list[Floats]:
        """Lay out steps of the walks of bench and kinds, and years along the families' slopes."""
        # The last step is that of the `ahead` years to come: its variance grows with them.
        walk = _walk(when, self.years) - _walk(priced, self.years)
        walk = np.column_stack([walk, np.full(len(when), np.sqrt(ahead))])
        of_kind = (one_hot(kind, self.n_kinds)[:, :, None] * walk[:, None, :]).reshape(
            len(when), self.n_kinds * walk.shape[1]
        )
        at = np.searchsorted(self.sloped, family)
        own = np.append(self.sloped, -1)[at] == family
        # Families without a slope of their own share a last column that no sale informs: pure doubt.
        slope = one_hot(np.where(own & (family >= 0), at, self.sloped.size), self.sloped.size + 1)
        return [walk, of_kind, slope * (when - priced)[:, None]]


def _walk(year: Floats, years: NDArray[np.int64]) -> Floats:
    """Mark the steps of a random walk taken by each year; the first year is its start."""
    return (year[:, None] >= years[None, 1:]).astype(float)


def asked_prices(records: Records) -> pd.Series:
    """Price at which each family's units are usually offered."""
    # The median of what was asked, bought or not, with what was paid for units whose asking nobody wrote
    # down; of the whole kind where the family was never met; NaN where nothing was.
    kind_of = records.families.set_index("family")["kind"]
    seen = seen_units(records)
    bought = records.jobs[records.jobs["origin"].isna() & ~records.jobs["job"].isin(seen["job"].dropna())]
    asked = pd.concat(
        [bought[["family", "bought_for"]].rename(columns={"bought_for": "asked"}), seen[["family", "asked"]]]
    ).dropna()
    by_kind = asked.groupby(asked["family"].map(kind_of))["asked"].median()
    return (
        asked.groupby("family")["asked"]
        .median()
        .reindex(kind_of.index)
        .fillna(kind_of.map(by_kind))
        .astype(float)
    )


def seen_units(records: Records) -> pd.DataFrame:
    """Give the sightings with the family that their model belongs to, where they name none themselves."""
    family_of = records.models.set_index("model")["family"]
    seen = records.sightings
    return seen.assign(family=seen["family"].fillna(seen["model"].map(family_of)))


def usual_prices(records: Records) -> pd.Series:
    """Price at which each family's units were usually bought."""
    kind_of = records.families.set_index("family")["kind"]
    bought = records.jobs[records.jobs["origin"].isna() & records.jobs["bought_for"].notna()]
    by_family = bought.groupby("family")["bought_for"].median().reindex(kind_of.index)
    by_kind = bought.groupby(bought["family"].map(kind_of))["bought_for"].median()
    return by_family.fillna(kind_of.map(by_kind)).astype(float)
