"""Withdrawn jobs in a package: given out, no jobs, and so in no table of it. Its descriptor names them."""

from collections.abc import Collection, Sequence
from pathlib import Path

from sqlalchemy import Connection, select

from reliability.records import store
from reliability.records.descriptor import DESCRIPTOR, WITHDRAWN, read_json
from reliability.records.faults import Fault
from reliability.records.numbering import number_fault
from reliability.records.schema import HISTORY


def withdrawn_in(folder: Path) -> tuple[tuple[str, ...], list[Fault]]:
    """Read the numbers of withdrawn jobs from the descriptor of a package.

    Parameters
    ----------
    folder : Path
        The package; without a descriptor it names none.

    Returns
    -------
    tuple of str, list of Fault
        The numbers, and what is wrong with them. A descriptor that cannot be read at all is a fault of
        the package and found elsewhere.
    """
    try:
        content = read_json(folder / DESCRIPTOR)
    except (OSError, ValueError):
        return (), []
    numbers = content.get(WITHDRAWN, []) if isinstance(content, dict) else []
    if not isinstance(numbers, list) or not all(isinstance(number, str) for number in numbers):
        return (), [
            Fault(DESCRIPTOR, "", f"{WITHDRAWN} is not a list of job numbers, each in quotation marks")
        ]
    faults = [Fault(DESCRIPTOR, "", f"{WITHDRAWN}: {fault}") for fault in map(number_fault, numbers) if fault]
    return tuple(numbers), faults


def withdrawal_faults(numbers: Sequence[str], jobs: Collection[str]) -> list[Fault]:
    """Complain of withdrawn numbers that belong to a job after all."""
    return [
        Fault(DESCRIPTOR, "", f"{WITHDRAWN}: there is a job {number}; withdraw it, or take the number out")
        for number in numbers
        if number in jobs
    ]


def note_withdrawals(connection: Connection, numbers: Sequence[str], reason: str) -> None:
    """Keep in the history that numbers were given out and withdrawn, where it does not know them yet."""
    entries = HISTORY.c
    query = select(entries.key).where(entries.what == "jobs", entries.key.in_(numbers))
    known = set(connection.execute(query).scalars())
    for number in numbers:
        if number not in known:
            store.keep_version(connection, "jobs", number, reason, None)
