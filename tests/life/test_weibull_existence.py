"""Every stratum reaches its maximum or carries a status: adversarial strata against brute force.

The slow twin uses the plain formulas and no curvature: for each of a row of shapes it halves the range of
the level until it knows where the derivative changes sign. What a shape can reach is concave in the
shape, so a row of shapes tells where the maximum lies, or at which end of the row it would.
"""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from reliability.life import LifeRecords, fit_weibull, weibull_maximum

INF = np.inf
TINY = 1e-9


def adversarial(rng):
    """One stratum: few ages and close ones, ties, counts of 1 beside 1000, every kind of bounds."""
    ages = [
        rng.uniform(1, 50, 4),
        rng.uniform(20, 22, 4),
        np.exp(rng.uniform(-3, 6, 4)),
        30.0 + rng.integers(0, 2, 4),
    ][rng.integers(4)]
    ages = np.maximum(np.round(ages, rng.integers(0, 4)), 0.25)
    kinds = rng.choice(
        ["left", "right", "exact", "between"], p=rng.dirichlet([1, 1, 0.3, 0.3]), size=rng.integers(1, 9)
    )
    lower, upper = np.zeros(kinds.size), np.full(kinds.size, INF)
    for i, kind in enumerate(kinds):
        first, last = np.sort(rng.choice(ages, 2))
        if kind == "between" and first == last:
            last = first + rng.choice([1e-3, 1 / 12, 1.0])
        lower[i] = {"left": 0.0, "right": last, "exact": first, "between": first}[kind]
        upper[i] = {"left": last, "right": INF, "exact": first, "between": last}[kind]
    return lower, upper, rng.choice([1.0, 1.0, 2.0, 5.0, 1000.0], kinds.size)


class SlowTwin:
    """Log-likelihood of many strata by shape and level.

    Arrays are (stratum, shape, record); strata with fewer records are filled up with a count of 0.
    """

    def __init__(self, strata):
        most = max(lower.size for lower, _, _ in strata)
        fill = [(np.ones(most - lower.size), np.full(most - lower.size, INF)) for lower, _, _ in strata]
        rows = list(zip(strata, fill, strict=True))
        self.lower = np.array([np.append(lower, ones) for (lower, _, _), (ones, _) in rows])[:, None]
        self.upper = np.array([np.append(upper, infs) for (_, upper, _), (_, infs) in rows])[:, None]
        self.count = np.array([np.append(count, 0 * ones) for (*_, count), (ones, _) in rows])[:, None]
        known = [np.concatenate((lower, upper)) for lower, upper, _ in strata]
        known = [ages[(ages > 0) & np.isfinite(ages)] for ages in known]
        self.origin = np.array([ages.min() for ages in known])[:, None, None]
        oldest = np.array([ages.max() for ages in known])[:, None, None]
        self.spread = np.log1p((oldest - self.origin) / self.origin)
        with np.errstate(divide="ignore", invalid="ignore"):  # ages in units of the first one
            self.low = np.log1p((self.lower - self.origin) / self.origin)
            self.high = np.log1p((self.upper - self.origin) / self.origin)
            self.width = np.log1p((self.upper - self.lower) / self.lower)
        self.exact, self.sound = self.lower == self.upper, np.isinf(self.upper)

    def terms(self, shape, level):
        """Value and derivative by level of every record."""
        with np.errstate(all="ignore"):
            low, high = shape * self.low + level, shape * self.high + level
            hazard = np.exp(np.minimum(low, 300.0))
            between = np.where(self.lower > 0, high + np.log(-np.expm1(-shape * self.width)), high)
            risk = np.exp(np.minimum(between, 300.0))
            young = between < -20.0
            value = np.where(young, between - risk / 2, np.log(-np.expm1(-risk))) - hazard
            rise = np.where(young, 1 - risk / 2, risk / np.expm1(risk)) - hazard
            density = np.log(shape) + low - hazard - np.log(self.lower)
            value = np.where(self.exact, density, np.where(self.sound, -hazard, value))
            rise = np.where(self.exact, 1 - hazard, np.where(self.sound, -hazard, rise))
            used = self.count > 0
            return np.where(used, self.count * value, 0), np.where(used, self.count * rise, 0)

    def profile(self, shapes):
        """Largest log-likelihood of each shape and the level where it is; all (stratum, shape)."""
        shape = shapes[:, :, None]
        low, high = -shape * self.spread - 60.0, np.full_like(shape, 60.0)
        for _ in range(60):
            middle = 0.5 * (low + high)
            rises = self.terms(shape, middle)[1].sum(axis=2, keepdims=True) > 0
            low, high = np.where(rises, middle, low), np.where(rises, high, middle)
        return self.terms(shape, middle)[0].sum(axis=2), middle[:, :, 0]

    def row(self, factors, shape=None):
        """The same for a row of shapes: around given ones, else from flat to steep."""
        around = 1 / np.maximum(self.spread[:, :, 0], 1e-9) if shape is None else shape[:, None]
        shapes = around * factors
        return shapes, *self.profile(shapes)


# Away from a shape by a ten-millionth to a factor of 2.7, both ways; from nearly flat to all but a jump.
NEAR = np.exp(np.concatenate([sign * np.logspace(0, -7, 8) for sign in (-1, 1)]))
WIDE = np.logspace(-4, 7, 14)


def judge(strata, status, shape, scale, log_likelihood):
    """What is wrong with the answers: (position, status, fault)."""
    faults = []
    for i, (lower, upper, _) in enumerate(strata):
        if status[i] == "no failures" and np.isfinite(upper).any():
            faults.append((i, status[i], "has a failure"))
        if status[i] == "all failed" and (np.isinf(upper) | (lower > 0)).any():
            faults.append((i, status[i], "has one that was seen working"))
    numbered = np.isfinite(shape) & np.isfinite(scale) & np.isfinite(log_likelihood)
    faults += [(i, status[i], "numbers") for i in np.flatnonzero(numbered != (status == "ok"))]
    for name, check in (("ok", missed), ("one age fits all", not_steep), ("no ageing visible", not_flat)):
        which = np.flatnonzero((status == name) & (numbered == (name == "ok")))
        if which.size:
            twin = SlowTwin([strata[i] for i in which])
            bad, fault = check(twin, shape[which], log_likelihood[which])
            faults += [(int(which[k]), name, fault[k]) for k in np.flatnonzero(bad)]
    return faults


def missed(twin, shape, log_likelihood):
    _, value, _ = twin.row(NEAR, shape)
    gap = np.max(value, axis=1) - log_likelihood
    return gap > TINY, [f"missed {g:g}" for g in gap]


def not_steep(twin, *_):
    """Whether a shape beats the steepest of the row."""
    shapes, value, _ = twin.row(WIDE)
    best = np.argmax(value, axis=1)
    gap = np.max(value, axis=1) - value[:, -1]
    return gap > TINY, [f"a maximum near shape {shapes[k, best[k]]:g}" for k in range(best.size)]


def not_flat(twin, *_):
    """Whether a shape beats the flattest of the row, and belongs to a scale below exp(690) years."""
    shapes, value, level = twin.row(WIDE)
    best = np.argmax(value, axis=1), np.arange(len(value))
    chosen, its_level = shapes[best[::-1]], level[best[::-1]]
    log_scale = np.log(twin.origin[:, 0, 0]) - its_level / chosen
    gap = np.max(value, axis=1) - value[:, 0]
    return (gap > TINY) & (np.abs(log_scale) < 500), [f"a maximum near shape {one:g}" for one in chosen]


def campaign(seed, n_strata):
    """Fit many strata in one pass, and have the answers judged."""
    rng = np.random.default_rng(seed)
    strata = [adversarial(rng) for _ in range(n_strata)]
    lower, upper, count = (np.concatenate(part) for part in zip(*strata, strict=True))
    label = np.repeat(np.arange(n_strata), [part[0].size for part in strata])
    fit = fit_weibull(LifeRecords(lower, upper, count=count, stratum=label))
    assert_array_equal(fit.stratum, np.arange(n_strata))
    return fit, judge(strata, fit.status, fit.shape, fit.scale, fit.log_likelihood)


def test_adversarial_strata():
    fit, faults = campaign(seed=20261124, n_strata=2000)
    assert faults == []
    counts = {status: int((fit.status == status).sum()) for status in set(fit.status)}
    # The strata must be adversarial enough to reach every answer often.
    assert set(counts) == {"ok", "no failures", "all failed", "one age fits all", "no ageing visible"}
    assert min(counts.values()) > 100


@pytest.mark.soak
@pytest.mark.parametrize("seed", range(10))
def test_adversarial_strata_at_length(seed):
    _, faults = campaign(seed, n_strata=2000)
    assert faults == []


def test_the_judge_finds_wrong_answers():
    # The campaign is shown what it must reject: a fit off its maximum, and statuses that do not hold.
    lives = np.array([0.0, 30.0, 0.0, 40.0]), np.array([30.0, INF, 40.0, INF]), np.array([3.0, 7.0, 8.0, 2.0])
    fit = fit_weibull(LifeRecords(*lives[:2], count=lives[2]))

    def fault(status, shape=fit.shape, scale=fit.scale, log_likelihood=fit.log_likelihood):
        found = judge([lives], np.array([status], dtype=object), shape, scale, log_likelihood)
        return [one[2] for one in found]

    none = np.array([np.nan])
    assert fault("ok") == []
    assert "missed" in fault("ok", log_likelihood=fit.log_likelihood - 2e-9)[0]
    assert fault("ok", scale=none) == ["numbers"]
    assert fault("one age fits all") == ["numbers"]
    assert "a maximum" in fault("one age fits all", none, none, none)[0]
    assert "a maximum" in fault("no ageing visible", none, none, none)[0]
    assert fault("no failures", none, none, none) == ["has a failure"]
    assert fault("all failed", none, none, none) == ["has one that was seen working"]


# ---- each status by hand


@pytest.mark.parametrize(
    ("lower", "upper", "count", "status", "low", "high"),
    [
        ([0, 0], [INF, INF], 1, "no records", np.nan, np.nan),
        ([10, 20], [INF, INF], 1, "no failures", 20, INF),
        ([0, 0], [10, 20], 1, "all failed", 0, 10),
        # Failed at 20, sound at 10: one age between them explains both.
        ([0, 10], [20, INF], 1, "one age fits all", 10, 20),
        ([0, 10], [10, INF], [4, 9], "one age fits all", 10, 10),
        ([15, 15], [15, 15], 1, "one age fits all", 15, 15),
        ([15, 9, 0], [15, INF, 15], 1, "one age fits all", 15, 15),
        ([3, 5], [9, 8], 1, "one age fits all", 5, 8),
        # Failed at 10, sound at 20: the younger ones failed.
        ([0, 20], [10, INF], 1, "no ageing visible", 10, 20),
        # Mean log age of both is log 6, to the last digit or not.
        ([0, 0, 6], [4, 9, INF], [1, 1, 3], "no ageing visible", 4, 6),
        ([0, 0, 6], [4, 9.5, INF], [1, 1, 3], "ok", 4, 6),
        ([0, 0, 6], [4, 8.5, INF], [1, 1, 3], "no ageing visible", 4, 6),
        # A maximum at a shape so small that its scale is no number of years.
        ([0, 0, 6], [4, 9.0001, INF], [1, 1, 3], "no ageing visible", 4, 6),
        # One life with two known ends that agree with no single age is enough.
        ([3, 6], [4, 7], 1, "ok", 4, 6),
        ([3, 6], [3, 6], 1, "ok", 3, 6),
        ([0, 20, 11], [10, INF, 12], 1, "ok", 10, 20),
    ],
)
def test_each_status(lower, upper, count, status, low, high):
    fit = fit_weibull(LifeRecords(lower, upper, count=count))
    assert fit.status[0] == status
    assert_array_equal([fit.bracket_low[0], fit.bracket_high[0]], [low, high])
    assert fit.usable[0] == (status == "ok")
    for numbers in (fit.shape, fit.scale, fit.log_likelihood):
        assert np.isnan(numbers[0]) == (status != "ok")


@pytest.mark.parametrize(
    ("lower", "upper", "record"),
    [
        ([0, 30, 0, 40], [30, INF, 40, INF], [0, 1, 2, 3]),
        ([0, 30, 10, 15], [30, INF, 20, 15], [0, 1, 2, 3]),
        ([0, 0, 30, 31, 0, 40], [30, 29, INF, INF, 40, INF], [0, 0, 1, 1, 2, 3]),
    ],
)
@pytest.mark.parametrize("part", [1e-3, 1e-9, 1e-12, 1e-30, 1e-95])
def test_a_tiny_part_of_all_counts_has_the_same_maximum(lower, upper, record, part):
    count = np.array([3.0, 7.0, 8.0, 2.0])[record]
    whole = fit_weibull(LifeRecords(lower, upper, count=count, record=record))
    tiny = fit_weibull(LifeRecords(lower, upper, count=count * part, record=record))
    assert tiny.status.tolist() == whole.status.tolist() == ["ok"]
    assert_allclose([tiny.shape, tiny.scale], [whole.shape, whole.scale], rtol=1e-9)
    assert_allclose(tiny.log_likelihood / part, whole.log_likelihood, rtol=1e-9)
    assert tiny.shape_interval()[1] < whole.shape_interval()[1]
    assert tiny.shape_interval()[2] > whole.shape_interval()[2]


def test_ages_that_differ_by_rounding_alone_are_the_same():
    age, left = 30.3, 3 * 10.1
    assert 0 < abs(age - left) < 1e-14
    for one, other in ((age, left), (left, age)):
        fit = fit_weibull(LifeRecords([0, other, 20], [one, 33, INF]))
        assert fit.status.tolist() == ["one age fits all"]
    assert fit_weibull(LifeRecords([0, age + 1e-3, 20], [age, 33, INF])).status.tolist() == ["ok"]


def test_without_a_maximum_no_method_gives_a_number():
    fit = fit_weibull(LifeRecords([0, 10, 20], [20, INF, INF], stratum=[0, 0, 5]))
    assert fit.status.tolist() == ["one age fits all", "no failures"]
    for interval in (fit.failed_by(15), fit.life(0.1), fit.shape_interval(), fit.scale_interval()):
        for part in interval:
            assert np.isnan(part).all()
            assert part.shape == (2,)
    table = fit.table()
    assert table["shape_low"].isna().all()
    assert table["status"].tolist() == ["one age fits all", "no failures"]
    assert table["bracket_low_years"].tolist() == [10, 20]


def test_an_ascent_cut_short_says_so(monkeypatch):
    monkeypatch.setattr(weibull_maximum, "_MOST_ROUNDS", 1)
    fit = fit_weibull(LifeRecords([0, 30, 0, 40], [30, INF, 40, INF], count=[3, 7, 8, 2]))
    assert fit.status.tolist() == ["not found"]
    assert np.isnan(fit.scale[0])


def test_a_million_beside_one():
    # The one failure at 31 is all that is known of ageing; the maximum is far out, and found.
    fit = fit_weibull(LifeRecords([0, 30, 31, 0], [30, INF, INF, 31], count=[1, 1e6, 1e6, 3]))
    assert fit.status[0] == "ok"
    # The same by hand: at two ages both shares can be met exactly.
    z = np.log(-np.log1p(-np.array([1 / (1e6 + 1), 3 / (1e6 + 3)])))
    assert fit.shape[0] == pytest.approx((z[1] - z[0]) / np.log(31 / 30), rel=1e-6)
