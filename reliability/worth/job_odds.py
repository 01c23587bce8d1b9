"""Odds of a repair by the components alone: of the jobs that were, and of a family's typical unit."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.life.findings import age_at, decimal_year
from reliability.worth.appraisal import assumed_years
from reliability.worth.batch_odds import repair_chances
from reliability.worth.bench import Bench
from reliability.worth.odds import FamilyLives, Shared, log_odds, unit_states
from reliability.worth.repairability import Repairability
from reliability.worth.slots import Slot
from reliability.worth.supply import ordinals

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


def ages_by_family(bench: Bench, slots: list[Slot]) -> dict[int, JobAges]:
    """Ages of all finished jobs, family by family (by position); a job without a year may be of any.

    It is given the years that an offer without one is given.
    """
    if bench.jobs.empty:
        return {}
    undated = np.setdiff1d(np.arange(len(bench.jobs)), bench.ages["at"])
    rows = [bench.ages[["at", "year", "weight", "age_years"]]]
    for at, family_at, day in zip(
        undated, bench.jobs["family_at"].iloc[undated], bench.jobs["taken_in"].iloc[undated], strict=True
    ):
        slot = slots[family_at]
        years = assumed_years(slot.first_year, slot.last_year, slot.mean_year, day.year)
        ages = age_at(np.full(years.size, day.to_datetime64()), years)
        rows.append(pd.DataFrame({"at": at, "year": years, "weight": 1.0 / years.size, "age_years": ages}))
    table = pd.concat(rows, ignore_index=True)
    table = table.assign(family_at=bench.jobs["family_at"].to_numpy()[table["at"]])
    groups = {}
    for family_at, rows in table.groupby("family_at", sort=True):
        at, unit = np.unique(rows["at"].to_numpy(np.int64), return_inverse=True)
        columns = (rows[name].to_numpy(float) for name in ("age_years", "year", "weight"))
        groups[int(family_at)] = JobAges(at, unit, *columns)
    return groups


def mean_ages(ages: Mapping[int, JobAges], n_jobs: int) -> Floats:
    """Mean age of each job's unit; ndarray, shape (n_jobs,)."""
    mean = np.zeros(n_jobs)
    for of in ages.values():
        np.add.at(mean, of.at[of.unit], of.weight * of.age)
    return mean


def chain_log_odds(
    bench: Bench,
    lives: list[FamilyLives],
    mending: Repairability,
    shared: Shared,
    ages: Mapping[int, JobAges],
) -> Floats:
    """Log odds of a repair of every finished job by its components, with the parts of its time.

    Parameters
    ----------
    bench : Bench
    lives : list of FamilyLives
        By family.
    mending : Repairability
    shared : Shared
    ages : mapping of int to JobAges

    Returns
    -------
    ndarray, shape (n_jobs,)
    """
    chain = np.full(len(bench.jobs), np.nan)
    for family_at, of in ages.items():
        family, closed = lives[family_at], ordinals(bench.jobs["closed"].iloc[of.at])
        repair = mending.of(bench.families[family_at], family_at, family.components, closed)
        signs = bench.sign_values[of.at]
        chance = repair_chances(family, shared, of.unit, of.age, of.year, of.weight, signs, repair)
        chain[of.at] = log_odds(chance)
    return chain


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
