"""`lives --archive` and `lives --counted`: lives of more findings than fit in memory at once."""

from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING

from reliability.commands.shared import Bench, counted, note

if TYPE_CHECKING:
    from concurrent.futures import Executor

    import pandas as pd

    from reliability.life.bulk import Counts


def counted_lives(
    bench: Bench,
    folders: Collection[Path],
    *,
    event: str,
    components: Collection[str],
    intervals: bool,
    cluster: str | None,
    processes: int,
) -> "pd.DataFrame":
    """Count the findings of archives, or of the ledger by its database; fit and pool them.

    Parameters
    ----------
    bench : Bench
        Whose ledger is counted if there is no folder.
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
        If an archive cannot be read, or none of the findings says anything of lives.
    """
    from reliability.commands.executors import executor_for
    from reliability.errors import InvalidInput, unknown
    from reliability.life.bulk import lives_of_counts
    from reliability.records.package import DESCRIPTOR
    from reliability.report.lives_table import LIVES_COLUMNS

    files = [folder.resolve() / DESCRIPTOR for folder in folders]
    with executor_for(cluster, processes, files=files) as executor:
        counts, origin = _counted(bench, folders, event, executor)
        left_out = ", ".join(f"{reason}: {n}" for reason, n in counts.left_out.items() if n)
        if not counts.n_findings:
            raise InvalidInput(f"No finding of {origin} tells anything about lives ({left_out}).")
        for name in components:
            if name not in counts.components:
                raise unknown("No records of component", name, counts.components)
        said = f"; left out: {left_out}" if left_out else ""
        note(f"{counted(counts.n_findings, 'finding')} counted from {origin}{said}")
        table = lives_of_counts(counts, components=components, intervals=intervals, executor=executor)
    return table.reindex(columns=list(LIVES_COLUMNS))


def _counted(
    bench: Bench, folders: Collection[Path], event: str, executor: "Executor | None"
) -> tuple["Counts", str]:
    """Count, and say where the findings came from."""
    from reliability.errors import InvalidInput
    from reliability.life.bulk import add_counts, count_all, count_findings
    from reliability.worth.lives import worst_findings

    if folders:
        from reliability.records.archive import open_archives

        counts = count_all(open_archives(folders), event=event, worst=worst_findings, executor=executor)
        return counts, counted(len(folders), "archive")
    from reliability.records.archive import counted_findings

    with bench.ledger() as ledger:
        parts = [
            count_findings(batch, event=event, worst=worst_findings) for batch in counted_findings(ledger)
        ]
        if not parts:
            raise InvalidInput(f"{ledger.name} holds no finding of its own yet.")
        return add_counts(parts), ledger.name
