# Messages are quoted whole.
# ruff: noqa: E501

"""Open repair data: files of other people into a ledger."""

import csv
import json
import re
from collections import Counter
from functools import partial
from pathlib import Path

import pytest

from reliability.errors import InvalidInput
from reliability.records.open_repair import COLUMNS, built_window, maker_key
from reliability.records.open_repair import import_open_repair as import_known
from reliability.records.package import Layout, export_package
from tests.records.repair_rows import V01, V02, grave, jobs, write_repairs

SAMPLE = Path(__file__).parents[3] / "shared" / "open-repair-sample"


def import_open_repair(path, ledger, **given):
    """Import rows of every kind, whatever the ledger has."""
    return import_known(path, ledger, kinds=None, **given)


@pytest.fixture
def write(tmp_path):
    return partial(write_repairs, tmp_path)


@pytest.mark.parametrize("columns", [V01, V02, COLUMNS])
def test_every_version_of_the_standard_becomes_jobs_with_an_origin(ledger, write, columns):
    path = write({}, {"repair_status": "End of life"}, {"repair_status": "Repairable"}, {"repair_status": "Unknown"},
                 columns=columns)  # fmt: skip
    summary = import_open_repair(path, ledger)
    assert summary.written == {"families": 1, "jobs": 3}
    assert summary.left_out == {"repair status Unknown": 1}
    held = jobs(ledger)
    assert {number: job["outcome"] for number, job in held.items()} == {
        "mendit_1": "repaired", "mendit_2": "scrapped", "mendit_3": "sold as is",
    }  # fmt: skip
    first = held["mendit_1"]
    assert (first["origin"], first["family"]) == ("Mend It", "Tarnwick Coffee maker")
    assert (first["taken_in"], first["closed"]) == ("2021-05-08", "2021-05-08")
    assert (first["built_from"], first["built_to"], first["year_basis"]) == (2008, 2012, "guess")
    family = next(row for row in ledger.rows("families") if row["family"] == first["family"])
    assert (family["kind"], family["maker"]) == ("Coffee maker", "Tarnwick")
    assert grave(ledger) == []


def test_imported_jobs_stay_out_of_the_numbers_of_the_bench(ledger, write, finished):
    ledger.add(finished(job="7"))
    import_open_repair(write({"id": "900"}, {"id": "8"}, {"id": "mendit-77"}), ledger)
    assert sorted(jobs(ledger)) == ["7", "mendit-77", "mendit_8", "mendit_900"]
    assert ledger.next_job_number() == "8"
    assert not [problem for problem in ledger.check() if "number" in problem.topic]


def test_an_id_that_the_bench_has_given_out_makes_way(ledger, write, finished):
    ledger.add(finished(job="job-1"))
    path = write({"id": "job-1"})
    import_open_repair(path, ledger)
    assert {number: job["origin"] for number, job in jobs(ledger).items()} == {
        "job-1": None, "mendit_job-1": "Mend It",
    }  # fmt: skip
    assert import_open_repair(path, ledger).equal == {"jobs": 1}


def test_what_the_free_text_tells_is_kept_nowhere(ledger, write, tmp_path):
    import_open_repair(write({"problem": "=zonder kans, weggegooid"}), ledger)
    export_package(ledger, tmp_path / "out", history=True)
    written = [file.read_text(encoding="utf-8") for file in (tmp_path / "out").glob("*.csv")]
    assert any("mendit_1" in text for text in written)
    assert not any("weggegooid" in text for text in written)


def test_the_same_file_again_changes_nothing(ledger, write):
    path = write(
        {}, {"brand": "TARNWICK"}, {"brand": "Dallow"}, {"id": "mendit_1"}, {"repair_status": "unknown"}
    )
    first = import_open_repair(path, ledger)
    assert first.written == {"families": 2, "jobs": 4}
    again = import_open_repair(path, ledger)
    assert (again.written, again.equal, again.left_out) == ({}, {"jobs": 4}, {"repair status Unknown": 1})
    assert import_open_repair(path, ledger, dry_run=True).equal == {"jobs": 4}


def test_a_dry_run_writes_nothing(ledger, write):
    assert import_open_repair(write({}), ledger, dry_run=True).written == {"families": 1, "jobs": 1}
    assert jobs(ledger) == {}


def test_the_ledgers_spelling_of_a_maker_stands(ledger, write):
    ledger.put("families", [{"family": "D", "kind": "radio", "maker": "DALLOW"}], reason="x")
    import_open_repair(write({"brand": "Dallow"}, {"brand": "Dallow"}), ledger)
    assert jobs(ledger)["mendit_1"]["family"] == "DALLOW Coffee maker"


def test_a_family_of_the_bench_of_another_kind_is_left_alone(ledger, write):
    ledger.put("families", [{"family": "Tarnwick Coffee maker", "kind": "radio"}], reason="x")
    import_open_repair(write({}), ledger)
    assert jobs(ledger)["mendit_1"]["family"] == "Tarnwick Coffee maker (open repair data)"
    assert {row["family"]: row["kind"] for row in ledger.rows("families")}["Tarnwick Coffee maker"] == "radio"


@pytest.mark.parametrize(
    ("cells", "kind"),
    [
        ({}, "Coffee maker"),
        ({"product_category": "coffee MAKER"}, "Coffee maker"),
        ({"product_category": "", "product_category_id": "36"}, "Coffee maker"),
        ({"product_category": "", "product_category_id": ""}, "Koffiezetter"),
        ({"product_category": "Wire recorder"}, "Wire recorder"),
        ({"partner_product_category": "Tape deck", "product_category": "Hi-Fi separates"}, "tape deck"),
        ({"partner_product_category": "N/A", "product_category": "?", "product_category_id": ""}, "Misc"),
    ],
)
def test_the_category_becomes_the_kind(ledger, file, write, cells, kind):
    summary = import_open_repair(write(cells), ledger)
    family = jobs(ledger)["mendit_1"]["family"]
    assert {row["family"]: row["kind"] for row in ledger.rows("families")}[family] == kind
    assert any("without a category, taken as Misc: 1 (line 2)" in remark for remark in summary.remarks) == (
        kind == "Misc"
    )


@pytest.mark.parametrize(
    ("barrier", "why"),
    [
        ("Spare parts not available", "parts not available"), ("spare parts too expensive", "parts too expensive"),
        ("No way to open product", "cannot be opened"), ("Repair information not available", "no information"),
        ("Lack of equipment", "no equipment"), ("Item too worn out", "too worn"), ("Too worn out", "too worn"),
        ("", None), ("N/A", None),
    ],
)  # fmt: skip
def test_barriers_become_why_a_job_ended(ledger, file, write, barrier, why):
    for number, status in enumerate(("End of life", "Repairable")):
        summary = import_open_repair(write({"id": f"mendit_{number}", "repair_status": status,
                                            "repair_barrier_if_end_of_life": barrier}), ledger)  # fmt: skip
        assert summary.remarks == ()
        assert jobs(ledger)[f"mendit_{number}"]["ended_why"] == why


def test_barriers_that_fit_nothing_are_told(ledger, write):
    summary = import_open_repair(
        write({"repair_barrier_if_end_of_life": "Lack of equipment"},
              {"repair_status": "End of life", "repair_barrier_if_end_of_life": "Bored"}), ledger)  # fmt: skip
    assert summary.remarks == (
        "barriers beside a repair, not taken over: 1 (line 2)",
        "barriers that no version of the standard has, not taken over: 1 ('Bored' (line 3))",
    )
    assert {job["ended_why"] for job in jobs(ledger).values()} == {None}


@pytest.mark.parametrize(
    ("year", "age", "doubt"),
    [
        ("????", "", "not a year"), ("ca. 1990", "", "not a year"), ("199", "", "an age above 100 years"),
        ("1900", "121", "a placeholder for a year"), ("0", "", "a placeholder for a year"),
        ("2022", "", "a year after the event"), ("1850", "", "an age above 100 years"),
        ("", "150", "an age above 100 years"), ("", "-1", "not an age"), ("", "10 jaar", "not an age"),
        ("1990", "3", "year and age contradict each other"),
    ],
)  # fmt: skip
def test_guesses_that_nobody_can_believe(ledger, file, write, year, age, doubt):
    assert built_window(year, age, "2021-05-08") == (None, doubt)
    summary = import_open_repair(write({"year_of_manufacture": year, "product_age": age}), ledger)
    cells = " and ".join(repr(cell) for cell in (year, age) if cell)
    assert summary.remarks == (f"years or ages not believed, {doubt}: 1 ({cells} (line 2))",)
    assert jobs(ledger)["mendit_1"]["built_from"] is None


NOBODY = [
    "Unknown", "unknown", "Onbekend", "niet gekend", "Geen merk", "zonder merk", "Merkloos", "Ukendt", "ukjent",
    "Okänd", "Unbekannt", "ohne Marke", "keine Angabe", "Inconnue", "sans marque", "Desconocido", "sin marca",
    "sconosciuto", "senza marca", "Desconhecido", "nieznany", "neznámá", "tuntematon", "ismeretlen",
    "?", "??", "-", "...", "/", "x", "xx", "XXX", "S", "n/a", "N.A.", "n.v.t.", "none", "No name", "no-name",
    "Unbranded", "generic", "lamp, merk onbekend", "Lichterkette (keine Marke)", "", "  ",
    "clock that my aunt brought home", "niet leesbaar",
]  # fmt: skip


@pytest.mark.parametrize("brand", NOBODY)
def test_nobody_in_many_languages_is_no_maker(ledger, file, write, brand):
    assert maker_key(brand) is None
    import_open_repair(write({"brand": brand}), ledger)
    assert jobs(ledger)["mendit_1"]["family"] == "Coffee maker, maker unknown"
    assert ledger.names("maker") == ["Tarnwick"]


@pytest.mark.parametrize("brand", ["Unkown", "unknow", "Uknown"])
def test_a_slip_of_the_pen_is_no_maker_either(brand):
    assert maker_key(brand) is None


@pytest.mark.parametrize(
    ("brands", "maker"),
    [
        (["Phillips", "PHILIPS", "Philps"], "Philips"), (["B & O", "B&O", "Bang & Olufsen"], "Bang & Olufsen"),
        (["Dallow &amp; Sons", "Dallow & Sons", "Dallow and Sons"], "Dallow & Sons"),
        (["Phillips", "Phillips", "Phillips", "Phillips kettle 7"], "Philips"),
    ],
)  # fmt: skip
def test_known_spellings_and_entities_are_one_maker(ledger, file, write, brands, maker):
    import_open_repair(write(*({"brand": brand} for brand in brands)), ledger)
    assert ledger.names("maker") == sorted([maker, "Tarnwick"])


def test_only_kinds_that_the_ledger_knows_are_taken_in(ledger, file, write):
    rows = [{"product_category": name, "partner_product_category": own}
            for name, own in (("Hi-Fi separates", ""), ("Hi-Fi separates", "tape deck"), ("Kettle", ""), ("Kettle", ""),
                              ("", ""), ("Toaster", ""))]  # fmt: skip
    rows[4]["product_category_id"] = ""
    summary = import_known(write(*rows), ledger)
    # The ledger has a tape deck, and so knows the category that tape decks belong to.
    assert summary.written == {"families": 2, "jobs": 2}
    assert summary.left_out == {
        "of kinds that the ledger has no family of (--kind NAME takes one in): Kettle 2, Misc 1, Toaster 1": 4
    }
    summary = import_known(write(*rows), ledger, kinds=["Kettle"])
    assert (summary.written, summary.equal) == ({"families": 1, "jobs": 2}, {"jobs": 2})
    assert "without a category" not in " ".join(summary.remarks)
    with pytest.raises(
        InvalidInput, match=r"^The files hold no row of the kind 'Ketle'; known: .*Did you mean 'Kettle'"
    ):
        import_known(write(*rows), ledger, kinds=["Ketle"])


def test_doubles_are_flagged_and_none_is_dropped(ledger, write):
    same = {"problem": "stuk"}
    summary = import_open_repair(write(same, same, {"id": "mendit_2"}, {"problem": "other"}), ledger)
    assert summary.written["jobs"] == 4
    assert sorted(jobs(ledger)) == ["mendit_1", "mendit_2", "mendit_2 (2)", "mendit_4"]
    assert summary.remarks == (
        "ids given more than once, each row kept: 1 (mendit_2 (line 4))",
        "rows that say the same as another but for the id, each kept: 1 (mendit_2 = mendit_1)",
    )


def test_long_lists_of_remarks_are_cut(ledger, write):
    summary = import_open_repair(write(*[{"problem": "stuk"}] * 12), ledger)
    assert summary.remarks[0].endswith("mendit_9 = mendit_1 and 3 more)")


def test_groups_that_wrote_down_only_successes(ledger, write):
    rosy, fair, small = ({"group_identifier": name} for name in ("Rosy", "Fair", "Small"))
    lost = {"repair_status": "Repairable"}
    rows = [*[rosy] * 10, {**rosy, "repair_status": "Unknown"}, *[fair] * 10, {**fair, **lost}, *[small] * 9]
    summary = import_open_repair(write(*rows), ledger)
    assert summary.remarks == (
        "groups whose every row is Fixed, in 10 rows or more; did they write down the others? Rosy (Mend It)",
    )


def test_every_row_is_imported_or_accounted_for(ledger, write):
    rows = [{}, {"repair_status": "Unknown"}, {"repair_status": ""}, {"event_date": ""}, {"event_date": "0000-00-00"},
            {"repair_status": "end_of_life"}, {"event_date": "2021-05-08 00:00:00"}, {"event_date": "2021-05"}]  # fmt: skip
    summary = import_open_repair(write(*rows), ledger)
    assert summary.left_out == {"repair status Unknown": 2, "no event date": 2}
    assert summary.written["jobs"] + sum(summary.left_out.values()) == len(rows)
    assert jobs(ledger)["mendit_7"]["taken_in"] == "2021-05-08"


def test_every_fault_is_named_and_nothing_is_imported(ledger, write):
    path = write(
        {"repair_status": "Fixd"}, {"event_date": "08/05/2021", "id": ""}, {}, {"event_date": "2021-02-30"},
        {"brand": "caf\udce9"}, {"repair_status": "Unknown"}, {"problem": "caf\udce9"},
        {"group_identifier": "a\x00b"},
    )  # fmt: skip
    with path.open("a") as stream:
        stream.write("mendit_99,Mend It\n")
    with pytest.raises(InvalidInput) as caught:
        import_open_repair(path, ledger)
    assert caught.value.message == (
        "7 faults found. Nothing was imported: 9 rows were read, 3 of them without a fault."
    )
    assert list(caught.value.faults) == [
        "repairs.csv, line 2, column repair_status: 'Fixd' is not one of Fixed, End of life, Repairable, Unknown. "
        "Did you mean 'Fixed'?",
        "repairs.csv, line 3, column event_date: '08/05/2021' is not a date such as 2021-05-17",
        "repairs.csv, line 3, column id: is empty, but every row needs it",
        "repairs.csv, line 5, column event_date: '2021-02-30' is not a date such as 2021-05-17",
        "repairs.csv, line 6, column brand: is not UTF-8 (byte 0xE9 after 'caf'); save the file as UTF-8",
        "repairs.csv, line 9, column remarks: 'group a\\x00b' holds the character U+0000, which a text of several lines may not",
        "repairs.csv, line 10: has 2 cells, but the header has 14",
    ]
    assert jobs(ledger) == {}


def test_headers(ledger, write, tmp_path):
    path = write({}, columns=[*COLUMNS, "weight_kg", "Powered By"])
    assert import_open_repair(path, ledger).remarks == (
        "columns that no version of the standard has, and that were not read: 2 (weight_kg, powered_by)",
    )
    path = write({}, columns=["id", "brand", "event_date", "event_date"], name="short.csv")
    with pytest.raises(InvalidInput) as caught:
        import_open_repair(path, ledger)
    assert list(caught.value.faults) == [
        "short.csv, line 1: the header lacks repair_status, product_category or partner_product_category or "
        f"product_category_id; versions 0.1 to 0.3 of the standard have {', '.join(COLUMNS)}",
        "short.csv, line 1, column event_date: stands in the header more than once",
    ]
    path = write({}, columns=[*V01[:5], "yaer_of_manufacture", *V01[6:]], name="slip.csv")
    with pytest.raises(
        InvalidInput, match=r"column yaer_of_manufacture: is no column of the standard\. Did you mean 'y"
    ):
        import_open_repair(path, ledger)
    spelled = write({}, columns=COLUMNS, name="spelled.csv")
    text = (
        spelled.read_text().replace("repair_status", " Repair Status ").replace("product_age", "Product-Age")
    )
    spelled.write_text(text.replace("mendit_1", "mendit_2"))
    assert import_open_repair(spelled, ledger).written == {"jobs": 1}
    with pytest.raises(InvalidInput, match=r"^There is no file or folder .*none\. Nothing was imported\.$"):
        import_open_repair(tmp_path / "none", ledger)
    (tmp_path / "empty").mkdir()
    with pytest.raises(
        InvalidInput, match=r"empty holds no CSV file of open repair data\. Nothing was imported\.$"
    ):
        import_open_repair(tmp_path / "empty", ledger)


def test_a_folder_of_files_and_the_list_of_categories_beside_them(ledger, write, tmp_path):
    write({}, name="all/one.csv")
    write({"id": "mendit_2"}, {"id": "mendit_1"}, name="all/two.csv")
    (tmp_path / "all" / "categories.csv").write_text(
        "product_category_id,product_category\n36,Coffee maker\n"
    )
    summary = import_open_repair(tmp_path / "all", ledger)
    assert summary.written == {"families": 1, "jobs": 3}
    assert summary.remarks[0] == "ids given more than once, each row kept: 1 (mendit_1 (line 3))"


def test_semicolons_and_decimal_commas_by_option(ledger, write):
    path = write({"year_of_manufacture": "", "product_age": "2,5"}, delimiter=";", name="semi.csv")
    with pytest.raises(InvalidInput, match=r"semi\.csv, line 1: the header lacks id"):
        import_open_repair(path, ledger)
    assert import_open_repair(path, ledger, layout=Layout(";", True)).remarks == ()
    assert jobs(ledger)["mendit_1"]["built_from"] == 2017


def test_a_file_without_a_provider_is_its_own_origin(ledger, write):
    import_open_repair(write({"id": "17"}, columns=[name for name in V01 if name != "data_provider"]), ledger)
    assert {number: job["origin"] for number, job in jobs(ledger).items()} == {"repairs_17": "repairs"}


def test_published_data_are_read_to_the_last_row(ledger, file, write, tmp_path):
    """Read the published sample where it lies beside the project; a folder of invented files otherwise."""
    folder = SAMPLE
    if not folder.is_dir():
        folder = tmp_path / "invented"
        write({}, {"repair_status": "Unknown"}, name="invented/rows.csv")
        (folder / "categories.csv").write_text("product_category_id,product_category\n")
    rows = [
        row
        for file in folder.glob("*.csv")
        for row in csv.DictReader(file.read_text(encoding="utf-8-sig").splitlines(keepends=True))
        if "repair_status" in row
    ]
    summary = import_open_repair(folder, ledger)
    assert summary.written["jobs"] + sum(summary.left_out.values()) == len(rows) > 1
    counts = Counter(row["repair_status"] for row in rows)
    outcomes = Counter(job["outcome"] for job in jobs(ledger).values())
    assert outcomes["repaired"] == counts["Fixed"]
    assert outcomes["scrapped"] == counts["End of life"]
    assert outcomes["sold as is"] == counts["Repairable"]
    assert ledger.next_job_number() == "1"
    assert grave(ledger) == []
    years = {row["id"]: row["year_of_manufacture"] for row in rows if row["year_of_manufacture"]}
    for number, job in jobs(ledger).items():
        if job["built_from"] is not None:
            assert job["built_from"] <= int(years[number]) <= job["built_to"]
    free_text = {word for row in rows for word in re.findall(r"\w{12,}", row["problem"])}
    told = {
        word
        for row in rows
        for name, cell in row.items()
        if name != "problem"
        for word in re.findall(r"\w+", cell)
    }
    kept = json.dumps([ledger.rows("jobs"), ledger.rows("families")], default=str, ensure_ascii=False)
    assert not (free_text - told) & set(re.findall(r"\w+", kept))
