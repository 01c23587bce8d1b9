"""Archives of findings, and counting them as reading each one does."""

import json
import shutil
import sys
from pathlib import Path

import duckdb
import frictionless
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from reliability.life.bulk import count_findings
from reliability.life.lives import observe
from reliability.records import archive
from reliability.records.archive import ARCHIVED, ledger_findings, open_archives, write_archive
from reliability.records.frames import read_records
from reliability.records.importing import import_package
from reliability.records.ledger import open_ledger
from reliability.worth.lives import worst_findings
from tests.records.refusals import refused

DEMO = Path(__file__).parents[2] / "data" / "demo"


def read_all(*folders):
    frame = open_archives(folders).execute("SELECT * FROM findings").df()
    for name in ("found", "ended_by", "job", "component"):
        frame[name] = frame[name].astype(object).where(frame[name].notna(), None)
    return frame.sort_values(["taken_in", "job", "component"], ignore_index=True)


def content(folder):
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()
    }


@pytest.fixture(scope="module")
def demo_ledger(tmp_path_factory):
    with open_ledger(tmp_path_factory.mktemp("demo") / "bench.db", create=True) as opened:
        import_package(DEMO, opened)
        yield opened


@pytest.fixture(scope="module")
def demo_archive(demo_ledger, tmp_path_factory):
    folder = tmp_path_factory.mktemp("archives") / "demo"
    write_archive(demo_ledger, folder)
    return folder


@pytest.fixture
def copy(demo_archive, tmp_path):
    return Path(shutil.copytree(demo_archive, tmp_path / "copy"))


def test_it_holds_no_money_and_no_remarks_and_lies_by_year_of_intake(demo_archive):
    described = json.loads((demo_archive / "datapackage.json").read_text(encoding="utf-8"))
    assert described["counts"]["findings"] == read_all(demo_archive)["component"].notna().sum()
    files = list(demo_archive.rglob("*.parquet"))
    names = {resource["name"] for resource in described["resources"]}
    assert len(files) == len(described["resources"]) == len(names)
    schema = frictionless.Schema.from_descriptor(described["resources"][0]["schema"])
    assert schema.field_names == list(ARCHIVED.names)
    assert schema.get_field("taken_in").type == "date"
    for file in files:
        table = pq.read_table(file)
        assert table.column_names == list(ARCHIVED.names)
        years = pd.to_datetime(table["taken_in"].to_pandas()).dt.year
        assert {f"taken_in_year={year}" for year in years} == {file.parent.name}
        jobs = table["job"].to_pandas()  # rows of one job stand together
        assert (jobs != jobs.shift()).sum() == jobs.nunique()
    assert not {column.kind for column in ARCHIVED} & {"money", "hours"}
    assert not {"remarks", "model", "lot", "notes", "origin"} & set(ARCHIVED.names)


def test_a_job_with_all_it_can_have(ledger, finished, tmp_path):
    ledger.add(
        finished(
            taken_in="2026-05", built_from=1979, outcome="scrapped", ended_by="gear", ended_why="too worn",
            bought_for=10, remarks="x",
            findings=[
                {"component": "belt", "found": "failed", "original": "no", "fitted_from": 1990,
                 "failed_from": "2020-01", "failed_to": "2026-04-30"},
                {"component": "head", "position": "left", "found": "sound"},
            ],
        ),
        new_components=["gear"],
    )  # fmt: skip
    assert write_archive(ledger, tmp_path / "a") == archive.ArchiveSummary(1, 2, 0)
    rows = read_all(tmp_path / "a")
    assert rows["component"].tolist() == ["belt", "head"]
    assert rows["position"].tolist() == ["", "left"]
    assert rows["kind"].tolist() == ["tape deck"] * 2
    assert rows[["first_year", "last_year", "built_from"]].iloc[0].tolist() == [1975, 1984, 1979]
    assert np.isnan(rows["built_to"]).all()
    assert rows["taken_in"].dt.strftime("%Y-%m-%d").tolist() == ["2026-05-16"] * 2  # the middle of the month
    assert rows["failed_from"].dt.strftime("%Y-%m-%d").iloc[0] == "2020-01-16"
    assert rows["failed_to"].isna().tolist() == [False, True]
    assert rows["ended_by"].tolist() == ["gear"] * 2


def test_what_jobs_are_told_of(ledger, finished, tmp_path):
    belt = [{"component": "belt", "found": "sound"}]
    ledger.add(finished(findings=belt))
    ledger.add(finished(findings=belt, origin="another bench", job="x/1"))
    ledger.add(finished())
    # Ended by a component that nobody wrote a finding of.
    ledger.add(
        finished(outcome="scrapped", ended_by="belt", ended_why="too worn", built_from=1979, built_to=1979)
    )
    assert write_archive(ledger, tmp_path / "a") == archive.ArchiveSummary(2, 1, 1)
    assert read_all(tmp_path / "a")["component"].tolist() == ["belt", None]
    assert count_findings(open_archives([tmp_path / "a"])).n_findings == 2


def test_an_archive_is_renewed_as_a_whole(demo_ledger, demo_archive, ledger, finished, copy):
    before = content(copy)
    (copy / "taken_in_year=2018" / "findings-0.parquet").write_bytes(b"left over")
    write_archive(demo_ledger, copy)
    assert content(copy) == before == content(demo_archive)  # equal ledgers give equal bytes
    ledger.add(finished(findings=[{"component": "belt", "found": "sound"}]))
    write_archive(ledger, copy)
    assert len(read_all(copy)) == 1
    assert [path.name for path in sorted(copy.iterdir())] == ["datapackage.json", "taken_in_year=2026"]
    # What an interrupted first write left is no obstacle.
    (copy / "datapackage.json").replace(copy / ".datapackage.json.0f.part")
    write_archive(demo_ledger, copy)
    assert content(copy) == before


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (OSError(28, "No space left on device"), "the disk is full"),
        (duckdb.IOException("no room\nat all"), "no room"),
    ],
)
def test_a_write_that_fails_leaves_the_old_archive(ledger, finished, file, copy, monkeypatch, error, told):
    def fail(*_):
        raise error

    before = content(copy)
    ledger.add(finished(findings=[{"component": "belt", "found": "sound"}]))
    monkeypatch.setattr(archive, "descriptor_text", fail)
    assert refused(write_archive, ledger, copy).message == f"{copy} cannot be written: {told}."
    assert content(copy) == before


# ---- refusals


def test_places_that_are_no_archive_are_left_alone(ledger, finished, demo_ledger, tmp_path):
    ledger.add(finished())
    assert refused(write_archive, ledger, tmp_path / "a").message.endswith(
        "holds no finding of its own yet; no archive was written."
    )
    assert not (tmp_path / "a").exists()
    (tmp_path / "file").write_text("x")
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "letter.txt").write_text("x")
    for name, told in (
        ("file", f"{tmp_path}/file is a file; an archive needs a folder."),
        ("other", f"{tmp_path}/other holds files that are no archive; name another folder."),
        ("none/a", f"The folder {tmp_path}/none does not exist."),
    ):
        assert refused(write_archive, demo_ledger, tmp_path / name).message == f"{told} Nothing was written."
    assert (tmp_path / "other" / "letter.txt").read_text() == "x"


def test_without_its_library_the_extra_is_named(demo_ledger, tmp_path, monkeypatch):
    extra = "by duckdb, which is not installed. Install the extra `scale`: pip install 'benchodds[scale]'."
    monkeypatch.setitem(sys.modules, "duckdb", None)
    for action, given in ((write_archive, (demo_ledger, tmp_path)), (open_archives, ([tmp_path],)),
                          (ledger_findings, (demo_ledger,))):  # fmt: skip
        assert refused(action, *given).message.endswith(extra)


def test_what_is_no_archive_is_named(copy, demo_archive, tmp_path):
    (tmp_path / "file").write_text("x")
    for name in ("other", "odd"):
        (tmp_path / name).mkdir()
    (tmp_path / "odd" / "datapackage.json").write_text("[")
    for name, what in (
        ("file", "a file"),
        ("other", "no archive"),
        ("odd", "no archive"),
        ("gone", "not there"),
    ):
        told = f"{tmp_path}/{name} is {what}; name a folder that `benchodds archive` wrote."
        assert refused(open_archives, [tmp_path / name]).message == told
    for folders in ([copy, copy], [demo_archive, copy]):
        said = refused(open_archives, folders).message
        assert "holds the same findings as " in said
        assert said.endswith("; give each archive once.")
    file = copy / "datapackage.json"
    file.write_text(
        file.read_text(encoding="utf-8").replace('"version": "1"', '"version": "7"'), encoding="utf-8"
    )
    said = refused(open_archives, [copy]).message
    assert said.endswith("of version 7; this program reads version 1. Write it anew from its ledger.")


def first_file(folder):
    return min(folder.rglob("*.parquet"))


def test_missing_shortened_and_damaged_files_are_named(copy):
    file = first_file(copy)
    whole = file.read_bytes()
    file.write_bytes(b"x" * len(whole))
    assert refused(open_archives, [copy]).message.startswith(f"{file} cannot be read: ")
    file.write_bytes(whole[:-9])
    told = f"{file} has {len(whole) - 9} bytes where {len(whole)} were written; copy the archive again."
    assert refused(open_archives, [copy]).message == told
    file.unlink()
    assert refused(open_archives, [copy]).message == f"{file} is missing; copy the archive again."


def rewritten(folder, table):
    """Write the first file of an archive anew, and let the descriptor know."""
    file, described = first_file(folder), folder / "datapackage.json"
    size = file.stat().st_size
    pq.write_table(table, file)
    text = described.read_text(encoding="utf-8")
    described.write_text(
        text.replace(f'"bytes": {size}', f'"bytes": {file.stat().st_size}'), encoding="utf-8"
    )
    return folder


def test_columns_words_and_empty_cells_of_others_are_named(copy):
    table = pq.read_table(first_file(copy))
    words = pa.array(["brokn"] * len(table)).dictionary_encode()
    empty = pa.array([None] * len(table), pa.string()).dictionary_encode()
    places = [table.schema.get_field_index(name) for name in ("found", "family")]
    for odd, told in (
        (table.drop_columns(["arose", "kind"]), " lacks the columns arose, kind."),
        (table.set_column(places[0], "found", words),
         ", column found: 'brokn' is not one of sound, worn, failed."),
        (table.set_column(places[1], "family", empty),
         f", column family: {len(table)} cells are empty; every one is needed."),
    ):  # fmt: skip
        assert refused(open_archives, [rewritten(copy, odd)]).message == f"{first_file(copy)}{told}"


def compared(ledger, *, event="failed", worst=None):
    """Counts of the database, and of `observe` on every finding of this bench."""
    got = count_findings(ledger_findings(ledger), event=event, worst=worst)
    records = read_records(ledger)
    own = records.jobs[records.jobs["origin"].isna()].reset_index(drop=True)
    findings = records.findings[records.findings["job"].isin(own["job"])]
    seen = observe(own, worst(findings) if worst else findings, records.families, event=event)
    return got, seen


def assert_same(counts, seen):
    pieces = [(piece, piece.lives()) for piece in counts.pieces()]
    got = pd.concat([
        pd.DataFrame({"component": piece.component, "family": np.array(piece.families)[lives.records.stratum],
                      "lower": lives.records.lower, "upper": lives.records.upper, "year": lives.year,
                      "weight": lives.records.weight, "count": lives.records.count})
        for piece, lives in pieces
    ])  # fmt: skip
    by = list(got.columns[:-1])
    same = [
        frame.round({"weight": 12}).groupby(by)["count"].sum() for frame in (got, seen.table.assign(count=1))
    ]
    pd.testing.assert_series_equal(*same, check_dtype=False, check_index_type=False)
    assert counts.n_findings == seen.table["record"].nunique()
    assert counts.left_out.to_dict() == seen.left_out.to_dict()
    assert counts.assumed.to_dict() == seen.assumed.to_dict()


def test_the_demo_is_counted_alike_from_its_ledger_and_its_archive(demo_ledger, demo_archive, monkeypatch):
    counts, seen = compared(demo_ledger)
    assert_same(counts, seen)
    assert_same(count_findings(open_archives([demo_archive])), seen)
    monkeypatch.setattr(archive, "_FETCHED", 37)
    assert_same(*compared(demo_ledger, worst=worst_findings))
    assert_same(*compared(demo_ledger, event="needs work", worst=worst_findings))


def test_an_empty_ledger_gives_nothing(ledger):
    counts = count_findings(ledger_findings(ledger))
    assert (counts.n_findings, counts.components.size, counts.families.size) == (0, 0, 0)
    assert np.isnat(counts.last_day)
    assert list(counts.pieces()) == []
