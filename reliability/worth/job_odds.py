"""Odds of a repair by the components alone: of the jobs that were, and of a family's typical unit."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.life.findings import decimal_year
from reliability.worth.batch_odds import repair_chances
from reliability.worth.bench import Bench
from reliability.worth.odds import FamilyLives, Shared, log_odds, unit_states
from reliability.worth.repairability import Repairability
from reliability.worth.slots import Slot

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_AGE = 1 / 12


@dataclass(frozen=True)
class JobAges:
    """Alternatives of the age of a family's jobs.

    Attributes
    ----------
    at : ndarray of int, shape (n_jobs,)
        Rows of `Bench.jobs`.
    unit : ndarray of int, shape (n_alternatives,)
        Position in `at`.
    age, year, weight : ndarray, shape (n_alternatives,)
    """

    at: Ints
    unit: Ints
    age: Floats
    year: Floats
    weight: Floats


def ages_by_family(bench: Bench) -> dict[int, JobAges]:
    """Jobs with an age, family by family (by position)."""
    if bench.ages.empty:
        return {}
    table = bench.ages.assign(family_at=bench.jobs["family_at"].to_numpy()[bench.ages["at"]])
    groups = {}
    for family_at, rows in table.groupby("family_at", sort=True):
        at, unit = np.unique(rows["at"].to_numpy(np.int64), return_inverse=True)
        columns = (rows[name].to_numpy(float) for name in ("age_years", "year", "weight"))
        groups[int(family_at)] = JobAges(at, unit, *columns)
    return groups


def raw_log_odds(bench: Bench, lives: list[FamilyLives], mending: Repairability, shared: Shared) -> Floats:
    """Log odds of a repair of every finished job by its components, with the parts of its time.

    Parameters
    ----------
    bench : Bench
    lives : list of FamilyLives
        By family.
    mending : Repairability
    shared : Shared

    Returns
    -------
    ndarray, shape (n_jobs,)
    """
    raw = np.full(len(bench.jobs), np.nan)
    for family_at, ages in ages_by_family(bench).items():
        of_unit, then = _as_it_was(bench, mending, lives[family_at], ages.at)
        for i, family in enumerate(then):
            here = of_unit[ages.unit] == i
            alternatives = (ages.age[here], ages.year[here], ages.weight[here])
            chance = repair_chances(
                family, shared, ages.unit[here], *alternatives, bench.sign_values[ages.at]
            )
            raw[ages.at[of_unit == i]] = log_odds(chance[of_unit == i])
    known = ~np.isnan(raw)
    # A job without any production year says nothing of age: it is given the usual odds.
    return np.where(known, raw, raw[known].mean() if known.any() else 0.5)


def _as_it_was(
    bench: Bench, mending: Repairability, family: FamilyLives, rows: Ints
) -> tuple[Ints, list[FamilyLives]]:
    """Give each job the odds of mending with the parts that could be had when it was done.

    Which of the lives each of the jobs has, and the lives.
    """
    family_at = int(bench.jobs["family_at"].iloc[rows[0]])
    name = bench.families[family_at]
    gone = [mending.supply.gone_since(mending.components[c], name) for c in family.components]
    if all(day is None for day in gone):
        return np.zeros(rows.size, dtype=np.int64), [family]
    made: dict[tuple[bool, ...], int] = {}
    lives: list[FamilyLives] = []
    of_unit = []
    for day in bench.jobs["closed"].iloc[rows]:
        key = _had_then(gone, day)
        if key not in made:
            made[key] = len(lives)
            mean, sd = mending.of(name, family_at, family.components, day)
            lives.append(replace(family, repair=np.column_stack([mean, sd])))
        of_unit.append(made[key])
    return np.array(of_unit, dtype=np.int64), lives


def _had_then(gone: list[pd.Timestamp | None], day: pd.Timestamp) -> tuple[bool, ...]:
    return tuple(until is not None and bool(day <= until) for until in gone)


@dataclass(frozen=True)
class UsualOdds:
    """Odds of a typical unit of each slot by its components.

    Attributes
    ----------
    age_years : ndarray, shape (n_slots,)
        Mean age of the family's jobs; of its middle production year today, where there are none.
    log_odds : ndarray, shape (n_slots,)
    variance : ndarray, shape (n_slots,)
        What is not known of those log odds, from what is not known of lives and of mending.
    """

    age_years: Floats
    log_odds: Floats
    variance: Floats


def usual_log_odds(bench: Bench, lives: list[FamilyLives], shared: Shared, slots: list[Slot]) -> UsualOdds:
    """Work out a typical unit of each slot, of which no sign was looked for.

    Parameters
    ----------
    bench : Bench
    lives : list of FamilyLives
        By slot.
    shared : Shared
    slots : list of Slot

    Returns
    -------
    UsualOdds
    """
    today = float(decimal_year(np.array([bench.as_of], dtype="datetime64[D]"))[0])
    nobody_looked = np.full(len(shared.signs), np.nan)
    ages, means, variances = [], [], []
    for slot, family in zip(slots, lives, strict=True):
        unseen = np.isnan(slot.mean_age)
        age = max(today - slot.mean_year - 0.5, LEAST_AGE) if unseen else slot.mean_age
        year = np.array([slot.mean_year])
        states = unit_states(family, shared, np.array([age]), year, np.ones(1), nobody_looked)
        ages.append(age)
        means.append(float(log_odds(states.success.mean())))
        variances.append(float(log_odds(states.success).var()))
    return UsualOdds(np.array(ages), np.array(means), np.array(variances))
