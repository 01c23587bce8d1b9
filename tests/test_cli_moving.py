import pytest

SHEET = """
family = "Tarnwick T2"
outcome = "repaired"
failed = ["reel table"]
[signs]
tape = true
[new_family]
kind = "wire recorder"
maker = "Tarnwick"
"""


@pytest.fixture
def exported(command_line):
    command_line.ok("add", command_line.sheet(SHEET), "--new-component", "reel table")
    assert command_line.ok("export", "csv") == "1 job, with all that is known of them: csv\n"
    command_line.file.rename(command_line.folder / "old.db")
    return command_line


def test_what_was_exported_is_imported(exported):
    assert exported.ok("import", "csv") == (
        f"A new ledger was made: {exported.file}\n"
        "1 families, 1 jobs, 1 findings, 1 signs imported\n"
        "  new component: reel table\n"
        "  new kind: wire recorder\n"
        "  new maker: Tarnwick\n"
        "  new sign: tape\n"
    )
    exported.ok("export", "again")
    for name in ("jobs.csv", "findings.csv", "datapackage.json"):
        first, second = (exported.folder / folder / name for folder in ("csv", "again"))
        assert first.read_bytes() == second.read_bytes()
    assert exported.ok("import", "csv") == "Nothing new imported\n  4 rows in the ledger already\n"


def test_a_dry_run_writes_nothing(exported):
    assert exported.ok("import", "csv", "--dry-run").startswith(
        "1 families, 1 jobs, 1 findings, 1 signs would be "
    )
    assert not exported.file.exists()
    exported.ok("import", "csv")
    assert "would be imported" in exported.ok("import", "csv", "--dry-run")


def test_every_fault_is_listed_and_no_ledger_is_left_behind(exported):
    for name, old, new in (
        ("families.csv", "Tarnwick,", "Tarnwick,1881x"),
        ("findings.csv", ",failed,", ",fallen,"),
    ):
        path = exported.folder / "csv" / name
        path.write_text(path.read_text().replace(old, new))
    lines = exported.refused("import", "csv").splitlines()
    assert lines[0] == "2 faults found. Nothing was imported."
    assert "families.csv, line 2, column first_year: '1881x' is not a four-digit year" in lines[1]
    assert "findings.csv, line 2, column found: 'fallen' is not one of sound" in lines[2]
    assert not exported.file.exists()


def test_semicolons_and_decimal_commas_by_option_only(exported):
    folder = exported.folder / "sheet"
    folder.mkdir()
    (folder / "families.csv").write_text("family;kind;working_price\nDallow 80;receiver;12,50\n")
    assert "the header is separated by semicolons" in exported.refused("import", "sheet")
    assert "12,50" in exported.refused("import", "sheet", "--semicolons")
    assert exported.ok("import", "sheet", "--semicolons", "--decimal-comma").endswith("new kind: receiver\n")


def test_a_folder_that_is_not_there(command_line):
    assert command_line.refused("import", "none").startswith("none is not there; name a folder that holds ")


def test_export_writes_into_no_other_folder(exported):
    exported.ok("import", "csv")
    (exported.folder / "mine").mkdir()
    (exported.folder / "mine" / "letter.txt").write_text("dear")
    assert exported.refused("export", "mine") == (
        "mine holds files that no export wrote; name another folder. Nothing was written.\n"
    )


def test_backup_and_check(exported):
    exported.ok("import", "csv")
    assert exported.ok("backup", "copy.db") == "Copied to copy.db\n"
    assert exported.refused("backup", "copy.db").startswith(
        "copy.db exists already; a backup never replaces a file"
    )
    assert exported.ok("check").endswith("1 job: 0 broken, 0 worth a second look\n")


def test_check_names_what_is_broken_and_ends_with_1(exported):
    import sqlite3
    from contextlib import closing

    exported.ok("import", "csv")
    with closing(sqlite3.connect(exported.file)) as connection, connection:
        connection.execute("PRAGMA ignore_check_constraints = ON")
        connection.execute("UPDATE jobs SET ended_by = 'belt'")
    result = exported.run("check")
    assert result.exit_code == 1
    assert result.stdout.startswith("Broken:\n  ")
    assert "ended_by" in result.stdout


def test_check_names_what_is_doubtful(exported):
    exported.ok("import", "csv")
    exported.ok("intake", "Tarnwick T2", "--on", "2001-01-01")
    out = exported.ok("check")
    assert out.startswith("Worth a second look:\n  ")
    assert "job 2" in out


def test_the_history_is_exported_on_demand(exported):
    exported.ok("import", "csv")
    exported.ok("amend", "1", "--set", "hours=2", "--why", "clock found")
    exported.ok("export", "all", "--history")
    assert "clock found" in (exported.folder / "all" / "history.csv").read_text(encoding="utf-8")
    exported.ok("export", "all")
    assert not (exported.folder / "all" / "history.csv").exists()
