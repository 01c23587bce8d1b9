"""Appraisers kept between runs."""

import datetime
import os
from dataclasses import replace
from pathlib import Path

import pytest

from reliability.records.frames import Records
from reliability.report import keeping
from reliability.report.keeping import MOST_KEPT, Keeper
from reliability.worth.review import ranking

DAY = datetime.date(2024, 3, 20)


def test_a_kept_appraiser_answers_like_the_fitted_one(
    tmp_path: Path, awkward_records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    keeper = Keeper(tmp_path)
    fitted = keeper.fit(awkward_records, DAY)
    monkeypatch.setattr(keeping, "fit_appraiser", lambda *_: pytest.fail("fitted again"))
    kept = keeper.fit(awkward_records, DAY)
    assert ranking(kept, awkward_records).equals(ranking(fitted, awkward_records))

    # A job of a later day is not known on this day, so nothing has to be fitted.
    later = awkward_records.jobs.copy()
    later.loc[later.index[-1], "taken_in"] += datetime.timedelta(days=3000)
    early = datetime.date(2022, 8, 1)
    monkeypatch.undo()
    first = keeper.fit(awkward_records, early)
    monkeypatch.setattr(keeping, "fit_appraiser", lambda *_: pytest.fail("fitted again"))
    assert ranking(keeper.fit(replace(awkward_records, jobs=later), early), awkward_records).equals(
        ranking(first, awkward_records)
    )


def test_other_records_or_another_day_are_fitted_and_damage_is_mended(
    tmp_path: Path, awkward_records: Records, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []

    class Fitted:
        def save(self, path: Path) -> None:
            path.write_text("{")

    monkeypatch.setattr(keeping, "fit_appraiser", lambda records, day: asked.append(day) or Fitted())
    keeper = Keeper(tmp_path)
    keeper.fit(awkward_records, DAY)
    keeper.fit(awkward_records, DAY)  # what was kept is damaged
    keeper.fit(awkward_records, DAY + datetime.timedelta(days=1))
    keeper.fit(replace(awkward_records, jobs=awkward_records.jobs.assign(hours=1.0)), DAY)
    assert len(asked) == 4
    Keeper(None).fit(awkward_records, DAY)
    Keeper(None).prune()
    assert len(asked) == 5
    assert len(list(tmp_path.iterdir())) == 3


def test_only_the_ones_used_last_stay(tmp_path: Path) -> None:
    for i in range(MOST_KEPT + 3):
        path = tmp_path / f"{i}.json"
        path.write_text("{}")
        os.utime(path, (i, i))
    Keeper(tmp_path).prune()
    assert sorted(int(path.stem) for path in tmp_path.iterdir()) == list(range(3, MOST_KEPT + 3))
