import csv
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize
from scipy.stats import binomtest

from reliability.errors import InvalidInput
from reliability.worth.regression import beta_binomial_log_likelihood, share_interval, shrunk_shares

DATA = Path(__file__).parents[1] / "data"


# Worked comparison of interval methods for 36 of 154 in the open CAMIS pages (printed to 3 digits).
@pytest.mark.parametrize(
    ("method", "printed"),
    [("exact", (0.169, 0.309)), ("Wilson", (0.174, 0.307)), ("Jeffreys", (0.172, 0.305))],
)
def test_share_interval_agrees_with_a_published_comparison(method, printed):
    assert_allclose(share_interval(36, 154, level=0.95, method=method), printed, atol=0.0005)


# R. G. Newcombe, Statistics in Medicine 17 (1998) 857-872, Table I; digits from memory, then recomputed.
@pytest.mark.parametrize(
    ("k", "n", "method", "printed"),
    [
        (81, 263, "Wilson", (0.2553, 0.3662)),
        (81, 263, "exact", (0.2527, 0.3676)),
        (15, 148, "Wilson", (0.0624, 0.1605)),
        (15, 148, "exact", (0.0578, 0.1617)),
        (1, 29, "Wilson", (0.0061, 0.1718)),
        (1, 29, "exact", (0.0009, 0.1776)),
    ],
)
def test_share_interval_agrees_with_newcombe(k, n, method, printed):
    assert_allclose(share_interval(k, n, level=0.95, method=method), printed, atol=5.1e-5)


@pytest.mark.parametrize(("k", "n"), [(0, 7), (7, 7), (3, 11)])
@pytest.mark.parametrize(("method", "theirs"), [("exact", "exact"), ("Wilson", "wilson")])
def test_share_interval_agrees_with_scipy(k, n, method, theirs):
    other = binomtest(k, n).proportion_ci(0.9, method=theirs)
    assert_allclose(share_interval(k, n, level=0.9, method=method), (other.low, other.high), atol=1e-12)


@pytest.mark.parametrize("method", ["Jeffreys", "exact", "Wilson"])
def test_without_trials_nothing_is_known(method):
    assert_allclose(share_interval(0, 0, method=method), (0.0, 1.0))


def test_share_interval_refuses_what_cannot_be():
    with pytest.raises(InvalidInput, match="1 of 2 do not"):
        share_interval([1, 5], [2, 4])
    with pytest.raises(InvalidInput, match="one of Jeffreys, exact, Wilson; got 'Wald'"):
        share_interval(1, 2, method="Wald")


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


def test_shrunk_shares_refuse_a_certainty():
    with pytest.raises(InvalidInput, match="both excluded; got 0"):
        shrunk_shares([1], [2], usual=0, usual_worth=1)
