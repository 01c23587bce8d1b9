"""Every piece can be taken out, and taking it out shows."""

import pytest

from reliability.records.frames import records_from_rows
from reliability.worth.judging import offers_from
from tests.measure.ablation import PIECES, WHOLE
from tests.simulate.fleet import make_offers, make_world, run_bench


@pytest.fixture(scope="module")
def case():
    world = make_world("left out", 3)
    records = records_from_rows(run_bench(world, 80, 3))
    rows, _ = make_offers(world, 12, 3)
    return records, offers_from(rows), world.end


@pytest.fixture(scope="module")
def whole(case):
    return PIECES[WHOLE].verdicts(*case)


# One of each way: out of the records, of records and offers, of the code that fits, of what was fitted.
@pytest.mark.parametrize("piece", ["gaps", "ages", "attempts at parts", "recalibration"])
def test_a_piece_taken_out_moves_some_ceiling(piece, case, whole):
    said = PIECES[piece].verdicts(*case)
    assert said["offer"].tolist() == whole["offer"].tolist()
    assert (said["ceiling"] - whole["ceiling"]).abs().max() > 0.01
