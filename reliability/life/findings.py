"""Settle what each finding says before ages come in: implied rows, repeated rows, order."""

import numpy as np
import pandas as pd

from reliability.errors import unknown

JOB_COLUMNS = (
    "job", "family", "built_from", "built_to", "taken_in", "ended_by", "ended_why", "origin",
)  # fmt: skip
FINDING_COLUMNS = (
    "job", "component", "position", "found", "original", "fitted_from", "fitted_to", "arose",
    "failed_from", "failed_to",
)  # fmt: skip
KEY = ["unit", "component", "position"]


def settled_findings(jobs: pd.DataFrame, findings: pd.DataFrame) -> tuple[pd.DataFrame, pd.Series]:
    """Complete the findings by what the end of a job implies.

    The component that ended a job counts as failed. If no finding of it in that job says so, the
    worst of its findings as received is taken as failed; if there is none, a row is added. Where the
    part died on the bench, its findings as received stand and an added row says "during work".

    Parameters
    ----------
    jobs, findings : DataFrame
        Tables of the ledger.

    Returns
    -------
    rows : DataFrame
        The columns of the findings; `unit` (position of the job in `jobs`); `repeated`, true for a
        part that died on the bench and has a row as received as well. Sorted by job, component,
        position.
    assumed : Series of int
        How many rows were added or changed, by assumption.

    Raises
    ------
    InvalidInput
        If a finding belongs to a job that is not in `jobs`.
    """
    unit = pd.Index(jobs["job"]).get_indexer(pd.Index(findings["job"]))
    if (unit < 0).any():
        lost = findings["job"].iloc[int(np.argmax(unit < 0))]
        raise unknown("A finding belongs to a job that is not listed:", lost, jobs["job"])
    rows = findings[list(FINDING_COLUMNS)].assign(unit=unit)
    ended = _ended(jobs, rows)
    changed = _worst_received(rows, ended[ended["n_failed"].eq(0) & ~ended["on_bench"]])
    rows["found"] = rows["found"].mask(rows.index.isin(changed), "failed")
    implied = _implied(ended[ended["n_rows"].eq(0)])
    if len(implied):
        # Alike types, or a column that is empty in one part would decide the other's.
        rows = pd.concat([rows, implied.astype(rows.dtypes)], ignore_index=True)
    received = rows["arose"].ne("during work")
    order = {"received": received, "n_received": received.groupby([rows[k] for k in KEY]).transform("sum")}
    rows["repeated"] = ~order["received"] & order["n_received"].gt(0)
    assumed = pd.Series(
        {
            "ended the job without a finding, taken as failed": len(implied),
            "ended the job against a finding, taken as failed": len(changed),
        },
        name="findings",
        dtype=np.int64,
    )
    return rows.sort_values(KEY, kind="stable", ignore_index=True), assumed


def _ended(jobs: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """One row per job that a component ended, with what its findings say of that component."""
    at = np.flatnonzero(jobs["ended_by"].notna().to_numpy())
    ended = pd.DataFrame(
        {
            "unit": at,
            "job": jobs["job"].to_numpy()[at],
            "component": jobs["ended_by"].to_numpy(dtype=object)[at],
            "on_bench": jobs["ended_why"].eq("died on the bench").to_numpy()[at],
        }
    )
    said = rows[["unit", "component"]].assign(failed=rows["found"].eq("failed"))
    told = said.groupby(["unit", "component"])["failed"].agg(n_rows="size", n_failed="sum").reset_index()
    ended = ended.merge(told, how="left", on=["unit", "component"])
    return ended.fillna({"n_rows": 0, "n_failed": 0})


def _worst_received(rows: pd.DataFrame, ended: pd.DataFrame) -> pd.Index:
    """Index of the finding that is taken as failed: worn before sound, then the first position."""
    wanted = pd.MultiIndex.from_frame(ended[["unit", "component"]])
    hit = pd.MultiIndex.from_frame(rows[["unit", "component"]]).isin(wanted)
    candidates = rows[hit & rows["arose"].ne("during work").to_numpy()]
    ranked = candidates.assign(rank=candidates["found"].map({"worn": 0, "sound": 1}))
    ranked = ranked.sort_values(["unit", "component", "rank", "position"], kind="stable")
    return ranked.index[~ranked.duplicated(["unit", "component"])]


def _implied(ended: pd.DataFrame) -> pd.DataFrame:
    size = len(ended)
    empty_dates = pd.Series(pd.NaT, index=ended.index, dtype="datetime64[ns]")
    return pd.DataFrame(
        {
            "job": ended["job"],
            "component": ended["component"],
            "position": "",
            "found": "failed",
            "original": pd.Series([None] * size, index=ended.index, dtype=object),
            "fitted_from": np.nan,
            "fitted_to": np.nan,
            "arose": np.where(ended["on_bench"], "during work", "as received"),
            "failed_from": empty_dates,
            "failed_to": empty_dates,
            "unit": ended["unit"],
        },
        columns=[*FINDING_COLUMNS, "unit"],
    )
