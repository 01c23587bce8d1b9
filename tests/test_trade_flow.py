"""The trade from the first unit to the next purchase, through the command line."""

import csv
import re
from pathlib import Path

FAMILY, OTHER = "Larkov T1", "Skolm R2"
DAYS = ["2025-02-03", "2025-04-07", "2025-06-09", "2025-08-11", "2025-10-13", "2025-12-15"]


def finished(day, family, ending, built=1983):
    """A sheet of one job that was bought for 20 and took three hours."""
    lines = [f'family = "{family}"', f"taken_in = {day}", f"closed = {day}", f"built = {built}"]
    return "\n".join([*lines, "bought_for = 20", "hours = 3", ending])


def chance(said):
    return int(re.search(r"chance of a repair +([0-9]+) %", said)[1])


REPAIRED = """
outcome = "repaired"
failed = ["belt"]
rest_sound = true
sold_for = 120
[signs]
rust = false
[[finding]]
component = "lamp"
found = "worn"
action = "replaced"
part_cost = 4
"""
GONE = """
outcome = "donor"
failed = ["gear"]
ended_by = "gear"
ended_why = "parts not available"
[signs]
rust = true
"""
NEW_FAMILY = '[new_family]\nkind = "receiver"\n'


def test_from_an_empty_ledger_to_the_next_purchase(command_line):
    bench, ok = command_line, command_line.ok

    # A unit comes in, is repaired, sold, and comes back; one entry was wrong.
    said = ok("intake", FAMILY, "-p", "25", "-y", "1982", "-m", "T1 S", "-s", "rust=no", "--on", "2025-01-06",
              "--new-family", "--kind", "tape deck", "--working-price", "130")  # fmt: skip
    assert "Job 1: Larkov T1, taken in 2025-01-06" in said
    sheet = ok("blank", FAMILY)
    assert 'job = "1"' in sheet
    for empty, filled in (('outcome = ""', 'outcome = "repaired"'), ('closed = ""', "closed = 2025-01-10"),
                          ("failed = []", 'failed = ["belt"]'), ("rest_sound = false", "rest_sound = true"),
                          ('hours = ""', "hours = 2.5")):  # fmt: skip
        assert empty in sheet
        sheet = sheet.replace(empty, filled)
    assert ok("add", "-", input=sheet).startswith("Job 1: Larkov T1, repaired\n")
    ok("amend", "1", "--set", "motor.found=worn", "--set", "hours=3", "--why", "the motor was noisy")
    ok("sold", "1", "118", "--on", "2025-01-20")
    ok("followup", "1", "--working", "no", "--on", "2025-03-01", "--component", "belt", "--hours", "0.5")
    shown = ok("show", "1")
    for line in (
        "hours          3 h",
        "sold_for       118.00 EUR",
        "motor: worn",
        "2025-03-01: not working, component belt",
    ):
        assert line in shown

    # More jobs, two of them lost; a second family that never works out.
    sheets = [bench.sheet(finished(day, FAMILY, GONE if n in (2, 4) else REPAIRED, 1980 + n), f"{n}.toml")
              for n, day in enumerate(DAYS)]  # fmt: skip
    said = ok("add", *sheets, "--new-component", "lamp")
    assert [line for line in said.splitlines() if line.startswith("Job")][-1] == "Job 7: Larkov T1, repaired"
    endings = [GONE + NEW_FAMILY, *[GONE] * (len(DAYS) - 1)]
    sheets = [bench.sheet(finished(day, OTHER, ending), f"{day}.toml")
              for day, ending in zip(DAYS, endings, strict=True)]  # fmt: skip
    ok("add", *sheets)
    assert "13 jobs: 0 broken" in ok("check")

    # The report of the family, and again: nothing has changed.
    said = bench.run("report", "--family", FAMILY).stdout
    assert re.match(r"2 pages made, 0 unchanged: reports.index\.html", said)
    page = Path("reports", "families", "larkov-t1.html").read_text(encoding="utf-8")
    assert "Larkov T1" in page
    assert "7 finished jobs" in page
    assert "DEMO" not in page
    assert "0 pages made, 2 unchanged" in bench.run("report", "--family", FAMILY).stdout

    # What to do at the next sale.
    unit = ("--family", FAMILY, "--built", "1983", "--sign", "rust=no")
    assert ok("judge", *unit, "--asked", "5").startswith("TAKE: Larkov T1 at 5.00 EUR\n")
    assert ok("judge", *unit, "--asked", "400").startswith("SKIP: Larkov T1 at 400.00 EUR\n")
    bench.sheet(f"offer,family,built_from,built_to,asked,rust\na,{FAMILY},1983,1983,5,no\nb,{OTHER},1983,1983,60,yes\n",
                "offers.csv")  # fmt: skip
    ok("judge", "offers.csv", "--out", "verdicts.csv")
    with open("verdicts.csv", newline="", encoding="utf-8") as stream:
        verdicts = {row["offer"]: row for row in csv.DictReader(stream)}
    assert verdicts["a"]["verdict"] == "take"
    assert verdicts["b"]["verdict"] in ("skip", "try one")
    assert (verdicts["a"]["jobs_seen"], verdicts["a"]["evidence"]) == ("7", "few records")
    # Rust went with broken gears: visible rust lowers the odds.
    dry, rusty = (chance(ok("judge", "--family", FAMILY, "--sign", f"rust={seen}")) for seen in ("no", "yes"))
    assert rusty < dry
    ranks = ok("ranking").splitlines()
    places = [next(i for i, line in enumerate(ranks) if line.startswith(name)) for name in (FAMILY, OTHER)]
    assert places == sorted(places)

    # The ledger moves to another machine.
    ok("backup", "copy.db")
    ok("export", "csv")
    bench.file.rename("old.db")
    ok("import", "csv")
    assert ok("show", "1") == shown
    assert ok("judge", *unit, "--asked", "5").startswith("TAKE")


def test_the_demo_is_imported_and_judged(command_line):
    demo = Path(__file__).parents[1] / "data" / "demo"
    command_line.ok("import", demo)
    said = command_line.ok("judge", demo / "offers.csv", "--out", "verdicts.csv")
    assert said.endswith(": verdicts.csv\n")
    offers, verdicts = (
        list(csv.DictReader(file.read_text(encoding="utf-8").splitlines()))
        for file in (demo / "offers.csv", Path("verdicts.csv"))
    )
    assert [row["offer"] for row in offers] == [row["offer"] for row in verdicts]
    assert {row["verdict"] for row in verdicts} >= {"take", "skip"}
