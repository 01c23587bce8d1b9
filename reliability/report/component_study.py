"""What the page of one component shows: every family that has it, compared at today's age."""

import numpy as np
import pandas as pd

from reliability.report import words
from reliability.report.family_study import up
from reliability.report.groundwork import FAILED, NEEDS_WORK, Groundwork
from reliability.report.own_lives import OwnLives
from reliability.report.study import Study, coarse, rounded

_POINTS = 31
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
    families = _families(ground, own, component)
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


def _families(ground: Groundwork, own: OwnLives, component: str) -> pd.DataFrame:
    """Families that have the component, the likeliest to have failed first."""
    names = [each for each in ground.family_pages if component in ground.components_of(each)]
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


def _summary(component: str, families: pd.DataFrame) -> str:
    """Say where the component is worst and where it is best."""
    worst, best = families.iloc[0], families.iloc[-1]
    said = f"By today the {component} has failed in {words.share(worst.failed)} of units of {worst.family}"
    if len(families) == 1:
        return f"{said}."
    return f"{said}, in {words.share(best.failed)} of {best.family}."


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
