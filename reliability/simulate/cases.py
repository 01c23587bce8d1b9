"""Cases of one component in a unit, with their probabilities and what each of them costs."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reliability.simulate import bench
from reliability.simulate.world import WORN_SHOWS, Part, Sign, World, part_age_years

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
    """Cases of one component.

    `chance` (n_nodes, n_cases), `unseen` (n_signs, n_cases): chance that the component
    leaves a sign away; `fix` (n_nodes, n_cases); `fixed_hours`, `ended_hours`, `fixed_money`,
    `ended_money` (n_cases,); `comeback` (n_nodes, n_cases): cost of comebacks in warranty.
    """

    chance: Array
    unseen: Array
    fix: Array
    fixed_hours: Array
    ended_hours: Array
    fixed_money: Array
    ended_money: Array
    comeback: Array


def case_list(positions: int) -> list[tuple[int, int, int, int]]:
    """List the cases of a component as numbers of positions (sound, worn, failed, died)."""
    return [
        (sound, worn, failed, positions - sound - worn - failed)
        for failed in range(positions + 1)
        for worn in range(positions - failed + 1)
        for sound in range(positions - failed - worn + 1)
    ]


def case_chances(part: Part, years: Sequence[int], when: float, damp: bool) -> Array:
    """Probabilities of the cases of :func:`case_list` in units built in each of `years`.

    Returns
    -------
    ndarray, shape (n_years, n_cases)
    """
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
