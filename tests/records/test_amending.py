# Messages are quoted whole.
# ruff: noqa: E501

import pytest

from reliability.errors import InvalidInput
from reliability.records.sheet import Amendment

FINDINGS = [
    {"component": "belt", "found": "failed", "part_cost": 3},
    {"component": "switch", "position": "left", "found": "worn"},
    {"component": "head", "found": "sound"},
    {"component": "head", "found": "failed", "arose": "during work"},
]


@pytest.fixture
def job(ledger, finished):
    number = ledger.add(finished(findings=FINDINGS, signs=[{"sign": "rust", "seen": "yes"}], hours=2))

    class Job:
        def amend(self, *cells, **more):
            amendment = Amendment.of(cells, **more)
            ledger.amend(number, amendment.changes(ledger.job(number), "tape deck"), reason="looked again")
            return ledger.job(number)

        def refuse(self, *cells, **more):
            with pytest.raises(InvalidInput) as caught:
                self.amend(*cells, **more)
            assert len(ledger.history(number)) == 1
            return list(caught.value.faults)

    return Job()


def states(document):
    return {(row["component"], row["position"], row["arose"]): row["found"] for row in document["findings"]}


def test_columns_of_the_job(job):
    row = job.amend("outcome=donor", "ended_by = gear", "hours=", "built=1978-1981")["job"]
    assert (row["outcome"], row["ended_by"], row["hours"]) == ("donor", "gear", None)
    assert (row["built_from"], row["built_to"]) == (1978, 1981)
    assert job.amend("built=")["job"]["built_from"] is None


def test_findings_are_matched_by_component_and_position(job):
    document = job.amend(
        "belt.found=worn", "switch:left.found=failed", "switch:right.found=sound", "motor.found=sound"
    )
    assert states(document) == {
        ("belt", "", "as received"): "worn",
        ("switch", "left", "as received"): "failed",
        ("switch", "right", "as received"): "sound",
        ("motor", "", "as received"): "sound",
        ("head", "", "as received"): "sound",
        ("head", "", "during work"): "failed",
    }
    assert document["findings"][0]["part_cost"] == 3


def test_when_it_arose_can_change_though_it_is_part_of_the_key(job):
    document = job.amend("belt.arose=during work")
    assert states(document)["belt", "", "during work"] == "failed"
    assert ("belt", "", "as received") not in states(document)
    assert (
        states(job.amend("motor.found=failed", "motor.arose=during work"))["motor", "", "during work"]
        == "failed"
    )
    assert (
        states(job.amend("motor.action=no part", "motor.arose=during work"))["motor", "", "during work"]
        == "failed"
    )


def test_findings_and_signs_taken_out(job):
    document = job.amend(drops=["belt", "switch:left"], drop_signs=["rust"], signs=[("hum", "no")])
    assert {component for component, _, _ in states(document)} == {"head"}
    assert document["signs"] == [{"sign": "hum", "seen": "no"}]


def test_a_sheet_of_corrections(job, tmp_path):
    sheet = tmp_path / "fix.toml"
    sheet.write_text('hours = ""\nbought_for = 12\nrest_sound = true\n[[finding]]\ncomponent = "head"\n'
                     'arose = "during work"\nfound = "failed"\naction = "no part"\n[signs]\nrust = false\n')  # fmt: skip
    document = job.amend("bought_for=13", sheet=sheet)
    assert (document["job"]["hours"], document["job"]["bought_for"]) == (None, 13)
    assert document["signs"] == [{"sign": "rust", "seen": "no"}]
    found = states(document)
    assert found["belt", "", "as received"] == "failed"
    assert found["motor", "", "as received"] == "sound"
    assert [row["action"] for row in document["findings"] if row["arose"] == "during work"] == ["no part"]


def test_everything_that_cannot_be_set_is_listed(job):
    assert job.refuse("outcme=donor", "belt.fond=worn", "belt.found=", "hours", "built=79", "job=3") == [
        "--set 'outcme=donor': jobs have no column 'outcme' that can be set; there are family, model, lot, built_from, "
        "built_to, year_basis, taken_in, closed, outcome, bought_for, hours, other_costs, sold_for, sold_on, "
        "salvage_value, ended_by, ended_why, origin, remarks. Did you mean 'outcome'?",
        "--set 'belt.fond=worn': findings have no column 'fond' that can be set; there are found, original, fitted_from, "
        "fitted_to, arose, failed_from, failed_to, action, part_cost, part_source. Did you mean 'found'?",
        "--set 'belt.found=': a finding without a state is no finding; take it out with --drop",
        "--set 'hours': write NAME=VALUE; nothing after the = empties the cell",
        "--set 'built=79': '79' is neither a year such as 1979 nor a window such as 1978-1981",
        "--set 'job=3': jobs have no column 'job' that can be set; there are family, model, lot, built_from, "
        "built_to, year_basis, taken_in, closed, outcome, bought_for, hours, other_costs, sold_for, sold_on, "
        "salvage_value, ended_by, ended_why, origin, remarks.",
    ]  # fmt: skip


def test_what_is_not_there_cannot_be_taken_out(job):
    assert job.refuse(drops=["bellt", "switch"], drop_signs=["rst"]) == [
        "--drop 'bellt': the job has no such finding; it has belt, head, switch:left. Did you mean 'belt'?",
        "--drop 'switch': the job has no such finding; it has belt, head, switch:left. Did you mean 'switch:left'?",
        "--drop-sign 'rst': the job has no such sign. Did you mean 'rust'?",
    ]


def test_two_findings_of_one_place_need_a_sheet(job):
    assert job.refuse("head.action=no part") == [
        "'head' has a finding as received and one during work; correct them with a sheet that says which, by arose"
    ]


def test_faults_of_the_sheet(job, tmp_path):
    sheet = tmp_path / "fix.toml"
    sheet.write_text('hurs = 3\n[new_family]\nkind = "radio"\n')
    found = job.refuse(sheet=sheet)
    assert found[0].endswith("Did you mean 'hours'?")
    assert found[1] == f"{sheet}, new_family: an amendment describes no family"


def test_an_amendment_that_changes_nothing():
    assert Amendment.of().is_empty
    assert not Amendment.of(["hours=2"]).is_empty
