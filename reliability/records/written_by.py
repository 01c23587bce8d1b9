"""What the ledger said of its jobs on a day, out of the versions that it keeps.

A job that was written down by that day is taken as it was written then, whatever was corrected, finished
or withdrawn since. One that was written down only later is taken as it stands: it may have been entered
long after it happened.
"""

import datetime
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, and_, func, select

from reliability.records.checks import JobDocument
from reliability.records.reading import document_in_entry
from reliability.records.schema import HISTORY
from reliability.records.tables import TABLES

Columns = Sequence[Sequence[Any]]


def end_of(day: datetime.date) -> str:
    """Word the end of a day so that every time of writing within it sorts before."""
    return f"{day.isoformat()}T~"


def changed_since(connection: Connection, day: datetime.date) -> dict[str, int]:
    """Find the jobs that were written by the end of a day and again later.

    Parameters
    ----------
    connection : Connection
        A reading transaction.
    day : date
        The last day that counts, in UTC.

    Returns
    -------
    dict of str to int
        The version that stood at the end of that day, by job.
    """
    entries = HISTORY.c
    jobs = entries.what == "jobs"
    later = select(entries.key).where(jobs, entries.written_at > end_of(day))
    query = select(entries.key, func.max(entries.version))
    query = query.where(jobs, entries.written_at <= end_of(day), entries.key.in_(later))
    return {key: version for key, version in connection.execute(query.group_by(entries.key))}


def jobs_written_by(
    connection: Connection, day: datetime.date, exponent: int
) -> dict[str, JobDocument | None]:
    """Read those jobs as they were written then; None where a job was withdrawn by then.

    Parameters
    ----------
    connection, day
        As for `changed_since`.
    exponent : int
        Decimals of the ledger's currency.

    Returns
    -------
    dict of str to JobDocument or None
        By job.
    """
    entries = HISTORY.c
    found: dict[str, JobDocument | None] = {}
    for job, version in changed_since(connection, day).items():
        same = and_(entries.what == "jobs", entries.key == job, entries.version == version)
        entry = connection.execute(select(HISTORY).where(same)).one()
        found[job] = None if entry.content is None else document_in_entry(entry, exponent)
    return found


def taken_back(name: str, columns: Columns, jobs: Mapping[str, JobDocument | None]) -> Columns:
    """Put the rows of some jobs in place of those that the columns of a table hold.

    Parameters
    ----------
    name : str
        The table.
    columns : list of sequences
        Its current content, one sequence per column; amounts in whole currency.
    jobs : mapping of str to JobDocument or None
        What is to stand there instead; None: nothing.

    Returns
    -------
    list of lists
        The columns anew.
    """
    table = TABLES[name]
    if not jobs or "job" not in table.names:
        return columns
    kept = [row for row, job in enumerate(columns[table.names.index("job")]) if job not in jobs]
    added = [{**row, "job": job} for job, document in jobs.items() if document is not None
             for row in ([document["job"]] if name == "jobs" else document[name])]  # fmt: skip
    return [
        [*(values[row] for row in kept), *(row[column] for row in added)]
        for column, values in zip(table.names, columns, strict=True)
    ]
