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

from reliability.records.importing import import_table
from reliability.records.ledger import open_ledger
from reliability.records.package import export_package
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
    "amend": ["amend", "1", "{}/looked.toml", "--set", "hours=3", "--why", "noisy"],
    "sold": ["sold", "2", "118", "--on", "2026-06-20"],
    "followup": ["followup", "1", "--working", "yes", "--on", "2026-07-20"],
    "withdraw": ["amend", "2", "--withdraw", "--why", "never was one"],
    "import": ["import", "{}/incoming"],
    "correct": ["import", "{}/jobs.csv", "--correct"],
    "set": ["set", "hour_rate", "12"],
    "family": ["family", "Tarnwick T2", "--working-price", "160", "--priced-on", "2026-11-01"],
    "part": ["part", "belt", "--price", "4", "--obtainable", "yes", "--as-of", "2026-11-01"],
    "heard": ["heard", "--kind", "tape deck", "--share-repaired", "0.6", "--worth-jobs", "3"],
    "lot": ["intake", "Tarnwick T2", "--lot", "barn", "--lot-price", "60", "--on", "2026-10-01"],
    "saw": ["saw", "{}/seen.csv", "--on", "2026-11-21"],
    "keep": ["shelf", "keep", "motor", "--job", "3", "--worth", "12", "--on", "2026-06-01"],
    "use": ["shelf", "use", "1", "--job", "5", "--on", "2026-06-02"],
    "throw out": ["shelf", "out", "1", "--on", "2026-06-02"],
    "spend": ["spend", "fair at Melk", "--amount", "18", "--hours", "5", "--on", "2026-10-01"],
    "rename": ["rename", "component", "belt", "motor"],
    "merge": ["rename", "family", "Larkov T2", "Tarnwick T2", "--merge"],
    "take back": ["import", "{}/brought.csv", "--take-back"],
    "draft": ["import", "{}/seen.csv", "--draft", "{}/plan.toml"],
    "judge": ["judge", "{}/seen.csv", "--out", "{}/verdicts.csv"],
    "backup": ["backup", "{}/copy.db"],
    "export": ["export", "{}/csv", "--history"],
}
#: What commands write beside ledgers and exports, and the folder of odds that are kept.
OUTPUTS, ODDS = ("plan.toml", "verdicts.csv"), ".benchodds"
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
    """What an export holds; nothing where there is none."""
    return {item.name: item.read_bytes() for item in folder.iterdir()} if folder.exists() else {}


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """A folder with a small ledger, sheets, and a package to import."""
    folder = tmp_path_factory.mktemp("faults") / "bench"
    folder.mkdir()
    job = {"family": "Tarnwick T2", "taken_in": "2026-05-01", "closed": "2026-05-10", "outcome": "repaired"}
    with open_ledger(folder / "bench.db", create=True) as ledger:
        ledger.put("families", [{"family": "Tarnwick T2", "kind": "tape deck"}], reason="first family")
        for number in range(3):
            ledger.add({"job": {**job, "hours": number, "remarks": "x" * 2000},
                        "findings": [{"component": "belt", "found": "failed"}]})  # fmt: skip
        ledger.intake({"job": {"family": "Tarnwick T2", "taken_in": "2026-05-03"}})
        ledger.add({"job": job})
        ledger.put("families", [{"family": "Larkov T2", "kind": "tape deck"}], reason="x")
        ledger.put("parts", [{"component": "head", "family": "Larkov T2", "obtainable": "no"}], reason="x")
        ledger.keep_part({"component": "gear", "job": "2", "worth": 9, "kept_on": "2026-06-01"})
        (folder / "brought.csv").write_text(
            "job,family,taken_in,closed,outcome,origin\nE1,Larkov T2,2026-05-01,2026-05-10,repaired,Melk\n"
        )
        import_table(folder / "brought.csv", "jobs", ledger, reason="imported from brought.csv")
    (folder / "seen.csv").write_text(
        "offer,family,asked,lot,lot_asked,bought,left_because,rust\n"
        "a,Tarnwick T2,20,,,yes,,yes\nb,Tarnwick T2,90,,,,too dear,\n"
        "c,Tarnwick T2,,one price,30,yes,,\nd,Larkov T2,,one price,,yes,,no\n"
    )
    (folder / "jobs.csv").write_text("job,hours,sold_for\n1,5,80\n2,6,\n")
    (folder / "new.toml").write_text(
        SHEET.replace("Tarnwick T2", "Larkov T1") + 'model = "T1 S"' + NEW_FAMILY
    )
    (folder / "open.toml").write_text('job = "4"' + SHEET)
    (folder / "looked.toml").write_text('worn = ["motor"]')
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
        self.odds = folder.parent / "odds"
        self.tried = 0
        self.wrong = []
        self.outcomes = {}
        self.before = self._seen(bench)

    def fresh(self):
        shutil.rmtree(self.folder, ignore_errors=True)
        shutil.copytree(self.bench, self.folder, symlinks=True)
        if self.odds.exists():  # kept by a run before, so that they are not fitted for every fault
            shutil.copytree(self.odds, self.folder / ODDS)

    def _seen(self, folder):
        """The state of all that a command may write, but for odds that are kept and can be made again."""
        found = {name: state_of(folder / f"{name}.db") for name in ("bench", "new", "old", "copy")}
        files = files_of(folder / "csv")
        history = files.pop("history.csv", b"").decode()
        # Its times and digests are others in every run.
        kept = [row[:4] + row[5:7] for row in csv.reader(io.StringIO(history, newline=""))]
        other = {name: (folder / name).read_bytes() for name in OUTPUTS if (folder / name).exists()}
        return {**found, **dict.fromkeys(OUTPUTS), **other, "csv": files, "history": kept}

    def learn(self, name):
        """Run a command without a fault: what is to come of it, and how many file calls it makes."""
        self.fresh()
        said = self._run(name, "none", 0)
        assert said.code == 0, said
        if (self.folder / ODDS).exists() and not self.odds.exists():
            shutil.move(self.folder / ODDS, self.odds)
        self.fresh()
        syncs = self._run(name, "fsync", 10**6).calls
        self.fresh()
        said = self._run(name, "none", 0)
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
        left = {path.name for path in self.folder.rglob("*")
                if path.parent.name != ODDS and not path.name.endswith(("-wal", "-shm"))}  # fmt: skip
        known = {path.name for path in self.bench.rglob("*")} | {
            "copy.db",
            "csv",
            "new.db",
            "history.csv",
            ODDS,
            *OUTPUTS,
        }
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


#: What the model of a year follows: rows by their key.
HELD = {
    "job": "SELECT job, family, outcome, hours, sold_for, lot FROM jobs",
    "gone": "SELECT DISTINCT key FROM history WHERE what = 'jobs' AND content IS NULL",
    "checks": "SELECT job, count(*) FROM followups GROUP BY job",
    "finding": "SELECT job, component, found, part_source, part_cost FROM findings",
    "part": "SELECT part, component, worth, job, used_in, gone_on IS NOT NULL FROM shelf",
    "seen": "SELECT sighting, job, left_because FROM sightings",
    "spent": "SELECT what, amount FROM spending",
    "lot": "SELECT lot, price FROM lots",
    "setting": "SELECT setting, value FROM settings",
    "family": "SELECT family FROM families",
}
TODAY = datetime.date.today()
UNIT = 100  # of money, in the ledger


class YearOfABench(RuleBasedStateMachine):
    """Commands in any order, faults among them; a model of what was acknowledged stands beside the ledger.

    The model holds the rows of `HELD` by what they are and their key.
    """

    commands = folder = None
    counts: ClassVar = Counter()

    def __init__(self):
        super().__init__()
        shutil.rmtree(self.folder, ignore_errors=True)
        self.folder.mkdir()
        self.turn = 10
        said = self.run(["intake", "Tarnwick T2", "--new-family", "--kind", "tape deck"], "none", 0)
        assert said.code == 0
        job = ("Tarnwick T2", "open", None, None, None)
        self.model = {("job", "1"): job, ("family", "Tarnwick T2"): ()}

    def run(self, line, kind, at):
        return self.commands.run(["--ledger", f"{self.folder}/bench.db", *line], self.folder, kind, at)

    def ledger(self):
        """What the ledger says."""
        found = {}
        with closing(sqlite3.connect(self.folder / "bench.db")) as connection:
            for what, query in HELD.items():
                keys = 2 if what == "finding" else 1
                found |= {(what, *row[:keys]): row[keys:] for row in connection.execute(query)}
        return found

    def tried(self, line, fault, after):
        """Run a command under a fault, and let the model follow what was acknowledged."""
        kind, at = fault
        said = self.run(line, kind, at)
        self.counts["tried"] += 1
        self.counts[line[0]] += 1
        self.counts["struck"] += kind != "none" and said.code != 0
        assert said.code != TRACEBACK, said.err
        assert "Traceback" not in said.err
        expected = {key: row for key, row in {**self.model, **after}.items() if row is not None}
        found = self.ledger()
        assert found in (self.model, expected), ("half", line, said)
        if said.code == 0:
            assert found == expected, ("lost", line, said)
        elif "othing was written" in said.err:
            assert found == self.model, ("false word", line, said)
        if kind == "none":
            assert said.code == 0, (line, said)
        self.model = found

    def rows(self, what):
        return {key[1]: row for key, row in self.model.items() if key[0] == what}

    def number(self):
        """The next job number."""
        return str(len(self.rows("job") | self.rows("gone")) + 1)

    def family(self):
        return next(iter(self.rows("family")))

    def fresh(self):
        """A number that no name has yet."""
        self.turn += 1
        return self.turn

    def chosen(self, data, *outcomes):
        jobs = [job for job, row in self.rows("job").items() if row[1] in outcomes]
        return data.draw(st.sampled_from(jobs)) if jobs else None

    def lying(self, data):
        parts = [number for number, row in self.rows("part").items() if not row[-1]]
        return data.draw(st.sampled_from(parts)) if parts else None

    def changed(self, job, **cells):
        names = ("family", "outcome", "hours", "sold_for", "lot")
        row = dict(zip(names, self.model["job", job], strict=True)) | cells
        return {("job", job): tuple(row.values())}

    def sheet(self, *lines):
        file = self.folder / "sheet.toml"
        file.write_text("\n".join(lines))
        return ["add", str(file)]

    @rule(fault=FAULTS, is_lot=st.booleans())
    def intake(self, fault, is_lot):
        lot = f"lot {self.fresh()}" if is_lot else None
        bought = ["--lot", lot, "--lot-price", "60"] if lot else ["-p", "20"]
        after = {("job", self.number()): (self.family(), "open", None, None, lot)}
        after |= {("lot", lot): (60 * UNIT,)} if lot else {}
        self.tried(["intake", self.family(), *bought], fault, after)

    @rule(data=st.data(), fault=FAULTS, hours=st.integers(0, 9), found=st.sampled_from(("worn", "failed")))
    def finish(self, data, fault, hours, found):
        job = self.chosen(data, "open")
        if job is None or any(key[:2] == ("finding", job) for key in self.model):
            return  # a part was fitted in it before, which the sheet would have to repeat
        component, row, source = "belt", (found, None, None), []
        after = self.changed(job, outcome="repaired", hours=hours)
        if part := self.lying(data):
            component, worth, donor, *_ = self.model["part", part]
            row, source = (found, "salvaged", worth), [f"from = {part}"]
            after["part", part] = (component, worth, donor, job, 1)
        after["finding", job, component] = row
        line = self.sheet(f'job = "{job}"', 'outcome = "repaired"', f"hours = {hours}", "[[finding]]",
                          f'component = "{component}"', f'found = "{found}"', *source)  # fmt: skip
        self.tried(line, fault, after)

    @rule(fault=FAULTS, worth=st.integers(1, 30))
    def donor(self, fault, worth):
        job, part = self.number(), max(self.rows("part"), default=0) + 1
        after = {("job", job): (self.family(), "donor", None, None, None),
                 ("finding", job, "belt"): ("sound", None, None),
                 ("part", part): ("motor", worth * UNIT, job, None, 0)}  # fmt: skip
        lines = (f'family = "{self.family()}"', 'outcome = "donor"', 'sound = ["belt"]', "[kept]")
        self.tried(self.sheet(*lines, f"motor = {worth}"), fault, after)

    @rule(data=st.data(), fault=FAULTS, hours=st.integers(10, 99))
    def amend(self, data, fault, hours):
        job = self.chosen(data, "open", "repaired", "donor")
        if job and self.model["job", job][2] != hours:
            line = ["amend", job, "--set", f"hours={hours}", "--why", "miscounted"]
            self.tried(line, fault, self.changed(job, hours=hours))

    @rule(data=st.data(), fault=FAULTS)
    def withdraw(self, data, fault):
        if job := self.chosen(data, "open", "donor"):
            after = {
                key: None for key in self.model if key[0] in ("job", "finding", "checks") and key[1] == job
            }
            for part, (component, worth, donor, user, is_gone) in self.rows("part").items():
                if job in (donor, user):  # parts stay; one that was fitted lies there again
                    donor, user, is_gone = (None if donor == job else donor, None if user == job else user,
                                            0 if user == job else is_gone)  # fmt: skip
                    after["part", part] = (component, worth, donor, user, is_gone)
            after |= {
                ("seen", name): (None, row[1]) for name, row in self.rows("seen").items() if row[0] == job
            }
            self.tried(["amend", job, "--withdraw", "--why", "none"], fault, {**after, ("gone", job): ()})

    @rule(data=st.data(), fault=FAULTS, price=st.integers(1, 300))
    def sold(self, data, fault, price):
        job = self.chosen(data, "repaired")
        if job and self.model["job", job][3] is None:
            self.tried(["sold", job, str(price)], fault, self.changed(job, sold_for=UNIT * price))

    @rule(data=st.data(), fault=FAULTS)
    def followup(self, data, fault):
        if job := self.chosen(data, "repaired"):
            (before,) = self.model.get(("checks", job), (0,))
            day = TODAY + datetime.timedelta(days=before)
            line = ["followup", job, "--working", "yes", "--on", day.isoformat()]
            self.tried(line, fault, {("checks", job): (before + 1,)})

    @rule(data=st.data(), fault=FAULTS)
    def use(self, data, fault):
        job, part = self.chosen(data, "open", "repaired"), self.lying(data)
        if job and part:
            component, worth, donor, *_ = self.model["part", part]
            found, *_ = self.model.get(("finding", job, component), ("failed",))
            after = {("finding", job, component): (found, "salvaged", worth),
                     ("part", part): (component, worth, donor, job, 1)}  # fmt: skip
            self.tried(["shelf", "use", str(part), "--job", job], fault, after)

    @rule(fault=FAULTS, worth=st.integers(1, 30))
    def keep(self, fault, worth):
        part = max(self.rows("part"), default=0) + 1
        line = ["shelf", "keep", "belt", "--worth", str(worth)]
        self.tried(line, fault, {("part", part): ("belt", worth * UNIT, None, None, 0)})

    @rule(data=st.data(), fault=FAULTS)
    def throw_out(self, data, fault):
        if part := self.lying(data):
            self.tried(
                ["shelf", "out", str(part)], fault, {("part", part): (*self.model["part", part][:-1], 1)}
            )

    @rule(fault=FAULTS, amount=st.integers(1, 90))
    def spend(self, fault, amount):
        what = f"fair {self.fresh()}"
        self.tried(["spend", what, "--amount", str(amount)], fault, {("spent", what): (amount * UNIT,)})

    @rule(fault=FAULTS, amount=st.integers(1, 99))
    def set(self, fault, amount):
        if self.rows("setting").get("hour_rate") != (f"{amount}.00",):
            after = {("setting", "hour_rate"): (f"{amount}.00",)}
            self.tried(["set", "hour_rate", str(amount)], fault, after)

    @rule(fault=FAULTS)
    def saw(self, fault):
        bought, left = (f"unit {self.fresh()}" for _ in range(2))
        file = self.folder / "seen.csv"
        file.write_text(f"offer,family,asked,bought,left_because\n{bought},{self.family()},20,yes,\n"
                        f"{left},{self.family()},90,,too dear\n")  # fmt: skip
        job = self.number()
        after = {("job", job): (self.family(), "open", None, None, None),
                 ("seen", f"{TODAY} {bought}"): (job, None),
                 ("seen", f"{TODAY} {left}"): (None, "too dear")}  # fmt: skip
        self.tried(["saw", str(file), "--on", TODAY.isoformat()], fault, after)

    @rule(fault=FAULTS)
    def rename_family(self, fault):
        old, new = self.family(), f"Tarnwick T{self.fresh()}"
        after = {("family", old): None, ("family", new): ()}
        for job in self.rows("job"):
            after |= self.changed(job, family=new)
        self.tried(["rename", "family", old, new], fault, after)

    @rule(data=st.data(), fault=FAULTS)
    def rename_component(self, data, fault):
        """Now and then a name is mended, and later its old form is written again."""
        findings = [key for key in self.model if key[0] == "finding"]
        held = {key[2] for key in findings} | {row[0] for row in self.rows("part").values()}
        if held:
            old, new = data.draw(st.sampled_from(sorted(held))), f"gear {self.fresh()}"
            after = {}
            for key in findings:
                if key[2] == old:
                    after |= {key: None, (*key[:2], new): self.model[key]}
            after |= {("part", part): (new, *row[1:])
                      for part, row in self.rows("part").items() if row[0] == old}  # fmt: skip
            self.tried(["rename", "component", old, new], fault, after)

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
