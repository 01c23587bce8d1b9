"""What production years have to do with failures, for the page of a family."""

from typing import Any

import numpy as np
import pandas as pd

from reliability.report import format
from reliability.report.groundwork import FAILED, Groundwork
from reliability.report.study import rounded

CALLED = 0.10
"""Largest share of false alarms at which a find is called a change (common practice, no source)."""

FEWEST_MARKS = 10
COLUMNS = ("component", "year", "age_years", "is_failed", "count")


def year_findings(ground: Groundwork, family: str) -> list[str]:
    """Say which changes of production year stand out in a family, and what cannot be told.

    Parameters
    ----------
    ground : Groundwork
        The ledger.
    family : str
        A family of the ledger.

    Returns
    -------
    list of str
        Sentences; the first ones tell of changes.
    """
    found = ground.changes[ground.changes["family"] == family]
    answered = found[found["status"] == "ok"]
    called = called_changes(ground, family)
    said = [_change(ground, family, row) for row in called.itertuples()]
    if len(answered) and called.empty:
        said.append(
            f"A change from one production year on was looked for in {_components(answered)}; none stands "
            "out."
        )
    mixed = found[found["status"] == "cannot tell ageing from vintage"]
    if len(mixed):
        said.append(
            f"In {_components(mixed)} age and production year move together so closely (correlation beyond "
            "0.95) that what looks like ageing may be the year, and the other way round."
        )
    few = len(found) - len(answered) - len(mixed)
    if few:
        said.append(f"{format.counted(few, 'component').capitalize()} with too few records of a known year.")
    return said or ["No component of this family has been examined yet."]


def called_changes(ground: Groundwork, family: str) -> pd.DataFrame:
    """Give the changes that stand out, false alarms controlled over all families and components."""
    found = ground.changes[(ground.changes["family"] == family) & (ground.changes["status"] == "ok")]
    return found[found["q_value"] <= CALLED].sort_values("q_value") if len(found) else found


def year_marks(ground: Groundwork, family: str, components: list[str]) -> pd.DataFrame:
    """Give the records of a known year as marks: `COLUMNS`, ages to a year.

    Parameters
    ----------
    ground : Groundwork
        The ledger.
    family : str
        A family of the ledger.
    components : list of str
        Those to draw; one with fewer than `FEWEST_MARKS` records is left out.

    Returns
    -------
    DataFrame
        One row per component, year, age and state.
    """
    table = ground.own[FAILED].table
    dated = table[~table["record"].duplicated(keep=False) & (table["family"] == family)]
    one = pd.DataFrame(
        {
            "component": dated["component"],
            "year": dated["year"],
            "age_years": dated["age_years"].round(),
            "is_failed": np.isfinite(dated["upper"]),
        }
    )
    enough = one["component"].value_counts()
    wanted = [each for each in components if enough.get(each, 0) >= FEWEST_MARKS]
    counted = one[one["component"].isin(wanted)].value_counts(sort=False).rename("count").reset_index()
    return rounded(counted, year=0)


def year_tables(ground: Groundwork, family: str, chief_risk: str | None) -> dict[str, pd.DataFrame]:
    """Give what the pictures of production years show: ``year_marks`` and ``year_changes``."""
    called = called_changes(ground, family)
    first = [chief_risk] if chief_risk and chief_risk not in set(called.get("component", [])) else []
    marks = year_marks(ground, family, [*called.get("component", []), *first])
    names = ["component", "change_year"]
    changes = called[names] if len(called) else pd.DataFrame(columns=names)
    return {"year_marks": marks, "year_changes": changes.reset_index(drop=True)}


def _change(ground: Groundwork, family: str, row: Any) -> str:
    marks = year_marks(ground, family, [row.component])
    later = marks["year"] >= row.change_year
    before, after = (_of(marks[side]) for side in (~later, later))
    said = (
        f"{row.component.capitalize()}: of units built from {row.change_year:.0f} on {after} had failed, of "
        f"earlier ones {before}."
    )
    if format.is_known(row.reference_age_years):
        said += (
            f" At the same age, {format.years(row.reference_age_years)}: "
            f"{format.share(row.failed_after)} against {format.share(row.failed_before)}."
        )
    else:
        said += " The two groups were never seen at one age, so part of it may be ageing."
    return f"{said} Share of false alarms among such finds: {_false(row.q_value)}."


def _of(marks: pd.DataFrame) -> str:
    total = int(marks["count"].sum())
    return f"{int(marks.loc[marks['is_failed'], 'count'].sum())} of {total}"


def _false(share: float) -> str:
    return format.share(round(max(share, 0.0), 2))


def _components(found: pd.DataFrame) -> str:
    return format.listed(sorted(found["component"]))
