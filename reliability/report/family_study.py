"""What the page of one family shows, gathered from the rooms below and rounded to what is seen."""

from typing import Any

import numpy as np
import pandas as pd

from reliability.report import format
from reliability.report.comeback_study import comeback_curve, comeback_words, family_comebacks
from reliability.report.forecast_study import forecast_words
from reliability.report.format import found_by_job, signs_by_job, window
from reliability.report.groundwork import FAILED, NEEDS_WORK, Groundwork
from reliability.report.own_lives import OwnLives
from reliability.report.plan_study import plan_study
from reliability.report.study import Study, coarse, rounded, whole_limit
from reliability.report.year_study import year_findings, year_tables
from reliability.worth.judging import standing_notes
from reliability.worth.review import explain

OUTCOMES = ("repaired", "sold as is", "donor", "scrapped", "open")
_NUMBERS = ("usual_price", "expected_gain")
_SHARES = ("success_chance", "success_low", "success_high", "chance_of_loss")


def family_study(ground: Groundwork, own: OwnLives, family: str) -> Study:
    """Gather the page of one family.

    Parameters
    ----------
    ground : Groundwork
        Everything fitted.
    own : OwnLives
        Fits to each family's own records, for "failed".
    family : str
        A family of the ledger.

    Returns
    -------
    Study
        For the notebook ``family``.
    """
    jobs = _jobs(ground, family)
    plan = plan_study(ground, family)
    lives = _lives(ground, own, family)
    drawn = lives.loc[lives["is_drawn"].astype(bool), "component"]
    back = family_comebacks(ground, family)
    gains = ground.gains[ground.gains["family"] == family]
    facts = {
        **answer_facts(ground, family),
        "age_years": _whole(ground.usual_age(family)),
        "jobs_says": _jobs_say(jobs),
        "plan_says": plan.says,
        "plan_notes": plan.notes,
        "gain_finding": _gain_finding(gains, ground.currency),
        "money_says": (
            "Half of the jobs lie above each number and half below it. Missing amounts stand at their "
            "predicted value."
        ),
        "comeback_says": comeback_words(back),
        "year_findings": year_findings(ground, family),
        "forecast_says": forecast_words(ground.calibration, family),
        "basis": _basis(ground, family),
    }
    tables = {
        "parts": _parts(ground, family),
        "plan": plan.table,
        "lives": lives,
        "steps": _stacked(own, family, drawn),
        "model": own.model(family),
        "marks": _of(own.marks, family, drawn),
        **year_tables(ground, family, ground.ranking.set_index("family").loc[family, "chief_risk"]),
        "endings": _endings(ground, family),
        "money": _money(gains),
        "gains": rounded(gains[["outcome", "gain"]], gain=0),
        "comebacks": comeback_curve(back),
        "jobs": jobs,
    }
    return Study("family", family, facts, tables)


def _basis(ground: Groundwork, family: str) -> list[str]:
    """Say what the odds take from the records and what from belief, with the weight of each."""
    shared, entry = ground.appraiser.shared, ground.appraiser.families[family]
    appraisal = explain(ground.appraiser, family=family).appraisal
    chain, told = float(appraisal.states.success.mean()), float(appraisal.success.mean())
    jobs = ground.records.jobs
    own = jobs[(jobs["family"] == family) & jobs["origin"].isna() & (jobs["outcome"] != "open")]
    examined = int(own["job"].isin(ground.records.findings["job"]).sum())
    weight = round(shared.chain_weight, 2)
    return [
        f"By its components alone, {format.share(chain)} would be repaired: so much "
        f"their lives and the parts "
        f"that can be had promise. The outcomes of this bench make that {format.share(told)}.",
        f"Outcomes let the components count with a weight of {weight:.2f}: 1 is as promised, 0 not at all. "
        f"{examined} of {format.counted(len(own), 'finished job')} say what was found.",
        f"Its own outcomes decide {format.share(entry.own_weight)} of what sets this family apart; the rest "
        "comes from its kind, its maker and the whole bench.",
        "Belief fills what no record tells: what is usual for such parts, and what the trade says.",
    ]


def answer_facts(ground: Groundwork, family: str) -> dict[str, Any]:
    """Give what the repair tag at the head of the page says."""
    row = ground.ranking.set_index("family").loc[family]
    about = ground.records.families.set_index("family").loc[family]
    facts: dict[str, Any] = {name: _whole(row[name]) for name in _NUMBERS}
    facts |= {name: _hundredths(row[name]) for name in _SHARES}
    facts["asked"] = facts.pop("usual_price")
    facts["ceiling"] = facts["haggle_to"] = None
    if pd.notna(row["ceiling"]):
        # Prices to go up to are never rounded up. Below nothing the page says no number, so that none may
        # make it again.
        ceiling = max(float(row["ceiling"]), 0.0)
        facts["ceiling"] = whole_limit(ceiling)
        facts["haggle_to"] = whole_limit(ceiling * (1.0 + ground.appraiser.terms.haggle_room))
    entry, tally = ground.appraiser.families[family], ground.appraiser.tally
    return {
        **facts,
        "is_founded": entry.kind_jobs > 0,
        "verdict": row["verdict"],
        "chief_risk": row["chief_risk"],
        "rival_risk": row["rival_risk"],
        "remarks": [f"{note[:1].upper()}{note[1:]}." for note in standing_notes(entry, tally)],
        "evidence": row["evidence"],
        "jobs_seen": int(row["jobs_seen"]),
        "currency": ground.currency,
        "kind": about["kind"],
        "maker": about["maker"],
        "built": window(about["first_year"], about["last_year"]),
        "note": about["notes"],
    }


def _parts(ground: Groundwork, family: str) -> pd.DataFrame:
    """Components, the chief risk first, with both events at the age of a usual unit."""
    frame = explain(ground.appraiser, family=family).components
    for event, name in ((NEEDS_WORK, "needs_work"), (FAILED, "failed")):
        shares = ground.pooled_today(event, frame["component"], family)
        for column, values in zip((name, f"{name}_low", f"{name}_high"), shares, strict=True):
            frame[column] = values
    frame["records"] = [ground.pooled[FAILED].n_records(each, family) for each in frame["component"]]
    frame["page"] = up(frame["component"].map(ground.component_pages))
    frame["hours"] = frame["hours"].round(1)
    chances = [f"{name}{end}" for name in ("needs_work", "failed") for end in ("", "_low", "_high")]
    return coarse(rounded(frame, part_cost=0, records=0), *chances, "repairable", "ends_job")


def _lives(ground: Groundwork, own: OwnLives, family: str) -> pd.DataFrame:
    """Own lives of each component, with what the page says under its picture."""
    frame = own.summary[own.summary["family"] == family].drop(columns=["stratum", "family"])
    today = own.today
    age = format.years(_whole(ground.usual_age(family)))
    said = []
    for row in frame.itertuples():
        share = today.get((row.component, family), np.nan)
        known = (
            f"At today's usual age, {age}, {format.share(round(share, 2))} have failed."
            if share == share
            else ""
        )
        said.append(known or row.fit_says)
    frame["fit_says"] = [own.says(each, family) for each in frame["component"]]
    frame = frame.assign(says=said, page=up(frame["component"].map(ground.component_pages)))
    return frame.reset_index(drop=True)


def _stacked(own: OwnLives, family: str, components: pd.Series) -> pd.DataFrame:
    parts = [own.steps(each, family).assign(component=each) for each in components]
    empty = pd.DataFrame({"component": [], "age_years": [], "failed": []})
    return pd.concat(parts, ignore_index=True) if parts else empty


def _of(frame: pd.DataFrame, family: str, components: pd.Series) -> pd.DataFrame:
    here = (frame["family"] == family) & frame["component"].isin(list(components))
    return frame[here].drop(columns="family").reset_index(drop=True)


def _endings(ground: Groundwork, family: str) -> pd.DataFrame:
    """Count the jobs that ended without a repair, by what ended them and why."""
    jobs = ground.records.jobs
    ended = jobs[(jobs["family"] == family) & ~jobs["outcome"].isin(["repaired", "open"])]
    filled = ended.assign(
        ended_by=ended["ended_by"].fillna("not written down"),
        ended_why=ended["ended_why"].fillna("not written down"),
    )
    rows = [
        {
            "ended_by": by,
            "ended_why": why,
            "jobs": len(some),
            "outcomes": format.listed(
                [f"{n} {each}" for each, n in some["outcome"].value_counts().sort_index().items()]
            ),
        }
        for (by, why), some in filled.groupby(["ended_by", "ended_why"], sort=True)
    ]
    frame = pd.DataFrame(rows, columns=["ended_by", "ended_why", "jobs", "outcomes"])
    return frame.sort_values(
        ["jobs", "ended_by", "ended_why"], ascending=[False, True, True], ignore_index=True
    )


def _money(gains: pd.DataFrame) -> pd.DataFrame:
    """Give the middle job of each outcome: what it cost, took and brought."""
    costs = gains.assign(costs=gains["part_costs"] + gains["other_costs"] + gains["comeback_costs"])
    columns = ["bought_for", "costs", "hours", "brought", "gain"]
    grouped = costs.groupby("outcome")
    frame = (
        grouped[columns]
        .median()
        .assign(jobs=grouped.size())
        .reindex([each for each in OUTCOMES if each in grouped.groups])
    )
    frame["hours"] = frame["hours"].round(1)
    return rounded(frame.rename_axis("outcome").reset_index(), bought_for=0, costs=0, brought=0, gain=0)


def _gain_finding(gains: pd.DataFrame, currency: str) -> str:
    """Say the middle gain of each outcome."""
    middle = gains.groupby("outcome")["gain"].median()
    said = [f"{format.money(middle[each], currency)} for {each}" for each in OUTCOMES if each in middle.index]
    return f"Middle gain: {format.listed(said)}." if said else ""


def _jobs(ground: Groundwork, family: str) -> pd.DataFrame:
    """List the family's jobs of this bench, the newest first."""
    jobs = ground.records.jobs
    here = jobs[(jobs["family"] == family) & jobs["origin"].isna()].iloc[::-1]
    findings = ground.records.findings
    found = found_by_job(findings[findings["job"].isin(here["job"])])
    signs = ground.records.signs
    seen = signs_by_job(signs[signs["job"].isin(here["job"])])
    gain = ground.gains.set_index("job")
    frame = pd.DataFrame(
        {
            "job": here["job"],
            "taken_in": here["taken_in"].dt.strftime("%Y-%m-%d"),
            "built": [window(*ends) for ends in zip(here["built_from"], here["built_to"], strict=True)],
            "outcome": here["outcome"],
            "found": here["job"].map(found),
            "signs": here["job"].map(seen),
            "bought_for": here["bought_for"],
            "hours": here["hours"].round(1),
            "sold_for": here["sold_for"],
            "gain": here["job"].map(gain["gain"]),
            "predicted": here["job"].map(gain["predicted"]),
        }
    )
    return rounded(frame.reset_index(drop=True), bought_for=0, sold_for=0, gain=0)


def _jobs_say(jobs: pd.DataFrame) -> str:
    is_open = jobs["outcome"] == "open"
    said = f"{format.counted(int((~is_open).sum()), 'finished job').capitalize()}, {int(is_open.sum())} open."
    return f"{said} Where an amount was not written down, the gain rests on its predicted value and says so."


def up(pages: pd.Series) -> pd.Series:
    """Give the address of pages as seen from inside a folder; None where there is none."""
    return pages.map(lambda page: f"../{page}" if isinstance(page, str) else None)


def _whole(value: float) -> float | None:
    return None if np.isnan(value) else float(np.round(value)) + 0.0


def _hundredths(value: float) -> float | None:
    return None if np.isnan(value) else float(np.round(value, 2))
