"""From the tables of a ledger to intervals of age."""

import itertools

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from reliability.errors import InvalidInput, UnknownName
from reliability.life.lives import age_at, decimal_year, observe, unit_ages

JOB = {
    "job": "B1", "family": "Tarnwick T2", "built_from": 1980.0, "built_to": 1980.0,
    "taken_in": "2024-07-01", "outcome": "repaired", "ended_by": None, "ended_why": None, "origin": None,
}  # fmt: skip
FINDING = {
    "job": "B1", "component": "belt", "position": "", "found": "failed", "original": "yes",
    "fitted_from": np.nan, "fitted_to": np.nan, "arose": "as received",
    "failed_from": None, "failed_to": None,
}  # fmt: skip
FAMILIES = pd.DataFrame(
    {
        "family": ["Tarnwick T2", "Dallow 80"],
        "kind": ["tape deck", "turntable"],
        "first_year": [1979.0, np.nan],
        "last_year": [1982.0, np.nan],
    }
)


def jobs(*changes):
    frame = pd.DataFrame([JOB | change for change in changes or ({},)])
    frame["taken_in"] = pd.to_datetime(frame["taken_in"])
    return frame.astype({"built_from": float, "built_to": float})


def findings(*changes):
    frame = pd.DataFrame([FINDING | change for change in changes], columns=list(FINDING))
    for name in ("failed_from", "failed_to"):
        frame[name] = pd.to_datetime(frame[name])
    return frame.astype({"fitted_from": float, "fitted_to": float})


def intervals(observations):
    return list(zip(observations.table["lower"], observations.table["upper"], strict=True))


def left_out(observations):
    return {reason: n for reason, n in observations.left_out.items() if n}


# ---- ages, by the documented rule


def test_decimal_year_counts_days_of_its_own_year():
    # 2024 has 366 days: 1 July is day 183, so 182 of them have passed.
    dates = pd.to_datetime(["2024-01-01", "2024-07-01", "2023-12-31", None])
    assert_allclose(decimal_year(dates), [2024, 2024 + 182 / 366, 2023 + 364 / 365, np.nan], rtol=1e-15)


@pytest.mark.parametrize(
    ("taken_in", "year", "months"),
    [
        ("2024-07-01", 1980, 44 * 12),
        ("2024-01-01", 1980, 43 * 12 + 6),
        ("2024-01-20", 1980, 43 * 12 + 7),  # 0.62 of a month is rounded up
        ("2024-01-10", 1980, 43 * 12 + 6),
        ("2024-12-31", 2024, 6),
        ("2024-07-03", 2024, 1),  # at least one month
        ("2024-02-01", 2024, 1),  # before the middle of its year: still one month
    ],
)
def test_age_is_counted_from_the_middle_of_the_year_in_months(taken_in, year, months):
    assert_allclose(age_at([np.datetime64(taken_in)], [year]) * 12, [months], rtol=1e-12)


def test_unit_ages_fill_windows_from_the_family_and_keep_unknown_ones():
    table = unit_ages(
        jobs(
            {"job": "B1", "built_from": np.nan, "built_to": np.nan},  # the family's span
            {"job": "B2", "built_from": 1981.0, "built_to": np.nan},  # from 1981 to the end of the span
            {"job": "B3", "built_from": np.nan, "built_to": np.nan, "family": "Dallow 80"},
            {"job": "B4", "built_from": 1990.0, "built_to": np.nan},  # after the span: contradiction
            {"job": "B5", "built_from": np.nan, "built_to": np.nan, "taken_in": "1980-09-01"},
        ),
        FAMILIES,
    )
    years = {job: sorted(group["year"]) for job, group in table.groupby("job")}
    assert years["B1"] == [1979, 1980, 1981, 1982]
    assert years["B2"] == [1981, 1982]
    assert years["B5"] == [1979, 1980]  # it cannot have been built after it was taken in
    assert np.isnan(years["B3"]).all()
    assert np.isnan(years["B4"]).all()
    assert_allclose(table.groupby("job")["weight"].sum(), 1)
    assert_allclose(table.loc[table["job"] == "B1", "age_years"], [45, 44, 43, 42])


# ---- what a finding says


@pytest.mark.parametrize(
    ("change", "event", "interval"),
    [
        ({"found": "failed"}, "failed", (0, 44)),
        ({"found": "worn"}, "failed", (44, np.inf)),
        ({"found": "sound"}, "failed", (44, np.inf)),
        ({"found": "failed"}, "needs work", (0, 44)),
        ({"found": "worn"}, "needs work", (0, 44)),
        ({"found": "sound"}, "needs work", (44, np.inf)),
        ({"arose": "during work"}, "failed", (44, np.inf)),
        ({"arose": "during work"}, "needs work", (44, np.inf)),
        ({"failed_from": "2000-07-01", "failed_to": "2010-07-01"}, "failed", (20, 30)),
        ({"failed_from": "2000-07-01"}, "failed", (20, 44)),
        ({"failed_to": "2010-07-01"}, "failed", (0, 30)),
        ({"failed_from": "2010-07-01", "failed_to": "2010-07-01"}, "failed", (30, 30)),
        ({"failed_from": "1970-07-01", "failed_to": "2010-07-01"}, "failed", (0, 30)),
        ({"failed_from": "1970-01-01", "failed_to": "1970-02-01"}, "failed", (0, 1 / 12)),
        # the day it failed says when it needed work at the latest
        ({"failed_from": "2000-07-01", "failed_to": "2010-07-01"}, "needs work", (0, 30)),
    ],
)
def test_finding_becomes_an_interval(change, event, interval):
    seen = observe(jobs(), findings(change), FAMILIES, event=event)
    assert seen.event == event
    assert_allclose(intervals(seen), [interval])


def test_window_of_years_is_one_record_with_equal_weights():
    seen = observe(
        jobs({"built_from": 1979.0, "built_to": 1981.0}), findings({}, {"component": "gear"}), FAMILIES
    )
    assert_array_equal(seen.table["record"], [0, 0, 0, 1, 1, 1])
    assert_allclose(seen.table["weight"], 1 / 3)
    assert_allclose(seen.table["upper"], [45, 44, 43] * 2)
    assert_array_equal(seen.table["year"], [1979, 1980, 1981] * 2)
    assert_array_equal(seen.table["age_years"], seen.table["upper"])


def test_replaced_part_begins_when_it_was_fitted():
    seen = observe(
        jobs(),
        findings(
            {"component": "belt", "original": "no", "fitted_from": 2000.0, "fitted_to": 2001.0},
            {"component": "gear", "original": "no"},
            {"component": "head", "original": "no", "fitted_from": 2022.0},
            {"component": "idler", "original": "no", "fitted_to": 1981.0},
            {"component": "motor", "original": "no", "fitted_from": 1970.0, "fitted_to": 1975.0},
        ),
        FAMILIES,
    )
    ages = {name: sorted(group["age_years"]) for name, group in seen.table.groupby("component")}
    assert seen.table["fitted"].all()
    assert_allclose(ages["belt"], [23, 24])
    assert_allclose(ages["head"], [1 / 12, 1, 2])  # somewhere between 2022 and its intake in 2024
    assert_allclose(ages["idler"], [43, 44])  # between the unit's own year and 1981
    assert left_out(seen) == {
        "not original, year of fitting unknown": 1,
        "fitted before the unit was built or after it was taken in": 1,
    }


def test_every_finding_is_used_or_counted_with_its_reason():
    seen = observe(
        jobs(
            {"job": "B1"},
            {"job": "B2", "family": "Dallow 80", "built_from": np.nan, "built_to": np.nan},
            {"job": "B3", "built_from": 1990.0, "built_to": np.nan},
        ),
        findings(
            {"job": "B1", "found": "sound"},
            {"job": "B1", "arose": "during work"},
            {"job": "B1", "component": "gear", "failed_from": "2024-08-01", "failed_to": "2024-09-01"},
            {"job": "B2"},
            {"job": "B3"},
        ),
        FAMILIES,
    )
    assert intervals(seen) == [(44, np.inf)]
    assert left_out(seen) == {
        "no production year": 1,
        "production year contradicts the family's span": 1,
        "said to have failed after it was taken in": 1,
        "also recorded as received": 1,
    }
    assert seen.table["record"].nunique() + seen.left_out.sum() == 5


def test_imported_and_open_jobs_count_and_are_told_apart():
    seen = observe(
        jobs({"job": "B1", "outcome": "open"}, {"job": "B2", "origin": "open repair data"}),
        findings({"job": "B1"}, {"job": "B2"}),
        FAMILIES,
    )
    assert_array_equal(seen.table["own"], [True, False])
    assert_array_equal(seen.table["kind"], ["tape deck"] * 2)


# ---- the component that ended a job counts as failed


ENDED = {"outcome": "donor", "ended_by": "gear", "ended_why": "parts not available"}


@pytest.mark.parametrize(
    ("why", "told", "lives", "assumed"),
    [
        # no finding of it: it had failed, and nobody knows whether it was original
        ("too worn", [{"found": "sound"}], [(44, np.inf), (0, 44)], "without a finding"),
        # died on the bench: it came alive, also where a finding as received says so
        ("died on the bench", [], [(44, np.inf)], "without a finding"),
        ("died on the bench", [{"component": "gear", "found": "sound"}], [(44, np.inf)], None),
        # said already: not doubled
        ("too worn", [{"component": "gear", "position": "left"}], [(0, 44)], None),
        # of several the worst
        (
            "too worn",
            [
                {"component": "gear", "position": "left", "found": "sound"},
                {"component": "gear", "position": "right", "found": "worn"},
            ],
            [(44, np.inf), (0, 44)],
            "against a finding",
        ),
    ],
)
def test_the_component_that_ended_a_job_had_failed(why, told, lives, assumed):
    seen = observe(jobs(ENDED | {"ended_why": why}), findings(*told), FAMILIES)
    assert_allclose(intervals(seen), lives)
    counted = {f"ended the job {said} finding, taken as failed": 0 for said in ("without a", "against a")}
    if assumed:
        counted[f"ended the job {assumed}, taken as failed"] = 1
    assert seen.assumed.filter(like="ended the job").to_dict() == counted
    implied = assumed == "without a finding"
    assert seen.table["original_unknown"].tolist() == [False] * (len(lives) - implied) + [True] * implied


# ---- families whose units share one unknown year


def test_one_shared_unknown_year_is_named():
    seen = observe(
        jobs(
            {"job": "B1", "built_from": np.nan, "built_to": np.nan},
            {"job": "B2", "built_from": np.nan, "built_to": np.nan},
            {"job": "B3"},
        ),
        findings(
            {"job": "B1"},
            {"job": "B2"},
            {"job": "B1", "component": "gear"},
            {"job": "B3", "component": "gear"},
        ),
        FAMILIES,
    )
    found = seen.same_window
    assert found[["family", "component", "first_year", "last_year", "n_records"]].to_numpy().tolist() == [
        ["Tarnwick T2", "belt", 1979, 1982, 2]
    ]
    assert "same unknown year between 1979 and 1982: nothing can be learned" in found["note"][0]
    assert seen.assumed["production year taken from the family's span"] == 3


# ---- strata


def test_life_records_follow_the_table():
    seen = observe(
        jobs({"job": "B1"}, {"job": "B2", "family": "Dallow 80", "built_from": 1970.0, "built_to": 1972.0}),
        findings({"job": "B2"}, {"job": "B1", "found": "sound"}, {"job": "B1", "component": "gear"}),
        FAMILIES,
    )
    records, labels = seen.life_records()
    assert labels.to_dict("list") == {
        "stratum": [0, 1, 2],
        "component": ["belt", "belt", "gear"],
        "family": ["Dallow 80", "Tarnwick T2", "Tarnwick T2"],
    }
    again = labels.set_index("stratum").loc[records.stratum].reset_index(drop=True)
    assert_array_equal(again["component"], seen.table["component"])
    assert_array_equal(again["family"], seen.table["family"])
    assert_array_equal(records.lower, seen.table["lower"])
    assert_array_equal(records.is_alternative, [False, False, True, True, True])

    alone, label = seen.life_records(by=())
    assert alone.strata.tolist() == [0]
    assert label.to_dict("list") == {"stratum": [0]}


def test_order_of_rows_in_the_tables_changes_nothing():
    units = jobs(*({"job": f"B{i}", "built_to": 1980.0 + i % 3} for i in range(6)))
    states = itertools.cycle(["failed", "sound", "worn"])
    pairs = itertools.product(range(6), ["belt", "gear"])
    found = findings(*({"job": f"B{i}", "component": c, "found": next(states)} for i, c in pairs))
    straight = observe(units, found, FAMILIES)
    shuffled = observe(units, found.sample(frac=1, random_state=0), FAMILIES)
    pd.testing.assert_frame_equal(straight.table, shuffled.table)


# ---- refusals


@pytest.mark.parametrize(
    ("units", "told", "families", "error", "said"),
    [
        (jobs(), {}, FAMILIES.iloc[[0, 1, 1]], InvalidInput, r"holds family 'Dallow 80' more than once"),
        (jobs({}, {}), {}, FAMILIES, InvalidInput, r"table jobs holds job 'B1' more than once"),
        (
            jobs().drop(columns="origin"), {}, FAMILIES, InvalidInput,
            r"The table jobs lacks the columns origin; it has job, family",
        ),
        (
            jobs(), {"job": "B7"}, FAMILIES, UnknownName,
            r"A finding belongs to a job that is not listed: 'B7'; known: B1",
        ),
        (
            jobs({"family": "Tarnwick T4"}), {}, FAMILIES, UnknownName,
            r"Job 'B1' is of a family that is not listed: 'Tarnwick T4'",
        ),
        (
            jobs({"taken_in": None}), {}, FAMILIES, InvalidInput,
            r"needs the date it was taken in; 1 of 1 .*job 'B1'",
        ),
    ],
)  # fmt: skip
def test_tables_at_odds_are_refused(units, told, families, error, said):
    with pytest.raises(error, match=said):
        observe(units, findings(told), families)


def test_questions_that_cannot_be_answered_are_refused():
    with pytest.raises(UnknownName, match=r"no event 'broken'; known: failed, needs work"):
        observe(jobs(), findings({}), FAMILIES, event="broken")
    with pytest.raises(UnknownName, match=r"Observations have no column 'make'; known: age_years, component"):
        observe(jobs(), findings({}), FAMILIES).life_records(by=("make",))
    nothing = observe(jobs(), findings(), FAMILIES)
    assert nothing.table.empty
    assert nothing.left_out.sum() == 0
    with pytest.raises(InvalidInput, match=r"No finding tells anything about lives \(there is none\)"):
        nothing.life_records()
    undated = jobs({"family": "Dallow 80", "built_from": np.nan, "built_to": np.nan})
    with pytest.raises(InvalidInput, match=r"lives \(no production year: 1\)"):
        observe(undated, findings({}), FAMILIES).life_records()
