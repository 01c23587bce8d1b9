"""Jobs of a bench and units on offer, drawn from a world, and how they get onto paper."""

import datetime as dt
import math
from bisect import bisect
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import accumulate

from reliability.records.tables import TABLES
from tests.simulate.bench import Finding, Passage, Unit, draw_unit, run_job
from tests.simulate.truth import appraise
from tests.simulate.world import (
    CAREFUL,
    CARELESS,
    DRIFT_SD,
    END,
    FIX_SD,
    KINDS,
    LIFE_SD,
    NAMED_WORLDS,
    OWNER_PRICE_SD,
    PRICE_YEAR,
    SEASON_SD,
    SHAPE_SD,
    UNOBTAINABLE,
    Dice,
    Family,
    Habits,
    Part,
    Sign,
    World,
    WorldOptions,
    decimal_year,
)

# How a job gets onto paper: what is written, what is left out, what nobody looked at.


Row = dict[str, str | int | float | None]
KNOWN_BASES = ("nameplate", "date code", "serial number")
KNOWS_FAILURE_DATE, NOTES_ORIGINAL, NOTES_REFIT, KNOWS_FIT_YEAR = 0.08, 0.75, 0.8, 0.5
WRONG_GUESS = 0.2


@dataclass(frozen=True)
class Stay:
    """One unit's time on the bench, before anything is written down."""

    job: str
    passage: Passage
    habits: Habits
    looked: Mapping[str, bool]
    bought_for: float
    taken_in: dt.date
    closed: dt.date | None
    lot: str | None


def year_window(
    unit: Unit, habits: Habits, dice: Dice, guesses: bool = True
) -> tuple[int | None, int | None, str | None]:
    """Draw what is known of the year of production: from, to and on what grounds."""
    exact, width, later = dice.pick(KNOWN_BASES), dice.whole(2, 5), dice.chance(0.5)
    missed = dice.chance(WRONG_GUESS) and guesses
    guess = habits.year_guess * guesses
    rest = 1.0 - habits.year_known - habits.year_window - guess
    basis = dice.pick(
        ("exact", "document", "guess", None), (habits.year_known, habits.year_window, guess, rest)
    )
    if basis == "exact":
        return unit.year, unit.year, exact
    if basis is None:
        return None, None, None
    shift = (1 if later else -1) if basis == "guess" and missed else 0
    return (*year_block(unit.family, unit.year, width, shift), basis)


def year_block(family: Family, year: int, width: int, shift: int = 0) -> tuple[int, int]:
    """Return the block of `width` years that holds `year`, or the one `shift` blocks on.

    Blocks are counted from the first year of the family, so that within a block every year
    is as likely as any other, whichever block is known.
    """
    block = (year - family.first_year) // width + shift
    block = min(max(block, 0), (family.last_year - family.first_year) // width)
    low = family.first_year + block * width
    return low, min(low + width - 1, family.last_year)


def look_at(unit: Unit, habits: Habits, dice: Dice) -> dict[str, bool]:
    """Draw which signs somebody looked for, with what was seen."""
    return {name: seen for name, seen in unit.signs.items() if dice.chance(habits.look)}


def _blank(table: str) -> Row:
    return dict.fromkeys(TABLES[table].names)


def job_row(stay: Stay, dice: Dice, end: dt.date) -> Row:
    """Write the row of a job; amounts that the recorder forgot stay empty."""
    passage, family, habits = stay.passage, stay.passage.unit.family, stay.habits
    built_from, built_to, basis = year_window(passage.unit, habits, dice)
    keep = {name: dice.chance(getattr(habits, how)) for name, how in _AMOUNTS.items()}
    row = _blank("jobs") | {
        "job": stay.job,
        "family": family.name,
        "model": dice.pick(family.models) if family.models and dice.chance(0.9) else None,
        "lot": stay.lot,
        "built_from": built_from,
        "built_to": built_to,
        "year_basis": basis,
        "taken_in": stay.taken_in.isoformat(),
        "outcome": "open",
        "bought_for": money(stay.bought_for) if keep["bought_for"] else None,
    }
    if stay.closed is not None:
        told = {
            "hours": quarter_hours(passage.hours),
            "other_costs": money(passage.other_costs),
            "salvage_value": money(passage.salvage) if passage.salvage else None,
            "ended_by": passage.ended_by,
            "ended_why": passage.ended_why,
        }
        row |= {"closed": stay.closed.isoformat(), "outcome": passage.outcome}
        row |= {name: value for name, value in told.items() if keep[name]}
    return row | _sale(stay, dice, end)


_AMOUNTS = {
    "bought_for": "money", "hours": "hours", "other_costs": "money", "salvage_value": "money",
    "ended_by": "cause", "ended_why": "cause",
}  # fmt: skip


def _sale(stay: Stay, dice: Dice, end: dt.date) -> Row:
    """Write the sale, if the unit was sold by the end of the ledger and not kept."""
    kept, wait = dice.chance(0.05), dice.whole(4, 30) + int(dice.exponential(1 / 35))
    price = stay.passage.price
    if stay.closed is None or price <= 0:
        return {}
    if stay.passage.outcome == "sold as is":
        wait = min(wait, 20)
    elif kept:
        return {}
    sold_on = stay.closed + dt.timedelta(days=wait)
    return {"sold_for": money(price), "sold_on": sold_on.isoformat()} if sold_on <= end else {}


def finding_rows(stay: Stay, dice: Dice) -> list[Row]:
    """Write the findings of a job; of an open one, those of the first component only."""
    findings = stay.passage.findings
    if stay.closed is None:
        findings = findings[:1]
    rows = [
        (_finding_row(stay, each, dice), dice.chance(getattr(stay.habits, each.found))) for each in findings
    ]
    return [row for row, is_written in rows if is_written]


def _finding_row(stay: Stay, finding: Finding, dice: Dice) -> Row:
    state = finding.state
    original = "yes" if dice.chance(NOTES_ORIGINAL) else None
    is_cost_written = dice.chance(stay.habits.money)
    row = _blank("findings") | {
        "job": stay.job,
        "component": state.part.name,
        "position": state.position,
        "found": finding.found,
        "original": original,
        "arose": "during work" if finding.died else "as received",
        "action": finding.action,
        "part_cost": money(finding.part_cost) if is_cost_written else None,
        "part_source": finding.part_source,
    }
    return row | _refit(stay, state.fitted, dice) | _failure_dates(stay, finding, dice)


def _refit(stay: Stay, fitted: int | None, dice: Dice) -> Row:
    """Write that a part is not the one the unit was built with, if that was noticed."""
    noticed, dated, spread = dice.chance(NOTES_REFIT), dice.chance(KNOWS_FIT_YEAR), dice.whole(0, 2)
    if fitted is None:
        return {}
    if not noticed:
        return {"original": None}
    latest = min(fitted + spread, stay.taken_in.year)
    window = {"fitted_from": fitted - spread, "fitted_to": latest} if dated else {}
    return {"original": "no", **window}


def _failure_dates(stay: Stay, finding: Finding, dice: Dice) -> Row:
    """Write a window for the day of the failure, if somebody remembers."""
    known, before, after = dice.chance(KNOWS_FAILURE_DATE), dice.whole(30, 400), dice.whole(30, 400)
    if finding.state.state != "failed" or not known:
        return {}
    made = finding.state.fitted or stay.passage.unit.year
    failed = made + 0.5 + finding.state.life_years
    day = min(dt.date(int(failed), 1, 1) + dt.timedelta(days=int((failed % 1) * 365)), stay.taken_in)
    low, high = day - dt.timedelta(days=before), min(day + dt.timedelta(days=after), stay.taken_in)
    return {"failed_from": low.isoformat(), "failed_to": high.isoformat()}


def followup_rows(world: World, stay: Stay, sold_on: dt.date | None, dice: Dice) -> list[Row]:
    """Write what became of a sold unit: complaints in warranty, and a check of some."""
    check_after, checked = dice.whole(200, 700), dice.chance(world.follow_share)
    told, day_known, cause_known = dice.chance(0.85), dice.chance(0.5), dice.chance(0.8)
    if sold_on is None or not stay.passage.repaired:
        return []
    first = stay.passage.comebacks[0] if stay.passage.comebacks else None
    failed_on = sold_on + dt.timedelta(days=int(first.years * 365.25)) if first else None
    warranty = dt.timedelta(days=int(world.amount("warranty_days")))
    day, is_broken = sold_on + dt.timedelta(days=check_after), False
    if first and failed_on and failed_on <= sold_on + warranty and told:
        day, is_broken = failed_on + dt.timedelta(days=5), True
    elif checked:
        is_broken = failed_on is not None and failed_on <= day
    else:
        return []
    row = _blank("followups") | {"job": stay.job, "checked_on": day.isoformat(), "working": "yes"}
    if first and failed_on and is_broken:
        row["working"] = "no"
        row["failed_on"] = failed_on.isoformat() if day_known else None
        row["component"] = first.component if cause_known else None
        row["hours"], row["cost"] = quarter_hours(first.hours), money(first.cost)
    return [row] if day <= world.end else []


def family_rows(families: tuple[Family, ...]) -> list[Row]:
    """Write the families, with the owner's own estimate of their prices."""
    same = ("kind", "maker", "first_year", "last_year", "priced_on", "price_spread", "notes")
    return [
        _blank("families")
        | {"family": f.name, "working_price": money(f.owner_price)}
        | {name: getattr(f, name) for name in same}
        for f in families
    ]


def part_rows(world: World) -> list[Row]:
    """Write what can be had at the end of the ledger, as far as the owner has looked it up."""
    when, rows = decimal_year(world.end), []
    for family, part in [(f, part) for f in world.families for part in f.parts]:
        if Dice("parts", family.name, part.name).chance(world.parts_known):
            row = {"component": part.name, "family": family.name, "obtainable": part.obtainable(when)}
            pack = part.price * part.pack_size / part.per_unit
            row["price"] = money(pack) if row["obtainable"] == "yes" else None
            row |= {"pack_size": part.pack_size, "per_unit": part.per_unit, "as_of": world.end.isoformat()}
            rows.append(row)
    return sorted(rows, key=lambda row: (str(row["component"]), str(row["family"])))


def money(amount: float | None) -> float | None:
    """Round money: small amounts to half a unit, larger ones to a whole one, as people do."""
    if amount is None:
        return None
    return round(amount * 2) / 2 if amount < 100 else float(round(amount))


def quarter_hours(hours: float) -> float:
    """Round bench time to a quarter of an hour, at least one."""
    return max(round(hours * 4) / 4, 0.25)


# Jobs of a bench and units on offer, drawn from a world.


Rows = dict[str, list[Row]]
ASK_SD = 0.4
SAME_LOT, NEVER_FINISHED = 0.05, 0.015
DAYS_MEDIAN, DAYS_SD, FAILED_DAYS = 25.0, 0.8, 1.5


def run_bench(world: World, n_jobs: int, seed: int) -> Rows:
    """Draw the ledger of a bench, `n_jobs` of it finished and written; the same seed gives the same rows.

    Units that are still open at the end come on top. Rows of other benches, sightings, shelf and spending are
    left out.
    """
    stays = _newest(world, n_jobs, seed)
    rows: Rows = {name: [] for name in ("lots", "jobs", "findings", "signs", "followups")}
    for number, stay in enumerate(stays, start=1):
        if stay.job == "lost":
            continue
        _write_job(world, stay, f"{world.job_prefix}{number:04d}", rows, seed)
    return {
        "families": family_rows(world.families),
        "models": [
            {"model": model, "family": f.name, "first_year": f.first_year, "last_year": f.last_year}
            for f in world.families
            for model in f.models
        ],
        **rows,
        "parts": part_rows(world),
        "hearsay": [dict(row) for row in world.hearsay],
        "settings": [
            {"setting": name, "value": v if isinstance(v, str) else f"{v:g}"}
            for name, v in sorted(world.settings.items())
        ],
    }


def unwritten_jobs(world: World, n_jobs: int, seed: int) -> tuple[int, int]:
    """Count the jobs that :func:`run_bench` leaves out: all of them, and the repaired ones."""
    stays = _newest(world, n_jobs, seed)
    lost = [stay.passage.repaired for stay in stays if stay.job == "lost"]
    return len(lost), sum(lost)


def _newest(world: World, n_jobs: int, seed: int) -> list[Stay]:
    """Draw units until enough of their jobs are finished and written; keep the newest `n_jobs` of these."""
    n_units = math.ceil(n_jobs * 1.15) + 12
    while n_jobs:
        stays = _stays(world, n_units, seed)
        done = [i for i, stay in enumerate(stays) if stay.job == "done"]
        if len(done) >= n_jobs:
            before = [-1, *done][-n_jobs - 1]  # the last finished job that is one too many
            return stays[before + 1 :]
        n_units = math.ceil(n_units * 1.3)
    return []


def _stays(world: World, n_units: int, seed: int) -> list[Stay]:
    dice = Dice(seed, world.name, "arrivals")
    length = (world.end - world.start).days
    days = sorted(dice.whole(0, length) for _ in range(n_units))
    shares = list(accumulate(family.popularity for family in world.families))
    stays: list[Stay] = []
    for i, day in enumerate(days):
        before = stays[-1] if stays else None
        stays.append(_stay(world, world.start + dt.timedelta(days=day), i, seed, before, shares))
    return stays


def _stay(world: World, day: dt.date, i: int, seed: int, before: Stay | None, shares: list[float]) -> Stay:
    """Draw the unit that is bought next, one whose bad signs did not put the owner off, and its job."""
    dice, lot, damp = Dice(seed, world.name, "unit", i), None, None
    if dice.chance(SAME_LOT) and before:
        day, lot, damp = before.taken_in, f"L{i:04d}", before.passage.unit.damp
    elif before:
        day = max(day, before.taken_in)
    careless = Dice(seed, world.name, "hand", i).chance(world.careless_share)
    habits = world.careless if careless else world.careful
    is_bought = False
    while not is_bought:
        family = world.families[bisect(shares, dice.uniform() * shares[-1])]
        unit = draw_unit(family, decimal_year(day), dice, damp)
        looked = look_at(unit, habits, dice)
        is_bought = dice.chance((1 - world.pickiness) ** sum(looked.values()))
    bought_for = family.ask * dice.factor(ASK_SD)
    dice = Dice(seed, world.name, "job", i)
    # The season's part of the log odds of mending is the same for all units of a quarter.
    season = Dice(seed, world.name, "season", world.quarter(unit.when)).normal(0.0, world.season_sd)
    passage = run_job(world, unit, dice, season)
    days = 1 + round(
        DAYS_MEDIAN * math.exp(dice.normal(0, DAYS_SD)) * (1 if passage.repaired else FAILED_DAYS)
    )
    never = dice.chance(NEVER_FINISHED)
    lost = dice.chance(habits.lost_repaired if passage.repaired else habits.lost_failed)
    closed = day + dt.timedelta(days=days)
    is_open = never or closed > world.end
    status = "open" if is_open else "lost" if lost else "done"
    return Stay(status, passage, habits, looked, bought_for, day, None if is_open else closed, lot)


def _write_job(world: World, stay: Stay, job: str, rows: Rows, seed: int) -> None:
    stay = replace(stay, job=job)
    dice = Dice(seed, world.name, "paper", job)
    row = job_row(stay, dice, world.end)
    if row["lot"] and row["bought_for"] is not None:
        rows["lots"].append(
            {"lot": row["lot"], "price": row["bought_for"], "bought_on": row["taken_in"], "remarks": None}
        )
        row["bought_for"] = None
    else:
        row["lot"] = None
    rows["jobs"].append(row)
    rows["findings"] += finding_rows(stay, dice)
    rows["signs"] += [{"job": job, "sign": name, "seen": _yes_no(seen)} for name, seen in stay.looked.items()]
    sold_on = dt.date.fromisoformat(str(row["sold_on"])) if row["sold_on"] else None
    rows["followups"] += followup_rows(world, stay, sold_on, dice)


def make_offers(world: World, n: int, seed: int) -> tuple[list[Row], list[Row]]:
    """Draw `n` units on offer in the half year after the end of the ledger, with their truth.

    Offers as documented, with one column per sign. Truth, in the same order: `offer`, `family`,
    `success_chance`, `expected_gain`, `ceiling` and `chief_risk` given what the offer shows, then the `gain`
    that really came of the unit at its asked price. Each offer meets a season of its own.
    """
    weights = [family.popularity for family in world.families]
    signs = sorted({sign.name for family in world.families for sign in family.signs})
    pairs = [_offer(world, i, seed, weights, signs) for i in range(n)]
    return [offer for offer, _ in pairs], [truth for _, truth in pairs]


def _offer(world: World, i: int, seed: int, weights: list[float], signs: list[str]) -> tuple[Row, Row]:
    dice = Dice(seed, world.name, "offer", i)
    family = dice.pick(world.families, weights)
    day = world.end + dt.timedelta(days=dice.whole(1, 180))
    unit = draw_unit(family, decimal_year(day), dice)
    built_from, built_to, _ = year_window(unit, CAREFUL, dice, guesses=False)
    looked = look_at(unit, CAREFUL, dice)
    asked = money(family.ask * dice.factor(ASK_SD)) or 0.0
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
        "chief_risk": truth.chief_risk,
        "gain": None if passage is None or paid is None else passage.gain(world, paid),
    }


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


def make_world(named: str | WorldOptions, seed: int) -> World:
    """Draw the truth of a trade: a named world, or options of your own."""
    options = NAMED_WORLDS[named] if isinstance(named, str) else named
    common = _common(Dice(seed, options.name, "common"), options)
    kinds = list(KINDS)
    families = tuple(
        _family(i, kinds[i % len(kinds)], common, options, Dice(seed, options.name, "family", i))
        for i in range(options.families)
    )
    start = dt.date(END.year - options.years_of_records, END.month, 1)
    world = World(
        name=options.name,
        families=families,
        settings={**SETTINGS, "gap_repaired_share": 0.0},
        start=start,
        end=END,
        market=market_levels(kinds, start, END, Dice(seed, options.name, "market")),
        season_sd=SEASON_SD,
        learning=0.02,
        careful=replace(CAREFUL, lost_failed=options.lost_failed),
        careless=replace(CARELESS, lost_failed=options.lost_failed),
        careless_share=options.careless_share,
        usual_jobs=options.jobs,
    )
    world = with_fair_prices(world, Dice(seed, options.name, "asks"))
    hearsay = _hearsay(world, options, Dice(seed, options.name, "hearsay"))
    return replace(world, hearsay=hearsay)


Common = dict[str, dict[str, float]]


def _common(dice: Dice, options: WorldOptions) -> Common:
    """Draw what families share: by component the level of log life, its year slope, of skill."""
    names = sorted({part.name for kind in KINDS.values() for part in kind.parts})
    spreads = {"life": (0.08, 0.12), "slope": (0, options.slope_sd), "skill": (0, 0.3)}
    return {what: {name: dice.normal(*of) for name in names} for what, of in spreads.items()}


def _family(i: int, kind_name: str, common: Common, options: WorldOptions, dice: Dice) -> Family:
    kind = KINDS[kind_name]
    price = kind.price * dice.factor(0.4)
    first = dice.whole(kind.first_year, kind.last_year - 4)
    last = min(first + dice.whole(3, 10), kind.last_year)
    drift, owner_error = dice.normal(0, DRIFT_SD), dice.factor(OWNER_PRICE_SD)
    priced_in = END.year - dice.whole(0, 2)
    own_skill, work = dice.normal(0, FIX_SD), dice.factor(0.25)
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
    common: Common,
    options: WorldOptions,
    dice: Dice,
) -> Part:
    """Draw one component of a family around what is usual."""
    life = common["life"][usual.name] + dice.normal(0, LIFE_SD)
    skill = _moved(usual.skill, 0.6 * own_skill + common["skill"][usual.name] + dice.normal(0, 0.8 * FIX_SD))
    part_price = usual.price * math.sqrt(price / 170) * dice.factor(0.3)
    changed, year, factor = dice.chance(options.change_share), dice.whole(*span), dice.uniform(0.4, 0.6)
    gone, since = dice.chance(UNOBTAINABLE), dice.uniform(2014, decimal_year(END))
    scarce = dice.pick(("salvage only", "no"))
    has_change = changed and usual.name == "gear" and year > span[0]
    return replace(
        usual,
        shape=usual.shape * math.exp(dice.normal(0, SHAPE_SD)),
        scale=usual.scale * math.exp(life),
        year_slope=common["slope"][usual.name],
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
    row = _blank("hearsay") | {"family": family.name, "worth_jobs": worth_jobs, "told_by": told_by}
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
