import csv
import io

import pytest
from hypothesis import HealthCheck, event, example, given, settings
from hypothesis import strategies as st

from reliability.errors import InvalidInput
from reliability.records.ledger import open_ledger
from reliability.records.open_repair import import_open_repair
from reliability.records.package import export_package, import_package, read_package
from reliability.records.tables import TABLES
from tests.packages import next_number, write_package
from tests.records.refusals import everything, grave

WEIRD = [
    "", " ", "=1+1", "#NAME?", "????", "1900", "0", "-1", "03/04/2024", "12,50", "\ufeff", "a\nb", "'", "N/A",
    "\x00",
]  # fmt: skip
GOOD = {
    "year": ["1978", "1980", 1979], "date": ["2026-05-01", "2026-05", "2026-05-20", "2026-06-30"],
    "money": ["12.5", "0", 3], "hours": ["2.25", 1], "number": ["0.5", 1], "count": ["10", 1],
    "text": ["belt", "motor", "left", "=x", "rust"],
}  # fmt: skip


def cells(column, weird):
    good = [*column.allowed] or GOOD[column.kind]
    if column.name == "family":
        good = ["Tarnwick T2"]
    choices = st.sampled_from(good if column.required else [*[None] * 9 * len(good), *good])
    return choices | st.sampled_from(WEIRD) | st.text(max_size=4) if weird else choices


def row_of(table, weird, without=("job", "origin")):
    return st.fixed_dictionaries(
        {column.name: cells(column, weird) for column in TABLES[table] if column.name not in without}
    )


def documents(weird):
    parts = {part: st.lists(row_of(part, weird), max_size=2) for part in ("findings", "signs", "followups")}
    job = row_of("jobs", weird)
    return st.fixed_dictionaries({"job": job if weird else job.map(closed), **parts})


def closed(job):
    return {**job, "taken_in": "2026-05-01", "closed": None if job["outcome"] == "open" else "2026-06-30"}


@pytest.fixture(scope="module")
def one_ledger(tmp_path_factory):
    folder = tmp_path_factory.mktemp("fuzz")
    with open_ledger(folder / "bench.db", create=True) as ledger:
        ledger.put("families", [{"family": "Tarnwick T2", "kind": "tape deck"}], reason="x")
        yield ledger
        assert grave(ledger) == []
        assert len(ledger.rows("jobs")) > 0  # not everything was refused
        export_package(ledger, folder / "one")
        with open_ledger(folder / "again.db", create=True) as again:
            import_package(folder / "one", again)
            assert everything(again) == everything(ledger)


def refused(action):
    try:
        return None, action()
    except InvalidInput as error:
        found = error
    assert found.faults
    assert all(fault.strip() for fault in found.faults)
    return found, None


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(document=st.sampled_from([False, False, False, True]).flatmap(documents))
@example(document={"job": {"family": "Tarnwick T2", "taken_in": "2026-05-01", "outcome": ""},
                   "findings": [], "signs": [], "followups": []})  # fmt: skip
def test_any_job_is_refused_with_reasons_or_written_whole(one_ledger, document):
    before = len(one_ledger.rows("jobs"))
    known = ["belt", "motor", "left", "=x", "rust"]
    error, number = refused(lambda: one_ledger.add(document, new_components=known))
    event("refused" if error else "written")
    if error:
        assert len(one_ledger.rows("jobs")) == before
    else:
        job = one_ledger.job(number)
        assert one_ledger.history(number)[-1]["content"] == job
        assert all(len(job[part]) == len(document[part]) for part in ("findings", "signs", "followups"))


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_any_csv_is_refused_with_reasons_or_read_the_same_ever_after(tmp_path_factory, data):
    folder = tmp_path_factory.mktemp("fuzz")
    weird = data.draw(st.sampled_from([False, False, False, True]))
    for name in ("families", "jobs", "signs"):
        rows = data.draw(st.lists(row_of(name, weird, without=()), max_size=3))
        stream = io.StringIO()
        writer = csv.DictWriter(stream, TABLES[name].names, delimiter=data.draw(st.sampled_from(",,,,;")))
        writer.writeheader()
        writer.writerows(rows)
        (folder / f"{name}.csv").write_bytes(stream.getvalue().encode("utf-8", "surrogatepass"))
    error, rows = refused(lambda: read_package(folder))
    event("refused" if error else "read")
    if rows is not None:
        write_package(rows, folder / "out")
        assert read_package(folder / "out") == rows


REPAIRS = {
    "data_provider": ["Mend It", "?", "=x"],
    "product_category": ["Coffee maker", "Misc", "13", "Wire recorder"],
    "brand": ["Tarnwick", "TARNWICK", "onbekend", "Tarnwick 80", "@Dallow"],
    "year_of_manufacture": ["1900", "1980", "2021", "2022", "20 21", "0"],
    "product_age": ["0", "150", "3", "2.5", "-1", "1e3"],
    "repair_status": ["Fixed", "fixed", "End of life", "Repairable", "Unknown"],
    "repair_barrier_if_end_of_life": ["Too worn out", "Lack of equipment", "Bored"],
    "group_identifier": ["Werft", "a\nb"],
    "event_date": ["2021-05-08", "2021-05", "2021-05-08 10:00:00", "0000-00-00"],
    "problem": ["stuk", "a\nb"],
}


def repairs(weird):
    good = {name: st.sampled_from([*cells, ""]) for name, cells in REPAIRS.items()}
    # An id that the ledger holds already, with something else beside it, is refused: mostly new ones.
    good["id"] = st.integers(1, 10**9).map(lambda n: f"mendit_{n}") | st.sampled_from(["7", "B-7", "x"])
    odd = st.sampled_from(WEIRD) | st.text(max_size=6)
    rows = {name: cells | odd if weird else cells for name, cells in good.items()}
    return st.lists(st.fixed_dictionaries(rows), max_size=6)


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(rows=st.sampled_from([False, False, True]).flatmap(repairs), columns=st.permutations(["id", *REPAIRS]))
def test_any_repairs_are_refused_or_all_accounted_for(repair_ledger, tmp_path_factory, rows, columns):
    file = tmp_path_factory.mktemp("fuzz") / "repairs.csv"
    with file.open("w", encoding="utf-8", errors="surrogatepass", newline="") as stream:
        writer = csv.DictWriter(stream, columns)
        writer.writeheader()
        writer.writerows(rows)
    before = len(repair_ledger.rows("jobs"))
    error, summary = refused(lambda: import_open_repair(file, repair_ledger, kinds=None))
    event("refused" if error else "imported")
    added = len(repair_ledger.rows("jobs")) - before
    if error:
        assert added == 0
    else:
        assert added == summary.written.get("jobs", 0)
        assert added + summary.equal.get("jobs", 0) + sum(summary.left_out.values()) == len(rows)
        assert import_open_repair(file, repair_ledger, kinds=None).written == {}


@pytest.fixture(scope="module")
def repair_ledger(tmp_path_factory):
    with open_ledger(tmp_path_factory.mktemp("fuzz") / "bench.db", create=True) as ledger:
        ledger.put("families", [{"family": "Tarnwick T2", "kind": "tape deck"}], reason="x")
        ledger.add({"job": {"job": "B-7", "family": "Tarnwick T2", "taken_in": "2021-05", "closed": "2021-05",
                            "outcome": "repaired"}})  # fmt: skip
        yield ledger
        assert grave(ledger) == []
        assert next_number(ledger) == "B-8"
        assert len(ledger.rows("jobs")) > 5
