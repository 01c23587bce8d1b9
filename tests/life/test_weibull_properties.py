"""What holds for every set of records: batch and single fits, counts, units, far tails."""

import doctest

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.optimize import minimize

from reliability.life import LifeRecords, fit_weibull, lives, weibull
from reliability.life.lives import collapse
from reliability.life.weibull_likelihood import Likelihood

INF = np.inf
QUICK = settings(max_examples=40, deadline=None, derandomize=True)
QUICKER = settings(QUICK, max_examples=10)

ages = st.integers(2, 45 * 12).map(lambda months: months / 12)


@st.composite
def life(draw):
    """Bounds of one life of any kind, and how often it was seen."""
    first, last = sorted((draw(ages), draw(ages)))
    lower, upper = draw(st.sampled_from([(0.0, last), (first, INF), (first, first), (first, last)]))
    return lower, upper, draw(st.sampled_from([1.0, 1.0, 2.0, 7.0, 300.0]))


stratum = st.lists(life(), min_size=1, max_size=12)


def together(strata):
    lower, upper, count = (np.array([row[k] for rows in strata for row in rows]) for k in range(3))
    label = np.repeat(np.arange(len(strata)), [len(rows) for rows in strata])
    return lower, upper, count, label


def assert_same(one, other, shape=1.0, scale=1.0):
    """Same status, and the same numbers after the given factors."""
    assert one.status.tolist() == other.status.tolist()
    assert_allclose(one.shape * shape, other.shape, rtol=1e-5)
    steady = one.shape > 0.05  # flatter than that, the scale is a number of hundreds of digits
    assert_allclose((one.scale * scale)[steady], other.scale[steady], rtol=1e-4)


@QUICKER
@given(st.lists(stratum, min_size=2, max_size=5), st.randoms(use_true_random=False))
def test_a_batch_equals_one_at_a_time_in_any_order(strata, random):
    lower, upper, count, label = together(strata)
    batch = fit_weibull(LifeRecords(lower, upper, count=count, stratum=label))
    order = list(range(lower.size))
    random.shuffle(order)
    renamed = np.array(random.sample(range(100), len(strata)))
    shuffled = fit_weibull(
        LifeRecords(lower[order], upper[order], count=count[order], stratum=renamed[label[order]])
    )
    assert_array_equal(shuffled.stratum, np.sort(renamed))
    for i, rows in enumerate(strata):
        alone = fit_weibull(LifeRecords(*together([rows])[:2], count=together([rows])[2]))
        j = np.flatnonzero(shuffled.stratum == renamed[i])[0]
        assert alone.status[0] == batch.status[i] == shuffled.status[j]
        for name in ("shape", "scale", "log_likelihood", "bracket_low", "bracket_high", "n_records"):
            wanted = getattr(alone, name)[0]
            assert_allclose(getattr(batch, name)[i], wanted, rtol=1e-12)
            assert_allclose(getattr(shuffled, name)[j], wanted, rtol=1e-12)
        for ask in (lambda fit: fit.failed_by(20.0), lambda fit: fit.shape_interval()):
            for part, wanted in zip(ask(batch), ask(alone), strict=True):
                assert_allclose(part[i], wanted[0], rtol=1e-6, atol=1e-12)


@QUICK
@given(stratum)
def test_a_record_twice_is_a_count_of_two(rows):
    lower, upper, count, _ = together([rows])
    twice = LifeRecords(np.tile(lower, 2), np.tile(upper, 2), count=np.tile(count, 2))
    doubled = LifeRecords(lower, upper, count=2 * count)
    one, other = fit_weibull(twice), fit_weibull(doubled)
    assert_same(one, other)
    assert_allclose(one.log_likelihood, other.log_likelihood, rtol=1e-12)
    assert_allclose(one.n_records, other.n_records)
    single = fit_weibull(LifeRecords(lower, upper, count=count))
    assert_same(single, other)
    assert_allclose(2 * single.log_likelihood, other.log_likelihood, rtol=1e-9, atol=1e-9)


@QUICK
@given(stratum, st.sampled_from([12.0, 365.25, 8766.0, 1e-3]))
def test_another_unit_of_time_changes_only_the_scale(rows, unit):
    lower, upper, count, _ = together([rows])
    years = fit_weibull(LifeRecords(lower, upper, count=count))
    assume(years.shape[0] > 0.05 or not years.usable[0])
    other = fit_weibull(LifeRecords(unit * lower, unit * upper, count=count))
    assert_same(years, other, scale=unit)
    witnessed = count[lower == upper].sum()
    assert_allclose(
        years.log_likelihood, other.log_likelihood + witnessed * np.log(unit), rtol=1e-9, atol=1e-9
    )
    assert_allclose(unit * years.bracket_low, other.bracket_low)


@QUICK
@given(stratum, st.floats(1.5, 4.0))
def test_a_power_of_age_divides_the_shape(rows, power):
    lower, upper, count, _ = together([rows])
    plain = fit_weibull(LifeRecords(lower, upper, count=count))
    assume(not plain.usable[0] or 0.2 < plain.shape[0] < 1e4)
    bent = fit_weibull(LifeRecords(lower**power, upper**power, count=count))
    assert_same(plain, bent, shape=1 / power, scale=plain.scale ** (power - 1))


@QUICKER
@given(stratum)
def test_intervals_hold_the_estimate_and_stay_in_range(rows):
    lower, upper, count, _ = together([rows])
    fit = fit_weibull(LifeRecords(lower, upper, count=count))
    for (estimate, low, high), top in (
        (fit.failed_by(15.0), 1.0),
        (fit.life(0.1), INF),
        (fit.scale_interval(), INF),
        (fit.shape_interval(), INF),
    ):
        assert fit.usable[0] == np.isfinite(low[0])
        if fit.usable[0]:
            assert 0 <= low[0] <= estimate[0] * (1 + 1e-9)
            assert estimate[0] <= high[0] * (1 + 1e-9)
            assert high[0] <= top


# ---- against a general optimiser from many starts


def plain_log_likelihood(log_scale, log_shape, lower, upper, count):
    shape = np.exp(log_shape)
    with np.errstate(all="ignore"):
        z = [shape * (np.log(end) - log_scale) for end in (lower, upper)]
        survived = [np.exp(-np.exp(part)) for part in z]
        density = shape / lower * np.exp(z[0]) * survived[0]
        total = (count * np.log(np.where(lower == upper, density, survived[0] - survived[1]))).sum()
    return total if np.isfinite(total) else -1e6


@pytest.mark.parametrize("seed", range(6))
def test_maximum_agrees_with_a_general_optimiser_from_many_starts(seed):
    rng = np.random.default_rng(seed)
    n = 40
    true_life = rng.uniform(15, 40) * rng.weibull(rng.uniform(0.8, 5), n)
    age = rng.uniform(5, 45, n)
    kind = rng.integers(0, 3, n)  # looked at once; witnessed until then; looked at every 6 years
    lower = np.where(true_life > age, age, np.choose(kind, [0.0 * age, true_life, 6 * (true_life // 6)]))
    upper = np.where(true_life > age, INF, np.choose(kind, [age, true_life, 6 * (true_life // 6) + 6]))
    fit = fit_weibull(LifeRecords(lower, upper))
    runs = [
        minimize(
            lambda at: -plain_log_likelihood(at[0], at[1], lower, upper, 1.0),
            [np.log(start_scale), np.log(start_shape)],
            method="Nelder-Mead",
            options={"xatol": 1e-9, "fatol": 1e-12, "maxfev": 2000},
        )
        for start_scale in (5.0, 20.0, 60.0)
        for start_shape in (0.7, 2.0, 6.0)
    ]
    best = min(runs, key=lambda run: run.fun)
    assert_allclose(fit.log_likelihood[0], -best.fun, atol=1e-9)
    assert_allclose([np.log(fit.scale[0]), np.log(fit.shape[0])], best.x, atol=1e-5)


@pytest.mark.parametrize("module", [lives, weibull])
def test_examples_in_the_documentation(module):
    outcome = doctest.testmod(module)
    assert outcome.attempted > 0
    assert outcome.failed == 0


# ---- the likelihood itself


def likelihood_of(lower, upper, **more):
    return Likelihood(collapse(LifeRecords(lower, upper, **more)))


def at(likelihood, shape, scale):
    """Value of the first stratum at a shape and scale."""
    slope = shape * likelihood.spread
    level = shape * (np.log(likelihood.first_age) - np.log(scale))
    return likelihood.evaluate(slope, level).value[0]


def test_far_tail_stays_finite():
    # Surviving 100 and 110 years at scale 10, shape 3 underflows to 0 at both ends.
    assert_allclose(at(likelihood_of([100.0], [110.0]), 3.0, 10.0), -1000.0, rtol=1e-12)


def test_young_tail_keeps_its_digits():
    # (1 / 100) ** 40 = 1e-80: the share failed itself, where 1 - survival would be 0.
    assert_allclose(at(likelihood_of([0, 1], [1, INF]), 40.0, 100.0), np.log(1e-80) - 1e-80, rtol=1e-13)


def test_a_narrow_interval_tends_to_the_density_times_its_width():
    wide = 2.0**-30  # so that the bounds are exact
    exact = at(likelihood_of([20.0, 40.0], [20.0, INF]), 3.0, 30.0)
    narrow = at(likelihood_of([20.0 - wide / 2, 40.0], [20.0 + wide / 2, INF]), 3.0, 30.0)
    assert_allclose(narrow - np.log(wide), exact, atol=1e-8)


KINDS = {
    "left": ([0, 0], [10, 35]),
    "right": ([10, 35], [INF, INF]),
    "witnessed": ([10, 35], [10, 35]),
    "between": ([10, 20], [35, 20.5]),
}


@pytest.mark.parametrize("kind", [*KINDS, "alternatives"])
@pytest.mark.parametrize(
    ("shape", "scale"), [(2.5, 25.0), (0.3, 80.0), (12.0, 18.0), (2.5, 400.0), (3.0, 4.0)]
)
def test_slope_and_curvature_are_those_of_the_value(kind, shape, scale):
    lower, upper = KINDS.get(kind, ([0, 9, 12, 0, 35], [10, INF, 12, 35, INF]))
    record = [0, 0, 0, 1, 1] if kind == "alternatives" else None
    likelihood = likelihood_of(lower, upper, record=record)
    slope = shape * likelihood.spread
    level = shape * (np.log(likelihood.first_age) - np.log(scale))
    here = likelihood.evaluate(slope, level)
    step = 1e-6
    for axis, (by_slope, by_level) in enumerate(((step, 0.0), (0.0, step))):
        up = likelihood.evaluate(slope + by_slope, level + by_level)
        down = likelihood.evaluate(slope - by_slope, level - by_level)
        size = 1 + abs(here.value[0])
        assert_allclose(here.slope[0, axis], (up.value - down.value)[0] / (2 * step), atol=1e-7 * size)
        bend = -(up.slope - down.slope)[0] / (2 * step)
        assert_allclose(here.information[0, axis : axis + 2], bend, atol=1e-6 * size)
    if kind != "alternatives":
        assert_array_equal(here.information, here.complete)


def test_beyond_all_reason_the_value_stays_a_number():
    # z is 10 million: the ascent must be able to come back from there.
    likelihood = likelihood_of([10, 0, 12, 5], [INF, 11, 12, 30])
    far = likelihood.evaluate(np.array([1e7]), np.array([1e7]))
    assert np.isfinite(far.value[0])
    assert far.slope[0, 1] < 0


@QUICK
@given(stratum, st.floats(0.3, 30.0), st.floats(5.0, 60.0))
def test_values_alone_are_those_of_the_full_evaluation(rows, shape, scale):
    lower, upper, count, _ = together([rows])
    singles = np.arange(lower.size)
    pairs = np.sort(np.append(singles, singles))
    for records in (
        LifeRecords(lower, upper, count=count),
        LifeRecords(
            lower[pairs], np.where(np.isinf(upper), INF, upper)[pairs], count=count[pairs], record=pairs
        ),
    ):
        likelihood = Likelihood(collapse(records))
        slope = shape * likelihood.spread
        level = shape * (np.log(likelihood.first_age) - np.log(scale))
        assert_allclose(
            likelihood.values(slope, level), likelihood.evaluate(slope, level).value, rtol=1e-12, atol=1e-12
        )
