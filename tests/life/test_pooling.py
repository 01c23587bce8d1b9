from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from pandas.testing import assert_frame_equal
from scipy.stats import norm

from reliability.errors import InvalidInput, UnknownName
from reliability.life.lives import LifeRecords
from reliability.life.pooling import Hyperprior, gather, pool
from reliability.life.weibull import weibull_fits
from tests.life.cases import INF, names, small_fleet, status
from tests.life.pooling_twin import BruteForce, Case, naive_log_likelihood
from tests.measure.pooling_worlds import World, draw, repeat


@pytest.mark.parametrize("using", [(), ("kind",), ("year",), ("kind", "year")])
def test_agrees_with_brute_force(using):
    records, labels, family = small_fleet()
    pooled = pool(records, **{name: labels[name] for name in ("component", "family", *using)})
    reference = pooled.reference_year("belt") if "year" in using else 1978.0
    case = Case(
        records,
        family,
        (labels["year"] - reference) / 10,
        np.arange(5) % 2 if "kind" in using else np.zeros(5, int),
        "kind" in using,
        "year" in using,
    )
    twin = BruteForce(case, Hyperprior())
    assert twin.effective_points > 100
    year = reference + 3 if "year" in using else None
    for age in (20.0, 40.0):
        ours = np.stack(pooled.failed_by("belt", names(5), age, year=year))
        theirs = np.stack([twin.failed_by(f, age, 0.3) for f in range(5)], axis=1)
        assert_allclose(ours[0], theirs[0], atol=0.012)
        assert_allclose(ours[1:], theirs[1:], atol=0.035)
    at = np.full(5, np.nan if year is None else float(year))
    mean, covariance = pooled.summaries("belt", names(5), year=at, kind=[None] * 5)
    for family in range(5):
        theirs, spread = twin.moments(family, 0.3)
        sd = np.sqrt(np.diag(spread))
        assert np.all(np.abs(mean[family] - theirs) < 0.1 * sd)
        assert np.all(np.abs(covariance[family] - spread) < 0.15 * np.outer(sd, sd))


@pytest.mark.parametrize(("n_families", "seed", "most"), [(2, 3, 5), (5, 3, 8)])
def test_families_that_nobody_has_seen_agree_with_brute_force(n_families, seed, most):
    # Both for a kind with records and for a new one, whose centre has long tails: no normal will do.
    records, labels, family = small_fleet(n_families, seed=seed, most=most)
    pooled = pool(records, **{name: labels[name] for name in ("component", "family", "kind")})
    kind = np.append(np.arange(n_families) % 2, [0, 2])
    twin = BruteForce(Case(records, family, np.zeros(family.size), kind, True, False), Hyperprior())
    for age in (10.0, 15.0, 20.0, 30.0, 40.0, 50.0):
        for place, its_kind in ((n_families, "tape deck"), (n_families + 1, None)):
            ours = np.array(pooled.failed_by("belt", "unseen", age, kind=its_kind))
            apart = np.abs(ours.ravel() - twin.failed_by(place, age, 0.0))
            assert np.all(apart < [0.006, 0.02, 0.013]), (age, its_kind, apart)


def test_likelihood_of_every_sort_of_record_agrees_with_the_plain_formula():
    # Failed, sound, between two ages, exact, and one unit built in one of three years; two families.
    lower = [0, 25, 10, 31, 30, 29, 28, 0, 22]
    upper = [30, INF, 20, 31, INF, INF, INF, 41, 22.5]
    records = LifeRecords(
        lower, upper, count=[2, 3, 1, 1, 1, 1, 1, 5, 1], record=[0, 1, 2, 3, 4, 4, 4, 5, 6],
        weight=[1, 1, 1, 1, 1, 2, 1, 1, 1],
    )  # fmt: skip
    family = np.array(["a"] * 7 + ["b"] * 2)
    year = np.array([1980, 1981, 1985, 1979, 1980, 1981, 1982, 1970, 1990.0])
    (gathered,) = gather(records, component=["gear"] * 9, family=family, year=year)
    x, y = np.linspace(2.5, 4.5, 5), np.log([0.7, 2.0, 6.0])
    ours = gathered.findings.log_likelihood(x, y, slope=0.4)
    shift = 0.4 * (year - gathered.reference_year) / 10
    for f, name in enumerate("ab"):
        theirs = naive_log_likelihood(records, np.flatnonzero(family == name), x, y, shift)
        assert_allclose(ours[f], theirs, rtol=1e-10)
        assert_allclose(gathered.findings.of(f).log_likelihood(x, y, slope=0.4)[0], theirs, rtol=1e-10)


@pytest.mark.parametrize("spread", [0.05, 0.12])
def test_common_parameters_of_many_families_agree_with_a_plain_sum(spread):
    # 80 families with the same twelve findings and spreads held fixed: two common parameters are left,
    # summed over on a lattice of their own.
    age = np.array([12, 18, 22, 25, 28, 30, 33, 36, 40, 44, 48, 55.0])
    failed = np.array([0, 0, 0, 1, 0, 1, 0, 1, 1, 1, 1, 1], bool)
    prior = Hyperprior(scale_spread=1e-3, shape_spread=1e-3, spread_sd=0.01, least_spread=spread)
    family = np.repeat(np.arange(80), 12).astype(str)
    pooled = pool(
        status(np.tile(age, 80), np.tile(failed, 80)), component=["belt"] * 960, family=family, prior=prior
    )
    x, y = np.linspace(2.6, 4.4, 400), np.linspace(-0.2, 3.0, 300)
    likelihood = np.exp(naive_log_likelihood(status(age, failed), np.arange(12), x, y, np.zeros(12)))
    centre, shape = np.linspace(3.35, 3.55, 61), np.linspace(0.9, 2.0, 81)
    of_scale = norm.pdf(x[:, None], centre, spread)
    of_shape = norm.pdf(y[:, None], shape, spread)
    marginal = of_scale.T @ likelihood @ of_shape
    log_weight = 80 * np.log(marginal) + norm.logpdf(centre, np.log(30), 1)[:, None]
    log_weight += norm.logpdf(shape, np.log(2), 0.5)
    weight = np.exp(log_weight - log_weight.max())
    posterior = likelihood * (of_scale @ (weight / marginal) @ of_shape.T)
    for at in (15.0, 20.0, 30.0, 40.0):
        share = -np.expm1(-np.exp(np.minimum(np.exp(y) * (np.log(at) - x[:, None]), 50)))
        exact = (posterior * share).sum() / posterior.sum()
        assert_allclose(pooled.failed_by("belt", "7", at)[0], exact, atol=0.001)


def test_one_family_with_very_many_records_is_its_maximum_likelihood():
    rng = np.random.default_rng(1)
    age = rng.uniform(5, 60, 20_000)
    records = status(age, 30 * rng.weibull(2.2, age.size) <= age)
    pooled = pool(records, component=["belt"] * age.size, family=["one"] * age.size)
    fitted = weibull_fits(records)
    for at in (10.0, 25.0, 45.0):
        mean, low, high = pooled.failed_by("belt", "one", at)
        assert_allclose(mean, -np.expm1(-((at / fitted.scale[0]) ** fitted.shape[0])), atol=0.002)
        assert 0 < high - low < 0.03


def test_neither_order_nor_company_changes_an_answer():
    records, labels, _ = small_fleet()
    other = {**labels, "component": np.full(len(records), "idler")}
    both = LifeRecords(np.tile(records.lower, 2), np.tile(records.upper, 2))
    together = {name: np.concatenate([labels[name], other[name]]) for name in labels}
    order = np.random.default_rng(0).permutation(len(both))
    shuffled = LifeRecords(both.lower[order], both.upper[order])
    alone = pool(records, **labels)
    with ThreadPoolExecutor(2) as executor:
        side_by_side = pool(both, **together, executor=executor)
    for pooled in (
        side_by_side,
        pool(both, **together),
        pool(shuffled, **{name: values[order] for name, values in together.items()}),
    ):
        for mine, theirs in zip(
            alone.failed_by("belt", names(5), 30, year=1975),
            pooled.failed_by("belt", names(5), 30, year=1975),
            strict=True,
        ):
            assert_allclose(mine, theirs, rtol=1e-6)


def test_a_family_unlike_all_others_is_believed_if_it_has_the_records():
    age = np.tile([22, 26, 30, 34, 38, 42.0], 60)
    family = np.repeat(np.arange(60), 6).astype(str)
    failed = np.tile([0, 0, 1, 0, 1, 1], 60)
    odd_age = np.repeat([1.0, 1.5, 2.0, 3.0], 50)
    odd_failed = np.tile(np.arange(50), 4) < np.repeat([8, 17, 27, 41], 50)
    records = status(np.append(age, odd_age), np.append(failed, odd_failed))
    pooled = pool(
        records, component=["belt"] * len(records), family=np.append(family, ["odd"] * odd_age.size)
    )
    fitted = weibull_fits(status(odd_age, odd_failed))
    mean, low, high = pooled.failed_by("belt", "odd", 2.0)
    assert_allclose(mean, -np.expm1(-((2 / fitted.scale[0]) ** fitted.shape[0])), atol=0.05)
    assert low < 27 / 50 < high


@pytest.mark.parametrize(
    ("n_families", "n_each", "least", "most"), [(40, 25, 0.01, 0.08), (4, 600, 0.01, 0.04)]
)
def test_production_year_shifts_the_scale(n_families, n_each, least, most):
    rng = np.random.default_rng(5)
    family = np.repeat(np.arange(n_families), n_each)
    year = rng.integers(1965, 1995, family.size).astype(float)
    age = rng.uniform(15, 55, family.size)
    scale = 30 * np.exp(0.3 * rng.normal(size=n_families))[family] * np.exp(0.3 * (year - 1980) / 10)
    pooled = pool(
        status(age, scale * rng.weibull(3, age.size) <= age),
        component=["belt"] * age.size, family=family.astype(str), year=year,
    )  # fmt: skip
    mean, sd = pooled.year_slope("belt")
    assert abs(mean - 0.3) < 3 * sd
    assert least < sd < most
    assert pooled.reference_year("belt") == np.round(year.mean())
    old, new = (pooled.failed_by("belt", "3", 30, year=y) for y in (1968, 1992))
    assert old[0] > new[0] + 0.1
    # Without a year: that of the family's own units.
    own = pooled.table().set_index("family").loc["3", "mean_year"]
    assert_allclose(pooled.failed_by("belt", "3", 30), pooled.failed_by("belt", "3", 30, year=own), atol=1e-9)


def heard(component, age_years, share_failed, worth_jobs, **about):
    numbers = {"age_years": age_years, "share_failed": share_failed, "worth_jobs": worth_jobs}
    return {"component": component, **numbers, **about}


def test_hearsay_about_a_family_weighs_as_much_as_records():
    records, labels, _ = small_fleet()
    labels.pop("year")
    said = pool(records, **labels, hearsay=[heard("belt", 25, 0.3, 10, family="family 2")])
    known = LifeRecords(
        np.append(records.lower, [0, 25]), np.append(records.upper, [25, INF]),
        count=np.append(records.count, [3, 7]),
    )  # fmt: skip
    more = {name: np.append(values, [values[0]] * 2) for name, values in labels.items()}
    more["family"][-2:], more["kind"][-2:] = "family 2", "tape deck"
    recorded = pool(known, **more)
    assert_allclose(said.failed_by("belt", names(5), 30), recorded.failed_by("belt", names(5), 30), rtol=1e-6)
    n_recorded, n_said = (one.table().set_index("family")["n_records"] for one in (recorded, said))
    assert n_recorded["family 2"] == n_said["family 2"] + 10


def test_hearsay_about_a_kind_weighs_as_much_as_families_of_it_with_one_record():
    records, labels, _ = small_fleet()
    labels.pop("year")
    said = pool(records, **labels, hearsay=[heard("belt", 25, 0.5, 10, kind="turntable")])
    known = LifeRecords(
        np.append(records.lower, [0] * 5 + [25] * 5), np.append(records.upper, [25] * 5 + [INF] * 5)
    )
    more = {
        "component": np.append(labels["component"], ["belt"] * 10),
        "family": np.append(labels["family"], [f"unseen {i}" for i in range(10)]),
        "kind": np.append(labels["kind"], ["turntable"] * 10),
    }
    asked = [*names(5), "new"]
    assert_allclose(
        said.failed_by("belt", asked, 30),
        pool(known, **more).failed_by("belt", asked, 30),
        atol=2e-3,
    )
    assert said.table()["family"].tolist() == names(5)


def test_a_family_without_records_is_answered_from_what_is_nearest():
    records, labels, _ = small_fleet(24)
    pooled = pool(records, **labels)
    assert repr(pooled) == f"Pooled lives of {', '.join(sorted(set(labels['component'])))}"
    width = []
    for component, family, kind in (
        ("belt", "family 0", None),
        ("belt", "unseen", "turntable"),
        ("belt", "unseen", "receiver"),
        ("switch", "unseen", "turntable"),
    ):
        mean, low, high = pooled.failed_by(component, family, 25, kind=kind)
        assert 0 < low < mean < high < 1
        width.append(high - low)
    assert sorted(width) == width


def test_a_label_is_the_same_as_number_and_as_text():
    records, labels, family = small_fleet(12)
    named = pool(records, component=labels["component"], family=[str(f) for f in family])
    for given in (family.tolist(), family, family.astype(object)):
        numbered = pool(records, component=labels["component"], family=given)
        assert_frame_equal(numbered.table(), named.table())
        for asked in ("3", 3, np.int64(3)):
            assert_array_equal(numbered.failed_by("belt", asked, 25), named.failed_by("belt", "3", 25))
    # A number beside a text, also as kind, in a saying and as component.
    mixed = pool(
        records,
        component=np.full(family.size, 1),
        family=family,
        kind=family % 2,
        hearsay=[heard("1", 30.0, 0.5, 2.0, family="3", kind="1"), heard(2, 30.0, 0.5, 2.0, kind=0)],
    )
    assert mixed.components == ("1", "2")
    as_numbers = mixed.failed_by([1, 1, 1, 2, 3], [3, 99, 99, 99, 3], 25, kind=[None, 1, None, 0, 0])
    as_texts = mixed.failed_by(list("11123"), ["3", *["99"] * 3, "3"], 25, kind=[None, "1", None, "0", "0"])
    assert_array_equal(as_numbers, as_texts)
    assert np.unique(as_texts[0]).size == 5  # a family, its kind, its component; the kind of another; neither


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        (("belt", 1.0), r"`family` must hold texts or whole numbers as labels; it holds 1\.0"),
        ((1.5, "a"), r"`component` must hold texts or whole numbers as labels; it holds 1\.5"),
        (("belt", True), r"`family` must hold texts or whole numbers as labels; it holds True"),
    ],
)
def test_labels_are_texts_or_whole_numbers(asked, message):
    records, labels, _ = small_fleet()
    pooled = pool(records, component=labels["component"], family=labels["family"])
    component, family = asked
    with pytest.raises(InvalidInput, match=message):
        pooled.failed_by(component, family, 25)
    with pytest.raises(InvalidInput, match=message):
        pool(records, component=[component] * len(records), family=[family] * len(records))


LIVES = LifeRecords([0, 30, 0], [30, INF, 40])
PLAIN = {"component": ["belt"] * 3, "family": ["a", "a", "b"]}


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"component": ["belt"]}, r"`component` must hold one label for each of the 3 rows; .* \(1,\)"),
        ({"family": ["a", "", "b"]}, r"`family` must not be empty; 1 of 3 are \(first: position 1\)"),
        ({"year": [1980, 1981]}, r"`year` must hold one year for each of the 3 rows; its shape is \(2,\)"),
        ({"year": [1980, np.nan, 1981]}, r"`year` must be known in every row.*1 of 3 .*position 1"),
        ({"kind": ["x", "y", "x"]}, r"belongs to one kind; 'a' \(component 'belt'\) is labelled 'x' and 'y'"),
        ({"kind": ["x", "x", "y"], "hearsay": [heard("belt", 30, 0.5, 5, family="a", kind="y")]},
         r"belongs to one kind; 'a' \(component 'belt'\) is labelled 'x' and 'y'"),
        ({"records": LifeRecords([0, 30, 29], [30, INF, INF], record=[0, 1, 1])},
         r"family; record 1 has 'a' \(position 1\) and 'b' \(position 2\)"),
    ],
)  # fmt: skip
def test_labels_that_do_not_fit_are_refused(changes, message):
    with pytest.raises(InvalidInput, match=message):
        pool(**{"records": LIVES, **PLAIN, **changes})


@pytest.mark.parametrize(
    "values",
    [{"age_years": 0}, {"age_years": INF}, {"share_failed": 1.2}, {"worth_jobs": INF}, {"worth_jobs": 0},
     {"family": None}, {"component": None}, {"share_failed": None}],
)  # fmt: skip
def test_hearsay_out_of_range_is_refused(values):
    rows = [heard("belt", 30, 0.5, 5, family="a"), heard("belt", 30, 0.5, 5, family="a") | values]
    with pytest.raises(InvalidInput, match=r"`hearsay` must name a component, .* row 1 holds \{"):
        pool(LIVES, **PLAIN, hearsay=rows)


def test_questions_that_make_no_sense_are_refused():
    pooled = pool(LIVES, **PLAIN, kind=["x", "x", "y"])
    for age, more, message in (
        ([5, -3], {}, r"must be 0 or above; 1 of 2 are not \(first: position 1, -3\)"),
        (30, {"level": 90}, "`level` must lie between 0 and 1, got 90"),
        (30, {"year": 1980}, "pooled without production years, so `year` has no meaning"),
        (30, {"kind": "y"}, "'a' is of kind 'x' in the records, not 'y'"),
    ):
        with pytest.raises(InvalidInput, match=message):
            pooled.failed_by("belt", "a", age, **more)
    with pytest.raises(InvalidInput, match=r"'belt' were pooled without production years"):
        pooled.year_slope("belt")
    with pytest.raises(UnknownName, match=r"hearsay of component 'bolt'; known: belt. Did you mean 'belt'"):
        pooled.reference_year("bolt")


def adversarial(seed):
    """Few or many families, ages from a month to 150 years or all alike, all sorts, counts up to 100,000."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 40))
    family = rng.integers(0, int(rng.integers(1, 12)), n)
    age = (
        np.exp(rng.uniform(np.log(1 / 12), np.log(150), n)) if rng.random() < 0.4 else rng.uniform(20, 50, n)
    )
    if rng.random() < 0.2:
        age[:] = age[0]
    sort = rng.integers(0, 4 if rng.random() < 0.5 else 2, n)
    lower = np.where(sort == 0, 0, age)
    upper = np.select([sort == 0, sort == 1, sort == 2], [age, INF, age * rng.uniform(1.001, 3, n)], age)
    count = np.where(rng.random(n) < 0.1, rng.choice([1000, 1e5, 0.1, 0.001]), 1)
    labels = {"component": np.full(n, "x"), "family": family.astype(str)}
    if rng.random() < 0.4:
        labels["kind"] = np.array(["a", "b", "c"])[family % 3]
    if rng.random() < 0.4:
        labels["year"] = rng.integers(1930, 2020, n).astype(float)
    return LifeRecords(lower, upper, count=count), labels


@pytest.mark.parametrize("seed", range(0, 24, 2))
def test_strange_records_get_sound_answers(seed):
    records, labels = adversarial(seed)
    pooled = pool(records, **labels)
    asked = np.append(np.unique(labels["family"]), "unseen")[:, None]
    year = 1950 if "year" in labels else None
    answers = np.stack(pooled.failed_by("x", asked, [1.0, 10, 30, 60, 100], year=year))
    assert np.all((answers >= 0) & (answers <= 1 + 1e-12))
    assert np.all(np.diff(answers, axis=2) >= -1e-9)
    assert np.all(answers[1] <= answers[2])
    at = np.array([np.nan if year is None else year])
    mean, covariance = pooled.summaries("x", [str(asked[0, 0])], year=at, kind=[None])
    assert np.isfinite(mean).all()
    assert np.all(np.linalg.eigvalsh(covariance[0]) > 0)


def test_bands_cover_and_errors_shrink():
    # A small version of the study in tests/measure/pooling.py; six families, drawn 40 times.
    tally = repeat(World(), 6, 40)["curve"]
    cover, error = tally.cover()
    assert 86 - 2.5 * error < cover < 97 + 2.5 * error
    assert error < 3
    ratio, ratio_error = tally.ratio()
    assert ratio < 0.65 + 2 * ratio_error


def test_one_ulp_moves_nothing():
    # The answer is a smooth function of the records: nothing is settled in rounds, nothing is chosen by size.
    fleet = draw(World(), 60, np.random.default_rng(7))
    size, year = fleet.age.size, np.round(2026 - fleet.age)
    labels = {"component": np.full(size, "belt"), "family": fleet.family.astype(str), "year": year}
    asked = np.append(np.unique(labels["family"]), "unseen")[:, None]
    plain, moved = (
        pool(status(fleet.age, fleet.failed, count=count), **labels).failed_by("belt", asked, [10.0, 30.0])
        for count in (np.ones(size), np.where(np.arange(size) % 7, 1.0, np.nextafter(1.0, 2.0)))
    )
    assert_allclose(moved, plain, rtol=0, atol=1e-6)


def test_what_lies_beyond_the_lattice_is_left_out():
    # A thousand lives that end within days of each other say of the shape only that it is beyond the edge.
    lives = LifeRecords([30.0, 30.02], [30.0, 30.02], count=500)
    pooled = pool(lives, component=["belt"] * 2, family=["a", "a"])
    assert 15 < pooled.table()["shape"][0] < 30
    early, late = pooled.failed_by("belt", "a", [20.0, 40.0])[0]
    assert early < 0.01
    assert late > 0.99
    # All failed within a month, all sound after a century: the lattice reaches beyond the ages on record.
    for lower, upper, age in ((0.0, 1 / 12, 1 / 12), (100.0, INF, 100.0)):
        one = pool(LifeRecords(lower, upper, count=50), component=["belt"], family=["a"])
        mean, low, high = one.failed_by("belt", "a", age)
        assert abs(mean - (lower == 0)) < 0.05, (lower, mean)
        assert low <= mean <= high
