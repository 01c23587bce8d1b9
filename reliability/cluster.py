"""Where spread work is done: here, in processes, or on a cluster whose workers were asked what they have."""

import multiprocessing
import sys
import warnings
from collections.abc import Callable, Collection, Iterator, Mapping
from concurrent.futures import CancelledError, Executor, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from hashlib import sha256
from importlib import import_module
from importlib.metadata import version
from pathlib import Path
from secrets import token_hex
from tempfile import TemporaryFile
from threading import Event, Thread
from typing import Any, TypeVar

import click

from reliability.errors import ENDED, BenchoddsError, InvalidInput, is_end_of_process
from reliability.records.files import digest
from reliability.terminal import written_to

# Where spread work is done: here, in processes, or on a cluster.


PACKAGE = Path(__file__).parent
LOCAL = "local"
_SECONDS_TO_CONNECT = 10
_SECONDS_WITHOUT_WORKERS = 60
_SECONDS_BETWEEN_LOOKS = 1.0
# Its own page on its work: without an address it would insist on one port, and warn where that is taken.
_ANY_PORT = "127.0.0.1:0"

Command = TypeVar("Command", bound=Callable[..., Any])


def cluster_option(when: str = "") -> Callable[[Command], Command]:
    """Give the option `--cluster`.

    Parameters
    ----------
    when : str
        Put before the help, where it goes with some other option only.
    """
    return click.option(
        "--cluster",
        metavar="ADDRESS",
        help=f"{when}tcp://HOST:PORT of a dask scheduler whose workers see the same folders and run the "
        f"same checkout, or {LOCAL}.",
    )


@contextmanager
def executor_for(
    cluster: str | None,
    processes: int,
    *,
    files: Collection[Path] = (),
    folder: Path | None = None,
    left: str = "Nothing was written",
) -> Iterator[Executor | None]:
    """Give an executor for as long as the work takes.

    Parameters
    ----------
    cluster : str or None
        Address of a scheduler of dask.distributed, or "local" to start one with a worker for each core.
    processes : int
        Without a cluster: how many processes; 1 for this one.
    files : collection of Path
        What a cluster's workers will read.
    folder : Path, optional
        Where they will write.
    left : str
        Begins a sentence: what is there if the work breaks off.

    Yields
    ------
    Executor or None

    Raises
    ------
    InvalidInput
        If the library for clusters is missing, the address is none, nothing answers there, or its workers
        lack something that the work needs.
    BenchoddsError
        If the processes or workers died of the work, or all of them are gone.
    """
    gone = Event()
    try:
        if cluster is not None:
            with _client(cluster) as client:
                _check(client, cluster, files, folder)
                # Not pure: a page is a file, and what is remembered of it may be somebody else's by now.
                executor = client.get_executor(pure=False)
                with _watched(client, executor, gone):
                    yield executor
        elif processes > 1:
            # Started afresh: a copy of a process that has threads may hang.
            with ProcessPoolExecutor(processes, multiprocessing.get_context("spawn")) as executor:
                yield executor
        else:
            yield None
    except Exception as error:
        if is_end_of_process(error):
            raise BenchoddsError(
                f"The processes that did the work were {ENDED}. {left}; use fewer of them, or ones with more "
                "memory."
            ) from None
        # Nobody here cancels work: the library does where its scheduler is lost, and the watch below.
        if cluster is not None and (gone.is_set() or isinstance(error, CancelledError)):
            raise BenchoddsError(
                f"The scheduler of {cluster}, or the last of its workers, is gone. {left}; start them again, "
                "then this command."
            ) from None
        raise


@contextmanager
def _client(cluster: str) -> Iterator[Any]:
    try:
        distributed = import_module("distributed")
    except ModuleNotFoundError:
        raise InvalidInput(
            "--cluster needs dask.distributed, which is not installed. Install the extra `cluster`: "
            "pip install 'benchodds[cluster]'."
        ) from None
    if cluster != LOCAL and "://" not in cluster:
        raise InvalidInput(
            f"--cluster {cluster!r} is no address; give tcp://HOST:PORT of a scheduler, or {LOCAL} to start "
            "one."
        )
    with warnings.catch_warnings():
        # A component of ten thousand families weighs more than the ten megabytes that are warned of.
        warnings.filterwarnings("ignore", message="Sending large graph")
        if cluster == LOCAL:
            with (
                distributed.LocalCluster(threads_per_worker=1, dashboard_address=_ANY_PORT) as started,
                distributed.Client(started) as client,
            ):
                yield client
            return
        try:
            client = distributed.Client(cluster, timeout=_SECONDS_TO_CONNECT)
        except (OSError, ValueError) as error:
            raise InvalidInput(f"No scheduler answers at {cluster}: {error}") from None
        with client:
            yield client


def _check(client: Any, cluster: str, files: Collection[Path], folder: Path | None) -> None:

    try:
        client.wait_for_workers(1, timeout=_SECONDS_TO_CONNECT)
    except TimeoutError:
        raise InvalidInput(
            f"The scheduler at {cluster} has no worker yet. Start some from this checkout: "
            f"dask worker {cluster} --nthreads 1."
        ) from None
    check_workers(client, cluster, files, folder)


@contextmanager
def _watched(client: Any, executor: Executor, gone: Event) -> Iterator[None]:
    """Break the work off where no worker is left for long: the library would wait without end."""
    is_done = Event()

    def look() -> None:
        seconds = 0.0
        while not is_done.wait(_SECONDS_BETWEEN_LOOKS):
            try:
                seconds = 0.0 if client.nthreads() else seconds + _SECONDS_BETWEEN_LOOKS
            except Exception:  # the scheduler is lost, too: all that it was to do has been cancelled
                return
            if seconds >= _SECONDS_WITHOUT_WORKERS:
                gone.set()
                executor.shutdown(wait=False)
                return

    watch = Thread(target=look, name="workers", daemon=True)
    watch.start()
    try:
        yield
    finally:
        is_done.set()
        watch.join()


# What the workers of a cluster must have in common with this process, asked before they get any work.


# Those that could move a digit or a line of a picture from one version to the next.
_LIBRARIES = ("jinja2", "matplotlib", "nbconvert", "numpy", "pandas", "papermill", "scipy")


@dataclass(frozen=True)
class Common:
    """What every worker must find as it is here.

    Parameters
    ----------
    code : str
        Checkout, Python and libraries, as `code_here` tells them.
    files : mapping of Path to str
        Absolute path -> SHA-256 of the content.
    folder : Path or None
        Absolute path of the folder that workers write to.
    probe : str
        Name of a file that was put there a moment ago.
    """

    code: str
    files: Mapping[Path, str]
    folder: Path | None = None
    probe: str = ""

    def faults(self) -> list[str]:
        """Tell what differs where this runs; one text for each, none if all is well."""
        said = [] if code_here() == self.code else ["runs another checkout, or other libraries"]
        for path, content in self.files.items():
            try:
                is_same = sha256(path.read_bytes()).hexdigest() == content
            except OSError:
                is_same = False
            if not is_same:
                said.append(f"does not see {path} as it is here")
        return said + self._faults_of_folder()

    def _faults_of_folder(self) -> list[str]:
        if self.folder is None:
            return []
        if not (self.folder / self.probe).exists():
            return [f"does not see the folder {self.folder} of this machine"]
        try:
            with TemporaryFile(dir=self.folder):
                return []
        except OSError as error:
            return [f"cannot write to {self.folder} ({error.strerror or error})"]


@cache
def code_here() -> str:
    """Give a checksum of what computes in this process.

    Kept from the first call on: a process that goes on computes with the code that it loaded, whatever
    became of the files since.
    """
    libraries = [sys.version, *(f"{each} {version(each)}" for each in _LIBRARIES)]
    code = digest(PACKAGE, "**/*.py", "report/templates/**/*")
    return sha256("\0".join([code, *libraries]).encode()).hexdigest()


def check_workers(client: Any, cluster: str, files: Collection[Path], folder: Path | None) -> None:
    """Ask all workers whether they see and run what this process sees and runs.

    Parameters
    ----------
    client : distributed.Client
    cluster : str
        Its address, for the message.
    files : collection of Path
        What they will read. One that is missing here is left to whoever reads it.
    folder : Path or None
        Where they will write; made if it is not there.

    Raises
    ------
    InvalidInput
        If a worker does not; one line for each, with its address.
    """
    contents = {path.absolute(): sha256(path.read_bytes()).hexdigest() for path in files if path.is_file()}
    with _probed(folder) as probe:
        common = Common(code_here(), contents, folder and folder.absolute(), probe)
        told = client.run(common.faults, on_error="return")
    faults = [f"{worker}: {_worded(said)}" for worker, said in sorted(told.items()) if said]
    if faults:
        raise InvalidInput(
            f"{len(faults)} of {len(told)} workers of {cluster} cannot do this work: each must see the same "
            "folders at the same paths and run the same checkout. Nothing was written. Mount the folders "
            "there, too, or start these workers from this checkout, and anew when it has changed.",
            faults,
        )


def _worded(said: list[str] | Exception) -> str:
    # An answer that its worker could not even load comes back as a bare one, with the cause as its text.
    if isinstance(said, Exception):
        return f"could not be asked: {said if type(said) is Exception else repr(said)}"
    return "; ".join(said)


@contextmanager
def _probed(folder: Path | None) -> Iterator[str]:
    """Put a file of a new name into the folder: only who sees this very folder can find it."""
    if folder is None:
        yield ""
        return
    probe = folder / f".seen-{token_hex(8)}"
    with written_to(folder):
        folder.mkdir(parents=True, exist_ok=True)
        probe.touch()
    try:
        yield probe.name
    finally:
        probe.unlink()
