"""One type for partly known lives: what it accepts, what it refuses and in which words."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from reliability.errors import InvalidInput
from reliability.life.lives import LifeRecords, collapse

INF = np.inf


def test_columns_cannot_be_changed_and_are_copies():
    lower = np.array([0.0, 1.0])
    lives = LifeRecords(lower, 3.0)
    lower[0] = 99.0
    assert lives.lower[0] == 0.0
    with pytest.raises(ValueError, match="read-only"):
        lives.lower[0] = 2.0
    with pytest.raises(AttributeError):
        lives.lower = lower


def test_weights_are_shared_out_within_each_record_in_any_order():
    lives = LifeRecords(0, [30, 9, 31, 32], record=[4, 2, 4, 4], weight=[1, 5, 1, 2])
    assert_allclose(lives.weight, [0.25, 1.0, 0.25, 0.5])
    assert_array_equal(lives.is_alternative, [True, False, True, True])


def test_a_subset_keeps_rows_order_and_weights():
    lives = LifeRecords([0, 0, 4], [3, 2, INF], count=[5, 5, 1], record=[8, 8, 9], weight=[1, 3, 1])
    part = lives.subset(lives.record == 8)
    assert_array_equal(part.upper, [3, 2])
    assert_array_equal(part.record, [8, 8])
    assert_allclose(part.weight, [0.25, 0.75])
    assert_array_equal(lives.subset(lives.stratum == 0).lower, lives.lower)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (dict(lower=[0, np.nan], upper=[1, 2]), r"not NaN\. Broken by 1 of 2 records \(first: position 1"),
        (dict(lower=[0, 1], upper=[np.nan, 2]), r"not NaN\. Broken by 1 of 2 records \(first: position 0"),
        (dict(lower=[0, 0, -1], upper=5), r"must not be negative\. Broken by 1 of 3 .*position 2, lower -1"),
        (dict(lower=[3, INF], upper=INF),
         r"`lower` must be finite .*Broken by 1 of 2 .*position 1, lower inf"),
        (dict(lower=[3, 9, 9], upper=5),
         r"`upper` must not be below `lower`\. Broken by 2 of 3 .*position 1"),
        (dict(lower=[2, 0], upper=[3, 0]),
         r"life of exactly 0 years cannot be.*position 1, lower 0, upper 0"),
        (dict(lower=0, upper=5, count=[1, 0]), r"`count` must be finite and above 0.*position 1.* count 0"),
        (dict(lower=0, upper=5, count=[-2, 1]), r"`count` must be finite and above 0.*position 0.* count -2"),
        (dict(lower=0, upper=5, count=[1, INF]),
         r"`count` must be finite and above 0.*position 1.* count inf"),
        (dict(lower=0, upper=5, count=np.nan), r"`count` must be finite and above 0.*position 0.* count nan"),
        (dict(lower=0, upper=5, count=[1, 1e-101]),
         r"`count` must be 1e-100 or above; less is nothing.*position 1"),
        (dict(lower=0, upper=5, stratum=[0, -3]), r"`stratum` must be 0 or above.*position 1.*stratum -3"),
        (dict(lower=0, upper=5, weight=[0, 1]), r"`weight` must be finite and above 0.*position 0.*weight 0"),
        (dict(lower=0, upper=[5, 6], stratum=[0, 0.5]),
         r"`stratum` must hold whole numbers; 1 of 2 .*1, 0\.5"),
        (dict(lower=0, upper=[5, 6], record=[np.nan, 1]),
         r"`record` must hold whole numbers; 1 of 2 .*0, nan"),
        (dict(lower=["new"], upper=5), r"`lower` must hold numbers only; it holds \['new'\]"),
        (dict(lower=[], upper=[]), r"There are no life records: at least one row is needed, 0 were given"),
        (dict(lower=[1, 2], upper=[3, 4, 5]), r"equally long.*lower \(2,\), upper \(3,\)"),
        (dict(lower=[[1, 2]], upper=[[3, 4]]), r"must be flat.*lower \(1, 2\)"),
        (dict(lower=0, upper=[5, 6], record=[3, 3], stratum=[0, 1]),
         r"share their stratum; record 3 does not \(position 1 has stratum 1, its first row 0\)"),
        (dict(lower=0, upper=[5, 9, 6], record=[3, 1, 3], count=[2, 1, 4]),
         r"share their count; record 3 does not \(position 2 has count 4, its first row 2\)"),
    ],
)  # fmt: skip
def test_bad_rows_are_refused_by_position(arguments, message):
    with pytest.raises(InvalidInput, match=message):
        LifeRecords(**arguments)


def test_a_subset_that_tears_a_record_apart_is_refused():
    lives = LifeRecords(0, [5, 6, 7], record=[1, 1, 2])
    with pytest.raises(InvalidInput, match=r"tears record 1 apart \(position 1 is left out\)"):
        lives.subset([True, False, True])


@pytest.mark.parametrize("mask", [[True], [1, 0, 1], [[True, False, True]]])
def test_a_mask_of_another_kind_is_refused(mask):
    with pytest.raises(InvalidInput, match="one truth value for each of the 3 rows"):
        LifeRecords(0, [5, 6, 7]).subset(mask)


# ---- collapsing


def test_equal_rows_become_one_with_their_counts_added_and_alternatives_stay():
    # Six single lives of which two say nothing, beside two records of two alternatives each.
    lives = LifeRecords(
        [0, 2, 0, 0, 2, 0, 0, 0, 0, 0], [4, INF, INF, 4, INF, INF, 4, 5, 4, 5],
        stratum=[3, 3, 3, 3, 3, 9, 3, 3, 3, 3], count=[1, 2, 5, 3, 7, 1, 1, 1, 2, 2],
        record=[0, 1, 2, 3, 4, 5, 6, 6, 7, 7],
    )  # fmt: skip
    got = collapse(lives)
    assert_array_equal(got.strata, [3, 9])
    rows = (got.stratum, got.lower, got.upper, got.count)
    expected = [[0] * 6, [0, 2, 0, 0, 0, 0], [4, INF, 4, 5, 4, 5], [4, 9, 1, 1, 2, 2]]
    assert_array_equal(np.stack(rows), expected)
    assert_array_equal(got.start, [0, 1, 2, 4])
