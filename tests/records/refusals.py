import pytest

from reliability.errors import InvalidInput
from reliability.records.tables import TABLES


def everything(ledger):
    return {name: ledger.rows(name) for name in TABLES}


def grave(ledger):
    return [str(problem) for problem in ledger.check() if problem.grave]


def refused(action, *given, **how):
    """Give the error that something ends in."""
    with pytest.raises(InvalidInput) as caught:
        action(*given, **how)
    return caught.value
