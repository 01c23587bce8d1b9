"""What is true of an offer, given only what can be seen of it; and how good verdicts are against it."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, TypeAlias

import numpy as np
import pandas as pd

from tests.simulate import bench
from tests.simulate.world import WORN_SHOWS, Family, Part, Sign, World, part_age_years

# Cases of one component in a unit, with their probabilities and what each of them costs.


Array = np.ndarray


@dataclass(frozen=True)
class Nodes:
    """Cases of what the parts of a unit share; arrays of shape (n_nodes,)."""

    weight: Array
    damp: Array
    year: Array
    shift: Array


@dataclass(frozen=True)
class PartCases:
    """Cases of one component."""

    chance: Array  # (n_nodes, n_cases)
    unseen: Array  # (n_signs, n_cases): chance that the component leaves a sign away
    fix: Array  # (n_nodes, n_cases)
    fixed_hours: Array  # (n_cases,), as the next three
    ended_hours: Array
    fixed_money: Array
    ended_money: Array
    comeback: Array  # (n_nodes, n_cases): cost of comebacks in warranty


def case_list(positions: int) -> list[tuple[int, int, int, int]]:
    """List the cases of a component as numbers of positions (sound, worn, failed, died)."""
    return [
        (sound, worn, failed, positions - sound - worn - failed)
        for failed in range(positions + 1)
        for worn in range(positions - failed + 1)
        for sound in range(positions - failed - worn + 1)
    ]


def case_chances(part: Part, years: Sequence[int], when: float, damp: bool) -> Array:
    """Probabilities of the cases of `case_list` in units built in each of `years`, (n_years, n_cases)."""
    kept = _made_chances(part, years, when, damp, original=True)
    fits = part.refit_years(min(years), when)
    if part.refit == 0.0 or len(fits) == 0:
        return kept
    by_fit = _made_chances(part, fits, when, damp, original=False)
    for row, year in zip(kept, years, strict=True):
        possible = part.refit_years(year, when)
        if len(possible):
            row *= 1.0 - part.refit
            row += part.refit * by_fit[-len(possible) :].mean(axis=0)
    return kept


def _made_chances(part: Part, years: Sequence[int], when: float, damp: bool, original: bool) -> Array:
    """Probabilities of the cases by the year a part was made in, shape (n_years, n_cases)."""
    ages = np.array([part_age_years(when, made) for made in years])
    scales = np.array([part.life_scale(made, damp, original) for made in years])
    sound, worn, failed = part.states(ages, scales)
    m = len(part.positions)
    chances = []
    for n_sound, n_worn, n_failed, n_died in case_list(m):
        n_alive = n_sound + n_died
        ways = math.factorial(m) / math.prod(map(math.factorial, (n_alive, n_worn, n_failed)))
        apart = ways * sound**n_alive * worn**n_worn * failed**n_failed
        alike = sound * (n_alive == m) + worn * (n_worn == m) + failed * (n_failed == m)
        deaths = math.comb(n_alive, n_died) * part.dies**n_died * (1.0 - part.dies) ** n_sound
        chances.append((part.together * alike + (1.0 - part.together) * apart) * deaths)
    return np.stack(chances, axis=1)


def part_cases(world: World, part: Part, signs: Sequence[Sign], nodes: Nodes, when: float) -> PartCases:
    """Lay out the cases of one component for all nodes."""
    cases = case_list(len(part.positions))
    years, which = np.unique(nodes.year, return_inverse=True)
    known = np.stack([case_chances(part, years.tolist(), when, damp) for damp in (False, True)])
    chance = known[nodes.damp, which]
    strength = np.array([1.0 if failed else WORN_SHOWS if worn else 0.0 for _, worn, failed, _ in cases])
    unseen = np.array([1.0 - sign.shows.get(part.name, 0.0) * strength for sign in signs])
    to_fix = np.array([failed + died for _, _, failed, died in cases])
    by_shift = {shift: part.fix_chance(when, shift) for shift in np.unique(nodes.shift).tolist()}
    mend = np.array([by_shift[shift] for shift in nodes.shift.tolist()])[:, None]
    fixed = np.array([bench.step_costs(part, when, f + d, w, True) for _, w, f, d in cases])
    ended = np.array([bench.step_costs(part, when, f + d, w, False) for _, w, f, d in cases])
    touched = [bench.is_touched(part, when, f + d, w) for _, w, f, d in cases]
    warranty = world.amount("warranty_days") / 365.25
    due = np.array(
        [
            [-math.expm1(-warranty * bench.comeback_rate(part, t, damp)) for t in touched]
            for damp in (False, True)
        ]
    )
    cost = bench.COMEBACK_HOURS * world.amount("hour_rate") + bench.comeback_money(part)
    return PartCases(
        chance=chance,
        unseen=unseen,
        fix=np.where(to_fix == 0, 1.0, mend),
        fixed_hours=fixed[:, 0],
        ended_hours=ended[:, 0],
        fixed_money=fixed[:, 1],
        ended_money=ended[:, 1],
        comeback=due[nodes.damp] * cost,
    )


# What is true of an offer, given only what can be seen of it.


FIRST_END = 4  # rows of the sums of a chain before those of the components that end the job


@dataclass(frozen=True)
class Appraisal:
    """True odds and money of a unit, before its price is paid."""

    success: float  # probability of a repair
    worth: float  # expected gain if the unit cost nothing
    hours: float
    ends_by: Mapping[str, float]  # by component: probability that it ends the job
    sign_chance: float  # probability of seeing what was seen

    @property
    def chief_risk(self) -> str:
        """The component most likely to end the job."""
        return max(self.ends_by, key=lambda name: self.ends_by[name])


def appraise(
    world: World,
    family: Family,
    *,
    when: float,
    years: Sequence[int] | None = None,
    signs: Mapping[str, bool] | None = None,
) -> Appraisal:
    """Compute the exact truth of a unit from what can be seen of it at `when`, a decimal year.

    `years` are the production years that are possible (all of the family's if not given), `signs` tells of
    those that were looked for whether they were there.
    """
    seen = [(signs or {}).get(sign.name) for sign in family.signs]
    nodes = _nodes(world, family, years or family.years, when)
    parts = [part_cases(world, part, family.signs, nodes, when) for part in family.parts]
    yes = [i for i, value in enumerate(seen) if value]
    no = [i for i, value in enumerate(seen) if value is False]
    totals = np.zeros((FIRST_END + len(parts), len(nodes.weight)))
    for size in range(len(yes) + 1):
        for subset in combinations(yes, size):
            absent = [*no, *subset]
            away = nodes.weight.copy()
            for i in absent:
                away *= 1.0 - _shared_chance(family.signs[i], nodes.damp)
            totals += (-1.0) ** size * away * _chain(parts, absent)
    return _appraisal(world, family, nodes, totals, seen, when)


def _nodes(world: World, family: Family, years: Sequence[int], when: float) -> Nodes:
    points, weights = np.polynomial.hermite_e.hermegauss(7)
    damp, year, season = np.meshgrid([0, 1], list(years), np.arange(7), indexing="ij")
    storage = np.array([1.0 - family.damp_share, family.damp_share])
    weight = storage[damp] * (weights / weights.sum())[season] / len(years)
    shift = world.shift(when, 0.0) + world.season_sd * points[season]
    return Nodes(weight.ravel(), damp.ravel(), year.ravel(), shift.ravel())


def _shared_chance(sign: Sign, damp: Array) -> Array:
    return np.where(damp == 1, sign.chance(True), sign.chance(False))


def _chain(parts: Sequence[PartCases], absent: Sequence[int]) -> Array:
    """Sum the bench's chain of steps, for one set of signs that stay away.

    Gives (FIRST_END + n_parts, n_nodes): weight of all cases, and of a repair; hours and money of all cases
    (weighted); then the weight of ending the job at each component.
    """
    n_nodes = len(parts[0].chance)
    weights = [
        p.chance * (p.unseen[list(absent)].prod(axis=0) if absent else np.ones(p.chance.shape[1]))
        for p in parts
    ]
    alive = np.array([w.sum(axis=1) for w in weights])
    passed = np.array([(w * p.fix).sum(axis=1) for w, p in zip(weights, parts, strict=True)])
    before = np.vstack([np.ones(n_nodes), np.cumprod(passed, axis=0)])
    after = np.vstack([np.cumprod(alive[::-1], axis=0)[::-1], np.ones(n_nodes)])
    result = np.zeros((FIRST_END + len(parts), n_nodes))
    result[0], result[1] = after[0], before[-1]
    for i, (weight, p) in enumerate(zip(weights, parts, strict=True)):
        step = before[i] * after[i + 1]
        fixed, ended = weight * p.fix, weight * (1.0 - p.fix)
        others = np.prod(np.delete(passed, i, axis=0), axis=0)
        comebacks = others * (fixed * p.comeback).sum(axis=1)
        result[2] += step * (fixed @ p.fixed_hours + ended @ p.ended_hours)
        result[3] += step * (fixed @ p.fixed_money + ended @ p.ended_money) + comebacks
        result[FIRST_END + i] = step * ended.sum(axis=1)
    return result


def _appraisal(
    world: World, family: Family, nodes: Nodes, totals: Array, seen: Sequence[bool | None], when: float
) -> Appraisal:
    every, mended = totals[0].sum(), totals[1].sum()
    fee, rate = 1.0 - world.amount("selling_fee"), world.amount("hour_rate")
    price = world.price_level(family, when) * _price_factor(family, nodes.damp, seen)
    as_is_share = 1.0 - family.donor_share - family.scrap_share
    salvage = np.where(nodes.damp == 1, bench.donor_salvage(family, True), bench.donor_salvage(family, False))
    given_up = family.donor_share * salvage + as_is_share * family.as_is * fee
    given_up -= family.scrap_share * world.amount("disposal_cost")
    base = family.other_costs + family.base_hours * rate
    brought = (totals[1] * price * fee + (totals[0] - totals[1]) * given_up).sum()
    hours, money = totals[2].sum(), totals[3].sum()
    return Appraisal(
        success=float(mended / every),
        worth=float((brought - hours * rate - money) / every - base),
        hours=float(family.base_hours + hours / every),
        ends_by={
            part.name: float(chance)
            for part, chance in zip(family.parts, totals[FIRST_END:].sum(axis=1) / every, strict=True)
        },
        sign_chance=float(every),
    )


def _price_factor(family: Family, damp: Array, seen: Sequence[bool | None]) -> Array:
    """Mean factor on the price from blemishes, seen or not looked for."""
    factor = np.ones(len(damp))
    for sign, value in zip(family.signs, seen, strict=True):
        shown = _shared_chance(sign, damp) if value is None else float(value)
        factor = factor * (1.0 - (1.0 - sign.price_factor) * shown)
    return factor


# How good verdicts are, measured against the truth of the offers.


LEAST_CHANCE = 1e-6  # a forecast of exactly 0 or 1 would have an infinite loss
SAID = ("gain_low", "gain_high", "chance_of_loss", "success_chance", "success_low", "success_high")
Rows: TypeAlias = pd.DataFrame | Sequence[Mapping[str, Any]]


def score(verdicts: Rows, truth: Rows, *, margin: float = 0.0) -> dict[str, float]:
    """Compare verdicts with the truth of the same offers, as `make_offers` gives it.

    Columns that a method does not give may be missing; what needs them is NaN. In truth an offer is worth
    taking if it promises more than the `margin`.
    """
    said, true = (pd.DataFrame(rows).reset_index(drop=True) for rows in (verdicts, truth))
    assert list(said["offer"].astype(str)) == list(true["offer"].astype(str))
    said = said.reindex(columns=[*said.columns, *(name for name in SAID if name not in said)])
    take = (said["verdict"] == "take").to_numpy()
    expected = true["expected_gain"].to_numpy(float)
    gain, oracle = float(expected[take].sum()), float(expected[expected > margin].sum())
    odds, forecast = (
        np.clip(rows["success_chance"].to_numpy(float), LEAST_CHANCE, 1 - LEAST_CHANCE)
        for rows in (true, said)
    )
    return {
        "taken": int(take.sum()),
        "gain": gain,  # true expected gain of all that was taken
        "oracle_gain": oracle,  # and of all that was worth taking
        "gain_share": gain / oracle if oracle > 0 else math.nan,
        # Mean loss of the forecast odds beyond that of the true odds, which none avoids.
        "excess_log_loss": _mean(
            odds * np.log(odds / forecast) + (1 - odds) * np.log((1 - odds) / (1 - forecast))
        ),
        "success_cover": _cover(true["success_chance"], said["success_low"], said["success_high"]),
        "gain_cover": _cover(true["gain"], said["gain_low"], said["gain_high"]),
        # Share of the taken that lost money, and the mean chance of that as predicted.
        "losers": _mean(true["gain"].to_numpy(float)[take] < 0),
        "predicted_losers": _mean(said["chance_of_loss"][take]),
    }


def _mean(values: Any) -> float:
    values = np.asarray(values, float)
    return float(values.mean()) if values.size and not np.isnan(values).any() else math.nan


def _cover(value: pd.Series, low: pd.Series, high: pd.Series) -> float:
    return math.nan if low.isna().any() or high.isna().any() else _mean(value.between(low, high))
