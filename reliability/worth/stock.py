"""Parts that the jobs of the next year are likely to need."""

import datetime
from collections import Counter, defaultdict
from collections.abc import Iterator

import numpy as np
import pandas as pd
from scipy.special import gammaincinv, pdtr, pdtrik

from reliability.records.frames import Records, known_by
from reliability.worth.appraiser import Appraiser
from reliability.worth.bench import REPAIRED, counts
from reliability.worth.judging import usual_unit
from reliability.worth.lives import worst_findings
from reliability.worth.odds import Floats, unit_chances
from reliability.worth.regression import shrunk_shares

STOCK_COLUMNS = (
    "component", "family", "obtainable", "units", "pieces", "cover", "on_shelf", "pack_size", "packs",
    "price", "cost", "advice",
)  # fmt: skip

#: Chance with which the pieces in `cover` are enough for the year.
COVER = 0.90
#: Stands for the family of a part that fits every family without a row of its own.
ANY = "any"
#: Share of mended components that are replaced, believed beforehand, and its worth in findings (common
#: practice, no source).
REPLACED_SHARE, REPLACED_WORTH = 0.7, 4.0
#: Share of units in which a worn component is replaced, or a part goes into a unit that is given up (common
#: practice, no source).
BESIDE_SHARE, BESIDE_WORTH = 0.03, 10.0

_ADVICE = {
    "no": "keep donors: cannot be had",
    "salvage only": "keep donors: salvage only",
    "nan": "not in the parts table",
}

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
    listed = known.parts.fillna({"family": ANY}).set_index(["component", "family"])

    def part_of(component: str, family: str) -> tuple[str, str]:
        """Whose part it is: the family's own, unless only the general row knows it."""
        own = (component, family) in listed.index or (component, ANY) not in listed.index
        return component, family if own else ANY

    needs: dict[tuple[str, str], Floats] = defaultdict(lambda: np.zeros(len(appraiser.shared.draws)))
    replaced, worn, in_vain = _shares(known, appraiser.shared.components)
    for family, per_year in _arrivals(known, appraiser):
        entry = appraiser.families[family]
        unit = usual_unit(entry, appraiser, appraiser.as_of + HALF_A_YEAR)
        states, success = unit_chances(entry, appraiser.shared, unit)
        c, success = entry.lives.components, success[:, None]
        each = success * (states.mended * replaced[c] + worn[c]) + (1.0 - success) * in_vain[c]
        for name, chance in zip(appraiser.components_of(entry), each.T, strict=True):
            needs[part_of(name, family)] += per_year * chance
    shelf = known.shelf[known.shelf["gone_on"].isna()].fillna({"family": ANY})
    lying = Counter(part_of(row.component, row.family) for row in shelf.itertuples())
    paid = _paid(known)
    per_part = [paid.get(part, paid.get((part[0], ANY), np.nan)) for part in needs]
    parts = pd.MultiIndex.from_tuples(list(needs), names=["component", "family"])
    table = listed.reindex(parts).reset_index()
    units, pieces = [need.mean() for need in needs.values()], table["per_unit"].fillna(1.0)
    cover = pieces * [covering(need) for need in needs.values()]
    on_shelf = np.minimum([lying[part] for part in needs], cover)
    is_gone, pack = table["obtainable"] == "no", table["pack_size"].fillna(1.0)
    packs = np.ceil((cover - on_shelf) / pack).mask(is_gone)
    as_listed = packs * table["price"]
    is_guess = as_listed.isna() & ~is_gone
    cost = as_listed.where(~is_guess, (cover - on_shelf) / pieces * per_part)
    guess = np.where(cost.isna(), "price not known", "cost as paid so far")
    advice = [
        "; ".join(filter(None, (_ADVICE.get(str(state), ""), said)))
        for state, said in zip(table["obtainable"], np.where(is_guess, guess, ""), strict=True)
    ]
    obtainable = table["obtainable"].astype(object).where(table["obtainable"].notna(), None)
    table = table.assign(obtainable=obtainable, units=units, pieces=pieces * units, cover=cover,
                         on_shelf=on_shelf, pack_size=pack, packs=packs, cost=cost,
                         advice=advice)  # fmt: skip
    texts = ("component", "family", "obtainable", "advice")
    table = table.loc[table["cover"] > 0, list(STOCK_COLUMNS)]
    table = table.astype({name: object if name in texts else float for name in STOCK_COLUMNS})
    by = ["units", "component", "family"]
    return table.sort_values(by, ascending=[False, True, True], ignore_index=True)


def covering(need: Floats) -> int:
    """Find the number that is enough with the chance `COVER`: Poisson around the needs (n_draws,)."""
    # Distributions by their special functions: scipy.stats takes a quarter of a second to load.
    most = int(np.ceil(pdtrik(COVER, need.max())))
    chance = pdtr(np.arange(most + 1)[:, None], need).mean(axis=1)
    return int(np.argmax(chance >= COVER))


def _paid(records: Records) -> dict[tuple[str, str], float]:
    """Median of what one unit's part has cost, by component and family; `ANY`: of all families."""
    found = records.findings
    bought = found[(found["part_cost"] > 0) & (found["action"] == "replaced")]
    bought = bought.merge(records.jobs[["job", "family"]], on="job")
    per_unit = bought.groupby(["family", "component", "job"])["part_cost"].sum()
    paid = {(name, ANY): float(cost) for name, cost in per_unit.groupby("component").median().items()}
    return paid | per_unit.groupby(["component", "family"]).median().to_dict()


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


def _shares(records: Records, components: tuple[str, ...]) -> tuple[Floats, Floats, Floats]:
    """By component: mended ones that are replaced; parts for worn ones, and for units given up, per unit."""
    own = records.jobs[(records.jobs["outcome"] != "open") & records.jobs["origin"].isna()]
    own = own.merge(records.families[["family", "kind"]], on="family")
    findings = worst_findings(records.findings).merge(own[["job", "outcome", "kind"]], on="job")
    repaired, failed = findings["outcome"] == REPAIRED, findings["found"] == "failed"
    told = repaired & failed & findings["action"].notna()
    replaced = findings["action"] == "replaced"
    in_vain = ~repaired & (replaced | (findings["action"] == "no part"))
    # A bench that leaves out what was sound still had the unit: units are counted, not findings.
    kinds = findings[["kind", "component"]].drop_duplicates()

    def count(rows: pd.Series) -> Floats:
        return counts(findings.loc[rows, "component"], components)

    def units(jobs: pd.DataFrame) -> Floats:
        per_kind = kinds["kind"].map(jobs["kind"].value_counts()).fillna(0)
        of_component = per_kind.groupby(kinds["component"]).sum()
        return of_component.reindex(list(components), fill_value=0).to_numpy(float)

    beside = {"usual": BESIDE_SHARE, "usual_worth": BESIDE_WORTH}
    whole = own["outcome"] == REPAIRED
    return (
        shrunk_shares(count(told & replaced), count(told), usual=REPLACED_SHARE, usual_worth=REPLACED_WORTH),
        shrunk_shares(count(repaired & ~failed & replaced), units(own[whole]), **beside),
        shrunk_shares(count(in_vain), units(own[~whole]), **beside),
    )
