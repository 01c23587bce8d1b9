from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad
from scipy.stats import norm

from reliability.worth.odds import CASES, N_CASES, N_DRAWS, Spread, Terms, Unit, appraise, paired_cases
from tests.worth.units import family, shared

FREE_TIME = Terms(
    hour_rate=0.0, selling_fee=0.0, margin=0.0, caution=0.0, haggle_room=0.25, comeback_cost=0.0
)
UNIT = Unit(np.array([40.0]), np.array([1985.0]), np.ones(1), np.full(2, np.nan))


def settled(demo_appraiser, shift, **amounts):
    """A family of which all is known but the chance in a single unit; nothing in it ever fails."""
    known = Spread(0.0, 0.0, 0.0)
    blank = {name: known for name in ("ratio", "remains", "costs_repaired", "costs_unrepaired")}
    return replace(
        next(iter(demo_appraiser.families.values())),
        lives=family([1e9], [2.0], [0.5]),
        part_cost=np.zeros(1),
        shift=shift,
        shift_se=0.0,
        own_weight=0.0,
        working_price=100.0,
        price_doubt=0.0,
        **{**blank, **amounts},
    )


def chance_below(appraisal, limit):
    return float(appraisal.case_weight[appraisal.cases < limit].sum())


@pytest.mark.parametrize("spread", [8.0, 20.0, 60.0])
def test_chances_of_a_loss_are_those_of_two_independent_spreads(demo_appraiser, spread):
    entry = settled(
        demo_appraiser,
        15.0,
        ratio=Spread(0.0, 0.0, 0.24),
        costs_repaired=Spread(30.0, 0.0, spread),
    )
    got = appraise(entry, shared(1), FREE_TIME, UNIT)
    assert_allclose(got.success, 1.0, atol=1e-12)

    def exact(limit):  # the sale is lognormal (Z1), the costs normal (Z2), by numerical integration
        def inside(z):
            return norm.pdf(z) * norm.sf((100.0 * np.exp(0.24 * z) - 30.0 - limit) / spread)

        return quad(inside, -8, 8)[0]

    limits = np.arange(-20.0, 130.0, 10.0)
    found = np.array([chance_below(got, limit) for limit in limits])
    # Sixteen cases of either spread stand for all: their steps of 1/16 are smoothed by the other spread.
    assert_allclose(found, [exact(limit) for limit in limits], atol=0.016 if spread > 8 else 0.035)


def test_chances_of_an_unrepaired_unit_likewise(demo_appraiser):
    entry = settled(
        demo_appraiser,
        -35.0,
        remains=Spread(40.0, 0.0, 15.0),
        costs_unrepaired=Spread(25.0, 0.0, 12.0),
    )
    got = appraise(entry, shared(1), FREE_TIME, UNIT)
    limits = np.arange(-30.0, 60.0, 5.0)
    exact = norm.cdf(limits, 40.0 - 25.0, np.hypot(15.0, 12.0))
    assert_allclose([chance_below(got, limit) for limit in limits], exact, atol=0.016)


def test_every_case_of_one_spread_meets_every_case_of_the_other():
    other = paired_cases(N_DRAWS)
    assert N_DRAWS % N_CASES == 0
    pairs = {(first, second) for row in other for first, second in zip(CASES, row, strict=True)}
    assert len(pairs) == N_CASES**2
    assert_allclose(np.sort(other, axis=1), np.tile(CASES, (N_DRAWS, 1)))
    assert_allclose(other.mean(axis=0), 0.0, atol=1e-12)  # so the second says nothing of the first
