import datetime
import random
import re
import sqlite3
from contextlib import closing
from types import SimpleNamespace
from unittest.mock import Mock

import pytest
from sqlalchemy.exc import DatabaseError

from reliability.errors import LedgerError
from reliability.records import audit, database
from reliability.records.database import worded_damage
from reliability.records.frames import read_records
from reliability.records.ledger import open_ledger
from reliability.worth.bench import read_bench

TODAY = datetime.date(2026, 11, 24)


@pytest.fixture
def told(ledger):
    """Check the ledger and give its problems as text."""

    def told(*topics):
        problems = ledger.check(today=TODAY)
        assert not any(problem.grave for problem in problems)
        return [str(problem) for problem in problems if problem.topic in topics]

    return told


@pytest.fixture
def spoiled(ledger, file, full):
    """Change a sound ledger behind its back, as another program could."""

    def spoil(*statements):
        ledger.add(full())
        connection = sqlite3.connect(file)
        connection.execute("PRAGMA ignore_check_constraints = ON")
        for statement in statements:
            connection.execute(statement)
        connection.commit()
        connection.close()
        problems = ledger.check(today=TODAY)
        assert all(problem.grave for problem in problems)
        return [str(problem) for problem in problems]

    return spoil


@pytest.mark.parametrize(
    ("statements", "problems"),
    [
        (["DELETE FROM families"],
         ["reference to nothing: the row refers to families that does not exist [jobs, row 1]",
          "rule broken: column family: no family 'Tarnwick T2' is known; known: none yet. [job 1]",
          "row missing: the history holds it, the tables do not [families Tarnwick T2]"]),
        (["UPDATE jobs SET outcome = 'mended'"],
         ["rule broken: column outcome: 'mended' is not one of repaired, donor, scrapped, sold as is, open. [job 1]",
          "history differs: the newest version kept is not what the tables say [jobs 1]"]),
        (["UPDATE findings SET found = 'sound'", "UPDATE history SET content = replace(content, 'failed', 'sound')"],
         ["rule broken: column failed_from: failed_from is given only where found is failed; found failed_from 2020-01, found sound [job 1, component belt, arose as received]",
          "rule broken: column failed_to: failed_to is given only where found is failed; found failed_to 2026-04-30, found sound [job 1, component belt, arose as received]",
          "rule broken: column found: where arose is during work, found is failed (it died on the bench); found arose during work, found sound [job 1, component head, position left, arose during work]",
          "rule broken: column failed_from: failed_from is given only where found is failed; found failed_from 2026-05-02, found sound [job 1, component head, position left, arose during work]",
          "rule broken: column failed_to: failed_to is given only where found is failed; found failed_to 2026-05-02, found sound [job 1, component head, position left, arose during work]",
          "history differs: the newest version kept is not what the tables say [jobs 1]",
          "history changed: entry 2, version 1, is not what was written, or the entry before it was changed or taken out; compare it with a backup [jobs 1]"]),
        (["DELETE FROM history WHERE what = 'jobs'"],
         ["history incomplete: no version of it was kept [jobs 1]"]),
        (["UPDATE history SET version = 3 WHERE what = 'jobs'"],
         ["history incomplete: versions (3,) are not counted from 1 [jobs 1]",
          "history changed: entry 2, version 3, is not what was written, or the entry before it was changed or taken out; compare it with a backup [jobs 1]"]),
        (["UPDATE history SET content = replace(content, '{\"job\"', '{job\"') WHERE what = 'jobs'"],
         ["history damaged: entry 2, version 1, cannot be read; restore a backup, or look this version up in one [jobs 1]",
          "history changed: entry 2, version 1, is not what was written, or the entry before it was changed or taken out; compare it with a backup [jobs 1]"]),
        (["UPDATE history SET digest = '' WHERE what = 'families'"],
         ["history changed: entry 1, version 1, is not what was written, or the entry before it was changed or taken out; compare it with a backup [families Tarnwick T2]",
          "history changed: entry 2, version 1, is not what was written, or the entry before it was changed or taken out; compare it with a backup [jobs 1]"]),
        (["UPDATE history SET written_at = 'late' WHERE what = 'jobs'"],
         ["history changed: entry 2, version 1, is not what was written, or the entry before it was changed or taken out; compare it with a backup [jobs 1]"]),
        (["DELETE FROM followups", "DELETE FROM signs", "DELETE FROM findings", "DELETE FROM jobs"],
         ["row missing: the history holds it, the tables do not [jobs 1]"]),
        (["DELETE FROM numbering"], ["number not counted: intake could give this number out again [job 1]"]),
        (["INSERT INTO settings VALUES ('hour_rates', '5')"],
         ["rule broken: column setting: 'hour_rates' is not one of currency, hour_rate, selling_fee, disposal_cost, margin, caution, haggle_room, offers_expected, warranty_days, gap_repaired_share, count_gaps, selling_hours, typing. Did you mean 'hour_rate'? [settings, setting hour_rates]",
          "history incomplete: no version of it was kept [settings hour_rates]"]),
    ],
)  # fmt: skip
def test_what_was_changed_behind_the_ledgers_back_is_found(spoiled, statements, problems):
    assert spoiled(*statements) == problems


def test_damage_that_keeps_the_database_from_checking_itself(ledger, monkeypatch):
    malformed = DatabaseError("PRAGMA x", (), sqlite3.DatabaseError("database disk image is malformed"))
    torn = SimpleNamespace(
        dialect=SimpleNamespace(name="sqlite"), exec_driver_sql=Mock(side_effect=malformed)
    )
    assert [str(problem) for problem in audit.file_problems(torn)] == [
        "damaged file: it cannot even be checked; restore a backup"
    ]
    monkeypatch.setattr(audit, "file_problems", Mock(side_effect=LedgerError("The disk has gone.")))
    with pytest.raises(LedgerError, match=r"^The disk has gone\.$"):
        ledger.check()


def test_gaps_are_counted_once_per_prefix_and_withdrawn_numbers_are_none(ledger, finished, told):
    for number in ("3", "4", "7", "9", "10", "11", "B08", "B10"):
        ledger.add(finished(job=number))
    for number in ("99", "x_1", "x_9"):
        ledger.add(finished(job=number, origin="swap shop"))
    ledger.withdraw("x_1", reason="twice")
    how = "never written up; gap_repaired_share says how they count"
    gaps = [f"gap in the job numbers: 3 jobs were {how} [jobs 5 to 6, job 8]",
            f"gap in the job numbers: 1 job was {how} [job B09]"]  # fmt: skip
    assert told("gap in the job numbers") == gaps
    ledger.add(finished(job="8"))
    ledger.withdraw("8", reason="never was one")
    assert told("gap in the job numbers") == [
        f"gap in the job numbers: 2 jobs were {how} [jobs 5 to 6]",
        gaps[1],
    ]
    assert read_records(ledger).withdrawn == ("8",)
    ledger.add(finished(job="007"))
    assert [str(problem) for problem in ledger.check()] == [
        "number used twice: only the zeros in front differ [job 007, job 7]"
    ]


@pytest.mark.parametrize(
    ("settings", "last", "how"),
    [
        # Of 4 written jobs 2 gaps are half, 3 are more.
        ({}, "6", "gap_repaired_share says how they count"),
        ({}, "7", "gaps of more than half of the written jobs are not counted while count_gaps is not set"),
        ({"count_gaps": "yes"}, "7", "gap_repaired_share says how they count"),
        ({"count_gaps": "no"}, "6", "count_gaps leaves them out"),
    ],
)
def test_it_is_told_whether_gaps_count(ledger, finished, told, settings, last, how):
    for number in ("1", "2", "3", last):
        ledger.add(finished(job=number))
    ledger.put("settings", [{"setting": k, "value": v} for k, v in settings.items()], reason="said so")
    n = int(last) - 4
    assert told("gap in the job numbers") == [
        f"gap in the job numbers: {n} jobs were never written up; {how} [jobs 4 to {n + 3}]"
    ]
    records = read_records(ledger)
    assert records.settings.count_gaps == settings.get("count_gaps")
    assert read_bench(records, TODAY).gaps_count == (how == "gap_repaired_share says how they count")


def test_gaps_of_numbers_that_are_days_are_not_counted_and_cut_short(ledger, finished, told):
    days = [f"24{month:02d}{day:02d}" for month in range(1, 13) for day in (5, 12, 26)]
    for number in days:  # the 30th of their 35 gaps lies after 241026
        ledger.add(finished(job=number))
    (said,) = told("gap in the job numbers")
    n = 241226 - 240105 + 1 - len(days)
    assert said.startswith(f"gap in the job numbers: {n} jobs were never written up; gaps of more than half ")
    assert said.endswith(", jobs 241027 to 241104, and 5 more]")


RADIO = ("families", [{"family": "Dallow 80", "kind": "radio"}])
NO_FINDINGS = "no findings: 2 finished jobs, but no state of any component [family Tarnwick T2]"
FAILED = [
    {"findings": [{"component": component, "position": position, "found": "failed"}]}
    for component in ("belt", "motor", "head", "gear", "idler") for position in ("left", "right")
]  # fmt: skip
SOLD = [{"sold_for": 1000}, ("families", [{"family": "Tarnwick T2", "working_price": 100}])]
MORE_SOLD = [{"sold_for": price, "bought_for": price / 10} for price in (800, 900, 1100, 1200, 100)]
BELTS = [
    {"findings": [{"component": "belt", "found": "failed", "part_cost": cost}]} for cost in (4, 4, 4, 4, 40)
]


def a_part(component, action):
    return {"outcome": "donor", "findings": [{"component": component, "found": "failed", "action": action}]}


def ended_by_gear(*found, why="too worn"):
    findings = [{"component": "gear", "position": str(n), "found": state} for n, state in enumerate(found)]
    return {"outcome": "donor", "ended_by": "gear", "ended_why": why, "findings": findings}


@pytest.mark.parametrize(("topics", "steps", "lines"), [
    ("too rosy", [{}] * 19, []),
    ("too rosy", [{}] * 20,
     ["too rosy: 20 of 20 finished jobs were repaired; were the others written up? [this bench]",
      "too rosy: 20 of 20 finished jobs were repaired; were the others written up? [family Tarnwick T2]"]),
    ("too rosy",
     [RADIO, *[{}] * 20, {"outcome": "scrapped"},
      *({"job": f"s{n}", "origin": "swap shop", "family": "Dallow 80"} for n in range(20))],
     ["too rosy: 20 of 21 finished jobs were repaired; were the others written up? [this bench]",
      "too rosy: 20 of 20 finished jobs were repaired; were the others written up? [origin swap shop]",
      "too rosy: 20 of 20 finished jobs were repaired; were the others written up? [family Dallow 80]"]),
    ("long open",  # 180 days before that day, and more
     [{"outcome": "open", "closed": None, "taken_in": day} for day in ("2025-05", "2026-05-28")],
     ["long open: open since 2025-05; close it, or it counts as unfinished [job 1]"]),
    ("model of another family",
     [RADIO, ("models", [{"model": "M", "family": "Tarnwick T2"}]), {"model": "M"},
      ("models", [{"model": "M", "family": "Dallow 80"}])],
     ["model of another family: model M belongs to Dallow 80, the job to Tarnwick T2 [job 1]"]),
    ("no findings, only failures", [{}, {"outcome": "donor"}], [NO_FINDINGS]),
    ("no findings, only failures", [{}], [NO_FINDINGS.replace("2 finished jobs", "1 finished job")]),
    ("no findings, only failures", [{}, *FAILED],
     ["only failures: 10 findings and none of them sound; sound parts are written down too [family Tarnwick T2]"]),
    ("no findings, only failures", [*FAILED, {"findings": [{"component": "belt", "found": "sound"}]}], []),
    ("year outside the span, wide window, placeholder year, unlikely age",
     [("families", [{"family": "Dallow 80", "kind": "radio", "first_year": 1890, "last_year": 1935},
                    {"family": "Pell", "kind": "radio"}]),
      ("models", [{"model": "T2b", "family": "Tarnwick T2", "first_year": 1980, "last_year": 1990}]),
      *({"built_from": first, "built_to": last}
        for first, last in ((1974, 1974), (1975, 1984), (1980, 1985), (1985, None), (None, 1970))),
      {"model": "T2b", "built_from": 1979, "built_to": 1979},
      {"family": "Dallow 80", "built_from": 1900, "built_to": 1931},
      *({"family": "Pell", "built_from": first, "built_to": last}
        for first, last in ((1900, 1900), (1876, 1876), (1876, 1926), (2026, 2026), (1926, 1926), (1925, 1925)))],
     ["year outside the span: built 1974, the family was made 1975 to 1984 [job 1]",
      "year outside the span: built 1980 to 1985, the family was made 1975 to 1984 [job 3]",
      "year outside the span: built 1985 to …, the family was made 1975 to 1984 [job 4]",
      "year outside the span: built … to 1970, the family was made 1975 to 1984 [job 5]",
      "year outside the span: built 1979, the model was made 1980 to 1990 [job 6]",
      "year outside the span: made 1980 to 1990, its family 1975 to 1984 [model T2b]",
      "wide window: built 1876 to 1926 says next to nothing [job 10]",
      "wide window: built 1900 to 1931 says next to nothing [job 7]",
      "unlikely age: at least 101 years old when it was taken in [job 13]",
      "unlikely age: at least 150 years old when it was taken in [job 9]",
      "placeholder year: 1900 is often written for a year that is not known [job 8]"]),
    ("price far from its family", SOLD[:1], []),
    ("price far from its family", SOLD,
     ["price far from its family: sold_for 1000; working_price of Tarnwick T2 is 100 [job 1]"]),
    ("price far from its family", [*SOLD, *MORE_SOLD, {"bought_for": 900}, *BELTS],
     ["price far from its family: bought_for 900; the median of Tarnwick T2 is 100 [job 7]",
      "price far from its family: part_cost 40; the median of belt of Tarnwick T2 is 4 [job 12, belt]",
      "price far from its family: sold_for 100; the median of Tarnwick T2 is 950 [job 6]"]),
    ("absurd amount", [{"other_costs": cost} for cost in (4, 100, 5, 126)],
     ["absurd amount: other_costs 126; the others of the ledger are about 5 [job 4]"]),
    ("parts against jobs",
     [("parts", [{"component": "belt", "obtainable": "yes"}, {"component": "head", "obtainable": "yes"},
                 {"component": "head", "family": "Tarnwick T2", "obtainable": "no"}]),
      a_part("belt", "no part"), a_part("belt", "no part"), a_part("belt", "replaced"), a_part("head", "replaced"),
      a_part("head", "no part"), a_part("motor", "no part")],
     ["parts against jobs: head of Tarnwick T2: parts says not obtainable, the job replaced it [job 4, head]",
      "parts against jobs: belt of Tarnwick T2: parts says obtainable, the job found no part [job 1, belt, job 2, belt]"]),
    ("repaired in spite of a failure, sold without a price",
     [{**a_part("belt", "none"), "outcome": "repaired"}, a_part("belt", "none"), {"sold_on": "2026-06"}],
     ["sold without a price: sold on 2026-06, but sold_for is empty [job 3]",
      "repaired in spite of a failure: belt failed, action none [job 1, belt]"]),
    ("ended by a sound component",
     [ended_by_gear("sound"), ended_by_gear("worn"), ended_by_gear("sound", "failed"), ended_by_gear(),
      ended_by_gear("sound", why="died on the bench")],
     ["ended by a sound component: gear ended the job and is taken as failed, but was found sound [job 1]"]),
    ("names alike",
     [*({"signs": [{"sign": sign, "seen": "yes"}]} for sign in (*["sticky residue"] * 3, "sticky residu", "hum")),
      ("families", [{"family": "Tarnwick T-2", "kind": "tape deck"}])],
     ["names alike: sign 'sticky residu' stands once, 'sticky residue' 3 times; if they are the same: "
      "benchodds rename sign 'sticky residu' 'sticky residue' --merge [sign]",
      "names alike: family 'Tarnwick T-2' and 'Tarnwick T2' differ in case, spaces or signs only; if they are "
      "the same: benchodds rename family 'Tarnwick T-2' 'Tarnwick T2' --merge [family]"]),
    ("date to come",
     [("families", [{"family": "Tarnwick T2", "working_price": 9, "priced_on": "2026-11-25"}]),
      ("parts", [{"component": "belt", "obtainable": "no", "as_of": "2027-01"}]),
      {"taken_in": "2026-11-24", "closed": "2026-11", "sold_on": "2026-12"}],
     ["date to come: priced_on 2026-11-25 is after today, 2026-11-24 [families, Tarnwick T2]",
      "date to come: sold_on 2026-12 is after today, 2026-11-24 [job 1]",
      "date to come: as_of 2027-01 is after today, 2026-11-24 [parts, belt]"]),
])  # fmt: skip
def test_what_is_doubtful_is_told(ledger, finished, told, topics, steps, lines):
    for step in steps:
        if isinstance(step, tuple):
            ledger.put(*step, reason="x")
        else:
            ledger.add(finished(**step))
    assert told(*topics.split(", ")) == lines


def test_a_clock_that_is_behind_is_told_at_once(ledger, finished, monkeypatch):
    assert ledger.clock_doubt() is None
    monkeypatch.setattr(database, "utc_now", lambda: "2999-01-01T00:00:00.000Z")
    ledger.add(finished())
    assert re.match(r"the clock of this machine says .* UTC, but the ledger was last written at 2999-01-01T00:00:00.000Z: "
                    r"set the clock", ledger.clock_doubt())  # fmt: skip
    monkeypatch.setattr(database, "utc_now", lambda: "2999-13-01")
    ledger.add(finished())
    assert ledger.clock_doubt() is None  # damage, and not a matter of clocks


def flipped(content, dice):
    """Change one bit, or a few, in bytes that say something."""
    spoiled = bytearray(content)
    for _ in range(dice.choice((1, 1, 1, 4))):
        spoiled[
            dice.choice([place for place in dice.sample(range(len(spoiled)), 50) if spoiled[place]] or [0])
        ] ^= 1 << dice.randrange(8)
    return bytes(spoiled)


FLIPS = [range(3), *(pytest.param(range(n, n + 50), marks=pytest.mark.soak) for n in range(3, 1000, 50))]


@pytest.mark.parametrize("seeds", FLIPS)
def test_no_flipped_bit_ends_in_anything_but_words(command_line, seeds, full):
    with open_ledger(command_line.file, create=True) as ledger:
        ledger.put(
            "families", [{"family": "Tarnwick T2", "kind": "tape deck", "working_price": 120}], reason="x"
        )
        for number in range(12):
            ledger.add(full())
            ledger.amend(str(number + 1), {"job": {"hours": 9}}, reason="looked again, auch nachträglich")
        ledger.withdraw("3", reason="x")
    with closing(sqlite3.connect(command_line.file)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
    content = command_line.file.read_bytes()
    lines = ("check", "show 1 --history", "show 2", "export csv --history", "intake,Tarnwick T2", "amend 4 --set hours=4 --why x",
             "sold 5 5", "backup copy.db", "import csv --dry-run", "blank,Tarnwick T2")  # fmt: skip
    for seed in seeds:
        command_line.file.write_bytes(flipped(content, random.Random(seed)))
        for line in lines:
            said = command_line.run(*(line.split(",") if "," in line else line.split()))
            assert said.exit_code in (0, 1, 2), (seed, line)
        for left in command_line.folder.glob("*bench.db-*"):
            left.unlink()


def test_a_damaged_version_is_named_and_the_others_are_shown(command_line, full):
    with open_ledger(command_line.file, create=True) as ledger:
        ledger.put("families", [{"family": "Tarnwick T2", "kind": "tape deck"}], reason="x")
        ledger.add(full())
        ledger.amend("1", {"job": {"hours": 9}}, reason="looked again")
        ledger.amend("1", {"job": {"hours": 8}}, reason="and again")
        ledger.withdraw("1", reason="x")
    spoil = "UPDATE history SET content = {} WHERE entry = 3"
    for damage in ("substr(content, 2)", "'[1]'", '\'{"job": {"hours": "many"}}\'', "CAST(x'7bff' AS TEXT)"):
        with closing(sqlite3.connect(command_line.file)) as connection:
            connection.execute(spoil.format(damage))
            connection.commit()
        lines = command_line.ok("show", "1", "--history").splitlines()
        at = next(number for number, line in enumerate(lines) if line.startswith("Version 2"))
        assert lines[at + 1 :: 100] == [
            "  Entry 3 of the history (jobs 1, version 2) is damaged; restore it from a backup."
        ]
        assert "  hours: 2.25 -> 8" in lines
        assert "  withdrawn" in lines
        told = command_line.run("check").stdout
        assert "history changed: entry 3, version 2, is not what was written" in told


@pytest.mark.parametrize("value", ["x'00'", "'twelve'"])
def test_a_value_of_another_kind_is_damage(ledger, file, full, value):
    ledger.add(full())
    ledger.close()
    with closing(sqlite3.connect(file)) as connection:
        (sql,) = connection.execute("SELECT sql FROM sqlite_schema WHERE name = 'jobs'").fetchone()
        for loosened in (sql.replace("STRICT", ""), sql):
            connection.execute("PRAGMA writable_schema = ON")
            connection.execute("UPDATE sqlite_schema SET sql = ? WHERE name = 'jobs'", (loosened,))
            connection.execute("PRAGMA writable_schema = RESET")
            if loosened != sql:
                connection.execute("PRAGMA ignore_check_constraints = ON")
                connection.execute(f"UPDATE jobs SET bought_for = {value}")
            connection.commit()
    with open_ledger(file) as damaged:
        with pytest.raises(
            LedgerError, match=r"^The table jobs holds a value that nobody could have written"
        ):
            damaged.rows("jobs")
        told = r"damaged file: its own check says 'non-INT\w* value in jobs\.bought_for'; restore a backup"
        assert re.fullmatch(told, str(damaged.check()[0]))


def test_damage_is_told_in_one_line_with_what_the_database_found_first():
    found = ["*** in database main ***\nTree 7 page 12: btreeInitPage() fails"]
    said = "its own check says '*** in database main *** Tree 7 page 12: btreeInitPage() fails'"
    assert worded_damage(found) == said
    assert worded_damage([*found, "row 5 missing from index x", "\udcff"]) == f"{said} and 2 more"
