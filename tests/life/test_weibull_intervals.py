"""Profile-likelihood intervals: a slow twin, ends that must be open, ranges, refusals."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.optimize import minimize_scalar
from scipy.stats import binom, chi2

from reliability.errors import InvalidInput
from reliability.life import LifeRecords, fit_weibull, weibull
from tests.measure.lives import small_strata

INF = np.inf


def log_likelihood(shape, log_scale, lower, upper, count):
    """Plain sum over the records, without any care for far tails."""
    with np.errstate(all="ignore"):
        surviving = [np.exp(-np.exp(shape * (np.log(end) - log_scale))) for end in (lower, upper)]
        density = shape / lower * np.exp(shape * (np.log(lower) - log_scale)) * surviving[0]
        value = np.where(lower == upper, density, surviving[0] - surviving[1])
        total = float((count * np.log(value)).sum())
    return total if np.isfinite(total) else -1e10


def highest(loss, row):
    """Best place of a row, then of its surroundings."""
    start = row[np.argmin([loss(place) for place in row])]
    step = row[1] - row[0]
    found = minimize_scalar(
        loss, bounds=(start - 2 * step, start + 2 * step), method="bounded", options={"xatol": 1e-10}
    )
    return -found.fun


def best_on(log_scale, data):
    """Largest log-likelihood over the shape, on curves told by ``log_scale(shape)``."""
    return highest(
        lambda place: -log_likelihood(np.exp(place), log_scale(np.exp(place)), *data), np.linspace(-6, 5, 221)
    )


def best_at_shape(shape, data):
    """Largest log-likelihood over the scale at one shape, whatever share it makes fail by 30 years."""
    return highest(
        lambda z: -log_likelihood(shape, np.log(30.0) - z / shape, *data), np.linspace(-12, 6, 361)
    )


CASES = {
    "inspected once": ([0, 30, 0, 40, 0, 22], [30, INF, 40, INF, 22, INF], [3, 7, 8, 2, 1, 9]),
    "witnessed": ([12, 17, 25, 26, 31, 44], [12, 17, 25, 26, 31, 44], [1, 1, 2, 1, 1, 1]),
    "all kinds": ([0, 18, 21, 30, 35, 6], [25, INF, 21, 36, INF, 14], [2, 5, 1, 1, 20, 1]),
    "three lives": ([14, 20, 33], [14, 26, INF], [1, 1, 1]),
    "uneven counts": ([0, 25, 0, 38], [25, INF, 38, INF], [1, 1000, 30, 600]),
}


@pytest.fixture(params=CASES, ids=lambda name: name.replace(" ", "-"))
def data(request):
    return tuple(np.array(column, float) for column in CASES[request.param])


def drop_at(value, fit):
    return 2 * (float(fit.log_likelihood[0]) - value)


def fit_of(data, level=0.9):
    return fit_weibull(LifeRecords(data[0], data[1], count=data[2]), level=level)


@pytest.mark.parametrize("level", [0.5, 0.9, 0.99])
def test_ends_of_the_shape(data, level):
    fit = fit_of(data, level)
    for end in fit.shape_interval()[1:]:
        if end[0] == 0:
            assert drop_at(best_at_shape(1e-4, data), fit) < chi2.ppf(level, 1)
        else:
            assert_allclose(drop_at(best_at_shape(end[0], data), fit), chi2.ppf(level, 1), atol=1e-6)


@pytest.mark.parametrize("share", [0.02, 0.5, 1 - np.exp(-1)])
@pytest.mark.parametrize("level", [0.5, 0.9])
def test_ends_of_the_age_by_which_a_share_has_failed(data, share, level):
    fit = fit_of(data, level)
    power = -np.log1p(-share)
    estimate, *interval = fit.life(share)
    assert_allclose(estimate, fit.scale * power ** (1 / fit.shape), rtol=1e-12)
    for end in interval:
        if 0 < end[0] < 1e12:
            value = best_on(lambda shape, end=end: np.log(end[0]) - np.log(power) / shape, data)
            assert_allclose(drop_at(value, fit), chi2.ppf(level, 1), atol=1e-6)
    low, high = (end[0] for end in interval)
    assert low < estimate[0] < high


def test_the_scale_is_the_age_by_which_63_percent_have_failed(data):
    fit = fit_of(data)
    for one, other in zip(fit.scale_interval(), fit.life(-np.expm1(-1)), strict=True):
        assert_allclose(one, other, rtol=1e-9)


@pytest.mark.parametrize("age", [5.0, 28.0, 60.0])
@pytest.mark.parametrize("level", [0.5, 0.9])
def test_ends_of_the_share_failed(data, age, level):
    fit = fit_of(data, level)
    estimate, *interval = (part[0] for part in fit.failed_by(age))
    assert_allclose(estimate, -np.expm1(-((age / fit.scale[0]) ** fit.shape[0])), rtol=1e-12)
    assert 0 < interval[0] < estimate < interval[1] <= 1
    for end in interval:
        if not 1e-12 < end < 1 - 1e-12:
            continue  # out of reach of the plain formulas
        hazard = -np.log1p(-end)
        value = best_on(lambda shape, hazard=hazard: np.log(age) - np.log(hazard) / shape, data)
        flat = float((data[2] * np.log(np.where(np.isinf(data[1]), 1 - end, end))).sum())
        if (np.isinf(data[1]) | (data[0] == 0)).all():
            value = max(value, flat)  # shape 0 is allowed where no life has two known ends
        assert_allclose(drop_at(value, fit), chi2.ppf(level, 1), atol=1e-5)


def test_interval_of_a_share_at_an_inspected_age_tends_to_the_binomial_one():
    # With two ages and both shares met exactly, the profile at one of them is the binomial likelihood of
    # that age alone: the interval solves 2 n KL(observed, end) = chi-square quantile.
    fit = fit_weibull(LifeRecords([0, 30, 0, 40], [30, INF, 40, INF], count=[30, 70, 80, 20]))
    _, low, high = fit.failed_by(30.0)
    top = binom.logpmf(30, 100, 0.3)
    for end in (low[0], high[0]):
        assert_allclose(2 * (top - binom.logpmf(30, 100, end)), chi2.ppf(0.9, 1), atol=1e-8)


def test_too_little_ageing_leaves_ends_open():
    # 6 of 12 failed at 30, 7 of 12 at 31: a risk that does not depend on age agrees with that. Flat
    # curves near one half bound neither side of the age by which one half has failed; they never reach
    # nine tenths, and are above one tenth from the first day on.
    fit = fit_weibull(LifeRecords([0, 30, 0, 31], [30, INF, 31, INF], count=[6, 6, 7, 5]))
    _, low, high = fit.shape_interval()
    assert low[0] == 0
    assert 0 < high[0] < INF
    assert [part[0] for part in fit.life(0.5)[1:]] == [0, INF]
    assert fit.life(0.9)[2][0] == INF
    assert 0 < fit.life(0.9)[1][0] < 40
    assert fit.life(0.1)[1][0] == 0
    assert 25 < fit.life(0.1)[2][0] < INF
    for part in fit.failed_by(30.0):
        assert 0 < part[0] < 1


def test_at_birth_nothing_has_failed_and_long_after_everything(data):
    fit = fit_of(data)
    for part in fit.failed_by(0.0):
        assert_array_equal(part, [0.0])
    estimate, low, high = fit.failed_by(1e9)
    assert high[0] == 1
    assert low[0] <= estimate[0] <= 1


def test_wider_levels_hold_narrower_ones(data):
    inner, outer = fit_of(data, 0.5), fit_of(data, 0.95)
    for one, other in (
        (inner.shape_interval(), outer.shape_interval()),
        (inner.failed_by(27.0), outer.failed_by(27.0)),
        (inner.life(0.1), outer.life(0.1)),
    ):
        assert other[1][0] <= one[1][0] <= one[2][0] <= other[2][0]


def test_one_age_for_each_stratum():
    lower, upper = [0, 30, 0, 40], [30, INF, 40, INF]
    lives = LifeRecords(lower * 2, upper * 2, count=[3, 7, 8, 2, 6, 4, 9, 1], stratum=[2] * 4 + [9] * 4)
    fit = fit_weibull(lives)
    both = np.array(fit.failed_by([30, 40]))
    assert_allclose(both[:, 0], np.array(fit.failed_by(30))[:, 0], rtol=1e-12)
    assert_allclose(both[:, 1], np.array(fit.failed_by(40))[:, 1], rtol=1e-12)
    shares = np.array(fit.life([0.1, 0.5]))
    assert_allclose(shares[:, 1], np.array(fit.life(0.5))[:, 1], rtol=1e-12)


def test_newton_and_the_search_in_brackets_meet(monkeypatch):
    strata = small_strata(300)
    quick = fit_weibull(strata.records())
    found = [quick.shape_interval(), quick.scale_interval(), quick.failed_by(20.0), quick.life(0.1)]
    monkeypatch.setattr(weibull, "_ROUNDS", 0)
    slow = fit_weibull(strata.records())
    sought = [slow.shape_interval(), slow.scale_interval(), slow.failed_by(20.0), slow.life(0.1)]
    assert_allclose(found, sought, rtol=1e-6, atol=1e-12)


def test_a_search_that_cannot_finish_gives_an_interval_too_wide(monkeypatch, data):
    monkeypatch.setattr(weibull, "_ROUNDS", 0)  # the search in brackets, alone
    whole = [part[0] for part in fit_of(data).failed_by(20.0)]
    for steps in (1, 4):
        monkeypatch.setattr(weibull, "_MOST_STEPS", steps)
        short = [part[0] for part in fit_of(data).failed_by(20.0)]
        assert short[0] == whole[0]
        assert short[1] <= whole[1]
        assert short[2] >= whole[2]


def test_table_holds_every_stratum():
    fit = fit_weibull(LifeRecords([0, 30, 0, 40, 3], [30, INF, 40, INF, INF], stratum=[0, 0, 0, 0, 4]))
    table = fit.table()
    assert table["stratum"].tolist() == [0, 4]
    assert table["status"].tolist() == fit.status.tolist()
    for column, interval in (("shape", fit.shape_interval()), ("scale", fit.scale_interval())):
        unit = "_years" if column == "scale" else ""
        for end, part in zip(("low", "high"), interval[1:], strict=True):
            assert_array_equal(table[f"{column}_{end}{unit}"], part)
    assert_array_equal(table[["shape_se", "scale_se_years"]], np.column_stack((fit.shape_se, fit.scale_se)))
    assert np.isnan([fit.shape_se[1], fit.scale_se[1]]).all()
    assert table["n_records"].tolist() == [4, 1]
    assert table["n_failed"].tolist() == [2, 0]
    assert table["n_sound"].tolist() == [2, 1]


@pytest.mark.parametrize("level", [0, 1, -0.1, 95, np.nan])
def test_a_level_outside_0_to_1_is_refused(level):
    with pytest.raises(InvalidInput, match=r"`level` must be above 0 and below 1; it is"):
        fit_weibull(LifeRecords(0, 5), level=level)


@pytest.mark.parametrize(("age", "shown"), [(-1, "-1"), (np.nan, "nan"), (INF, "inf")])
def test_an_impossible_age_is_refused(age, shown):
    with pytest.raises(InvalidInput, match=f"`age_years` must be finite and 0 or above; it holds {shown}"):
        fit_weibull(LifeRecords(0, 5)).failed_by(age)


@pytest.mark.parametrize(("share", "shown"), [(0, "0"), (1, "1"), (1.5, "1.5"), (np.nan, "nan")])
def test_an_impossible_share_is_refused(share, shown):
    with pytest.raises(InvalidInput, match=f"`share` must be above 0 and below 1; it holds {shown}"):
        fit_weibull(LifeRecords(0, 5)).life(share)


def test_ages_that_do_not_match_the_strata_are_refused():
    fit = fit_weibull(LifeRecords(0, [5, 6], stratum=[0, 1]))
    with pytest.raises(InvalidInput, match=r"one for each of the 2 strata; its shape is \(3,\)"):
        fit.failed_by([1, 2, 3])
