import csv
import io

import pytest
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

from reliability.errors import InvalidInput
from reliability.records.exchange import export_package, import_package, read_package, write_package
from reliability.records.ledger import open_ledger
from reliability.records.tables import TABLES

WEIRD = [
    "",
    " ",
    "=1+1",
    "#NAME?",
    "????",
    "1900",
    "0",
    "-1",
    "03/04/2024",
    "12,50",
    "\ufeff",
    "a\nb",
    "'",
    "N/A",
    "\x00",
]
GOOD = {
    "year": ["1978", "1980", 1979],
    "date": ["2026-05-01", "2026-05", "2026-05-20", "2026-06-30"],
    "money": ["12.5", "0", 3],
    "hours": ["2.25", 1],
    "number": ["0.5", 1],
    "count": ["10", 1],
    "text": ["belt", "motor", "left", "=x", "rust"],
}


def cells(column, weird):
    good = [*column.allowed] or GOOD[column.kind]
    if column.name == "family":
        good = ["Tarnwick T2"]
    choices = st.sampled_from(good if column.required else [*[None] * 5 * len(good), *good])
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
        assert not [problem for problem in ledger.check() if problem.grave]
        assert len(ledger.rows("jobs")) > 5  # not everything was refused
        export_package(ledger, folder / "one")
        with open_ledger(folder / "again.db", create=True) as again:
            import_package(folder / "one", again)
            assert {name: again.rows(name) for name in TABLES} == {name: ledger.rows(name) for name in TABLES}


def refused(action):
    try:
        return None, action()
    except InvalidInput as error:
        found = error
    assert found.faults
    assert all(fault.strip() for fault in found.faults)
    return found, None


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(document=st.booleans().flatmap(documents))
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
        assert [len(job[part]) for part in ("findings", "signs", "followups")] == [
            len(document[part]) for part in ("findings", "signs", "followups")
        ]


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_any_csv_is_refused_with_reasons_or_read_the_same_ever_after(tmp_path_factory, data):
    folder = tmp_path_factory.mktemp("fuzz")
    weird = data.draw(st.booleans())
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


@settings(deadline=None)
@given(
    content=st.binary(max_size=200) | st.text(max_size=200).map(lambda text: text.encode("utf-8", "replace"))
)
def test_any_bytes_are_refused_or_read(tmp_path_factory, content):
    folder = tmp_path_factory.mktemp("fuzz")
    (folder / "settings.csv").write_bytes(b"setting,value\r\n" + content)
    error, rows = refused(lambda: read_package(folder))
    assert error or rows["settings"] is not None
