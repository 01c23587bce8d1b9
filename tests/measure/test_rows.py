"""What is measured is held against its target."""

import pandas as pd

from tests.measure.__main__ import main
from tests.measure.decisions import OURS, honesty_rows, loss_rows, seeds_of, share_rows


def test_unknown_rows_are_named(capsys):
    assert main("lifes") == 2
    assert "There are no rows lifes; there are: " in capsys.readouterr().err


def honesty(**found):
    return honesty_rows(pd.DataFrame({"method": OURS, "world": ["damp"], "predicted_losers": 0.4, **found}))


def test_honest_and_dishonest_verdicts_are_told_apart():
    fair, unfair = (
        honesty(success_cover=0.9, gain_cover=0.8, losers=0.42),
        honesty(success_cover=0.6, gain_cover=0.5, losers=0.5),
    )
    assert [row["ok"] for row in fair] == [True, True, True]
    assert [row["ok"] for row in unfair] == [False, False, False]


def test_a_cold_start_is_given_more_seeds_and_weighs_no_more():
    assert seeds_of("damp", [101, 102]) == [101, 102]
    assert seeds_of("cold start", [101, 102]) == [101, 102, 103, 104, 105, 106]
    found = honesty(
        world=["damp"] + ["cold start"] * 3, success_cover=[0.8] + [1.0] * 3, gain_cover=0.8, losers=0.4
    )
    assert [row["measured"] for row in found[:2]] == ["80 %", "100 %"]


def test_shares_and_losses_are_held_against_their_targets_world_by_world():
    found = pd.DataFrame(
        {
            "world": ["damp"] * 2 + ["cold start"] * 2 + ["outcome_only: small bench"] * 2,
            "method": [OURS, "ridge"] * 3,
            "gain_share": [0.89, 0.5, 0.6, 0.1, 0.1, 0.2],
            "oracle_gain": [10.0] * 6,
            "excess_log_loss": [0.02, 0.05, 0.06, 0.05, 0.03, 0.05],
        }
    )
    # Where no share is asked for, every plainer method is to be outdone.
    assert [row["ok"] for row in share_rows(found)] == [True, False, False]
    said = [(row["measured"], row["target"], row["ok"]) for row in loss_rows(found)]
    # A bench without findings is asked for no more than to be no worse.
    assert said == [("0.40", "<= 0.6", True), ("1.20", "<= 0.6", False), ("0.60", "<= 1.0", True)]
