"""`check`: verify a ledger and name what is doubtful in it."""

import datetime
from typing import TYPE_CHECKING

from reliability.errors import LedgerError
from reliability.records import doubts, money_doubts, store, verify
from reliability.records.opening import tolerant
from reliability.records.problems import Problem
from reliability.records.reading import CLOCKS_APART

if TYPE_CHECKING:
    from reliability.records.reading import LedgerReader

__all__ = ["Problem", "check_ledger"]

#: What is doubtful, in the order in which it is told.
AUDITS = (
    doubts.long_open,
    doubts.mixed_numbers,
    doubts.too_rosy,
    doubts.without_findings,
    doubts.odd_years,
    doubts.model_of_another_family,
    money_doubts.far_prices,
    money_doubts.parts_against_jobs,
    money_doubts.odd_repairs,
    money_doubts.like_names,
)


def check_ledger(ledger: "LedgerReader", *, today: datetime.date | None = None) -> list[Problem]:
    """Verify a ledger, then audit it.

    Parameters
    ----------
    ledger : LedgerReader
        An open ledger.
    today : datetime.date, optional
        The day after which a date lies in the future; the clock's otherwise.

    Returns
    -------
    list of Problem
        Grave ones first: damage, broken rules and references, a history or numbering that does
        not fit. If there are any, nothing else is looked for: it could not be trusted.
    """
    found = _file_problems(ledger)
    if any(problem.topic == "damaged file" for problem in found):
        return found
    with ledger.reading() as connection, tolerant(connection):
        exponent = store.exponent_in(connection)
        rows = verify.all_rows(connection, exponent)
        found += verify.rule_problems(rows, exponent)
        found += verify.history_problems(connection, rows, exponent)
        found += verify.number_problems(connection, rows["jobs"])
        if found:
            return found
        withdrawn = store.withdrawn_numbers(connection)
        found = verify.clock_problems(connection, CLOCKS_APART)
    stated = {row["setting"]: str(row["value"]) for row in rows["settings"]}
    found += doubts.number_gaps(rows, withdrawn, stated.get("count_gaps"))
    for audit in AUDITS:
        found += audit(rows)
    return found + doubts.future_dates(rows, today or datetime.date.today())


def _file_problems(ledger: "LedgerReader") -> list[Problem]:
    found: list[Problem] = []
    try:
        with ledger.reading() as connection:
            found += verify.file_problems(connection)
    except LedgerError:
        # A damaged file cannot even end a transaction; what was found tells more.
        if not found:
            raise
    return found
