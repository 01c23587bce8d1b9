import re

import pytest
from click.testing import CliRunner

from reliability.cli import main

SHEET = """family = "Larkov T1"
bought_for = 20
taken_in = 2025-03-01
closed = 2025-03-20
outcome = "repaired"
failed = ["belt"]
rest_sound = true
sold_for = 120
[new_family]
kind = "tape deck"
"""


@pytest.fixture(scope="module")
def fitted(new_command_line):
    """A ledger of one finished job whose odds are fitted already."""
    made = new_command_line()
    made.ok("add", made.sheet(SHEET))
    made.ok("card", "--out", made.folder / "first.html")
    return made


@pytest.fixture
def bench(fitted, monkeypatch):
    monkeypatch.chdir(fitted.folder)
    return fitted


def test_a_day_of_the_sale_may_be_given(bench):
    bench.ok("card", "--out", "later.html", "--as-of", "2026-05-17")
    later = (bench.folder / "later.html").read_text("utf-8")
    assert '"day":"2026-05-17","as_of":"2025-03-20"' in later
    said = bench.ok("card", "--out", "earlier.html", "--as-of", "2025-03-10")
    assert said.startswith("Card of 1 family, 0 finished jobs up to 2025-03-10")


def test_a_place_that_cannot_be_written_is_told(bench):
    (bench.folder / "plain").write_text("")
    assert re.match(r"plain.x.html cannot be written: ", bench.refused("card", "--out", "plain/x.html"))
    (bench.folder / "folder").mkdir(exist_ok=True)
    assert "is a directory" in bench.refused("card", "--out", "folder", code=2)


def test_without_a_ledger_of_ones_own_it_is_the_demo(command_line, fitted, monkeypatch):
    from reliability.worth.appraiser import appraiser_of

    def quick(records, as_of):
        # The odds of the demo are fitted in other tests; here those of the small ledger will do.
        from reliability.records.ledger import open_ledger

        asked.append((len(records.jobs), as_of.isoformat()))
        with open_ledger(fitted.file) as ledger:
            return appraiser_of(ledger)

    asked: list[tuple[int, str]] = []
    monkeypatch.setattr("reliability.worth.appraiser.fit_appraiser", quick)
    result = CliRunner().invoke(main, ["card", "--as-of", "2026-06-30"], catch_exceptions=False)
    assert result.exit_code == 0
    assert result.stderr == ("data/bench.db does not exist: the card is made from the demo, and says DEMO\n")
    assert asked[0][0] > 200
    assert asked[0][1] <= "2026-06-30"
    assert "<strong>DEMO</strong>" in (command_line.folder / "reports" / "card.html").read_text("utf-8")
