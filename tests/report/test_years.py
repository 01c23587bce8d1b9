"""What the pages say of production years, and of years that cannot be known."""

from types import SimpleNamespace
from typing import Any

import pytest

from reliability.life.lives import observe
from reliability.records.frames import records_from_rows
from reliability.report.family_page import years
from reliability.report.groundwork import FAILED, Groundwork
from reliability.report.ledger_study import _one_year_for_all
from reliability.report.year_study import year_findings, year_tables

FAMILIES = [{"family": "T2", "kind": "tape deck", "first_year": 1976, "last_year": 1996}]


def ground_of(*units: tuple[int | None, str, bool]) -> Any:
    """Lay the ground for units, each with its year, its intake and whether the belt had failed."""
    jobs = [
        {
            "job": str(i),
            "family": "T2",
            "taken_in": day,
            "outcome": "open",
            "built_from": year,
            "built_to": year,
        }
        for i, (year, day, _) in enumerate(units)
    ]
    findings = [
        {"job": str(i), "component": "belt", "found": "failed" if bad else "sound", "original": "yes"}
        for i, (_, _, bad) in enumerate(units)
    ]
    records = records_from_rows({"families": FAMILIES, "jobs": jobs, "findings": findings})
    ground = SimpleNamespace(own={FAILED: observe(records.jobs, records.findings, records.families)})
    ground.changes = Groundwork.changes.func(ground)
    return ground


def page_of(ground: Any) -> str:
    """Give the part of the family page about years."""
    facts = {"year_findings": year_findings(ground, "T2")}
    return years(SimpleNamespace(facts=facts, tables=year_tables(ground, "T2", None), subject="T2")).html


def test_age_and_year_that_move_together_are_said_on_the_page() -> None:
    # All inspected on one day: the old units are the early ones.
    together = ground_of(*((y, "2024-07-01", y < 1990) for y in (1978, 1979, 1980, 1994, 1994, 1995) * 3))
    assert together.changes["correlation"].iloc[0] == pytest.approx(-1)
    said = (
        "In belt age and production year move together so closely (correlation beyond 0.95) that what "
        "looks like ageing may be the year, and the other way round."
    )
    assert year_findings(together, "T2") == [said]
    assert said in page_of(together)


def test_years_that_can_be_told_apart_are_searched() -> None:
    spread = [(1978 + i % 8, f"{2014 + i % 9}-07-01", i % 3 == 0) for i in range(48)]
    said = page_of(ground_of(*spread))
    assert "A change from one production year on was looked for in belt; none stands out." in said
    assert "move together" not in said


def test_a_change_is_told_with_its_numbers() -> None:
    units = [(1978 + i % 8, f"{2014 + i % 9}-07-01", i % 8 >= 4) for i in range(72)]
    (said,) = year_findings(ground_of(*units), "T2")
    assert said.startswith("Belt: of units built from 1982 on 36 of 36 had failed, of earlier ones 0 of 36.")


def test_few_records_are_said_to_be_few() -> None:
    few = ground_of((1980, "2020-07-01", True), (1981, "2021-07-01", False))
    assert year_findings(few, "T2") == ["1 component with too few records of a known year."]


def test_units_that_share_one_unknown_year_teach_nothing_of_it() -> None:
    nothing_known = ground_of(*((None, f"{2014 + i}-07-01", i % 2 == 0) for i in range(6)))
    ((title, said),) = _one_year_for_all(nothing_known)
    assert title == "One unknown year for all"
    assert "T2 (built 1976 to 1996) share one unknown year. Nothing can be learned of that year" in said
    assert year_findings(nothing_known, "T2") == ["1 component with too few records of a known year."]
    known = ground_of(*((1980, f"{2014 + i}-07-01", i % 2 == 0) for i in range(6)))
    assert _one_year_for_all(known) == []
