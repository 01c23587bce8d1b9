"""What a job takes: hours, parts, comebacks; and what it brought in all."""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.records.checks import Settings
from reliability.records.frames import Records
from reliability.worth.appraisal import sale_price
from reliability.worth.appraiser import Appraiser
from reliability.worth.bench import REPAIRED, Bench, read_bench
from reliability.worth.prices import Amount, one_hot, price_level, slot_index, usual_prices
from reliability.worth.regression import Block, ShrunkFit, fit_shrunk_amount, shrunk_shares

Floats = NDArray[np.float64]


# ---- What mending a component takes: hours, parts, deaths on the bench, and the comebacks afterwards


Ints = NDArray[np.int64]

COLLATERAL_SHARE, COLLATERAL_WORTH = 0.01, 30.0
"""Deaths on the bench believed beforehand, and the findings this is worth (common practice, no source)."""

PART_PRICE_SHARE, PART_PRICE_LOG_SD = 0.08, 1.0
"""Price of a part believed beforehand, as a share of the price of a working unit, only where none is known
(common practice, no source)."""

PRICED_PART_WORTH = 4.0
"""What a price in the parts table is worth beside prices that were paid."""

PAID_SHARE, PAID_WORTH = 0.6, 4.0
"""Share of mended components for which a part is paid, believed beforehand, and its worth in findings
(common practice, no source)."""

REPAIR_HOURS, REPAIR_HOURS_SD = 0.6, 0.5
"""Hours that one failed component adds, believed beforehand (common practice, no source)."""

COMEBACK_SHARE, COMEBACK_WORTH = 0.05, 10.0
"""Share of repaired units that come back within the warranty, believed beforehand, and its worth in jobs
(common practice, no source)."""

COMEBACK_HOURS = 1.0
"""Hours of a comeback where nobody wrote them down (common practice, no source)."""

PAID_ACTIONS = ("replaced", "rebuilt")


def failed_in_job(bench: Bench, components: tuple[str, ...]) -> Floats:
    """Mark the components that each finished job found failed; ndarray, shape (n_jobs, n_components)."""
    table = np.zeros((len(bench.jobs), len(components)))
    findings = bench.records.findings
    failed = findings[findings["found"] == "failed"]
    jobs = pd.Index(bench.jobs["job"])
    row = jobs.get_indexer(failed["job"])
    column = pd.Index(components).get_indexer(failed["component"])
    there = (row >= 0) & (column >= 0)
    table[row[there], column[there]] = 1.0
    ended = pd.Index(components).get_indexer(bench.jobs["ended_by"].fillna(""))
    table[np.flatnonzero(ended >= 0), ended[ended >= 0]] = 1.0
    return table


def collateral_shares(findings: pd.DataFrame, components: tuple[str, ...]) -> Floats:
    """Chance that a component that arrived alive dies on the bench; ndarray, shape (n_components,)."""
    during = (findings["arose"] == "during work") & (findings["found"] == "failed")
    alive = during | (findings["found"] != "failed")
    n = findings.loc[alive, "component"].value_counts().reindex(list(components), fill_value=0)
    k = findings.loc[during, "component"].value_counts().reindex(list(components), fill_value=0)
    return shrunk_shares(k, n, usual=COLLATERAL_SHARE, usual_worth=COLLATERAL_WORTH)


@dataclass(frozen=True)
class Hours:
    """Bench hours: of a repaired unit without failed parts by family, of each failed component."""

    base: Amount
    by_component: Floats


def fit_hours(bench: Bench, failed: Floats, usual: float, usual_sd: float) -> Hours:
    """Split the hours of repaired jobs into a family's own and those of its failed components."""
    # `failed` (n_jobs, n_components): from `failed_in_job`; `usual, usual_sd`: hours of one job believed
    # beforehand.
    hours = bench.jobs["hours"].to_numpy(float)
    known = (bench.jobs["own"] & (bench.jobs["outcome"] == REPAIRED)).to_numpy() & np.isfinite(hours)
    if not bench.is_silent:  # hours of a job without a finding hide those of its failed components
        known &= bench.told
    at = bench.jobs["family_at"].to_numpy(np.int64)[known]
    n_f, n_k, n_c = len(bench.families), len(bench.kinds), failed.shape[1]
    fit = fit_shrunk_amount(
        hours[known],
        [
            Block("level", np.ones((at.size, 1)), (usual_sd,), max(usual - REPAIR_HOURS, 0.0)),
            Block("kind", one_hot(bench.family_kind[at], n_k), (0.1, 0.4)),
            Block("component", failed[known], (REPAIR_HOURS_SD,), REPAIR_HOURS),
        ],
        inner=at,
        n_inner=n_f,
        inner_sds=(0.1, 0.3, 0.8),
        usual_sd=usual_sd / 2,
    )
    kind, family = slot_index(bench)
    rows = np.column_stack([np.ones(kind.size), one_hot(kind, n_k), np.zeros((kind.size, n_c))])
    mean, sd, _ = fit.predict(rows, family)
    effects = np.sum([f.weight * f.upper for f in fit.fits], axis=0)
    by_component = np.zeros(n_c) if bench.is_silent else np.maximum(effects[1 + n_k :], 0.0)
    return Hours(Amount(np.maximum(mean, 0.1), sd, fit.residual_sd), by_component)


@dataclass(frozen=True)
class PartCosts:
    """Mean cost of mending a failed component, by family and component."""

    fit: ShrunkFit
    components: tuple[str, ...]
    paid_share: Floats
    shelf: Mapping[tuple[int, int], float] = field(default_factory=dict)

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
        pairs = zip(family_at.tolist(), component_at.tolist(), strict=True)
        own = [self.shelf.get((family, c), np.inf) for at, c in pairs for family in (at, -1)]
        at_hand = np.array(own, dtype=float).reshape(-1, 2).min(axis=1, initial=np.inf)
        return self.paid_share[component_at] * np.minimum(self.price(family_at, component_at), at_hand)


def part_price(bench: Bench) -> float:
    """Price of a part believed beforehand."""
    return PART_PRICE_SHARE * price_level(bench)


def fit_part_costs(bench: Bench, components: tuple[str, ...]) -> PartCosts:
    """Fit what mending a failed component costs in parts."""
    # Prices paid and prices in the `parts` table count; of a pack as many pieces are paid for by one repair
    # as there is no other use for within a year.
    families = pd.Index(bench.families)
    findings = bench.records.findings.merge(bench.jobs[["job", "family_at", "outcome"]], on="job")
    mended = findings[(findings["found"] == "failed") & (findings["outcome"] == REPAIRED)]
    column = pd.Index(components)
    seasons = bench.jobs["season"]
    years = max(float(seasons.max() - seasons.min() + 1), 1.0) if len(seasons) else 1.0
    uses_per_year = failed_in_job(bench, components).sum(axis=0) / years
    paid = findings[findings["action"].isin(PAID_ACTIONS) & (findings["part_cost"] > 0)]
    parts = bench.records.parts
    listed = parts[(parts["price"] > 0) & (parts["obtainable"] != "no") & parts["component"].isin(components)]
    listed_at = column.get_indexer(listed["component"])
    pack, unit = listed["pack_size"].fillna(1).to_numpy(float), listed["per_unit"].fillna(1).to_numpy(float)
    used = np.clip(np.maximum(uses_per_year[listed_at], 1.0) * unit, unit, np.maximum(pack, unit))
    price = listed["price"].to_numpy(float) * np.ceil(unit / pack) * np.where(pack > unit, unit / used, 1.0)
    n_f, n_c = len(bench.families), len(components)
    at = np.concatenate([column.get_indexer(paid["component"]), listed_at])
    family_at = np.concatenate(
        [paid["family_at"].to_numpy(np.int64), families.get_indexer(listed["family"].fillna(""))]
    )
    cost = np.concatenate([paid["part_cost"].to_numpy(float), price])
    worth = np.concatenate([np.ones(len(paid)), np.full(len(listed), PRICED_PART_WORTH)])
    keep = at >= 0
    at, family_at, cost, worth = at[keep], family_at[keep], cost[keep], worth[keep]
    # General prices belong to no family: they share one more cell per component.
    cell = np.where(family_at < 0, n_f, family_at) * n_c + at
    log_cost = np.log(cost)
    centre = float(np.average(log_cost, weights=worth)) if cost.size else float(np.log(part_price(bench)))
    fit = fit_shrunk_amount(
        log_cost,
        [
            Block("level", np.ones((at.size, 1)), (PART_PRICE_LOG_SD,), centre),
            Block("component", one_hot(at, n_c), (0.5, 1.0)),
        ],
        inner=cell,
        n_inner=(n_f + 1) * n_c,
        inner_sds=(0.2, 0.5, 0.9),
        weights=worth,
        usual_sd=0.35,
    )
    mended_n = mended["component"].value_counts().reindex(list(components), fill_value=0).to_numpy(float)
    paid_n = mended[mended["action"].isin(PAID_ACTIONS)]["component"].value_counts()
    paid_n = paid_n.reindex(list(components), fill_value=0).to_numpy(float)
    share = shrunk_shares(paid_n, mended_n, usual=PAID_SHARE, usual_worth=PAID_WORTH)
    share *= not bench.is_silent
    return PartCosts(fit, components, share)


def part_costs_by_job(bench: Bench, parts: PartCosts, *, failed: bool | None = None) -> tuple[Floats, Floats]:
    """Add up the part costs of each job; a part fitted at an unknown price counts at the predicted one."""
    # Gives `costs, n_predicted` (n_jobs,).
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
    n = len(bench.jobs)
    costs = np.bincount(row, np.nan_to_num(cost), n).astype(float)
    return costs, np.bincount(row, missing, n).astype(float)


def comeback_cost(bench: Bench, settings: Settings) -> float:
    """Mean cost of comebacks within the warranty, per repaired unit."""
    if settings.warranty_days <= 0:
        return 0.0
    checks = bench.records.followups.merge(
        bench.jobs.loc[bench.jobs["outcome"] == REPAIRED, ["job", "sold_on", "closed", "own"]], on="job"
    )
    checks = checks[checks["own"]]
    start = checks["sold_on"].fillna(checks["closed"])
    failed = checks["working"] == "no"
    days = (checks["failed_on"].fillna(checks["checked_on"]) - start).dt.days
    within = failed & (days <= settings.warranty_days)
    covered = within | ((checks["checked_on"] - start).dt.days >= settings.warranty_days)
    n = checks.loc[covered, "job"].nunique()
    k = checks.loc[within, "job"].nunique()
    share = (k + COMEBACK_SHARE * COMEBACK_WORTH) / (n + COMEBACK_WORTH)
    hours = checks["hours"].fillna(COMEBACK_HOURS)
    cost = (hours * settings.hour_rate + checks["cost"].fillna(0.0))[within]
    usual = COMEBACK_HOURS * settings.hour_rate + part_price(bench)
    # A unit may come back more than once: the cost is that of a unit, as the share is that of units.
    return float(share * (cost.sum() + 2 * usual) / (k + 2))


# ---- What each finished job of this bench gained, missing amounts at their predicted value and marked


GAIN_COLUMNS = (
    "job",
    "family",
    "outcome",
    "taken_in",
    "closed",
    "brought",
    "bought_for",
    "hours",
    "time_cost",
    "part_costs",
    "other_costs",
    "comeback_costs",
    "gain",
    "predicted",
)

PREDICTED = ("purchase", "price", "remains", "hours", "parts", "other costs")


def job_gains(records: Records, appraiser: Appraiser, *, as_of: datetime.date | None = None) -> pd.DataFrame:
    """Work out the gain of every finished job of this bench."""
    # `appraiser` serves for what is not known, and its day where none is given.
    # Gives `GAIN_COLUMNS`, newest job last. `brought` is the sale less its fee plus the parts kept less
    # disposal; `time_cost` is that of the hours and of selling; `predicted` lists the amounts that were
    # predicted, "" where all are known. A job whose purchase price is not known is taken to have cost what
    # its family usually does; it has no gain where that is not known either.
    bench = read_bench(records, as_of or appraiser.as_of)
    own = bench.jobs["own"].to_numpy(bool)
    jobs = bench.jobs[own].reset_index(drop=True)
    settings = bench.records.settings
    entries = [appraiser.families[name] for name in jobs["family"]]
    repaired = (jobs["outcome"] == REPAIRED).to_numpy()
    net = 1.0 - settings.selling_fee
    price = np.array([sale_price(entry) for entry in entries])
    remains = np.array([e.remains.mean for e in entries])
    sold = jobs["sold_for"].to_numpy(float)
    salvage = jobs["salvage_value"].to_numpy(float)
    scrapped = (jobs["outcome"] == "scrapped").to_numpy()
    # A repaired unit without a sale stands at its predicted price; of an unrepaired one without any amount
    # the remains are predicted, but for a scrapped one, of which nothing is kept.
    unknown_end = np.isnan(sold) & np.isnan(salvage)
    brought = np.nan_to_num(sold) * net + np.nan_to_num(salvage) - settings.disposal_cost * scrapped
    no_sale = repaired & np.isnan(sold)
    brought = np.where(no_sale, price * net + np.nan_to_num(salvage), brought)
    no_remains = ~repaired & unknown_end & ~scrapped
    brought = np.where(no_remains, remains, brought)
    mending = failed_in_job(bench, appraiser.shared.components)[own] @ appraiser.shared.repair_hours
    expected = [e.hours_repaired if r else e.hours_unrepaired for e, r in zip(entries, repaired, strict=True)]
    hours, no_hours = _filled(jobs["hours"], np.array(expected) + mending * repaired)
    usual = [e.other_repaired if r else e.other_unrepaired for e, r in zip(entries, repaired, strict=True)]
    other, no_other = _filled(jobs["other_costs"], np.array(usual))
    bought, no_bought = _filled(
        jobs["bought_for"], jobs["family"].map(usual_prices(bench.records)).to_numpy(float)
    )
    parts, n_guessed = (
        column[own] for column in part_costs_by_job(bench, fit_part_costs(bench, appraiser.shared.components))
    )
    sold_at_all = repaired | (np.nan_to_num(sold) > 0)
    time_cost = (hours + settings.selling_hours * sold_at_all) * settings.hour_rate
    comebacks = comeback_costs(bench.records, jobs)
    gain = brought - bought - time_cost - parts - other - comebacks
    flags = zip(no_bought, no_sale, no_remains, no_hours, n_guessed > 0, no_other, strict=True)
    notes = [", ".join(word for word, here in zip(PREDICTED, row, strict=True) if here) for row in flags]
    return pd.DataFrame(
        {
            **{name: jobs[name] for name in ("job", "family", "outcome", "taken_in", "closed")},
            "brought": brought,
            "bought_for": bought,
            "hours": hours,
            "time_cost": time_cost,
            "part_costs": parts,
            "other_costs": other,
            "comeback_costs": comebacks,
            "gain": gain,
            "predicted": notes,
        }
    )


def _filled(column: pd.Series, predicted: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    values = column.to_numpy(float)
    missing = np.isnan(values)
    return np.where(missing, predicted, values), missing


def comeback_costs(records: Records, jobs: pd.DataFrame) -> Floats:
    """Add up what comebacks within the warranty cost each job; ndarray, shape (n_jobs,)."""
    # Hours that nobody wrote down count at their usual number.
    settings = records.settings
    checks = records.followups.merge(jobs[["job", "sold_on", "closed"]], on="job")
    start = checks["sold_on"].fillna(checks["closed"])
    days = (checks["failed_on"].fillna(checks["checked_on"]) - start).dt.days
    within = (checks["working"] == "no") & (days <= settings.warranty_days)
    cost = checks["hours"].fillna(COMEBACK_HOURS) * settings.hour_rate + checks["cost"].fillna(0.0)
    total = cost[within].groupby(checks.loc[within, "job"]).sum()
    return total.reindex(jobs["job"]).fillna(0.0).to_numpy(float)
