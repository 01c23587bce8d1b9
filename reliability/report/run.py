"""Regenerate the report: what was asked for, once; where nothing changed, no file is touched."""

import datetime
import gc
import json
import multiprocessing
import os
import shlex
import shutil
import subprocess
import sys
import tempfile
import warnings
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass, replace
from hashlib import sha256
from multiprocessing.connection import wait
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Any, TextIO

from reliability import __version__
from reliability.errors import ENDED, BenchoddsError, InvalidInput, ReportError, is_end_of_process, unknown
from reliability.records.files import digest, replace_file, shipped

if TYPE_CHECKING:
    from reliability.records.frames import Records
    from reliability.report.data import ReportData

# ---- A page: what it is about, its file, and what stands around the content


KINDS = ("index", "fleet", "earnings", "family", "component", "ledger")
"""Kinds of pages; each is shown by the notebook of its name."""

TITLES = {
    "index": "What to take",
    "fleet": "The fleet",
    "earnings": "What does it earn?",
    "ledger": "The ledger",
}
CARD = "card.html"
_HEAD_BYTES = 4096


def whose(records: "Records", demo: bool) -> str:
    """Tell whose pages are made: the mark of the ledger, or that it is the demo."""
    return "demo" if demo else records.ledger


@dataclass(frozen=True)
class Page:
    """One page to be made."""

    kind: str  # one of `KINDS`
    subject: str  # the family or component; empty for pages about the whole bench
    target: str  # file, relative to the report's folder, with "/"

    @property
    def called(self) -> str:
        """What the page is about, for messages."""
        return f"{self.kind} {self.subject!r}" if self.subject else f"the {self.kind} page"

    def parameters(self, as_of: str) -> dict[str, str]:
        """Give the notebook's parameters."""
        return {**({self.kind: self.subject} if self.subject else {}), "as_of": as_of}


@dataclass(frozen=True)
class Order:
    """What all pages of a run have in common: for whom they are made, by what, for which day."""

    ledger: str  # tells the ledger from every other one
    demo: bool
    command: str  # what makes the pages again
    as_of: str  # the day that was asked for, as ISO text; empty if none was


def all_pages(data: "ReportData", families: Sequence[str] | None = None) -> list[Page]:
    """List the pages: families in the order of the ranking, components, then those about the whole bench.

    With families, only these, and the first page.
    """
    ranked = [each for each in data.ranking["family"] if families is None or each in families]
    pages = [Page("family", each, data.family_pages[each]) for each in ranked]
    if families is None:
        pages += [Page("component", each, target) for each, target in data.component_pages.items()]
    whole = ("fleet", "earnings", "ledger", "index") if families is None else ("index",)
    return pages + [Page(kind, "", f"{kind}.html") for kind in whole]


def around(page: Page, data: "ReportData", order: Order) -> dict[str, Any]:
    """Give the template what stands around the content of a page."""
    # Loaded here: a run that finds nothing changed shows no page.
    from reliability.worth.plan import all_cautions

    cautions = all_cautions()
    if page.kind == "family":
        cautions = all_cautions(data.entry(page.subject).kind, data.components_of(page.subject))
    elif page.kind == "component":
        cautions = all_cautions("", (page.subject,))
    title = page.subject or TITLES[page.kind]
    up = "../" * page.target.count("/")
    entries = (
        (TITLES["index"], "index.html", "index"),
        (TITLES["fleet"], "fleet.html", "fleet"),
        ("Components", "index.html#components", "component"),
        (TITLES["earnings"], "earnings.html", "earnings"),
        (TITLES["ledger"], "ledger.html", "ledger"),
    )
    return {
        "ledger": order.ledger,
        "title": f"{title} · benchodds",
        "demo": order.demo,
        "navigation": [
            {"label": label, "target": up + target, "current": each == page.kind}
            for label, target, each in entries
        ],
        "cautions": list(cautions),
        "source": [{"label": label, "value": value} for label, value in _source(page, data, order).items()],
    }


def _source(page: Page, data: "ReportData", order: Order) -> dict[str, str]:
    """Where the content comes from: label -> value, in the order in which it is shown."""
    # Loaded here: a run that finds nothing changed shows no page.
    import pandas as pd

    from reliability.report import format

    jobs = data.records.jobs
    if page.kind == "family":
        jobs = jobs[jobs["family"] == page.subject]
    elif page.kind == "component":
        findings = data.records.findings
        jobs = jobs[jobs["job"].isin(findings.loc[findings["component"] == page.subject, "job"])]
    n_open = int((jobs["outcome"] == "open").sum())
    days = pd.concat([jobs["taken_in"], jobs["closed"], jobs["sold_on"]]).dropna()
    command = order.command + (f" --as-of {order.as_of}" if order.as_of else "")
    given = "; ".join(f"{name} = {value}" for name, value in page.parameters(order.as_of).items() if value)
    return {
        "Made again by": command
        + (f" --family {shlex.quote(page.subject)}" if page.kind == "family" else ""),
        "Jobs": f"{format.counted(len(jobs) - n_open, 'finished job')}, {n_open or 'none'} open",
        "Dates": format.days(days.min(), days.max()) if len(days) else "none",
        "As of": data.as_of.isoformat(),
        "Ledger": data.fingerprint[:16],
        "Notebook": f"{page.kind}.ipynb",
        "Parameters": given or "none",
        "Version": f"benchodds {__version__}",
    }


def mark_in(path: Path, name: str) -> str:
    """Read a mark that a page or card carries; empty if the file is missing, or is none of ours."""
    try:
        with path.open("rb") as page:
            head = page.read(_HEAD_BYTES).decode("utf-8", "ignore")
    except OSError:
        return ""
    _, found, rest = head.partition(f'<meta name="benchodds-{name}" content="')
    return rest.partition('"')[0] if found else ""


def card_day(out: Path, ledger: str) -> str:
    """Tell for which day the pocket card beside the pages is; empty if there is none of this ledger."""
    card = out / CARD
    return mark_in(card, "day") if mark_in(card, "ledger") == ledger else ""


# ---- A run: what was asked for, once


PACKAGE = Path(__file__).parents[1]
NOTEBOOKS = shipped("notebooks")
# JupyterLab writes outputs into the other one, the form for the bench; no page depends on it.
PAGE_NOTEBOOKS = tuple(f"{kind}.ipynb" for kind in KINDS)
_STATE = ".state.json"
COMMAND = "benchodds report"
_KEPT = ".kept"
_ALL = "all"
_FOLDERS = ("families", "components")
_FEW = 4
_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


@dataclass(frozen=True)
class PagesMade:
    """What a run of the report did; paths are relative to the report's folder, with ``/``."""

    made: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()  # they show the same, and were left untouched
    removed: tuple[str, ...] = ()  # the ledger no longer holds what they show, or another ledger left them
    printed: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()  # what the notebooks printed or warned, each with its page and cell


def still_shown(
    ledger: str | Path,
    out: str | Path,
    *,
    families: Sequence[str] | None = None,
    pdf: bool = False,
    as_of: datetime.date | None = None,
    command: str = COMMAND,
    notebooks: str | Path = NOTEBOOKS,
) -> PagesMade | None:
    """Tell without reading a ledger that pages still show it; None where its records must be looked at."""
    out, state = Path(out).absolute(), _state(Path(out))
    order = Order(str(state.get("ledger")), False, command, "" if as_of is None else as_of.isoformat())
    content = content_of(ledger)
    if not content or state.get("read") != _run_key(content, order, card_day(out, order.ledger), notebooks):
        return None
    kept = _unchanged(out, str(state["run"]), _asked(families))
    if not kept or _foreign(out, order):
        return None
    return PagesMade(kept=kept, printed=print_pages(out, kept) if pdf else ())


def content_of(ledger: str | Path) -> str:
    """Digest the bytes of a ledger's file and of its log; empty where there is none, or it is on a server."""
    files = [Path(f"{ledger}{end}") for end in ("", "-wal", "-journal")]
    if "://" in str(ledger) or not files[0].is_file():
        return ""
    return sha256(" ".join(map(_mark, files)).encode()).hexdigest()


def make_pages(
    records: "Records",
    out: str | Path,
    *,
    families: Sequence[str] | None = None,  # only their pages, and the first page
    demo: bool = False,
    pdf: bool = False,
    as_of: datetime.date | None = None,  # the last date in the ledger if not given
    command: str = COMMAND,
    content: str = "",  # `content_of` the ledger's file before the records were read from it
    workers: int = 2,  # how many processes, where the system can split one in two
    progress: bool = True,
    notebooks: str | Path = NOTEBOOKS,
    executor: Executor | None = None,  # fits the odds of earlier days, perhaps on a cluster
) -> PagesMade:
    """Make pages; those that would show the same are left as they are."""
    # Absolute: a worker of a cluster has a working directory of its own.
    out, notebooks = Path(out).absolute(), Path(notebooks).absolute()
    _check(workers, notebooks)
    order = Order(whose(records, demo), demo, command, "" if as_of is None else as_of.isoformat())
    foreign, card, asked = _foreign(out, order), card_day(out, order.ledger), _asked(families)
    run_key = _run_key(records.fingerprint(), order, card, notebooks)
    read = _run_key(content, order, card, notebooks) if content else ""
    kept = _unchanged(out, run_key, asked)
    if kept:
        done = PagesMade(kept=kept, removed=_removed(out, foreign))
    else:
        done = _made(
            records, out, families, order, card, as_of, workers, progress, notebooks, executor, foreign
        )
    if not kept or read != _state(out).get("read"):
        _note(out, {"run": run_key, "read": read, "ledger": order.ledger}, asked, [*done.made, *done.kept])
    if pdf:
        done = replace(done, printed=print_pages(out, [*done.made, *done.kept]))
    return done


def _check(workers: int, notebooks: Path) -> None:
    if workers < 1:
        raise InvalidInput(f"`workers` must be 1 or more; got {workers}.")
    if not notebooks.is_dir():
        raise ReportError(
            f"The notebooks that show the pages are not in {notebooks}. Run the report from a checkout of "
            "the project, or name their folder."
        )


def _made(
    records: "Records",
    out: Path,
    families: Sequence[str] | None,
    order: Order,
    card: str,
    as_of: datetime.date | None,
    workers: int,
    progress: bool,
    notebooks: Path,
    executor: Executor | None,
    foreign: Sequence[str],
) -> PagesMade:
    # Loaded here: a run that finds nothing changed does without all that fits and shows.
    from reliability.report.data import Keeper, ReportData

    _check_families(records, families or ())
    Progress(1, is_shown=progress).say("Fitting lives, odds and prices …")
    keeper = Keeper(out / _KEPT)
    with processes(executor, workers) as pool:
        data = ReportData(records, as_of, keeper=keeper, executor=pool, is_near=executor is None, card=card)
        data.begin(data.family_pages if families is None else families)
        pages = all_pages(data, families)
        data.prepare({page.kind for page in pages})
    gone = _removed(out, foreign)
    shown = _show_all(
        pages, _Run(data, order, out, notebooks), workers, Progress(len(pages), is_shown=progress)
    )
    failures = [each.failure for each in shown if each.failure]
    if failures:
        listed = "\n".join(failures)
        raise ReportError(
            f"{len(failures)} of {len(pages)} pages could not be made; the others are up to date.\n{listed}"
        )
    targets = [page.target for page in pages]
    if families is None:
        gone += _removed(out, [each for each in _ours(out) if "/" in each and each not in targets])
    keeper.prune()
    return PagesMade(
        tuple(page.target for page, each in zip(pages, shown, strict=True) if each.is_new),
        tuple(page.target for page, each in zip(pages, shown, strict=True) if not each.is_new),
        tuple(each for each in gone if each not in targets),
        (),
        tuple(
            f"{page.target}: {line}" for page, each in zip(pages, shown, strict=True) for line in each.remarks
        ),
    )


def _check_families(records: "Records", families: Sequence[str]) -> None:
    # Loaded here: a run that finds nothing changed does without all that judges.
    from reliability.worth.review import families_of_interest

    known, mine = list(records.families["family"]), set(families_of_interest(records))
    for each in families:
        if each not in known:
            raise unknown("The ledger holds no family", each, known)
        if each not in mine:
            raise InvalidInput(
                f"Only imported jobs name the family {each}, and no page is made of such a family. State its "
                "working_price, or take a unit of it in, and it has one."
            )


# ---- Pages, some at a time


@dataclass(frozen=True)
class _Run:
    """What showing a page takes."""

    data: "ReportData"
    order: Order
    out: Path
    notebooks: Path


@dataclass(frozen=True)
class _Shown:
    """What became of one page: whether its file is new, why there is none, what its notebook printed."""

    is_new: bool = False
    failure: str = ""
    remarks: tuple[str, ...] = ()


_here: _Run | None = None  # what a process that was split off shows its pages from


def _show_all(pages: Sequence[Page], run: _Run, workers: int, told: "Progress") -> list[_Shown]:
    from reliability.report import render

    _ = render  # loaded before the process is split, so once
    if workers < 2 or len(pages) <= _FEW or sys.platform != "linux":
        return [told.step(page.target, _show(run, page)) for page in pages]
    global _here
    _here = run
    try:
        with processes(None, workers) as pool:
            assert pool is not None  # several workers, on a system that can split a process
            running = {pool.submit(_show_here, page): page for page in pages}
            shown: dict[Page, _Shown] = {}
            for future in as_completed(running):
                page = running[future]
                shown[page] = told.step(page.target, _outcome(future, page))
    finally:
        _here = None
    return [shown[page] for page in pages]


def _outcome(future: Future[_Shown], page: Page) -> _Shown:
    error = future.exception()
    if error is None:
        return future.result()
    if is_end_of_process(error):
        return _Shown(
            failure=f"{page.target}: {page.called}: the process that ran {page.kind}.ipynb was {ENDED}."
        )
    raise error


def _show_here(page: Page) -> _Shown:
    assert _here is not None  # set before the process was split off
    return _show(_here, page)


def _show(run: _Run, page: Page) -> _Shown:
    """Show one page; one that fails leaves the others alone, and its old file as it was."""
    from reliability.report.data import lent
    from reliability.report.render import render

    notebook, target = run.notebooks / f"{page.kind}.ipynb", run.out / page.target
    try:
        with lent(run.data, run.order.as_of):
            parameters = page.parameters(run.order.as_of)
            text, remarks = render(notebook, page.called, parameters, around(page, run.data, run.order))
        is_new = not target.exists() or target.read_text("utf-8") != text
        if is_new:
            replace_file(target, text)
        return _Shown(is_new, "", tuple(remarks))
    except BenchoddsError as error:
        return _Shown(failure=f"{page.target}: {error}")
    except Exception as error:
        said = f"{page.called}: {notebook.name} could not be run: {type(error).__name__}: {error}"
        return _Shown(failure=f"{page.target}: {said}")


@contextmanager
def processes(executor: Executor | None, count: int) -> Iterator[Executor | None]:
    """Lend processes split off from this one; or the executor that was given; or none where none can be.

    Each computes on one core: libraries that spread every sum over all cores would only get in each
    other's way.
    """
    if executor is not None or count < 2 or sys.platform != "linux":
        yield executor
        return
    before = {each: os.environ.get(each) for each in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    pool = ProcessPoolExecutor(count, mp_context=multiprocessing.get_context("fork"), initializer=_begin)
    try:
        with warnings.catch_warnings():
            # Threads that a newer Python would warn of are those of libraries that take care of a split.
            warnings.filterwarnings("ignore", "This process .* is multi-threaded", DeprecationWarning)
            yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
        for each, value in before.items():
            if value is None:
                del os.environ[each]
            else:
                os.environ[each] = value


def _begin() -> None:
    """Begin a process: what was loaded is left out of every later search for garbage."""
    gc.freeze()
    Thread(target=_end_with_parent, name="parent", daemon=True).start()


def _end_with_parent() -> None:
    """End this process where the run is killed: it would wait for more work without end."""
    if parent := multiprocessing.parent_process():
        wait([parent.sentinel])
        os._exit(1)


# ---- What the last run left


def _run_key(content: str, order: Order, card: str, notebooks: str | Path) -> str:
    """Everything that a whole run depends on: records, date, card, code."""
    code = digest(PACKAGE, "**/*.py", "report/templates/**/*"), digest(Path(notebooks), *PAGE_NOTEBOOKS)
    told = [content, order.ledger, order.as_of, card, order.command, __version__, *code]
    return sha256(json.dumps(told).encode()).hexdigest()


def _asked(families: Sequence[str] | None) -> str:
    return _ALL if families is None else json.dumps(sorted(families))


def _unchanged(out: Path, run_key: str, asked: str) -> tuple[str, ...]:
    """Pages of the last run that was asked for the same if all of them are what it left; else none."""
    pages = _left(out, run_key).get(asked, {})
    return tuple(pages) if all(_mark(out / each) == mark for each, mark in pages.items()) else ()


def _state(out: Path) -> dict[str, Any]:
    """Read what the last run left; empty where there is none, or a damaged one: look at every page."""
    try:
        state = json.loads((out / _STATE).read_text("utf-8"))
        return {**state, "asked": {str(each): {**pages} for each, pages in state["asked"].items()}}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _left(out: Path, run_key: str) -> dict[str, dict[str, str]]:
    """Give what the last runs over the same records and code left: what was asked for -> page -> content."""
    state = _state(out)
    return state["asked"] if state.get("run") == run_key else {}


def _mark(path: Path) -> str:
    return sha256(path.read_bytes()).hexdigest() if path.is_file() else ""


def _note(out: Path, keys: dict[str, str], asked: str, targets: Sequence[str]) -> None:
    """Note what a run has left."""
    left = {**_left(out, keys["run"]), asked: {target: _mark(out / target) for target in sorted(targets)}}
    replace_file(out / _STATE, json.dumps({**keys, "asked": left}, indent=1) + "\n")


def _foreign(out: Path, order: Order) -> list[str]:
    """List what another ledger left in a report's folder."""
    return [each for each in _ours(out) if mark_in(out / each, "ledger") != order.ledger]


def _ours(out: Path) -> list[str]:
    """List the pages and the card in a report's folder, by the marks that they carry."""
    paths = [path for folder in ("", *_FOLDERS) for path in sorted((out / folder).glob("*.html"))]
    return [path.relative_to(out).as_posix() for path in paths if mark_in(path, "ledger")]


def _removed(out: Path, pages: Sequence[str]) -> tuple[str, ...]:
    for each in pages:
        (out / each).unlink()
        (out / each).with_suffix(".pdf").unlink(missing_ok=True)
    return tuple(pages)


# ---- How far a run has come


_WIDTH = 24


class Progress:
    """Tell how many pages are done: a bar on a terminal, one plain line per page elsewhere."""

    def __init__(self, total: int, *, stream: TextIO | None = None, is_shown: bool = True) -> None:
        self._total = total
        self._done = 0
        self._stream = stream if stream is not None else sys.stderr
        self._is_shown = is_shown and total > 0
        self._is_bar = self._stream.isatty()

    def say(self, line: str) -> None:
        """Tell something that is no page, on a line of its own."""
        if self._is_shown:
            self._write(f"\r\033[K{line}\n" if self._is_bar else f"{line}\n")

    def step(self, page: str, shown: _Shown) -> _Shown:
        """Count one page as done; hand on what became of it."""
        self._done += 1
        if not self._is_shown:
            return shown
        remark = " failed" if shown.failure else ""
        if not self._is_bar:
            self._write(f"{self._done:>{len(str(self._total))}}/{self._total} {page}{remark}\n")
            return shown
        filled = _WIDTH * self._done // self._total
        bar = "█" * filled + "·" * (_WIDTH - filled)
        end = "\n" if self._done == self._total else ""
        self._write(f"\r\033[K{bar} {self._done}/{self._total} {page}{remark}{end}")
        return shown

    def _write(self, piece: str) -> None:
        self._stream.write(piece)
        self._stream.flush()


# ---- On paper: Chromium prints pages to PDF, if it is there


_BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge")
_LONGEST_SECONDS = 120


def find_chromium() -> str:
    """Find a browser of the Chromium family."""
    found = os.environ.get("BENCHODDS_CHROMIUM") or next(filter(None, map(shutil.which, _BROWSERS)), None)
    if found is None:
        raise ReportError(
            "The pages are there, but PDF files need Chromium, which was not found. On Debian or Ubuntu: "
            "sudo apt install chromium; elsewhere install it and set BENCHODDS_CHROMIUM to its path."
        )
    return found


def print_pages(out: Path, pages: Sequence[str]) -> tuple[str, ...]:
    """Print pages to PDF files beside them, where those are missing or older."""
    browser = find_chromium()
    written = []
    for page in pages:
        source = (out / page).resolve()
        target = source.with_suffix(".pdf")
        if target.exists() and target.stat().st_mtime_ns >= source.stat().st_mtime_ns:
            continue
        _print_one(browser, source, target)
        written.append(page.removesuffix(".html") + ".pdf")
    return tuple(written)


def _print_one(browser: str, source: Path, target: Path) -> None:
    beside = target.with_name(f".{target.name}.{os.getpid()}.part")
    # Chromium refuses its sandbox to root; the page is ours, runs no script and fetches nothing.
    sandbox = ["--no-sandbox"] if getattr(os, "geteuid", lambda: 1)() == 0 else []
    with tempfile.TemporaryDirectory() as profile:
        order = [browser, "--headless", *sandbox, "--disable-gpu", f"--user-data-dir={profile}"]
        order += ["--no-pdf-header-footer", f"--print-to-pdf={beside}", source.as_uri()]
        try:
            done = subprocess.run(
                order, capture_output=True, text=True, timeout=_LONGEST_SECONDS, check=False
            )
            if not beside.exists():
                *_, said = ["it said nothing", *filter(None, map(str.strip, done.stderr.splitlines()))]
                raise ReportError(f"{source.name}: Chromium printed no PDF ({said}).")
            os.replace(beside, target)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise ReportError(f"{source.name}: Chromium could not be run ({error}).") from error
        finally:
            beside.unlink(missing_ok=True)
