"""Outcomes against the chain of components: a shrunk regression that the records weigh."""

import datetime
from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from reliability.life.lives import age_at, decimal_year
from reliability.worth.bench import Bench, share_unfinished_repaired
from reliability.worth.lives import weigh_hearsay
from reliability.worth.money import ODDS_NEWS, ODDS_NEWS_SDS
from reliability.worth.odds import (
    NODE_WEIGHTS,
    NODES,
    FamilyLives,
    Floats,
    Ints,
    Shared,
    age_terms,
    assumed_years,
    component_odds,
    log_odds,
    mending_odds,
    not_alone,
    sign_terms,
    unseen_success,
    unshown,
)
from reliability.worth.regression import Block, fit_shrunk_logit, one_hot
from reliability.worth.supply import Repairability, ordinals

# ---- Many units of one family at once: the mean chance of a repair that `unit_states` gives one by one


ELEMENTS_AT_ONCE = 80_000
"""Draws x alternatives x components of one block of work: about what a processor keeps near by."""


def repair_chances(
    family: FamilyLives,
    shared: Shared,
    unit: Ints,
    age_years: Floats,
    year: Floats,
    weight: Floats,
    signs: Floats,
    repair: Floats,
) -> Floats:
    """Chance that no component ends the job, averaged over all states of knowledge, of many units."""
    # `unit` (n_alternatives,): which unit each alternative is one of, a position in `signs`; each has one at
    # least, and the weights of a unit sum to 1; `repair` (n_units, c, 2): log odds of mending when each unit
    # was on the bench, and their standard deviation. Gives the mean of `unit_states(...).success` of each.
    # With odds o of having arrived failed, a chance u that a failed one shows none of the signs that stay
    # away, a chance f of mending and a chance k of dying on the bench, a component shows none of them and
    # lets the job go on with the chance (1 - k (1 - f) + o u f) / (1 + o).
    terms = [sign_terms(of_unit, shared.sign_shows) for of_unit in signs]
    # One row for each term of the signs of each alternative; all terms of a unit are added up in the end.
    absent, factor = (np.concatenate(values) for values in zip(*terms, strict=True))
    n_of = np.array([some.size for _, some in terms], np.int64)
    row = np.repeat(np.arange(unit.size), n_of[unit])
    of_unit = np.split(np.arange(factor.size), np.cumsum(n_of)[:-1])
    term = np.concatenate([of_unit[at] for at in unit])
    going, possible = np.zeros((2, len(shared.draws), len(signs)))
    for at in blocks(family, shared, row.size):
        alternative, of_term = row[at], term[at]
        log_odds = component_odds(family, shared, age_years[alternative], year[alternative])
        both = _goes_on(family, shared, log_odds, absent[of_term], repair[unit[alternative]])
        both *= weight[alternative] * factor[of_term]
        of = unit[alternative]
        for total, values in zip((going, possible), both, strict=True):
            np.add.at(total.T, of, values.T)
    return np.asarray((going / possible).mean(axis=0))


def blocks(family: FamilyLives, shared: Shared, n_alternatives: int) -> Iterator[slice]:
    """Split alternatives into runs that fit one block of work."""
    size = max(1, ELEMENTS_AT_ONCE // (len(shared.draws) * max(family.components.size, 1)))
    for first in range(0, n_alternatives, size):
        yield slice(first, first + size)


def _goes_on(family: FamilyLives, shared: Shared, log_odds: Floats, absent: Floats, repair: Floats) -> Floats:
    """Chance that the signs stay away and every component lets the job go on; that the signs stay away."""
    # ndarray, shape (2, draws, rows), averaged over storage.
    c = family.components
    odds = np.exp(log_odds)
    fixable = expit(mending_odds(repair, shared))  # (draw, row, c)
    alive = 1.0 - shared.collateral[c] * (1.0 - fixable)
    hides = unshown(shared.sign_shows[c], absent)  # (row, c)
    chain, any_state = np.ones((2, NODES.size, *log_odds.shape[:2]))
    for i in range(c.size):
        stored = odds[:, :, i] * np.exp(shared.storage_sd * NODES)[:, None, None]
        hidden = stored * hides[:, i]
        stored += 1.0
        any_state *= (1.0 + hidden) / stored
        hidden *= fixable[:, :, i]
        hidden += alive[:, :, i]
        hidden /= stored
        chain *= hidden
    by_node = NODE_WEIGHTS[:, None] * not_alone(shared, absent)
    return np.stack([np.einsum("kr,kdr->dr", by_node, table) for table in (chain, any_state)])


# ---- Odds of a repair by the components alone: of the jobs that were, and of a family's typical unit


LEAST_AGE = 1 / 12


def ages_of_jobs(bench: Bench, examined: NDArray[np.bool_]) -> pd.DataFrame:
    """List what ages finished jobs may have, as `Bench.ages` does, and `family_at`."""
    # A job without a year is given the years that an offer without one is given. Only own jobs and those
    # examined (n_jobs,) tell of more than lives.
    asked = np.flatnonzero(bench.jobs["own"].to_numpy(bool) | examined)
    undated = np.setdiff1d(asked, bench.ages["at"])
    family_at = bench.jobs["family_at"].to_numpy(np.int64)
    days = bench.jobs["taken_in"].to_numpy("datetime64[D]")
    known = bench.slots[["first_year", "last_year", "mean_year"]].to_numpy(float)[family_at[undated]]
    years = [
        assumed_years(first, last, usual, day.year)
        for (first, last, usual), day in zip(known, days[undated].astype(object), strict=True)
    ]
    each = pd.Series(years, undated, dtype=object).explode().astype(float)
    at, weight = each.index.to_numpy(np.int64), 1.0 / each.groupby(level=0).transform("size")
    assumed = {"at": at, "year": each, "weight": weight, "age_years": age_at(days[at], each.to_numpy())}
    written = bench.ages.loc[bench.ages["at"].isin(asked), list(assumed)]
    table = pd.concat([written, pd.DataFrame(assumed)], ignore_index=True)
    return table.assign(family_at=family_at[table["at"]])


def chain_log_odds(
    bench: Bench, lives: list[FamilyLives], mending: Repairability, shared: Shared, ages: pd.DataFrame
) -> Floats:
    """Log odds of a repair of every finished job by its components, with the parts of its time."""
    # Gives (n_jobs,).
    chain = np.full(len(bench.jobs), np.nan)
    for family_at, rows in ages.groupby("family_at"):
        if bench.jobs_seen[family_at] == 0:
            continue  # how jobs of elsewhere ended is no outcome of this bench
        at, unit = np.unique(rows["at"], return_inverse=True)
        family, closed = lives[family_at], ordinals(bench.jobs["closed"].iloc[at])
        repair = mending.of(np.full(family.components.size, family_at), family.components, closed)
        age, year, weight = (rows[name].to_numpy() for name in ("age_years", "year", "weight"))
        chance = repair_chances(family, shared, unit, age, year, weight, bench.sign_values[at], repair)
        chain[at] = log_odds(chance)
    return chain


def usual_log_odds(bench: Bench, lives: list[FamilyLives], shared: Shared) -> pd.DataFrame:
    """Work out a typical unit of each slot, of which no sign was looked for: its odds by its components."""
    # age_years: mean age of the family's jobs, or of its middle production year today, where there are none;
    # log_odds; variance: what is not known of those, from what is not known of lives and of mending.
    today = float(decimal_year(np.array([bench.as_of], dtype="datetime64[D]"))[0])
    year = bench.slots["mean_year"]
    age = bench.slots["mean_age"].fillna((today - year - 0.5).clip(lower=LEAST_AGE))
    success = [unseen_success(*each) for each in zip(lives, [shared] * len(lives), age, year, strict=True)]
    means = [float(log_odds(each.mean())) for each in success]
    variances = [float(log_odds(each).var()) for each in success]
    return pd.DataFrame({"age_years": age, "log_odds": means, "variance": variances})


# ---- What the bench's outcomes say, whatever the components promise: a shrunk regression of its own


SPREADS = {
    "level": (1.0,),
    "chain": (0.05, 0.2, 0.6),
    "kind": (0.1, 0.3, 0.6, 1.2),
    "drift": (0.05, 0.2, 0.5, 1.0),
    "practice": (0.05, 0.2, 0.5),
    "price": ODDS_NEWS_SDS,
    "age": (0.03, 0.15, 0.5),
    "sign": (0.05, 0.2, 0.7),
    "sign of a kind": (0.03, 0.3, 0.8),
}
FAMILY_SDS = (0.15, 0.4, 0.8, 1.2)
"""Prior spreads, on the scale of log odds, of what acts on the outcome beside the chain; those of age for ten
years. Each first one is nearly nothing, so that the records may say so (common practice, no source)."""

HALF_LIFE = 4.0
"""Years after which half of what sets a season apart is forgotten."""

PRACTICE, BEFORE = 0.2, 15.0
"""Benches learn: log odds of a repair per unit of the logarithm of jobs done, believed beforehand, and the
jobs that an owner has done before the first one written (both: common practice, no source). That skill goes
with the logarithm of what was done: A. Newell, P. S. Rosenbloom, in J. R. Anderson (ed.), Cognitive Skills
and Their Acquisition, Erlbaum, 1981, pages 1-55 (from memory)."""

EXAMINED_WORTH = 5.0
"""Jobs without a finding beside those that are there: so few findings are no ground to believe the chain."""

TROUBLE = -0.4
"""What a sign adds to the log odds, believed where nothing was examined: what is noted of a unit on sale is
mostly trouble (common practice, no source). Where findings are, they tell what each sign means."""

UNSAID, UNSAID_SD = 1 / 3, 18**-0.5
"""What the share of repairs among jobs never written up is, and its spread, as a part of the share among the
written ones, while the owner does not say: likeliest nothing, at most the same, and in between the less
likely the more it is. These are mean and standard deviation of such a triangle."""

SEASON_WORTH = 5.0
"""Jobs that the share of failures of all seasons is worth beside those of one."""

LEAST_SE, MISFIT_SE = 0.01, 0.25
"""Standard errors of log odds at least, and of what none of these variables tells (common practice, no
source)."""

MOST_PAIRS = 200
"""Pairs of a kind and a sign that have an effect of their own: those looked at most often."""


def gather_outcomes(bench: Bench, chain: Floats, ages: Floats, usual: Floats) -> pd.DataFrame:
    """Collect (fractions of) jobs and how many were repaired: own finished ones, unfinished, rumoured."""
    # Of each finished job: log odds by its components, mean age (NaN: not known); `usual` (n_slots,): log
    # odds of a typical unit by its components. Gives the jobs' columns, or `family_at` -1 for hearsay about a
    # kind; `age`, `chain`, `trials`, `practice`, and `offset`: how much likelier a repaired job is to be
    # written up.
    own = np.flatnonzero(bench.jobs["own"].to_numpy())
    columns = ["family_at", "kind_at", "season", "repaired"]
    finished = bench.jobs[columns].iloc[own].assign(age=ages[own], chain=chain[own], trials=1.0)
    finished["offset"] = written_up(bench)[0].reindex(finished["season"]).to_numpy(float)
    finished["practice"] = practice(bench, bench.jobs["taken_in"].iloc[own])
    at = pd.Index(bench.families).get_indexer(bench.open_jobs["family"])
    unfinished = pd.DataFrame(
        {
            "family_at": at,
            "kind_at": bench.family_kind[at],
            "season": bench.open_jobs["taken_in"].dt.year,
            "practice": practice(bench, bench.open_jobs["taken_in"]),
            # An unfinished job says half of what a finished one would.
            "repaired": 0.5 * share_unfinished_repaired(bench),
            "trials": 0.5,
        }
    )
    heard = weigh_hearsay(bench)
    heard = heard[heard["share_repaired"].notna()]
    # What is said of families and kinds that the ledger does not know must not move the others.
    heard = heard[heard["family"].isin(bench.families) | heard["kind"].isin(bench.kinds)]
    family = pd.Index(bench.families).get_indexer(heard["family"].fillna(""))
    kind = pd.Index(bench.kinds).get_indexer(heard["kind"].fillna(""))
    rumoured = pd.DataFrame(
        {
            "family_at": family,
            "kind_at": np.where(family >= 0, np.append(bench.family_kind, -1)[family], kind),
            "season": bench.as_of.year,
            "practice": 0.0,
            "repaired": heard["share_repaired"] * heard["worth_jobs"],
            "trials": heard["worth_jobs"],
        }
    )
    n, total = (np.bincount(finished["family_at"], w, usual.size) for w in (None, finished["chain"]))
    typical = np.where(n > 0, total / np.maximum(n, 1), usual)
    others = pd.concat([unfinished, rumoured]).astype(
        {"season": np.int64, "repaired": float, "trials": float}
    )
    at, kind = others["family_at"].to_numpy(), others["kind_at"].to_numpy()
    others = others.assign(
        age=np.nan, chain=typical[np.where(at >= 0, at, len(bench.families) + kind)], offset=0.0
    )
    return pd.concat([finished, others[finished.columns]], ignore_index=True)


def practice(bench: Bench, taken_in: pd.Series) -> Floats:
    """Log of the jobs that this bench had begun by some days over those begun by now."""
    begun = np.sort(
        np.concatenate([bench.jobs.loc[bench.jobs["own"], "taken_in"], bench.open_jobs["taken_in"]])
    )
    # Of jobs of one day half the others came before.
    done = 0.5 * (np.searchsorted(begun, taken_in) + np.searchsorted(begun, taken_in, side="right"))
    return np.log((done + BEFORE) / (begun.size + BEFORE))


def written_up(bench: Bench) -> tuple[pd.Series, float]:
    """Find how much likelier a repaired job is to be written up than another one."""
    # Of the written jobs of a season a share q was not repaired. If u gaps come to one written job, and a
    # share g of them were repairs, failures were written with the chance q / (q + (1 - g) u), repairs with (1
    # - q) / (1 - q + g u).
    own = bench.jobs[bench.jobs["own"]]
    seasons = own.groupby("season").size()
    missing = pd.Series(bench.missing, dtype=float) if bench.gaps_count else pd.Series(dtype=float)
    # A season of gaps alone has no job whose odds it could shift: its gaps count for the whole.
    elsewhere = float(missing[~missing.index.isin(seasons.index)].sum())
    gaps = (missing.reindex(seasons.index).fillna(0.0) + elsewhere * seasons / max(len(own), 1)) / seasons
    usual = (float((1.0 - own["repaired"]).sum()) + 0.5) / (len(own) + 1.0)
    failures = seasons - own.groupby("season")["repaired"].sum()
    unrepaired = (failures + SEASON_WORTH * usual) / (seasons + SEASON_WORTH)

    def offset(share: float) -> pd.Series:
        return np.log1p((1.0 - share) * gaps / unrepaired) - np.log1p(share * gaps / (1.0 - unrepaired))

    said = bench.records.settings.gap_repaired_share
    if said is not None:
        return offset(said), 0.0
    # From no repairs to as many as among the written ones the offset falls to nothing, nearly evenly.
    whole = float((offset(0.0) * seasons).sum() / max(len(own), 1))
    return offset(UNSAID * (1.0 - usual)), UNSAID_SD * whole


def fit_recalibration(
    bench: Bench, outcomes: pd.DataFrame, signs: Floats, price_signal: Floats, usual: pd.DataFrame
) -> tuple[dict[str, Floats], dict[str, Any]]:
    """Fit what acts on the outcomes: fields of `FamilyEntry` by slot, and those of `odds.Shared`."""
    # `outcomes`: from `gather_outcomes`; `signs` (n_jobs, n_signs): centred signs, 0 where nobody looked.
    # What sets seasons apart drifts: its correlation falls by half in `HALF_LIFE` years. Where a family has
    # no job of its own, hearsay speaks of the sum of two unknowns: how the family's lives and parts really
    # are, and its effect here. The spread of its effect is widened by the first while it is fitted;
    # `own_weight` then takes back as much of the first as was learned, and `shift_se` is what is left. With
    # own jobs the findings have told of the first already, and must not count twice.
    kind, family = bench.slot_places
    n_f, n_k, n_s = len(bench.families), len(bench.kinds), signs.shape[1]
    if outcomes.empty:
        se = np.full(kind.size, np.sqrt(0.5**2 + 0.3**2 + 0.4**2))
        nothing = np.zeros(kind.size)
        return {"shift": nothing, "shift_se": se, "own_weight": nothing}, {"chain_centre": 0.5}
    own = bench.jobs["own"].to_numpy(bool)
    believed = ((own & bench.told).sum() + EXAMINED_WORTH) / (own.sum() + EXAMINED_WORTH)
    columns = ("family_at", "kind_at", "season", "practice", "chain", "age", "trials")
    at, of_kind, seasons, done, chain, age, trials = (outcomes[name].to_numpy() for name in columns)
    seen = np.zeros((len(outcomes), n_s))
    seen[: own.sum()] = signs[own]
    centre = float(np.average(chain, weights=trials))
    dated = age[np.isfinite(age)]
    # Ages between which nearly all units lie, and their mean; NaN where no age is known.
    span = [*np.quantile(dated, [0.02, 0.98]), dated.mean()] if dated.size else [np.nan] * 3
    ages = np.array(span, float)
    season_of, coming = _drift(np.unique(seasons), bench.as_of)
    pairs = _sign_pairs(of_kind, seen, n_k)

    def design(
        kind: Ints,
        season: Floats,
        done: Floats,
        chain: Floats,
        age: Floats,
        price: Floats,
        signs: Floats,
    ) -> dict[str, Floats]:
        by_kind = one_hot(kind, n_k)
        return {
            "level": np.ones((kind.size, 1)),
            "chain": (chain - centre)[:, None],
            "kind": by_kind,
            "drift": season,
            "practice": done[:, None],
            "price": price[:, None],
            "age": age_terms(age, ages),
            "sign": signs,
            "sign of a kind": by_kind[:, pairs[0]] * signs[:, pairs[1]],
        }

    price = np.append(price_signal[:n_f], 0.0)[at]
    known = design(of_kind, season_of.loc[seasons].to_numpy(), done, chain, age, price, seen)
    unfounded = believed**2 * usual["variance"].to_numpy()[:n_f]
    unfounded[(bench.jobs_seen > 0) | ~np.isin(np.arange(n_f), at)] = 0.0
    # The chain was fitted to findings of these very jobs, and follows their outcomes closer than it will
    # those of others: a weight above 1 shows that alone, and is then held there.
    for weight, spreads in ((believed, SPREADS["chain"]), (1.0, SPREADS["chain"][:1])):
        # As little as the chain is believed of single jobs, as little it is of their level.
        means = {
            "level": (believed - 1.0) * centre,
            "practice": PRACTICE,
            "chain": weight,
            "sign": (1.0 - believed) * TROUBLE,
            "price": ODDS_NEWS,
        }
        sds = SPREADS | {"chain": spreads}
        fit = fit_shrunk_logit(
            outcomes["repaired"],
            trials,
            [Block(x, sds[name], means.get(name, 0.0)) for name, x in known.items() if x.shape[1]],
            # What is said of a whole kind belongs to no family: one more group takes it.
            inner=np.where(at < 0, n_f, at),
            inner_sds=FAMILY_SDS,
            offset=centre + outcomes["offset"],
            inner_extra=np.append(unfounded, 0.0),
        )
        if fit.effects(np.eye(fit.n_upper)[[list(known).index("chain")]])[0][0] <= 1.0:
            break
    by_chain, usual_age = usual["log_odds"].to_numpy(), usual["age_years"].to_numpy()
    now, no_signs = np.broadcast_to(coming, (kind.size, coming.size)), np.zeros((kind.size, n_s))
    rows = design(kind, now, np.zeros(kind.size), by_chain, usual_age, price_signal, no_signs)
    mean, se, own_weight = fit.predict(np.hstack(list(rows.values())), family)
    # The draws of lives still carry what was not learned of them.
    left = (1.0 - own_weight) ** 2 * np.append(unfounded, np.zeros(n_k + 1))
    se = np.hypot(np.sqrt(np.maximum(se**2 - left, LEAST_SE**2)), np.hypot(written_up(bench)[1], MISFIT_SE))
    # One effect at a time, all other variables at nothing: the chain, age and its square, each sign by kind.
    kinds = np.concatenate([np.full(4, -1), np.repeat(np.append(np.arange(n_k), -1), n_s)])
    one = {name: np.zeros((kinds.size, x.shape[1])) for name, x in rows.items()}
    one["chain"][0], one["age"][1:3], one["practice"][3] = 1.0, np.eye(2), 1.0
    one["sign"][4:] = np.tile(np.eye(n_s), (n_k + 1, 1))
    one["sign of a kind"] = one_hot(kinds, n_k)[:, pairs[0]] * one["sign"][:, pairs[1]]
    effect, effect_se = fit.effects(np.hstack(list(one.values())))
    weight, by_age = float(effect[0]), effect[1:3]
    shift = mean - weight * (by_chain - centre) - age_terms(usual_age, ages) @ by_age
    by_slot = {"shift": shift, "shift_se": se, "own_weight": np.where(family >= 0, own_weight, 0.0)}
    return by_slot, {
        "chain_weight": weight,
        "chain_centre": centre,
        "practice": float(effect[3]),
        "age_effect": by_age,
        "age_se": effect_se[1:3],
        "age_range": ages,
        "outcome_signs": effect[4:].reshape(n_k + 1, n_s),
        "outcome_signs_se": effect_se[4:].reshape(n_k + 1, n_s),
    }


def _drift(seasons: Ints, as_of: datetime.date) -> tuple[pd.DataFrame, Floats]:
    """Write seasons as a process that drifts: rows by season, and the row of the time to come."""
    # With the root of a correlation matrix as variables, effects of one spread that are independent
    # beforehand are seasons that are correlated: an Ornstein-Uhlenbeck process at these times.
    times = np.append(seasons + 0.5, as_of.year + as_of.timetuple().tm_yday / 365.25)
    apart = np.abs(times[:, None] - times)
    root = np.linalg.cholesky(0.5 ** (apart / HALF_LIFE) + 1e-9 * np.eye(times.size))
    return pd.DataFrame(root[:-1], index=seasons), root[-1]


def _sign_pairs(kind_at: Ints, signs: Floats, n_kinds: int) -> tuple[Ints, Ints]:
    """Kinds and signs of which one is looked for in the other; none where all units are of one kind."""
    looked = one_hot(kind_at, n_kinds).T @ (signs != 0.0)
    if (looked.sum(axis=1) > 0).sum() < 2:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    most = np.sort(looked, axis=None)[-MOST_PAIRS - 1] if looked.size > MOST_PAIRS else 0.0
    kind, sign = np.nonzero(looked > most)
    return kind, sign
