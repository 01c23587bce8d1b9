"""Jobs and reference rows written, read, amended and taken out; when a ledger is another one."""

import datetime
from decimal import Decimal

import pytest

from reliability.errors import InvalidInput, UnknownName
from reliability.records.ledger import ledger_mark, open_ledger
from tests.packages import next_number
from tests.records.refusals import everything, grave

INTAKE = {"job": {"family": "Tarnwick T2", "taken_in": "2026-05-01"}}


def test_a_job_goes_in_and_comes_out_whole(ledger, full):
    number = ledger.add(full())
    assert number == "1"
    job = ledger.job(number)
    assert job["job"] == {
        "job": "1", "family": "Tarnwick T2", "model": "T2 mk II", "lot": None, "built_from": 1978,
        "built_to": 1979, "year_basis": "serial number", "taken_in": "2026-05-01", "closed": "2026-05-10",
        "outcome": "repaired", "bought_for": Decimal("12.50"), "hours": 2.25, "other_costs": Decimal("4.00"),
        "sold_for": Decimal("99.90"), "sold_on": "2026-06", "salvage_value": Decimal("0.00"), "ended_by": None,
        "ended_why": None, "origin": None, "remarks": '=SUM(A1)\nsecond line, with "quotes"',
    }  # fmt: skip
    assert [(row["component"], row["position"], row["arose"]) for row in job["findings"]] == [
        ("belt", "", "as received"), ("head", "left", "during work"), ("motor", "", "as received"),
    ]  # fmt: skip
    assert job["signs"] == [{"sign": "hum", "seen": "no"}, {"sign": "rust", "seen": "yes"}]
    assert job["followups"] == [
        {"checked_on": "2026-09-01", "working": "no", "failed_on": "2026-08-15", "component": "belt", "hours": 0.5,
         "cost": Decimal("1.00")}
    ]  # fmt: skip
    assert ledger.check(today=datetime.date(2026, 11, 24)) == []


def test_numbers_run_on_with_prefix_and_zeros_and_are_never_used_again(ledger, finished):
    assert next_number(ledger) == "1"
    assert ledger.add(finished(job="B-0099")) == "B-0099"
    assert next_number(ledger) == "B-0100"
    assert ledger.intake(INTAKE) == "B-0100"
    assert ledger.add(finished(job="B-0007")) == "B-0007"  # a gap is written up: the sequence stays
    assert next_number(ledger) == "B-0101"
    ledger.withdraw("B-0100", reason="taken in twice")
    assert next_number(ledger) == "B-0101"
    assert ledger.add(finished(job="X", origin="swap shop")) == "X"
    assert ledger.add(finished(job="C999", origin="swap shop")) == "C999"
    assert next_number(ledger) == "B-0101"
    assert ledger.add(finished(job="9")) == "9"
    assert next_number(ledger) == "10"


def test_a_number_that_the_numbering_forgot_is_not_given_out_again(ledger, finished):
    ledger.add(finished())
    with ledger.writing() as connection:
        connection.exec_driver_sql("DELETE FROM numbering")
    with pytest.raises(InvalidInput, match=r"^1 fault found.*\njob, column job: there is a job 1 already$"):
        ledger.intake(INTAKE)


BELT_5 = {"findings": [{"component": "belt", "position": 5, "found": "worn"}]}
RADIO = {"family": "Dallow 80", "kind": "radio"}
#: What is asked of a ledger with a repaired job 1 that was sold, an open job 2 and a donor, and how it is refused.
REFUSED = [
    (lambda ledger, job: ledger.add(job(job="1")), r"job 1 is finished already \(repaired\); amend corrects it$"),
    (lambda ledger, job: ledger.add(job(job="A")), r"'A' is not a job number"),
    (lambda ledger, job: ledger.add(job(job=None, origin="swap shop")),
     r"column job: a job of elsewhere \(origin\) keeps its number; none is given out for it$"),
    (lambda ledger, job: ledger.add(job(model=" D80 ")), r"model 'D80' belongs to family 'Dallow 80', not 'Tarnwick T2'"),
    (lambda ledger, job: ledger.add(job(findings=[{"component": "flux coils", "found": "sound"}])),
     r"component 'flux coils' was never seen here; .* Did you mean 'flux coil'\? .*--new-component 'flux coils'"),
    (lambda ledger, job: ledger.add(job(outcome="donor", ended_by="flux coils")),
     r"column ended_by: component 'flux coils' .* Did you mean 'flux coil'\?"),
    (lambda ledger, _: ledger.amend("1", {"job": {"hours": 1}}, reason=" "),
     r"^An amendment needs a reason; .* Nothing was written\.$"),
    (lambda ledger, _: ledger.amend("1", {"job": {"job": "2"}}, reason="x"),
     r"^A job keeps its number: 1 cannot become '2'\. Nothing was written\.$"),
    (lambda ledger, _: ledger.amend("1", {"job": {"outcome": "repaired"}}, reason="x"), r"\njob: job 1 says so already$"),
    (lambda ledger, _: ledger.amend("1", {"job": {"taken_in": None}}, reason="x"),
     r"column taken_in: is empty, but every row needs it"),
    (lambda ledger, _: ledger.amend("1", BELT_5, reason="x"),
     r"finding 2 \(belt\), column position: 5 is not a text; put it in quotation marks$"),
    (lambda ledger, _: ledger.amend("11", {"job": {"hours": 1}}, reason="x"),
     r"^The ledger holds no job '11'; it holds 3 jobs\. Did you mean '1'\?$"),
    (lambda ledger, _: ledger.sold("1", 90, "2026-06-03"),
     r"^Job 1 was sold already \(80\.00, 2026-06-02\); amend corrects it\.$"),
    (lambda ledger, _: ledger.sold("3", 90, "2026-06-03"), r"sold_for is given only where outcome is repaired or sold as"),
    (lambda ledger, _: ledger.withdraw("1", reason=""), r"^A withdrawal needs a reason"),
    (lambda ledger, _: ledger.history("5"), r"^The ledger holds no job '5'"),
    (lambda ledger, _: ledger.put("jobs", [], reason="x"),
     r"^put writes no table 'jobs'; known: families, hearsay, lots, models, parts, set"),
    (lambda ledger, _: ledger.put("settings", [{"setting": "currency", "value": "SEK"}], reason="x"),
     r"the ledger holds amounts in EUR; SEK needs another ledger$"),
    (lambda ledger, _: ledger.setting("hour_rates"), r"^There is no setting 'hour_rates'; known: .* Did you mean 'hour_rate'\?$"),
    (lambda ledger, _: ledger.names("colour"), r"^The ledger keeps no names of 'colour'; known: component, family"),
    (lambda ledger, _: ledger.rows("job"), r"^The ledger has no table 'job'; known: .* Did you mean 'jobs'\?$"),
]  # fmt: skip


def test_what_is_refused_leaves_the_ledger_as_it_was(url, ledger, finished):
    ledger.put("families", [RADIO], reason="x")
    ledger.put("models", [{"model": "D80", "family": "Dallow 80"}], reason="x")
    ledger.add(
        finished(findings=[{"component": "flux coil", "found": "sound"}]), new_components=["flux coil"]
    )
    ledger.sold("1", "80", "2026-06-02")
    assert ledger.job("1")["job"]["sold_for"] == Decimal("80.00")
    ledger.intake(INTAKE)
    ledger.add(finished(outcome="donor", findings=[{"component": "flux coil", "found": "sound"}]))
    before = everything(ledger), ledger_mark(ledger), next_number(ledger)
    for action, message in REFUSED:
        with pytest.raises(UnknownName if "known: " in message else InvalidInput, match=message):
            action(ledger, finished)
    assert (everything(ledger), ledger_mark(ledger), next_number(ledger)) == before
    name = ledger.name
    ledger.close()
    with open_ledger(str(url)) as again:
        assert everything(again) == before[0]
        assert again.name == name


def test_the_currency_is_fixed_by_the_first_amount(ledger, finished):
    def put(setting, value):
        ledger.put("settings", [{"setting": setting, "value": value}], reason="x")

    put("hour_rate", 5)  # an amount too
    with pytest.raises(InvalidInput, match=r"the ledger holds amounts in EUR; JPY needs another"):
        put("currency", "JPY")
    put("hour_rate", "0")
    put("currency", "JPY")
    ledger.add(finished(bought_for=1500))
    assert ledger.job("1")["job"]["bought_for"] == Decimal(1500)
    with pytest.raises(InvalidInput, match=r"the ledger holds amounts in JPY; EUR needs another"):
        put("currency", "EUR")
    with pytest.raises(
        InvalidInput, match=r"1500\.5 is not an amount written as a plain decimal with no dec"
    ):
        ledger.add(finished(bought_for=1500.5))
    put("currency", "JPY")  # the same


def test_amounts_of_a_withdrawn_job_stay_as_they_were_written_when_the_currency_changes(ledger, finished):
    ledger.add(finished(bought_for="12.5"))
    ledger.withdraw("1", reason="never was one")
    ledger.put("settings", [{"setting": "currency", "value": "JPY"}], reason="x")
    first, second = ledger.history("1")
    assert (first["content"]["job"]["bought_for"], first["damage"]) == (Decimal("12.50"), None)
    assert (second["content"], second["damage"]) == (None, None)
    ledger.add(finished(bought_for="1500"))
    assert ledger.job("2")["job"]["bought_for"] == Decimal(1500)
    assert grave(ledger) == []


def test_a_mark_changes_with_every_write_and_with_nothing_else(ledger, finished, new_url):
    marks = [ledger_mark(ledger)]
    assert ledger_mark(ledger) == marks[0]
    number = ledger.add(finished())
    marks.append(ledger_mark(ledger))
    ledger.amend(number, {"job": {"hours": 2}}, reason="timed")
    marks.append(ledger_mark(ledger))
    ledger.put("settings", [{"setting": "margin", "value": "10"}], reason="dearer")
    marks.append(ledger_mark(ledger))
    ledger.withdraw(number, reason="never came")
    marks.append(ledger_mark(ledger))
    ledger.rows("jobs")
    assert ledger_mark(ledger) == marks[-1]
    with open_ledger(new_url(), create=True) as empty:
        marks.append(ledger_mark(empty))
    assert len(set(marks)) == len(marks)
    assert {len(mark) for mark in marks} == {64}
