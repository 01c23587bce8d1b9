"""Making a set of pages: the right ones, each whole, a failure on its own."""

import os
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future
from pathlib import Path

import psutil
import pytest

from reliability.report.batch import STUDIES, key_in, make_batch, processes
from reliability.report.digests import digest
from reliability.report.pages import Page, Unmade
from reliability.report.study import write_whole

MakePage = Callable[..., Page]
WriteNotebook = Callable[..., Path]


class Instead(Executor):
    """Stands in for the workers: writes a page that carries its key, without running a notebook.

    With a limit it is interrupted after so many pages, like a run that somebody stops with Ctrl-C.
    """

    def __init__(self, limit: int = 99, error: Exception | None = None) -> None:
        self.limit = limit
        self.error = error

    def submit(self, fn, /, *args, **kwargs):  # type: ignore[no-untyped-def]
        if not self.limit:
            raise KeyboardInterrupt
        self.limit -= 1
        (job,) = args
        future: Future = Future()
        if self.error is not None:
            future.set_exception(self.error)
            return future
        write_whole(job.target, f'<meta name="benchodds-page" content="{job.around["key"]}">{job.subject}')
        future.set_result([])
        return future


def test_pages_are_run_by_processes_and_a_failing_cell_is_named(
    tmp_path: Path, write_notebook: WriteNotebook, make_page: MakePage, show: str
) -> None:
    fails = "assert family != 'Dallow 80', 'no lives'\nprint('thin ice')"
    books = write_notebook("family", {"answer": show, "lives": fails}).parent
    out = tmp_path / "out"
    old = out / "families/dallow-80.html"
    old.parent.mkdir(parents=True)
    old.write_text("the old page")
    pages = [make_page("Dallow 80", "families/dallow-80.html"), make_page()]
    with processes(None, 2) as pool:
        made = make_batch(pages, out, books, executor=pool, progress=False)
    assert made.made == ("families/t2.html",)
    assert made.failed == (
        "families/dallow-80.html: family 'Dallow 80': cell 'lives' of family.ipynb failed: "
        "AssertionError: no lives",
    )
    assert old.read_text() == "the old page"
    assert not list(out.rglob("*.part"))
    assert made.remarks == ("families/t2.html: lives: thin ice",)
    page = (out / "families/t2.html").read_text()
    assert '<h2 id="answer">Tarnwick T2</h2>' in page
    assert "thin ice" not in page
    assert "load_study" not in page
    assert str(tmp_path) not in page


def test_a_page_without_content_is_told_and_the_others_are_made(
    tmp_path: Path, write_notebook: WriteNotebook, make_page: MakePage, show: str
) -> None:
    books = write_notebook("family", {"answer": show}).parent
    bad = Unmade("component", "bulb", "component 'bulb': no", "components/bulb.html")
    for made in (("families/t2.html",), ()):
        batch = make_batch([bad, make_page()], tmp_path, books, executor=Instead(), progress=False)
        assert batch.made == made
        assert batch.failed == ("components/bulb.html: component 'bulb': no",)


def test_same_content_gives_the_same_bytes(
    tmp_path: Path, write_notebook: WriteNotebook, make_page: MakePage, show: str
) -> None:
    books = write_notebook("family", {"answer": show}).parent
    with processes(None, 2) as pool:
        for folder in ("one", "two"):
            make_batch([make_page()], tmp_path / folder, books, executor=pool, progress=False)
    one, two = ((tmp_path / folder / "families/t2.html").read_bytes() for folder in ("one", "two"))
    assert one == two
    assert make_batch([make_page()], tmp_path / "one", books, executor=Instead(0)).kept == (
        "families/t2.html",
    )


def test_only_pages_with_new_content_are_made(
    tmp_path: Path, write_notebook: WriteNotebook, make_page: MakePage, show: str
) -> None:
    books = write_notebook("family", {"answer": show}).parent
    out = tmp_path / "out"
    first, second = make_page(), make_page("Dallow 80", "families/dallow-80.html")
    made = make_batch([first, second], out, books, executor=Instead(), progress=False)
    assert made.made == ("families/t2.html", "families/dallow-80.html")
    before = {path: path.stat().st_mtime_ns for path in out.rglob("*")}
    assert make_batch([first, second], out, books, executor=Instead(0), progress=False).kept == made.made
    assert {path: path.stat().st_mtime_ns for path in out.rglob("*")} == before

    changed = make_page("Dallow 80", "families/dallow-80.html", ceiling=35)
    again = make_batch([first, changed], out, books, executor=Instead(), progress=False)
    assert (again.made, again.kept) == (("families/dallow-80.html",), ("families/t2.html",))


def test_a_changed_notebook_makes_its_pages_again(
    tmp_path: Path, write_notebook: WriteNotebook, make_page: MakePage, show: str
) -> None:
    books = write_notebook("family", {"answer": show}).parent
    make_batch([make_page()], tmp_path, books, executor=Instead(), progress=False)
    write_notebook("family", {"answer": show, "text": "How to read this."})
    assert make_batch([make_page()], tmp_path, books, executor=Instead(), progress=False).made


def test_a_run_that_was_interrupted_goes_on(
    tmp_path: Path, write_notebook: WriteNotebook, make_page: MakePage, show: str
) -> None:
    books = write_notebook("family", {"answer": show}).parent
    pages = [make_page(), make_page("Dallow 80", "families/dallow-80.html")]
    with pytest.raises(KeyboardInterrupt):
        make_batch(pages, tmp_path, books, executor=Instead(1), progress=False)
    again = make_batch(pages, tmp_path, books, executor=Instead(), progress=False)
    assert (again.kept, again.made) == (("families/t2.html",), ("families/dallow-80.html",))


def test_a_worker_that_breaks_is_told_with_its_page(
    tmp_path: Path, write_notebook: WriteNotebook, make_page: MakePage, show: str
) -> None:
    books = write_notebook("family", {"answer": show}).parent
    made = make_batch(
        [make_page()], tmp_path, books, executor=Instead(error=MemoryError("out of memory")), progress=False
    )
    assert made.failed == (
        "families/t2.html: family 'Tarnwick T2': family.ipynb could not be run: MemoryError: out of memory",
    )


def test_a_worker_that_was_killed_is_told_with_its_page(
    tmp_path: Path, write_notebook: WriteNotebook, make_page: MakePage, show: str
) -> None:
    books = write_notebook("family", {"answer": show}).parent
    killed = Instead(error=BrokenExecutor("A process in the process pool was terminated abruptly"))
    made = make_batch([make_page()], tmp_path, books, executor=killed, progress=False)
    assert made.failed == (
        "families/t2.html: family 'Tarnwick T2': the process that ran family.ipynb was ended from outside, "
        "perhaps for want of memory.",
    )


def test_key_of_a_foreign_or_missing_file_is_empty(tmp_path: Path) -> None:
    assert key_in(tmp_path / "none.html") == ""
    (tmp_path / "own.html").write_text("<html><head><meta name='other'></head></html>")
    assert key_in(tmp_path / "own.html") == ""


def test_digest_depends_on_names_and_contents(tmp_path: Path) -> None:
    (tmp_path / "a.py").write_text("1")
    first = digest(tmp_path, "*.py")
    (tmp_path / "b.txt").write_text("ignored")
    assert digest(tmp_path, "*.py") == first
    (tmp_path / "a.py").rename(tmp_path / "c.py")
    assert digest(tmp_path, "*.py") != first


def test_studies_are_kept_by_their_content(
    tmp_path: Path, write_notebook: WriteNotebook, make_page: MakePage, show: str
) -> None:
    books = write_notebook("family", {"answer": show}).parent
    page = make_page()
    make_batch([page], tmp_path, books, executor=Instead(), progress=False)
    assert [path.stem for path in (tmp_path / STUDIES).iterdir()] == [page.study.fingerprint]


RUN = """
import os, sys, time
from reliability.report.batch import processes
if __name__ == "__main__":
    with processes(None, 2) as pool:
        print(pool.submit(os.getpid).result(), flush=True)
        time.sleep(600)
"""


def test_no_worker_outlives_a_run_that_was_killed(tmp_path: Path) -> None:
    (tmp_path / "run.py").write_text(RUN)
    run = subprocess.Popen([sys.executable, str(tmp_path / "run.py")], stdout=subprocess.PIPE, text=True)
    assert run.stdout is not None
    worker = psutil.Process(int(run.stdout.readline()))
    run.kill()
    run.communicate()
    ended, left = psutil.wait_procs([worker], timeout=30)
    assert (len(ended), left) == (1, [])


def test_processes_compute_on_one_core_each_and_leave_no_trace(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OMP_NUM_THREADS", "7")
    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    with processes(None, 1) as pool:
        seen = [pool.submit(os.getenv, name).result() for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")]
    assert seen == ["1", "1"]
    assert os.environ["OMP_NUM_THREADS"] == "7"
    assert "OPENBLAS_NUM_THREADS" not in os.environ
