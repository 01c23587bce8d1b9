"""The scorer, on verdicts whose score is known."""

import math

import numpy as np
import pandas as pd
import pytest

from reliability.errors import InvalidInput
from tests.simulate import score

COLUMNS = ("offer", "success_chance", "expected_gain", "ceiling", "chief_risk", "gain")
TRUTH = [
    dict(zip(COLUMNS, ("a", 0.8, 30.0, 50.0, "belt", 45.0), strict=True)),
    dict(zip(COLUMNS, ("b", 0.5, 10.0, 20.0, "gear", -15.0), strict=True)),
    dict(zip(COLUMNS, ("c", 0.2, -20.0, 0.0, "gear", -30.0), strict=True)),
]


def verdicts(words, **columns):
    return pd.DataFrame({"offer": ["a", "b", "c"], "verdict": words, **columns})


def test_one_who_knows_the_truth_gets_all_of_the_gain():
    said = verdicts(
        ["take", "take", "skip"],
        ceiling=[50.0, 20.0, 0.0],
        gain_low=[0.0, -20.0, -25.0],
        gain_high=[60.0, 40.0, 10.0],
        chance_of_loss=[0.3, 0.5, 0.9],
        success_chance=[0.8, 0.5, 0.2],
        success_low=[0.7, 0.4, 0.1],
        success_high=[0.9, 0.6, 0.3],
        chief_risk=["belt", "gear", "gear"],
    )
    result = score(said, TRUTH)
    assert (result.offers, result.taken, result.oracle_taken) == (3, 2, 2)
    assert (result.gain, result.oracle_gain, result.gain_share) == (40.0, 40.0, 1.0)
    assert result.excess_log_loss == pytest.approx(0.0, abs=1e-12)
    assert result.excess_brier == 0.0
    assert (result.success_cover, result.chief_share) == (1.0, 1.0)
    assert result.gain_cover == pytest.approx(2 / 3)  # the third lost 30, below its 25
    assert result.ceiling_error == 0.0
    assert (result.losers, result.predicted_losers) == (0.5, 0.4)


def test_losses_are_those_beyond_the_true_odds():
    result = score(verdicts(["skip"] * 3, success_chance=[0.5, 0.5, 0.5]), TRUTH)
    # Relative entropy of 0.8 (and of 0.2) against 0.5, by hand.
    entropy = 0.8 * math.log(0.8 / 0.5) + 0.2 * math.log(0.2 / 0.5)
    assert result.excess_log_loss == pytest.approx(2 * entropy / 3)
    assert result.excess_brier == pytest.approx(2 * 0.09 / 3)
    assert (result.taken, result.gain_share) == (0, 0.0)


def test_ceilings_tries_and_a_wrong_take_count():
    said = verdicts(["try one", "skip", "take"], ceiling=[40.0, 30.0, 3.0])
    result = score(said, TRUTH)
    assert result.gain_share == -0.5
    assert result.gain_share_with_tries == 0.25
    assert result.ceiling_error == pytest.approx(23 / 3)
    assert result.losers == 1.0


def test_margin_moves_what_is_worth_taking():
    result = score(verdicts(["take", "skip", "skip"]), TRUTH, margin=15.0)
    assert (result.oracle_taken, result.gain_share) == (1, 1.0)


def test_what_a_method_does_not_say_is_not_scored():
    result = score(verdicts(["take", "take", "take"]), TRUTH)
    assert result.gain_share == 0.5
    missing = result.as_dict()
    for name in (
        "excess_log_loss",
        "success_cover",
        "gain_cover",
        "ceiling_error",
        "predicted_losers",
        "chief_share",
    ):
        assert np.isnan(missing[name]), name


def test_forecast_of_certainty_has_a_large_finite_loss():
    result = score(verdicts(["take"] * 3, success_chance=[0.0, 1.0, 0.5]), TRUTH)
    assert 3 < result.excess_log_loss < 10


@pytest.mark.parametrize("said", [[{"offer": "a"}], [{"offer": "a"}, {"offer": "c"}, {"offer": "b"}]])
def test_verdicts_on_other_offers_are_refused(said):
    with pytest.raises(InvalidInput, match=rf"same offers in the same order; got {len(said)} verdicts for 3"):
        score(said, TRUTH)


def test_no_offer_is_refused():
    with pytest.raises(InvalidInput, match="no offer to score"):
        score([], [])
