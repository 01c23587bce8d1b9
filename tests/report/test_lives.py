"""What a family's own records allow: nothing is numbered that cannot be known."""

import numpy as np
import pytest

from reliability.life.lives import observe
from reliability.life.weibull import FAIR, TOO_FEW, weibull_fits
from reliability.records.frames import records_from_rows
from reliability.report.lives import LEVEL, own_lives
from reliability.report.show import templates

FAMILIES = [{"family": "T2", "kind": "tape deck", "first_year": 1980, "last_year": 1980}]


def lives_of(*found, day="2020-07-01"):
    """Give the lives of a belt in jobs that found it so, taken in on one day of five years in turn."""
    jobs = [
        {"job": str(i), "family": "T2", "taken_in": f"{int(day[:4]) + i % 5}{day[4:]}", "outcome": "open"}
        for i in range(len(found))
    ]
    rows = [
        {"job": str(i), "component": "belt", "found": each, "original": "yes"} for i, each in enumerate(found)
    ]
    records = records_from_rows({"families": FAMILIES, "jobs": jobs, "findings": rows})
    return own_lives(observe(records.jobs, records.findings, records.families))


@pytest.mark.parametrize(
    ("found", "said"),
    [
        (["sound"] * 6, "6 seen up to 44\u00a0years old; none had failed. No curve."),
        (["failed"] * 6, "6 seen; all had failed. No curve."),
        (["sound"], "One seen, 40\u00a0years old; it had not failed. No curve."),
        (["failed", "failed", "sound", "sound", "sound"], "2 of 5 had failed, but not the older ones"),
        (["sound", "sound", "sound", "failed", "failed"], "all could have failed at one age, between"),
    ],
)
def test_degenerate_records_are_named_and_never_numbered(found, said):
    own = lives_of(*found)
    (row,) = own.summary.itertuples()
    assert said in templates().get_template("parts/macros.html.j2").module.without_curve(row)
    assert np.isnan(float(own.summary["b50_years"].iloc[0]))
    assert own.model == {}


def test_enough_records_give_a_curve_with_its_band_and_its_twin():
    own = lives_of(*["sound", "sound", "failed", "sound", "failed"] * 3, *["failed"] * 5)
    model, steps = own.model["belt"], own.steps["belt"]
    assert model["failed"].is_monotonic_increasing
    assert ((model["low"] <= model["failed"]) & (model["failed"] <= model["high"])).all()
    assert model["age_years"].max() == own.last_age == 50.0
    assert steps["failed"].is_monotonic_increasing
    assert own.marks["count"].sum() == 20
    assert own.checks["belt"].verdict in (FAIR, TOO_FEW)
    assert "gear" not in own.steps


def test_a_curve_and_its_limits_are_those_of_the_fit(demo):
    own = demo.own_lives(demo.family())
    (records, labels), n = demo.own.life_records(by=("component", "family")), 0
    here = labels[labels["family"] == demo.family()].set_index("component")["stratum"]
    for component, curve in own.model.items():
        fit = weibull_fits(records.subset(records.stratum == here[component]), level=LEVEL)
        for row in curve.iloc[::5].itertuples():
            wanted = np.ravel(fit.failed_by(row.age_years))
            assert (row.failed, row.low, row.high) == pytest.approx(tuple(wanted), abs=6e-4)
            n += 1
    assert n > 30


def test_without_any_finding_there_is_nothing_to_draw():
    own = lives_of()
    assert own.summary.empty
    assert own.model == own.steps == {}
