"""Faults at every file call of every command that writes: nothing lost, nothing half, no false word."""

import csv
import datetime
import io
import json
import random
import re
import shutil
import sqlite3
from collections import Counter
from contextlib import closing
from pathlib import Path
from typing import ClassVar

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test

from reliability.records.ledger import open_ledger
from reliability.records.package import export_package, read_package
from tests.faulty import TRACEBACK, Said, compiler, faulty_commands

pytestmark = pytest.mark.skipif(compiler() is None, reason="there is no C compiler; on Debian: gcc")

OLD_LEDGER = Path(__file__).parent / "data" / "ledger_schema_1.sql"
#: The full check of a ledger is slow; its file is checked by the database after every fault.
CHECKED_EVERY = 10
KINDS = ("kill", "torn", "io error", "dead", "full", "fsync")
#: No fault in one command of three.
FAULTS = st.one_of(st.just(("none", 0)), *[st.tuples(st.sampled_from(KINDS), st.integers(0, 90))] * 2)
SHEET = """
family = "Tarnwick T2"
outcome = "repaired"
taken_in = 2026-05-03
closed = 2026-05-05
bought_for = 20
failed = ["belt"]
rest_sound = true
sold_for = 120
"""
NEW_FAMILY = '\n[new_family]\nkind = "radio"\n'
#: Commands that write; {} is their folder, for only calls on whole paths are struck.
COMMANDS = {
    "intake": ["intake", "Tarnwick T2", "-p", "25", "-m", "T2 mk III", "-s", "hum=yes"],
    "new ledger": ["--ledger", "{}/new.db", "intake", "Larkov T1", "--new-family", "--kind", "radio"],
    "older ledger": ["--ledger", "{}/old.db", "followup", "1", "--working", "yes", "--on", "2026-10-20"],
    "add": ["add", "{}/new.toml"],
    "finish": ["add", "{}/open.toml"],
    "amend": ["amend", "1", "--set", "hours=3", "--set", "motor.found=worn", "--why", "noisy"],
    "sold": ["sold", "2", "118", "--on", "2026-06-20"],
    "followup": ["followup", "1", "--working", "yes", "--on", "2026-07-20"],
    "withdraw": ["amend", "2", "--withdraw", "--why", "never was one"],
    "import": ["import", "{}/incoming"],
    "correct": ["import", "{}/jobs.csv", "--correct"],
    "set": ["set", "hour_rate", "12"],
    "family": ["family", "Tarnwick T2", "--working-price", "160", "--priced-on", "2026-11-01"],
    "rename": ["rename", "component", "belt", "motor"],
    "merge": ["rename", "family", "Larkov T2", "Tarnwick T2", "--merge"],
    "backup": ["backup", "{}/copy.db"],
    "export": ["export", "{}/csv", "--history", "--replace"],
}
#: Commands that only read: nothing is to change.
READING = {"check": ["check"], "show": ["show", "1", "--history"], "blank": ["blank", "Tarnwick T2"],
           "dry run": ["import", "{}/incoming", "--dry-run"]}  # fmt: skip


def state_of(file):
    """All that a ledger says, but for the times of writing and the digests over them; None for no job yet."""
    if not file.exists() or file.stat().st_size == 0:
        return None
    with closing(sqlite3.connect(file)) as connection:
        tables = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        state = {name: sorted(connection.execute(f"SELECT * FROM {name}"), key=repr)
                 for name in sorted(tables) if name not in ("history", "schema_version")}  # fmt: skip
        # An older ledger is brought up to date before its command: tables without a row say nothing.
        state = {name: rows for name, rows in state.items() if rows or name == "jobs"}
        if not state.get("jobs"):
            return None
        said = "SELECT what, key, version, reason, content FROM history ORDER BY entry"
        state["history"] = connection.execute(said).fetchall()
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    return state


def check(file):
    """What is broken in a ledger, in its own words."""
    with open_ledger(file) as ledger:
        return [str(problem) for problem in ledger.check() if problem.grave]


def files_of(folder):
    """What an export holds, once a run that was cut off has been finished as an import would."""
    if any(item.name.startswith(".") for item in folder.iterdir()):
        read_package(folder)
    return {item.name: item.read_bytes() for item in folder.iterdir() if not item.name.startswith(".")}


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """A folder with a small ledger, sheets, a package to import and an earlier export."""
    folder = tmp_path_factory.mktemp("faults") / "bench"
    folder.mkdir()
    job = {"family": "Tarnwick T2", "taken_in": "2026-05-01", "closed": "2026-05-10", "outcome": "repaired"}
    with open_ledger(folder / "bench.db", create=True) as ledger:
        ledger.put("families", [{"family": "Tarnwick T2", "kind": "tape deck"}], reason="first family")
        for number in range(3):
            ledger.add({"job": {**job, "hours": number, "remarks": "x" * 2000},
                        "findings": [{"component": "belt", "found": "failed"}]})  # fmt: skip
        ledger.intake({"job": {"family": "Tarnwick T2", "taken_in": "2026-05-03"}})
        export_package(ledger, folder / "csv")
        ledger.add({"job": job})
        ledger.put("families", [{"family": "Larkov T2", "kind": "tape deck"}], reason="x")
        ledger.put("parts", [{"component": "head", "family": "Larkov T2", "obtainable": "no"}], reason="x")
    (folder / "jobs.csv").write_text("job,hours,sold_for\n1,5,80\n2,6,\n")
    (folder / "new.toml").write_text(
        SHEET.replace("Tarnwick T2", "Larkov T1") + 'model = "T1 S"' + NEW_FAMILY
    )
    (folder / "open.toml").write_text('job = "4"' + SHEET)
    with open_ledger(folder / "other.db", create=True) as other:
        other.put("families", [{"family": "Dallow 80", "kind": "radio"}], reason="x")
        for number in range(20):
            other.add({"job": {**job, "job": f"B{number + 1}", "family": "Dallow 80"},
                       "findings": [{"component": "belt", "found": "sound"}]})  # fmt: skip
        export_package(other, folder / "incoming")
    for file in folder.glob("other.db*"):
        file.unlink()
    with closing(sqlite3.connect(folder / "old.db")) as connection:
        connection.executescript(OLD_LEDGER.read_text(encoding="utf-8"))
    return folder


@pytest.fixture(scope="module")
def commands(tmp_path_factory):
    with faulty_commands(tmp_path_factory.mktemp("library")) as running:
        yield running


class Campaign:
    """Commands under faults, and what came of them."""

    def __init__(self, commands, bench, folder):
        self.commands, self.bench, self.folder = commands, bench, folder
        self.tried = 0
        self.wrong = []
        self.outcomes = {}
        self.before = self._seen(bench)

    def fresh(self):
        shutil.rmtree(self.folder, ignore_errors=True)
        shutil.copytree(self.bench, self.folder, symlinks=True)

    def _seen(self, folder):
        """The state of all that a command may write."""
        found = {name: state_of(folder / f"{name}.db") for name in ("bench", "new", "old", "copy")}
        files = files_of(folder / "csv")
        history = files.pop("history.csv", b"").decode()
        # Its times and digests are others in every run.
        kept = [row[:4] + row[5:7] for row in csv.reader(io.StringIO(history, newline=""))]
        return {**found, "csv": files, "history": kept}

    def learn(self, name):
        """Run a command without a fault: what is to come of it, and how many file calls it makes."""
        self.fresh()
        said = self._run(name, "none", 0)
        assert said.code == 0, said
        self.fresh()
        syncs = self._run(name, "fsync", 10**6).calls
        self.fresh()
        self._run(name, "none", 0)
        self.after = self._seen(self.folder)
        assert (self.after == self.before) == (name in READING)
        assert check(self.folder / "bench.db") == []
        return {kind: syncs if kind == "fsync" else said.calls for kind in KINDS}

    def _run(self, name, kind, at):
        line = [
            word.format(self.folder) for word in ("--ledger", "{}/bench.db", *{**COMMANDS, **READING}[name])
        ]
        return self.commands.run(line, self.folder, kind, at)

    def strike(self, name, kind, at):
        """Run a command with one fault; keep what is wrong with how it ended."""
        self.fresh()
        said = self._run(name, kind, at)
        self.tried += 1
        for fault in self.judged(said, kind):
            self.wrong.append((fault, name, kind, at, said.code, (said.out + said.err)[-600:]))

    def judged(self, said, kind):
        if said.code == TRACEBACK or "Traceback" in said.err:
            return ["traceback"]
        try:
            found = self._seen(self.folder)
            ledger = "old.db" if found["old"] != self.before["old"] else "bench.db"
            if self.tried % CHECKED_EVERY == 0 and (grave := check(self.folder / ledger)):
                return [f"half ({grave})"]
        except Exception as error:
            return [f"half ({error!r})"]
        faults = []
        parts = [part for part in found if found[part] != self.before[part]]
        if any(found[part] != self.after[part] for part in parts):
            faults.append("half")
        if said.code == 0 and found != self.after:
            faults.append("lost")
        if parts and "othing was written" in said.err:
            faults.append("false word")
        if not (said.err or said.out) and said.code > 0:
            faults.append("no word")
        left = {path.name for path in self.folder.rglob("*") if not path.name.endswith(("-wal", "-shm"))}
        known = {path.name for path in self.bench.rglob("*")} | {"copy.db", "new.db", "history.csv"}
        if "next export into it or import from it finishes" in said.err:
            known.add(".export-ready")
        if left - known and kind not in ("kill", "torn", "dead"):
            faults.append(f"stray {sorted(left - known)}")
        return faults

    def told(self):
        kinds = [fault.split()[0] for fault, *_ in self.wrong]
        counted = {kind: kinds.count(kind) for kind in ("lost", "half", "false", "no", "stray", "traceback")}
        return f"{self.tried} faults: {json.dumps(counted)}"


@pytest.fixture
def campaign(commands, bench, tmp_path):
    return Campaign(commands, bench, tmp_path / "bench")


def test_a_few_faults_at_file_calls(campaign):
    dice = random.Random(19)
    for name in COMMANDS:
        for kind, calls in campaign.learn(name).items():
            campaign.strike(name, kind, dice.randrange(calls))
    assert campaign.wrong == [], campaign.told()


@pytest.mark.soak
@pytest.mark.parametrize("name", [*COMMANDS, *READING])
def test_faults_at_all_file_calls(campaign, name, capsys):
    for kind, calls in campaign.learn(name).items():
        for at in range(calls):
            campaign.strike(name, kind, at)
    with capsys.disabled():
        print(f"\n{name}: {campaign.told()}")  # noqa: T201
    assert campaign.wrong == []


def test_the_campaign_finds_what_is_wrong(campaign):
    campaign.learn("intake")
    campaign.fresh()
    sound = Said(0, "Job 6", "", 1)
    assert campaign.judged(sound, "full") == ["lost"]  # it was never run
    shutil.copy(campaign.bench / "new.toml", campaign.folder / ".left.part")
    assert campaign.judged(Said(1, "", "refused", 1), "full") == ["stray ['.left.part']"]
    campaign.fresh()
    with closing(sqlite3.connect(campaign.folder / "bench.db")) as connection:
        connection.execute("DELETE FROM findings")
        connection.commit()
    refused = Said(1, "", "Nothing was written.", 1)
    assert campaign.judged(refused, "full")[0].startswith("half (['history differs")
    campaign.tried = 1  # not one of those that are checked in full
    assert campaign.judged(refused, "full") == ["half", "false word"]
    campaign.fresh()
    assert campaign.judged(Said(1, "", "", 1), "full") == ["no word"]
    assert campaign.judged(Said(TRACEBACK, "", "", 1), "full") == ["traceback"]
    (campaign.folder / "bench.db").write_bytes(b"x" * 5000)
    assert campaign.judged(Said(1, "", "x", 1), "full")[0].startswith("half (")


@pytest.mark.soak  # ten seconds of waiting each
@pytest.mark.parametrize(("kind", "told"), [("stale", "kept|left behind"), ("no lock", "keeps no locks")])
def test_locks_that_nobody_holds_and_disks_without_locks(commands, bench, tmp_path, kind, told):
    campaign = Campaign(commands, bench, tmp_path / "bench")
    campaign.fresh()
    line = ["--ledger", f"{campaign.folder}/bench.db", *COMMANDS["intake"]]
    said = commands.run(line, campaign.folder, kind, busy_seconds=0.2)
    assert said.code == 1
    assert re.search(
        rf"bench\.db (is being written by somebody else|cannot be locked).*({told})", said.err
    ), said.err
    assert said.err.endswith("Nothing was written.\n")
    assert campaign._seen(campaign.folder) == campaign.before


class YearOfABench(RuleBasedStateMachine):
    """Commands in any order, faults among them; a model of what was acknowledged stands beside the ledger.

    The model holds, by job, what a command says of it: outcome, hours, price of the sale, checks after it
    and the state of its belt; a job that was withdrawn is None.
    """

    commands = folder = None
    counts: ClassVar = Counter()

    def __init__(self):
        super().__init__()
        shutil.rmtree(self.folder, ignore_errors=True)
        self.folder.mkdir()
        self.model = {}
        said = self.run(["intake", "Tarnwick T2", "--new-family", "--kind", "tape deck"], "none", 0)
        assert said.code == 0
        self.model = {"1": ["open", None, None, 0, None]}

    def run(self, line, kind, at):
        return self.commands.run(["--ledger", f"{self.folder}/bench.db", *line], self.folder, kind, at)

    def ledger(self):
        """What the ledger says of every job that was ever given a number."""
        with closing(sqlite3.connect(self.folder / "bench.db")) as connection:
            found = {row[0]: [*row[1:], 0, None] for row in connection.execute(
                "SELECT job, outcome, hours, sold_for FROM jobs")}  # fmt: skip
            for job, checks in connection.execute("SELECT job, count(*) FROM followups GROUP BY job"):
                found[job][3] = checks
            for job, state in connection.execute("SELECT job, found FROM findings WHERE component = 'belt'"):
                found[job][4] = state
            gone = connection.execute(
                "SELECT DISTINCT key FROM history WHERE what = 'jobs' AND content IS NULL"
            )
            return {**{row[0]: None for row in gone}, **found}

    def tried(self, line, job, after, fault):
        """Run a command under a fault, and let the model follow what was acknowledged."""
        kind, at = fault
        said = self.run(line, kind, at)
        self.counts["tried"] += 1
        assert said.code != TRACEBACK, said.err
        assert "Traceback" not in said.err
        expected = {**self.model, job: after}
        found = self.ledger()
        assert found in (self.model, expected), ("half", said)
        if said.code == 0:
            assert found == expected, ("lost", said)
        elif "othing was written" in said.err:
            assert found == self.model, ("false word", said)
        if kind == "none":
            assert said.code == 0, said
        self.model = found

    def chosen(self, data, *outcomes):
        jobs = [job for job, held in self.model.items() if held and held[0] in outcomes]
        return data.draw(st.sampled_from(jobs)) if jobs else None

    @rule(fault=FAULTS)
    def intake(self, fault):
        number = str(len(self.model) + 1)
        self.tried(["intake", "Tarnwick T2", "-p", "20"], number, ["open", None, None, 0, None], fault)

    @rule(data=st.data(), fault=FAULTS, hours=st.integers(0, 9), found=st.sampled_from(("worn", "failed")))
    def finish(self, data, fault, hours, found):
        if job := self.chosen(data, "open"):
            sheet = self.folder / "sheet.toml"
            sheet.write_text(f'job = "{job}"\noutcome = "repaired"\nhours = {hours}\n{found} = ["belt"]')
            self.tried(["add", str(sheet)], job, ["repaired", hours, None, 0, found], fault)

    @rule(fault=FAULTS)
    def add(self, fault):
        sheet = self.folder / "sheet.toml"
        sheet.write_text('family = "Tarnwick T2"\noutcome = "scrapped"\nsound = ["belt"]')
        self.tried(["add", str(sheet)], str(len(self.model) + 1), ["scrapped", None, None, 0, "sound"], fault)

    @rule(data=st.data(), fault=FAULTS, hours=st.integers(10, 99))
    def amend(self, data, fault, hours):
        job = self.chosen(data, "open", "repaired", "scrapped")
        if job and self.model[job][1] != hours:
            after = [self.model[job][0], hours, *self.model[job][2:]]
            self.tried(["amend", job, "--set", f"hours={hours}", "--why", "miscounted"], job, after, fault)

    @rule(data=st.data(), fault=FAULTS)
    def withdraw(self, data, fault):
        if job := self.chosen(data, "open", "scrapped"):
            self.tried(["amend", job, "--withdraw", "--why", "none"], job, None, fault)

    @rule(data=st.data(), fault=FAULTS, price=st.integers(1, 300))
    def sold(self, data, fault, price):
        job = self.chosen(data, "repaired")
        if job and self.model[job][2] is None:
            held = self.model[job]
            self.tried(["sold", job, str(price)], job, [*held[:2], 100 * price, *held[3:]], fault)

    @rule(data=st.data(), fault=FAULTS)
    def followup(self, data, fault):
        if job := self.chosen(data, "repaired"):
            held = self.model[job]
            day = datetime.date.today() + datetime.timedelta(days=held[3])
            line = ["followup", job, "--working", "yes", "--on", day.isoformat()]
            self.tried(line, job, [*held[:3], held[3] + 1, held[4]], fault)

    @invariant()
    def nothing_is_broken(self):
        with closing(sqlite3.connect(self.folder / "bench.db")) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]

    def teardown(self):
        assert check(self.folder / "bench.db") == []


@pytest.mark.parametrize(
    ("years", "steps"), [(2, 12), pytest.param(100, 40, marks=pytest.mark.soak)], ids=["few", "many"]
)
def test_a_year_of_a_bench(commands, tmp_path, years, steps, capsys):
    parts = {"commands": commands, "folder": tmp_path / "year", "counts": Counter()}
    machine = type("Year", (YearOfABench,), parts)
    how = {"max_examples": years, "stateful_step_count": steps, "derandomize": years < 10}
    calm = settings(**how, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    run_state_machine_as_test(machine, settings=calm)
    with capsys.disabled():
        if years > 10:
            print(f"\na year of a bench: {dict(machine.counts)}")  # noqa: T201
    assert machine.counts["tried"] >= years
