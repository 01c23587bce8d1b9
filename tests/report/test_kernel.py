"""The kernel that a process keeps for its pages."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jupyter_core.utils import run_sync

from reliability.report.kernel import fresh_kernel, give_up_kernel

pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning")  # sockets of the library's event loop


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Any]:
    give_up_kernel()
    yield fresh_kernel(tmp_path)
    give_up_kernel()


def connected(manager: Any) -> Any:
    client = manager.client()
    client.start_channels()
    run_sync(client.wait_for_ready)(timeout=60)
    return client


def shown(client: Any, code: str) -> list[str]:
    """Run code and give what it prints."""
    said: list[str] = []
    reply = run_sync(client.execute_interactive)(
        code, output_hook=lambda told: said.append(told["content"].get("text", "")), timeout=60
    )
    assert reply["content"]["status"] == "ok"
    return [each for each in said if each]


def test_a_page_sees_no_name_of_the_page_before(manager: Any, tmp_path: Path) -> None:
    client = connected(manager)
    shown(client, "left = 1")
    assert shown(client, "print('left' in dir())") == ["True\n"]
    again = fresh_kernel(tmp_path)
    assert again is manager
    assert not client.iopub_channel.is_alive()  # the connection of the page before has been ended
    assert shown(connected(manager), "print('left' in dir(), 'gc' in dir())") == ["False False\n"]


def test_a_connection_to_a_kernel_that_has_ended_is_refused(manager: Any) -> None:
    run_sync(manager.shutdown_kernel)(now=True)
    client = manager.client()
    client.start_channels(hb=False)
    with pytest.raises(RuntimeError, match=r"The kernel of the notebooks ended before it answered\."):
        run_sync(client.wait_for_ready)(timeout=60)


def test_a_kernel_that_keeps_silent_is_not_waited_for_without_end(manager: Any) -> None:
    client = manager.client()
    client.start_channels(hb=False)
    with pytest.raises(RuntimeError, match=r"did not answer within 0 s\."):
        run_sync(client.wait_for_ready)(timeout=0)
