"""Rows of hand-made ledgers; the makers are invented."""

from pathlib import Path

DEMO = Path(__file__).parents[2] / "data" / "demo"


def job(number, family, outcome, **more):
    """One finished job of 2024, bought for 20, three hours."""
    day = f"2024-{1 + number % 12:02d}-{1 + number % 27:02d}"
    row = {
        "job": str(number), "family": family, "built_from": 1982, "built_to": 1984, "taken_in": day,
        "closed": day if outcome != "open" else None, "outcome": outcome, "bought_for": 20.0,
        "hours": 3.0 if outcome != "open" else None, "sold_for": 100.0 if outcome == "repaired" else None,
        "sold_on": day if outcome == "repaired" else None,
    }  # fmt: skip
    return {**row, **more}


def finding(number, component, found, **more):
    return {"job": str(number), "component": component, "position": "", "found": found, **more}
