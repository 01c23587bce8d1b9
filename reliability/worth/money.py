"""Money: what working units fetch, what a job takes, and what each finished one brought in all."""

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import compress
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from reliability.life.lives import decimal_year
from reliability.records.frames import Records
from reliability.records.tables import UNREPAIRED
from reliability.worth.appraiser import Appraiser
from reliability.worth.bench import REPAIRED, Bench, counts, failed_in_job, read_bench, seen_units
from reliability.worth.odds import Floats, Ints, Spread, sale_price
from reliability.worth.regression import Block, ShrunkFit, fit_shrunk_amount, one_hot, shrunk_shares
from reliability.worth.supply import Pair, read_shelf

# Whatever is believed beforehand in this file: common practice, no source.


# ---- Amounts of money and time, drawn together over thin families; what an unrepaired unit still brings

#: Bench hours of a job believed beforehand.
USUAL_HOURS, USUAL_HOURS_SD = 2.0, 1.5
#: Worth of an unrepaired unit as a share of the working price beforehand.
USUAL_REMAINS = 0.1


class Amount(NamedTuple):
    """An amount by slot: its mean, the doubt about that mean, the spread of single cases."""

    mean: Floats
    doubt: Floats
    spread: Floats | float

    def times(self, factor: Floats | float) -> "Amount":
        """Count it in another unit."""
        return Amount(self.mean * factor, self.doubt * factor, self.spread * factor)

    def plus(self, other: "Amount") -> "Amount":
        """Add an amount that varies independently."""
        doubt, spread = np.hypot(self.doubt, other.doubt), np.hypot(self.spread, other.spread)
        return Amount(self.mean + other.mean, doubt, spread)

    def by_slot(self) -> list[Spread]:
        """Give the amounts slot by slot."""
        return [Spread(*map(float, each)) for each in zip(*np.broadcast_arrays(*self), strict=True)]


def _by_slot(
    bench: Bench, y: Floats, at: Ints, level: tuple[float, float], kind_sds: tuple[float, ...],
    family_sds: tuple[float, ...], usual_sd: float, more: Sequence[Block] = (),
) -> tuple[Amount, ShrunkFit]:  # fmt: skip
    """Fit level, kinds and families (`at`, of each row), and `more` that is 0 in what is told of a slot."""
    n_k = len(bench.kinds)
    everywhere = Block(np.ones((at.size, 1)), level[1:], level[0])
    blocks = [everywhere, Block(one_hot(bench.family_kind[at], n_k), kind_sds), *more]
    fit = fit_shrunk_amount(y, blocks, inner=at, inner_sds=family_sds, usual_sd=usual_sd)
    kind, family = bench.slot_places
    others = np.zeros((kind.size, fit.n_upper - 1 - n_k))
    mean, sd, _ = fit.predict(np.column_stack([np.ones(kind.size), one_hot(kind, n_k), others]), family)
    return Amount(mean, sd, fit.residual_sd), fit


def remains(bench: Bench) -> Floats:
    """Worth of what was left of each unrepaired unit, NaN where not known; shape (n_jobs,)."""
    # A donor is worth the parts kept. A unit sold as it was is worth its price less the selling fee and the
    # time that selling took. Nothing is kept of a scrapped one unless a salvage value is written down, and
    # its disposal costs.
    jobs, settings = bench.jobs, bench.records.settings
    salvage = jobs["salvage_value"].to_numpy(float)
    sale = jobs["sold_for"].to_numpy(float) * (1 - settings.selling_fee)
    sale = sale - settings.selling_hours * settings.hour_rate * (sale > 0)
    donor, scrapped, as_is = ((jobs["outcome"] == name).to_numpy() for name in UNREPAIRED)
    by_outcome = [salvage, np.nan_to_num(salvage) - settings.disposal_cost, np.nan_to_num(salvage) + sale]
    return np.select([donor, scrapped, as_is], by_outcome, np.nan)


def fit_amounts(
    bench: Bench, signs: Floats, components: tuple[str, ...], price: Amount, news: Floats
) -> tuple[dict[str, list[Spread] | Floats], dict[str, Any], "PartCosts"]:
    """Fit prices, costs, hours, remains: fields of `FamilyEntry` by slot, those of `Shared`, and parts."""
    # `signs` (n_jobs, n_signs): centred signs, 0 where nobody looked; `price`: from `working_prices`; `news`
    # (n_slots,): from `purchase_news`.
    jobs, settings = bench.jobs, bench.records.settings
    repaired = jobs["own"] & (jobs["repaired"] == 1)
    unrepaired = jobs["own"] & jobs["outcome"].isin(UNREPAIRED)
    level, rate = float(np.median(price.mean)), settings.hour_rate
    parts = fit_part_costs(bench, components)
    hours, repair_hours = fit_hours(bench, components)
    prices, price_signs = fit_prices(bench, price, signs, news)

    def fitted(rows: pd.Series, values: Floats, usual: float, usual_sd: float = 0.05 * level) -> Amount:
        """Draw together what some jobs say of an amount (n_jobs,), given what one job is believed to take."""
        known = rows.to_numpy(bool) & np.isfinite(values)
        y, at = values[known], jobs["family_at"].to_numpy(np.int64)[known]
        scale = float(np.std(y)) if y.size >= 8 and np.std(y) > 0 else usual_sd
        within_kind = (0.1 * scale, 0.3 * scale, 0.7 * scale)
        return _by_slot(bench, y, at, (usual, 2 * scale), (0.1 * scale, 0.4 * scale), within_kind, scale)[0]

    worked, other = jobs["hours"].to_numpy(float), jobs["other_costs"].to_numpy(float)
    beside, spent = (part_costs_by_job(bench, parts, failed=which)[0] for which in (False, None))
    left = remains(bench) / price.mean[jobs["family_at"].to_numpy(np.int64)]
    share = fitted(unrepaired, left, USUAL_REMAINS, 0.15)
    other_repaired = fitted(repaired, other, 0.05 * level)
    other_unrepaired = fitted(unrepaired, other, 0.02 * level)
    hours_unrepaired = fitted(unrepaired, worked, USUAL_HOURS, USUAL_HOURS_SD)
    worn, lost = fitted(repaired, beside, 0.0), fitted(unrepaired, spent, 0.01 * level)
    costs = other_repaired.plus(worn).plus(hours.times(rate))
    by_slot: dict[str, list[Spread] | Floats] = {
        "working_price": price.mean,
        "price_doubt": price.doubt,
        "ratio": prices.by_slot(),
        "remains": share.times(price.mean).by_slot(),
        # A repaired unit has to be sold.
        "costs_repaired": costs._replace(mean=costs.mean + settings.selling_hours * rate).by_slot(),
        "costs_unrepaired": other_unrepaired.plus(lost).plus(hours_unrepaired.times(rate)).by_slot(),
        "other_repaired": other_repaired.mean,
        "other_unrepaired": other_unrepaired.mean,
        "hours_repaired": hours.mean,
        "hours_unrepaired": hours_unrepaired.mean,
    }
    return by_slot, {"price_signs": price_signs, "repair_hours": repair_hours}, parts


# ---- What the prices that a bench paid say of a family: sellers know something of what they sell

#: Log of the price paid over that of a working unit, believed beforehand.
PAID_LEVEL, PAID_LEVEL_SD = -1.6, 1.0
#: Log spread of single purchases of one family, believed beforehand.
PAID_SPREAD = 0.5
#: Prior of what a price paid above the expected says of the log odds of a repair and of the log price, per
#: unit of its logarithm; found useful on simulated trades whose sellers half know what a unit is worth, and
#: left to the records otherwise.
ODDS_NEWS, ODDS_NEWS_SDS = 0.8, (0.4, 1.0)
PRICE_NEWS, PRICE_NEWS_SDS = 0.2, (0.1, 0.3)


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
    bought = bench.jobs[bench.jobs["own"] & (bench.jobs["bought_for"] > 0)]
    at = bought["family_at"].to_numpy(np.int64)
    if not at.size:
        return np.zeros(price.mean.size)
    log_price = np.log(price.mean)[at]
    beside = [Block((x - x.mean())[:, None], (0.3,)) for x in (usual[at], log_price)]
    within_kind = (0.05, 0.15, 0.3, 0.5)
    y, level = np.log(bought["bought_for"].to_numpy(float)) - log_price, (PAID_LEVEL, PAID_LEVEL_SD)
    _, fit = _by_slot(bench, y, at, level, (0.1, 0.3), within_kind, PAID_SPREAD, beside)
    _, family = bench.slot_places
    return fit.predict(np.zeros((family.size, fit.n_upper)), family)[0]


# ---- What units fetch: working prices, and how sales differ from them by sign, kind, family and year

#: Relative spread of one sale around the working price where the family states none.
USUAL_SPREAD = 0.25
#: No price is exact: a family whose stated spread is 0 is taken to vary by so much.
LEAST_SPREAD = 0.01
#: Sales from which a family may have a price slope of its own, and how many families at most.
FEWEST_SALES, MOST_SLOPES = 4, 400
#: Price level believed beforehand, in the ledger's currency, only where no price is stated and nothing was
#: ever sold.
USUAL_PRICE = 100.0
#: Prior of a sign's effect on the log price.
PRICE_SIGN_MEAN, PRICE_SIGN_SD = -0.03, 0.12
#: How far prices may still move until a unit on offer is repaired and sold.
YEARS_AHEAD = 0.5
#: Prior of how far a stated price that is above (below) those of its kind is above (below) what is fetched,
#: per unit of its logarithm: part of any spread of estimates is their error.
ABOVE_KIN, ABOVE_KIN_SD = -0.15, 0.1


def working_prices(bench: Bench) -> Amount:
    """Working price of every family, as stated by the owner or from the sales of its kind."""
    # Gives `mean`, shape (n_families + n_kinds + 1,): families, then an unknown family of each kind, then an
    # unknown kind. `doubt` is relative: 0 where the owner states a price.
    stated = bench.records.families.set_index("family")["working_price"].reindex(list(bench.families))
    known = stated.to_numpy(float)
    sold = _sales(bench)
    at = np.concatenate([np.flatnonzero(known > 0), sold["family_at"].to_numpy(np.int64)])
    log_price = np.log(np.concatenate([known[known > 0], sold["sold_for"].to_numpy(float)]))
    centre = log_price.mean() if log_price.size else np.log(USUAL_PRICE)
    found, _ = _by_slot(bench, log_price, at, (centre, 1.0), (0.2, 0.5), (0.3, 0.6, 1.0), USUAL_SPREAD)
    prices = np.concatenate([known, np.full(len(bench.kinds) + 1, np.nan)])
    is_stated = prices > 0
    return Amount(np.where(is_stated, prices, np.exp(found.mean)), np.where(is_stated, 0.0, found.doubt), 0.0)


def _sales(bench: Bench) -> pd.DataFrame:
    jobs = bench.jobs
    return jobs[jobs["own"] & (jobs["outcome"] == REPAIRED) & (jobs["sold_for"] > 0)]


def fit_prices(bench: Bench, price: Amount, signs: Floats, news: Floats) -> tuple[Amount, Floats]:
    """Fit the log of what units really fetched over what their owner thought, and its shift by a sign."""
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
    n_k, n_s = len(bench.kinds), signs.shape[1]
    now = decimal_year(np.array([bench.as_of], dtype="datetime64[D]"))
    priced = decimal_year(table["priced_on"].fillna(pd.Timestamp(bench.as_of)))
    priced = np.concatenate([priced, np.repeat(now, n_k + 1)])
    when = decimal_year(sold["sold_on"].fillna(sold["closed"]))
    years = np.arange(int(when.min(initial=now[0])), int(now[0]) + 1)
    kind, family = bench.slot_places
    # Kinds of which nothing was sold share a last place that no sale informs: pure doubt.
    kinds_sold = np.unique(bench.family_kind[at])
    n_places = kinds_sold.size + 1
    place = np.full(n_k + 1, kinds_sold.size)
    place[kinds_sold], place[-1] = np.arange(kinds_sold.size), -1
    # Families without a slope of their own share a last column likewise.
    n_sold = np.bincount(at, minlength=len(bench.families))
    often = np.argsort(-n_sold, kind="stable")[:MOST_SLOPES]
    sloped = np.sort(often[n_sold[often] >= FEWEST_SALES])
    high = _above_kin(bench, price)

    def design(slot: Ints, when: Floats, signs: Floats, ahead: float) -> list[Floats]:
        """Lay out the variables of sales of these slots, in the order of the blocks below."""
        # Steps of the walks between an estimate and a sale. The last step is that of the `ahead` years to
        # come: its variance grows with them.
        steps = (when[:, None] >= years[1:]).astype(float) - (priced[slot, None] >= years[1:])
        walk = np.column_stack([steps, np.full(len(when), np.sqrt(ahead))])
        of_place = one_hot(place[kind[slot]], n_places)
        by_place = (of_place[:, :, None] * walk[:, None, :]).reshape(len(when), n_places * walk.shape[1])
        column = np.searchsorted(sloped, family[slot])
        is_own = (np.append(sloped, -1)[column] == family[slot]) & (family[slot] >= 0)
        slope = one_hot(np.where(is_own, column, sloped.size), sloped.size + 1)
        slope *= (when - priced[slot])[:, None]
        level = np.ones((len(when), 1))
        return [level, walk, by_place, slope, of_place, signs, news[slot, None], high[slot, None]]

    level, walk, by_place, slope, of_place, by_sign, by_news, by_kin = design(
        at, when, signs[sold.index], 0.0
    )
    blocks = [
        Block(level, (0.25,)),
        Block(walk, (0.03, 0.1)),
        Block(by_place, (0.03, 0.08)),
        Block(slope, (0.02, 0.05, 0.1)),
        Block(of_place, (0.05, 0.15)),
        Block(by_sign, (PRICE_SIGN_SD,), PRICE_SIGN_MEAN),
        Block(by_news, PRICE_NEWS_SDS, PRICE_NEWS),
        Block(by_kin, (ABOVE_KIN_SD,), ABOVE_KIN),
    ]
    log_ratio = np.log(sold["sold_for"].to_numpy(float) / price.mean[at])
    worth = (usual / spread[at]) ** 2
    fit = fit_shrunk_amount(
        log_ratio, blocks, inner=at, inner_sds=(0.05, 0.15, 0.3), weights=worth, usual_sd=usual
    )
    slots = np.arange(kind.size)
    at_once = design(slots, np.repeat(now, kind.size), np.zeros((kind.size, n_s)), YEARS_AHEAD)
    mean, sd, _ = fit.predict(np.column_stack(at_once), family)
    of_sign, _ = fit.effects(np.eye(fit.n_upper)[fit.n_upper - n_s - 2 : -2])
    all_spread = np.concatenate([spread, np.full(n_k + 1, usual)])
    return Amount(mean, sd, fit.residual_sd * all_spread / usual), of_sign


def _above_kin(bench: Bench, price: Amount) -> Floats:
    """Log of each stated working price over the usual one of its kind, 0 where none is stated; by slot."""
    # The fewer other prices of the kind there are, the less they have to say: none for the only one.
    kind, family = bench.slot_places
    stated = (family >= 0) & (price.doubt == 0.0)
    n = np.bincount(kind[stated], minlength=len(bench.kinds) + 1)[kind]
    others = 1.0 - 1.0 / np.maximum(n, 1)
    usual = price.mean[len(bench.families) + np.maximum(kind, 0)]
    return np.where(stated, others * np.log(price.mean / usual), 0.0)


def log_spread(relative: Floats) -> Floats:
    """Turn a relative standard deviation into that of the logarithm, for a lognormal amount."""
    return np.sqrt(np.log1p(np.maximum(relative, LEAST_SPREAD) ** 2))


def asked_prices(records: Records) -> pd.Series:
    """Price at which each family's units are usually offered."""
    # The median of what was asked, bought or not, with what was paid where nobody wrote down what was asked.
    seen = seen_units(records)
    bought = records.jobs[records.jobs["origin"].isna() & ~records.jobs["job"].isin(seen["job"].dropna())]
    bought = bought[["family", "bought_for"]].set_axis(["family", "asked"], axis=1)
    return _medians(records, pd.concat([bought, seen[["family", "asked"]]]))


def usual_prices(records: Records) -> pd.Series:
    """Price at which each family's units were usually bought."""
    return _medians(records, records.jobs.loc[records.jobs["origin"].isna(), ["family", "bought_for"]])


def _medians(records: Records, prices: pd.DataFrame) -> pd.Series:
    """Median price of each family; of its kind where it has none, NaN where that has none either."""
    kind_of = records.families.set_index("family")["kind"]
    family, price = (prices.dropna()[name] for name in prices)
    by_family = price.groupby(family).median().reindex(kind_of.index)
    return by_family.fillna(kind_of.map(price.groupby(family.map(kind_of)).median())).astype(float)


# ---- What mending a component takes: hours, parts, deaths on the bench, and the comebacks afterwards

#: Deaths on the bench believed beforehand, and the findings this is worth.
COLLATERAL_SHARE, COLLATERAL_WORTH = 0.01, 30.0
#: Price of a part believed beforehand, as a share of the price of a working unit, where none is known.
PART_PRICE_SHARE, PART_PRICE_LOG_SD = 0.08, 1.0
#: What a price in the parts table is worth beside prices that were paid.
PRICED_PART_WORTH = 4.0
#: Share of mended components for which a part is paid, believed beforehand, and its worth in findings.
PAID_SHARE, PAID_WORTH = 0.6, 4.0
#: Hours that one failed component adds, believed beforehand.
REPAIR_HOURS, REPAIR_HOURS_SD = 0.6, 0.5
#: Share of repaired units that come back within the warranty, believed beforehand, and its worth in jobs.
COMEBACK_SHARE, COMEBACK_WORTH = 0.05, 10.0
#: Hours of a comeback where nobody wrote them down.
COMEBACK_HOURS = 1.0

PAID_ACTIONS = ("replaced", "rebuilt")


def collateral_shares(findings: pd.DataFrame, components: tuple[str, ...]) -> Floats:
    """Chance that a component that arrived alive dies on the bench; ndarray, shape (n_components,)."""
    during = (findings["arose"] == "during work") & (findings["found"] == "failed")
    alive = during | (findings["found"] != "failed")
    k, n = (counts(findings.loc[rows, "component"], components) for rows in (during, alive))
    return shrunk_shares(k, n, usual=COLLATERAL_SHARE, usual_worth=COLLATERAL_WORTH)


def fit_hours(bench: Bench, components: tuple[str, ...]) -> tuple[Amount, Floats]:
    """Split the hours of repaired jobs into a family's own and those of its failed components."""
    hours = bench.jobs["hours"].to_numpy(float)
    known = (bench.jobs["own"] & (bench.jobs["outcome"] == REPAIRED)).to_numpy() & np.isfinite(hours)
    if not bench.is_silent:  # hours of a job without a finding hide those of its failed components
        known &= bench.told
    at = bench.jobs["family_at"].to_numpy(np.int64)[known]
    failed = failed_in_job(bench, components)[known]
    of_component = Block(failed, (REPAIR_HOURS_SD,), REPAIR_HOURS)
    level, spread = (max(USUAL_HOURS - REPAIR_HOURS, 0.0), USUAL_HOURS_SD), USUAL_HOURS_SD / 2
    y, within_kind = hours[known], (0.1, 0.3, 0.8)
    base, fit = _by_slot(bench, y, at, level, (0.1, 0.4), within_kind, spread, [of_component])
    by_component, _ = fit.effects(np.eye(fit.n_upper)[1 + len(bench.kinds) :])
    by_component = np.maximum(by_component, 0.0) * (not bench.is_silent)
    return base._replace(mean=np.maximum(base.mean, 0.1)), by_component


@dataclass(frozen=True)
class PartCosts:
    """Mean cost of mending a failed component, by family and component."""

    fit: ShrunkFit
    components: tuple[str, ...]
    families: tuple[str, ...]
    paid_share: Floats
    shelf: Mapping[Pair, float]  # from `read_shelf`

    def price(self, family_at: Ints, component_at: Ints) -> Floats:
        """Mean price where a part is paid for; -1 is an unknown family or component. ndarray, shape (c,)."""
        n_c = len(self.components)
        at = np.asarray(component_at, np.int64)
        cell = np.where((family_at < 0) | (at < 0), -1, family_at * n_c + at)
        mean, sd, _ = self.fit.predict(np.column_stack([np.ones(at.size), one_hot(at, n_c)]), cell)
        # Mean of a lognormal; the doubt counts too, but a part nobody ever priced must not cost a fortune.
        return np.exp(mean + 0.5 * (self.fit.residual_sd**2 + np.minimum(sd, 0.7) ** 2))

    def of(self, family_at: Ints, component_at: Ints) -> Floats:
        """Mean cost of mending a failed component, paid for or not; ndarray, shape (c,)."""
        # Whoever has a cheaper one on the shelf takes that, at its worth.
        names = (*self.families, "")
        pairs = [(self.components[c], names[f]) for f, c in zip(family_at, component_at, strict=True)]
        at_hand = [[self.shelf.get((c, name), np.nan) for name in (family, "")] for c, family in pairs]
        prices = np.column_stack([self.price(family_at, component_at), np.reshape(at_hand, (-1, 2))])
        return self.paid_share[component_at] * np.nanmin(prices, axis=1)


def part_price(bench: Bench) -> float:
    """Price of a part believed beforehand: by the median price of working units, stated or fetched."""
    prices = pd.concat([bench.records.families["working_price"].dropna(), _sales(bench)["sold_for"]])
    return PART_PRICE_SHARE * (float(prices.median()) if len(prices) else USUAL_PRICE)


def fit_part_costs(bench: Bench, components: tuple[str, ...]) -> PartCosts:
    """Fit what mending a failed component costs in parts."""
    # Prices paid and prices in the `parts` table count; of a pack as many pieces are paid for by one repair
    # as there is no other use for within a year.
    column, n_f, n_c = pd.Index(components), len(bench.families), len(components)
    findings = bench.records.findings.merge(bench.jobs[["job", "family_at", "outcome"]], on="job")
    seasons = bench.jobs["season"]
    years = max(float(seasons.max() - seasons.min() + 1), 1.0) if len(seasons) else 1.0
    uses_per_year = failed_in_job(bench, components).sum(axis=0) / years
    parts = bench.records.parts
    parts = parts[(parts["price"] > 0) & (parts["obtainable"] != "no") & parts["component"].isin(components)]
    pack, unit = (parts[name].fillna(1).to_numpy(float) for name in ("pack_size", "per_unit"))
    uses = np.maximum(uses_per_year[column.get_indexer(parts["component"])], 1.0) * unit
    used = np.clip(uses, unit, np.maximum(pack, unit))
    price = parts["price"].to_numpy(float) * np.ceil(unit / pack) * np.where(pack > unit, unit / used, 1.0)
    # General prices belong to no family: they share one more cell per component.
    family_at = pd.Index(bench.families).get_indexer(parts["family"].fillna(""))
    family_at = np.where(family_at < 0, n_f, family_at)
    listed = parts[["component"]].assign(part_cost=price, family_at=family_at, worth=PRICED_PART_WORTH)
    paid = findings[findings["action"].isin(PAID_ACTIONS) & (findings["part_cost"] > 0)]
    told = pd.concat([paid[["component", "part_cost", "family_at"]].assign(worth=1.0), listed])
    told = told[told["component"].isin(components)]
    at, worth = column.get_indexer(told["component"]), told["worth"].to_numpy(float)
    log_cost = np.log(told["part_cost"].to_numpy(float))
    centre = float(np.average(log_cost, weights=worth)) if at.size else float(np.log(part_price(bench)))
    level = Block(np.ones((at.size, 1)), (PART_PRICE_LOG_SD,), centre)
    blocks, cell = [level, Block(one_hot(at, n_c), (0.5, 1.0))], told["family_at"] * n_c + at
    fit = fit_shrunk_amount(
        log_cost, blocks, inner=cell, inner_sds=(0.2, 0.5, 0.9), weights=worth, usual_sd=0.35
    )
    mended = findings[(findings["found"] == "failed") & (findings["outcome"] == REPAIRED)]
    is_paid = mended["action"].isin(PAID_ACTIONS)
    k, n = (counts(rows["component"], components) for rows in (mended[is_paid], mended))
    share = shrunk_shares(k, n, usual=PAID_SHARE, usual_worth=PAID_WORTH)
    paid_share, shelf = share * (not bench.is_silent), read_shelf(bench.records.shelf)
    return PartCosts(fit, components, bench.families, paid_share, shelf)


def part_costs_by_job(bench: Bench, parts: PartCosts, *, failed: bool | None = None) -> tuple[Floats, Floats]:
    """Add up the part costs of each job, and how many are predicted for want of a price; (n_jobs,)."""
    findings = bench.records.findings
    if failed is not None:
        findings = findings[(findings["found"] == "failed") == failed]
    row = pd.Index(bench.jobs["job"]).get_indexer(findings["job"])
    findings, row = findings[row >= 0], row[row >= 0]
    cost = findings["part_cost"].to_numpy(float)
    missing = np.isnan(cost) & findings["action"].isin(PAID_ACTIONS).to_numpy(bool)
    family_at = bench.jobs["family_at"].to_numpy(np.int64)[row]
    component_at = pd.Index(parts.components).get_indexer(findings["component"])
    cost[missing] = parts.price(family_at[missing], component_at[missing])
    costs, predicted = (np.bincount(row, each, len(bench.jobs)) for each in (np.nan_to_num(cost), missing))
    return costs.astype(float), predicted.astype(float)


def _checks(records: Records, jobs: pd.DataFrame) -> pd.DataFrame:
    """Tell of each check of these units whether it was a comeback within the warranty, and what that cost."""
    settings = records.settings
    checks = records.followups.merge(jobs[["job", "sold_on", "closed"]], on="job")
    start = checks["sold_on"].fillna(checks["closed"])
    days = (checks["failed_on"].fillna(checks["checked_on"]) - start).dt.days
    came_back = (checks["working"] == "no") & (days <= settings.warranty_days)
    spent = checks["hours"].fillna(COMEBACK_HOURS) * settings.hour_rate + checks["cost"].fillna(0.0)
    return checks.assign(came_back=came_back, spent=spent, days=(checks["checked_on"] - start).dt.days)


def comeback_cost(bench: Bench) -> float:
    """Mean cost of comebacks within the warranty, per repaired unit."""
    settings = bench.records.settings
    if settings.warranty_days <= 0:
        return 0.0
    checks = _checks(bench.records, bench.jobs[bench.jobs["own"] & (bench.jobs["outcome"] == REPAIRED)])
    back = checks[checks["came_back"]]
    n = checks.loc[checks["came_back"] | (checks["days"] >= settings.warranty_days), "job"].nunique()
    k = back["job"].nunique()
    share = (k + COMEBACK_SHARE * COMEBACK_WORTH) / (n + COMEBACK_WORTH)
    usual = COMEBACK_HOURS * settings.hour_rate + part_price(bench)
    # A unit may come back more than once: the cost is that of a unit, as the share is that of units.
    return float(share * (back["spent"].sum() + 2 * usual) / (k + 2))


# ---- What each finished job of this bench gained, missing amounts at their predicted value and marked


def job_gains(records: Records, appraiser: Appraiser, *, as_of: datetime.date | None = None) -> pd.DataFrame:
    """Work out the gain of every finished job of this bench."""
    # `appraiser` serves for what is not known, and its day where none is given. Newest job last. `brought` is
    # the sale less its fee plus the parts kept less disposal; `time_cost` that of the hours and of selling;
    # `predicted` lists the amounts that were predicted, "" where all are known. A job whose purchase price is
    # not known is taken to have cost what its family usually does; where that is not known either, no gain.
    bench = read_bench(records, as_of or appraiser.as_of)
    own = bench.jobs["own"].to_numpy(bool)
    jobs = bench.jobs[own].reset_index(drop=True)
    settings, components = bench.records.settings, appraiser.shared.components
    entries = [appraiser.families[name] for name in jobs["family"]]
    repaired, scrapped = ((jobs["outcome"] == name).to_numpy() for name in (REPAIRED, "scrapped"))
    sold, salvage = jobs["sold_for"].to_numpy(float), jobs["salvage_value"].to_numpy(float)
    net = 1.0 - settings.selling_fee
    # A repaired unit without a sale stands at its predicted price; of an unrepaired one without any amount
    # the remains are predicted, but for a scrapped one, of which nothing is kept.
    no_sale = repaired & np.isnan(sold)
    no_remains = ~repaired & np.isnan(sold) & np.isnan(salvage) & ~scrapped
    sale = np.where(no_sale, [sale_price(entry) for entry in entries], np.nan_to_num(sold)) * net
    brought = sale + np.nan_to_num(salvage) - settings.disposal_cost * scrapped
    brought = np.where(no_remains, [entry.remains.mean for entry in entries], brought)
    mending = failed_in_job(bench, components)[own] @ appraiser.shared.repair_hours
    ended = list(zip(entries, repaired, strict=True))
    usual = {
        "hours": [e.hours_repaired if r else e.hours_unrepaired for e, r in ended] + mending * repaired,
        "other_costs": [e.other_repaired if r else e.other_unrepaired for e, r in ended],
        "bought_for": jobs["family"].map(usual_prices(bench.records)),
    }
    missing = {name: jobs[name].isna().to_numpy() for name in usual}
    hours, other, bought = (
        np.where(missing[name], np.asarray(usual[name], float), jobs[name].to_numpy(float)) for name in usual
    )
    part_costs, n_guessed = part_costs_by_job(bench, fit_part_costs(bench, components))
    part_costs, n_guessed = part_costs[own], n_guessed[own]
    sold_at_all = repaired | (np.nan_to_num(sold) > 0)
    time_cost = (hours + settings.selling_hours * sold_at_all) * settings.hour_rate
    checks = _checks(bench.records, jobs)
    spent = checks[checks["came_back"]].groupby("job")["spent"].sum()
    comebacks = spent.reindex(jobs["job"]).fillna(0.0).to_numpy(float)
    words = ("purchase", "price", "remains", "hours", "parts", "other costs")
    predicted = np.column_stack(
        [missing["bought_for"], no_sale, no_remains, missing["hours"], n_guessed > 0, missing["other_costs"]]
    )
    gain = brought - bought - time_cost - part_costs - other - comebacks
    return jobs[["job", "family", "outcome", "taken_in", "closed"]].assign(
        brought=brought, bought_for=bought, hours=hours, time_cost=time_cost, part_costs=part_costs,
        other_costs=other, comeback_costs=comebacks, gain=gain,
        predicted=[", ".join(compress(words, row)) for row in predicted],
    )  # fmt: skip
