"""Regenerate the report: only what changed, two pages at a time, the rest left alone.

Each page carries the key of its own content. A run computes what every page would show, compares, and
makes the ones that differ; so an interrupted run goes on where it stopped.
"""

import datetime
import json
from collections.abc import Iterable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from reliability import __version__
from reliability.errors import InvalidInput, ReportError, unknown
from reliability.records.files import shipped
from reliability.report.batch import STUDIES, Batch, card_day, key_in, make_batch, mark_in, processes
from reliability.report.digests import PACKAGE, digest
from reliability.report.pages import KINDS, whose
from reliability.report.progress import Progress
from reliability.report.study import write_whole

if TYPE_CHECKING:
    from reliability.records.frames import Records

NOTEBOOKS = shipped("notebooks")
# JupyterLab writes outputs into the other one, the form for the bench; no page depends on it.
PAGE_NOTEBOOKS = tuple(f"{kind}.ipynb" for kind in KINDS)
_STATE = ".state.json"
_KEPT = ".kept"
_ALL = "all"
_FOLDERS = ("families", "components")


@dataclass(frozen=True)
class PagesMade:
    """What a run of the report did; paths are relative to the report's folder, with ``/``.

    Attributes
    ----------
    made : tuple of str
        Pages that were written.
    kept : tuple of str
        Pages that would show the same, left untouched.
    removed : tuple of str
        Pages of families or components that the ledger no longer holds, and whatever another ledger left.
    printed : tuple of str
        PDF files that were written.
    remarks : tuple of str
        What the notebooks printed or warned, each with its page and cell.
    """

    made: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()
    removed: tuple[str, ...] = ()
    printed: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


def make_pages(
    records: "Records",
    out: str | Path,
    *,
    families: Sequence[str] | None = None,
    demo: bool = False,
    pdf: bool = False,
    as_of: datetime.date | None = None,
    command: str = "benchodds report",
    workers: int = 2,
    progress: bool = True,
    notebooks: str | Path = NOTEBOOKS,
    executor: Executor | None = None,
) -> PagesMade:
    """Make the pages whose content changed.

    Parameters
    ----------
    records : Records
        The ledger as data frames.
    out : str or Path
        Folder of the report; made if it is not there.
    families : sequence of str, optional
        Only the pages of these families, and the first page; all pages if not given.
    demo : bool
        Mark every page DEMO.
    pdf : bool
        Also print the pages to PDF files beside them, by Chromium.
    as_of : date, optional
        The day the pages speak for; the last date in the ledger if not given.
    command : str
        The command that makes the pages again; shown at their foot.
    workers : int
        How many pages are made at a time.
    progress : bool
        Tell on standard error how far the run is.
    notebooks : str or Path
        Folder of the notebooks that show the pages.
    executor : Executor, optional
        Fits and runs the pages instead of `workers` processes of our own. Where its workers are those of a
        cluster, they see `out` and `notebooks` at the same paths and run the same checkout.

    Returns
    -------
    PagesMade
        What was written, kept and removed.

    Raises
    ------
    UnknownName
        If the ledger holds no family of such a name.
    InvalidInput
        If `workers` is below 1.
    ReportError
        If pages could not be made: one line for each, with its family and cell. The others are there.
    """
    # Absolute: a worker of a cluster has a working directory of its own.
    out, notebooks = Path(out).absolute(), Path(notebooks).absolute()
    _check(workers, notebooks)
    foreign = _foreign(out, whose(records, demo))
    card = card_day(out, whose(records, demo))
    run_key = _run_key(records, as_of, demo, command, notebooks, card)
    asked = _ALL if families is None else json.dumps(sorted(families))
    kept = _unchanged(out, run_key, asked)
    if kept:
        done = PagesMade(kept=kept, removed=_removed(out, foreign))
    else:
        from reliability.report.keeping import Keeper
        from reliability.report.planning import plan

        _check_families(records, families or ())
        Progress(1, is_shown=progress).say("Fitting lives, odds and prices …")
        keeper = Keeper(out / _KEPT)
        with processes(executor, workers) as pool:
            pages = plan(
                records,
                families=families,
                demo=demo,
                as_of=as_of,
                command=command,
                executor=pool,
                keeper=keeper,
                card=card,
            )
            gone = _removed(out, foreign)
            batch = make_batch(pages, out, notebooks, executor=pool, progress=progress)
        _check_made(batch, len(pages))
        targets = [page.target for page in pages]
        gone += _finish(out, run_key, asked, targets)
        keeper.prune()
        removed = tuple(each for each in gone if each not in targets)
        done = PagesMade(batch.made, batch.kept, removed, (), batch.remarks)
    if pdf:
        from reliability.report.printing import print_pages

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


def _run_key(
    records: "Records", as_of: datetime.date | None, demo: bool, command: str, notebooks: Path, card: str
) -> str:
    """Everything that a whole run depends on: records, date, card, code."""
    code = digest(PACKAGE, "**/*.py", "report/templates/**/*"), digest(notebooks, *PAGE_NOTEBOOKS)
    order = [records.fingerprint(), whose(records, demo), str(as_of), card, command, __version__, *code]
    return sha256(json.dumps(order).encode()).hexdigest()


def _unchanged(out: Path, run_key: str, asked: str) -> tuple[str, ...]:
    """Pages of the last run that was asked for the same if all of them are what it left; else none."""
    pages = _left(out, run_key).get(asked, {})
    is_same = all(key_in(out / each) == key for each, key in pages.items())
    return tuple(pages) if is_same else ()


def _left(out: Path, run_key: str) -> dict[str, dict[str, str]]:
    """Give what the last runs over the same records and code left: what was asked for -> page -> key."""
    try:
        state = json.loads((out / _STATE).read_text("utf-8"))
        asked = {str(each): {**pages} for each, pages in state["asked"].items()}
        return asked if state["run"] == run_key else {}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}  # no state, or a damaged one: look at every page


def _check_made(batch: Batch, wanted: int) -> None:
    if batch.failed:
        listed = "\n".join(batch.failed)
        raise ReportError(
            f"{len(batch.failed)} of {wanted} pages could not be made; the others are up to date.\n{listed}"
        )


def _ours(out: Path) -> list[str]:
    """List the pages and the card in a report's folder, by the marks that they carry."""
    paths = [path for folder in ("", *_FOLDERS) for path in sorted((out / folder).glob("*.html"))]
    return [path.relative_to(out).as_posix() for path in paths if mark_in(path, "ledger") or key_in(path)]


def _foreign(out: Path, ledger: str) -> list[str]:
    """List what another ledger has left, or a version that did not say of which ledger a page is."""
    return [each for each in _ours(out) if mark_in(out / each, "ledger") != ledger]


def _removed(out: Path, pages: Iterable[str]) -> tuple[str, ...]:
    for each in pages:
        (out / each).unlink()
        (out / each).with_suffix(".pdf").unlink(missing_ok=True)
    return tuple(pages)


def _finish(out: Path, run_key: str, asked: str, targets: Sequence[str]) -> tuple[str, ...]:
    """After a run: note what was left; if all were asked for, drop those that nothing stands behind."""
    stray = [each for each in _ours(out) if "/" in each and each not in targets] if asked == _ALL else []
    removed = _removed(out, stray)
    for path in (out / STUDIES).glob("*.json"):
        path.unlink()
    left = {**_left(out, run_key), asked: {target: key_in(out / target) for target in targets}}
    state = {"run": run_key, "asked": left}
    write_whole(out / _STATE, json.dumps(state, indent=1, sort_keys=True) + "\n")
    return removed
