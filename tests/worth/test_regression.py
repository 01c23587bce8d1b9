"""Shrunk odds and amounts, and shares of small counts, held against published examples and plain formulas."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import dblquad
from scipy.optimize import minimize
from scipy.special import expit, logit, polygamma
from scipy.stats import beta, norm

from reliability.worth import regression
from reliability.worth.regression import (
    Block,
    beta_binomial_log_likelihood,
    fit_shrunk_amount,
    fit_shrunk_logit,
    share_interval,
    shrunk_shares,
)
from tests.life.cases import read


# B. Efron, C. Morris, Scientific American 236(5) (1977) 119-127: grand mean .265, shrinking factor .212,
# Clemente .294 (this one from memory). With the spreads their formula implies, the posterior mean is theirs.
def test_amounts_shrink_like_the_baseball_averages():
    rows = read("efron_morris_baseball")
    average = (rows["hits"] / rows["at_bats"]).to_numpy()
    mean = average.mean()
    within = mean * (1 - mean) / 45
    factor = 1 - (len(average) - 3) * within / ((average - mean) ** 2).sum()
    assert_allclose((mean, factor), (0.265, 0.212), atol=0.0005)
    fit = fit_shrunk_amount(
        average,
        [Block(np.ones((len(average), 1)), (100.0,))],
        inner=np.arange(len(average)),
        inner_sds=(np.sqrt(within * factor / (1 - factor)),),
        usual_sd=np.sqrt(within),
        usual_sd_worth=1e9,
    )
    shrunk, _, _ = fit.predict([[1.0]], [0])
    assert rows["player"][0] == "Clemente"
    assert_allclose(shrunk, 0.294, atol=0.0005)


# D. B. Rubin, "Estimation in parallel randomized experiments", J. Educ. Statist. 6 (1981) 377-401, table 1.
COACHED = np.array([28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0])
COACHED_SE = np.array([15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0])


# Groups that hardly differ: none.
ALONE = {"inner": np.arange(8), "inner_sds": (1e-6,)}


def eight_schools(**groups):
    return fit_shrunk_amount(
        COACHED,
        [Block(np.ones((8, 1)), (1e4,))],
        weights=COACHED_SE**-2.0,
        usual_sd=1.0,
        usual_sd_worth=1e9,
        **groups,
    )


def test_without_inner_groups_the_error_of_a_mean_is_the_plain_one():
    mean, sd, own = eight_schools(**ALONE).predict([[1.0]])
    # All schools as one: 7.7, standard error 4.1 (Gelman and others, "Bayesian Data Analysis", from memory).
    assert_allclose((mean[0], sd[0]), (7.7, 4.1), atol=0.05)
    assert_allclose(sd[0], (COACHED_SE**-2.0).sum() ** -0.5, rtol=1e-6)
    assert own[0] == 0.0


@pytest.mark.parametrize("spread", [5.0, 10.0, 25.0])
def test_eight_schools_at_a_known_spread(spread):
    fit = eight_schools(inner=np.arange(8), inner_sds=(spread,))
    got_mean, got_sd, got_own = fit.predict(np.ones((8, 1)), np.arange(8))
    # Rubin's formulas: the mean by weights 1 / (s^2 + spread^2), each school between it and its own.
    weight = 1 / (COACHED_SE**2 + spread**2)
    mean, of_mean = weight @ COACHED / weight.sum(), 1 / weight.sum()
    own = spread**2 / (COACHED_SE**2 + spread**2)
    assert_allclose(got_mean, own * COACHED + (1 - own) * mean, rtol=1e-4)
    assert_allclose(got_sd, np.sqrt((1 - own) * spread**2 + (1 - own) ** 2 * of_mean), rtol=1e-4)
    assert_allclose(got_own, own, rtol=1e-6)


@pytest.mark.parametrize(("repaired", "n"), [(30, 40), (15, 30), (200, 260)])
def test_a_rate_without_groups_is_as_sure_as_its_beta_posterior(repaired, n):
    level = Block(np.ones((1, 1)), (100.0,))
    fit = fit_shrunk_logit([float(repaired)], [float(n)], [level], inner=[0], inner_sds=(1e-6,))
    mean, sd, _ = fit.predict([[1.0]])
    # Log odds that are flat beforehand: Beta(repaired, n - repaired), whose log odds have these moments.
    lost = n - repaired
    assert_allclose(mean[0], polygamma(0, repaired) - polygamma(0, lost), atol=0.1 * sd[0])
    assert_allclose(sd[0], np.sqrt(polygamma(1, repaired) + polygamma(1, lost)), rtol=0.04)
    assert_allclose(mean[0], logit(repaired / n), atol=1e-3)


def test_amounts_agree_with_the_plain_matrix_formula():
    rng = np.random.default_rng(5)
    group, x = rng.integers(0, 4, 30), rng.normal(size=(30, 2))
    y = x @ [1.0, -0.5] + np.array([0.3, -0.2, 0.5, 0.0])[group] + rng.normal(0, 0.4, 30)
    fit = fit_shrunk_amount(
        y, [Block(x, (0.8,), 0.1)], inner=group, inner_sds=(0.3,), usual_sd=0.4, usual_sd_worth=1e9
    )
    z = np.hstack([x, np.eye(4)[group]])
    prior_mean, prior = np.array([0.1, 0.1, 0, 0, 0, 0]), np.diag([0.8**-2] * 2 + [0.3**-2] * 4)
    covariance = np.linalg.inv(z.T @ z / 0.16 + prior)
    mean = covariance @ (z.T @ y / 0.16 + prior @ prior_mean)
    ask = np.array([0.7, 0.2, 0, 0, 1, 0])
    got_mean, got_sd, _ = fit.predict([[0.7, 0.2]], [2])
    assert_allclose(got_mean, ask @ mean, rtol=1e-6)
    assert_allclose(got_sd, np.sqrt(ask @ covariance @ ask), rtol=1e-6)


def test_odds_agree_with_a_double_integral():
    # Two groups: 9 of 10 and 1 of 3; level N(0.5, 1), groups N(0, 0.7^2) around it.
    fit = fit_shrunk_logit(
        [9.0, 1.0],
        [10.0, 3.0],
        [Block(np.ones((2, 1)), (1.0,), 0.5)],
        inner=[0, 1],
        inner_sds=(0.7,),
    )

    def density(first, level):
        # The second group is summed out on a fine grid.
        second = np.linspace(-4, 4, 41)
        other = expit(level + second) * (1 - expit(level + second)) ** 2 * norm.pdf(second, 0, 0.7)
        p = expit(level + first)
        return p**9 * (1 - p) * norm.pdf(first, 0, 0.7) * norm.pdf(level, 0.5, 1.0) * other.sum()

    total = dblquad(density, -4, 5, -4, 4, epsabs=1e-7)[0]
    mean = dblquad(lambda f, m: (f + m) * density(f, m), -4, 5, -4, 4, epsabs=1e-7)[0] / total
    square = dblquad(lambda f, m: (f + m) ** 2 * density(f, m), -4, 5, -4, 4, epsabs=1e-7)[0] / total
    got_mean, got_sd, _ = fit.predict([[1.0]], [0])
    # Laplace's approximation: within a fifth of the posterior's own spread.
    sd = np.sqrt(square - mean**2)
    assert abs(got_mean[0] - mean) < 0.2 * sd
    assert_allclose(got_sd[0], sd, rtol=0.1)


def test_spreads_that_nothing_tells_apart_are_all_averaged_over():
    sds = (0.1, 0.4, 1.0)
    blocks = [Block(np.ones((0, 1)), sds, 0.2)] * 5
    fit = fit_shrunk_amount([], blocks, inner=[], inner_sds=sds, usual_sd=0.25)
    mean, sd, _ = fit.predict(np.ones((1, 5)))
    # 729 combinations, equally likely: a mean of variances in each of six places.
    assert_allclose((mean[0], sd[0]), (5 * 0.2, np.sqrt(6 * np.mean(np.square(sds)))))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_combinations_that_stand_for_all_say_what_all_say(monkeypatch, seed):
    # Few records, which tell little of the spreads: 81 combinations against a dozen of them.
    rng = np.random.default_rng(seed)
    group, x = rng.integers(0, 8, 60), rng.normal(size=(60, 2))
    y = rng.binomial(1, expit(rng.normal(0, 0.7, 8)[group] + 0.8 * x[:, 0])).astype(float)
    sds = (0.1, 0.4, 1.0)
    blocks = [Block(np.ones((60, 1)), sds), *(Block(x[:, [k]], sds) for k in range(2))]

    def predicted():
        fit = fit_shrunk_logit(y, np.ones(60), blocks, inner=group, inner_sds=sds)
        asked = np.column_stack([np.ones(8), np.linspace(-1, 1, 8), np.linspace(1, -1, 8)])
        return len(fit.fits), *fit.predict(asked, np.arange(8))

    few, mean, sd, own = predicted()
    monkeypatch.setattr(regression, "MOST_COMBINED", 81)
    many, all_mean, all_sd, all_own = predicted()
    assert few <= regression.HYPERCUBE < many
    assert np.abs(mean - all_mean).max() < 0.15 * all_sd.mean()
    assert_allclose(sd, all_sd, rtol=0.15)
    assert_allclose(own, all_own, atol=0.12)


# ---- shares of small counts


# Worked comparison of interval methods for 36 of 154 in the open CAMIS pages (printed to 3 digits).
def test_share_interval_agrees_with_a_published_comparison():
    assert_allclose(share_interval(36, 154, level=0.95), (0.172, 0.305), atol=0.0005)


@pytest.mark.parametrize(("k", "n"), [(1, 7), (6, 7), (3, 11)])
def test_share_interval_agrees_with_scipy(k, n):
    assert_allclose(share_interval(k, n, level=0.9), beta(k + 0.5, n - k + 0.5).ppf([0.05, 0.95]), atol=1e-12)


def test_limits_of_a_share_interval():
    low, high = share_interval([0, 5], [9, 5])
    assert (low[0], high[1]) == (0.0, 1.0)
    assert_allclose(share_interval(0, 0), (0.0, 1.0))


def rat_tumours():
    return read("rat_tumours")[["y", "n"]].to_numpy(float).T


# Tarone (1982), 70 historical experiments: maximum as printed in the vignette of the R package BayesGOF.
def test_beta_binomial_maximum_is_the_published_one():
    k, n = rat_tumours()[:, :70]
    found = minimize(
        lambda log_ab: -beta_binomial_log_likelihood(*np.exp(log_ab), k, n), np.log([1.0, 10.0]), tol=1e-10
    )
    assert_allclose(np.exp(found.x), (2.304768, 14.079707), atol=0.001)


# Gelman et al., Bayesian Data Analysis, chapter 5 (from memory, recomputed): posterior means of the prior's
# two numbers are 2.4 and 14.3, so the current experiment, 4 of 14, is drawn to (4 + 2.4) / (14 + 16.7).
def test_shares_are_drawn_together_like_the_rat_experiments():
    k, n = rat_tumours()
    drawn = shrunk_shares(k, n, usual=0.5, usual_worth=2.0)
    assert_allclose(drawn[-1], (4 + 2.4) / (14 + 2.4 + 14.3), atol=0.005)


def test_a_group_without_trials_gets_the_common_mean():
    shares = shrunk_shares([30, 0, 0], [100, 0, 0], usual=0.5, usual_worth=2.0)
    assert shares[1] == shares[2]
    assert 0.25 < shares[1] < 0.4
