"""One kernel for all the pages that a process makes: starting one costs more than showing a page.

Before each notebook it is emptied, so that no page sees what another one left behind; after a failure it
is given up.
"""

import os
from multiprocessing.util import Finalize
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jupyter_client.manager import AsyncKernelManager

_NAME = "python3"
_LONGEST_START_SECONDS = 120
_held: list["_Running"] = []


class _Running:
    """A running kernel and the private folder through which it is spoken to."""

    def __init__(self, folder: Path) -> None:
        from jupyter_client.manager import AsyncKernelManager
        from jupyter_core.utils import run_sync

        self.manager = AsyncKernelManager(kernel_name=_NAME)
        self._folder = TemporaryDirectory()
        if os.name == "posix":
            # Sockets in a folder of this user alone, where the system has them, instead of open ports.
            self.manager.transport = "ipc"
            self.manager.ip = f"{self._folder.name}/kernel"
        run_sync(self.manager.start_kernel)(cwd=str(folder))

    def empty(self) -> None:
        """Forget every name that a notebook left."""
        from jupyter_core.utils import run_sync

        client = self.manager.client()
        client.start_channels()
        try:
            run_sync(client.wait_for_ready)(timeout=_LONGEST_START_SECONDS)
            run_sync(client.execute_interactive)(
                "%reset -f", silent=True, store_history=False, output_hook=lambda _: None
            )
        finally:
            client.stop_channels()

    def stop(self) -> None:
        """End the kernel and take its folder away."""
        from jupyter_core.utils import run_sync

        run_sync(self.manager.shutdown_kernel)(now=True)
        self._folder.cleanup()


def fresh_kernel(folder: Path) -> "AsyncKernelManager":
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
