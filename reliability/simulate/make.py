"""Draw a world: families that share what is usual of their kind and differ around it."""

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from reliability.simulate.dice import Dice
from reliability.simulate.habits import CAREFUL, CARELESS, Habits
from reliability.simulate.options import WorldOptions, options_of
from reliability.simulate.trade import KINDS
from reliability.simulate.truth import appraise
from reliability.simulate.world import PRICE_YEAR, Family, Part, Sign, World, decimal_year

SETTINGS: Mapping[str, float | str] = {
    "currency": "EUR",
    "hour_rate": 8.0,
    "selling_fee": 0.08,
    "disposal_cost": 4.0,
    "margin": 0.0,
    "warranty_days": 180.0,
}
MIN_ASK = 5.0
ASKED_SHARE, LEANING_SD, SELLERS_KNOW = 0.3, 0.25, 0.5
QUARTERS_BEYOND = 6
HEARSAY_ERROR = 1.5  # log odds by which wrong hearsay is off
TOO_DEAR = 0.7  # of the price of a working unit


@dataclass(frozen=True)
class _Common:
    """What families share: per component the level of log life, its year slope, of skill."""

    life: Mapping[str, float]
    slope: Mapping[str, float]
    skill: Mapping[str, float]


def make_world(name_or_options: str | WorldOptions, seed: int) -> World:
    """Draw the truth of a trade.

    Parameters
    ----------
    name_or_options : str or WorldOptions
        One of the named worlds, or options of your own.
    seed : int
        The same options and seed give the same world.

    Returns
    -------
    World

    Raises
    ------
    UnknownName
        If no world has that name.
    InvalidInput
        If an option is out of its range.
    """
    options = options_of(name_or_options)
    common = _common(Dice(seed, options.name, "common"), options)
    kinds = list(KINDS)
    families = tuple(
        _family(i, kinds[i % len(kinds)], common, options, Dice(seed, options.name, "family", i))
        for i in range(options.families)
    )
    start = dt.date(options.end.year - options.years_of_records, options.end.month, 1)
    world = World(
        name=options.name,
        families=families,
        settings={**SETTINGS, "gap_repaired_share": options.gap_repaired_share},
        start=start,
        end=options.end,
        market=market_levels(kinds, start, options.end, Dice(seed, options.name, "market")),
        season_sd=options.season_sd,
        learning=0.02,
        careful=_with_losses(CAREFUL, options),
        careless=_with_losses(CARELESS, options),
        careless_share=options.careless_share,
        usual_jobs=options.jobs,
    )
    world = with_fair_prices(world, Dice(seed, options.name, "asks"))
    hearsay = _hearsay(world, options, Dice(seed, options.name, "hearsay"))
    return replace(world, hearsay=hearsay)


def _with_losses(habits: Habits, options: WorldOptions) -> Habits:
    return replace(habits, lost_failed=options.lost_failed)


def _common(dice: Dice, options: WorldOptions) -> _Common:
    names = sorted({part.name for kind in KINDS.values() for part in kind.parts})
    return _Common(
        life={name: dice.normal(0.08, 0.12) for name in names},
        slope={name: dice.normal(0, options.slope_sd) for name in names},
        skill={name: dice.normal(0, 0.3) for name in names},
    )


def _family(i: int, kind_name: str, common: _Common, options: WorldOptions, dice: Dice) -> Family:
    kind = KINDS[kind_name]
    price = kind.price * dice.factor(0.4)
    first = dice.whole(kind.first_year, kind.last_year - 4)
    last = min(first + dice.whole(3, 10), kind.last_year)
    drift, owner_error = dice.normal(0, options.drift_sd), dice.factor(options.owner_price_sd)
    priced_in = options.end.year - dice.whole(0, 2)
    own_skill, work = dice.normal(0, options.fix_sd), dice.factor(0.25)
    parts = tuple(
        _part(part, price, (first, last), own_skill, work, common, options, dice) for part in kind.parts
    )
    return Family(
        name=f"{kind_name} {i + 1:03d}",
        kind=kind_name,
        maker=f"maker {dice.whole(1, max(3, options.families // 5)):02d}",
        first_year=first,
        last_year=last,
        parts=parts,
        signs=tuple(_sign(sign, options) for sign in kind.signs),
        price=price,
        owner_price=price * math.exp(drift * (priced_in + 0.5 - PRICE_YEAR)) * owner_error,
        priced_on=f"{priced_in}-06",
        drift=drift,
        price_noise=dice.uniform(0.15, 0.3),
        popularity=math.exp(dice.normal(0, 0.9)),
        damp_share=min(options.damp_share * dice.uniform(0.6, 1.4), 1.0),
        base_hours=kind.base_hours * work,
        other_costs=dice.uniform(8, 18),
        donor_share=dice.uniform(0.35, 0.65),
        scrap_share=dice.uniform(0.15, 0.3),
        salvage=price * dice.uniform(0.06, 0.18),
        as_is=price * dice.uniform(0.06, 0.15),
    )


def _part(
    usual: Part,
    price: float,
    span: tuple[int, int],
    own_skill: float,
    work: float,
    common: _Common,
    options: WorldOptions,
    dice: Dice,
) -> Part:
    """Draw one component of a family around what is usual."""
    life = common.life[usual.name] + dice.normal(0, options.life_sd)
    skill = _moved(
        usual.skill, 0.6 * own_skill + common.skill[usual.name] + dice.normal(0, 0.8 * options.fix_sd)
    )
    part_price = usual.price * math.sqrt(price / 170) * dice.factor(0.3)
    changed, year, factor = dice.chance(options.change_share), dice.whole(*span), dice.uniform(0.4, 0.6)
    gone, since = dice.chance(options.unobtainable), dice.uniform(2014, decimal_year(options.end))
    scarce = dice.pick(("salvage only", "no"))
    has_change = changed and usual.name == "gear" and year > span[0]
    return replace(
        usual,
        shape=usual.shape * math.exp(dice.normal(0, options.shape_sd)),
        scale=usual.scale * math.exp(life),
        year_slope=common.slope[usual.name],
        change_year=year if has_change else None,
        change_factor=factor if has_change else 1.0,
        damp_factor=usual.damp_factor**options.damp_power,
        skill=skill,
        supply=((0.0, "yes"), (since, scarce)) if gone else ((0.0, "yes"),),
        rebuild=_moved(usual.rebuild, 0.5 * own_skill),
        price=part_price,
        hours=usual.hours * work,
        too_dear=part_price > TOO_DEAR * price,
    )


def _moved(chance: float, shift: float) -> float:
    return 1.0 / (1.0 + (1.0 - chance) / chance * math.exp(-shift))


def _sign(sign: Sign, options: WorldOptions) -> Sign:
    """Sharpen a sign: every chance moves towards 1, false alarms towards 0."""
    strength = options.sign_strength
    return replace(
        sign,
        shows={name: chance + strength * (1 - chance) for name, chance in sign.shows.items()},
        damp_shows=sign.damp_shows + strength * (1 - sign.damp_shows) * (sign.damp_shows > 0),
        false_alarm=sign.false_alarm * (1 - strength) if sign.shows or sign.damp_shows else sign.false_alarm,
    )


def market_levels(kinds: list[str], start: dt.date, end: dt.date, dice: Dice) -> dict[str, tuple[float, ...]]:
    """Draw log price levels of every quarter: a slow wander around zero, per kind."""
    quarters = round((end - start).days / 91.3) + QUARTERS_BEYOND
    levels = {}
    for kind in kinds:
        level, path = dice.normal(0, 0.05), []
        for _ in range(quarters):
            path.append(level)
            level = 0.9 * level + dice.normal(0, 0.025)
        levels[kind] = tuple(path)
    return levels


def with_fair_prices(world: World, dice: Dice) -> World:
    """Set prices so that a bench that bought everything would about break even.

    Sellers half know what their unit is worth: they ask the mean of a share of the working price
    and of the true worth. All prices of working units are then scaled by one factor at which the
    mean gain, over families as popular as they are, is zero.
    """
    when = decimal_year(world.end)
    worth = [appraise(world, family, when=when).worth for family in world.families]
    dearer = [appraise(world, _priced(family, 2.0), when=when).worth for family in world.families]
    leaning = [dice.factor(LEANING_SD) for _ in world.families]
    total = math.fsum(f.popularity for f in world.families)

    def asked(i: int, factor: float) -> tuple[float, float]:
        # Worth is linear in the price, so two points of it give all.
        true_worth = worth[i] + (factor - 1.0) * (dearer[i] - worth[i])
        share = ASKED_SHARE * world.families[i].price * factor * leaning[i]
        ask = max((1 - SELLERS_KNOW) * share + SELLERS_KNOW * max(true_worth, 0.0), MIN_ASK)
        return ask, true_worth - ask

    low, high = 0.1, 10.0
    for _ in range(50):
        factor = 0.5 * (low + high)
        gain = math.fsum(f.popularity * asked(i, factor)[1] for i, f in enumerate(world.families)) / total
        low, high = (factor, high) if gain < 0 else (low, factor)
    families = [replace(_priced(f, low), ask=asked(i, low)[0]) for i, f in enumerate(world.families)]
    return replace(world, families=tuple(families))


def _priced(family: Family, factor: float) -> Family:
    """Scale all that moves with the price of a working unit."""
    scaled = {name: getattr(family, name) * factor for name in ("price", "owner_price", "salvage", "as_is")}
    return replace(family, **scaled)


def _hearsay(world: World, options: WorldOptions, dice: Dice) -> tuple[Mapping[str, float | str | None], ...]:
    """Draw what the trade says: of some families how many can be mended, partly wrong."""
    rows = []
    for family in world.families:
        told, wrong, up = (
            dice.chance(options.hearsay_share),
            dice.chance(options.wrong_hearsay),
            dice.chance(0.5),
        )
        error = (HEARSAY_ERROR if up else -HEARSAY_ERROR) if wrong else dice.normal(0, 0.3)
        worth_jobs, about_part = dice.whole(2, 6), dice.chance(0.3)
        part = dice.pick(family.parts)
        if not told:
            continue
        rows.append(hearsay_row(world, family, part if about_part else None, error, worth_jobs, "a trader"))
    return tuple(rows)


def hearsay_row(
    world: World, family: Family, part: Part | None, error: float, worth_jobs: int, told_by: str
) -> Mapping[str, float | str | None]:
    """Write what is said of a family, or of one of its parts; `error` in log odds."""
    when = decimal_year(world.end)
    row: dict[str, float | str | None] = {
        "family": family.name, "kind": None, "component": None, "age_years": None, "share_failed": None,
        "share_repaired": None, "worth_jobs": worth_jobs, "told_by": told_by,
    }  # fmt: skip
    if part is None:
        share = appraise(world, family, when=when).success
        row["share_repaired"] = max(round(_moved(min(max(share, 0.02), 0.98), error), 2), 0.01)
        return row
    middle = (family.first_year + family.last_year) // 2
    damp = family.damp_share
    share = (1 - damp) * part.failed_by(middle, when, False) + damp * part.failed_by(middle, when, True)
    row.update(component=part.name, age_years=round(when - middle - 0.5))
    row["share_failed"] = max(round(_moved(min(max(share, 0.02), 0.98), error), 2), 0.01)
    return row
