"""What to look at next on a unit that lies on the bench, and when to give it up.

Only what is still to come counts: what the unit cost and the hours that went into it are spent either
way, and appear nowhere here.
"""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.errors import InvalidInput, unknown
from reliability.worth.appraisal import FamilyEntry, Unit, price_draws
from reliability.worth.appraiser import Appraiser
from reliability.worth.odds import Shared
from reliability.worth.offers import NAMES, find_entry, offers_from, read_unit
from reliability.worth.plan_found import FAILED, FOUND, MENDED, NO_PART, SOUND, WORN, read_findings
from reliability.worth.plan_odds import UnitOdds, unit_odds
from reliability.worth.plan_search import Search, ratio_order, search
from reliability.worth.plan_task import STOP, Task, same_money
from reliability.worth.plan_words import cautions, plan_sentence, plan_table


@dataclass(frozen=True)
class Plan:
    """What to do with a unit on the bench.

    Attributes
    ----------
    family, currency : str
    sentence : str
        What to do now, in words.
    goes_on : bool
        Whether going on is worth more than stopping now.
    gain : float
        Expected gain of the best next move over stopping now; 0 where nothing is left to do.
    success : float
        Chance that all that is left turns out sound or can be mended.
    finished, stopped : float
        Worth of the unit once it works, and of what remains if one stops: after the selling fee, the
        expected comebacks, and the costs that belong to no component.
    table : DataFrame
        `plan_words.PLAN_COLUMNS`, one row per move in the best order as long as everything turns out
        well: move (look at, mend), component, failed (chance that it has failed, as far as is known by then),
        ends_job (chance that the job ends there), look_cost, mend_cost (money; time included),
        gain (of going on over stopping at that point), if_failed (what to do then). Where it is best
        to stop, the moves and gains are those of going on to the end, come what may.
    notes : tuple of str
        What was assumed or left out.
    cautions : tuple of str
        What can hurt.
    """

    family: str
    currency: str
    sentence: str
    goes_on: bool
    gain: float
    success: float
    finished: float
    stopped: float
    table: pd.DataFrame
    notes: tuple[str, ...]
    cautions: tuple[str, ...]


def plan_unit(
    appraiser: Appraiser,
    *,
    family: str,
    built_from: int | None = None,
    built_to: int | None = None,
    signs: Mapping[str, str] | None = None,
    found: Mapping[str, str] | None = None,
    seen_on: datetime.date | None = None,
) -> Plan:
    """Plan the work on one unit.

    Parameters
    ----------
    appraiser : Appraiser
    family : str
    built_from, built_to : int, optional
        Window of production years; the family's span if not given.
    signs : mapping of str to str, optional
        "yes" or "no" by sign.
    found : mapping of str to str, optional
        What has been found so far: one of `FOUND` by component.
    seen_on : datetime.date, optional
        When it came in; the appraiser's day if not given.

    Returns
    -------
    Plan

    Raises
    ------
    UnknownName
        If the ledger does not hold the family, or the family has no such component.
    InvalidInput
        If what was found is no state of a component.
    """
    if family not in appraiser.families:
        raise unknown("The ledger holds no family", family, appraiser.families)
    unit, notes = _unit(appraiser, family, built_from, built_to, signs or {}, seen_on)
    entry = appraiser.families[family]
    names = _component_names(entry, appraiser.shared)
    found = dict(found or {})
    for component, state in found.items():
        if component not in names:
            raise unknown(f"{family} is judged by no component", component, names)
        if state not in FOUND:
            raise InvalidInput(f"{component}: found {state!r}; allowed: {', '.join(FOUND)}.")
    return _plan(appraiser, entry, unit, found, found, notes)


def plan_job(appraiser: Appraiser, document: Mapping[str, Any]) -> Plan:
    """Plan the work on the unit of an open job, from what the ledger holds of it.

    Parameters
    ----------
    appraiser : Appraiser
    document : mapping
        `job` (a row of jobs), `findings` and `signs` (sequences of rows).

    Returns
    -------
    Plan
        As of the day on which the unit came in. A finding on a part that is known not to be the
        original one is used, but tells nothing of the others.

    Raises
    ------
    InvalidInput
        If the job is not open.
    UnknownName
        If the appraiser does not know the family.
    """
    job = document["job"]
    if job["outcome"] != "open":
        raise InvalidInput(
            f"Job {job['job']} is finished ({job['outcome']}); a plan is for a unit that is still on "
            "the bench, or for a family: --family."
        )
    family = job["family"]
    if family not in appraiser.families:
        raise unknown("The ledger holds no family", family, appraiser.families)
    entry = appraiser.families[family]
    signs = {row["sign"]: row["seen"] for row in document["signs"]}
    taken_in = job["taken_in"]
    unit, notes = _unit(appraiser, family, job.get("built_from"), job.get("built_to"), signs, taken_in)
    names = _component_names(entry, appraiser.shared)
    found, telling = read_findings(document["findings"])
    for component in sorted(set(found) - set(names)):
        notes.append(f"{component} ({found[component]}) is no component that {family} is judged by: left out")
    found = {name: state for name, state in found.items() if name in names}
    return _plan(appraiser, entry, unit, found, telling, notes)


def _unit(
    appraiser: Appraiser,
    family: str,
    built_from: int | None,
    built_to: int | None,
    signs: Mapping[str, str],
    seen_on: object,
) -> tuple[Unit, list[str]]:
    row = {**dict.fromkeys(NAMES), "offer": family, "family": family, **signs}
    row |= {"built_from": built_from, "built_to": built_to, "seen_on": seen_on}
    offer = offers_from([row]).to_dict("records")[0]
    entry, notes = find_entry(offer, appraiser)
    unit, more = read_unit(offer, entry, appraiser, appraiser.as_of)
    return unit, [*notes, *more]


def _component_names(entry: FamilyEntry, shared: Shared) -> list[str]:
    return [shared.components[c] for c in entry.lives.components]


def net_price(entry: FamilyEntry, shared: Shared, unit: Unit, selling_fee: float) -> float:
    """Mean price of a unit once it works, less the selling fee; as the appraisal has it."""
    price, log_ratio = price_draws(entry, shared, unit)
    mean = price * np.exp(log_ratio + 0.5 * entry.ratio.spread**2).mean()
    return float((1.0 - selling_fee) * mean)


def _plan(
    appraiser: Appraiser,
    entry: FamilyEntry,
    unit: Unit,
    found: Mapping[str, str],
    telling: Mapping[str, str],
    notes: list[str],
) -> Plan:
    names = _component_names(entry, appraiser.shared)
    at = {name: i for i, name in enumerate(names)}
    broken = [at[name] for name, state in telling.items() if name in at and state not in (SOUND, WORN)]
    alive = [at[name] for name, state in telling.items() if name in at and state in (SOUND, WORN)]
    odds = unit_odds(entry, appraiser.shared, unit).given(broken, alive)
    look_hours = entry.hours_repaired / len(names)
    task, left = _task(appraiser, entry, unit, odds, found, look_hours)
    result = search(task)
    goes_on = result.gain > same_money(task)
    # Where it is best to stop, moves after the first would be arbitrary: the way to the end is shown.
    shown = result if goes_on else search(task, may_stop=False)
    here = [names[i] for i in left]
    notes = [*notes, *_notes(result, shown, here, found)]
    if here:
        notes.append(
            f"a look is taken to need {look_hours:.1f} h: no record splits bench hours by component, so "
            f"those of a repaired unit beside its failed parts are shared evenly by {len(names)} components"
        )
    return Plan(
        entry.family,
        appraiser.currency,
        plan_sentence(result, shown.gain, task, here, appraiser.currency),
        goes_on,
        result.gain,
        _success(odds, left, task),
        task.finished,
        task.stopped,
        plan_table(shown, task, here),
        tuple(notes),
        cautions(entry.kind, names),
    )


def _notes(result: Search, shown: Search, here: list[str], found: Mapping[str, str]) -> list[str]:
    """Say what bounds the plan."""
    notes = [f"no part can be had for the {name}" for name in here if found.get(name) == NO_PART]
    if result.rest.size:
        last = ", ".join(here[i] for i in result.rest)
        notes.append(
            f"{len(here)} components are left: the {result.exact.size} likeliest to end the job are planned "
            f"exactly; then {last}, by cost over the chance of ending it"
        )
    put_off = any(step.if_failed not in (STOP, step.component) for step in shown.steps)
    moves = [step.mends for step in shown.steps]
    if put_off or moves != sorted(moves, reverse=True):
        notes.append(
            "what is broken may wait while others are looked at; where they can only be tried once it works, "
            "mend it first and ask again"
        )
    return notes


def _task(
    appraiser: Appraiser,
    entry: FamilyEntry,
    unit: Unit,
    odds: UnitOdds,
    found: Mapping[str, str],
    look_hours: float,
) -> tuple[Task, NDArray[np.int64]]:
    """Put what is left to do in numbers, and say which components it is about.

    Of moves worth the same the search takes the earlier component: they stand in the order of the
    ratio rule in hours, which is the order that counts where time is free.
    """
    shared, terms = appraiser.shared, appraiser.terms
    names = _component_names(entry, shared)
    standing = np.array([found.get(name, "") for name in names], dtype=object)
    left = np.flatnonzero(~np.isin(standing, (SOUND, WORN, MENDED)))
    broken = np.isin(standing[left], (FAILED, NO_PART))
    failed = np.where(broken, 1.0, odds.mean_failed[left])
    mend_chance = np.where(standing[left] == NO_PART, 0.0, odds.mean_mend_chance[left])
    repair_hours = shared.repair_hours[entry.lives.components[left]]
    hours = np.where(broken, 0.0, look_hours) + failed * repair_hours
    order = ratio_order(hours, failed * (1.0 - mend_chance))
    left, broken, mend_chance = left[order], broken[order], mend_chance[order]
    beside = entry.costs_repaired.mean - terms.hour_rate * entry.hours_repaired
    task = Task(
        odds.failed[:, left],
        odds.weight,
        np.where(broken, 0.0, terms.hour_rate * look_hours),
        entry.part_cost[left] + terms.hour_rate * repair_hours[order],
        mend_chance,
        broken,
        net_price(entry, shared, unit, terms.selling_fee) - beside - terms.comeback_cost,
        entry.remains.mean - entry.other_unrepaired,
    )
    return task, left


def _success(odds: UnitOdds, left: NDArray[np.int64], task: Task) -> float:
    """Chance that nothing that is left ends the job."""
    lost = np.where(task.known_failed, 1.0, odds.failed[:, left]) * (1.0 - odds.mend_chance[:, left])
    lost = np.where(task.known_failed & (task.mend_chance == 0.0), 1.0, lost)
    return float(odds.weight @ (1.0 - lost).prod(axis=1))
