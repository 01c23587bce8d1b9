from dataclasses import replace

import numpy as np
import pytest

from reliability.worth.judging import judge, offers_from
from reliability.worth.review import signs_by_worth


def moved(appraiser, kind, sign):
    """Spread of the expected gain over the answer, from the printed cents of `judge`."""
    rows = [{"offer": word, "kind": kind, "asked": 0, sign: word} for word in ("yes", "no")]
    gain = judge(offers_from(rows), appraiser).set_index("offer")["expected_gain"]
    share = appraiser.shared.sign_mean[appraiser.shared.signs.index(sign)]
    return np.sqrt(share * (1 - share)) * abs(gain["yes"] - gain["no"])


@pytest.mark.parametrize("kind", ["tape deck", "receiver"])
def test_the_signs_of_a_kind_are_those_that_tell_most_first(demo_appraiser, demo_records, kind):
    signs = signs_by_worth(demo_appraiser, demo_records, kind)
    told = [moved(demo_appraiser, kind, sign) for sign in signs]
    assert np.all(np.diff(told) < 0.03)  # two amounts that were rounded to the cent
    assert told[0] > 5


def test_only_signs_that_somebody_has_looked_for_on_a_kind_are_named(demo_appraiser, demo_records):
    jobs = demo_records.jobs.merge(demo_records.families, on="family").merge(demo_records.signs, on="job")
    for kind in ("tape deck", "receiver", "turntable", "disc player"):
        looked = set(jobs.loc[jobs["kind"] == kind, "sign"])
        assert set(signs_by_worth(demo_appraiser, demo_records, kind)) == looked
    assert set(signs_by_worth(demo_appraiser, demo_records, "")) == set(demo_appraiser.shared.signs)
    decks = jobs.loc[jobs["kind"] == "tape deck", "job"]
    unlooked = replace(demo_records, signs=demo_records.signs[~demo_records.signs["job"].isin(decks)])
    assert signs_by_worth(demo_appraiser, unlooked, "tape deck") == ()
