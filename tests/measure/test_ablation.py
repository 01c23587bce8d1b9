"""Every piece can be taken out, and taking it out shows."""

import pytest

from reliability.records.frames import records_from_rows
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.judging import offers_from
from tests.measure.ablation import PIECES, WHOLE, Case, _only
from tests.simulate import make_offers, make_world, run_bench
from tests.simulate.world import NAMED_WORLDS


@pytest.fixture(scope="module")
def case():
    world = make_world(NAMED_WORLDS["left out"], 3)
    records = records_from_rows(run_bench(world, 80, 3))
    rows, _ = make_offers(world, 12, 3)
    return Case(records, offers_from(rows), lambda some: fit_appraiser(some, as_of=world.end))


@pytest.fixture(scope="module")
def whole(case):
    return case.verdicts()


@pytest.mark.parametrize("piece", [name for name in PIECES if name != WHOLE])
def test_a_piece_taken_out_moves_some_ceiling(piece, case, whole):
    said = PIECES[piece](case).verdicts()
    assert said["offer"].tolist() == whole["offer"].tolist()
    assert (said["ceiling"] - whole["ceiling"]).abs().max() > 0.01


def test_a_family_kept_apart_has_no_gaps_where_the_others_were(case):
    for family in case.records.jobs["family"].unique():
        alone = _only(case.records, family)
        assert case.fit(alone).tally.jobs_missing == 0
        assert set(alone.findings["job"]) <= set(alone.jobs["job"])
        assert len(alone.jobs) == (case.records.jobs["family"] == family).sum()
