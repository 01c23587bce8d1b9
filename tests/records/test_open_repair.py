"""Open repair data: files of other people into a ledger, and the bench's own jobs out again."""

import csv
import re
from collections import Counter
from functools import partial
from pathlib import Path

import frictionless
import pytest

from reliability.records.ledger import open_ledger
from reliability.records.open_repair import (
    BARRIERS,
    CATEGORIES,
    COLUMNS,
    STATUS_OF,
    built_window,
    category_name,
    category_of,
    export_open_repair,
    maker_key,
    makers_of,
)
from reliability.records.open_repair import import_open_repair as import_known
from reliability.records.package import Layout, export_package
from reliability.records.tables import ENDED_WHY, OUTCOMES
from tests.packages import next_number
from tests.records.refusals import grave, refused
from tests.records.repair_rows import V01, V02, jobs, write_repairs

SAMPLE = Path(__file__).parents[3] / "shared" / "open-repair-sample"


def import_open_repair(path, ledger, **given):
    """Import rows of every kind, whatever the ledger has."""
    return import_known(path, ledger, kinds=None, **given)


@pytest.fixture
def write(tmp_path, file):
    return partial(write_repairs, tmp_path)


@pytest.mark.parametrize("columns", [V01, V02, COLUMNS])
def test_every_version_of_the_standard_becomes_jobs_with_an_origin(ledger, write, columns):
    rows = ({"repair_status": status} for status in ("Fixed", "End of life", "Repairable", "Unknown"))
    summary = import_open_repair(write(*rows, columns=columns), ledger)
    assert (summary.written, summary.left_out) == ({"families": 1, "jobs": 3}, {"repair status Unknown": 1})
    held = jobs(ledger)
    assert [job["outcome"] for _, job in sorted(held.items())] == ["repaired", "scrapped", "sold as is"]
    first = {"origin": "Mend It", "family": "Tarnwick Coffee maker", "taken_in": "2021-05-08", "closed": "2021-05-08",
             "built_from": 2008, "built_to": 2012, "year_basis": "guess"}  # fmt: skip
    assert first.items() <= held["mendit_1"].items()
    family = next(row for row in ledger.rows("families") if row["family"] == first["family"])
    assert (family["kind"], family["maker"]) == ("Coffee maker", "Tarnwick")
    assert grave(ledger) == []


def test_imported_jobs_stay_out_of_the_numbers_of_the_bench(ledger, write, finished):
    for number in ("job-1", "7"):
        ledger.add(finished(job=number))
    path = write({"id": "900"}, {"id": "8"}, {"id": "mendit-77"}, {"id": "job-1"})
    import_open_repair(path, ledger)
    own = {number: job["origin"] for number, job in jobs(ledger).items()}
    others = dict.fromkeys(("mendit-77", "mendit_8", "mendit_900", "mendit_job-1"), "Mend It")
    assert own == {"7": None, "job-1": None, **others}
    assert next_number(ledger) == "8"
    assert not [problem for problem in ledger.check() if "number" in problem.topic]
    assert import_open_repair(path, ledger).equal == {"jobs": 4}
    nameless = write({"id": "17"}, columns=[name for name in V01 if name != "data_provider"], name="own.csv")
    import_open_repair(nameless, ledger)
    assert jobs(ledger)["own_17"]["origin"] == "own"


def test_what_the_free_text_tells_is_kept_nowhere(ledger, write, tmp_path):
    import_open_repair(write({"problem": "=zonder kans, weggegooid"}), ledger)
    export_package(ledger, tmp_path / "out", history=True)
    written = [file.read_text(encoding="utf-8") for file in (tmp_path / "out").glob("*.csv")]
    assert any("mendit_1" in text for text in written)
    assert not any("weggegooid" in text for text in written)


def test_doubles_are_told_and_the_same_file_again_changes_nothing(ledger, write):
    odd = [{"brand": "TARNWICK"}, {"brand": "Dallow"}, {"repair_status": "unknown"}]
    path = write({}, {}, {"id": "mendit_2"}, *odd)
    first = import_open_repair(path, ledger)
    assert first.written == {"families": 2, "jobs": 5}
    assert sorted(jobs(ledger)) == ["mendit_1", "mendit_2", "mendit_2 (2)", "mendit_4", "mendit_5"]
    assert first.remarks == ("ids given more than once, each row kept: 1 (mendit_2 (repairs.csv, line 4))",)
    for dry_run in (True, False):
        again = import_open_repair(path, ledger, dry_run=dry_run)
        assert (again.written, again.equal, again.left_out) == ({}, {"jobs": 5}, {"repair status Unknown": 1})
    assert import_open_repair(write({"id": "mendit_9"}), ledger, dry_run=True).written == {"jobs": 1}
    assert len(jobs(ledger)) == 5


def test_families_of_the_ledger_stand_and_the_category_becomes_the_kind(ledger, write):
    ledger.put("families", [{"family": "D", "kind": "radio", "maker": "DALLOW"},
                            {"family": "Tarnwick Coffee maker", "kind": "radio"}], reason="x")  # fmt: skip
    rows = (
        ({"brand": "Dallow"}, "DALLOW Coffee maker", "Coffee maker"),
        ({"brand": "Skolm &amp; Sons"}, "Skolm & Sons Coffee maker", "Coffee maker"),
        ({}, "Tarnwick Coffee maker (open repair data)", "Coffee maker"),
        ({"product_category": "coffee MAKER", "brand": "Skolm"}, "Skolm Coffee maker", "Coffee maker"),
        ({"product_category": "", "product_category_id": "36", "brand": "Skolm"}, "Skolm Coffee maker", "Coffee maker"),
        ({"product_category": "", "product_category_id": ""}, "Tarnwick Koffiezetter", "Koffiezetter"),
        ({"product_category": "Wire recorder"}, "Tarnwick Wire recorder", "Wire recorder"),
        ({"partner_product_category": "Tape deck", "product_category": "Hi-Fi separates"}, "Tarnwick tape deck", "tape deck"),
        ({"partner_product_category": "N/A", "product_category": "?", "product_category_id": ""}, "Tarnwick Misc", "Misc"),
    )  # fmt: skip
    summary = import_open_repair(write(*(cells for cells, _, _ in rows)), ledger)
    kinds = {row["family"]: row["kind"] for row in ledger.rows("families")}
    assert [(job["family"], kinds[job["family"]]) for job in jobs(ledger).values()] == [
        told[1:] for told in rows
    ]
    assert kinds["Tarnwick Coffee maker"] == "radio"
    assert summary.remarks == ("rows without a category, taken as Misc: 1 (repairs.csv, line 10)",)


def test_barriers_become_why_a_job_ended(ledger, write):
    whys = {
        "Spare parts not available": "parts not available", "spare parts too expensive": "parts too expensive",
        "No way to open product": "cannot be opened", "Repair information not available": "no information",
        "Lack of equipment": "no equipment", "Item too worn out": "too worn", "Too worn out": "too worn",
        "": None, "N/A": None, "Bored": None,
    }  # fmt: skip
    rows = [{"repair_status": status, "repair_barrier_if_end_of_life": barrier}
            for status in ("End of life", "Repairable") for barrier in whys]  # fmt: skip
    summary = import_open_repair(write(*rows, {"repair_barrier_if_end_of_life": "Lack of equipment"}), ledger)
    held = jobs(ledger)
    assert [held[f"mendit_{n}"]["ended_why"] for n in range(1, 22)] == [*whys.values(), *whys.values(), None]
    assert summary.remarks == (
        "barriers beside a repair, not taken over: 1 (repairs.csv, line 22)",
        "barriers that no version of the standard has, not taken over: 2 ('Bored' (repairs.csv, line 11), 'Bored' (repairs.csv, line 21))",
    )


# The window widens with age: a year to both sides, and one more for every full ten years.
@pytest.mark.parametrize(
    ("year", "window"),
    [
        ("2021", (2021, 2021)), ("2020", (2019, 2021)), ("2015.0", (2014, 2016)), ("2010", (2008, 2012)),
        ("1981", (1976, 1986)), ("1921", (1910, 1932)), ("????", "not a year"), ("ca. 1990", "not a year"),
        ("199", "an age above 100 years"), ("1920", "an age above 100 years"), ("1900", "a placeholder for a year"),
        ("0", "a placeholder for a year"), ("2022", "a year after the event"),
    ],
)  # fmt: skip
def test_a_year_becomes_a_window_unless_nobody_can_believe_it(year, window):
    assert built_window(year, 2021) == window


NOBODY = [
    "Unknown", "unknown", "Onbekend", "niet gekend", "Geen merk", "zonder merk", "Merkloos", "Ukendt", "ukjent",
    "Okänd", "Unbekannt", "ohne Marke", "keine Angabe", "Inconnue", "sans marque", "Desconocido", "sin marca",
    "sconosciuto", "senza marca", "Desconhecido", "nieznany", "neznámá", "tuntematon", "ismeretlen",
    "?", "??", "-", "...", "/", "x", "xx", "XXX", "S", "n/a", "N.A.", "n.v.t.", "none", "No name", "no-name",
    "Unbranded", "generic", "lamp, merk onbekend", "Lichterkette (keine Marke)", "", "  ",
    "clock that my aunt brought home", "niet leesbaar", "Unkown", "unknow", "Uknown",
]  # fmt: skip


def test_nobody_in_many_languages_is_no_maker(ledger, write):
    import_open_repair(write(*({"brand": brand} for brand in NOBODY)), ledger)
    assert {job["family"] for job in jobs(ledger).values()} == {"Coffee maker, maker unknown"}
    assert ledger.names("maker") == ["Tarnwick"]


@pytest.mark.parametrize(
    ("spellings", "maker"),
    [
        (["Tarnwick", "tarnwick", "TARNWICK", " Tarnwick. ", "Tarn Wick", "Tarn-Wick", "Tarnwick (?)", "Tarnwick Ltd"],
         "Tarnwick"),
        (["Wöspel & Tarn", "Wospel and Tarn", "wöspel+tarn", "WÖSPEL&TARN GmbH"], "Wöspel & Tarn"),
        (["Skærø", "skaero"], "Skærø"), (["Phillips", "PHILIPS", "Philps"], "Philips"),
        (["B & O", "B&O", "Bang & Olufsen"], "Bang & Olufsen"), (["Phillips", "Phillips", "Phillips kettle 7"], "Philips"),
    ],
)  # fmt: skip
def test_spellings_of_one_maker(spellings, maker):
    assert set(makers_of(Counter([*spellings, *spellings[:1]])).values()) == {maker}


def test_a_maker_and_a_product_is_that_maker_if_it_often_stands_alone():
    product = "dallow 80 De Luxe radio with clock"
    brands = {"Dallow": 3, product: 1, "Skolm": 2, "Skolm Solo": 1, "Dallows": 1, "Dallow, type unknown": 1,
              "2wick": 1, "例機械": 1, "unbekannt": 1}  # fmt: skip
    dallow = dict.fromkeys(("Dallow", product, "Dallow, type unknown"), "Dallow")
    same = {name: name for name in ("Skolm", "Skolm Solo", "Dallows", "2wick", "例機械")}
    assert makers_of(Counter(brands)) == dallow | same
    assert maker_key("2wick") == "2wick"


def test_only_kinds_that_the_ledger_knows_are_taken_in(ledger, file, write):
    names = [
        ("Hi-Fi separates", ""),
        ("Hi-Fi separates", "tape deck"),
        ("Kettle", ""),
        ("Kettle", ""),
        ("", ""),
        ("Toaster", ""),
    ]
    rows = [{"product_category": name, "partner_product_category": own} for name, own in names]
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
    said = refused(import_known, write(*rows), ledger, kinds=["Ketle"]).message
    assert said.startswith("The files hold no row of the kind 'Ketle'; known: ")
    assert said.endswith("Did you mean 'Kettle'?")


def test_long_lists_are_cut(ledger, write):
    summary = import_open_repair(write(*[{"id": "mendit_1"}] * 12), ledger, dry_run=True)
    assert summary.remarks[0].endswith("mendit_1 (repairs.csv, line 10) and 3 more)")
    rows = [{"product_category": name} for name in CATEGORIES if "Hi-Fi" not in name]
    told = import_known(write(*rows, rows[0], name="all.csv"), ledger, dry_run=True).left_out
    ((why, count),) = told.items()
    assert re.fullmatch(".*: Aircon/dehumidifier 2, .* and 30 more", why)
    assert count == 39


def test_every_fault_is_named_and_nothing_is_imported(ledger, write):
    path = write(
        {"repair_status": "Fixd"}, {"event_date": "08/05/2021", "id": ""}, {}, {"event_date": "2021-02-30"},
        {"brand": "caf\udce9"}, {"repair_status": "Unknown"}, {"problem": "caf\udce9"},
        {"group_identifier": "a\x00b"},
    )  # fmt: skip
    with path.open("a") as stream:
        stream.write("mendit_99,Mend It\n")
    said = refused(import_open_repair, path, ledger)
    assert (
        said.message == "7 faults found. Nothing was imported: 9 rows were read, 3 of them without a fault."
    )
    assert list(said.faults) == [
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


def test_headers(ledger, write):
    path = write({}, columns=[*COLUMNS, "weight_kg", "Powered By"])
    assert import_open_repair(path, ledger).remarks == (
        "columns that no version of the standard has, and that were not read: 2 (weight_kg, powered_by)",
    )
    path = write({}, columns=["id", "brand", "event_date", "event_date"], name="short.csv")
    assert list(refused(import_open_repair, path, ledger).faults) == [
        "short.csv, line 1: the header lacks repair_status, product_category or partner_product_category or "
        f"product_category_id; versions 0.1 to 0.3 of the standard have {', '.join(COLUMNS)}",
        "short.csv, line 1, column event_date: stands in the header more than once",
    ]
    path = write({}, columns=[*V01[:5], "yaer_of_manufacture", *V01[6:]], name="slip.csv")
    told = "column yaer_of_manufacture: is no column of the standard. Did you mean 'year_of_manufacture'?"
    assert told in refused(import_open_repair, path, ledger).faults[0]
    spelled = write({"id": "mendit_2"}, columns=COLUMNS, name="spelled.csv")
    text = (
        spelled.read_text().replace("repair_status", " Repair Status ").replace("product_age", "Product-Age")
    )
    spelled.write_text(text)
    assert import_open_repair(spelled, ledger).written == {"jobs": 1}


def test_a_folder_of_files_and_what_is_none(ledger, write, tmp_path, monkeypatch):
    write({}, name="all/one.csv")
    write({"id": "mendit_2"}, {"id": "mendit_1"}, name="all/two.csv")
    (tmp_path / "all" / "categories.csv").write_text(
        "product_category_id,product_category\n36,Coffee maker\n"
    )
    summary = import_open_repair(tmp_path / "all", ledger)
    assert summary.written == {"families": 1, "jobs": 3}
    assert summary.remarks[0] == "ids given more than once, each row kept: 1 (mendit_1 (two.csv, line 3))"
    (tmp_path / "empty").mkdir()
    for place, told in (
        ("none", f"There is no file or folder {tmp_path}/none."),
        ("empty", f"{tmp_path}/empty holds no CSV file of open repair data."),
    ):
        assert (
            refused(import_open_repair, tmp_path / place, ledger).message == f"{told} Nothing was imported."
        )
    monkeypatch.setattr("reliability.records.open_repair.MOST_BYTES", 200)  # of a file of endless rows
    said = refused(import_open_repair, tmp_path / "all", ledger).message
    assert said == f"{tmp_path}/all/one.csv has more than 200 bytes; divide it. Nothing was imported."


def test_semicolons_by_option(ledger, write):
    path = write({"year_of_manufacture": "2017"}, delimiter=";", name="semi.csv")
    assert "semi.csv, line 1: the header lacks id" in str(refused(import_open_repair, path, ledger))
    assert import_open_repair(path, ledger, layout=Layout(";", True)).remarks == ()
    assert jobs(ledger)["mendit_1"]["built_from"] == 2016


def test_published_data_are_read_to_the_last_row(ledger, file, write, tmp_path):
    """Read the published sample where it lies beside the project; a folder of invented files otherwise."""
    folder = SAMPLE
    if not folder.is_dir():
        folder = tmp_path / "invented"
        write({}, {"repair_status": "Unknown"}, name="invented/rows.csv")
        (folder / "categories.csv").write_text("product_category_id,product_category\n")
    texts = [file.read_text(encoding="utf-8-sig") for file in folder.glob("*.csv")]
    rows = [
        row
        for text in texts
        for row in csv.DictReader(text.splitlines(keepends=True))
        if "repair_status" in row
    ]
    summary = import_open_repair(folder, ledger)
    assert summary.written["jobs"] + sum(summary.left_out.values()) == len(rows) > 1
    counts = Counter(row["repair_status"] for row in rows)
    outcomes = Counter(job["outcome"] for job in jobs(ledger).values())
    told = (("Fixed", "repaired"), ("End of life", "scrapped"), ("Repairable", "sold as is"))
    assert [counts[status] for status, _ in told] == [outcomes[outcome] for _, outcome in told]
    assert grave(ledger) == []
    years = {row["id"]: row["year_of_manufacture"] for row in rows if row["year_of_manufacture"]}
    for number, job in jobs(ledger).items():
        if job["built_from"] is not None:
            assert job["built_from"] <= int(years[number]) <= job["built_to"]


def test_categories_and_words_fit_each_other():
    assert len(CATEGORIES) == len(set(CATEGORIES)) == 40
    assert [category_name(str(number + 1)) for number in range(40)] == list(CATEGORIES)
    assert {category_of(name) for name in CATEGORIES} == set(CATEGORIES)
    assert (category_of("tape deck"), category_of("wire recorder")) == ("Hi-Fi separates", "Misc")
    assert (category_name("0"), category_name("41")) == ("0", "41")
    assert set(BARRIERS.values()) <= set(ENDED_WHY)
    assert set(STATUS_OF) == set(OUTCOMES) - {"open"}


# The bench's own jobs go out.


@pytest.fixture
def bench_jobs(ledger, finished):
    """Jobs of every outcome, kind of window and reason; one of them not the bench's own, one open."""
    ledger.put("families", [{"family": "Dallow 80", "kind": "wire recorder", "maker": "@Dallow"},
                            {"family": "Nameless", "kind": "Coffee maker"}], reason="x")  # fmt: skip
    ledger.put("settings", [{"setting": "hour_rate", "value": 12}], reason="x")
    whys = iter(ENDED_WHY)
    for number in range(24):
        outcome = [word for word in OUTCOMES if word != "open"][number % 4]
        ended = {} if outcome == "repaired" else {"ended_why": next(whys, None)}
        window = [(None, None), (1980, 1980), (1978, 1983), (1980, None)][number // 4 % 4]
        family = ("Tarnwick T2", "Dallow 80", "Nameless")[number % 3]
        ledger.add(finished(job=f"B-{number:03}", family=family, outcome=outcome, bought_for=77.77, hours=3.33,
                            built_from=window[0], built_to=window[1], remarks="secret", **ended,
                            taken_in=f"2026-0{number % 9 + 1}" + "-11" * (number % 2), closed="2026-10-01"))  # fmt: skip
    ledger.add(finished(job="mendit_1", origin="Mend It"))
    ledger.intake({"job": {"family": "Dallow 80", "taken_in": "2026-05-01"}})
    return ledger


def read(folder):
    with (folder / "open-repair-data.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_an_independent_validator_accepts_what_goes_out_and_finds_what_the_standard_forbids(
    bench_jobs, file, tmp_path
):
    done = export_open_repair(bench_jobs, tmp_path / "out", provider="Corner", country="BEL")
    assert done == (24, 1)
    descriptor, target = str(tmp_path / "out" / "datapackage.json"), tmp_path / "out" / "open-repair-data.csv"
    report = frictionless.validate(descriptor)
    assert report.valid, report.flatten(["type", "note"])
    rows, text = read(tmp_path / "out"), target.read_text(encoding="utf-8")
    assert tuple(rows[0]) == COLUMNS
    assert {row["product_category"] for row in rows} == {"Hi-Fi separates", "Misc", "Coffee maker"}
    assert all(CATEGORIES[int(row["product_category_id"]) - 1] == row["product_category"] for row in rows)
    assert {row["brand"] for row in rows} == {"Tarnwick", "'@Dallow", "Unknown"}
    assert {row["repair_status"] for row in rows if row["repair_barrier_if_end_of_life"]} == {"End of life"}
    assert not [private for private in ("77.77", "3.33", "secret", "EUR", "12.00") if private in text]
    for old, new in (("Fixed", "Mended"), ("2026-02-11", "11.2.2026"), ("corner_B-001", "corner_B-000"),
                     (",BEL,", ",Belgium,"), (",Misc,", ",Odd,"), (",1980,", ",80,")):  # fmt: skip
        assert old in text
        text = text.replace(old, new, 1)
    target.write_text(text, encoding="utf-8")
    found = {tuple(row) for row in frictionless.validate(descriptor).flatten(["type", "fieldName"])}
    odd = ("repair_status", "country", "product_category", "year_of_manufacture")
    assert found >= {("type-error", "event_date"), *(("constraint-error", name) for name in odd)}
    assert "primary-key" in {kind for kind, _ in found}


def test_the_round_trip_keeps_id_date_outcome_kind_maker_and_year(bench_jobs, tmp_path, new_url):
    export_open_repair(bench_jobs, tmp_path / "out")
    rows = {row["id"]: row for row in read(tmp_path / "out")}
    families = {row["family"]: row for row in bench_jobs.rows("families")}
    with open_ledger(new_url(), create=True) as other:
        summary = import_open_repair(tmp_path / "out", other)
        assert (summary.written["jobs"], summary.left_out) == (24, {})
        held, named = jobs(other), {row["family"]: row for row in other.rows("families")}
        assert grave(other) == []
    for number, before in jobs(bench_jobs).items():
        if before["origin"] or before["outcome"] == "open":
            continue
        after = held.pop(f"bench_{number}")
        row = rows[f"bench_{number}"]
        assert after["taken_in"][: len(before["taken_in"])] == before["taken_in"]
        assert STATUS_OF[after["outcome"]] == STATUS_OF[before["outcome"]] == row["repair_status"]
        for column in ("kind", "maker"):
            assert named[after["family"]][column] == families[before["family"]][column]
        if before["built_to"] is None:
            assert (row["year_of_manufacture"], after["built_from"]) == ("", None)
        else:
            year = int(row["year_of_manufacture"])
            assert before["built_from"] <= year <= before["built_to"]
            assert after["built_from"] <= year <= after["built_to"]
        if row["repair_barrier_if_end_of_life"]:
            assert after["ended_why"] == before["ended_why"]
    assert held == {}


def test_providers_and_countries_that_are_none(ledger, file, tmp_path):
    said = refused(export_open_repair, ledger, tmp_path / "out", provider="1 A").message
    assert said == "The provider '1 A' needs two letters from a to z; they begin every id."
    said = refused(export_open_repair, ledger, tmp_path / "out", country="Belgium").message
    assert said == "'Belgium' is no country code of three capital letters, such as BEL."
    assert not (tmp_path / "out").exists()
