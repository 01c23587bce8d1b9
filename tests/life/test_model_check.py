"""Weibull against other shapes of life, and against a risk that does not depend on age."""

import lifelines
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import chi2, expon, lognorm, weibull_min

from reliability.life import weibull
from reliability.life.lives import LifeRecords
from reliability.life.weibull import weibull_fits
from tests.life.cases import INF, ball_bearings, read, stopped_test, turbine_wheels


def check_model(lives):
    return weibull.check_model(lives, weibull_fits(lives))


def row(check, model):
    return check.table.set_index("model").loc[model]


# ---- published values


def test_ball_bearings_lognormal():
    # Lieblein and Zelen (1956); Lawless (2003): mean of log life 4.150, standard deviation 0.522 with
    # divisor n. From memory.
    mrev = read("lieblein_zelen")["mrev"].to_numpy(float)
    got = row(check_model(ball_bearings()), "lognormal")
    assert_allclose([got["location"], got["spread"]], [4.150, 0.522], atol=0.0005)
    # A closed form: moments of the logs, and the log-likelihood at them.
    logs = np.log(mrev)
    assert_allclose([got["location"], got["spread"]], [logs.mean(), logs.std()], rtol=1e-7)
    value = lognorm.logpdf(mrev, logs.std(), scale=np.exp(logs.mean())).sum()
    assert_allclose(got["log_likelihood"], value, rtol=1e-12)


def test_stopped_test_aic():
    # NIST/SEMATECH e-Handbook of Statistical Methods 8.4.1.3: AIC of the lognormal 154.39, of the
    # Weibull 154.27. Confirmed.
    check = check_model(stopped_test())
    assert_allclose(row(check, "lognormal")["aic"], 154.39, atol=0.005)
    assert_allclose(row(check, "Weibull")["aic"], 154.27, atol=0.005)


def test_turbine_wheels_lognormal():
    # Nelson (1982); Meeker and Escobar (1998): 432 wheels, each inspected once, in 100 hours. mu 3.6999,
    # log sigma -0.3287, log-likelihood -190.7. Reference: R 4.2.2, survival 3.5-3, and scipy agree.
    got = row(check_model(turbine_wheels()), "lognormal")
    assert_allclose([got["location"], np.log(got["spread"])], [3.6999, -0.3287], atol=5e-5)
    assert_allclose(got["log_likelihood"], -190.7, atol=0.05)


# ---- second opinion


@pytest.mark.parametrize(
    ("model", "fitter", "location_and_spread"),
    [
        ("lognormal", lifelines.LogNormalFitter, lambda fit: (fit.mu_, fit.sigma_)),
        ("log-logistic", lifelines.LogLogisticFitter, lambda fit: (np.log(fit.alpha_), 1 / fit.beta_)),
        ("exponential", lifelines.ExponentialFitter, lambda fit: (np.log(fit.lambda_), 1)),
    ],
)
def test_right_censored_fits_agree_with_lifelines(model, fitter, location_and_spread):
    lives = stopped_test()
    other = fitter().fit(lives.lower, event_observed=np.isfinite(lives.upper), weights=lives.count)
    got = row(check_model(lives), model)
    assert_allclose(got["log_likelihood"], other.log_likelihood_, atol=1e-6)
    location, spread = location_and_spread(other)
    assert_allclose(got["location"], location, rtol=1e-4)
    assert_allclose(got["spread"], spread, rtol=1e-3)


@pytest.mark.parametrize("seed", range(3))
def test_interval_censored_fits_are_the_tops_of_the_plain_likelihood(seed):
    # scipy's own distributions, on a grid around the answer: nothing there is higher.
    rng = np.random.default_rng(seed)
    true_life = 25 * rng.weibull(2.0, 50)
    lower = np.floor(true_life / 5) * 5
    upper = np.where(lower >= 30, INF, lower + 5)
    lower = np.minimum(lower, 30.0)
    table = check_model(LifeRecords(lower, upper)).table.set_index("model")
    shapes = {
        "lognormal": lambda at, spread: lognorm(spread, scale=np.exp(at)),
        "Weibull": lambda at, spread: weibull_min(1 / spread, scale=np.exp(at)),
        "exponential": lambda at, _: expon(scale=np.exp(at)),
    }
    for model, shape in shapes.items():
        got = table.loc[model]

        def value(at, spread, shape=shape):
            return np.log(shape(at, spread).cdf(upper) - shape(at, spread).cdf(lower)).sum()

        assert_allclose(got["log_likelihood"], value(got["location"], got["spread"]), rtol=1e-10)
        for shift in (-0.02, 0.0, 0.02):
            for factor in (0.97, 1.0, 1.03):
                assert value(got["location"] + shift, got["spread"] * factor) <= got["log_likelihood"] + 1e-9


# ---- the test of ageing


def test_ageing_statistic_of_witnessed_lives_has_a_closed_form_at_shape_1():
    time = np.array([3.0, 8.0, 9.0, 15.0, 21.0, 22.0])
    check = check_model(LifeRecords(time, time))
    ageless = -time.size * (np.log(time.mean()) + 1)
    assert_allclose(row(check, "exponential")["log_likelihood"], ageless, rtol=1e-12)
    statistic = 2 * (row(check, "Weibull")["log_likelihood"] - ageless)
    assert_allclose(check.ageing_p, chi2.sf(statistic, 1), rtol=1e-9)


# ---- verdicts


def sampled(draw, stop):
    life = draw(np.random.default_rng(0))
    return LifeRecords(np.minimum(life, stop), np.where(life < stop, life, INF))


@pytest.mark.parametrize(
    ("draw", "stop", "verdict", "best"),
    [
        (lambda rng: 25 * rng.weibull(3.0, 500), 40.0, "fair summary", "Weibull"),
        (lambda rng: 25 * rng.weibull(0.5, 500), 40.0, "fair summary", "Weibull"),
        (lambda rng: 15 * np.exp(0.8 * rng.normal(size=1000)), 100.0, "another shape fits better",
         "lognormal"),
        (lambda rng: 20 * rng.weibull(3.0, 4), 40.0, "too few to tell", None),
    ],
)  # fmt: skip
def test_verdicts(draw, stop, verdict, best):
    check = check_model(sampled(draw, stop=stop))
    assert check.verdict == verdict
    assert best in (None, check.best)
    table = check.table
    assert table["aic"].is_monotonic_increasing
    assert table["model"].iloc[0] == check.best
    assert table["aic_difference"].iloc[0] == 0
    assert_allclose(table["aic"], 2 * table["n_parameters"] - 2 * table["log_likelihood"])
