"""Make a set of pages: those whose content differs from the file's, some at a time, each by itself."""

import gc
import multiprocessing
import os
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass
from hashlib import sha256
from multiprocessing.connection import wait
from pathlib import Path
from threading import Thread

from reliability.errors import ENDED, BenchoddsError, is_end_of_process
from reliability.report.digests import digest
from reliability.report.pages import KINDS, Page, PageJob, Unmade
from reliability.report.progress import Progress

STUDIES = ".studies"
CARD = "card.html"
_HEAD_BYTES = 4096
_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
_LOOK = ("*.py", "templates/**/*")
# All that workers fit and show with.
_NEEDED = [
    "reliability.report.planning",
    "reliability.report.render",
    *(f"reliability.report.{kind}_page" for kind in KINDS),
]


@dataclass(frozen=True)
class Batch:
    """What became of a set of pages; paths are relative to the report's folder."""

    made: tuple[str, ...]
    kept: tuple[str, ...]
    failed: tuple[str, ...]
    remarks: tuple[str, ...]


def mark_in(path: Path, name: str) -> str:
    """Read a mark that a page or card carries; empty if the file is missing, or is none of ours.

    Parameters
    ----------
    path : Path
    name : {"page", "ledger", "day"}
        The key of a page's content, the ledger that it is of, the day that a card is for.
    """
    try:
        with path.open("rb") as page:
            head = page.read(_HEAD_BYTES).decode("utf-8", "ignore")
    except OSError:
        return ""
    _, found, rest = head.partition(f'<meta name="benchodds-{name}" content="')
    return rest.partition('"')[0] if found else ""


def key_in(path: Path) -> str:
    """Read the key of the content that a page carries; empty if the file is missing or is no page of ours."""
    return mark_in(path, "page")


def card_day(out: Path, ledger: str) -> str:
    """Tell for which day the pocket card beside the pages is; empty if there is none of this ledger."""
    card = out / CARD
    return mark_in(card, "day") if mark_in(card, "ledger") == ledger else ""


def make_batch(
    pages: Sequence[Page | Unmade],
    out: Path,
    notebooks: Path,
    *,
    executor: Executor,
    progress: bool = True,
) -> Batch:
    """Make the pages that would show something new.

    Parameters
    ----------
    pages : sequence of Page or Unmade
        All pages that are wanted.
    out, notebooks : Path
        Folder of the report, folder of the notebooks.
    executor : Executor
        Where the pages run.
    progress : bool
        Tell how far the run is.

    Returns
    -------
    Batch
        A page that fails is in ``failed`` as one message; its old file is still there.
    """
    look = digest(Path(__file__).parent, *_LOOK)
    jobs: dict[str, PageJob] = {}
    kept = []
    unmade = tuple(f"{each.target}: {each.why}" for each in pages if isinstance(each, Unmade))
    for page in pages:
        if isinstance(page, Unmade):
            continue
        notebook = notebooks / f"{page.study.kind}.ipynb"
        key = sha256(
            f"{look}\0{sha256(notebook.read_bytes()).hexdigest()}\0{page.shown}".encode()
        ).hexdigest()
        if key_in(out / page.target) == key:
            kept.append(page.target)
            continue
        path = page.study.save(out / STUDIES)
        parameters = {**page.parameters, "study": str(path.resolve())}
        jobs[page.target] = PageJob(notebook, out / page.target, page.subject, parameters, page.around(key))
    if not jobs:
        return Batch((), tuple(kept), unmade, ())
    made, failed, remarks = _run(jobs, executor, Progress(len(jobs), is_shown=progress))
    return Batch(made, tuple(kept), unmade + failed, remarks)


@contextmanager
def processes(executor: Executor | None, count: int) -> Iterator[Executor]:
    """Lend processes that end with the block, also when it is interrupted; or the executor that was given.

    Each computes on one core: libraries that spread every sum over all cores would only get in each
    other's way.
    """
    if executor is not None:
        yield executor
        return
    before = {each: os.environ.get(each) for each in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    # No copies of this process, which may have threads that hold locks; where all can be copies of one that
    # only loads what they need, that is loaded once.
    context = multiprocessing.get_context("forkserver" if sys.platform == "linux" else "spawn")
    context.set_forkserver_preload(_NEEDED)
    pool = ProcessPoolExecutor(count, mp_context=context, initializer=_begin)
    try:
        yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
        for each, value in before.items():
            _restore(each, value)


def _begin() -> None:
    """Begin a worker: what was loaded is left out of every later search for garbage."""
    gc.freeze()
    Thread(target=_end_with_parent, name="parent", daemon=True).start()


def _end_with_parent() -> None:
    """End this worker where the run is killed: it would wait for more work without end."""
    if parent := multiprocessing.parent_process():
        wait([parent.sentinel])
        os._exit(1)


def _restore(variable: str, value: str | None) -> None:
    if value is None:
        del os.environ[variable]
    else:
        os.environ[variable] = value


def _run(
    jobs: dict[str, PageJob], pool: Executor, progress: Progress
) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    running: dict[Future[list[str]], str] = {
        pool.submit(_render, job): target for target, job in jobs.items()
    }
    failed: dict[str, str] = {}
    remarks: dict[str, list[str]] = {}
    for future in as_completed(running):
        target = running[future]
        error = future.exception()
        if error is None:
            remarks[target] = future.result()
        else:
            failed[target] = f"{target}: {_told(error, jobs[target])}"
        progress.step(target, failed=error is not None)
    return (
        tuple(target for target in jobs if target not in failed),
        tuple(failed[target] for target in jobs if target in failed),
        tuple(f"{target}: {line}" for target in jobs for line in remarks.get(target, [])),
    )


def _render(job: PageJob) -> list[str]:
    from reliability.report.render import render  # only workers need what shows a page

    return render(job)


def _told(error: BaseException, job: PageJob) -> str:
    """Our own messages stand as they are; anything else is told with its kind and where it happened."""
    if isinstance(error, BenchoddsError):
        return str(error)
    if is_end_of_process(error):
        return f"{job.subject}: the process that ran {job.notebook.name} was {ENDED}."
    return f"{job.subject}: {job.notebook.name} could not be run: {type(error).__name__}: {error}"
