"""How a run tells how far it is."""

import io

from reliability.report.progress import Progress


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_plain_lines_where_nobody_watches() -> None:
    stream = io.StringIO()
    progress = Progress(10, stream=stream)
    progress.say("Fitting")
    progress.step("index.html")
    progress.step("fleet.html", failed=True)
    assert stream.getvalue() == "Fitting\n 1/10 index.html\n 2/10 fleet.html failed\n"


def test_a_bar_on_a_terminal() -> None:
    stream = Terminal()
    progress = Progress(2, stream=stream)
    progress.step("index.html")
    progress.step("fleet.html")
    first, second = stream.getvalue().split("\r\033[K")[1:]
    assert first == "█" * 12 + "·" * 12 + " 1/2 index.html"
    assert second == "█" * 24 + " 2/2 fleet.html\n"


def test_silence_on_request() -> None:
    stream = io.StringIO()
    Progress(2, stream=stream, is_shown=False).step("index.html")
    assert stream.getvalue() == ""
