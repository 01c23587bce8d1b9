"""Counting a ledger's findings gives what reading every one gives, on SQLite and PostgreSQL."""

import datetime
import itertools
import random
from pathlib import Path

import numpy as np
import pytest

from reliability.life.bulk import count_findings
from reliability.life.lives import observe
from reliability.records import archive
from reliability.records.archive import ledger_findings
from reliability.records.frames import read_records
from reliability.records.importing import import_package
from reliability.records.package import write_package
from reliability.worth.lives import worst_findings

DEMO = Path(__file__).parents[2] / "data" / "demo"
FAMILIES = [
    {"family": "Tarnwick T2", "kind": "tape deck", "first_year": 1975, "last_year": 1984},
    {"family": "Dallow 80", "kind": "receiver"},
]


def some_package(folder, seed, n_jobs=250):
    """A package with everything that the rules let a job be."""
    dice = random.Random(seed)
    jobs, findings = [], []
    for number in range(1, n_jobs + 1):
        day = datetime.date(2024, 2, 20) + datetime.timedelta(days=dice.randint(0, 20))
        taken_in = day.isoformat() if dice.random() < 0.9 else day.isoformat()[:7]
        built = dice.choice([None, 1979, 1980])
        job = {"job": str(number), "family": dice.choice(FAMILIES)["family"], "taken_in": taken_in,
               "closed": "2024-06-01", "built_from": built, "outcome": "repaired",
               "built_to": dice.choice([built, 1983]),
               "origin": dice.choice([None] * 9 + ["elsewhere"])}  # fmt: skip
        if dice.random() < 0.5:
            job |= {"outcome": "scrapped", "ended_by": dice.choice(["belt", "gear", "head"]),
                    "ended_why": dice.choice(["too worn", "died on the bench"])}  # fmt: skip
        jobs.append(job)
        for component, places in itertools.product(["belt", "gear", "head"], [dice.choice([0, 1, 1, 1, 2])]):
            for position in ["", "left"][:places]:
                findings += some_findings(dice, job, component, position)
    write_package({"families": FAMILIES, "jobs": jobs, "findings": findings}, folder)
    return folder


def some_findings(dice, job, component, position):
    where = {"job": job["job"], "component": component, "position": position}
    original = dice.choice([None, "yes", "yes", "no", "unknown"])
    row = {**where, "found": dice.choice(["sound", "worn", "failed"]), "original": original}
    if component == job.get("ended_by"):
        row["found"] = dice.choice(["worn", "failed"])  # a sound one is refused
    if original == "no":
        row["fitted_from"] = dice.choice([None, 1990])
    if row["found"] == "failed" and dice.random() < 0.15:
        row["failed_from"] = "2019-05"
    died = {**where, "found": "failed", "arose": "during work"}
    return [row, died] if dice.random() < 0.05 else [row]


def compared(ledger, *, event="failed", worst=None):
    """Counts of the database, and of `observe` on every finding of this bench."""
    got = count_findings(ledger_findings(ledger), event=event, worst=worst)
    records = read_records(ledger)
    own = records.jobs[records.jobs["origin"].isna()].reset_index(drop=True)
    findings = records.findings[records.findings["job"].isin(own["job"])]
    seen = observe(own, worst(findings) if worst else findings, records.families, event=event)
    return got, seen


def told(lower, upper, year, weight, count, names):
    """Weight of every distinct row: equal for equal findings, however they were counted."""
    found = {}
    for *row, w, n in zip(lower, upper, year, names, np.round(weight, 12), count, strict=True):
        key = (*row, w)
        found[key] = found.get(key, 0) + n
    return found


def assert_same(counts, seen):
    got = {}
    for piece in counts.pieces():
        lives = piece.lives()
        r = lives.records
        names = [(piece.component, piece.families[s]) for s in r.stratum]
        got |= told(r.lower, r.upper, lives.year, r.weight, r.count, names)
    t = seen.table
    names = list(zip(t["component"], t["family"], strict=True))
    assert got == told(t["lower"], t["upper"], t["year"], t["weight"], np.ones(len(t)), names)
    assert counts.n_findings == t["record"].nunique()
    assert counts.left_out.to_dict() == seen.left_out.to_dict()
    assert counts.assumed.to_dict() == seen.assumed.to_dict()


@pytest.mark.parametrize("seed", range(2))
def test_the_database_counts_what_observe_reads(ledger, tmp_path, seed):
    ledger.put("families", [{"family": "Tarnwick T2", "maker": None}], reason="as in the package")
    import_package(some_package(tmp_path / "package", seed), ledger)
    assert_same(*compared(ledger))
    assert_same(*compared(ledger, event="needs work", worst=worst_findings))


def test_the_demo_is_counted_alike(ledger):
    import_package(DEMO, ledger)
    assert_same(*compared(ledger))


def test_many_rows_are_read_in_batches(ledger, monkeypatch):
    monkeypatch.setattr(archive, "_FETCHED", 37)
    import_package(DEMO, ledger)
    assert_same(*compared(ledger, worst=worst_findings))


def test_an_empty_ledger_gives_nothing(ledger):
    counts = count_findings(ledger_findings(ledger))
    assert (counts.n_findings, counts.components.size, counts.families.size) == (0, 0, 0)
    assert np.isnat(counts.last_day)
    assert list(counts.pieces()) == []
