"""From the tables of a ledger to intervals of age."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from reliability.errors import UnknownName
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


def seen(units=(), told=(), **more):
    """What is observed of jobs and findings that differ by these cells from `JOB` and `FINDING`."""
    return observe(jobs(*units), findings(*told), FAMILIES, **more)


def intervals(observations):
    return list(observations.table[["lower", "upper"]].itertuples(index=False, name=None))


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
    found = seen(told=[change], event=event)
    assert found.event == event
    assert_allclose(intervals(found), [interval])


def test_window_of_years_is_one_record_with_equal_weights():
    table = seen([{"built_from": 1979.0, "built_to": 1981.0}], [{}, {"component": "gear"}]).table
    assert_array_equal(table["record"], [0, 0, 0, 1, 1, 1])
    assert_allclose(table["weight"], 1 / 3)
    assert_allclose(table["upper"], [45, 44, 43] * 2)
    assert_array_equal(table["year"], [1979, 1980, 1981] * 2)
    assert_array_equal(table["age_years"], table["upper"])


def test_replaced_part_begins_when_it_was_fitted():
    fitted = {"belt": (2000.0, 2001.0), "gear": (np.nan, np.nan), "head": (2022.0, np.nan)}
    fitted |= {"idler": (np.nan, 1981.0), "motor": (1970.0, 1975.0)}
    found = seen(told=[
        {"component": component, "original": "no", "fitted_from": first, "fitted_to": last}
        for component, (first, last) in fitted.items()
    ])  # fmt: skip
    ages = {name: sorted(group["age_years"]) for name, group in found.table.groupby("component")}
    assert found.table["fitted"].all()
    assert_allclose(ages["belt"], [23, 24])
    assert_allclose(ages["head"], [1 / 12, 1, 2])  # somewhere between 2022 and its intake in 2024
    assert_allclose(ages["idler"], [43, 44])  # between the unit's own year and 1981
    assert left_out(found) == {
        "not original, year of fitting unknown": 1,
        "fitted before the unit was built or after it was taken in": 1,
    }


def test_every_finding_is_used_or_counted_with_its_reason():
    units = [
        {"job": "B1"},
        {"job": "B2", "family": "Dallow 80", "built_from": np.nan, "built_to": np.nan},
        {"job": "B3", "built_from": 1990.0, "built_to": np.nan},
    ]
    later = {"component": "gear", "failed_from": "2024-08-01", "failed_to": "2024-09-01"}
    found = seen(units, [{"found": "sound"}, {"arose": "during work"}, later, {"job": "B2"}, {"job": "B3"}])
    assert intervals(found) == [(44, np.inf)]
    assert left_out(found) == {
        "no production year": 1,
        "production year contradicts the family's span": 1,
        "said to have failed after it was taken in": 1,
        "also recorded as received": 1,
    }
    assert found.table["record"].nunique() + found.left_out.sum() == 5


def test_imported_and_open_jobs_count_and_are_told_apart():
    units = [{"outcome": "open"}, {"job": "B2", "origin": "open repair data"}]
    table = seen(units, [{}, {"job": "B2"}]).table
    assert_array_equal(table["own"], [True, False])
    assert_array_equal(table["kind"], ["tape deck"] * 2)


# ---- the component that ended a job counts as failed


GEAR = {"component": "gear"}
ENDED = {"outcome": "donor", "ended_by": "gear", "ended_why": "parts not available"}


@pytest.mark.parametrize(
    ("why", "told", "lives", "assumed"),
    [
        # no finding of it: it had failed, and nobody knows whether it was original
        ("too worn", [{"found": "sound"}], [(44, np.inf), (0, 44)], "without a finding"),
        # died on the bench: it came alive, also where a finding as received says so
        ("died on the bench", [], [(44, np.inf)], "without a finding"),
        ("died on the bench", [GEAR | {"found": "sound"}], [(44, np.inf)], None),
        # said already: not doubled
        ("too worn", [GEAR | {"position": "left"}], [(0, 44)], None),
        # of several the worst
        ("too worn",
         [GEAR | {"position": "left", "found": "sound"}, GEAR | {"position": "right", "found": "worn"}],
         [(44, np.inf), (0, 44)], "against a finding"),
    ],
)  # fmt: skip
def test_the_component_that_ended_a_job_had_failed(why, told, lives, assumed):
    found = seen([ENDED | {"ended_why": why}], told)
    assert_allclose(intervals(found), lives)
    counted = {f"ended the job {said} finding, taken as failed": 0 for said in ("without a", "against a")}
    if assumed:
        counted[f"ended the job {assumed}, taken as failed"] = 1
    assert found.assumed.filter(like="ended the job").to_dict() == counted
    implied = assumed == "without a finding"
    assert found.table["original_unknown"].tolist() == [False] * (len(lives) - implied) + [True] * implied


# ---- families whose units share one unknown year


def test_one_shared_unknown_year_is_named():
    unknown = {"built_from": np.nan, "built_to": np.nan}
    told = [{}, {"job": "B2"}, GEAR, GEAR | {"job": "B3"}]
    found = seen([unknown, unknown | {"job": "B2"}, {"job": "B3"}], told)
    row = found.same_window.iloc[0]
    columns = ["family", "component", "first_year", "last_year", "n_records"]
    assert row[columns].tolist() == ["Tarnwick T2", "belt", 1979, 1982, 2]
    assert len(found.same_window) == 1
    assert "same unknown year between 1979 and 1982: nothing can be learned" in row["note"]
    assert found.assumed["production year taken from the family's span"] == 3


# ---- strata


def test_life_records_follow_the_table():
    dallow = {"job": "B2", "family": "Dallow 80", "built_from": 1970.0, "built_to": 1972.0}
    found = seen([{}, dallow], [{"job": "B2"}, {"found": "sound"}, GEAR])
    records, labels = found.life_records()
    assert labels.to_dict("list") == {
        "stratum": [0, 1, 2],
        "component": ["belt", "belt", "gear"],
        "family": ["Dallow 80", "Tarnwick T2", "Tarnwick T2"],
    }
    again = labels.set_index("stratum").loc[records.stratum].reset_index(drop=True)
    for name in ("component", "family"):
        assert_array_equal(again[name], found.table[name])
    assert_array_equal(records.lower, found.table["lower"])
    assert_array_equal(records.is_alternative, [False, False, True, True, True])


# ---- refusals


def test_an_event_that_is_not_known_is_refused():
    with pytest.raises(UnknownName, match=r"no event 'broken'; known: failed, needs work"):
        seen(event="broken")
