"""Production year: the search for a change year, its statistics and its null."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize
from scipy.special import expit, log_expit
from scipy.stats import false_discovery_control

from reliability.life.lives import LifeRecords
from reliability.life.years import Groups, Null, Parts, find_changes, prepare_search
from tests.life.cases import status

INF = np.inf


def fleet(seed, n, *, factor=1.0, from_year=1982, scale=40.0):
    """Units of twelve production years, taken in over eight; later lives times `factor` from one year on."""
    rng = np.random.default_rng(seed)
    year = rng.integers(1976, 1988, n).astype(float)
    age = np.maximum(np.round((rng.uniform(2016, 2024, n) - year - 0.5) * 12), 1) / 12
    failed = rng.weibull(4.0, n) * scale * np.where(year >= from_year, factor, 1.0) <= age
    return status(age, failed), year


def change_year(records, year, **given):
    """Search the records of one stratum."""
    return find_changes(records, year, pd.DataFrame({"stratum": [0]}), **given).iloc[0]


def test_unknown_years_are_left_out_and_counted():
    # One record of each kind, and one whose year is one of several.
    records = LifeRecords([0.0, 30, 0, 0], [30, INF, 29, 30], record=[0, 1, 2, 2])
    found = change_year(records, [1980.0, 1982, 1980, 1981])
    assert found.n_records == 2
    assert "1 records without a known year are left out" in found.note
    assert "1 records" in change_year(LifeRecords([0, 30], [30, INF]), [1980, np.nan]).note


# ---- change year


def test_statistics_follow_their_definitions():
    # Second opinion: one candidate at a time, isotonic curves by the formula of largest smallest means.
    records, year = fleet(2, 25)
    failed = np.isfinite(records.upper)
    age = np.where(failed, records.upper, records.lower)
    search = prepare_search(Parts(records.count, failed, year, age, None))
    got = search.statistics(search.failed[None, :])[0]

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
    assert abs(found.change_year - 1982) <= 1


def test_extreme_data_have_the_smallest_p_value_there_is():
    # Of 120 units, taken in at all ages, exactly the later half has failed.
    age, year = (a.ravel() for a in np.meshgrid(np.arange(30.0, 40), np.arange(1976.0, 1988)))
    failed = year >= 1982
    records = status(age, failed)
    found = change_year(records, year, n_bootstrap=99)
    assert found.p_value == 1 / 100
    assert found.change_year == 1982


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
    assert (found.change_year, found.p_value) == (plain.change_year, plain.p_value)


def test_too_few_records_and_confounded_ones_get_no_p_value():
    records, year = fleet(1, 9)
    assert change_year(records, year).status == "too few records"
    records, year = fleet(1, 60, scale=1000)
    assert change_year(records, year).status == "too few records"
    one_day = LifeRecords([0, 0, 0, 30, 30, 29] * 3, [46, 45, 44, INF, INF, INF] * 3)
    found = change_year(one_day, [1978, 1979, 1980, 1994, 1994, 1995] * 3)
    assert found.status == "cannot tell ageing from vintage"
    assert found[["p_value", "change_year", "reference_age_years"]].isna().all()
    assert "age and production year move together (correlation -1.00)" in found.note


@pytest.mark.parametrize(
    ("n_failed", "said"), [(4, "only 4 had failed"), (26, "only 4 still worked"), (6, "")]
)
def test_a_search_with_hardly_a_chance_says_so(n_failed, said):
    records, year = fleet(13, 30)
    age = np.where(np.isinf(records.upper), records.lower, records.upper)
    failed = np.arange(30) < n_failed
    lives = status(age, failed)
    found = change_year(lives, year, n_bootstrap=50)
    assert found.status == "ok"
    assert found.note == (f"{said}: a change would have to be extreme to show" if said else "")


def test_cohorts_never_seen_at_one_age_are_said_so():
    age = [*np.linspace(40, 44, 10), *np.linspace(30, 34, 10)]
    failed = np.tile([True, False], 10)
    year = [*[1980.0, 1981] * 5, *[1990.0, 1994] * 5]
    records = status(age, failed)
    found = change_year(records, year, n_bootstrap=50)
    if found.change_year == 1990:
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
    assert table["family"].tolist() == labels["family"].tolist()
    for row, (lives, years) in zip(table.itertuples(), parts, strict=True):
        alone = change_year(lives, years)
        assert row.status == alone.status
        for name in ("p_value", "change_year", "reference_age_years"):
            assert_allclose(getattr(row, name), alone[name])
    assert_allclose(table["q_value"][:2], false_discovery_control(table["p_value"][:2]))
    assert np.isnan(table["q_value"][2])
    assert table["q_value"][0] < 0.01
    assert table["status"].tolist() == ["ok", "ok", "too few records"]


# ---- The curve of the search for a change year where nothing changed.


def null_of(age):
    age = np.sort(np.asarray(age, dtype=float))
    return Null.of(Groups.of(age, [np.arange(age.size)]), np.log(age))


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
    got = null._logistic(null.everyone.fit(failed[None, :])[0])[0]
    intercept, slope = penalised(null.log_age, failed)
    assert slope > 0.5
    assert_allclose(got, expit(intercept + slope * null.log_age), atol=1e-5)
