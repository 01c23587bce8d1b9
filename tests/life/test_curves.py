"""Nonparametric curves: published values, slow twins, limits, refusals."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import chi2, norm

from reliability.errors import InvalidInput
from reliability.life import curves
from reliability.life.curves import fit_curve, share_limits, turnbull
from reliability.life.lives import LifeRecords
from tests.life.cases import INF, cracked_parts, read, right_censored, status, turbine_wheels


def surviving(curve, times):
    return 1 - curve.at(times)[0]


# ---- Kaplan-Meier: published values


@pytest.fixture(scope="module")
def six_mp():
    data = read("gehan_6mp")
    data = data[data["treat"] == "6-MP"]
    return fit_curve(right_censored(data["time"], data["cens"]))


# Klein JP, Moeschberger ML, Survival Analysis (1997/2003), Table 4.1A, data of Freireich et al. (1963):
# three and four digits recalled from memory, then reproduced by computation.
SIX_MP_TIMES = [6, 7, 10, 13, 16, 22, 23]


def test_kaplan_meier_of_6mp_patients(six_mp):
    assert six_mp.method == "Kaplan-Meier"
    assert_allclose(
        surviving(six_mp, SIX_MP_TIMES), [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448], atol=0.0011
    )


def test_greenwood_errors_of_6mp_patients(six_mp):
    errors = six_mp.standard_error[np.isin(six_mp.age_years, SIX_MP_TIMES)]
    assert_allclose(errors, [0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346], atol=5e-5)


# Miller RG (1981), Survival Analysis, p. 49, AML maintenance study; printed results of the survival
# package's own test (doaml).
AML = {
    "Maintained": {
        "surviving": [0.909, 0.818, 0.716, 0.614, 0.491, 0.368, 0.184],
        "error": [0.0867, 0.1163, 0.1397, 0.1526, 0.1642, 0.1627, 0.1535],
        "low": [0.7541, 0.6192, 0.4884, 0.3769, 0.2549, 0.1549, 0.0359],
        "median": 31,
    },
    "Nonmaintained": {
        "surviving": [0.8333, 0.6667, 0.5833, 0.4861, 0.3889, 0.2917, 0.1944, 0.0972],
        "error": [0.1076, 0.1361, 0.1423, 0.1481, 0.1470, 0.1387, 0.1219, 0.0919],
        "low": [0.6470, 0.4468, 0.3616, 0.2675, 0.1854, 0.1148, 0.0569, 0.0153],
        "median": 23,
    },
}


@pytest.mark.parametrize("group", AML)
def test_kaplan_meier_of_aml_patients(group):
    data = read("aml").query("x == @group")
    curve = fit_curve(right_censored(data["time"], data["status"]))
    at_events = (curve.events > 0) & (curve.failed < 1)
    share, error = 1 - curve.failed[at_events], curve.standard_error[at_events]
    assert_allclose(share, AML[group]["surviving"], atol=5e-4)
    assert_allclose(error, AML[group]["error"], atol=5e-5)
    # The printed lower limits are on the log scale, not on ours: they test share and error together.
    assert_allclose(share * np.exp(-norm.ppf(0.975) * error / share), AML[group]["low"], atol=5e-5)
    assert curve.life(0.5)[0] == AML[group]["median"]


# NIST/SEMATECH e-Handbook of Statistical Methods, 8.2.1.5: products 19/20, 19/20 x 18/19, …
def test_kaplan_meier_of_the_nist_handbook():
    data = read("nist_km20")
    curve = fit_curve(right_censored(data["hours"], data["failed"] == 1, data["count"]))
    expected = [0.95, 0.90, 0.84705882, 0.79411765, 0.73739496, 0.67035905]
    assert_allclose(surviving(curve, [10, 32, 56, 98, 122, 181]), expected, atol=1e-6)
    assert curve.n_records == 20


# Lung cancer data of Loprinzi et al. (1994): medians by sex as in the manual of the
# survival package, from memory.
@pytest.mark.parametrize(("sex", "days"), [(1, 270), (2, 426)])
def test_median_of_lung_patients(sex, days):
    data = read("lung").query("sex == @sex")
    assert fit_curve(right_censored(data["time"], data["status"] == 2)).life(0.5)[0] == days


# ---- current status and intervals: published values


# Nelson W (1982), Applied Life Data Analysis: 432 turbine wheels, each inspected once; exact arithmetic
# from the published counts.
def test_isotonic_curve_of_turbine_wheels():
    curve = fit_curve(turbine_wheels())
    expected = [0, 6 / 86, 6 / 86, 7 / 73, 5 / 30, 18 / 81, 18 / 81, 6 / 13, 43 / 74, 43 / 74, 21 / 36]
    assert curve.method == "isotonic"
    assert_allclose(curve.at(read("turbine_wheel")["hours"])[0], expected, atol=1e-6)


# Fay MP, Shaw PA (2010), J. Stat. Softw. 36(2), sections 4.1 and 6.3: intervals are (L, R]; breast
# cosmesis data of Finkelstein and Wolfe (1985).
def test_turnbull_masses_of_the_radiotherapy_patients():
    data = read("breast_cosmesis").query("treatment == 'Rad'")
    masses = turnbull(LifeRecords(data["left"], data["right"]))
    carries = masses.mass > 1e-6
    assert_array_equal(masses.left[carries], [4, 6, 7, 11, 24, 33, 38, 46])
    assert_array_equal(masses.right[carries], [5, 7, 8, 12, 25, 34, 40, 48])
    expected = [0.0463, 0.0334, 0.0887, 0.0708, 0.0926, 0.0818, 0.1209, 0.4656]
    assert_allclose(masses.mass[carries], expected, atol=5e-5)


# Fay and Shaw (2010), section 6.3: needs a tight criterion of convergence.
def test_turnbull_masses_of_fay_and_shaw():
    data = read("fay_shaw_example1")
    masses = turnbull(LifeRecords(data["L"], data["R"]))
    carries = masses.mass > 1e-9
    assert_array_equal(masses.right[carries], [3, 6, 10, 12])
    assert_allclose(masses.mass[carries], [2 / 7, 2 / 7, 3 / 14, 3 / 14], atol=1e-7)


# Nelson W (1982), Applied Life Data Analysis, p. 415: 167 parts; the share is the cumulative count.
def test_turnbull_curve_of_part_cracking():
    curve = fit_curve(cracked_parts())
    expected = [0.02994012, 0.12574850, 0.19760479, 0.30538922,
                0.41317365, 0.42514970, 0.46107784, 0.56287425]  # fmt: skip
    assert curve.method == "Turnbull"
    assert_allclose(curve.at(read("part_cracking")["days"])[0], expected, atol=1e-6)


# Meeker WQ, Escobar LA (1998), Statistical Methods for Reliability Data, chapter 3: heat exchanger
# tubes, plant 1.
def test_turnbull_curve_of_heat_exchanger_tubes():
    data = read("heat_exchanger").query("plant == 1")
    curve = fit_curve(LifeRecords(data["left"], data["right"], count=data["count"]))
    assert_allclose(curve.at([1, 2, 3])[0], [0.01, 0.03, 0.05], atol=1e-6)


# ---- second opinions


def random_status(seed, n=40, months=12):
    rng = np.random.default_rng(seed)
    age = np.ceil(rng.uniform(0.1, 50, n) * months) / months
    failed = rng.weibull(2, n) * 30 <= age
    return age, failed


@pytest.mark.parametrize("seed", range(3))
def test_turnbull_of_current_status_is_isotonic_band_included(seed):
    age, failed = random_status(seed, n=25)
    records = status(age, failed)
    curve, masses = fit_curve(records, level=0.8), turnbull(records)
    for i in range(1, curve.age_years.size, 3):
        at = curve.age_years[i]
        assert_allclose(masses.mass[masses.right <= at].sum(), curve.failed[i], atol=1e-6)
        assert_allclose(share_limits(masses, at, 0.8), (curve.low[i], curve.high[i]), atol=1e-4)


@pytest.mark.parametrize("seed", range(3))
def test_turnbull_of_exact_and_right_censored_lives_is_kaplan_meier(seed):
    rng = np.random.default_rng(seed)
    time, event = np.ceil(rng.weibull(2, 60) * 20), rng.random(60) < 0.6
    records = right_censored(time, event)
    curve, masses = fit_curve(records), turnbull(records)
    cumulated = [masses.mass[masses.right <= t].sum() for t in curve.age_years]
    assert_allclose(cumulated, curve.failed, atol=1e-8)


def mixture(seed, n=15):
    """Inspections of units whose year is one of up to four, and some whose day of failure is known."""
    rng = np.random.default_rng(seed)
    lower, upper, record, weight = [], [], [], []
    for i in range(n):
        age, life = rng.integers(15, 40), rng.weibull(3) * 30
        for shift in range(rng.integers(1, 5)):
            if life > age:
                bounds = (age + shift, INF)
            elif rng.random() < 0.3:
                bounds = (np.floor(life) + shift, np.floor(life) + shift + rng.integers(0, 3))
            else:
                bounds = (0, age + shift)
            lower.append(max(bounds[0], 0))
            upper.append(max(bounds[1], 1))
            record.append(i)
            weight.append(rng.uniform(0.5, 1))
    return LifeRecords(lower, upper, record=record, weight=weight)


def row_contains(records, left, right):
    """Which row contains which cell, straight from the definition."""
    lower, upper = records.lower[:, None], records.upper[:, None]
    exact_row, exact_cell = lower == upper, left == right
    inside = (lower <= left) & (right <= upper)
    inside &= ~exact_cell | exact_row | (lower < left)
    return inside & (~exact_row | exact_cell)


def elementary(records, *more):
    """Every cell between ages, and what records say of them straight from the definition: a dense matrix."""
    ages = np.unique(np.concatenate((records.lower, records.upper, [0, INF], more)))
    single = ages[(ages > 0) & np.isfinite(ages)]
    left, right = np.concatenate((ages[:-1], single)), np.concatenate((ages[1:], single))
    return right, record_matrix(records, left, right)


def record_matrix(records, left, right):
    inside = row_contains(records, left, right) * records.weight[:, None]
    return np.array([inside[records.record == r].sum(axis=0) for r in np.unique(records.record)])


@pytest.mark.parametrize("seed", range(6))
def test_turnbull_of_mixtures_agrees_with_a_slow_twin(seed):
    # Second opinion: plain self-consistency steps on every elementary cell; the likelihood must not be lower,
    # and no cell at all may ask for more mass.
    records = mixture(seed)
    right, matrix = elementary(records)
    mass = np.full(right.size, 1 / right.size)
    for _ in range(3000):
        mass *= (matrix / (matrix @ mass)[:, None]).mean(axis=0)
    masses = turnbull(records)
    assert masses.maximum.log_likelihood >= np.log(matrix @ mass).sum() - 1e-9
    likelihood = masses.likelihood.of_records(masses.mass)
    direct = record_matrix(records, masses.left, masses.right) @ masses.mass
    assert_allclose(
        np.sort(likelihood.repeat(masses.likelihood.count.astype(int))), np.sort(direct), rtol=1e-8
    )
    assert np.max((matrix / direct[:, None]).sum(axis=0)) <= matrix.shape[0] * (1 + 1e-8)


def uneven(seed, n=30):
    """Units whose year is one of up to six; each stands for a thousandth of one, for one or for a thousand."""
    rng = np.random.default_rng(seed)
    record = np.repeat(np.arange(n), rng.integers(1, 7, n))
    age = np.round(rng.uniform(3, 30, n))[record] + np.arange(record.size) % 5
    failed = (rng.random(n) < 0.5)[record]
    return LifeRecords(
        np.where(failed, np.maximum(age - 4, 0), age), np.where(failed, age, INF),
        record=record, count=rng.choice([1e-3, 1, 1000], n)[record], weight=rng.uniform(0.2, 1, record.size),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("draw", "at", "level", "seed"),
    [
        *((draw, at, 0.9, seed) for draw, at in ((mixture, 30.0), (uneven, 15.0)) for seed in range(6)),
        (uneven, 6.0, 0.5, 122),  # the ratio is straight in the share around the lower limit
    ],
)
def test_limits_agree_with_a_slow_profile(draw, at, level, seed):
    # Second opinion: hold the share at the limit by plain self-consistency steps on all cells.
    records = draw(seed)
    masses = turnbull(records)
    count = records.count[np.unique(records.record, return_index=True)[1]]
    assert masses.maximum.gap < 1e-10 * count.sum()
    right, matrix = elementary(records, at)
    early = right <= at
    for limit in share_limits(masses, at, level):
        total = np.where(early, limit, 1 - limit)
        mass = np.full(right.size, 1.0)
        for _ in range(4001):
            mass = np.where(early, mass / mass[early].sum(), mass / mass[~early].sum()) * total
            each = matrix @ mass
            gradient = (count[:, None] * matrix / each[:, None]).sum(axis=0)
            highest = gradient[early].max() * limit + gradient[~early].max() * (1 - limit)
            old, mass = (
                mass,
                np.maximum(mass * gradient, 1e-300),
            )  # a group without mass keeps its proportions
        # What is reached, and by concavity what can be reached at most.
        loss = 2 * (masses.maximum.log_likelihood - count @ np.log(each))
        least = loss - 2 * (highest - gradient @ old)
        if 0 < limit < 1:
            assert least - 2e-3 < chi2.ppf(level, 1) < loss + 2e-3
        else:  # not even none or all is ruled out
            assert loss < chi2.ppf(level, 1)


def test_next_to_nothing_rules_nothing_out():
    records = LifeRecords([0, 10, 5, 0, 20, 12], [12, INF, 9, 30, INF, 12.5], count=1e-100)
    assert share_limits(turnbull(records), 11.0, 0.9) == (0, 1)


def test_kaplan_meier_band_agrees_with_an_independent_library():
    from lifelines import KaplanMeierFitter

    rng = np.random.default_rng(5)
    time, event = np.ceil(rng.weibull(1.5, 50) * 15), rng.random(50) < 0.7
    time[np.argmax(time)] = time.max() + 1
    event[np.argmax(time)] = False  # somebody survives: the library's band is right everywhere but at 0
    curve = fit_curve(right_censored(time, event), level=0.95)
    with np.errstate():
        band = KaplanMeierFitter(alpha=0.05).fit(time, event).confidence_interval_cumulative_density_
    some = curve.failed > 0
    expected = band.loc[curve.age_years[some]].to_numpy()
    assert_allclose(np.column_stack((curve.low, curve.high))[some], expected, rtol=1e-9)


def test_kaplan_meier_takes_counts_that_are_not_whole():
    # The product-limit formula by hand: 1 - 0.5/4, then times 1 - 1.25/3.
    curve = fit_curve(right_censored([1, 2, 2, 3], [True, True, False, False], [0.5, 1.25, 0.5, 1.25]))
    at_risk = np.array([3.5, 3.0])
    share = np.cumprod(1 - np.array([0.5, 1.25]) / at_risk)
    assert_allclose(surviving(curve, [1, 2]), share)
    relative = 0.5 / (3.5 * 3.0) + 1.25 / (3.0 * 1.75)
    assert_allclose(curve.standard_error[curve.age_years == 2], share[1] * np.sqrt(relative))


# ---- limits


def test_one_age_has_the_limits_of_the_binomial_likelihood():
    # 3 of 12 failed at one age; the interval's ends solve the likelihood-ratio equation itself.
    curve = fit_curve(LifeRecords([0, 10], [10, INF], count=[3, 9]), level=0.95)
    assert curve.failed[-1] == 0.25
    for limit in (curve.low[-1], curve.high[-1]):
        loss = 2 * (3 * np.log(0.25 / limit) + 9 * np.log(0.75 / (1 - limit)))
        assert_allclose(loss, chi2.ppf(0.95, 1), rtol=1e-9)


@pytest.mark.parametrize("exact", [True, False])
def test_no_failure_leaves_an_upper_limit(exact):
    # (1 - p) ** 20 is the likelihood; its ratio to 1 must stay above exp(-chi2 / 2).
    records = LifeRecords([10], [INF], count=20)
    if exact:  # one failure later on makes it a Kaplan-Meier curve
        records = LifeRecords([10, 20], [INF, 20], count=[19, 1])
    _, low, high = fit_curve(records).at(10)
    assert_allclose(low, 0)
    assert_allclose(20 * np.log1p(-high), -chi2.ppf(0.9, 1) / 2)


def test_last_survivor_leaves_a_lower_limit():
    # n exact lives, all over: by the last one, the lowest share q that is allowed solves
    # sum of n_i log(1 + x / n_i) - (n_i - 1) log(1 + x / (n_i - 1)) = chi2 / 2 (Thomas and Grunkemeier 1975).
    # With one life that is log(1 + x) = chi2 / 2 and q = 1 - x / (1 + x) = exp(-chi2 / 2).
    curve = fit_curve(LifeRecords([7, 3], [7, INF]))
    assert curve.failed[-1] == 1
    assert_allclose(curve.low[-1], np.exp(-chi2.ppf(0.9, 1) / 2))
    assert curve.high[-1] == 1


def test_status_names_what_was_never_seen():
    assert fit_curve(LifeRecords([5, 6], INF)).status == "no failures"
    assert fit_curve(LifeRecords(0, [5, 6])).status == "all failed"
    assert fit_curve(LifeRecords([0, 5], [5, INF])).status == "ok"
    assert fit_curve(LifeRecords([3, 3], [3, INF])).usable
    assert not fit_curve(LifeRecords(0, [5, 6])).usable
    nothing = fit_curve(LifeRecords(0, INF))
    assert nothing.status == "no records"
    assert nothing.table().empty
    assert np.isnan(nothing.at(3)).all()


def test_between_and_beyond_the_ages():
    curve = fit_curve(LifeRecords([0, 10, 0, 20], [10, INF, 20, INF], count=[1, 9, 5, 5]))
    estimate, low, high = curve.at([0, 5, 10, 15, 20, 21])
    assert_allclose(estimate, [0, 0, 0.1, 0.1, 0.5, np.nan])
    assert_allclose(low[[1, 3, 5]], [0, curve.low[1], curve.low[2]])  # of the age before
    assert_allclose(high[[1, 3, 5]], [curve.high[1], curve.high[2], 1])  # of the age after
    assert_allclose(curve.life(0.5), (20, 10, INF), atol=1e-12)
    all_failed = fit_curve(LifeRecords(0, [5, 6]))
    assert all_failed.at(99)[0] == 1  # what has failed stays failed


def test_masses_that_were_not_found_are_not_shown(monkeypatch):
    monkeypatch.setattr(curves, "MAX_ROUNDS", 0)
    data = read("breast_cosmesis")
    curve = fit_curve(LifeRecords(data["left"], data["right"]))
    assert curve.status == "not converged"
    assert curve.age_years.size == 0


# ---- properties


@st.composite
def lives(draw):
    kind = draw(st.sampled_from(["status", "censored", "interval"]))
    ages = st.integers(1, 12)
    rows = []
    for _ in range(draw(st.integers(1, 10))):
        a, b = draw(ages), draw(ages)
        if kind == "status":
            rows.append((0, a) if draw(st.booleans()) else (a, INF))
        elif kind == "censored":
            rows.append((a, a) if draw(st.booleans()) else (a, INF))
        else:
            rows.append((min(a, b), draw(st.sampled_from([max(a, b), INF]))))
    return np.array(rows, float)


@given(lives(), st.randoms())
@settings(max_examples=40, deadline=None)
def test_order_counts_and_units_change_nothing_and_no_curve_falls(rows, random):
    curve = fit_curve(LifeRecords(rows[:, 0], rows[:, 1], count=2))
    assert np.all(np.diff(curve.failed) >= 0)
    assert np.all((curve.low >= 0) & (curve.high <= 1))
    assert np.all(curve.low <= curve.failed + 1e-6)
    assert np.all(curve.failed <= curve.high + 1e-6)
    mixed = np.repeat(rows, 2, axis=0)[random.sample(range(2 * len(rows)), 2 * len(rows))]
    for factor in (1, 12):  # years and months
        other = fit_curve(LifeRecords(mixed[:, 0] * factor, mixed[:, 1] * factor))
        assert other.method == curve.method
        assert other.n_records == curve.n_records == 2 * len(rows)
        assert_allclose(other.age_years, curve.age_years * factor)
        assert_allclose(other.failed, curve.failed, atol=1e-6)
        assert_allclose(np.stack((other.low, other.high)), (curve.low, curve.high), atol=1e-3)


# ---- refusals


@pytest.mark.parametrize(
    ("ask", "said"),
    [
        (lambda: fit_curve(LifeRecords(0, 5), level=90), "`level` must lie between 0 and 1; got 90"),
        (lambda: fit_curve(LifeRecords(0, 5), level=np.nan), "`level` must lie between 0 and 1; got nan"),
        (lambda: fit_curve(LifeRecords(0, 5)).at([1, -2]), "Ages must be numbers >= 0; got -2"),
        (lambda: fit_curve(LifeRecords(0, 5)).life(10), "`share` must lie between 0 and 1; got 10"),
    ],
)
def test_questions_that_make_no_sense_are_refused(ask, said):
    with pytest.raises(InvalidInput, match=said):
        ask()
