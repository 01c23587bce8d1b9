"""What a unit is worth: odds of a repair, money, verdicts."""
