"""How good verdicts are, measured against the truth of the offers."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, TypeAlias

import numpy as np
import pandas as pd

from reliability.errors import InvalidInput

LEAST_CHANCE = 1e-6  # a forecast of exactly 0 or 1 would have an infinite loss
BLANK = {
    "verdict": None, "ceiling": np.nan, "expected_gain": np.nan, "gain_low": np.nan, "gain_high": np.nan,
    "chance_of_loss": np.nan, "success_chance": np.nan, "success_low": np.nan, "success_high": np.nan,
    "chief_risk": None,
}  # fmt: skip


@dataclass(frozen=True)
class Score:
    """Measures of one set of verdicts; NaN where the verdicts do not carry what is measured.

    Attributes
    ----------
    offers, taken, oracle_taken : int
        Number of offers, of verdicts "take", and of offers worth taking in truth.
    gain, oracle_gain : float
        True expected gain of all that was taken, and of all that was worth taking.
    gain_share : float
        Their ratio.
    gain_share_with_tries : float
        The same if "try one" is bought too; what that teaches is not counted.
    excess_log_loss, excess_brier : float
        Mean loss of the forecast odds beyond that of the true odds (nats; squared odds).
        What no forecast could avoid is thereby left out.
    success_cover : float
        Share of offers whose true odds lie within `success_low` and `success_high`.
    gain_cover : float
        Share of offers whose realised gain lies within `gain_low` and `gain_high`.
    ceiling_error, ceiling_bias : float
        Mean absolute and mean difference of the ceiling from the true one, in money.
    losers, predicted_losers : float
        Share of the taken that lost money, and the mean chance of that as predicted.
    chief_share : float
        Share of offers whose chief risk is the true one.
    """

    offers: int
    taken: int
    oracle_taken: int
    gain: float
    oracle_gain: float
    gain_share: float
    gain_share_with_tries: float
    excess_log_loss: float
    excess_brier: float
    success_cover: float
    gain_cover: float
    ceiling_error: float
    ceiling_bias: float
    losers: float
    predicted_losers: float
    chief_share: float

    def as_dict(self) -> dict[str, float]:
        """Return all measures by name."""
        return asdict(self)


Rows: TypeAlias = pd.DataFrame | Sequence[Mapping[str, Any]]


def score(verdicts: Rows, truth: Rows, *, margin: float = 0.0) -> Score:
    """Compare verdicts with the truth of the same offers.

    Parameters
    ----------
    verdicts : DataFrame or sequence of mapping
        One row per offer, in the order of `truth`. Columns that a method does not give may
        be missing; what needs them is NaN.
    truth : DataFrame or sequence of mapping
        As :func:`reliability.simulate.make_offers` gives it.
    margin : float
        The gain a job must promise: in truth, an offer is worth taking above it.

    Returns
    -------
    Score

    Raises
    ------
    InvalidInput
        If the offers of the two differ, or there are none.
    """
    said, true = _frame(verdicts), _frame(truth)
    _check_offers(said, true)
    for name, empty in BLANK.items():
        if name not in said:
            said[name] = empty
    take = (said["verdict"] == "take").to_numpy()
    bought = take | (said["verdict"] == "try one").to_numpy()
    expected = true["expected_gain"].to_numpy(float)
    worth_it = expected > margin
    oracle = float(expected[worth_it].sum())
    predicted = said["chance_of_loss"].to_numpy(float)
    ceiling_off = said["ceiling"].to_numpy(float) - true["ceiling"].to_numpy(float)
    return Score(
        offers=len(true),
        taken=int(take.sum()),
        oracle_taken=int(worth_it.sum()),
        gain=float(expected[take].sum()),
        oracle_gain=oracle,
        gain_share=_ratio(float(expected[take].sum()), oracle),
        gain_share_with_tries=_ratio(float(expected[bought].sum()), oracle),
        **_odds(said, true),
        gain_cover=_cover(true["gain"], said["gain_low"], said["gain_high"]),
        ceiling_error=_mean(np.abs(ceiling_off)),
        ceiling_bias=_mean(ceiling_off),
        losers=_mean(true["gain"].to_numpy(float)[take] < 0),
        predicted_losers=_mean(predicted[take]),
        chief_share=_chief(said, true),
    )


def _frame(rows: Rows) -> pd.DataFrame:
    return rows.reset_index(drop=True).copy() if isinstance(rows, pd.DataFrame) else pd.DataFrame(list(rows))


def _check_offers(said: pd.DataFrame, true: pd.DataFrame) -> None:
    if true.empty:
        raise InvalidInput("There is no offer to score.")
    if len(said) != len(true) or (said["offer"].astype(str) != true["offer"].astype(str)).any():
        raise InvalidInput(
            f"Verdicts and truth must hold the same offers in the same order; "
            f"got {len(said)} verdicts for {len(true)} offers."
        )


def _mean(values: np.ndarray) -> float:
    values = np.asarray(values, float)
    return float(values.mean()) if values.size and not np.isnan(values).any() else float("nan")


def _ratio(part: float, whole: float) -> float:
    return part / whole if whole > 0 else float("nan")


def _cover(value: pd.Series, low: pd.Series, high: pd.Series) -> float:
    if low.isna().any() or high.isna().any():
        return float("nan")
    return _mean(((value >= low) & (value <= high)).to_numpy())


def _odds(said: pd.DataFrame, true: pd.DataFrame) -> dict[str, float]:
    truth = np.clip(true["success_chance"].to_numpy(float), LEAST_CHANCE, 1 - LEAST_CHANCE)
    forecast = np.clip(said["success_chance"].to_numpy(float), LEAST_CHANCE, 1 - LEAST_CHANCE)
    excess = truth * np.log(truth / forecast) + (1 - truth) * np.log((1 - truth) / (1 - forecast))
    return {
        "excess_log_loss": _mean(excess),
        "excess_brier": _mean((truth - forecast) ** 2),
        "success_cover": _cover(true["success_chance"], said["success_low"], said["success_high"]),
    }


def _chief(said: pd.DataFrame, true: pd.DataFrame) -> float:
    if said["chief_risk"].isna().all():
        return float("nan")
    return _mean((said["chief_risk"] == true["chief_risk"]).to_numpy())
