"""Weibull fits against published values, and against a general-purpose library on the same data.

"From memory": the printed digits were recalled and then reproduced by computation. "Reference": no printed
value; R 4.2.2 with survival 3.5-3 and Python libraries agree on the digits given here.
"""

import warnings
from pathlib import Path

import lifelines
import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize_scalar
from scipy.special import gamma
from scipy.stats import norm

from reliability.life import LifeRecords, fit_weibull
from reliability.life.weibull import Lines

DATA = Path(__file__).parents[1] / "data"
INF = np.inf


def read(name):
    """Read a published data set; the first line of each file names its source."""
    return pd.read_csv(DATA / f"{name}.csv", comment="#")


def ball_bearings():
    mrev = read("lieblein_zelen")["mrev"].to_numpy(float)
    return LifeRecords(mrev, mrev)


def fluid(voltage, count=1.0):
    data = read("insulating_fluid")
    time = data.loc[data["voltage"] == voltage, "time"].to_numpy(float)
    return LifeRecords(time, time, count=count)


def right_censored(time, failed, count=1.0, **more):
    time = np.asarray(time, float)
    return LifeRecords(time, np.where(np.asarray(failed) == 1, time, INF), count=count, **more)


def stopped_test():
    data = read("nist_weibull20")
    return right_censored(data["hours"], data["failed"], data["count"])


def cracked_parts(count=1.0):
    data = read("part_cracking")
    days = data["days"].to_numpy(float)
    found = data["fail"].to_numpy(float)
    lower, upper = np.append([0.0], days), np.append(days, INF)
    return LifeRecords(lower, upper, count=np.append(found, 167 - found.sum()) * count)


def only(fit):
    """Take shape, scale and log-likelihood of the one stratum, which must be usable."""
    assert fit.status.tolist() == ["ok"]
    return float(fit.shape[0]), float(fit.scale[0]), float(fit.log_likelihood[0])


# ---- witnessed lives


def test_ball_bearings():
    # Lieblein and Zelen (1956), J. Res. Natl. Bur. Stand. 57, 273-316; printed in Lawless (2003),
    # Statistical Models and Methods for Lifetime Data: shape 2.10, scale 81.88. From memory.
    shape, scale, value = only(fit_weibull(ball_bearings()))
    assert_allclose(shape, 2.10, atol=0.005)
    assert_allclose(scale, 81.88, atol=0.005)
    assert_allclose(value, -113.691, atol=0.0005)


@pytest.mark.parametrize(
    ("voltage", "mu", "sigma", "tolerance"),
    [
        # Nelson (1982), Applied Life Data Analysis, insulating fluid. Reference.
        # mu = log scale, sigma = 1 / shape.
        (26, 6.86249, 1.83423, 1e-5),  # three lives
        (30, 4.35133, 0.94446, 1e-5),
        (34, 2.50326, 1.29732, 5e-6),
        (38, 0.00092629, 0.73367610, 1e-5),
    ],
)
def test_insulating_fluid(voltage, mu, sigma, tolerance):
    shape, scale, _ = only(fit_weibull(fluid(voltage)))
    assert_allclose([np.log(scale), 1 / shape], [mu, sigma], atol=tolerance)


def test_insulating_fluid_in_scale_and_shape():
    # As above, 34 kV and 26 kV: scale 12.22222 and 955.74665, shape 0.77082 and 0.54519. Reference.
    shape, scale, _ = only(fit_weibull(fluid(34)))
    assert_allclose([scale, shape], [12.22222, 0.77082], atol=5e-6)
    shape, scale, _ = only(fit_weibull(fluid(26)))
    assert_allclose(scale, 955.74665, atol=0.005)
    assert_allclose(shape, 0.54519, atol=1e-5)


def narrow(interval, root_n=1000.0):
    """Half the width of an interval at the level of one standard error, times the root of the count."""
    _, low, high = interval
    return float(high[0] - low[0]) / 2 * root_n


def test_standard_errors_and_intervals_of_many_copies_are_the_published_ones():
    # Insulating fluid at 34 kV: standard errors of log scale, scale and shape 0.31476, 3.84707 and
    # 0.13603, from the observed information. Reference. With a million copies of each life the profile
    # is a parabola, so the interval at the level of one standard error is that wide.
    one_error = 2 * norm.cdf(1) - 1
    fit = fit_weibull(fluid(34, count=1e6), level=one_error)
    assert_allclose(narrow(fit.scale_interval()), 3.84707, rtol=2e-5)
    assert_allclose(narrow(fit.shape_interval()), 0.13603, rtol=5e-5)
    _, low, high = fit.scale_interval()
    assert_allclose(1000 * np.log(high / low) / 2, 0.31476, rtol=5e-5)
    fit = fit_weibull(fluid(34))
    assert_allclose([fit.scale_se, fit.shape_se], [[3.84707], [0.13603]], atol=5e-6)
    # Cracked parts: 0.0744 of log scale and 0.0987 of the log of 1 / shape. Reference.
    fit = fit_weibull(cracked_parts(count=1e6), level=one_error)
    for interval, published in ((fit.scale_interval(), 0.0744), (fit.shape_interval(), 0.0987)):
        _, low, high = interval
        assert_allclose(1000 * np.log(high / low) / 2, published, atol=5e-5)
    fit = fit_weibull(cracked_parts())
    assert_allclose([fit.scale_se / fit.scale, fit.shape_se / fit.shape], [[0.0744], [0.0987]], atol=5e-5)


@pytest.mark.parametrize(
    ("voltage", "low", "high", "within"),
    [
        # 95 % intervals of the shape by the normal approximation of log(1 / shape), insulating fluid.
        # Reference. Eight and nineteen lives: the profile interval is near them, and not the same.
        (34, 0.54542, 1.0894, 0.04),
        (38, 0.79077, 2.34933, 0.10),
    ],
)
def test_profile_intervals_lie_near_the_normal_ones(voltage, low, high, within):
    _, got_low, got_high = fit_weibull(fluid(voltage), level=0.95).shape_interval()
    assert_allclose([got_low[0], got_high[0]], [low, high], rtol=within)


# ---- right-censored lives


def test_stopped_test():
    # NIST/SEMATECH e-Handbook of Statistical Methods 8.4.1.3: scale 606.5280, shape 1.7208; its last
    # digits of the scale are not converged (606.5276), hence the tolerance. Log-likelihood 75.135
    # (printed without its sign), AIC 154.27; mean 540.737, standard deviation 323.806. Confirmed.
    shape, scale, value = only(fit_weibull(stopped_test()))
    assert_allclose(scale, 606.5280, atol=0.001)
    assert_allclose(shape, 1.7208, atol=5e-5)
    assert_allclose(value, -75.135, atol=0.0005)
    assert_allclose(2 * 2 - 2 * value, 154.27, atol=0.005)
    mean = scale * gamma(1 + 1 / shape)
    spread = scale * np.sqrt(gamma(1 + 2 / shape) - gamma(1 + 1 / shape) ** 2)
    assert_allclose([mean, spread], [540.737, 323.806], atol=0.0005)


def test_bearing_cages():
    # 6 fractures among 1703 cages: Abernethy et al. (1983), AFWAL-TR-83-2079; Meeker and Escobar (1998),
    # Statistical Methods for Reliability Data: shape 2.035, scale 11792 hours. From memory.
    data = read("bearing_cage")
    shape, scale, _ = only(fit_weibull(right_censored(data["hours"], data["failed"], data["count"])))
    assert_allclose(shape, 2.035, atol=0.0005)
    assert_allclose(scale, 11792, atol=0.5)


def test_diesel_fans():
    # Nelson (1982), 12 failures among 70 fans: shape 1.06, scale 26.3 thousand hours. From memory.
    data = read("diesel_fan")
    shape, scale, _ = only(fit_weibull(right_censored(data["hours"], data["status"])))
    assert_allclose(shape, 1.06, atol=0.005)
    assert_allclose(scale, 26_300, atol=50)


def remission():
    data = read("gehan_6mp")
    return right_censored(data["time"], data["cens"], stratum=(data["treat"] == "6-MP").astype(int))


def test_remission_one_curve_for_all():
    # Gehan's data, Venables and Ripley (2002), Modern Applied Statistics with S, ch. 13: log-likelihood
    # of the model without treatment -116.4. From memory.
    lives = remission()
    _, _, value = only(fit_weibull(LifeRecords(lives.lower, lives.upper)))
    assert_allclose(value, -116.4, atol=0.05)


def test_remission_with_a_common_shape():
    # The same source: with one shape for both groups mu 3.516 (6-MP), -1.267 for the control group,
    # 1 / shape 0.732, its log -0.312, log-likelihood -106.6. From memory. A common shape is the top of
    # the sum of the groups' profile likelihoods of the shape.
    fit = fit_weibull(remission())
    likelihood = fit._likelihood
    lines = Lines(likelihood, "shape", np.zeros(2))

    def at(log_shape):
        slope = np.exp(log_shape) * likelihood.spread
        value, level = lines.highest(fit._peak.level, np.log(slope))
        return value, np.log(likelihood.first_age) - level / np.exp(log_shape)

    found = minimize_scalar(lambda log_shape: -at(log_shape)[0].sum(), bounds=(-1, 2), method="bounded")
    value, mu = at(found.x)
    assert_allclose(mu[1], 3.516, atol=0.0005)
    assert_allclose(mu[0] - mu[1], -1.267, atol=0.0005)
    assert_allclose(-found.x, -0.312, atol=0.0005)
    assert_allclose(np.exp(-found.x), 0.732, atol=0.0005)
    assert_allclose(value.sum(), -106.6, atol=0.05)
    assert fit.log_likelihood.sum() >= value.sum()


# ---- interval-censored lives and lives inspected once


def test_cracked_parts():
    # Nelson (1982), Applied Life Data Analysis, p. 415: 167 parts inspected for cracks. mu 7.6880, log
    # sigma -0.3953, log-likelihood -309.6. Reference.
    shape, scale, value = only(fit_weibull(cracked_parts()))
    assert_allclose([np.log(scale), -np.log(shape)], [7.6880, -0.3953], atol=5e-5)
    assert_allclose(value, -309.6, atol=0.05)


def test_mice_each_looked_at_once():
    # Hoel and Walburg (1972), J. Natl. Cancer Inst. 49, 361-372: lung tumours, conventional mice.
    # Shape 2.040795, scale 1038.072, log-likelihood -54.05851. Reference.
    data = read("mice_lung_tumour")
    data = data[data["grp"] == "ce"]
    shape, scale, value = only(fit_weibull(LifeRecords(data["l"], data["u"])))
    assert_allclose(shape, 2.040795, atol=0.001)
    assert_allclose(scale, 1038.072, atol=0.1)
    assert_allclose(value, -54.05851, atol=0.002)


# ---- against lifelines on the same records


@pytest.mark.parametrize("data", [ball_bearings, stopped_test, lambda: fluid(34)])
def test_right_censored_fits_agree_with_lifelines(data):
    lives = data()
    shape, scale, value = only(fit_weibull(lives))
    other = lifelines.WeibullFitter().fit(
        lives.lower, event_observed=np.isfinite(lives.upper), weights=lives.count
    )
    assert_allclose([shape, scale], [other.rho_, other.lambda_], rtol=1e-4)
    assert_allclose(value, other.log_likelihood_, atol=1e-6)


def test_interval_censored_fit_agrees_with_lifelines():
    lives = cracked_parts()
    shape, scale, value = only(fit_weibull(lives))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # lifelines divides by the width of unbounded intervals
        other = lifelines.WeibullFitter().fit_interval_censoring(
            lives.lower, lives.upper, weights=lives.count
        )
    assert_allclose([shape, scale], [other.rho_, other.lambda_], rtol=1e-4)
    assert_allclose(value, other.log_likelihood_, atol=1e-5)


def test_share_failed_of_a_known_curve():
    # NIST/SEMATECH e-Handbook 8.1.6.4: shape 1.5, scale 5000, at 1000 hours 0.08556. From memory. Records
    # that agree exactly with such a curve at two ages give it back, at these and at other ages.
    def share(hours):
        return -np.expm1(-((hours / 5000.0) ** 1.5))

    ages = np.array([2000.0, 6000.0])
    lives = LifeRecords(
        np.concatenate(([0, 0], ages)),
        np.concatenate((ages, [INF, INF])),
        count=1000 * np.concatenate((share(ages), 1 - share(ages))),
    )
    fit = fit_weibull(lives)
    assert_allclose(only(fit)[:2], [1.5, 5000.0], rtol=1e-9)
    estimate, low, high = (float(part[0]) for part in fit.failed_by(1000.0))
    assert_allclose(estimate, 0.08556, atol=5e-6)
    assert low < estimate < high
