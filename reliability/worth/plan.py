"""Order of inspection of a unit on the bench, and when to stop."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from html import escape
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.errors import InvalidInput, unknown
from reliability.worth.appraisal import FamilyEntry, Unit, price_draws, success_draws
from reliability.worth.appraiser import Appraiser
from reliability.worth.judging import unit_of
from reliability.worth.odds import (
    COMMON_DIMENSIONS,
    NODES,
    Shared,
    component_odds,
    expit,
    given_signs,
    unit_states,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# ---- A unit on the bench in plain numbers: what looking and mending cost, and what each may end in


STOP = -1
"""Stands where the number of a component would: the best move is to stop."""


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
    known_failed: Bools  # (n,): found failed already and not mended yet
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


# ---- Worth of every state that a unit on the bench can be in, from the last one back to the first


_MENDED, _SOUND, _FAILED, _UNSEEN = range(4)
"""States of a component. Every move lowers one of them, so a state only looks at lower numbers."""

_STEPS = np.array([0, 0, 1, 2])
_EVIDENCE = np.array([2, 1, 2, 0])
_CHUNK = 8192


class StateTable:
    """Worth of every state of the components searched exactly; a state is its digits in base 4."""

    def __init__(self, task: Task, exact: Ints, after: float, may_stop: bool) -> None:
        self._task, self._exact, self._after, self._may_stop = task, exact, after, may_stop
        self._close = same_money(task)
        n = exact.size
        failed = np.where(task.known_failed[exact], 1.0, task.failed[:, exact])
        self._evidence = joint_chances(failed, task.weight)
        codes = np.arange(4**n)
        steps = np.zeros(4**n, np.int8)
        self._found = np.zeros(4**n, np.int32)
        for i in range(n):
            digit = (codes >> 2 * i) & 3
            steps += _STEPS[digit].astype(np.int8)
            self._found += (_EVIDENCE[digit] * 3**i).astype(np.int32)
        self._order = np.argsort(steps, kind="stable")
        self._bounds = np.searchsorted(steps[self._order], np.arange(2 * n + 2))
        self.start = int(
            sum((_FAILED if task.known_failed[i] else _UNSEEN) * 4**k for k, i in enumerate(exact))
        )
        self.worth = np.full(4**n, after)
        self.going = np.full(4**n, after)
        self.move = np.full(4**n, STOP, np.int8)
        for level in range(1, 2 * n + 1):
            self._fill(self._order[self._bounds[level] : self._bounds[level + 1]])

    def failed(self, codes: Ints, k: int) -> Floats:
        """Chance that component `k` is found failed in states where nobody has looked yet."""
        found = self._found[codes]
        here = self._evidence[found]
        # A state that cannot come about has no chances; it is given 0 and never asked for. Of a state that
        # hardly can, sums over classes with weights below zero leave rounding alone.
        share = np.divide(self._evidence[found + 2 * 3**k], here, out=np.zeros(len(codes)), where=here > 0)
        return np.clip(share, 0.0, 1.0)

    def _fill(self, codes: Ints) -> None:
        best, move = np.full(codes.size, -np.inf), np.full(codes.size, STOP, np.int8)
        for k in range(self._exact.size):
            value = self._value(codes, k)
            move[value > best + self._close] = k
            best = np.maximum(best, value)
        self.going[codes], self.move[codes] = best, move
        self.worth[codes] = np.maximum(best, self._task.stopped) if self._may_stop else best

    def _value(self, codes: Ints, k: int) -> Floats:
        """Worth of the move on component `k`: a look where it is unseen, mending where it has failed."""
        task, i, digit = self._task, self._exact[k], (codes >> 2 * k) & 3
        value = np.full(codes.size, -np.inf)
        unseen = np.flatnonzero(digit == _UNSEEN)
        at = codes[unseen]
        p = self.failed(at, k)
        then_failed = self.worth[at - (_UNSEEN - _FAILED) * 4**k]
        value[unseen] = (
            -task.look_cost[i] + p * then_failed + (1 - p) * self.worth[at - (_UNSEEN - _SOUND) * 4**k]
        )
        broken = np.flatnonzero(digit == _FAILED)
        chance = task.mend_chance[i]
        mended = self.worth[codes[broken] - (_FAILED - _MENDED) * 4**k]
        value[broken] = -task.mend_cost[i] + chance * mended + (1.0 - chance) * task.stopped
        return value

    def path(self) -> list[Step]:
        """Follow the best moves while everything turns out well."""
        state, steps = self.start, []
        while self.move[state] != STOP:
            k = int(self.move[state])
            mends = (state >> 2 * k) & 3 == _FAILED
            failed = 1.0 if mends else float(self.failed(np.array([state]), k)[0])
            broken = state if mends else state - (_UNSEEN - _FAILED) * 4**k
            reply = self._reply(broken)
            lost = 1.0 if reply == STOP else 1.0 - float(self._task.mend_chance[self._exact[k]])
            gain = float(self.going[state] - self._task.stopped)
            steps.append(Step(int(self._exact[k]), mends, failed, failed * lost, gain, reply))
            state = broken - (_FAILED - _MENDED) * 4**k if mends else broken - (_FAILED - _SOUND) * 4**k
        return steps

    def _reply(self, state: int) -> int:
        stops = self._may_stop and self.going[state] <= self._task.stopped + self._close
        return STOP if stops else int(self._exact[self.move[state]])


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


# ---- Which component to look at next, which to mend, and when to stop: the search itself, on arrays
# Three moves are open at any time. A component that nobody has looked at may be looked at; one that was
# found failed may be mended; the job may be stopped, and what remains is worth `stopped`. A failed one
# need not be mended at once: looking at the others first is a move like any other, for each is taken to
# be open to a look while others are broken. Mending that does not succeed ends the job. Once everything
# is sound or mended the unit is worth `finished`. What was spent before does not appear anywhere.


MOST_EXACT = 10
"""Components that are searched exactly; there are four states of each, so 4 ** 10 in all."""


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
    # Dynamic programming over all states of up to `MOST_EXACT` components (R. Bellman, Dynamic Programming,
    # Princeton, 1957, chapter 3); the rest comes after them, each with the chances it has now.
    exact, rest = _split(task)
    tail = _tail(task, rest, may_stop)
    after = tail[0] if rest.size else task.finished
    table = StateTable(task, exact, max(after, task.stopped) if may_stop else after, may_stop)
    steps = [*table.path(), *_tail_steps(task, rest, tail, may_stop)]
    gain = steps[0].gain if steps else 0.0
    worth = float(table.worth[table.start])
    return Search(worth, gain, tuple(steps), exact, rest)


def _split(task: Task) -> tuple[Ints, Ints]:
    """Choose what is searched exactly: what is to be mended, then what is likeliest to end the job."""
    by_weight = np.lexsort((-task.ends, ~task.known_failed))
    exact = np.sort(by_weight[:MOST_EXACT]).astype(np.int64)
    rest = np.sort(by_weight[MOST_EXACT:]).astype(np.int64)
    cost = task.look_cost + task.mean_failed * task.mend_cost
    return exact, rest[ratio_order(cost[rest], task.ends[rest])]


def _mended(task: Task, i: int, worth_after: float) -> float:
    """Worth of trying to mend component `i`."""
    chance = task.mend_chance[i]
    return float(-task.mend_cost[i] + chance * worth_after + (1.0 - chance) * task.stopped)


def _tail(task: Task, rest: Ints, may_stop: bool) -> list[float]:
    """Worth of going on before each of the rest, in their order, and of having done with them."""
    worth, going = task.finished, [task.finished]
    for i in rest[::-1]:
        if may_stop:
            worth = max(worth, task.stopped)
        mended = _mended(task, i, worth)
        if may_stop:
            mended = max(mended, task.stopped)
        failed = task.mean_failed[i]
        look = 0.0 if task.known_failed[i] else task.look_cost[i]
        worth = float(-look + failed * mended + (1.0 - failed) * worth)
        going.append(worth)
    return going[::-1]


def _tail_steps(task: Task, rest: Ints, tail: list[float], may_stop: bool) -> list[Step]:
    steps = []
    for k, i in enumerate(rest):
        after = max(tail[k + 1], task.stopped) if may_stop else tail[k + 1]
        stops = may_stop and _mended(task, i, after) <= task.stopped + same_money(task)
        known, failed = bool(task.known_failed[i]), float(task.mean_failed[i])
        ends = failed if stops else float(task.ends[i])
        gain = tail[k] - task.stopped
        steps.append(Step(int(i), known, failed, ends, gain, STOP if stops else int(i)))
    return steps


# ---- What is known of one unit's components, laid out by what they have in common


WIDEST_SHIFT = 12.0
"""Shifts of log odds are searched for between minus this and this."""

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

    @property
    def mean_failed(self) -> Floats:
        """Chance that each component has failed, or dies while it is examined; (c,)."""
        # Of a unit that hardly can be as it was found, weights below zero leave rounding alone.
        return np.clip(self.weight @ self.failed, 0.0, 1.0)

    @property
    def mean_mend_chance(self) -> Floats:
        """Chance that each component can be mended, once it has failed; (c,)."""
        chance = self.weight[:, None] * self.failed
        return (chance * self.mend_chance).sum(axis=0) / chance.sum(axis=0)

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
    states = unit_states(entry.lives, shared, unit.age_years, unit.year, unit.weight, unit.signs)
    target = success_draws(entry, shared, unit, states)
    c = entry.lives.components
    odds = component_odds(entry.lives, shared, unit.age_years, unit.year)
    odds = odds[:, :, None, :] + shared.storage_sd * NODES[:, None]  # (draw, alternative, node, c)
    z = shared.draws[:, COMMON_DIMENSIONS + 2 : COMMON_DIMENSIONS + 3 * c.size : 3]
    mending = (entry.lives.repair[:, 0] + entry.lives.repair[:, 1] * z)[:, None, None, :]
    collateral = shared.collateral[c]

    def at(shift: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        by_draw = shift[:, None, None, None]
        before = expit(odds + by_draw)
        arrived, weight = given_signs(entry.lives, shared, before, unit.weight, unit.signs)
        return arrived, arrived + (1.0 - arrived) * collateral, expit(mending - by_draw), weight

    low, high = np.full(len(z), -WIDEST_SHIFT), np.full(len(z), WIDEST_SHIFT)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        _, failed, mended, weight = at(middle)
        rosy = ((1.0 - failed * (1.0 - mended)).prod(axis=3) * weight).sum(axis=(1, 2)) > target
        low, high = np.where(rosy, middle, low), np.where(rosy, high, middle)
    arrived, failed, mended, weight = at((low + high) / 2)
    mended = np.broadcast_to(mended, arrived.shape)
    by_class = weight.ravel() / weight.sum()
    return UnitOdds(
        failed.reshape(-1, c.size), arrived.reshape(-1, c.size), mended.reshape(-1, c.size), by_class
    )


# ---- What has been found so far on a unit that lies on the bench


SOUND, WORN, FAILED, MENDED, NO_PART = "sound", "worn", "failed", "mended", "no part"
FOUND = (SOUND, WORN, FAILED, MENDED, NO_PART)
"""What may have been found so far; `no part` = failed, and a replacement cannot be had."""

_WORST = (SOUND, WORN, MENDED, FAILED, NO_PART)


def read_findings(findings: Sequence[Mapping[str, Any]]) -> tuple[dict[str, str], dict[str, str]]:
    """Read rows of findings as what is known of each component; the worst of its positions counts."""
    found: dict[str, str] = {}
    telling: dict[str, str] = {}
    for row in findings:
        name = row["component"]
        stands = _standing(row["found"], row.get("action"))
        found[name] = max(found.get(name, stands), stands, key=_WORST.index)
        if row.get("original") != "no":
            died = row["found"] == FAILED and row.get("arose") == "during work"
            arrived = SOUND if died else row["found"]
            telling[name] = max(telling.get(name, arrived), arrived, key=_WORST.index)
    return found, telling


def _standing(found: str, action: str | None) -> str:
    if found != FAILED:
        return found
    if action == NO_PART:
        return NO_PART
    return MENDED if action in ("serviced", "replaced", "rebuilt") else FAILED


# ---- A plan in words: the sentence, the table, and what can hurt


LOOK, MEND = "look at", "mend"

PLAN_COLUMNS = ("move", "component", "failed", "ends_job", "look_cost", "mend_cost", "gain", "if_failed")

WITHOUT_MAINS = ("loudspeaker",)
CHARGED = ("capacitor", "crossover", "output stage", "power supply", "regulator", "transformer", "tube")

MAINS_CAUTION = (
    "Mains voltage kills: pull the plug before you open the unit. Local codes come first; leave what they "
    "reserve for licensed people, and what you are not sure of."
)
CHARGE_CAUTION = (
    "Capacitors keep their charge without the plug: discharge the large ones through a resistor and "
    "measure before you touch anything."
)
LASER_CAUTION = "The laser is invisible and harms the eye: never look into a running pick-up."
WASTE_CAUTION = (
    "Cleaners, solvents and old grease harm skin and lungs: gloves, glasses, open window. They, batteries "
    "and worn parts go to a collection point, not to the bin."
)
FURTHER_CAUTIONS = (
    "Test through an isolating transformer (behind it a residual-current device no longer helps you), with "
    "one hand, and not alone.",
    "Contact sprays and rust removers burn skin and lungs too, and some catch fire: no flame, and never mix "
    "them. Old lamps are waste of their own kind.",
)
CAUTIONS_BY_WORD = (
    (("disc", "cd", "laser"), LASER_CAUTION),
    (
        ("receiver", "amplifier", "tuner", "radio", "valve"),
        "Power stages hold dangerous voltage and heat sinks burn: let them cool, then measure.",
    ),
    (
        ("tape", "turntable", "record", "cassette"),
        "Moving parts catch hair, sleeves and fingers: work on a running transport with tools only.",
    ),
    (
        ("television", "monitor", "tube", "microwave"),
        "High-voltage parts hold a deadly charge for days: leave them to trained people.",
    ),
)
"""All of them: common practice of the trade, no source."""


def cautions(kind: str, components: Sequence[str]) -> tuple[str, ...]:
    """Give what can hurt when such a unit is opened."""
    mains = () if kind in WITHOUT_MAINS else (MAINS_CAUTION,)
    charge = (CHARGE_CAUTION,) if set(components) & set(CHARGED) else ()
    laser = (LASER_CAUTION,) if "laser" in components else ()
    return (*mains, *charge, *laser, WASTE_CAUTION)


def all_cautions(kind: str = "", components: Sequence[str] = CHARGED) -> tuple[str, ...]:
    """Give all that can hurt, what concerns these components first; without a kind that of every kind."""
    by_word = (
        said for words, said in CAUTIONS_BY_WORD if not kind or any(each in kind.lower() for each in words)
    )
    return tuple(dict.fromkeys((*cautions(kind, components), *FURTHER_CAUTIONS, *by_word)))


def plan_table(result: Search, task: Task, names: Sequence[str]) -> pd.DataFrame:
    """Lay out the moves of a search."""
    rows = [
        {
            "move": MEND if step.mends else LOOK,
            "component": names[step.component],
            "failed": step.failed,
            "ends_job": step.ends,
            "look_cost": float(task.look_cost[step.component]),
            "mend_cost": float(task.mend_cost[step.component]),
            "gain": step.gain,
            "if_failed": _reply(step, task, names),
        }
        for step in result.steps
    ]
    table = pd.DataFrame(rows, columns=list(PLAN_COLUMNS))
    texts = ("move", "component", "if_failed")
    return table.astype({name: object if name in texts else float for name in PLAN_COLUMNS})


def _reply(step: Step, task: Task, names: Sequence[str]) -> str:
    if step.if_failed == STOP:
        return "stop"
    if step.if_failed == step.component:
        return "mend it"
    return f"first {MEND if task.known_failed[step.if_failed] else LOOK} the {names[step.if_failed]}"


def plan_sentence(result: Search, gain_to_end: float, task: Task, names: Sequence[str], currency: str) -> str:
    """Say what to do now."""
    close = same_money(task)
    if not result.steps:
        if task.finished <= task.stopped:
            return (
                "Nothing is left to mend, but sold it would bring no more than its parts: break it for parts."
            )
        return (
            f"Nothing is left to look at or to mend: finish it and sell it, which is worth "
            f"{task.finished - task.stopped:.2f} {currency} more than breaking it for parts."
        )
    if result.gain <= close:
        return (
            f"Stop, break it for parts: going on to the end {_means(gain_to_end, close, currency)}, and "
            f"even the best next move {_means(result.gain, close, currency)}, whatever was spent so far."
        )
    first = result.steps[0]
    move = (MEND if first.mends else LOOK).capitalize()
    fatal = [names[step.component] for step in result.steps if step.if_failed == STOP]
    stop = f"; stop if the {_any_of(fatal)} has failed" if fatal else ""
    return (
        f"{move} the {names[first.component]} first: going on is worth {result.gain:.2f} {currency} more "
        f"than stopping now{stop}."
    )


def _means(gain: float, close: float, currency: str) -> str:
    return f"loses {-gain:.2f} {currency} on average" if gain < -close else "gains nothing"


def _any_of(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"


# ---- What to look at next on a unit that lies on the bench, and when to give it up
# Only what is still to come counts: what the unit cost and the hours that went into it are spent either
# way, and appear nowhere here.


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
    names = _component_names(entry, appraiser.shared)
    found = dict(found or {})
    for component, state in found.items():
        if component not in names:
            raise unknown(f"{family} is judged by no component", component, names)
        if state not in FOUND:
            raise InvalidInput(f"{component}: found {state!r}; allowed: {', '.join(FOUND)}.")
    return _plan(appraiser, entry, unit, found, found, notes)


def plan_job(appraiser: Appraiser, document: Mapping[str, Any]) -> Plan:
    """Plan the work on the unit of an open job, from what the ledger holds of it."""
    job, family = document["job"], document["job"]["family"]
    if job["outcome"] != "open":
        raise InvalidInput(
            f"Job {job['job']} is finished ({job['outcome']}); a plan is for a unit that is still on "
            "the bench, or for a family: --family."
        )
    entry, unit, notes = unit_of(
        appraiser,
        family,
        built_from=job.get("built_from"),
        built_to=job.get("built_to"),
        signs={row["sign"]: row["seen"] for row in document["signs"]},
        seen_on=job["taken_in"],
    )
    names = _component_names(entry, appraiser.shared)
    found, telling = read_findings(document["findings"])
    for component in sorted(set(found) - set(names)):
        notes.append(f"{component} ({found[component]}) is no component that {family} is judged by: left out")
    found = {name: state for name, state in found.items() if name in names}
    return _plan(appraiser, entry, unit, found, telling, notes)


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
        _hours(shown, appraiser.shared.repair_hours[entry.lives.components[left]], look_hours),
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


def _hours(shown: Search, repair_hours: Floats, look_hours: float) -> float:
    """Add up the hours of the moves shown, each as likely as that the job comes to it."""
    hours, reached = 0.0, 1.0
    for step in shown.steps:
        mended = 0.0 if step.if_failed == STOP else step.failed
        hours += reached * (
            (0.0 if step.mends else look_hours) + mended * float(repair_hours[step.component])
        )
        reached *= 1.0 - step.ends
    return hours


def _success(odds: UnitOdds, left: NDArray[np.int64], task: Task) -> float:
    """Chance that nothing that is left ends the job."""
    lost = np.where(task.known_failed, 1.0, odds.failed[:, left]) * (1.0 - odds.mend_chance[:, left])
    lost = np.where(task.known_failed & (task.mend_chance == 0.0), 1.0, lost)
    return float(odds.weight @ (1.0 - lost).prod(axis=1))
