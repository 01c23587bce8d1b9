"""Where spread work is done: here, in processes, or on a cluster."""

import multiprocessing
import warnings
from collections.abc import Iterator
from concurrent.futures import BrokenExecutor, Executor, ProcessPoolExecutor
from contextlib import contextmanager
from importlib import import_module
from typing import Any

from reliability.errors import BenchoddsError, InvalidInput

LOCAL = "local"
_SECONDS_TO_CONNECT = 10
# Its own page on its work: without an address it would insist on one port, and warn where that is taken.
_ANY_PORT = "127.0.0.1:0"


@contextmanager
def executor_for(cluster: str | None, processes: int) -> Iterator[Executor | None]:
    """Give an executor for as long as the work takes.

    Parameters
    ----------
    cluster : str or None
        Address of a scheduler of dask.distributed, or "local" to start one with a worker for each core.
    processes : int
        Without a cluster: how many processes; 1 for this one.

    Yields
    ------
    Executor or None

    Raises
    ------
    InvalidInput
        If the library for clusters is missing, the address is none, or nothing answers there.
    BenchoddsError
        If the processes or workers died of the work.
    """
    try:
        if cluster is not None:
            with _client(cluster) as client:
                yield client.get_executor()
        elif processes > 1:
            # Started afresh: a copy of a process that has threads may hang.
            with ProcessPoolExecutor(processes, multiprocessing.get_context("spawn")) as executor:
                yield executor
        else:
            yield None
    except Exception as error:
        # A cluster's own word for it can only be named where its library is there.
        if isinstance(error, BrokenExecutor) or type(error).__name__ == "KilledWorker":
            raise BenchoddsError(
                "The processes that did the work were ended from outside, perhaps for want of memory. "
                "Nothing was written; use fewer of them, or ones with more memory."
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
