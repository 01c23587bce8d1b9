"""Odds by components of the jobs that were, and of a family's typical unit, many at once."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from reliability.life.findings import age_at, decimal_year
from reliability.worth.appraisal import assumed_years
from reliability.worth.bench import Bench
from reliability.worth.lives import Slot
from reliability.worth.mending import Repairability
from reliability.worth.odds import (
    COMMON_DIMENSIONS,
    NODE_WEIGHTS,
    NODES,
    FamilyLives,
    Shared,
    component_odds,
    log_not_alone,
    log_odds,
    log_unshown,
    sign_terms,
    unit_states,
)
from reliability.worth.supply import ordinals

Floats = NDArray[np.float64]

Ints = NDArray[np.int64]


# ---- Many units of one family at once: the mean chance of a repair that `unit_states` gives one by one


ELEMENTS_AT_ONCE = 200_000
"""Draws x alternatives x components of one block of work: about what a processor keeps near by."""


def repair_chances(
    family: FamilyLives,
    shared: Shared,
    unit: Ints,
    age_years: Floats,
    year: Floats,
    weight: Floats,
    signs: Floats,
    repair: Floats,
) -> Floats:
    """Chance that no component ends the job, averaged over all states of knowledge, of many units.

    Parameters
    ----------
    unit : ndarray of int, shape (n_alternatives,)
        Which unit each alternative is one of, a position in `signs`.
    age_years, year, weight : ndarray, shape (n_alternatives,)
        Weights of a unit sum to 1.
    signs : ndarray, shape (n_units, n_signs)
        1 seen, 0 not seen, NaN nobody looked.
    repair : ndarray, shape (n_units, c, 2)
        Log odds of mending when each unit was on the bench, and their standard deviation.

    Returns
    -------
    ndarray, shape (n_units,)
        The mean of `unit_states(...).success` of each unit.

    Notes
    -----
    With odds o of having arrived failed, a chance u that a failed one shows none of the signs that stay
    away, a chance f of mending and a chance k of dying on the bench, a component shows none of them and lets
    the job go on with the chance (1 - k (1 - f) + o u f) / (1 + o).
    """
    terms = [sign_terms(of_unit, shared.sign_shows) for of_unit in signs]
    n_terms = np.array([of_unit.factor.size for of_unit in terms], np.int64)[unit]
    # One row for each term of the signs of each alternative; all terms of a unit are added up in the end.
    row = np.repeat(np.arange(unit.size), n_terms)
    term = np.arange(row.size) - np.repeat(np.cumsum(n_terms) - n_terms, n_terms)
    offset = np.cumsum([0, *(of_unit.factor.size for of_unit in terms)])
    term += offset[unit[row]]
    absent, factor = (
        np.concatenate(values) for values in zip(*((t.absent, t.factor) for t in terms), strict=True)
    )
    going, possible = np.zeros((2, len(shared.draws), len(signs)))
    for at in blocks(family, shared, row.size):
        alternative, of_term = row[at], term[at]
        log_odds = component_odds(family, shared, age_years[alternative], year[alternative])
        both = _goes_on(family, shared, log_odds, absent[of_term], repair[unit[alternative]])
        both *= weight[alternative] * factor[of_term]
        of = unit[alternative]
        for total, values in zip((going, possible), both, strict=True):
            np.add.at(total.T, of, values.T)
    # A unit without an alternative has no chance to tell; nobody asks for it.
    here = possible.max(axis=0) > 0
    return np.where(here, (going / np.where(here, possible, 1.0)).mean(axis=0), 0.0)


def blocks(family: FamilyLives, shared: Shared, n_alternatives: int) -> Iterator[slice]:
    """Split alternatives into runs that fit one block of work."""
    size = max(1, ELEMENTS_AT_ONCE // (len(shared.draws) * max(family.components.size, 1)))
    for first in range(0, n_alternatives, size):
        yield slice(first, first + size)


def _goes_on(family: FamilyLives, shared: Shared, log_odds: Floats, absent: Floats, repair: Floats) -> Floats:
    """Chance that the signs stay away and every component lets the job go on; that the signs stay away.

    ndarray, shape (2, draws, rows), averaged over storage.
    """
    c = family.components
    odds = np.exp(log_odds)
    z = shared.draws[:, COMMON_DIMENSIONS + 2 : COMMON_DIMENSIONS + 3 * c.size : 3]
    fixable = expit(repair[:, :, 0] + repair[:, :, 1] * z[:, None, :])  # (draw, row, c)
    alive = 1.0 - shared.collateral[c] * (1.0 - fixable)
    unshown = np.exp(log_unshown(shared.sign_shows[c], shared.sign_doubt, shared.draws[:, 5], absent))
    not_alone = np.exp(log_not_alone(shared.sign_alone, shared.sign_stored, NODES, absent))  # (node, row)
    chain, any_state = np.ones((2, NODES.size, *log_odds.shape[:2]))
    for i in range(c.size):
        stored = odds[:, :, i] * np.exp(shared.storage_sd * NODES)[:, None, None]
        hidden = stored * unshown[:, :, i]
        stored += 1.0
        any_state *= (1.0 + hidden) / stored
        hidden *= fixable[:, :, i]
        hidden += alive[:, :, i]
        hidden /= stored
        chain *= hidden
    by_node = NODE_WEIGHTS[:, None] * not_alone
    return np.stack([np.einsum("kr,kdr->dr", by_node, table) for table in (chain, any_state)])


# ---- Odds of a repair by the components alone: of the jobs that were, and of a family's typical unit


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
    names = ("at", "year", "weight", "age_years")
    parts = [[bench.ages[name].to_numpy() for name in names]]
    family_at = bench.jobs["family_at"].to_numpy(np.int64)
    days = bench.jobs["taken_in"].to_numpy("datetime64[D]")
    for at in undated:
        slot, day = slots[family_at[at]], days[at]
        years = assumed_years(slot.first_year, slot.last_year, slot.mean_year, day.astype(object).year)
        age = age_at(np.full(years.size, day), years)
        parts.append([np.full(years.size, at), years, np.full(years.size, 1.0 / years.size), age])
    whole = [np.concatenate(column) for column in zip(*parts, strict=True)]
    table = pd.DataFrame(dict(zip(names, whole, strict=True)))
    table = table.assign(family_at=family_at[table["at"].to_numpy(np.int64)])
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
    lives : list of FamilyLives
        By family.
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
    lives : list of FamilyLives
        By slot.
    slots : list of Slot
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
