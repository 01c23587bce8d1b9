import pickle
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from reliability.errors import InvalidInput, UnknownName
from reliability.life import LifeRecords, pool
from reliability.life.pooling_lattice import Hyperprior
from reliability.life.pooling_records import Hearsay
from tests.life.pooling_cases import INF, names, small_fleet


def test_hearsay_about_a_family_weighs_as_much_as_records():
    records, labels, _ = small_fleet()
    labels.pop("year")
    said = pool(records, **labels, hearsay=[Hearsay("belt", 25, 0.3, 10, family="family 2")])
    known = LifeRecords(
        np.append(records.lower, [0, 25]), np.append(records.upper, [25, INF]),
        count=np.append(records.count, [3, 7]),
    )  # fmt: skip
    more = {name: np.append(values, [values[0]] * 2) for name, values in labels.items()}
    more["family"][-2:], more["kind"][-2:] = "family 2", "tape deck"
    recorded = pool(known, **more)
    assert_allclose(said.failed_by("belt", names(5), 30), recorded.failed_by("belt", names(5), 30), rtol=1e-6)
    assert recorded.n_records("belt", "family 2") == said.n_records("belt", "family 2") + 10


def test_hearsay_about_a_kind_weighs_as_much_as_families_of_it_with_one_record():
    records, labels, _ = small_fleet()
    labels.pop("year")
    said = pool(records, **labels, hearsay=[Hearsay("belt", 25, 0.5, 10, kind="turntable")])
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
    assert "unseen 0" not in said.families["belt"]


def test_hearsay_alone_is_enough_to_answer():
    pooled = pool(None, component=[], family=[], hearsay=[Hearsay("gear", 30, 0.9, 20, kind="tape deck")])
    told = pooled.failed_by("gear", "any", 30, kind="tape deck")
    assert told[0] > 0.75
    assert pooled.summary("gear", "any", kind="tape deck").basis == "kind"
    nothing = pool(None, component=[], family=[])
    assert nothing.failed_by("gear", "any", 30)[2] - nothing.failed_by("gear", "any", 30)[1] > 0.9


def test_a_family_without_records_is_answered_from_what_is_nearest():
    records, labels, _ = small_fleet(24)
    pooled = pool(records, **labels)
    width = {}
    for basis, component, family, kind in (
        ("family", "belt", "family 0", None),
        ("kind", "belt", "unseen", "turntable"),
        ("component", "belt", "unseen", "receiver"),
        ("all components", "switch", "unseen", "turntable"),
    ):
        assert pooled.summary(component, family, kind=kind).basis == basis
        mean, low, high = pooled.failed_by(component, family, 25, kind=kind)
        assert 0 < low < mean < high < 1
        width[basis] = high - low
    assert sorted(width.values()) == list(width.values())
    assert pooled.n_records("belt", "unseen") == pooled.n_records("switch", "unseen") == 0


def test_a_label_is_the_same_as_number_and_as_text():
    records, labels, family = small_fleet(12)
    named = pool(records, component=labels["component"], family=[str(f) for f in family])
    for given in (family.tolist(), family, family.astype(object)):
        numbered = pool(records, component=labels["component"], family=given)
        assert numbered.families == named.families
        for asked in ("3", 3, np.int64(3)):
            assert_array_equal(numbered.failed_by("belt", asked, 25), named.failed_by("belt", "3", 25))
            assert numbered.summary("belt", asked).basis == "family"
            assert numbered.n_records("belt", asked) == named.n_records("belt", "3") > 0
    # A number beside a text, also as kind, in a saying and as component.
    mixed = pool(
        records,
        component=np.full(family.size, 1),
        family=family,
        kind=family % 2,
        hearsay=[Hearsay("1", 30.0, 0.5, 2.0, family="3", kind="1"), Hearsay(2, 30.0, 0.5, 2.0, kind=0)],
    )
    assert mixed.components == ("1", "2")
    assert mixed.basis([1, 1, "1", 2, 3], [3, 99, 99, 99, 3], kind=[None, 1, None, "0", 0]).tolist() == [
        "family",
        "kind",
        "component",
        "kind",
        "all components",
    ]


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


def test_kept_posterior_is_light_and_answers_the_same():
    records, labels, _ = small_fleet(40)
    pooled = pool(records, **labels)
    kept = pickle.dumps(pooled)
    assert len(kept) < 10_000 * 40
    assert_allclose(
        pickle.loads(kept).failed_by("belt", names(40), 33), pooled.failed_by("belt", names(40), 33), rtol=0
    )


def test_table_lists_every_family():
    records, labels, _ = small_fleet()
    pooled = pool(
        records, **labels, hearsay=[Hearsay("gear", 30, 0.5, 4, family="family 9", kind="tape deck")]
    )
    table = pooled.table()
    assert list(table["family"]) == [*names(5), "family 9"]
    assert table["n_records"].sum() == len(records)
    assert table["mean_year"].isna().tolist() == [False] * 5 + [True]
    assert table[["log_scale_sd", "log_shape_sd", "scale_years", "shape"]].gt(0).all(axis=None)
    assert pooled.components == ("belt", "gear")
    assert pooled.families == {"belt": tuple(names(5)), "gear": ("family 9",)}
    assert np.isnan(pooled.reference_year("gear"))


def test_age_zero_and_endless_age():
    records, labels, _ = small_fleet()
    pooled = pool(records, **labels)
    assert_allclose(np.stack(pooled.failed_by("belt", "family 0", [0, INF])), [[0, 1]] * 3, atol=1e-12)


LIVES = LifeRecords([0, 30, 0], [30, INF, 40])
PLAIN = {"component": ["belt"] * 3, "family": ["a", "a", "b"]}


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        (
            {"component": ["belt"]},
            r"`component` must hold one label for each of the 3 rows; .* \(1,\)",
        ),
        ({"family": ["a", "", "b"]}, r"`family` must not be empty; 1 of 3 are \(first: position 1\)"),
        ({"year": [1980, 1981]}, r"`year` must hold one year for each of the 3 rows; its shape is \(2,\)"),
        ({"year": [1980, np.nan, 1981]}, r"`year` must be known in every row.*1 of 3 .*position 1"),
        ({"kind": ["x", "y", "x"]}, r"belongs to one kind; 'a' \(component 'belt'\) is labelled 'x' and 'y'"),
        (
            {"hearsay": [Hearsay("belt", 30, 0.5, 5, kind="x")]},
            r"names the kind 'x', but the records came without kinds",
        ),
        (
            {"kind": ["x", "x", "y"], "hearsay": [Hearsay("belt", 30, 0.5, 5, family="a", kind="y")]},
            r"puts the family 'a' into the kind 'y'; elsewhere it belongs to 'x'",
        ),
    ],
)
def test_labels_that_do_not_fit_are_refused(changes, message):
    with pytest.raises(InvalidInput, match=message):
        pool(LIVES, **{**PLAIN, **changes})


def test_alternatives_of_different_families_are_refused():
    records = LifeRecords([0, 30, 29], [30, INF, INF], record=[0, 1, 1])
    with pytest.raises(InvalidInput, match=r"family; record 1 has 'a' \(position 1\) and 'b' \(position 2\)"):
        pool(records, **PLAIN)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"age_years": 0}, r"about 'belt': `age_years` must be above 0 and finite, got 0"),
        ({"share_failed": 1.2}, r"`share_failed` must lie in 0 to 1, got 1.2"),
        ({"worth_jobs": INF}, r"`worth_jobs` must be above 0 and finite, got inf"),
        ({"family": None}, r"it must name a family or a kind, got neither"),
    ],
)
def test_hearsay_out_of_range_is_refused(values, message):
    given = {"component": "belt", "age_years": 30, "share_failed": 0.5, "worth_jobs": 5, "family": "a"}
    with pytest.raises(InvalidInput, match=message):
        Hearsay(**{**given, **values})


def test_prior_out_of_range_is_refused():
    with pytest.raises(InvalidInput, match=r"`spread_sd` must be above 0 and finite, got 0"):
        replace(Hyperprior(), spread_sd=0)
    with pytest.raises(InvalidInput, match=r"`least_spread` must be 0.02 or above .*, got 0.01"):
        Hyperprior(least_spread=0.01)


def test_questions_that_make_no_sense_are_refused():
    pooled = pool(LIVES, **PLAIN, kind=["x", "x", "y"])
    with pytest.raises(InvalidInput, match=r"must be 0 or above; 1 of 2 are not \(first: position 1, -3\)"):
        pooled.failed_by("belt", "a", [5, -3])
    with pytest.raises(InvalidInput, match=r"`level` must lie between 0 and 1, got 90"):
        pooled.failed_by("belt", "a", 30, level=90)
    with pytest.raises(InvalidInput, match=r"pooled without production years, so `year` has no meaning"):
        pooled.failed_by("belt", "a", 30, year=1980)
    with pytest.raises(InvalidInput, match=r"'a' is of kind 'x' in the records, not 'y'"):
        pooled.summary("belt", "a", kind="y")
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


@pytest.mark.parametrize("seed", range(24))
def test_strange_records_get_sound_answers(seed):
    records, labels = adversarial(seed)
    pooled = pool(records, **labels)
    asked = np.append(np.unique(labels["family"]), "unseen")[:, None]
    year = 1950 if "year" in labels else None
    answers = np.stack(pooled.failed_by("x", asked, [1.0, 10, 30, 60, 100], year=year))
    assert np.all((answers >= 0) & (answers <= 1 + 1e-12))
    assert np.all(np.diff(answers, axis=2) >= -1e-9)
    assert np.all(answers[1] <= answers[2])
    summary = pooled.summary("x", str(asked[0, 0]), year=year)
    assert np.isfinite(summary.mean).all()
    assert np.all(np.linalg.eigvalsh(summary.covariance) > 0)
