"""Records with alternatives: units built in one of several years."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import chi2

from reliability.life import LifeRecords, fit_weibull, weibull_likelihood, weibull_maximum
from reliability.life.lives import collapse
from reliability.life.weibull_likelihood import flat_limit, steep_limit

INF = np.inf


def windowed(age, failed, window, *, count=1.0):
    """Units inspected at `age` if they are from the first year of their window, else younger."""
    age, failed = np.asarray(age, float), np.asarray(failed, bool)
    years = np.repeat(np.asarray(window), age.size) if np.ndim(window) == 0 else np.asarray(window)
    record = np.repeat(np.arange(age.size), years)
    ages = np.concatenate([one - np.arange(n) for one, n in zip(age, years, strict=True)])
    return LifeRecords(
        np.where(failed[record], 0.0, ages),
        np.where(failed[record], ages, INF),
        record=record,
        count=np.broadcast_to(count, age.shape)[record],
    )


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


def judge(fit, lives):
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


def campaign(seed, n_strata):
    rng = np.random.default_rng(seed)
    faults, counts = [], {}
    for i in range(n_strata):
        lives = LifeRecords(**scattered(rng))
        fit = fit_weibull(lives)
        counts[fit.status[0]] = counts.get(fit.status[0], 0) + 1
        if (fault := judge(fit, lives)) is not None:
            faults.append((i, fault))
    return faults, counts


def test_thin_strata_against_a_fine_grid():
    faults, counts = campaign(seed=3, n_strata=12)
    assert faults == []
    assert counts["ok"] >= 3


@pytest.mark.soak
@pytest.mark.parametrize("seed", range(4))
def test_thin_strata_against_a_fine_grid_at_length(seed):
    faults, _ = campaign(seed + 100, n_strata=150)
    assert faults == []


def test_the_judge_finds_a_wrong_answer():
    lives = windowed([34, 30, 38, 44], [False, True, False, True], 3, count=[5, 2, 4, 8])
    fit = fit_weibull(lives)
    assert fit.status[0] == "ok"
    assert judge(fit, lives) is None
    fit.log_likelihood[0] -= 0.001
    assert judge(fit, lives) == "missed 0.001"
    fit.status[0] = "one age fits all"
    assert "there is a maximum" in judge(fit, lives)
    fit.status[0] = "no failures"
    assert judge(fit, lives) == "both kinds are there"


# ---- exact relations


def test_equal_alternatives_are_one_life():
    plain = fit_weibull(LifeRecords([0, 30, 0, 40], [30, INF, 40, INF], count=[3, 7, 8, 2]))
    several = LifeRecords(
        [0, 0, 30, 30, 0, 0, 40],
        [30, 30, INF, INF, 40, 40, INF],
        record=[0, 0, 1, 1, 2, 2, 3],
        count=[3, 3, 7, 7, 8, 8, 2],
        weight=[1, 4, 1, 1, 2, 1, 1],
    )
    mixed = fit_weibull(several)
    for name in ("shape", "scale", "log_likelihood", "n_failed", "n_sound"):
        assert_allclose(getattr(mixed, name), getattr(plain, name), rtol=1e-9)
    for one, other in zip(mixed.failed_by(35.0), plain.failed_by(35.0), strict=True):
        assert_allclose(one, other, rtol=1e-7)


def test_an_alternative_with_next_to_no_weight_does_not_count():
    plain = fit_weibull(LifeRecords([0, 30, 0, 40], [30, INF, 40, INF], count=[3, 7, 8, 2]))
    lives = LifeRecords(
        [0, 0, 30, 0, 40],
        [30, 3, INF, 40, INF],
        record=[0, 0, 1, 2, 3],
        count=[3, 3, 7, 8, 2],
        weight=[1, 1e-12, 1, 1, 1],
    )
    assert_allclose(fit_weibull(lives).shape, plain.shape, rtol=1e-6)


def test_batch_equals_one_at_a_time_and_a_record_twice_is_a_count_of_two():
    rng = np.random.default_rng(11)
    parts = [scattered(rng) for _ in range(25)]
    label = np.repeat(np.arange(25), [part["lower"].size for part in parts])
    columns = {name: np.concatenate([part[name] for part in parts]) for name in ("lower", "upper", "count")}
    record = np.concatenate([part["record"] + 100 * i for i, part in enumerate(parts)])
    batch = fit_weibull(LifeRecords(**columns, record=record, stratum=label))
    twice = {name: np.tile(values, 2) for name, values in columns.items()}
    twice = fit_weibull(
        LifeRecords(**twice, record=np.append(record, record + 10_000), stratum=np.tile(label, 2))
    )
    assert_array_equal(batch.status, twice.status)
    assert_allclose(2 * batch.log_likelihood, twice.log_likelihood, rtol=1e-8, atol=1e-8)
    for i, part in enumerate(parts):
        alone = fit_weibull(LifeRecords(**part))
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
def test_each_status(lower, upper, record, status):
    assert fit_weibull(LifeRecords(lower, upper, record=record)).status[0] == status


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
    return [LifeRecords(**part) for part in parts], fit_weibull(
        LifeRecords(
            **{name: np.concatenate([part[name] for part in parts]) for name in ("lower", "upper", "count")},
            record=np.concatenate([part["record"] + 100 * i for i, part in enumerate(parts)]),
            stratum=np.repeat(np.arange(1000), [part["lower"].size for part in parts]),
        )
    )


def test_working_in_parts_changes_nothing(many, monkeypatch):
    lives, fit = many
    monkeypatch.setattr(weibull_likelihood, "_PAIRS_AT_ONCE", 50)
    monkeypatch.setattr(weibull_maximum, "_STRATA_AT_ONCE", 7)
    rows = [lives[i] for i in range(60)]
    part = fit_weibull(
        LifeRecords(
            np.concatenate([one.lower for one in rows]),
            np.concatenate([one.upper for one in rows]),
            count=np.concatenate([one.count for one in rows]),
            record=np.concatenate([one.record + 100 * i for i, one in enumerate(rows)]),
            stratum=np.repeat(np.arange(60), [len(one) for one in rows]),
        )
    )
    assert_array_equal(part.status, fit.status[:60])
    assert_allclose(part.log_likelihood, fit.log_likelihood[:60], rtol=1e-12)


def test_several_maxima_are_told(many):
    # Of a thousand thin strata a few have several. Where it is told, a fine grid shows two hills.
    lives, fit = many
    assert fit.usable[fit.several_peaks].all()
    told = np.flatnonzero(fit.several_peaks & (fit.shape < 100))  # a grid of this width shows them
    assert told.size >= 2
    at = np.meshgrid(np.linspace(-1, 7, 200), np.linspace(np.log(3.0), np.log(60.0), 1500), indexing="ij")
    z = np.exp(at[0]) * (np.log(20.0) - at[1])
    for i in told:
        value = mixture_log_likelihood(at[0].ravel(), z.ravel(), lives[i], 20.0).reshape(at[0].shape)
        padded = np.pad(value, 1, constant_values=-INF)
        sides = [(j, k) for j in range(3) for k in range(3) if (j, k) != (1, 1)]
        around = [padded[j : j + 200, k : k + 1500] for j, k in sides]
        hills = (value > np.max(around, axis=0)) & (value > value.max() - 30)
        assert hills.sum() >= 2


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


# ---- what marginalising is for


def test_windows_of_years_do_not_bias_the_shape():
    # A steep life, shape 6, and windows of 9 years: taking the middle of the window for the age blurs
    # the curve and reads as a shape far too small. 4000 units, so that chance hardly matters.
    rng = np.random.default_rng(8)
    n, window = 4000, 9
    age = rng.integers(15, 45, n) + 0.5
    failed = 30.0 * rng.weibull(6.0, n) <= age - rng.integers(0, window, n)
    whole = fit_weibull(windowed(age, failed, window), level=0.999)
    middle = age - (window - 1) / 2
    blurred = fit_weibull(LifeRecords(np.where(failed, 0.0, middle), np.where(failed, middle, INF)))
    _, low, high = whole.shape_interval()
    assert low[0] < 6.0 < high[0]
    assert high[0] / low[0] < 2
    assert blurred.shape_interval()[2][0] < 6.0
    _, low, high = whole.scale_interval()
    assert low[0] < 30.0 < high[0]
