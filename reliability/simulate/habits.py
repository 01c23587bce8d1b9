"""How people write things down, carefully or not."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Habits:
    """How a recorder writes things down; every number is a probability.

    `sound`, `worn`, `failed`: that a row is written for such a finding. `cause`: that
    `ended_by` is. `money`, `hours`: that an amount is. `look`: that a sign is looked for.
    `year_known`, `year_window`, `year_guess`: how the year is known (else not at all).
    `lost_repaired`, `lost_failed`: that nobody writes the job up.
    """

    sound: float = 0.97
    worn: float = 0.98
    failed: float = 1.0
    cause: float = 0.98
    money: float = 0.96
    hours: float = 0.95
    look: float = 0.8
    year_known: float = 0.45
    year_window: float = 0.2
    year_guess: float = 0.15
    lost_repaired: float = 0.01
    lost_failed: float = 0.04


CAREFUL = Habits()
CARELESS = Habits(
    sound=0.3, worn=0.6, failed=0.9, cause=0.75, money=0.6, hours=0.5, look=0.5, year_known=0.3,
    year_window=0.15, year_guess=0.25, lost_repaired=0.03, lost_failed=0.08,
)  # fmt: skip
