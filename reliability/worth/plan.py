"""Order of inspection of a unit on the bench, and when to stop."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from html import escape
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.errors import InvalidInput, unknown
from reliability.worth import odds
from reliability.worth.appraiser import Appraiser
from reliability.worth.judging import NOTHING_BEHIND, unit_of
from reliability.worth.odds import FamilyEntry, Floats, Ints, Shared, Unit

Found = Mapping[str, str]  # state of each component

# ---- A unit on the bench in plain numbers: what looking and mending cost, and what each may end in

#: Stands where the number of a component would: the best move is to stop.
STOP = -1


@dataclass(frozen=True)
class Task:
    """A unit on the bench.

    Components are independent within a class of units that it may belong to (damp store or dry, older or
    younger); what is found of one tells of the others through the weights of the classes.
    """

    failed: Floats  # (n_classes, n): chance that each component has failed
    weight: Floats  # (n_classes,): sums to 1; some may lie below 0: only sums over classes are chances
    look_cost: Floats  # (n,): paid whenever one looks
    mend_cost: Floats  # (n,): paid whenever one tries to mend
    mend_chance: Floats  # (n,)
    known_failed: NDArray[np.bool_]  # (n,): found failed already and not mended yet
    finished: float  # worth once everything is sound or mended
    stopped: float  # worth of what remains if one stops

    @property
    def mean_failed(self) -> Floats:
        """Chance that each component has failed; (n,)."""
        return np.where(self.known_failed, 1.0, self.weight @ self.failed)

    @property
    def ends(self) -> Floats:
        """Chance that each component has failed and cannot be mended; (n,)."""
        return self.mean_failed * (1.0 - self.mend_chance)


@dataclass(frozen=True)
class Step:
    """One move on the way on which everything turns out well."""

    component: int
    mends: bool  # mend what is known to have failed; else look
    failed: float  # chance that it has failed, as far as is known by then
    ends: float  # chance that the job ends here
    gain: float  # of going on over stopping at this point
    if_failed: int  # STOP, the component itself (mend it), or another one first


def same_money(task: Task) -> float:
    """Difference below which two amounts of this task are the same."""
    return 1e-9 * (1.0 + abs(task.finished) + abs(task.stopped) + float(task.mend_cost.sum()))


# ---- Which component to look at next, which to mend, and when to stop: the search itself, on arrays
# Three moves are open at any time. A component that nobody has looked at may be looked at; one that was
# found failed may be mended; the job may be stopped, and what remains is worth `stopped`. A failed one
# need not be mended at once: looking at the others first is a move like any other, for each is taken to
# be open to a look while others are broken. Mending that does not succeed ends the job. Once everything
# is sound or mended the unit is worth `finished`. What was spent before does not appear anywhere.

#: Components that are searched exactly; there are four states of each, so 4 ** 10 in all.
MOST_EXACT = 10


@dataclass(frozen=True)
class Search:
    """What the search found."""

    worth: float  # of the unit from now on if every move is the best one
    gain: float  # of the best next move over stopping now; 0 if nothing is left
    steps: tuple[Step, ...]  # best moves while all turns out well
    exact: Ints  # components searched exactly
    rest: Ints  # the others, by the ratio rule, after all exact ones


def ratio_order(cost: Floats, ends: Floats) -> Ints:
    """Order by cost over the chance of ending the job, ascending; equal ratios keep their order."""
    # Cheapest on average if the job ends with the first failed component and nothing else ends it
    # (L. G. Mitten, "An analytic solution to the least cost testing sequence problem", Operations Research 8
    # (1960) 101-103).
    ratio = np.divide(cost, ends, out=np.full(len(ends), np.inf), where=np.asarray(ends) > 0)
    return np.argsort(ratio, kind="stable").astype(np.int64)


def search(task: Task, *, may_stop: bool = True) -> Search:
    """Find the moves that are worth most on average."""
    # What is to be mended and what is likeliest to end the job is searched exactly; the rest comes after it,
    # one by one, each with the chances it has now.
    likeliest = np.lexsort((-task.ends, ~task.known_failed))
    exact, rest = np.sort(likeliest[:MOST_EXACT]), np.sort(likeliest[MOST_EXACT:])
    cost = task.look_cost + task.mean_failed * task.mend_cost
    rest = rest[ratio_order(cost[rest], task.ends[rest])]
    worth = max(task.finished, task.stopped) if may_stop else task.finished
    steps: list[Step] = []
    for part in (*rest[::-1, None], exact):
        worth, before = _best_moves(task, part, worth, may_stop)
        steps = before + steps
    return Search(worth, steps[0].gain if steps else 0.0, tuple(steps), exact, rest)


#: States of a component. A look or a repair that turns out well lowers its state by two, a failure by one.
_MENDED, _SOUND, _FAILED, _UNSEEN = range(4)

_MOVES_LEFT = np.array([0, 0, 1, 2])
_EVIDENCE = np.array([2, 1, 2, 0])
_CHUNK = 8192


def _best_moves(task: Task, part: Ints, after: float, may_stop: bool) -> tuple[float, list[Step]]:
    """Find the best moves on some components of a unit that is worth `after` once they are done with."""
    # Dynamic programming (R. Bellman, Dynamic Programming, Princeton, 1957, chapter 3) over all states, from
    # the last ones back to the first. A state is its digits in base 4, one for each component.
    n, close = part.size, same_money(task)
    joint = joint_chances(np.where(task.known_failed[part], 1.0, task.failed[:, part]), task.weight)
    codes = np.arange(4**n)
    digits = [((codes >> 2 * k) & 3).astype(np.int8) for k in range(n)]
    found, moves_left = np.zeros(4**n, np.int64), np.zeros(4**n, np.int64)
    for k, digit in enumerate(digits):
        found += _EVIDENCE[digit] * 3**k
        moves_left += _MOVES_LEFT[digit]

    def chance_failed(states: Ints, k: int) -> Floats:
        here = joint[found[states]]
        # A state that cannot come about has no chances; it is given 0 and never asked for. Of a state that
        # hardly can, sums over classes with weights below zero leave rounding alone.
        share = np.divide(joint[found[states] + 2 * 3**k], here, out=np.zeros(here.size), where=here > 0)
        return np.clip(share, 0.0, 1.0)

    worth, going, move = np.full(4**n, after), np.full(4**n, after), np.full(4**n, STOP)
    by_moves_left = np.argsort(moves_left, kind="stable")
    for states in np.split(by_moves_left, np.cumsum(np.bincount(moves_left))[:-1])[1:]:
        best = np.full(states.size, -np.inf)
        for k, i in enumerate(part):
            is_unseen, is_failed = digits[k][states] == _UNSEEN, digits[k][states] == _FAILED
            unseen, failed = states[is_unseen], states[is_failed]
            p, mends = chance_failed(unseen, k), task.mend_chance[i]
            broken, sound, mended = worth[unseen - 4**k], worth[unseen - 2 * 4**k], worth[failed - 2 * 4**k]
            value = np.full(states.size, -np.inf)
            value[is_unseen] = -task.look_cost[i] + p * broken + (1.0 - p) * sound
            value[is_failed] = -task.mend_cost[i] + mends * mended + (1.0 - mends) * task.stopped
            move[states[value > best + close]] = k
            best = np.maximum(best, value)
        going[states], worth[states] = best, np.maximum(best, task.stopped) if may_stop else best

    first = state = sum((_FAILED if task.known_failed[i] else _UNSEEN) * 4**k for k, i in enumerate(part))
    steps = []
    while (k := int(move[state])) != STOP:
        known = bool(digits[k][state] == _FAILED)
        p_failed = 1.0 if known else float(chance_failed(np.array([state]), k)[0])
        broken = state if known else state - 4**k
        stops = may_stop and going[broken] <= task.stopped + close
        reply = STOP if stops else int(part[move[broken]])
        ends = p_failed * (1.0 if stops else 1.0 - float(task.mend_chance[part[k]]))
        gain = float(going[state] - task.stopped)
        steps.append(Step(int(part[k]), known, p_failed, ends, gain, reply))
        state -= 2 * 4**k
    return float(worth[first]), steps


def joint_chances(failed: Floats, weight: Floats) -> Floats:
    """Chance of everything that can have been found, averaged over the classes; shape (3 ** n,).

    Place ``sum(digit * 3 ** i)``: digit 0 where nobody looked at component i, 1 found sound, 2 found failed.
    """
    half = failed.shape[1] // 2
    joint = np.zeros((3 ** (failed.shape[1] - half), 3**half))
    for start in range(0, len(weight), _CHUNK):
        part = slice(start, start + _CHUNK)
        # Each half is a table of products; multiplying them sums over the classes.
        joint += (_products(failed[part, half:]) * weight[part, None]).T @ _products(failed[part, :half])
    return joint.ravel()


def _products(failed: Floats) -> Floats:
    table = np.ones((len(failed), 1))
    for chance in failed.T:
        digit = np.stack([np.ones_like(chance), 1.0 - chance, chance], axis=1)
        table = (digit[:, :, None] * table[:, None, :]).reshape(len(failed), -1)
    return table


# ---- What is known of one unit's components, laid out by what they have in common

#: Shifts of log odds are searched for between minus this and this.
WIDEST_SHIFT = 12.0

HALVINGS = 40


@dataclass(frozen=True)
class UnitOdds:
    """Components of one unit in every class of units that it may belong to; independent within a class.

    A class is a state of knowledge, a production year, a way of having been stored and a set of signs that
    stay away (`odds.sign_terms`).
    """

    failed: Floats  # (n_classes, c): arrived failed, or dies while it is examined
    arrived: Floats  # (n_classes, c): arrived failed
    mend_chance: Floats  # (n_classes, c): a failed one can be mended
    weight: Floats  # (n_classes,): below 0 for some; sums over classes are chances

    def given(self, failed: Sequence[int], sound: Sequence[int]) -> "UnitOdds":
        """Weigh the classes by what has been found."""
        seen = self.arrived[:, list(failed)].prod(axis=1) * (1.0 - self.arrived[:, list(sound)]).prod(axis=1)
        weight = self.weight * seen
        return replace(self, weight=weight / weight.sum())


def unit_odds(entry: FamilyEntry, shared: Shared, unit: Unit) -> UnitOdds:
    """Lay out what is known of one unit before it is opened."""
    # Recalibration does not say which component its outcomes were kinder or harsher about, so all bear the
    # same: in each state of knowledge their log odds of having failed are raised, those of being mended
    # lowered, by the one shift that gives the recalibrated odds of the job.
    _, target = odds.unit_chances(entry, shared, unit)
    failing = odds.component_odds(entry.lives, shared, unit.age_years, unit.year)
    mending = odds.mending_odds(entry.lives.repair, shared)
    low, high = np.full(len(failing), -WIDEST_SHIFT), np.full(len(failing), WIDEST_SHIFT)
    for _ in range(HALVINGS + 1):  # the last round lays out what the halvings have found
        middle = (low + high) / 2
        mended = odds.expit(mending - middle[:, None])[:, None, None, :]
        shifted = failing + middle[:, None, None]
        arrived, failed, weight = odds.unit_classes(entry.lives, shared, unit, shifted)
        rosy = ((1.0 - failed * (1.0 - mended)).prod(axis=3) * weight).sum(axis=(1, 2)) > target
        low, high = np.where(rosy, middle, low), np.where(rosy, high, middle)
    of_each = np.broadcast_arrays(failed, arrived, mended)
    failed, arrived, mended = (each.reshape(-1, each.shape[-1]) for each in of_each)
    return UnitOdds(failed, arrived, mended, weight.ravel() / weight.sum())


# ---- What has been found so far on a unit that lies on the bench

#: What may have been found so far; `no part` = failed, and a replacement cannot be had.
SOUND, WORN, FAILED, MENDED, NO_PART = "sound", "worn", "failed", "mended", "no part"
INTACT = (SOUND, WORN)
FOUND = (*INTACT, FAILED, MENDED, NO_PART)

_WORST = (SOUND, WORN, MENDED, FAILED, NO_PART)


def read_findings(findings: Sequence[Mapping[str, Any]]) -> tuple[dict[str, str], dict[str, str]]:
    """Tell the state of each component now and on arrival; the worst of its positions counts."""
    found, arrived = dict[str, str](), dict[str, str]()
    for row in findings:
        name, now, action = row["component"], row["found"], row.get("action")
        came = SOUND if now == FAILED and row.get("arose") == "during work" else now
        if now == FAILED and action in ("serviced", "replaced", "rebuilt", NO_PART):
            now = NO_PART if action == NO_PART else MENDED
        found[name] = max(found.get(name, now), now, key=_WORST.index)
        if row.get("original") != "no":
            arrived[name] = max(arrived.get(name, came), came, key=_WORST.index)
    return found, arrived


# ---- A plan in words: the sentence, the table, and what can hurt

LOOK, MEND = "look at", "mend"
PLAN_COLUMNS = ("move", "component", "failed", "ends_job", "look_cost", "mend_cost", "gain", "if_failed")

# What can hurt: common practice of the trade, no source.
WITHOUT_MAINS = ("loudspeaker",)
CHARGED = ("capacitor", "crossover", "output stage", "power supply", "regulator", "transformer", "tube")

MAINS_CAUTION = ("Mains voltage kills: pull the plug before you open the unit. Local codes come first; leave "
                 "what they reserve for licensed people, and what you are not sure of.")  # fmt: skip
CHARGE_CAUTION = ("Capacitors keep their charge without the plug: discharge the large ones through a "
                  "resistor and measure before you touch anything.")  # fmt: skip
LASER_CAUTION = "The laser is invisible and harms the eye: never look into a running pick-up."
WASTE_CAUTION = ("Cleaners, solvents and old grease harm skin and lungs: gloves, glasses, open window. They, "
                 "batteries and worn parts go to a collection point, not to the bin.")  # fmt: skip
FURTHER_CAUTIONS = (
    "Test through an isolating transformer (behind it a residual-current device no longer helps you), with "
    "one hand, and not alone.",
    "Contact sprays and rust removers burn skin and lungs too, and some catch fire: no flame, and never mix "
    "them. Old lamps are waste of their own kind.",
)
CAUTIONS_BY_WORD = (
    (("disc", "cd", "laser"), LASER_CAUTION),
    (("receiver", "amplifier", "tuner", "radio", "valve"),
     "Power stages hold dangerous voltage and heat sinks burn: let them cool, then measure."),
    (("tape", "turntable", "record", "cassette"),
     "Moving parts catch hair, sleeves and fingers: work on a running transport with tools only."),
    (("television", "monitor", "tube", "microwave"),
     "High-voltage parts hold a deadly charge for days: leave them to trained people."),
)  # fmt: skip


def cautions(kind: str, components: Sequence[str]) -> tuple[str, ...]:
    """Give what can hurt when such a unit is opened."""
    mains = () if kind in WITHOUT_MAINS else (MAINS_CAUTION,)
    charge = (CHARGE_CAUTION,) if set(components) & set(CHARGED) else ()
    laser = (LASER_CAUTION,) if "laser" in components else ()
    return (*mains, *charge, *laser, WASTE_CAUTION)


def all_cautions(kind: str = "", components: Sequence[str] = CHARGED) -> tuple[str, ...]:
    """Give all that can hurt, what concerns these components first; without a kind that of every kind."""
    low = kind.lower()
    by_word = (said for words, said in CAUTIONS_BY_WORD if not low or any(each in low for each in words))
    return tuple(dict.fromkeys((*cautions(kind, components), *FURTHER_CAUTIONS, *by_word)))


def plan_table(result: Search, task: Task, names: Sequence[str]) -> pd.DataFrame:
    """Lay out the moves of a search."""

    def if_failed(step: Step) -> str:
        if step.if_failed == STOP:
            return "stop"
        if step.if_failed == step.component:
            return "mend it"
        return f"first {MEND if task.known_failed[step.if_failed] else LOOK} the {names[step.if_failed]}"

    rows = [
        (MEND if step.mends else LOOK, names[step.component], step.failed, step.ends,
         task.look_cost[step.component], task.mend_cost[step.component], step.gain, if_failed(step))
        for step in result.steps
    ]  # fmt: skip
    texts = ("move", "component", "if_failed")
    table = pd.DataFrame(rows, columns=list(PLAN_COLUMNS))
    return table.astype({name: object if name in texts else float for name in PLAN_COLUMNS})


def plan_sentence(result: Search, gain_to_end: float, task: Task, names: Sequence[str], currency: str) -> str:
    """Say what to do now."""
    close = same_money(task)
    if not result.steps:
        if task.finished <= task.stopped:
            return (
                "Nothing is left to mend, but sold it would bring no more than its parts: break it for parts."
            )
        more = f"{task.finished - task.stopped:.2f} {currency} more than breaking it for parts"
        return f"Nothing is left to look at or to mend: finish it and sell it, which is worth {more}."
    if result.gain <= close:
        to_end, next_move = (
            f"loses {-gain:.2f} {currency} on average" if gain < -close else "gains nothing"
            for gain in (gain_to_end, result.gain)
        )
        going_on = f"going on to the end {to_end}, and even the best next move {next_move}"
        return f"Stop, break it for parts: {going_on}, whatever was spent so far."
    first = result.steps[0]
    move = f"{(MEND if first.mends else LOOK).capitalize()} the {names[first.component]} first"
    fatal = [names[step.component] for step in result.steps if step.if_failed == STOP]
    any_of = " or ".join(filter(None, (", ".join(fatal[:-1]), *fatal[-1:])))
    stop = f"; stop if the {any_of} has failed" if fatal else ""
    return f"{move}: going on is worth {result.gain:.2f} {currency} more than stopping now{stop}."


# ---- What to look at next on a unit that lies on the bench, and when to give it up
# Only what is still to come counts: what the unit cost and the hours that went into it are spent either
# way, and appear nowhere here.


@dataclass(frozen=True, eq=False)
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
    hours : float
        Expected bench hours of going on in this order until everything is done or the job ends.
    success : float
        Chance that all that is left turns out sound or can be mended.
    finished, stopped : float
        Worth of the unit once it works, and of what remains if one stops: after the selling fee, the
        expected comebacks, and the costs that belong to no component.
    moves : DataFrame
        `PLAN_COLUMNS`, one row per move in the best order as long as everything turns out
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
    hours: float
    success: float
    finished: float
    stopped: float
    moves: pd.DataFrame
    notes: tuple[str, ...]
    cautions: tuple[str, ...]

    def __repr__(self) -> str:
        return self.sentence

    def table(self) -> pd.DataFrame:
        """Give the moves, as one may change them; the plan stays as it is."""
        return self.moves.copy()

    def _repr_html_(self) -> str:
        said = "".join(f"<li>{escape(each)}</li>" for each in (*self.notes, *self.cautions))
        moves = self.moves.to_html(index=False, na_rep="", float_format="{:.4g}".format, border=0)
        return f"<p>{escape(self.sentence)}</p>\n{moves}\n<ul>{said}</ul>"


def plan_unit(
    appraiser: Appraiser, *, family: str, found: Mapping[str, str] | None = None, **known: Any
) -> Plan:
    """Plan the work on a unit of a family; `known` as in `judging.unit_of`, one of `FOUND` by component."""
    entry, unit, notes = unit_of(appraiser, family, **known)
    names, found = appraiser.components_of(entry), {} if found is None else found
    if not isinstance(found, Mapping):
        raise InvalidInput(f"`found` gives states by component, such as {{'belt': 'failed'}}; got {found!r}.")
    for component, state in (found := dict(found)).items():
        if component not in names:
            raise unknown(f"{family} is judged by no component", component, names)
        if state not in FOUND:
            raise InvalidInput(f"{component}: found {state!r}; allowed: {', '.join(FOUND)}.")
    return _plan(appraiser, entry, unit, found, found, notes)


def plan_job(appraiser: Appraiser, document: Mapping[str, Any]) -> Plan:
    """Plan the work on the unit of an open job, from what the ledger holds of it."""
    job, family = document["job"], document["job"]["family"]
    if job["outcome"] != "open":
        wanted = "a plan is for a unit that is still on the bench, or for a family: --family"
        raise InvalidInput(f"Job {job['job']} is finished ({job['outcome']}); {wanted}.")
    signs = {row["sign"]: row["seen"] for row in document["signs"]}
    built = {name: job.get(name) for name in ("built_from", "built_to")}
    entry, unit, notes = unit_of(appraiser, family, **built, signs=signs, seen_on=job["taken_in"])
    found, arrived = read_findings(document["findings"])
    for component in sorted(set(found) - set(appraiser.components_of(entry))):
        state = found.pop(component)
        notes.append(f"{component} ({state}) is no component that {family} is judged by: left out")
    return _plan(appraiser, entry, unit, found, arrived, notes)


#: So many states of knowledge must bear what was found, by the size of an even sample (L. Kish, Survey
#: Sampling, Wiley, 1965, from memory), or more are drawn: chances told from a few are those few.
FEWEST_STATES, MORE_DRAWS = 64, 16 * odds.N_DRAWS


def _given(
    entry: FamilyEntry, shared: Shared, unit: Unit, failed: Sequence[int], sound: Sequence[int]
) -> UnitOdds:
    """Lay out what is known of one unit of which some components were looked at."""
    known = unit_odds(entry, shared, unit).given(failed, sound)
    by_state = known.weight.reshape(len(shared.draws), -1).sum(axis=1)
    if 1.0 / float(by_state @ by_state) >= FEWEST_STATES:
        return known
    n_components = (shared.draws.shape[1] - odds.COMMON_DIMENSIONS) // 3
    more = replace(shared, draws=odds.normal_draws(n_components, MORE_DRAWS))
    return unit_odds(entry, more, unit).given(failed, sound)


def _plan(
    appraiser: Appraiser, entry: FamilyEntry, unit: Unit, found: Found, arrived: Found, notes: list[str]
) -> Plan:
    names = appraiser.components_of(entry)
    alive = [i for i, name in enumerate(names) if arrived.get(name) in INTACT]
    broken = [i for i, name in enumerate(names) if arrived.get(name, SOUND) not in INTACT]
    known = _given(entry, appraiser.shared, unit, broken, alive)
    look_hours = entry.hours_repaired / len(names)
    task, left = _task(appraiser, entry, unit, known, found, look_hours)
    result = search(task)
    goes_on = result.gain > same_money(task)
    # Where it is best to stop, moves after the first would be arbitrary: the way to the end is shown.
    shown = result if goes_on else search(task, may_stop=False)
    here = [names[i] for i in left]
    notes = [*notes, *_notes(result, shown, here, found)]
    if here:
        evenly = f"less what mending takes, are divided evenly among its {len(names)} components"
        notes.append(f"a look is taken to need {look_hours:.1f} h: hours are recorded by job, so those of a "
                     f"repaired unit, {evenly}")  # fmt: skip
    repair_hours = appraiser.shared.repair_hours[entry.lives.components[left]]
    hours, reached = 0.0, 1.0
    for step in shown.steps:
        mended = 0.0 if step.if_failed == STOP else step.failed
        look = 0.0 if step.mends else look_hours
        hours += reached * (look + mended * float(repair_hours[step.component]))
        reached *= 1.0 - step.ends
    lost = np.where(task.known_failed, 1.0, task.failed) * (1.0 - known.mend_chance[:, left])
    lost = np.where(task.known_failed & (task.mend_chance == 0.0), 1.0, lost)
    sentence = plan_sentence(result, shown.gain, task, here, appraiser.currency)
    if entry.kind_jobs == 0:
        sentence += f" That is belief alone: {NOTHING_BEHIND}."
    return Plan(
        family=entry.family, currency=appraiser.currency, sentence=sentence, goes_on=goes_on,
        gain=result.gain if goes_on else min(result.gain, 0.0),  # less than that is rounding
        hours=hours, success=float(known.weight @ (1.0 - lost).prod(axis=1)), finished=task.finished,
        stopped=task.stopped, moves=plan_table(shown, task, here), notes=tuple(notes),
        cautions=cautions(entry.kind, names),
    )  # fmt: skip


def _notes(result: Search, shown: Search, here: list[str], found: Found) -> list[str]:
    """Say what bounds the plan."""
    notes = [f"no part can be had for the {name}" for name in here if found.get(name) == NO_PART]
    if result.rest.size:
        exactly = f"the {result.exact.size} likeliest to end the job are planned exactly"
        last = f"{', '.join(here[i] for i in result.rest)}, by cost over the chance of ending it"
        notes.append(f"{len(here)} components are left: {exactly}; then {last}")
    put_off = any(step.if_failed not in (STOP, step.component) for step in shown.steps)
    moves = [step.mends for step in shown.steps]
    if put_off or moves != sorted(moves, reverse=True):
        notes.append("what is broken may wait while others are looked at; where they can only be tried once "
                     "it works, mend it first and ask again")  # fmt: skip
    return notes


def _task(
    appraiser: Appraiser, entry: FamilyEntry, unit: Unit, known: UnitOdds, found: Found, look_hours: float
) -> tuple[Task, Ints]:
    """Put what is left to do in numbers, and say which components it is about."""
    shared, terms = appraiser.shared, appraiser.terms
    state = np.array([found.get(name, "") for name in appraiser.components_of(entry)], dtype=object)
    known_failed = np.isin(state, (FAILED, NO_PART))
    chance = known.weight[:, None] * known.failed
    mend_chance = (chance * known.mend_chance).sum(axis=0) / chance.sum(axis=0)
    repair_hours = shared.repair_hours[entry.lives.components]
    looks = np.where(known_failed, 0.0, look_hours)
    brought = (1.0 - terms.selling_fee) * float(odds.mean_price(entry, shared, unit).mean())
    beside = entry.costs_repaired.mean - terms.hour_rate * entry.hours_repaired
    task = Task(
        failed=known.failed, weight=known.weight, look_cost=terms.hour_rate * looks,
        mend_cost=entry.part_cost + terms.hour_rate * repair_hours,
        mend_chance=np.where(state == NO_PART, 0.0, mend_chance), known_failed=known_failed,
        finished=brought - beside - terms.comeback_cost,
        stopped=entry.remains.mean - entry.other_unrepaired,
    )  # fmt: skip
    # Of moves worth the same the search takes the earlier component: they stand in the order of the ratio
    # rule in hours, which is the order that counts where time is free.
    left = np.flatnonzero(~np.isin(state, (SOUND, WORN, MENDED)))
    left = left[ratio_order((looks + task.mean_failed * repair_hours)[left], task.ends[left])]
    by_component = ("failed", "look_cost", "mend_cost", "mend_chance", "known_failed")
    return replace(task, **{name: getattr(task, name)[..., left] for name in by_component}), left
