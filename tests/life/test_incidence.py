"""Cumulative incidence without moving ties apart, restricted means, log-rank."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import norm

from reliability.errors import InvalidInput, UnknownName
from reliability.life import curves
from reliability.life.incidence import cumulative_incidence, interval_incidence, log_rank

DATA = Path(__file__).parents[1] / "data"


def read(name):
    return pd.read_csv(DATA / f"{name}.csv", comment="#")


# ---- published values


@pytest.fixture(scope="module")
def bmt():
    data = read("bmt35_scrucca")
    return data.assign(cause=data["status"].map({0: None, 1: "mortality", 2: "relapse"}))


# Scrucca L, Santucci A, Aversa F (2007), Bone Marrow Transplantation 40: 381-387; digits as in the
# reference values of scikit-survival's tests. Many ties between causes, one event at time 0.
BMT_TIMES = [0, 1, 3, 5, 10, 14, 26, 72]
BMT = {
    "mortality": [
        0.02857143, 0.05714286, 0.14581281, 0.20492611, 0.23771164, 0.27283899, 0.27283899, 0.27283899,
    ],
    "relapse": [
        0.02857143, 0.05714286, 0.11527094, 0.1757917, 0.34076015, 0.41101485, 0.48126955, 0.48126955,
    ],
}  # fmt: skip
AML_TIMES = [2, 3, 4, 7, 8, 10, 70]
AML = {
    "mortality": [0.0, 0.17708333, 0.29513889, 0.29513889, 0.36818576, 0.36818576, 0.36818576],
    "relapse": [0.05555556, 0.05555556, 0.05555556, 0.12048611, 0.12048611, 0.20570747, 0.20570747],
}


@pytest.mark.parametrize("cause", BMT)
def test_incidence_after_transplantation(bmt, cause):
    found = cumulative_incidence(bmt["ftime"], bmt["cause"])
    assert_allclose(found.at(BMT_TIMES, cause)[0], BMT[cause], atol=5e-8)


@pytest.mark.parametrize("cause", AML)
def test_incidence_after_transplantation_for_one_disease(bmt, cause):
    aml = bmt.query("dis == 1")
    found = cumulative_incidence(aml["ftime"], aml["cause"])
    assert_allclose(found.at(AML_TIMES, cause)[0], AML[cause], atol=1e-7)


def states_held(found, times):
    """Share in each state right after some times."""
    held = {cause: found.at(times, cause)[0] for cause in found.causes}
    return {"event-free": 1 - sum(held.values()), **held}


# Therneau T, Crowson C, Atkinson E, "Multi-state models and competing risks" (vignette of the survival
# package): restricted mean years in each state up to 20 years, MGUS cohort of Kyle et al. (2002).
@pytest.mark.parametrize(
    ("sex", "years"), [("F", [9.853608, 1.323284, 8.823108]), ("M", [8.675012, 1.064693, 10.260294])]
)
def test_restricted_mean_years_of_the_mgus_cohort(sex, years):
    data = read("mgus2_competing").query("sex == @sex")
    found = cumulative_incidence(data["etime"], data["event"].map({0: "", 1: "pcm", 2: "death"}))
    # A share that holds from one month to the next; everybody begins without an event.
    edges = np.concatenate(([0.0], found.time[found.time < 240], [240]))
    spent = {state: np.diff(edges) @ held for state, held in states_held(found, edges[:-1]).items()}
    assert_allclose([spent[state] / 12 for state in ("event-free", "pcm", "death")], years, atol=2e-6)
    assert_allclose(sum(spent.values()), 240)


# Gehan EA (1965), Biometrika 52: 203-223, data of Freireich et al. (1963): 16.79 from memory.
# Lung cancer data of Loprinzi et al. (1994): 10.3 as in the survival package's manual, from memory.
@pytest.mark.parametrize(
    ("name", "event", "group", "statistic", "atol"),
    [("gehan_6mp", ("cens", 1), "treat", 16.79, 0.005), ("lung", ("status", 2), "sex", 10.3, 0.05)],
)
def test_log_rank_of_published_groups(name, event, group, statistic, atol):
    data = read(name)
    found = log_rank(data["time"], data[event[0]] == event[1], data[group])
    assert_allclose(found.statistic, statistic, atol=atol)
    assert found.degrees_of_freedom == 1


# Miller RG (1981), Survival Analysis; printed results of the survival package's own test (doaml).
def test_log_rank_of_the_aml_groups():
    data = read("aml")
    found = log_rank(data["time"], data["status"] == 1, data["x"])
    expected = found.table.set_index("group")["expected"]
    assert_allclose(expected[["Maintained", "Nonmaintained"]], [10.69, 7.31], atol=0.005)
    assert_allclose(found.statistic, 3.4, atol=0.05)
    assert_allclose(found.table["observed"].sum(), expected.sum())


# ---- second opinions


def ties(seed, n=30):
    rng = np.random.default_rng(seed)
    return rng.integers(1, 8, n).astype(float), rng.choice(["belt", "motor", ""], n)


@pytest.mark.parametrize("seed", range(4))
def test_incidence_follows_its_definition(seed):
    # Second opinion: unit by unit in plain Python.
    time, cause = ties(seed)
    found = cumulative_incidence(time, cause)
    free, share = 1.0, {"belt": 0.0, "motor": 0.0}
    for t in sorted(set(time)):
        at_risk = sum(time >= t)
        for name in share:
            share[name] += free * sum((time == t) & (cause == name)) / at_risk
        free *= 1 - sum((time == t) & (cause != "")) / at_risk
        for name, value in share.items():
            assert_allclose(found.at(t, name)[0], value, atol=1e-12)
        assert_allclose(found.event_free[found.time == t], free, atol=1e-12)
    assert_allclose(found.event_free + found.incidence.sum(axis=1), 1)


@pytest.mark.parametrize("seed", range(4))
def test_known_times_as_intervals_of_no_width_give_the_same(seed):
    time, cause = ties(seed)
    found = cumulative_incidence(time, cause)
    joint = interval_incidence(time, np.where(cause == "", np.inf, time), cause)
    for name in found.causes:
        assert_allclose(joint.at(found.time, name)[0], found.at(found.time, name)[0], atol=1e-7)


@pytest.mark.parametrize("seed", range(4))
def test_one_kind_of_event_between_checks_is_turnbull(seed):
    from reliability.life.curves import turnbull
    from reliability.life.lives import LifeRecords

    rng = np.random.default_rng(seed)
    low = rng.integers(0, 10, 25).astype(float)
    high = np.where(rng.random(25) < 0.6, low + rng.integers(1, 6, 25), np.inf)
    found = interval_incidence(low, high, np.where(np.isinf(high), None, "belt"))
    masses = turnbull(LifeRecords(low, high))
    for t in found.time:
        assert_allclose(found.at(t, "belt")[0], masses.mass[masses.right <= t].sum(), atol=1e-6)


def test_two_kinds_between_checks_by_hand():
    # One look at 10 units each after 5: 3 had failed by the belt, 2 by the motor. Shares of the likelihood
    # p_belt^3 p_motor^2 (1 - p_belt - p_motor)^5 are the counts.
    found = interval_incidence([0, 0, 5], [5, 5, np.inf], ["belt", "motor", None], count=[3, 2, 5])
    assert found.method == "Turnbull"
    assert_allclose(found.incidence[-1], [0.3, 0.2], atol=1e-9)
    assert_allclose(found.event_free[-1], 0.5, atol=1e-9)
    assert np.isnan(found.standard_error).all()


def test_without_censoring_the_error_is_binomial():
    rng = np.random.default_rng(1)
    time, cause = rng.integers(1, 9, 200).astype(float), rng.choice(["belt", "motor"], 200)
    found = cumulative_incidence(time, cause)
    share = found.incidence
    assert_allclose(found.standard_error, np.sqrt(share * (1 - share) / 200), atol=1e-12)


# R 4.2.2, survival 3.5-3: survfit(Surv(etime, factor(event)) ~ 1, data = subset(mgus2, sex == "F")),
# its std.err at 52 and 228 months (infinitesimal jackknife, nearly the same as the delta method).
def test_errors_agree_with_an_independent_library():
    data = read("mgus2_competing").query("sex == 'F'")
    found = cumulative_incidence(data["etime"], data["event"].map({0: None, 1: "pcm", 2: "death"}))
    errors = found.standard_error[np.isin(found.time, [52, 228])]
    assert_allclose(errors, [[0.01717451, 0.007481623], [0.02301861, 0.014262957]], rtol=1e-4)


def test_limits_are_on_the_log_log_scale():
    found = cumulative_incidence([1, 2, 3, 4], ["belt", "", "belt", ""])
    estimate, low, high = found.at(3, "belt", level=0.8)
    error = found.standard_error[found.time == 3, 0]
    half = norm.ppf(0.9) * error / (estimate * abs(np.log(estimate)))
    assert_allclose(np.log(-np.log([low, high])) - np.log(-np.log(estimate)), [half, -half])


# ---- limits and properties


def test_beyond_the_last_time_nothing_is_known():
    found = cumulative_incidence([1, 2], ["belt", ""])
    assert_array_equal(found.at([0, 1, 2, 3], "belt")[0], [0, 0.5, 0.5, np.nan])


def test_no_event_is_named():
    for found in (cumulative_incidence([1, 2], [None, np.nan]), interval_incidence([1, 2], np.inf, None)):
        assert found.status == "no events"
        assert found.causes == ()
        assert_array_equal(found.event_free, 1)


def test_masses_that_were_not_found_are_not_shown(monkeypatch):
    monkeypatch.setattr(curves, "MAX_ROUNDS", 0)
    found = interval_incidence([0, 2, 5], [5, 6, np.inf], ["belt", "motor", None], count=[3, 2, 5])
    assert found.status == "not converged"
    assert np.isnan(found.incidence[-1]).all()


def test_table_has_one_column_per_kind():
    table = cumulative_incidence([1, 2, 3], ["belt", "motor", ""]).table()
    assert list(table.columns) == ["time", "event_free", "belt", "motor"]
    assert_allclose(table[["event_free", "belt", "motor"]].sum(axis=1), 1)


@given(
    st.lists(st.tuples(st.integers(0, 9), st.sampled_from(["belt", "motor", ""])), min_size=1, max_size=15),
    st.randoms(),
)
@settings(max_examples=40, deadline=None)
def test_order_counts_and_units_change_nothing(rows, random):
    time, cause = (list(column) for column in zip(*rows, strict=True))
    found = cumulative_incidence(time, cause)
    shuffled = random.sample(rows, len(rows))
    others = [
        cumulative_incidence([t for t, _ in shuffled], [c for _, c in shuffled]),
        cumulative_incidence(np.array(time) * 24.0, cause),
        cumulative_incidence(time, cause, count=3),
        cumulative_incidence(time * 3, cause * 3),
    ]
    for other in others:
        assert_allclose(other.incidence, found.incidence, atol=1e-12)
        assert other.causes == found.causes
    assert_allclose(others[2].standard_error, others[3].standard_error, atol=1e-12)


@given(
    st.lists(
        st.tuples(st.integers(0, 6), st.integers(1, 4), st.sampled_from(["belt", "motor", None])),
        min_size=1,
        max_size=12,
    )
)
@settings(max_examples=40, deadline=None)
def test_joint_masses_satisfy_the_optimality_conditions(rows):
    # No mass on any cell of (unit of time, kind), nor on "never", may raise the likelihood: the
    # derivative by each of them stays at or below the number of records.
    low = np.array([begin for begin, _, _ in rows], float)
    cause = np.array([kind for _, _, kind in rows], dtype=object)
    free = np.array([kind is None for kind in cause])
    high = np.array([np.inf if kind is None else begin + width for begin, width, kind in rows], float)
    found = interval_incidence(low, high, cause)

    def share(time, kind):
        return found.at(np.minimum(time, found.time[-1]), kind)[0]

    likelihood = np.ones(len(rows))
    for name in found.causes:
        likelihood = np.where(free, likelihood - share(low, name), likelihood)
        mine = cause == name
        likelihood[mine] = (share(high, name) - share(low, name))[mine]
    assert np.all(likelihood > 0)
    most = len(rows) * (1 + 1e-6)
    assert np.sum(free / likelihood) <= most
    for name in found.causes:
        for end in range(1, 12):
            holds = (low < end) & (free | ((cause == name) & (high >= end)))
            assert np.sum(holds / likelihood) <= most


# ---- refusals


def test_times_and_counts_out_of_range_name_the_record():
    with pytest.raises(InvalidInput, match=r"1 of 2 are not \(first: position 1, time -3, count 1\)"):
        cumulative_incidence([1, -3], "belt")
    with pytest.raises(InvalidInput, match=r"2 of 2 are not \(first: position 0, time 1, count 0\)"):
        cumulative_incidence([1, 3], "belt", count=0)
    with pytest.raises(InvalidInput, match=r"There are no times: at least one record is needed"):
        cumulative_incidence([], [])


def test_lengths_that_do_not_match_are_refused():
    with pytest.raises(InvalidInput, match=r"`cause` needs one value for each of the 2 times.*\(3,\)"):
        cumulative_incidence([1, 2], ["belt"] * 3)
    with pytest.raises(InvalidInput, match=r"`count` needs one value for each of the 2 times.*\(1,\)"):
        cumulative_incidence([1, 2], "belt", count=[1])
    with pytest.raises(InvalidInput, match=r"`first_known` needs one value for each of the 2 times"):
        interval_incidence([1, 2], [2, 3, 4], "belt")
    with pytest.raises(InvalidInput, match=r"`group` needs one value for each of the 2 times.*\(3,\)"):
        log_rank([1, 2], [True, False], ["a", "b", "a"])


@pytest.mark.parametrize("unknown", [np.nan, None, pd.NA, "yes", 2])
def test_an_event_is_true_or_false(unknown):
    with pytest.raises(InvalidInput, match=r"`event` must be true or false for every record; 1 of 3 are not"):
        log_rank([1, 2, 3], [True, unknown, 0], ["a", "b", "a"])


def test_a_group_is_known():
    with pytest.raises(InvalidInput, match=r"`group` must be known .* 1 of 3 are not \(first: position 1\)"):
        log_rank([1, 2, 3], [True, False, True], ["a", None, "b"])


@pytest.mark.parametrize("time", [np.nan, -1])
def test_incidence_is_asked_at_times(time):
    with pytest.raises(InvalidInput, match=rf"Times must be numbers >= 0; got {time}"):
        cumulative_incidence([1, 2], "belt").at([1, time], "belt")


@pytest.mark.parametrize("level", [0, 1, 2, np.nan])
def test_level_of_an_incidence_is_a_probability(level):
    with pytest.raises(InvalidInput, match=rf"`level` must lie between 0 and 1; got {level}"):
        cumulative_incidence([1, 2], "belt").at(1, "belt", level=level)


def test_unknown_kind_lists_what_there_is():
    with pytest.raises(UnknownName, match=r"There is no event of kind 'bell'; known: belt.* mean 'belt'"):
        cumulative_incidence([1, 2], "belt").at(1, "bell")


def test_intervals_need_an_order_and_a_kind():
    with pytest.raises(InvalidInput, match=r"1 of 2 break that \(first: position 1, 5 to 3, event 'belt'\)"):
        interval_incidence([1, 5], [2, 3], "belt")
    with pytest.raises(InvalidInput, match=r"first: position 0, 1 to 2, event None"):
        interval_incidence([1, 5], [2, np.inf], None)
    with pytest.raises(InvalidInput, match=r"first: position 1, 5 to inf, event 'belt'"):
        interval_incidence([1, 5], [2, np.inf], "belt")


def test_comparison_needs_two_groups_and_an_event():
    with pytest.raises(InvalidInput, match=r"needs two groups and one event; got 1 groups and 2 events"):
        log_rank([1, 2], [True, True], ["a", "a"])
    with pytest.raises(InvalidInput, match=r"got 2 groups and 0 events"):
        log_rank([1, 2], [False, False], ["a", "b"])
