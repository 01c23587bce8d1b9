"""The trade through the command line, on a ledger that several benches share."""

import re
from dataclasses import replace

import pytest

SHEET = """
family = "Larkov T1"
outcome = "repaired"
taken_in = 2025-02-03
closed = 2025-02-05
bought_for = 20
failed = ["belt"]
rest_sound = true
sold_for = 120
"""
GONE = """
family = "Larkov T1"
outcome = "donor"
taken_in = 2025-03-03
closed = 2025-03-05
bought_for = 20
failed = ["gear"]
ended_by = "gear"
"""


@pytest.fixture
def shared(command_line, server):
    """The command line on an empty database."""
    with server.database() as url:
        yield replace(command_line, url=url)


def test_the_trade_on_a_shared_ledger(shared, server):
    ok, said = shared.ok, []
    assert "is empty. `benchodds set`" in shared.refused("check")
    said.append(ok("intake", "Larkov T1", "-p", "25", "-y", "1982", "-m", "T1 S", "-s", "rust=no", "--on",
                   "2025-01-06", "--new-family", "--kind", "tape deck", "--working-price", 130))  # fmt: skip
    assert said[-1].startswith("Job 1: Larkov T1, taken in 2025-01-06\n")
    sheet = ok("blank", "Larkov T1").replace('outcome = ""', 'outcome = "repaired"')
    said.append(ok("add", "-", input=sheet.replace('closed = ""', "closed = 2025-01-10")))
    assert said[-1].startswith("Job 1: Larkov T1, repaired\n")
    said.append(ok("amend", "1", "-", "--set", "hours=3", "--why", "noisy", input='worn = ["motor"]'))
    said.append(ok("sold", "1", "118", "--on", "2025-01-20"))
    said.append(ok("followup", "1", "--working", "no", "--on", "2025-03-01", "--component", "belt"))
    said.append(ok("add", *(shared.sheet(SHEET if n % 3 else GONE, f"{n}.toml") for n in range(6))))
    assert [line for line in said[-1].splitlines() if line.startswith("Job")][
        -1
    ] == "Job 7: Larkov T1, repaired"
    shown = ok("show", "1")
    assert "sold_for       118.00 EUR" in shown
    assert "motor: worn" in shown
    assert ok("show", "1", "--history").count("Version") == 5
    assert shared.refused("show", "99").startswith("The ledger holds no job '99'; it holds 7 jobs.")

    said.append(ok("check"))
    assert "7 jobs: 0 broken" in said[-1]
    assert "is copied with pg_dump" in shared.refused("backup", "copy.db")

    # To a file and back to another shared ledger: the same jobs, the same bytes.
    said.append(ok("export", "csv", "--history"))
    assert "Nothing new imported" in ok("import", "csv")
    alone = replace(shared, url=None)
    alone.ok("import", "csv")
    alone.ok("export", "again")
    with server.database() as url:
        other = replace(shared, url=url)
        other.ok("import", "again")
        assert other.ok("show", "1") == shown
        other.ok("export", "third")
    for name in ("jobs.csv", "findings.csv", "signs.csv", "followups.csv", "models.csv", "families.csv"):
        first, second, third = (shared.folder / folder / name for folder in ("csv", "again", "third"))
        assert first.read_bytes() == second.read_bytes() == third.read_bytes()

    unit = ("judge", "--family", "Larkov T1", "--built", "1983", "--asked", "5", "--as-of", "2025-06-01")
    said.append(ok(*unit))
    assert re.match(r"TAKE: Larkov T1 at 5\.00 EUR\n", said[-1])
    assert alone.ok(*unit) == said[-1]
    assert not any(server.password in text for text in said)


def test_a_wrong_password_on_the_command_line(shared, server):
    wrong = replace(shared, url=shared.url.replace(server.password, "s3cret"))
    for line in (["check"], ["show", "1"], ["judge", "--family", "F", "--asked", "5"], ["report", "--all"],
                 ["intake", "Larkov T1", "--new-family", "--kind", "tape deck"]):  # fmt: skip
        said = wrong.refused(*line)
        assert "does not let this user in: the user or the password is wrong" in said
        assert len(said.splitlines()) == 1
        assert "s3cret" not in said
