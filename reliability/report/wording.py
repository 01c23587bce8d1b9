"""Rows of the ledger in words: a window of years, what was found, which signs were seen."""

import pandas as pd

from reliability.report import words


def window(first: float, last: float) -> str:
    """Say a window of production years, ``1979`` or ``1979 to 1984``; empty if nothing is known.

    Examples
    --------
    >>> window(1979, 1984), window(1979, 1979), window(float("nan"), 1984)
    ('1979 to 1984', '1979', 'until 1984')
    """
    ends = [f"{each:.0f}" if words.is_known(each) else "" for each in (float(first), float(last))]
    if all(ends):
        return ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"
    return f"from {ends[0]}" if ends[0] else (f"until {ends[1]}" if ends[1] else "")


def found_by_job(findings: pd.DataFrame) -> dict[str, str]:
    """Say for each job what was found: failed parts first, then worn ones, then how many were sound.

    Parameters
    ----------
    findings : DataFrame
        The documented table.

    Returns
    -------
    dict
        Job -> text such as ``belt failed, replaced; gear worn; 6 sound``.
    """
    parts: dict[str, list[str]] = {job: [] for job in sorted(findings["job"].unique())}
    for found in ("failed", "worn"):
        for row in findings[findings["found"] == found].itertuples():
            parts[row.job].append(_part(row))
    for job, sound in findings.loc[findings["found"] == "sound", "job"].value_counts().items():
        parts[str(job)].append(f"{sound} sound")
    return {job: "; ".join(said) for job, said in parts.items()}


def _part(row: object) -> str:
    place = f" ({row.position})" if row.position else ""  # type: ignore[attr-defined]
    action = row.action  # type: ignore[attr-defined]
    done = f", {action}" if words.is_known(action) and action != "none" else ""
    late = " during work" if row.arose == "during work" else ""  # type: ignore[attr-defined]
    return f"{row.component}{place} {row.found}{late}{done}"  # type: ignore[attr-defined]


def signs_by_job(signs: pd.DataFrame) -> dict[str, str]:
    """Say for each job which signs were seen, or that somebody looked and saw none.

    Parameters
    ----------
    signs : DataFrame
        The documented table.

    Returns
    -------
    dict
        Job -> text such as ``rust, hum`` or ``none seen``; jobs at which nobody looked are missing.
    """
    said = {}
    for job, rows in signs.groupby("job", sort=True):
        said[str(job)] = ", ".join(rows.sign[rows.seen == "yes"]) or "none seen"
    return said
