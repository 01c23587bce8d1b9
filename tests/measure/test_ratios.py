import pandas as pd
import pytest

from tests.measure.__main__ import main, ratio_of
from tests.measure.decisions import OURS, honesty_rows, loss_rows, seeds_of, share_rows


@pytest.mark.parametrize(
    ("measured", "target", "ratio"),
    [
        ("0.30 s", "<= 0.5 s", 0.6),
        ("11,000", ">= 5,000", 2.2),
        ("0.63 ± 0.01 (RMSE 0.1)", "≤ 0.65", 0.63 / 0.65),
        ("9.2e-12 at most", "≤ 1e-09", 0.0092),
        ("88 %", "86 to 97 %", None),
        ("not there", ">= 50", None),
        ("3 s", "", None),
    ],
)
def test_ratio_of_what_was_measured_to_its_target(measured, target, ratio):
    found = ratio_of({"measured": measured, "target": target})
    assert found == (None if ratio is None else pytest.approx(ratio))


def test_unknown_rows_are_named(capsys):
    assert main("lifes") == 2
    assert "There are no rows lifes; there are: " in capsys.readouterr().err


def test_honest_and_dishonest_verdicts_are_told_apart():
    def rows(cover, gain, losers):
        found = {
            "method": [OURS],
            "world": ["damp"],
            "success_cover": cover,
            "gain_cover": gain,
            "losers": losers,
        }
        return [row["ok"] for row in honesty_rows(pd.DataFrame({**found, "predicted_losers": 0.4}))]

    assert rows(0.9, 0.8, 0.42) == [True, True, True]
    assert rows(0.6, 0.5, 0.5) == [False, False, False]


def test_a_cold_start_is_given_more_seeds_and_weighs_no_more():
    assert seeds_of("damp", [101, 102]) == [101, 102]
    assert seeds_of("cold start", [101, 102]) == [101, 102, 103, 104, 105, 106]
    found = pd.DataFrame({"world": ["damp"] + ["cold start"] * 3, "method": [OURS] * 4})
    found = found.assign(success_cover=[0.8] + [1.0] * 3, gain_cover=0.8, losers=0.4, predicted_losers=0.4)
    assert [row["measured"] for row in honesty_rows(found)[:2]] == ["80 %", "100 %"]


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
