import csv
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize
from scipy.stats import beta

from reliability.worth.regression import beta_binomial_log_likelihood, share_interval, shrunk_shares

DATA = Path(__file__).parents[1] / "data"


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
    with (DATA / "rat_tumours.csv").open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    return np.array([[float(row["y"]), float(row["n"])] for row in rows]).T


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
