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
HALF_DEAR = {f"Larkov T{n:02d}": 300.0 if n % 2 else 100.0 for n in range(1, 13)}


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


def test_a_price_like_those_of_its_own_kind_is_hardly_drawn_whatever_other_kinds_cost():
    kind_of = {**{f"Larkov T{n}": KIND for n in range(10)}, **{f"Zorvane {n}": "jukebox" for n in range(10)}}
    stated = {name: 100.0 if kind == KIND else 300.0 for name, kind in kind_of.items()}
    found = fitted(stated, kind_of=kind_of)
    # Against the middle of both kinds, half of log 3 away, it would be ten times this.
    tenth = abs(money.ABOVE_KIN) * np.log(3) / 2 / 10
    assert_allclose([found.ratio[name] for name in stated], 0.0, atol=tenth)


def test_a_price_that_nobody_stated_is_not_drawn():
    sale = [(DEAR, 300.0)]
    told = {**ONE_DEAR, DEAR: None}
    from_sales = fitted(told, sale)
    assert from_sales.price[DEAR] > 150.0
    # The same price stated, and the same sale.
    stated = fitted({**told, DEAR: from_sales.price[DEAR]}, sale)
    assert stated.ratio[DEAR] < from_sales.ratio[DEAR] - 0.03
    # Without a sale there is nothing of its own that could be above its kin.
    unsold = fitted(told)
    assert unsold.ratio[DEAR] == pytest.approx(unsold.ratio[KIND], abs=1e-12)


def test_many_sales_at_the_stated_prices_end_the_drawing():
    assert np.exp(fitted(ONE_DEAR).ratio[DEAR]) < 0.9
    after = fitted(ONE_DEAR, [each for each in ONE_DEAR.items() for _ in range(30)])
    assert_allclose(np.exp(list(after.ratio.values())), 1.0, atol=0.005)


@pytest.mark.parametrize("drawn", [0.0, -0.4])
def test_how_far_the_sales_were_drawn_holds_for_a_family_that_was_never_sold(drawn):
    # Prices half at 100, half at 300: each is off the middle by half of log 3, and fetches so much of it.
    stated, half = {**HALF_DEAR, DEAR: 300.0, "Zorvane 2": 100.0}, np.log(3) / 2
    before, others = fitted(stated).ratio, 13 / 14
    assert_allclose(before[DEAR] - before["Zorvane 2"], money.ABOVE_KIN * others * np.log(3), rtol=1e-6)
    fetched = [
        (name, price * np.exp(drawn * (half if price > 200 else -half))) for name, price in HALF_DEAR.items()
    ]
    after = fitted(stated, [each for each in fetched for _ in range(30)]).ratio
    assert_allclose(after[DEAR] - after["Zorvane 2"], drawn * np.log(3), atol=0.05)


def test_the_only_family_of_a_kind_has_nothing_to_be_compared_with():
    kind_of = {**dict.fromkeys(ONE_DEAR, KIND), DEAR: "jukebox"}
    assert fitted(ONE_DEAR, kind_of=kind_of).ratio[DEAR] == pytest.approx(0.0, abs=1e-12)


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
