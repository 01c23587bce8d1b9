import pytest

KNOWN = '[new_family]\nkind = "tape deck"\n'
FIRST = 'family = "Tarnwick T2"\noutcome = "repaired"\nfailed = ["belt"]\n' + KNOWN


@pytest.fixture
def bench(command_line):
    command_line.ok("add", command_line.sheet(FIRST))
    return command_line


def answers(*lines):
    return "\n".join(lines) + "\n"


def test_a_repaired_unit(bench):
    lines = answers(
        "1",  # family, by number
        "T2 mk II",
        "",  # came in today
        "1978-1981", "date code",
        "25",
        "rust, 1",  # no power
        "rest",
        "repaired",
        "belt, 2",  # pinch roller
        "replaced", "3.20", "new",
        "", "head",  # nothing done about the roller; worn: head
        "serviced", "", "",
        "y",  # the rest was sound
        "",  # ended today
        "1.5", "",
        "160", "", "",
        "heavy",
        "y",
    )  # fmt: skip
    out = bench.ok("add", "--ask", input=lines)
    assert out.startswith(
        "Answer by number or by name; Enter takes what stands in brackets, or leaves it open.\n"
    )
    assert "Bench time to the end of the job, in hours: 1.5\n" in out
    told = "Write this job? Tarnwick T2, repaired, belt failed, pinch roller failed, head worn, the rest"
    assert told in out
    assert "sound, bought_for 25.00, hours 1.5, sold_for 160.00 [Y/n]: y\n" in out
    assert "Job 2: Tarnwick T2, repaired\n" in out
    document = bench.job("2")
    row = document["job"]
    assert (row["model"], row["built_from"], row["built_to"]) == ("T2 mk II", 1978, 1981)
    assert (row["year_basis"], row["closed"], row["sold_on"]) == ("date code", bench.today, bench.today)
    assert (row["hours"], row["remarks"], row["other_costs"]) == (1.5, "heavy", None)
    findings = {each["component"]: each for each in document["findings"]}
    belt = findings["belt"]
    assert (belt["action"], str(belt["part_cost"]), belt["part_source"]) == ("replaced", "3.20", "new")
    assert (findings["pinch roller"]["found"], findings["pinch roller"]["action"]) == ("failed", None)
    assert (findings["head"]["found"], findings["motor"]["found"]) == ("worn", "sound")
    signs = {each["sign"]: each["seen"] for each in document["signs"]}
    assert (signs["rust"], signs["no power"], signs["hum"]) == ("yes", "yes", "no")


def test_an_open_unit_that_is_not_repaired(bench):
    bench.ok("intake", "Tarnwick T2", "-p", "12", "-y", "1979", "-s", "rust=yes", "-m", "T2")
    lines = answers(
        "1",  # the first of the list is job 2, and 1 is none that is open
        "2", "",  # the open job; nobody said where its year comes from
        "donor",
        "gear", "no part",
        "",  # nothing worn
        "n",
        "",  # ended today
        "",  # ended by the gear
        "1",  # parts not available
        "", "2.50", "15", "",
        "",
    )  # fmt: skip
    out = bench.ok("add", "--ask", input=lines)
    assert (
        f"  job 2: Tarnwick T2, in since {bench.today}\nWhich unit, by its job number? [another one]: " in out
    )
    assert "Error: job '1' is not open; open: 2\n" in out
    assert "What did it cost?" not in out
    assert "Signs seen" not in out
    row = bench.job("2")["job"]
    assert (row["outcome"], row["ended_by"], row["ended_why"]) == ("donor", "gear", "parts not available")
    assert (str(row["bought_for"]), str(row["salvage_value"]), row["sold_for"]) == ("12.00", "15.00", None)
    assert [each["component"] for each in bench.job("2")["findings"]] == ["gear"]


def test_each_answer_is_checked_at_once(bench):
    lines = answers(
        "", "Tarnwik T2", "n",  # an answer is needed; a slip of the pen
        "Tarnwick T2", "",
        "03/04/2024", "2026-05-01",
        "79", "2030", "",
        "2,5", "12",
        "", "",
        "mended", "scrapped",
        "bellt", "n", "belt",
        "burnt", "none", "", "y",
        "2026-04-01", "2026-05-02",
        "none of them", "",
        "-1", "2", "", "", "", "n",
    )  # fmt: skip
    out = bench.ok("add", "--ask", input=lines)
    for message in (
        "Error: an answer is needed here",
        "No family 'Tarnwik T2' is known. Did you mean 'Tarnwick T2'? Is it new? [y/N]",
        "Error: '03/04/2024' is not a date such as 2026-05-17",
        "Error: '79' is neither a year such as 1979 nor a window",
        "Error: built_from is not after the year of taken_in; found built_from 2030, taken_in 2026-05-01",
        "Error: '2,5' is not an amount written as a plain decimal with at most 2 decimals; write 2.5",
        "Error: 'mended' is not one of repaired, donor, scrapped, sold as is.",
        "Component 'bellt' was never seen here. Did you mean 'belt'? Is it new? [y/N]",
        "Error: 'bellt' was not taken; known: bearing, belt, ",
        "Error: 'burnt' is not one of none, serviced, replaced, rebuilt, no part.",
        "Error: closed is on or after taken_in; found taken_in 2026-05-01, closed 2026-04-01",
        "Error: '-1' is not at least 0",
        "Nothing was written.",
    ):
        assert message in out
    assert bench.run("show", "2").exit_code == 1


def test_a_new_family_and_a_new_component_without_a_ledger(command_line):
    lines = answers(
        "Dallow W1", "y", "wire recorder", "y", "Dallow",
        "", "", "", "", "", "",
        "", "spool, belt", "y", "", "", "",
        "n", "", "", "", "", "", "",
        "y",
    )  # fmt: skip
    out = command_line.ok("add", "--ask", input=lines)
    told = f"A new ledger was made: {command_line.file} (only you can read it)\nJob 1: Dallow W1, repaired"
    assert told in out
    (family,) = command_line.rows("families")
    assert (family["kind"], family["maker"]) == ("wire recorder", "Dallow")
    assert [row["component"] for row in command_line.job("1")["findings"]] == ["belt", "spool"]


def test_breaking_off_leaves_nothing(command_line):
    result = command_line.run("add", "--ask", input="Dallow W1\ny\n")
    assert (result.exit_code, result.stderr) == (1, "Aborted!\n")
    assert not command_line.file.exists()


def test_control_c_at_the_last_question_leaves_nothing(bench, monkeypatch):
    def confirm(question, **_):
        if question.startswith("Write this job?"):
            raise KeyboardInterrupt
        return False

    monkeypatch.setattr("click.confirm", confirm)
    before = bench.file.read_bytes()
    result = bench.run("add", "--ask", input="1" + "\n" * 30)
    assert (result.exit_code, result.stderr.strip()) == (1, "Aborted!")
    assert bench.file.read_bytes() == before
