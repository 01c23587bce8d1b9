"""What the first page and the page of the whole fleet show."""

import datetime
from typing import Any

import numpy as np
import pandas as pd

from reliability.report import format
from reliability.report.forecast_study import forecast_findings, forecast_groups
from reliability.report.format import found_by_job
from reliability.report.groundwork import FAILED, MONTH_DAYS, NEEDS_WORK, Groundwork
from reliability.report.study import Study, coarse, lowered, rounded
from reliability.worth.appraiser import COUNTED
from reliability.worth.judging import gaps_notes

_NEWEST = 10
_VERDICTS = {"take": "to take", "haggle": "to haggle over", "try one": "to try one of", "skip": "to skip"}


def index_study(ground: Groundwork) -> Study:
    """Gather the first page: verdicts at a glance, the newest jobs, links to all pages.

    Parameters
    ----------
    ground : Groundwork
        Everything fitted.

    Returns
    -------
    Study
        For the notebook ``index``.
    """
    facts = {
        "summary": _summary(ground),
        "basis": (
            "At the price this bench usually paid, for a unit at which nobody has looked yet. The chance "
            "of a repair is this bench's own: it depends on what its owner buys and when they give up."
            + "".join(f" {note[:1].upper()}{note[1:]}." for note in gaps_notes(ground.appraiser.tally))
        ),
        "currency": ground.currency,
        "ledger": ground.fingerprint,
        "since": _since(ground).isoformat(),
        "as_of": ground.as_of.isoformat(),
        "card": ground.card,
    }
    tables = {
        "families": _families(ground),
        "components": _components(ground),
        "changed": _changed(ground),
        "newest": _newest(ground),
    }
    return Study("index", "", facts, tables)


def fleet_study(ground: Groundwork) -> Study:
    """Gather the page of the fleet: ranking, prices, what is likely to be broken, what the records hold.

    Parameters
    ----------
    ground : Groundwork
        Everything fitted.

    Returns
    -------
    Study
        For the notebook ``fleet``.
    """
    facts = {
        "summary": _summary(ground),
        "currency": ground.currency,
        "records_say": _records_say(ground),
        "forecast_findings": forecast_findings(ground.calibration),
    }
    tables = {
        "families": _families(ground),
        "components": _components(ground),
        "cells": _cells(ground),
        "years": _years(ground),
        "forecasts": forecast_groups(ground.calibration),
    }
    return Study("fleet", "", facts, tables)


def _summary(ground: Groundwork) -> str:
    """Say how many families fall under each verdict."""
    counts = ground.ranking["verdict"].value_counts()
    said = [f"{counts[verdict]} {phrase}" for verdict, phrase in _VERDICTS.items() if counts.get(verdict, 0)]
    families = format.counted(len(ground.ranking), "family", "families")
    jobs = format.counted(ground.appraiser.tally.jobs_finished, "finished job")
    verdicts = f": {format.listed(said)}" if said else ", none with a verdict yet"
    return f"{families.capitalize()}{verdicts}. {jobs.capitalize()} of this bench stand behind it."


def _families(ground: Groundwork) -> pd.DataFrame:
    frame = ground.ranking.assign(page=ground.ranking["family"].map(ground.family_pages))
    frame["hours"] = frame["hours"].round(1)
    money = {"usual_price": 0, "expected_gain": 0}
    shares = {"success_chance": 2, "success_low": 2, "success_high": 2, "chance_of_loss": 2}
    return rounded(lowered(frame, "ceiling"), **money, **shares)


def _components(ground: Groundwork) -> pd.DataFrame:
    return pd.DataFrame(
        {"component": list(ground.component_pages), "page": list(ground.component_pages.values())}
    )


def _newest(ground: Groundwork) -> pd.DataFrame:
    """List the jobs of this bench that were closed last."""
    jobs = ground.records.jobs
    done = jobs[jobs["origin"].isna() & jobs["closed"].notna()]
    last = done.sort_values(["closed", "job"], ascending=False).head(_NEWEST)
    found = found_by_job(ground.records.findings[ground.records.findings["job"].isin(last["job"])])
    frame = pd.DataFrame(
        {
            "job": last["job"],
            "closed": last["closed"].dt.strftime("%Y-%m-%d"),
            "family": last["family"],
            "page": last["family"].map(ground.family_pages),
            "outcome": last["outcome"],
            "found": last["job"].map(found),
            "bought_for": last["bought_for"],
            "sold_for": last["sold_for"],
        }
    )
    return rounded(frame.reset_index(drop=True), bought_for=0, sold_for=0)


def _since(ground: Groundwork) -> datetime.date:
    return ground.as_of - datetime.timedelta(days=MONTH_DAYS)


def _changed(ground: Groundwork) -> pd.DataFrame:
    """Families with new jobs or another verdict than a month ago."""
    jobs = ground.records.jobs
    new = jobs[jobs["origin"].isna() & (jobs["closed"] > pd.Timestamp(_since(ground)))]
    names = new.groupby("family")["job"].agg(lambda some: format.listed(sorted(some)))
    before = ground.a_month_ago[["family", "verdict", "ceiling"]]
    before = before.rename(columns={"verdict": "before", "ceiling": "ceiling_before"})
    frame = ground.ranking[["family", "verdict", "ceiling"]].merge(before, on="family", how="left")
    frame["jobs"] = frame["family"].map(names)
    frame["page"] = frame["family"].map(ground.family_pages)
    moved = frame["jobs"].notna() | (frame["verdict"].ne(frame["before"]) & frame["before"].notna())
    return lowered(frame[moved].reset_index(drop=True), "ceiling", "ceiling_before")


def _cells(ground: Groundwork) -> pd.DataFrame:
    """Give the probabilities of both events for every family and each of its components, today."""
    pairs = [
        (family, component)
        for family in ground.family_pages
        for component in ground.components_of(family)
        if component in ground.component_pages
    ]
    frame = pd.DataFrame(pairs, columns=["family", "component"])
    if frame.empty:
        return frame.assign(needs_work=0.0, failed=0.0, records=0.0)
    frame["needs_work"] = ground.pooled_today(NEEDS_WORK, frame["component"], frame["family"])[0]
    frame["failed"] = ground.pooled_today(FAILED, frame["component"], frame["family"])[0]
    own = ground.own[FAILED].table.drop_duplicates("record").value_counts(["family", "component"])
    frame["records"] = (
        own.reindex(pd.MultiIndex.from_frame(frame[["family", "component"]])).fillna(0).to_numpy()
    )
    return coarse(frame, "needs_work", "failed")


def _years(ground: Groundwork) -> pd.DataFrame:
    """Count finished jobs of this bench by year and outcome."""
    jobs = ground.records.jobs
    done = jobs[jobs["origin"].isna() & jobs["closed"].notna()]
    counts = pd.crosstab(done["closed"].dt.year.astype(int), done["outcome"])
    frame = pd.DataFrame({"year": counts.index.astype(str), "jobs": counts.sum(axis=1).to_numpy()})
    for outcome in ("repaired", "donor", "scrapped", "sold as is"):
        frame[outcome.replace(" ", "_")] = (
            counts[outcome].to_numpy() if outcome in counts else np.zeros(len(counts))
        )
    return frame


def _records_say(ground: Groundwork) -> list[str]:
    tally: Any = ground.appraiser.tally
    said = [
        f"{format.counted(tally.repaired, 'job')} of {tally.jobs_finished} finished ones "
        "ended with a repair.",
        f"{format.counted(tally.jobs_open, 'job')} still open: counted as unfinished, by their age.",
    ]
    if tally.jobs_missing:
        gaps = "number is" if tally.jobs_missing == 1 else "numbers are"
        counted = "jobs that nobody wrote up; they are weighed in"
        left_out = "not counted, as the page of the ledger says"
        said.append(
            f"{tally.jobs_missing} job {gaps} missing: {counted if tally.gaps == COUNTED else left_out}."
        )
    if tally.jobs_imported:
        said.append(
            f"{format.counted(tally.jobs_imported, 'job')} from elsewhere, at a discount in the pooled rates "
            "only."
        )
    return said
