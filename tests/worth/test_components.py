import datetime

import pytest

from reliability.records.frames import records_from_rows
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.bench import read_bench
from reliability.worth.lives import family_components, kind_components
from reliability.worth.review import explain
from tests.worth.ledgers import finding, job

DAY = datetime.date(2025, 1, 10)
BELT, DIRECT = "Larkov S1", "Larkov S9"


@pytest.fixture
def turntables():
    """Twelve units with a belt that always fails and is replaced; twelve direct drives, which have none."""
    jobs, findings = [], []
    for n in range(1, 25):
        family = BELT if n % 2 else DIRECT
        jobs.append(job(n, family, "repaired"))
        findings.append(finding(n, "motor", "sound"))
        if family == BELT:
            findings.append(finding(n, "belt", "failed", action="replaced", part_cost=12.0))
    families = [{"family": f, "kind": "turntable", "working_price": 100.0} for f in (BELT, DIRECT)]
    return {"families": families, "jobs": jobs, "findings": findings}


def lists(rows):
    bench = read_bench(records_from_rows(rows), DAY)
    of_kind = kind_components(bench)
    return of_kind, family_components(bench, of_kind)


def test_a_family_is_not_judged_by_a_part_that_it_evidently_lacks(turntables):
    of_kind, of_family = lists(turntables)
    assert "belt" in of_kind["turntable"]
    assert "belt" in of_family[BELT]
    assert of_family[DIRECT] == ("motor",)
    appraiser = fit_appraiser(records_from_rows(turntables), DAY)
    belt, direct = (explain(appraiser, family=f, asked=20.0) for f in (BELT, DIRECT))
    assert "belt" not in set(direct.components["component"])
    # Of a unit of a kind's unknown family a belt is still expected.
    assert len(appraiser.kinds["turntable"].lives.components) == 2
    # What a belt costs, and the time for it, is spent on the one family only.
    assert direct.verdict["ceiling"] > belt.verdict["ceiling"] + 8.0


@pytest.mark.parametrize(
    ("table", "row"),
    [
        ("parts", {"component": "belt", "family": DIRECT, "obtainable": "yes"}),
        (
            "hearsay",
            {
                "component": "belt",
                "family": DIRECT,
                "age_years": 40.0,
                "share_failed": 0.5,
                "worth_jobs": 1.0,
            },
        ),
    ],
)
def test_a_part_that_anyone_speaks_of_is_there(turntables, table, row):
    assert "belt" in lists({**turntables, table: [row]})[1][DIRECT]


def test_a_part_that_ends_jobs_counts_without_a_finding():
    # Fifteen units, none repaired, all ended by a gear that nobody entered as a finding.
    rows = {
        "families": [{"family": BELT, "kind": "tape deck", "working_price": 100.0}],
        "jobs": [job(n, BELT, "scrapped", ended_by="gear") for n in range(1, 16)],
        "findings": [finding(n, "belt", "failed") for n in range(1, 16)],
    }
    assert "gear" in lists(rows)[1][BELT]
    verdict = explain(fit_appraiser(records_from_rows(rows), DAY), family=BELT, built_from=1983).verdict
    assert verdict["chief_risk"] == "gear"
    assert verdict["success_chance"] < 0.1
