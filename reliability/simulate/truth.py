"""What is true of an offer, given only what can be seen of it.

Storage, production year and the season are integrated out, and so are the states of all
parts: exactly, by summing over every case, because the parts of a unit are independent once
its storage and its year are fixed. A sign that several parts can cause is there with
probability one minus the product of all chances that it stays away, so "no" factorises over
the parts and "yes" is the difference of two products; several signs give a sum over subsets.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from reliability.simulate import bench
from reliability.simulate.cases import Nodes, PartCases, part_cases
from reliability.simulate.world import Family, Sign, World

Array = np.ndarray

FIRST_END = 6  # rows of the sums of a chain before those of the components that end the job


@dataclass(frozen=True)
class Appraisal:
    """True odds and money of a unit, before its price is paid.

    Attributes
    ----------
    success : float
        Probability of a repair.
    worth, worth_repaired, worth_unrepaired : float
        Expected gain if the unit cost nothing: over all, if it is repaired, and if it is not.
    hours : float
        Expected bench hours.
    ends_by : mapping
        Per component, the probability that it ends the job.
    sign_chance : float
        Probability of seeing what was seen.
    """

    success: float
    worth: float
    worth_repaired: float
    worth_unrepaired: float
    hours: float
    ends_by: Mapping[str, float]
    sign_chance: float

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
    """Compute the exact truth of a unit from what can be seen of it.

    Parameters
    ----------
    world : World
    family : Family
    when : float
        Decimal year of the offer.
    years : sequence of int, optional
        Production years that are possible; all of the family's if not given.
    signs : mapping, optional
        Per sign that was looked for, whether it was there.

    Returns
    -------
    Appraisal
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

    Returns
    -------
    ndarray, shape (FIRST_END + n_parts, n_nodes)
        Weight of all cases, and of a repair; hours and money of all cases, and of a repair
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
        result[4] += others * (fixed @ p.fixed_hours)
        result[5] += others * (fixed @ p.fixed_money) + comebacks
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
    brought = np.array([(totals[1] * price * fee).sum(), ((totals[0] - totals[1]) * given_up).sum()])
    hours, money = totals[[2, 4]].sum(axis=1), totals[[3, 5]].sum(axis=1)
    spent = hours * rate + money  # of all cases, of a repair
    return Appraisal(
        success=float(mended / every),
        worth=float((brought.sum() - spent[0]) / every - base),
        worth_repaired=float((brought[0] - spent[1]) / mended - base) if mended > 0 else math.nan,
        worth_unrepaired=float((brought[1] - spent[0] + spent[1]) / (every - mended) - base),
        hours=float(family.base_hours + hours[0] / every),
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
