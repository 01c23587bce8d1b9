"""Whether a replacement can be had: today, and at the time of an earlier job.

What could be bought new some years ago may be gone today. A job of that time says little of the next one,
so each is read with what could be had when it was done: a component of a family counts as to be had new
up to the last job that used a new part.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

UNOBTAINABLE = ("salvage only", "no")
"""States of a part that lower the odds; `yes` and unknown are the level they are compared with."""

Pair = tuple[str, str]


@dataclass(frozen=True)
class Supply:
    """What can be had, by component and family.

    Attributes
    ----------
    now : mapping of (component, family) to str
        `obtainable` by the `parts` table, else as the newest jobs show it; family "" is any.
    new_until : mapping of (component, family) to Timestamp
        Day of the last job that used a new part.
    """

    now: Mapping[Pair, str]
    new_until: Mapping[Pair, pd.Timestamp]

    def state(self, component: str, family: str) -> str | None:
        """Look up what can be had today: the family's own row first, then the general one."""
        return self.now.get((component, family)) or self.now.get((component, ""))

    def gone_since(self, component: str, family: str) -> pd.Timestamp | None:
        """Day up to which the part was had new though it no longer is; None where nothing changed."""
        if self.state(component, family) not in UNOBTAINABLE:
            return None
        return self.new_until.get((component, family))

    def state_on(self, component: str, family: str, day: pd.Timestamp) -> str | None:
        """Look up what could be had on a day."""
        gone = self.gone_since(component, family)
        return "yes" if gone is not None and day <= gone else self.state(component, family)


def read_supply(parts: pd.DataFrame, jobs: pd.DataFrame, findings: pd.DataFrame) -> Supply:
    """Learn from the `parts` table and from the jobs what can be had.

    Parameters
    ----------
    parts : DataFrame
        The ledger's table.
    jobs : DataFrame
        Finished jobs of this bench with `job`, `family`, `closed`.
    findings : DataFrame

    Returns
    -------
    Supply
        What the table states is believed. Where it says nothing of a component, not even in general, the
        jobs after the last new part tell: one was salvaged, or rebuilt, or none could be had.
    """
    family = parts["family"].fillna("")
    told = dict(zip(zip(parts["component"], family, strict=True), parts["obtainable"], strict=True))
    work = findings.merge(jobs[["job", "family", "closed"]], on="job")
    new = work[work["part_source"] == "new"]
    until: dict[Pair, pd.Timestamp] = new.groupby(["component", "family"])["closed"].max().to_dict()
    shown: dict[Pair, str] = {}
    for row in work[work["action"].notna()].itertuples():
        pair = (row.component, row.family)
        if pair in until and not row.closed > until[pair]:
            continue
        if row.part_source == "salvaged":
            shown[pair] = "salvage only"
        elif row.action in ("no part", "rebuilt"):
            shown.setdefault(pair, "no")
    unstated = {pair: state for pair, state in shown.items() if (pair[0], "") not in told}
    return Supply({**unstated, **told}, until)
