"""What an audit finds."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong with a ledger, or worth a second look.

    Attributes
    ----------
    grave : bool
        Whether a rule is broken. Otherwise the rows are allowed but doubtful.
    topic : str
        What kind of problem it is, the same words for all of that kind.
    rows : tuple of str
        The rows it is about, such as ``job 12`` or ``job 12, belt``.
    message : str
        What was found, and what to do.
    """

    grave: bool
    topic: str
    rows: tuple[str, ...]
    message: str

    def __str__(self) -> str:
        where = f" [{', '.join(self.rows)}]" if self.rows else ""
        # Bytes of a damaged text that are no letters are shown as such.
        return f"{self.topic}: {self.message}{where}".encode("utf-8", "backslashreplace").decode()


def broken(topic: str, message: str, *rows: str) -> Problem:
    """Make the problem of a rule that is broken."""
    return Problem(True, topic, rows, message)


def doubtful(topic: str, message: str, *rows: str) -> Problem:
    """Make the problem of rows that are allowed but doubtful."""
    return Problem(False, topic, rows, message)
