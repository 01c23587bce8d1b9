"""The page of the ledger: what is in it, what is doubtful, what it cannot tell."""

from dataclasses import replace

import pytest

from reliability.report.pages import part
from tests.report.conftest import A_FINDING, A_JOB, data_of, reads, report_of, said_by


def test_years_and_amounts_are_written_as_in_the_ledger():
    part = {"part": 1, "component": "motor", "job": "1", "worth": 15.5, "kept_on": "2024-03-05"}
    families = [{"family": "T2", "kind": "radio", "first_year": 1980}]
    report = report_of(families=families, jobs=[{**A_JOB, "built_to": 1979}], shelf=[part])
    said = reads(report, "ledger", "doubtful")
    assert "built … to 1979, the family was made 1980 to …" in said
    assert "salvage_value 15.00, but its parts on the shelf are worth 15.50" in said


def test_jobs_that_nobody_wrote_up_are_counted_and_what_they_would_change_is_said(awkward, awkward_records):
    said = reads(awkward, "ledger", "cannot_tell")
    assert (
        "1 job number belongs to no job; most likely no such job was repaired, at most as large a share as of "
        "the written ones. Had they gone like the written" in said
    )
    then = awkward.ranking_if_written.set_index("family")["verdict"]
    other = [each for each in awkward.ranking.itertuples() if then[each.family] != each.verdict]
    assert ("no verdict would change" in said) == (not other)
    settings = replace(awkward_records.settings, gap_repaired_share=0.5)
    half = data_of(replace(awkward_records, settings=settings))
    assert "such jobs are taken as repaired in 50 % of cases." in reads(half, "ledger", "cannot_tell")
    settings = replace(awkward_records.settings, gap_repaired_share=0.0)
    none = data_of(replace(awkward_records, settings=settings))
    assert "such jobs are taken as not repaired." in reads(none, "ledger", "cannot_tell")


def test_verdicts_that_would_be_others_are_named(awkward):
    report = data_of(awkward.records)
    now = report.ranking["verdict"][0]
    then = "skip" if now != "skip" else "take"
    report.__dict__["ranking_if_written"] = report.ranking.assign(
        verdict=[then, *report.ranking["verdict"][1:]]
    )
    assert f"this verdict would change: {report.ranking['family'][0]} ({then} instead of {now})." in reads(
        report, "ledger", "cannot_tell"
    ).replace("  ", " ")


@pytest.mark.parametrize(
    ("count_gaps", "says"),
    [
        (None, "42 job numbers belong to no job, more than half as many as there are finished jobs. They are "
         "not counted "
         "while the setting count_gaps does not say whether they were jobs. Had they been jobs without a "
         "repair"),
        ("no",
         "42 job numbers belong to no job, and the setting count_gaps leaves them out. Had they been jobs"),
        ("yes",
         "42 job numbers belong to no job; most likely no such job was repaired, at most as large a share as of "
         "the written ones. Had they gone like the"),
    ],
)  # fmt: skip
def test_gaps_are_told_as_they_are_counted(awkward_records, count_gaps, says):
    tables = ("jobs", "findings", "signs", "followups")
    renumbered = {each: getattr(awkward_records, each).replace({"job": {"31": "72"}}) for each in tables}
    settings = replace(awkward_records.settings, count_gaps=count_gaps)
    report = data_of(replace(awkward_records, **renumbered, settings=settings))
    assert says in reads(report, "ledger", "cannot_tell")
    # Said where it is doubtful, and where the chances are.
    for piece in (
        part(report, "ledger", "doubtful"),
        part(report, "index", "verdicts", frame=report.ranking),
    ):
        assert ("not counted while count_gaps is not set" in said_by(piece)) == (count_gaps is None)


def test_one_unknown_year_for_all_is_said():
    # Nobody knows any unit's year; all were seen on one day, so no age is known either.
    jobs = [{**A_JOB, "job": number} for number in "123"]
    report = report_of(jobs=jobs, findings=[{**A_FINDING, "job": number} for number in "123"])
    said = reads(report, "ledger", "cannot_tell")
    assert "All records of some components of T2 (1976 to 1984) share one unknown year of production." in said
