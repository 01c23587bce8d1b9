"""A plan in words: the sentence, the table, and what can hurt."""

from collections.abc import Sequence

import pandas as pd

from reliability.worth.plan_search import Search
from reliability.worth.plan_task import STOP, Step, Task, same_money

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
"""All four: common practice of the trade, no source."""


def cautions(kind: str, components: Sequence[str]) -> tuple[str, ...]:
    """Give what can hurt when such a unit is opened.

    Parameters
    ----------
    kind : str
    components : sequence of str
        Of the whole unit: who looks at the belt has the capacitors under their hands too.

    Returns
    -------
    tuple of str
    """
    mains = () if kind in WITHOUT_MAINS else (MAINS_CAUTION,)
    charge = (CHARGE_CAUTION,) if set(components) & set(CHARGED) else ()
    laser = (LASER_CAUTION,) if "laser" in components else ()
    return (*mains, *charge, *laser, WASTE_CAUTION)


def plan_table(result: Search, task: Task, names: Sequence[str]) -> pd.DataFrame:
    """Lay out the moves of a search.

    Parameters
    ----------
    result : Search
    task : Task
    names : sequence of str
        Of the task's components.

    Returns
    -------
    DataFrame
        `PLAN_COLUMNS`, one row per move in the best order.
    """
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
    """Say what to do now.

    Parameters
    ----------
    result : Search
    gain_to_end : float
        Expected gain over stopping now if one never stops.
    task : Task
    names : sequence of str
        Of the task's components.
    currency : str

    Returns
    -------
    str
        One sentence.
    """
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
