"""Parts kept for a later job: what a donor gains the taker pays, over whole ledgers."""

import datetime
import random
from decimal import Decimal

import pytest

from reliability.records.frames import read_records
from reliability.records.ledger import open_ledger
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.money import job_gains
from tests.records.refusals import grave

DONOR = """
job = 1
outcome = "donor"
closed = 2026-11-20
ended_by = "gear"
[kept]
motor = 12
head = 7.50
"""
TAKER = """
family = "Tarnwick T2"
outcome = "repaired"
taken_in = 2026-11-20
closed = 2026-11-21
sold_for = 90
[[finding]]
component = "motor"
found = "failed"
from = 1
"""


def donor(bench, more=DONOR):
    bench.ok("amend", "1", "--set", "taken_in=2026-11-01", "--why", "x")
    return bench.ok("add", bench.sheet(more))


def test_a_donors_parts_get_numbers_and_a_later_job_pays_their_worth(bench):
    kept = ["  part 1: motor of job 1, on the shelf", "  part 2: head of job 1, on the shelf"]
    assert donor(bench).splitlines()[-3:-1] == kept
    assert [line.split()[-3:] for line in bench.ok("shelf").splitlines()[1:]] == [
        ["12.00", "1", "2026-11-20"], ["7.50", "1", "2026-11-20"],
    ]  # fmt: skip
    bench.ok("add", bench.sheet(TAKER))
    (finding,) = bench.rows("findings")
    said = [finding[name] for name in ("action", "part_source", "part_cost")]
    assert said == ["replaced", "salvaged", Decimal("12.00")]
    motor, head = bench.rows("shelf")
    assert (motor["used_in"], motor["gone_on"], head["gone_on"]) == ("2", "2026-11-21", None)
    with open_ledger(bench.file) as ledger:
        records = read_records(ledger)
        assert [str(problem) for problem in ledger.check() if "part" in str(problem)] == []
    assert bench.rows("jobs")[0]["salvage_value"] is None
    assert records.jobs["salvage_value"][0] == 19.5
    bench.ok("shelf", "out", "2")
    assert bench.ok("shelf") == "Nothing lies on the shelf.\n"


def test_parts_are_kept_and_fitted_one_by_one(bench):
    donor(bench, 'job = 1\noutcome = "donor"\nclosed = 2026-11-20\nkept = ["gear"]')
    bench.ok("shelf", "keep", "motor", "--job", "1", "--worth", "9")
    bench.ok("shelf", "keep", "knob", "--family", "Tarnwick T2", "--new-component")
    bench.ok("intake", "Tarnwick T2")
    told = "Part 2 went into job 2, whose finding says: motor worn, replaced\n"
    assert bench.ok("shelf", "use", "2", "--job", "2", "--position", "left", "--found", "worn").startswith(
        told
    )
    bench.ok("shelf", "use", "3", "--job", "2")
    found = {
        row["component"]: (row["position"], row["found"], row["part_cost"]) for row in bench.rows("findings")
    }
    # Nobody said what the knob is worth.
    assert found == {"motor": ("left", "worn", 9), "knob": ("", "failed", None)}
    assert [row["used_in"] for row in bench.rows("shelf")] == [None, "2", "2"]


def test_what_cannot_be_taken_from_the_shelf(bench):
    donor(bench)
    for told, more in (
        ("finding (motor), column from: there is no part 9; on the shelf: 1, 2\n", "from = 9"),
        ("finding (motor), column from: part 2 is a head\n", "from = 2"),
        ("finding (motor), column part_cost: 5 is not what taking part 1 from the shelf means, 12.00; leave it out\n",
         "from = 1\npart_cost = 5"),
        ("findings, column from: one part of the shelf cannot be fitted twice\n",
         'from = 1\n[[finding]]\ncomponent = "motor"\nposition = "left"\nfound = "failed"\nfrom = 1'),
    ):  # fmt: skip
        sheet = bench.sheet(TAKER.replace("from = 1", more), "taker.toml")
        assert bench.refused("add", sheet).split("toml, ", 1)[1] == told
    told = "Part 2 was kept of job 1 itself. Nothing was written.\n"
    assert bench.refused("shelf", "use", "2", "--job", "1") == told
    bench.ok("shelf", "out", "2", "--on", "2026-11-22")
    bench.ok("add", bench.sheet(TAKER))
    kept = ["Kept for the shelf:", "  part 1: motor, worth 12.00 EUR, went into job 2",
            "  part 2: head, worth 7.50 EUR, thrown out"]  # fmt: skip
    assert bench.ok("show", "1").splitlines()[-3:] == kept
    taken = ["Taken from the shelf:", "  part 1: motor, worth 12.00 EUR"]
    assert bench.ok("show", "2").splitlines()[-2:] == taken
    assert bench.refused("shelf", "use", "1", "--job", "2").endswith("part 1 went into job 2 on 2026-11-21\n")
    assert bench.refused("shelf", "use", "2", "--job", "2").endswith("part 2 was thrown out on 2026-11-22\n")


def test_what_cannot_be_kept(bench):
    bench.ok("amend", "1", "--set", "taken_in=2026-11-01", "--why", "x")
    for told, kept in (
        ("kept 1 (motr), column component: component 'motr' was never seen here; known: ", 'kept = ["motr"]'),
        ("kept 1 (motor), column worth: 'much' is not an amount", '[kept]\nmotor = "much"'),
    ):
        sheet = bench.sheet(f'job = 1\noutcome = "donor"\nclosed = 2026-11-20\n{kept}')
        assert told in bench.refused("add", sheet)
    told = "a part is kept of a unit that is no longer open; found 1, and outcome open"
    assert told in bench.refused("shelf", "keep", "motor", "--job", "1")
    told = "kept: parts are kept of a unit that is no longer open"
    assert told in bench.refused("add", bench.sheet('job = 1\noutcome = "open"\nkept = ["motor"]'))
    bench.ok("add", bench.sheet(DONOR))
    told = "an amendment moves no part; use benchodds shelf keep, shelf use"
    assert told in bench.refused("amend", "1", bench.sheet("[kept]\nmotor = 1"), "--why", "x")
    cells = [f"--set={cell}=" for cell in ("closed", "ended_by")]
    told = bench.refused("amend", "1", "--set", "outcome=open", *cells, "--why", "x")
    assert "part 1 on the shelf was kept of it: it cannot be open" in told


def test_a_job_that_never_was_one_lets_its_parts_go(bench):
    donor(bench)
    bench.ok("add", bench.sheet(TAKER))
    bench.ok("amend", "2", "--withdraw", "--why", "no job")
    told = "Job 2 was withdrawn; its versions are kept: benchodds show 2 --history\n"
    assert bench.refused("sold", "2", "90") == told
    assert [(row["used_in"], row["gone_on"]) for row in bench.rows("shelf")] == [(None, None)] * 2
    bench.ok("amend", "1", "--withdraw", "--why", "no job")
    assert [row["job"] for row in bench.rows("shelf")] == [None, None]
    with open_ledger(bench.file) as ledger:
        assert grave(ledger) == []


def test_check_finds_worth_that_gets_lost_on_the_way(bench):
    donor(bench)
    bench.ok("add", bench.sheet(TAKER))
    sheet = bench.sheet("[[finding]]\ncomponent = 'motor'\npart_cost = 3\n")
    bench.ok("amend", "2", sheet, "--why", "x")
    bench.ok("amend", "1", "--set", "salvage_value=10", "--why", "x")
    told = bench.ok("check")
    for doubt in (
        "part at another cost: it is worth 12.00, but no salvaged motor of job 2 costs that [part 1]",
        "donor below its parts: salvage_value 10.00, but its parts on the shelf are worth 19.50 [job 1]",
    ):
        assert doubt in told


def test_check_names_a_part_that_was_kept_though_it_had_failed(bench):
    kept = """failed = ["head"]
worn = ["motor"]
[[finding]]
component = "belt"
position = "left"
found = "failed"
[[finding]]
component = "belt"
position = "right"
found = "sound"
[kept]
gear = 3
belt = 1
"""
    donor(bench, DONOR.replace("[kept]\n", kept))
    doubts = [line.strip() for line in bench.ok("check").splitlines() if "failed part" in line]
    assert doubts == [
        "failed part on the shelf: the gear had failed in job 1 [part 1]",
        "failed part on the shelf: the head had failed in job 1 [part 4]",
    ]


@pytest.mark.parametrize("seed", range(2))
def test_over_a_whole_ledger_worth_is_neither_lost_nor_counted_twice(tmp_path, seed):
    """Money in and out is kept beside the ledger; gains add up to it, and to what still lies on the shelf."""
    dice, cash, thrown_out = random.Random(seed), Decimal(0), Decimal(0)
    with open_ledger(tmp_path / "bench.db", create=True) as ledger:
        ledger.put("families", [{"family": f, "kind": "tape deck", "working_price": p} for f, p in (("A", 90), ("B", 60))],
                   reason="x")  # fmt: skip
        for n in range(30):
            day = datetime.date(2026, 1, 1) + datetime.timedelta(days=7 * n)
            job = {"family": dice.choice("AB"), "taken_in": day.isoformat(), "closed": day.isoformat(), "hours": 1,
                   "other_costs": 2}  # fmt: skip
            cash -= 2
            if n % 5 == 0:
                price = Decimal(dice.randrange(20, 60))
                ledger.put("lots", [{"lot": f"L{n}", "price": price}], reason="x")
                cash -= price
            if n % 5 < 2:
                job["lot"] = f"L{n - n % 5}"
            else:
                job["bought_for"] = Decimal(dice.randrange(5, 30))
                cash -= job["bought_for"]
            lying = [row for row in ledger.shelf().values() if row["gone_on"] is None]
            if dice.random() < 0.4:
                worths = [Decimal(dice.randrange(1, 20)) for _ in range(dice.randrange(4))]
                kept = [{"component": dice.choice(("motor", "gear")), "worth": worth} for worth in worths]
                stated = {"salvage_value": 0} if not kept else {}
                ledger.add({"job": {**job, "outcome": "donor", **stated}}, kept=kept)
            else:
                job |= {
                    "outcome": "repaired",
                    "sold_for": dice.randrange(40, 100),
                    "sold_on": day.isoformat(),
                }
                cash += job["sold_for"]
                number = ledger.add({"job": job, "findings": [{"component": "belt", "found": "sound"}]})
                if lying:
                    ledger.use_part(lying[0]["part"], number, day)
            if lying[1:] and dice.random() < 0.2:
                ledger.drop_part(lying[-1]["part"], day)
                thrown_out += lying[-1]["worth"]
        on_shelf = sum(row["worth"] for row in ledger.shelf().values() if row["gone_on"] is None)
        records = read_records(ledger)
        assert grave(ledger) == []
    gains = job_gains(records, fit_appraiser(records, records.last_date()))
    assert (gains["predicted"] == "").all()
    assert gains["gain"].sum() == pytest.approx(float(cash + on_shelf + thrown_out), abs=1e-6)
    assert records.shelf["used_in"].notna().any()
