"""The scorer, on verdicts whose score is known."""

import math

import numpy as np
import pandas as pd
import pytest

from tests.simulate.truth import score

COLUMNS = ("offer", "success_chance", "expected_gain", "gain")
TRUTH = pd.DataFrame(
    [("a", 0.8, 30.0, 45.0), ("b", 0.5, 10.0, -15.0), ("c", 0.2, -20.0, -30.0)], columns=COLUMNS
)


def scored(*words, margin=0.0, **columns):
    said = pd.DataFrame({"offer": ["a", "b", "c"], "verdict": words, **columns})
    return score(said, TRUTH, margin=margin)


def test_one_who_knows_the_truth_gets_all_of_the_gain():
    found = scored(
        "take", "take", "skip", chance_of_loss=[0.3, 0.5, 0.9],
        gain_low=[0.0, -20.0, -25.0], gain_high=[60.0, 40.0, 10.0],
        success_chance=[0.8, 0.5, 0.2], success_low=[0.7, 0.4, 0.1], success_high=[0.9, 0.6, 0.3],
    )  # fmt: skip
    # The third lost 30, which is below its 25.
    assert found == pytest.approx(
        {"taken": 2, "gain": 40.0, "oracle_gain": 40.0, "gain_share": 1.0, "excess_log_loss": 0.0,
         "success_cover": 1.0, "gain_cover": 2 / 3, "losers": 0.5, "predicted_losers": 0.4}
    )  # fmt: skip


def test_losses_are_those_beyond_the_true_odds():
    found = scored("skip", "skip", "skip", success_chance=[0.5, 0.5, 0.5])
    # Relative entropy of 0.8 (and of 0.2) against 0.5, by hand.
    entropy = 0.8 * math.log(0.8 / 0.5) + 0.2 * math.log(0.2 / 0.5)
    assert found["excess_log_loss"] == pytest.approx(2 * entropy / 3)
    assert (found["taken"], found["gain_share"]) == (0, 0.0)
    # A forecast of certainty has a large and finite loss.
    assert 3 < scored("take", "take", "take", success_chance=[0.0, 1.0, 0.5])["excess_log_loss"] < 10


@pytest.mark.parametrize(
    ("words", "margin", "share"),
    [("skip skip take", 0.0, -0.5), ("take take take", 0.0, 0.5), ("take skip skip", 15.0, 1.0)],
)
def test_wrong_takes_and_a_margin_count_and_what_is_not_said_is_not_scored(words, margin, share):
    found = scored(*words.split(), margin=margin)
    assert found["gain_share"] == share
    unsaid = ("excess_log_loss", "success_cover", "gain_cover", "predicted_losers")
    assert np.isnan([found[name] for name in unsaid]).all()
