"""`lives --archive`: lives of the findings of many benches."""

from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING

from reliability.commands.shared import counted, note

if TYPE_CHECKING:
    import pandas as pd


def lives_of_archives(
    folders: Collection[Path],
    *,
    event: str,
    components: Collection[str],
    intervals: bool,
    cluster: str | None,
    processes: int,
) -> "pd.DataFrame":
    """Read archives, count their findings, fit and pool them.

    Parameters
    ----------
    folders : collection of Path
        Archives.
    event : {"failed", "needs work"}
        What ends a life.
    components : collection of str
        Only these; all if it is empty.
    intervals : bool
        Whether to give the intervals of a family's own estimates.
    cluster, processes
        As in `executor_for`.

    Returns
    -------
    DataFrame
        As `lives_table` gives of a ledger, without cohorts.

    Raises
    ------
    InvalidInput
        If an archive cannot be read, or none of its findings says anything of lives.
    """
    from reliability.commands.executors import executor_for
    from reliability.errors import InvalidInput, unknown
    from reliability.life.spread import count_all, lives_of_counts
    from reliability.records.archive_parts import open_archives
    from reliability.report.lives_table import LIVES_COLUMNS
    from reliability.worth.lives import worst_findings

    parts = open_archives(folders)
    with executor_for(cluster, processes) as executor:
        counts = count_all(parts, event=event, worst=worst_findings, executor=executor)
        left_out = {reason: n for reason, n in counts.left_out.items() if n}
        if not counts.n_findings:
            raise InvalidInput(
                f"No finding of these archives tells anything about lives ({_listed(left_out)})."
            )
        for name in components:
            if name not in counts.components:
                raise unknown("No records of component", name, counts.components)
        note(f"{counted(counts.n_findings, 'finding')} counted from {counted(len(folders), 'archive')}"
             + (f"; left out: {_listed(left_out)}" if left_out else ""))  # fmt: skip
        table = lives_of_counts(counts, components=components, intervals=intervals, executor=executor)
    return table.reindex(columns=list(LIVES_COLUMNS))


def _listed(reasons: dict[str, int]) -> str:
    return ", ".join(f"{reason}: {n}" for reason, n in reasons.items())
