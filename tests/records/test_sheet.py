"""Job sheets: read, blank, laid beside a ledger, written into it; units taken in; corrections."""

import datetime
import time
import tomllib
from decimal import Decimal
from itertools import count

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reliability.errors import InvalidInput, LedgerError, Refused
from reliability.records import database
from reliability.records.sheet import (
    JobSheet,
    amendment,
    blank_sheet,
    load_sheet,
    open_jobs,
    read_sheet,
    read_window,
    write_up,
)
from reliability.records.tables import (
    TABLES,
    USUAL_COMPONENTS,
    USUAL_SIGNS,
    usual_components,
)

TODAY = datetime.date(2026, 11, 24)
SMALLEST = """
family = "Tarnwick T2"
outcome = "repaired"
bought_for = 25
failed = ["belt"]
rest_sound = true
sold_for = 160
"""
DALLOW = SMALLEST.replace("Tarnwick T2", "Dallow 80")
UNIT = {"job": {"family": "Tarnwick T2", "taken_in": "2026-11-20", "bought_for": 30}}

# A sheet as it was written.


def test_a_sheet_that_says_everything(tmp_path):
    sheet = read_sheet("""
        job = 17
        family = "Tarnwick T2"
        model = " T2 mk II "
        built = "1978-1981"
        taken_in = 2026-05-01
        closed = "2026-05"
        bought_for = 12.50
        hours = 9223372036854775808
        lot = ""
        failed = ["belt"]
        worn = ["head"]
        sound = ["motor"]
        kept = ["gear", "gear"]
        remarks = '''
        two
        lines'''

        [signs]
        rust = true
        hum = "no"
        "no power" = false
        "burnt smell" = ""

        [[finding]]
        component = "switch"
        position = "left"
        found = "failed"
        part_cost = 3.2

        [[followup]]
        checked_on = 2026-09-01
        working = true

        [new_family]
        kind = "tape deck"
        maker = "Tarnwick"
        """)
    assert sheet.faults == ()
    assert sheet.document["job"] == {
        "job": "17", "family": "Tarnwick T2", "model": "T2 mk II", "built_from": 1978, "built_to": 1981,
        "taken_in": datetime.date(2026, 5, 1), "closed": "2026-05", "bought_for": Decimal("12.50"),
        "hours": "9223372036854775808", "lot": None, "remarks": "two\n        lines",
    }  # fmt: skip
    assert sheet.document["findings"] == [
        {"component": "switch", "position": "left", "found": "failed", "part_cost": Decimal("3.2")},
        {"component": "belt", "found": "failed"}, {"component": "head", "found": "worn"},
        {"component": "motor", "found": "sound"},
    ]  # fmt: skip
    # Where nobody looked there is no row.
    assert sheet.document["signs"] == [
        {"sign": "rust", "seen": True}, {"sign": "hum", "seen": "no"}, {"sign": "no power", "seen": False}
    ]  # fmt: skip
    assert sheet.document["followups"] == [{"checked_on": datetime.date(2026, 9, 1), "working": True}]
    assert sheet.new_family == {"family": "Tarnwick T2", "kind": "tape deck", "maker": "Tarnwick"}
    assert sheet.kept == ({"component": "gear", "worth": None},) * 2
    (tmp_path / "deck.toml").write_bytes(b"\xef\xbb\xbf" + SMALLEST.encode())
    assert load_sheet(tmp_path / "deck.toml").document == read_sheet(SMALLEST).document


ABOVE = "it belongs to the job: write it above the first heading in brackets"
ONE_STATE = ("there more than once, or in a [[finding]] too; a component has one state. Where a unit has several, give "
             "each a [[finding]] with its position")  # fmt: skip


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("sold_fr = 5", "'sold_fr': a sheet has no such entry; it has job, family, model, lot, built_from, "
            "built_to, year_basis, taken_in, closed, outcome, bought_for, hours, other_costs, sold_for, sold_on, "
            "salvage_value, ended_by, ended_why, origin, remarks, built, failed, worn, sound, rest_sound, kept, signs, "
            "finding, followup, new_family. Did you mean 'sold_for'?"),
        ("[[finding]]\ncomponet = 'belt'", "finding 1, 'componet': there is no such column; there are component, "
            "position, found, original, fitted_from, fitted_to, arose, failed_from, failed_to, action, part_cost, "
            "part_source, from. Did you mean 'component'?"),
        ("[[followup]]\nworking = true\nsold_for = 9", "followup 1, 'sold_for': there is no such column; there are "
            f"checked_on, working, failed_on, component, hours, cost. Perhaps {ABOVE}."),
        ("[new_family]\nknd = 'radio'", "new_family, 'knd': there is no such column; there are kind, maker, first_year, "
            "last_year, working_price, priced_on, price_spread, notes. Did you mean 'kind'?"),
        ("[signs]\nrust = true\noutcome = 'donor'", f"signs, 'outcome': is no sign; {ABOVE}"),
        ("signs = ['rust']", "signs: is a table with the heading [signs] and lines such as rust = true"),
        ("finding = 3", "finding: is a table of its own, with the heading [[finding]]"),
        ("[followup]\nworking = true", "followup: is a table of its own, with the heading [[followup]]"),
        ("new_family = 'radio'",
            'new_family: is a table with the heading [new_family] and lines such as kind = "tape deck"'),
        ("rest_sound = 'yes'", "rest_sound: 'yes' is neither true nor false"),
        ("failed = 'belt'", "failed: 'belt' is not a list of components such as [\"belt\", \"motor\"]"),
        ("worn = ['belt', 3]", "worn: ['belt', 3] is not a list of components such as [\"belt\", \"motor\"]"),
        *((text, f"failed or worn or sound: 'belt' stands {ONE_STATE}") for text in (
            "failed = ['belt']\nsound = ['belt']", "worn = ['belt', 'belt ']",
            "failed = ['belt']\n[[finding]]\ncomponent = 'belt'\nfound = 'failed'")),
        ("built = '1981-1978'", "built: '1981-1978' ends before it begins"),
        ("built = '197?'", "built: '197?' is neither a year such as 1979 nor a window such as 1978-1981"),
        ("built = 1979\nbuilt_to = 1980", "built: is given beside built_from or built_to; write one or the other"),
        ("kept = 3", "kept: 3 is neither a list of components such as [\"motor\"] nor a table with the heading [kept] "
            "and lines such as motor = 12.00"),
        ("[[finding]]\nfrom = 'x'", "finding 1, 'from': 'x' is not the number of a part on the shelf"),
    ],
)  # fmt: skip
def test_each_fault_is_named_with_its_place(text, expected):
    assert [str(fault) for fault in read_sheet(text, "deck.toml").faults] == [expected]


@pytest.mark.parametrize("value", [True, 1979.5, Decimal("1979"), None, "79", "1978-81", [1979]])
def test_a_window_is_written_in_one_way(value):
    assert read_window(1979) == read_window(" 1979 ") == (1979, 1979)
    assert read_window("1978 - 1981") == (1978, 1981)
    with pytest.raises(Refused, match="is neither a year such as 1979 nor a window such as 1978-1981"):
        read_window(value)


DOTS = r"^deck, line 2: no name in a sheet has 30 dots\. Nothing was written"
UNREADABLE = r"^deck holds a number, a date or a list that cannot be read\. Nothing was written"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("sold_on = 03/04/2024", r"^deck is not written in TOML: .*line 2, column 12\)\. Nothing was"),
        ("sold_on = 2026-02-30", "^deck (holds a number, a date|is not written in TOML).*Nothing was"),
        ("x" + ".a" * 90_000 + " = 1", DOTS), ("[" + "a." * 90_000 + "b]", DOTS),
        ("y = {x" + " . a" * 40_000 + " = 1}", DOTS),
        ("y = " + "[" * 90_000, UNREADABLE), ("hours = " + "9" * 100_000, UNREADABLE),
        ("#" * 1_000_000, r"^deck has more than 1,000,000 bytes, which no sheet has\. Nothing was written"),
    ],
    ids=range(8),
)  # fmt: skip
def test_what_no_parser_can_read_is_refused_at_once(text, message):
    start = time.process_time()
    with pytest.raises(InvalidInput, match=message):
        read_sheet(f"family = 'x'\n{text}", "deck")
    assert time.process_time() - start < 1


def test_dots_in_a_text_are_no_name():
    leader = "belt " + "." * 200 + " 3 EUR"
    assert read_sheet(f"remarks = '{leader}'", "deck").document["job"]["remarks"] == leader


def test_files_that_are_none(tmp_path):
    with pytest.raises(InvalidInput, match=r"^deck, line 2: byte 0xE9 is not UTF-8; save the sheet as UTF-8"):
        read_sheet("family = 'x'\nremarks = 'décor'".encode("latin-1"), "deck")
    with pytest.raises(
        InvalidInput, match=r"none\.toml cannot be read: No such file or directory\. Nothing was"
    ):
        load_sheet(tmp_path / "none.toml")


@settings(max_examples=200)
@given(st.text())
def test_any_text_is_a_sheet_or_one_clear_error(text):
    try:
        said = read_sheet(text, "deck").source
    except InvalidInput as error:
        said = error.message
    assert said.startswith("deck")


# A blank one.


def blank(**more):
    return blank_sheet("Tarnwick T2", "tape deck", usual_components("tape deck"), USUAL_SIGNS, **more)


def test_a_blank_sheet_has_a_line_and_a_comment_for_every_column():
    sheet, lines = read_sheet(blank()), blank().splitlines()
    assert sheet.faults == ()
    said = {name: value for name, value in sheet.document["job"].items() if value is not None}
    assert (said, sheet.rest_sound) == ({"family": "Tarnwick T2"}, False)
    columns = set(TABLES["jobs"].names) - {"built_from", "built_to", "origin"}
    assert columns | {"built", "failed", "worn", "sound", "rest_sound", "kept", "signs"} == set(
        tomllib.loads(blank())
    )
    for name in columns - {"family", "job"}:
        (number,) = [at for at, line in enumerate(lines) if line.startswith(f"{name} = ")]
        assert "# " in lines[number] or lines[number - 1].startswith("# "), name
    assert max(map(len, lines)) <= 102
    assert '# Usual components: "belt", "pinch roller", "idler"' in blank()
    foot = blank().split("# [[finding]]\n")[1].splitlines()
    (finding,) = tomllib.loads("[[finding]]\n" + "\n".join(line.removeprefix("# ") for line in foot))[
        "finding"
    ]
    assert set(finding) == set(TABLES["findings"].names) - {"job"} | {"from"}


def test_odd_names_stay_what_they_are():
    family = 'T2 "de luxe" \\ né'
    written = tomllib.loads(blank_sheet(family, "tape deck", ['16" belt'], ['"hum"']))
    assert (written["family"], '"hum"' in written["signs"]) == (family, True)


# Beside a ledger, and into it.


def take_in(ledger, unit, *, new_family=None, **more):
    document = {"findings": [], "signs": [], "followups": [], **unit}
    (written,) = write_up(ledger, [JobSheet("", document, new_family, comes_in=True)], **more)
    return written


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
    assert (document["job"]["sold_for"], document["job"]["sold_on"]) == (Decimal("160.00"), None)
    states = {row["component"]: row["found"] for row in document["findings"]}
    assert states == {name: "sound" for name in USUAL_COMPONENTS["tape deck"]} | {"belt": "failed"}
    assert ledger.check(today=TODAY) == []


def test_a_sheet_without_a_number_reminds_of_open_units(ledger):
    number = take_in(ledger, UNIT).job
    (written,) = add(ledger, SMALLEST)
    assert written.job == "2"
    assert written.notes[-1] == (
        f"still open of this family: {number}. If the sheet was about one of them, take the new job out with: "
        "benchodds amend JOB --withdraw, and add the sheet again with the number in it"
    )
    assert [row["job"] for row in open_jobs(ledger)] == [number]


ENDS = "sheet 1, job, column outcome: a sheet says how the job ended: repaired, donor, scrapped, sold as is"


@pytest.mark.parametrize(
    ("sheet", "expected"),
    [
        (SMALLEST + "taken_in = 2019-05-01", ["sheet 1, job, column closed: closed is empty where outcome is open, and only there; found closed empty, outcome repaired"]),
        (SMALLEST + "closed = 2019-05-01", ["sheet 1, job, column taken_in: is empty, but every row needs it"]),
        ('job = 1\noutcome = "repaired"', ["sheet 1, job: 1 is finished already (repaired); correct it with: benchodds amend 1 --set COLUMN=VALUE --why REASON"]),
        ("job = 2\nhours = 3", [ENDS]),
        ("job = 2\nhours = -3", [ENDS, "sheet 1, job, column hours: -3 is not at least 0 and at most 10000"]),
        ('job = 2\noutcome = "open"', [f"{ENDS}; intake is for units that come in"]),
        ('job = 2\nfamily = "Brill R"\noutcome = "donor"', ["sheet 1, job: 2 was taken in as 'Tarnwick T2', the sheet says 'Brill R'; mend the number, or amend the family of the job first"]),
        (SMALLEST + 'ended_by = "gear"\n[[finding]]\ncomponent = "head"\nfound = "sound"\narose = "during work"', [
            "sheet 1, job, column ended_by: ended_by is given only where outcome is donor or scrapped or sold as is; found ended_by gear, outcome repaired",
            "sheet 1, finding 1 (head), column found: where arose is during work, found is failed (it died on the bench); found arose during work, found sound",
        ]),
        (SMALLEST + "[new_family]\nkind = 'radio'", ["sheet 1, new family: the ledger knows 'Tarnwick T2' already; leave its description out"]),
        ("family = ['x']\noutcome = 'scrapped'\n[new_family]\nkind = 'radio'", ["sheet 1, job, column family: ['x'] is not a text; put it in quotation marks"]),
        (DALLOW + "[new_family]\nfirst_year = 79", [
            "sheet 1, new family, column kind: is empty, but every row needs it",
            "sheet 1, new family, column first_year: 79 is not a four-digit year from 1800 to 2100; leave it empty if it is not known",
        ]),
        (DALLOW + 'model = "T2 mk II"\n[new_family]\nkind = "radio"', ["sheet 1, job, column model: model 'T2 mk II' belongs to family 'Tarnwick T2', not 'Dallow 80'"]),
    ],
)  # fmt: skip
def test_what_a_sheet_cannot_say(ledger, sheet, expected):
    ledger.put("families", [{"family": "Brill R", "kind": "receiver"}], reason="second")
    add(ledger, SMALLEST + 'model = "T2 mk II"')
    take_in(ledger, UNIT)
    assert refusal(ledger, sheet) == expected


def test_a_component_that_was_never_seen_has_to_be_meant(ledger):
    text = SMALLEST.replace("belt", "bellt")
    (fault,) = refusal(ledger, text)
    assert fault.startswith(
        "sheet 1, finding 1 (bellt), column component: component 'bellt' was never seen here; known: bearing, "
    )
    assert fault.endswith("Did you mean 'belt'? If it is new, say so: --new-component 'bellt'")
    assert refusal(ledger, SMALLEST, new_components=["bellt", "reel"]) == [
        "--new-component 'bellt': no sheet names it. Did you mean 'belt'?",
        "--new-component 'reel': no sheet names it.",
    ]
    add(ledger, text, new_components=["bellt "])
    assert "bellt" in ledger.names("component")


def test_all_sheets_are_checked_before_the_first_is_written(ledger):
    nine = "job = 9\n" + SMALLEST
    assert refusal(ledger, SMALLEST, "outcome = 'repared'", nine, nine, unreadable=["sheet 5 is torn"]) == [
        "sheet 5 is torn",
        "sheet 2, job, column family: is empty, but every row needs it",
        "sheet 2, job, column outcome: 'repared' is not one of repaired, donor, scrapped, sold as is, open. Did you mean 'repaired'?",
        "sheet 4, job: 9 is in sheet 3 too",
    ]
    with pytest.raises(InvalidInput, match=r"deck\.toml, it is given twice"):
        write_up(ledger, [read_sheet(SMALLEST, "deck.toml")] * 2, today=TODAY)


NEW = SMALLEST + 'model = "T9"\nkept = ["gear"]\n[new_family]\nkind = "radio"\n'


@pytest.mark.parametrize("at", range(5))
def test_sheets_go_in_whole_with_all_that_is_new_or_not_at_all(ledger, monkeypatch, at):
    before = {table: ledger.rows(table) for table in ("families", "jobs", "findings", "models", "shelf")}
    numbers = count()
    keep = database.keep_versions

    def fail(connection, what, *rest):
        kept.append(what)
        if next(numbers) == at:
            raise LedgerError("the disk is full.")
        return keep(connection, what, *rest)

    kept = []
    monkeypatch.setattr(database, "keep_versions", fail)
    sheets = (SMALLEST, NEW.replace("Tarnwick T2", "Larkov T1").replace("repaired", "donor")
              .replace("sold_for = 160", ""))  # fmt: skip
    with pytest.raises(LedgerError, match=r"^the disk is full\.$"):
        add(ledger, *sheets)
    assert kept == ["jobs", "families", "jobs", "models", "shelf"][: at + 1]
    assert {table: ledger.rows(table) for table in before} == before
    monkeypatch.undo()
    assert [each.job for each in add(ledger, *sheets)] == ["1", "2"]
    assert ledger.check(today=TODAY) == []


NUMBERED = (
    'job = "{}"\nfamily = "Tarnwick T2"\noutcome = "repaired"\ntaken_in = 2026-05-02\nclosed = 2026-05-03'
)


def test_a_number_that_was_given_out_meanwhile(ledger):
    take_in(ledger, UNIT)  # somebody else, after the sheet was printed
    # Whoever adds it later learns that the number is another unit's by the day on which that came in.
    assert refusal(ledger, NUMBERED.format(1)) == [
        f"sheet 1, job: 1 was given out to a unit that was taken in on {UNIT['job']['taken_in']}, the sheet says "
        "2026-05-02; if it is another unit, take the number out of the sheet, else taken_in"
    ]


def test_a_number_that_does_not_go_on_from_the_others_is_noted(ledger):
    for number, doubt in (
        ("7", ""),  # the first number is any
        ("20", ""),
        ("120", "99 numbers before it were not given out; they count as jobs that nobody wrote up"),
        ("B-7", "no other job's number is written as B-7 is (the last one given out is 120): if it is another bench's "
                "number, take the job out again; the next intake goes on from it"),
        ("2024-001", "no other job's number is written as 2024-001 is (the last one given out is B-7): if it is another "
                     "bench's number, take the job out again; the next intake goes on from it"),
        ("2025-001", ""),  # the next year
    ):  # fmt: skip
        (written,) = add(ledger, NUMBERED.format(number))
        new = f"job {number} had not been taken in; it is written as a new one"
        assert written.notes == ((new, doubt) if doubt else (new,))
    assert ledger.number_doubt("none") is None


def test_a_number_whose_job_was_withdrawn_is_told_as_one_that_was_given_out(ledger):
    number = take_in(ledger, UNIT).job
    ledger.withdraw(number, reason="a mistake")
    (written,) = add(ledger, NUMBERED.format(number))
    assert written.notes == (f"job {number} was withdrawn before; it is written anew under the same number",)


def test_a_clock_that_is_behind_is_told_when_something_is_written(ledger, monkeypatch):
    monkeypatch.setattr(database, "utc_now", lambda: "2999-01-01T00:00:00.000Z")
    assert take_in(ledger, UNIT).notes == ()
    told = "the clock of this machine says"
    assert take_in(ledger, UNIT).notes[-1].startswith(told)
    sheet = 'job = "1"\noutcome = "repaired"\nclosed = 2026-11-22'
    assert add(ledger, sheet)[0].notes[-1].startswith(told)


# Corrections.

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
        def amend(self, *cells, sheet=None):
            read = None if sheet is None else read_sheet(sheet)
            changes = amendment(ledger.job(number), "tape deck", settings=cells, sheet=read)
            ledger.amend(number, changes, reason="looked again")
            return ledger.job(number)

        def refuse(self, *cells, sheet=None):
            with pytest.raises(InvalidInput) as caught:
                self.amend(*cells, sheet=sheet)
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


def finding(component, **cells):
    lines = [f'{name} = "{value}"' for name, value in {"component": component, **cells}.items()]
    return "\n".join(["[[finding]]", *lines, ""])


AS, DURING = ("", "as received"), ("", "during work")


@pytest.mark.parametrize(("sheet", "changed"), [
    ('worn = ["belt"]\nsound = ["motor"]\n' + finding("switch", position="left", found="failed")
     + finding("switch", position="right", found="sound"),
     {("belt", *AS): "worn", ("motor", *AS): "sound", ("switch", "left", AS[1]): "failed",
      ("switch", "right", AS[1]): "sound"}),
    # When it arose can change though it is part of the key.
    (finding("belt", found="") + finding("belt", found="failed", arose="during work"),
     {("belt", *AS): None, ("belt", *DURING): "failed"}),
    (finding("belt", found="") + finding("switch", position="left", found=""),
     {("belt", *AS): None, ("switch", "left", AS[1]): None}),
    ("rest_sound = true\n", {(name, *AS): "sound" for name in ("pinch roller", "idler", "gear", "motor", "capacitor")}),
])  # fmt: skip
def test_findings_are_matched_by_component_and_position(job, sheet, changed):
    before = states({"findings": [{"position": "", "arose": AS[1], **row} for row in FINDINGS]})
    document = job.amend(sheet=sheet + '[signs]\nrust = ""\nhum = "no"\n"burnt smell" = ""\n')
    assert states(document) == {place: found for place, found in (before | changed).items() if found}
    belts = [row for row in document["findings"] if row["component"] == "belt" and row["arose"] == AS[1]]
    assert all(row["part_cost"] == 3 for row in belts)
    assert document["signs"] == [{"sign": "hum", "seen": "no"}]


def test_everything_that_cannot_be_set_is_listed(job):
    columns = ("family, model, lot, built_from, built_to, year_basis, taken_in, closed, outcome, bought_for, hours, "
               "other_costs, sold_for, sold_on, salvage_value, ended_by, ended_why, origin, remarks")  # fmt: skip
    none = "that can be set; there are " + columns + ". Findings and signs are corrected by a sheet."
    assert job.refuse("outcme=donor", "belt.found=worn", "hours", "built=79", "job=3") == [
        f"--set 'outcme=donor': jobs have no column 'outcme' {none} Did you mean 'outcome'?",
        f"--set 'belt.found=worn': jobs have no column 'belt.found' {none}",
        "--set 'hours': write COLUMN=VALUE; nothing after the = empties the cell",
        "--set 'built=79': '79' is neither a year such as 1979 nor a window such as 1978-1981",
        f"--set 'job=3': jobs have no column 'job' {none}",
    ]


def test_what_is_not_there_cannot_be_taken_out(job):
    empty, unseen = job.refuse(sheet=finding("bellt", found=""))
    assert empty == "finding 5 (bellt), column found: is empty, but every row needs it"
    assert unseen.endswith("Did you mean 'belt'? If it is new, say so: --new-component 'bellt'")
    assert job.refuse(sheet='[signs]\nrst = ""\n') == ["job: job 1 says so already"]


def test_faults_of_the_sheet(job):
    found = job.refuse(sheet='hurs = 3\n[new_family]\nkind = "radio"\n')
    assert found[0].endswith("Did you mean 'hours'?")
    assert found[1] == "sheet, new_family: an amendment describes no family"
    twice = finding("belt", found="failed") + finding("belt", found="sound")
    (fault,) = job.refuse(sheet=twice)
    assert fault.endswith(
        "column component: finding 1 (belt) has the same job '1', component 'belt', position '', arose 'as received'"
    )
