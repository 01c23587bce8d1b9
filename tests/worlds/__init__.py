"""Trades with known truth, written by people who had not seen how the odds are worked out.

Each module holds one trade in a few variants, written from the contract of the tables and a paragraph about
the trade alone: ``VARIANTS`` names them, ``draw(variant, seed)`` makes a :class:`Drawn`. Whoever changes the
odds does not change these modules; seeds below 100 are for tuning, from 101 on for the report.
"""

import datetime
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Drawn:
    """One bench's ledger, units on offer to it, and what is true of them.

    Attributes
    ----------
    tables : dict of str to list of dict
        Rows of the contract's tables: text, int, float or None, dates as ISO text.
    offers : list of dict
        Columns of an offers file, `asked` and `seen_on` in each.
    truth : list of dict
        One row per offer, in the same order: `offer`; `success_chance`, the odds of a repair for one who
        knows every parameter of the trade but of this unit no more than its row shows; `expected_gain` at
        the asked price, likewise; `ceiling`, the price at which that equals the margin; `repaired` (bool) and
        `gain`, one outcome drawn; `chief_risk`, the component likeliest to end the job (None where nothing
        is told apart).
    as_of : date
        Day on which the offers are judged; nothing in the ledger is later.
    """

    tables: dict[str, list[dict[str, Any]]]
    offers: list[dict[str, Any]]
    truth: list[dict[str, Any]]
    as_of: datetime.date
