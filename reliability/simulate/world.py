"""The truth of a simulated trade: what fails, what can be mended, what it costs and brings.

Nothing here is drawn and nothing is hidden: a :class:`World` holds every number from which
units, jobs and sales are later drawn, so that answers can be compared with it.
"""

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np

from reliability.simulate.habits import CAREFUL, CARELESS, Habits

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
    """What is true of one component in one family.

    Attributes
    ----------
    name, positions
        Component, and where a unit has it: ``("",)`` for a single one.
    shape, scale
        Weibull life of an original part made in 1985 and kept dry; `scale` in years.
    year_slope
        Change of log scale per decade of production year.
    change_year, change_factor
        From this production year on, original parts are of another material and their
        scale is multiplied by the factor.
    damp_factor
        Factor on the scale in a unit that was stored damp.
    worn_share
        A part needs work from this share of its life on.
    together
        Probability that all positions of a unit share one life.
    refit
        Probability that an older unit no longer has the part it was built with.
    dies
        Probability that a sound part dies while the bench handles it.
    skill
        Probability that a failed part is mended where a new part can be had.
    supply
        What can be had from which date (decimal year) on: yes, salvage only, no.
    find, rebuild
        Factor on `skill` where only salvaged parts exist; probability of a repair where
        nothing can be had.
    price, hours, inspect_hours
        Money for one piece, bench hours to change it, bench hours to look at it.
    redo, calm
        Comebacks per year after a repair of this component, and without one.
    too_dear
        True if the bench gives up rather than pay for it.
    pack_size, per_unit
        Pieces in a pack and pieces used in one unit.
    """

    name: str
    shape: float
    scale: float
    positions: tuple[str, ...] = ("",)
    year_slope: float = 0.0
    change_year: int | None = None
    change_factor: float = 1.0
    damp_factor: float = 1.0
    worn_share: float = 0.85
    together: float = 0.5
    refit: float = 0.0
    dies: float = 0.0
    skill: float = 0.95
    supply: tuple[tuple[float, str], ...] = ((0.0, "yes"),)
    find: float = 0.5
    rebuild: float = 0.1
    price: float = 10.0
    hours: float = 1.0
    inspect_hours: float = 0.1
    redo: float = 0.05
    calm: float = 0.01
    too_dear: bool = False
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
    """Something that can be seen on a unit before any tool is picked up.

    Attributes
    ----------
    name
        What is looked for.
    shows
        Per component, the probability that a failed one causes the sign.
    damp_shows
        Probability that damp storage causes it.
    false_alarm
        Probability that it is there without any of these causes.
    price_factor
        Factor on the sale price of a unit that shows it. Only signs that no component
        causes may have one.
    """

    name: str
    shows: Mapping[str, float] = field(default_factory=dict)
    damp_shows: float = 0.0
    false_alarm: float = 0.02
    price_factor: float = 1.0

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
