import pytest

from reliability.records.checks import Known, clean_document, clean_row
from reliability.records.tables import TABLES

NAMES = Known({"families": dict.fromkeys(["Tarnwick T2", "Dallow 80"])}, ["belt", "motor", "head"])
JOB = {"family": "Tarnwick T2", "taken_in": "2026-05-01", "closed": "2026-05-10", "outcome": "repaired"}


def faults_of(findings=(), signs=(), followups=(), **job):
    document = {"job": {**JOB, **job}, "findings": findings, "signs": signs, "followups": followups}
    return told(document)


def told(document, known=NAMES):
    numbered = {**document, "job": {"job": "1", **document["job"]}}
    return [str(fault) for fault in clean_document(numbered, known=known)[1]]


BELT = {"component": "belt", "found": "failed"}


@pytest.mark.parametrize(
    ("wrong", "place", "message"),
    [
        ({"built_from": 1985, "built_to": 1980}, "job, column built_to",
         "built_to is not below built_from; found built_from 1985, built_to 1980"),
        ({"year_basis": "guess"}, "job, column year_basis",
         "year_basis is given only beside built_from or built_to; found year_basis guess, built_from empty, "
         "built_to empty"),
        ({"built_from": 2027}, "job, column built_from",
         "built_from is not after the year of taken_in; found built_from 2027, taken_in 2026-05-01"),
        ({"closed": "2026-04"}, "job, column closed",
         "closed is on or after taken_in; found taken_in 2026-05-01, closed 2026-04"),
        ({"closed": None}, "job, column closed",
         "closed is empty where outcome is open, and only there; found closed empty, outcome repaired"),
        ({"outcome": "donor", "sold_for": 10}, "job, column sold_for",
         "sold_for is given only where outcome is repaired or sold as is; found sold_for 10.00, outcome donor"),
        ({"outcome": "open", "closed": None, "salvage_value": 3}, "job, column salvage_value",
         "salvage_value is empty where outcome is open; found salvage_value 3.00, outcome open"),
        ({"job": "A-"}, "job, column job",
         "'A-' is not a job number: an optional prefix, then 1 to 15 digits, such as 42 or B-0042"),
        ({"findings": [{**BELT, "colour": "red"}]}, "finding 1 (belt), column colour",
         "findings has no column 'colour'; it has job, component, position, found, original, fitted_from, fitted_to, "
         "arose, failed_from, failed_to, action, part_cost, part_source."),
        ({"findings": [{**BELT, "found": "worn", "arose": "during work"}]}, "finding 1 (belt), column found",
         "where arose is during work, found is failed (it died on the bench); found arose during work, found worn"),
        ({"findings": [{**BELT, "action": "no part", "part_cost": 2}]}, "finding 1 (belt), column part_cost",
         "part_cost is empty where action is none or no part; found part_cost 2.00, action no part"),
        ({"findings": [{**BELT, "failed_from": "2026-05-02"}]}, "finding 1 (belt), column failed_from",
         "what failed before the unit came has its failed_from on or before taken_in (else it arose during work); "
         "found 2026-05-02, and taken_in 2026-05-01"),
        ({"findings": [{**BELT, "failed_to": "2026-06"}]}, "finding 1 (belt), column failed_to",
         "what failed before the unit came has its failed_to on or before taken_in (else it arose during work); "
         "found 2026-06, and taken_in 2026-05-01"),
        ({"findings": [{**BELT, "arose": "during work", "failed_to": "2026-04"}]},
         "finding 1 (belt), column failed_to", "what failed during work has its failed_to on or after taken_in; "
         "found 2026-04, and taken_in 2026-05-01"),
        ({"findings": [{**BELT, "arose": "during work", "failed_from": "2026-05-11"}]},
         "finding 1 (belt), column failed_from", "what failed during work has its failed_from on or before closed; "
         "found 2026-05-11, and closed 2026-05-10"),
        ({"built_from": 1980, "findings": [{**BELT, "failed_to": "1979-12"}]}, "finding 1 (belt), column failed_to",
         "failed_to is not before built_from of the job; found 1979-12, and built_from 1980"),
        ({"built_from": 1980, "findings": [{**BELT, "original": "no", "fitted_to": 1979}]},
         "finding 1 (belt), column fitted_to",
         "fitted_to is not before built_from of the job; found 1979, and built_from 1980"),
        ({"findings": [{**BELT, "original": "no", "fitted_from": 2027}]}, "finding 1 (belt), column fitted_from",
         "fitted_from is not after the year of taken_in of the job; found 2027, and taken_in 2026-05-01"),
        ({"findings": [{**BELT, "original": "no", "fitted_to": 2027}]}, "finding 1 (belt), column fitted_to",
         "fitted_to is not after the year of taken_in of the job; found 2027, and taken_in 2026-05-01"),
        ({"findings": [BELT, {**BELT, "position": " "}]}, "finding 2 (belt), column component",
         "finding 1 (belt) has the same job '1', component 'belt', position '', arose 'as received'"),
        ({"outcome": "donor", "followups": [{"checked_on": "2026-06", "working": "yes"}]},
         "followup 1 (2026-06), column job",
         "only a job with outcome repaired is followed up; found 1, and outcome donor"),
        ({"followups": [{"checked_on": "2026-05-09", "working": "yes"}]}, "followup 1 (2026-05-09), column checked_on",
         "checked_on is on or after closed of the job; found 2026-05-09, and closed 2026-05-10"),
        ({"followups": [{"checked_on": "2026-06", "working": "no", "failed_on": "2026-05-09"}]},
         "followup 1 (2026-06), column failed_on",
         "failed_on is on or after closed of the job; found 2026-05-09, and closed 2026-05-10"),
    ],
)  # fmt: skip
def test_each_sort_of_rule_says_what_it_wants_and_what_it_found(wrong, place, message):
    assert faults_of(**wrong) == [f"{place}: {message}"]


def test_what_breaks_no_rule_and_an_unknown_part():
    assert (
        faults_of(job="swap-shop-A", origin="swap shop") == []
    )  # the number of another source may be anything
    assert (
        faults_of(taken_in="2026-05-20", closed="2026-05", sold_on="2026-05") == []
    )  # a month is any of its days
    assert told({"job": JOB, "finding": []}) == [
        "document: a job has no part 'finding'; it has job, findings, signs, followups"
    ]


@pytest.mark.parametrize(
    ("table", "row", "faults"),
    [
        ("hearsay", {"worth_jobs": 3, "share_repaired": 0.5},
         ["exactly one of family and kind is given; found family empty, kind empty"]),
        ("hearsay", {"kind": "radio", "worth_jobs": 3, "component": "tube"},
         ["exactly one of share_failed and share_repaired is given; found share_failed empty, share_repaired empty",
          "component and share_failed are given together or not at all; found component tube, share_failed empty"]),
        ("settings", {"setting": "hour_rates", "value": "3"},
         ["'hour_rates' is not one of currency, hour_rate, selling_fee, disposal_cost, margin, caution, haggle_room, "
          "offers_expected, warranty_days, gap_repaired_share, count_gaps, selling_hours, typing. Did you mean 'hour_rate'?"]),
        ("settings", {"setting": "selling_fee", "value": "13 %"},
         ["selling_fee: '13 %' is not a number written as a plain decimal; write 0.13"]),
    ],
)  # fmt: skip
def test_rules_of_the_other_tables(table, row, faults):
    assert [message for _, message in clean_row(TABLES[table], row)[1]] == faults
