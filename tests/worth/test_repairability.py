"""Odds of mending with a new part, with a salvaged one, and without any."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize
from scipy.special import expit, logit

from reliability.worth import repairability as worth_repairability
from reliability.worth.repairability import fit_repairability
from reliability.worth.supply import Supply

FAMILIES = ("Larkov T1", "Larkov T2", "Larkov T3")
COMPONENTS = ("belt", "gear")
THEN, LAST_NEW, SINCE = (pd.Timestamp(day) for day in ("2015-05-02", "2018-03-09", "2023-05-02"))

# The first family's belts could be had new for years; the second's were never to be had.
BELTS_GONE = Supply(
    {("belt", "Larkov T1"): "no", ("belt", "Larkov T2"): "no"}, {("belt", "Larkov T1"): LAST_NEW}
)
MENDED_THEN = ("Larkov T1", "belt", THEN, 40, 40)
LOST_SINCE = ("Larkov T1", "belt", SINCE, 1, 12)


def fitted(*counts, supply=BELTS_GONE):
    """Fit (family, component, day, mended, tried)."""
    rows = [
        (family, component, float(i < mended), True, day)
        for family, component, day, mended, tried in counts
        for i in range(tried)
    ]
    tried = pd.DataFrame(rows, columns=["family", "component", "mended", "own", "closed"])
    return fit_repairability(tried, COMPONENTS, FAMILIES, supply)


def odds(found, family, component="belt", day=None):
    """Log odds of mending one component; a family that the ledger does not know is at -1."""
    at = FAMILIES.index(family) if family in FAMILIES else -1
    mean, _ = found.of(family, at, np.array([COMPONENTS.index(component)]), day)
    return float(mean[0])


def test_what_was_mended_with_new_parts_does_not_promise_much_without():
    both, later = fitted(MENDED_THEN, LOST_SINCE), fitted(LOST_SINCE)
    # Between the plain share and Laplace's rule of succession, (1 + 1) / (12 + 2).
    assert 1 / 12 < expit(odds(both, "Larkov T1")) < 2 / 14
    # The skill with this family is all that the two have in common.
    assert_allclose(odds(both, "Larkov T1"), odds(later, "Larkov T1"), atol=0.2)
    # On a day when there still were new ones, the first record counts.
    assert expit(odds(both, "Larkov T1", day=THEN)) > 0.95


def test_other_families_learn_of_a_part_only_as_it_can_be_had_there():
    both, before, later = fitted(MENDED_THEN, LOST_SINCE), fitted(MENDED_THEN), fitted(LOST_SINCE)
    prior = worth_repairability.LEVEL_MEANS
    # A belt of another family that cannot be had, either: on its way to the record, not as far.
    assert odds(both, "Larkov T1") < odds(both, "Larkov T2") < prior[2] - 0.3
    # Belts that can be had are not dragged down, with the first record or without it.
    assert odds(both, "Larkov T3") > odds(before, "Larkov T3") - 0.1
    assert_allclose(odds(later, "Larkov T3"), prior[0], atol=0.1)


@pytest.mark.parametrize(
    "counts",
    [(), (MENDED_THEN,), (MENDED_THEN, ("Larkov T1", "gear", SINCE, 40, 40))],
    ids=["no trial", "all belts mended", "gears mended too"],
)
def test_without_a_trial_without_a_part_the_prior_answers(counts):
    found = fitted(*counts)
    assert worth_repairability.LEVEL_MEANS[2] == pytest.approx(logit(0.27), abs=0.01)
    # Exactly: without trials every spread has the same mean, and a row that stands for none weighs 1e-9.
    assert_allclose(odds(found, "Larkov T2"), worth_repairability.LEVEL_MEANS[2], atol=1e-6)
    elsewhere = replace(found, supply=Supply({("belt", ""): "no"}, {}))
    assert_allclose(odds(elsewhere, "Zorvane 1"), worth_repairability.LEVEL_MEANS[2], atol=1e-6)


HARD = ("Larkov T1", "belt", THEN, 0, 40)


def test_without_a_part_nothing_is_easier_than_with_one():
    # None of forty belts was ever mended, though they could be had: nobody is better off without one.
    found, easy = fitted(HARD), fitted(MENDED_THEN)
    for family in ("Larkov T2", "Zorvane 1"):
        missing = replace(found, supply=Supply({("belt", ""): "no"}, {}))
        had = replace(found, supply=Supply({}, {}))
        assert odds(had, family) < worth_repairability.LEVEL_MEANS[2] - 0.5
        assert_allclose(odds(missing, family), odds(had, family), atol=1e-6)
    assert odds(easy, "Larkov T2") > odds(found, "Larkov T2") + 0.5


def test_trials_without_a_part_are_believed_even_where_those_with_one_went_worse():
    found = fitted(HARD, ("Larkov T1", "belt", SINCE, 36, 40))
    # Nine in ten were mended: well above what the prior and those with a part say.
    assert expit(odds(found, "Larkov T1")) > 0.5


@pytest.mark.parametrize("counts", [(), (MENDED_THEN,), (("Larkov T1", "belt", THEN, 0, 40),)])
def test_a_salvaged_part_that_nobody_tried_promises_less_than_a_new_one(counts):
    found = fitted(*counts)
    worn = replace(found, supply=Supply({("belt", "Larkov T3"): "salvage only"}, {}))
    lost = odds(worn, "Larkov T3") - odds(found, "Larkov T3")
    assert worth_repairability.LEVEL_MEANS[1] < 0
    assert_allclose(lost, worth_repairability.LEVEL_MEANS[1], atol=1e-6)


def test_what_salvage_takes_differs_by_component():
    # New belts and gears held alike; of the salvaged ones the gears hold still, the belts do not.
    supply = Supply(
        {(component, "Larkov T1"): "salvage only" for component in COMPONENTS},
        {(component, "Larkov T1"): LAST_NEW for component in COMPONENTS},
    )
    with_new = [("Larkov T1", component, THEN, 18, 20) for component in COMPONENTS]
    found = fitted(
        *with_new, ("Larkov T1", "belt", SINCE, 1, 15), ("Larkov T1", "gear", SINCE, 14, 15), supply=supply
    )
    # In a family of which nothing was tried yet, so that no cell of its own can tell.
    new = replace(found, supply=Supply({}, {}))
    worn = replace(found, supply=Supply({(component, ""): "salvage only" for component in COMPONENTS}, {}))
    belt, gear = (odds(worn, "Larkov T3", c) - odds(new, "Larkov T3", c) for c in COMPONENTS)
    assert belt < gear - 1.0


# ---- a second opinion: the same penalised likelihood, written out and maximised by scipy

SDS = {"level": 1.0, "component": 0.8, "component without a new part": 1.2, "family": 0.4}
CELL_SD = 0.7
MIXED = Supply(
    {("belt", "Larkov T1"): "no", ("belt", "Larkov T2"): "salvage only", ("gear", "Larkov T2"): "no"},
    {("belt", "Larkov T1"): LAST_NEW, ("belt", "Larkov T2"): LAST_NEW},
)
MIXED_COUNTS = (
    ("Larkov T1", "belt", THEN, 9, 10),
    ("Larkov T1", "belt", SINCE, 1, 5),
    ("Larkov T1", "gear", THEN, 3, 6),
    ("Larkov T2", "belt", THEN, 4, 4),
    ("Larkov T2", "belt", SINCE, 2, 5),
    ("Larkov T2", "gear", SINCE, 0, 3),
    ("Larkov T3", "belt", SINCE, 5, 7),
)


def written_out(effect, family, component, state):
    """Log odds as one would say them; `effect(name, sd)` is how far off its prior mean an effect is."""
    with_part, salvaged, without = worth_repairability.LEVEL_MEANS
    own = SDS["component without a new part"]
    if state == "no":
        eta = without + effect("without", SDS["level"]) + effect(("without", component), own)
    else:
        eta = with_part + effect("with", SDS["level"]) + effect(component, SDS["component"])
    if state == "salvage only":
        eta += salvaged + effect("salvaged", SDS["level"]) + effect(("salvaged", component), own)
    cell = effect((family, component, state == "no"), CELL_SD)
    return eta + effect(family, SDS["family"]) + cell


def best_by_scipy(counts, supply):
    """Give a function that looks up the best effects."""
    position: dict[object, int] = {}

    def value(theta, name, sd):
        return sd * theta[position.setdefault(name, len(position))]

    def objective(theta):
        total = 0.5 * theta @ theta  # in units of their spreads
        for family, component, day, mended, tried in counts:
            state = supply.state_on(component, family, day)
            eta = written_out(lambda name, sd: value(theta, name, sd), family, component, state)
            total += tried * np.logaddexp(0.0, eta) - mended * eta
        return total

    objective(np.zeros(100))  # meet every effect once; none has more than a few
    best = minimize(objective, np.zeros(len(position)), method="BFGS", options={"gtol": 1e-5})
    assert best.success
    return lambda name, sd: sd * best.x[position[name]] if name in position else 0.0


def test_the_best_effects_are_those_that_scipy_finds(monkeypatch):
    averaging = worth_repairability.fit_shrunk_logit

    def at_single_spreads(y, n, blocks, **known):
        single = [replace(block, sds=(SDS[block.name],)) for block in blocks]
        return averaging(y, n, single, **{**known, "inner_sds": (CELL_SD,)})

    monkeypatch.setattr(worth_repairability, "fit_shrunk_logit", at_single_spreads)
    found = fitted(*MIXED_COUNTS, supply=MIXED)
    effect = best_by_scipy(MIXED_COUNTS, MIXED)
    for day in (THEN, SINCE):
        for family in FAMILIES:
            for component in COMPONENTS:
                state = MIXED.state_on(component, family, day)
                expected = written_out(effect, family, component, state)
                assert_allclose(odds(found, family, component, day), expected, atol=1e-4)
