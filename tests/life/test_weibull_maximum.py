"""Every stratum reaches its maximum or carries a status: adversarial strata against brute force.

The slow twin uses the plain formulas and no curvature: for each of a row of shapes it halves the range of
the level until it knows where the derivative changes sign. What a shape can reach is concave in the
shape, so a row of shapes tells where the maximum lies, or at which end of the row it would."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import chi2

from reliability.life import likelihood
from reliability.life.likelihood import flat_limit, steep_limit
from reliability.life.lives import LifeRecords, collapse
from reliability.life.weibull import weibull_fits

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
    fit = weibull_fits(LifeRecords(lower, upper, count=count, stratum=label))
    assert_array_equal(fit.stratum, np.arange(n_strata))
    return fit, judge(strata, fit.status, fit.shape, fit.scale, fit.log_likelihood)


def few_and_many(first, others):
    """Cases of which one is in every run, the others in the long campaign."""
    return [first, *(pytest.param(each, marks=pytest.mark.soak) for each in others)]


@pytest.mark.parametrize("seed", few_and_many(20261124, range(10)))
def test_adversarial_strata(seed):
    fit, faults = campaign(seed, n_strata=2000)
    assert faults == []
    counts = {status: int((fit.status == status).sum()) for status in set(fit.status)}
    # The strata must be adversarial enough to reach every answer often.
    assert set(counts) == {"ok", "no failures", "all failed", "one age fits all", "no ageing visible"}
    assert min(counts.values()) > 100


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
    fit = weibull_fits(LifeRecords(lower, upper, count=count))
    assert fit.status[0] == status
    assert_array_equal([fit.bracket_low[0], fit.bracket_high[0]], [low, high])
    assert fit.usable[0] == (status == "ok")
    for numbers in (fit.shape, fit.scale, fit.log_likelihood):
        assert np.isnan(numbers[0]) == (status != "ok")


FOUR_RECORDS = pytest.mark.parametrize(
    ("lower", "upper", "record"),
    [
        ([0, 30, 0, 40], [30, INF, 40, INF], [0, 1, 2, 3]),
        ([0, 30, 10, 15], [30, INF, 20, 15], [0, 1, 2, 3]),
        ([0, 0, 30, 31, 0, 40], [30, 29, INF, INF, 40, INF], [0, 0, 1, 1, 2, 3]),
    ],
)


def whole_and_tiny(lower, upper, record, part):
    count = np.array([3.0, 7.0, 8.0, 2.0])[record]
    return (weibull_fits(LifeRecords(lower, upper, count=count * p, record=record)) for p in (1.0, part))


@FOUR_RECORDS
@pytest.mark.parametrize("part", [1e-3, 1e-9, 1e-12, 1e-30, 1e-95])
def test_a_tiny_part_of_all_counts_has_the_same_maximum(lower, upper, record, part):
    whole, tiny = whole_and_tiny(lower, upper, record, part)
    assert tiny.status.tolist() == whole.status.tolist() == ["ok"]
    assert_allclose([tiny.shape, tiny.scale], [whole.shape, whole.scale], rtol=1e-9)
    assert_allclose(tiny.log_likelihood / part, whole.log_likelihood, rtol=1e-9)


# The ends of an interval that holds nearly every shape take some ten seconds each to find.
@FOUR_RECORDS
@pytest.mark.parametrize(
    "part", [1e-3, 1e-9, *(pytest.param(p, marks=pytest.mark.soak) for p in (1e-12, 1e-30, 1e-95))]
)
def test_a_tiny_part_of_all_counts_has_a_wider_interval(lower, upper, record, part):
    whole, tiny = whole_and_tiny(lower, upper, record, part)
    assert tiny.shape_interval()[1] < whole.shape_interval()[1]
    assert tiny.shape_interval()[2] > whole.shape_interval()[2]


def test_ages_that_differ_by_rounding_alone_are_the_same():
    age, left = 30.3, 3 * 10.1
    assert 0 < abs(age - left) < 1e-14
    for one, other in ((age, left), (left, age)):
        fit = weibull_fits(LifeRecords([0, other, 20], [one, 33, INF]))
        assert fit.status.tolist() == ["one age fits all"]
    assert weibull_fits(LifeRecords([0, age + 1e-3, 20], [age, 33, INF])).status.tolist() == ["ok"]


def test_an_ascent_cut_short_says_so(monkeypatch):
    monkeypatch.setattr(likelihood, "_MOST_ROUNDS", 1)
    fit = weibull_fits(LifeRecords([0, 30, 0, 40], [30, INF, 40, INF], count=[3, 7, 8, 2]))
    assert fit.status.tolist() == ["not found"]
    assert np.isnan(fit.scale[0])


def test_a_million_beside_one():
    # The one failure at 31 is all that is known of ageing; the maximum is far out, and found.
    fit = weibull_fits(LifeRecords([0, 30, 31, 0], [30, INF, INF, 31], count=[1, 1e6, 1e6, 3]))
    assert fit.status[0] == "ok"
    # The same by hand: at two ages both shares can be met exactly.
    z = np.log(-np.log1p(-np.array([1 / (1e6 + 1), 3 / (1e6 + 3)])))
    assert fit.shape[0] == pytest.approx((z[1] - z[0]) / np.log(31 / 30), rel=1e-6)


# ---- Records with alternatives: units built in one of several years.


def mixture_log_likelihood(log_shape, z, lives, reference):
    """Plain sum over records of the log of the weighted sum over alternatives; (n,) of curves."""
    shape = np.exp(log_shape)[:, None]
    with np.errstate(all="ignore"):
        hazard = [
            np.exp(np.minimum(shape * (np.log(end) - np.log(reference)) + z[:, None], 700.0))
            for end in (lives.lower, lives.upper)
        ]
        probability = np.exp(-hazard[0]) * -np.expm1(hazard[0] - hazard[1])
        density = shape / lives.lower * hazard[0] * np.exp(-hazard[0])
        weighted = lives.weight * np.where(lives.lower == lives.upper, density, probability)
        first = np.flatnonzero(np.append(True, np.diff(lives.record) != 0))
        total = (lives.count[first] * np.log(np.add.reduceat(weighted, first, axis=1))).sum(axis=1)
    return np.where(np.isnan(total), -INF, total)


def highest_of_a_fine_grid(lives, rounds=7):
    """Slow twin: a grid of curves, and ever finer ones around its five best hills."""
    reference = float(
        np.median(np.concatenate((lives.lower[lives.lower > 0], lives.upper[np.isfinite(lives.upper)])))
    )
    grid = [axis.ravel() for axis in np.meshgrid(np.linspace(-3, 7, 81), np.linspace(-40, 40, 321))]
    # Steep curves have to be placed by age, not by z at one age.
    places = np.linspace(np.log(2.0), np.log(60.0), 321)
    steep = [axis.ravel() for axis in np.meshgrid(np.linspace(0, 7, 57), places)]
    steep[1] = np.exp(steep[0]) * (np.log(reference) - steep[1])
    starts = np.hstack((grid, steep))
    value = mixture_log_likelihood(*starts, lives, reference)
    best = -INF
    for start in starts.T[np.argsort(-value)[[0, 1, 3, 10, 30, 100, 300]]]:
        width = np.array([0.15, 0.4])
        for _ in range(4 * rounds):
            around = [
                axis.ravel()
                for axis in np.meshgrid(
                    *(at + w * np.linspace(-1, 1, 9) for at, w in zip(start, width, strict=True))
                )
            ]
            value = mixture_log_likelihood(*around, lives, reference)
            at = np.argmax(value)
            inside = (
                np.abs(around[0][at] - start[0]) < width[0] and np.abs(around[1][at] - start[1]) < width[1]
            )
            start = np.array([around[0][at], around[1][at]])
            width = width * (0.4 if inside else 1.0)
        best = max(best, value[at])
    return best


def scattered(rng):
    """A thin stratum with windows of up to 8 years and all kinds of bounds."""
    n = rng.integers(1, 7)
    years = rng.integers(1, rng.integers(2, 9), n)
    lower, upper, record, count = [], [], [], []
    for i in range(n):
        ages = rng.choice([np.round(rng.uniform(10, 45) * 12) / 12, float(rng.integers(10, 14))]) - np.arange(
            years[i]
        )
        kind = rng.choice(["left", "right", "exact", "between"], p=[0.42, 0.42, 0.06, 0.1])
        known = rng.choice([0.5, 3.0])
        lower.append({"left": 0 * ages, "right": ages, "exact": ages, "between": ages - known}[kind])
        upper.append({"left": ages, "right": ages + INF, "exact": ages, "between": ages}[kind])
        record.append(np.full(ages.size, i))
        count.append(np.full(ages.size, rng.choice([1.0, 1.0, 2.0, 30.0])))
    columns = (np.concatenate(part) for part in (lower, upper, record, count))
    return dict(zip(("lower", "upper", "record", "count"), columns, strict=True))


def joined(parts):
    """Strata side by side."""
    names, sizes = ("lower", "upper", "count"), [part["lower"].size for part in parts]
    columns = {name: np.concatenate([part[name] for part in parts]) for name in names}
    columns["record"] = np.concatenate([part["record"] + 100 * i for i, part in enumerate(parts)])
    return {**columns, "stratum": np.repeat(np.arange(len(parts)), sizes)}


def judge_mixture(fit, lives):
    """What is wrong with the answer to one stratum of mixtures; None if nothing is."""
    status = fit.status[0]
    if status in ("no failures", "all failed"):
        return None if fit.n_failed[0] == 0 or fit.n_sound[0] == 0 else "both kinds are there"
    best = highest_of_a_fine_grid(lives)
    data = collapse(lives)
    limit = max(steep_limit(data)[0], flat_limit(data)[0])
    if status == "ok":
        return (
            None
            if fit.log_likelihood[0] > max(best - 1e-6, limit)
            else f"missed {best - fit.log_likelihood[0]:g}"
        )
    return None if best < limit + 1e-6 else f"{status}, but there is a maximum of {best:g} over {limit:g}"


def mixture_campaign(seed, n_strata):
    rng = np.random.default_rng(seed)
    faults, counts = [], {}
    for i in range(n_strata):
        lives = LifeRecords(**scattered(rng))
        fit = weibull_fits(lives)
        counts[fit.status[0]] = counts.get(fit.status[0], 0) + 1
        if (fault := judge_mixture(fit, lives)) is not None:
            faults.append((i, fault))
    return faults, counts


@pytest.mark.parametrize("seed_and_strata", few_and_many((3, 12), [(100 + n, 150) for n in range(4)]))
def test_thin_strata_against_a_fine_grid(seed_and_strata):
    faults, counts = mixture_campaign(*seed_and_strata)
    assert faults == []
    assert counts["ok"] >= 3


# ---- exact relations


def test_equal_alternatives_are_one_life():
    plain = weibull_fits(LifeRecords([0, 30, 0, 40], [30, INF, 40, INF], count=[3, 7, 8, 2]))
    several = LifeRecords(
        [0, 0, 30, 30, 0, 0, 40],
        [30, 30, INF, INF, 40, 40, INF],
        record=[0, 0, 1, 1, 2, 2, 3],
        count=[3, 3, 7, 7, 8, 8, 2],
        weight=[1, 4, 1, 1, 2, 1, 1],
    )
    mixed = weibull_fits(several)
    for name in ("shape", "scale", "log_likelihood", "n_failed", "n_sound"):
        assert_allclose(getattr(mixed, name), getattr(plain, name), rtol=1e-9)
    for one, other in zip(mixed.failed_by(35.0), plain.failed_by(35.0), strict=True):
        assert_allclose(one, other, rtol=1e-7)


def test_batch_equals_one_at_a_time_and_a_record_twice_is_a_count_of_two():
    rng = np.random.default_rng(11)
    parts = [scattered(rng) for _ in range(25)]
    once = joined(parts)
    again = {**once, "record": once["record"] + 10_000}
    batch = weibull_fits(LifeRecords(**once))
    twice = weibull_fits(LifeRecords(**{name: np.append(once[name], again[name]) for name in once}))
    assert_array_equal(batch.status, twice.status)
    assert_allclose(2 * batch.log_likelihood, twice.log_likelihood, rtol=1e-8, atol=1e-8)
    for i, part in enumerate(parts):
        alone = weibull_fits(LifeRecords(**part))
        assert alone.status[0] == batch.status[i]
        assert_allclose(batch.shape[i], alone.shape[0], rtol=1e-6)
        assert_allclose(batch.log_likelihood[i], alone.log_likelihood[0], rtol=1e-9)


@pytest.mark.parametrize(
    ("lower", "upper", "record", "status"),
    [
        # Every unit may be younger or older: 20 years agree with both records.
        ([0, 0, 22, 18], [25, 19, INF, INF], [0, 0, 1, 1], "one age fits all"),
        # A witnessed life at an age that nobody contradicts: the density grows without end.
        ([14, 15, 0, 0], [14, 15, 16, 17], [0, 0, 1, 1], "one age fits all"),
        # In no combination of years are the failed older than the sound.
        ([0, 0, 30, 31], [10, 11, INF, INF], [0, 0, 1, 1], "no ageing visible"),
        ([3, 4, 0, 0], [INF, INF, INF, INF], [0, 0, 1, 1], "no failures"),
        ([0, 0], [10, 11], [0, 0], "all failed"),
    ],
)
def test_each_status_of_mixtures(lower, upper, record, status):
    assert weibull_fits(LifeRecords(lower, upper, record=record)).status[0] == status


def test_limits_by_hand():
    # Two records; the first failed by 25 or 19 years, the second sound at 22 or 18, equally likely.
    data = collapse(LifeRecords([0, 0, 22, 18], [25, 19, INF, INF], record=[0, 0, 1, 1]))
    # A jump between 22 and 25: the first record with probability 1/2 (only 25), the second with 1.
    # Right at 19 or between 18 and 19: 1 for the first, 1/2 for the second. At 22 with a share p failed:
    # 1/2 and (1 - p) / 2 + 1 / 2. All come to 1/2 at most.
    assert_allclose(steep_limit(data), [np.log(0.5)])
    # No share by 19 years: only jumps from there on; all by 18: no jump left that the second allows
    # but the one right at 18, which leaves it nothing.
    assert_allclose(steep_limit(data, np.array([19.0]), 0.0), [np.log(0.5)])
    assert steep_limit(data, np.array([17.0]), 1.0)[0] == -INF
    assert_allclose(flat_limit(data), [np.log(0.25)])


@pytest.fixture(scope="module")
def many():
    """A thousand thin strata, and all of them fitted."""
    rng = np.random.default_rng(4)
    parts = [scattered(rng) for _ in range(1000)]
    return [LifeRecords(**part) for part in parts], weibull_fits(LifeRecords(**joined(parts)))


def test_intervals_are_open_where_a_jump_is_likely_enough(many):
    lives, fit = many
    drop = chi2.ppf(0.9, 1) / 2
    _, _, high = fit.shape_interval()
    _, none_low, _ = fit.failed_by(20.0)
    _, _, all_high = fit.failed_by(20.0)
    places = np.linspace(np.log(3.0), np.log(60.0), 1500)
    steepest = np.full(places.size, 11.0)  # its logarithm: all but a jump
    seen = {"open": 0, "shut": 0}
    for i in np.flatnonzero(fit.usable):
        z = np.exp(steepest) * (np.log(20.0) - places)
        value = mixture_log_likelihood(steepest, z, lives[i], 20.0)
        threshold = fit.log_likelihood[i] - drop
        # A jump right at a bound, with a part failed there, is missed by the row of places.
        if value.max() > threshold + 1e-6:
            assert high[i] == INF
            seen["open"] += 1
        elif np.isfinite(high[i]):
            seen["shut"] += 1
        for side, end, closed in (
            (places > np.log(20.0), none_low[i], 0.0),
            (places < np.log(20.0), all_high[i], 1.0),
        ):
            if value[side].max() > threshold + 1e-6:
                assert end == closed
    assert seen["open"] >= 3
    assert seen["shut"] >= 30
