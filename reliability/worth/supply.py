"""Whether a failed component can be mended: what could be had when, and how repairs of it went."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit

from reliability.records.frames import Records
from reliability.worth.bench import REPAIRED
from reliability.worth.odds import LOGIT_SLOPE, Floats, Ints
from reliability.worth.regression import Block, ShrunkFit, fit_shrunk_logit, one_hot

# ---- Whether a replacement can be had: today, and on the day of an earlier job


Pair = tuple[str, str]

#: How attempts end where a new part can be had and where it cannot, as so many attempts beforehand.
WAYS = ("new", "salvaged", "rebuilt", "no part")
WAYS_IF_HAD, WAYS_IF_GONE = (17.0, 0.6, 1.2, 1.2), (0.4, 4.0, 4.0, 8.0)
#: Pairs beforehand of which new parts can be had, never could, were sold out, and are made again.
STORIES = (8.0, 1.0, 1.0, 0.5)
#: How many pairs of one component what is known of all components is worth.
COMPONENT_WORTH = 4.0
#: Notes (can be had, cannot) beforehand: first where a new part can be had, then where it cannot. A row of
#: the family's own is righter than a general one (all of this: common practice, no source).
OWN_NOTE, GENERAL_NOTE = ((9.0, 1.0), (2.0, 8.0)), ((17.0, 3.0), (4.0, 6.0))
#: What a note is worth beside attempts where it tells salvaged parts from none.
SALVAGE_NOTE = 4.0

ROUNDS = 25


@dataclass(frozen=True)
class Supply:
    """What can be had, by component and family."""

    # (n, 3): days (ordinals) after which and until which new parts may have been sold, and the chance of
    # each; inf to -inf: never, -inf to inf: always. Family "" is one that the ledger says nothing of
    sold: Mapping[Pair, Floats]
    salvaged: Mapping[Pair, float]  # chance that salvaged parts can be had where no new ones can
    # what lies on the shelf, and the worth of the cheapest piece (NaN: not known): it can be had today.
    # Family "": it fits any
    shelf: Mapping[Pair, float]

    def chances(self, component: str, family: str, days: Floats) -> Floats:
        """Chance that a part could be had new, salvaged only, or not at all, on days given as ordinals."""
        # Inf is today. Gives (n, 3): these are the states of supply 0 to 2.
        key = (component, family) if (component, family) in self.sold else (component, "")
        after, until, chance = self.sold[key].T[:, :, None]
        had = np.where((after < days) & (days <= until), chance, 0.0).sum(axis=0)
        salvaged = (1.0 - had) * self.salvaged[key]
        if (component, family) in self.shelf or (component, "") in self.shelf:
            salvaged = np.where(np.isposinf(days), 1.0 - had, salvaged)
        return np.stack([had, salvaged, 1.0 - had - salvaged], axis=1)


def read_shelf(shelf: pd.DataFrame) -> dict[Pair, float]:
    """Give what lies on the shelf, and the worth of the cheapest piece of each (NaN: not known)."""
    lying = shelf[shelf["gone_on"].isna()]
    found = lying.assign(family=lying["family"].fillna("")).groupby(["component", "family"])["worth"].min()
    return {(str(component), str(family)): float(worth) for (component, family), worth in found.items()}


def read_supply(records: Records, jobs: pd.DataFrame, components: tuple[str, ...]) -> Supply:
    """Weigh notes, and attempts in some jobs; look at the shelf."""
    # Expectation and maximisation: how often attempts end in which way, how often notes of each sort are
    # right, and how common each story is by component are learned over all pairs, beginning with what is
    # believed beforehand, which is worth the counts above.
    # Source: A. P. Dempster, N. M. Laird, D. B. Rubin, J. R. Statist. Soc. B 39 (1977) 1-38.
    tried, parts = _attempts(jobs, records.findings), records.parts
    notes = parts.assign(family=parts["family"].fillna(""), day=ordinals(parts["as_of"]))
    general = notes[notes["family"] == ""].set_index("component")
    own = notes.set_index(["component", "family"])
    days = ordinals(jobs["closed"])
    span = (np.nanmin(days), np.nanmax(days)) if np.isfinite(days).any() else (0.0, 1.0)
    by_pair = dict(list(tried.groupby(["component", "family"], sort=True)))
    known = {*components, *tried["component"], *notes["component"]}
    pairs = sorted({*by_pair, *own.index, *((name, "") for name in known)})
    stories, salvaged = [], {}
    for pair in pairs:
        seen = by_pair.get(pair, tried.iloc[:0])
        is_own = pair[1] != "" and pair in own.index
        note = own.loc[pair] if is_own else general.loc[pair[0]] if pair[0] in general.index else None
        stories.append(_stories(seen, note, is_own, span))
        # Salvaged parts where there are no new ones: one attempt of each kind beforehand.
        way, said = seen["way"], None if note is None else note["obtainable"]
        yes, no = 1.0 + float((way == "salvaged").sum()), 1.0 + float(way.isin(("rebuilt", "no part")).sum())
        yes += SALVAGE_NOTE * (said == "salvage only")
        salvaged[pair] = yes / (yes + no + SALVAGE_NOTE * (said == "no"))
    sold, counts = zip(*stories, strict=True)
    sizes = [len(each) for each in sold]
    of_pair = np.repeat(np.arange(len(pairs)), sizes)
    weight = _weigh(np.concatenate(sold)[:, 2:], np.concatenate(counts), of_pair, pairs)
    split = np.split(weight, np.cumsum(sizes)[:-1])
    found = {pair: np.column_stack([e[:, :2], w]) for pair, e, w in zip(pairs, sold, split, strict=True)}
    return Supply(found, salvaged, read_shelf(records.shelf))


def _attempts(jobs: pd.DataFrame, findings: pd.DataFrame) -> pd.DataFrame:
    """List what was tried to get parts, where a job says so: job, component, family, way, day."""
    work = findings.merge(jobs[["job", "family", "closed"]], on="job")
    work = work[work["action"].isin(("replaced", "rebuilt", "no part"))]
    source = np.where(work["part_source"] == "salvaged", "salvaged", "new")
    way = work["action"].where(work["action"] != "replaced", pd.Series(source, index=work.index))
    work = work.assign(way=way)[["job", "component", "family", "closed", "way"]]
    ended = jobs[jobs["ended_by"].notna() & (jobs["ended_why"] == "parts not available")]
    ended = ended.assign(component=ended["ended_by"], way="no part")[list(work.columns)]
    told = pd.concat([work, ended]).drop_duplicates(["job", "component"])
    return told.assign(day=ordinals(told["closed"])).drop(columns="closed")


def ordinals(days: pd.Series) -> Floats:
    """Days as whole numbers, NaN where there is none."""
    values = days.to_numpy("datetime64[D]")
    return np.where(np.isnat(values), np.nan, values.astype(np.int64) + 719_163.0)


def _stories(
    seen: pd.DataFrame, note: pd.Series | None, is_own: bool, span: tuple[float, float]
) -> tuple[Floats, Floats]:
    """Lay out when new parts of a pair may have been sold, and how often each thing would then be seen."""
    days, way = seen["day"].to_numpy(float), seen["way"].to_numpy()
    noted = [] if note is None or np.isnan(note["day"]) else [note["day"]]
    marks = np.unique(np.clip(np.concatenate([days, noted, span]), *span))
    middle, width = (marks[1:] + marks[:-1]) / 2, np.diff(marks)
    share = width / width.sum() if width.sum() > 0 else width
    n, ever = middle.size, np.full(middle.size, np.inf)
    # Always, never, until some day, from some day on.
    after = np.concatenate([[-np.inf, np.inf], -ever, middle])
    until = np.concatenate([[np.inf, -np.inf], middle, ever])
    sold = np.column_stack([after, until, np.zeros((after.size, 4))])
    sold[0, 2] = sold[1, 3] = 1.0
    sold[2 : 2 + n, 4] = sold[2 + n :, 5] = share
    had = (after[:, None] < days) & (days <= until[:, None])
    counts = np.zeros((until.size, 16))
    for k, name in enumerate(WAYS):
        counts[:, k] = (had & (way == name)).sum(axis=1)
        counts[:, 4 + k] = (~had & (way == name)).sum(axis=1)
    if note is None:
        return sold, counts
    first, says_no = 8 if is_own else 12, int(note["obtainable"] != "yes")
    without = counts.copy()
    counts[:, first + says_no] = 1.0  # written while new parts were sold
    without[:, first + 2 + says_no] = 1.0
    # A note without a day may be as old as the ledger.
    day = np.linspace(*span, 9) if np.isnan(note["day"]) else np.array([note["day"]])
    while_sold = np.mean((after[:, None] < day) & (day <= until[:, None]), axis=1)
    weights = np.concatenate([while_sold, 1.0 - while_sold])[:, None]
    sold = np.vstack([sold, sold]) * np.hstack([np.ones((weights.size, 2)), *[weights] * 4])
    kept = weights[:, 0] > 0
    return sold[kept], np.vstack([counts, without])[kept]


def _weigh(stories: Floats, counts: Floats, of_pair: Ints, pairs: list[Pair]) -> Floats:
    """Chance of each row of `_stories` within its pair; ndarray, shape (n_rows,)."""
    n, names = len(pairs), sorted({component for component, _ in pairs})
    component = np.array([names.index(c) for c, _ in pairs])
    # Pairs of no family, which only carry a general note, are no evidence of how common a story is.
    counted = np.array([family != "" for _, family in pairs], float)
    prior = np.concatenate([WAYS_IF_HAD, WAYS_IF_GONE, *OWN_NOTE, *GENERAL_NOTE])
    groups = np.split(np.arange(16), [4, 8, 10, 12, 14])
    told, common = np.zeros(16), np.zeros((len(names), len(STORIES)))
    weight = np.zeros(len(counts))
    for _ in range(ROUNDS):
        total = prior + told
        log_chance = np.concatenate([np.log(total[g] / total[g].sum()) for g in groups])
        usual = np.array(STORIES) + common.sum(axis=0)
        story = COMPONENT_WORTH * usual / usual.sum() + common
        story /= story.sum(axis=1, keepdims=True)
        with np.errstate(divide="ignore"):
            log_prior = np.log((stories * story[component[of_pair]]).sum(axis=1))
        value = log_prior + counts @ log_chance
        top = np.full(n, -np.inf)
        np.maximum.at(top, of_pair, value)
        weight = np.exp(value - top[of_pair])
        weight /= np.bincount(of_pair, weight, n)[of_pair]
        told = (weight * counted[of_pair]) @ counts
        by_story = np.where(stories > 0, 1.0, 0.0) * (weight * counted[of_pair])[:, None]
        common = np.stack([np.bincount(component[of_pair], s, len(names)) for s in by_story.T], axis=1)
    return weight


# ---- How often a failed component does not end the job

#: What a job of another source is worth beside one of this bench, in the pooled rates.
ORIGIN_DISCOUNT = 0.3
#: Spreads from component to component of what a salvaged part takes from the log odds, and of those without
#: any part (common practice, no source).
WITHOUT_SDS = (0.5, 1.2)
#: Prior log odds that a failed component can be mended; what having only a salvaged part adds to them; the
#: log odds where no part can be had (common practice, no source).
LEVEL_MEANS, LEVEL_SD = (1.8, -1.5, -1.0), 1.0

LEAST_TRIAL = 1e-3
WIDEST, HALVINGS = 6.0, 24
HERMITE, HERMITE_WEIGHTS = np.polynomial.hermite_e.hermegauss(20)
HERMITE_WEIGHTS /= HERMITE_WEIGHTS.sum()


@dataclass(frozen=True)
class Repairability:
    """Fitted log odds that a failed component does not end the job."""

    fit: ShrunkFit
    components: tuple[str, ...]
    families: tuple[str, ...]
    supply: Supply

    def of(self, family_at: Ints, component_at: Ints, days: Floats) -> Floats:
        """Mean and standard deviation of the log odds on each day; ndarray, shape (n_days, c, 2)."""
        # Positions of each component (c,) and of its family (-1: not known). Days are ordinals; inf is today.
        within, at = np.tile(family_at, 3), np.tile(component_at, 3)
        state = np.repeat(np.arange(3), component_at.size)
        predicted = self.fit.predict(*_upper_and_cell(within, at, state, len(self.components)))
        mean, sd, own = (values.reshape(3, -1) for values in predicted)
        # A part never makes mending harder: where no trial of this very case says so, the odds with one are
        # the most that those without one can be.
        mean[2] = own[2] * mean[2] + (1.0 - own[2]) * np.minimum(mean[2], mean[0])
        supply = self.supply
        names = (*self.families, "")
        pairs = [(self.components[c], names[f]) for c, f in zip(component_at, family_at, strict=True)]
        # Families whose parts nobody wrote of share the chances of a family of no name.
        pairs = [pair if pair in supply.sold or pair in supply.shelf else (pair[0], "") for pair in pairs]
        chances = {pair: supply.chances(*pair, days) for pair in dict.fromkeys(pairs)}
        return mixed_odds(mean, sd, np.stack([chances[pair] for pair in pairs], axis=1))


def mixed_odds(mean: Floats, sd: Floats, chances: Floats) -> Floats:
    """Put one normal in place of a mixture of log odds: that of the same mean and variance as a chance."""
    # `mean`, `sd` (n_states, c); `chances` (n, c, n_states). Gives mean and standard deviation, (n, c, 2).
    at = expit(mean + sd * HERMITE[:, None, None])
    first, second = (np.einsum("h,hsc,ncs->nc", HERMITE_WEIGHTS, power, chances) for power in (at, at**2))
    variance = second - first**2
    low, high = np.zeros(first.shape), np.full(first.shape, WIDEST)
    logit = np.log(first / (1.0 - first))
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        centre = logit * np.sqrt(1.0 + LOGIT_SLOPE * middle**2)
        for _ in range(2):  # Newton's steps to the centre whose mean chance is right
            by_node = expit(centre + middle * HERMITE[:, None, None])
            slope = np.tensordot(HERMITE_WEIGHTS, by_node * (1.0 - by_node), axes=1)
            centre = centre + (first - np.tensordot(HERMITE_WEIGHTS, by_node, axes=1)) / slope
        by_node = expit(centre + middle * HERMITE[:, None, None])
        wide = np.tensordot(HERMITE_WEIGHTS, (by_node - first) ** 2, axes=1) > variance
        low, high = np.where(wide, low, middle), np.where(wide, middle, high)
    return np.stack([centre, middle], axis=2)


def trials(jobs: pd.DataFrame, findings: pd.DataFrame) -> pd.DataFrame:
    """List the failed components that somebody tried to mend."""
    failed = findings.loc[findings["found"] == "failed", ["job", "component", "action"]]
    ended = jobs.loc[jobs["ended_by"].notna(), ["job", "ended_by"]].rename(columns={"ended_by": "component"})
    table = pd.concat([failed, ended])
    touched, no_part = table["action"].isin(("serviced", "replaced", "rebuilt")), table["action"] == "no part"
    table = table.assign(touched=touched, no_part=no_part)
    table = table.groupby(["job", "component"], sort=False, as_index=False)[["touched", "no_part"]].any()
    table = table.merge(jobs[["job", "family", "outcome", "ended_by", "own", "closed"]], on="job")
    touched, no_part = table["touched"], table["no_part"]
    ended_by_it, repaired = table["ended_by"] == table["component"], table["outcome"] == REPAIRED
    mended = repaired | (touched & ~ended_by_it & ~no_part)
    tried = repaired | ended_by_it | touched | no_part
    table = table.assign(mended=mended.astype(float))
    return table.loc[tried, ["job", "family", "component", "mended", "own", "closed"]].reset_index(drop=True)


def fit_repairability(
    tried: pd.DataFrame, components: tuple[str, ...], families: tuple[str, ...], supply: Supply
) -> Repairability:
    """Fit log odds of mending by component, family, their pairs, and whether parts can be had."""
    table = tried[tried["component"].isin(components)]
    cases = zip(table["component"], table["family"], ordinals(table["closed"])[:, None], strict=True)
    chances = [supply.chances(*case)[0] for case in cases]
    worth = np.where(table["own"], 1.0, ORIGIN_DISCOUNT)
    counts = pd.concat(
        table.assign(state=state, n=worth * share, y=worth * share * table["mended"])
        for state, share in enumerate(np.reshape(chances, (-1, 3)).T)
    )
    counts = counts.groupby(["family", "component", "state"], as_index=False)[["y", "n"]].sum()
    counts = counts[counts["n"] > LEAST_TRIAL]
    family_at = pd.Index(families).get_indexer(counts["family"])
    component_at = pd.Index(components).get_indexer(counts["component"])
    n_c = len(components)
    design, cell = _upper_and_cell(family_at, component_at, counts["state"].to_numpy(np.int64), n_c)
    blocks = [
        Block(design[:, :3], (LEVEL_SD,), np.array(LEVEL_MEANS)),
        Block(design[:, 3 : 3 + n_c], (0.4, 0.8, 1.4)),  # the component
        Block(design[:, 3 + n_c :], WITHOUT_SDS),  # and without a new part
    ]
    fit = fit_shrunk_logit(counts["y"], counts["n"], blocks, inner=cell, inner_sds=(0.3, 0.7, 1.2))
    return Repairability(fit, components, families, supply)


def _upper_and_cell(
    family_at: Ints, component_at: Ints, state: Ints, n_components: int
) -> tuple[Floats, Ints]:
    """Design rows: with a part; salvaged; without one; then the component in each way. Innermost groups."""
    ways = np.column_stack([state < 2, state == 1, state == 2]).astype(float)
    component = one_hot(component_at, n_components)
    # What cannot be had at all is mended in another way, by other skill.
    cell = 2 * (family_at * n_components + component_at) + (state == 2)
    return np.hstack([ways, *(way[:, None] * component for way in ways.T)]), np.where(family_at < 0, -1, cell)
