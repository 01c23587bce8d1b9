"""How far a stated working price is believed, before any sale and after many."""

import datetime
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reliability.records.frames import records_from_rows
from reliability.worth import money
from reliability.worth.bench import read_bench
from reliability.worth.money import fit_prices, working_prices
from tests.worth.ledgers import job

DAY = datetime.date(2025, 1, 10)
KIND, DEAR = "tape deck", "Zorvane 1"
ONE_DEAR = {**{f"Larkov T{n:02d}": 100.0 for n in range(1, 12)}, DEAR: 300.0}


def fitted(stated, sold=(), n_signs=0, kind_of=None):
    """Fit stated prices and sales, (family, price) each. The name of a kind is an unknown family of it."""
    kind_of = kind_of or dict.fromkeys(stated, KIND)
    families = [
        {"family": name, "kind": kind_of[name], "working_price": price} for name, price in stated.items()
    ]
    jobs = [job(n, name, "repaired", sold_for=fetched) for n, (name, fetched) in enumerate(sold, start=1)]
    bench = read_bench(records_from_rows({"families": families, "jobs": jobs}), DAY)
    price = working_prices(bench)
    ratio, signs = fit_prices(bench, price, np.zeros((len(jobs), n_signs)), np.zeros(price.mean.size))

    def by_name(values):
        return dict(zip((*bench.families, *bench.kinds), values[:-1], strict=True))

    return SimpleNamespace(
        price=by_name(price.mean),
        ratio=by_name(ratio.mean),
        doubt=by_name(ratio.doubt),
        signs=signs,
    )


def test_before_any_sale_a_price_far_above_its_kin_is_drawn_towards_them():
    found = fitted(ONE_DEAR)
    # Twelve prices known equally well: that of the kind is their geometric mean, a twelfth of log 3 up. Of
    # the twelve, eleven are others.
    above, below = np.log(3) * (11 / 12) ** 2, -np.log(3) / 12 * 11 / 12
    assert money.ABOVE_KIN < 0
    assert_allclose(found.ratio[DEAR], money.ABOVE_KIN * above, rtol=1e-6)
    others = [found.ratio[name] for name in ONE_DEAR if name != DEAR]
    assert_allclose(others, money.ABOVE_KIN * below, rtol=1e-6)
    assert found.ratio[KIND] == pytest.approx(0.0, abs=1e-12)
    # How far it should be drawn is in doubt, and the more so the farther it is off.
    more = found.doubt[DEAR] ** 2 - found.doubt["Larkov T01"] ** 2
    assert_allclose(more, money.ABOVE_KIN_SD**2 * (above**2 - below**2), rtol=1e-6)


def test_what_signs_do_to_a_price_is_told_apart_from_the_other_effects():
    found = fitted(ONE_DEAR, n_signs=2)
    assert_allclose(found.signs, np.full(2, money.PRICE_SIGN_MEAN))


def test_prices_may_still_move_until_a_unit_on_offer_is_sold(monkeypatch):
    sold = [("Larkov T01", 100.0)] * 40
    found, after = fitted(ONE_DEAR), fitted(ONE_DEAR, sold)
    monkeypatch.setattr(money, "YEARS_AHEAD", 0.0)
    at_once, after_at_once = fitted(ONE_DEAR), fitted(ONE_DEAR, sold)
    # By hand: before any sale both walks add the mean of their prior variances, for half a year.
    steps = np.mean([0.03**2, 0.1**2]) + np.mean([0.03**2, 0.08**2])
    for name in (DEAR, "Larkov T01"):
        assert_allclose(found.doubt[name] ** 2 - at_once.doubt[name] ** 2, 0.5 * steps, rtol=1e-6)
        assert_allclose(found.ratio[name], at_once.ratio[name], atol=1e-12)
    # No sale says what comes next; at most it tells how far the walks go.
    more = after.doubt["Larkov T01"] ** 2 - after_at_once.doubt["Larkov T01"] ** 2
    assert 0.5 * 2 * 0.03**2 <= more <= 0.5 * (0.1**2 + 0.08**2)
