"""A whole run: what is made, kept and removed, what is refused, and what an unchanged ledger costs."""

import io
import json
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import psutil
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from reliability.errors import InvalidInput, ReportError, UnknownName
from reliability.records.files import digest, replace_file
from reliability.records.frames import Records
from reliability.report import data as data_module
from reliability.report import run as run_module
from reliability.report.run import (
    CARD,
    NOTEBOOKS,
    PAGE_NOTEBOOKS,
    PagesMade,
    all_pages,
    content_of,
    make_pages,
    processes,
    still_shown,
)
from reliability.worth.review import families_of_interest
from tests.conftest import run_python
from tests.report.conftest import EVIL, LONG, QUICK
from tests.report.test_data import DAY


@pytest.fixture
def run(quick_books, monkeypatch):
    """Make pages that show next to nothing."""
    monkeypatch.setattr(run_module, "NOTEBOOKS", quick_books)
    return lambda records, out, **given: make_pages(records, out, **{"workers": 1, **given})


def touched(out):
    return {path: path.stat().st_mtime_ns for path in out.rglob("*")}


def test_a_run_makes_every_page_and_the_next_one_touches_nothing(
    tmp_path, awkward_records, awkward, run, monkeypatch
):
    out = tmp_path / "out"
    first = run(awkward_records, out)
    assert first.made == tuple(page.target for page in all_pages(awkward))
    assert first.made[0].startswith("families/")
    assert first.made[-1] == "index.html"
    assert (first.kept, first.removed, first.remarks) == ((), (), ())
    assert all((out / each).is_file() for each in first.made)
    before = touched(out)
    monkeypatch.setattr(data_module, "ReportData", lambda *_, **__: pytest.fail("worked out again"))
    second = run(awkward_records, out)
    assert (second.made, sorted(second.kept)) == ((), sorted(first.made))
    assert touched(out) == before


def test_pages_by_processes_are_those_by_one(tmp_path, awkward_records, run):
    one, two = tmp_path / "one", tmp_path / "two"
    made = run(awkward_records, one, workers=1)
    assert run(awkward_records, two, workers=2) == made
    assert [(one / each).read_bytes() for each in made.made] == [
        (two / each).read_bytes() for each in made.made
    ]
    with ThreadPoolExecutor(1) as somewhere:
        assert run(awkward_records, tmp_path / "three", executor=somewhere).made == made.made


@pytest.mark.parametrize(
    "what", ["records", "demo", "a page that is gone", "a page of other words", "a damaged state"]
)
def test_whatever_changed_is_made_anew(tmp_path, awkward_records, run, what):
    out = tmp_path / "out"
    all_of_them = run(awkward_records, out).made
    records, demo, one = awkward_records, False, out / all_of_them[0]
    if what == "records":
        records = replace(awkward_records, jobs=awkward_records.jobs.assign(bought_for=1.0))
    elif what == "demo":
        demo = True
    elif what == "a page that is gone":
        one.unlink()
    elif what == "a page of other words":
        one.write_text(one.read_text().replace("<p>", "<p>No: "))
    else:
        (out / ".state.json").write_text("[1")
    made = run(records, out, demo=demo)
    # Each page tells of which records it is, and a ledger's pages are no demo's.
    changed = {"records": all_of_them, "demo": all_of_them, "a damaged state": ()}.get(what, all_of_them[:1])
    assert (made.made, made.removed) == (changed, ())
    *_, last = json.loads((out / ".state.json").read_text())["runs"].values()
    assert last.keys() == set(all_of_them)


@pytest.mark.parametrize(
    "what",
    ["nothing", "the ledger", "its log", "a page", "a foreign page", "the card", "the day", "all pages"],
)
def test_what_the_last_run_left_is_told_without_reading_the_ledger(tmp_path, awkward_records, run, what):
    file, out = tmp_path / "bench.db", tmp_path / "out"
    file.write_bytes(b"as it is")
    mine = replace(awkward_records, ledger="mine")
    made = run(mine, out, families=[EVIL], content=content_of(file)).made
    given = {"families": [EVIL]}
    if what in ("the ledger", "its log"):
        Path(f"{file}{'-wal' if what == 'its log' else ''}").write_bytes(b"more")
    elif what == "a page":
        (out / made[0]).write_text("gone")
    elif what == "a foreign page":
        (out / "components/valve.html").parent.mkdir()
        (out / "components/valve.html").write_text(page_of("another"))
    elif what == "the card":
        (out / CARD).write_text(page_of("mine", day="2024-01-01"))
    elif what == "the day":
        given["as_of"] = DAY
    elif what == "all pages":
        given["families"] = None
    before = touched(out)
    found = still_shown(file, out, **given)
    assert found == (PagesMade(kept=made) if what == "nothing" else None)
    assert touched(out) == before
    assert still_shown("postgresql://server/bench", out) is None


def test_a_run_that_finds_nothing_changed_loads_nothing_that_computes(tmp_path):
    code = (
        "import sys\nfrom pathlib import Path\nfrom reliability.report.run import still_shown\n"
        f"still_shown({__file__!r}, Path({str(tmp_path)!r}))\n"
        "print(sorted({'numpy', 'pandas', 'scipy', 'sqlalchemy', 'papermill', 'jinja2'} & set(sys.modules)))"
    )
    assert run_python(code) == "[]\n"


def test_a_run_over_another_copy_of_the_same_records_is_told_the_next_time(tmp_path, awkward_records, run):
    file, out = tmp_path / "bench.db", tmp_path / "out"
    made = run(awkward_records, out).made  # nothing is known of where they come from
    file.write_bytes(b"as it is")
    assert still_shown(file, out) is None
    run(awkward_records, out, content=content_of(file))
    assert still_shown(file, out) == PagesMade(kept=tuple(sorted(made)))


def page_of(ledger, **marks):
    """Give the head of a page or card."""
    named = {"ledger": ledger, **marks}
    return "".join(f'<meta name="benchodds-{name}" content="{value}">' for name, value in named.items())


def test_pages_that_nothing_stands_behind_are_removed_and_foreign_files_stay(tmp_path, awkward_records, run):
    out, mine = tmp_path / "out", replace(awkward_records, ledger="mine")
    gone, notes = out / "components/valve.html", out / "families/mine.html"
    left = {gone: page_of("mine"), gone.with_suffix(".pdf"): "pdf", notes: "<p>my own notes</p>"}
    for path, content in left.items():
        replace_file(path, content)
    assert run(mine, out).removed == ("components/valve.html",)
    assert [path.exists() for path in left] == [False, False, True]


@pytest.mark.parametrize("families", [None, [EVIL]])
def test_what_another_ledger_left_is_removed(tmp_path, awkward_records, run, families):
    out, mine = tmp_path / "out", replace(awkward_records, ledger="mine")
    left = {
        "card.html": page_of("other", day="2026-05-17"),
        "families/theirs.html": page_of("other"),
        "families/mine.html": page_of("mine"),
        "families/notes.html": "<p>my own notes</p>",
        "fleet.html": page_of("other"),
    }
    for name, content in left.items():
        replace_file(out / name, content)
    (out / "families/theirs.pdf").write_text("pdf")
    made = run(mine, out, families=families)
    gone = ["card.html", "families/theirs.html", *(["fleet.html"] if families else ["families/mine.html"])]
    assert sorted(made.removed) == sorted(gone)
    assert not any((out / name).exists() for name in [*gone, "families/theirs.pdf"])
    assert (out / "families/notes.html").exists()
    assert (out / "families/mine.html").exists() == bool(families)
    # A card of another ledger goes even where no page changed.
    replace_file(out / "card.html", page_of("other", day="2026-05-17"))
    again = run(mine, out, families=families)
    assert (again.made, again.removed) == ((), ("card.html",))


def test_some_families_and_all_are_each_made_once(tmp_path, awkward_records, run, monkeypatch):
    out = tmp_path / "out"
    some = run(awkward_records, out, families=[LONG])
    assert len(some.made) == 2
    assert some.made[1] == "index.html"
    every = run(awkward_records, out)
    assert every.kept == some.made
    monkeypatch.setattr(data_module, "ReportData", lambda *_, **__: pytest.fail("worked out again"))
    assert sorted(run(awkward_records, out, families=[LONG]).kept) == sorted(some.made)
    assert len(run(awkward_records, out).kept) == len(every.made) + 2


@pytest.mark.parametrize("workers", [1, 2])
def test_a_failing_page_is_named_with_its_cell_and_the_others_are_made(
    tmp_path, awkward_records, write_notebook, run, workers
):
    out = tmp_path / "out"
    fails = f"assert family != {EVIL!r}, 'no lives'\nprint('thin ice')"
    write_notebook("family", {"answer": QUICK, "lives": fails})
    page = "families/" + next(iter(data_module.slugs([EVIL]).values())) + ".html"
    replace_file(out / page, "the old page")
    with pytest.raises(ReportError) as refused:
        run(awkward_records, out, workers=workers)
    first, second = str(refused.value).splitlines()
    assert first == "1 of 10 pages could not be made; the others are up to date."
    assert second == f"{page}: family {EVIL!r}: cell 'lives' of family.ipynb failed: AssertionError: no lives"
    assert (out / page).read_text() == "the old page"
    assert not list(out.rglob("*.part"))
    assert not (out / ".state.json").exists()
    write_notebook("family", {"answer": QUICK, "lives": "print('thin ice')"})
    again = run(awkward_records, out, workers=workers)
    assert again.made == (page,)
    assert f"{page}: lives: thin ice" in again.remarks
    text = (out / page).read_text()
    assert "thin ice" not in text
    assert str(tmp_path) not in text


def test_a_process_that_ends_is_told(tmp_path, awkward_records, write_notebook, run):
    write_notebook("fleet", {"answer": "import os, signal\nos.kill(os.getpid(), signal.SIGKILL)"},
                   'ledger: str = ""\nas_of: str = ""')  # fmt: skip
    with pytest.raises(ReportError, match=r"the process that ran fleet\.ipynb was ended from outside"):
        run(awkward_records, tmp_path / "out", workers=2)


def test_a_family_that_only_imported_jobs_name_has_no_page(tmp_path, awkward_records, run):
    families, jobs = awkward_records.families.copy(), awkward_records.jobs.copy()
    families.loc[len(families), ["family", "kind"]] = ["Quillmarsh 7", families["kind"].iloc[0]]
    jobs.loc[len(jobs)] = {
        **jobs.iloc[0],
        "job": "elsewhere-1",
        "family": "Quillmarsh 7",
        "origin": "elsewhere",
    }
    records = replace(awkward_records, families=families, jobs=jobs)
    assert set(families_of_interest(records)) == set(awkward_records.families["family"])
    with pytest.raises(InvalidInput, match=r"imported jobs name the family Quillmarsh 7.* working_price"):
        run(records, tmp_path / "out", families=["Quillmarsh 7"])


def test_what_cannot_be_is_refused_before_anything_is_written(tmp_path, awkward_records, run, monkeypatch):
    out = tmp_path / "out"
    with pytest.raises(UnknownName, match=r"The ledger holds no family 'Quillmarsh'; known: "):
        run(awkward_records, out, families=["Quillmarsh"])
    monkeypatch.setattr(run_module, "NOTEBOOKS", tmp_path / "none")
    with pytest.raises(ReportError, match=r"The notebooks that show the pages are not in .*none"):
        run(awkward_records, out)
    assert not (out / "index.html").exists()


def test_a_ledger_without_a_job_has_its_pages(tmp_path, run):
    made = run(Records(), tmp_path / "out")
    assert made.made == ("fleet.html", "earnings.html", "ledger.html", "index.html")


def test_a_run_tells_how_far_it_is_on_standard_error(tmp_path, awkward_records, run, capsys):
    run(awkward_records, tmp_path / "out")
    said = capsys.readouterr()
    assert said.out == ""
    first, *rest = said.err.splitlines()
    assert first == "Fitting lives, odds and prices …"
    assert rest[-1] == "10/10 index.html"
    assert len(rest) == 10


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_a_terminal_shows_one_line(tmp_path, awkward_records, quick_books, run, monkeypatch):
    (quick_books / "index.ipynb").write_text(
        (quick_books / "index.ipynb").read_text().replace("Shown(", "No(")
    )
    monkeypatch.setattr(sys, "stderr", Terminal())
    with pytest.raises(ReportError, match="1 of 2 pages could not be made"):
        run(awkward_records, tmp_path / "out", families=[LONG])
    (family,) = (tmp_path / "out/families").iterdir()
    pages = f"\r\033[K1/2 families/{family.name}\r\033[K2/2 index.html failed\n"
    assert sys.stderr.getvalue() == f"Fitting lives, odds and prices …\n{pages}"


def test_notebooks_are_the_projects_own_and_digests_tell_names_and_contents(tmp_path):
    assert all((NOTEBOOKS / name).is_file() for name in PAGE_NOTEBOOKS)
    (tmp_path / "a.py").write_text("1")
    first = digest(tmp_path, "*.py")
    (tmp_path / "b.txt").write_text("ignored")
    assert digest(tmp_path, "*.py") == first
    (tmp_path / "a.py").rename(tmp_path / "c.py")
    assert digest(tmp_path, "*.py") != first


RUN = """
import os, sys, time
from reliability.report.run import processes
if __name__ == "__main__":
    with processes(None, 2) as pool:
        print(pool.submit(os.getpid).result(), flush=True)
        time.sleep(600)
"""


def test_no_process_outlives_a_run_that_was_killed(tmp_path):
    (tmp_path / "run.py").write_text(RUN)
    environment = {**os.environ, "PYTHONPATH": str(Path.cwd())}
    run = subprocess.Popen(
        [sys.executable, str(tmp_path / "run.py")], stdout=subprocess.PIPE, text=True, env=environment
    )
    assert run.stdout is not None
    worker = psutil.Process(int(run.stdout.readline()))
    run.kill()
    run.communicate()
    ended, left = psutil.wait_procs([worker], timeout=30)
    assert (len(ended), left) == (1, [])


def test_processes_compute_on_one_core_each():
    with threadpool_limits(2), processes(None, 2) as pool:
        assert pool is not None
        seen = pool.submit(threadpool_info).result()
    assert seen
    assert {each["num_threads"] for each in seen} == {1}
