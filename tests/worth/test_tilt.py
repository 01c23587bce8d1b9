"""Jobs that nobody wrote up, where they enter the odds."""

import datetime

import numpy as np
import pytest

from reliability.records.frames import records_from_rows
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.bench import read_bench
from reliability.worth.judging import judge
from reliability.worth.offers import offers_from
from reliability.worth.tilt import gather_outcomes
from tests.worth.ledgers import job

DAY = datetime.date(2025, 6, 1)
NAME = "Larkov T1"
FAMILIES = [
    {"family": NAME, "kind": "tape deck", "first_year": 1981, "last_year": 1986, "working_price": 110.0}
]


def jobs_of(is_written):
    """Forty units of 2021 and 41 of 2023, every other one repaired; those that are written up."""
    jobs = []
    for n in range(1, 82):
        year, repaired = 2021 if n <= 40 else 2023, n % 2 == 1
        day = f"{year}-{1 + (n - 1) % 40 // 4:02d}-{1 + n % 27:02d}"
        if is_written(year, repaired):
            more = {"taken_in": day, "closed": day, "sold_on": day if repaired else None}
            jobs.append(job(n, NAME, "repaired" if repaired else "donor", **more))
    return jobs


def everything(year, repaired):
    return True


def failures_of_2021_only(year, repaired):
    return repaired or year == 2021


def ledger(jobs, **settings):
    rows = [{"setting": name, "value": value} for name, value in settings.items()]
    return records_from_rows({"families": FAMILIES, "jobs": jobs, "settings": rows})


def chance(records):
    offers = offers_from([{"offer": "1", "family": NAME, "asked": 20.0}])
    return float(judge(offers, fit_appraiser(records, DAY))["success_chance"].iloc[0])


def outcomes_of(records):
    bench = read_bench(records, DAY)
    n = len(bench.jobs)
    return bench, gather_outcomes(bench, np.zeros(n), np.zeros((n, 0)), np.zeros(3))


def test_missing_jobs_count_as_failures_in_the_season_of_their_numbers():
    bench, found = outcomes_of(ledger(jobs_of(failures_of_2021_only)))
    assert bench.missing == {2023: 20}
    written = len(bench.jobs)
    assert (found.season[written:], found.trials[written:]) == ([2023], [20])
    assert found.repaired[written:] == [0]


def test_missing_jobs_are_split_as_the_owner_says():
    bench, found = outcomes_of(ledger(jobs_of(failures_of_2021_only), gap_repaired_share="0.25"))
    written = len(bench.jobs)
    assert found.trials[written:].sum() == pytest.approx(20)
    assert found.repaired[written:].sum() == pytest.approx(5)


def test_open_jobs_count_in_the_season_in_which_they_came():
    is_open = job(90, NAME, "open", taken_in="2022-03-01")
    bench, found = outcomes_of(ledger([*jobs_of(everything), is_open]))
    at = found.trials == 0.5
    assert (found.season[at], len(bench.open_jobs)) == ([2022], 1)


def test_a_season_in_which_failures_were_not_written_up_is_no_better_than_others():
    # Only the numbers that are missing tell of the failures of 2023: the same odds, but for some thousandths.
    true, partly = chance(ledger(jobs_of(everything))), jobs_of(failures_of_2021_only)
    assert chance(ledger(partly)) == pytest.approx(true, abs=0.006)
    without_gaps = [{**row, "job": str(n)} for n, row in enumerate(partly, start=1)]
    assert chance(ledger(without_gaps)) > true + 0.1
