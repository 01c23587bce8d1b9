"""What is known of one unit's components, laid out by what they have in common."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from reliability.worth.appraisal import FamilyEntry, Unit, success_draws
from reliability.worth.draws import COMMON_DIMENSIONS
from reliability.worth.odds import (
    NODES,
    Shared,
    component_odds,
    given_signs,
    unit_states,
)

Floats = NDArray[np.float64]

WIDEST_SHIFT = 12.0
"""Shifts of log odds are searched for between minus this and this."""

HALVINGS = 40


@dataclass(frozen=True)
class UnitOdds:
    """Components of one unit in every class of units that it may belong to.

    A class is a state of knowledge, a production year, a way of having been stored and a set of signs that
    stay away (`causes.sign_terms`). Within a class the components are independent.

    Attributes
    ----------
    failed : ndarray, shape (n_classes, c)
        Chance that a component arrived failed or dies while it is examined.
    arrived : ndarray, shape (n_classes, c)
        Chance that it arrived failed.
    mend_chance : ndarray, shape (n_classes, c)
        Chance that a failed one can be mended.
    weight : ndarray, shape (n_classes,)
        Of each class, below zero for some; sums to 1. Sums over classes are chances.
    """

    failed: Floats
    arrived: Floats
    mend_chance: Floats
    weight: Floats

    @property
    def mean_failed(self) -> Floats:
        """Chance that each component has failed, or dies while it is examined; ndarray, shape (c,)."""
        # Of a unit that hardly can be as it was found, weights below zero leave rounding alone.
        return np.clip(self.weight @ self.failed, 0.0, 1.0)

    @property
    def mean_mend_chance(self) -> Floats:
        """Chance that each component can be mended, once it has failed; ndarray, shape (c,)."""
        chance = self.weight[:, None] * self.failed
        return (chance * self.mend_chance).sum(axis=0) / chance.sum(axis=0)

    def given(self, failed: Sequence[int], sound: Sequence[int]) -> "UnitOdds":
        """Weigh the classes by what has been found.

        Parameters
        ----------
        failed, sound : sequence of int
            Components that arrived failed, and that arrived alive.

        Returns
        -------
        UnitOdds
            Same classes, new weights.
        """
        seen = self.arrived[:, list(failed)].prod(axis=1) * (1.0 - self.arrived[:, list(sound)]).prod(axis=1)
        weight = self.weight * seen
        return replace(self, weight=weight / weight.sum())


def unit_odds(entry: FamilyEntry, shared: Shared, unit: Unit) -> UnitOdds:
    """Lay out what is known of one unit before it is opened.

    Parameters
    ----------
    entry : FamilyEntry
    shared : Shared
    unit : Unit

    Returns
    -------
    UnitOdds

    Notes
    -----
    The appraisal recalibrates the odds that the whole job succeeds and does not say which component its
    outcomes were kinder or harsher about. Here every component bears the same: under each state of
    knowledge the log odds of having failed, before signs are weighed, are raised, and those of being
    mended lowered, by the one shift that gives the recalibrated odds of the job.
    """
    states = unit_states(entry.lives, shared, unit.age_years, unit.year, unit.weight, unit.signs)
    target = success_draws(entry, shared, unit, states)
    c = entry.lives.components
    odds = component_odds(entry.lives, shared, unit.age_years, unit.year)
    odds = odds[:, :, None, :] + shared.storage_sd * NODES[:, None]  # (draw, alternative, node, c)
    z = shared.draws[:, COMMON_DIMENSIONS + 2 : COMMON_DIMENSIONS + 3 * c.size : 3]
    mending = (entry.lives.repair[:, 0] + entry.lives.repair[:, 1] * z)[:, None, None, :]
    collateral = shared.collateral[c]

    def at(shift: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        by_draw = shift[:, None, None, None]
        before = expit(odds + by_draw)
        arrived, weight = given_signs(entry.lives, shared, before, unit.weight, unit.signs)
        return arrived, arrived + (1.0 - arrived) * collateral, expit(mending - by_draw), weight

    low, high = np.full(len(z), -WIDEST_SHIFT), np.full(len(z), WIDEST_SHIFT)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        _, failed, mended, weight = at(middle)
        rosy = ((1.0 - failed * (1.0 - mended)).prod(axis=3) * weight).sum(axis=(1, 2)) > target
        low, high = np.where(rosy, middle, low), np.where(rosy, high, middle)
    arrived, failed, mended, weight = at((low + high) / 2)
    mended = np.broadcast_to(mended, arrived.shape)
    by_class = weight.ravel() / weight.sum()
    return UnitOdds(
        failed.reshape(-1, c.size), arrived.reshape(-1, c.size), mended.reshape(-1, c.size), by_class
    )
