"""The truth of a simulated trade: what fails, what can be mended, what it costs and brings; its kinds."""

import datetime as dt
import math
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from scipy.special import ndtri

# Random draws that give the same numbers on every machine and with every numpy.


Item = TypeVar("Item")


class Dice:
    """One stream of draws, named by what it belongs to, such as a seed and the number of a unit.

    Streams of different keys are independent, so adding a unit does not change the others.
    """

    def __init__(self, *key: int | str) -> None:
        words = [zlib.crc32(part.encode()) if isinstance(part, str) else part for part in key]
        self._bits = np.random.Generator(np.random.PCG64(np.random.SeedSequence(words)))

    def uniform(self, low: float = 0.0, high: float = 1.0) -> float:
        """Draw a number between `low` and `high`."""
        return low + (high - low) * float(self._bits.random())

    def chance(self, probability: float) -> bool:
        """Say yes with the given probability (one number is drawn in any case)."""
        return self.uniform() < probability

    def normal(self, mean: float = 0.0, sd: float = 1.0) -> float:
        """Draw from a normal distribution."""
        return mean + sd * float(ndtri(max(self.uniform(), 1e-15)))

    def factor(self, sd: float) -> float:
        """Draw a lognormal factor whose mean is 1; `sd` is that of its logarithm."""
        return math.exp(self.normal(-0.5 * sd * sd, sd))

    def weibull(self, shape: float, scale: float) -> float:
        """Draw a Weibull life, in the unit of `scale`."""
        return scale * (-math.log(1.0 - self.uniform())) ** (1.0 / shape)

    def exponential(self, rate: float) -> float:
        """Draw a waiting time at a constant `rate`; infinite where the rate is 0."""
        wait = -math.log(1.0 - self.uniform())
        return wait / rate if rate > 0 else math.inf

    def whole(self, low: int, high: int) -> int:
        """Draw a whole number from `low` to `high`, both included."""
        return low + min(int(self.uniform() * (high - low + 1)), high - low)

    def pick(self, items: Sequence[Item], weights: Sequence[float] | None = None) -> Item:
        """Draw one of the `items`, equally likely or by `weights`."""
        if weights is None:
            return items[self.whole(0, len(items) - 1)]
        left = self.uniform() * math.fsum(weights)
        for item, weight in zip(items, weights, strict=True):
            left -= weight
            if left < 0:
                return item
        return items[-1]


# How people write things down, carefully or not.


@dataclass(frozen=True)
class Habits:
    """How a recorder writes things down; every number is a probability.

    `sound`, `worn`, `failed`: that a row is written for such a finding. `cause`: that
    `ended_by` is. `money`, `hours`: that an amount is. `look`: that a sign is looked for.
    `year_known`, `year_window`, `year_guess`: how the year is known (else not at all).
    `lost_repaired`, `lost_failed`: that nobody writes the job up.
    """

    sound: float = 0.97
    worn: float = 0.98
    failed: float = 1.0
    cause: float = 0.98
    money: float = 0.96
    hours: float = 0.95
    look: float = 0.8
    year_known: float = 0.45
    year_window: float = 0.2
    year_guess: float = 0.15
    lost_repaired: float = 0.01
    lost_failed: float = 0.04


CAREFUL = Habits()
CARELESS = Habits(
    sound=0.3, worn=0.6, failed=0.9, cause=0.75, money=0.6, hours=0.5, look=0.5, year_known=0.3,
    year_window=0.15, year_guess=0.25, lost_repaired=0.03, lost_failed=0.08,
)  # fmt: skip


# Kinds of simulated trade, by name.


END = dt.date(2026, 10, 31)
LIFE_SD, SHAPE_SD, FIX_SD = 0.3, 0.15, 0.8  # of log scale, log shape, log odds of mending, by family
OWNER_PRICE_SD, DRIFT_SD = 0.2, 0.03  # error of the owner's prices (log); spread of price trends (per year)
UNOBTAINABLE = 0.15  # share of components (per family) that can no longer be had new at the end
SEASON_SD = 0.3  # spread from quarter to quarter of the log odds of mending


@dataclass(frozen=True)
class WorldOptions:
    """What distinguishes one simulated trade from another."""

    name: str
    families: int = 14
    jobs: int = 300  # finished ones that are usual for this world
    years_of_records: int = 8
    slope_sd: float = 0.1  # over components: change of log scale per decade of production
    change_share: float = 0.1  # families whose gear is of another, worse material from some year on
    sign_strength: float = 0.0  # from 0 (as usual) to 1 (every cause shows, no false alarms)
    damp_share: float = 0.15  # units that were stored damp
    damp_power: float = 1.0  # exponent on what damp does to lives
    lost_failed: float = 0.03  # failed jobs that nobody writes up
    careless_share: float = 0.15  # jobs that a careless hand writes up
    hearsay_share: float = 0.3  # families that the trade talks about
    wrong_hearsay: float = 0.3  # share of that talk that is wrong


NAMED_WORLDS: Mapping[str, WorldOptions] = {
    options.name: options
    for options in (
        WorldOptions("few families", families=8, jobs=400),
        WorldOptions("many families", families=120),
        WorldOptions("cold start", families=40, jobs=30, years_of_records=2, hearsay_share=0.8),
        WorldOptions("year effect", jobs=400, slope_sd=0.3, change_share=0.6),
        WorldOptions("strong signs", sign_strength=0.7),
        WorldOptions("left out", lost_failed=0.5),
        WorldOptions("damp", damp_share=0.35, damp_power=1.8),
        WorldOptions("careless", careless_share=1.0),
    )
}


# The truth of a simulated trade: what fails, what can be mended, what it costs and brings.


Number = TypeVar("Number", float, np.ndarray)

REFERENCE_YEAR = 1985  # the production year at which `Part.scale` holds
PRICE_YEAR = 2022.0  # the date, as a decimal year, at which `Family.price` holds
YEARS_TO_SALE = 0.25  # a unit is priced by the market as it is this long after it came in
WORN_SHOWS = 0.25  # a worn part shows its sign this often, relative to a failed one
MIN_AGE_YEARS = 1 / 12
MIN_YEARS_TO_REFIT = 6  # no part is replaced earlier than this in a unit's life


def decimal_year(day: dt.date) -> float:
    """Turn a date into years, such as 2026.5 for the middle of 2026."""
    start = dt.date(day.year, 1, 1)
    length = (dt.date(day.year + 1, 1, 1) - start).days
    return day.year + ((day - start).days + 0.5) / length


def part_age_years(when: float, year: int) -> float:
    """Age at `when` (decimal year) of something made in the middle of `year`."""
    return max(when - year - 0.5, MIN_AGE_YEARS)


@dataclass(frozen=True)
class Part:
    """The truth of one component in one family."""

    name: str
    shape: float
    scale: float  # Weibull life in years of an original part made in 1985 and kept dry
    positions: tuple[str, ...] = ("",)  # where a unit has it
    year_slope: float = 0.0  # change of log scale per decade of production year
    change_year: int | None = None  # from then on original parts are of another material:
    change_factor: float = 1.0  # their scale is multiplied by this
    damp_factor: float = 1.0  # on the scale in a unit that was stored damp
    worn_share: float = 0.85  # a part needs work from this share of its life on
    together: float = 0.5  # probability that all positions of a unit share one life
    refit: float = 0.0  # probability that an older unit no longer has the part it was built with
    dies: float = 0.0  # probability that a sound part dies while the bench handles it
    skill: float = 0.95  # probability that a failed part is mended where a new part can be had
    supply: tuple[tuple[float, str], ...] = ((0.0, "yes"),)  # what can be had from which decimal year on
    find: float = 0.5  # factor on `skill` where only salvaged parts exist
    rebuild: float = 0.1  # probability of a repair where nothing can be had
    price: float = 10.0  # money for one piece
    hours: float = 1.0  # bench hours to change it
    inspect_hours: float = 0.1
    redo: float = 0.05  # comebacks per year after a repair of this component
    calm: float = 0.01  # and without one
    too_dear: bool = False  # the bench gives up rather than pay for it
    pack_size: int = 1
    per_unit: int = 1

    def life_scale(self, year: int, damp: bool, original: bool = True) -> float:
        """Weibull scale in years of a part made in `year`."""
        log_factor = self.year_slope * (year - REFERENCE_YEAR) / 10
        changed = original and self.change_year is not None and year >= self.change_year
        scale = self.scale * math.exp(log_factor) * (self.change_factor if changed else 1.0)
        return scale * (self.damp_factor if damp else 1.0)

    def states(self, age: Number, scale: Number) -> tuple[Number, Number, Number]:
        """Probabilities that a part of this `age` is sound, worn, failed (scalars or arrays)."""
        works = np.exp(-((age / scale) ** self.shape))
        sound = np.exp(-((age / (scale * self.worn_share)) ** self.shape))
        return sound, works - sound, 1.0 - works

    def refit_years(self, year: int, when: float) -> range:
        """Years in which a part of a unit built in `year` may have been replaced by `when`."""
        return range(year + MIN_YEARS_TO_REFIT, math.floor(when))

    def failed_by(self, year: int, when: float, damp: bool) -> float:
        """Probability that an original part made in `year` has failed by `when`."""
        return float(self.states(part_age_years(when, year), self.life_scale(year, damp))[2])

    def obtainable(self, when: float) -> str:
        """Return what can be had at `when`: yes, salvage only or no."""
        return [what for since, what in self.supply if since <= when][-1]

    def fix_chance(self, when: float, shift: float = 0.0) -> float:
        """Probability that a failed part is mended; `shift` moves its log odds."""
        if self.too_dear:
            return 0.0
        by_supply = {"yes": self.skill, "salvage only": self.skill * self.find, "no": self.rebuild}
        chance = by_supply[self.obtainable(when)]
        if not 0.0 < chance < 1.0:
            return chance
        return 1.0 / (1.0 + (1.0 - chance) / chance * math.exp(-shift))


@dataclass(frozen=True)
class Sign:
    """Something that can be seen on a unit before any tool is picked up."""

    name: str
    shows: Mapping[str, float] = field(default_factory=dict)  # by component: that a failed one causes it
    damp_shows: float = 0.0  # probability that damp storage causes it
    false_alarm: float = 0.02  # probability that it is there without any of these causes
    price_factor: float = 1.0  # on the sale price; only of signs that no component causes

    def chance(self, damp: bool) -> float:
        """Probability of the sign from storage and false alarm alone."""
        return 1.0 - (1.0 - self.false_alarm) * (1.0 - self.damp_shows * damp)


@dataclass(frozen=True)
class Family:
    """What is true of one family: span, parts in the bench's order of inspection, money."""

    name: str
    kind: str
    maker: str
    first_year: int
    last_year: int
    parts: tuple[Part, ...]
    signs: tuple[Sign, ...]
    price: float
    owner_price: float
    models: tuple[str, ...] = ()
    priced_on: str = "2024-06"
    price_spread: float | None = None
    drift: float = 0.0
    price_noise: float = 0.2
    popularity: float = 1.0
    damp_share: float = 0.15
    base_hours: float = 1.5
    other_costs: float = 12.0
    donor_share: float = 0.5
    scrap_share: float = 0.3
    salvage: float = 15.0
    as_is: float = 12.0
    ask: float = 30.0
    notes: str | None = None

    @property
    def years(self) -> tuple[int, ...]:
        """All production years; units are equally frequent in each."""
        return tuple(range(self.first_year, self.last_year + 1))

    def part(self, name: str) -> Part:
        """Return the truth of one component; KeyError if the family has none of that name."""
        return {part.name: part for part in self.parts}[name]


@dataclass(frozen=True)
class World:
    """Everything that is true in one simulated trade.

    `market` holds, per kind, the log price level of every quarter from the quarter of
    `start` on (it continues beyond `end`, so that offers have a price). `season_sd` is the
    spread from quarter to quarter of the log odds of mending anything, `learning` their rise
    per year. A share `careless_share` of the jobs is written up by a careless hand.
    """

    name: str
    families: tuple[Family, ...]
    settings: Mapping[str, float | str]
    start: dt.date
    end: dt.date
    market: Mapping[str, tuple[float, ...]]
    season_sd: float = 0.3
    learning: float = 0.0
    careful: Habits = CAREFUL
    careless: Habits = CARELESS
    careless_share: float = 0.0
    pickiness: float = 0.15
    follow_share: float = 0.35
    parts_known: float = 0.7
    hearsay: tuple[Mapping[str, float | str | None], ...] = ()
    job_prefix: str = ""
    usual_jobs: int = 300

    def family(self, name: str) -> Family:
        """Return the truth of one family; KeyError if there is none of that name."""
        return {family.name: family for family in self.families}[name]

    def amount(self, setting: str) -> float:
        """Return a setting that is a number; 0 where the world does not set it."""
        return float(self.settings.get(setting, 0.0))

    def quarter(self, when: float) -> int:
        """Quarters from the start of the world to `when` (decimal year)."""
        first = math.floor(decimal_year(self.start) * 4)
        return max(math.floor(when * 4) - first, 0)

    def price_level(self, family: Family, when: float) -> float:
        """Mean sale price of a repaired, unblemished unit that comes in at `when`."""
        sale = when + YEARS_TO_SALE
        levels = self.market.get(family.kind, (0.0,))
        level = levels[min(self.quarter(sale), len(levels) - 1)]
        return family.price * math.exp(family.drift * (sale - PRICE_YEAR) + level)

    def shift(self, when: float, season: float) -> float:
        """Shift of all log odds of mending at `when`, the season's own part included."""
        return season + self.learning * (when - decimal_year(self.start))


# What is usual of each kind of unit: components, their lives, faults that show.


@dataclass(frozen=True)
class Kind:
    """A kind of unit: usual price and span, components in order of inspection, signs."""

    price: float
    first_year: int
    last_year: int
    base_hours: float
    parts: tuple[Part, ...]
    signs: tuple[Sign, ...]


OF_ALL_KINDS = (
    Sign("rust", damp_shows=0.65, false_alarm=0.06, price_factor=0.88),
    Sign("damp store", damp_shows=0.55, false_alarm=0.05),
    Sign("missing parts", false_alarm=0.12, price_factor=0.85),
)


def _power(**shows: float) -> Sign:
    named = {name.replace("_", " "): chance for name, chance in shows.items()}
    return Sign("no power", shows=named, false_alarm=0.03)


KINDS: Mapping[str, Kind] = {
    "tape deck": Kind(
        price=210,
        first_year=1974,
        last_year=1996,
        base_hours=1.0,
        parts=(
            Part("regulator", 2.0, 85, damp_factor=0.75, dies=0.01, skill=0.9, price=6, hours=1.2),
            Part("capacitor", 3.2, 62, damp_factor=0.8, skill=0.97, price=9, hours=1.0, pack_size=10,
                 per_unit=6),
            Part("motor", 2.5, 75, damp_factor=0.75, skill=0.72, price=28, hours=1.0, find=0.65, rebuild=0.2),
            Part("belt", 4.0, 25, damp_factor=0.85, refit=0.2, skill=0.99, price=8, hours=0.8, redo=0.03),
            Part("idler", 3.5, 38, damp_factor=0.8, refit=0.1, skill=0.93, price=9, hours=0.6, rebuild=0.6),
            Part("gear", 4.5, 60, skill=0.75, price=14, hours=1.6, find=0.4, rebuild=0.1, dies=0.02),
            Part("pinch roller", 3.0, 36, refit=0.1, skill=0.96, price=12, hours=0.5, rebuild=0.5),
            Part("head", 3.0, 68, damp_factor=0.85, skill=0.6, price=35, hours=1.0, find=0.6, rebuild=0.05),
            Part("switch", 2.2, 50, damp_factor=0.55, skill=0.93, price=5, hours=0.7, dies=0.03, rebuild=0.5),
            Part("display", 2.0, 90, skill=0.5, price=25, hours=0.8, find=0.6, rebuild=0.05, dies=0.02),
        ),
        signs=(
            _power(regulator=0.75, capacitor=0.1),
            Sign("dead transport", {"belt": 0.45, "motor": 0.8, "gear": 0.5}, false_alarm=0.04),
            Sign("sticky residue", {"belt": 0.3}, damp_shows=0.15, false_alarm=0.04),
            *OF_ALL_KINDS,
        ),
    ),
    "turntable": Kind(
        price=170,
        first_year=1968,
        last_year=1992,
        base_hours=0.8,
        parts=(
            Part("capacitor", 3.0, 66, damp_factor=0.8, dies=0.01, skill=0.93, price=7, hours=0.9,
                 pack_size=10,
                 per_unit=4),
            Part("motor", 2.8, 90, damp_factor=0.75, skill=0.7, price=40, hours=1.1, find=0.6, rebuild=0.25),
            Part("belt", 4.0, 26, refit=0.35, skill=0.99, price=14, hours=0.2, redo=0.03),
            Part("bearing", 2.6, 85, damp_factor=0.6, skill=0.85, price=18, hours=0.8, rebuild=0.5),
            Part("cartridge", 2.0, 42, refit=0.4, skill=0.97, price=24, hours=0.3, find=0.8, rebuild=0.1),
            Part("lift", 2.4, 48, skill=0.92, price=8, hours=0.7, rebuild=0.7),
            Part("tonearm", 2.2, 95, damp_factor=0.8, skill=0.6, price=45, hours=1.2, find=0.7, dies=0.02),
            Part("switch", 2.2, 55, damp_factor=0.55, skill=0.94, price=5, hours=0.5, dies=0.02, rebuild=0.5),
        ),
        signs=(
            _power(capacitor=0.5, switch=0.2),
            Sign("dead transport", {"belt": 0.5, "motor": 0.8}, false_alarm=0.04),
            Sign("hum", {"cartridge": 0.3, "tonearm": 0.2}, false_alarm=0.06),
            *OF_ALL_KINDS,
        ),
    ),
    "disc player": Kind(
        price=130,
        first_year=1984,
        last_year=2001,
        base_hours=0.7,
        parts=(
            Part("regulator", 2.0, 80, damp_factor=0.8, dies=0.01, skill=0.88, price=6, hours=1.1),
            Part("belt", 4.0, 22, refit=0.15, skill=0.99, price=5, hours=0.4, redo=0.02),
            Part("laser", 2.6, 42, damp_factor=0.8, skill=0.85, price=32, hours=1.0, find=0.5, rebuild=0.03),
            Part("motor", 2.4, 60, damp_factor=0.8, skill=0.8, price=12, hours=0.8, find=0.6, rebuild=0.15),
            Part("gear", 3.5, 55, skill=0.7, price=9, hours=0.9, find=0.4, rebuild=0.15, dies=0.02),
            Part("capacitor", 3.2, 55, damp_factor=0.8, skill=0.95, price=9, hours=1.2, pack_size=10,
                 per_unit=8),
            Part("switch", 2.2, 55, damp_factor=0.6, skill=0.93, price=4, hours=0.5, rebuild=0.4),
            Part("display", 2.0, 75, skill=0.45, price=22, hours=0.8, find=0.5, rebuild=0.05, dies=0.02),
        ),
        signs=(
            _power(regulator=0.75),
            Sign("dead transport", {"belt": 0.5, "motor": 0.6, "gear": 0.5, "laser": 0.3}, false_alarm=0.05),
            *OF_ALL_KINDS,
        ),
    ),
    "receiver": Kind(
        price=260,
        first_year=1970,
        last_year=1990,
        base_hours=1.2,
        parts=(
            Part("regulator", 2.0, 75, damp_factor=0.75, dies=0.015, skill=0.88, price=8, hours=1.4),
            Part("output stage", 2.0, 100, ("left", "right"), damp_factor=0.8, skill=0.78, price=26,
                 hours=2.0,
                 dies=0.01, find=0.6, rebuild=0.1),
            Part("capacitor", 3.2, 58, damp_factor=0.8, skill=0.97, price=14, hours=1.8, pack_size=20,
                 per_unit=16),
            Part("relay", 2.4, 55, ("left", "right"), damp_factor=0.7, skill=0.96, price=7, hours=0.4,
                 rebuild=0.6),
            Part("switch", 2.2, 48, damp_factor=0.5, skill=0.9, price=6, hours=0.8, dies=0.03, rebuild=0.4),
            Part("potentiometer", 2.0, 42, damp_factor=0.6, skill=0.93, price=9, hours=0.9, rebuild=0.7),
            Part("display", 3.0, 42, refit=0.15, skill=0.95, price=6, hours=0.6, rebuild=0.6),
            Part("transformer", 2.0, 190, damp_factor=0.6, skill=0.55, price=60, hours=1.5, find=0.7,
                 rebuild=0.1),
        ),
        signs=(
            _power(regulator=0.7, transformer=0.8),
            Sign("burnt smell", {"output stage": 0.45, "transformer": 0.6, "regulator": 0.2},
                 false_alarm=0.02),
            Sign("hum", {"capacitor": 0.45, "regulator": 0.2}, false_alarm=0.04),
            Sign("no sound", {"output stage": 0.6, "relay": 0.5, "switch": 0.2}, false_alarm=0.05),
            *OF_ALL_KINDS,
        ),
    ),
}  # fmt: skip


# Draw a world: families that share what is usual of their kind and differ around it.
