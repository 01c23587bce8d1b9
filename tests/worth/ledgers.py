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


def bench_rows():
    """Twelve units of Larkov T1, eight of Larkov T2, one kind, a bench that is sound at its work."""
    jobs, findings, signs = [], [], []
    for n in range(1, 21):
        family = "Larkov T1" if n <= 12 else "Larkov T2"
        broken = n % 4 == 0 or n > 16
        outcome = "donor" if broken else "repaired"
        more = {"ended_by": "gear", "salvage_value": 15.0} if broken else {}
        jobs.append(job(n, family, outcome, **more))
        findings.append(
            finding(n, "gear", "failed" if broken else "sound", action="no part" if broken else None)
        )
        belt = {"action": "replaced", "part_cost": 6.0} if n % 3 else {}
        findings.append(finding(n, "belt", "failed" if n % 3 else "sound", **belt))
        findings.append(finding(n, "motor", "sound"))
        signs.append({"job": str(n), "sign": "rust", "seen": "yes" if broken else "no"})
    families = [
        {"family": name, "kind": "tape deck", "first_year": 1981, "last_year": 1986, "working_price": 110.0}
        for name in ("Larkov T1", "Larkov T2", "Larkov T3")
    ]
    return {"families": families, "jobs": jobs, "findings": findings, "signs": signs}
