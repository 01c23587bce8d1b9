"""What was looked at: bought units become jobs, the others stay with their asking and why they were left."""

import datetime

import pytest

from reliability.records.frames import read_records
from reliability.records.ledger import open_ledger
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.money import asked_prices, usual_prices
from reliability.worth.review import RANKING_COLUMNS, left_behind, ranking
from tests.records.refusals import grave

HEAD = (
    "offer,family,model,kind,working_price,built_from,asked,seen_on,lot,lot_asked,bought,left_because,rust\n"
)


@pytest.fixture
def saw(bench):
    def run(*lines, refused=False, options=(), new=True):
        file = bench.sheet(HEAD + "".join(f"{line}\n" for line in lines), "seen.csv")
        told = (bench.refused if refused else bench.ok)("saw", file, "--on", "2026-11-21", *options)
        last = bench.written if new else bench.unchanged
        assert refused or told.endswith(last)
        return told.removesuffix(last)

    return run


def test_bought_units_are_taken_in_and_the_others_stay(bench, saw):
    out = saw(
        "unit 1,Tarnwick T2,,,,1979,30,,,,yes,,yes",
        "unit 2,Tarnwick T2,,,,1980,95,,,,,too dear,no",
        "unit 3,,,receiver,,,15,2026-11-20,,,no,,",
        "unit 4,Dallow 80,Dallow 80 S,receiver,120,,25,,,,yes,,",
        options=("--place", "fair at Melk"),
    )
    assert out == (
        "Job 2: unit 1, taken in\nJob 3: unit 4, taken in\n4 units looked at: 2 taken in, 1 left, 1 not decided\n"
    )
    with open_ledger(bench.file) as ledger:
        seen = {row["sighting"]: row for row in ledger.rows("sightings")}
        signs, job, other = ledger.rows("sighting_signs"), ledger.job("2"), ledger.job("3")
        families = {row["family"]: row for row in ledger.rows("families")}
        assert grave(ledger) == []
    fair = "fair at Melk unit"
    names = [f"2026-11-20 {fair} 3", *(f"2026-11-21 {fair} {n}" for n in (1, 2, 4))]
    assert list(seen) == names
    three, one, two, _ = (seen[name] for name in names)
    said = [str(one[each]) for each in ("job", "asked", "left_because", "built_from")]
    assert said == ["2", "30.00", "None", "1979"]
    assert (two["job"], two["left_because"], two["verdict"] is not None) == (None, "too dear", True)
    assert (three["kind"], three["job"], three["left_because"]) == ("receiver", None, None)
    assert two["ceiling"] is not None
    assert [(row["sighting"][-6:], row["seen"]) for row in signs] == [("unit 1", "yes"), ("unit 2", "no")]
    said = [str(job["job"][each]) for each in ("bought_for", "taken_in", "outcome")]
    assert said == ["30.00", "2026-11-21", "open"]
    assert job["signs"] == [{"sign": "rust", "seen": "yes"}]
    assert (other["job"]["family"], other["job"]["model"]) == ("Dallow 80", "Dallow 80 S")
    assert (families["Dallow 80"]["kind"], families["Dallow 80"]["working_price"]) == ("receiver", 120)
    # A job that never was one: the unit was seen nevertheless.
    bench.ok("amend", "3", "--withdraw", "--why", "sent back")
    assert [row["job"] for row in bench.rows("sightings")] == [None, "2", None, None]


def test_a_later_file_of_the_same_units_decides_them(bench, saw):
    row = "unit 1,Tarnwick T2,,,,1979,30,,,,{},{},"
    saw(row.format("", ""))
    before = bench.rows("sightings")[0]
    assert saw(row.format("", ""), new=False) == "1 unit looked at: 1 not decided; 1 in the ledger already\n"
    assert saw(row.format("", "gone")) == "1 unit looked at: 1 left\n"
    assert saw(row.format("yes", "")).startswith("Job 2: unit 1, taken in\n")
    assert (
        saw(row.format("yes", ""), new=False)
        == "1 unit looked at: 1 known as a job; 1 in the ledger already\n"
    )
    assert (
        saw(row.format("", ""), new=False) == "1 unit looked at: 1 known as a job; 1 in the ledger already\n"
    )
    (after,) = bench.rows("sightings")
    assert len(bench.rows("jobs")) == 2
    assert after == {**before, "job": "2"}
    assert saw(row.format("no", ""), refused=True) == (
        "1 fault found. Nothing was written.\n"
        "Offer unit 1: it was taken in as job 2, but its bought says 'no'; correct one of them\n"
    )
    assert "it holds a" not in saw("unit 1,,,receiver,,,,,,,,,", refused=True)
    assert saw("unit 1,,,receiver,,,,,,,,,", refused=True) == (
        "1 fault found. Nothing was written.\n"
        "Offer unit 1: the ledger holds a Tarnwick T2 as '2026-11-21 unit 1'; give this unit another name, or "
        "say where it was seen: --place\n"
    )


def test_a_job_that_was_taken_in_already_is_named(bench, saw):
    assert saw("a,Tarnwick T2,,,,,30,,,,1,,") == "1 unit looked at: 1 known as a job\n"
    assert [row["job"] for row in bench.rows("sightings")] == ["1"]
    assert saw("b,Tarnwick T2,,,,,30,,,,77,,", refused=True) == (
        "1 fault found. Nothing was written.\n"
        "Offer b: bought is yes, no or the number of a job; there is no job '77'\n"
    )


def test_a_file_told_again_without_its_place_takes_nothing_in_twice(bench, saw):
    row = "a,Tarnwick T2,,,,,30,,,,yes,,"
    saw(row, options=("--place", "web"))
    told = (
        "Offer a: the ledger holds the same unit as '2026-11-21 web a'; say where it was seen as before, or"
    )
    assert told in saw(row, refused=True)
    assert "'2026-11-21 web a'" not in saw(row.replace("30", "35"))
    assert "the same unit as '2026-11-21 a'" in saw(
        row.replace("30", "35"), options=("--place", "barn"), refused=True
    )
    saw(row, options=("--place", "barn"))  # another place that is named is another unit
    assert len(bench.rows("jobs")) == 4


def test_a_lot_is_bought_whole_or_unit_by_unit(bench, saw):
    saw("a,Tarnwick T2,,,,,,,box,50,yes,,", "b,Tarnwick T2,,,,,,,box,,yes,,")
    rows = ("a,Tarnwick T2,,,,,12,,bag,50,yes,,", "b,Tarnwick T2,,,,,40,,bag,,,too dear,")
    saw(*rows, options=("--place", "web"))
    with open_ledger(bench.file) as ledger:
        assert [(row["lot"], row["price"]) for row in ledger.rows("lots")] == [("2026-11-21 box", 50)]
        assert {row["job"]: (row["lot"], row["bought_for"]) for row in ledger.rows("jobs")} == {
            "1": (None, 25), "2": ("2026-11-21 box", None), "3": ("2026-11-21 box", None), "4": (None, 12)}  # fmt: skip
        assert list(read_records(ledger).jobs.sort_values("job")["bought_for"]) == [25.0, 25.0, 25.0, 12.0]
    assert "\nShare of the price of its lot: 25.00 EUR\n" in bench.ok("show", "2")
    rows = ("c,Tarnwick T2,,,,,,,new,50,yes,,", "d,Tarnwick T2,,,,,,,new,,,,")
    told = "Lot new: it was bought for one price, but d is not marked bought; "
    assert f"1 fault found. Nothing was written.\n{told}" in saw(*rows, refused=True)
    told = "Lot new: it was bought: say what it cost, lot_asked"
    assert told in saw("c,Tarnwick T2,,,,,,,new,,yes,,", refused=True)
    assert len(bench.rows("jobs")) == 4


def test_what_a_file_cannot_say(bench, saw):
    rows = ("a,Tarnwick T2,,,,,,,,50,,,", "b,Tarnwick T2,,,,,,,box,50,,,", "c,Tarnwick T2,,,,,,,box,60,,,",
            "d,Tarnwick T2,,,,,10,,,,yes,gone,", "e,Tarnwick T2,,,,,10,,,,,bored,")  # fmt: skip
    assert saw(*rows, refused=True) == (
        "4 faults found. Nothing was judged or written.\n"
        "seen.csv, line 2, column lot_asked: lot_asked is given only beside lot; found lot_asked 50.00, lot empty\n"
        "seen.csv, line 5, column left_because: left_because is given only where bought is empty or no; "
        "found left_because gone, bought yes\n"
        "seen.csv, line 6, column left_because: 'bored' is not one of too dear, poor odds, no room, gone, other.\n"
        "seen.csv, column lot_asked: lot box has one price; found 50.00 and 60.00\n"
    )
    told = "Offer a, job, column family: is empty, but every row needs it"
    assert told in saw("a,,,receiver,,,10,,,,yes,,", refused=True)
    told = "Offer a, if 'Dallow 80' is a new family, describe it: say its kind\n"
    assert saw("a,Dallow 80,,,,,10,,,,yes,,", refused=True).endswith(told)


def test_a_unit_written_down_by_mistake_is_taken_out_with_its_signs(bench, saw):
    day = "2026-11-14"
    saw(f"a,Tarnwick T2,,,,,30,{day},,,,,yes", f"b,Tarnwick T2,,,,,70,{day},,,yes,,",
        f"c,Tarnwick T2,,,,,75,{day},,,,too dear,no")  # fmt: skip
    told = f"{day} a was taken out; its versions are kept.\n"
    assert bench.ok("saw", "--take-out", f"{day} a") == told + bench.written
    for table, left in (("sightings", [f"{day} b", f"{day} c"]), ("sighting_signs", [f"{day} c"])):
        assert [row["sighting"] for row in bench.rows(table)] == left
    refused = bench.refused("saw", "--take-out", f"{day} a")
    assert "There is no such row in sightings. Nothing was written." in refused
    refused = bench.refused("saw", "--take-out", f"{day} b")
    assert f"'{day} b' was taken in as job 2: it was seen, and stays. Nothing was written." in refused
    for line in (), (bench.sheet(HEAD, "x.csv"), "--take-out", f"{day} c"):
        assert "Say which OFFERS were looked at, or what to take out." in bench.refused("saw", *line, code=2)
    assert len(bench.rows("sightings")) == 2


def test_a_ledger_is_made_by_the_first_sale(command_line):
    row = "a,Dallow 80,,{},,,10,,,,yes,,\n"
    command_line.refused("saw", command_line.sheet(HEAD + row.format(""), "seen.csv"))
    assert not command_line.file.exists()
    file = command_line.sheet(HEAD + row.format("receiver"), "seen.csv")
    assert "Job 1: a, taken in" in command_line.ok("saw", file)


def test_usually_asked_is_what_was_asked_and_what_is_often_seen_is_expected(bench, saw):
    """The T2 of the fixture cost 25; three are seen at 30, 80 and 95, the first of them is bought."""
    saw(
        "unit 1,Tarnwick T2,,,,1979,30,2026-06-01,,,yes,,yes",
        "unit 2,Tarnwick T2,,,,1979,80,2026-06-01,,,,too dear,no",
        "unit 3,Tarnwick T2,,,,1979,95,2026-11-21,,,,too dear,no",
    )
    with open_ledger(bench.file) as ledger:
        records = read_records(ledger)
    assert asked_prices(records)["Tarnwick T2"] == pytest.approx((30 + 80) / 2)
    assert usual_prices(records)["Tarnwick T2"] == pytest.approx((25 + 30) / 2)
    today = datetime.date.today()  # on which the T2 of the fixture came
    appraiser = fit_appraiser(records, today)
    # Since the first of June (half a year at least counts): three seen, one that came without being seen.
    days = (today - datetime.date(2026, 6, 1)).days
    assert appraiser.families["Tarnwick T2"].offers_expected == pytest.approx(4 / max(days / 365.25, 0.5))
    table = ranking(appraiser, records)
    assert tuple(table.columns) == RANKING_COLUMNS
    assert table.loc[0, "left"] == 2
    told = left_behind(appraiser, records)
    assert table.loc[0, "left_gain"] == pytest.approx(told["left_gain"].iloc[0])
    said = bench.ok("ranking")
    assert "Left: units that were seen and not bought" in said
    assert "hold for units like those that were bought" in said
