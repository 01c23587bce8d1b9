"""Where spread work is done: here, in processes, or on a cluster."""

import multiprocessing
import warnings
from collections.abc import Callable, Collection, Iterator
from concurrent.futures import CancelledError, Executor, ProcessPoolExecutor
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from threading import Event, Thread
from typing import Any, TypeVar

import click

from reliability.errors import ENDED, BenchoddsError, InvalidInput, is_end_of_process

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
    from reliability.commands.workers import check_workers

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
