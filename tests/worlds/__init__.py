"""Trades with known truth, written by people who had not seen how the odds are worked out.

Each module holds one trade in a few variants, written from the contract of the tables and a paragraph about
the trade alone: ``VARIANTS`` names them, ``draw(variant, seed)`` makes a :class:`Drawn`. Whoever changes the
odds does not change these modules; seeds below 100 are for tuning, from 101 on for the report.
"""

import datetime
from collections.abc import Iterable, Mapping
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


def iso(day: float) -> str:
    """Ordinal of a day as ISO text."""
    return datetime.date.fromordinal(int(day)).isoformat()


def even(rows: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Rows of one table with the same columns in each."""
    rows = list(rows)
    columns = dict.fromkeys(column for row in rows for column in row)
    return [columns | row for row in rows]


def settings_rows(**stated: Any) -> list[dict[str, Any]]:
    """Settings as the table holds them."""
    return [{"setting": name, "value": str(value)} for name, value in stated.items()]


def truth_row(
    offer: Mapping[str, Any], *, chance: float, worth: float, repaired: bool, brought: float,
    risk: str | None = None, margin: float = 0.0,
) -> dict[str, Any]:  # fmt: skip
    """What is true of an offer: `worth` is the mean gain before the price asked, `brought` the one drawn."""
    row = {"offer": offer["offer"], "success_chance": float(chance), "chief_risk": risk}
    row |= {"expected_gain": float(worth - offer["asked"]), "ceiling": float(worth - margin)}
    return row | {"repaired": bool(repaired), "gain": float(brought - offer["asked"])}
