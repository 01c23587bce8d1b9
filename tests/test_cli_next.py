"""What to do next, on one screen. What is told of each topic: `tests/worth/test_next_steps.py`."""

import pandas as pd

from reliability.records.ledger import open_ledger
from reliability.worth.appraiser import kept_folder
from reliability.worth.next_steps import NEXT_COLUMNS


def test_one_screen_from_the_command_line(bench):
    out = bench.ok("next")
    assert out.startswith("On the bench:\n  1, Tarnwick T2, 0 days")
    for _ in range(6):
        bench.ok("intake", "Tarnwick T2")
    told = bench.ok("next").splitlines()
    assert len(told) == 7
    assert told[-1] == "  and 2 more: benchodds next --all"
    assert len(bench.ok("next", "--all").splitlines()) == 8
    assert bench.ok("next", "--out", "todo.csv") == "7 rows: todo.csv\n"
    assert list(pd.read_csv("todo.csv").columns) == list(NEXT_COLUMNS)


def test_plans_are_kept_until_something_is_written(bench):
    bench.ok("next")
    with open_ledger(bench.file) as ledger:
        folder = kept_folder(ledger)
    (path,) = (each for each in folder.glob("*.json") if "sentence" in each.read_text())
    path.write_text(path.read_text().replace("first", "FIRST"))
    assert "FIRST" in bench.ok("next")
    bench.ok("intake", "Tarnwick T2")
    assert "2, Tarnwick T2" in bench.ok("next")


def test_nothing_to_do(command_line):
    file = command_line.sheet("family,kind\nLarkov T1,tape deck\n", "families.csv")
    command_line.ok("import", file)
    assert command_line.ok("next") == "Nothing is open, unsold for long, due for a check or undecided.\n"


def test_a_unit_that_is_open_is_not_sold_yet(bench):
    assert bench.refused("sold", "1", "90") == (
        "Job 1 is still open: first say how it ended (`benchodds blank 'Tarnwick T2' --job 1` prints its sheet, in "
        "which the sale may stand too), then add it.\n"
    )
    bench.ok("add", bench.sheet('job = 1\noutcome = "repaired"'))
    assert bench.ok("sold", "1", "90").startswith("Job 1: Tarnwick T2, sold for 90.00")
