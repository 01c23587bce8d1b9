import datetime
from concurrent.futures import BrokenExecutor
from pathlib import Path

import pytest
from click.testing import CliRunner

from reliability.cli import main
from reliability.errors import ReportError
from reliability.report import run
from reliability.report.run import PagesMade

INTAKE = ["intake", "Larkov T1", "--new-family", "--kind", "tape deck", "--on", "2026-05-01"]


@pytest.fixture
def calls(monkeypatch):
    """Calls of the room below, which makes no page here."""
    made = []

    def make_pages(records, out, **more):
        made.append({"jobs": len(records.jobs), "out": out, **more})
        return PagesMade(("index.html", "fleet.html"), ("ledger.html",), ("families/old.html",),
                         ("fleet.html, cell 3: look here",))  # fmt: skip

    monkeypatch.setattr(run, "make_pages", make_pages)
    monkeypatch.setattr(run, "print_pages", lambda out, pages: [made.append((out, pages))])
    return made


@pytest.fixture
def plain(command_line):
    """A command line that names no ledger."""
    return lambda *words, **more: CliRunner().invoke(main, words, catch_exceptions=False, **more)


def test_what_was_made_is_told(command_line, calls):
    command_line.ok(*INTAKE)
    result = command_line.run("report", "--out", "pages", "--pdf", "--as-of", "2026-06")
    assert result.stdout == (
        "2 pages made, 1 unchanged, 1 removed, 1 printed as of 2026-06-16: pages/index.html\n"
    )
    assert result.stderr == "fleet.html, cell 3: look here\n"
    call, printed = calls
    assert printed == (Path("pages"), ["index.html", "fleet.html", "ledger.html"])
    assert len(call.pop("content")) == 64
    assert call == {"jobs": 1, "out": Path("pages"), "families": None, "demo": False,
                    "as_of": datetime.date(2026, 6, 16), "executor": None, "odds": None}  # fmt: skip


def test_where_nothing_changed_the_ledger_is_not_read(command_line, calls, monkeypatch):
    command_line.ok(*INTAKE)
    asked = []

    def still_shown(*given, **more):
        asked.append((given, more))
        return PagesMade(kept=("index.html",))

    monkeypatch.setattr(run, "still_shown", still_shown)
    result = command_line.run("report", "--out", "pages")
    assert result.stdout == "0 pages made, 1 unchanged: pages/index.html\n"
    (((_, out), more),) = asked
    assert (out, more, calls) == (Path("pages"), {"families": None, "as_of": None}, [])


def test_without_a_ledger_of_ones_own_it_is_the_demo(plain, calls):
    result = plain("report")
    assert result.exit_code == 0
    assert result.stderr.startswith(
        "data/bench.db does not exist: the pages are made from the demo, and say DEMO\n"
    )
    assert calls[0]["demo"]
    assert calls[0]["jobs"] > 200
    assert not Path("data").exists()


def test_a_ledger_without_a_job_is_none_of_ones_own(plain, calls, tmp_path):
    (tmp_path / "csv").mkdir()
    (tmp_path / "csv" / "families.csv").write_text("family,kind\nLarkov T1,tape deck\n")
    assert plain("import", "csv").exit_code == 0
    assert plain("report").stderr.startswith("data/bench.db holds no job: the pages are made from the demo")
    assert plain(*INTAKE[:2]).exit_code == 0
    assert "the demo" not in plain("report").stderr
    assert [call["demo"] for call in calls] == [True, False]


def test_a_ledger_that_was_named_has_to_be_there(plain, calls):
    for result in (
        plain("--ledger", "none.db", "report"),
        plain("report", env={"BENCHODDS_LEDGER": "none.db"}),
    ):
        assert result.exit_code == 1
        assert result.stderr.startswith("There is no ledger none.db.")
    assert calls == []


MEMORY = (
    "The processes that did the work were ended from outside, perhaps for want of memory. Each page is "
    "whole, the old one or the new one; use fewer of them, or ones with more memory.\n"
)
HALF = "1 of 3 pages could not be made; the others are up to date.\nLarkov T1, cell 4: no"


@pytest.mark.parametrize(
    ("error", "told"),
    [(ReportError(HALF), f"{HALF}\n"), (BrokenExecutor("A process was terminated abruptly"), MEMORY)],
)
def test_pages_that_could_not_be_made_end_with_1(command_line, monkeypatch, error, told):
    def fail(*_given, **_more):
        raise error

    monkeypatch.setattr(run, "make_pages", fail)
    command_line.ok(*INTAKE)
    assert command_line.refused("report") == told
