"""One unit over the bench: its hidden state, what is seen, inspection in order, mending, giving up."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from tests.simulate.world import (
    WORN_SHOWS,
    Dice,
    Family,
    Part,
    Sign,
    World,
    part_age_years,
)


@dataclass(frozen=True)
class PartState:
    """Hidden state of one part in one position of one unit."""

    part: Part
    position: str
    state: str  # sound, worn, failed
    fitted: int | None
    life_years: float  # from its own production or fitting on


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
    """Draw a unit that is on offer at `when`, a decimal year; `damp` forces the storage."""
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


HOURS_SD, PART_PRICE_SD, COSTS_SD, SALVAGE_SD = 0.25, 0.2, 0.5, 0.4


TRIED_SHARE, SEARCHED_SHARE = 0.7, 0.3  # of the hours of a repair, where it does not succeed


SERVICE_SHARE, SALVAGED_PRICE, MATERIAL_SHARE = 0.4, 0.8, 0.15


FIX_HOURS = {"yes": 1.0, "salvage only": 1.15, "no": 1.8}


COMEBACK_HOURS, COMEBACK_PRICE_SHARE, DAMP_COMEBACK, DAMP_SALVAGE = 1.5, 0.5, 1.5, 0.7


LOOKS_ON = 0.25  # how often a component is still looked at once the job has ended before it


REASONS = ("no information", "no equipment", "cannot be opened", "too worn")


def piece_price(part: Part, when: float) -> float:
    """Money expected for what one piece of a successful repair needs."""
    by_supply = {"yes": 1.0, "salvage only": SALVAGED_PRICE, "no": MATERIAL_SHARE}
    return part.price * by_supply[part.obtainable(when)]


def step_costs(part: Part, when: float, to_fix: int, worn: int, fixed: bool) -> tuple[float, float]:
    """Hours and money expected for one component once its state is known.

    `to_fix` positions have failed (on arrival or on the bench), `worn` ones are worn; the job ends here
    unless it is `fixed`, which it always is where nothing has failed.
    """
    supply = part.obtainable(when)
    if not fixed:
        share = TRIED_SHARE if supply == "yes" and not part.too_dear else SEARCHED_SHARE
        return part.inspect_hours + to_fix * part.hours * share, 0.0
    hours = part.inspect_hours + to_fix * part.hours * FIX_HOURS[supply]
    money = to_fix * piece_price(part, when)
    if supply == "yes" and not part.too_dear:
        return hours + worn * part.hours, money + worn * part.price
    return hours + worn * part.hours * SERVICE_SHARE, money


def comeback_rate(part: Part, touched: bool, damp: bool) -> float:
    """Comebacks per year because of one component, after a repair of the unit."""
    return (part.redo if touched else part.calm) * (DAMP_COMEBACK if damp else 1.0)


def is_touched(part: Part, when: float, to_fix: int, worn: int) -> bool:
    """Say whether the component is new after the repair: it was mended, or replaced while worn."""
    return to_fix > 0 or (worn > 0 and part.obtainable(when) == "yes" and not part.too_dear)


def comeback_money(part: Part) -> float:
    """Money for one comeback, the bench's time apart."""
    return COMEBACK_PRICE_SHARE * part.price


def donor_salvage(family: Family, damp: bool) -> float:
    """Return the expected worth of the parts that are kept from a unit."""
    return family.salvage * (DAMP_SALVAGE if damp else 1.0)


@dataclass(frozen=True)
class Finding:
    """What the bench found in one position of one component, and did about it."""

    state: PartState
    found: str
    died: bool
    action: str
    part_cost: float | None
    part_source: str | None


@dataclass(frozen=True)
class Comeback:
    """A failure after the repair."""

    years: float
    component: str
    hours: float
    cost: float


@dataclass(frozen=True)
class Passage:
    """A whole job: what was found, what it took and what it brought."""

    unit: Unit
    outcome: str  # repaired, donor, scrapped, sold as is
    findings: tuple[Finding, ...]
    ended_by: str | None
    ended_why: str | None
    hours: float
    other_costs: float
    price: float
    salvage: float
    comebacks: tuple[Comeback, ...]

    @property
    def repaired(self) -> bool:
        """True if the unit works again."""
        return self.outcome == "repaired"

    def gain(self, world: World, bought_for: float) -> float:
        """Gain of the job as the table descriptions define it, comebacks in warranty included."""
        rate = world.amount("hour_rate")
        warranty = world.amount("warranty_days") / 365.25
        costs = bought_for + self.hours * rate + self.other_costs
        costs += sum(finding.part_cost or 0.0 for finding in self.findings)
        costs += sum(c.hours * rate + c.cost for c in self.comebacks if c.years <= warranty)
        costs += world.amount("disposal_cost") if self.outcome == "scrapped" else 0.0
        return self.price * (1 - world.amount("selling_fee")) + self.salvage - costs


def run_job(world: World, unit: Unit, dice: Dice, season: float) -> Passage:
    """Take one unit over the bench; `season` is its part of the log odds of mending anything."""
    family, when = unit.family, unit.when
    shift = world.shift(when, season)
    hours_factor = dice.factor(HOURS_SD)
    hours, findings, ended_by, ended_why = family.base_hours, [], None, None
    comebacks: list[Comeback] = []
    for part in family.parts:
        if ended_by is not None:
            findings += _looked_on(unit.states[part.name], dice)
            continue
        died = [dice.chance(part.dies) and s.state == "sound" for s in unit.states[part.name]]
        states = unit.states[part.name]
        to_fix = sum(s.state == "failed" or d for s, d in zip(states, died, strict=True))
        worn = sum(s.state == "worn" for s in states)
        fixed = dice.chance(part.fix_chance(when, shift)) or to_fix == 0
        hours += step_costs(part, when, to_fix, worn, fixed)[0]
        findings += _findings(part, when, states, died, fixed, dice)
        comebacks += _comebacks(part, unit, is_touched(part, when, to_fix, worn), dice)
        if not fixed:
            ended_by, ended_why = part.name, _reason(part, when, any(died), dice)
    outcome = "repaired" if ended_by is None else _given_up(family, dice)
    return Passage(
        unit=unit,
        outcome=outcome,
        findings=tuple(findings),
        ended_by=ended_by,
        ended_why=ended_why,
        hours=hours * hours_factor,
        other_costs=family.other_costs * dice.factor(COSTS_SD),
        price=_price(world, unit, outcome, dice),
        salvage=donor_salvage(family, unit.damp) * dice.factor(SALVAGE_SD) if outcome == "donor" else 0.0,
        comebacks=tuple(sorted(comebacks, key=lambda c: c.years)) if ended_by is None else (),
    )


def _price(world: World, unit: Unit, outcome: str, dice: Dice) -> float:
    family = unit.family
    noise = dice.factor(family.price_noise)
    if outcome == "repaired":
        return world.price_level(family, unit.when) * unit.price_factor * noise
    return family.as_is * noise if outcome == "sold as is" else 0.0


def _given_up(family: Family, dice: Dice) -> str:
    as_is_share = 1.0 - family.donor_share - family.scrap_share
    shares = (family.donor_share, family.scrap_share, as_is_share)
    return dice.pick(("donor", "scrapped", "sold as is"), shares)


def _reason(part: Part, when: float, died: bool, dice: Dice) -> str:
    """Why the job ended at this component."""
    trial, dear = dice.pick(REASONS), dice.pick(("parts too expensive", "not worth it"), (0.7, 0.3))
    if died:
        return "died on the bench"
    if part.too_dear:
        return dear
    return trial if part.obtainable(when) == "yes" else "parts not available"


def _findings(
    part: Part, when: float, states: Sequence[PartState], died: Sequence[bool], fixed: bool, dice: Dice
) -> list[Finding]:
    supply = part.obtainable(when)
    rows = []
    for state, dead in zip(states, died, strict=True):
        cost = piece_price(part, when) * dice.factor(PART_PRICE_SD)
        found = "failed" if dead else state.state
        action = _action(part, supply, found, fixed)
        paid = action in ("replaced", "rebuilt") and fixed
        source = {"yes": "new", "salvage only": "salvaged"}.get(supply) if action == "replaced" else None
        rows.append(Finding(state, found, dead, action, cost if paid else None, source))
    return rows


def _looked_on(states: Sequence[PartState], dice: Dice) -> list[Finding]:
    """Note the state of a component of a unit that is given up already; nothing is tried."""
    if not dice.chance(LOOKS_ON):
        return []
    return [Finding(state, state.state, False, "none", None, None) for state in states]


def _action(part: Part, supply: str, found: str, fixed: bool) -> str:
    if found == "sound":
        return "none"
    if found == "worn":
        can_replace = fixed and supply == "yes" and not part.too_dear
        return "replaced" if can_replace else "serviced" if fixed else "none"
    if fixed:
        return "rebuilt" if supply == "no" else "replaced"
    if part.too_dear:
        return "none"
    return "serviced" if supply == "yes" else "no part"


def _comebacks(part: Part, unit: Unit, touched: bool, dice: Dice) -> list[Comeback]:
    years = dice.exponential(comeback_rate(part, touched, unit.damp))
    hours = COMEBACK_HOURS * dice.factor(HOURS_SD)
    cost = comeback_money(part) * dice.factor(PART_PRICE_SD)
    return [Comeback(years, part.name, hours, cost)] if years < 10 else []
