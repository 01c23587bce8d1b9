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
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass
from hashlib import sha256
from importlib import import_module
from multiprocessing.connection import wait
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Any

import click
from threadpoolctl import threadpool_limits

from reliability import __version__
from reliability.errors import ENDED, BenchoddsError, InvalidInput, ReportError, is_end_of_process, unknown
from reliability.records.files import digest, fresh_file, replace_file, shipped

# What reads, fits and shows is loaded where it is used: a run that finds nothing changed does without.
if TYPE_CHECKING:
    from reliability.records.frames import Records
    from reliability.report.data import ReportData
    from reliability.worth.appraiser import Appraiser

PACKAGE = Path(__file__).parents[1]
NOTEBOOKS = shipped("notebooks")
CARD = "card.html"

TITLES = {
    "index": "What to take",
    "fleet": "The fleet",
    "component": "Components",
    "earnings": "What does it earn?",
    "ledger": "The ledger",
}
"""What pages are called that are about the whole bench, and in the navigation."""

# JupyterLab writes outputs into the other one, the form for the bench; no page depends on it.
PAGE_NOTEBOOKS = tuple(f"{kind}.ipynb" for kind in (*TITLES, "family"))


# ---- A page: what it is about, its file, and what stands around the content


@dataclass(frozen=True)
class Page:
    """One page to be made."""

    kind: str  # it is shown by the notebook of this name
    subject: str  # the family or component; empty for pages about the whole bench
    target: str  # file, relative to the report's folder, with "/"

    @property
    def called(self) -> str:
        """What the page is about, for messages."""
        return f"{self.kind} {self.subject!r}" if self.subject else f"the {self.kind} page"

    def parameters(self, day: str) -> dict[str, str]:
        """Give the notebook's parameters."""
        return {**({self.kind: self.subject} if self.subject else {}), "as_of": day}


@dataclass(frozen=True)
class Run:
    """What all pages of a run have in common: whose they are, what was asked for, by what, for which day."""

    out: Path
    ledger: str  # tells the ledger from every other one
    demo: bool = False
    families: Sequence[str] | None = None  # only their pages, and the first page
    as_of: datetime.date | None = None  # the last date in the ledger if not given

    @property
    def day(self) -> str:
        """The day that was asked for, as ISO text; empty if none was."""
        return "" if self.as_of is None else self.as_of.isoformat()

    def key(self, content: str) -> str:
        """Everything that a whole run depends on: records, date, card, code, what was asked for."""
        code = digest(PACKAGE, "**/*.py", "report/templates/**/*"), digest(NOTEBOOKS, *PAGE_NOTEBOOKS)
        card = card_day(self.out, self.ledger)
        families = None if self.families is None else sorted(self.families)
        told = [content, self.ledger, self.day, families, card, __version__, *code]
        return sha256(json.dumps(told).encode()).hexdigest()

    def unchanged(self, key: str) -> tuple[str, ...]:
        """Pages of an earlier run of the same key if all of them are what it left; else none."""
        pages = _state(self.out)["runs"].get(key, {})
        return tuple(pages) if all(_mark(self.out / each) == mark for each, mark in pages.items()) else ()

    def foreign(self) -> list[str]:
        """List what another ledger left in the report's folder."""
        return [each for each in _ours(self.out) if mark_in(self.out / each, "ledger") != self.ledger]


def whose(records: "Records", demo: bool) -> str:
    """Tell whose pages are made: the mark of the ledger, or that it is the demo."""
    return "demo" if demo else records.ledger


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


def around(page: Page, data: "ReportData", run: Run) -> dict[str, Any]:
    """Give the template what stands around the content of a page."""
    import pandas as pd

    from reliability.report import format
    from reliability.worth.plan import all_cautions

    jobs, findings, cautions = data.records.jobs, data.records.findings, all_cautions()
    if page.kind == "family":
        jobs = jobs[jobs["family"] == page.subject]
        cautions = all_cautions(data.odds.families[page.subject].kind, data.components_of(page.subject))
    elif page.kind == "component":
        jobs = jobs[jobs["job"].isin(findings.loc[findings["component"] == page.subject, "job"])]
        cautions = all_cautions("", (page.subject,))
    n_open = int((jobs["outcome"] == "open").sum())
    days = pd.concat([jobs["taken_in"], jobs["closed"], jobs["sold_on"]]).dropna()
    again = ["benchodds report", *(["--as-of", run.day] if run.day else [])]
    again += ["--family", shlex.quote(page.subject)] if page.kind == "family" else []
    given = [f"{name} = {value}" for name, value in page.parameters(run.day).items() if value]
    return {
        "ledger": run.ledger,
        "title": f"{page.subject or TITLES[page.kind]} · benchodds",
        "demo": run.demo,
        "kind": page.kind,
        "titles": TITLES,
        "up": "../" * page.target.count("/"),
        "cautions": list(cautions),
        "source": {
            "Made again by": " ".join(again),
            "Jobs": f"{format.counted(len(jobs) - n_open, 'finished job')}, {n_open or 'none'} open",
            "Dates": format.days(days.min(), days.max()) if len(days) else "none",
            "As of": data.as_of.isoformat(),
            "Ledger": data.fingerprint[:16],
            "Notebook": f"{page.kind}.ipynb",
            "Parameters": "; ".join(given) or "none",
            "Version": f"benchodds {__version__}",
        },
    }


# ---- A run


@dataclass(frozen=True)
class PagesMade:
    """What a run of the report did; paths are relative to the report's folder, with ``/``."""

    made: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()  # they show the same, and were left untouched
    removed: tuple[str, ...] = ()  # the ledger no longer holds what they show, or another ledger left them
    remarks: tuple[str, ...] = ()  # what the notebooks printed or warned, each with its page and cell


def still_shown(ledger: str | Path, out: Path, **asked: Any) -> PagesMade | None:
    """Tell without reading a ledger that pages still show it; None where its records must be looked at.

    What was asked for is told as to `make_pages`: families, as_of.
    """
    run, content = Run(out, _state(out)["ledger"], **asked), content_of(ledger)
    kept = run.unchanged(run.key(content)) if content else ()
    if not kept or run.foreign():
        return None
    return PagesMade(kept=kept)


def content_of(ledger: str | Path) -> str:
    """Digest the bytes of a ledger's file and of its log; empty where there is none, or it is on a server."""
    files = [Path(f"{ledger}{end}") for end in ("", "-wal", "-journal")]
    if "://" in str(ledger) or not files[0].is_file():
        return ""
    return sha256(" ".join(map(_mark, files)).encode()).hexdigest()


def make_pages(
    records: "Records",
    out: Path,
    *,
    demo: bool = False,
    content: str = "",  # `content_of` the ledger's file before the records were read from it
    workers: int = 2,  # how many processes, where the system can split one in two
    executor: Executor | None = None,  # fits the odds of earlier days, perhaps on a cluster
    odds: Callable[[], "Appraiser"] | None = None,  # those of the commands, if of the same records and day
    **asked: Any,  # families, as_of: as in `Run`
) -> PagesMade:
    """Make pages; those that would show the same are left as they are."""
    run = Run(out, whose(records, demo), demo=demo, **asked)
    if not NOTEBOOKS.is_dir():
        raise ReportError(
            f"The notebooks that show the pages are not in {NOTEBOOKS}. Run the report from a checkout "
            "of the project."
        )
    keys = [run.key(each) for each in (records.fingerprint(), content) if each]
    if kept := run.unchanged(keys[0]):
        done = PagesMade(kept=kept, removed=_removed(run.out, run.foreign()))
    else:
        done = _made(run, records, workers, executor, odds)
    pages = {target: _mark(run.out / target) for target in sorted([*done.made, *done.kept])}
    runs = _state(run.out)["runs"]
    if any(runs.get(key) != pages for key in keys):
        runs = {**{key: left for key, left in runs.items() if key not in keys}, **dict.fromkeys(keys, pages)}
        left = {"ledger": run.ledger, "runs": dict(list(runs.items())[-_MOST_RUNS:])}
        replace_file(run.out / _STATE, json.dumps(left, indent=1) + "\n")
    return done


def _made(run: Run, records: "Records", workers: int, executor: Executor | None, odds: Any) -> PagesMade:
    from reliability.report.data import ReportData

    _check_families(records, run.families or ())
    foreign, card = run.foreign(), card_day(run.out, run.ledger)
    click.echo("Fitting lives, odds and prices …", err=True)
    with processes(executor, workers) as pool:
        data = ReportData(records, run.as_of, store=run.out / ".kept", card=card, odds=odds)
        data.prepare(data.family_pages if run.families is None else run.families, pool)
    pages = all_pages(data, run.families)
    gone = _removed(run.out, foreign)
    done: dict[str, _Shown] = {}
    for number, (page, each) in enumerate(_show_all(pages, data, run, workers), 1):
        done[page.target] = each
        _tell(f"{number:>{len(str(len(pages)))}}/{len(pages)} {page.target}", each, number == len(pages))
    shown = {page.target: done[page.target] for page in pages}
    failures = [each.failure for each in shown.values() if each.failure]
    if failures:
        listed = "\n".join(failures)
        raise ReportError(
            f"{len(failures)} of {len(pages)} pages could not be made; the others are up to date.\n{listed}"
        )
    if run.families is None:
        gone += _removed(run.out, [each for each in _ours(run.out) if "/" in each and each not in shown])
    return PagesMade(
        made=tuple(target for target, each in shown.items() if each.is_new),
        kept=tuple(target for target, each in shown.items() if not each.is_new),
        removed=tuple(each for each in gone if each not in shown),
        remarks=tuple(f"{target}: {line}" for target, each in shown.items() for line in each.remarks),
    )


def _check_families(records: "Records", families: Sequence[str]) -> None:
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
class _Shown:
    """What became of one page: whether its file is new, why there is none, what its notebook printed."""

    is_new: bool = False
    failure: str = ""
    remarks: tuple[str, ...] = ()


def _show_all(
    pages: Sequence[Page], data: "ReportData", run: Run, workers: int
) -> Iterator[tuple[Page, _Shown]]:
    """Show pages, some at a time, from what was worked out for all of them; give each once it is done."""
    from reliability.report.data import lent

    import_module("reliability.report.render")  # before the process is split, so once
    with lent(data, run.day), processes(None, min(workers, len(pages))) as pool:
        if pool is None:
            yield from ((page, _show(page, run)) for page in pages)
            return
        # The ledger's page fits once more, so it begins first.
        first = sorted(pages, key=lambda page: page.kind != "ledger")
        running = {pool.submit(_show, page, run): page for page in first}
        for done in as_completed(running):
            page, error = running[done], done.exception()
            if error is not None and not is_end_of_process(error):
                raise error
            ended = f"{page.target}: {page.called}: the process that ran {page.kind}.ipynb was {ENDED}."
            yield page, _Shown(failure=ended) if error else done.result()


def _tell(line: str, shown: _Shown, is_last: bool) -> None:
    """Tell that a page is done, on a line of its own, on a terminal in place of the one before."""
    line += " failed" if shown.failure else ""
    begin, end = "", "\n"
    if sys.stderr.isatty():
        begin, end = "\r\033[K", "\n" if is_last or shown.failure else ""
    click.echo(f"{begin}{line}{end}", err=True, nl=False)


def _show(page: Page, run: Run) -> _Shown:
    """Show one page; one that fails leaves the others alone, and its old file as it was."""
    from reliability.report.data import open_report
    from reliability.report.render import render

    notebook, target = NOTEBOOKS / f"{page.kind}.ipynb", run.out / page.target
    try:
        foot = around(page, open_report(as_of=run.day), run)
        text, remarks = render(notebook, page.called, page.parameters(run.day), foot)
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
    """Lend processes split off from this one; or the executor that was given; or none where none can be."""
    if executor is not None or count < 2 or sys.platform != "linux":
        yield executor
        return
    pool = ProcessPoolExecutor(count, mp_context=multiprocessing.get_context("fork"), initializer=_begin)
    try:
        with warnings.catch_warnings():
            # Threads that a newer Python would warn of are those of libraries that take care of a split.
            warnings.filterwarnings("ignore", "This process .* is multi-threaded", DeprecationWarning)
            yield pool
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _begin() -> None:
    """Begin a process, on one core; what was loaded is left out of every later search for garbage."""
    threadpool_limits(1)
    os.nice(5)  # the process that it works for goes first: it waits for no other
    gc.freeze()
    Thread(target=_end_with_parent, name="parent", daemon=True).start()


def _end_with_parent() -> None:
    """End this process where the run is killed: it would wait for more work without end."""
    if parent := multiprocessing.parent_process():
        wait([parent.sentinel])
        os._exit(1)


# ---- What the last runs left: pages and a card that say whose they are, and a note of what was asked for


_STATE = ".state.json"
_MOST_RUNS = 12
_HEAD_BYTES = 4096


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
    return mark_in(out / CARD, "day") if mark_in(out / CARD, "ledger") == ledger else ""


def _ours(out: Path) -> list[str]:
    """List the pages and the card in a report's folder, by the marks that they carry."""
    paths = [
        path for folder in ("", "families", "components") for path in sorted((out / folder).glob("*.html"))
    ]
    return [path.relative_to(out).as_posix() for path in paths if mark_in(path, "ledger")]


def _removed(out: Path, pages: Sequence[str]) -> tuple[str, ...]:
    for each in pages:
        (out / each).unlink()
        (out / each).with_suffix(".pdf").unlink(missing_ok=True)
    return tuple(pages)


def _state(out: Path) -> dict[str, Any]:
    """Read what the last runs left, by their keys; nothing where it is damaged: look at every page."""
    try:
        state = json.loads((out / _STATE).read_text("utf-8"))
        return {
            "ledger": str(state["ledger"]),
            "runs": {key: {**left} for key, left in state["runs"].items()},
        }
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {"ledger": "", "runs": {}}


def _mark(path: Path) -> str:
    return sha256(path.read_bytes()).hexdigest() if path.is_file() else ""


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
    browser, written = find_chromium(), []
    for page in pages:
        source = (out / page).resolve()
        target = source.with_suffix(".pdf")
        if not target.exists() or target.stat().st_mtime_ns < source.stat().st_mtime_ns:
            _print_one(browser, source, target)
            written.append(page.removesuffix(".html") + ".pdf")
    return tuple(written)


def _print_one(browser: str, source: Path, target: Path) -> None:
    # Chromium refuses its sandbox to root; the page is ours, runs no script and fetches nothing.
    sandbox = ["--no-sandbox"] if getattr(os, "geteuid", lambda: 1)() == 0 else []
    with tempfile.TemporaryDirectory() as profile, fresh_file(target) as draft:
        order = [browser, "--headless", *sandbox, "--disable-gpu", f"--user-data-dir={profile}"]
        order += ["--no-pdf-header-footer", f"--print-to-pdf={draft.path}", source.as_uri()]
        try:
            done = subprocess.run(
                order, capture_output=True, text=True, timeout=_LONGEST_SECONDS, check=False
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            raise ReportError(f"{source.name}: Chromium could not be run ({error}).") from error
        if not draft.path.stat().st_size:
            *_, said = ["it said nothing", *filter(None, map(str.strip, done.stderr.splitlines()))]
            raise ReportError(f"{source.name}: Chromium printed no PDF ({said}).")
