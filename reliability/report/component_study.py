"""What the page of one component shows: every family that has it, compared at today's age."""

import numpy as np
import pandas as pd

from reliability.report import format
from reliability.report.family_study import up
from reliability.report.groundwork import FAILED, NEEDS_WORK, Groundwork
from reliability.report.own_lives import OwnLives
from reliability.report.study import Study, coarse, rounded

_POINTS = 31
FOUND = ("sound", "worn", "failed")
_OWN = (
    "n_failed",
    "n_sound",
    "b10_years",
    "b10_low",
    "b10_high",
    "b50_years",
    "b50_low",
    "b50_high",
    "fit_says",
)


def component_study(ground: Groundwork, own: OwnLives, component: str) -> Study:
    """Gather the page of one component.

    Parameters
    ----------
    ground : Groundwork
        Everything fitted.
    own : OwnLives
        Fits to each family's own records, for "failed".
    component : str
        A component that was examined at least once.

    Returns
    -------
    Study
        For the notebook ``component``.
    """
    names = [each for each in ground.family_pages if component in ground.components_of(each)]
    if not names:
        return _bare_study(ground, component)
    families = _families(ground, own, component, names)
    facts = {
        "summary": _summary(component, families),
        "currency": ground.currency,
        "year_findings": _year_findings(ground, component),
    }
    marks = own.marks[own.marks["component"] == component].drop(columns="component")
    tables = {
        "families": families,
        "model": _model(ground, own, component, list(families["family"])),
        "steps": _steps(own, component, list(families["family"])),
        "marks": marks.reset_index(drop=True),
    }
    return Study("component", component, facts, tables)


def _families(ground: Groundwork, own: OwnLives, component: str, names: list[str]) -> pd.DataFrame:
    """Families that are judged by the component, the likeliest to have failed first."""
    frame = pd.DataFrame({"family": names})
    for event, column in ((NEEDS_WORK, "needs_work"), (FAILED, "failed")):
        shares = ground.pooled_today(event, component, names)
        for name, values in zip((column, f"{column}_low", f"{column}_high"), shares, strict=True):
            frame[name] = values
    frame["age_years"] = np.round([ground.usual_age(each) for each in names])
    frame["page"] = up(frame["family"].map(ground.family_pages))
    seen = own.summary[own.summary["component"] == component].set_index("family")[list(_OWN)]
    frame = frame.join(seen, on="family")
    frame["fit_says"] = [own.says(component, each) for each in names]
    for name in ("n_failed", "n_sound"):
        frame[name] = pd.to_numeric(frame[name]).fillna(0)
    frame["records"] = frame["n_failed"] + frame["n_sound"]
    chances = [f"{name}{end}" for name in ("needs_work", "failed") for end in ("", "_low", "_high")]
    ordered = frame.sort_values(["failed", "family"], ascending=[False, True], ignore_index=True)
    return coarse(ordered, *chances)


def _model(ground: Groundwork, own: OwnLives, component: str, families: list[str]) -> pd.DataFrame:
    """Pooled curves with their bands, one per family, for a usual unit's production year."""
    ages = np.linspace(0.0, own.last_age(families), _POINTS)
    family = np.repeat(np.array(families, dtype=object), _POINTS)
    kind = np.array([ground.entry(each).kind for each in family], dtype=object)
    year = np.array([ground.usual_year(each) for each in family])
    age = np.tile(ages, len(families))
    pooled = ground.pooled[FAILED]
    years = year if pooled.has_years else None
    failed, low, high = pooled.failed_by(component, family, age, year=years, kind=kind)
    frame = pd.DataFrame({"family": family, "age_years": age, "failed": failed, "low": low, "high": high})
    return rounded(frame, age_years=2, failed=2, low=2, high=2)


def _steps(own: OwnLives, component: str, families: list[str]) -> pd.DataFrame:
    parts = [own.steps(component, each).assign(family=each) for each in families]
    return pd.concat(parts, ignore_index=True)


def _bare_study(ground: Groundwork, component: str) -> Study:
    """Count what was found of a component by which no family is judged."""
    counts = _counts(ground, component)
    jobs, failed = int(counts["jobs"].sum()), int(counts["failed"].sum())
    named = (
        f"in {format.counted(jobs, 'job')} of this bench, as failed in {failed}" if jobs else "elsewhere only"
    )
    says = (
        f"The {component} is named {named}. That is too little for any family to be judged by it: here are "
        "counts, and no odds."
    )
    return Study("component", component, {"summary": says}, {"families": pd.DataFrame(), "counts": counts})


def _counts(ground: Groundwork, component: str) -> pd.DataFrame:
    """Count this bench's jobs that name the component, by family; one that ended a job had failed."""
    jobs = ground.records.jobs
    jobs = jobs[jobs["origin"].isna()].set_index("job")
    findings = ground.records.findings
    findings = findings[(findings["component"] == component) & findings["job"].isin(jobs.index)]
    found = findings["found"].to_numpy()
    told = pd.DataFrame({"job": findings["job"], **{each: found == each for each in FOUND}})
    by_job = told.groupby("job")[list(FOUND)].any()
    ended = jobs.index[jobs["ended_by"] == component]
    by_job = by_job.reindex(by_job.index.union(ended), fill_value=False)
    by_job["ended"] = by_job.index.isin(ended)
    by_job["failed"] |= by_job["ended"]
    by_job.insert(0, "jobs", 1)
    frame = by_job.groupby(jobs["family"].reindex(by_job.index).to_numpy()).sum().astype(int)
    frame = frame.rename_axis("family").reset_index()
    return frame.assign(page=up(frame["family"].map(ground.family_pages)))


def _summary(component: str, families: pd.DataFrame) -> str:
    """Say where the component is worst and where it is best."""
    worst, best = families.iloc[0], families.iloc[-1]
    said = f"By today the {component} has failed in {format.share(worst.failed)} of units of {worst.family}"
    if len(families) == 1:
        return f"{said}."
    return f"{said}, in {format.share(best.failed)} of {best.family}."


def _year_findings(ground: Groundwork, component: str) -> list[str]:
    """Say how lives have changed with the production year."""
    pooled = ground.pooled[FAILED]
    if component not in pooled.components or not pooled.has_years:
        return []
    mean, sd = pooled.year_slope(component)
    low, middle, high = (np.expm1(mean + z * sd) for z in (-1.645, 0.0, 1.645))
    if low < 0 < high:
        turn = "It cannot be told whether later units last longer or shorter"
    else:
        turn = "Later units last longer" if middle > 0 else "Later units last shorter"
    return [
        f"{turn}: ten years later, lives are {_percent(middle)} ({_percent(low)} to {_percent(high)}, "
        "90\u00a0% interval). All units were inspected within a few years, so age and year of production "
        "move together."
    ]


def _percent(change: float) -> str:
    return f"{100 * change:+.0f} %".replace("-", "−").replace(" ", "\u00a0")
