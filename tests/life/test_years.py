"""Production year: slope, change year, false discoveries."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.optimize import minimize
from scipy.special import expit, log_expit
from scipy.stats import chi2, false_discovery_control

from reliability.errors import InvalidInput
from reliability.life.lives import LifeRecords
from reliability.life.years import (
    Group,
    Null,
    change_year,
    dated_records,
    false_discovery_rate,
    find_changes,
    find_slopes,
    prepare_search,
    year_slope,
)

INF = np.inf


def fleet(seed, n, *, factor=1.0, from_year=1982, slope=0.0, shape=4.0, scale=40.0):
    """Units of twelve production years, taken in over eight; later lives times `factor` from one year on."""
    rng = np.random.default_rng(seed)
    year = rng.integers(1976, 1988, n).astype(float)
    age = np.maximum(np.round((rng.uniform(2016, 2024, n) - year - 0.5) * 12), 1) / 12
    length = scale * np.where(year >= from_year, factor, 1.0) * np.exp(slope * (year - 1982) / 10)
    failed = rng.weibull(shape, n) * length <= age
    return LifeRecords(np.where(failed, 0, age), np.where(failed, age, INF)), year


def windows(year, alternatives):
    """One record of each kind, and one whose year is one of several."""
    lower, upper = np.array([0.0, 30, 0, 0]), np.array([30, INF, 29, 30])
    return LifeRecords(lower, upper, record=[0, 1, 2, 2]), np.array([*year, *alternatives])


# ---- false discoveries


# Benjamini and Hochberg (1995), section 4.1: fifteen comparisons of a thrombolysis trial, of which the
# procedure at 5 % rejects the four smallest. P-values from memory.
BENJAMINI_HOCHBERG = [
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719,
    0.6528, 0.7590, 1.0000,
]  # fmt: skip


def test_discoveries_of_the_published_example():
    assert_array_equal(np.flatnonzero(false_discovery_rate(BENJAMINI_HOCHBERG) <= 0.05), [0, 1, 2, 3])


@given(st.lists(st.floats(0, 1), min_size=1, max_size=20))
def test_rates_agree_with_an_independent_library(p_values):
    assert_allclose(false_discovery_rate(p_values), false_discovery_control(p_values), atol=1e-12)


def test_searches_without_an_answer_count_for_nothing():
    assert_allclose(false_discovery_rate([0.02, np.nan, 0.04]), [0.04, np.nan, 0.04])


# ---- slope of the year


def three_parameters(records, year, level):
    """Second opinion: shape, scale and slope at once by a general optimiser, profiled by its bounds."""
    decades = (year - year.mean()) / 10

    def loss(free, slope=None):
        log_shape, log_scale = free[:2]
        tilt = free[2] if slope is None else slope
        scale = np.exp(log_scale + tilt * decades)
        with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
            low = (records.lower / scale) ** np.exp(log_shape)
            high = (records.upper / scale) ** np.exp(log_shape)
            between = -low + np.log(-np.expm1(low - high))
            density = (
                log_shape + (np.exp(log_shape) - 1) * np.log(records.lower / scale) - np.log(scale) - low
            )
        value = np.where(records.lower == records.upper, density, between)
        return -float(records.count @ value)

    def best(slope=None):
        start = [1.0, np.log(40.0)] + ([0.0] if slope is None else [])
        options = {"xatol": 1e-9, "fatol": 1e-10, "maxiter": 4000}
        return minimize(loss, start, args=(slope,), method="Nelder-Mead", options=options)

    top = best()
    return top, lambda slope: 2 * (best(slope).fun - top.fun) - chi2.ppf(level, 1)


@pytest.mark.parametrize("exact", [False, True])
def test_slope_agrees_with_a_general_optimiser(exact):
    records, year = fleet(3, 150, slope=0.3)
    if exact:  # some windows and witnessed failures
        failed = np.isfinite(records.upper)
        lower = np.where(failed & (np.arange(150) % 3 == 0), records.upper - 4, records.lower)
        lower = np.where(failed & (np.arange(150) % 3 == 1), records.upper, lower)
        records = LifeRecords(lower, records.upper)
    found = year_slope(records, year, level=0.8)
    top, excess = three_parameters(records, year, 0.8)
    assert found.status == "ok"
    assert_allclose(found.slope, top.x[2], atol=2e-3)
    assert_allclose(found.shape, np.exp(top.x[0]), rtol=1e-2)
    assert_allclose(found.scale_years, np.exp(top.x[1]), rtol=1e-3)
    for end in (found.low, found.high):
        if np.isfinite(end):
            assert_allclose(excess(end), 0, atol=0.02)
    assert_allclose(found.p_value, chi2.sf(excess(0.0) + chi2.ppf(0.8, 1), 1), atol=2e-3)


def test_strong_slope_is_found():
    records, year = fleet(1, 600, slope=0.4)
    found = year_slope(records, year)
    assert found.low < 0.4 < found.high
    assert found.p_value < 0.01
    assert found.usable
    assert_allclose(found.reference_year, year.mean())


@given(st.integers(0, 50), st.sampled_from([1.0, 12.0, 365.25]), st.integers(-30, 30))
@settings(max_examples=15, deadline=None)
def test_slope_does_not_depend_on_units_order_or_origin(seed, unit, shift):
    records, year = fleet(seed, 40)
    found = year_slope(records, year)
    order = np.random.default_rng(seed).permutation(40)
    other = year_slope(
        LifeRecords(records.lower[order] * unit, records.upper[order] * unit), year[order] + shift
    )
    assert other.status == found.status
    assert_allclose([other.slope, other.low, other.high], [found.slope, found.low, found.high], atol=1e-3)
    if found.usable:
        assert_allclose(other.scale_years, found.scale_years * unit, rtol=1e-3)


def test_slope_of_replicates_is_slope_of_counts():
    records, year = fleet(5, 60)
    twice = year_slope(
        LifeRecords(np.repeat(records.lower, 2), np.repeat(records.upper, 2)), np.repeat(year, 2)
    )
    counted = year_slope(LifeRecords(records.lower, records.upper, count=2), year)
    assert_allclose([twice.slope, twice.low, twice.p_value], [counted.slope, counted.low, counted.p_value])
    assert twice.n_records == counted.n_records == 120


@pytest.mark.parametrize(
    ("lower", "upper", "year", "status"),
    [
        ([0, 30, 0], [30, INF, 35], [1980, 1980, 1980], "one year only"),
        ([30, 31, 32], [INF] * 3, [1980, 1983, 1981], "no failures"),
        ([0, 0, 0], [30, 31, 33], [1980, 1983, 1981], "all failed"),
        ([0, 30, 0, 31], [38, INF, 39, INF], [1980, 1983, 1982, 1981], "one age fits all"),
        ([0, 0], [INF, INF], [1980, 1983], "no records"),
        # old units fail and young ones do not, but so do early ones and late ones
        ([0, 0, 30, 30], [40, 39, INF, INF], [1970, 1971, 1980, 1980], "cannot tell ageing from vintage"),
    ],
)
def test_status_says_why_there_is_no_slope(lower, upper, year, status):
    found = year_slope(LifeRecords(lower, upper), year)
    assert found.status == status
    assert not found.usable
    assert np.isnan([found.slope, found.low, found.high, found.p_value]).all()


def test_slope_without_visible_ageing_has_no_bound():
    # The young late units fail, the old early ones do not: the year explains it, age has no part in it.
    lower = [0, 0, 0, 0, 30, 40, 45, 47, 0, 33]
    upper = [25, 30, 35, 33, INF, INF, INF, INF, 41, INF]
    year = [1990, 1988, 1987, 1989, 1980, 1979, 1976, 1975, 1977, 1988]
    found = year_slope(LifeRecords(lower, upper), year)
    assert found.status == "no bound"
    assert np.isnan(found.slope)
    assert found.low == -INF


@pytest.mark.parametrize(
    ("age", "failed", "year", "slopes"),
    [
        ([10, 10, 20, 10, 20, 30], [0, 1, 1, 1, 1, 0], [1990, 1975, 1975, 1975, 1990, 1990], (8.0, 9.5)),
        ([20, 10, 20, 30, 10, 20], [1, 0, 0, 1, 1, 1], [1985, 1990, 1990, 1990, 1990, 1975], (8.5, 9.5)),
        ([40, 30, 30, 10, 20], [0, 1, 1, 0, 0], [1980, 1990, 1980, 1980, 1980], (-5.0, -8.0)),
    ],
)
def test_equally_likely_slopes_of_a_wide_range_have_no_bound(age, failed, year, slopes):
    age, failed = np.array(age, float), np.array(failed, bool)
    records = LifeRecords(np.where(failed, 0, age), np.where(failed, age, INF))
    found = year_slope(records, year)
    assert found.status == "no bound"
    assert np.isnan([found.slope, found.shape, found.scale_years]).all()
    assert np.isinf([found.low, found.high]).any()

    # They are alike indeed: the largest log-likelihoods at two far slopes, by a general optimiser.
    def best(slope):
        place = np.log(age) - slope * (np.array(year) - np.mean(year)) / 10

        def loss(at):
            hazard = np.exp(np.clip(np.exp(at[0]) * (place - at[1]), -700, 700))
            return -np.sum(np.where(failed, np.log(-np.expm1(-hazard) + 1e-300), -hazard))

        starts = [(k, m) for k in (0.0, 1.0, 3.0, 5.0) for m in np.quantile(place, [0.1, 0.3, 0.5, 0.7, 0.9])]
        return -min(minimize(loss, start, method="Nelder-Mead", tol=1e-12).fun for start in starts)

    assert_allclose(best(slopes[0]), best(slopes[1]), atol=1e-6)


def test_unknown_years_are_left_out_and_counted():
    records, year = windows([1980, 1982], [1980, 1981])
    found = dated_records(records, year)
    assert found.rows.tolist() == [0, 1]
    assert found.note == "1 records without a known year are left out"
    assert dated_records(LifeRecords([0, 30], [30, INF]), [1980, np.nan]).n_left_out == 1


# ---- change year


def test_statistics_follow_their_definitions():
    # Second opinion: one candidate at a time, isotonic curves by the formula of largest smallest means.
    records, year = fleet(2, 25)
    dated = dated_records(records, year)
    search = prepare_search(dated)
    got = search.statistics(search.failed[None, :])[0]
    order = np.argsort(dated.age_years, kind="stable")
    age, year, failed = dated.age_years[order], dated.year[order], dated.failed[order].astype(float)

    def curve(chosen):
        ages = np.unique(age[chosen])
        n = np.array([np.sum(chosen & (age == a)) for a in ages])
        d = np.array([failed[chosen & (age == a)].sum() for a in ages])
        share = {
            a: max(
                min(d[i : k + 1].sum() / n[i : k + 1].sum() for k in range(j, ages.size))
                for i in range(j + 1)
            )
            for j, a in enumerate(ages)
        }
        return np.array([share.get(a, np.nan) for a in age])

    def log_likelihood(share, chosen):
        sure = chosen & (share > 0) & (share < 1)  # elsewhere the curve is certain, and right
        return np.sum(np.log(np.where(failed == 1, share, 1 - share)[sure]))

    everyone = np.ones(25, dtype=bool)
    pooled = curve(everyone)
    for candidate, (score, gain) in zip(search.candidates, got, strict=True):
        later = year >= candidate
        line = np.polyfit(np.log(age), later.astype(float), 1)
        z = later - np.polyval(line, np.log(age))
        assert_allclose(score, np.sum(z * (failed - pooled)) ** 2 / np.sum(z**2 * pooled * (1 - pooled)))
        apart = log_likelihood(curve(later), later) + log_likelihood(curve(~later), ~later)
        assert_allclose(gain, apart - log_likelihood(pooled, everyone), atol=1e-9)


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_strong_change_is_found_in_its_year(factor):
    records, year = fleet(4, 200, factor=factor)
    found = change_year(records, year)
    assert found.status == "ok"
    assert found.p_value < 0.01
    assert abs(found.year - 1982) <= 1
    worse, better = (found.after, found.before) if factor < 1 else (found.before, found.after)
    assert worse[1] > better[2]  # the intervals at the common age do not meet


def test_extreme_data_have_the_smallest_p_value_there_is():
    # Of 120 units, taken in at all ages, exactly the later half has failed.
    age, year = (a.ravel() for a in np.meshgrid(np.arange(30.0, 40), np.arange(1976.0, 1988)))
    failed = year >= 1982
    records = LifeRecords(np.where(failed, 0, age), np.where(failed, age, INF))
    found = change_year(records, year, n_bootstrap=99)
    assert found.p_value == 1 / 100
    assert found.year == 1982


def test_rate_of_false_alarms_without_weibull_lives():
    # Half of the parts die between 35 and 39 years, the rest later or never: far from any Weibull.
    rng = np.random.default_rng(11)
    alarms = 0
    for seed in range(120):
        records, year = fleet(seed, 40)
        age = np.where(np.isinf(records.upper), records.lower, records.upper)
        life = np.where(rng.random(40) < 0.5, rng.uniform(35, 39, 40), rng.uniform(40, 120, 40))
        failed = life <= age
        lives = LifeRecords(np.where(failed, 0, age), np.where(failed, age, INF))
        alarms += change_year(lives, year, n_bootstrap=199, seed=seed).p_value <= 0.05
    # 5 % of 120 are 6; 15 or more would come once in a thousand times.
    assert alarms <= 14


def test_parts_of_one_unit_are_one_witness():
    records, year = fleet(8, 40, factor=0.7)
    single = change_year(records, year)
    lower, upper = np.repeat(records.lower, 4), np.repeat(records.upper, 4)
    four = LifeRecords(lower, upper)
    apart = change_year(four, np.repeat(year, 4))
    together = change_year(four, np.repeat(year, 4), unit=np.repeat(np.arange(40), 4))
    assert apart.p_value < 0.5 * single.p_value
    assert_allclose(together.p_value, single.p_value, rtol=0.6)


def test_search_asks_for_the_state_at_inspection():
    # Days of failure are known for two parts: without the age at inspection the search would think that
    # they were inspected on that day.
    records, year = fleet(6, 60)
    age = np.where(np.isinf(records.upper), records.lower, records.upper)
    known = np.flatnonzero(np.isfinite(records.upper))[:2]
    upper = records.upper.copy()
    upper[known] -= 5
    found = change_year(LifeRecords(records.lower, upper), year, age_years=age)
    plain = change_year(records, year)
    assert (found.year, found.p_value) == (plain.year, plain.p_value)


def test_same_seed_gives_the_same_answer_in_any_order():
    records, year = fleet(9, 50)
    found = change_year(records, year, seed=3)
    assert change_year(records, year, seed=3) == found
    order = np.random.default_rng(0).permutation(50)
    other = change_year(LifeRecords(records.lower[order], records.upper[order]), year[order], seed=3)
    assert other.year == found.year
    assert other.p_value == found.p_value


def test_counts_are_replicates():
    records, year = fleet(10, 30)
    counted = change_year(LifeRecords(records.lower, records.upper, count=2), year)
    doubled = change_year(
        LifeRecords(np.repeat(records.lower, 2), np.repeat(records.upper, 2)), np.repeat(year, 2)
    )
    assert counted.year == doubled.year
    assert counted.n_records == doubled.n_records == 60
    assert counted.p_value == doubled.p_value


def test_too_few_records_and_confounded_ones_get_no_p_value():
    records, year = fleet(1, 9)
    assert change_year(records, year).status == "too few records"
    records, year = fleet(1, 60, scale=1000)
    assert change_year(records, year).status == "too few records"
    one_day = LifeRecords([0, 0, 0, 30, 30, 29] * 3, [46, 45, 44, INF, INF, INF] * 3)
    found = change_year(one_day, [1978, 1979, 1980, 1994, 1994, 1995] * 3)
    assert found.status == "cannot tell ageing from vintage"
    assert np.isnan([found.p_value, found.year, *found.before, *found.after]).all()
    assert "age and production year move together (correlation -1.00)" in found.note


@pytest.mark.parametrize(
    ("n_failed", "said"), [(4, "only 4 had failed"), (26, "only 4 still worked"), (6, "")]
)
def test_a_search_with_hardly_a_chance_says_so(n_failed, said):
    records, year = fleet(13, 30)
    age = np.where(np.isinf(records.upper), records.lower, records.upper)
    failed = np.arange(30) < n_failed
    lives = LifeRecords(np.where(failed, 0, age), np.where(failed, age, INF))
    found = change_year(lives, year, n_bootstrap=50)
    assert found.status == "ok"
    assert found.note == (f"{said}: a change would have to be extreme to show" if said else "")


def test_cohorts_never_seen_at_one_age_are_said_so():
    age = [*np.linspace(40, 44, 10), *np.linspace(30, 34, 10)]
    failed = np.tile([True, False], 10)
    year = [*[1980.0, 1981] * 5, *[1990.0, 1994] * 5]
    records = LifeRecords(np.where(failed, 0, age), np.where(failed, age, INF))
    found = change_year(records, year, n_bootstrap=50)
    if found.year == 1990:
        assert "never seen at one age" in found.note
        assert np.isnan(found.reference_age_years)
    else:
        assert found.reference_age_years > 0


# ---- many strata


@pytest.fixture(scope="module")
def three_families():
    parts = [fleet(4, 200, factor=0.5), fleet(5, 40), fleet(6, 8)]
    records = LifeRecords(
        np.concatenate([r.lower for r, _ in parts]),
        np.concatenate([r.upper for r, _ in parts]),
        stratum=np.repeat([0, 1, 2], [200, 40, 8]),
    )
    labels = pd.DataFrame({"stratum": [0, 1, 2], "family": ["Dallow 80", "Tarnwick T2", "Tarnwick T4"]})
    return parts, records, np.concatenate([y for _, y in parts]), labels


def test_all_families_at_once_are_one_at_a_time(three_families):
    parts, records, year, labels = three_families
    table = find_changes(records, year, labels)
    slopes = find_slopes(records, year, labels)
    assert table["family"].tolist() == labels["family"].tolist()
    for row, slope_row, (lives, years) in zip(table.itertuples(), slopes.itertuples(), parts, strict=True):
        alone, slope = change_year(lives, years), year_slope(lives, years)
        assert row.status == alone.status
        assert_allclose(row.p_value, alone.p_value)
        assert_allclose(row.change_year, alone.year)
        assert_allclose([row.failed_after, row.failed_after_high], [alone.after[0], alone.after[2]])
        assert slope_row.status == slope.status
        assert_allclose([slope_row.slope, slope_row.low], [slope.slope, slope.low])
    assert_allclose(table["q_value"], false_discovery_rate(table["p_value"]))
    assert_allclose(slopes["q_value"], false_discovery_rate(slopes["p_value"]))
    assert table["q_value"][0] < 0.01
    assert table["status"].tolist() == ["ok", "ok", "too few records"]


def test_a_search_alone_finds_the_same_and_describes_nothing(three_families):
    _, records, year, labels = three_families
    whole = find_changes(records, year, labels, n_bootstrap=199)
    alone = find_changes(records, year, labels, n_bootstrap=199, describe=False)
    told = [name for name in whole if name.startswith("failed_")]
    assert whole.loc[whole["status"] == "ok", told].notna().all(axis=None)
    assert alone[told].isna().all(axis=None)
    pd.testing.assert_frame_equal(whole.drop(columns=told), alone.drop(columns=told))


def test_order_of_the_labels_is_kept(three_families):
    _, records, year, labels = three_families
    age = np.where(np.isinf(records.upper), records.lower, records.upper)
    back = find_changes(
        records, year, labels[::-1], age_years=age, unit=np.arange(len(records)), n_bootstrap=99
    )
    assert back["family"].tolist() == labels["family"].tolist()[::-1]
    assert back["p_value"].isna().tolist() == [True, False, False]


# ---- refusals


def test_lengths_strata_and_ages_are_checked():
    records, year = fleet(1, 20)
    with pytest.raises(InvalidInput, match=r"`year` needs one number for each of the 20 rows; .*\(19,\)"):
        year_slope(records, year[1:])
    with pytest.raises(InvalidInput, match=r"`unit` needs one number for each of the 20 rows; .*\(3,\)"):
        change_year(records, year, unit=[1, 2, 3])
    with pytest.raises(InvalidInput, match=r"`age_years` must be above 0 in every record; got 0"):
        change_year(records, year, age_years=np.zeros(20))
    two = LifeRecords(records.lower, records.upper, stratum=np.arange(20) % 2)
    with pytest.raises(InvalidInput, match=r"within one stratum; these records hold 2"):
        change_year(two, year)


def test_labels_must_name_the_strata(three_families):
    _, records, year, labels = three_families
    for wrong, match in (
        (labels[:2], r"it has \[0, 1\], the records have \[0, 1, 2\]"),
        (labels.drop(columns="stratum"), r"it has no column stratum"),
    ):
        for find in (find_changes, find_slopes):
            with pytest.raises(InvalidInput, match=match):
                find(records, year, wrong)
    with pytest.raises(InvalidInput, match=r"`year` needs one number for each of the 248 rows"):
        find_slopes(records, year[:5], labels)


@pytest.mark.parametrize("level", [0, 1, 90])
def test_level_must_be_a_probability(level):
    with pytest.raises(InvalidInput, match=rf"`level` must lie between 0 and 1; got {level}"):
        year_slope(*fleet(1, 20), level=level)


def test_search_needs_whole_counts_and_simulations():
    records, year = fleet(1, 20)
    with pytest.raises(InvalidInput, match=r"`n_bootstrap` must be at least 1; got 0"):
        change_year(records, year, n_bootstrap=0)
    with pytest.raises(InvalidInput, match=r"needs whole counts"):
        change_year(LifeRecords(records.lower, records.upper, count=0.5), year)


# ---- The curve of the search for a change year where nothing changed.


def null_of(age):
    age = np.sort(np.asarray(age, dtype=float))
    return Null.of(Group.of(age, np.arange(age.size)), np.log(age))


def penalised(x, failed):
    """Second opinion: the likelihood times the square root of the information, by a general optimiser."""
    both = np.column_stack((np.ones_like(x), x))

    def loss(free):
        at = both @ free
        share = expit(at)
        information = (both.T * (share * (1 - share))) @ both
        fit = np.where(failed, log_expit(at), log_expit(-at)).sum()
        return -fit - np.linalg.slogdet(information)[1] / 2

    options = {"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000}
    return minimize(loss, [0.0, 0.5], method="Nelder-Mead", options=options).x


@pytest.mark.parametrize("sorted_perfectly", [False, True])
def test_start_is_the_penalised_logistic_curve(sorted_perfectly):
    age = np.arange(30.0, 45)
    failed = age >= 38
    if not sorted_perfectly:
        failed[[2, 11]] = [True, False]
    null = null_of(age)
    got = null._logistic(null.everyone.failed(failed[None, :]))[0]
    intercept, slope = penalised(null.log_age, failed)
    assert slope > 0.5
    assert_allclose(got, expit(intercept + slope * null.log_age), atol=1e-5)


def test_failures_of_the_young_alone_are_no_fall():
    age = np.arange(30.0, 45)
    chance = null_of(age).chance((age < 35)[None, :])[0]
    assert np.all(np.diff(chance) >= -1e-9)
    assert_allclose(chance, 5.5 / 16, atol=0.03)


def test_ties_and_replicates_are_one_age():
    age = np.repeat(np.arange(30.0, 42), 3)
    failed = np.random.default_rng(3).random(36) < expit((age - 36) / 3)
    null = null_of(age)
    chance = null.chance(failed[None, :])[0]
    assert_allclose(chance.reshape(-1, 3), np.repeat(chance[::3, None], 3, axis=1))
    assert null.log_age.size == 12


def test_many_sets_at_once_are_each_alone():
    rng = np.random.default_rng(4)
    age = rng.uniform(28, 46, 40)
    null, sets = null_of(age), rng.random((6, 40)) < 0.4
    sets[0], sets[1] = False, True
    assert_allclose(null.chance(sets), np.vstack([null.chance(one[None, :]) for one in sets]), atol=1e-12)


def test_the_truth_is_found_with_many_parts():
    rng = np.random.default_rng(5)
    age = np.sort(rng.uniform(28, 46, 4000))
    for truth in (expit((age - 37) / 0.8), np.full(age.size, 0.35), np.clip((age - 35) / 8, 0, 0.5)):
        chance = null_of(age).chance((rng.random(age.size) < truth)[None, :])[0]
        assert np.mean(np.abs(chance - truth)) < 0.02


def test_one_age_for_all_is_one_share():
    null = null_of(np.full(12, 40.0))
    failed = np.arange(12) < 5
    assert_allclose(null.chance(failed[None, :])[0], 5 / 12, atol=0.02)


def test_search_rests_on_this_curve():
    rng = np.random.default_rng(6)
    year = rng.integers(1976, 1988, 40).astype(float)
    age = rng.uniform(2016, 2024, 40) - year
    failed = rng.random(40) < 0.5
    lives = LifeRecords(np.where(failed, 0, age), np.where(failed, age, np.inf))
    search = prepare_search(dated_records(lives, year))
    alone = null_of(age).chance(failed[np.argsort(age)][None, :])
    assert_allclose(search.null.chance(search.failed[None, :]), alone)
