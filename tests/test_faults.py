"""Faults at every file call of every command that writes: nothing lost, nothing half, no false word."""

import csv
import io
import json
import random
import re
import shutil
import sqlite3
from collections import Counter
from contextlib import closing
from pathlib import Path

import pytest

from reliability.records.ledger import open_ledger
from reliability.records.package import export_package, import_table
from tests.faulty import TRACEBACK, Said, compiler, faulty_commands

pytestmark = pytest.mark.skipif(compiler() is None, reason="there is no C compiler; on Debian: gcc")

OLD_LEDGER = Path(__file__).parent / "data" / "ledger_schema_1.sql"
#: The full check of a ledger is slow; its file is checked by the database after every fault.
CHECKED_EVERY = 10
KINDS = ("kill", "torn", "io error", "dead", "full", "fsync")
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

    def run(self, line, kind="none", at=0):
        """Run a command in a fresh folder."""
        self.fresh()
        words = [word.format(self.folder) for word in ("--ledger", "{}/bench.db", *line)]
        return self.commands.run(words, self.folder, kind, at)

    def whole(self, line):
        """Run a command without a fault: what is to come of it."""
        said = self.run(line)
        self.after = self._seen(self.folder)
        return said

    def learn(self, line):
        """The same of one that is taken; give how many file calls it makes."""
        assert self.run(line).code == 0
        if (self.folder / ODDS).exists() and not self.odds.exists():
            shutil.move(self.folder / ODDS, self.odds)
        syncs, calls = self.run(line, "fsync", 10**6).calls, self.whole(line).calls
        assert (self.after == self.before) == (line in READING.values())
        assert check(self.folder / "bench.db") == []
        return {kind: syncs if kind == "fsync" else calls for kind in KINDS}

    def strike(self, line, kind, at):
        """Run a command with one fault; keep what is wrong with how it ended."""
        said = self.run(line, kind, at)
        self.tried += 1
        for fault in self.judged(said, kind):
            self.wrong.append((fault, line, kind, at, said.code, (said.out + said.err)[-600:]))

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
    for line in COMMANDS.values():
        for kind, calls in campaign.learn(line).items():
            campaign.strike(line, kind, dice.randrange(calls))
    assert campaign.wrong == [], campaign.told()


@pytest.mark.soak
@pytest.mark.parametrize("name", [*COMMANDS, *READING])
def test_faults_at_all_file_calls(campaign, name, capsys):
    line = (COMMANDS | READING)[name]
    for kind, calls in campaign.learn(line).items():
        for at in range(calls):
            campaign.strike(line, kind, at)
    with capsys.disabled():
        print(f"\n{name}: {campaign.told()}")  # noqa: T201
    assert campaign.wrong == []


def test_the_campaign_finds_what_is_wrong(campaign):
    campaign.learn(COMMANDS["intake"])
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


#: What is done in a year, in any order and whether or not the ledger takes it: {} is the folder, a and b two
#: names of a family, c and d two of a component, the others numbers.
YEAR = """
intake|Tarnwick T{a}|-p|{n}
intake|Tarnwick T{a}|--lot|lot {turn}|--lot-price|60
add|{}/finish.toml
add|{}/donor.toml
amend|{job}|--set|hours={n}|--why|miscounted
amend|{job}|--withdraw|--why|none
sold|{job}|{n}
followup|{job}|--working|yes|--on|2026-11-{turn:02d}
shelf|use|{part}|--job|{job}
shelf|keep|belt|--worth|{n}
shelf|out|{part}
spend|fair {turn}|--amount|{n}
set|hour_rate|{n}
saw|{}/seen.csv
rename|family|Tarnwick T{a}|Tarnwick T{b}
rename|component|{c}|{d}
rename|component|{c}|{d}|--merge
""".split("\n")[1:-1]
FILES = {
    "finish.toml": 'job = "{job}"\noutcome = "repaired"\nhours = {n}\n[[finding]]\ncomponent = "{c}"\nfound = "failed"\n'
    "from = {part}",
    "donor.toml": 'family = "Tarnwick T{a}"\noutcome = "donor"\nsound = ["{c}"]\n[kept]\n{d} = {n}',
    "seen.csv": "offer,family,asked,bought,left_because\n{turn},Tarnwick T{a},{n},yes,\n{n},Tarnwick T{a},90,,too dear\n",
}


@pytest.mark.parametrize(
    ("years", "turns"), [(2, 12), pytest.param(40, 40, marks=pytest.mark.soak)], ids=["few", "many"]
)
def test_years_of_a_bench(commands, bench, tmp_path, years, turns, capsys):
    """Commands in any order, one fault in two of three: each leaves what it leaves without a fault, or nothing."""
    counts = Counter()
    for year in range(years):
        dice, now = random.Random(year), tmp_path / f"{year}"
        shutil.copytree(bench, now)
        for turn in range(1, turns + 1):
            (a, b), (c, d) = dice.sample((2, 3), 2), dice.sample(("belt", "gear", "motor"), 2)
            job, part, n = dice.randint(1, 5 + turn // 4), dice.randint(1, 1 + turn // 4), dice.randint(1, 99)
            told = {"a": a, "b": b, "c": c, "d": d, "job": job, "part": part, "n": n, "turn": turn}
            for name, text in FILES.items():
                (now / name).write_text(text.format(**told))
            campaign = Campaign(commands, now, tmp_path / f"{year}-{turn}")
            line = dice.choice(YEAR).format("{}", **told).split("|")
            kind, at = dice.choice((("none", 0), *[(dice.choice(KINDS), dice.randrange(90))] * 2))
            whole = campaign.whole(line)
            campaign.strike(line, kind, at)
            assert campaign.wrong == []
            counts[line[0]] += whole.code == 0
            counts["taken"] += whole.code == 0
            shutil.rmtree(now)
            now = campaign.folder
        assert check(now / "bench.db") == []
    with capsys.disabled():
        if years > 10:
            print(f"\nyears of a bench: {dict(counts)}")  # noqa: T201
    assert counts["taken"] > years * turns / 3
