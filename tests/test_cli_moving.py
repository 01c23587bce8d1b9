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
    command_line.ok(
        "add", command_line.sheet(SHEET), "--new-component", "reel table", "--new", "wire recorder"
    )
    assert command_line.ok("export", "csv") == "1 job, with all that is known of them: csv\n"
    command_line.file.rename(command_line.folder / "old.db")
    return command_line


def test_a_fault_leaves_no_ledger_behind(exported):
    path = exported.folder / "csv" / "families.csv"
    path.write_text(path.read_text().replace("Tarnwick,", "Tarnwick,1881x"))
    assert exported.refused("import", "csv").startswith(
        "1 fault found. Nothing was imported: 4 rows were read"
    )
    assert not exported.file.exists()


def test_semicolons_and_decimal_commas_by_option_only(exported):
    folder = exported.folder / "sheet"
    folder.mkdir()
    (folder / "families.csv").write_text("family;kind;working_price\nDallow 80;receiver;12,50\n")
    assert "the header is separated by semicolons" in exported.refused("import", "sheet")
    assert "12,50" in exported.refused("import", "sheet", "--semicolons")
    assert exported.ok("import", "sheet", "--semicolons", "--decimal-comma").endswith(
        f"new kind: receiver\n{exported.written}"
    )


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


def test_the_history_is_exported_on_demand(exported):
    exported.ok("import", "csv")
    exported.ok("amend", "1", "--set", "hours=2", "--why", "clock found")
    exported.ok("export", "all", "--history")
    assert "clock found" in (exported.folder / "all" / "history.csv").read_text(encoding="utf-8")
    exported.ok("export", "all", "--replace")
    assert not (exported.folder / "all" / "history.csv").exists()


@pytest.fixture
def spreadsheet(command_line):
    """Write a spreadsheet of jobs, whose family the ledger knows."""
    command_line.sheet("family,kind\nLarkov T1,tape deck\n", "families.csv")
    command_line.ok("import", "families.csv")

    def write(
        *rows, head="No;Unit;Bought on;Done on;How it ended;Price paid;Hours;Built;Notes", encoding="utf-8"
    ):
        path = command_line.folder / "jobs 2025.csv"
        path.write_bytes("\r\n".join([head, *rows, ""]).encode(encoding))
        return path

    return write


def test_a_sheet_comes_in_by_a_plan_that_is_drafted_first(command_line, spreadsheet):
    path = spreadsheet(
        ' 17 ;Larkov T1;01.03.2025;09.03.2025;fixed;12,50;1,5;1980;"=A1\r\nsecond line"',
        "18;larkov t-1 ;Mar 2025;13.03.2025;parts;0;;;'-cheap", ";;;;;;;;",
            "19;Larkov T1;14.04.2025;;open;;;;",
        encoding="cp1252",
    )  # fmt: skip
    said = command_line.ok("import", path, "--draft", "plan.toml")
    assert said == "plan.toml: how jobs 2025.csv can be read, with 1 question to answer\n"
    said = command_line.refused("import", path, "--draft", "plan.toml")
    assert said == "plan.toml is there already, perhaps with your answers; name another.\n"
    said = command_line.refused("import", path, "--plan", "plan.toml").splitlines()
    assert said[0].startswith(
        "plan.toml has 1 question still open; fill what stands between the quotation marks."
    )
    assert said[1:] == ["where_empty.closed"]
    plan = command_line.folder / "plan.toml"
    plan.write_text(
        plan.read_text(encoding="utf-8").replace('closed = ""', 'closed = "unknown"'), encoding="utf-8"
    )
    line = ["import", path, "--plan", "plan.toml"]
    assert command_line.ok(*line, "--dry-run") == "3 jobs would be imported\n"
    assert "0 jobs" in command_line.ok("check")
    assert command_line.ok(*line) == f"3 jobs imported\n{command_line.written}"
    assert command_line.ok(*line) == "Nothing new imported\n  3 rows in the ledger already\n"
    shown = command_line.ok("show", "17")
    for part in ("bought_for     12.50 EUR", "hours          1.5 h", "=A1", "second line"):
        assert part in shown
    assert "-cheap" in command_line.ok("show", "18")
    assert "imported from jobs 2025.csv" in command_line.ok("show", "18", "--history")
    line = ["import", path, "--take-back"]
    assert command_line.ok(*line, "--dry-run") == "3 jobs would be taken back; their versions are kept\n"
    assert command_line.ok(*line) == "3 jobs taken back; their versions are kept\n"
    assert command_line.refused(*line) == (
        "Nothing in the ledger was imported from jobs 2025.csv. Nothing was taken back.\n"
    )


def test_ways_of_importing_that_do_not_go_together(command_line, spreadsheet):
    path = spreadsheet("17;Larkov T1;01.03.2025;;open;;;;")
    plan = command_line.sheet("", "plan.toml")
    said = command_line.refused("import", path, "--plan", plan, "--standard", "open-repair", code=2)
    assert "--plan and --standard do not go together." in said
    said = command_line.refused("import", path, "--plan", plan, "--semicolons", code=2)
    assert "A plan says how its sheet is written: leave out --semicolons, --decimal-comma." in said
    said = command_line.refused("import", "none.csv", "--draft", "new.toml")
    assert said == "none.csv cannot be read: No such file or directory. Nothing was read.\n"
    said = command_line.refused("import", path, "--semicolons")
    assert "`benchodds import jobs 2025.csv --draft plan.toml` proposes one.\n" in said


def test_a_draft_that_cannot_be_written_is_said(command_line, spreadsheet, monkeypatch):
    path = spreadsheet("17;Larkov T1;01.03.2025;;open;;;;")

    def full(*_args, **_given):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("reliability.records.files.fresh_file", full)
    assert (
        command_line.refused("import", path, "--draft", "plan.toml")
        == "plan.toml cannot be written: the disk is full.\n"
    )


def test_a_sheet_of_unknown_families_is_told_how_they_are_described(command_line, spreadsheet):
    path = spreadsheet("1,Larkov T2,2025-03-01,open", head="job,family,taken_in,outcome")
    said = command_line.refused("import", path).splitlines()
    assert len(said) == 3
    assert said[1].endswith("no family 'Larkov T2' is known; known: Larkov T1. Did you mean 'Larkov T1'?")
    assert said[2].startswith("Families that are new are described first: put them into a families.csv with")


def test_a_file_named_after_a_table_holds_that_table(command_line, spreadsheet):
    command_line.sheet("component,obtainable,price\nbelt,yes,3\n", "parts.csv")
    assert command_line.ok("import", "parts.csv") == f"1 part imported\n{command_line.written}"
    path = spreadsheet("1,Larkov T1,2025-03-01,open", head="job,family,taken_in,outcome")
    assert command_line.ok("import", path) == f"1 job imported\n{command_line.written}"


REPAIRS = """id,data_provider,product_category,brand,year_of_manufacture,repair_status,event_date,problem
mendit_1,Mend It,Hi-Fi separates,Larkov,2000,Fixed,2021-05-08,riem
mendit_2,Mend It,Hi-Fi separates,onbekend,????,End of life,2021-05-08,motor
mendit_3,Mend It,Hi-Fi separates,LARKOV,,Unknown,2021-05-08,
"""


def test_open_repair_data_come_in_beside_the_jobs_of_the_bench(exported):
    exported.ok("import", "csv")
    path = exported.sheet(REPAIRS, "repairs.csv")
    line = ["import", path, "--standard", "open-repair"]
    assert exported.ok(*line) == (
        "Nothing new imported\n  1 row left out: repair status Unknown\n  2 rows left out: of kinds "
        "that the ledger has "
        "no family of (--kind NAME takes one in): Hi-Fi separates 2\n"
    )
    line += ["--kind", "Hi-Fi separates"]
    said = exported.ok(*line, "--dry-run")
    assert said.startswith("2 families, 2 jobs would be imported\n  1 row left out: repair status Unknown\n")
    assert exported.ok(*line) == said.replace("would be imported", "imported") + exported.written
    assert "  years or ages not believed, not a year: 1 ('????' (line 3))\n" in said
    assert "  new maker: Larkov\n" in said
    assert "origin         Mend It" in exported.ok("show", "mendit_1")
    assert exported.ok("import", path, "--standard", "open-repair").startswith("Nothing new imported\n")
    said = exported.refused(*line, "--kind", "Hifi separates")
    assert said.startswith(
        "The files hold no row of the kind 'Hifi separates'; known: Hi-Fi separates, wire recorder."
    )
    assert exported.ok("intake", "Tarnwick T2").startswith("Job 2:")
    assert (
        exported.ok("import", path, "--take-back")
        == "2 jobs, 2 families taken back; their versions are kept\n"
    )


def test_options_of_open_repair_data(exported):
    exported.ok("import", "csv")
    said = exported.refused("export", "again", "--country", "BEL", code=2)
    assert "--provider and --country belong to --standard open-repair." in said
