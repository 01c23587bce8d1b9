"""How far a run has come: a bar on a terminal, one plain line per page elsewhere."""

import sys
from typing import TextIO

_WIDTH = 24


class Progress:
    """Tell how many pages are done.

    Parameters
    ----------
    total : int
        Pages to make.
    stream : text stream, optional
        Where to tell it; standard error if not given.
    is_shown : bool
        False keeps quiet.
    """

    def __init__(self, total: int, *, stream: TextIO | None = None, is_shown: bool = True) -> None:
        self._total = total
        self._done = 0
        self._stream = stream if stream is not None else sys.stderr
        self._is_shown = is_shown and total > 0
        self._is_bar = self._stream.isatty()

    def say(self, line: str) -> None:
        """Tell something that is no page, on a line of its own."""
        if self._is_shown:
            self._write(f"\r\033[K{line}\n" if self._is_bar else f"{line}\n")

    def step(self, page: str, *, failed: bool = False) -> None:
        """Count one page as done."""
        self._done += 1
        if not self._is_shown:
            return
        remark = " failed" if failed else ""
        if not self._is_bar:
            self._write(f"{self._done:>{len(str(self._total))}}/{self._total} {page}{remark}\n")
            return
        filled = _WIDTH * self._done // self._total
        bar = "█" * filled + "·" * (_WIDTH - filled)
        end = "\n" if self._done == self._total else ""
        self._write(f"\r\033[K{bar} {self._done}/{self._total} {page}{remark}{end}")

    def _write(self, piece: str) -> None:
        self._stream.write(piece)
        self._stream.flush()
