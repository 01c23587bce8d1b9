"""Units taken in and sheets written up, after everything has been checked beside the ledger.

Both the command line and the form of a notebook come this way, so that they ask for the same
and say the same.
"""

import datetime
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from reliability.errors import BenchoddsError, LedgerError
from reliability.records.beside import IN_A_SHEET, Ready, check_sheets
from reliability.records.checks import JobDocument
from reliability.records.faults import refuse
from reliability.records.job_sheet import JobSheet
from reliability.records.names import Names
from reliability.records.values import clean_text

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger

AT_INTAKE = '--new-family --kind "tape deck"'


@dataclass(frozen=True)
class Written:
    """One job as it went into the ledger.

    Parameters
    ----------
    source : str
        The sheet, or "intake".
    job, family, outcome : str
        What was written.
    notes : tuple of str
        What was assumed, and what is new to the ledger.
    """

    source: str
    job: str
    family: str
    outcome: str
    notes: tuple[str, ...] = ()


def write_up(
    ledger: "Ledger",
    sheets: Sequence[JobSheet],
    *,
    today: datetime.date,
    new_components: Iterable[str] = (),
    unreadable: Iterable[str] = (),
    how_to_add: str = IN_A_SHEET,
) -> list[Written]:
    """Write sheets into the ledger, each in one transaction, once all of them have passed every check.

    Parameters
    ----------
    ledger : Ledger
        Open for writing.
    sheets, today, new_components, unreadable, how_to_add
        As for `check_sheets`.

    Returns
    -------
    list of Written
        In the order of the sheets.

    Raises
    ------
    InvalidInput
        With every fault of every sheet; nothing is written then.
    LedgerError
        If the ledger fails after some sheets; they are named.
    """
    new = {clean_text(name) for name in new_components}
    written: list[Written] = []
    checked = check_sheets(
        ledger, sheets, today=today, new_components=new, unreadable=unreadable, how_to_add=how_to_add
    )
    for ready in checked:
        written.append(_write(ledger, ready, new, written))
    return written


def _write(ledger: "Ledger", ready: Ready, new: set[str], before: Sequence[Written]) -> Written:
    families = [ready.sheet.new_family] if ready.sheet.new_family else []
    try:
        number = ledger.add(ready.document, new_families=families, new_components=new, new_model=True,
                            is_new=not ready.finishes)  # fmt: skip
    except BenchoddsError as error:
        if not before:
            raise
        done = "; ".join(f"{each.source} as job {each.job}" for each in before)
        raise LedgerError(f"{ready.sheet.source}: {error}\nWritten before that: {done}.") from None
    return Written(ready.sheet.source, number, ready.family, ready.outcome, tuple(ready.notes))


def check_unit(
    ledger: "Ledger | None",
    document: JobDocument,
    new_family: Mapping[str, Any] | None = None,
    *,
    how_to_add: str = AT_INTAKE,
) -> list[str]:
    """Check a unit that comes in, beside a ledger or beside none where it is still to be made.

    Parameters
    ----------
    ledger : Ledger or None
        What it is to be written into.
    document : JobDocument
        Family, day and what is known so far.
    new_family : mapping, optional
        Columns of a family that the ledger does not know yet.
    how_to_add : str
        How a new family is described where the unit is written down.

    Returns
    -------
    list of str
        What is new to the ledger.

    Raises
    ------
    InvalidInput
        With every fault.
    """
    names = Names.of(ledger)
    described = names.new_family(new_family, "new family") if new_family else []
    whole = {**document, "job": {"outcome": "open", **_composed(document["job"])}}
    refuse([*described, *names.faults(whole, how_to_add)])
    return names.news(document)


def take_in(
    ledger: "Ledger",
    document: JobDocument,
    *,
    new_family: Mapping[str, Any] | None = None,
    how_to_add: str = AT_INTAKE,
) -> Written:
    """Take a unit in under the next number.

    Parameters
    ----------
    ledger : Ledger
        Open for writing.
    document, new_family, how_to_add
        As for `check_unit`.

    Returns
    -------
    Written
        With the number.

    Raises
    ------
    InvalidInput
        With every fault; nothing is written then.
    """
    document = {**document, "job": _composed(document["job"])}
    new_family = _composed(new_family) if new_family else None
    notes = check_unit(ledger, document, new_family, how_to_add=how_to_add)
    notes += filter(None, [ledger.clock_doubt()])
    number = ledger.intake(document, new_families=[new_family] if new_family else [], new_model=True)
    return Written("intake", number, str(document["job"]["family"]), "open", tuple(notes))


def _composed(row: Mapping[str, Any]) -> dict[str, Any]:
    """Join accents to their letters, as the ledger keeps every text."""
    return {name: clean_text(value) if isinstance(value, str) else value for name, value in row.items()}
