"""Parts that the jobs of the next year are likely to need."""

import datetime
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import gammaincinv, pdtr, pdtrik

from reliability.errors import unknown
from reliability.records.frames import Records, known_by
from reliability.worth.appraisal import FamilyEntry, success_draws
from reliability.worth.appraiser import Appraiser
from reliability.worth.bench import REPAIRED
from reliability.worth.judging import usual_unit
from reliability.worth.lives import worst_findings
from reliability.worth.odds import unit_states
from reliability.worth.regression import shrunk_shares

Floats = NDArray[np.float64]

STOCK_COLUMNS = (
    "component", "family", "obtainable", "units", "pieces", "cover", "on_shelf", "pack_size", "packs",
    "price", "cost", "advice",
)  # fmt: skip

COVER = 0.90
"""Chance with which the pieces in `cover` are enough for the year."""

ANY = "any"
"""Stands for the family of a part that fits every family without a row of its own."""

REPLACED_SHARE, REPLACED_WORTH = 0.7, 4.0
"""Share of mended components that are replaced, believed beforehand, and its worth in findings
(common practice, no source)."""

BESIDE_SHARE, BESIDE_WORTH = 0.03, 10.0
"""Share of units in which a worn component is replaced, or a part goes into a unit that is given up
(common practice, no source)."""

HALF_A_YEAR = datetime.timedelta(days=182)
SEED = 40


def stock(appraiser: Appraiser, records: Records) -> pd.DataFrame:
    """List the parts that the units taken in next year are likely to need.

    Units come in as they have so far: the year's number is Poisson with a rate that the years on record leave
    uncertain (gamma), so that a family seen twice is not known to come twice. Needs are summed over all
    families that share a part, in each state of knowledge, and the chances averaged. Open jobs are not added:
    as many are expected to be open in a year's time.
    """
    known = known_by(records, appraiser.as_of, with_estimates=True)
    shares = _shares(known, appraiser.shared.components)
    needs: dict[tuple[str, str], Floats] = {}
    sold = _Parts.read(known)
    for family, per_year in _arrivals(known, appraiser):
        if family not in appraiser.families:
            raise unknown("The appraiser knows no family", family, appraiser.families)
        entry = appraiser.families[family]
        replaced = _replaced(entry, appraiser, shares)
        for k, c in enumerate(entry.lives.components):
            component = appraiser.shared.components[c]
            key = component, sold.family_of(component, family)
            needs[key] = needs.get(key, np.zeros(len(per_year))) + per_year * replaced[:, k]
    rows = [_row(key, need, sold) for key, need in needs.items()]
    table = pd.DataFrame([row for row in rows if row["cover"] > 0], columns=list(STOCK_COLUMNS))
    texts = ("component", "family", "obtainable", "advice")
    table = table.astype({name: object if name in texts else float for name in STOCK_COLUMNS})
    return table.sort_values(
        ["units", "component", "family"], ascending=[False, True, True], ignore_index=True
    )


def covering(need: Floats, share: float = COVER) -> int:
    """Find the number that is enough with a given chance: Poisson around the needs (n_draws,)."""
    # Distributions by their special functions: scipy.stats takes a quarter of a second to load.
    most = int(np.ceil(pdtrik(share, need.max())))
    chance = pdtr(np.arange(most + 1)[:, None], need).mean(axis=1)
    return int(np.argmax(chance >= share))


@dataclass(frozen=True)
class _Parts:
    """What the bench knows of the parts it can buy, and what it paid for them."""

    listed: dict[tuple[str, str], dict[str, Any]]
    paid: pd.Series
    paid_anywhere: pd.Series
    shelf: pd.Series

    @classmethod
    def read(cls, records: Records) -> "_Parts":
        rows = records.parts.to_dict("records")
        listed = {(row["component"], row["family"] or ANY): row for row in rows}
        bought = records.findings[records.findings["part_cost"] > 0]
        bought = bought[bought["action"] == "replaced"].merge(records.jobs[["job", "family"]], on="job")
        per_unit = bought.groupby(["family", "component", "job"])["part_cost"].sum()
        return cls(
            listed,
            per_unit.groupby(["component", "family"]).median(),
            per_unit.groupby("component").median(),
            records.shelf[records.shelf["gone_on"].isna()]
            .fillna({"family": ANY})
            .groupby(["component", "family"])
            .size(),
        )

    def on_shelf(self, component: str, family: str) -> int:
        """Pieces that lie on the shelf: the family's, or all families' that a general part serves."""
        lying = self.shelf[self.shelf.index.get_level_values("component") == component]
        fits = [self.family_of(component, name) == family for name in lying.index.get_level_values("family")]
        return int(lying[fits].sum())

    def family_of(self, component: str, family: str) -> str:
        """Whose part it is: the family's own, unless only the general row knows it."""
        own = (component, family) in self.listed or (component, ANY) not in self.listed
        return family if own else ANY

    def paid_for(self, component: str, family: str) -> float:
        """Median of what one unit's part has cost; of other families where this one has none."""
        elsewhere = self.paid_anywhere.get(component, np.nan)
        return float(self.paid.get((component, family), elsewhere))


def _arrivals(records: Records, appraiser: Appraiser) -> Iterator[tuple[str, Floats]]:
    """Units of each family per year, under every state of knowledge; families that came at least once."""
    own = records.jobs[records.jobs["origin"].isna()]
    if own.empty:
        return
    years = max((pd.Timestamp(appraiser.as_of) - own["taken_in"].min()).days / 365.25, 0.5)
    n = len(appraiser.shared.draws)
    levels = (np.arange(n) + 0.5) / n
    for i, (family, count) in enumerate(sorted(own["family"].value_counts().items())):
        rates = gammaincinv(count, levels) / years
        rates *= count / years / rates.mean()
        yield family, np.random.default_rng((SEED, i)).permutation(rates)


@dataclass(frozen=True)
class _Shares:
    """By component: mended ones that are replaced; parts for worn ones, and for units given up, per unit."""

    replaced: Floats
    worn: Floats
    in_vain: Floats


def _shares(records: Records, components: tuple[str, ...]) -> _Shares:
    own = records.jobs[(records.jobs["outcome"] != "open") & records.jobs["origin"].isna()]
    own = own.merge(records.families[["family", "kind"]], on="family")
    findings = worst_findings(records.findings).merge(own[["job", "outcome", "kind"]], on="job")
    repaired = findings["outcome"] == REPAIRED
    failed = findings["found"] == "failed"
    told = repaired & failed & findings["action"].notna()
    replaced = findings["action"] == "replaced"
    in_vain = ~repaired & (replaced | (findings["action"] == "no part"))
    # A bench that leaves out what was sound still had the unit: units are counted, not findings.
    kinds = findings[["kind", "component"]].drop_duplicates()

    def count(rows: pd.Series) -> Floats:
        counts = findings.loc[rows, "component"].value_counts().reindex(list(components), fill_value=0)
        return counts.to_numpy(float)

    def units(jobs: pd.DataFrame) -> Floats:
        per_kind = kinds["kind"].map(jobs["kind"].value_counts()).fillna(0)
        return (
            per_kind.groupby(kinds["component"]).sum().reindex(list(components), fill_value=0).to_numpy(float)
        )

    beside = {"usual": BESIDE_SHARE, "usual_worth": BESIDE_WORTH}
    whole = own["outcome"] == REPAIRED
    return _Shares(
        shrunk_shares(count(told & replaced), count(told), usual=REPLACED_SHARE, usual_worth=REPLACED_WORTH),
        shrunk_shares(count(repaired & ~failed & replaced), units(own[whole]), **beside),
        shrunk_shares(count(in_vain), units(own[~whole]), **beside),
    )


def _replaced(entry: FamilyEntry, appraiser: Appraiser, shares: _Shares) -> Floats:
    """Chance that a usual unit needs each part, half a year on; ndarray, shape (n_draws, c)."""
    unit = usual_unit(entry, appraiser, appraiser.as_of + HALF_A_YEAR)
    shared, c = appraiser.shared, entry.lives.components
    states = unit_states(entry.lives, shared, unit.age_years, unit.year, unit.weight, unit.signs)
    success = success_draws(entry, shared, unit, states)[:, None]
    repaired = states.mended * shares.replaced[c] + shares.worn[c]
    return success * repaired + (1.0 - success) * shares.in_vain[c]


def _number(value: Any, default: float) -> float:
    return default if value is None or np.isnan(value) else float(value)


def _row(key: tuple[str, str], need: Floats, sold: _Parts) -> dict[str, Any]:
    component, family = key
    listed = sold.listed.get(key, {})
    pack, per_unit = _number(listed.get("pack_size"), 1.0), _number(listed.get("per_unit"), 1.0)
    price, obtainable = _number(listed.get("price"), np.nan), listed.get("obtainable")
    units = covering(need)
    cover = units * per_unit
    on_shelf = min(sold.on_shelf(component, family), cover)
    to_buy = cover - on_shelf
    packs = np.nan if obtainable == "no" else float(np.ceil(to_buy / pack))
    cost = packs * price
    advice = _ADVICE.get(str(obtainable), "")
    if np.isnan(cost) and obtainable != "no":
        cost = to_buy / per_unit * sold.paid_for(component, family)
        advice = "; ".join(
            filter(None, (advice, "cost as paid so far" if cost == cost else "price not known"))
        )
    return {
        "component": component,
        "family": family,
        "obtainable": obtainable,
        "units": float(need.mean()),
        "pieces": float(need.mean()) * per_unit,
        "cover": cover,
        "on_shelf": float(on_shelf),
        "pack_size": pack,
        "packs": packs,
        "price": price,
        "cost": cost,
        "advice": advice,
    }


_ADVICE = {
    "no": "keep donors: cannot be had",
    "salvage only": "keep donors: salvage only",
    "None": "not in the parts table",
}
