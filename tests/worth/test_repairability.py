"""Odds of mending with a new part, with a salvaged one, and without any."""

from dataclasses import replace
from unittest.mock import patch

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad
from scipy.optimize import minimize
from scipy.special import expit, logit
from scipy.stats import norm

from reliability.worth import supply
from reliability.worth.supply import STATES, Supply, fit_repairability, mixed_odds

FAMILIES = ("Larkov T1", "Larkov T2", "Larkov T3")
COMPONENTS = ("belt", "gear")
THEN, LAST_NEW, SINCE = (pd.Timestamp(day) for day in ("2015-05-02", "2018-03-09", "2023-05-02"))


def ordinal(day):
    return float(day.toordinal())


NEW_TILL_2018, NEVER = [[ordinal(LAST_NEW), 1.0]], [[-np.inf, 1.0]]


def supply_of(ends, salvaged=()):
    """Supply that is known for certain; salvaged parts of the pairs named, otherwise none."""
    pairs = {pair: np.array(some) for pair, some in ends.items()}
    return Supply(pairs, {pair: float(pair in salvaged) for pair in pairs})


# The first family's belts could be had new for years; the second's were never to be had.
BELTS_GONE = supply_of({("belt", "Larkov T1"): NEW_TILL_2018, ("belt", "Larkov T2"): NEVER})
MENDED_THEN = ("Larkov T1", "belt", THEN, 40, 40)


def fitted(*counts, supply=BELTS_GONE):
    """Fit (family, component, day, mended, tried)."""
    rows = [
        (family, component, float(i < mended), True, day)
        for family, component, day, mended, tried in counts
        for i in range(tried)
    ]
    tried = pd.DataFrame(rows, columns=["family", "component", "mended", "own", "closed"])
    return fit_repairability(tried, COMPONENTS, FAMILIES, supply)


def told(found, family, component="belt", day=None):
    """Mean and spread of the log odds of mending one component; an unknown family is at -1."""
    at = FAMILIES.index(family) if family in FAMILIES else -1
    days = np.array([np.inf if day is None else ordinal(day)])
    return found.of(family, at, np.array([COMPONENTS.index(component)]), days)[0, 0]


def as_they_are(mean, sd, chances):
    """Of a supply that is known for certain: one state, nothing mixed."""
    assert set(chances.ravel()) <= {0.0, 1.0}
    return np.stack([np.einsum("sc,ncs->nc", part, chances) for part in (mean, sd)], axis=2)


def odds(found, family, component="belt", day=None):
    with patch.object(supply, "mixed_odds", as_they_are):
        return float(told(found, family, component, day)[0])


@pytest.mark.parametrize(
    "counts",
    [(), (MENDED_THEN,), (MENDED_THEN, ("Larkov T1", "gear", SINCE, 40, 40))],
    ids=["no trial", "all belts mended", "gears mended too"],
)
def test_without_a_trial_without_a_part_the_prior_answers(counts):
    found = fitted(*counts)
    assert supply.LEVEL_MEANS[2] == pytest.approx(logit(0.27), abs=0.01)
    # Exactly: without trials every spread has the same mean, and a row that stands for none weighs 1e-9.
    assert_allclose(odds(found, "Larkov T2"), supply.LEVEL_MEANS[2], atol=1e-6)
    elsewhere = replace(found, supply=supply_of({("belt", ""): NEVER}))
    assert_allclose(odds(elsewhere, "Zorvane 1"), supply.LEVEL_MEANS[2], atol=1e-6)


# ---- supply that is not certain


@pytest.mark.parametrize("chance", [0.0, 0.3, 0.5, 1.0])
def test_trials_are_split_by_what_could_be_had_on_their_day(chance):
    """Half of a trial that was one of two things is half a trial of each."""
    until = [[ordinal(LAST_NEW), 1.0 - chance], [np.inf, chance]]
    split = fitted(("Larkov T1", "belt", SINCE, 10, 40), supply=supply_of({("belt", "Larkov T1"): until}))
    rows = [
        (share, float(i < 10), day)
        for i in range(40)
        for share, day in ((chance, THEN), (1.0 - chance, SINCE))
    ]
    in_parts = fit_in_parts(rows)
    for day in (THEN, SINCE):
        split_at, parts_at = (
            odds(replace(found, supply=BELTS_GONE), "Larkov T1", day=day) for found in (split, in_parts)
        )
        assert_allclose(split_at, parts_at, atol=1e-6)


def fit_in_parts(rows):
    """Fit trials of a share each, with supply known for certain: as many rows of a tenth of a trial."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(supply, "ORIGIN_DISCOUNT", 0.1)
        copies = [
            ("Larkov T1", "belt", mended, False, day)
            for share, mended, day in rows
            for _ in range(round(10 * share))
        ]
        columns = ["family", "component", "mended", "own", "closed"]
        tried = pd.DataFrame(copies, columns=columns)
        return fit_repairability(tried, COMPONENTS, FAMILIES, BELTS_GONE)


def moments(mean, sd, chances):
    """Mean and variance of a chance whose log odds are a mixture of normals, by numerical integration."""

    def of(power):
        return sum(
            share * quad(lambda z, m=m, s=s: expit(m + s * z) ** power * norm.pdf(z), -9, 9)[0]
            for m, s, share in zip(mean, sd, chances, strict=True)
        )

    first = of(1)
    return first, of(2) - first**2


@pytest.mark.parametrize(
    ("mean", "sd", "chances"),
    [
        ((1.8, 0.3, -1.0), (0.5, 0.8, 0.7), (0.6, 0.1, 0.3)),
        ((2.5, 1.0, -2.0), (0.3, 0.3, 0.3), (0.5, 0.0, 0.5)),
        ((0.4, 0.0, 0.0), (1.2, 1.0, 1.0), (1.0, 0.0, 0.0)),
        ((4.0, 3.0, -3.5), (0.4, 0.4, 0.6), (0.9, 0.05, 0.05)),
    ],
)
def test_one_normal_stands_for_a_mixture_with_its_mean_and_variance(mean, sd, chances):
    columns = (np.array(values)[:, None] for values in (mean, sd))
    got = mixed_odds(*columns, np.array(chances)[None, None])[0, 0]
    first, variance = moments(mean, sd, chances)
    got_first, got_variance = moments(got[:1], got[1:], [1.0])
    # The mean rests on a rule of thumb for logits over normals (`LOGIT_SLOPE`): within 0.01.
    assert_allclose(got_first, first, atol=0.01)
    assert_allclose(np.sqrt(got_variance), np.sqrt(variance), rtol=0.05)


# ---- a second opinion: the same penalised likelihood, written out and maximised by scipy

SDS = {"level": 1.0, "component": 0.8, "component without a new part": 1.2}
CELL_SD = 0.7
MIXED = supply_of(
    {
        ("belt", "Larkov T1"): NEW_TILL_2018,
        ("belt", "Larkov T2"): NEW_TILL_2018,
        ("gear", "Larkov T2"): NEVER,
    },
    {("belt", "Larkov T2")},
)


def state_on(component, family, day):
    """In words, where supply is certain."""
    chances = MIXED.chances(component, family, np.array([ordinal(day)]))[0]
    assert sorted(chances) == [0.0, 0.0, 1.0]
    return STATES[int(chances.argmax())]


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
    with_part, salvaged, without = supply.LEVEL_MEANS
    own = SDS["component without a new part"]
    if state == "no":
        eta = without + effect("without", SDS["level"]) + effect(("without", component), own)
    else:
        eta = with_part + effect("with", SDS["level"]) + effect(component, SDS["component"])
    if state == "salvage only":
        eta += salvaged + effect("salvaged", SDS["level"]) + effect(("salvaged", component), own)
    return eta + effect((family, component, state == "no"), CELL_SD)


def best_by_scipy(counts):
    """Give a function that looks up the best effects."""
    position: dict[object, int] = {}

    def value(theta, name, sd):
        return sd * theta[position.setdefault(name, len(position))]

    def objective(theta):
        total = 0.5 * theta @ theta  # in units of their spreads
        for family, component, day, mended, tried in counts:
            state = state_on(component, family, day)
            eta = written_out(lambda name, sd: value(theta, name, sd), family, component, state)
            total += tried * np.logaddexp(0.0, eta) - mended * eta
        return total

    objective(np.zeros(100))  # meet every effect once; none has more than a few
    best = minimize(objective, np.zeros(len(position)), method="BFGS", options={"gtol": 1e-5})
    assert best.success
    return lambda name, sd: sd * best.x[position[name]] if name in position else 0.0


def test_the_best_effects_are_those_that_scipy_finds(monkeypatch):
    averaging = supply.fit_shrunk_logit

    def at_single_spreads(y, n, blocks, **known):
        single = [replace(block, sds=(SDS[block.name],)) for block in blocks]
        return averaging(y, n, single, **{**known, "inner_sds": (CELL_SD,)})

    monkeypatch.setattr(supply, "fit_shrunk_logit", at_single_spreads)
    found = fitted(*MIXED_COUNTS, supply=MIXED)
    effect = best_by_scipy(MIXED_COUNTS)
    for day in (THEN, SINCE):
        for family in FAMILIES:
            for component in COMPONENTS:
                state = state_on(component, family, day)
                expected = written_out(effect, family, component, state)
                assert_allclose(odds(found, family, component, day), expected, atol=1e-4)
