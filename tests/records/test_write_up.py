# Messages are quoted whole.
# ruff: noqa: E501

import datetime
from decimal import Decimal

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from reliability.errors import BenchoddsError, InvalidInput, LedgerError
from reliability.records import database
from reliability.records import sheet as sheet_module
from reliability.records.ledger import open_ledger
from reliability.records.sheet import check_sheets, check_unit, open_jobs, read_sheet, take_in, write_up
from reliability.records.tables import ACTIONS, FOUND, OUTCOMES, USUAL_COMPONENTS, USUAL_SIGNS
from reliability.records.values import Fault, FaultsFound

TODAY = datetime.date(2026, 11, 24)
SMALLEST = """
family = "Tarnwick T2"
outcome = "repaired"
bought_for = 25
failed = ["belt"]
rest_sound = true
sold_for = 160
"""
UNIT = {"job": {"family": "Tarnwick T2", "taken_in": "2026-11-20", "bought_for": 30}}


def add(ledger, *texts, **more):
    sheets = [read_sheet(text, f"sheet {number}") for number, text in enumerate(texts, 1)]
    return write_up(ledger, sheets, today=TODAY, **more)


def refusal(ledger, *texts, **more):
    before = ledger.rows("jobs"), ledger.rows("families")
    with pytest.raises(InvalidInput) as caught:
        add(ledger, *texts, **more)
    assert (ledger.rows("jobs"), ledger.rows("families")) == before
    return list(caught.value.faults)


def test_the_smallest_sheet_is_a_whole_job(ledger):
    (written,) = add(ledger, SMALLEST)
    assert (written.source, written.job, written.family, written.outcome) == (
        "sheet 1", "1", "Tarnwick T2", "repaired",
    )  # fmt: skip
    assert written.notes == (
        "taken in and closed today, 2026-11-24",
        "examined and sound: pinch roller, idler, gear, motor, head, capacitor, switch",
    )
    document = ledger.job("1")
    assert document["job"]["taken_in"] == document["job"]["closed"] == "2026-11-24"
    assert document["job"]["sold_for"] == Decimal("160.00")
    assert document["job"]["sold_on"] is None
    states = {row["component"]: row["found"] for row in document["findings"]}
    assert states == {name: "sound" for name in USUAL_COMPONENTS["tape deck"]} | {"belt": "failed"}
    assert ledger.check(today=TODAY) == []


def test_a_sheet_with_a_date_is_not_about_today(ledger):
    assert refusal(ledger, SMALLEST + "taken_in = 2019-05-01") == [
        "sheet 1, job, column closed: closed is empty where outcome is open, and only there; found closed empty, outcome repaired"
    ]
    assert refusal(ledger, SMALLEST + "closed = 2019-05-01") == [
        "sheet 1, job, column taken_in: is empty, but every row needs it"
    ]
    add(ledger, SMALLEST + "taken_in = 2019-05-01\nclosed = '2019-06'")
    assert ledger.job("1")["job"]["closed"] == "2019-06"


def test_a_sheet_finishes_the_open_job_that_it_names(ledger):
    number = take_in(ledger, {**UNIT, "signs": [{"sign": "rust", "seen": "yes"}]}).job
    (written,) = add(ledger, f'job = {number}\noutcome = "donor"\nended_by = "gear"\nrest_sound = true')
    assert written.notes == (
        "closed today, 2026-11-24",
        "examined and sound: belt, pinch roller, idler, motor, head, capacitor, switch",
    )
    document = ledger.job(number)
    assert document["job"]["taken_in"] == "2026-11-20"
    assert document["job"]["bought_for"] == Decimal("30.00")
    assert document["signs"] == [{"sign": "rust", "seen": "yes"}]
    assert len(ledger.history(number)) == 2


def test_what_the_ledger_holds_of_an_open_job_is_not_said_again(ledger):
    number = take_in(ledger, {**UNIT, "findings": [{"component": "belt", "found": "failed"}]}).job
    add(ledger, f'job = {number}\noutcome = "donor"\nrest_sound = true')
    states = {row["component"]: row["found"] for row in ledger.job(number)["findings"]}
    assert states["belt"] == "failed"
    assert states["motor"] == "sound"


def test_a_number_that_was_never_given_is_noted(ledger):
    (written,) = add(ledger, SMALLEST + "job = 40")
    assert written.notes[0] == "job 40 had not been taken in; it is written as a new one"
    assert ledger.next_job_number() == "41"


def test_a_sheet_without_a_number_reminds_of_open_units(ledger):
    number = take_in(ledger, UNIT).job
    (written,) = add(ledger, SMALLEST)
    assert written.job == "2"
    assert written.notes[-1] == (
        f"still open of this family: {number}. If the sheet was about one of them, take the new job out with: "
        "benchodds amend JOB --withdraw, and add the sheet again with the number in it"
    )
    assert [row["job"] for row in open_jobs(ledger)] == [number]


@pytest.mark.parametrize(
    ("sheet", "expected"),
    [
        (
            'job = 1\noutcome = "repaired"',
            "sheet 1, job: 1 is finished already (repaired); correct it with: benchodds amend 1 --set COLUMN=VALUE --why REASON",
        ),
        (
            'job = 2\nhours = 3',
            "sheet 1, job, column outcome: a sheet says how the job ended: repaired, donor, scrapped, sold as is",
        ),
        (
            'job = 2\noutcome = "open"',
            "sheet 1, job, column outcome: a sheet says how the job ended: repaired, donor, scrapped, sold as is; "
            "intake is for units that come in",
        ),
        (
            'job = 2\nfamily = "Dallow 80"\noutcome = "donor"',
            "sheet 1, job: 2 was taken in as 'Tarnwick T2', the sheet says 'Dallow 80'; mend the number, or amend the family of the job first",
        ),
    ],
)  # fmt: skip
def test_what_a_sheet_cannot_finish(ledger, sheet, expected):
    ledger.put("families", [{"family": "Dallow 80", "kind": "receiver"}], reason="second")
    add(ledger, SMALLEST)
    take_in(ledger, UNIT)
    assert refusal(ledger, sheet) == [expected]


def test_contradictions_are_faults(ledger):
    found = refusal(
        ledger,
        SMALLEST
        + 'ended_by = "gear"\n[[finding]]\ncomponent = "head"\nfound = "sound"\narose = "during work"',
    )
    assert found == [
        "sheet 1, job, column ended_by: ended_by is given only where outcome is donor or scrapped or sold as is; found ended_by gear, outcome repaired",
        "sheet 1, finding 1 (head), column found: where arose is during work, found is failed (it died on the bench); found arose during work, found sound",
    ]
    found = refusal(ledger, 'family = "Tarnwick T2"\noutcome = "donor"\nended_by = "belt"\nsound = ["belt"]')
    assert found == [
        "sheet 1, job, column ended_by: 'belt' ended the job, but its findings in this job are all sound"
    ]


def test_a_new_family_comes_with_its_first_sheet_and_serves_the_next(ledger):
    second = SMALLEST.replace("Tarnwick T2", "Dallow 80")
    first = second + '[new_family]\nkind = "receiver"\nfirst_year = 1976'
    written = add(ledger, first, second)
    assert [each.job for each in written] == ["1", "2"]
    assert "capacitor" in written[1].notes[1]
    assert [row["family"] for row in ledger.rows("families")] == ["Dallow 80", "Tarnwick T2"]


def test_faults_of_a_new_family(ledger):
    assert refusal(ledger, SMALLEST + "[new_family]\nkind = 'radio'") == [
        "sheet 1, new_family: the ledger knows 'Tarnwick T2' already; leave its description out"
    ]
    text = SMALLEST.replace("Tarnwick T2", "Dallow 80")
    assert refusal(ledger, text + "[new_family]\nfirst_year = 79") == [
        "sheet 1, new_family, column kind: is empty, but every row needs it",
        "sheet 1, new_family, column first_year: 79 is not a four-digit year from 1800 to 2100; leave it empty if it is not known",
        "sheet 1, job, column family: no family 'Dallow 80' is known; known: Tarnwick T2.",
        "sheet 1, if 'Dallow 80' is a new family, describe it: a heading [new_family] and below it kind = \"tape deck\"",
    ]


def test_a_kind_without_a_list_of_its_own_gets_the_general_one(ledger):
    text = SMALLEST.replace("Tarnwick T2", "Dallow W1") + '[new_family]\nkind = "wire recorder"'
    (written,) = add(ledger, text)
    assert written.notes[1] == (
        "examined and sound: gear, motor, regulator, capacitor, switch, display "
        "(the general list: none is kept for kind 'wire recorder')"
    )


def test_a_component_that_was_never_seen_has_to_be_meant(ledger):
    text = SMALLEST.replace("belt", "bellt")
    (fault,) = refusal(ledger, text)
    assert fault.startswith(
        "sheet 1, finding 1 (bellt), column component: component 'bellt' was never seen here; known: bearing, "
    )
    assert fault.endswith("Did you mean 'belt'? If it is new, say so: --new-component 'bellt'")
    add(ledger, text, new_components=["bellt "])
    assert "bellt" in ledger.names("component")


def test_a_new_component_that_no_sheet_names(ledger):
    assert refusal(ledger, SMALLEST, new_components=["bellt", "reel"]) == [
        "--new-component 'bellt': no sheet names it. Did you mean 'belt'?",
        "--new-component 'reel': no sheet names it.",
    ]


def test_signs_and_models_are_open_lists_and_what_is_new_is_said(ledger):
    (written,) = add(ledger, SMALLEST + 'model = "T2 mk II"\n[signs]\nrsut = true\nhum = false')
    assert written.notes[2:] == (
        "sign 'rsut' is new here. Did you mean 'rust'?",
        "model 'T2 mk II' is new here, of family 'Tarnwick T2'.",
    )
    assert ledger.rows("models") == [
        {"model": "T2 mk II", "family": "Tarnwick T2", "first_year": None, "last_year": None}
    ]
    (again,) = add(ledger, SMALLEST + 'model = "T2 mk II"\n[signs]\nrsut = true')
    assert len(again.notes) == 2


def test_a_model_belongs_to_one_family(ledger):
    add(ledger, SMALLEST + 'model = "T2 mk II"')
    text = SMALLEST.replace("Tarnwick T2", "Dallow 80") + 'model = "T2 mk II"\n[new_family]\nkind = "radio"'
    assert refusal(ledger, text) == [
        "sheet 1, job, column model: model 'T2 mk II' belongs to family 'Tarnwick T2', not 'Dallow 80'"
    ]


def test_all_sheets_are_checked_before_the_first_is_written(ledger):
    found = refusal(
        ledger,
        SMALLEST,
        "outcome = 'repared'",
        "job = 9\n" + SMALLEST,
        "job = 9\n" + SMALLEST,
        unreadable=["sheet 5 is torn"],
    )
    assert found == [
        "sheet 5 is torn",
        "sheet 2, job, column family: is empty, but every row needs it",
        "sheet 2, job, column outcome: 'repared' is not one of repaired, donor, scrapped, sold as is, open. Did you mean 'repaired'?",
        "sheet 4, job: 9 is in sheet 3 too",
    ]


def test_the_same_sheet_twice(ledger):
    sheet = read_sheet(SMALLEST, "deck.toml")
    with pytest.raises(InvalidInput, match=r"deck\.toml is given twice"):
        write_up(ledger, [sheet, sheet], today=TODAY)
    assert ledger.rows("jobs") == []


def test_what_was_written_before_the_ledger_failed_is_told(ledger, monkeypatch):
    add_one, calls = ledger.add, []

    def fail_at_second(document, **more):
        calls.append(document)
        if len(calls) == 2:
            raise LedgerError("the disk is full.")
        return add_one(document, **more)

    monkeypatch.setattr(ledger, "add", fail_at_second)
    with pytest.raises(LedgerError) as caught:
        add(ledger, SMALLEST, SMALLEST)
    assert str(caught.value) == "sheet 2: the disk is full.\nWritten before that: sheet 1 as job 1."
    calls.append(None)
    monkeypatch.setattr(ledger, "add", fail_at_second)
    calls[:] = [None]
    with pytest.raises(LedgerError, match=r"^the disk is full\.$"):
        add(ledger, SMALLEST)


def test_a_sheet_can_be_checked_where_there_is_no_ledger_yet():
    sheet = read_sheet(SMALLEST + '[new_family]\nkind = "tape deck"', "deck.toml")
    (ready,) = check_sheets(None, [sheet], today=TODAY)
    assert len(ready.document["findings"]) == len(USUAL_COMPONENTS["tape deck"])
    with pytest.raises(InvalidInput, match="no family 'Tarnwick T2' is known; known: none yet"):
        check_sheets(None, [read_sheet(SMALLEST)], today=TODAY)


def test_a_unit_taken_in(ledger):
    taken = take_in(ledger, {**UNIT, "signs": [{"sign": "no power", "seen": "no"}]})
    assert (taken.source, taken.job, taken.family, taken.outcome, taken.notes) == (
        "intake",
        "1",
        "Tarnwick T2",
        "open",
        (),
    )
    assert ledger.job("1")["job"]["outcome"] == "open"


def test_a_unit_of_a_new_family(ledger):
    unit = {"job": {"family": "Dallow 80", "taken_in": "2026-11-20", "model": "80 S"}}
    taken = take_in(ledger, unit, new_family={"family": "Dallow 80", "kind": "receiver"})
    assert taken.notes == ("model '80 S' is new here, of family 'Dallow 80'.",)
    assert ledger.rows("models")[0]["model"] == "80 S"


def test_faults_of_a_unit(ledger):
    unit = {"job": {"family": "Tarnwik T2", "taken_in": "2026-11-20", "built_from": 2027, "built_to": 2027}}
    with pytest.raises(InvalidInput) as caught:
        take_in(ledger, unit)
    assert list(caught.value.faults) == [
        "job, column built_from: built_from is not after the year of taken_in; found built_from 2027, taken_in 2026-11-20",
        "job, column built_to: built_to is not after the year of taken_in; found built_to 2027, taken_in 2026-11-20",
        "job, column family: no family 'Tarnwik T2' is known; known: Tarnwick T2. Did you mean 'Tarnwick T2'?",
        "if 'Tarnwik T2' is a new family, describe it: --new-family --kind \"tape deck\"",
    ]
    with pytest.raises(InvalidInput, match="known: none yet"):
        check_unit(None, UNIT)
    assert ledger.rows("jobs") == []


TEXTS = st.sampled_from(["", "belt", "left", "Tarnwick T2", "Dallow", "rust", "2026-05", "2026-13-01", "=1+1", "1979",
                         "1978-1981", "yes", "'", "\x00", "é", "\U0001f527", "x" * 300, *OUTCOMES])  # fmt: skip
VALUES = st.one_of(TEXTS, st.integers(-5, 2100), st.booleans(), st.floats(), st.dates(), st.text(max_size=5),
                   st.lists(TEXTS, max_size=2), st.just({}), st.integers())  # fmt: skip
NAMES = st.sampled_from(["job", "family", "model", "built", "built_from", "built_to", "taken_in", "closed", "outcome",
                         "bought_for", "hours", "sold_for", "sold_on", "salvage_value", "ended_by", "ended_why",
                         "origin", "remarks", "lot", "failed", "worn", "sound", "rest_sound", "odd"])  # fmt: skip
# Rows that are right, with now and then an odd cell.
ODD_CELLS = st.dictionaries(
    st.sampled_from(["component", "position", "found", "original", "fitted_from", "arose", "failed_from", "action",
                     "part_cost", "part_source", "odd"]), VALUES, max_size=1,
)  # fmt: skip
ROWS = st.builds(
    lambda row, odd: {**row, **odd},
    st.fixed_dictionaries({"component": st.sampled_from(["belt", "head", "motor"]), "found": st.sampled_from(FOUND)},
                          optional={"position": st.sampled_from(["left", ""]), "action": st.sampled_from(ACTIONS)}),
    st.one_of(st.just({}), ODD_CELLS),
)  # fmt: skip
SIGN_TABLES = st.dictionaries(
    st.sampled_from(["rust", "hum", " rust", "odd", *USUAL_SIGNS]),
    st.one_of(st.booleans(), VALUES),
    max_size=2,
)
SOUND = {"family": "Tarnwick T2", "taken_in": "2026-05-01", "closed": "2026-05-03", "outcome": "repaired"}


def toml(value):
    """Write a value in TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + "".join(c if c.isalnum() else f"\\U{ord(c):08X}" for c in value) + '"'
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml(name)} = {toml(each)}" for name, each in value.items()) + "}"
    return str(value)


@pytest.fixture(scope="module")
def one_ledger(tmp_path_factory):
    with open_ledger(tmp_path_factory.mktemp("fuzz") / "bench.db", create=True) as opened:
        opened.put("families", [{"family": "Tarnwick T2", "kind": "tape deck"}], reason="first")
        yield opened


@settings(max_examples=200, deadline=None)
@given(job=st.dictionaries(NAMES, VALUES, max_size=2), findings=st.lists(ROWS, max_size=2), signs=SIGN_TABLES)
def test_any_sheet_is_written_whole_or_refused_with_clear_faults(one_ledger, job, findings, signs):
    entries = {**SOUND, **job}
    lines = [f"{toml(name)} = {toml(value)}" for name, value in entries.items()]
    lines += [f"finding = {toml(findings)}"] if findings else []
    lines += [f"signs = {toml(signs)}"] if signs else []
    before, refusal = len(one_ledger.rows("jobs")), None
    try:
        write_up(one_ledger, [read_sheet("\n".join(lines), "deck")], today=TODAY)
    except BenchoddsError as error:
        refusal = str(error)
    event("written" if refusal is None else "refused")
    assert len(one_ledger.rows("jobs")) == before + (refusal is None)
    if refusal is None:
        assert [problem for problem in one_ledger.check(today=TODAY) if problem.grave] == []
    else:
        assert "Nothing was written." in refusal


def test_faults_keep_their_place_and_say_how_a_family_is_added_where_they_were_asked(ledger):
    text = SMALLEST.replace("Tarnwick T2", "Dallow 80") + "hours = -1\n[[finding]]\ncomponent = 'gear'\n"
    with pytest.raises(FaultsFound, match="4 faults found") as refused:
        write_up(ledger, [read_sheet(text, "form")], today=TODAY, how_to_add="tick the box")
    places = [(each.place, each.column) for each in refused.value.found if isinstance(each, Fault)]
    assert places == [("form, job", "hours"), ("form, job", "family"), ("form, finding 1 (gear)", "found")]
    assert refused.value.found[-1] == "form, if 'Dallow 80' is a new family, describe it: tick the box"
    with pytest.raises(FaultsFound, match="if 'Dallow 80' is a new family, describe it: tick the box"):
        take_in(ledger, {"job": {"family": "Dallow 80", "taken_in": "2026-01-02"}}, how_to_add="tick the box")


def test_a_number_that_was_given_out_meanwhile(ledger, monkeypatch):
    sheet = (
        'job = "1"\nfamily = "Tarnwick T2"\noutcome = "repaired"\ntaken_in = 2026-05-02\nclosed = 2026-05-03'
    )
    beside = sheet_module.check_sheets

    def quicker(*args, **given):
        ready = beside(*args, **given)
        take_in(ledger, UNIT)  # somebody else, between the check and the writing
        return ready

    monkeypatch.setattr(sheet_module, "check_sheets", quicker)
    with pytest.raises(InvalidInput) as caught:
        add(ledger, sheet)
    assert caught.value.faults == (
        f"job, column job: 1 was given out meanwhile, to a Tarnwick T2 taken in {UNIT['job']['taken_in']}; if that is "
        "another unit, take the number out of the sheet, else add the sheet again",
    )
    assert ledger.job("1")["job"]["outcome"] == "open"
    monkeypatch.undo()
    # Whoever adds it later learns that the number is another unit's by the day on which that came in.
    with pytest.raises(InvalidInput) as caught:
        add(ledger, sheet)
    assert caught.value.faults == (
        f"sheet 1, job: 1 was given out to a unit that was taken in on {UNIT['job']['taken_in']}, the sheet says "
        "2026-05-02; if it is another unit, take the number out of the sheet, else taken_in",
    )


def test_a_number_that_does_not_go_on_from_the_others_is_noted(ledger):
    sheet = (
        'job = "{}"\nfamily = "Tarnwick T2"\noutcome = "repaired"\ntaken_in = 2026-05-02\nclosed = 2026-05-03'
    )
    new = "job {} had not been taken in; it is written as a new one"
    assert add(ledger, sheet.format("7"))[0].notes == (new.format("7"),)  # the first number is any
    assert add(ledger, sheet.format("20"))[0].notes == (new.format("20"),)
    assert add(ledger, sheet.format("120"))[0].notes == (
        new.format("120"), "99 numbers before it were not given out; they count as jobs that nobody wrote up")  # fmt: skip
    assert add(ledger, sheet.format("B-7"))[0].notes == (
        new.format("B-7"),
        "no other job's number is written as B-7 is (the last one given out is 120): if it is another bench's number, "
        "take the job out again; the next intake goes on from it",
    )
    assert add(ledger, sheet.format("2024-001"))[0].notes[1].startswith("no other job's number")
    assert add(ledger, sheet.format("2025-001"))[0].notes == (new.format("2025-001"),)  # the next year
    assert ledger.number_doubt("none") is None


def test_a_clock_that_is_behind_is_told_when_something_is_written(ledger, monkeypatch):
    monkeypatch.setattr(database, "utc_now", lambda: "2999-01-01T00:00:00.000Z")
    assert take_in(ledger, UNIT).notes == ()
    told = "the clock of this machine says"
    assert take_in(ledger, UNIT).notes[-1].startswith(told)
    sheet = 'job = "1"\noutcome = "repaired"\nclosed = 2026-11-22'
    assert add(ledger, sheet)[0].notes[-1].startswith(told)


def test_a_unit_and_its_new_model_go_in_together_or_not_at_all(ledger, monkeypatch):
    def refuse(*_):
        raise InvalidInput("no model today")

    monkeypatch.setattr("reliability.records.ledger.keep_model", refuse)
    unit = {**UNIT, "job": {**UNIT["job"], "model": "T2 S"}}
    with pytest.raises(InvalidInput, match="no model today"):
        take_in(ledger, unit)
    assert ledger.rows("jobs") == []


def test_composed_and_decomposed_letters_are_one_name(ledger):
    composed, apart = "Ka\u0308the".replace("a\u0308", "\u00e4"), "Ka\u0308the"
    assert composed != apart
    family = {"family": apart, "kind": "ra\u0308dio"}
    take_in(
        ledger, {"job": {"family": apart, "taken_in": "2026-05-01", "job": f"{apart}1"}}, new_family=family
    )
    assert [row["family"] for row in ledger.rows("families")] == [composed, "Tarnwick T2"]
    for name in (composed, apart):
        assert ledger.job(f"{name}1")["job"]["family"] == composed
        assert len(ledger.history(f"{name}1")) == 1
    sheet = f'job = "{apart}1"\nfamily = "{apart}"\noutcome = "repaired"\nclosed = 2026-05-20\nfailed = ["bela\u0308g"]'
    assert add(ledger, sheet, new_components=["bela\u0308g"])[0].job == f"{composed}1"
    ledger.amend(f"{apart}1", {"findings": [{"component": "bel\u00e4g", "found": "worn"}]}, reason="x")
    assert len(ledger.job(f"{composed}1")["findings"]) == 1


def test_a_sheet_that_changes_what_intake_wrote_says_so(ledger):
    unit = {"job": {**UNIT["job"], "bought_for": 25, "model": "T2 S", "built_from": 1979, "built_to": 1979}}
    take_in(ledger, unit)
    sheet = 'job = "1"\noutcome = "repaired"\nclosed = 2026-11-22\nbought_for = {}\nbuilt = {}'
    told = [note for note in checked(ledger, sheet.format(20, 1980)) if note.startswith("changes what")]
    assert told == [
        "changes what was written when job 1 was taken in: bought_for 25.00 -> 20.00, built_from 1979 -> 1980, built_to "
        "1979 -> 1980; if the sheet is about another unit, amend that job back and add the sheet without its number"
    ]
    assert not any(note.startswith("changes") for note in checked(ledger, sheet.format('"25.0"', 1979)))


def checked(ledger, text):
    return check_sheets(ledger, [read_sheet(text, "sheet 1")], today=TODAY)[0].notes
