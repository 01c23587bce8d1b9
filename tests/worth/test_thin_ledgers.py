"""Ledgers that leave out what others hold: no year, no spread, hearsay about nobody's kind."""

import datetime

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import lognorm

from reliability.records.frames import records_from_rows
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.judging import judge, offers_from
from reliability.worth.money import log_spread
from reliability.worth.plan import plan_unit
from tests.worth.ledgers import finding, job

DAY = datetime.date(2025, 1, 10)
NAME = "Larkov T1"
NO_YEAR = {"built_from": None, "built_to": None}


def ledger(jobs, **family):
    return {
        "families": [{"family": NAME, "kind": "tape deck", "working_price": 100.0, **family}],
        "jobs": jobs,
        "findings": [finding(row["job"], "gear", "sound") for row in jobs],
    }


def fitted(rows):
    return fit_appraiser(records_from_rows(rows), DAY)


def test_where_no_year_is_known_at_all_a_unit_is_judged_nevertheless():
    appraiser = fitted(ledger([job(1, NAME, "repaired", **NO_YEAR)]))
    row = judge(offers_from([{"offer": "1", "family": NAME, "asked": 10}]), appraiser).iloc[0]
    assert row["note"] == "production year not given, 1985 assumed"
    assert 0 < row["success_chance"] < 1


@pytest.mark.parametrize(("jobs", "is_belief"), [([], True), ([job(1, NAME, "repaired")], False)])
def test_a_plan_that_no_finished_job_of_the_kind_stands_behind_says_so(jobs, is_belief):
    sentence = plan_unit(fitted(ledger(jobs)), family=NAME, built_from=1982, built_to=1984).sentence
    belief = " That is belief alone: no finished job of its kind stands behind this."
    assert sentence.endswith(belief) == is_belief


# The relative standard deviation of a lognormal amount, from scipy's own moments.
@pytest.mark.parametrize("relative", [0.1, 0.25, 1.0, 5.0])
def test_a_relative_spread_is_that_of_a_lognormal_price(relative):
    price = lognorm(log_spread(np.array(relative)))
    assert_allclose(price.std() / price.mean(), relative)
