import errno
import os
import re
import subprocess
import sys
from unittest.mock import Mock

import click
import pytest
from click.testing import CliRunner

from reliability import __version__
from reliability.cli import main
from tests.conftest import ROOT, run_python

HEAVY = ("pandas", "numpy", "scipy", "matplotlib", "lifelines", "papermill", "nbconvert", "jinja2")
SHEET = """
family = "Tarnwick T2"
outcome = "repaired"
failed = ["belt"]
[new_family]
kind = "tape deck"
"""


def test_every_command_has_help_with_an_example():
    for name in main.commands:
        result = CliRunner().invoke(main, [name, "--help"])
        assert result.exit_code == 0, result.output
        about, _, examples = result.output.partition("For example:")
        assert re.search(rf"^ +benchodds {name}\b", examples, re.M), name
        assert len(about.split("Options:")[0].split()) > 8, name


def test_every_option_says_what_it_does():
    context = click.Context(main)
    for name in main.commands:
        command = main.get_command(context, name)
        for option in command.params:
            if isinstance(option, click.Option):
                assert option.help, f"{name} {option.opts}"


def test_short_help_is_not_cut():
    output = CliRunner().invoke(main, ["--help"], terminal_width=80).output
    assert "..." not in output.split("Commands:")[1].split("For example:")[0]
    assert [
        line.split()[0] for line in output.split("Commands:\n")[1].splitlines()[: len(main.commands)]
    ] == list(main.commands)


def test_version():
    assert CliRunner().invoke(main, ["--version"]).output == f"benchodds, version {__version__}\n"


def test_the_ledger_comes_from_the_line_or_the_environment(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for line, environment, named in (
        (["show", "1"], {"BENCHODDS_LEDGER": ""}, "data/bench.db"),
        (["show", "1"], {"BENCHODDS_LEDGER": "other.db"}, "other.db"),
        (["--ledger", "third.db", "show", "1"], {"BENCHODDS_LEDGER": "other.db"}, "third.db"),
    ):
        result = CliRunner().invoke(main, line, env=environment)
        assert result.exit_code == 1
        assert result.stderr.startswith(f"There is no ledger {named}.")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("start")
    (folder / "deck.toml").write_text(SHEET, encoding="utf-8")
    (folder / "again.toml").write_text(SHEET.split("[new_family]")[0], encoding="utf-8")
    return folder


# In this order: each line builds on what the ones before it wrote.
LIGHT = (
    "add|deck.toml", "intake|Tarnwick T2|-p|25|-y|1979|-s|rust=yes", "add|again.toml",
    "amend|1|--set|hours=2|--why|timed", "sold|1|160", "followup|1|--working|yes|--on|2100-01", "show|1",
    "show|1|--history", "blank|Tarnwick T2", "backup|copy.db", "export|csv", "import|csv", "--help",
    "set|hour_rate|12", "set", "family|Tarnwick T2|--maker|B", "family", "part|belt|--obtainable|yes",
    "heard|--kind|radio|--share-repaired|0.5|--worth-jobs|2", "import|parts.csv|--correct",
    "rename|family|Tarnwick T2|C", "shelf|keep|motor|--worth|3", "shelf", "spend|fair|--amount|3",
)  # fmt: skip


def test_nothing_numerical_is_loaded_to_write_down_or_correct(folder):
    (folder / "parts.csv").write_text("component,price\nbelt,5\n", encoding="utf-8")
    code = (
        "import sys\nfrom reliability.cli import main\n"
        f"for line in {LIGHT!r}:\n"
        "    if main(['--ledger', 'bench.db', *line.split('|')], standalone_mode=False):\n"
        "        raise SystemExit(line)\n"
        f"    loaded = sorted(set(sys.modules) & set({HEAVY!r}))\n"
        "    assert not loaded, (line, loaded)\n"
    )
    run_python(code, folder)


# What fits, draws or writes pages is not needed to apply what was fitted before.
NOT_FOR_A_KEPT_VERDICT = (
    "scipy.optimize", "scipy.stats", "scipy.linalg", "matplotlib", "lifelines", "papermill",
    "nbconvert", "jinja2", "IPython", "distributed", "reliability.report", "reliability.life.pooling",
    "reliability.worth.recalibration",
)  # fmt: skip


def test_a_verdict_of_a_kept_appraiser_loads_nothing_that_fits(tmp_path):
    (tmp_path / "deck.toml").write_text(SHEET, encoding="utf-8")
    judge = ["judge", "--family", "Tarnwick T2", "--built", "1979", "--asked", "20"]
    told = []
    for words in (["add", "deck.toml"], judge, judge):
        code = (
            "import sys\nfrom reliability.cli import main\n"
            f"main({['--ledger', 'bench.db', *words]!r}, standalone_mode=False)\n"
            f"print(sorted(set(sys.modules) & set({NOT_FOR_A_KEPT_VERDICT!r})))\n"
        )
        told.append(run_python(code, tmp_path).splitlines())
    _, fitted, kept = told
    assert "reliability.worth.recalibration" in fitted[-1]
    assert kept[-1] == "[]"
    assert kept[:-1] == fitted[:-1]


def test_a_fault_is_printed_plainly_by_a_whole_process(folder):
    words = [sys.executable, "-m", "reliability.cli", "--ledger", "none.db", "show", "1"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    run = subprocess.run(words, cwd=folder, env=environment, capture_output=True, text=True)
    assert (run.returncode, run.stdout) == (1, "")
    assert run.stderr.startswith("There is no ledger none.db.")
    assert "Traceback" not in run.stderr


def test_letters_and_their_accents_apart_are_the_same_names(command_line):
    apart, composed = "Ka\u0308the 3", "K\u00e4the 3"
    command_line.ok(
        "intake", apart, "--new-family", "--kind", "radio", "-m", "Mo\u0308 1", "-s", "rattert u\u0308ber=yes"
    )
    assert "K\u00e4the 3" in command_line.ok("show", "1")
    assert command_line.ok("blank", composed) == command_line.ok("blank", apart)
    assert "r\u00e4dio" in command_line.ok("intake", composed, "--remarks", "ra\u0308dio") + command_line.ok(
        "show", "2"
    )
    sheet = command_line.sheet("job,family,taken_in,outcome\n9,Ka\u0308the 3,2026-05-01,open\n", "jobs.csv")
    assert "1 job imported" in command_line.ok("import", sheet)


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (OSError(5, "Input/output error", "trial"),
         "trial cannot be read or written: the disk reports an error. What was told before that is done; look "
         "with `benchodds check` and `show` before you try again.\n"),
        (OSError(28, "No space left on device"), "A file cannot be read or written: the disk is full."),
        (BrokenPipeError(errno.EPIPE, "Broken pipe"), None),  # nobody reads what is said
    ],
)  # fmt: skip
def test_what_the_system_refuses_while_cleaning_up_is_worded(command_line, monkeypatch, error, told):
    monkeypatch.setattr("reliability.records.ledger.TemporaryDirectory", Mock(side_effect=error))
    said = command_line.refused("import", ".")
    assert said == "" if told is None else said.startswith(told)


def test_the_currency_can_be_set_before_the_first_amount(command_line):
    assert command_line.refused("set", "currency", "pounds").startswith("1 fault found")
    assert not command_line.file.exists()
    assert "A new ledger was made" in command_line.ok("set", "currency", "GBP")
    command_line.ok("intake", "Tarnwick T2", "--new-family", "--kind", "radio", "--price", "25")
    assert "bought_for     25.00 GBP" in command_line.ok("show", "1")


@pytest.mark.skipif(os.name != "posix", reason="file permissions of POSIX")
def test_a_new_ledger_says_who_can_read_it(command_line):
    shared = command_line.folder / "shared"
    shared.mkdir()
    shared.chmod(0o2770)
    line = ("intake", "Tarnwick T2", "--new-family", "--kind", "radio")
    assert "shared.db (you and the group " in command_line.ok("--ledger", shared / "shared.db", *line)
    assert (shared / "shared.db").stat().st_mode & 0o777 == 0o660
    command_line.ok(*line)
    command_line.ok("backup", "copy.db")
    command_line.ok("export", "csv")
    for file in (
        command_line.file,
        command_line.folder / "copy.db",
        *(command_line.folder / "csv").iterdir(),
    ):
        assert file.stat().st_mode & 0o777 == 0o600, file
