"""The printed side of the pocket card: families by verdict, found by name, with the price to go up to."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from reliability.report.html import verdict_mark
from reliability.report.words import NOTHING, is_known, share

HEADINGS = {
    "take": "at the price usually paid",
    "haggle": "usually paid more than it is worth, but not by much",
    "try one": "the first job would teach enough",
    "skip": "at the price usually paid",
}
WITHOUT_PRICE = "No usual price, no verdict"


@dataclass(frozen=True)
class Row:
    """One family, in words.

    Attributes
    ----------
    family, kind, ceiling, usual, repair, risk, jobs : str
    """

    family: str
    kind: str
    ceiling: str
    usual: str
    repair: str
    risk: str
    jobs: str


@dataclass(frozen=True)
class Group:
    """Families of one verdict.

    Attributes
    ----------
    css : str
        Class that gives its colour.
    mark : str
        Markup of mark and word; "" where there is no verdict.
    heading : str
    rows : tuple of Row
        By name, as one looks them up on paper.
    """

    css: str
    mark: str
    heading: str
    rows: tuple[Row, ...]


def list_groups(ranking: pd.DataFrame) -> list[Group]:
    """Arrange a ranking for the list.

    Parameters
    ----------
    ranking : DataFrame
        From `reliability.worth.review.ranking`.

    Returns
    -------
    list of Group
        Takes first; verdicts that no family has are left out.
    """
    groups = []
    for verdict, heading in HEADINGS.items():
        here = ranking[ranking["verdict"] == verdict]
        if len(here):
            groups.append(Group(verdict.replace(" ", "-"), verdict_mark(verdict), heading, _rows(here)))
    rest = ranking[ranking["verdict"].isna()]
    if len(rest):
        groups.append(Group("none", "", WITHOUT_PRICE, _rows(rest)))
    return groups


def _rows(families: pd.DataFrame) -> tuple[Row, ...]:
    rows = families.to_dict("records")
    return tuple(_row(row) for row in sorted(rows, key=lambda row: (row["family"].casefold(), row["family"])))


def _row(row: Mapping[Any, Any]) -> Row:
    return Row(
        row["family"],
        row["kind"],
        ceiling_words(row["ceiling"]),
        f"{row['usual_price']:.0f}" if is_known(row["usual_price"]) else NOTHING,
        share(row["success_chance"]),
        " and ".join(each for each in (row["chief_risk"], row["rival_risk"]) if each) or NOTHING,
        str(row["jobs_seen"]),
    )


def ceiling_words(ceiling: float) -> str:
    """Say how far to go: whole units, never rounded up.

    Examples
    --------
    >>> ceiling_words(48.95), ceiling_words(0.4), ceiling_words(-3.0)
    ('48', 'under 1', 'not even free')
    """
    if ceiling < 0:
        return "not even free"
    return "under 1" if ceiling < 1 else str(math.floor(ceiling))
