import tomllib

from reliability.records.sheet import blank_sheet, read_sheet
from reliability.records.tables import TABLES, USUAL_SIGNS, usual_components

COMPONENTS = usual_components("tape deck")


def blank(**more):
    return blank_sheet("Tarnwick T2", "tape deck", COMPONENTS, USUAL_SIGNS, **more)


def test_an_empty_sheet_reads_and_says_only_its_family():
    sheet = read_sheet(blank())
    assert sheet.faults == ()
    said = {name: value for name, value in sheet.document["job"].items() if value is not None}
    assert said == {"family": "Tarnwick T2"}
    assert (sheet.document["findings"], sheet.document["signs"], sheet.rest_sound) == ([], [], False)


def test_every_column_of_a_job_has_its_line_and_a_comment():
    written = tomllib.loads(blank())
    columns = set(TABLES["jobs"].names) - {"built_from", "built_to", "origin"}
    assert columns | {"built", "failed", "worn", "sound", "rest_sound", "signs"} == set(written)
    for name in columns - {"family", "job"}:
        (number,) = [i for i, line in enumerate(blank().splitlines()) if line.startswith(f"{name} = ")]
        line, above = blank().splitlines()[number], blank().splitlines()[number - 1]
        assert "# " in line or above.startswith("# "), name


def test_lines_fit_the_screen():
    assert max(map(len, blank().splitlines())) <= 102


def test_the_components_of_the_kind_are_named():
    assert '# Usual components: "belt", "pinch roller", "idler"' in blank()


def test_the_finding_at_its_foot_holds_every_column():
    lines = blank().split("# [[finding]]\n")[1].splitlines()
    text = "[[finding]]\n" + "\n".join(line.removeprefix("# ") for line in lines)
    (finding,) = tomllib.loads(text)["finding"]
    assert set(finding) == set(TABLES["findings"].names) - {"job"}


def test_a_sheet_for_an_open_job_asks_only_for_the_rest():
    written = tomllib.loads(blank(job="17"))
    assert written["job"] == "17"
    assert not {"bought_for", "built", "taken_in", "model"} & set(written)


def test_open_jobs_are_mentioned_where_none_is_chosen():
    assert 'job = ""' in blank(still_open=["17", "19"])
    assert "the number given at intake, if there was one; open: 17, 19" in blank(still_open=["17", "19"])


def test_odd_names_stay_what_they_are():
    family = 'T2 "de luxe" \\ né'
    text = blank_sheet(family, "tape deck", ['16" belt'], ['"hum"'])
    assert tomllib.loads(text)["family"] == family
    assert '"hum"' in tomllib.loads(text)["signs"]


def test_a_filled_sheet_is_a_job():
    text = (
        blank().replace("failed = []", 'failed = ["belt"]').replace("rest_sound = false", "rest_sound = true")
    )
    text = text.replace('outcome = ""', 'outcome = "repaired"').replace('"rust" = ""', '"rust" = true')
    sheet = read_sheet(text)
    assert sheet.faults == ()
    assert sheet.document["signs"] == [{"sign": "rust", "seen": True}]
    assert len(sheet.rest(COMPONENTS)) == len(COMPONENTS) - 1
