"""One kernel for all the pages that a process makes: starting one costs more than showing a page.

Before each notebook it is emptied, so that no page sees what another one left behind; after a failure it
is given up.
"""

import os
import time
from multiprocessing.util import Finalize
from pathlib import Path
from queue import Empty
from tempfile import TemporaryDirectory
from typing import Any

from jupyter_client.asynchronous import AsyncKernelClient
from jupyter_client.manager import AsyncKernelManager
from jupyter_core.utils import run_sync

_NAME = "python3"
_LONGEST_START_SECONDS = 120
_ANSWER_SECONDS = 1.0
# What all pages need is loaded once, and left out of every later search for garbage.
_WARM = "import gc\nimport reliability.report.figures\ngc.collect()\ngc.freeze()"
_EMPTY = "%reset -f"
_held: list["_Running"] = []


class _Client(AsyncKernelClient):
    """A connection that is ready as soon as the kernel is heard.

    The library's own waits for a fifth of a second of silence, which for a kernel that runs already
    comes before every page.
    """

    async def wait_for_ready(self, timeout: float | None = None) -> None:
        """Wait until the kernel answers, and what it shows arrives.

        Raises
        ------
        RuntimeError
            If it does not in time, or has ended.
        """
        timeout = _LONGEST_START_SECONDS if timeout is None else timeout
        end = time.monotonic() + timeout
        while time.monotonic() < end:
            asked = self.kernel_info()
            try:
                await self._heard(asked)
                return
            except Empty:  # not there yet, or it spoke before this connection listened
                if not await self.is_alive():
                    raise RuntimeError("The kernel of the notebooks ended before it answered.") from None
        raise RuntimeError(f"The kernel of the notebooks did not answer within {timeout:g} s.")

    async def _heard(self, asked: str) -> None:
        while (await self.get_shell_msg(timeout=_ANSWER_SECONDS))["parent_header"].get("msg_id") != asked:
            pass
        while (await self.get_iopub_msg(timeout=_ANSWER_SECONDS))["parent_header"].get("msg_id") != asked:
            pass


class _Manager(AsyncKernelManager):
    """Starts the kernel, and remembers the connections that it gave away."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**given)
        self.client_factory = _Client
        self.given_away: list[Any] = []

    def client(self, **given: Any) -> Any:
        """Give a connection; it is ended with the page that it was for."""
        made = super().client(**given)
        self.given_away.append(made)
        return made

    def end_connections(self) -> None:
        """End those that are still there: whoever is lent a kernel leaves them open."""
        while self.given_away:
            self.given_away.pop().stop_channels()


class _Running:
    """A running kernel and the private folder through which it is spoken to."""

    def __init__(self, folder: Path) -> None:
        self.manager = _Manager(kernel_name=_NAME)
        self._folder = TemporaryDirectory()
        if os.name == "posix":
            # Sockets in a folder of this user alone, where the system has them, instead of open ports.
            self.manager.transport = "ipc"
            self.manager.ip = f"{self._folder.name}/kernel"
        run_sync(self.manager.start_kernel)(cwd=str(folder))
        self._run(_WARM)

    def empty(self) -> None:
        """Forget every name that a notebook left."""
        self._run(_EMPTY)

    def _run(self, code: str) -> None:
        self.manager.end_connections()
        client = self.manager.client()
        client.start_channels(stdin=False, hb=False, control=False)
        run_sync(client.wait_for_ready)(timeout=_LONGEST_START_SECONDS)
        run_sync(client.execute_interactive)(
            code, silent=True, store_history=False, output_hook=lambda _: None
        )
        self.manager.end_connections()

    def stop(self) -> None:
        """End the kernel and take its folder away."""
        self.manager.end_connections()
        run_sync(self.manager.shutdown_kernel)(now=True)
        self._folder.cleanup()


def fresh_kernel(folder: Path) -> AsyncKernelManager:
    """Give this process's kernel, started if there is none, without any name of an earlier notebook.

    Parameters
    ----------
    folder : Path
        Where a new kernel is started: the folder of the notebooks.

    Returns
    -------
    AsyncKernelManager
        Running; it ends with the process, or with `give_up_kernel`.
    """
    if not _held:
        _held.append(_Running(folder))
        # Children of a process pool run such finalizers, but not what is registered with atexit.
        Finalize(None, give_up_kernel, exitpriority=10)
    _held[0].empty()
    return _held[0].manager


def give_up_kernel() -> None:
    """End this process's kernel, if there is one."""
    while _held:
        _held.pop().stop()
