"""One unit as it comes in: its hidden state, and what can be seen of it from outside."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from reliability.simulate.dice import Dice
from reliability.simulate.world import WORN_SHOWS, Family, Part, Sign, part_age_years


@dataclass(frozen=True)
class PartState:
    """Hidden state of one part in one position of one unit.

    `life_years` is its life in years, from its own production or fitting on.
    """

    part: Part
    position: str
    state: str  # sound, worn, failed
    fitted: int | None
    life_years: float


@dataclass(frozen=True)
class Unit:
    """One unit: what it is, how it was stored, and the states of its parts."""

    family: Family
    year: int
    damp: bool
    when: float
    states: Mapping[str, tuple[PartState, ...]]
    signs: Mapping[str, bool]

    @property
    def price_factor(self) -> float:
        """Factor on the sale price from blemishes that the unit shows."""
        return math.prod(sign.price_factor for sign in self.family.signs if self.signs[sign.name])


def draw_unit(family: Family, when: float, dice: Dice, damp: bool | None = None) -> Unit:
    """Draw a unit of a family that is on offer at `when`, a decimal year.

    `damp` forces the storage, for units that were stored together.
    """
    stored_damp = dice.chance(family.damp_share)
    damp = stored_damp if damp is None else damp
    year = dice.pick(family.years)
    states = {part.name: _draw_part(part, year, damp, when, dice) for part in family.parts}
    signs = {sign.name: _draw_sign(sign, states, damp, dice) for sign in family.signs}
    return Unit(family, year, damp, when, states, signs)


def _draw_part(part: Part, year: int, damp: bool, when: float, dice: Dice) -> tuple[PartState, ...]:
    years = part.refit_years(year, when)
    refitted = dice.chance(part.refit)
    fitted = dice.pick(years) if refitted and len(years) else None
    made = year if fitted is None else fitted
    scale = part.life_scale(made, damp, original=fitted is None)
    age = part_age_years(when, made)
    shared = dice.weibull(part.shape, scale)
    together = dice.chance(part.together)
    found = []
    for position in part.positions:
        own = dice.weibull(part.shape, scale)
        life = shared if together else own
        worn_or_sound = "worn" if life * part.worn_share < age else "sound"
        state = "failed" if life < age else worn_or_sound
        found.append(PartState(part, position, state, fitted, life))
    return tuple(found)


def _draw_sign(sign: Sign, states: Mapping[str, tuple[PartState, ...]], damp: bool, dice: Dice) -> bool:
    unseen = 1.0 - sign.chance(damp)
    for name, chance in sign.shows.items():
        found = {state.state for state in states.get(name, ())}
        strength = 1.0 if "failed" in found else WORN_SHOWS if "worn" in found else 0.0
        unseen *= 1.0 - chance * strength
    return not dice.chance(unseen)
