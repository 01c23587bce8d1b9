"""How a job gets onto paper: what is written, what is left out, what nobody looked at."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

from reliability.simulate.bench import Comeback, Finding, Passage
from reliability.simulate.dice import Dice
from reliability.simulate.habits import Habits
from reliability.simulate.unit import Unit
from reliability.simulate.world import Family, World, decimal_year

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


def job_row(stay: Stay, dice: Dice, end: dt.date) -> Row:
    """Write the row of a job; amounts that the recorder forgot stay empty."""
    passage, family, habits = stay.passage, stay.passage.unit.family, stay.habits
    built_from, built_to, basis = year_window(passage.unit, habits, dice)
    done = stay.closed is not None
    keep = {name: dice.chance(getattr(habits, how)) for name, how in _AMOUNTS.items()}
    row: Row = {
        "job": stay.job,
        "family": family.name,
        "model": dice.pick(family.models) if family.models and dice.chance(0.9) else None,
        "lot": stay.lot,
        "built_from": built_from,
        "built_to": built_to,
        "year_basis": basis,
        "taken_in": stay.taken_in.isoformat(),
        "closed": stay.closed.isoformat() if stay.closed else None,
        "outcome": passage.outcome if done else "open",
        "bought_for": money(stay.bought_for) if keep["bought_for"] else None,
        "hours": quarter_hours(passage.hours) if done and keep["hours"] else None,
        "other_costs": money(passage.other_costs) if done and keep["other_costs"] else None,
        "sold_for": None,
        "sold_on": None,
        "salvage_value": money(passage.salvage)
        if done and passage.salvage and keep["salvage_value"]
        else None,
        "ended_by": passage.ended_by if done and keep["ended_by"] else None,
        "ended_why": passage.ended_why if done and keep["ended_why"] else None,
        "origin": None,
        "remarks": None,
    }
    row.update(_sale(stay, dice, end))
    return row


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
    rows = []
    for finding in findings:
        share = getattr(stay.habits, finding.found)
        row = _finding_row(stay, finding, dice)
        if dice.chance(share):
            rows.append(row)
    return rows


def _finding_row(stay: Stay, finding: Finding, dice: Dice) -> Row:
    state = finding.state
    row: Row = {
        "job": stay.job,
        "component": state.part.name,
        "position": state.position,
        "found": finding.found,
        "original": "yes" if dice.chance(NOTES_ORIGINAL) else None,
        "fitted_from": None,
        "fitted_to": None,
        "arose": "during work" if finding.died else "as received",
        "failed_from": None,
        "failed_to": None,
        "action": finding.action,
        "part_cost": _part_cost(stay, finding, dice),
        "part_source": finding.part_source,
    }
    row.update(_refit(stay, state.fitted, dice))
    row.update(_failure_dates(stay, finding, dice))
    return row


def _part_cost(stay: Stay, finding: Finding, dice: Dice) -> float | None:
    written = dice.chance(stay.habits.money)
    return money(finding.part_cost) if written and finding.part_cost is not None else None


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


def sign_rows(stay: Stay) -> list[Row]:
    """Write the signs that were looked for."""
    return [{"job": stay.job, "sign": n, "seen": "yes" if s else "no"} for n, s in stay.looked.items()]


def followup_rows(world: World, stay: Stay, sold_on: dt.date | None, dice: Dice) -> list[Row]:
    """Write what became of a sold unit: complaints in warranty, and a check of some."""
    check_after, checked = dice.whole(200, 700), dice.chance(world.follow_share)
    told, day_known, cause_known = dice.chance(0.85), dice.chance(0.5), dice.chance(0.8)
    if sold_on is None or not stay.passage.repaired:
        return []
    first = stay.passage.comebacks[0] if stay.passage.comebacks else None
    failed_on = sold_on + dt.timedelta(days=int(first.years * 365.25)) if first else None
    warranty = dt.timedelta(days=int(world.amount("warranty_days")))
    rows = []
    if first and failed_on and failed_on <= sold_on + warranty and told:
        rows.append(_broken(stay, failed_on + dt.timedelta(days=5), failed_on, first, day_known, cause_known))
    elif checked:
        day = sold_on + dt.timedelta(days=check_after)
        if first and failed_on and failed_on <= day:
            rows.append(_broken(stay, day, failed_on, first, day_known, cause_known))
        else:
            rows.append(_followup(stay.job, day, "yes"))
    return [row for row in rows if str(row["checked_on"]) <= world.end.isoformat()]


def _followup(job: str, day: dt.date, working: str) -> Row:
    empty: Row = {"failed_on": None, "component": None, "hours": None, "cost": None}
    return {"job": job, "checked_on": day.isoformat(), "working": working, **empty}


def _broken(
    stay: Stay, day: dt.date, failed_on: dt.date, first: Comeback, day_known: bool, cause_known: bool
) -> Row:
    row = _followup(stay.job, day, "no")
    row["failed_on"] = failed_on.isoformat() if day_known else None
    row["component"] = first.component if cause_known else None
    row["hours"], row["cost"] = quarter_hours(first.hours), money(first.cost)
    return row


def family_rows(families: tuple[Family, ...]) -> list[Row]:
    """Write the families, with the owner's own estimate of their prices."""
    return [
        {
            "family": f.name,
            "kind": f.kind,
            "maker": f.maker,
            "first_year": f.first_year,
            "last_year": f.last_year,
            "working_price": money(f.owner_price),
            "priced_on": f.priced_on,
            "price_spread": f.price_spread,
            "notes": f.notes,
        }
        for f in families
    ]


def part_rows(world: World) -> list[Row]:
    """Write what can be had at the end of the ledger, as far as the owner has looked it up."""
    when, rows = decimal_year(world.end), []
    for family in world.families:
        for part in family.parts:
            if not Dice(*("parts", family.name, part.name)).chance(world.parts_known):
                continue
            obtainable = part.obtainable(when)
            pack = part.price * part.pack_size / part.per_unit
            rows.append(
                {
                    "component": part.name,
                    "family": family.name,
                    "obtainable": obtainable,
                    "price": money(pack) if obtainable == "yes" else None,
                    "pack_size": part.pack_size,
                    "per_unit": part.per_unit,
                    "as_of": world.end.isoformat(),
                }
            )
    return sorted(rows, key=lambda row: (str(row["component"]), str(row["family"])))


def money(amount: float | None) -> float | None:
    """Round money: small amounts to half a unit, larger ones to a whole one, as people do."""
    if amount is None:
        return None
    return round(amount * 2) / 2 if amount < 100 else float(round(amount))


def quarter_hours(hours: float) -> float:
    """Round bench time to a quarter of an hour, at least one."""
    return max(round(hours * 4) / 4, 0.25)
