"""Where spread work is done: here, in processes, or on a cluster whose workers were asked what they have."""

import multiprocessing
import sys
import warnings
from collections.abc import Iterator
from concurrent.futures import CancelledError, Executor, ProcessPoolExecutor
from contextlib import contextmanager
from functools import cache
from hashlib import sha256
from importlib import import_module
from importlib.metadata import version
from pathlib import Path
from typing import Any

from reliability.errors import ENDED, BenchoddsError, InvalidInput, is_end_of_process
from reliability.records.files import digest

PACKAGE = Path(__file__).parent
LOCAL = "local"
_SECONDS_TO_CONNECT = 10
# Its own page on its work: without an address it would insist on one port, and warn where that is taken.
_ANY_PORT = "127.0.0.1:0"

CLUSTER_HELP = f"tcp://HOST:PORT of a dask scheduler whose workers run the same code, or {LOCAL}."


@contextmanager
def executor_for(
    cluster: str | None, processes: int, *, left: str = "Nothing was written"
) -> Iterator[Executor | None]:
    """Give an executor for as long as the work takes."""
    try:
        if cluster is not None:
            with _client(cluster) as client:
                check_workers(client, cluster)
                # Not pure: a page is a file, and what is remembered of it may be somebody else's by now.
                yield client.get_executor(pure=False)
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
        # Nobody here cancels work: the library does where its scheduler is lost.
        if cluster is not None and isinstance(error, CancelledError):
            raise BenchoddsError(
                f"The scheduler of {cluster} is gone. {left}; start it again, then this command."
            ) from None
        raise


def _client(cluster: str) -> Any:
    """Connect to a cluster; one that is started here ends with its client."""
    try:
        distributed = import_module("distributed")
    except ModuleNotFoundError:
        raise InvalidInput(
            "--cluster needs dask.distributed, which is not installed. Install the extra `scale`: "
            "pip install 'benchodds[scale]'."
        ) from None
    if cluster != LOCAL and "://" not in cluster:
        raise InvalidInput(
            f"--cluster {cluster!r} is no address; give tcp://HOST:PORT of a scheduler, or {LOCAL} to start "
            "one."
        )
    # A component of ten thousand families weighs more than the ten megabytes that are warned of.
    warnings.filterwarnings("ignore", message="Sending large graph")
    if cluster == LOCAL:
        return distributed.Client(threads_per_worker=1, dashboard_address=_ANY_PORT)
    try:
        return distributed.Client(cluster, timeout=_SECONDS_TO_CONNECT)
    except (OSError, ValueError) as error:
        raise InvalidInput(f"No scheduler answers at {cluster}: {error}") from None


# What the workers of a cluster must have in common with this process, asked before they get any work.


# Those that could move a digit or a line of a picture from one version to the next.
_LIBRARIES = ("jinja2", "matplotlib", "nbconvert", "numpy", "pandas", "papermill", "scipy")


@cache
def code_here() -> str:
    """Give a checksum of what computes in this process.

    Kept from the first call on: a process that goes on computes with the code that it loaded, whatever
    became of the files since.
    """
    libraries = [sys.version, *(f"{each} {version(each)}" for each in _LIBRARIES)]
    code = digest(PACKAGE, "**/*.py", "report/templates/**/*")
    return sha256("\0".join([code, *libraries]).encode()).hexdigest()


def check_workers(client: Any, cluster: str) -> None:
    """Ask all workers whether they run what this process runs; all else that they need is sent to them."""
    try:
        client.wait_for_workers(1, timeout=_SECONDS_TO_CONNECT)
    except TimeoutError:
        raise InvalidInput(
            f"The scheduler at {cluster} has no worker yet. Start some from this checkout: "
            f"dask worker {cluster} --nthreads 1."
        ) from None
    mine, told = code_here(), client.run(code_here, on_error="return")
    if others := sum(said != mine for said in told.values()):
        raise InvalidInput(
            f"{others} of {len(told)} workers of {cluster} cannot do this work: each must run the same code "
            "with the same libraries. Nothing was written. Start them from this checkout, and anew when it "
            "has changed."
        )
