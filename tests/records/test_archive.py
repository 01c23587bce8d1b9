"""Archives of findings, and counting them as reading each one does."""

import shutil
import sys
from pathlib import Path
from unittest.mock import Mock

import duckdb
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from reliability.life.bulk import count_findings
from reliability.life.lives import observe
from reliability.records import archive
from reliability.records.archive import ARCHIVED, FILE, ledger_findings, open_archives, write_archive
from reliability.records.frames import read_records
from reliability.records.ledger import open_ledger
from reliability.records.package import import_package
from reliability.worth.lives import worst_findings
from tests.records.refusals import refused

DEMO = Path(__file__).parents[2] / "data" / "demo"


def read_all(*folders):
    frame = open_archives(folders).execute("SELECT * FROM findings").df()
    for name in ("found", "ended_by", "job", "component"):
        frame[name] = frame[name].astype(object).where(frame[name].notna(), None)
    return frame.sort_values(["taken_in", "job", "component"], ignore_index=True)


def content(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


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


def test_it_is_one_sorted_file_without_money_and_remarks(demo_archive):
    assert [path.name for path in demo_archive.iterdir()] == [FILE]
    table = pq.read_table(demo_archive / FILE)
    assert table.column_names == list(ARCHIVED.names)
    assert pd.Series(table["taken_in"].to_pandas()).is_monotonic_increasing
    jobs = table["job"].to_pandas()  # rows of one job stand together
    assert (jobs != jobs.shift()).sum() == jobs.nunique()
    told = pq.read_metadata(demo_archive / FILE).metadata
    assert (told[b"name"], told[b"version"]) == (b"bench-archive", b"2")
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
    assert write_archive(ledger, tmp_path / "a") == (1, 2, 0)
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


def test_an_archive_is_renewed_and_equal_ledgers_give_equal_bytes(
    demo_ledger, demo_archive, ledger, finished, copy, file, tmp_path
):
    before = content(copy)
    (copy / "notes.txt").write_text("mine")
    write_archive(demo_ledger, copy)
    assert content(copy) == {**before, "notes.txt": b"mine"}
    with open_ledger(tmp_path / "again.db", create=True) as again:
        import_package(DEMO, again)
        write_archive(again, tmp_path / "again")
    assert content(tmp_path / "again") == before
    ledger.add(finished(findings=[{"component": "belt", "found": "sound"}]))
    write_archive(ledger, copy)
    assert len(read_all(copy)) == 1
    # Archives of several benches: a folder of them, or one by one.
    shutil.copy(demo_archive / FILE, copy / "theirs.parquet")
    assert len(read_all(copy)) == len(read_all(copy / FILE, demo_archive)) == 1 + len(read_all(demo_archive))


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (OSError(28, "No space left on device"), "the disk is full"),
        (duckdb.IOException("no room\nat all"), "no room"),
    ],
)
def test_a_write_that_fails_leaves_the_old_archive(ledger, finished, file, copy, monkeypatch, error, told):
    before = content(copy)
    ledger.add(finished(findings=[{"component": "belt", "found": "sound"}]))
    monkeypatch.setattr("os.fsync", Mock(side_effect=error))
    for folder, held in ((copy, before), (copy.with_name("new"), {})):
        assert refused(write_archive, ledger, folder).message == f"{folder} cannot be written: {told}."
        assert (content(folder) if folder.exists() else {}) == held
    assert not copy.with_name("new").exists()


def test_benches_that_number_their_jobs_alike_are_told_apart(new_url, ledger, finished, file, tmp_path):
    years = [{"built_from": year, "built_to": year} for year in (1979, 1984)]
    sides = [{"component": "belt", "position": side, "found": "failed"} for side in ("left", "right")]
    ledger.add(finished(**years[0], findings=sides))
    write_archive(ledger, tmp_path / "ours")
    with open_ledger(new_url(), create=True) as other:
        other.put("families", ledger.rows("families"), reason="x")
        other.add(finished(**years[1], findings=[{"component": "belt", "found": "failed"}]))
        write_archive(other, tmp_path / "theirs")
    counts = count_findings(open_archives([tmp_path / "ours", tmp_path / "theirs"]), worst=worst_findings)
    (piece,) = counts.pieces()
    assert sorted(piece.lives()[1]) == [1979, 1984]


# ---- refusals


def test_places_that_are_no_archive_are_left_alone(ledger, finished, demo_ledger, tmp_path):
    ledger.add(finished())
    assert refused(write_archive, ledger, tmp_path / "a").message.endswith(
        "holds no finding of its own yet; no archive was written."
    )
    assert not (tmp_path / "a").exists()
    (tmp_path / "file").write_text("x")
    for name in ("other", "theirs"):
        (tmp_path / name).mkdir()
    (tmp_path / "other" / FILE).write_text("x")
    pq.write_table(pa.table({"x": [1]}), tmp_path / "theirs" / FILE)
    before = content(tmp_path / "other"), content(tmp_path / "theirs")
    for name, told in (
        ("file", f"{tmp_path}/file is a file; an archive needs a folder."),
        ("other", f"{tmp_path}/other/findings.parquet is no archive of ours; name another folder."),
        ("theirs", f"{tmp_path}/theirs/findings.parquet is no archive of ours; name another folder."),
        ("none/a", f"The folder {tmp_path}/none does not exist."),
    ):
        assert refused(write_archive, demo_ledger, tmp_path / name).message == f"{told} Nothing was written."
    assert (content(tmp_path / "other"), content(tmp_path / "theirs")) == before


def test_without_its_library_the_extra_is_named(demo_ledger, tmp_path, monkeypatch):
    extra = "by duckdb, which is not installed. Install the extra `scale`: pip install 'benchodds[scale]'."
    monkeypatch.setitem(sys.modules, "duckdb", None)
    for action, given in ((write_archive, (demo_ledger, tmp_path)), (open_archives, ([tmp_path],)),
                          (ledger_findings, (demo_ledger,))):  # fmt: skip
        assert refused(action, *given).message.endswith(extra)


def stamped(file, table, **stamp):
    """Write the file of an archive anew, with what it says of itself."""
    said = {**pq.read_metadata(file).metadata, **{name.encode(): text for name, text in stamp.items()}}
    pq.write_table(table.replace_schema_metadata(said), file)


def test_what_is_no_archive_is_named(copy, demo_archive, tmp_path):
    (tmp_path / "other").mkdir()
    for name, what in (("other", "holds no archive"), ("gone", "is not there")):
        told = f"{tmp_path}/{name} {what}; name a file that `benchodds archive` wrote, or a folder of such."
        assert refused(open_archives, [tmp_path / name]).message == told
    for places in ([copy, copy / FILE], [demo_archive, copy]):
        said = refused(open_archives, places).message
        assert said == f"{copy / FILE} holds the same findings as {places[0] / FILE}; give each archive once."
    file, table = copy / FILE, pq.read_table(copy / FILE)
    stamped(file, table, version="7")
    told = "is an archive of version 7; this program reads version 2. Write it anew from its ledger."
    assert refused(open_archives, [copy]).message == f"{file} {told}"
    stamped(file, table, name="letters")
    assert refused(open_archives, [copy]).message == f"{file} is not what `benchodds archive` writes."


def test_shortened_and_damaged_files_are_named(copy):
    file = copy / FILE
    whole = file.read_bytes()
    for damaged in (b"x" * len(whole), whole[:-9], whole[: len(whole) // 2]):
        file.write_bytes(damaged)
        assert refused(open_archives, [copy]).message.startswith(f"{file} cannot be read: ")


def test_columns_words_and_empty_cells_of_others_are_named(copy):
    file, table = copy / FILE, pq.read_table(copy / FILE)
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
        stamped(file, odd)
        assert refused(open_archives, [copy]).message == f"{file}{told}"


def told_by(counts):
    lives = [(piece.component, *piece.lives()) for piece in counts.pieces()]
    # Rounded, for the engine gives equal rows in any order.
    sums = {name: [round(float(np.nansum(each)), 6) for each in (of.weight, of.lower, year)]
            for name, of, year in lives}  # fmt: skip
    return sums, counts.n_findings, counts.left_out.to_dict(), counts.assumed.to_dict()


# tests/life/test_bulk.py holds the counts against `observe`, life by life.
@pytest.mark.parametrize("worst", [None, worst_findings])
def test_the_demo_is_counted_alike_from_its_ledger_and_its_archive(
    demo_ledger, demo_archive, monkeypatch, worst
):
    counts = count_findings(ledger_findings(demo_ledger), worst=worst)
    assert told_by(count_findings(open_archives([demo_archive]), worst=worst)) == told_by(counts)
    monkeypatch.setattr(archive, "_FETCHED", 37)
    assert told_by(count_findings(ledger_findings(demo_ledger), worst=worst)) == told_by(counts)
    records = read_records(demo_ledger)
    own = records.jobs[records.jobs["origin"].isna()]
    findings = records.findings[records.findings["job"].isin(own["job"])]
    seen = observe(own, worst(findings) if worst else findings, records.families, event="failed")
    assert counts.left_out.to_dict() == seen.left_out.to_dict()
    assert (counts.n_findings, counts.assumed.to_dict()) == (
        seen.table["record"].nunique(),
        seen.assumed.to_dict(),
    )


def test_an_empty_ledger_gives_nothing(ledger):
    counts = count_findings(ledger_findings(ledger))
    assert (counts.n_findings, counts.components.size, counts.families.size) == (0, 0, 0)
    assert np.isnat(counts.last_day)
    assert list(counts.pieces()) == []
