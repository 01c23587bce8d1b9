"""Whether a ledger is still the one that something was worked out from."""

import json
from hashlib import sha256
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger


def ledger_mark(ledger: "Ledger") -> str:
    """Give a mark that changes with every write, without reading the records.

    Every write adds to the history, and nothing is ever taken out of it: its length and its last
    entry tell one state of a ledger from every other.

    Parameters
    ----------
    ledger : Ledger
        An open ledger.

    Returns
    -------
    str
        64 hexadecimal digits.
    """
    # Loaded here: the command line reads this module's neighbours before it needs a database.
    from sqlalchemy import func, select

    from reliability.records.schema import HISTORY, VERSION

    columns = HISTORY.c
    last = select(columns.entry, columns.key, columns.written_at).order_by(columns.entry.desc()).limit(1)
    with ledger.reading() as connection:
        made = connection.execute(select(VERSION.c.version, VERSION.c.made_at)).one()
        count = connection.execute(select(func.count(columns.entry))).scalar_one()
        newest = connection.execute(last).first()
    state = [ledger.name, *made, count, *(newest or ())]
    return sha256(json.dumps(state).encode()).hexdigest()
