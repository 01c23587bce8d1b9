"""The worlds that others wrote keep their promises: same seed same trade, odds that come true."""

import importlib

import numpy as np
import pytest

from reliability.records.frames import records_from_rows
from tests.measure.decisions import STRANGERS


@pytest.mark.parametrize("world", STRANGERS)
def test_a_world_draws_a_ledger_and_offers_whose_odds_come_true(world: str) -> None:
    name, variant = STRANGERS[world]
    draw = importlib.import_module(f"tests.worlds.{name}").draw
    drawn = draw(variant, 1, 400)
    assert [row["offer"] for row in drawn.offers] == [row["offer"] for row in drawn.truth]
    records = records_from_rows(drawn.tables)
    assert records.last_date() <= drawn.as_of
    chance = np.array([row["success_chance"] for row in drawn.truth])
    repaired = np.array([row["repaired"] for row in drawn.truth], float)
    # Four standard errors of a sum of such outcomes.
    assert abs((repaired - chance).sum()) < 4 * np.sqrt((chance * (1 - chance)).sum())
    assert 0.02 < chance.std()
    first, same, other = draw(variant, 1, 20), draw(variant, 1, 20), draw(variant, 2, 20)
    assert same == first
    assert first.tables != other.tables
