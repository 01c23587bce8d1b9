"""Jobs of a bench and units on offer, drawn from a world."""

import datetime as dt
import math
from bisect import bisect
from dataclasses import dataclass, replace
from itertools import accumulate

from reliability.errors import InvalidInput
from reliability.simulate import recorder
from reliability.simulate.bench import Passage, run_job
from reliability.simulate.dice import Dice
from reliability.simulate.habits import CAREFUL, Habits
from reliability.simulate.recorder import Row, Stay
from reliability.simulate.truth import appraise
from reliability.simulate.unit import Unit, draw_unit
from reliability.simulate.world import Family, World, decimal_year

Rows = dict[str, list[Row]]
ASK_SD = 0.4
SAME_LOT, NEVER_FINISHED, PARTLY_WRITTEN = 0.05, 0.015, 0.5
DAYS_MEDIAN, DAYS_SD, FAILED_DAYS = 25.0, 0.8, 1.5


@dataclass(frozen=True)
class _Arrival:
    """A unit that was bought."""

    unit: Unit
    looked: dict[str, bool]
    bought_for: float
    taken_in: dt.date
    lot: str | None


def run_bench(world: World, n_jobs: int, seed: int) -> Rows:
    """Draw the ledger of a bench.

    Parameters
    ----------
    world : World
    n_jobs : int
        Finished jobs in the ledger, those apart that nobody wrote up; units that are still
        open at the end come on top.
    seed : int
        The same world, number and seed give the same rows.

    Returns
    -------
    dict of list of dict
        Rows of every documented table but those of other benches, as plain values.

    Raises
    ------
    InvalidInput
        If `n_jobs` is negative.
    """
    if n_jobs < 0:
        raise InvalidInput(f"`n_jobs` must be 0 or more, got {n_jobs}.")
    stays = _newest(_all_stays(world, n_jobs, seed), n_jobs)
    rows: Rows = {name: [] for name in ("jobs", "findings", "signs", "followups")}
    for number, stay in enumerate(stays, start=1):
        if stay.job == "lost":
            continue
        _write_job(world, stay, f"{world.job_prefix}{number:04d}", rows, seed)
    return {
        "families": recorder.family_rows(world.families),
        "models": [
            {"model": model, "family": f.name, "first_year": f.first_year, "last_year": f.last_year}
            for f in world.families
            for model in f.models
        ],
        **rows,
        "parts": recorder.part_rows(world),
        "hearsay": [dict(row) for row in world.hearsay],
        "settings": [{"setting": name, "value": _plain(v)} for name, v in sorted(world.settings.items())],
    }


def unwritten_jobs(world: World, n_jobs: int, seed: int) -> tuple[int, int]:
    """Count the jobs that :func:`run_bench` leaves out: all of them, and the repaired ones."""
    stays = _newest(_all_stays(world, n_jobs, seed), n_jobs)
    lost = [stay.passage.repaired for stay in stays if stay.job == "lost"]
    return len(lost), sum(lost)


def _plain(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:g}"


def _all_stays(world: World, n_jobs: int, seed: int) -> list[Stay]:
    """Draw more units than needed, until enough of their jobs are finished and written."""
    n_units = math.ceil(n_jobs * 1.15) + 12
    while n_jobs:
        stays = _stays(world, n_units, seed)
        if sum(stay.job == "done" for stay in stays) >= n_jobs:
            return stays
        n_units = math.ceil(n_units * 1.3)
    return []


def _newest(stays: list[Stay], n_jobs: int) -> list[Stay]:
    """Keep the newest units with exactly `n_jobs` finished jobs among them."""
    surplus = sum(stay.job == "done" for stay in stays) - n_jobs
    for first, stay in enumerate(stays):
        if surplus == 0:
            return stays[first:]
        surplus -= stay.job == "done"
    return []


def _stays(world: World, n_units: int, seed: int) -> list[Stay]:
    dice = Dice(seed, world.name, "arrivals")
    length = (world.end - world.start).days
    days = sorted(dice.whole(0, length) for _ in range(n_units))
    shares = list(accumulate(family.popularity for family in world.families))
    arrivals: list[_Arrival] = []
    for i, day in enumerate(days):
        arrivals.append(_arrive(world, world.start + dt.timedelta(days=day), i, seed, arrivals, shares))
    return [_stay(world, arrival, i, seed) for i, arrival in enumerate(arrivals)]


def _arrive(
    world: World, day: dt.date, i: int, seed: int, earlier: list[_Arrival], shares: list[float]
) -> _Arrival:
    """Draw the unit that is bought next: one whose bad signs did not put the owner off."""
    dice = Dice(seed, world.name, "unit", i)
    same_lot = dice.chance(SAME_LOT) and bool(earlier)
    damp, lot = (earlier[-1].unit.damp, f"L{i:04d}") if same_lot else (None, None)
    day = earlier[-1].taken_in if same_lot else max(day, earlier[-1].taken_in if earlier else day)
    habits = _habits(world, seed, i)
    while True:
        family = world.families[bisect(shares, dice.uniform() * shares[-1])]
        unit = draw_unit(family, decimal_year(day), dice, damp)
        looked = recorder.look_at(unit, habits, dice)
        if dice.chance((1 - world.pickiness) ** sum(looked.values())):
            return _Arrival(unit, looked, family.ask * dice.factor(ASK_SD), day, lot)


def _habits(world: World, seed: int, i: int) -> Habits:
    careless = Dice(seed, world.name, "hand", i).chance(world.careless_share)
    return world.careless if careless else world.careful


def season_effect(world: World, when: float, seed: int) -> float:
    """Season's part of the log odds of mending, the same for all units of a quarter."""
    return Dice(seed, world.name, "season", world.quarter(when)).normal(0.0, world.season_sd)


def _stay(world: World, arrival: _Arrival, i: int, seed: int) -> Stay:
    dice = Dice(seed, world.name, "job", i)
    passage = run_job(world, arrival.unit, dice, season_effect(world, arrival.unit.when, seed))
    habits = _habits(world, seed, i)
    days = 1 + round(
        DAYS_MEDIAN * math.exp(dice.normal(0, DAYS_SD)) * (1 if passage.repaired else FAILED_DAYS)
    )
    never = dice.chance(NEVER_FINISHED)
    lost = dice.chance(habits.lost_repaired if passage.repaired else habits.lost_failed)
    closed = arrival.taken_in + dt.timedelta(days=days)
    is_open = never or closed > world.end
    status = "open" if is_open else "lost" if lost else "done"
    return Stay(
        job=status,
        passage=passage,
        habits=habits,
        looked=arrival.looked,
        bought_for=arrival.bought_for,
        taken_in=arrival.taken_in,
        closed=None if is_open else closed,
        lot=arrival.lot,
    )


def _write_job(world: World, stay: Stay, job: str, rows: Rows, seed: int) -> None:
    stay = replace(stay, job=job)
    dice = Dice(seed, world.name, "paper", job)
    row = recorder.job_row(stay, dice, world.end)
    rows["jobs"].append(row)
    rows["findings"] += recorder.finding_rows(stay, dice)
    rows["signs"] += recorder.sign_rows(stay)
    sold_on = dt.date.fromisoformat(str(row["sold_on"])) if row["sold_on"] else None
    rows["followups"] += recorder.followup_rows(world, stay, sold_on, dice)


def make_offers(world: World, n: int, seed: int) -> tuple[list[Row], list[Row]]:
    """Draw units on offer in the half year after the end of the ledger, with their truth.

    Parameters
    ----------
    world : World
    n : int
        Number of offers.
    seed : int

    Returns
    -------
    offers, truth : list of dict
        Offers as documented, with one column per sign. Truth, in the same order: `offer`,
        `family`, `success_chance` and `expected_gain` given what the offer shows, `ceiling`,
        `worth_repaired` and `worth_unrepaired` (the gain to expect of a free unit in each case),
        `hours`, `chief_risk`, then what really came of the unit at its asked price:
        `repaired`, `gain`, `ended_by`. Each offer meets a season of its own.

    Raises
    ------
    InvalidInput
        If `n` is negative.
    """
    if n < 0:
        raise InvalidInput(f"`n` must be 0 or more, got {n}.")
    weights = [family.popularity for family in world.families]
    signs = sorted({sign.name for family in world.families for sign in family.signs})
    pairs = [_offer(world, i, seed, weights, signs) for i in range(n)]
    return [offer for offer, _ in pairs], [truth for _, truth in pairs]


def _offer(world: World, i: int, seed: int, weights: list[float], signs: list[str]) -> tuple[Row, Row]:
    dice = Dice(seed, world.name, "offer", i)
    family = dice.pick(world.families, weights)
    day = world.end + dt.timedelta(days=dice.whole(1, 180))
    unit = draw_unit(family, decimal_year(day), dice)
    built_from, built_to, _ = recorder.year_window(unit, CAREFUL, dice, guesses=False)
    looked = recorder.look_at(unit, CAREFUL, dice)
    asked = recorder.money(family.ask * dice.factor(ASK_SD)) or 0.0
    offer: Row = {
        "offer": f"{i + 1:04d}",
        "family": family.name,
        "built_from": built_from,
        "built_to": built_to,
        "asked": asked,
        "seen_on": day.isoformat(),
        **{name: _yes_no(looked.get(name)) for name in signs},
    }
    passage = run_job(world, unit, dice, dice.normal(0.0, world.season_sd))
    return offer, truth_row(world, offer, family, passage)


def _yes_no(seen: bool | None) -> str | None:
    return None if seen is None else "yes" if seen else "no"


def truth_row(world: World, offer: Row, family: Family, passage: Passage | None) -> Row:
    """Write the truth of one offer; what came of it stays empty without a `passage`."""
    low = float(offer["built_from"] or -math.inf)
    high = float(offer["built_to"] or math.inf)
    years = [year for year in family.years if low <= year <= high]
    signs = {s.name: offer[s.name] == "yes" for s in family.signs if offer.get(s.name) in ("yes", "no")}
    when = decimal_year(dt.date.fromisoformat(str(offer["seen_on"])))
    truth = appraise(world, family, when=when, years=years, signs=signs)
    asked = offer["asked"]
    paid = None if asked is None else float(asked)
    return {
        "offer": offer["offer"],
        "family": family.name,
        "success_chance": truth.success,
        "expected_gain": None if paid is None else truth.worth - paid,
        "ceiling": truth.worth - world.amount("margin"),
        "worth_repaired": truth.worth_repaired,
        "worth_unrepaired": truth.worth_unrepaired,
        "hours": truth.hours,
        "chief_risk": truth.chief_risk,
        "repaired": None if passage is None else passage.repaired,
        "gain": None if passage is None or paid is None else passage.gain(world, paid),
        "ended_by": None if passage is None else passage.ended_by,
    }
